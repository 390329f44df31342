"""Valves, their seats, and what opens them: rockers and bucket followers.

Valve, seat and bucket: origin at the tip of the closed valve's stem, x along the stem from the head to the
tip, so the head lies at −length. Rocker: origin at its pivot, its plane is (x, y), z along the pivot.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import trimesh

from quillwise.meshes.solids import (
    Detail,
    Floats,
    circle,
    cylinder,
    difference,
    extruded,
    hull,
    joined_outlines,
    mesh,
    outline,
    revolved,
    union,
    z_laid_along_x,
)

SEAT_ANGLE_DEG = 45.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Valve:
    """A poppet valve with a 45° seat. ``collar_radius_mm``: spring collar near the tip, 0 = none. ``tip_mm``: where the
    stem ends, below 0 by what a bucket's face is thick."""

    length_mm: float
    stem_radius_mm: float
    head_radius_mm: float
    margin_mm: float = 1.5
    seat_width_mm: float = 3.0
    collar_radius_mm: float = 0.0
    tip_mm: float = 0.0

    @property
    def throat_radius_mm(self) -> float:
        """Radius at the inner edge of the seat."""
        return self.head_radius_mm - self.seat_width_mm * float(np.cos(np.radians(SEAT_ANGLE_DEG)))


@dataclass(frozen=True, kw_only=True, slots=True)
class Pad:
    """A pad in place of a rocker's roller: its face is an arc about a centre (from the pivot), so far to both sides of
    the middle, which lies below the centre (−x)."""

    centre_mm: tuple[float, float]
    radius_mm: float
    half_width_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Rocker:
    """A rocker: an arm to a roller (on the cam) and an arm to a pad (on the valve's tip). Centres are from
    the pivot.

    width_mm: of the arms, along z; roller_width_mm: of the roller. With ``roller_radius_mm`` the roller's
    own radius and ``tip_radius_mm`` that of the pad on the valve. With ``pad`` the arm carries that in place of a
    roller: roller_centre_mm and roller_radius_mm are then those of the arm's end behind the pad's face.
    """

    roller_centre_mm: tuple[float, float]
    roller_radius_mm: float
    tip_centre_mm: tuple[float, float]
    tip_radius_mm: float
    pivot_radius_mm: float
    bore_radius_mm: float
    width_mm: float
    roller_width_mm: float
    pad: Pad | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Bucket:
    """A flat follower over the valve's tip, open below: its face, that the lobe runs on, at x = face_at_mm; so thick
    there, its wall so high below it."""

    radius_mm: float
    height_mm: float
    face_thickness_mm: float
    wall_mm: float
    face_at_mm: float


def valve(part: Valve, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The valve, a turned body. Raises ValueError when the seat leaves nothing of the head's throat."""
    stem, head, throat = part.stem_radius_mm, part.head_radius_mm, part.throat_radius_mm
    if throat <= stem:
        raise ValueError(f"a seat of {part.seat_width_mm:g} mm is too wide for a head of {head:g} mm radius")
    seat_rise = part.seat_width_mm * float(np.sin(np.radians(SEAT_ANGLE_DEG)))
    foot = -part.length_mm
    seat_top = foot + part.margin_mm + seat_rise
    # the throat sweeps into the stem along a quarter of an ellipse
    angle = np.linspace(0.0, np.pi / 2, {"coarse": 4, "fine": 12}[detail])
    sweep = np.column_stack(
        [
            throat - (throat - stem) * np.sin(angle),
            seat_top + 0.9 * (throat - stem) * (1 - np.cos(angle)),
        ]
    )
    if sweep[-1, 1] >= -stem:
        raise ValueError(f"a valve of {part.length_mm:g} mm is too short for a head of {head:g} mm radius")
    collar = part.collar_radius_mm
    near_tip = [(stem, part.tip_mm)]
    if collar > stem:
        near_tip = [
            (stem, -2.4 * stem),
            (collar, -2.4 * stem),
            (collar, -1.4 * stem),
            (stem, -1.4 * stem),
            (stem, part.tip_mm),
        ]
    profile = [
        (0.0, foot),
        (head, foot),
        (head, foot + part.margin_mm),
        *map(tuple, sweep),
        *near_tip,
        (0.0, part.tip_mm),
    ]
    return mesh(z_laid_along_x(revolved(profile, detail, as_mm=head)))


def rocker(part: Rocker, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The rocker with its roller and pad, one body."""
    boss = circle(part.pivot_radius_mm, detail)
    arm_end = circle(0.7 * part.roller_radius_mm, detail, centre_mm=part.roller_centre_mm)
    pad = circle(part.tip_radius_mm, detail, centre_mm=part.tip_centre_mm)
    root = circle(0.8 * part.pivot_radius_mm, detail)
    plan = joined_outlines(boss, hull(root, arm_end), hull(root, pad))
    half, roller_half = part.width_mm / 2, part.roller_width_mm / 2
    if part.pad is None:
        roller = cylinder(part.roller_radius_mm, -roller_half, roller_half, detail, centre_mm=part.roller_centre_mm)
    else:
        roller = extruded(outline(_pad_plan(part.pad, part.roller_centre_mm[0], detail)), -roller_half, roller_half)
    bore = cylinder(part.bore_radius_mm, -2 * half, 2 * half, detail, around=True)
    return mesh(difference(union(extruded(plan, -half, half), roller), bore))


def _pad_plan(pad: Pad, back_mm: float, detail: Detail) -> Floats:
    """The pad's plan (M, 2), anticlockwise: its arc (corners on the true circle), and a flat back at x = back_mm, or
    further from the face where the arc rises above that."""
    half = float(np.arcsin(min(1.0, pad.half_width_mm / pad.radius_mm)))
    corners = {"coarse": 17, "fine": 49}[detail]
    turn = np.linspace(half, -half, corners)
    (x, y), radius = pad.centre_mm, pad.radius_mm
    face = np.column_stack([x - radius * np.cos(turn), y + radius * np.sin(turn)])
    back = max(back_mm, float(face[:, 0].max()) + 0.2 * (back_mm - float(face[:, 0].min())))
    return np.vstack([face, [back, face[-1, 1]], [back, face[0, 1]]])


def bucket(part: Bucket, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The bucket follower: a cup over the valve's tip. Where the underside of its face lies beyond the closed valve's
    tip (x > 0), a pip under it reaches to the stem; else the stem ends at the underside."""
    inner = part.radius_mm - part.wall_mm
    top, under = part.face_at_mm, part.face_at_mm - part.face_thickness_mm
    profile = [
        (inner, top - part.height_mm),
        (part.radius_mm, top - part.height_mm),
        (part.radius_mm, top),
        (0.0, top),
    ]
    if under > 0:
        pip = 0.3 * inner
        profile += [(0.0, 0.0), (pip, 0.0), (pip, under), (inner, under)]
    else:
        profile += [(0.0, under), (inner, under)]
    return mesh(z_laid_along_x(revolved(profile, detail)))
