"""Crankshafts, connecting rods, pistons and cylinder liners.

Crankshaft: z along the crank axis. Rod and piston: origin at the middle of the gudgeon pin, z along the pin
(the direction of the crank axis), x up: from the big end to the small end, and from the skirt to the crown.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
import trimesh

from quillwise.meshes.solids import (
    Detail,
    Outline,
    Solid,
    box,
    circle,
    cylinder,
    difference,
    extruded,
    hull,
    joined_outlines,
    mesh,
    on_circle,
    outline,
    revolved,
    sector,
    union,
    z_laid_along_x,
)

RodKind = Literal["plain", "fork", "blade"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Throw:
    """A throw: the middle of its pin along z [mm] and the pin's angle about z, from x [deg]."""

    z_mm: float
    angle_deg: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Crankshaft:
    """A crankshaft. throw_mm: from its axis to those of its pins. pin_width_mm: room between the two webs of a throw,
    for all the rods on its pin.

    nose_end_mm and flange_end_mm: z of the two ends. counterweight_radius_mm: outer radius of the sectors
    opposite the pins, 0 = none (it must clear the pistons).
    """

    throws: tuple[Throw, ...]
    throw_mm: float
    main_radius_mm: float
    pin_radius_mm: float
    pin_width_mm: float
    web_mm: float
    nose_radius_mm: float
    nose_end_mm: float
    flange_radius_mm: float
    flange_mm: float
    flange_end_mm: float
    counterweight_radius_mm: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Rod:
    """A connecting rod. The big end's middle lies at (−length_mm, 0, 0). Bores are given as radii of the
    pins plus clearance; widths are along z.

    kind: ``plain`` and ``blade`` have one ring at the big end, ``fork`` has two with ``slot_mm`` between
    for the blade; the slot reaches ``slot_reach_mm`` up from the middle of the big end (0: 1.7 × the ring's
    radius).
    """

    length_mm: float
    big_bore_radius_mm: float
    big_radius_mm: float
    big_width_mm: float
    small_bore_radius_mm: float
    small_radius_mm: float
    small_width_mm: float
    shank_width_mm: float
    shank_depth_mm: float
    kind: RodKind = "plain"
    slot_mm: float = 0.0
    slot_reach_mm: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Piston:
    """A piston with its gudgeon pin, hollow so that the rod's small end (``small_end_mm`` along z) and
    shank have room. crown_mm and skirt_mm: from the pin's axis up to the crown and down to the skirt's
    end."""

    radius_mm: float
    crown_mm: float
    skirt_mm: float
    wall_mm: float
    crown_thickness_mm: float
    pin_radius_mm: float
    small_end_mm: float
    grooves: int = 2


@dataclass(frozen=True, kw_only=True, slots=True)
class Liner:
    """A cylinder liner along x between ``bottom_mm`` and ``top_mm``, with a collar at the top. The sector
    from ``cut_from_deg`` (angle about x, from y) over ``cut_sweep_deg`` is cut away; 180 makes it a half
    sleeve."""

    inner_radius_mm: float
    wall_mm: float
    bottom_mm: float
    top_mm: float
    cut_from_deg: float = 180.0
    cut_sweep_deg: float = 180.0
    collar_mm: float = 0.0


