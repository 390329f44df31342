"""Timing disc and window."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray

from quillwise.meshes import dials, solids

OneBody = Callable[[trimesh.Trimesh], None]
mesh_plane: Callable[..., NDArray[np.float64]] = trimesh.intersections.mesh_plane  # it has no types of its own
DISC = dials.Disc(radius_mm=100, thickness_mm=6, bore_mm=60, zero_deg=12.0, tick_deg=5.0, marks_deg=(41.0, 215.0))
WINDOW = dials.Window(
    pointer_deg=90,
    pointer_radius_mm=96,
    opening_inner_mm=82,
    opening_outer_mm=108,
    opening_deg=24,
    frame_mm=6,
    thickness_mm=3,
)


def test_disc_volume(one_body: OneBody) -> None:
    bare = dials.Disc(radius_mm=100, thickness_mm=6, bore_mm=60, tick_deg=10.0, major_every=9)
    part = dials.disc(bare, "fine")
    one_body(part)
    height, width = 0.6, 0.012 * 100
    ticks = height * width * (32 * 6 + 4 * 11)
    bar = dials.disc_index(bare)
    proud = bar.length_mm * bar.width_mm * bar.height_mm
    assert part.volume == pytest.approx(np.pi * (100**2 - 30**2) * 6 + ticks + proud, rel=0.002)
    # each engraved mark takes half the thickness along its length and leaves the rest
    marked = dials.disc(replace(bare, marks_deg=(5.0,)), "fine")
    one_body(marked)
    wide = 2 * 100 * 0.5 * np.radians(1.2)
    assert part.volume - marked.volume == pytest.approx(wide * 20 * 3, rel=0.01)


def test_every_tick_is_there(one_body: OneBody) -> None:
    part = dials.disc(DISC)
    one_body(part)
    # just above the read face there are only ticks: closed outlines, one each, less those that a mark takes the
    # place of (none here: 41° and 215° lie between), plus the index bar
    lines = mesh_plane(part, (0, 0, 1), (0, 0, -3.3))[:, :, :2]
    middle = lines.mean(axis=1)
    near_rim = middle[np.abs(np.hypot(*middle.T) - 98) < 0.3]
    angles = np.degrees(np.arctan2(near_rim[:, 1], near_rim[:, 0]))
    found = {round((a - 12) / 5) % 72 for a in angles}
    assert found == set(range(72))


def test_marks_are_where_they_are_said() -> None:
    patches = dials.disc_mark_patches(DISC)
    plain = solids.solid(dials.disc(dials.Disc(radius_mm=100, thickness_mm=6, bore_mm=60)))
    cut = solids.solid(dials.disc(DISC))
    for patch, at in zip(patches, DISC.marks_deg, strict=True):
        assert patch.is_volume
        x, y, _ = patch.center_mass
        assert np.degrees(np.arctan2(y, x)) % 360 == pytest.approx(at)
        # the paint fills metal that the plain disc has and this one has not
        assert (solids.solid(patch) ^ plain).volume() > 0.8 * patch.volume
        assert (solids.solid(patch) ^ cut).volume() < 0.02 * patch.volume


def test_window_and_pointer(
    one_body: OneBody, volume_by_sections: Callable[[trimesh.Trimesh, int, int], float]
) -> None:
    part = dials.window(WINDOW)
    one_body(part)
    assert part.euler_number == 0  # one opening
    assert part.volume == pytest.approx(volume_by_sections(part, 0, 300), rel=0.01)
    on_line = part.vertices[np.abs(part.vertices[:, 0]) < 1e-9]
    assert np.any(np.abs(on_line[:, 1] - 96) < 1e-9)  # the point, at 90°


def test_index_patch() -> None:
    x, y, z = dials.disc_index_patch(DISC).center_mass
    assert np.degrees(np.arctan2(y, x)) == pytest.approx(12.0)
    assert z < -3


def test_refusals() -> None:
    with pytest.raises(ValueError, match="expected ticks that divide 360 degrees, got 7"):
        dials.disc(dials.Disc(radius_mm=100, thickness_mm=6, tick_deg=7))
    with pytest.raises(ValueError, match="the pointer's point does not lie in the window's opening"):
        dials.window(
            dials.Window(
                pointer_deg=0,
                pointer_radius_mm=120,
                opening_inner_mm=82,
                opening_outer_mm=108,
                opening_deg=24,
                frame_mm=6,
                thickness_mm=3,
            )
        )
