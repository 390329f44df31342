"""The set-up as played: order, preconditions, continuous frames, proofs, and mistakes with what they do."""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from random_engines import engines, in_line_six, v_eight

from quillwise.kinematics.angles import wrapped
from quillwise.kinematics.assembly import ROCKERS_OFF, Assembly, Engaged, Open, with_clearances
from quillwise.kinematics.bench import next_pass, passes
from quillwise.kinematics.build import build
from quillwise.kinematics.couplings import trials
from quillwise.kinematics.magnetos import finger_at
from quillwise.kinematics.marks import mark_crank_deg
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import State, finger_running_deg, motion, rotor_running_deg
from quillwise.kinematics.room import free_room_mm
from quillwise.kinematics.sequence import Played, play
from quillwise.kinematics.steps import Step, frame, parse_mistake
from quillwise.kinematics.timing import timing_table
from quillwise.scenes.library import engine as packaged

CAMSHAFT_JOB = ["park", "clearance", "near", "mark", "nip", "try", "home"]
MAGNETO_JOB = ["mark", "break", "try", "home"]


@functools.cache
def engine_of(name: str) -> Engine:
    made = {
        "six": lambda: build(in_line_six()),
        "six, anticlockwise": lambda: build(in_line_six("anticlockwise")),
        "eight": lambda: build(v_eight()),
        "eight, anticlockwise": lambda: build(v_eight("anticlockwise")),
    }
    return made[name]() if name in made else packaged(name)


@functools.cache
def played(name: str, *mistakes: str) -> Played:
    engine = engine_of(name)
    return play(engine, [parse_mistake(engine, text) for text in mistakes])


ENGINES = ("larkfell-port", "larkfell-starboard", "six", "six, anticlockwise", "eight", "eight, anticlockwise")
every_engine = pytest.mark.parametrize("name", ENGINES)


def step(name: str, key: str, *mistakes: str) -> Step:
    return next(s for s in played(name, *mistakes).steps if s.key == key)


def state_at(engine: Engine, of: Step, fraction: float) -> State:
    now = frame(of, fraction)
    return motion(engine, now.assembly, now.crank_deg, now.free)


def early(engine: Engine, assembly: Assembly) -> dict[str, float]:
    checking = {name: valve.data.checking_clearance_mm for name, valve in engine.valves.items()}
    table = timing_table(engine, assembly, checking)
    return {event.name: event.early_deg for event in table if event.early_deg is not None}


# ------------------------------------------------------------------------------------------- order


@every_engine
def test_jobs_in_order_and_each_in_the_order_of_the_bench(name: str) -> None:
    # common practice, published in parts: TM 1-1500-204-23-1 p. 77; flight-mechanic.com, timing to the engine
    engine = engine_of(name)
    expected = ["safe", "tdc", "points"]
    for bank in engine.sheet.banks:
        expected += [f"{bank.name.lower()}-{part}" for part in CAMSHAFT_JOB]
    for magneto in engine.magnetos:
        expected += [f"{magneto}-{part}" for part in MAGNETO_JOB]
    expected += ["two-turns", "inspection", "running-clearance", "earth-leads"]
    steps = played(name).steps
    assert [s.key for s in steps] == expected
    assert [s.number for s in steps] == list(range(1, len(steps) + 1))


@every_engine
def test_crank_turns_on_only_and_stands_while_a_shaft_is_held(name: str) -> None:
    for s in played(name).steps:
        start, end = s.crank_deg
        assert end >= start, "the last movement is in the running direction, so is every one"
        if s.key == "running-clearance":  # each cam comes to its heel in its turn: common practice, no source
            assert end == start + 720.0
        elif s.key.rsplit("-", 1)[-1] in ("clearance", "near", "nip", "try", "home", "break"):
            assert start == end, s.key


