"""The timing disc with its graduation and engraved marks, and the window with the pointer.

Disc: z along its axis, its read face towards ``side``; angles about z from x. Window: in the same frame,
fixed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import trimesh

from quillwise.meshes.solids import (
    Detail,
    IndexBar,
    Side,
    Solid,
    box,
    circle,
    difference,
    extruded,
    index_patch,
    joined_outlines,
    mesh,
    outline,
    radial_bar,
    raised,
    sector,
    turned_about_z,
    union,
)

_MINOR_TICK, _MAJOR_TICK, MARK_SHARE, INDEX_SHARE = 0.06, 0.11, 0.2, 0.34  # lengths as shares of the radius


@dataclass(frozen=True, kw_only=True, slots=True)
class Disc:
    """A graduated disc, centred on z = 0. ``tick_deg``: between ticks, raised on the read face; every
    ``major_every``th is longer, the first stands at ``zero_deg``, where the index mark is too.

    marks_deg: engraved marks, angles about z; each is a slot in the face with a notch in the rim.
    """

    radius_mm: float
    thickness_mm: float
    bore_mm: float = 0.0
    zero_deg: float = 0.0
    tick_deg: float = 5.0
    major_every: int = 6
    marks_deg: tuple[float, ...] = ()
    side: Side = -1


@dataclass(frozen=True, kw_only=True, slots=True)
class Window:
    """A plate over the rim of the disc with an opening and a pointer that stands into it from outside, its
    point at ``pointer_radius_mm``; centred on z = 0. The middle of plate and pointer is at
    ``pointer_deg``."""

    pointer_deg: float
    pointer_radius_mm: float
    opening_inner_mm: float
    opening_outer_mm: float
    opening_deg: float
    frame_mm: float
    thickness_mm: float


def disc(part: Disc, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The disc. Raises ValueError when the ticks do not divide the circle or the bore leaves no face."""
    count = round(360 / part.tick_deg)
    if count < 1 or abs(count * part.tick_deg - 360) > 1e-6:
        raise ValueError(f"expected ticks that divide 360 degrees, got {part.tick_deg:g}")
    if part.bore_mm / 2 > (1 - INDEX_SHARE) * part.radius_mm:
        raise ValueError(f"a bore of {part.bore_mm:g} mm leaves no room for the graduation")
    half = part.thickness_mm / 2
    figure = circle(part.radius_mm, "fine")
    if part.bore_mm > 0:
        figure = figure - circle(part.bore_mm / 2, detail, around=True)
    cutters = [_mark(part, at) for at in part.marks_deg]
    plate = difference(extruded(figure, -half, half), *cutters)
    ticks = [_tick(part, number) for number in range(count)]
    clear = [
        tick for tick, at in ticks if all(_apart(at, mark) > 0.5 * _mark_width_deg(part) for mark in part.marks_deg)
    ]
    return mesh(union(plate, *clear, raised(disc_index(part))))


def disc_index(part: Disc) -> IndexBar:
    """Where the disc bears its mark: inside the graduation, at its zero."""
    return radial_bar(
        phase_deg=part.zero_deg,
        inner_mm=(1 - INDEX_SHARE) * part.radius_mm,
        outer_mm=(1 - MARK_SHARE) * part.radius_mm,
        width_mm=0.03 * part.radius_mm,
        height_mm=_tick_height_mm(part),
        z_mm=part.side * part.thickness_mm / 2,
        side=part.side,
    )


def disc_index_patch(part: Disc) -> trimesh.Trimesh:
    """The paint on the disc's mark."""
    return index_patch(disc_index(part))


def disc_mark_patches(part: Disc) -> tuple[trimesh.Trimesh, ...]:
    """The paint in each engraved mark, in the order of ``marks_deg``: it fills the slot up to the face."""
    deep = 0.5 * part.thickness_mm
    return tuple(mesh(_mark(part, at, floor_mm=deep, proud_mm=0.05)) for at in part.marks_deg)


def window(part: Window, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The window plate with its pointer, one body. Raises ValueError when the pointer does not reach into
    it."""
    if not part.opening_inner_mm < part.pointer_radius_mm < part.opening_outer_mm:
        raise ValueError("the pointer's point does not lie in the window's opening")
    half_angle = part.opening_deg / 2
    # the frame is as wide at the sides as above and below
    side_deg = math.degrees(part.frame_mm / part.opening_outer_mm)
    plate = sector(
        part.opening_outer_mm + part.frame_mm,
        -half_angle - side_deg,
        half_angle + side_deg,
        detail,
        inner_mm=part.opening_inner_mm - part.frame_mm,
    )
    opening = sector(part.opening_outer_mm, -half_angle, half_angle, detail, inner_mm=part.opening_inner_mm)
    wide = 0.18 * (part.opening_outer_mm - part.pointer_radius_mm) + 0.5
    beyond = part.opening_outer_mm + 0.5 * part.frame_mm
    pointer = outline([(part.pointer_radius_mm, 0.0), (beyond, wide), (beyond, -wide)])
    figure = joined_outlines(plate - opening, pointer)
    return mesh(turned_about_z(extruded(figure, -part.thickness_mm / 2, part.thickness_mm / 2), part.pointer_deg))


def _tick_height_mm(part: Disc) -> float:
    return 0.1 * part.thickness_mm


def _tick(part: Disc, number: int) -> tuple[Solid, float]:
    at = part.zero_deg + number * part.tick_deg
    length = (_MINOR_TICK if number % part.major_every else _MAJOR_TICK) * part.radius_mm
    bar = radial_bar(
        phase_deg=at,
        inner_mm=0.98 * part.radius_mm - length,
        outer_mm=0.98 * part.radius_mm,
        width_mm=min(0.012, 0.004 * part.tick_deg) * part.radius_mm,
        height_mm=_tick_height_mm(part),
        z_mm=part.side * part.thickness_mm / 2,
        side=part.side,
    )
    return raised(bar), at


def _mark_width_deg(part: Disc) -> float:
    return 1.2 if part.tick_deg > 2 else 0.6 * part.tick_deg


def _mark(part: Disc, at_deg: float, floor_mm: float | None = None, proud_mm: float = 1.0) -> Solid:
    """A slot in the read face that runs out through the rim."""
    face = part.side * part.thickness_mm / 2
    deep = 0.5 * part.thickness_mm if floor_mm is None else floor_mm
    half = part.radius_mm * 0.5 * math.radians(_mark_width_deg(part))
    low, high = sorted((face - part.side * deep, face + part.side * proud_mm))
    outer = part.radius_mm * (1.05 if floor_mm is None else 1.0)
    slot = box(((1 - MARK_SHARE) * part.radius_mm, -half, low), (outer, half, high))
    return turned_about_z(slot, at_deg)


def _apart(one_deg: float, other_deg: float) -> float:
    return abs((one_deg - other_deg + 180) % 360 - 180)
