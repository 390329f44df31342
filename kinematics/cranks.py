"""Crank, rod and piston: the exact slider-crank with gudgeon offset, and the pins that a firing order needs.

All in the plane across the crank, seen from the wheelcase end, with the cylinder's axis upright.
``angle_deg`` is the crank pin's angle from the cylinder's axis, + about +x: clockwise as seen, so that it
leaves towards the right. ``offset_mm`` is the gudgeon pin's distance from the crank axis, + to the right. The
rod must be longer than radius + |offset|: ``crank_problems`` says so before anything is computed.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike

from quillwise.kinematics.angles import CYCLE_DEG, Floats, in_cycle, wrapped
from quillwise.kinematics.lengths import LengthUnit, stated

PIN_TOLERANCE_DEG = 0.01


def crank_problems(radius_mm: float, rod_mm: float, offset_mm: float = 0.0, unit: LengthUnit = "mm") -> list[str]:
    """Plain sentences on why this crank cannot turn; empty when it can. ``unit``: of the lengths in them."""
    problems = []
    if not radius_mm > 0:
        problems.append(f"the crank radius must be more than 0, got {stated(radius_mm, unit)}")
    elif not rod_mm > radius_mm + abs(offset_mm):
        problems.append(
            f"the rod ({stated(rod_mm, unit)}) must be longer than half the stroke and the gudgeon offset together "
            f"({stated(radius_mm + abs(offset_mm), unit)}), or the crank cannot turn"
        )
    return problems


def _pin_to_gudgeon(
    angle_deg: ArrayLike, radius_mm: float, rod_mm: float, offset_mm: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Sine and cosine of the pin's angle, and the rod as a vector: to the right, and along the cylinder's
    axis."""
    angle = np.radians(np.asarray(angle_deg, dtype=np.float64))
    sine, cosine = np.sin(angle), np.cos(angle)
    across = offset_mm - radius_mm * sine
    return sine, cosine, across, np.sqrt((rod_mm - across) * (rod_mm + across))


def piston_height_mm(angle_deg: ArrayLike, radius_mm: float, rod_mm: float, offset_mm: float = 0.0) -> Floats:
    """Height of the gudgeon pin above the crank axis, along the cylinder's axis [mm]. Shape of ``angle_deg``.

    h = r cos a + √(l² − (e − r sin a)²): geometry of the closed triangle.
    """
    _, cosine, _, along = _pin_to_gudgeon(angle_deg, radius_mm, rod_mm, offset_mm)
    return np.asarray(radius_mm * cosine + along)


def rod_angle_deg(angle_deg: ArrayLike, radius_mm: float, rod_mm: float, offset_mm: float = 0.0) -> Floats:
    """The rod's lean from the cylinder's axis [deg], + about +x. Shape of ``angle_deg``.

    Turning the cylinder's axis about +x by it gives the direction from big end to small end, so that
    pin + R(rod angle) · rod · axis = gudgeon pin. With the pin to the right and no offset it is negative.
    """
    _, _, across, along = _pin_to_gudgeon(angle_deg, radius_mm, rod_mm, offset_mm)
    return np.degrees(np.arctan2(across, along))


def tdc_deg(radius_mm: float, rod_mm: float, offset_mm: float = 0.0) -> float:
    """The crank pin's angle at own TDC [deg], near 0: crank and rod in one line, sin a = e / (l + r)."""
    return float(np.degrees(np.arcsin(offset_mm / (rod_mm + radius_mm))))


def bdc_deg(radius_mm: float, rod_mm: float, offset_mm: float = 0.0) -> float:
    """The crank pin's angle at own BDC [deg], near 180: rod folded over the crank, sin a = −e / (l − r)."""
    return float(180.0 + np.degrees(np.arcsin(offset_mm / (rod_mm - radius_mm))))


def stroke_mm(radius_mm: float, rod_mm: float, offset_mm: float = 0.0) -> float:
    """The piston's travel between its own dead centres [mm]; more than twice the radius when there is an
    offset."""
    top = np.sqrt((rod_mm + radius_mm) ** 2 - offset_mm**2)
    bottom = np.sqrt((rod_mm - radius_mm) ** 2 - offset_mm**2)
    return float(top - bottom)


def _first(firing_deg: Floats) -> int:
    return int(np.argmin(in_cycle(firing_deg)))


def pin_turns_deg(firing_deg: ArrayLike, bank_turn_deg: ArrayLike, tdc_deg: ArrayLike = 0.0, sigma: int = 1) -> Floats:
    """Where each cylinder's crank pin must stand in the crankshaft's frame [deg about +x, −180 ≤ p < 180],
    (C,).

    firing_deg (C,): θ of each firing TDC; the first cylinder of the order has the least (0). bank_turn_deg
    (C,) or one: from upright about +x. tdc_deg (C,) or one: ``tdc_deg`` of the cylinder. sigma: +1 clockwise
    seen from the wheelcase end, −1 anticlockwise. The crankshaft's turn about +x is β_first + σθ, so p = β +
    tdc − β_first − σf: each pin is at its cylinder's TDC when θ = f, and the first cylinder's pin stands at
    its tdc (0 without offset).
    """
    firing = np.atleast_1d(np.asarray(firing_deg, dtype=np.float64))
    bank = np.broadcast_to(np.asarray(bank_turn_deg, dtype=np.float64), firing.shape)
    return wrapped(bank + np.asarray(tdc_deg) - bank[_first(firing)] - sigma * firing)


def pin_conflicts(
    names: Sequence[str],
    throws: Sequence[Hashable],
    pin_turn_deg: ArrayLike,
    tolerance_deg: float = PIN_TOLERANCE_DEG,
) -> list[tuple[str, str, float]]:
    """Cylinders that share a throw but would need it at different angles: (name, name, difference [deg,
    0–180]).

    names, throws, pin_turn_deg: (C,), one a cylinder; equal ``throws`` share a crank pin. Pairs come in the
    order of the names. Empty when order, banks and running direction agree with the crank.
    """
    turns = np.asarray(pin_turn_deg, dtype=np.float64)
    found = []
    for i, j in combinations(range(len(names)), 2):
        apart = abs(float(wrapped(turns[j] - turns[i])))
        if throws[i] == throws[j] and apart > tolerance_deg:
            found.append((names[i], names[j], apart))
    return found


def firing_from_pins_deg(
    pin_turn_deg: ArrayLike, bank_turn_deg: ArrayLike, tdc_deg: ArrayLike = 0.0, sigma: int = 1
) -> Floats:
    """Firing angles from given crank pins [deg, first 0], (C,), all arguments *in firing order* (uneven
    firing).

    ``pin_turns_deg`` the other way round. A pin passes TDC twice in a cycle: of the two the one nearer to
    even firing is taken. Raises ValueError (text for the user) when the cylinders then do not fire in the
    order given.
    """
    pins = np.atleast_1d(np.asarray(pin_turn_deg, dtype=np.float64))
    bank = np.broadcast_to(np.asarray(bank_turn_deg, dtype=np.float64), pins.shape)
    tops = np.broadcast_to(np.asarray(tdc_deg, dtype=np.float64), pins.shape)
    passes = sigma * ((bank + tops - pins) - (bank[0] + tops[0] - pins[0]))
    even = np.arange(pins.size) * CYCLE_DEG / pins.size
    firing = np.asarray(even + wrapped(passes - even))
    if np.any(np.diff(firing) <= 0) or firing[-1] >= CYCLE_DEG:
        listed = ", ".join(f"{angle:g}" for angle in firing)
        raise ValueError(f"the crank pins do not fire in this order: they pass TDC at {listed} degrees")
    return firing
