"""Crankshaft, rods, piston, liner: volumes by formula, and room to move past each other through a whole turn."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import shapely
import trimesh
from numpy.typing import NDArray

from quillwise.meshes import cranks, solids

Floats = NDArray[np.float64]
mesh_plane: Callable[..., Floats] = trimesh.intersections.mesh_plane  # it has no types of its own
OneBody = Callable[[trimesh.Trimesh], None]
Shared = Callable[[solids.Solid, solids.Solid], float]

THROW, ROD = 66.0, 236.0  # mm; stroke 132
PLAIN = cranks.Rod(
    length_mm=ROD,
    big_bore_radius_mm=29.2,
    big_radius_mm=41,
    big_width_mm=30,
    small_bore_radius_mm=15.2,
    small_radius_mm=23,
    small_width_mm=36,
    shank_width_mm=26,
    shank_depth_mm=20,
)
FORK = replace(PLAIN, kind="fork", big_width_mm=62, slot_mm=31)
BLADE = replace(PLAIN, kind="blade")
PISTON = cranks.Piston(
    radius_mm=59, crown_mm=62, skirt_mm=50, wall_mm=6, crown_thickness_mm=9, pin_radius_mm=15, small_end_mm=38
)


def a_shaft(angles: tuple[float, ...] = (0, 120, 240, 240, 120, 0), **changes: float) -> cranks.Crankshaft:
    return cranks.Crankshaft(
        throws=tuple(cranks.Throw(z_mm=60 + 145 * n, angle_deg=a) for n, a in enumerate(angles)),
        throw_mm=THROW,
        main_radius_mm=34,
        pin_radius_mm=29,
        pin_width_mm=64,
        web_mm=22,
        nose_radius_mm=26,
        nose_end_mm=-70,
        flange_radius_mm=60,
        flange_mm=16,
        flange_end_mm=60 + 145 * len(angles),
        counterweight_radius_mm=changes.get("counterweight_radius_mm", 0.0),
    )


def rod_pose(crank_deg: float, bank_deg: float) -> tuple[Floats, Floats]:
    """World-from-rod and world-from-piston about the crank axis z, by x = r cos θ + √(l² − r² sin² θ).

    Source of the formula: vcalc.com, "position of the piston" (check value 26, published).
    """
    theta, bank = np.radians(crank_deg - bank_deg), np.radians(bank_deg)
    reach = THROW * np.cos(theta) + np.sqrt(ROD**2 - (THROW * np.sin(theta)) ** 2)
    up = np.array([np.cos(bank), np.sin(bank), 0.0])
    pin = THROW * np.array([np.cos(np.radians(crank_deg)), np.sin(np.radians(crank_deg)), 0.0])
    poses = []
    for x_axis in ((reach * up - pin) / ROD, up):
        pose = np.eye(4)
        pose[:3, 0], pose[:3, 1] = x_axis, np.cross((0, 0, 1), x_axis)
        pose[:3, 3] = reach * up
        poses.append(pose)
    return poses[0], poses[1]


@pytest.mark.parametrize("angles", [(0, 120, 240, 240, 120, 0), (0, 90, 270, 180), (45,)])
def test_crankshaft_volume(angles: tuple[float, ...], one_body: OneBody) -> None:
    shaft = a_shaft(angles)
    part = cranks.crankshaft(shaft, "fine")
    one_body(part)
    # second method: lengths times areas, the web's by shapely's hull of two discs
    discs = [shapely.Point(0, 0).buffer(1.25 * 34, quad_segs=64), shapely.Point(66, 0).buffer(1.3 * 29, quad_segs=64)]
    web = shapely.MultiPolygon(discs).convex_hull.area
    count = len(angles)
    pins = count * 64 * np.pi * 29**2
    webs = count * 2 * 22 * web
    mains = (count - 1) * (145 - 64 - 44) * np.pi * 34**2
    nose = (60 - 54 + 70) * np.pi * 26**2
    rear = (145 - 54 - 16) * np.pi * 34**2 + 16 * np.pi * 60**2
    assert part.volume == pytest.approx(pins + webs + mains + nose + rear, rel=0.003)


def test_pins_stand_at_their_angles(one_body: OneBody) -> None:
    shaft = a_shaft((0, 120, 240, 240, 120, 0), counterweight_radius_mm=75)
    part = cranks.crankshaft(shaft)
    one_body(part)
    assert len(part.faces) <= 8000
    for throw in shaft.throws:
        lines = mesh_plane(part, (0, 0, 1), (0, 0, throw.z_mm + 0.3))
        x, y = lines.reshape(-1, 3).min(axis=0)[:2] / 2 + lines.reshape(-1, 3).max(axis=0)[:2] / 2
        assert (x, y) == pytest.approx(solids.on_circle(THROW, throw.angle_deg), abs=0.02)


@pytest.mark.parametrize("shape", [PLAIN, FORK, BLADE])
def test_rods_are_one_body(
    shape: cranks.Rod, one_body: OneBody, volume_by_sections: Callable[[trimesh.Trimesh, int, int], float]
) -> None:
    part = cranks.rod(shape)
    one_body(part)
    assert part.volume == pytest.approx(volume_by_sections(part, 0, 150), rel=0.01)
    low, high = part.bounds
    assert high[0] == pytest.approx(shape.small_radius_mm, abs=0.3)
    assert low[0] == pytest.approx(-ROD - shape.big_radius_mm, abs=0.3)
    assert high[2] == pytest.approx(shape.big_width_mm / 2 if shape is FORK else shape.small_width_mm / 2)
    # symmetric about its plane and its middle line
    assert part.center_mass[1:] == pytest.approx((0, 0), abs=1e-2)


def test_plain_rod_volume_by_formula() -> None:
    # without hollows (shank too thin for them to matter is not a case): eyes as rings, shank as a prism between
    shape = replace(PLAIN, big_width_mm=30, small_width_mm=30, shank_depth_mm=30)
    part = cranks.rod(shape, "fine")
    front = shapely.union_all(
        [
            shapely.Point(0, 0).buffer(23, quad_segs=64),
            shapely.Point(-ROD, 0).buffer(41, quad_segs=64),
            shapely.Polygon([(0, 0.85 * 13), (-ROD, 1.15 * 13), (-ROD, -1.15 * 13), (0, -0.85 * 13)]),
        ]
    )
    front = front - shapely.Point(0, 0).buffer(15.2, quad_segs=64) - shapely.Point(-ROD, 0).buffer(29.2, quad_segs=64)
    radius, depth = 0.3 * 26, 30 * (0.5 - 0.22)
    upper, lower = -23 - 1.3 * radius, 1.05 * 41 - ROD + 0.1 + 1.3 * radius
    pocket = shapely.MultiPolygon(
        [
            shapely.Point(upper, 0).buffer(radius, quad_segs=64),
            shapely.Point(lower, 0).buffer(1.15 * radius, quad_segs=64),
        ]
    ).convex_hull
    assert part.volume == pytest.approx(30 * front.area - 2 * depth * pocket.area, rel=0.003)


@pytest.mark.parametrize("bank_deg", [60.0, 90.0])
def test_fork_and_blade_pass_each_other(bank_deg: float, shared_mm3: Shared) -> None:
    fork, blade = solids.solid(cranks.rod(FORK)), solids.solid(cranks.rod(BLADE))
    for crank in np.arange(0, 360, 7.5):
        there = solids.moved(fork, rod_pose(float(crank), 0.0)[0])
        here = solids.moved(blade, rod_pose(float(crank), bank_deg)[0])
        assert shared_mm3(there, here) == 0.0
    # the test can fail: a slot that stops at the ring's edge is too short for the blade
    short = solids.solid(cranks.rod(replace(FORK, slot_reach_mm=30)))
    assert shared_mm3(solids.moved(short, rod_pose(0, 0)[0]), solids.moved(blade, rod_pose(0, bank_deg)[0])) > 10


def test_rod_piston_liner_and_crank_have_room(shared_mm3: Shared) -> None:
    shaft = solids.solid(cranks.crankshaft(a_shaft((0.0,)))).translate((0, 0, -60))
    fork, piston = solids.solid(cranks.rod(FORK)), solids.solid(cranks.piston(PISTON))
    liner = solids.solid(
        cranks.liner(cranks.Liner(inner_radius_mm=59.1, wall_mm=5, bottom_mm=ROD - THROW - 45, top_mm=ROD + THROW + 62))
    )
    for crank in np.arange(0, 360, 15.0):
        rod_at, piston_at = rod_pose(float(crank), 0.0)
        rod, slider = solids.moved(fork, rod_at), solids.moved(piston, piston_at)
        turned = solids.turned_about_z(shaft, float(crank))
        assert shared_mm3(rod, slider) == 0.0
        assert shared_mm3(rod, turned) == 0.0
        assert shared_mm3(slider, turned) == 0.0
        assert shared_mm3(slider, liner) == 0.0
        assert shared_mm3(rod, liner) == 0.0
    lifted = solids.moved(fork, rod_pose(0.0, 0.0)[0]).translate((5, 0, 0))
    assert shared_mm3(lifted, solids.moved(piston, rod_pose(0.0, 0.0)[1])) > 10


def test_piston_volume(one_body: OneBody) -> None:
    plain = replace(PISTON, grooves=0)
    part = cranks.piston(plain, "fine")
    one_body(part)
    # shell by formula; the pin and its two bosses add less than their bars would
    shell = np.pi * (59**2 * 112 - 53**2 * 103)
    pin = np.pi * 15**2 * 2 * 53
    assert part.volume > shell + pin
    boss = 2 * (53 - 19) * (np.pi * 24**2 / 2 + 48 * 53)
    assert part.volume < shell + pin + boss
    grooved = cranks.piston(replace(PISTON, grooves=3), "fine")
    one_body(grooved)
    pitch = (62 - 18) / 4
    groove = np.pi * (59**2 - (59 - 2.4) ** 2) * 0.4 * pitch
    assert part.volume - grooved.volume == pytest.approx(3 * groove, rel=0.005)
    assert len(cranks.piston(PISTON).faces) <= 1000


def test_liner_is_a_half_sleeve(one_body: OneBody) -> None:
    whole = cranks.Liner(inner_radius_mm=60, wall_mm=5, bottom_mm=-50, top_mm=100, cut_sweep_deg=0.0)
    area = np.pi * (65**2 - 60**2)
    full, half = cranks.liner(whole, "fine"), cranks.liner(replace(whole, cut_sweep_deg=180.0), "fine")
    for part, share in ((full, 1.0), (half, 0.5)):
        one_body(part)
        assert part.volume == pytest.approx(share * area * 150, rel=0.005)
    assert half.bounds[0] == pytest.approx((-50, -65, 0), abs=0.1)  # cut from 180° on: the +z half is kept


def test_refusals() -> None:
    with pytest.raises(ValueError, match="throws 1 and 2 are too near each other"):
        cranks.crankshaft(replace(a_shaft(), pin_width_mm=120))
    with pytest.raises(ValueError, match="expected a slot narrower than the big end's 62 mm, got 62"):
        cranks.rod(replace(FORK, slot_mm=62))
    with pytest.raises(ValueError, match="a rod of 90 mm leaves no shank"):
        cranks.rod(replace(FORK, length_mm=90))
    with pytest.raises(ValueError, match="the gudgeon pin cuts into the crown"):
        cranks.piston(replace(PISTON, crown_mm=20))
