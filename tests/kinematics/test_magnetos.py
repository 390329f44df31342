"""Magnetos: speeds, neutral, points, finger and meter, against published figures."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.optimize import brentq

from quillwise.kinematics.datasheet import MagnetoData
from quillwise.kinematics.magnetos import (
    FINGER_TURNS_PER_CRANK_TURN,
    break_shift_deg,
    check_finger,
    dwell_deg,
    finger_at,
    finger_holds,
    finger_off_middle_deg,
    finger_turns_per_rotor_turn,
    firing_interval_deg,
    meter_ohm,
    middle_of_range_deg,
    overlap_deg,
    plug_lead_chart,
    points_opening_mm,
    segment_centres_deg,
    speed_ratio_needed,
)

ORDER = ("A1", "B6", "A2", "B5", "A4", "B3", "A6", "B1", "A5", "B2", "A3", "B4")
SIX = ("1", "5", "3", "6", "2", "4")


def magneto(**changes: Any) -> MagnetoData:
    data = MagnetoData(
        name="exhaust-side",
        plugs="exhaust side",
        break_deg=679.0,
        advance_range_deg=24.0,
        poles=4,
        e_gap_deg=11.0,
        lobes=4,
        dwell_deg=54.0,
        points_gap_mm=0.30,
        finger_teeth=(15, 45),
    )
    return replace(data, **changes)


valid = st.builds(
    lambda lobes, share, gap: magneto(lobes=lobes, dwell_deg=share * 360 / lobes, points_gap_mm=gap),
    st.integers(1, 12),
    st.floats(0.2, 0.9),
    st.floats(0.2, 0.6),
)


@pytest.mark.parametrize(
    ("cylinders", "poles", "ratio"), [(12, 4, Fraction(3, 2)), (9, 4, Fraction(9, 8)), (12, 2, Fraction(3))]
)
def test_magneto_speed(cylinders: int, poles: int, ratio: Fraction) -> None:
    # principle published: Whitman, Tractor Principles p. 36; formula from memory: cylinders / (2 × poles)
    assert speed_ratio_needed(cylinders, poles) == ratio


@given(st.integers(1, 24), st.integers(1, 12))
def test_at_the_speed_needed_every_cylinder_has_its_spark_in_two_turns(cylinders: int, sparks: int) -> None:
    assert speed_ratio_needed(cylinders, sparks) * 2 * sparks == cylinders
    # a spark each 360/sparks rotor degrees is then a spark each firing interval of the crank
    assert Fraction(360, sparks) / speed_ratio_needed(cylinders, sparks) == firing_interval_deg(cylinders)


def test_firing_interval_and_distributor_speed() -> None:
    # published: TM 9-8000 p. 2-18 (720 / cylinders) and para 15-13 (distributor at half crank speed)
    assert firing_interval_deg(12) == 60
    assert firing_interval_deg(9) == 80
    assert Fraction(1, 2) == FINGER_TURNS_PER_CRANK_TURN


def test_power_strokes_of_four_and_six_cylinders() -> None:
    # published: TM 9-8000 p. 2-18: stroke held 145°: four cylinders leave a gap of 35°, six overlap by 25°
    assert firing_interval_deg(4) - 145 == 35
    assert 145 - firing_interval_deg(6) == 25


@given(valid)
def test_points_break_at_zero_and_close_after_the_open_angle(data: MagnetoData) -> None:
    open_deg = 360 / data.lobes - data.dwell_deg
    hair = 1e-3 * open_deg
    just = points_opening_mm(data, np.array([-hair, hair, open_deg - hair, open_deg + hair]))
    assert (just > 0).tolist() == [False, True, True, False]
    assert points_opening_mm(data, open_deg / 2) == pytest.approx(data.points_gap_mm)
    turn = np.linspace(0, 360, 2000, endpoint=False)
    opening = points_opening_mm(data, turn)
    assert opening.max() <= data.points_gap_mm + 1e-12
    np.testing.assert_allclose(points_opening_mm(data, turn + 360 / data.lobes), opening, atol=1e-12)
    assert np.mean(opening == 0) * 360 / data.lobes == pytest.approx(data.dwell_deg, abs=1.0)


def test_points_gap_advances_when_larger_and_retards_when_smaller() -> None:
    # published: themagnetoguys.co.uk, "points gap": a smaller gap retards, a larger one advances
    assert break_shift_deg(magneto(), 0.25) < -0.1
    assert break_shift_deg(magneto(), 0.35) > 0.1
    assert break_shift_deg(magneto(), 0.30) == pytest.approx(0, abs=1e-9)


@given(valid, st.floats(0.5, 1.3))
def test_break_shift_is_that_of_the_opening_found_by_root_finding(data: MagnetoData, share: float) -> None:
    gap = share * data.points_gap_mm
    pitch = 360 / data.lobes
    # a gap above the lift of the cam is refused: tested below
    assume(gap < 1.99 * data.points_gap_mm / (1 - np.cos(np.pi * (1 - data.dwell_deg / pitch))))
    early = break_shift_deg(data, gap)
    middle = (pitch - data.dwell_deg) / 2
    bottom = middle - pitch / 2
    tiny = 1e-6 * gap  # a root of "opening − tiny", since the opening itself is flat 0 before the break
    found = brentq(lambda rotor: float(points_opening_mm(data, rotor, gap)) - tiny, bottom, middle, xtol=1e-12)
    assert -found == pytest.approx(early, abs=0.02)
    just = points_opening_mm(data, np.array([-early - 1e-3, -early + 1e-3]), gap)
    assert just[0] == 0 < just[1]
    # opening and closing move by the same amount, away from the middle of the lobe
    assert dwell_deg(data, gap) == pytest.approx(data.dwell_deg - 2 * early, abs=1e-9)


def test_larger_gap_has_less_dwell() -> None:
    assert dwell_deg(magneto()) == pytest.approx(54)
    assert dwell_deg(magneto(), 0.35) < 54 < dwell_deg(magneto(), 0.25)


def test_gaps_that_cannot_be_are_refused() -> None:
    with pytest.raises(ValueError) as never_closed:
        points_opening_mm(magneto(), 0.0, 2.0)
    assert str(never_closed.value) == (
        "exhaust-side magneto: with a points gap of 2 mm the points never close: the breaker cam lifts 0.868 mm"
    )
    for gap in (0.0, -0.1, float("nan")):
        with pytest.raises(ValueError, match="expected a points gap of more than 0 mm, got"):
            break_shift_deg(magneto(), gap)
    with pytest.raises(ValueError) as all_closed:
        dwell_deg(magneto(dwell_deg=90.0))
    assert str(all_closed.value) == (
        "exhaust-side magneto: expected a dwell of more than 0 and less than 90 degrees for 4 lobes, got 90"
    )


def test_points_close_for_an_instant_at_a_gap_just_below_the_lift() -> None:
    # open 36 of 90 degrees: from nose to break the lobe falls by lift · (1 − cos 72°)/2, which is the 0.30 mm
    lift = 2 * 0.30 / (1 - np.cos(np.radians(2 * 36)))
    assert 0 < dwell_deg(magneto(), lift - 1e-6) < 0.2
    with pytest.raises(ValueError, match="never close"):
        dwell_deg(magneto(), lift + 1e-6)


def test_meter_at_the_primary() -> None:
    # common practice, no source: about 0.07 Ω with the points closed, about 0.3 Ω open
    data = magneto()
    rotor = np.array([-20.0, -0.1, 0.1, 18.0, 35.9, 36.1])
    ohm = meter_ohm(data, points_opening_mm(data, rotor))
    np.testing.assert_allclose(ohm, [0.07, 0.07, 0.3, 0.3, 0.3, 0.07])


def test_finger_at_half_crank_speed() -> None:
    assert finger_turns_per_rotor_turn(magneto()) == Fraction(1, 3)
    assert check_finger(magneto(), Fraction(3, 2)) is None
    assert check_finger(magneto(), Fraction(-3, 2)) is None
    assert check_finger(magneto(finger_teeth=(40, 90)), Fraction(9, 8)) is None


def test_finger_at_another_speed_is_told_with_both_ratios() -> None:
    assert check_finger(magneto(finger_teeth=(16, 45)), Fraction(3, 2)) == (
        "the distributor finger must turn at half crank speed: finger_teeth 16 to 45 give 16/45 (0.3556) "
        "of a turn per magneto rotor turn, needed 1/3 (0.3333) "
        "at 3/2 (1.5) magneto rotor turns per crank turn"
    )


@pytest.mark.parametrize("order", [ORDER, SIX, ("1", "3", "5", "2", "4"), ("1", "3", "4", "2")])
def test_segments_follow_the_firing_order(order: tuple[str, ...]) -> None:
    centres = segment_centres_deg(order)
    assert centres.shape == (len(order),)
    # the finger, at half crank speed, is on each segment when its cylinder is due
    due = np.arange(len(order)) * float(firing_interval_deg(len(order)))
    np.testing.assert_allclose(centres, due / 2)
    on = finger_at(magneto(), order, centres + 720.0)
    assert on.segment.tolist() == list(range(len(order)))
    np.testing.assert_allclose(on.off_middle_deg, 0, atol=1e-9)


def test_finger_past_the_middle_is_positive() -> None:
    at = finger_at(magneto(), ORDER, [6.0, -6.0, 34.0, 359.0, 15.0])
    assert at.segment.tolist() == [0, 0, 1, 0, 1]
    np.testing.assert_allclose(at.off_middle_deg, [6, -6, 4, -1, -15])
    np.testing.assert_allclose(at.overlap_deg, [9, 9, 11, 14, 0])


@given(st.floats(-1000, 1000), st.integers(1, 18))
def test_nearest_segment_and_offset_give_the_finger_back(finger: float, cylinders: int) -> None:
    order = tuple(str(number) for number in range(cylinders))
    at = finger_at(magneto(), order, finger)
    back = segment_centres_deg(order)[at.segment] + at.off_middle_deg
    assert (back - finger + 180) % 360 - 180 == pytest.approx(0, abs=1e-9)
    assert abs(float(at.off_middle_deg)) <= 180 / cylinders + 1e-9


@given(st.floats(1, 60), st.floats(1, 60), st.floats(-70, 70))
def test_overlap_is_that_of_two_intervals(finger: float, segment: float, off: float) -> None:
    data = magneto(finger_width_deg=finger, segment_width_deg=segment)
    right = min(off + finger / 2, segment / 2)
    left = max(off - finger / 2, -segment / 2)
    assert overlap_deg(data, off) == pytest.approx(right - left, abs=1e-9)


def test_finger_lags_at_an_early_break() -> None:
    # the lever brings the break 12 crank degrees earlier: the finger has 6° to go to the middle
    np.testing.assert_allclose(finger_off_middle_deg([-12.0, 0.0, 12.0]), [-6, 0, 6])


def test_finger_holds_through_the_advance_range() -> None:
    # 24° of the crank are ± 6° of the finger; widths 14 and 16 face each other up to 15° apart
    hold = finger_holds(magneto())
    assert hold.holds and hold.least_overlap_deg == pytest.approx(9)
    assert finger_holds(magneto(advance_range_deg=0.0)).least_overlap_deg == pytest.approx(14)
    lost = finger_holds(magneto(advance_range_deg=60.0, finger_width_deg=8.0))
    assert not lost.holds and lost.least_overlap_deg == pytest.approx(-3)
    # a finger gear a tooth out, 8° of 45 teeth, either way
    for tooth in (8.0, -8.0):
        assert finger_holds(magneto(), tooth).least_overlap_deg == pytest.approx(1)
    # the same as asking for the overlap at each break
    later = np.linspace(-12, 12, 9)
    widths = finger_at(magneto(), ORDER, finger_off_middle_deg(later)).overlap_deg
    assert widths.min() == pytest.approx(hold.least_overlap_deg)


def test_middle_of_the_advance_range() -> None:
    assert middle_of_range_deg(magneto()) == 691  # full advance is the early end
    assert middle_of_range_deg(magneto(timed_at="full retard", break_deg=703.0)) == 691


def test_plug_lead_chart_in_the_running_direction_of_the_finger() -> None:
    chart = plug_lead_chart(ORDER)
    assert chart[0] == (1, "A1") and chart[1] == (2, "B6") and chart[-1] == (12, "B4")
    for number, cylinder in chart:
        at = finger_at(magneto(), ORDER, segment_centres_deg(ORDER)[number - 1])
        assert ORDER[int(at.segment)] == cylinder