@every_engine
def test_preconditions_hold_when_a_step_begins(name: str) -> None:
    engine = engine_of(name)
    for s in played(name).steps:
        slug, _, part = s.key.rpartition("-")
        banks = {bank.name.lower(): bank.name for bank in engine.sheet.banks}
        if slug in banks:
            camshaft = f"camshaft {banks[slug]}"
            coupling = engine.coupling_upstream(camshaft)
            assert coupling is not None
            assert isinstance(s.during.engagements[coupling.name], Open), s.key
            own = {v.name: v for v in engine.valves.values() if v.camshaft == camshaft}
            timed_by = next(j.cylinder for j in engine.sheet.setup if j.camshaft == camshaft)
            for valve in own.values():
                # rockers go on only after the crank is parked, of the cylinder that is timed by only, at the
                # checking clearance; the others when the quill is home
                fitted = part != "park" and valve.cylinder == timed_by
                clearance = s.during.clearances_mm[valve.name]
                assert clearance == (valve.data.checking_clearance_mm if fitted else ROCKERS_OFF), s.key
                if part == "home":
                    assert s.after.clearances_mm[valve.name] == valve.data.checking_clearance_mm
            if part == "home":
                assert isinstance(s.after.engagements[coupling.name], Engaged)
        if slug in engine.magnetos:
            upstream = engine.coupling_upstream(engine.magnetos[slug].rotor)
            assert upstream is not None
            assert isinstance(s.during.engagements[upstream.name], Open)
            for bank in engine.sheet.banks:
                quill = engine.coupling_upstream(f"camshaft {bank.name}")
                assert quill is not None
                assert isinstance(s.during.engagements[quill.name], Engaged), "valves prove the stroke"
        if s.key == "two-turns":
            assert all(isinstance(e, Engaged) for e in s.during.engagements.values())
            assert s.crank_deg[1] - s.crank_deg[0] == 720.0
    last = played(name).as_set
    for valve in engine.valves.values():
        assert last.clearances_mm[valve.name] == valve.data.running_clearance_mm


@every_engine
def test_free_shafts_are_turned_in_their_running_direction(name: str) -> None:
    engine = engine_of(name)
    for s in played(name).steps:
        if s.key.rsplit("-", 1)[-1] not in ("clearance", "near", "nip", "break") or s.job == "finish":
            continue
        assert s.moves
        for move in s.moves:
            assert engine.shafts[move.coordinate].sense * (move.end - move.start) > 0, s.key


# --------------------------------------------------------------------------------- continuous frames


def assert_continuous(engine: Engine, job: Played) -> None:
    turning = {*engine.shafts, *(f"{name} turned" for name in engine.couplings)}
    for this, following in zip(job.steps, job.steps[1:], strict=False):
        end, start = state_at(engine, this, 1.0), state_at(engine, following, 0.0)
        left = motion(engine, this.after, this.crank_deg[1])
        # rockers fitted, or clearances set anew: the valves are then where the new clearance puts them
        for pair, same in (
            ((end, left), this.during.clearances_mm == this.after.clearances_mm),
            ((left, start), this.after.clearances_mm == following.during.clearances_mm),
        ):
            assert set(pair[0]) == set(pair[1])
            for coordinate in pair[0]:
                if coordinate.startswith("valve ") and not same:
                    continue
                apart = float(pair[0][coordinate][0] - pair[1][coordinate][0])
                apart = float(wrapped(apart)) if coordinate in turning else apart
                assert abs(apart) < 1e-6, (this.key, following.key, coordinate)


@every_engine
def test_frames_are_continuous(name: str) -> None:
    assert_continuous(engine_of(name), played(name))


@pytest.mark.parametrize(
    "mistake",
    [
        "other-tooth:quill-a=+1",
        "other-tooth:quill-b=-8",
        "other-tooth:sleeve-exhaust=-3",
        "wrong-mark:camshaft B",
        "wrong-mark:camshaft A=A1 inlet-side points break",
        "wrong-mark:exhaust-side",
        "exhaust-stroke:exhaust-side",
        "exhaust-stroke:inlet-side",
    ],
)
@pytest.mark.parametrize("name", ["larkfell-port", "larkfell-starboard"])
def test_frames_are_continuous_with_mistakes(name: str, mistake: str) -> None:
    assert_continuous(engine_of(name), played(name, mistake))


