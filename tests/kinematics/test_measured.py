"""Measured lift tables: the smoothing spline against scipy's, tables sampled from the laws against the laws.

References: ``scipy.interpolate.make_smoothing_spline`` (reference library), the laws of ``cams`` (themselves checked
against published peaks in test_cams). Noise is drawn with a seed; its estimate is a statistic, so it is held to the
spread that such an estimate has (computed: a standard deviation from N residuals is known to about 1/√(2N)).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline, make_smoothing_spline
from scipy.optimize import brentq
from shapely import LinearRing, hausdorff_distance

from quillwise.kinematics import cams, lobes, measured
from quillwise.kinematics.cams import LAWS
from quillwise.kinematics.datasheet import StandardLaw, ValveData

Floats = NDArray[np.float64]

INLET = ValveData(
    kind="inlet",
    opens_deg=338,
    closes_deg=598,
    lift_mm=11.0,
    ramp_mm_per_crank_deg=0.025,
    checking_clearance_mm=0.40,
    running_clearance_mm=0.30,
)
CYCLE = np.arange(0.0, 720.0, 0.5)
every_law = pytest.mark.parametrize("law", LAWS)


def table(curve: cams.Curve, step_deg: float, noise: Floats | float = 0.0) -> tuple[tuple[float, float], ...]:
    """Rows from heel to heel, ``step_deg`` apart."""
    angle = np.arange(300.0, 640.0, step_deg)
    lift = cams.lift_mm(curve, angle) + noise
    return tuple(zip(angle.tolist(), lift.tolist(), strict=True))


def sampled(law: StandardLaw, step_deg: float) -> tuple[cams.Curve, measured.MeasuredCurve]:
    curve = cams.lift_curve(replace(INLET, law=law))
    return curve, measured.measured_curve(table(curve, step_deg))


# --- the spline


@pytest.mark.parametrize("seed", range(4))
def test_spline_is_that_of_the_reference_library(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x = np.cumsum(rng.uniform(1.0, 6.0, 60))
    y = 9 * np.sin(x / 50) + rng.normal(0, 0.05, 60)
    values, bends, _ = measured.smoothed(x, y)
    # residuals are λ times the jumps of the third derivative: that gives λ
    third = np.diff(bends) / np.diff(x)
    jumps = np.diff(np.concatenate([[0.0], third, [0.0]]))
    lam = float((y - values) @ jumps / (jumps @ jumps))
    assert lam > 0
    reference = make_smoothing_spline(x, y, lam=lam)
    assert values == pytest.approx(reference(x), abs=1e-6)
    assert bends == pytest.approx(reference(x, nu=2), abs=1e-5)


def test_spline_between_its_knots_is_the_natural_cubic() -> None:
    curve = cams.lift_curve(INLET)
    found = measured.measured_curve(table(curve, 7.0))
    natural = CubicSpline(found.knots_deg, found.lifts_mm, bc_type="natural")
    at = np.linspace(found.knots_deg[0], found.knots_deg[-1], 501)
    own = at + found.peak_deg
    assert measured.measured_lift_mm(found, own) == pytest.approx(np.maximum(natural(at), 0.0), abs=1e-9)
    assert measured.measured_velocity(found, own)[1:-1] == pytest.approx(natural(at, 1)[1:-1], abs=1e-9)


# --- a table that was sampled from a law comes back to it


@every_law
def test_table_of_a_law_comes_back_to_it(law: StandardLaw) -> None:
    curve, found = sampled(law, 2.0)
    assert cams.lift_mm(found, CYCLE) == pytest.approx(cams.lift_mm(curve, CYCLE), abs=0.001)
    # some laws dwell at the top: wherever the peak is found, the law is as good as at its own
    assert cams.lift_mm(curve, found.peak_deg) == pytest.approx(curve.lift_mm, abs=0.001)
    assert found.lift_mm == pytest.approx(11.0, abs=0.001)
    assert found.noise_mm < 0.0005
    for clearance in (0.05, 0.3, 0.4, 0.8, 3.0, 10.0):  # on the ramp, and beyond it
        wanted, got = cams.events_at(curve, clearance), cams.events_at(found, clearance)
        assert got == pytest.approx(wanted, abs=0.06), clearance


@every_law
def test_a_coarse_table_comes_back_less_well_and_says_so(law: StandardLaw) -> None:
    curve, fine = sampled(law, 2.0)
    _, coarse = sampled(law, 10.0)
    error = np.abs(cams.lift_mm(coarse, CYCLE) - cams.lift_mm(curve, CYCLE)).max()
    assert fine.noise_mm < coarse.noise_mm < 0.02
    assert error < 0.03
    assert cams.events_at(coarse, 0.4) == pytest.approx((338, 598), abs=0.6)


@every_law
def test_velocity_of_a_sampled_law(law: StandardLaw) -> None:
    curve, found = sampled(law, 2.0)
    inside = np.arange(345.0, 592.0, 0.7)
    wanted = cams.velocity_mm_per_deg(curve, inside)
    assert cams.velocity_mm_per_deg(found, inside) == pytest.approx(wanted, abs=0.002)
    step = 1e-3
    rate = (cams.lift_mm(found, inside + step) - cams.lift_mm(found, inside - step)) / (2 * step)
    assert cams.velocity_mm_per_deg(found, inside) == pytest.approx(rate, abs=1e-6)


@every_law
@pytest.mark.parametrize("sigma_mm", [pytest.param(0.01, marks=pytest.mark.slow), 0.03])
def test_reported_noise_is_the_noise_that_was_added(law: StandardLaw, sigma_mm: float) -> None:
    curve = cams.lift_curve(replace(INLET, law=law))
    rng = np.random.default_rng(7)
    reported, error = [], []
    for _ in range(10):
        rows = table(curve, 2.0, rng.normal(0, sigma_mm, 170))
        found = measured.measured_curve(rows)
        reported.append(found.noise_mm)
        error.append(np.sqrt(np.mean((cams.lift_mm(found, CYCLE) - cams.lift_mm(curve, CYCLE)) ** 2)))
    assert np.mean(reported) == pytest.approx(sigma_mm, rel=0.06)
    assert reported == pytest.approx([sigma_mm] * 10, rel=0.25)
    assert np.mean(error) < 0.5 * sigma_mm, "a smooth curve through many rows is better than one row"


def test_period_is_a_cycle_and_the_heel_is_at_rest() -> None:
    _, found = sampled("harmonic", 4.0)
    own = np.arange(-700.0, 1500.0, 3.7)
    assert cams.lift_mm(found, own) == pytest.approx(cams.lift_mm(found, own + 720.0), abs=1e-9)
    heel = np.concatenate([np.arange(0.0, 315.0), np.arange(625.0, 720.0)])
    assert np.all(cams.lift_mm(found, heel) == 0.0)
    assert np.all(cams.velocity_mm_per_deg(found, heel) == 0.0)
    assert cams.lift_mm(found, own).min() == 0.0


def test_events_are_where_the_lift_passes_the_clearance_on_a_lopsided_lobe() -> None:
    angle = np.arange(330.0, 601.0, 3.0)
    up, down = np.clip((angle - 336) / 110, 0, 1), np.clip((596 - angle) / 150, 0, 1)
    lift = 9.5 * np.sin(np.pi / 2 * np.minimum(up, down)) ** 2
    found = measured.measured_curve(list(zip(angle.tolist(), lift.tolist(), strict=True)))
    for clearance in (0.2, 0.5, 2.0, 9.0):
        wanted = [
            brentq(lambda own, c=clearance: float(cams.lift_mm(found, own)) - c, *span)
            for span in ((320.0, found.peak_deg), (found.peak_deg, 620.0))
        ]
        assert cams.events_at(found, clearance) == pytest.approx(wanted, abs=1e-6)
    assert cams.events_at(found, 9.6) is None
    assert cams.events_at(found, float("inf")) is None
    with pytest.raises(ValueError, match="holds the valve open all round"):
        cams.events_at(found, -0.1)
    # the ends of the lift itself, at no clearance
    opens, closes = cams.events_at(found, 0.0) or (0.0, 0.0)
    assert (opens, closes) == pytest.approx((336, 596), abs=4.0)


def test_curve_is_a_value() -> None:
    _, found = sampled("cycloidal", 5.0)
    again = measured.measured_curve(table(cams.lift_curve(replace(INLET, law="cycloidal")), 5.0))
    assert found == again and hash(found) == hash(again)


# --- what makes no curve

RISE = [(300.0 + 10 * k, 9 * np.sin(np.pi * k / 24) ** 2) for k in range(25)]


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        (RISE[:11], "expected 12 to 720 rows of angle and lift, got 11"),
        ([*RISE[:5], (float("nan"), 1.0), *RISE[6:]], "expected finite angles and lifts"),
        ([*RISE[:5], (339.0, 4.0), *RISE[6:]], "expected angles that grow, got 339 in row 6 after 340"),
        ([*RISE[:5], (340.0, 4.0), *RISE[6:]], "expected angles that grow, got 340 in row 6 after 340"),
        ([*RISE, (1020.0, 0.0)], "expected rows over less than 720 degrees, got 720"),
        ([(angle, 0.0) for angle, _ in RISE], "expected lifts above 0, got 0 mm as the greatest"),
        ([(300.0, 0.3), *RISE[1:]], "expected at most 0.180 mm of lift in the first row, got 0.3 mm"),
        ([*RISE[:-1], (540.0, -0.2)], "expected at most 0.180 mm of lift in the last row, got -0.2 mm"),
        (
            [*RISE[:8], (380.0, 5.0), *RISE[9:]],
            "expected one peak, got a lift that falls by 0.665 mm at 380 and rises again",
        ),
        (
            [*RISE[:18], (480.0, 3.0), *RISE[19:]],
            "expected one peak, got a lift that falls by 0.335 mm at 480 and rises again",
        ),
    ],
)
def test_tables_that_make_no_curve(rows: list[tuple[float, float]], message: str) -> None:
    assert measured.table_problems(rows) == [message]
    with pytest.raises(ValueError, match=message[:20]):
        measured.measured_curve(rows)


def test_readings_that_fall_by_less_than_their_error_are_one_peak() -> None:
    rows = [*RISE[:11], (410.0, RISE[11][1] - 0.1), *RISE[12:]]
    assert measured.table_problems(rows) == []


@pytest.mark.parametrize(
    ("clearance", "message"),
    [
        (9.5, "more than 0 and less than the greatest lift of the table (8.998 mm), got 9.5 mm"),
        (0.0, "more than 0 and less than the greatest lift of the table (8.998 mm), got 0 mm"),
    ],
)
def test_clearance_must_be_passed_by_the_lift(clearance: float, message: str) -> None:
    data = replace(INLET, law="measured", lift_table=tuple(RISE), checking_clearance_mm=clearance)
    assert cams.curve_problems(data) == [f"the checking clearance must be {message}"]


def test_a_measured_valve_without_a_good_table() -> None:
    data = replace(INLET, law="measured", lift_table=tuple(RISE[:3]))
    assert cams.curve_problems(data) == ["the lift table: expected 12 to 720 rows of angle and lift, got 3"]
    with pytest.raises(ValueError, match="the lift table"):
        cams.lift_curve(data)


# --- lobes


@pytest.mark.parametrize("follower", ["flat", "rocker", "pad-rocker"])
def test_lobe_of_a_table_is_that_of_its_law(follower: str) -> None:
    data = replace(INLET, law="4-5-6-7", follower=follower, base_radius_mm=40.0)
    curve, found = cams.lift_curve(data), measured.measured_curve(table(cams.lift_curve(data), 2.0))
    plan = lobes.follower_plan(data, 118.0, 1)
    exact, near = (LinearRing(lobes.outline(plan, each, 0.0, samples=2000)) for each in (curve, found))
    assert hausdorff_distance(exact, near) < 0.02
    assert lobes.nose_radius_mm(plan, found) == pytest.approx(lobes.nose_radius_mm(plan, curve), abs=0.3)
