"""What all tests of meshes ask: is it one closed body, where does it cross a circle, what do two parts share."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import shapely
import trimesh
from numpy.typing import NDArray

from quillwise.meshes import solids

Floats = NDArray[np.float64]
mesh_plane: Callable[..., Floats] = trimesh.intersections.mesh_plane  # it has no types of its own


@pytest.fixture
def one_body() -> Callable[[trimesh.Trimesh], None]:
    """Asserts that a mesh is one closed body, turned right side out, with no two corners at one place.

    ``is_volume`` alone is true for two bodies that overlap."""

    def check(part: trimesh.Trimesh) -> None:
        assert part.is_volume
        assert part.body_count == 1
        assert part.volume > 0
        assert np.isfinite(part.vertices).all()

    return check


@pytest.fixture
def crossings() -> Callable[[trimesh.Trimesh, float, float], Floats]:
    """Angles [rad] at which the section of a part at a height z crosses a circle: two for each tooth."""

    def cross(part: trimesh.Trimesh, radius_mm: float, z_mm: float) -> Floats:
        lines = mesh_plane(part, (0, 0, 1), (0, 0, z_mm))[:, :, :2]
        radii = np.hypot(lines[..., 0], lines[..., 1])
        over = lines[(radii[:, 0] > radius_mm) != (radii[:, 1] > radius_mm)]
        start, along = over[:, 0], over[:, 1] - over[:, 0]
        # |start + t along|² = r² has one root from 0 to 1, as the ends lie on both sides
        square, mixed = np.sum(along**2, axis=1), np.sum(start * along, axis=1)
        rest = np.sqrt(mixed**2 - square * (np.sum(start**2, axis=1) - radius_mm**2))
        roots = np.column_stack([(-mixed - rest) / square, (-mixed + rest) / square])
        share = np.where((roots[:, 0] >= 0) & (roots[:, 0] <= 1), roots[:, 0], roots[:, 1])
        at = over[:, 0] + share[:, None] * (over[:, 1] - over[:, 0])
        return np.sort(np.arctan2(at[:, 1], at[:, 0]))

    return cross


@pytest.fixture
def shared_mm3() -> Callable[[solids.Solid, solids.Solid], float]:
    """The volume that two posed bodies have in common."""

    def shared(one: solids.Solid, other: solids.Solid) -> float:
        return float((one ^ other).volume())

    return shared


@pytest.fixture
def volume_by_sections() -> Callable[[trimesh.Trimesh, int, int], float]:
    """The volume as the sum of plane sections along an axis, each polygonised by shapely: a second method."""

    def volume(part: trimesh.Trimesh, axis: int, count: int) -> float:
        low, high = part.bounds[:, axis]
        step = (high - low) / count
        normal = np.eye(3)[axis]
        others = [i for i in range(3) if i != axis]
        total = 0.0
        for place in low + step * (np.arange(count) + 0.4871):
            lines = mesh_plane(part, normal, normal * place)[:, :, others].round(7)
            lines = lines[np.any(lines[:, 0] != lines[:, 1], axis=1)]
            faces = shapely.polygonize(shapely.linestrings(lines)).geoms
            # a face is metal when a ray from it leaves through an odd number of lines: holes lie in other faces
            rings = [shapely.Polygon(face.exterior) for face in faces]
            points = [face.representative_point() for face in faces]
            depth = [sum(ring.contains(point) for ring in rings) for point in points]
            total += sum(face.area for face, deep in zip(faces, depth, strict=True) if deep % 2) * step
        return total

    return volume
