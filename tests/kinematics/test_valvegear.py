"""Two camshafts a bank and two to five valves a cylinder: names, places, senses, events, set-up.

No published figures: places must not collide, speeds must be half, and every lobe must lift its own valve, found here
from the lobe's outline alone (computed). Clearances beyond the ramp: ``scipy.optimize.brentq`` on the lift.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import combinations

import numpy as np
import pytest
import random_engines
from hypothesis import HealthCheck, given, settings
from scipy.optimize import brentq
from valve_trains import WAYS, two_camshafts, valved_engines, with_valves

from quillwise.kinematics.assembly import intended, with_clearances
from quillwise.kinematics.build import build
from quillwise.kinematics.cams import lift_mm
from quillwise.kinematics.errors import SceneError
from quillwise.kinematics.lobes import LOBE_WIDTH, FlatPlan, outline, turned
from quillwise.kinematics.model import Engine, Valve
from quillwise.kinematics.room import free_room_mm
from quillwise.kinematics.sequence import play
from quillwise.kinematics.timing import timing_table

SIX = random_engines.in_line_six()
EIGHT = random_engines.v_eight()
COUNTS = [(1, 1), (2, 1), (1, 2), (2, 2), (3, 1), (3, 2)]


def head_at(valve: Valve) -> tuple[float, float]:
    """Where the head of the shut valve stands in the bank's plane, and along the crank [mm]."""
    lean = np.radians(valve.plan.valve_turn_deg)
    return float(valve.tip_u_mm - valve.length_mm * np.sin(lean)), valve.x_mm


def of_cylinder(engine: Engine, cylinder: str) -> list[Valve]:
    return [valve for valve in engine.valves.values() if valve.cylinder == cylinder]


def lobe_reach_mm(valve: Valve) -> float:
    return float(np.hypot(*outline(valve.plan, valve.curve, 0.0).T).max())


# --- names and numbers


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(valved_engines())
def test_every_cylinder_has_its_valves_by_name(engine: Engine) -> None:
    sheet = engine.sheet
    wanted = []
    for cylinder in engine.cylinders:
        for data in (sheet.inlet, sheet.exhaust):
            numbers = [""] if data.count == 1 else [f" {n}" for n in range(1, data.count + 1)]
            wanted += [f"{cylinder} {data.kind}{number}" for number in numbers]
    assert list(engine.valves) == wanted
    for name, valve in engine.valves.items():
        assert engine.valve(valve.cylinder, valve.kind, valve.number) is valve
        assert valve.name == name
        bank = engine.cylinders[valve.cylinder].bank
        assert valve.camshaft == (
            f"camshaft {bank}" if sheet.camshafts_per_bank == 1 else f"camshaft {bank} {valve.kind}"
        )


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(valved_engines())
def test_every_camshaft_runs_at_half_speed_and_its_lobes_do_not_touch(engine: Engine) -> None:
    assert len(engine.camshafts) == len(engine.sheet.banks) * engine.sheet.camshafts_per_bank
    width = LOBE_WIDTH * engine.sheet.crank.bore_mm
    for camshaft in engine.camshafts:
        assert abs(engine.shafts[camshaft].turns) == Fraction(1, 2)
        stations = sorted(valve.x_mm for valve in engine.valves.values() if valve.camshaft == camshaft)
        assert np.diff(stations).min() > width
        low, high = engine.shafts[camshaft].span_mm
        assert low < stations[0] - width / 2 and stations[-1] + width / 2 < high


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(valved_engines())
def test_heads_and_camshafts_of_a_cylinder_clear_each_other(engine: Engine) -> None:
    for cylinder in (next(iter(engine.cylinders)), list(engine.cylinders)[-1]):
        valves = of_cylinder(engine, cylinder)
        if len(valves) > 2:
            for one, other in combinations(valves, 2):
                apart = np.hypot(*np.subtract(head_at(one), head_at(other)))
                lean = abs(one.plan.valve_turn_deg - other.plan.valve_turn_deg)
                # the edge of a leaning head lies a little off the place where its stem meets it
                edge = max(one.head_radius_mm, other.head_radius_mm) * np.sin(np.radians(lean)) ** 2
                assert apart + edge > one.head_radius_mm + other.head_radius_mm, (one.name, other.name)
        for one, other in combinations(valves, 2):
            if one.camshaft != other.camshaft:
                apart = abs(one.camshaft_u_mm - other.camshaft_u_mm)
                assert apart > lobe_reach_mm(one) + lobe_reach_mm(other)


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(valved_engines())
def test_inlet_valves_stand_towards_the_middle_of_the_engine(engine: Engine) -> None:
    for cylinder in engine.cylinders.values():
        inlet, exhaust = engine.valve(cylinder.name, "inlet"), engine.valve(cylinder.name, "exhaust")
        if inlet.camshaft != exhaust.camshaft:
            assert cylinder.towards * inlet.camshaft_u_mm > 0 > cylinder.towards * exhaust.camshaft_u_mm


