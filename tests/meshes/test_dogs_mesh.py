"""Dog sleeves and flanges: counts at both ends, engagement, volume."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray

from quillwise.meshes import dogs, solids

Floats = NDArray[np.float64]
mesh_plane: Callable[..., Floats] = trimesh.intersections.mesh_plane  # it has no types of its own


def a_sleeve(driving: int, driven: int, play: float = 0.0) -> dogs.Sleeve:
    return dogs.Sleeve(
        length_mm=34,
        inner_radius_mm=15,
        outer_radius_mm=24,
        driving=dogs.Dogs(count=driving, height_mm=8, phase_deg=20.0, play_deg=play),
        driven=dogs.Dogs(count=driven, height_mm=7, phase_deg=-50.0, play_deg=play),
    )


def arc_middles_deg(part: trimesh.Trimesh, count: int, radius_mm: float, z_mm: float) -> tuple[int, float]:
    """How many times the section crosses a circle of ``radius_mm``, and the middle of the dogs modulo their pitch."""
    lines = mesh_plane(part, (0, 0, 1), (0, 0, z_mm))[:, :, :2]
    radii = np.hypot(lines[..., 0], lines[..., 1])
    over = lines[(radii[:, 0] > radius_mm) != (radii[:, 1] > radius_mm)]
    along = over.mean(axis=1)  # the sides of dogs are radial, so every point of one has the same angle
    angles = np.arctan2(along[:, 1], along[:, 0])
    return len(over), float(np.degrees(np.angle(np.exp(1j * count * angles).sum())) / count)


@pytest.mark.parametrize(("driving", "driven"), [(14, 15), (12, 11), (2, 3)])
def test_counts_and_phases_at_both_ends(driving: int, driven: int, one_body: Callable[[trimesh.Trimesh], None]) -> None:
    shaft = a_sleeve(driving, driven, play=1.0)
    part = dogs.sleeve(shaft)
    one_body(part)
    for end, height in ((shaft.driving, 3.1), (shaft.driven, 30.9)):
        crossed, middle = arc_middles_deg(part, end.count, 19.0, height)
        assert crossed == 2 * end.count
        pitch = 360 / end.count
        assert (middle - end.phase_deg + pitch / 2) % pitch - pitch / 2 == pytest.approx(0, abs=1e-6)
    assert arc_middles_deg(part, 2, 19.0, 17.3)[0] == 0  # a plain ring between


def test_sleeve_volume() -> None:
    # second method: π(R² − r²) times the ring's length and half the dogs' heights
    shaft = a_sleeve(14, 15)
    bars = [dogs.sleeve_index(shaft, end) for end in ("driving", "driven")]
    proud = sum(bar.length_mm * bar.width_mm * bar.height_mm for bar in bars)
    area = np.pi * (24**2 - 15**2)
    assert dogs.sleeve(shaft, "fine").volume == pytest.approx(area * (19 + 7.5) + proud, rel=0.004)


@pytest.mark.parametrize("count", [2, 3, 14, 15])
@pytest.mark.parametrize("side", [-1, 1])
def test_engaged_and_half_a_pitch_out(
    count: int,
    side: solids.Side,
    one_body: Callable[[trimesh.Trimesh], None],
    shared_mm3: Callable[[solids.Solid, solids.Solid], float],
) -> None:
    shaft = a_sleeve(count, count, play=0.5)
    end = shaft.driving if side > 0 else shaft.driven
    plate = dogs.Flange(
        dogs=dogs.Dogs(
            count=count,
            height_mm=end.height_mm,
            phase_deg=dogs.engaged_phase_deg(end.phase_deg, count),
            play_deg=0.5,
        ),
        inner_radius_mm=15,
        outer_radius_mm=24,
        thickness_mm=6,
        side=side,
        bore_mm=16,
    )
    part = dogs.flange(plate)
    one_body(part)
    clear = 0.4
    home = -clear if side > 0 else shaft.length_mm + clear
    sleeve = solids.solid(dogs.sleeve(shaft))
    flange = solids.solid(part)
    for turn in (0.0, 0.45, -0.45, 360 / count):
        assert shared_mm3(sleeve, solids.turned_about_z(flange, turn).translate((0, 0, home))) < 1e-6
    wrong = solids.turned_about_z(flange, 180 / count).translate((0, 0, home))
    assert shared_mm3(sleeve, wrong) > 100
    assert shared_mm3(sleeve, solids.turned_about_z(flange, 1.0).translate((0, 0, home))) > 0.1


def test_index_patches() -> None:
    shaft = a_sleeve(14, 15)
    ends: tuple[Literal["driving", "driven"], ...] = ("driving", "driven")
    for end, phase in zip(ends, (20.0, -50.0), strict=True):
        x, y, _ = dogs.sleeve_index_patch(shaft, end).center_mass
        assert np.degrees(np.arctan2(y, x)) == pytest.approx(phase)
    plate = dogs.Flange(
        dogs=dogs.Dogs(count=14, height_mm=8), inner_radius_mm=15, outer_radius_mm=24, thickness_mm=6, side=-1
    )
    patch = solids.solid(dogs.flange_index_patch(plate))
    assert (patch ^ solids.solid(dogs.flange(plate))).volume() > 0.3 * patch.volume()


def test_refusals() -> None:
    with pytest.raises(ValueError, match="the dogs take up more than the sleeve's 34 mm"):
        high = dogs.Dogs(count=12, height_mm=20)
        dogs.sleeve(dogs.Sleeve(length_mm=34, inner_radius_mm=15, outer_radius_mm=24, driving=high, driven=high))
    with pytest.raises(ValueError, match="a play of 20 degrees leaves nothing of 12 dogs"):
        dogs.sleeve(a_sleeve(12, 11, play=20.0))
