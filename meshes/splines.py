"""Quill shafts with involute splines of different counts at both ends, and their internally splined mates.

Proportions of the 30° flat-root side fit: external major m(Z + 1) and minor m(Z − 1.5), internal major m(Z
+ 1.5) and minor m(Z − 1) in diameter, teeth π m / 2 thick on the pitch circle mZ, less the free play.
Angles about z, right-handed; ``phase_deg`` is the angle of the centre of one tooth of the part itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import trimesh

from quillwise.meshes.solids import (
    Detail,
    IndexBar,
    Outline,
    Side,
    Solid,
    cylinder,
    difference,
    extruded,
    index_patch,
    mesh,
    outline,
    radial_bar,
    raised,
    revolved,
    sector,
    union,
)
from quillwise.meshes.teeth import Flank, between, involute_half_angle, wheel_outline

PRESSURE_ANGLE_DEG = 30.0
LEAST_TEETH = 6
_MARK_WIDTH, _MARK_HEIGHT = 0.5, 0.2  # in modules


@dataclass(frozen=True, kw_only=True, slots=True)
class Spline:
    """A ring of spline teeth. ``play_mm``: free play along the pitch circle that this part leaves (half of
    it at each flank); the play of a joint is the sum over its two parts."""

    teeth: int
    module_mm: float
    phase_deg: float = 0.0
    play_mm: float = 0.0

    @property
    def pitch_radius_mm(self) -> float:
        return self.teeth * self.module_mm / 2

    @property
    def base_radius_mm(self) -> float:
        return self.pitch_radius_mm * float(np.cos(np.radians(PRESSURE_ANGLE_DEG)))

    @property
    def external_major_radius_mm(self) -> float:
        return self.module_mm * (self.teeth + 1) / 2

    @property
    def external_minor_radius_mm(self) -> float:
        return self.module_mm * (self.teeth - 1.5) / 2

    @property
    def internal_major_radius_mm(self) -> float:
        return self.module_mm * (self.teeth + 1.5) / 2

    @property
    def internal_minor_radius_mm(self) -> float:
        return self.module_mm * (self.teeth - 1) / 2


@dataclass(frozen=True, kw_only=True, slots=True)
class Quill:
    """A quill shaft along z from 0 to ``length_mm``: the driving end's spline at z = 0, the driven end's at
    the other end, a thinner waist between. Both end faces bear a mark, each on its spline's tooth at
    ``phase_deg``."""

    length_mm: float
    driving: Spline
    driving_length_mm: float
    driven: Spline
    driven_length_mm: float
    waist_radius_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Mate:
    """An internally splined mate along z from 0 to ``length_mm``. ``spline.phase_deg``: one of its own
    teeth, which bears the mark; so a quill's tooth stands half a pitch from it (``engaged_phase_deg``).

    floor_mm: it is closed at the top by so much. cut_from_deg and cut_sweep_deg: the sector that is cut
    away for the picture, 0 = whole. mark_side: the end face that bears the mark (with a floor: −1).
    """

    spline: Spline
    length_mm: float
    outer_radius_mm: float
    floor_mm: float = 0.0
    cut_from_deg: float = 0.0
    cut_sweep_deg: float = 0.0
    mark_side: Side = -1


def engaged_phase_deg(phase_deg: float, teeth: int) -> float:
    """The phase of the mate [deg] in whose space the tooth at ``phase_deg`` stands in the middle, and back
    again."""
    return phase_deg + 180 / teeth


def quill(shaft: Quill, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The quill shaft. Raises ValueError when the splines overlap along z or the waist is not thinner than
    both."""
    room = shaft.length_mm - shaft.driving_length_mm - shaft.driven_length_mm
    least = min(shaft.driving.external_minor_radius_mm, shaft.driven.external_minor_radius_mm)
    if room <= 0:
        raise ValueError(f"the splines take up more than the quill's {shaft.length_mm:g} mm")
    if shaft.waist_radius_mm >= least:
        raise ValueError(f"expected a waist thinner than the splines' {least:g} mm, got {shaft.waist_radius_mm:g} mm")
    upper = shaft.length_mm - shaft.driven_length_mm
    ends = (
        extruded(_external(shaft.driving, detail), 0.0, shaft.driving_length_mm),
        extruded(_external(shaft.driven, detail), upper, shaft.length_mm),
    )
    # the waist runs into the splines by cones, as it is turned
    low_r = shaft.driving.external_minor_radius_mm * 0.98
    high_r = shaft.driven.external_minor_radius_mm * 0.98
    low_cone = min(low_r - shaft.waist_radius_mm, room / 3)
    high_cone = min(high_r - shaft.waist_radius_mm, room / 3)
    waist = [
        (0.0, shaft.driving_length_mm / 2),
        (low_r, shaft.driving_length_mm / 2),
        (low_r, shaft.driving_length_mm),
        (shaft.waist_radius_mm, shaft.driving_length_mm + low_cone),
        (shaft.waist_radius_mm, upper - high_cone),
        (high_r, upper),
        (high_r, upper + shaft.driven_length_mm / 2),
        (0.0, upper + shaft.driven_length_mm / 2),
    ]
    marks = (raised(quill_index(shaft, end)) for end in ("driving", "driven"))
    return mesh(union(*ends, revolved(waist, detail), *marks))


def quill_index(shaft: Quill, end: Literal["driving", "driven"] = "driving") -> IndexBar:
    """Where the quill bears its mark at one end: on the tooth at the spline's ``phase_deg``, on the end
    face."""
    if end == "driving":
        return _spline_index(shaft.driving, 0.0, -1)
    return _spline_index(shaft.driven, shaft.length_mm, 1)


