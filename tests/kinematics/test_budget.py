"""Uncertainty against the worked examples of the guides."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from quillwise.kinematics.budget import (
    Component,
    acceptance_zone,
    combined,
    drawn,
    draws_wanted,
    mistaken,
    symmetric_interval,
    worst_case,
)


def test_gum_h1_the_end_gauge():
    """JCGM 100:2008, example H.1 (published): u = 32 nm."""
    length = 50.000623e6  # nm
    alpha, theta = 11.5e-6, -0.1
    parts = [
        Component(name="standard", half_width=25.0, shape="normal"),
        Component(name="difference", half_width=9.7, shape="normal"),
        Component(name="δα", half_width=length * abs(theta) * 0.58e-6, shape="normal"),
        Component(name="δθ", half_width=length * alpha * 0.029, shape="normal"),
    ]
    assert round(combined(parts)) == 32


def test_four_rectangles():
    """JCGM 101:2008, 9.2.3 (from memory, recomputed): u = 2, shortest 95 % interval ±3.88 = 2√3·[2 − (3/5)^¼]."""
    parts = [Component(name=str(number), half_width=math.sqrt(3.0)) for number in range(4)]
    assert combined(parts) == pytest.approx(2.0)
    exact = 2 * math.sqrt(3) * (2 - (3 / 5) ** 0.25)
    assert round(exact, 2) == 3.88
    low, high = symmetric_interval(drawn(parts, 1_000_000, 1), 0.95)
    assert (low, high) == pytest.approx((-exact, exact), abs=0.02)
    gaussian = stats.norm.ppf(0.975) * 2
    assert round(gaussian, 2) == 3.92
    assert high < gaussian
    assert worst_case(parts) == pytest.approx(4 * math.sqrt(3))


def test_guarded_acceptance():
    """JCGM 106:2012, its rule; numbers computed: 28.0 ± 1.0, u 0.25, k 2 → [27.5, 28.5]."""
    low, high = acceptance_zone(1.0, 0.5)
    assert (28.0 + low, 28.0 + high) == (27.5, 28.5)
    assert acceptance_zone(0.4, 0.5) is None


def test_draws_and_seed():
    """JCGM 101:2008, 7.2.2 (from memory): at least 10⁴ / (1 − p)."""
    assert draws_wanted(0.95) == 200_000
    parts = [Component(name="a", half_width=1.0)]
    assert (drawn(parts, 100, 5) == drawn(parts, 100, 5)).all()
    assert (drawn(parts, 100, 5) != drawn(parts, 100, 6)).any()


def test_linear_budget_against_monte_carlo():
    source = np.random.default_rng(2)
    for _ in range(10):
        parts = [Component(name=str(i), half_width=float(w)) for i, w in enumerate(source.uniform(0.05, 1.0, 5))]
        values = drawn(parts, 400_000, 3)
        assert values.std() == pytest.approx(combined(parts), rel=0.01)
        assert np.abs(values).max() <= worst_case(parts)


def test_taking_one_for_the_next():
    """Two values 2u apart: the reading of one lies beyond the middle with probability Φ(−1) (normal table)."""
    assert mistaken(2.0, 1.0) == pytest.approx(stats.norm.cdf(-1.0))
    values = np.random.default_rng(4).normal(0.0, 0.3, 1_000_000)
    assert mistaken(0.4, 0.3) == pytest.approx((values > 0.2).mean(), abs=0.002)
    assert mistaken(1.0, 0.0) == 0.0
