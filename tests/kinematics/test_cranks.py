"""Crank, rod and piston against published exercises, and the crank pins of a firing order."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike
from scipy.optimize import brentq, minimize_scalar
from scipy.spatial.transform import Rotation

from quillwise.kinematics import cranks
from quillwise.kinematics.articulated import Linkage, drop_mm

ALL_ROUND = np.linspace(-360.0, 720.0, 1081)


def dropped(own_deg: ArrayLike, radius: float, rod: float, offset: float = 0.0, sigma: int = 1) -> np.ndarray:
    """What the piston stands below its own top."""
    linkage = Linkage(radius_mm=radius, rod_mm=rod, offset_mm=offset)
    return np.asarray(drop_mm(linkage, cranks.tdc_deg(radius, rod, offset), own_deg, sigma))


def speed_over_mean(angle_deg: ArrayLike, radius: float, rod: float) -> np.ndarray:
    """Piston speed ÷ mean piston speed, + downwards: the slope of the height."""
    step, angle = 1e-3, np.asarray(angle_deg)
    fall = cranks.piston_height_mm(angle - step, radius, rod) - cranks.piston_height_mm(angle + step, radius, rod)
    return np.asarray(fall / np.radians(2 * step) * np.pi / cranks.stroke_mm(radius, rod))


@st.composite
def linkages(draw: st.DrawFn) -> tuple[float, float, float]:
    """A radius, a rod and an offset with which the crank can turn."""
    radius = draw(st.floats(5, 150))
    offset = radius * draw(st.floats(-0.4, 0.4))
    return radius, (radius + abs(offset)) * draw(st.floats(1.05, 5)), offset


def test_stop_readings_lie_midway_about_tdc_only_without_an_offset() -> None:
    # published: 2quicknovas.com "happyTDC" (36.75 and 35.25, TDC at 36.0); secondary: decatech blog "degree
    # wheel"
    pointer = 0.75  # late

    def readings(offset: float) -> tuple[float, float]:
        stop = float(dropped(36.0, 30.0, 90.0, offset))
        before = brentq(lambda own: float(dropped(own, 30.0, 90.0, offset)) - stop, -60, -10)
        return -before + pointer, 36.0 - pointer

    before, after = readings(0.0)
    assert (before, after) == pytest.approx((36.75, 35.25), abs=1e-9)
    assert (before + after) / 2 == pytest.approx(36.0, abs=1e-9)
    assert (before - after) / 2 == pytest.approx(pointer, abs=1e-9)
    with_offset = readings(6.0)
    assert abs((with_offset[0] - with_offset[1]) / 2 - pointer) > 0.1


def test_height_is_the_textbook_formula() -> None:
    # published: vcalc.com, "position of the piston": x = r cos a + sqrt(l^2 - r^2 sin^2 a)
    angle = np.radians(ALL_ROUND)
    expected = 66 * np.cos(angle) + np.sqrt(236**2 - 66**2 * np.sin(angle) ** 2)
    assert cranks.piston_height_mm(ALL_ROUND, 66, 236) == pytest.approx(expected, abs=1e-10)


def test_drop_before_tdc() -> None:
    # secondary: calcady.com, ignition timing degrees to mm BTDC: stroke 54, rod 100, 22 BTDC is 2.479 mm
    assert float(dropped(-22, 27, 100)) == pytest.approx(2.479, abs=5e-4)
    assert float(dropped(720 - 22, 27, 100, sigma=-1)) == pytest.approx(2.479, abs=5e-4)


def test_speed_and_rod_of_a_worked_exercise() -> None:
    # secondary: coursehero.com 6680931: crank 10, rod 20, 45 deg, 1 rad/s: slider 9.744 per s, rod 0.378
    # rad/s, rod angle 159.295 deg (counted from the other end of the cylinder's axis)
    step = 1e-3
    height = cranks.piston_height_mm([45 - step, 45 + step], 10, 20)
    rod = cranks.rod_angle_deg([45 - step, 45 + step], 10, 20)
    # printed with four digits
    assert -np.diff(height)[0] / np.radians(2 * step) == pytest.approx(9.744, abs=1e-3)
    assert abs(np.diff(rod)[0]) / (2 * step) == pytest.approx(0.378, abs=5e-4)
    assert 180 + float(cranks.rod_angle_deg(45, 10, 20)) == pytest.approx(159.295, abs=5e-4)


def test_offset_extremes() -> None:
    # published: GATE 2025 ME Q60 (examprev): 30/50/10: extremes 79.37 and 17.32, stroke 62.05 mm
    height = cranks.piston_height_mm(np.linspace(0, 360, 36001), 30, 50, 10)
    assert height.max() == pytest.approx(79.37, abs=5e-3)
    assert height.min() == pytest.approx(17.32, abs=5e-3)
    assert cranks.stroke_mm(30, 50, 10) == pytest.approx(62.05, abs=5e-3)


@pytest.mark.parametrize(
    ("rod_ratio", "peak", "at_deg"),
    [(3.0, 1.656624, 73.17530), (3.5, 1.634012, 75.13559), (4.0, 1.619307, 76.72098)],
)
def test_peak_of_instantaneous_over_mean_speed(rod_ratio: float, peak: float, at_deg: float) -> None:
    # published (second hand): Heywood, Internal Combustion Engine Fundamentals p. 45, the formula; peaks
    # computed
    sine, cosine = np.sin(np.radians(ALL_ROUND)), np.cos(np.radians(ALL_ROUND))
    formula = np.pi / 2 * sine * (1 + cosine / np.sqrt(rod_ratio**2 - sine**2))
    assert speed_over_mean(ALL_ROUND, 1, rod_ratio) == pytest.approx(formula, abs=1e-8)
    found = minimize_scalar(
        lambda a: -float(speed_over_mean(a, 1, rod_ratio)),
        bounds=(45, 90),
        method="bounded",
        options={"xatol": 1e-9},
    )
    assert -found.fun == pytest.approx(peak, abs=5e-7)
    # a peak is flat: its place is known to the root of the rounding only
    assert found.x == pytest.approx(at_deg, abs=5e-3)


def test_acceleration_of_the_middle_of_a_rod() -> None:
    # published: mechdiploma.com: crank 150, rod 600, 300 rpm, 45 deg: rod mid-point 117 m/s^2
    step = 0.01
    angle = 45 + step * np.array([-1.0, 0.0, 1.0])
    pin = 0.150 * np.stack([np.sin(np.radians(angle)), np.cos(np.radians(angle))])
    gudgeon = np.stack([np.zeros(3), cranks.piston_height_mm(angle, 0.150, 0.600)])
    middle = (pin + gudgeon) / 2
    seconds = step / (300 / 60 * 360)
    acceleration = (middle[:, 0] - 2 * middle[:, 1] + middle[:, 2]) / seconds**2
    assert np.hypot(*acceleration) == pytest.approx(117, abs=0.5)


@settings(deadline=None)
@given(linkages())
def test_rod_reaches_from_pin_to_gudgeon(linkage: tuple[float, float, float]) -> None:
    """In the world: x along the crank, z up, so that right seen from the wheelcase end is -y. Rotation by
    scipy."""
    radius, rod, offset = linkage
    near_dead_centres = np.array([-1e-6, 0, 1e-6, 179.999999, 180, 180.000001])
    angle = np.concatenate([ALL_ROUND, near_dead_centres])
    axis = np.array([0.0, 0.0, 1.0])
    pin = Rotation.from_euler("x", angle[:, None], degrees=True).apply(radius * axis)
    lean = cranks.rod_angle_deg(angle, radius, rod, offset)
    gudgeon = pin + Rotation.from_euler("x", lean[:, None], degrees=True).apply(rod * axis)
    assert gudgeon[:, 1] == pytest.approx(np.full(angle.shape, -offset), abs=1e-9)
    assert gudgeon[:, 2] == pytest.approx(cranks.piston_height_mm(angle, radius, rod, offset), abs=1e-9)


@settings(deadline=None)
@given(linkages(), st.sampled_from([1, -1]))
def test_own_dead_centres_are_the_extremes(linkage: tuple[float, float, float], sigma: int) -> None:
    top, bottom = cranks.tdc_deg(*linkage), cranks.bdc_deg(*linkage)
    high, low = cranks.piston_height_mm([top, bottom], *linkage)
    everywhere = cranks.piston_height_mm(ALL_ROUND, *linkage)
    assert high >= everywhere.max() - 1e-9
    assert low <= everywhere.min() + 1e-9
    assert high - low == pytest.approx(cranks.stroke_mm(*linkage), rel=1e-9)
    drop = dropped(np.array([0.0, sigma * (bottom - top)]), *linkage, sigma=sigma)
    assert drop == pytest.approx([0.0, high - low], abs=1e-9)


def test_crank_that_cannot_turn_is_explained() -> None:
    assert cranks.crank_problems(66, 236, 1) == []
    assert cranks.crank_problems(0, 236) == ["the crank radius must be more than 0, got 0 mm"]
    assert cranks.crank_problems(66, 70, -4) == [
        "the rod (70 mm) must be longer than half the stroke and the gudgeon offset together (70 mm), "
        "or the crank cannot turn"
    ]


V12_ORDER = ("A1", "B6", "A2", "B5", "A4", "B3", "A6", "B1", "A5", "B2", "A3", "B4")  # invented


def v_engine(order: tuple[str, ...], half_angle_deg: float) -> tuple[np.ndarray, np.ndarray, list[int]]:
    """Firing angles, bank turns and throws, in firing order; bank A on the left."""
    firing = np.arange(len(order)) * 720 / len(order)
    bank = np.array([-half_angle_deg if name[0] == "A" else half_angle_deg for name in order])
    return firing, bank, [int(name[1:]) for name in order]


def test_pins_of_a_60_degree_v12_agree_in_one_sense_only() -> None:
    firing, bank, throws = v_engine(V12_ORDER, 30)
    pins = cranks.pin_turns_deg(firing, bank)
    assert cranks.pin_conflicts(V12_ORDER, throws, pins) == []
    by_name = {name: float(pin) % 360 for name, pin in zip(V12_ORDER, pins, strict=True)}
    # throws of an in-line six, counted against the running direction: the crank turns each up to TDC in its turn
    assert [-by_name[f"A{n}"] % 360 for n in range(1, 7)] == pytest.approx([0, 120, 240, 240, 120, 0])

    wrong = cranks.pin_conflicts(V12_ORDER, throws, cranks.pin_turns_deg(firing, bank, sigma=-1))
    assert sorted({name for pair in wrong for name in pair[:2]}) == sorted(V12_ORDER)
    assert [tuple(sorted(pair[:2])) for pair in sorted(wrong, key=lambda pair: pair[0][1:])] == [
        (f"A{n}", f"B{n}") for n in range(1, 7)
    ]
    assert [pair[2] for pair in wrong] == pytest.approx([120.0] * 6)


def test_handed_engine_has_its_own_order() -> None:
    order = ("A1", "B5", "A2", "B3", "A4", "B1", "A6", "B2", "A5", "B4", "A3", "B6")  # invented
    firing, bank, throws = v_engine(order, 30)
    assert cranks.pin_conflicts(order, throws, cranks.pin_turns_deg(firing, bank, sigma=-1)) == []
    assert len(cranks.pin_conflicts(order, throws, cranks.pin_turns_deg(firing, bank, sigma=1))) == 6


@pytest.mark.parametrize("half_angle", [20.0, 22.5, 45.0, 60.0])
def test_common_pins_fire_evenly_only_at_60_degrees(half_angle: float) -> None:
    # secondary: Nunney, Light and Heavy Vehicle Technology pp. 13-14; recomputed (V 60 or 180)
    firing, bank, throws = v_engine(V12_ORDER, half_angle)
    assert len(cranks.pin_conflicts(V12_ORDER, throws, cranks.pin_turns_deg(firing, bank))) == 6


def test_in_line_six_and_v8() -> None:
    six = ("1", "5", "3", "6", "2", "4")
    pins = cranks.pin_turns_deg(np.arange(6) * 120, 7.5)
    by_name = dict(zip(six, pins % 360, strict=True))
    assert [by_name[str(n)] for n in range(1, 7)] == pytest.approx([0, 240, 120, 120, 240, 0])

    order = ("A1", "B1", "A4", "B4", "B2", "A3", "B3", "A2")  # invented; crank with throws at right angles
    firing, bank, throws = v_engine(order, 45)
    assert cranks.pin_conflicts(order, throws, cranks.pin_turns_deg(firing, bank)) == []


@settings(deadline=None)
@given(linkages(), st.sampled_from([1, -1]))
def test_pins_with_an_offset_stand_at_tdc_when_they_fire(linkage: tuple[float, float, float], sigma: int) -> None:
    firing, bank, _ = v_engine(V12_ORDER, 30)
    tdc = cranks.tdc_deg(*linkage)
    pins = cranks.pin_turns_deg(firing, bank, tdc, sigma)
    crank_turn = bank[0] + sigma * firing
    drop = cranks.piston_height_mm(tdc, *linkage) - cranks.piston_height_mm(pins + crank_turn - bank, *linkage)
    assert drop == pytest.approx(np.zeros(12), abs=1e-9)
    assert pins[0] == pytest.approx(tdc)
    assert cranks.firing_from_pins_deg(pins, bank, tdc, sigma) == pytest.approx(firing, abs=1e-9)


def test_uneven_firing_from_pins() -> None:
    # 45 degree twin on one pin: intervals 315 and 405, whichever way round it turns (geometry)
    assert cranks.firing_from_pins_deg([0, 0], [22.5, -22.5]) == pytest.approx([0, 315])
    assert cranks.firing_from_pins_deg([0, 0], [-22.5, 22.5]) == pytest.approx([0, 405])
    assert cranks.firing_from_pins_deg([0, 0], [-22.5, 22.5], sigma=-1) == pytest.approx([0, 315])
    with pytest.raises(ValueError, match="do not fire in this order: they pass TDC at 0, 330, 220, 540 degrees"):
        cranks.firing_from_pins_deg([0, 30, 140, 180], 0)


def shaking(names: tuple[str, ...], firing: np.ndarray, bank: np.ndarray, order: int) -> tuple[float, float]:
    """Greatest force and couple of one order of piston acceleration, in shares of one cylinder's amplitude.

    The harmonic is taken from the exact piston motion by FFT; throws stand one spacing apart.
    """
    pins = cranks.pin_turns_deg(firing, bank)
    theta = np.arange(0, 360, 1.0)
    force = np.zeros((2, theta.size))
    couple = np.zeros((2, theta.size))
    single = 0.0
    for name, pin, turn in zip(names, pins, bank, strict=True):
        height = cranks.piston_height_mm(pin + bank[0] + theta - turn, 66, 236)
        spectrum = np.fft.rfft(height)
        kept = np.zeros_like(spectrum)
        kept[order] = spectrum[order]
        along = np.fft.irfft(kept, theta.size)
        single = max(single, float(np.abs(along).max()))
        share = np.array([[np.sin(np.radians(turn))], [np.cos(np.radians(turn))]]) * along
        force += share
        couple += share * (int(name[-1]) - 3.5)
    return float(np.hypot(*force).max() / single), float(np.hypot(*couple).max() / single)


@pytest.mark.parametrize("order", [1, 2])
def test_v12_is_balanced(order: int) -> None:
    # secondary: Nunney, Light and Heavy Vehicle Technology pp. 13-14: primary and secondary forces and
    # couples cancel
    firing, bank, _ = v_engine(V12_ORDER, 30)
    assert shaking(V12_ORDER, firing, bank, order) == pytest.approx((0, 0), abs=1e-10)
    # the same sum does see an engine that is known not to be balanced: secondary forces of an in-line four
    # add up
    four = ("1", "3", "4", "2")
    force, _ = shaking(four, np.arange(4) * 180.0, np.zeros(4), order)
    assert force == pytest.approx(0 if order == 1 else 4, abs=1e-9)
