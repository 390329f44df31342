"""The rig: one chain for every part, on coordinates that the state has; quills, sleeves and clearances in it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from random_engines import engines, in_line_six

from quillwise.kinematics.assembly import intended, open_at
from quillwise.kinematics.build import build
from quillwise.kinematics.joints import Joint
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import bank_axes, quill_coordinate, rig, slide_coordinate
from quillwise.scenes.library import engine as packaged

RANDOM = settings(max_examples=15, deadline=None)


@RANDOM
@given(engines())
def test_key_sets_agree(engine: Engine) -> None:
    made = rig(engine)
    state = motion(engine, intended(engine), [0.0, 100.0])
    assert len(engine.parts) == len(set(engine.parts))
    assert set(engine.parts) == set(made.chains) == set(poses(made, state))
    assert made.coordinates <= set(state)
    for name, shaft in engine.shafts.items():
        assert name in state, "every shaft is a coordinate"
        assert shaft.name == name


def test_every_shaft_and_running_part_moves_and_the_casing_does_not() -> None:
    engine = packaged("larkfell-port")
    placed = poses(rig(engine), motion(engine, intended(engine), np.arange(0.0, 720.0, 7.0)))
    still = {Kind.CYLINDER, Kind.SEAT, Kind.POLE_SHOES, Kind.FIXED_POINT, Kind.SEGMENTS, Kind.WINDOW}
    for part, pose in placed.items():
        moves = bool(np.ptp(pose, axis=0).max() > 1e-6)
        assert moves == (part.kind not in still), str(part)


def test_all_that_is_on_a_shaft_turns_with_it() -> None:
    engine = packaged("larkfell-starboard")
    placed = poses(rig(engine), motion(engine, intended(engine), [12.0, 300.0]))
    for wheel in engine.wheels.values():
        kind = Kind.CAMSHAFT if wheel.shaft in engine.camshafts else Kind.SHAFT
        shaft = Part(Kind.CRANKSHAFT) if wheel.shaft == "crankshaft" else Part(kind, wheel.shaft)
        assert placed[Part(Kind.WHEEL, wheel.name)][:, :3, :3] == pytest.approx(placed[shaft][:, :3, :3])
    for magneto in engine.magnetos.values():
        cam, rotor = placed[Part(Kind.BREAKER_CAM, magneto.name)], placed[Part(Kind.ROTOR, magneto.name)]
        assert cam[:, :3, :3] == pytest.approx(rotor[:, :3, :3])


def test_quill_slides_along_its_shaft_and_carries_no_mate_with_it() -> None:
    engine = packaged("larkfell-port")
    coupling = engine.couplings["quill-a"]
    home = poses(rig(engine), motion(engine, intended(engine), [50.0]))
    stand = motion(engine, intended(engine), [50.0])[coupling.driven][0]
    drawn = poses(rig(engine), motion(engine, open_at(intended(engine), "quill-a", stand), [50.0]))
    moved = drawn[Part(Kind.QUILL, "quill-a")][0, :3, 3] - home[Part(Kind.QUILL, "quill-a")][0, :3, 3]
    assert moved == pytest.approx(coupling.drawn_mm * np.asarray(engine.shafts[coupling.driving].axis))
    for end in ("driving", "driven"):
        mate = Part(Kind.MATE, f"quill-a {end}")
        assert drawn[mate][0] == pytest.approx(home[mate][0], abs=1e-9)


def test_drawn_sleeve_takes_its_magneto_off_by_twice_the_slide() -> None:
    engine = packaged("larkfell-port")
    magneto = engine.magnetos["exhaust-side"]
    coupling = engine.couplings[magneto.coupling]
    axis = np.asarray(engine.shafts[magneto.rotor].axis)
    closed = poses(rig(engine), motion(engine, intended(engine), [50.0]))
    opened = poses(rig(engine), motion(engine, open_at(intended(engine), coupling.name, 0.0), [50.0]))
    for kind in (Kind.ROTOR, Kind.FINGER, Kind.SEGMENTS, Kind.POLE_SHOES, Kind.MOVING_POINT, Kind.BREAKER_CAM):
        part = Part(kind, magneto.name)
        off = opened[part][0, :3, 3] - closed[part][0, :3, 3]
        assert off == pytest.approx(2 * coupling.drawn_mm * axis, abs=1e-6), str(part)
    sleeve = Part(Kind.SLEEVE, coupling.name)
    assert opened[sleeve][0, :3, 3] - closed[sleeve][0, :3, 3] == pytest.approx(coupling.drawn_mm * axis)


def test_valve_opens_into_the_cylinder_by_its_lift() -> None:
    engine = build(in_line_six())
    state = motion(engine, intended(engine), [0.0, 470.0])
    seat, valve = (poses(rig(engine), state)[Part(kind, "A1 inlet")][:, :3, 3] for kind in (Kind.SEAT, Kind.VALVE))
    along, _ = bank_axes(0.0)
    lift = state["valve A1 inlet"]
    assert lift[0] == 0 and lift[1] > 5
    assert (valve[0] - valve[1]) @ along == pytest.approx(lift[1])
    assert seat[0] == pytest.approx(seat[1])


def test_names_of_coordinates_are_the_names_in_the_chains() -> None:
    engine = build(in_line_six())
    used = {e.coordinate for chain in rig(engine).chains.values() for e in chain if isinstance(e, Joint)}
    assert {quill_coordinate("quill-a"), slide_coordinate("quill-a"), "piston A6", "valve A2 exhaust"} <= used


def test_a_part_s_kind_is_not_said_twice() -> None:
    said = {
        Part(Kind.QUILL, "quill"): "quill shaft",
        Part(Kind.QUILL, "quill-a"): "quill-a",
        Part(Kind.QUILL, "upper"): "quill shaft upper",
        Part(Kind.SLEEVE, "sleeve"): "coupling sleeve",
        Part(Kind.SLEEVE, "sleeve-port"): "sleeve-port",
        Part(Kind.MATE, "sleeve driving"): "coupling mate sleeve driving",
        Part(Kind.CAMSHAFT, "camshaft A"): "camshaft A",
        Part(Kind.CRANKSHAFT, "crankshaft"): "crankshaft",
        Part(Kind.WHEEL, "wheelcase shaft, 36-tooth spur"): "wheel wheelcase shaft, 36-tooth spur",
        Part(Kind.ROTOR, "magneto 1"): "magneto rotor magneto 1",
    }
    assert {part: part.words for part in said} == said
