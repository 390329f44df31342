"""Magnetos: rotor, pole shoes, breaker cam and points, distributor finger and segments.

z along the magneto rotor's (or the finger's) axis, angles about it from x, right-handed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import trimesh

from quillwise.meshes.solids import (
    CAM_ERROR_MM,
    Detail,
    Floats,
    IndexBar,
    Side,
    box,
    circle,
    cylinder,
    difference,
    extruded,
    hull,
    index_patch,
    joined_outlines,
    mesh,
    moved,
    on_circle,
    outline,
    radial_bar,
    raised,
    sector,
    thinned,
    turned_about_z,
    union,
)

_MARK_HEIGHT_MM = 0.5


@dataclass(frozen=True, kw_only=True, slots=True)
class Rotor:
    """A magnet rotor of so many poles on its shaft, the poles centred on z = 0; ``phase_deg``: the middle
    of one.

    pole_share: how much of its pitch a pole takes up. shaft_mm: how far the shaft stands out at each end.
    """

    poles: int
    radius_mm: float
    length_mm: float
    hub_radius_mm: float
    shaft_radius_mm: float
    shaft_mm: tuple[float, float] = (0.0, 0.0)
    phase_deg: float = 0.0
    pole_share: float = 0.6
    mark_side: Side = -1


@dataclass(frozen=True, kw_only=True, slots=True)
class PoleShoes:
    """The two pole shoes, joined by the core that the coil sits on; centred on z = 0.

    They stand one pole pitch apart, so that two neighbouring poles are in register at once; ``middle_deg``:
    the direction half-way between them, in which the core lies. gap_mm: air between rotor and shoe.
    """

    poles: int
    rotor_radius_mm: float
    gap_mm: float
    thickness_mm: float
    length_mm: float
    core_at_mm: float
    middle_deg: float = 90.0
    pole_share: float = 0.6

    @property
    def shoe_angles_deg(self) -> tuple[float, float]:
        """The middles of the two shoes."""
        return self.middle_deg - 180 / self.poles, self.middle_deg + 180 / self.poles


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class BreakerCam:
    """A breaker cam: its outline (M, 2), centred on z = 0. ``phase_deg``: where the mark is, the nose of
    one lobe."""

    outline_mm: Floats
    width_mm: float
    bore_mm: float = 0.0
    phase_deg: float = 0.0
    mark_side: Side = -1


@dataclass(frozen=True, kw_only=True, slots=True)
class BreakerLever:
    """The moving lever: origin at its pivot, in (x, y), centred on z = 0.

    heel_mm: the end of the rubbing block on the cam. contact_mm: middle of the contact's face, which looks
    along ``contact_facing_deg``.
    """

    heel_mm: tuple[float, float]
    contact_mm: tuple[float, float]
    contact_facing_deg: float
    arm_width_mm: float
    thickness_mm: float
    pivot_radius_mm: float
    bore_radius_mm: float
    contact_radius_mm: float = 2.5
    contact_height_mm: float = 1.2


@dataclass(frozen=True, kw_only=True, slots=True)
class FixedContact:
    """The fixed point: origin in the middle of its contact's face, which looks along x; its bracket lies
    behind, and goes down to ``foot_mm`` below along z."""

    contact_radius_mm: float = 2.5
    contact_height_mm: float = 1.2
    bracket_mm: float = 3.0
    width_mm: float = 8.0
    foot_mm: float = 6.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Finger:
    """The distributor finger: a hub and an arm towards ``phase_deg``, centred on z = 0, as wide at its tip as
    ``tip_width_deg``; it bears its mark along the arm."""

    radius_mm: float
    hub_radius_mm: float
    thickness_mm: float
    tip_width_deg: float
    bore_mm: float = 0.0
    phase_deg: float = 0.0
    mark_side: Side = -1


@dataclass(frozen=True, kw_only=True, slots=True)
class Segments:
    """The ring of distributor segments, centred on z = 0: a stud at each angle stands inwards from the
    insulating ring to ``stud_radius_mm``. The first bears the mark."""

    angles_deg: tuple[float, ...]
    segment_width_deg: float
    stud_radius_mm: float
    ring_inner_mm: float
    ring_outer_mm: float
    thickness_mm: float
    mark_side: Side = -1


def rotor(part: Rotor, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The rotor: hub, poles with round faces, shaft. Raises ValueError for an odd or too small number of
    poles."""
    if part.poles < 2 or part.poles % 2:
        raise ValueError(f"expected an even number of poles, at least 2, got {part.poles}")
    half_pole = part.pole_share * 180 / part.poles
    neck = 2 * part.radius_mm * float(np.sin(np.radians(half_pole))) * 0.75
    figure = circle(part.hub_radius_mm, detail)
    for number in range(part.poles):
        at = part.phase_deg + number * 360 / part.poles
        face = sector(part.radius_mm, at - half_pole, at + half_pole, detail, inner_mm=0.75 * part.radius_mm)
        arm = outline(
            [
                (0, -neck / 2),
                (0.9 * part.radius_mm, -neck / 2),
                (0.9 * part.radius_mm, neck / 2),
                (0, neck / 2),
            ]
        )
        figure = joined_outlines(figure, face, arm.rotate(at) ^ circle(0.9 * part.radius_mm, detail))
    half = part.length_mm / 2
    shaft = cylinder(part.shaft_radius_mm, -half - part.shaft_mm[0], half + part.shaft_mm[1], detail)
    return mesh(union(extruded(figure, -half, half), shaft, raised(rotor_index(part))))