def crankshaft(shaft: Crankshaft, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The crankshaft: journals, two webs a throw, pins, nose and flange, one body.

    Raises ValueError when two throws overlap along z (naming them) or an end lies inside a web.
    """
    throws = sorted(shaft.throws, key=lambda throw: throw.z_mm)
    half = shaft.pin_width_mm / 2 + shaft.web_mm
    for number, (before, after) in enumerate(pairwise(throws), 1):
        if after.z_mm - before.z_mm < 2 * half:
            raise ValueError(f"throws {number} and {number + 1} are too near each other along the crankshaft")
    first, last = throws[0].z_mm - half, throws[-1].z_mm + half
    if not (shaft.nose_end_mm < first and last < shaft.flange_end_mm - shaft.flange_mm):
        raise ValueError("the ends of the crankshaft lie inside its webs")
    journal = circle(shaft.main_radius_mm, detail)
    inset = shaft.web_mm / 2  # journals and pins reach into the webs, so that all is one body
    bodies = [
        cylinder(shaft.nose_radius_mm, shaft.nose_end_mm, first + inset, detail),
        extruded(journal, last - inset, shaft.flange_end_mm - shaft.flange_mm / 2),
        cylinder(shaft.flange_radius_mm, shaft.flange_end_mm - shaft.flange_mm, shaft.flange_end_mm, detail),
    ]
    for before, after in pairwise(throws):
        if after.z_mm - before.z_mm > 2 * half:
            bodies.append(extruded(journal, before.z_mm + half - inset, after.z_mm - half + inset))
    for throw in throws:
        bodies.extend(_throw(shaft, throw, detail, inset))
    return mesh(union(*bodies))


def rod(part: Rod, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The connecting rod. Raises ValueError when no shank is left between the ends, or a fork's slot leaves
    no rings."""
    if _shank_foot(part) >= -0.2 * part.small_radius_mm:
        raise ValueError(f"a rod of {part.length_mm:g} mm leaves no shank between its ends")
    if part.kind == "fork" and not 0 < part.slot_mm < part.big_width_mm:
        raise ValueError(f"expected a slot narrower than the big end's {part.big_width_mm:g} mm, got {part.slot_mm:g}")
    body = extruded(_rod_front(part, detail), -part.big_width_mm, part.big_width_mm) ^ _rod_side(part)
    reach = part.big_width_mm + part.small_width_mm
    big = (-part.length_mm, 0.0)
    cutters = [
        cylinder(part.big_bore_radius_mm, -reach, reach, detail, centre_mm=big, around=True),
        cylinder(part.small_bore_radius_mm, -reach, reach, detail, around=True),
    ]
    if part.kind == "fork":
        cutters.append(_rod_slot(part, detail))
    cutters.extend(_shank_pockets(part, detail))
    return mesh(difference(body, *cutters))


def piston(part: Piston, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The piston and its pin. Raises ValueError when crown, pin and rings have no room."""
    inner = part.radius_mm - part.wall_mm
    roof = part.crown_mm - part.crown_thickness_mm
    if roof <= part.pin_radius_mm or part.skirt_mm <= part.pin_radius_mm:
        raise ValueError("the gudgeon pin cuts into the crown or hangs out of the skirt")
    if part.small_end_mm >= 2 * inner:
        raise ValueError(f"no room inside the piston for a small end of {part.small_end_mm:g} mm")
    # ring grooves share the height above the pin's bosses
    pitch = (part.crown_mm - part.pin_radius_mm * 1.2) / (part.grooves + 1) if part.grooves else 0.0
    depth, height = 0.4 * part.wall_mm, 0.4 * pitch
    outside = [(part.radius_mm, -part.skirt_mm)]
    for groove in reversed(range(part.grooves)):
        middle = part.crown_mm - (groove + 0.8) * pitch
        low, high = middle - height / 2, middle + height / 2
        outside += [(part.radius_mm, low), (part.radius_mm - depth, low)]
        outside += [(part.radius_mm - depth, high), (part.radius_mm, high)]
    outside.append((part.radius_mm, part.crown_mm))
    profile = [(inner, -part.skirt_mm), *outside, (0.0, part.crown_mm), (0.0, roof), (inner, roof)]
    shell = z_laid_along_x(revolved(profile, detail))

    boss = hull(
        circle(1.6 * part.pin_radius_mm, "coarse"),
        outline([(roof, -1.6 * part.pin_radius_mm), (roof, 1.6 * part.pin_radius_mm), (roof + 0.1, 0.0)]),
    )
    inside = z_laid_along_x(
        cylinder(inner + part.wall_mm / 4, -1.6 * part.pin_radius_mm, part.crown_mm - depth / 2, detail)
    )
    gap = part.small_end_mm / 2
    bosses = (extruded(boss, gap, inner + part.wall_mm), extruded(boss, -inner - part.wall_mm, -gap))
    long = part.radius_mm - 0.6 * part.wall_mm
    pin = cylinder(part.pin_radius_mm, -long, long, detail)
    return mesh(union(shell, union(*bosses) ^ inside, pin))


def liner(part: Liner, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The liner with its sector cut away. Raises ValueError when the whole of it is cut."""
    if not 0 <= part.cut_sweep_deg < 360:
        raise ValueError(f"expected a cut from 0 to less than 360 degrees, got {part.cut_sweep_deg:g}")
    outer = part.inner_radius_mm + part.wall_mm
    kept_from, kept_to = part.cut_from_deg + part.cut_sweep_deg, part.cut_from_deg + 360
    parts = [(outer, part.bottom_mm)]
    if part.collar_mm > 0:
        parts.append((outer + part.collar_mm, part.top_mm - 2 * part.collar_mm))
    bodies: list[Solid] = []
    for radius, bottom in parts:
        bodies.append(_tube_sector(part, radius, bottom, kept_from, kept_to, detail))
    return mesh(z_laid_along_x(union(*bodies)))


def _throw(shaft: Crankshaft, throw: Throw, detail: Detail, inset_mm: float) -> list[Solid]:
    pin_at = on_circle(shaft.throw_mm, throw.angle_deg)
    web = hull(
        circle(1.25 * shaft.main_radius_mm, detail),
        circle(1.3 * shaft.pin_radius_mm, detail, centre_mm=pin_at),
    )
    if shaft.counterweight_radius_mm > 0:
        away = throw.angle_deg + 180
        web = joined_outlines(web, sector(shaft.counterweight_radius_mm, away - 55, away + 55, detail))
    inner, outer = shaft.pin_width_mm / 2, shaft.pin_width_mm / 2 + shaft.web_mm
    return [
        extruded(web, throw.z_mm - outer, throw.z_mm - inner),
        extruded(web, throw.z_mm + inner, throw.z_mm + outer),
        cylinder(
            shaft.pin_radius_mm,
            throw.z_mm - inner - inset_mm,
            throw.z_mm + inner + inset_mm,
            detail,
            centre_mm=pin_at,
        ),
    ]


def _rod_front(part: Rod, detail: Detail) -> Outline:
    """Seen along the crank axis: two eyes and a shank that widens a little towards the big end."""
    half, big = part.shank_width_mm / 2, -part.length_mm
    shank = outline([(0.0, 0.85 * half), (big, 1.15 * half), (big, -1.15 * half), (0.0, -0.85 * half)])
    return joined_outlines(
        circle(part.small_radius_mm, detail),
        circle(part.big_radius_mm, detail, centre_mm=(big, 0.0)),
        shank,
    )


def _rod_side(part: Rod) -> Solid:
    """Seen across the crank axis: the widths along z, with slopes between them."""
    foot = _shank_foot(part)
    head = max(-1.1 * part.small_radius_mm, foot + 0.01 * part.small_radius_mm)
    stations = [
        (-part.length_mm - part.big_radius_mm - 1, part.big_width_mm),
        (_shoulder(part), part.big_width_mm),
        (foot, part.shank_depth_mm),
        (head, part.shank_depth_mm),
        (-0.1 * part.small_radius_mm, part.small_width_mm),
        (part.small_radius_mm + 1, part.small_width_mm),
    ]
    there = [(x, -width / 2) for x, width in stations]
    back = [(x, width / 2) for x, width in reversed(stations)]
    tall = 4 * max(part.big_radius_mm, part.small_radius_mm)
    # made in (x, z) and stood up: plane y becomes z
    flat = extruded(outline(there + back), -tall, tall)
    return flat.transform(np.array([[1.0, 0, 0, 0], [0, 0, -1, 0], [0, 1, 0, 0]]))


def _shank_pockets(part: Rod, detail: Detail) -> list[Solid]:
    """The two hollows that make the shank an I; none where it is too short for them."""
    radius = 0.3 * part.shank_width_mm
    upper = -part.small_radius_mm - 1.3 * radius
    lower = _shank_foot(part) + 1.3 * radius
    if upper - lower < 2 * radius:
        return []
    pocket = hull(circle(radius, detail, centre_mm=(upper, 0.0)), circle(1.15 * radius, detail, centre_mm=(lower, 0.0)))
    floor, beyond = 0.22 * part.shank_depth_mm, part.big_width_mm + part.small_width_mm
    return [extruded(pocket, floor, beyond), extruded(pocket, -beyond, -floor)]


def _shoulder(part: Rod) -> float:
    """Up to where the rod is as wide along z as its big end."""
    above = _slot_reach(part) if part.kind == "fork" else part.big_radius_mm
    return 1.05 * above - part.length_mm


def _shank_foot(part: Rod) -> float:
    """Where the slopes have narrowed it to the shank's depth."""
    return _shoulder(part) + max(abs(part.big_width_mm - part.shank_depth_mm) / 2, 0.1)


def _slot_reach(part: Rod) -> float:
    return part.slot_reach_mm or 1.7 * part.big_radius_mm


def _rod_slot(part: Rod, detail: Detail) -> Solid:
    """Room for the blade's big end and shank: a slot with a round bottom, open downwards."""
    reach, half, big = _slot_reach(part), part.slot_mm / 2, -part.length_mm
    below = big - 2 * part.big_radius_mm
    wide = 2 * part.big_radius_mm
    round_bottom = extruded(circle(reach, detail, centre_mm=(big, 0.0), around=True), -half, half)
    return union(round_bottom, box((below, -wide, -half), (big, wide, half)))


def _tube_sector(
    part: Liner, outer_mm: float, bottom_mm: float, from_deg: float, to_deg: float, detail: Detail
) -> Solid:
    if part.cut_sweep_deg == 0:
        figure = circle(outer_mm, detail) - circle(part.inner_radius_mm, detail, around=True)
    else:
        figure = sector(outer_mm, from_deg, to_deg, detail, inner_mm=part.inner_radius_mm)
    return extruded(figure, bottom_mm, part.top_mm)
