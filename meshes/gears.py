"""Toothed wheels: external spur wheels, internal spur rings, straight bevels. 20° involute, true counts.

The wheel turns about z, right-handed; ``phase_deg`` is the angle of the centre of one tooth, which bears
the index mark. Backlash is made by thinning every tooth on both flanks.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import trimesh

from quillwise.meshes.solids import (
    Detail,
    Floats,
    IndexBar,
    Side,
    Solid,
    bar_along,
    circle,
    cylinder,
    difference,
    extruded,
    from_faces,
    index_patch,
    mesh,
    on_circle,
    outline,
    radial_bar,
    raised,
    revolved,
    union,
)
from quillwise.meshes.teeth import (
    ADDENDUM,
    DEDENDUM,
    LEAST_TEETH,
    PRESSURE_ANGLE_DEG,
    Flank,
    between,
    cut_flank,
    involute_half_angle,
    wheel_outline,
    wheel_points,
)

THINNED = 0.04  # in modules, off each flank along the pitch circle
_MARK_WIDTH, _MARK_HEIGHT = 0.36, 0.15  # in modules
_LEAST_WEB_ROOM = 6.0  # in modules: a wheel with less between hub and rim is left solid


@dataclass(frozen=True, kw_only=True, slots=True)
class Spur:
    """An external spur wheel, its face centred on z = 0. ``mark_side``: the face with the index mark.

    ``webbed``: both faces are recessed between hub and rim where there is room. ``bore_mm`` is a diameter,
    0 = solid.
    """

    teeth: int
    module_mm: float
    face_mm: float
    bore_mm: float = 0.0
    phase_deg: float = 0.0
    thinned_modules: float = THINNED
    mark_side: Side = -1
    webbed: bool = True

    @property
    def pitch_radius_mm(self) -> float:
        return self.teeth * self.module_mm / 2

    @property
    def tip_radius_mm(self) -> float:
        return self.pitch_radius_mm + ADDENDUM * self.module_mm

    @property
    def root_radius_mm(self) -> float:
        return self.pitch_radius_mm - DEDENDUM * self.module_mm


@dataclass(frozen=True, kw_only=True, slots=True)
class Ring:
    """An internal spur ring, its face centred on z = 0. Its teeth point inwards; ``rim_mm``: metal outside
    the roots."""

    teeth: int
    module_mm: float
    face_mm: float
    rim_mm: float
    phase_deg: float = 0.0
    thinned_modules: float = THINNED
    mark_side: Side = -1

    @property
    def pitch_radius_mm(self) -> float:
        return self.teeth * self.module_mm / 2

    @property
    def tip_radius_mm(self) -> float:
        """Radius of the teeth's inner ends: not inside the base circle, below which there is no involute."""
        base = self.pitch_radius_mm * float(np.cos(np.radians(PRESSURE_ANGLE_DEG)))
        return max(self.pitch_radius_mm - ADDENDUM * self.module_mm, base)

    @property
    def root_radius_mm(self) -> float:
        return self.pitch_radius_mm + DEDENDUM * self.module_mm


@dataclass(frozen=True, kw_only=True, slots=True)
class Bevel:
    """A straight bevel wheel with the apex of its pitch cone at the origin.

    cone_angle_deg: half the angle of the pitch cone, atan(own teeth ÷ partner's) at right angles.
    module_mm: at the large end. face_mm: length of the teeth along the cone. side: the wheel lies at z =
    side · r ÷ tan(cone angle). hub_mm: how far the hub stands out behind the wheel; hub_radius_mm 0: 0.8 ×
    bore.
    """

    teeth: int
    cone_angle_deg: float
    module_mm: float
    face_mm: float
    side: Side = 1
    bore_mm: float = 0.0
    hub_mm: float = 0.0
    hub_radius_mm: float = 0.0
    phase_deg: float = 0.0
    thinned_modules: float = THINNED

    @property
    def pitch_radius_mm(self) -> float:
        """At the large end."""
        return self.teeth * self.module_mm / 2

    @property
    def cone_distance_mm(self) -> float:
        """From the apex to the large end, along the pitch cone."""
        return self.pitch_radius_mm / float(np.sin(np.radians(self.cone_angle_deg)))

    @property
    def back_cone_radius_mm(self) -> float:
        """Pitch radius of the equivalent spur wheel."""
        return self.pitch_radius_mm / float(np.cos(np.radians(self.cone_angle_deg)))


