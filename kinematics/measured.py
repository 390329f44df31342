"""A measured lift table made into a curve: a smoothing spline through the rows, the heel at rest, period 720.

The spline is the natural cubic one that makes Σ(lift − s)² + λ∫s″² least; λ is chosen by generalised
cross-validation. (Reinsch, *Smoothing by spline functions*, Numer. Math. 10, 1967; Wahba, *Spline Models for
Observational Data*, 1990.) Beyond its zeros on both sides of the peak lift is 0: there the valve's lobe shows its
heel. Angles are crank degrees of the cylinder's own angle, lifts mm at the valve, without clearance.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from quillwise.kinematics.angles import CYCLE_DEG, Floats, wrapped
from quillwise.kinematics.lengths import LengthUnit, length, stated

Rows = Sequence[tuple[float, float]]

LEAST_ROWS, MOST_ROWS = 12, 720
_END_SHARE = 0.02  # of the greatest lift: how far from 0 the ends of a table may be
_FALL_SHARE = 0.02  # of the greatest lift: how far lift may fall and rise again as a reading's error
_HEEL_NOISES, _HEEL_SHARE = 3.0, 0.002  # of the noise, of the greatest lift: what counts as on the heel
_WEIGHT_OF_FREEDOM = 1.15  # in the cross-validation: keeps it from following the noise of short tables
_GRID = np.logspace(-12, 12, 193)  # of λ · the middle stiffness


@dataclass(frozen=True, kw_only=True, slots=True)
class MeasuredCurve:
    """The lift of one valve, made by ``measured_curve``. ``knots_deg`` count from the peak; ``bends``: second
    derivatives at the knots [mm/deg²]. ``noise_mm``: the standard deviation of a reading about the curve."""

    knots_deg: tuple[float, ...]
    lifts_mm: tuple[float, ...]
    bends: tuple[float, ...]
    peak_deg: float
    lift_mm: float
    before_deg: float  # from the start of the lift to the peak
    after_deg: float  # from the peak to the end of the lift
    noise_mm: float


def table_problems(rows: Rows, unit: LengthUnit = "mm") -> list[str]:
    """Plain sentences on why rows of (own angle [deg], lift [mm]) make no curve; empty when they do."""
    table = np.asarray(rows, dtype=np.float64)
    if not LEAST_ROWS <= len(rows) <= MOST_ROWS:
        return [f"expected {LEAST_ROWS} to {MOST_ROWS} rows of angle and lift, got {len(rows)}"]
    if not np.all(np.isfinite(table)):
        return ["expected finite angles and lifts"]
    angle, lift = table.T
    back = np.flatnonzero(np.diff(angle) <= 0)
    if len(back):
        row = int(back[0])
        return [f"expected angles that grow, got {angle[row + 1]:g} in row {row + 2} after {angle[row]:g}"]
    if angle[-1] - angle[0] >= CYCLE_DEG:
        return [f"expected rows over less than {CYCLE_DEG:g} degrees, got {angle[-1] - angle[0]:g}"]
    top = float(lift.max())
    if top <= 0:
        return [f"expected lifts above 0, got {stated(top, unit)} as the greatest"]
    for row, place in ((0, "first"), (len(rows) - 1, "last")):
        if abs(lift[row]) > _END_SHARE * top:
            most, got = length(_END_SHARE * top, unit, 3), stated(float(lift[row]), unit)
            return [f"expected at most {most} of lift in the {place} row, got {got}"]
    at = int(np.argmax(lift))
    for part, step in ((lift[: at + 1], 1), (lift[at:][::-1], -1)):
        fall = np.maximum.accumulate(part) - part
        if fall.max() > _FALL_SHARE * top:
            row = int(np.argmax(fall))
            there = angle[row] if step == 1 else angle[len(rows) - 1 - row]
            by = length(float(fall.max()), unit, 3)
            return [f"expected one peak, got a lift that falls by {by} at {there:g} and rises again"]
    return []


def measured_curve(rows: Rows) -> MeasuredCurve:
    """The curve of a table of (own angle [crank deg], lift [mm at the valve, without clearance]). Raises ValueError
    with ``table_problems``."""
    return _curve(tuple((float(angle), float(lift)) for angle, lift in rows))


@functools.lru_cache(maxsize=16)
def _curve(rows: Rows) -> MeasuredCurve:
    """As ``measured_curve``: reading, checking and building ask for the same few tables again and again."""
    problems = table_problems(rows)
    if problems:
        raise ValueError("; ".join(problems))
    angle, lift = np.asarray(rows, dtype=np.float64).T
    # rows on the heel are left out: a smooth curve cannot follow the corner where a ramp leaves it
    heel = max(_HEEL_NOISES * smoothed(angle, lift)[2], _HEEL_SHARE * float(lift.max()))
    off = np.flatnonzero(_lifted(lift, heel))
    if len(off) >= LEAST_ROWS - 2:
        angle, lift = angle[off], lift[off]
    smooth, bends, noise = smoothed(angle, lift)
    around = np.linspace(angle[0], angle[-1], 40 * len(angle) + 1)
    top = float(around[np.argmax(spline_at(angle, smooth, bends, around))])
    peak = _level(angle, smooth, bends, top, float(np.max(np.diff(angle))))
    knots = angle - peak
    before, after = (_to_rest(knots, smooth, bends, way) for way in (-1, 1))
    return MeasuredCurve(
        knots_deg=tuple(knots.tolist()),
        lifts_mm=tuple(smooth.tolist()),
        bends=tuple(bends.tolist()),
        peak_deg=peak,
        lift_mm=float(spline_at(knots, smooth, bends, np.zeros(1))[0]),
        before_deg=before,
        after_deg=after,
        noise_mm=noise,
    )


def _lifted(lift: Floats, heel_mm: float) -> Floats:
    """Of the rows about the peak, those before the first on either side that is within ``heel_mm`` of the heel."""
    low = np.flatnonzero(lift <= heel_mm)
    at = int(np.argmax(lift))
    first = max((int(row) for row in low if row < at), default=-1)
    last = min((int(row) for row in low if row > at), default=len(lift))
    row = np.arange(len(lift))
    return np.asarray((row > first) & (row < last))


def smoothed(x: Floats, y: Floats) -> tuple[Floats, Floats, float]:
    """The smoothing spline's values and second derivatives at x (N,), and the noise [as y].

    The noise is √(Σ residual² ÷ (N − trace of the smoother)): what the residuals would be of without the freedom
    that the curve takes from them.
    """
    step = np.diff(x)
    count = len(x)
    inner = np.arange(count - 2)
    # second differences of the values, and the band matrix that ties them to the second derivatives within
    q = np.zeros((count, count - 2))
    q[inner, inner], q[inner + 2, inner] = 1 / step[:-1], 1 / step[1:]
    q[inner + 1, inner] = -1 / step[:-1] - 1 / step[1:]
    r = np.diag((step[:-1] + step[1:]) / 3) + np.diag(step[1:-1] / 6, 1) + np.diag(step[1:-1] / 6, -1)
    within = np.linalg.solve(r, q.T)
    stiffness, shapes = np.linalg.eigh(q @ within)
    stiffness = np.maximum(stiffness, 0.0)
    share = shapes.T @ y
    lam = _GRID / np.median(stiffness)
    kept = 1 / (1 + lam[:, None] * stiffness)
    free = count - np.sum(kept, axis=1)
    left = np.sum(((1 - kept) * share) ** 2, axis=1)
    some = count - _WEIGHT_OF_FREEDOM * np.sum(kept, axis=1) > 1.0
    score = np.where(some, left / np.where(some, count - _WEIGHT_OF_FREEDOM * np.sum(kept, axis=1), 1.0) ** 2, np.inf)
    best = int(np.argmin(score))
    values = shapes @ (kept[best] * share)
    bends = np.concatenate([[0.0], within @ values, [0.0]])
    return values, bends, float(np.sqrt(left[best] / free[best]))


def _pieces(knots: Floats, values: Floats, x: Floats) -> tuple[NDArray[np.intp], Floats, Floats, Floats, Floats]:
    """Of the piece at each x: its number, its length, the shares of its two ends, and the slope of its chord."""
    piece = np.clip(np.searchsorted(knots, x, side="right") - 1, 0, len(knots) - 2)
    length = knots[piece + 1] - knots[piece]
    second = (x - knots[piece]) / length
    return piece, length, 1 - second, second, np.asarray(values[piece + 1] - values[piece]) / length


def spline_at(knots: Floats, values: Floats, bends: Floats, x: Floats) -> Floats:
    """The natural spline at x, straight on beyond its ends."""
    inside = np.clip(x, knots[0], knots[-1])
    piece, length, first, second, _ = _pieces(knots, values, inside)
    curved = (first**3 - first) * bends[piece] + (second**3 - second) * bends[piece + 1]
    found = first * values[piece] + second * values[piece + 1] + curved * length**2 / 6
    return np.asarray(found + (x - inside) * _slope(knots, values, bends, inside))


def _slope(knots: Floats, values: Floats, bends: Floats, x: Floats) -> Floats:
    """Its first derivative at x, that of the end beyond the ends."""
    inside = np.clip(x, knots[0], knots[-1])
    piece, length, first, second, chord = _pieces(knots, values, inside)
    curved = (3 * second**2 - 1) * bends[piece + 1] - (3 * first**2 - 1) * bends[piece]
    return np.asarray(chord + curved * length / 6)


def _level(knots: Floats, values: Floats, bends: Floats, near: float, reach: float) -> float:
    """Where the slope turns from rising to falling about ``near``, by bisection between two places a thirtieth of
    ``reach`` beside it: a top that was found in smaller steps lies between them."""
    low, high = near - reach / 30, near + reach / 30
    for _ in range(60):
        middle = (low + high) / 2
        rising = float(_slope(knots, values, bends, np.array([middle]))[0]) > 0
        low, high = (middle, high) if rising else (low, middle)
    return (low + high) / 2


def _to_rest(knots: Floats, values: Floats, bends: Floats, way: int) -> float:
    """From the peak (at 0) to where the lift first is 0 [deg], straight on at the slope of the last row if need be."""
    end = float(knots[0] if way < 0 else knots[-1])
    out = np.linspace(0.0, end, 40 * len(knots) + 1)
    lift = spline_at(knots, values, bends, out)
    under = np.flatnonzero(lift <= 0)
    if not len(under):
        fall = -way * float(_slope(knots, values, bends, np.array([end]))[0])
        most = CYCLE_DEG / 2 - abs(end)
        return abs(end) + min(float(lift[-1]) / fall if fall > 0 else 0.0, most)
    low, high = float(out[under[0] - 1]), float(out[under[0]])
    for _ in range(60):
        middle = (low + high) / 2
        above = float(spline_at(knots, values, bends, np.array([middle]))[0]) > 0
        low, high = (middle, high) if above else (low, middle)
    return abs(high)


def _arrays(curve: MeasuredCurve) -> tuple[Floats, Floats, Floats]:
    return np.asarray(curve.knots_deg), np.asarray(curve.lifts_mm), np.asarray(curve.bends)


def _placed(curve: MeasuredCurve, own_deg: ArrayLike) -> tuple[Floats, NDArray[np.bool_]]:
    """From the peak [deg], and whether the lobe lifts there."""
    x = np.asarray(wrapped(np.asarray(own_deg, dtype=np.float64) - curve.peak_deg, CYCLE_DEG))
    return x, (x > -curve.before_deg) & (x < curve.after_deg)


def measured_lift_mm(curve: MeasuredCurve, own_deg: ArrayLike) -> Floats:
    """Lift without clearance [mm at the valve], 0 on the heel, period 720. Shape of ``own_deg``."""
    x, lifts = _placed(curve, own_deg)
    return np.where(lifts, np.maximum(spline_at(*_arrays(curve), x), 0.0), 0.0)


def measured_velocity(curve: MeasuredCurve, own_deg: ArrayLike) -> Floats:
    """Lift's rate [mm per crank degree], + while opening; 0 on the heel and exactly at its ends."""
    x, lifts = _placed(curve, own_deg)
    return np.where(lifts, _slope(*_arrays(curve), x), 0.0)


