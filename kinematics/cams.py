"""Valve lift over the cylinder's own angle: constant-velocity ramps and flanks of a standard law, or a measured table.

A curve of a law is symmetrical about its peak, half-way between opening and closing. Lift is that of a valve without
clearance, measured at the valve; a clearance c leaves max(0, lift − c). Angles are crank degrees of the
cylinder's own angle (see ``angles``), derivatives are by crank degrees.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike

from quillwise.kinematics.angles import CYCLE_DEG, Floats, wrapped
from quillwise.kinematics.datasheet import StandardLaw, ValveData
from quillwise.kinematics.lengths import LengthUnit, stated
from quillwise.kinematics.measured import (
    MeasuredCurve,
    measured_curve,
    measured_events,
    measured_lift_mm,
    measured_velocity,
    slopes_at_rest,
    table_problems,
)

_LEAST_FLANK_DEG = 0.1  # crank degrees: a shorter flank would throw the valve open
_Function = Callable[[Floats], Floats]


@dataclass(frozen=True, kw_only=True, slots=True)
class MotionLaw:
    """A rise from 0 to 1 over u = 0 to 1, at rest at both ends: L, L′ and ∫₀ᵘL. Arrays in, arrays out."""

    position: _Function
    velocity: _Function
    area: _Function


def _polynomial(*rising: float) -> MotionLaw:
    """rising: coefficients of u⁰, u¹, …"""

    def valued(coefficients: Floats) -> _Function:
        return lambda u: np.asarray(np.polyval(coefficients, u))

    law = np.array(rising[::-1], dtype=float)
    return MotionLaw(
        position=valued(law),
        velocity=valued(np.polyder(law)),
        area=valued(np.polyint(law)),
    )


def _harmonic() -> MotionLaw:
    pi = np.pi
    return MotionLaw(
        position=lambda u: (1 - np.cos(pi * u)) / 2,
        velocity=lambda u: pi / 2 * np.sin(pi * u),
        area=lambda u: u / 2 - np.sin(pi * u) / (2 * pi),
    )


def _cycloidal() -> MotionLaw:
    tau = 2 * np.pi
    return MotionLaw(
        position=lambda u: u - np.sin(tau * u) / tau,
        velocity=lambda u: 1 - np.cos(tau * u),
        area=lambda u: u**2 / 2 + (np.cos(tau * u) - 1) / tau**2,
    )


def _modified_sine() -> MotionLaw:
    """Quarter-sines of acceleration over the first and last eighth, a longer half-sine between."""
    pi = np.pi
    scale = 1 / (4 + pi)

    def pieces(u: Floats, ends: Floats, middle: Floats) -> Floats:
        return np.where((u < 1 / 8) | (u > 7 / 8), ends, middle)

    def position(u: Floats) -> Floats:
        ends = np.where(u > 0.5, 4.0, 0.0) - np.sin(4 * pi * u) / 4
        return scale * (pi * u + pieces(u, ends, 2 - 9 / 4 * np.sin(pi / 3 + 4 * pi * u / 3)))

    def velocity(u: Floats) -> Floats:
        return scale * pi * (1 - pieces(u, np.cos(4 * pi * u), 3 * np.cos(pi / 3 + 4 * pi * u / 3)))

    def area(u: Floats) -> Floats:
        # each piece is the primitive of ``position`` with the constant that joins it to the one before
        ends = np.cos(4 * pi * u) / (16 * pi) - 1 / (16 * pi) + np.where(u > 0.5, 4 * u - 2.0, 0.0)
        middle = 2 * u + 27 / (16 * pi) * np.cos(pi / 3 + 4 * pi * u / 3) - 1 / 4 - 1 / (16 * pi)
        return scale * (pi * u**2 / 2 + pieces(u, ends, middle))

    return MotionLaw(position=position, velocity=velocity, area=area)


LAWS: Mapping[StandardLaw, MotionLaw] = MappingProxyType(
    {
        "harmonic": _harmonic(),
        "cycloidal": _cycloidal(),
        "3-4-5": _polynomial(0, 0, 0, 10, -15, 6),
        "4-5-6-7": _polynomial(0, 0, 0, 0, 35, -84, 70, -20),
        "modified-sine": _modified_sine(),
    }
)
"""The standard laws by name; formulas after Norton, *Design of Machinery*."""


@dataclass(frozen=True, kw_only=True, slots=True)
class LiftCurve:
    """The lift of one valve, made by ``lift_curve``. All in crank degrees and mm at the valve.

    half_deg: from the start of a ramp to the peak; flank_deg: from the top of a ramp to the peak (β);
    rise_mm: the share of the law in a flank (H); ramp_mm_per_deg: velocity of the ramps (v).
    """

    law: StandardLaw
    peak_deg: float
    half_deg: float
    flank_deg: float
    lift_mm: float
    ramp_top_mm: float
    ramp_mm_per_deg: float
    rise_mm: float

    @property
    def ramp_starts_deg(self) -> float:
        """Own angle at which the opening ramp leaves the heel."""
        return self.peak_deg - self.half_deg

    @property
    def flank_starts_deg(self) -> float:
        """Own angle at which the opening ramp ends and the flank takes over."""
        return self.peak_deg - self.flank_deg

    @property
    def flank_ends_deg(self) -> float:
        """Own angle at which the closing flank hands over to the ramp."""
        return self.peak_deg + self.flank_deg

    @property
    def ramp_ends_deg(self) -> float:
        """Own angle at which the closing ramp meets the heel."""
        return self.peak_deg + self.half_deg


Curve = LiftCurve | MeasuredCurve


def standard_law(valve: ValveData) -> StandardLaw:
    """The standard law of a valve whose lift was not measured. Raises ValueError when it was."""
    if valve.law == "measured":
        raise ValueError("a measured lift follows no standard law")
    return valve.law


def _rise_mm(valve: ValveData, flank_deg: float) -> float:
    return valve.lift_mm - valve.ramp_end_mm - valve.ramp_mm_per_crank_deg * flank_deg / 2


def _flank_mm(law: StandardLaw, u: Floats, top_mm: float, ramp_mm: float, rise_mm: float) -> Floats:
    """Lift on a flank at u = 0 (top of the ramp) to 1 (peak); ramp_mm = v · β: takes over the ramp's
    velocity."""
    motion = LAWS[law]
    return np.asarray(top_mm + ramp_mm * (u - motion.area(u)) + rise_mm * motion.position(u))


def _flank_deg(valve: ValveData) -> float:
    """β, such that the lift is the checking clearance at the stated events; NaN when no flank does it.

    On the ramp in closed form; with a checking clearance above the ramp's top by root finding.
    """
    half_open = (valve.closes_deg - valve.opens_deg) / 2
    velocity, top, clearance = valve.ramp_mm_per_crank_deg, valve.ramp_end_mm, valve.checking_clearance_mm
    if clearance <= top:
        return half_open - (top - clearance) / velocity
    from scipy.optimize import brentq

    law = standard_law(valve)

    def above_clearance(flank_deg: float) -> float:
        u = np.asarray(1 - half_open / flank_deg)
        lift = _flank_mm(law, u, top, velocity * flank_deg, _rise_mm(valve, flank_deg))
        return float(lift) - clearance

    longest = 2 * (valve.lift_mm - top) / velocity
    if longest <= half_open or above_clearance(longest) < 0:
        return math.nan
    return float(brentq(above_clearance, half_open, longest, xtol=1e-12, rtol=1e-14))


def curve_problems(valve: ValveData, unit: LengthUnit = "mm") -> list[str]:
    """Plain sentences on why no lift curve fits these data; empty when one does. ``unit``: of the lengths in them."""
    if valve.law == "measured":
        return _measured_problems(valve, unit)
    positive = {
        "the ramp velocity per crank degree": valve.ramp_mm_per_crank_deg,
        "the checking clearance": valve.checking_clearance_mm,
        "the ramp's top": valve.ramp_end_mm,
        "the valve lift": valve.lift_mm,
    }
    problems = [
        f"{what} must be more than 0, got {stated(value, unit)}"
        for what, value in positive.items()
        if not (value > 0 and math.isfinite(value))
    ]
    open_deg = valve.closes_deg - valve.opens_deg
    if not 0 < open_deg < CYCLE_DEG:
        problems.append(
            f"the valve must close after it opens and within {CYCLE_DEG:g} crank degrees, "
            f"got {open_deg:g} degrees from opening to closing"
        )
    if problems:
        return problems
    top, clearance, velocity = valve.ramp_end_mm, valve.checking_clearance_mm, valve.ramp_mm_per_crank_deg
    if valve.lift_mm <= max(top, clearance):
        higher = "the top of the ramp" if top >= clearance else "the checking clearance"
        lift, least = stated(valve.lift_mm, unit), stated(max(top, clearance), unit)
        return [f"the valve lift ({lift}) is not above {higher} ({least})"]
    flank = _flank_deg(valve)
    if flank <= _LEAST_FLANK_DEG:
        return [
            f"the valve is open for {open_deg:g} degrees, too short for its ramps: from the checking "
            f"clearance to the top of a ramp it takes {(top - clearance) / velocity:g} degrees on each side"
        ]
    if math.isnan(flank) or _rise_mm(valve, flank) <= 0:
        return [
            f"the ramp is too steep: a ramp of {stated(velocity, unit)} per crank degree leaves nothing for the flank "
            f"to lift before the peak at {stated(valve.lift_mm, unit)}"
        ]
    length = 2 * (flank + top / velocity)
    if length >= CYCLE_DEG:
        return [
            f"the ramp is too shallow: with {stated(velocity, unit)} per crank degree the lobe takes {length:g} "
            f"crank degrees from ramp to ramp, more than the {CYCLE_DEG:g} of a cycle"
        ]
    return []


def _measured_problems(valve: ValveData, unit: LengthUnit) -> list[str]:
    problems = table_problems(valve.lift_table, unit)
    if problems:
        return [f"the lift table: {text}" for text in problems]
    curve, clearance = measured_curve(valve.lift_table), valve.checking_clearance_mm
    if not 0 < clearance < curve.lift_mm:
        words = f"the greatest lift of the table ({stated(float(f'{curve.lift_mm:.4g}'), unit)})"
        got = stated(clearance, unit)
        return [f"the checking clearance must be more than 0 and less than {words}, got {got}"]
    return []


def lift_curve(valve: ValveData) -> Curve:
    """The lift curve of a valve. Raises ValueError with the sentences of ``curve_problems`` when there is
    none.

    Flank of length β above the ramp's top h_r: s(u) = h_r + vβ∫₀ᵘ(1−L)dt + H·L(u), H = lift − h_r − vβ/2,
    with u from the ramp's top to the peak; both sides alike. It is smooth and rises all the way, as H > 0.
    """
    problems = curve_problems(valve)
    if problems:
        raise ValueError("; ".join(problems))
    if valve.law == "measured":
        return measured_curve(valve.lift_table)
    flank = _flank_deg(valve)
    return LiftCurve(
        law=valve.law,
        peak_deg=(valve.opens_deg + valve.closes_deg) / 2,
        half_deg=flank + valve.ramp_end_mm / valve.ramp_mm_per_crank_deg,
        flank_deg=flank,
        lift_mm=valve.lift_mm,
        ramp_top_mm=valve.ramp_end_mm,
        ramp_mm_per_deg=valve.ramp_mm_per_crank_deg,
        rise_mm=_rise_mm(valve, flank),
    )


def _places(curve: LiftCurve, own_deg: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Signed distance from the peak, the same without sign, and u on the flank (0 where on a ramp or the
    heel)."""
    from_peak = wrapped(np.asarray(own_deg, dtype=np.float64) - curve.peak_deg, CYCLE_DEG)
    distance = np.abs(from_peak)
    return from_peak, distance, np.clip(1 - distance / curve.flank_deg, 0.0, 1.0)