@settings(max_examples=15, deadline=None)
@given(engines(), st.integers(1, 7), st.data())
def test_random_engines_play_through(engine: Engine, teeth: int, data: st.DataObject) -> None:
    assert_continuous(engine, play(engine))
    name = data.draw(st.sampled_from(sorted(engine.couplings)))
    assert_continuous(engine, play(engine, [parse_mistake(engine, f"other-tooth:{name}={teeth}")]))


def test_nothing_jumps_inside_a_step() -> None:
    engine = engine_of("larkfell-port")
    for s in played("larkfell-port").steps:
        if not any(move.coordinate != "crank" for move in s.moves):
            continue
        states = [state_at(engine, s, fraction) for fraction in np.linspace(0, 1, 41)]
        for move in s.moves:
            if move.coordinate == "crank":
                continue
            values = np.array([float(state[move.coordinate][0]) for state in states])
            # no frame of 41 covers more than a fifth of the whole way of the step
            assert np.max(np.abs(np.diff(values))) <= 0.2 * np.ptp(values) + 1e-9, (s.key, move.coordinate)


# --------------------------------------------------------------------------------- what a step shows


@every_engine
def test_marks_stand_at_the_pointer(name: str) -> None:
    engine = engine_of(name)
    for job in engine.sheet.setup:
        if job.do not in ("set-camshaft", "set-magneto"):
            continue
        slug = job.magneto if job.do == "set-magneto" else job.camshaft.removeprefix("camshaft ").lower()
        s = step(name, f"{slug}-mark")
        assert s.crank_deg[1] % 720.0 == pytest.approx(mark_crank_deg(engine, job))
        label = f"{job.cylinder} {job.magneto} points break" if job.magneto else f"{job.cylinder} {job.by}"
        assert s.mark == label
        assert [c.verdict for c in s.checks] == ["accept"]


@every_engine
def test_feeler_is_just_nipped_at_the_mark(name: str) -> None:
    engine = engine_of(name)
    for s in played(name).steps:
        if not s.key.endswith(("-nip", "-near")):
            continue
        valve = engine.valves[s.valve]
        now = frame(s, 1.0)
        bare = with_clearances(now.assembly, {s.valve: 0.0})
        lift = motion(engine, bare, now.crank_deg, now.free)[f"valve {s.valve}"][0]
        by = next(j.by for j in engine.sheet.setup if j.camshaft == valve.camshaft)
        if s.key.endswith("-nip"):
            assert lift == pytest.approx(valve.data.checking_clearance_mm, abs=1e-9)
        elif by.endswith("opens"):
            assert lift < valve.data.checking_clearance_mm, "the valve is shut and has clearance"
        else:
            assert lift > valve.data.checking_clearance_mm, "the valve is still open"


@every_engine
def test_cam_is_on_its_heel_when_the_clearance_is_set(name: str) -> None:
    engine = engine_of(name)
    for s in played(name).steps:
        if s.key.endswith("-clearance") and s.valve and s.coupling:
            now = frame(s, 1.0)
            bare = with_clearances(now.assembly, {s.valve: 0.0})
            for off in (-20.0, 0.0, 20.0):
                driven = engine.couplings[s.coupling].driven
                free = {driven: float(state_at(engine, s, 1.0)[driven][0]) + off}
                assert motion(engine, bare, now.crank_deg, free)[f"valve {s.valve}"][0] == 0.0


