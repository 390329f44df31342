"""Rows of a measured lift table that do not go with their neighbours: misread, or written down wrong.

A row is suspected where a cubic through the two rows on either side of it (Lagrange's interpolation) leads well away
from it. It is named where the smoothing spline of all other rows does so too, by many times the noise of those other
rows: one bad row spoils neither its own neighbours' curve nor their noise. The worst is taken out first, then the rest
is looked at anew.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quillwise.kinematics.angles import Floats
from quillwise.kinematics.measured import Rows, smoothed, spline_at

# ours, no source: no false alarm over many thousand tables drawn from the laws with noise
_NOISES = 8.0  # of the other rows: so far off is no scatter of a reading
_LEAST_SHARE = 0.008  # of the greatest lift: corners of a real lobe lead no further astray
_HEEL_SHARE = 0.012  # of the greatest lift: lower rows are on the heel, or at the foot of a ramp
_GROSS_NOISES, _GROSS_MM = 12.0, 0.3  # from here on it is no question any more
_MOST_SHARE = 0.1  # of the rows: a table with more bad ones has no good ones to tell them by
_NORMAL_SD = 1.4826  # standard deviation over the median of the magnitudes, of a normal distribution


@dataclass(frozen=True, kw_only=True, slots=True)
class MisreadRow:
    """A row that does not go with its neighbours. ``row``: counted from 1. ``expected_mm``: what the other rows lead
    to at its angle [own angle, crank deg]. ``gross``: so far off that the table cannot be right."""

    row: int
    angle_deg: float
    lift_mm: float
    expected_mm: float
    noise_mm: float  # of the other rows
    gross: bool


def misread_rows(rows: Rows) -> tuple[MisreadRow, ...]:
    """The rows of (own angle [deg], lift [mm]) that do not go with their neighbours, in the table's order; the two
    outermost on either side are not judged. ``rows`` have no ``table_problems``."""
    angle, lift = np.asarray(rows, dtype=np.float64).T
    top = float(lift.max())
    left = np.arange(len(angle))
    found: list[MisreadRow] = []
    for _ in range(max(1, int(_MOST_SHARE * len(angle)))):
        suspects = _suspects(angle[left], lift[left], top)
        named = [_judged(angle[left], lift[left], place, int(left[place]), top) for place in suspects]
        worst = max((row for row in named if row), key=lambda row: abs(row.lift_mm - row.expected_mm), default=None)
        if worst is None:
            break
        found.append(worst)
        left = left[left != worst.row - 1]
    return tuple(sorted(found, key=lambda row: row.row))


def _suspects(angle: Floats, lift: Floats, top: float) -> list[int]:
    """The three rows furthest from the cubic through the two on either side, of those that are further than scatter."""
    off = np.abs(_off_cubic(angle, lift))
    scatter = _NORMAL_SD * float(np.median(off))
    worst = np.argsort(off)[::-1][:3]
    return [int(at) + 2 for at in worst if off[at] > max(3.0 * scatter, _LEAST_SHARE * top)]


def _off_cubic(angle: Floats, lift: Floats) -> Floats:
    """By how much each row, but for two at either end, is off the cubic through its four neighbours [mm]."""
    here = angle[2:-2]
    places = [angle[shift : len(angle) - 4 + shift] for shift in (0, 1, 3, 4)]
    lifts = [lift[shift : len(angle) - 4 + shift] for shift in (0, 1, 3, 4)]
    led = np.zeros_like(here)
    for one, value in zip(places, lifts, strict=True):
        share = np.ones_like(here)
        for other in places:
            if other is not one:
                share = share * (here - other) / (one - other)
        led += share * value
    return lift[2:-2] - led


def _judged(angle: Floats, lift: Floats, place: int, row: int, top: float) -> MisreadRow | None:
    """The row at a place, named if the curve of all others leads far away from it."""
    others = np.arange(len(angle)) != place
    values, bends, noise = smoothed(angle[others], lift[others])
    expected = float(spline_at(angle[others], values, bends, angle[place : place + 1])[0])
    off = abs(float(lift[place]) - expected)
    # what the rows right beside it scatter by counts too: a corner of the lobe is rough for them all
    beside = np.flatnonzero(others)
    near = np.abs(beside - place) <= 3
    rough = float(np.max(np.abs(lift[beside[near]] - values[near])))
    around = lift[max(place - 2, 0) : place + 3]
    if float(around.min()) <= max(3.0 * noise, _HEEL_SHARE * top):
        # where a ramp leaves the heel there is a corner: a row between the two beside it may be right there
        low, high = sorted((float(lift[place - 1]), float(lift[place + 1])))
        off = min(off, max(low - float(lift[place]), float(lift[place]) - high, 0.0))
    if off <= max(_NOISES * noise, _LEAST_SHARE * top, 3.0 * rough):
        return None
    return MisreadRow(
        row=row + 1,
        angle_deg=float(angle[place]),
        lift_mm=float(lift[place]),
        expected_mm=expected,
        noise_mm=noise,
        gross=off > max(_GROSS_NOISES * noise, _GROSS_MM),
    )
