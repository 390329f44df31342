"""Whole engines of many layouts: rods' lengths from the poses, tops, room, sparks, the set-up played through."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from layouts import LAYOUTS, articulated_eight, inverted_six, inverted_twelve, sheet_of, w_twelve
from numpy.typing import ArrayLike

from quillwise.kinematics.angles import Floats, wrapped
from quillwise.kinematics.assembly import intended
from quillwise.kinematics.build import build
from quillwise.kinematics.datasheet import Rotation
from quillwise.kinematics.model import CRANKSHAFT, Engine
from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import points_in_world, poses
from quillwise.kinematics.rig import rig
from quillwise.kinematics.room import least_room, path
from quillwise.kinematics.sequence import play
from quillwise.kinematics.throws import master_bank
from quillwise.kinematics.timing import timing_table
from quillwise.kinematics.wording import OIL_LOCK

ROTATIONS: tuple[Rotation, ...] = ("clockwise", "anticlockwise")
every_layout = pytest.mark.parametrize("name", LAYOUTS)
both_ways = pytest.mark.parametrize("rotation", ROTATIONS)


@cache
def engine_of(name: str, rotation: Rotation) -> Engine:
    return build(LAYOUTS[name](rotation))


RUNNING_GEAR = {Kind.CRANKSHAFT, Kind.ROD, Kind.PISTON}


@every_layout
@both_ways
def test_every_rod_keeps_its_length_between_the_pins_that_it_joins(name: str, rotation: Rotation) -> None:
    engine, theta = engine_of(name, rotation), np.arange(0.0, 720.0, 7.3)
    crank, master = engine.sheet.crank, master_bank(engine.sheet)
    parts = [part for part in engine.parts if part.kind in RUNNING_GEAR]
    placed = poses(rig(engine), motion(engine, intended(engine), theta), parts)

    def world(kind: Kind, of: str, p_part: ArrayLike) -> Floats:
        return points_in_world(placed[Part(kind, of)], np.array([p_part]))[:, 0]

    for cylinder in engine.cylinders.values():
        link = cylinder.linkage.link
        gudgeon = world(Kind.PISTON, cylinder.name, [0.0, 0.0, 0.0])
        if link is None:
            turn = np.radians(cylinder.pin_turn_deg)
            throw = crank.stroke_mm / 2 * np.array([np.cos(turn), np.sin(turn), 0.0]) + (0.0, 0.0, cylinder.x_mm)
            hangs_on = world(Kind.CRANKSHAFT, "", throw)
        else:
            turn = np.radians(link.wrist_deg)
            wrist = crank.wrist_pin_radius_mm * np.array([np.cos(turn), np.sin(turn), 0.0])
            on_master = wrist - (crank.rod_length_mm, 0.0, 0.0)
            hangs_on = world(Kind.ROD, f"{master.name}{cylinder.number}", on_master)
        length = np.linalg.norm(gudgeon - hangs_on, axis=1)
        assert length == pytest.approx(np.full(theta.size, cylinder.linkage.own_rod_mm), abs=1e-9), cylinder.name
        own = cylinder.linkage.own_rod_mm
        foot = world(Kind.ROD, cylinder.name, [-own, 0.0, 0.0])
        assert np.max(np.abs(foot - hangs_on)) < 1e-9, "the drawn rod ends in the pin that it hangs on"


@every_layout
@both_ways
def test_each_piston_is_highest_at_its_firing_angle(name: str, rotation: Rotation) -> None:
    engine = engine_of(name, rotation)
    near = np.linspace(-40.0, 40.0, 161)
    for cylinder in engine.cylinders.values():
        state = motion(engine, intended(engine), cylinder.firing_deg + near)
        height = state[f"piston {cylinder.name}"]
        assert int(np.argmax(height)) == 80
        assert height[80] == pytest.approx(cylinder.top_mm, abs=1e-9)
        lowest = motion(engine, intended(engine), cylinder.firing_deg + np.linspace(0.0, 360.0, 1441))
        travel = cylinder.top_mm - lowest[f"piston {cylinder.name}"].min()
        assert travel == pytest.approx(cylinder.stroke_mm, abs=1e-3)


@every_layout
@both_ways
def test_the_set_up_plays_through_to_what_the_vernier_allows(name: str, rotation: Rotation) -> None:
    engine = engine_of(name, rotation)
    played = play(engine)
    assert played.failed == ()
    checking = {name: valve.data.checking_clearance_mm for name, valve in engine.valves.items()}
    table = {event.name: event for event in timing_table(engine, played.as_set, checking)}
    for bank in engine.sheet.banks:
        event = table[f"{bank.name}1 inlet opens"]
        # computed: half a step of 17 and 18 teeth, in crank degrees of a quill that turns at 3/2 crank speed
        assert event.early_deg is not None
        assert abs(event.early_deg) <= 180 / (17 * 18) / 1.5 + 1e-6


@pytest.mark.parametrize("count", range(1, 13))
def test_in_line_engines_of_one_to_twelve_play_through(count: int) -> None:
    order = [f"A{number}" for number in range(1, count + 1)]
    engine = build(sheet_of(order, {"A": (0, count)}, "clockwise", "fork-and-blade", sparks=count > 1))
    assert len(engine.cylinders) == count
    assert play(engine).failed == ()


@both_ways
@pytest.mark.parametrize("between", [48, 60, 72, 90, 136, 170])
def test_a_vee_of_any_angle_plays_through(between: int, rotation: Rotation) -> None:
    """A V-4 on two opposite throws; but for a few angles it fires unevenly, in the order of its pins."""
    banks = {"A": (-between // 2, 2), "B": (between - between // 2, 2)}
    sigma = 1 if rotation == "clockwise" else -1
    tops = {"A1": 0, "A2": 180 + 360, "B1": sigma * between + 360, "B2": sigma * between + 180}
    order = sorted(tops, key=lambda name: tops[name])
    sheet = sheet_of(order, banks, rotation, "side-by-side", sparks=False)
    engine = build(replace(sheet, crank=replace(sheet.crank, pin_angles_deg=(0.0, 180.0))))
    for name, cylinder in engine.cylinders.items():
        assert wrapped(cylinder.firing_deg - tops[name]) == pytest.approx(0.0, abs=1e-9)
    assert play(engine).failed == ()


@every_layout
def test_the_drop_in_the_timing_table_is_that_of_the_piston_itself(name: str) -> None:
    engine = engine_of(name, "clockwise")
    for event in timing_table(engine, intended(engine)):
        cylinder = engine.cylinders[event.cylinder]
        state = motion(engine, intended(engine), event.crank_deg)
        drop = cylinder.top_mm - state[f"piston {event.cylinder}"][0]
        assert event.piston_drop_mm == pytest.approx(drop, abs=1e-9), event.name


def test_room_follows_the_cylinders_own_top() -> None:
    # by hand: at its own top, the room is that at TDC less the lift, on a link rod too
    engine = engine_of("V-8, articulated", "clockwise")
    cylinder = engine.cylinders["B2"]
    found = least_room(engine, intended(engine), path(cylinder.firing_deg + 359.9, cylinder.firing_deg + 360.1))
    assert found is not None
    state = motion(engine, intended(engine), cylinder.firing_deg + 360.0)
    lift = max(state[f"valve B2 {kind}"][0] for kind in ("inlet", "exhaust"))
    assert found.room_mm == pytest.approx(6.0 - lift, abs=0.02)


@both_ways
def test_sparks_come_at_even_intervals_whatever_the_own_tops(rotation: Rotation) -> None:
    engine = build(articulated_eight(rotation))
    breaks = [e for e in timing_table(engine, intended(engine)) if e.kind == "points break"]
    assert np.diff([e.crank_deg for e in breaks]) == pytest.approx(np.full(7, 90.0), abs=1e-9)
    for event in breaks:
        late = engine.cylinders[event.cylinder].late_deg
        assert event.own_deg == pytest.approx(685.0 - late), "a top that is late sees its spark earlier"
        place = engine.cylinders[event.cylinder].firing_deg + event.own_deg
        assert wrapped(place - event.crank_deg, 720.0) == pytest.approx(0.0, abs=1e-9)


def test_valves_follow_the_cylinders_own_top() -> None:
    engine = build(w_twelve())
    table = {event.name: event for event in timing_table(engine, intended(engine))}
    for name, cylinder in engine.cylinders.items():
        at = table[f"{name} inlet opens"].crank_deg
        assert wrapped(at - cylinder.firing_deg - 345.0, 720.0) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("engine", "low"),
    [
        (build(inverted_six()), True),
        (build(inverted_twelve()), True),
        (build(w_twelve()), False),
        (build(LAYOUTS["flat twelve"]()), False),
    ],
    ids=["inverted six", "inverted V-12", "W-12", "flat twelve"],
)
def test_low_cylinders_are_to_be_drained_first(engine: Engine, low: bool) -> None:
    assert (OIL_LOCK in play(engine).steps[0].text.cautions) == low


def test_no_inclined_shaft_of_an_engine_that_hangs_down_crosses_the_crank() -> None:
    for sheet in (inverted_six(), inverted_twelve()):
        engine = build(sheet)
        assert engine.shafts["wheelcase shaft"].point[2] < 0
        finger, rotor = engine.shafts["single finger"], engine.shafts["single magneto"]
        assert finger.point[2] < rotor.point[2], "the distributor stands away from the disc"
        for shaft in engine.shafts.values():
            if shaft.name.startswith("inclined shaft"):
                along = np.linspace(*sorted(shaft.span_mm), 50)
                points = np.array(shaft.point) + np.outer(along, shaft.axis)
                clear = engine.shafts[CRANKSHAFT].radius_mm + shaft.radius_mm
                assert np.hypot(points[:, 1], points[:, 2]).min() > clear