def rotor_index(part: Rotor) -> IndexBar:
    """Where the rotor bears its mark: on the end face of the pole at ``phase_deg``."""
    return radial_bar(
        phase_deg=part.phase_deg,
        inner_mm=0.55 * part.radius_mm,
        outer_mm=0.95 * part.radius_mm,
        width_mm=0.08 * part.radius_mm,
        height_mm=_MARK_HEIGHT_MM,
        z_mm=part.mark_side * part.length_mm / 2,
        side=part.mark_side,
    )


def rotor_index_patch(part: Rotor) -> trimesh.Trimesh:
    """The paint on the rotor's mark."""
    return index_patch(rotor_index(part))


def pole_shoes(part: PoleShoes, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The pole shoes with their core. Raises ValueError when the core lies inside the shoes."""
    inner = part.rotor_radius_mm + part.gap_mm
    outer = inner + part.thickness_mm
    if part.core_at_mm < outer + part.thickness_mm / 2:
        raise ValueError(f"expected the core at least {outer + part.thickness_mm / 2:g} mm from the axis")
    half_shoe = part.pole_share * 180 / part.poles
    spread = 180 / part.poles
    figure = None
    for at in (90 - spread, 90 + spread):
        shoe = sector(outer, at - half_shoe, at + half_shoe, detail, inner_mm=inner)
        # the leg goes straight up from the shoe to the core, outside the rotor's circle
        foot_x, foot_y = on_circle(inner + part.thickness_mm / 2, at)
        width = part.thickness_mm / 2
        top = part.core_at_mm + width
        leg = outline(
            [(foot_x - width, foot_y), (foot_x + width, foot_y), (foot_x + width, top), (foot_x - width, top)]
        )
        joined = joined_outlines(shoe, leg)
        figure = joined if figure is None else joined_outlines(figure, joined)
    reach = abs(on_circle(inner + part.thickness_mm / 2, 90 - spread)[0]) + part.thickness_mm / 2
    low, high = part.core_at_mm - part.thickness_mm / 2, part.core_at_mm + part.thickness_mm / 2
    core = outline([(-reach, low), (reach, low), (reach, high), (-reach, high)])
    figure = joined_outlines(figure, core) - circle(inner, detail, around=True)
    half = part.length_mm / 2
    return mesh(turned_about_z(extruded(figure, -half, half), part.middle_deg - 90))


def breaker_cam(part: BreakerCam, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The breaker cam. Raises ValueError when the bore reaches its outline."""
    if part.bore_mm / 2 >= float(np.hypot(*part.outline_mm.T).min()):
        raise ValueError(f"a bore of {part.bore_mm:g} mm reaches the cam's outline")
    figure = outline(thinned(part.outline_mm, CAM_ERROR_MM[detail]))
    if part.bore_mm > 0:
        figure = figure - circle(part.bore_mm / 2, detail, around=True)
    half = part.width_mm / 2
    return mesh(union(extruded(figure, -half, half), raised(breaker_cam_index(part))))


def breaker_cam_index(part: BreakerCam) -> IndexBar:
    """Where the breaker cam bears its mark: from the bore towards the nose at ``phase_deg``."""
    least = float(np.hypot(*part.outline_mm.T).min())
    inner = part.bore_mm / 2
    return radial_bar(
        phase_deg=part.phase_deg,
        inner_mm=inner + 0.15 * (least - inner),
        outer_mm=inner + 0.85 * (least - inner),
        width_mm=0.2 * (least - inner),
        height_mm=_MARK_HEIGHT_MM,
        z_mm=part.mark_side * part.width_mm / 2,
        side=part.mark_side,
    )


def breaker_cam_index_patch(part: BreakerCam) -> trimesh.Trimesh:
    """The paint on the breaker cam's mark."""
    return index_patch(breaker_cam_index(part))


def breaker_lever(part: BreakerLever, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The breaker lever: arms from the pivot to the heel and on to the contact, one body."""
    facing = np.array(on_circle(1.0, part.contact_facing_deg))
    behind = np.asarray(part.contact_mm) - facing * (part.contact_height_mm + part.arm_width_mm / 2)
    end = circle(part.arm_width_mm / 2, detail, centre_mm=(float(behind[0]), float(behind[1])))
    heel = np.asarray(part.heel_mm)
    # the rubbing block is narrow at the cam
    nose = 0.15 * part.arm_width_mm
    inwards = heel * (1 - nose / float(np.hypot(*heel)))
    block = circle(nose, detail, centre_mm=(float(inwards[0]), float(inwards[1])))
    boss = circle(part.pivot_radius_mm, detail)
    root = circle(part.arm_width_mm / 2, detail)
    plan = joined_outlines(boss, hull(root, end), hull(root, block))
    half = part.thickness_mm / 2
    contact = moved(
        cylinder(part.contact_radius_mm, -part.arm_width_mm / 2, part.contact_height_mm, detail),
        _facing(facing, np.asarray(part.contact_mm) - facing * part.contact_height_mm),
    )
    body = union(extruded(plan, -half, half), contact)
    return mesh(difference(body, cylinder(part.bore_radius_mm, -2 * half, 2 * half, detail, around=True)))


def fixed_contact(part: FixedContact, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The fixed point on its bracket, one body."""
    back, half = -part.contact_height_mm, part.width_mm / 2
    plate = box((back - part.bracket_mm, -half, -half - part.foot_mm), (back, half, half))
    foot = box((back - 3 * part.bracket_mm, -half, -half - part.foot_mm), (back, half, -half - part.foot_mm / 2))
    contact = moved(
        cylinder(part.contact_radius_mm, -part.bracket_mm / 2, part.contact_height_mm, detail),
        _facing(np.array([1.0, 0.0]), np.array([back, 0.0])),
    )
    return mesh(union(plate, foot, contact))


def finger(part: Finger, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The distributor finger."""
    tip = sector(
        part.radius_mm,
        -part.tip_width_deg / 2,
        part.tip_width_deg / 2,
        detail,
        inner_mm=0.85 * part.radius_mm,
    )
    arm = hull(circle(0.6 * part.hub_radius_mm, detail), tip)
    figure = joined_outlines(circle(part.hub_radius_mm, detail), arm).rotate(part.phase_deg)
    if part.bore_mm > 0:
        figure = figure - circle(part.bore_mm / 2, detail, around=True)
    half = part.thickness_mm / 2
    return mesh(union(extruded(figure, -half, half), raised(finger_index(part))))


def finger_index(part: Finger) -> IndexBar:
    """Where the finger bears its mark: along its arm."""
    return radial_bar(
        phase_deg=part.phase_deg,
        inner_mm=1.05 * part.hub_radius_mm,
        outer_mm=0.95 * part.radius_mm,
        width_mm=0.06 * part.radius_mm,
        height_mm=_MARK_HEIGHT_MM,
        z_mm=part.mark_side * part.thickness_mm / 2,
        side=part.mark_side,
    )


def finger_index_patch(part: Finger) -> trimesh.Trimesh:
    """The paint on the finger's mark."""
    return index_patch(finger_index(part))


def segments(part: Segments, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The ring with its studs. Raises ValueError when two studs overlap."""
    order = np.sort(np.asarray(part.angles_deg) % 360)
    if len(order) > 1:
        least = float(np.diff(np.append(order, order[0] + 360)).min())
        if least <= part.segment_width_deg:
            raise ValueError(f"segments {least:g} degrees apart overlap at a width of {part.segment_width_deg:g}")
    ring = circle(part.ring_outer_mm, detail) - circle(part.ring_inner_mm, detail, around=True)
    half, into = part.segment_width_deg / 2, (part.ring_inner_mm + part.ring_outer_mm) / 2
    studs = [sector(into, at - half, at + half, detail, inner_mm=part.stud_radius_mm) for at in part.angles_deg]
    # studs are a little thinner than the ring, so that they read as parts of their own
    half_ring, half_stud = part.thickness_mm / 2, 0.35 * part.thickness_mm
    body = union(extruded(ring, -half_ring, half_ring), extruded(joined_outlines(*studs), -half_stud, half_stud))
    return mesh(union(body, raised(segments_index(part))))


def segments_index(part: Segments) -> IndexBar:
    """Where the ring bears its mark: on its face, beside the first stud."""
    wall = part.ring_outer_mm - part.ring_inner_mm
    return radial_bar(
        phase_deg=part.angles_deg[0],
        inner_mm=part.ring_inner_mm + 0.2 * wall,
        outer_mm=part.ring_outer_mm - 0.2 * wall,
        width_mm=0.3 * wall,
        height_mm=_MARK_HEIGHT_MM,
        z_mm=part.mark_side * part.thickness_mm / 2,
        side=part.mark_side,
    )


def segments_index_patch(part: Segments) -> trimesh.Trimesh:
    """The paint on the ring's mark."""
    return index_patch(segments_index(part))


def _facing(direction: Floats, at_mm: Floats) -> Floats:
    """The pose of a body made along z that is to look along a direction in (x, y)."""
    matrix = np.eye(4)
    matrix[:2, 2], matrix[2, 2] = direction, 0.0
    matrix[:3, 0] = (0.0, 0.0, 1.0)
    matrix[:3, 1] = np.cross(matrix[:3, 2], matrix[:3, 0])
    matrix[:2, 3] = at_mm
    return matrix
