"""The way back from a slip at the bench: the shortest that is safe, with the room on the way.

Published: TM 1-1500-204-23-1 p. 77 (last movement in the running direction, a quarter turn back to take out backlash).
That no camshaft may be free on the way back, and two turns on otherwise, is common practice, no source.
"""

from __future__ import annotations

import functools
import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from random_engines import engines, in_line_six, v_eight

from quillwise.kinematics.angles import wrapped
from quillwise.kinematics.assembly import ROCKERS_OFF, Open, open_at, with_clearances
from quillwise.kinematics.build import build
from quillwise.kinematics.datasheet import DataSheet
from quillwise.kinematics.errors import RequestError
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import motion
from quillwise.kinematics.recovery import PASSED_DEG, SLIPS, Slip, parse_slip, slips_at, way_back
from quillwise.kinematics.room import least_room, path, worst_room
from quillwise.kinematics.sequence import Played, play
from quillwise.kinematics.steps import Step, frame, parse_mistake
from quillwise.scenes.library import engine as packaged


def tight(sheet: DataSheet) -> DataSheet:
    """With the room at TDC of neither kind of valve in the data: any open valve is taken to strike there."""
    return replace(
        sheet,
        inlet=replace(sheet.inlet, room_at_tdc_mm=None),
        exhaust=replace(sheet.exhaust, room_at_tdc_mm=None),
    )


@functools.cache
def engine_of(name: str) -> Engine:
    made = {
        "six": in_line_six,
        "eight": v_eight,
        "eight, tight": lambda: tight(v_eight()),
        "six, anticlockwise, tight": lambda: tight(in_line_six("anticlockwise")),
        "six, back": lambda: replace(in_line_six(), may_turn_back=True),
        "eight, back": lambda: replace(v_eight(), may_turn_back=True),
    }
    return build(made[name]()) if name in made else packaged(name)


@functools.cache
def played(name: str) -> Played:
    return play(engine_of(name))


def step(name: str, key: str) -> Step:
    return next(s for s in played(name).steps if s.key == key)


def back(name: str, key: str, slip: Slip) -> tuple[Step, ...]:
    return way_back(engine_of(name), played(name), step(name, key), slip)


def keys(steps: tuple[Step, ...]) -> list[str]:
    return [s.key for s in steps]


NAMES = ("larkfell-port", "larkfell-starboard", "six", "eight, tight", "six, anticlockwise, tight", "six, back")


def every_slip(engine: Engine, done: Played) -> list[tuple[Step, Slip]]:
    return [(s, slip) for s in done.steps for slip in slips_at(engine, s)]


# --------------------------------------------------------------------------------------- mark passed


def test_a_passed_mark_is_met_again_two_turns_on() -> None:
    # by hand: the spark's mark is at 679; 5 past it, two turns on are 715 more; it comes by at 319 + 720 as well
    (only,) = back("larkfell-port", "exhaust-side-mark", "mark-passed")
    assert only.crank_deg == (679.0 + PASSED_DEG, 679.0 + 720.0)
    assert only.passes == 2
    assert "Turn the crank 715 degrees on, clockwise, seen from the wheelcase end." in only.text.do
    assert ("timing window", "The mark passes the pointer 2 times: stop at the last.") in only.text.see
    assert [c.verdict for c in only.checks] == ["accept"]
    proof = [seen for seen in step("larkfell-port", "exhaust-side-mark").text.see if seen[0] == "valve"]
    assert proof and all(seen in only.text.see for seen in proof), "the stroke is proved again"


@pytest.mark.parametrize("name", ["six, back", "eight, back"])
def test_where_the_maker_allows_it_a_quarter_turn_back_is_the_shorter_way(name: str) -> None:
    first, last = back(name, "single-mark", "mark-passed")
    mark = step(name, "single-mark").crank_deg[1]
    assert (first.key, last.key) == ("single-back", "single-mark")
    assert first.crank_deg == (mark + PASSED_DEG, mark - 90.0)
    assert last.crank_deg == (mark - 90.0, mark), "the last movement is in the running direction"
    assert "Turn the crank back 95 degrees, anticlockwise, seen from the wheelcase end." in first.text.do


def test_never_back_while_a_camshaft_is_free() -> None:
    name = "eight, back"
    for key in ("a-mark", "b-mark"):
        steps = back(name, key, "mark-passed")
        assert all(s.crank_deg[1] >= s.crank_deg[0] for s in steps), key
        assert steps[-1].crank_deg[1] == step(name, key).crank_deg[1] + 720.0


def test_never_back_where_the_data_do_not_say_so() -> None:
    assert not engine_of("six").sheet.may_turn_back
    for s in played("six").steps:
        if "mark-passed" in slips_at(engine_of("six"), s):
            assert all(b.crank_deg[1] >= b.crank_deg[0] for b in back("six", s.key, "mark-passed"))


# ----------------------------------------------------------------------------------- camshaft rolled


