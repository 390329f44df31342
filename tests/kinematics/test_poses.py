"""The poses of the parts of random engines: rods, pistons, camshafts; and single turns against scipy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from random_engines import engines, in_line_six, v_eight
from scipy.spatial.transform import Rotation

from quillwise.kinematics.assembly import intended
from quillwise.kinematics.build import build
from quillwise.kinematics.joints import Fixed, Joint, fixed, moved, terms, turn_terms
from quillwise.kinematics.model import CRANKSHAFT, Engine
from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import points_in_world, poses
from quillwise.kinematics.rig import Rig, bank_axes, rig

RANDOM = settings(max_examples=20, deadline=None)
CRANK = np.array([0.0, 0.001, 90.0, 179.9, 338.0, 500.5, 679.0, -1234.5])


def placed_at(engine: Engine, crank_deg: object) -> dict[Part, np.ndarray]:
    return poses(rig(engine), motion(engine, intended(engine), crank_deg))  # type: ignore[arg-type]


@RANDOM
@given(engines())
@example(build(in_line_six()))
@example(build(v_eight("anticlockwise")))
def test_every_rod_joins_its_gudgeon_to_the_crank_pin_or_to_the_wrist_pin(engine: Engine) -> None:
    placed = placed_at(engine, CRANK)
    crank = engine.sheet.crank
    for cylinder in engine.cylinders.values():
        turn = np.radians(cylinder.pin_turn_deg)
        p_crankshaft = [np.cos(turn) * crank.stroke_mm / 2, np.sin(turn) * crank.stroke_mm / 2, cylinder.x_mm]
        pin = points_in_world(placed[Part(Kind.CRANKSHAFT)], np.array([p_crankshaft]))
        link, own_mm = cylinder.linkage.link, cylinder.linkage.own_rod_mm
        if link is not None:  # it hangs on the master rod of its throw instead
            master = next(c for c in engine.cylinders.values() if c.number == cylinder.number and not c.linkage.link)
            at = crank.wrist_pin_radius_mm * np.exp(1j * np.radians(link.wrist_deg)) - crank.rod_length_mm
            p_master = np.array([[at.real, at.imag, cylinder.x_mm - master.x_mm]])
            pin = points_in_world(placed[Part(Kind.ROD, master.name)], p_master)
        else:
            assert own_mm == crank.rod_length_mm
        p_rod = np.array([[-own_mm, 0.0, 0.0], [0.0, 0.0, 0.0]])
        ends = points_in_world(placed[Part(Kind.ROD, cylinder.name)], p_rod)
        assert np.max(np.abs(ends[:, 0] - pin[:, 0])) < 1e-9
        gudgeon = points_in_world(placed[Part(Kind.PISTON, cylinder.name)], np.zeros((1, 3)))
        assert np.max(np.abs(ends[:, 1] - gudgeon[:, 0])) < 1e-9
        length = np.linalg.norm(gudgeon - pin, axis=2)
        assert np.max(np.abs(length - own_mm)) < 1e-9


@RANDOM
@given(engines())
def test_pistons_stay_on_their_cylinders(engine: Engine) -> None:
    placed = placed_at(engine, CRANK)
    for cylinder in engine.cylinders.values():
        along, across = bank_axes(cylinder.bank_turn_deg)
        gudgeon = placed[Part(Kind.PISTON, cylinder.name)][:, :3, 3]
        assert gudgeon @ across == pytest.approx(engine.sheet.crank.gudgeon_offset_mm, abs=1e-9)
        assert gudgeon[:, 0] == pytest.approx(cylinder.x_mm, abs=1e-9)
        assert np.all(gudgeon @ along > 0)


@RANDOM
@given(engines())
def test_every_cylinder_is_at_its_own_tdc_when_it_fires(engine: Engine) -> None:
    around = np.linspace(-360.0, 360.0, 721)
    for cylinder in engine.cylinders.values():
        heights = motion(engine, intended(engine), cylinder.firing_deg + around)[f"piston {cylinder.name}"]
        for top in (np.argmax(heights[180:540]) + 180, np.argmin(np.abs(around))):
            assert around[top] == 0


@RANDOM
@given(engines())
def test_cylinders_stand_the_same_two_turns_later(engine: Engine) -> None:
    now, later = placed_at(engine, CRANK), placed_at(engine, CRANK + 720.0)
    for part, pose in now.items():
        if part.kind in (Kind.PISTON, Kind.ROD, Kind.VALVE, Kind.ROCKER, Kind.CAMSHAFT, Kind.CRANKSHAFT, Kind.FINGER):
            assert later[part] == pytest.approx(pose, abs=1e-8), str(part)


@RANDOM
@given(engines())
def test_two_cylinders_of_a_number_share_a_pin(engine: Engine) -> None:
    # secondary: Nunney, Light and Heavy Vehicle Technology pp. 13-14: a 60 degree V-12 on six common pins fires
    # evenly; here for all engines of several banks whose order agrees with the pins
    even = np.sort([cylinder.firing_deg - cylinder.late_deg for cylinder in engine.cylinders.values()])
    assert np.diff(even) == pytest.approx(720.0 / len(even))
    placed = placed_at(engine, CRANK)
    foot = np.array([[-engine.sheet.crank.rod_length_mm, 0.0, 0.0]])
    ends: dict[int, list[np.ndarray]] = {}
    for cylinder in engine.cylinders.values():
        if cylinder.linkage.link is None:
            ends.setdefault(cylinder.number, []).append(points_in_world(placed[Part(Kind.ROD, cylinder.name)], foot))
    assert set(ends) == {cylinder.number for cylinder in engine.cylinders.values()}
    for there in ends.values():
        for other in there[1:]:
            assert other[..., 1:] == pytest.approx(there[0][..., 1:], abs=1e-9)


@RANDOM
@given(engines())
def test_poses_are_rigid_and_cover_every_part(engine: Engine) -> None:
    placed = placed_at(engine, CRANK)
    assert set(placed) == set(engine.parts)
    for part, pose in placed.items():
        assert pose.shape == (len(CRANK), 4, 4)
        if part.kind == Kind.SPRING:
            continue  # it gives: tests/meshes/test_springs_mesh.py
        turns = pose[:, :3, :3]
        assert turns @ turns.transpose(0, 2, 1) == pytest.approx(np.broadcast_to(np.eye(3), turns.shape), abs=1e-12)
        assert np.linalg.det(turns) == pytest.approx(1.0)
        assert np.all(pose[:, 3] == (0, 0, 0, 1))


def test_crank_pin_goes_over_to_the_right_when_it_turns_clockwise() -> None:
    # seen from the wheelcase end, +y is left: 90 degrees after TDC the pin of a clockwise engine stands at -y
    for rotation, side in (("clockwise", -1), ("anticlockwise", 1)):
        engine = build(in_line_six(rotation))  # type: ignore[arg-type]
        turned = placed_at(engine, [90.0])[Part(Kind.CRANKSHAFT)][0]
        pin = turned @ np.array([60.0, 0.0, 0.0, 1.0])
        assert np.sign(pin[1]) == side
        assert motion(engine, intended(engine), [90.0])[CRANKSHAFT][0] == -90.0 * side


@given(st.tuples(*[st.floats(-1, 1)] * 3).filter(lambda axis: np.linalg.norm(axis) > 0.1), st.floats(-720, 720))
def test_turn_terms_are_scipys_rotation(axis: tuple[float, float, float], turn_deg: float) -> None:
    unit = np.asarray(axis) / np.linalg.norm(axis)
    still, cosine, sine = turn_terms((float(unit[0]), float(unit[1]), float(unit[2])))
    turn = np.radians(turn_deg)
    made = still + np.cos(turn) * cosine + np.sin(turn) * sine
    assert made[:3, :3] == pytest.approx(Rotation.from_rotvec(unit * turn).as_matrix(), abs=1e-12)


def test_chain_of_frames_turns_and_slides_by_hand() -> None:
    # out along y by 2, turned by 90 degrees about z with ratio 2, then slid along its own x by 5: to -x
    chain: tuple[Fixed | Joint, ...] = (
        moved(y_mm=2.0),
        Joint(kind="turn", axis=(0.0, 0.0, 1.0), coordinate="turn", ratio=2.0),
        fixed((0, 1, 0), (-1, 0, 0), (0, 0, 1), (0, 0, 0)),
        Joint(kind="slide", axis=(1.0, 0.0, 0.0), coordinate="slide"),
        moved(z_mm=1.0),
    )
    part = Part(Kind.PISTON, "A1")
    pose = poses(Rig({part: chain}, {part: terms(chain)}), {"turn": np.array([45.0]), "slide": np.array([5.0])})[part][
        0
    ]
    assert pose @ np.array([0, 0, 0, 1.0]) == pytest.approx([-5, 2, 1, 1])
    assert pose @ np.array([1.0, 0, 0, 0]) == pytest.approx([-1, 0, 0, 0])


def test_only_the_parts_asked_for() -> None:
    engine = build(in_line_six())
    wanted = [Part(Kind.DISC), Part(Kind.PISTON, "A3")]
    assert list(poses(rig(engine), motion(engine, intended(engine), 10.0), wanted)) == wanted
