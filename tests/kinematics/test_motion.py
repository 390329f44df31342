"""The state of random engines: exact speeds, events found by root-finding, couplings moved and moved back."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from random_engines import engines, in_line_six, v_eight
from scipy.optimize import bisect, brentq

from quillwise.kinematics.angles import wrapped
from quillwise.kinematics.assembly import Assembly, intended, move_teeth, open_at, with_clearances, with_mesh_teeth
from quillwise.kinematics.build import build
from quillwise.kinematics.couplings import shift_deg
from quillwise.kinematics.lobes import RockerPlan, roller_centre_mm
from quillwise.kinematics.model import CRANKSHAFT, Engine, Valve
from quillwise.kinematics.motion import cam_own_deg, motion, shaft_angles, valve_lifts_mm
from quillwise.kinematics.timing import timing_table
from quillwise.scenes.library import engine as packaged
from quillwise.scenes.library import names as scenes

RANDOM = settings(max_examples=15, deadline=None)
ROUND = np.arange(0.0, 720.5, 1.0) + 0.1234567  # one cycle, off the whole degrees that data stand on


@RANDOM
@given(engines())
def test_shafts_turn_at_their_exact_speeds(engine: Engine) -> None:
    # published: TM 9-8000 para 15-13: the distributor turns at half the crank's speed; so do the camshafts
    start, end = (shaft_angles(engine, intended(engine), np.array([theta])) for theta in (0.0, 720.0))
    for name, shaft in engine.shafts.items():
        if name in engine.camshafts or name.endswith(" finger"):
            assert abs(shaft.turns) == Fraction(1, 2)
        turned = end[name][0] - start[name][0]
        assert turned == pytest.approx(engine.sigma * 720.0 * float(shaft.turns), abs=1e-8)
        assert np.sign(turned) == shaft.sense
    for magneto in engine.magnetos.values():
        # formula from memory: cylinders / (2 x poles) turns of the magneto to a turn of the crank
        assert abs(engine.shafts[magneto.rotor].turns) == Fraction(len(engine.cylinders), 2 * magneto.data.poles)


def roots(engine: Engine, assembly: Assembly, valve: Valve, clearance_mm: float) -> tuple[list[float], list[float]]:
    """θ at which the lift rises and falls through a clearance, found on ``motion`` alone."""
    bare = with_clearances(assembly, {valve.name: 0.0})

    def above(theta: float | np.ndarray) -> np.ndarray:
        return motion(engine, bare, theta)[f"valve {valve.name}"] - clearance_mm

    values = above(ROUND)
    found: tuple[list[float], list[float]] = ([], [])
    for at in np.flatnonzero(np.sign(values[:-1]) != np.sign(values[1:])):
        theta = brentq(lambda t: above(t)[0], ROUND[at], ROUND[at + 1], xtol=1e-10)
        found[0 if values[at] < 0 else 1].append(float(theta))
    return found


@settings(max_examples=8, deadline=None)
@given(engines(), st.data())
def test_events_found_by_root_finding_are_those_of_the_table(engine: Engine, data: st.DataObject) -> None:
    assembly = intended(engine)
    for name, coupling in engine.couplings.items():
        teeth = st.integers(-coupling.data.driving_teeth, coupling.data.driving_teeth)
        assembly = move_teeth(assembly, name, data.draw(teeth), data.draw(teeth))
    clearance = data.draw(st.sampled_from((0.15, 0.3, 0.7)))
    assembly = with_clearances(assembly, dict.fromkeys(engine.valves, clearance))
    table = {event.name: event for event in timing_table(engine, assembly)}
    cylinder = data.draw(st.sampled_from(engine.sheet.firing_order))
    for kind in ("inlet", "exhaust"):
        opens, closes = roots(engine, assembly, engine.valves[f"{cylinder} {kind}"], clearance)
        assert len(opens) == len(closes) == 1
        for found, word in ((opens[0], "opens"), (closes[0], "closes")):
            as_set = table[f"{cylinder} {kind} {word}"].as_set_deg
            assert as_set is not None
            assert wrapped(found - as_set, 720.0) == pytest.approx(0.0, abs=1e-6)


@settings(max_examples=10, deadline=None)
@given(engines(), st.sampled_from((0.2, 0.30, 0.42)))
def test_breaks_found_by_bisection_are_those_of_the_table(engine: Engine, gap: float) -> None:
    assembly = Assembly(
        engagements=intended(engine).engagements,
        clearances_mm=intended(engine).clearances_mm,
        points_gaps_mm=dict.fromkeys(engine.magnetos, gap),
    )
    events = [event for event in timing_table(engine, assembly) if event.kind == "points break"]
    for name in engine.magnetos:
        opening = motion(engine, assembly, ROUND)[f"points {name}"]
        breaks = []
        for at in np.flatnonzero((opening[:-1] == 0) & (opening[1:] > 0)):

            def closed(theta: float, name: str = name) -> float:
                return 0.5 - float(motion(engine, assembly, theta)[f"points {name}"][0] > 0)

            breaks.append(bisect(closed, ROUND[at], ROUND[at + 1], xtol=1e-9))
        expected = [event.as_set_deg for event in events if event.magneto == name]
        assert len(breaks) == len(expected) == len(engine.cylinders)
        for theta in breaks:
            nearest = min(abs(float(wrapped(theta - e, 720.0))) for e in expected if e is not None)
            # the opening leaves 0 with a slope, but the bisection sees rounding of its cosine
            assert nearest < 1e-6


@RANDOM
@given(engines(), st.integers(-40, 40), st.integers(-40, 40))
def test_coupling_moved_there_and_back_changes_nothing(engine: Engine, k: int, m: int) -> None:
    before = shaft_angles(engine, intended(engine), ROUND[::60])
    for name, coupling in engine.couplings.items():
        there = move_teeth(intended(engine), name, k, m)
        back = shaft_angles(engine, move_teeth(there, name, -k, -m), ROUND[::60])
        for coordinate, values in before.items():
            assert np.array_equal(back[coordinate], values)
        moved = shaft_angles(engine, there, ROUND[::60])[coupling.driven] - before[coupling.driven]
        ahead = engine.shafts[coupling.driven].sense * float(shift_deg(coupling.data, k, m))
        assert moved == pytest.approx(ahead, abs=1e-9), "+ is ahead in the running direction"


@RANDOM
@given(engines())
def test_a_wheel_meshed_a_tooth_out_makes_all_behind_it_early(engine: Engine) -> None:
    before = shaft_angles(engine, intended(engine), np.zeros(1))
    for mesh in engine.meshes.values():
        after = shaft_angles(engine, with_mesh_teeth(intended(engine), mesh.name, 1), np.zeros(1))
        wheel = engine.wheels[mesh.driven]
        early_crank = 360.0 / wheel.teeth / abs(float(engine.shafts[wheel.shaft].turns))
        for name, shaft in engine.shafts.items():
            chain = [name]
            while engine.shafts[chain[-1]].parent:
                chain.append(engine.shafts[chain[-1]].parent)
            moved = (after[name] - before[name])[0] * shaft.sense / abs(float(shaft.turns))
            assert moved == pytest.approx(early_crank if wheel.shaft in chain else 0.0, abs=1e-9)


def test_open_coupling_leaves_its_driven_shaft_where_it_is_put() -> None:
    engine = build(v_eight())
    opened = open_at(intended(engine), "quill-b", 33.0)
    state = motion(engine, opened, [0.0, 100.0])
    driven = engine.couplings["quill-b"].driven
    assert np.all(state[driven] == 33.0)
    assert np.all(np.ptp(state["camshaft B"]) == 0) and np.ptp(state["camshaft A"]) == pytest.approx(50.0)
    free = motion(engine, opened, [0.0, 100.0], {driven: [1.0, 2.0]})
    assert list(free[driven]) == [1.0, 2.0]
    assert np.diff(free["camshaft B"])[0] == pytest.approx(float(engine.shafts["camshaft B"].ratio))


def test_state_is_read_only() -> None:
    state = motion(build(in_line_six()), intended(build(in_line_six())), 10.0)
    with pytest.raises(ValueError, match="read-only"):
        state[CRANKSHAFT][0] = 1.0


def test_rocker_pad_and_valve_agree_at_every_lift() -> None:
    # the rocker's roller follows the lobe while the valve goes down: both come from one travel
    engine = packaged("larkfell-port")
    valve = engine.valves["B2 exhaust"]
    assert isinstance(valve.plan, RockerPlan)
    state = motion(engine, intended(engine), ROUND[::5])
    travel = state["valve B2 exhaust"] + valve.data.checking_clearance_mm
    open_now = state["valve B2 exhaust"] > 0
    centre = roller_centre_mm(valve.plan, travel)
    pivot = np.asarray(valve.plan.pivot_mm)
    start = roller_centre_mm(valve.plan, 0.0) - pivot
    arm = centre - pivot
    # + about +x is from w (up) to u (right): (u, w) turned by the rocker's angle
    turn = np.radians(state["rocker B2 exhaust"])
    turned = np.stack(
        [
            start[..., 0] * np.cos(turn) + start[..., 1] * np.sin(turn),
            start[..., 1] * np.cos(turn) - start[..., 0] * np.sin(turn),
        ],
        axis=-1,
    )
    assert open_now.any()
    assert turned[open_now] == pytest.approx(arm[open_now], abs=1e-9)


def test_cam_stands_at_its_cylinders_own_angle() -> None:
    engine = packaged("larkfell-starboard")
    valve = engine.valves["B5 inlet"]
    assert engine.cylinders["B5"].firing_deg == 60.0
    exact = {name: engine.sigma * float(shaft.turns) * 398.0 for name, shaft in engine.shafts.items()}
    assert cam_own_deg(engine, valve, np.array([exact["camshaft B"]])) == pytest.approx(338.0)


@pytest.mark.parametrize("name", scenes())
def test_the_lifts_alone_are_those_of_the_whole_state(name: str) -> None:
    engine = packaged(name)
    assembly = move_teeth(intended(engine), next(iter(engine.couplings)), 1, 0)
    theta = np.linspace(-90.0, 720.0, 271)
    whole, lifts = motion(engine, assembly, theta), valve_lifts_mm(engine, assembly, theta)
    assert lifts.keys() == {f"valve {valve}" for valve in engine.valves}
    assert all(np.array_equal(whole[key], lift) for key, lift in lifts.items())