def test_a_rolled_camshaft_is_nipped_again_where_it_is_safe_to_turn() -> None:
    steps = back("larkfell-port", "a-nip", "camshaft-rolled")
    assert keys(steps) == ["a-near", "a-nip"], "at 338 even an inlet valve at full lift leaves 3 mm"
    assert steps[0].room is not None and steps[0].room.room_mm == pytest.approx(3.0, abs=0.05)
    assert {s.crank_deg for s in steps} == {(338.0, 338.0)}


def test_a_rolled_camshaft_that_may_strike_is_parked_for() -> None:
    steps = back("eight, tight", "a-nip", "camshaft-rolled")
    assert keys(steps) == ["a-rockers-off", "a-park", "a-clearance", "a-near", "a-mark", "a-nip"]
    off, park = steps[0], steps[1]
    own = [v.name for v in engine_of("eight, tight").valves.values() if v.camshaft == "camshaft A"]
    assert all(off.after.clearances_mm[name] == ROCKERS_OFF for name in own)
    assert park.room is None, "no valve of the free camshaft can be open on the way, and bank B has no rockers yet"
    assert steps[-1].crank_deg[1] == step("eight, tight", "a-nip").crank_deg[1] + 720.0


def test_a_rolled_camshaft_before_the_mark_is_only_brought_near_again() -> None:
    assert keys(back("larkfell-port", "a-near", "camshaft-rolled")) == ["a-near"]
    assert keys(back("larkfell-port", "a-home", "camshaft-rolled")) == ["a-near", "a-nip", "a-try", "a-home"]


@pytest.mark.parametrize("name", NAMES)
def test_the_feeler_is_nipped_again(name: str) -> None:
    engine = engine_of(name)
    for s, slip in every_slip(engine, played(name)):
        for again in back(name, s.key, slip):
            if not again.key.endswith("-nip"):
                continue
            now = frame(again, 1.0)
            bare = with_clearances(now.assembly, {again.valve: 0.0})
            lift = motion(engine, bare, now.crank_deg)[f"valve {again.valve}"][0]
            assert lift == pytest.approx(engine.valves[again.valve].data.checking_clearance_mm, abs=1e-9)


# --------------------------------------------------------------------------------------- quill dropped


def test_a_dropped_quill_is_tried_again_from_the_first_tooth() -> None:
    name = "larkfell-port"
    hold, tried, home = back(name, "a-home", "quill-dropped")
    assert (hold.key, tried.key, home.key) == ("a-hold", "a-try", "a-home")
    now = hold.during.engagements["quill-a"]
    assert isinstance(now, Open) and now.driving_teeth == 0
    assert tried.trials == step(name, "a-try").trials, "crank and camshaft have not moved"
    assert home.after == step(name, "a-home").after
    assert home.checks == step(name, "a-home").checks
    assert "Take the backlash out on the driving side, in the running direction." in tried.text.do
    assert keys(back(name, "a-try", "quill-dropped")) == ["a-hold", "a-try"]


def test_a_sleeve_is_dropped_too() -> None:
    steps = back("six", "single-home", "quill-dropped")
    assert keys(steps) == ["single-hold", "single-try", "single-home"]
    assert "Find the sleeve and clean it." in steps[0].text.do


# ---------------------------------------------------------------------------------- every way back


def assert_sound(engine: Engine, done: Played, at: Step, slip: Slip) -> None:
    steps = way_back(engine, done, at, slip)
    assert [s.number for s in steps] == list(range(1, len(steps) + 1))
    # it ends where the slip happened; a camshaft that rolled while the crank stands at its mark is only brought near
    assert steps[-1].key in (at.key, at.key.replace("-mark", "-near") if slip == "camshaft-rolled" else at.key)
    turned = 0.0
    for this, following in itertools.pairwise(steps):
        assert this.crank_deg[1] == following.crank_deg[0]
        assert this.after.engagements == following.during.engagements
    for s in steps:
        start, end = s.crank_deg
        turned += max(0.0, end - start)
        if end < start:
            assert engine.sheet.may_turn_back
            assert all(
                not isinstance(s.during.engagements[c.name], Open)
                for c in (engine.coupling_upstream(name) for name in engine.camshafts)
                if c is not None
            )
    assert turned <= 720.0 + 1e-9, "never further than two turns"
    assert float(wrapped(steps[-1].crank_deg[1] - at.crank_deg[1], 720.0)) == pytest.approx(0.0, abs=1e-6)
    for s in steps:
        # the way that was taken is safe, or the rockers came off, or nothing is free and the engine turns as it runs
        if s.key.endswith(("-back", "-mark", "-park")) and s.room is not None:
            again = least_room(engine, s.during, path(*s.crank_deg))
            assert again is not None and again.room_mm >= s.room.room_mm - 1e-9


@pytest.mark.parametrize("name", NAMES)
def test_every_way_back_ends_where_the_slip_happened(name: str) -> None:
    engine = engine_of(name)
    found = every_slip(engine, played(name))
    assert {slip for _, slip in found} == set(SLIPS)
    for at, slip in found:
        assert_sound(engine, played(name), at, slip)


