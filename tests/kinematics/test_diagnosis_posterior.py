"""The posterior, branch by branch, against the full product of hypotheses integrated by scipy."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from random_engines import in_line_six
from scipy.integrate import quad_vec
from scipy.special import logsumexp
from scipy.stats import multivariate_normal, norm

from quillwise.kinematics import likelihood
from quillwise.kinematics.angles import wrapped
from quillwise.kinematics.assembly import Assembly, intended
from quillwise.kinematics.branches import step_crank
from quillwise.kinematics.build import build
from quillwise.kinematics.hypotheses import Hypothesis, acted
from quillwise.kinematics.likelihood import Axis, evaluate, log_sum_by, model
from quillwise.kinematics.model import Engine
from quillwise.kinematics.posterior import STEP_SD, posterior, problem
from quillwise.kinematics.readings import BreakReading, PointerReading, Readings, ValveReading
from quillwise.kinematics.timing import timing_table
from quillwise.scenes.judging import packaged as packaged_judgement

DEFAULT = packaged_judgement()

SOME = {"wrong tooth": 20.0, "one crank turn out": 8.0, "ordinary gear a tooth out": 4.0, "pointer or disc moved": 14.0}
JUDGEMENT = replace(DEFAULT, classes=SOME, another_fault=0.4, u_pointer_moved_deg=3.0)


def small_engine() -> Engine:
    """Couplings of 3 to 4 and 4 to 5 teeth: 12 and 20 positions."""
    sheet = in_line_six()
    teeth = {"quill-a": (3, 4), "sleeve": (4, 5)}
    couplings = tuple(
        replace(one, driving_teeth=teeth[one.name][0], driven_teeth=teeth[one.name][1], tooth_phase_deg=0.0)
        for one in sheet.couplings
    )
    return build(replace(sheet, couplings=couplings))


ENGINE = small_engine()
# a camshaft two thirds of a tooth off, and figures that do not quite agree
READINGS = Readings(
    disc_proved=False,
    entries=(
        ValveReading(valve="A1 inlet", flank="opens", crank_deg=345.0 - 61.2, clearance_mm=0.40, u_deg=6.0),
        ValveReading(valve="A1 inlet", flank="closes", crank_deg=590.0 - 57.0, clearance_mm=0.40, u_deg=7.0),
        BreakReading(magneto="single", finger_on="A1", crank_deg=687.5, u_deg=2.0),
        BreakReading(magneto="single", finger_on="A5", crank_deg=84.0, u_deg=2.5),
        PointerReading(cylinder="A1", error_deg=0.7, u_deg=0.9),
    ),
)


def event_places(assembly: Assembly) -> np.ndarray:
    """θ of the four events that are read, by the timing table."""
    table = {event.name: event for event in timing_table(ENGINE, assembly)}
    names = ("A1 inlet opens", "A1 inlet closes", "A1 single points break", "A5 single points break")
    return np.array([table[name].as_set_deg for name in names], dtype=float)


def made_by(*hypotheses: Hypothesis) -> Assembly:
    """The assembly with these things wrong; a crank turn out is half a turn of the shaft, as so many teeth."""
    made = intended(ENGINE)
    for one in hypotheses:
        made = acted(made, one)
    return made


def by_scipy() -> tuple[dict[tuple[int, int, int, int], float], float]:
    """log joint of every combination (shared, moved, camshaft, magneto) and of all together."""
    stated = problem(ENGINE, READINGS, JUDGEMENT)
    (_, cams), (_, magnetos) = stated.field.branches
    read = np.array([entry.crank_deg for entry in READINGS.entries[:4]])  # type: ignore[union-attr]
    ramp = 0.02
    settings = [np.hypot(step_crank(ENGINE, name) / np.sqrt(12), JUDGEMENT.u_setting_deg) for name in ENGINE.couplings]
    clearance = JUDGEMENT.u_clearance_mm / ramp * np.array([1.0, -1.0])
    cov_cam = np.diag([36.0, 49.0]) + settings[0] ** 2 + np.outer(clearance, clearance)
    gap_row = _gap_deg_per_mm() * JUDGEMENT.u_gap_mm
    cov_mag = np.diag([4.0, 6.25]) + settings[1] ** 2 + gap_row**2
    both = multivariate_normal(np.zeros(2), cov_cam), multivariate_normal(np.zeros(2), cov_mag)

    def places(hypothesis: Hypothesis, shared: Hypothesis, rows: slice) -> np.ndarray:
        out = event_places(made_by(shared, hypothesis))[rows]
        return out + (360.0 if hypothesis.kind == "one crank turn out" else 0.0)

    def along(slip: float) -> np.ndarray:
        found = []
        for places_cam, places_mag in by_shared:
            cam = np.exp(both[0].logpdf(wrapped(read[:2] - slip - places_cam, 720.0)))
            mag = np.exp(both[1].logpdf(wrapped(read[2:] - slip - places_mag, 720.0)))
            found.append(np.outer(cam, mag))
        care = norm.pdf(slip, 0.0, JUDGEMENT.u_pointer_deg)
        moved = 0.5 * norm.pdf(slip, 0.0, JUDGEMENT.u_pointer_moved_deg) + 0.5 / 360.0
        said = norm.pdf(0.7 - slip, 0.0, 0.9)
        return np.stack([np.stack(found) * care, np.stack(found) * moved], axis=1) * said

    by_shared = [
        (
            np.array([places(one, shared, slice(0, 2)) for one in cams]),
            np.array([places(one, shared, slice(2, 4)) for one in magnetos]),
        )
        for shared in stated.field.shared
    ]
    total = sum(
        quad_vec(along, low, high, epsabs=1e-30, epsrel=1e-13, norm="max")[0]
        for low, high in itertools.pairwise((-180, -20, -8, -3, -1, 0, 1, 3, 8, 20, 180))
    )
    log: dict[tuple[int, int, int, int], float] = {}
    with np.errstate(divide="ignore"):
        for g, shared in enumerate(stated.field.shared):
            for p in (0, 1):
                for i, cam in enumerate(cams):
                    for j, magneto in enumerate(magnetos):
                        odds = shared.odds * cam.odds * magneto.odds * (stated.field.moved_odds if p else 1.0)
                        if (g, p, i, j) == (0, 0, 0, 0):
                            odds = stated.field.right_weight
                        log[g, p, i, j] = float(np.log(total[g, p, i, j]) + np.log(odds))
    return log, float(logsumexp(list(log.values())))


def _gap_deg_per_mm() -> float:
    from quillwise.kinematics.magnetos import break_shift_deg

    magneto = ENGINE.magnetos["single"]
    above, below = (break_shift_deg(magneto.data, magneto.data.points_gap_mm + by) for by in (1e-4, -1e-4))
    return (above - below) / 2e-4 / abs(float(ENGINE.shafts[magneto.rotor].turns))


def test_branch_by_branch_equals_the_full_product() -> None:
    expected, expected_all = by_scipy()
    stated = problem(ENGINE, READINGS, JUDGEMENT)
    assert len(expected) > 5000, "the full product is many combinations"
    found = posterior(stated)
    assert found.log_all == pytest.approx(expected_all, abs=1e-9)
    cam, magneto = (branch.name for branch, _ in stated.field.branches)
    compared = 0
    for (g, p, i, j), log in expected.items():
        wrong = [("shared", g), ("pointer", p - 1), (cam, i), (magneto, j)]
        key = tuple(sorted((place, n) for place, n in wrong if n > 0 or (place == "pointer" and n == 0)))
        probability = np.exp(log - expected_all)
        if key in found.log_joint:
            assert found.probability(key) == pytest.approx(probability, abs=1e-9, rel=1e-9)
            compared += 1
        else:
            assert len(key) > 2 or probability < 1e-12
    assert compared > 300, "all single causes and pairs"
    assert max(np.exp(log - expected_all) for log in expected.values()) < 0.9, "several causes have their share"


@pytest.mark.parametrize("u_deg", [4.0, 1.0, 0.3, 0.05])
def test_nothing_that_matters_is_left_out_where_branches_contradict_each_other(
    monkeypatch: pytest.MonkeyPatch, u_deg: float
) -> None:
    # half a step of the camshaft's coupling away, and half a step the other way for the magneto
    entries = (
        ValveReading(valve="A1 inlet", flank="opens", crank_deg=345.0 + 30.0, clearance_mm=0.40, u_deg=u_deg),
        BreakReading(magneto="single", finger_on="A1", crank_deg=687.5 - 14.0, u_deg=u_deg),
        PointerReading(cylinder="A1", error_deg=0.7, u_deg=u_deg),
    )
    stated = problem(ENGINE, replace(READINGS, disc_proved=True, entries=entries), JUDGEMENT)
    found = posterior(stated)
    monkeypatch.setattr("quillwise.kinematics.posterior._LEFT_OUT", (np.inf,))
    whole = posterior(stated)
    assert found.log_all == pytest.approx(whole.log_all, abs=1e-9)
    for key, log in whole.log_joint.items():
        assert np.exp(found.log_joint.get(key, -np.inf) - whole.log_all) == pytest.approx(
            np.exp(log - whole.log_all), abs=1e-9
        )


def test_the_step_of_the_axis_keeps_the_rule_exact() -> None:
    # the trapezoid rule on a normal density: step 0.8 sd errs by 8e-14, 1.25 sd by 6.5e-6 (Poisson's summation formula)
    for steps_sd, error in ((STEP_SD, 1e-12), (1.25, 1e-5)):
        axis = Axis(start_deg=-180.0, end_deg=180.0, count=int(360 / steps_sd) + 1)
        total = norm.pdf(axis.places, 0.3 * steps_sd, 1.0).sum() * axis.step_deg
        assert abs(total - 1.0) < error
    assert abs(total - 1.0) > 1e-7


@pytest.mark.parametrize("block", [1, 7, 100])
def test_what_is_worked_at_in_blocks_is_the_same(monkeypatch: pytest.MonkeyPatch, block: int) -> None:
    stated = problem(ENGINE, READINGS, JUDGEMENT)
    whole = posterior(stated)
    monkeypatch.setattr(likelihood, "_BLOCK", block)
    again = posterior(stated)
    assert list(again.log_joint) == list(whole.log_joint)
    assert list(again.log_joint.values()) == pytest.approx(list(whole.log_joint.values()), abs=1e-9)
    assert again.log_all == pytest.approx(whole.log_all, abs=1e-9)


def test_a_hypothesis_along_the_axis_is_what_is_kept_of_it() -> None:
    stated = problem(ENGINE, READINGS, JUDGEMENT)
    branch, hypotheses = stated.field.branches[0]
    mine = stated.seen.of(branch)
    axis = Axis(start_deg=-180.0, end_deg=180.0, count=721)
    found = evaluate(model(ENGINE, mine, hypotheses, JUDGEMENT), mine, axis, JUDGEMENT)
    assert np.all(np.diff(found.which) >= 0)
    chosen = [5, 0, 2]
    for row, number in zip(found.rows(chosen, axis.count), chosen, strict=True):
        kept = found.which == number
        assert kept.any()
        assert dict(zip(found.place[kept], found.log[kept], strict=True)) == {
            place: row[place] for place in np.flatnonzero(np.isfinite(row))
        }


def test_a_sum_of_logarithms_by_index() -> None:
    rng = np.random.default_rng(4)
    log, index = rng.normal(-800.0, 300.0, 500), rng.integers(0, 20, 500)
    log[::7] = -np.inf
    found = log_sum_by(log, index, 21)
    assert found[:20] == pytest.approx([logsumexp(log[index == number]) for number in range(20)], abs=1e-9)
    assert found[20] == -np.inf