def spur(wheel: Spur, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The spur wheel. Raises ValueError for fewer than 8 teeth or a bore that reaches the roots."""
    _require_teeth(wheel.teeth)
    if wheel.bore_mm / 2 >= wheel.root_radius_mm - 0.5 * wheel.module_mm:
        raise ValueError(f"a bore of {wheel.bore_mm:g} mm leaves no metal under {wheel.teeth} teeth")
    half = wheel.face_mm / 2
    flank = cut_flank(wheel.teeth, wheel.module_mm, wheel.thinned_modules * wheel.module_mm, detail)
    figure = outline(wheel_outline(flank, wheel.teeth, wheel.phase_deg))
    if wheel.bore_mm > 0:
        figure = figure - circle(wheel.bore_mm / 2, detail, around=True)
    hub, rim = max(0.8 * wheel.bore_mm, wheel.module_mm), wheel.root_radius_mm - 2.5 * wheel.module_mm
    body = extruded(figure, -half, half)
    if wheel.webbed and rim - hub > _LEAST_WEB_ROOM * wheel.module_mm:
        recess = circle(rim, detail) - circle(hub, detail)
        depth = 0.3 * wheel.face_mm
        body = difference(body, extruded(recess, half - depth, half + 1), extruded(recess, -half - 1, depth - half))
    return mesh(union(body, raised(spur_index(wheel))))


def spur_index(wheel: Spur) -> IndexBar:
    """Where the spur wheel bears its mark: on the tooth at ``phase_deg``."""
    module = wheel.module_mm
    return radial_bar(
        phase_deg=wheel.phase_deg,
        inner_mm=max(wheel.root_radius_mm - 1.5 * module, wheel.bore_mm / 2 + 0.3 * module),
        outer_mm=wheel.tip_radius_mm - 0.5 * module,
        width_mm=_MARK_WIDTH * module,
        height_mm=_MARK_HEIGHT * module,
        z_mm=wheel.mark_side * wheel.face_mm / 2,
        side=wheel.mark_side,
    )


def ring(wheel: Ring, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The internal ring: a disc less the outline of its spaces, which are an external wheel's teeth, widened.

    Raises ValueError for fewer than 8 teeth.
    """
    _require_teeth(wheel.teeth)
    module, half = wheel.module_mm, wheel.face_mm / 2
    pitch = wheel.pitch_radius_mm
    inside, outside = np.linspace(wheel.tip_radius_mm, pitch, 2), np.linspace(pitch, wheel.root_radius_mm, 3)
    radius = between(np.concatenate([inside, outside[1:]]), detail)
    half_angle = involute_half_angle(
        radius,
        pitch_radius_mm=pitch,
        pressure_deg=PRESSURE_ANGLE_DEG,
        half_thickness_mm=np.pi * module / 4 + wheel.thinned_modules * module,
    )
    spaces = wheel_outline(Flank(radius, half_angle), wheel.teeth, wheel.phase_deg + 180 / wheel.teeth)
    figure = circle(wheel.root_radius_mm + wheel.rim_mm, detail) - outline(spaces)
    return mesh(union(extruded(figure, -half, half), raised(ring_index(wheel))))


def ring_index(wheel: Ring) -> IndexBar:
    """Where the ring bears its mark: on the tooth at ``phase_deg``."""
    module = wheel.module_mm
    return radial_bar(
        phase_deg=wheel.phase_deg,
        inner_mm=wheel.tip_radius_mm + 0.5 * module,
        outer_mm=wheel.root_radius_mm + 0.6 * wheel.rim_mm,
        width_mm=_MARK_WIDTH * module,
        height_mm=_MARK_HEIGHT * module,
        z_mm=wheel.mark_side * wheel.face_mm / 2,
        side=wheel.mark_side,
    )


def bevel(wheel: Bevel, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The straight bevel wheel: the equivalent spur outline laid on the back cone, drawn straight to the
    apex.

    Source of the form: Tredgold's approximation. Raises ValueError for fewer than 8 teeth, or a face as
    long as the cone.
    """
    _require_teeth(wheel.teeth)
    if wheel.face_mm >= wheel.cone_distance_mm:
        raise ValueError(
            f"a face of {wheel.face_mm:g} mm is longer than the pitch cone ({wheel.cone_distance_mm:.1f} mm)"
        )
    body = _upright_bevel(wheel, detail)
    return mesh(body if wheel.side > 0 else body.mirror((0.0, 0.0, 1.0)))


def bevel_index(wheel: Bevel) -> IndexBar:
    """Where the bevel bears its mark: on the large end of the tooth at ``phase_deg``, along the back cone."""
    cone, module = np.radians(wheel.cone_angle_deg), wheel.module_mm
    inner, outer = wheel.back_cone_radius_mm - 1.0 * module, wheel.back_cone_radius_mm + 0.5 * module
    x, y = on_circle(1.0, wheel.phase_deg)
    radial = np.array([x, y, 0.0])
    axial = np.array([0.0, 0.0, float(wheel.side)])
    apex = axial * wheel.cone_distance_mm / np.cos(cone)
    along = radial * np.cos(cone) - axial * np.sin(cone)
    return bar_along(
        middle_mm=apex + along * (inner + outer) / 2,
        along=along,
        out=radial * np.sin(cone) + axial * np.cos(cone),
        length_mm=outer - inner,
        width_mm=_MARK_WIDTH * module,
        height_mm=_MARK_HEIGHT * module,
    )


def spur_index_patch(wheel: Spur) -> trimesh.Trimesh:
    """The paint on the spur wheel's mark."""
    return index_patch(spur_index(wheel))


def ring_index_patch(wheel: Ring) -> trimesh.Trimesh:
    """The paint on the ring's mark."""
    return index_patch(ring_index(wheel))


def bevel_index_patch(wheel: Bevel) -> trimesh.Trimesh:
    """The paint on the bevel's mark."""
    return index_patch(bevel_index(wheel))


def _require_teeth(teeth: int) -> None:
    if teeth < LEAST_TEETH:
        raise ValueError(f"expected at least {LEAST_TEETH} teeth, got {teeth}")


def _upright_bevel(wheel: Bevel, detail: Detail) -> Solid:
    cone, module = np.radians(wheel.cone_angle_deg), wheel.module_mm
    apex_z = wheel.cone_distance_mm / float(np.cos(cone))
    inner_scale = 1 - wheel.face_mm / wheel.cone_distance_mm
    flank = cut_flank(
        wheel.teeth / float(np.cos(cone)), module, wheel.thinned_modules * module, detail, star_shaped=True
    )
    heel = _on_back_cone(wheel, flank)
    root = float(flank.radius_mm[0])
    root_r, root_z = root * float(np.cos(cone)), apex_z - root * float(np.sin(cone))

    back_z = root_z + min(1.2 * module, 0.5 * root * float(np.sin(cone)))
    back_r = (apex_z - back_z) / float(np.tan(cone))
    # the web stays under the facets of the toothed shell, and reaches into it
    sunk = float(np.cos(np.pi / wheel.teeth)) * 0.995
    bore = wheel.bore_mm / 2
    hub_r = max(wheel.hub_radius_mm or 0.8 * wheel.bore_mm, bore + 0.5 * module)
    hub_r = min(hub_r, max(back_r, inner_scale * root_r) * 0.9)
    front_z = inner_scale * root_z
    web = [
        (0.0, front_z),
        (sunk * inner_scale * root_r, front_z),
        (sunk * root_r, root_z),
        (sunk * back_r, back_z),
        (hub_r, back_z),
        (hub_r, back_z + wheel.hub_mm),
        (0.0, back_z + wheel.hub_mm),
    ]
    if wheel.hub_mm <= 0:
        del web[4:6]
    shell = _shell(heel, inner_scale, apex_z).trim_by_plane((0.0, 0.0, -1.0), -back_z)
    body = union(shell, revolved(web, detail), raised(bevel_index(replace(wheel, side=1))))
    if bore > 0:
        body = difference(body, cylinder(bore, 0.0, apex_z + wheel.hub_mm, detail, around=True))
    return body


def _on_back_cone(wheel: Bevel, flank: Flank) -> Floats:
    """The large end's outline (M, 3), anticlockwise."""
    cone = np.radians(wheel.cone_angle_deg)
    angle, along = wheel_points(flank, wheel.teeth, wheel.phase_deg, angle_factor=1 / float(np.cos(cone)))
    radius = along * np.cos(cone)
    height = wheel.cone_distance_mm / np.cos(cone) - along * np.sin(cone)
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle), height])


def _shell(heel: Floats, inner_scale: float, apex_z: float) -> Solid:
    """The toothed shell between the back cone and the cone parallel to it at the small end."""
    count = len(heel)
    here, after = np.arange(count), np.roll(np.arange(count), -1)
    far, near = 2 * count, 2 * count + 1  # the two points on the axis
    points = np.concatenate([heel, inner_scale * heel, [[0, 0, apex_z], [0, 0, inner_scale * apex_z]]])
    flank = [
        np.column_stack([count + here, count + after, after]),
        np.column_stack([count + here, after, here]),
    ]
    ends = [
        np.column_stack([here, after, np.full(count, far)]),
        np.column_stack([count + after, count + here, np.full(count, near)]),
    ]
    return from_faces(points, np.concatenate(flank + ends))
