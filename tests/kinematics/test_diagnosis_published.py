"""The parts of the diagnosis against published figures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from random_engines import in_line_six
from scipy.special import logsumexp

from quillwise.kinematics.build import build
from quillwise.kinematics.explained import explained
from quillwise.kinematics.inquiry import Mixture, bits, bits_of_outcomes
from quillwise.kinematics.likelihood import Axis, Model, evaluate
from quillwise.kinematics.observed import Observed
from quillwise.kinematics.posterior import posterior, problem
from quillwise.kinematics.readings import PointerReading, Readings
from quillwise.scenes.judging import packaged as packaged_judgement

DEFAULT = packaged_judgement()

ENGINE = build(in_line_six())
NOTHING_SEEN = Observed(rows=(), seen=(), looked=(), pointers=())


@pytest.mark.parametrize(("readings", "mean", "variance", "digits"), [(1, 102.8, 48.0, 1e-6), (5, 99.4, 14.1, 0.06)])
def test_linear_gaussian(readings: int, mean: float, variance: float, digits: float) -> None:
    """Prior N(110, 120), a reading of 98 with variance 80, or five of that mean. Published: areding.github.io course
    notes, unit 4. Here 110 is where the pointer should stand."""
    judgement = replace(DEFAULT, u_pointer_deg=120.0**0.5, classes={"wrong tooth": 1.0})
    entries = (PointerReading(cylinder="A1", error_deg=98.0 - 110.0, u_deg=80.0**0.5),) * readings
    stated = problem(ENGINE, Readings(entries=entries), judgement)
    found = posterior(stated)
    told = explained(stated, found, ())
    assert 110.0 + told.slip_deg == pytest.approx(mean, abs=digits)
    assert told.u_slip_deg**2 == pytest.approx(variance, abs=digits)
    # and by the trapezoid rule along the axis
    assert found.whole_slip == pytest.approx((told.slip_deg, told.u_slip_deg**2), abs=1e-9)


def test_which_of_the_discrete_positions() -> None:
    """Values 8 to 11, equal prior, six readings of sd 6. Secondary: question and answer, "Posterior standard
    deviation … discrete prior"; its standard deviation is wrong and recomputed here."""
    read = np.array([7.0, 2.0, 6.0, 12.0, 10.0, 9.0])
    values = np.array([8.0, 9.0, 10.0, 11.0])
    model = Model(
        read=read,
        period=np.zeros(6),
        predicted=np.repeat(values[:, None], 6, axis=1),
        slopes=np.zeros((4, 6)),
        group=np.zeros(4, dtype=np.int64),
        covariances=36.0 * np.eye(6)[None],
        looks=np.zeros(4),
        late=np.zeros((4, 0)),
    )
    axis = Axis(start_deg=-1.0, end_deg=1.0, count=3)
    found = evaluate(model, NOTHING_SEEN, axis, DEFAULT)
    log = np.array([found.row(which, 3)[1] for which in range(4)])
    chances = np.exp(log - logsumexp(log))
    assert chances == pytest.approx([0.3434827, 0.2989415, 0.2202344, 0.1373414], abs=1e-7)
    mean = float(chances @ values)
    assert mean == pytest.approx(9.151435, abs=1e-6)
    assert float(chances @ (values - mean) ** 2) ** 0.5 == pytest.approx(1.044103, abs=1e-6)


# out of 9 days with play and 5 without: how many had each outcome
PLAY = {
    "outlook": (0.246750, [(2, 4, 3), (3, 0, 2)]),
    "humidity": (0.151836, [(3, 6), (4, 1)]),
    "wind": (0.048127, [(6, 3), (2, 3)]),
    "temperature": (0.029223, [(2, 4, 3), (2, 2, 1)]),
}


@pytest.mark.parametrize("attribute", PLAY)
def test_expected_information_of_what_is_seen(attribute: str) -> None:
    """The weather/play set. Secondary: ibm.com/topics/decision-trees, which prints .940, .247 and .151."""
    expected, counts = PLAY[attribute]
    days = np.array([9.0, 5.0]) / 14.0
    chances = np.array([np.array(row) / sum(row) for row in counts])
    assert bits_of_outcomes(days, chances) == pytest.approx(expected, abs=1e-6)
    # what tells it outright gives the whole entropy
    assert bits_of_outcomes(days, np.eye(2)) == pytest.approx(0.940286, abs=1e-6)


def _random_mixtures(rng: np.random.Generator, causes: int, widest: float) -> list[Mixture]:
    made = []
    for _ in range(causes):
        parts = int(rng.integers(1, 5))
        weights = rng.dirichlet(np.ones(parts))
        made.append(Mixture(weights=weights, means=rng.uniform(0, 12, parts), sds=rng.uniform(0.2, widest, parts)))
    return made


@pytest.mark.parametrize("period", [0.0, 10.0])
def test_expected_information_equals_a_monte_carlo_estimate(period: float) -> None:
    """Of readings of angles, wrapped or not: 200,000 draws, within five standard errors."""
    rng = np.random.default_rng(20240611)
    for causes in (2, 5):
        chances = rng.dirichlet(np.ones(causes))
        # wrapped, a part is taken at its nearest turn only: of narrow ones that is all of it
        mixtures = _random_mixtures(rng, causes, 0.8 if period else 2.0)
        cause = rng.choice(causes, size=200_000, p=chances)
        y = np.empty(len(cause))
        for number, one in enumerate(mixtures):
            mine = cause == number
            part = rng.choice(len(one.weights), size=int(mine.sum()), p=one.weights)
            y[mine] = rng.normal(one.means[part], one.sds[part])
        densities = np.array([one.density(y, period) for one in mixtures])
        gains = np.log2(densities[cause, np.arange(len(y))]) - np.log2(chances @ densities)
        error = float(gains.std()) / len(y) ** 0.5
        assert bits(chances, mixtures, period) == pytest.approx(float(gains.mean()), abs=5 * error)


def test_expected_information_at_its_ends() -> None:
    one = Mixture(weights=np.ones(1), means=np.zeros(1), sds=np.ones(1))
    far = replace(one, means=np.array([500.0]))
    half = np.array([0.5, 0.5])
    assert bits(half, [one, one]) == pytest.approx(0.0, abs=1e-12)
    assert bits(half, [one, far]) == pytest.approx(1.0, abs=1e-9)
    # a turn on is the same place on the ring
    assert bits(half, [one, replace(one, means=np.array([360.0]))], 360.0) == pytest.approx(0.0, abs=1e-9)
