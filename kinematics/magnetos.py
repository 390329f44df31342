"""Magnetos: neutral, E-gap, points, distributor finger, meter, plug leads.

``rotor_running_deg`` is the magneto rotor's angle in its running direction, 0 where the points just break
when set to the gap of the data. ``finger_running_deg`` is the distributor finger's, 0 where it stands on
the middle of the segment of the first cylinder in the firing order, which is the middle of the advance
range. Both are degrees of their own shaft.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from quillwise.kinematics.angles import CYCLE_DEG, Floats, wrapped
from quillwise.kinematics.datasheet import MagnetoData

FINGER_TURNS_PER_CRANK_TURN = Fraction(1, 2)

# An opening below this is a rounding of the cosine, not a gap.
TOUCHING_MM = 1e-9


class FingerAt(NamedTuple):
    """Where a distributor finger stands, arrays of one shape. ``segment``: index of the nearest segment,
    from 0 in the firing order. ``off_middle_deg``: + = past its middle in the running direction, [−half,
    +half) of the spacing. ``overlap_deg``: width of finger and segment that face each other; negative: the
    gap between their edges."""

    segment: NDArray[np.int64]
    off_middle_deg: Floats
    overlap_deg: Floats


class FingerHold(NamedTuple):
    """``holds``: finger and segment face each other at every break of the advance range.
    ``least_overlap_deg``: the least width that faces [deg of the finger]; negative: the gap between their
    edges."""

    holds: bool
    least_overlap_deg: float


def firing_interval_deg(cylinders: int) -> Fraction:
    """Crank degrees between two sparks of an evenly firing four-stroke engine: 720 / cylinders."""
    return Fraction(int(CYCLE_DEG), cylinders)


def speed_ratio_needed(cylinders_fired: int, sparks_per_rotor_turn: int | Fraction) -> Fraction:
    """Magneto rotor turns per crank turn that give each cylinder one spark in two crank turns, exact.

    ``sparks_per_rotor_turn``: the poles, or the lobes of a breaker cam on the rotor. cylinders / (2 ×
    sparks).
    """
    return cylinders_fired / (2 * Fraction(sparks_per_rotor_turn))


def points_opening_mm(magneto: MagnetoData, rotor_running_deg: ArrayLike, gap_set_mm: float | None = None) -> Floats:
    """Opening of the points [mm], 0 when closed. Shape kept. ``gap_set_mm``: largest opening as set; None:
    the data's.

    The heel rides on a cam of harmonic lift L = Lmax·(1 + cos(2π(φ − o/2)/P))/2, P degrees a lobe, o of
    them open. Lmax is such that at the data's gap the points break at φ = 0 and close at φ = o; another gap
    moves the fixed point: opening = max(0, L − (Lmax − gap)). Raises ValueError (text for the user): no
    gap, never closed, dwell out of range.
    """
    gap = _gap_mm(magneto, gap_set_mm)
    pitch, open_deg, peak = _cam(magneto)
    phase = 2 * np.pi * (np.asarray(rotor_running_deg, dtype=np.float64) - open_deg / 2) / pitch
    return np.asarray(np.maximum(0.0, gap - peak * (1 - np.cos(phase)) / 2))


def cam_lift_mm(magneto: MagnetoData, rotor_running_deg: ArrayLike) -> Floats:
    """What the breaker cam lifts the contact by from its lowest place [mm]: L of ``points_opening_mm``. Shape kept."""
    pitch, open_deg, peak = _cam(magneto)
    phase = 2 * np.pi * (np.asarray(rotor_running_deg, dtype=np.float64) - open_deg / 2) / pitch
    return np.asarray(peak * (1 + np.cos(phase)) / 2)


def break_shift_deg(magneto: MagnetoData, gap_set_mm: float) -> float:
    """By how much the break comes earlier than at the data's gap [deg of the magneto rotor, + = early].

    A larger gap advances, a smaller one retards. Raises ValueError as ``points_opening_mm``.
    """
    return (_open_deg(magneto, gap_set_mm) - _cam(magneto)[1]) / 2


def dwell_deg(magneto: MagnetoData, gap_set_mm: float | None = None) -> float:
    """Magneto rotor degrees per lobe through which the points are closed. Raises ValueError as
    ``points_opening_mm``."""
    return _cam(magneto)[0] - _open_deg(magneto, gap_set_mm)


def meter_ohm(magneto: MagnetoData, opening_mm: ArrayLike) -> Floats:
    """Reading of a low-resistance meter at the primary [Ω]: the leads only when the points are closed, the
    coil when they are open. Shape kept."""
    opening = np.asarray(opening_mm, dtype=np.float64)
    return np.asarray(np.where(opening <= TOUCHING_MM, magneto.closed_ohm, magneto.open_ohm))


def finger_turns_per_rotor_turn(magneto: MagnetoData) -> Fraction:
    """Distributor finger turns per magneto rotor turn, without sign, exact: pinion / wheel."""
    pinion, wheel = magneto.finger_teeth
    return Fraction(pinion, wheel)


def check_finger(magneto: MagnetoData, rotor_turns_per_crank_turn: Fraction) -> str | None:
    """None when the finger runs at half crank speed, else a message with the ratio found and the one needed.
    ``rotor_turns_per_crank_turn``: either sign."""
    rotor = abs(Fraction(rotor_turns_per_crank_turn))
    found = finger_turns_per_rotor_turn(magneto)
    needed = FINGER_TURNS_PER_CRANK_TURN / rotor
    if found == needed:
        return None
    pinion, wheel = magneto.finger_teeth
    return (
        f"the distributor finger must turn at half crank speed: finger_teeth {pinion} to {wheel} give "
        f"{_ratio(found)} of a turn per magneto rotor turn, needed {_ratio(needed)} "
        f"at {_ratio(rotor)} magneto rotor turns per crank turn"
    )


def segment_centres_deg(firing_order: Sequence[str]) -> Floats:
    """Middles of the distributor's segments [deg of the finger in its running direction], (cylinders,), in
    the firing order, for a magneto that fires every cylinder at even intervals."""
    return np.asarray(360.0 * np.arange(len(firing_order)) / len(firing_order))


def finger_at(magneto: MagnetoData, firing_order: Sequence[str], finger_running_deg: ArrayLike) -> FingerAt:
    """The segment that the finger is nearest to, and how far it is from the middle. Shape kept in each array.

    Half-way between two segments it is counted before the middle of the later one.
    """
    spacing = 360.0 / len(firing_order)
    finger = np.asarray(finger_running_deg, dtype=np.float64)
    off = wrapped(finger, spacing)
    segment = np.rint((finger - off) / spacing).astype(np.int64) % len(firing_order)
    return FingerAt(np.asarray(segment), off, overlap_deg(magneto, off))


def overlap_deg(magneto: MagnetoData, off_middle_deg: ArrayLike) -> Floats:
    """Width of finger and segment that face each other when their middles are apart by ``off_middle_deg``,
    either way [deg of the finger]; negative: the gap between their edges. Shape kept."""
    finger, segment = magneto.finger_width_deg, magneto.segment_width_deg
    edges = (finger + segment) / 2 - np.abs(np.asarray(off_middle_deg, dtype=np.float64))
    return np.asarray(np.minimum(edges, min(finger, segment)))


def middle_of_range_deg(magneto: MagnetoData) -> float:
    """Own angle of the break with the lever at the middle of its range [deg]: half the range later than the
    data's break when timed at full advance, half earlier when timed at full retard."""
    half = magneto.advance_range_deg / 2
    return magneto.break_deg + (-half if magneto.timed_at == "full retard" else half)


