"""Gear meshes against published trains, and the teeth of random engines against their poses."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from random_engines import engines

from quillwise.kinematics.assembly import Assembly, intended, with_mesh_teeth
from quillwise.kinematics.gears import (
    angle_to_deg,
    cone_deg,
    crank_turns_to_repeat,
    driven_phase_deg,
    hunting_turns,
    senses_agree,
    tip_cone_deg,
)
from quillwise.kinematics.model import Engine, GearMesh
from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import rig

X, Y, Z = (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)
ORIGIN = (0.0, 0.0, 0.0)
RANDOM = settings(max_examples=15, deadline=None)


def signed(driving: int, driven: int, agree: int) -> Fraction:
    return agree * Fraction(driving, driven)


def test_bevel_differential() -> None:
    # published: holooly.com p. 159410: differential 12/60, 1000 rpm, one wheel at 210 rpm, the other at 190 rpm
    carrier = 1000 * Fraction(12, 60)
    first = senses_agree(X, ORIGIN, Y, ORIGIN, (3.0, 4.0, 0.0))  # side wheel to planet wheel
    second = senses_agree(Y, ORIGIN, X, ORIGIN, (-3.0, 4.0, 0.0))  # planet wheel to the other side wheel
    # as seen from the carrier, whatever the counts of the planet, the two side wheels turn opposite ways
    relative = signed(20, 11, first) * signed(11, 20, second)
    assert carrier + relative * (210 - carrier) == 190


def test_epicyclic() -> None:
    # published: studylib.net 26184123: ring 72 fixed, sun 32, arm at 18: sun +58.5, planet -46.8
    ring, sun, arm = 72, 32, 18
    planet = (ring - sun) // 2
    place = (0.0, sun + planet, 0.0)  # in half modules
    inner = senses_agree(X, place, X, ORIGIN, (0.0, sun, 0.0))
    outer = senses_agree(X, ORIGIN, X, place, (0.0, ring, 0.0))
    planet_on_arm = signed(ring, planet, outer) * -arm
    assert arm + planet_on_arm == Fraction("-46.8")
    assert arm + signed(planet, sun, inner) * planet_on_arm == Fraction("58.5")


@pytest.mark.parametrize(
    ("driving", "driven", "turns"),
    [
        # published: Gleason, Gear Technology Solutions p. 96: 11 x 30 meet again after 30 turns of the pinion and 11
        # of the gear, 10 x 30 after 3 and 1; 11 x 31 are coprime too
        (11, 30, (30, 11)),
        (10, 30, (3, 1)),
        (11, 31, (31, 11)),
    ],
)
def test_same_teeth_meet_again(driving: int, driven: int, turns: tuple[int, int]) -> None:
    assert hunting_turns(driving, driven) == turns
    pinion_teeth, gear_teeth = np.arange(turns[0] * driving) % driving, np.arange(turns[0] * driving) % driven
    met = (pinion_teeth == 0) & (gear_teeth == 0)
    assert met.sum() == 1, "the first tooth meets its mate once before all repeats"


@pytest.mark.parametrize(
    ("turns", "driving", "driven"), [(Fraction(-2, 3), 36, 16), (Fraction(3, 2), 14, 42), (Fraction(1), 24, 36)]
)
def test_crank_turns_to_repeat_by_counting(turns: Fraction, driving: int, driven: int) -> None:
    # computed: count whole crank turns until the driving shaft has made whole turns and so has the driven one
    ratio = abs(turns)
    counted = next(
        n
        for n in range(1, 1000)
        if (n * ratio).denominator == 1 and (n * ratio * Fraction(driving, driven)).denominator == 1
    )
    assert crank_turns_to_repeat(turns, driving, driven) == counted


def test_cones_of_20_to_40() -> None:
    # computed from geometry: cone angles 26.565 and 63.435 degrees at 90 degrees
    assert cone_deg(20, 40) == pytest.approx(26.565, abs=5e-4)
    assert cone_deg(40, 20) == pytest.approx(63.435, abs=5e-4)


def test_tip_cone_goes_through_the_tip_of_a_tooth() -> None:
    # computed: the back cone's tip point stands one module square off the pitch cone at its outer end
    teeth, mating, module = 16, 36, 3.0
    cone = np.radians(cone_deg(teeth, mating))
    outer = module * np.array([mating / 2, teeth / 2])  # along the axis, and off it
    tip = outer + module * np.array([-np.sin(cone), np.cos(cone)])
    assert tip_cone_deg(teeth, mating) == pytest.approx(np.degrees(np.arctan2(tip[1], tip[0])), abs=1e-12)


def test_sense_of_a_spur_an_internal_and_a_bevel_mesh() -> None:
    assert senses_agree(X, ORIGIN, X, (0, 5, 0), (0, 2, 0)) == -1  # external: opposite ways
    assert senses_agree(X, ORIGIN, X, (0, 3, 0), (0, -2, 0)) == 1  # internal: the same way
    assert senses_agree(X, ORIGIN, (-1, 0, 0), (0, 5, 0), (0, 2, 0)) == 1  # external, one seen from behind
    here, there = senses_agree(X, ORIGIN, Z, ORIGIN, (1, 0, 2)), senses_agree(X, ORIGIN, Z, ORIGIN, (-1, 0, 2))
    assert here == -there, "on the other side of the crossing a bevel turns its partner the other way"


def test_angle_to_a_target() -> None:
    assert angle_to_deg(X, (9, 1, 1), Z, (2, 1, 4)) == pytest.approx(0)
    # + by the right hand about +x: from z towards -y
    assert angle_to_deg(X, ORIGIN, Z, (0, -1, 0)) == pytest.approx(90)
    assert angle_to_deg((-1, 0, 0), ORIGIN, Z, (0, -1, 0)) == pytest.approx(-90)


def test_phase_of_two_equal_wheels_side_by_side() -> None:
    # a tooth of the first points at the second at 90 degrees, so the second has a space at -90 degrees
    phase = driven_phase_deg(12, 90.0, 90.0, 12, -90.0, -1)
    assert (-90.0 - phase) / 30.0 % 1 == pytest.approx(0.5)


def teeth_at_pitch_point(
    engine: Engine, assembly: Assembly, mesh: GearMesh, crank_deg: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """For both wheels: teeth from a tooth's centre to the pitch point, in the wheel's own + direction. (N,) each."""
    wheels = [engine.wheels[mesh.driving], engine.wheels[mesh.driven]]
    parts = [Part(Kind.WHEEL, wheel.name) for wheel in wheels]
    placed = poses(rig(engine), motion(engine, assembly, crank_deg), parts)
    counts = []
    for wheel, part in zip(wheels, parts, strict=True):
        p_wheel = np.linalg.inv(placed[part]) @ np.array([*mesh.pitch_point, 1.0])
        angle = np.degrees(np.arctan2(p_wheel[:, 1], p_wheel[:, 0]))
        counts.append((angle - wheel.phase_deg) * wheel.teeth / 360.0)
    return counts[0], counts[1]


@RANDOM
@given(engines())
def test_a_tooth_stands_in_a_space_at_every_mesh(engine: Engine) -> None:
    crank = np.array([0.0, 17.3, 211.1, 700.2])
    for mesh in engine.meshes.values():
        # a wheel meshed three teeth out still has its teeth in the other's spaces
        for assembly in (intended(engine), with_mesh_teeth(intended(engine), mesh.name, 3)):
            first, _ = teeth_at_pitch_point(engine, assembly, mesh, crank)
            # turn on to where a tooth of the driving wheel points at the pitch point exactly
            driving = engine.shafts[engine.wheels[mesh.driving].shaft]
            turn = (first - np.round(first)) * 360.0 / engine.wheels[mesh.driving].teeth
            exact = crank + turn / float(driving.turns) * engine.sigma
            first, second = teeth_at_pitch_point(engine, assembly, mesh, exact)
            assert first == pytest.approx(np.round(first), abs=1e-7)
            assert second % 1 == pytest.approx(0.5, abs=1e-7), mesh.name


@RANDOM
@given(engines())
def test_pitch_point_has_one_velocity(engine: Engine) -> None:
    step = 0.005
    crank = np.array([3.0, 250.0, 611.0])
    frames = np.concatenate([crank, crank - step, crank + step])
    placed = poses(rig(engine), motion(engine, intended(engine), frames))
    for mesh in engine.meshes.values():
        wheels = (engine.wheels[mesh.driving], engine.wheels[mesh.driven])
        velocities = []
        for wheel in wheels:
            now, before, after = np.split(placed[Part(Kind.WHEEL, wheel.name)], 3)
            p_wheel = np.linalg.inv(now) @ np.array([*mesh.pitch_point, 1.0])
            moved = (after - before) @ p_wheel[:, :, None]
            velocities.append(moved[:, :3, 0] / (2 * step))
        speed = np.linalg.norm(velocities[0], axis=1)
        assert np.all(speed > 0.01), "mm per crank degree: the point does move"
        apart = np.linalg.norm(velocities[0] - velocities[1], axis=1)
        assert np.all(apart < 1e-6 * speed), mesh.name
