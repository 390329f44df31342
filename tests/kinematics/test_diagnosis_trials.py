"""Blind trials: what they must hold, and that many hands make what one makes."""

from __future__ import annotations

import numpy as np
import pytest
from blind_trials import AN_ENGINE, DEFAULT, Outcome, run
from two_workers import two_workers

from quillwise.viz.working import Hands


def check(outcomes: list[Outcome]) -> None:
    """What every run must hold, by the number of its trials."""
    separable = [one for one in outcomes if one.separable]
    assert len(separable) > 0.1 * len(outcomes)
    found = sum(one.found for one in separable) / len(separable)
    assert found >= 0.95, f"{found:.3f} of {len(separable)}"
    listed = np.array([chance for one in outcomes for chance in one.chances])
    for low, high in ((0.8, 0.9), (0.5, 0.8), (0.9, 1.0), (0.05, 0.5)):
        mine = listed[(listed[:, 0] >= low) & (listed[:, 0] < high)]
        if len(mine):
            stated, right = float(mine[:, 0].mean()), float(mine[:, 1].mean())
            error = (float((mine[:, 0] * (1 - mine[:, 0])).mean()) / len(mine)) ** 0.5
            assert abs(stated - right) <= 4 * error + 1 / len(mine), (low, high, stated, right, len(mine))
    # what is left after the cure is half a step and how well the readings show the shaft's place, pointer and all
    lefts = np.array([one.left_deg for one in outcomes])
    assert np.quantile(lefts, 0.95) < 3 * (DEFAULT.u_pointer_deg**2 + 0.4**2) ** 0.5


@pytest.mark.slow
def test_blind_trials() -> None:
    check(run(100, seed=5, hands=Hands()))


@pytest.mark.slow
def test_two_thousand_blind_trials() -> None:
    check(run(2000, seed=1, hands=Hands(jobs=2)))


@pytest.mark.slow
def test_many_hands_make_the_same_trials() -> None:
    pytest.importorskip("distributed")
    count = AN_ENGINE + 2
    alone = run(count, seed=3, hands=Hands())
    assert len(alone) == count
    assert run(count, seed=3, hands=Hands(jobs=2)) == alone
    with two_workers() as address:
        assert run(count, seed=3, hands=Hands(cluster=address)) == alone
    assert run(count, seed=4, hands=Hands()) != alone
