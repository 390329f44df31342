"""Magneto parts: poles, shoes, breaker, finger, segments."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray

from quillwise.meshes import magnetos, solids

Floats = NDArray[np.float64]
mesh_plane: Callable[..., Floats] = trimesh.intersections.mesh_plane  # it has no types of its own
OneBody = Callable[[trimesh.Trimesh], None]
Shared = Callable[[solids.Solid, solids.Solid], float]


def a_rotor(poles: int, phase: float = 0.0) -> magnetos.Rotor:
    return magnetos.Rotor(
        poles=poles, radius_mm=28, length_mm=50, hub_radius_mm=14, shaft_radius_mm=7, shaft_mm=(20, 30), phase_deg=phase
    )


def shoes(poles: int) -> magnetos.PoleShoes:
    return magnetos.PoleShoes(
        poles=poles, rotor_radius_mm=28, gap_mm=0.5, thickness_mm=9, length_mm=50, core_at_mm=60, middle_deg=90
    )


def arcs(part: trimesh.Trimesh, radius_mm: float, z_mm: float) -> int:
    lines = mesh_plane(part, (0, 0, 1), (0, 0, z_mm))[:, :, :2]
    radii = np.hypot(lines[..., 0], lines[..., 1])
    return int(((radii[:, 0] > radius_mm) != (radii[:, 1] > radius_mm)).sum())


@pytest.mark.parametrize("poles", [2, 4, 6, 8])
def test_rotor_has_its_poles(
    poles: int,
    one_body: OneBody,
    crossings: Callable[[trimesh.Trimesh, float, float], Floats],
    volume_by_sections: Callable[[trimesh.Trimesh, int, int], float],
) -> None:
    part = magnetos.rotor(a_rotor(poles, 17.0), "fine")
    one_body(part)
    angles = crossings(part, 26.0, 3.3)
    assert len(angles) == 2 * poles
    # a pole takes up more than half its pitch, so the sum points at the gaps
    middle = np.degrees(np.angle(-np.exp(1j * poles * angles).sum())) / poles
    pitch = 360 / poles
    assert (middle - 17.0 + pitch / 2) % pitch - pitch / 2 == pytest.approx(0, abs=1e-6)
    # second method: section area times length, plus the shaft ends and the mark
    shaft = np.pi * 7**2 * 50
    inside = part.slice_plane((0, 0, 24.9), (0, 0, -1), cap=True).slice_plane((0, 0, -24.9), (0, 0, 1), cap=True)
    assert part.volume == pytest.approx(inside.volume * 50 / 49.8 + shaft, rel=0.005)
    assert part.volume == pytest.approx(volume_by_sections(part, 2, 101), rel=0.01)


@pytest.mark.parametrize("poles", [2, 4, 8])
def test_register_and_neutral(poles: int, one_body: OneBody, shared_mm3: Shared) -> None:
    """Two poles face the shoes in full register, none at neutral, 180/poles from it.

    Neutral 45° from register for 4 poles: FAA text at flight-mechanic.com, "magnetic circuit" (check value 12)."""
    plan = shoes(poles)
    part = magnetos.pole_shoes(plan)
    one_body(part)
    one, other = plan.shoe_angles_deg
    assert (other - one) == pytest.approx(360 / poles)
    rotor, still = solids.solid(magnetos.rotor(a_rotor(poles))), solids.solid(part)
    # a rotor that is larger by more than the gap bites into the shoes where its poles face them
    wide = solids.solid(magnetos.rotor(replace(a_rotor(poles), radius_mm=29.5)))
    register = shared_mm3(solids.turned_about_z(wide, one), still)
    neutral = shared_mm3(solids.turned_about_z(wide, one + 180 / poles), still)
    assert register > 2.5 * neutral + 100
    for turn in np.linspace(0, 360, 25):
        assert shared_mm3(solids.turned_about_z(rotor, float(turn)), still) == 0.0


def test_pole_shoes_volume(volume_by_sections: Callable[[trimesh.Trimesh, int, int], float]) -> None:
    part = magnetos.pole_shoes(shoes(4))
    assert part.volume == pytest.approx(volume_by_sections(part, 1, 100), rel=0.01)


def smooth_cam(lobes: int, open_deg: float, phase_deg: float) -> Floats:
    """The outline (720, 2) of a cam of radius 12 + 1.5 (1 + cos 2πu)/2 [mm], u from −1/2 to 1/2 over the open arc of
    each lobe about its nose, anticlockwise."""
    place, pitch = np.arange(720) / 2.0, 360.0 / lobes
    off = (place + pitch / 2) % pitch - pitch / 2
    radius = 12.0 + np.where(np.abs(off) < open_deg / 2, 1.5 * (1 + np.cos(2 * np.pi * off / open_deg)) / 2, 0.0)
    angle = np.radians(place + phase_deg)
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])


@pytest.mark.parametrize("lobes", [1, 2, 4])
def test_breaker_cam(lobes: int, one_body: OneBody) -> None:
    open_deg = 0.45 * 360 / lobes
    outline = smooth_cam(lobes, open_deg, 25.0)
    cam = magnetos.BreakerCam(outline_mm=outline, width_mm=8, bore_mm=10, phase_deg=25.0)
    part = magnetos.breaker_cam(cam, "fine")
    one_body(part)
    # ∫ r²/2 over a lobe with r = b + h (1 + cos)/2: b² + b h + 3 h²/8 on the open arc, b² on the rest
    area = np.pi * (0.45 * (144 + 12 * 1.5 + 3 / 8 * 1.5**2) + 0.55 * 144)
    bar = magnetos.breaker_cam_index(cam)
    proud = bar.length_mm * bar.width_mm * bar.height_mm
    assert part.volume == pytest.approx(8 * (area - np.pi * 25) + proud, rel=0.003)


def test_lever_and_fixed_contact_meet(one_body: OneBody, shared_mm3: Shared) -> None:
    lever = magnetos.breaker_lever(
        magnetos.BreakerLever(
            heel_mm=(18.0, -6.0),
            contact_mm=(36.0, 8.0),
            contact_facing_deg=90.0,
            arm_width_mm=6,
            thickness_mm=5,
            pivot_radius_mm=5,
            bore_radius_mm=2.5,
        )
    )
    fixed = magnetos.fixed_contact(magnetos.FixedContact())
    one_body(lever)
    one_body(fixed)
    assert np.min(np.linalg.norm(lever.vertices[:, :2] - (18.0, -6.0), axis=1)) < 0.1  # the heel's end
    # contact faces: the lever's looks along +y at y = 8, the fixed one is turned to look back
    assert lever.bounds[1, 1] == pytest.approx(8.0)
    assert fixed.bounds[1, 0] == pytest.approx(0.0)
    pose = np.eye(4)
    pose[:3, 0], pose[:3, 1] = (0, -1, 0), (1, 0, 0)
    pose[:3, 3] = (36, 8, 0)
    moved = solids.moved(solids.solid(fixed), pose)
    assert shared_mm3(solids.solid(lever), moved) < 1e-9
    assert shared_mm3(solids.solid(lever).translate((0, 0.1, 0)), moved) > 1


def test_fixed_contact_volume() -> None:
    part = magnetos.fixed_contact(magnetos.FixedContact(), "fine")
    plate, foot = 3 * 8 * 14, 6 * 8 * 3
    assert part.volume == pytest.approx(plate + foot + np.pi * 2.5**2 * 1.2, rel=0.01)


def test_finger_passes_the_studs(one_body: OneBody, shared_mm3: Shared) -> None:
    finger = magnetos.Finger(
        radius_mm=30, hub_radius_mm=11, thickness_mm=6, tip_width_deg=14, bore_mm=10, phase_deg=-20.0
    )
    part = magnetos.finger(finger)
    one_body(part)
    far = part.vertices[np.hypot(*part.vertices[:, :2].T) > 29.99]
    angles = np.degrees(np.arctan2(far[:, 1], far[:, 0]))
    assert (angles.min(), angles.max()) == pytest.approx((-27, -13))
    order = magnetos.Segments(
        angles_deg=tuple(30.0 * n for n in range(12)),
        segment_width_deg=16,
        stud_radius_mm=31,
        ring_inner_mm=35,
        ring_outer_mm=44,
        thickness_mm=12,
    )
    ring = magnetos.segments(order, "fine")
    one_body(ring)
    assert arcs(ring, 33.0, 0.7) == 24
    inner = 12 * (np.pi * 16 / 360) * (35**2 - 31**2) * 8.4
    bar = magnetos.segments_index(order)
    proud = bar.length_mm * bar.width_mm * bar.height_mm
    assert ring.volume == pytest.approx(np.pi * (44**2 - 35**2) * 12 + inner + proud, rel=0.01)
    for turn in range(0, 360, 10):
        assert shared_mm3(solids.turned_about_z(solids.solid(part), turn), solids.solid(ring)) == 0.0


def test_finger_volume(volume_by_sections: Callable[[trimesh.Trimesh, int, int], float]) -> None:
    part = magnetos.finger(magnetos.Finger(radius_mm=30, hub_radius_mm=11, thickness_mm=6, tip_width_deg=14))
    assert part.volume == pytest.approx(volume_by_sections(part, 0, 200), rel=0.01)


def test_index_patches() -> None:
    rotor = a_rotor(4, 33.0)
    cam = magnetos.BreakerCam(
        outline_mm=smooth_cam(4, 40.0, 0.0),
        width_mm=8,
        bore_mm=10,
        phase_deg=33.0,
    )
    finger = magnetos.Finger(radius_mm=30, hub_radius_mm=11, thickness_mm=6, tip_width_deg=14, phase_deg=33.0)
    ring = magnetos.Segments(
        angles_deg=(33.0, 93.0),
        segment_width_deg=16,
        stud_radius_mm=31,
        ring_inner_mm=35,
        ring_outer_mm=44,
        thickness_mm=9,
    )
    for part, patch in (
        (magnetos.rotor(rotor), magnetos.rotor_index_patch(rotor)),
        (magnetos.breaker_cam(cam), magnetos.breaker_cam_index_patch(cam)),
        (magnetos.finger(finger), magnetos.finger_index_patch(finger)),
        (magnetos.segments(ring), magnetos.segments_index_patch(ring)),
    ):
        x, y, _ = patch.center_mass
        assert np.degrees(np.arctan2(y, x)) == pytest.approx(33.0)
        assert (solids.solid(patch) ^ solids.solid(part)).volume() > 0.3 * patch.volume


def test_refusals() -> None:
    with pytest.raises(ValueError, match="expected an even number of poles, at least 2, got 3"):
        magnetos.rotor(a_rotor(3))
    with pytest.raises(ValueError, match="segments 30 degrees apart overlap at a width of 31"):
        magnetos.segments(
            magnetos.Segments(
                angles_deg=(0.0, 30.0),
                segment_width_deg=31,
                stud_radius_mm=31,
                ring_inner_mm=35,
                ring_outer_mm=44,
                thickness_mm=9,
            )
        )