@every_engine
def test_four_things_agree_when_the_magneto_is_held(name: str) -> None:
    # published: flight-mechanic.com, timing the high-tension magneto: compression, E-gap, break, finger
    engine = engine_of(name)
    for magneto in engine.magnetos.values():
        s = step(name, f"{magneto.name}-break")
        state = state_at(engine, s, 1.0)
        running = rotor_running_deg(engine, magneto.name, state[magneto.rotor])
        # the E-gap past one neutral or another, as at the break of the first cylinder
        assert wrapped(running, 360.0 / magneto.data.poles)[0] == pytest.approx(0.0, abs=1e-6)
        cylinder = next(j.cylinder for j in engine.sheet.setup if j.magneto == magneto.name)
        finger = finger_at(
            magneto.data, engine.sheet.firing_order, finger_running_deg(engine, magneto.name, state[magneto.finger])
        )
        assert engine.sheet.firing_order[int(finger.segment[0])] == cylinder
        firing = engine.cylinders[cylinder].firing_deg
        assert wrapped(s.crank_deg[1] - firing - magneto.data.break_deg, 720.0) == pytest.approx(0.0)
        now = frame(s, 1.0)
        sense = engine.shafts[magneto.rotor].sense
        driven = engine.couplings[s.coupling].driven
        held = float(state[driven][0])
        opening = [
            motion(engine, now.assembly, now.crank_deg, {driven: held + sense * off})[f"points {magneto.name}"][0]
            for off in (-0.5, 0.5)
        ]
        assert opening[0] == 0.0 < opening[1], "the points just break"


def test_fixed_figures_of_the_port_engine() -> None:
    # by hand: 22 BTDC of the inlet stroke is 338, B6 fires 60 after A1, 41 BTDC is 679, and 679 - 398 = 281
    name = "larkfell-port"
    assert step(name, "a-mark").crank_deg[1] == 338.0
    assert step(name, "b-mark").crank_deg[1] == 398.0
    spark = step(name, "exhaust-side-mark")
    assert spark.crank_deg == (398.0, 679.0)
    assert spark.passes == 1
    assert "Turn the crank 281 degrees on, clockwise, seen from the wheelcase end." in spark.text.do
    assert step(name, "inlet-side-mark").crank_deg == (679.0, 686.0)


def test_valves_prove_the_stroke() -> None:
    engine = engine_of("larkfell-port")
    spark = step("larkfell-port", "exhaust-side-mark")
    state = motion(engine, spark.during, [679.0, 679.0 - 360.0])
    exhaust, inlet = state["valve A1 exhaust"], state["valve A1 inlet"]
    assert list(inlet) == [0.0, 0.0]
    assert exhaust[0] == 0.0 and exhaust[1] > 1.0
    assert ("valve", "At the right pass, both valves of A1 are shut: A1 is on compression.") in spark.text.see
    lift = f"{exhaust[1]:.1f}"
    assert ("valve", f"At the other pass, the exhaust valve of A1 is open by {lift} mm.") in spark.text.see
    # the same mark is also where A6, a turn away, is due
    assert engine.cylinders["A6"].firing_deg == 360.0


@settings(max_examples=15, deadline=None)
@given(engines())
def test_parked_with_the_room_that_the_step_says(engine: Engine) -> None:
    for s in play(engine).steps:
        if not s.key.endswith("-park"):
            continue
        camshaft = f"camshaft {s.key[0].upper()}"
        room = float(free_room_mm(engine, camshaft, s.crank_deg[1])[0])
        said = [line for where, line in s.text.see if where == "room"]
        if "At least" in said[0]:
            assert f"{room:.1f} mm" in said[0]
            assert room > 0
        else:
            assert room <= 0 or "do not give" in said[0]


@every_engine
def test_trials_are_those_of_the_bench_as_it_stands(name: str) -> None:
    engine = engine_of(name)
    for s in played(name).steps:
        if not s.key.endswith("-try"):
            continue
        coupling = engine.couplings[s.coupling]
        assert len(s.trials) == coupling.data.driving_teeth
        assert s.chosen is not None
        least = min(abs(trial.out_of_line_deg) for trial in s.trials)
        assert abs(s.chosen.out_of_line_deg) == pytest.approx(least, abs=1e-9)
        # the crank stands at its mark and the shaft is held at its event: exact, so as with nothing held ahead
        for here, exact in zip(s.trials, trials(coupling.data), strict=True):
            assert here.out_of_line_deg == pytest.approx(exact.out_of_line_deg, abs=1e-6)