def lift_mm(curve: Curve, own_deg: ArrayLike) -> Floats:
    """Lift without clearance [mm at the valve], 0 on the heel, period 720. Shape of ``own_deg``."""
    if isinstance(curve, MeasuredCurve):
        return measured_lift_mm(curve, own_deg)
    _, distance, u = _places(curve, own_deg)
    velocity = curve.ramp_mm_per_deg
    flank = _flank_mm(curve.law, u, curve.ramp_top_mm, velocity * curve.flank_deg, curve.rise_mm)
    ramp = np.maximum(velocity * (curve.half_deg - distance), 0.0)
    return np.where(distance < curve.flank_deg, flank, ramp)


def velocity_mm_per_deg(curve: Curve, own_deg: ArrayLike) -> Floats:
    """Lift's rate [mm per crank degree], + while opening. Where a ramp meets the heel it jumps; exactly there
    0."""
    if isinstance(curve, MeasuredCurve):
        return measured_velocity(curve, own_deg)
    from_peak, distance, u = _places(curve, own_deg)
    law, velocity = LAWS[curve.law], curve.ramp_mm_per_deg
    flank = velocity * (1 - law.position(u)) + curve.rise_mm / curve.flank_deg * law.velocity(u)
    ramp = np.where(distance < curve.half_deg, velocity, 0.0)
    return np.asarray(-np.sign(from_peak) * np.where(distance < curve.flank_deg, flank, ramp))


