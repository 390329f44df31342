"""Valves, seats, rockers and buckets."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import trimesh

from quillwise.meshes import valves

OneBody = Callable[[trimesh.Trimesh], None]
VALVE = valves.Valve(length_mm=120, stem_radius_mm=5, head_radius_mm=26)
ROCKER = valves.Rocker(
    roller_centre_mm=(-30.0, 6.0),
    roller_radius_mm=10,
    tip_centre_mm=(36.0, -4.0),
    tip_radius_mm=5,
    pivot_radius_mm=13,
    bore_radius_mm=8,
    width_mm=14,
    roller_width_mm=18,
)


def test_valve_volume_by_pappus(one_body: OneBody) -> None:
    part = valves.valve(VALVE, "fine")
    one_body(part)
    # ∫ π r² dx of the same body, written out: disc, seat cone, elliptic sweep, stem
    throat = 26 - 3 * np.sqrt(0.5)
    rise = 3 * np.sqrt(0.5)
    seat = np.pi / 3 * rise * (26**2 + 26 * throat + throat**2)
    angle = np.linspace(0, np.pi / 2, 4001)
    radius, height = throat - (throat - 5) * np.sin(angle), 0.9 * (throat - 5) * (1 - np.cos(angle))
    sweep = np.trapezoid(np.pi * radius**2, height)
    stem = np.pi * 25 * (120 - 1.5 - rise - height[-1])
    assert part.volume == pytest.approx(np.pi * 26**2 * 1.5 + seat + sweep + stem, rel=0.01)


def test_valve_frame_and_size(one_body: OneBody) -> None:
    collared = valves.valve(replace(VALVE, collar_radius_mm=14))
    one_body(collared)
    assert collared.bounds[:, 0] == pytest.approx((-120, 0))
    assert len(collared.faces) <= 550
    head = collared.vertices[np.hypot(collared.vertices[:, 1], collared.vertices[:, 2]) > 25]
    assert head[:, 0].max() == pytest.approx(-118.5)  # rim and margin are at the lower end


def test_rocker(one_body: OneBody, volume_by_sections: Callable[[trimesh.Trimesh, int, int], float]) -> None:
    part = valves.rocker(ROCKER)
    one_body(part)
    assert part.volume == pytest.approx(volume_by_sections(part, 0, 150), rel=0.01)
    # roller and pad reach their radii about their centres
    x, y, z = part.vertices.T
    assert np.hypot(x + 30, y - 6)[np.abs(z) > 8].max() == pytest.approx(10)
    assert x.max() == pytest.approx(41)
    assert np.abs(z).max() == pytest.approx(9)
    # nothing of the arm stands out of the roller on the far side
    assert x.min() == pytest.approx(-40)


@pytest.mark.parametrize("face_at", [5.0, 2.0])
def test_bucket_volume(face_at: float, one_body: OneBody) -> None:
    part = valves.bucket(
        valves.Bucket(radius_mm=20, height_mm=25, face_thickness_mm=3, wall_mm=2, face_at_mm=face_at), "fine"
    )
    one_body(part)
    pip = np.pi * (0.3 * 18) ** 2 * max(face_at - 3, 0)
    assert part.volume == pytest.approx(np.pi * (20**2 * 25 - 18**2 * 22) + pip, rel=0.005)
    assert part.bounds[1, 0] == pytest.approx(face_at)


def test_refusals() -> None:
    with pytest.raises(ValueError, match="a seat of 30 mm is too wide"):
        valves.valve(replace(VALVE, seat_width_mm=30))
    with pytest.raises(ValueError, match="a valve of 20 mm is too short"):
        valves.valve(replace(VALVE, length_mm=20))
