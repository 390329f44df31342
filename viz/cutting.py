"""A coupling cut by the plane through its axis, and by planes across it: areas, what is left of the bodies, and which
way round the plane is turned. Exact booleans on the bodies of the parts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
import trimesh
from manifold3d import CrossSection

from quillwise.kinematics.angles import Floats, wrapped
from quillwise.kinematics.model import Engine
from quillwise.kinematics.parts import Kind, Part
from quillwise.meshes.solids import Solid, mesh, moved, solid
from quillwise.viz.breaks import areal
from quillwise.viz.coupled import Line, in_own_frame

_NEAR_MARK = 0.3  # sine of the angle from the plane within which a painted mark would be cut
_LEAST_MM2 = 1e-6
_STEP_MM = 1e-4


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Cut:
    """A coupling cut lengthwise, in its drawing's frame [mm of the model, y upwards], by part.

    areas: what the plane cuts of each part that is cut; shown: what of that is not covered by parts left whole.
    kept: bodies as they are drawn, cut ones without what lies before the plane. shadows: their outlines.
    """

    areas: dict[Part, shapely.Geometry]
    shown: dict[Part, shapely.Geometry]
    kept: dict[Part, trimesh.Trimesh]
    shadows: dict[Part, shapely.Geometry]


def is_cut(engine: Engine, part: Part) -> bool:
    """Whether a part is cut lengthwise: solid shafts and quills are not, by the convention of ISO 128-3."""
    if part.kind is Kind.SHAFT:
        return engine.shafts[part.of].bore_mm > 0
    return part.kind in (Kind.MATE, Kind.SLEEVE)


def up_of_plane(line: Line) -> Floats:
    """The direction in the world, square to the axis, that is up in the section: through a tooth of the quill or
    sleeve at the driving end, chosen so that the driven end has one as near to it as may be, no painted mark is cut,
    and the marks lie before the plane."""
    first, second = line.teeth
    best, least = first[0], np.inf
    for up in first:
        towards = np.cross(line.along, up)
        turn = np.degrees(np.arctan2(second @ towards, second @ up))
        off = float(np.abs(wrapped(turn, 360.0)).min()) * len(second) / 360.0
        beside = line.marks @ towards if len(line.marks) else np.zeros(0)
        cost = off + float((np.abs(beside) < _NEAR_MARK).sum()) + 0.2 * float((beside < 0).sum())
        if cost < least - 1e-9:
            best, least = up, cost
    return np.asarray(best)


def lengthwise(engine: Engine, line: Line, up: Floats, parts: Sequence[Part]) -> Cut:
    """Parts cut by the plane through the axis in which ``up`` lies, seen along −z of the drawing's frame."""
    bodies = in_own_frame(line, parts, up)
    areas: dict[Part, shapely.Geometry] = {}
    kept: dict[Part, trimesh.Trimesh] = {}
    shadows: dict[Part, shapely.Geometry] = {}
    before = []
    for part in parts:
        # joints of a body that is one piece leave steps too small to be edges
        body = solid(bodies[str(part)]).simplify(_STEP_MM)
        if is_cut(engine, part):
            areas[part] = as_area(body.slice(0.0))
            body = body.trim_by_plane((0.0, 0.0, -1.0), 0.0)
        else:
            before.append(as_area(body.trim_by_plane((0.0, 0.0, 1.0), 0.0).project()))
        kept[part] = mesh(body)
        shadows[part] = as_area(body.project())
    cover = shapely.union_all(before)
    shown = {part: areal(shapely.difference(area, cover)) for part, area in areas.items()}
    return Cut(areas=areas, shown=shown, kept=kept, shadows=shadows)


def across(line: Line, at_mm: float, look: Floats, up: Floats) -> dict[Part, shapely.Geometry]:
    """What the plane square to the axis, so far along it, cuts of each of the five parts: x to the right and y upwards
    of who looks along ``look``; parts that it does not meet are left out."""
    right = np.cross(look, up)
    frame = np.eye(4)
    frame[:3, :3] = np.stack([right, up, np.cross(right, up)])
    frame[:3, 3] = -frame[:3, :3] @ (line.origin + at_mm * line.along)
    found = {}
    for part in line.five:
        body: Solid = moved(solid(line.bodies[part]), frame)
        area = as_area(body.slice(0.0))
        if area.area > _LEAST_MM2:
            found[part] = area
    return found


def as_area(figure: CrossSection) -> shapely.Geometry:
    """A plane figure as an area: its outlines run anticlockwise, its holes clockwise."""
    rings = [np.asarray(ring, dtype=np.float64) for ring in figure.to_polygons()]
    whole: shapely.Geometry = shapely.Polygon()
    for ring in sorted(rings, key=lambda each: -abs(_signed(each))):
        one = shapely.make_valid(shapely.Polygon(ring))
        whole = shapely.union(whole, one) if _signed(ring) > 0 else shapely.difference(whole, one)
    return areal(whole)


def _signed(ring: Floats) -> float:
    x, y = ring[:, 0], ring[:, 1]
    return float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum() / 2)