def test_shafts_stand_where_the_valves_say() -> None:
    engine = build(two_camshafts(with_valves(EIGHT, 2, 2, "flat", 20.0)))
    for valve in engine.valves.values():
        bank = np.radians(engine.cylinders[valve.cylinder].bank_turn_deg)
        w, u = np.array([-np.sin(bank), np.cos(bank)]), np.array([-np.cos(bank), -np.sin(bank)])
        wanted = engine.sizes.camshaft_height_mm * w + valve.camshaft_u_mm * u
        assert engine.shafts[valve.camshaft].point[1:] == pytest.approx(wanted)


# --- senses


@pytest.mark.parametrize(("way", "same"), [("direct", False), ("idler", True)])
@pytest.mark.parametrize("rotation", ["clockwise", "anticlockwise"])
def test_equal_spur_wheels_turn_the_exhaust_camshaft_the_other_way(way: str, same: bool, rotation: str) -> None:
    for sheet in (random_engines.in_line_six(rotation), random_engines.v_eight(rotation)):  # type: ignore[arg-type]
        engine = build(two_camshafts(sheet, way))
        for bank in sheet.banks:
            inlet, exhaust = (engine.shafts[f"camshaft {bank.name} {kind}"].sense for kind in ("inlet", "exhaust"))
            assert (inlet == exhaust) is same


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("sheet", [SIX, EIGHT], ids=["six", "eight"])
def test_each_lobe_reaches_furthest_towards_its_follower_at_its_own_peak(sheet, way: str) -> None:  # type: ignore[no-untyped-def]
    """By the outline alone, turned with the camshaft at its own sense: its reach towards the pad is base and lift."""
    engine = build(two_camshafts(with_valves(sheet, 2, 2, "flat", 15.0), way))
    for valve in [*of_cylinder(engine, "A1"), *of_cylinder(engine, "A3")]:
        assert isinstance(valve.plan, FlatPlan)
        turns = float(engine.shafts[valve.camshaft].turns) * engine.sigma
        firing = engine.cylinders[valve.cylinder].firing_deg
        shape = outline(valve.plan, valve.curve, firing, turns, 2000)
        pad = np.radians(valve.plan.follower_turn_deg)
        theta = firing + np.arange(0.0, 720.0, 4.0)
        reach = [float((turned(shape, turns * at) @ (np.sin(pad), np.cos(pad))).max()) for at in theta]
        lift = lift_mm(valve.curve, theta - firing)
        assert reach == pytest.approx(valve.plan.base_radius_mm + lift, abs=0.01)


# --- events


@pytest.mark.parametrize(("inlet", "exhaust"), COUNTS)
@pytest.mark.parametrize("camshafts", [1, 2])
def test_events_are_told_once_a_kind_unless_clearances_differ(inlet: int, exhaust: int, camshafts: int) -> None:
    sheet = with_valves(SIX, inlet, exhaust)
    engine = build(two_camshafts(sheet) if camshafts == 2 else sheet)
    assembly = intended(engine)
    names = [event.name for event in timing_table(engine, assembly)]
    assert len(names) == len(set(names)) == 6 * (4 + len(engine.magnetos))
    assert "A4 exhaust closes" in names
    odd = engine.valve("A4", "exhaust", exhaust)
    table = {event.name: event for event in timing_table(engine, with_clearances(assembly, {odd.name: 0.30}))}
    if exhaust == 1:
        assert set(table) == set(names)
        return
    assert set(table) == set(names) - {"A4 exhaust opens", "A4 exhaust closes"} | {
        f"A4 exhaust {n} {what}" for n in (1, 2) for what in ("opens", "closes")
    }
    # 0.1 mm less on a ramp of 0.02 mm a degree: five degrees
    moved = [
        table[f"A4 exhaust 2 {what}"].early_deg - table[f"A4 exhaust 1 {what}"].early_deg
        for what in ("opens", "closes")
    ]  # type: ignore[operator]
    assert moved == pytest.approx([5.0, -5.0], abs=1e-9)