def quill_index_patch(shaft: Quill, end: Literal["driving", "driven"] = "driving") -> trimesh.Trimesh:
    """The paint on the quill's mark at one end."""
    return index_patch(quill_index(shaft, end))


def stub(spline: Spline, length_mm: float, detail: Detail = "coarse") -> trimesh.Trimesh:
    """One external spline alone, along z from 0 to ``length_mm``, as if sawn off its shaft; the face at z = 0 bears the
    mark, on the tooth at the spline's ``phase_deg``."""
    return mesh(union(extruded(_external(spline, detail), 0.0, length_mm), raised(stub_index(spline))))


def stub_index(spline: Spline) -> IndexBar:
    """Where a stub bears its mark: as the quill does, on its face at z = 0."""
    return _spline_index(spline, 0.0, -1)


def stub_index_patch(spline: Spline) -> trimesh.Trimesh:
    """The paint on a stub's mark."""
    return index_patch(stub_index(spline))


def mate(part: Mate, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The splined mate. Raises ValueError when its wall does not cover the splines or the cut takes all of
    it."""
    spline = part.spline
    if part.outer_radius_mm <= spline.internal_major_radius_mm:
        raise ValueError(f"expected an outer radius over {spline.internal_major_radius_mm:g} mm")
    if not 0 <= part.cut_sweep_deg < 360:
        raise ValueError(f"expected a cut from 0 to less than 360 degrees, got {part.cut_sweep_deg:g}")
    spaces = extruded(_internal_spaces(spline, detail), -1.0, part.length_mm - part.floor_mm + (part.floor_mm <= 0))
    body = difference(cylinder(part.outer_radius_mm, 0.0, part.length_mm, detail), spaces)
    body = union(body, raised(mate_index(part)))
    if part.cut_sweep_deg > 0:
        body = difference(body, _cutter(part, detail))
    return mesh(body)


def mate_index(part: Mate) -> IndexBar:
    """Where the mate bears its mark: on its tooth at the spline's ``phase_deg``, on one end face."""
    spline = part.spline
    wall = part.outer_radius_mm - spline.internal_major_radius_mm
    return radial_bar(
        phase_deg=spline.phase_deg,
        inner_mm=spline.pitch_radius_mm - 0.2 * spline.module_mm,
        outer_mm=spline.internal_major_radius_mm + 0.7 * wall,
        width_mm=_MARK_WIDTH * spline.module_mm,
        height_mm=_MARK_HEIGHT * spline.module_mm,
        z_mm=0.0 if part.mark_side < 0 else part.length_mm,
        side=part.mark_side,
    )


def mate_index_patch(part: Mate) -> trimesh.Trimesh:
    """The paint on the mate's mark."""
    return index_patch(mate_index(part))


def _spline_index(spline: Spline, z_mm: float, side: Side) -> IndexBar:
    """The mark of an external spline on one of its end faces, from near the middle out on to its tooth."""
    return radial_bar(
        phase_deg=spline.phase_deg,
        inner_mm=0.35 * spline.pitch_radius_mm,
        outer_mm=spline.pitch_radius_mm + 0.3 * spline.module_mm,
        width_mm=_MARK_WIDTH * spline.module_mm,
        height_mm=_MARK_HEIGHT * spline.module_mm,
        z_mm=z_mm,
        side=side,
    )


def _external(spline: Spline, detail: Detail) -> Outline:
    _require_teeth(spline.teeth)
    pitch, module = spline.pitch_radius_mm, spline.module_mm
    # both parts have corners at the same radii: their flats lie on each other, and play is the only gap
    nodes = [spline.external_minor_radius_mm, spline.internal_minor_radius_mm, pitch, pitch + module / 2]
    return outline(wheel_outline(_flank(spline, nodes, detail, -spline.play_mm), spline.teeth, spline.phase_deg))


def _internal_spaces(spline: Spline, detail: Detail) -> Outline:
    _require_teeth(spline.teeth)
    pitch, module = spline.pitch_radius_mm, spline.module_mm
    nodes = [spline.internal_minor_radius_mm, pitch, pitch + module / 2, spline.internal_major_radius_mm]
    middle = engaged_phase_deg(spline.phase_deg, spline.teeth)
    return outline(wheel_outline(_flank(spline, nodes, detail, spline.play_mm), spline.teeth, middle))


def _flank(spline: Spline, nodes_mm: list[float], detail: Detail, wider_mm: float) -> Flank:
    radius = between(nodes_mm, detail)
    half_thickness = np.pi * spline.module_mm / 4 + wider_mm / 2
    return Flank(
        radius,
        involute_half_angle(
            radius,
            pitch_radius_mm=spline.pitch_radius_mm,
            pressure_deg=PRESSURE_ANGLE_DEG,
            half_thickness_mm=half_thickness,
        ),
    )


def _cutter(part: Mate, detail: Detail) -> Solid:
    beyond = 2 * part.outer_radius_mm
    wedge = sector(beyond, part.cut_from_deg, part.cut_from_deg + part.cut_sweep_deg, detail)
    return extruded(wedge, -part.length_mm, 2 * part.length_mm)


def _require_teeth(teeth: int) -> None:
    if teeth < LEAST_TEETH:
        raise ValueError(f"expected at least {LEAST_TEETH} spline teeth, got {teeth}")
