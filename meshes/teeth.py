"""Outlines of involute teeth: one formula for spur and bevel wheels and for splines.

A tooth is given by its half-width as an angle over the radius. ``teeth`` may be fractional: a bevel wheel's
equivalent spur wheel has teeth ÷ cos(cone angle) of them (Tredgold).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from quillwise.meshes.solids import Detail, Floats

PRESSURE_ANGLE_DEG = 20.0
ADDENDUM = 1.0  # in modules
DEDENDUM = 1.25
LEAST_TEETH = 8  # with fewer the 20° tooth runs out to a point below its tip circle

_LEAST_TIP_HALF_WIDTH = 0.08  # in modules


def involute(angle_rad: ArrayLike) -> Floats:
    """tan φ − φ, elementwise."""
    angle = np.asarray(angle_rad, dtype=np.float64)
    return np.asarray(np.tan(angle) - angle)


def involute_half_angle(
    radius_mm: ArrayLike, *, pitch_radius_mm: float, pressure_deg: float, half_thickness_mm: float
) -> Floats:
    """Half the angle [rad] that a tooth takes up at a radius: s/r + inv α − inv α_r, cos α_r = r_b ÷ radius.

    half_thickness_mm: half the tooth along the pitch circle. Below the base circle the flank is radial.
    """
    pressure = np.radians(pressure_deg)
    base = pitch_radius_mm * np.cos(pressure)
    radius = np.maximum(np.asarray(radius_mm, dtype=np.float64), base)
    at_radius = np.arccos(np.clip(base / radius, -1.0, 1.0))
    return np.asarray(half_thickness_mm / pitch_radius_mm + involute(pressure) - involute(at_radius))


@dataclass(frozen=True, slots=True)
class Flank:
    """A flank from root to tip: radii [mm] and half-angles of the tooth [rad], both (n,)."""

    radius_mm: NDArray[np.float64]
    half_angle_rad: NDArray[np.float64]


def cut_flank(teeth: float, module_mm: float, thinned_mm: float, detail: Detail, *, star_shaped: bool = False) -> Flank:
    """The flank of an external tooth as a rack with sharp corners cuts it (ISO 53 proportions, 20°).

    The corner of the rack, at depth h below the pitch line and y₀ from the tooth's centre, leaves the
    trochoid γ(R) = y₀/r + t/r − atan(t/a), a = r − h, t = √(R² − a²); above it stands the involute. Small
    counts are undercut by it as in the shop, so that no partner can foul the root. thinned_mm: taken off
    each flank along the pitch circle. star_shaped: the neck of an undercut tooth goes up radially until it
    meets the involute, so that the outline has one radius at each angle.
    """
    pressure = np.radians(PRESSURE_ANGLE_DEG)
    pitch = teeth * module_mm / 2
    base, depth = pitch * np.cos(pressure), DEDENDUM * module_mm
    root = pitch - depth
    half_thickness = np.pi * module_mm / 4 - thinned_mm
    corner = half_thickness + depth * np.tan(pressure)

    def flank(radius: ArrayLike) -> Floats:
        return involute_half_angle(
            radius, pitch_radius_mm=pitch, pressure_deg=PRESSURE_ANGLE_DEG, half_thickness_mm=half_thickness
        )

    def trochoid(radius: ArrayLike) -> Floats:
        along = np.sqrt(np.maximum(np.asarray(radius, dtype=np.float64) ** 2 - root**2, 0.0))
        return np.asarray((corner + along) / pitch - np.arctan2(along, root))

    reach = pitch * np.sin(pressure) - depth / np.sin(pressure)
    if reach > 0:
        start = float(np.hypot(base, reach))
    elif flank(base) <= trochoid(base):
        start = base
    else:
        start = float(brentq(lambda radius: float(flank(radius) - trochoid(radius)), base, pitch + module_mm))
    least_tip = _LEAST_TIP_HALF_WIDTH * module_mm
    tip = pitch + ADDENDUM * module_mm
    if flank(tip) * tip < least_tip:
        tip = float(brentq(lambda radius: float(flank(radius) * radius - least_tip), pitch, tip))

    fillet_count, flank_count = {"coarse": (2 if reach < 0 else 1, 3), "fine": (5, 7)}[detail]
    along = np.linspace(0.0, np.sqrt(max(start**2 - root**2, 0.0)), fillet_count + 1)[:-1]
    fillet = np.hypot(root, along)
    radius = np.concatenate([fillet, np.linspace(start, tip, flank_count)])
    half_angle = np.concatenate([trochoid(fillet), flank(radius[fillet_count:])])
    if star_shaped:
        half_angle = np.minimum.accumulate(half_angle)
    return Flank(radius, half_angle)


def wheel_points(flank: Flank, count: int, phase_deg: float, *, angle_factor: float = 1.0) -> tuple[Floats, Floats]:
    """All corners of a wheel, anticlockwise from the first flank of the tooth at ``phase_deg``.

    Returns angles [rad] and radii [mm], both (count · 2n,). angle_factor stretches the teeth's own angles
    (a bevel wheel's back cone rolled up).
    """
    within = np.concatenate([-flank.half_angle_rad, flank.half_angle_rad[::-1]]) * angle_factor
    radius = np.concatenate([flank.radius_mm, flank.radius_mm[::-1]])
    centre = np.radians(phase_deg) + 2 * np.pi * np.arange(count) / count
    return (centre[:, None] + within).ravel(), np.tile(radius, count)


def wheel_outline(flank: Flank, count: int, phase_deg: float) -> Floats:
    """The outline (count · 2n, 2) of a wheel with a tooth centred at ``phase_deg``."""
    angle, radius = wheel_points(flank, count, phase_deg)
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])


def between(nodes_mm: ArrayLike, detail: Detail) -> Floats:
    """The radii with two more in each gap when the detail is fine."""
    nodes = np.asarray(nodes_mm, dtype=np.float64)
    steps = 1 if detail == "coarse" else 3
    places = np.arange(steps * (len(nodes) - 1) + 1) / steps
    return np.interp(places, np.arange(len(nodes)), nodes)