def finger_off_middle_deg(break_later_crank_deg: ArrayLike) -> Floats:
    """How far the finger is past the middle of its segment at a break that comes so many crank degrees
    later (+) or earlier (−) than the middle of the advance range [deg of the finger, + = past]. Shape kept.

    The finger stays geared to the magneto rotor when the advance lever moves the break."""
    return np.asarray(float(FINGER_TURNS_PER_CRANK_TURN) * np.asarray(break_later_crank_deg, dtype=np.float64))


def finger_holds(magneto: MagnetoData, off_middle_deg: float = 0.0) -> FingerHold:
    """Whether finger and segment face each other at the break through the whole advance range.

    ``off_middle_deg``: an error of the finger at the middle of the range, for example of a tooth, either
    way."""
    half_range = float(finger_off_middle_deg(magneto.advance_range_deg / 2))
    least = float(overlap_deg(magneto, abs(off_middle_deg) + half_range))
    return FingerHold(least > 0, least)


def plug_lead_chart(firing_order: Sequence[str]) -> tuple[tuple[int, str], ...]:
    """(segment number, cylinder), segments numbered from 1 in the finger's running direction."""
    return tuple(enumerate(firing_order, start=1))


def _cam(magneto: MagnetoData) -> tuple[float, float, float]:
    """Degrees a lobe, degrees open at the data's gap, lift of the cam [mm]."""
    pitch = 360.0 / float(magneto.sparks_per_turn)
    if not 0 < magneto.dwell_deg < pitch:
        raise ValueError(
            f"{magneto.name} magneto: expected a dwell of more than 0 and less than {pitch:g} degrees "
            f"for {_sparks(magneto)}, got {magneto.dwell_deg:g}"
        )
    open_deg = pitch - magneto.dwell_deg
    return pitch, open_deg, 2 * magneto.points_gap_mm / (1 - math.cos(math.pi * open_deg / pitch))


def _gap_mm(magneto: MagnetoData, gap_set_mm: float | None) -> float:
    gap = magneto.points_gap_mm if gap_set_mm is None else gap_set_mm
    if not gap > 0:
        raise ValueError(f"{magneto.name} magneto: expected a points gap of more than 0 mm, got {gap:g}")
    peak = _cam(magneto)[2]
    if gap >= peak:
        raise ValueError(
            f"{magneto.name} magneto: with a points gap of {gap:g} mm the points never close: "
            f"the breaker cam lifts {peak:.3g} mm"
        )
    return gap


def _open_deg(magneto: MagnetoData, gap_set_mm: float | None) -> float:
    """Degrees of a lobe through which the points are open at a gap."""
    gap = _gap_mm(magneto, gap_set_mm)
    pitch, _, peak = _cam(magneto)
    return pitch / math.pi * math.acos(1 - 2 * gap / peak)


def _ratio(value: Fraction) -> str:
    return f"{value} ({float(value):.4g})" if value.denominator != 1 else str(value)


def _sparks(magneto: MagnetoData) -> str:
    if magneto.breaker_on == "rotor":
        return f"{magneto.lobes} lobes"
    return f"{magneto.sparks_per_turn} sparks a turn"
