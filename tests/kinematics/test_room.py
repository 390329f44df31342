"""The room between valves and pistons, by hand and by brute force, and where to park the crank."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from random_engines import engines, in_line_six

from quillwise.kinematics.assembly import ROCKERS_OFF, intended, open_at, with_clearances
from quillwise.kinematics.build import build
from quillwise.kinematics.datasheet import DataSheet
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import bank_axes, rig
from quillwise.kinematics.room import free_room_mm, least_room, parking_deg, path
from quillwise.scenes.library import engine as packaged


def six(room_mm: float | None, lean_deg: float = 0.0) -> DataSheet:
    sheet = in_line_six()
    change = {"room_at_tdc_mm": room_mm, "angle_to_cylinder_deg": lean_deg}
    return replace(
        sheet,
        crank=replace(sheet.crank, gudgeon_offset_mm=0.0),
        inlet=replace(sheet.inlet, **change),  # type: ignore[arg-type]
        exhaust=replace(sheet.exhaust, **change),  # type: ignore[arg-type]
    )


@pytest.mark.parametrize("lean_deg", [0.0, 20.0])
def test_room_by_hand(lean_deg: float) -> None:
    # room = room at TDC + piston drop · cos(valve to cylinder axis) − lift, at 20° after TDC of A1 on the overlap
    engine = build(six(6.0, lean_deg))
    r, rod = 60.0, 210.0
    angle = np.radians(20.0)
    drop = r + rod - (r * np.cos(angle) + np.sqrt(rod**2 - (r * np.sin(angle)) ** 2))
    only = with_clearances(intended(engine), dict.fromkeys(engine.valves, ROCKERS_OFF) | {"A1 inlet": 0.4})
    lift = float(motion(engine, only, 380.0)["valve A1 inlet"][0])
    assert lift > 1
    found = least_room(engine, only, [380.0])
    assert found is not None
    assert found.room_mm == pytest.approx(6.0 + drop * np.cos(np.radians(lean_deg)) - lift, abs=1e-9)
    assert (found.valve, found.crank_deg, found.known, found.strikes) == ("A1 inlet", 380.0, True, False)


def test_room_is_the_distance_in_the_poses() -> None:
    # an upright valve's head comes nearer to the piston by lift, and the piston nearer by its rise
    engine = build(six(6.0))
    assembly = intended(engine)
    at_tdc, now = (poses(rig(engine), motion(engine, assembly, theta)) for theta in ([0.0], [385.0]))
    along, _ = bank_axes(0.0)
    head = Part(Kind.VALVE, "A1 inlet"), Part(Kind.SEAT, "A1 inlet")
    lift = (now[head[1]][0, :3, 3] - now[head[0]][0, :3, 3] - (at_tdc[head[1]] - at_tdc[head[0]])[0, :3, 3]) @ along
    piston = Part(Kind.PISTON, "A1")
    drop = (at_tdc[piston] - now[piston])[0, :3, 3] @ along
    only = with_clearances(assembly, {name: ROCKERS_OFF for name in engine.valves if name != "A1 inlet"})
    found = least_room(engine, only, [385.0])
    assert found is not None
    assert found.room_mm == pytest.approx(6.0 + drop - lift, abs=1e-9)


@settings(max_examples=10, deadline=None)
@given(engines(), st.floats(0, 720), st.floats(1, 200), st.floats(-30, 30))
def test_least_room_against_brute_force(engine: Engine, start: float, way: float, turned_deg: float) -> None:
    assembly = intended(engine)
    coupling = engine.coupling_upstream(engine.camshafts[0])
    assert coupling is not None
    assembly = open_at(assembly, coupling.name, turned_deg)
    fine = np.linspace(start, start + way, 4001)
    state = motion(engine, assembly, fine)
    least, fastest = np.inf, 0.0
    for valve in engine.valves.values():
        lift = state[f"valve {valve.name}"]
        height = state[f"piston {valve.cylinder}"]
        top = motion(engine, assembly, engine.cylinders[valve.cylinder].firing_deg)[f"piston {valve.cylinder}"][0]
        lean = np.cos(np.radians(valve.data.angle_to_cylinder_deg))
        room = (valve.data.room_at_tdc_mm or 0.0) + (top - height) * lean - lift
        least = min(least, float(np.min(np.where(lift > 0, room, np.inf))))
        fastest = max(fastest, float(np.max(np.abs(np.gradient(room, fine)))))
    found = least_room(engine, assembly, path(start, start + way))
    if found is None:
        assert not np.isfinite(least) or least > 0
    else:
        # between two places of the path, 0.25° apart, piston and lobe move by what their greatest speed gives
        assert found.room_mm == pytest.approx(least, abs=0.25 * fastest + 1e-6)
        assert start <= found.crank_deg <= start + way


def test_room_that_is_not_in_the_data_is_taken_as_none() -> None:
    engine = build(six(None))
    # the inlet valve of A1 is open at its TDC between the strokes: with nothing known it strikes
    found = least_room(engine, intended(engine), path(350.0, 370.0))
    assert found is not None
    assert found.strikes and not found.known
    sure = least_room(build(six(6.0)), intended(build(six(6.0))), path(350.0, 370.0))
    assert sure is not None and sure.known and not sure.strikes


def test_no_room_where_no_valve_is_open() -> None:
    engine = build(six(6.0))
    bare = with_clearances(intended(engine), dict.fromkeys(engine.valves, ROCKERS_OFF))
    assert least_room(engine, bare, path(0, 720)) is None


def test_crank_turned_past_a_camshaft_that_is_not_coupled_strikes() -> None:
    engine = packaged("larkfell-port")
    coupling = engine.couplings["quill-a"]
    # hold camshaft A where the inlet valve of A1 is full open, and take the crank once round
    shaft = engine.shafts[coupling.driven]
    peak = engine.valves["A1 inlet"].curve.peak_deg
    held = open_at(intended(engine), "quill-a", engine.sigma * float(shaft.turns) * peak)
    found = least_room(engine, held, path(peak, peak + 360.0))
    assert found is not None and found.strikes
    free = least_room(engine, intended(engine), path(0.0, 720.0))
    assert free is not None and not free.strikes, "coupled, it never strikes"


@settings(max_examples=10, deadline=None)
@given(engines(), st.floats(0, 720))
def test_no_other_parking_angle_has_more_room(engine: Engine, mark: float) -> None:
    for camshaft in engine.camshafts:
        angle, room = parking_deg(engine, camshaft, mark)
        assert mark - 360.0 <= angle <= mark - 20.0
        assert angle == int(angle), "whole degrees are what a ring is set to"
        assert free_room_mm(engine, camshaft, angle)[0] == pytest.approx(room, abs=1e-9)
        others = mark - np.linspace(20.0, 360.0, 700)
        # the angle is given in whole degrees, less than a degree of the crank from the best
        steepest = float(np.max(np.abs(np.diff(free_room_mm(engine, camshaft, others))))) / (340 / 699)
        assert np.max(free_room_mm(engine, camshaft, others)) <= room + steepest + 0.02
        whole = [float(at) for at in range(-400, 720) if mark - 360.0 < at <= mark - 20.0]
        assert np.max(free_room_mm(engine, camshaft, whole)) <= room + 0.01


def test_no_parking_angle_is_rounded_up_past_the_least_way() -> None:
    engine = build(six(6.0))
    # 381 would be the next whole degree, 19.6 before the mark: the crank stays where it stands
    assert parking_deg(engine, "camshaft A", 400.6, from_deg=380.2)[0] == 380.2
    assert parking_deg(engine, "camshaft A", 400.6, from_deg=379.2)[0] == 380.0


@settings(max_examples=10, deadline=None)
@given(engines(), st.floats(-180, 180))
def test_parked_crank_is_safe_whatever_the_free_camshaft_does(engine: Engine, turned_deg: float) -> None:
    camshaft = engine.camshafts[-1]
    angle, room = parking_deg(engine, camshaft, 400.0)
    coupling = engine.coupling_upstream(camshaft)
    assert coupling is not None
    others = {name: ROCKERS_OFF for name, valve in engine.valves.items() if valve.camshaft != camshaft}
    running = {name: valve.data.running_clearance_mm for name, valve in engine.valves.items()}
    for clearances in ({}, running):  # the checking clearances of the assembly, and the running ones
        assembly = with_clearances(open_at(intended(engine), coupling.name, turned_deg), clearances | others)
        found = least_room(engine, assembly, [angle])
        assert found is None or found.room_mm >= room - 1e-9


def test_room_of_a_free_camshaft_is_that_at_full_lift_and_the_smaller_clearance() -> None:
    # INLET: lift 9, checking 0.40, running 0.30; exhaust the same lift, 0.40 and 0.45; upright; all at one TDC
    engine = build(six(6.0))
    assert free_room_mm(engine, "camshaft A", 0.0)[0] == pytest.approx(6.0 - (9.0 - 0.30), abs=1e-9)
    sheet = six(6.0)
    wide = build(replace(sheet, inlet=replace(sheet.inlet, running_clearance_mm=0.6)))
    assert free_room_mm(wide, "camshaft A", 0.0)[0] == pytest.approx(6.0 - (9.0 - 0.40), abs=1e-9)


def test_path_holds_both_ends_in_small_steps() -> None:
    for start, end in ((0.0, 10.1), (30.0, -400.0), (5.0, 5.0)):
        places = path(start, end)
        assert places[0] == start and places[-1] == end
        assert np.max(np.abs(np.diff(places))) <= 0.25