@settings(max_examples=6, deadline=None)
@given(engines(), st.booleans())
def test_every_way_back_of_random_engines(engine: Engine, may_turn_back: bool) -> None:
    engine = build(replace(engine.sheet, may_turn_back=may_turn_back))
    done = play(engine)
    for at, slip in every_slip(engine, done):
        assert_sound(engine, done, at, slip)


@pytest.mark.parametrize("name", ["larkfell-port", "six", "eight", "six, anticlockwise, tight"])
def test_with_rockers_on_no_place_of_a_rolled_camshaft_strikes_on_the_way(name: str) -> None:
    # computed: brute force over every place of the free camshaft, by the exact motion, against the room that is told
    engine = engine_of(name)
    for at, slip in every_slip(engine, played(name)):
        if slip != "camshaft-rolled":
            continue
        steps = back(name, at.key, slip)
        first = steps[0]
        if first.key.endswith("-rockers-off"):
            continue
        coupling = engine.coupling_upstream(at.job)
        assert coupling is not None
        turn = 720.0 * float(engine.shafts[coupling.driven].turns)
        for place in np.linspace(0.0, turn, 25):
            stands = open_at(first.during, coupling.name, float(place))
            start, end = first.crank_deg
            room = least_room(engine, stands, path(start, end) if start != end else [start])
            assert room is None or first.room is None or room.room_mm >= first.room.room_mm - 1e-9
            assert room is None or room.room_mm >= engine.sheet.limits.room_mm - 1e-9


@settings(max_examples=12, deadline=None)
@given(engines(), st.floats(0, 720), st.data())
def test_worst_room_is_the_least_over_every_place_of_the_camshaft(
    engine: Engine, crank: float, data: st.DataObject
) -> None:
    parked = next(s for s in play(engine).steps if s.key.endswith("-near"))
    camshaft = parked.job
    coupling = engine.coupling_upstream(camshaft)
    assert coupling is not None
    worst = worst_room(engine, parked.during, camshaft, [crank])
    assert worst is not None
    place = data.draw(st.floats(0, 1)) * 720.0 * float(engine.shafts[coupling.driven].turns)
    here = least_room(engine, open_at(parked.during, coupling.name, place), [crank])
    assert here is None or here.room_mm >= worst.room_mm - 1e-9
    peaks = []
    for valve in engine.valves.values():
        if parked.during.clearances_mm[valve.name] != ROCKERS_OFF and valve.camshaft in engine.camshafts_with(camshaft):
            full = engine.cylinders[valve.cylinder].firing_deg + valve.curve.peak_deg
            shaft = engine.shafts[coupling.driven]
            at_peak = open_at(parked.during, coupling.name, float(shaft.turns) * engine.sigma * full)
            room = least_room(engine, at_peak, [crank])
            assert room is not None
            peaks.append(room.room_mm)
    assert min(peaks) == pytest.approx(worst.room_mm, abs=1e-9), "it is reached, at the top of one of its lobes"


# ---------------------------------------------------------------------------------------- by name


def test_the_likeliest_slip_of_a_step_is_taken_when_none_is_named() -> None:
    engine, done = engine_of("larkfell-port"), played("larkfell-port")
    likely = {key: parse_slip(engine, done, step("larkfell-port", key), None) for key in ("a-mark", "a-nip", "b-try")}
    assert likely == {"a-mark": "mark-passed", "a-nip": "camshaft-rolled", "b-try": "quill-dropped"}


@pytest.mark.parametrize(
    ("key", "slip", "message"),
    [
        (
            "a-nip",
            "mark-passed",
            "mark-passed cannot happen at step a-nip; steps at which it can: a-mark, single-mark",
        ),
        (
            "single-try",
            "camshaft-rolled",
            "camshaft-rolled cannot happen at step single-try; steps at which it can: a-near, a-mark, a-nip, a-try, "
            "a-home",
        ),
        (
            "two-turns",
            None,
            "none of the slips mark-passed, camshaft-rolled, quill-dropped can happen at step two-turns; steps at "
            "which one can: a-near, a-mark, a-nip, a-try, a-home, single-mark, single-try, single-home",
        ),
        (
            "a-nip",
            "camshaft-roled",
            'unknown slip "camshaft-roled"; defined: mark-passed, camshaft-rolled, quill-dropped '
            "(did you mean camshaft-rolled?)",
        ),
    ],
)
def test_slips_that_cannot_happen(key: str, slip: str | None, message: str) -> None:
    with pytest.raises(RequestError) as caught:
        parse_slip(engine_of("six"), played("six"), step("six", key), slip)
    assert str(caught.value) == message


def test_a_way_back_is_asked_for_by_the_step_that_can_have_it() -> None:
    with pytest.raises(RequestError, match="quill-dropped cannot happen at step a-mark"):
        back("six", "a-mark", "quill-dropped")


def test_a_slip_after_a_mistake_leads_back_to_where_the_mistake_led() -> None:
    engine = engine_of("larkfell-port")
    done = play(engine, [parse_mistake(engine, "exhaust-stroke:exhaust-side")])
    at = next(s for s in done.steps if s.key == "exhaust-side-mark")
    (only,) = way_back(engine, done, at, "mark-passed")
    assert only.crank_deg[1] == at.crank_deg[1] + 720.0
