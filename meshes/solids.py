"""Plain solids and how they are joined: what all the builders of parts are made of.

A ``Solid`` is a body as manifold3d keeps it (exact booleans, always closed); ``mesh`` turns the finished
part into a ``trimesh.Trimesh``. An ``Outline`` is a plane figure. Millimetres and degrees; angles about +z,
from +x.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
import trimesh
from manifold3d import CrossSection, FillRule, Manifold, Mesh64, OpType
from numpy.typing import ArrayLike, NDArray
from shapely.geometry import Polygon

Detail = Literal["coarse", "fine"]
Side = Literal[-1, 1]
Floats = NDArray[np.float64]
Solid: TypeAlias = Manifold
Outline: TypeAlias = CrossSection

# sixteen chords at least: then no two sides of a round part meet at the 30° from which an edge is drawn;
# largest distance between a circle and its chord, and the least and greatest number of chords
_CHORD_ERROR_MM = {"coarse": 0.3, "fine": 0.02}
_SEGMENTS = {"coarse": (16, 48), "fine": (24, 160)}

# how far a cam's flats may lie inside the outline that it was given
CAM_ERROR_MM = {"coarse": 0.03, "fine": 0.002}

# a marking bar is sunk into its face, so that it is one body with a face made of flat facets
_SUNK_HEIGHTS = 3.0
PATCH_PROUD_MM = 0.05


def circle_segments(radius_mm: float, detail: Detail) -> int:
    """Number of chords that stand for a circle: a multiple of 4."""
    least, greatest = _SEGMENTS[detail]
    share = min(_CHORD_ERROR_MM[detail] / max(radius_mm, 1e-9), 1.0)
    wanted = np.pi / np.arccos(1 - share)
    return int(np.clip(4 * np.ceil(wanted / 4), least, greatest))


def circle(
    radius_mm: float,
    detail: Detail,
    *,
    centre_mm: tuple[float, float] = (0.0, 0.0),
    around: bool = False,
) -> Outline:
    """A circle as a polygon: its corners lie on the circle, or with ``around`` its sides touch it (for bores,
    so that a shaft of the same radius goes in)."""
    count = circle_segments(radius_mm, detail)
    corner = radius_mm / np.cos(np.pi / count) if around else radius_mm
    angle = 2 * np.pi * np.arange(count) / count
    return outline(corner * np.column_stack([np.cos(angle), np.sin(angle)]) + np.asarray(centre_mm))


def outline(points_mm: ArrayLike) -> Outline:
    """The plane figure inside a closed polygon (M, 2), not repeated at its end, in either sense of rotation.

    Raises ValueError when it has no area or crosses itself.
    """
    points = np.asarray(points_mm, dtype=np.float64)
    twice_area = float(np.sum(points[:, 0] * np.roll(points[:, 1], -1) - np.roll(points[:, 0], -1) * points[:, 1]))
    if twice_area < 0:
        points = points[::-1]
    figure = Outline([np.ascontiguousarray(points)], FillRule.Positive)
    if figure.is_empty():
        raise ValueError("the outline has no area")
    if abs(figure.area() - abs(twice_area) / 2) > 1e-5 * abs(twice_area):
        raise ValueError("the outline crosses itself")
    return figure


def thinned(points_mm: Floats, error_mm: float) -> Floats:
    """A closed outline (M, 2) with fewer corners, none further than ``error_mm`` from the first
    (Douglas–Peucker).

    A convex outline only loses metal by it.
    """
    kept = Polygon(points_mm).simplify(error_mm)
    return np.asarray(kept.exterior.coords, dtype=np.float64)[:-1]


def sector(outer_mm: float, from_deg: float, to_deg: float, detail: Detail, inner_mm: float = 0.0) -> Outline:
    """A sector of a circle, or of a ring, from one angle to a greater one. The inside of a ring is a bore:
    the chords touch its circle from outside."""
    share = (to_deg - from_deg) / 360
    count = max(2, int(np.ceil(circle_segments(outer_mm, detail) * share)) + 1)
    angle = np.radians(np.linspace(from_deg, to_deg, count))
    arc = np.column_stack([np.cos(angle), np.sin(angle)])
    bore = inner_mm / np.cos(np.pi * share / (count - 1))
    inner = bore * arc[::-1] if inner_mm > 0 else np.zeros((1, 2))
    return outline(np.concatenate([outer_mm * arc, inner]))


def hull(*figures: Outline) -> Outline:
    """The convex hull of plane figures: a web, a link, a lever."""
    return Outline.batch_hull(list(figures))


def joined_outlines(*figures: Outline) -> Outline:
    """The union of plane figures."""
    return Outline.batch_boolean(list(figures), OpType.Add)


def extruded(figure: Outline, bottom_mm: float, top_mm: float) -> Solid:
    """A prism over a plane figure, between two heights along z. Raises ValueError when the height is not
    positive."""
    if not top_mm > bottom_mm:
        raise ValueError(f"expected the top above the bottom, got {top_mm} and {bottom_mm}")
    return Solid.extrude(figure, top_mm - bottom_mm).translate((0.0, 0.0, bottom_mm))


def cylinder(
    radius_mm: float,
    bottom_mm: float,
    top_mm: float,
    detail: Detail,
    *,
    centre_mm: tuple[float, float] = (0.0, 0.0),
    around: bool = False,
) -> Solid:
    """A cylinder along z; ``around`` as in ``circle``."""
    return extruded(circle(radius_mm, detail, centre_mm=centre_mm, around=around), bottom_mm, top_mm)


def revolved(profile_mm: ArrayLike, detail: Detail, as_mm: float | None = None) -> Solid:
    """The body that a profile (M, 2) of (radius, z) makes when it turns about z. as_mm: the radius whose number of
    facets it gets; left out, its own largest."""
    profile = np.asarray(profile_mm, dtype=np.float64)
    return Solid.revolve(outline(profile), circle_segments(as_mm or float(profile[:, 0].max()), detail))


def box(lower_mm: ArrayLike, upper_mm: ArrayLike) -> Solid:
    """A box between two opposite corners (3,)."""
    lower, upper = np.asarray(lower_mm, dtype=np.float64), np.asarray(upper_mm, dtype=np.float64)
    return Solid.cube(tuple(upper - lower)).translate(tuple(lower))


def union(*bodies: Solid) -> Solid:
    """The bodies made one."""
    return Solid.batch_boolean(list(bodies), OpType.Add)


def difference(body: Solid, *cutters: Solid) -> Solid:
    """The body less the cutters."""
    return Solid.batch_boolean([body, *cutters], OpType.Subtract)


def moved(body: Solid, matrix: ArrayLike) -> Solid:
    """The body moved by a rigid (4, 4) matrix."""
    return body.transform(np.ascontiguousarray(np.asarray(matrix, dtype=np.float64)[:3]))


def turned_about_z(body: Solid, angle_deg: float) -> Solid:
    """The body turned about z [deg, right-handed]."""
    return body.rotate((0.0, 0.0, angle_deg))


def z_laid_along_x(body: Solid) -> Solid:
    """A body that was made along z, laid along x (x to y, y to z)."""
    return body.transform(np.array([[0.0, 0, 1, 0], [1, 0, 0, 0], [0, 1, 0, 0]]))


def from_faces(points_mm: ArrayLike, faces: ArrayLike) -> Solid:
    """A body from its corners (M, 3) and triangles (K, 3), anticlockwise seen from outside.

    Raises ValueError when they do not close it.
    """
    body = Solid(
        Mesh64(np.ascontiguousarray(points_mm, dtype=np.float64), np.ascontiguousarray(faces, dtype=np.uint64))
    )
    if body.is_empty():
        raise ValueError(f"the faces do not close a body: {body.status()}")
    return body


def mesh(body: Solid) -> trimesh.Trimesh:
    """The finished part. Raises ValueError when nothing is left of it."""
    data = body.to_mesh64()
    if len(data.tri_verts) == 0:
        raise ValueError("the body is empty")
    points = np.array(data.vert_properties[:, :3], dtype=np.float64)
    return trimesh.Trimesh(points, np.array(data.tri_verts, dtype=np.int64), process=False)


def shifted(part: trimesh.Trimesh, by_mm: ArrayLike) -> trimesh.Trimesh:
    """The part moved by (x, y, z), in place."""
    part.apply_translation(np.asarray(by_mm, dtype=float))
    return part


def together(*parts: trimesh.Trimesh) -> trimesh.Trimesh:
    """Bodies side by side in one mesh, not united: for paint on a part. The faces keep their order."""
    joined = trimesh.util.concatenate(list(parts))
    assert isinstance(joined, trimesh.Trimesh)
    return joined


def solid(part: trimesh.Trimesh) -> Solid:
    """The body of a closed mesh. Raises ValueError when it is not closed."""
    return from_faces(part.vertices, part.faces)


@dataclass(frozen=True, kw_only=True, slots=True)
class IndexBar:
    """A painted mark: a bar on a face. ``part_from_bar``: rows of the (4, 4) matrix of its own frame, x
    along the bar, z out of the face, origin in the middle of the bar on the face."""

    part_from_bar: tuple[tuple[float, ...], ...]
    length_mm: float
    width_mm: float
    height_mm: float


def radial_bar(
    *,
    phase_deg: float,
    inner_mm: float,
    outer_mm: float,
    width_mm: float,
    height_mm: float,
    z_mm: float,
    side: Side,
) -> IndexBar:
    """The mark on a face square to z at ``z_mm`` that looks along ``side``, from one radius to another."""
    return bar_along(
        middle_mm=(*on_circle((inner_mm + outer_mm) / 2, phase_deg), z_mm),
        along=(*on_circle(1.0, phase_deg), 0.0),
        out=(0.0, 0.0, float(side)),
        length_mm=outer_mm - inner_mm,
        width_mm=width_mm,
        height_mm=height_mm,
    )


def bar_along(
    *,
    middle_mm: ArrayLike,
    along: ArrayLike,
    out: ArrayLike,
    length_mm: float,
    width_mm: float,
    height_mm: float,
) -> IndexBar:
    """The mark in the middle of any flat place: ``along`` and ``out`` of the face are unit vectors at right
    angles."""
    x_axis, z_axis = np.asarray(along, dtype=np.float64), np.asarray(out, dtype=np.float64)
    matrix = np.eye(4)
    matrix[:3, 0], matrix[:3, 1], matrix[:3, 2] = x_axis, np.cross(z_axis, x_axis), z_axis
    matrix[:3, 3] = middle_mm
    rows = tuple(tuple(float(entry) for entry in row) for row in matrix)
    return IndexBar(part_from_bar=rows, length_mm=length_mm, width_mm=width_mm, height_mm=height_mm)


def raised(bar: IndexBar) -> Solid:
    """The bar as it is joined to its part, sunk into the face."""
    half = np.array([bar.length_mm, bar.width_mm]) / 2
    body = box((*-half, -_SUNK_HEIGHTS * bar.height_mm), (*half, bar.height_mm))
    return moved(body, bar.part_from_bar)


def index_patch(bar: IndexBar) -> trimesh.Trimesh:
    """The paint on the bar: a thin body of its own that stands proud of the bar by PATCH_PROUD_MM all
    round."""
    half = np.array([bar.length_mm, bar.width_mm]) / 2 + PATCH_PROUD_MM
    return mesh(moved(box((*-half, 0.0), (*half, bar.height_mm + PATCH_PROUD_MM)), bar.part_from_bar))


def on_circle(radius_mm: float, angle_deg: float) -> tuple[float, float]:
    """The point at a radius and an angle [deg]."""
    angle = np.radians(angle_deg)
    return float(radius_mm * np.cos(angle)), float(radius_mm * np.sin(angle))


def skin(rings: Floats) -> trimesh.Trimesh:
    """The closed skin over rings (M, S, 3) of points, with a flat lid at either end."""
    count, sides = rings.shape[:2]
    here = np.arange(count - 1)[:, None] * sides + np.arange(sides)[None, :]
    turned = np.arange(count - 1)[:, None] * sides + (np.arange(sides)[None, :] + 1) % sides
    quads = np.stack([here, turned, turned + sides, here + sides], axis=-1).reshape(-1, 4)
    faces = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
    vertices = np.vstack([rings.reshape(-1, 3), rings[0].mean(axis=0), rings[-1].mean(axis=0)])
    first, last = count * sides, count * sides + 1
    around = np.arange(sides)
    after = (around + 1) % sides
    base = (count - 1) * sides
    lids = np.concatenate(
        [
            np.stack([np.full(sides, first), after, around], axis=1),
            np.stack([np.full(sides, last), base + around, base + after], axis=1),
        ]
    )
    body = trimesh.Trimesh(vertices, np.concatenate([faces, lids]), process=False)
    if body.volume < 0:
        body.invert()
    return body