def slopes_at_rest(curve: MeasuredCurve) -> tuple[float, float]:
    """The rate with which the lift leaves the heel, and that with which it meets it again [mm per crank degree]."""
    ends = np.array([-curve.before_deg, curve.after_deg])
    opening, closing = _slope(*_arrays(curve), ends)
    return max(float(opening), 0.0), min(float(closing), 0.0)


def measured_events(curve: MeasuredCurve, clearance_mm: float) -> tuple[float, float] | None:
    """Own angles at which the valve opens and closes at a clearance [deg], or None when it never opens.

    The crossings next to the peak, not wrapped. Raises ValueError for a clearance below zero.
    """
    if clearance_mm < 0:
        raise ValueError("a clearance below zero holds the valve open all round: it has no events")
    if not clearance_mm < curve.lift_mm:
        return None
    found = []
    for end in (-curve.before_deg, curve.after_deg):
        if clearance_mm == 0:
            found.append(curve.peak_deg + end)
            continue
        out = np.linspace(0.0, end, 1441)
        low_at = int(np.argmax(measured_lift_mm(curve, curve.peak_deg + out) <= clearance_mm))
        low, high = out[low_at - 1], out[low_at]
        for _ in range(60):
            middle = (low + high) / 2
            above = float(measured_lift_mm(curve, curve.peak_deg + middle)) > clearance_mm
            low, high = (middle, high) if above else (low, middle)
        found.append(curve.peak_deg + float(low + high) / 2)
    opens, closes = found
    return (opens, closes) if math.isfinite(opens + closes) else None
