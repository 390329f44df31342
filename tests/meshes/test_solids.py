"""Plain solids: volumes by formula, refusals."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import trimesh

from quillwise.meshes import solids


@pytest.mark.parametrize("detail", ["coarse", "fine"])
@pytest.mark.parametrize("radius", [1.0, 7.5, 60.0])
def test_circles_hold_their_error(radius: float, detail: solids.Detail) -> None:
    count = solids.circle_segments(radius, detail)
    assert count % 4 == 0
    polygon = count / 2 * radius**2 * np.sin(2 * np.pi / count)
    assert solids.circle(radius, detail).area() == pytest.approx(polygon)
    bore = solids.circle(radius, detail, around=True).area()
    assert bore == pytest.approx(count * radius**2 * np.tan(np.pi / count))
    assert solids.circle_segments(radius, "coarse") <= solids.circle_segments(radius, "fine")


def test_a_shaft_goes_into_its_bore() -> None:
    hub = solids.difference(solids.cylinder(20, 0, 10, "coarse"), solids.cylinder(12, -1, 11, "coarse", around=True))
    shaft = solids.cylinder(12, 0, 10, "fine")
    assert (hub ^ shaft).volume() == pytest.approx(0, abs=1e-9)
    tight = solids.difference(solids.cylinder(20, 0, 10, "coarse"), solids.cylinder(12, -1, 11, "coarse"))
    assert (tight ^ shaft).volume() > 1


def test_revolved_by_pappus(one_body: Callable[[trimesh.Trimesh], None]) -> None:
    # a square of 4 mm whose centroid is 12 mm from the axis
    part = solids.mesh(solids.revolved([(10, 0), (14, 0), (14, 4), (10, 4)], "fine"))
    one_body(part)
    assert part.volume == pytest.approx(2 * np.pi * 12 * 16, rel=0.003)


def test_z_laid_along_x_is_a_turn() -> None:
    part = solids.mesh(solids.z_laid_along_x(solids.box((0, 0, 0), (1, 2, 3))))
    assert part.bounds.tolist() == [[0, 0, 0], [3, 1, 2]]
    assert part.volume == pytest.approx(6)


def test_mesh_and_back() -> None:
    body = solids.union(solids.box((0, 0, 0), (2, 2, 2)), solids.box((1, 1, 1), (3, 3, 3)))
    assert solids.solid(solids.mesh(body)).volume() == pytest.approx(15)


def test_ring_sector_leaves_its_bore_free() -> None:
    figure = solids.sector(30, 10, 130, "coarse", inner_mm=20)
    radii = np.concatenate([np.hypot(*polygon.T) for polygon in figure.to_polygons()])
    assert radii.min() >= 20
    assert radii.max() == pytest.approx(30)


def test_raised_bar_and_patch() -> None:
    bar = solids.radial_bar(phase_deg=30, inner_mm=5, outer_mm=9, width_mm=1, height_mm=0.3, z_mm=-4, side=-1)
    patch = solids.index_patch(bar)
    assert patch.bounds[0, 2] == pytest.approx(-4.35)
    assert patch.bounds[1, 2] == pytest.approx(-4)
    assert solids.raised(bar).volume() == pytest.approx(4 * 1 * 0.3 * 4)
    assert np.degrees(np.arctan2(*patch.center_mass[1::-1])) == pytest.approx(30)


def test_refusals() -> None:
    with pytest.raises(ValueError, match="the outline has no area"):
        solids.outline([(0, 0), (1, 1), (2, 2)])
    with pytest.raises(ValueError, match="the outline crosses itself"):
        solids.outline([(0, 0), (4, 4), (4, 0), (0, 3)])
    with pytest.raises(ValueError, match="expected the top above the bottom, got 1 and 2"):
        solids.extruded(solids.circle(3, "coarse"), 2, 1)
    with pytest.raises(ValueError, match="the faces do not close a body"):
        solids.from_faces(np.eye(3), [[0, 1, 2]])
    with pytest.raises(ValueError, match="the body is empty"):
        solids.mesh(solids.box((0, 0, 0), (1, 1, 1)) ^ solids.box((2, 2, 2), (3, 3, 3)))
