"""Cam laws and lift curves against published figures. Valve data that are not in a source are invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq

from quillwise.kinematics import cams
from quillwise.kinematics.angles import format_event, parse_event
from quillwise.kinematics.datasheet import Law, ValveData

INLET = ValveData(
    kind="inlet",
    opens_deg=338,
    closes_deg=598,
    lift_mm=11,
    ramp_mm_per_crank_deg=0.025,
    checking_clearance_mm=0.40,
    running_clearance_mm=0.50,
)


def valve(inlet_opens: str = "22 BTDC", inlet_closes: str = "58 ABDC") -> ValveData:
    opens, closes = parse_event(inlet_opens, "inlet opens"), parse_event(inlet_closes, "inlet closes")
    return replace(INLET, opens_deg=opens, closes_deg=closes)


def exhaust(opens: str, closes: str) -> ValveData:
    at = parse_event(opens, "exhaust opens"), parse_event(closes, "exhaust closes")
    return replace(INLET, kind="exhaust", opens_deg=at[0], closes_deg=at[1])


@st.composite
def valves(draw: st.DrawFn) -> ValveData:
    """Invented valves of all laws that do have a lift curve, the clearance on the ramp or above it."""
    opens = draw(st.floats(60, 400))
    clearance = draw(st.floats(0.05, 1.0))
    made = replace(
        INLET,
        opens_deg=opens,
        closes_deg=opens + draw(st.floats(200, 330)),
        lift_mm=draw(st.floats(4, 18)),
        ramp_mm_per_crank_deg=draw(st.floats(0.005, 0.05)),
        checking_clearance_mm=clearance,
        ramp_top_mm=draw(st.none() | st.floats(0.5, 2).map(lambda share: share * clearance)),
        law=draw(st.sampled_from(tuple(cams.LAWS))),
    )
    assume(cams.curve_problems(made) == [])
    return made


def opens_closes(data: ValveData, clearance_mm: float | None = None) -> tuple[float, float]:
    clearance = data.checking_clearance_mm if clearance_mm is None else clearance_mm
    events = cams.events_at(cams.lift_curve(data), clearance)
    assert events is not None
    return events


# ----------------------------------------------------------------------------------------------- laws


# from memory: Norton, Design of Machinery; modified sine published: mechdesigner.support
PEAKS: list[tuple[Law, float, float]] = [
    ("harmonic", 1.5708, 4.9348),
    ("cycloidal", 2.0, 6.2832),
    ("3-4-5", 1.875, 5.7735),
    ("4-5-6-7", 2.1875, 7.5132),
    ("modified-sine", 1.7596, 5.5280),
]


def acceleration(law: Law, u: np.ndarray) -> np.ndarray:
    """L″ as the slope of L′, within 0 to 1."""
    step = 1e-6
    at = np.clip(u, step, 1 - step)
    return np.asarray((cams.LAWS[law].velocity(at + step) - cams.LAWS[law].velocity(at - step)) / (2 * step))


def test_every_law_has_its_peaks() -> None:
    assert [law for law, _, _ in PEAKS] == list(cams.LAWS)


@pytest.mark.parametrize(("law", "velocity", "most"), PEAKS)
def test_peaks_of_the_laws(law: Law, velocity: float, most: float) -> None:
    u = np.linspace(0, 1, 200_001)
    assert cams.LAWS[law].velocity(u).max() == pytest.approx(velocity, abs=5e-5)
    assert acceleration(law, u).max() == pytest.approx(most, abs=6e-5)


def test_jerk_of_the_modified_sine() -> None:
    # published: mechdesigner.support: jerk 69.466 at the ends, -23.155 at the crossover
    u, step = np.array([2e-4, 0.5]), 1e-4
    velocity = cams.LAWS["modified-sine"].velocity
    jerk = (velocity(u + step) - 2 * velocity(u) + velocity(u - step)) / step**2
    assert jerk == pytest.approx([69.466, -23.155], abs=1e-3)


def test_harmonic_cam_of_a_textbook() -> None:
    # published: mycoursehelp.com 67124, textbook exercise: lift 50 mm, up in 1/3 rev, down in 1/6, 100 rpm
    law, u = cams.LAWS["harmonic"], np.linspace(0, 1, 1001)
    for share, velocity, most in ((1 / 3, 0.3927, 6.17), (1 / 6, 0.7854, 24.67)):
        seconds = share * 60 / 100
        assert 0.050 * law.velocity(u).max() / seconds == pytest.approx(velocity, abs=5e-5)
        assert 0.050 * acceleration("harmonic", u).max() / seconds**2 == pytest.approx(most, abs=5e-3)


@pytest.mark.parametrize("name", cams.LAWS)
def test_laws_are_consistent(name: Law) -> None:
    law, u, step = cams.LAWS[name], np.linspace(0, 1, 1001), 1e-6
    assert law.position(np.array([0.0, 1.0])) == pytest.approx([0, 1], abs=1e-12)
    assert law.velocity(np.array([0.0, 1.0])) == pytest.approx([0, 0], abs=1e-12)
    assert np.all(np.diff(law.position(u)) > 0)
    # the rise mirrors about its middle, which the flank's formula relies on
    assert law.position(u) + law.position(1 - u) == pytest.approx(np.ones(u.shape), abs=1e-12)
    inside = u[5:-5]
    slope = (law.position(inside + step) - law.position(inside - step)) / (2 * step)
    assert law.velocity(inside) == pytest.approx(slope, abs=1e-7)
    for end in (0.05, 0.125, 0.3, 0.7, 0.875, 0.95, 1.0):
        area, _ = quad(lambda x: float(law.position(np.asarray(x))), 0, end, epsabs=1e-12)
        assert float(law.area(np.asarray(end))) == pytest.approx(area, abs=1e-10)


# --------------------------------------------------------------------------------------------- events


def test_overlap_of_published_events() -> None:
    # published: TM 9-8000 pp. 2-35, 2-36: opens 28 BTDC, exhaust closes 45 ATDC: overlap 73
    opens, _ = opens_closes(valve("28 BTDC", "60 ABDC"))
    _, closes = opens_closes(exhaust("65 BBDC", "45 ATDC"))
    assert closes - opens == pytest.approx(73, abs=1e-9)


def test_duration_of_published_events() -> None:
    # published: Korean state examination 2010-4: opens 13 BTDC, duration 242: closes 49 ABDC
    opens, closes = opens_closes(valve("13 BTDC", "49 ABDC"))
    assert closes - opens == pytest.approx(242, abs=1e-9)
    assert format_event(opens + 242) == "49 ABDC"


def test_advanced_cams_keep_their_overlap() -> None:
    # secondary: ausmini.com topic 237565: 20-60/60-20: duration 260; 5 early: 25-55/65-15, overlap stays 40
    inlet, outlet = opens_closes(valve("20 BTDC", "60 ABDC")), opens_closes(exhaust("60 BBDC", "20 ATDC"))
    assert [inlet[1] - inlet[0], outlet[1] - outlet[0]] == pytest.approx([260, 260], abs=1e-9)
    early = [[format_event(angle - 5) for angle in pair] for pair in (inlet, outlet)]
    assert early == [["25 BTDC", "55 ABDC"], ["65 BBDC", "15 ATDC"]]
    moved = opens_closes(valve(*early[0])), opens_closes(exhaust(*early[1]))
    assert moved[1][1] - moved[0][0] == pytest.approx(40, abs=1e-9)
    assert outlet[1] - inlet[0] == pytest.approx(40, abs=1e-9)


def test_a_flank_of_next_to_nothing_is_none() -> None:
    """Open for 200 degrees, 100 on each ramp to its top of 1.5 mm: nothing is left to lift it to 4 mm. By hand."""
    valve = replace(
        INLET,
        opens_deg=60.0,
        closes_deg=260.0,
        lift_mm=4.0,
        ramp_mm_per_crank_deg=0.005,
        checking_clearance_mm=1.0,
        ramp_top_mm=1.5,
        law="harmonic",
    )
    for less in (1.0, 1.0 - 1e-12, 1.0 - 1e-4):  # of the ramp's top: no flank, as good as none, and 0.03 degrees
        (problem,) = cams.curve_problems(replace(valve, ramp_top_mm=1.5 * less))
        assert problem.startswith("the valve is open for 200 degrees, too short for its ramps")
    assert cams.curve_problems(replace(valve, ramp_top_mm=1.4)) == []


@settings(deadline=None)
@given(valves(), st.floats(0, 1), st.floats(0.01, 0.99))
def test_excess_clearance_opens_later_and_closes_earlier(data: ValveData, less: float, share: float) -> None:
    # secondary: aandppowerplantrecipengines.examzify.com; tildentechnologies.com: opens late, closes early
    lower = less * data.lift_mm * 0.9
    higher = lower + share * (data.lift_mm - lower)
    before, after = opens_closes(data, lower), opens_closes(data, higher)
    assert after[0] > before[0]
    assert after[1] < before[1]


def test_excess_clearance_takes_from_the_overlap() -> None:
    # secondary: as above: overlap falls; on the ramp by (change / ramp velocity) on each of its two sides
    inlet, outlet = valve(), exhaust("64 BBDC", "18 ATDC")
    overlaps = [opens_closes(outlet, c)[1] - opens_closes(inlet, c)[0] for c in (0.40, 0.45, 0.60)]
    assert overlaps[0] - overlaps[1] == pytest.approx(2 * 0.05 / 0.025, abs=1e-9)
    assert overlaps[2] < overlaps[1]


def test_lash_at_a_ramp() -> None:
    # secondary: tildentechnologies.com, "How to determine valve lash": ramp end 0.0147, squish 0.002: lash
    # 0.0127 in
    data = replace(INLET, checking_clearance_mm=0.0127 * 25.4, ramp_top_mm=0.0147 * 25.4)
    curve = cams.lift_curve(data)
    lift_left = cams.lift_mm(curve, curve.flank_starts_deg) - data.checking_clearance_mm
    assert float(lift_left) == pytest.approx(0.002 * 25.4, abs=1e-9)
    assert curve.flank_starts_deg - data.opens_deg == pytest.approx(0.002 * 25.4 / 0.025, abs=1e-9)


@settings(deadline=None)
@given(valves(), st.floats(0.0, 0.999))
def test_events_are_where_the_lift_is_the_clearance(data: ValveData, share: float) -> None:
    curve = cams.lift_curve(data)
    assert opens_closes(data) == pytest.approx((data.opens_deg, data.closes_deg), abs=1e-7)
    clearance = share * data.lift_mm
    opens, closes = opens_closes(data, clearance)

    def over(own: float) -> float:
        return float(cams.lift_mm(curve, own)) - clearance

    if clearance > 0:
        heel = curve.ramp_starts_deg - 1e-3, curve.ramp_ends_deg + 1e-3
        assert opens == pytest.approx(brentq(over, heel[0], curve.peak_deg, xtol=1e-12), abs=1e-6)
        assert closes == pytest.approx(brentq(over, curve.peak_deg, heel[1], xtol=1e-12), abs=1e-6)
    else:
        assert (opens, closes) == (curve.ramp_starts_deg, curve.ramp_ends_deg)


def test_clearances_at_once() -> None:
    curve = cams.lift_curve(INLET)
    some = np.array([0.0, 0.4, 0.5, 3.0, 10.999, 11.0, np.inf])
    half = cams.half_opening_deg(curve, some)
    for clearance, got in zip(some, half, strict=True):
        events = cams.events_at(curve, float(clearance))
        assert np.isnan(got) if events is None else events[1] - curve.peak_deg == pytest.approx(got, abs=1e-12)
    assert np.isnan(half).tolist() == [False] * 5 + [True] * 2
    with pytest.raises(ValueError, match="below zero holds the valve open all round"):
        cams.events_at(curve, -0.1)


# ---------------------------------------------------------------------------------------------- curve


@settings(deadline=None)
@given(valves())
def test_curve_is_smooth_and_rises_all_the_way(data: ValveData) -> None:
    curve = cams.lift_curve(data)
    up = np.linspace(curve.ramp_starts_deg, curve.peak_deg, 2001)
    lift = cams.lift_mm(curve, up)
    assert np.all(np.diff(lift) > -1e-12)
    assert lift[[0, -1]] == pytest.approx([0, data.lift_mm], abs=1e-9)
    assert cams.lift_mm(curve, 2 * curve.peak_deg - up + 1440) == pytest.approx(lift, abs=1e-9)
    heel = np.linspace(curve.ramp_ends_deg + 1e-9, curve.ramp_starts_deg + 720 - 1e-9, 50)
    assert not cams.lift_mm(curve, heel).any()
    assert not cams.velocity_mm_per_deg(curve, heel).any()

    # velocity goes over from ramp to flank without a jump
    joint = np.array([curve.flank_starts_deg, curve.flank_ends_deg])
    for side in (-1e-7, 1e-7):
        expected = data.ramp_mm_per_crank_deg * np.array([1, -1])
        assert cams.velocity_mm_per_deg(curve, joint + side) == pytest.approx(expected, abs=1e-6)


@settings(deadline=None)
@given(valves())
def test_velocity_is_the_slope_of_the_lift(data: ValveData) -> None:
    curve, step = cams.lift_curve(data), 1e-4
    assume(curve.flank_deg > 5)  # shorter ones are too sharp for a central difference
    own = np.linspace(curve.peak_deg - 400, curve.peak_deg + 400, 997)
    flank, half = curve.flank_deg, curve.half_deg
    corners = curve.peak_deg + np.array([-half, -flank, flank, half])
    away = np.abs((own[:, None] - corners + 360) % 720 - 360).min(axis=1) > 2 * step
    own = own[away]
    slope = (cams.lift_mm(curve, own + step) - cams.lift_mm(curve, own - step)) / (2 * step)
    assert cams.velocity_mm_per_deg(curve, own) == pytest.approx(slope, abs=1e-7)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"ramp_mm_per_crank_deg": 0.0}, "the ramp velocity per crank degree must be more than 0, got 0 mm"),
        ({"lift_mm": float("nan")}, "the valve lift must be more than 0, got nan mm"),
        (
            {"closes_deg": 338.0},
            "the valve must close after it opens and within 720 crank degrees, got 0 degrees from opening to closing",
        ),
        ({"lift_mm": 0.45}, "the valve lift (0.45 mm) is not above the top of the ramp (0.5 mm)"),
        (
            {"lift_mm": 0.4, "ramp_top_mm": 0.3},
            "the valve lift (0.4 mm) is not above the checking clearance (0.4 mm)",
        ),
        (
            {"closes_deg": 343.0},
            "the valve is open for 5 degrees, too short for its ramps: from the checking clearance to "
            "the top of a ramp it takes 4 degrees on each side",
        ),
        (
            {"ramp_mm_per_crank_deg": 0.2},
            "the ramp is too steep: a ramp of 0.2 mm per crank degree leaves nothing for the flank "
            "to lift before the peak at 11 mm",
        ),
        (
            {"ramp_mm_per_crank_deg": 0.0015},
            "the ramp is too shallow: with 0.0015 mm per crank degree the lobe takes 793.333 crank degrees "
            "from ramp to ramp, more than the 720 of a cycle",
        ),
    ],
)
def test_bad_valve_data_are_explained(change: dict[str, float], message: str) -> None:
    bad = replace(INLET, **change)  # type: ignore[arg-type]
    assert cams.curve_problems(bad) == [message]
    with pytest.raises(ValueError, match=r"^[a-z]"):
        cams.lift_curve(bad)


def test_all_unusable_figures_are_named_at_once() -> None:
    bad = replace(INLET, lift_mm=-1, ramp_mm_per_crank_deg=0, closes_deg=100)
    assert len(cams.curve_problems(bad)) == 3