@given(st.floats(-1000, 1000), st.floats(0, 2000), st.floats(0, 719))
def test_passes_by_counting(start: float, way: float, mark: float) -> None:
    counted = sum(start + 1e-3 < mark + 360.0 * turn <= start + way + 1e-3 for turn in range(-8, 12))
    near = [abs((start + end - mark + 180) % 360 - 180) < 0.01 for end in (0.0, way)]
    if not any(near):
        assert passes(start, start + way, mark) == counted


def test_passes_at_the_ends() -> None:
    assert passes(398.0, 679.0, 679.0) == 1, "319 lies before the start"
    assert passes(300.0, 679.0, 679.0) == 2
    assert passes(319.0, 679.0, 679.0) == 1, "where it starts from is not counted"
    assert passes(679.0, 679.0, 679.0) == 0


@given(st.floats(-2000, 2000), st.floats(0, 720, exclude_max=True))
def test_next_pass_is_the_first_that_comes(crank: float, mark: float) -> None:
    found = next_pass(crank, mark)
    assert -1e-9 <= found - crank < 720.0
    assert wrapped(found - mark, 720.0) == pytest.approx(0.0, abs=1e-5)
    assert next_pass(679.0, 679.0) == 679.0


# ------------------------------------------------------------------------------------------ mistakes


@every_engine
def test_done_right_nothing_is_rejected(name: str) -> None:
    engine = engine_of(name)
    assert played(name).failed == ()
    assert max(map(abs, early(engine, played(name).as_set).values())) < engine.sheet.limits.valve_event_deg


@pytest.mark.parametrize(("name", "coupling"), [("larkfell-port", "quill-b"), ("eight, anticlockwise", "quill-a")])
@pytest.mark.parametrize("teeth", [1, -1, 3, 5, -7])
def test_other_tooth_shifts_the_bank_by_the_difference_of_the_trials(name: str, coupling: str, teeth: int) -> None:
    engine = engine_of(name)
    mistake = f"other-tooth:{coupling}={teeth:+d}"
    right, wrong = step(name, f"{coupling[-1]}-try"), step(name, f"{coupling[-1]}-try", mistake)
    assert wrong.mistake == mistake
    assert right.chosen is not None and wrong.chosen is not None
    count = engine.couplings[coupling].data.driving_teeth
    assert (wrong.chosen.driving_tooth - right.chosen.driving_tooth) % count == teeth % count
    shift = wrong.chosen.out_of_line_crank_deg - right.chosen.out_of_line_crank_deg
    before, after = early(engine, played(name).as_set), early(engine, played(name, mistake).as_set)
    bank = coupling[-1].upper()
    for event, was in before.items():
        own = event.startswith(bank) and "points" not in event
        assert after[event] - was == pytest.approx(shift if own else 0.0, abs=1e-6), event


def test_other_tooth_far_enough_out_is_rejected() -> None:
    engine = engine_of("larkfell-port")
    mistake = "other-tooth:quill-b=+6"
    shown = step("larkfell-port", "b-home", mistake)
    assert [check.verdict for check in shown.checks] == ["reject"]
    assert shown.checks[0].what == "B6 inlet opens"
    assert {check.what[0] for check in played("larkfell-port", mistake).failed} == {"B"}
    assert abs(shown.checks[0].early) > engine.sheet.limits.valve_event_deg


def test_wrong_mark_puts_the_bank_out_by_the_way_between_the_marks() -> None:
    engine = engine_of("larkfell-port")
    mistake = "wrong-mark:camshaft B=A1 exhaust-side points break"
    shown = step("larkfell-port", "b-mark", mistake)
    assert shown.mark == "A1 exhaust-side points break"
    assert shown.mistake == mistake
    assert shown.crank_deg[1] == 679.0
    assert [check.verdict for check in shown.checks] == ["reject"]
    assert shown.checks[0].early == pytest.approx(398.0 - 679.0)
    before, after = (
        early(engine, played("larkfell-port").as_set),
        early(engine, played("larkfell-port", mistake).as_set),
    )
    half_step = 360 / (19 * 18) / 2 / 1.5
    for event, was in before.items():
        if event.startswith("B") and "points" not in event:
            assert wrapped(after[event] - was + 281.0, 720.0) == pytest.approx(0.0, abs=2 * half_step)
        elif "points" not in event:
            assert after[event] == pytest.approx(was)
    assert any(check.what == "B6 inlet opens" for check in played("larkfell-port", mistake).failed)


