"""Camshafts: lobes where and as they were given."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import shapely
import trimesh
from numpy.typing import NDArray

from quillwise.meshes import camshafts, solids

Floats = NDArray[np.float64]
mesh_plane: Callable[..., Floats] = trimesh.intersections.mesh_plane  # it has no types of its own


def eccentric(phase_deg: float, points: int = 360) -> Floats:
    """A circle of 25 mm radius, 8 mm off the axis: its area is known."""
    angle = np.linspace(0, 2 * np.pi, points, endpoint=False)
    return 25 * np.column_stack([np.cos(angle), np.sin(angle)]) + solids.on_circle(8.0, phase_deg)


def a_shaft(count: int) -> camshafts.Camshaft:
    return camshafts.Camshaft(
        start_mm=-20,
        end_mm=60 * count,
        shaft_radius_mm=14,
        lobes=tuple(
            camshafts.Lobe(outline_mm=eccentric(75.0 * n), z_mm=20 + 60 * n, width_mm=16) for n in range(count)
        ),
        journals=(camshafts.Journal(z_mm=48, width_mm=18, radius_mm=20),),
    )


def test_volume_by_formula(one_body: Callable[[trimesh.Trimesh], None]) -> None:
    part = camshafts.camshaft(a_shaft(4), "fine")
    one_body(part)
    shaft = np.pi * 14**2 * (260 - 4 * 16 - 18)
    assert part.volume == pytest.approx(shaft + 4 * 16 * np.pi * 25**2 + 18 * np.pi * 20**2, rel=0.002)


def test_lobes_stand_at_their_angles() -> None:
    shaft = a_shaft(4)
    part = camshafts.camshaft(shaft)
    for number, lobe in enumerate(shaft.lobes):
        points = mesh_plane(part, (0, 0, 1), (0, 0, lobe.z_mm + 0.3)).reshape(-1, 3)[:, :2]
        nose = points[np.hypot(*points.T).argmax()]
        off = np.degrees(np.arctan2(nose[1], nose[0])) - 75.0 * number
        assert (off + 180) % 360 - 180 == pytest.approx(0, abs=6)  # a corner, not the nose itself
        # all corners lie on the circle that was given
        assert np.hypot(*(points - solids.on_circle(8.0, 75.0 * number)).T).max() == pytest.approx(25, abs=1e-6)


def test_coarse_outline_stays_within_its_error() -> None:
    given = eccentric(30.0, 720)
    for detail, error in solids.CAM_ERROR_MM.items():
        kept = solids.thinned(given, error)
        distance = shapely.Polygon(given).exterior.hausdorff_distance(shapely.Polygon(kept).exterior)
        assert distance <= error * 1.001, detail
        assert len(kept) < len(given)


def test_twelve_lobes_are_few_triangles() -> None:
    assert len(camshafts.camshaft(a_shaft(12)).faces) <= 6000


def test_refusals() -> None:
    with pytest.raises(ValueError, match=r"lobe 1 comes within 17.00 mm of the axis, inside the shaft of 18 mm"):
        camshafts.camshaft(
            camshafts.Camshaft(
                start_mm=0,
                end_mm=50,
                shaft_radius_mm=18,
                lobes=(camshafts.Lobe(outline_mm=eccentric(0), z_mm=20, width_mm=16),),
            )
        )
    with pytest.raises(ValueError, match="lobe 1 lies beyond the end of the shaft"):
        camshafts.camshaft(
            camshafts.Camshaft(
                start_mm=0,
                end_mm=25,
                shaft_radius_mm=14,
                lobes=(camshafts.Lobe(outline_mm=eccentric(0), z_mm=20, width_mm=16),),
            )
        )