def half_opening_deg(curve: LiftCurve, clearance_mm: ArrayLike) -> Floats:
    """From the valve's opening to the peak at a clearance [crank deg]; NaN where it never opens.

    Closed form on the ramp, by bisection to the last bit beyond it. Shape of ``clearance_mm``; infinity
    (rocker off) is allowed. Raises ValueError below zero: such a valve never shuts.
    """
    clearance = np.asarray(clearance_mm, dtype=np.float64)
    if np.any(clearance < 0):
        raise ValueError("a clearance below zero holds the valve open all round: it has no events")
    on_ramp = curve.half_deg - clearance / curve.ramp_mm_per_deg
    beyond = (clearance > curve.ramp_top_mm) & (clearance < curve.lift_mm)
    if not np.any(beyond):
        return np.where(clearance >= curve.lift_mm, np.nan, on_ramp)
    low, high = np.zeros(clearance.shape), np.ones(clearance.shape)
    ramp_mm = curve.ramp_mm_per_deg * curve.flank_deg
    for _ in range(60):
        middle = (low + high) / 2
        below = _flank_mm(curve.law, middle, curve.ramp_top_mm, ramp_mm, curve.rise_mm) < clearance
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    found = np.where(beyond, curve.flank_deg * (1 - (low + high) / 2), on_ramp)
    return np.where(clearance >= curve.lift_mm, np.nan, found)


def events_at(curve: Curve, clearance_mm: float) -> tuple[float, float] | None:
    """Own angles at which the valve opens and closes at a clearance [deg], or None when it never opens.

    opens ≤ peak ≤ closes, not wrapped: ``closes`` may pass 720. Raises ValueError for a clearance below zero.
    """
    if isinstance(curve, MeasuredCurve):
        return measured_events(curve, clearance_mm)
    half = float(half_opening_deg(curve, clearance_mm))
    return None if math.isnan(half) else (curve.peak_deg - half, curve.peak_deg + half)


def heel_joints(curve: Curve) -> tuple[tuple[float, float], tuple[float, float]]:
    """Where the lift leaves the heel and where it meets it again: (from the peak [deg], rate of lift on the lifted side
    [mm per crank degree]) of each."""
    if isinstance(curve, MeasuredCurve):
        opening, closing = slopes_at_rest(curve)
        return (-curve.before_deg, opening), (curve.after_deg, closing)
    return (-curve.half_deg, curve.ramp_mm_per_deg), (curve.half_deg, -curve.ramp_mm_per_deg)