@pytest.mark.parametrize("clearance_mm", [0.2, 0.45, 0.5, 0.51, 0.8, 2.0])
def test_clearance_moves_the_events_on_the_ramp_and_beyond_it(clearance_mm: float) -> None:
    """The ramp's top is at 0.5 mm: below it by the ramp's velocity, beyond it where the lift is the clearance."""
    engine = build(SIX)
    assembly = with_clearances(intended(engine), dict.fromkeys(engine.valves, clearance_mm))
    exact = {event.name: event for event in timing_table(engine, intended(engine))}
    table = {event.name: event for event in timing_table(engine, assembly)}
    for kind in ("inlet", "exhaust"):
        curve = engine.valve("A1", kind).curve  # type: ignore[arg-type]
        for what, way in (("opens", -1), ("closes", 1)):
            name = f"A1 {kind} {what}"
            heel = curve.peak_deg + way * 200.0
            real = brentq(lambda own, c=curve: float(lift_mm(c, own)) - clearance_mm, heel, curve.peak_deg, xtol=1e-12)
            shift = table[name].early_deg - exact[name].early_deg  # type: ignore[operator]
            assert shift == pytest.approx(exact[name].own_deg - real, abs=1e-7)
            if clearance_mm <= 0.5:
                assert shift == pytest.approx(way * (clearance_mm - 0.40) / 0.02, abs=1e-7)


# --- set-up


@pytest.mark.parametrize("way", WAYS)
def test_set_up_of_two_camshafts(way: str) -> None:
    engine = build(two_camshafts(with_valves(SIX, 2, 2, "flat", 15.0), way))
    steps = {step.key: step for step in play(engine).steps}
    own = way == "own"
    assert ("a-exhaust-nip" in steps) is own, "one quill times both, unless each has its own"
    assert "a-exhaust-mark" in steps and "a-inlet-home" in steps
    assert {steps["a-exhaust-mark"].job, steps["a-inlet-nip"].job} == {"camshaft A exhaust", "camshaft A inlet"}
    assert play(engine).failed == ()
    fitted = {v for v, mm in steps["a-inlet-home"].after.clearances_mm.items() if np.isfinite(mm)}
    assert {engine.valves[v].kind for v in fitted} == ({"inlet"} if own else {"inlet", "exhaust"})


def test_the_valve_that_is_timed_by_is_number_one_unless_the_step_says_so() -> None:
    engine = build(two_camshafts(with_valves(SIX, 3, 2)))
    for number, sheet in ((1, engine.sheet), (3, None)):
        steps = tuple(
            replace(step, valve=number) if step.by == "inlet opens" and step.do == "set-camshaft" else step
            for step in engine.sheet.setup
        )
        played = play(engine if sheet else build(replace(engine.sheet, setup=steps)))
        assert next(step.valve for step in played.steps if step.key == "a-inlet-nip") == f"A1 inlet {number}"


def test_room_counts_all_that_turn_with_a_free_camshaft() -> None:
    theta = np.arange(0.0, 720.0, 5.0)
    shared = build(two_camshafts(with_valves(SIX, 1, 1, "flat", 15.0), "direct"))
    apart = build(two_camshafts(with_valves(SIX, 1, 1, "flat", 15.0), "own"))
    assert shared.camshafts_with("camshaft A inlet") == ("camshaft A inlet", "camshaft A exhaust")
    assert apart.camshafts_with("camshaft A inlet") == ("camshaft A inlet",)
    both = np.minimum(*(free_room_mm(apart, f"camshaft A {kind}", theta) for kind in ("inlet", "exhaust")))
    assert free_room_mm(shared, "camshaft A inlet", theta) == pytest.approx(both)


# --- what has no room


@pytest.mark.parametrize(("inlet", "exhaust"), [(2, 2), (3, 2)])
def test_flat_followers_of_many_valves_need_two_camshafts(inlet: int, exhaust: int) -> None:
    sheet = with_valves(SIX, inlet, exhaust, "flat", 0.0)
    with pytest.raises(SceneError, match=rf"valves: the followers of {inlet + exhaust} valves a cylinder take"):
        build(sheet)
    assert len(build(two_camshafts(sheet)).valves) == 6 * (inlet + exhaust)


def test_each_camshaft_that_is_missing_is_told() -> None:
    sheet = two_camshafts(EIGHT)
    wheelcase = next(train for train in sheet.trains if train.drives == "wheelcase shaft")
    with pytest.raises(SceneError) as caught:
        build(replace(sheet, trains=(wheelcase,), magnetos=(), couplings=(), setup=()))
    assert str(caught.value).splitlines() == [
        f"trains: no train drives camshaft {bank} {kind}; each bank needs an inlet and an exhaust camshaft"
        for bank in "AB"
        for kind in ("inlet", "exhaust")
    ]