def test_wrong_mark_without_a_name_is_the_next_on_the_disc() -> None:
    # the crank stands at 398; of the disc's other marks that of the second magneto, 686 - 360 = 326, comes first
    shown = step("larkfell-port", "exhaust-side-mark", "wrong-mark:exhaust-side")
    assert shown.mark == "A1 inlet-side points break"
    assert shown.crank_deg == (398.0, 686.0)
    after = early(engine_of("larkfell-port"), played("larkfell-port", "wrong-mark:exhaust-side").as_set)
    assert after["A1 exhaust-side points break"] == pytest.approx(-7.0, abs=1.0)


@pytest.mark.parametrize("name", ["larkfell-port", "six", "eight, anticlockwise"])
def test_exhaust_stroke_puts_the_magneto_a_turn_out(name: str) -> None:
    engine = engine_of(name)
    magneto = next(iter(engine.magnetos))
    mistake = f"exhaust-stroke:{magneto}"
    right, wrong = step(name, f"{magneto}-mark"), step(name, f"{magneto}-mark", mistake)
    assert wrong.crank_deg[1] - right.crank_deg[1] == 360.0
    assert wrong.crank_deg[1] % 360.0 == right.crank_deg[1] % 360.0, "the disc looks the same"
    before, after = early(engine, played(name).as_set), early(engine, played(name, mistake).as_set)
    coupling = engine.coupling_upstream(engine.magnetos[magneto].rotor)
    assert coupling is not None
    for event, was in before.items():
        out = wrapped(after[event] - was, 720.0)
        # when the magneto makes no whole turn in a turn of the crank, its sleeve finds another tooth
        assert abs(out) == pytest.approx(360.0 if magneto in event else 0.0, abs=3.0), event
    failed = {check.what for check in played(name, mistake).failed}
    cylinder = next(j.cylinder for j in engine.sheet.setup if j.magneto == magneto)
    assert f"{cylinder} {magneto} points break" in failed
    assert f"crank at “{cylinder} {magneto} points break”" in failed


def test_second_magneto_set_right_after_the_first_one_wrong_is_caught_by_the_stagger() -> None:
    failed = played("larkfell-port", "exhaust-stroke:exhaust-side").failed
    between = [check for check in failed if check.what == "between the two magnetos"]
    assert len(between) == 1
    assert between[0].wanted == pytest.approx(7.0)
    assert abs(between[0].early) == pytest.approx(360.0, abs=1.0)


def test_stagger_of_nothing_is_allowed() -> None:
    port = engine_of("larkfell-port").sheet
    same = replace(port, magnetos=tuple(replace(m, break_deg=680.0) for m in port.magnetos))
    engine = build(same)
    made = play(engine)
    assert made.failed == ()
    second = next(s for s in made.steps if s.key == "inlet-side-mark")
    assert second.crank_deg[0] == second.crank_deg[1]
    assert "The crank stands at the mark already." in [line for _, line in second.text.see]


@pytest.mark.parametrize("name", ["larkfell-port", "launch-inverted"])
def test_both_magnetos_a_turn_out_stand_as_far_apart_as_they_should(name: str) -> None:
    """Computed: a turn on both cancels in their difference, though one may be told as a turn early, the other late."""
    engine = engine_of(name)
    right = [check for step in played(name).steps for check in step.checks if check.interval]
    wrong = play(engine, [parse_mistake(engine, f"exhaust-stroke:{magneto}") for magneto in engine.magnetos])
    (as_it_should,), (now,) = right, [check for step in wrong.steps for check in step.checks if check.interval]
    assert now.as_set == pytest.approx(as_it_should.as_set, abs=1e-6)
