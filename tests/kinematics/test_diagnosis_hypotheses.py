"""Hypotheses, cures, ties and misfits: against the program's other figures, on packaged scenes and other engines."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from random_engines import breaker_at_half_speed, in_line_six, v_eight
from ten_mistakes import MISTAKES

from quillwise.kinematics import cures
from quillwise.kinematics.angles import wrapped
from quillwise.kinematics.assembly import Assembly, intended, move_teeth, with_clearances, with_mesh_teeth
from quillwise.kinematics.branches import branches, leaves, step_crank
from quillwise.kinematics.build import build
from quillwise.kinematics.couplings import move_for_shift, positions, step_deg
from quillwise.kinematics.cures import cured
from quillwise.kinematics.diagnosis import diagnose as diagnosed
from quillwise.kinematics.explained import explained
from quillwise.kinematics.hypotheses import acted, all_moves, field_of
from quillwise.kinematics.judgement import CLASSES
from quillwise.kinematics.model import Engine
from quillwise.kinematics.observed import valve_event_deg
from quillwise.kinematics.posterior import posterior, problem
from quillwise.kinematics.readings import (
    BreakReading,
    Diagnosis,
    Entry,
    FingerReading,
    GapReading,
    LiftReading,
    PointerReading,
    Readings,
    Sight,
    ValveReading,
)
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import parse_mistake
from quillwise.kinematics.timing import early_crank_deg, timing_table
from quillwise.scenes.judging import packaged as packaged_judgement
from quillwise.scenes.library import engine as packaged
from quillwise.scenes.library import names

DEFAULT = packaged_judgement()

SCENES = {name: packaged(name) for name in names()}
BY_HAND = {"six": build(in_line_six("anticlockwise")), "eight": build(v_eight())}
ENGINES = {**SCENES, **BY_HAND}


def diagnose(engine: Engine, readings: Readings) -> Diagnosis:
    """By the packaged judgement."""
    return diagnosed(engine, readings, DEFAULT)


def readings_of(engine: Engine, assembly: Assembly, *more: object, u_deg: float = 0.05) -> Readings:
    """All events of the assembly, read well, and whatever else is seen."""
    entries: list[object] = []
    for event in timing_table(engine, assembly):
        assert event.as_set_deg is not None
        if event.magneto:
            entries.append(
                BreakReading(magneto=event.magneto, finger_on=event.cylinder, crank_deg=event.as_set_deg, u_deg=u_deg)
            )
        else:
            kind, flank = event.kind.split()
            valve = engine.valve(event.cylinder, kind, max(1, event.valve))  # type: ignore[arg-type]
            entries.append(
                ValveReading(
                    valve=valve.name,
                    flank=flank,  # type: ignore[arg-type]
                    crank_deg=event.as_set_deg,
                    clearance_mm=valve.data.checking_clearance_mm,
                    u_deg=u_deg,
                )
            )
    gaps = (GapReading(magneto=name, gap_mm=gap, u_mm=0.02) for name, gap in assembly.points_gaps_mm.items())
    levers = (Sight(kind="lever at its stop", subject=name) for name in engine.magnetos if not more)
    return Readings(entries=(*entries, *gaps, *levers, *more), disc_proved=True)  # type: ignore[arg-type]


Angled = ValveReading | BreakReading


def moved(entries: Iterable[Entry], by_deg: float) -> tuple[Entry, ...]:
    """The entries, those with an angle read so much later."""
    return tuple(
        replace(entry, crank_deg=entry.crank_deg + by_deg) if isinstance(entry, Angled) else entry for entry in entries
    )


def leading(found: Diagnosis) -> list[str]:
    """Names of the first cause and of those tied with it."""
    return [cause.name for number, cause in enumerate(found.causes) if number == 0 or cause.tied]


@pytest.mark.parametrize("name", ENGINES)
def test_the_odds_are_the_stated_shares(name: str) -> None:
    engine = ENGINES[name]
    field = field_of(engine, DEFAULT, False, [])
    of_class = {"pointer or disc moved": field.moved_odds}
    for one in (*field.shared[1:], *(one for _, of in field.branches for one in of[1:])):
        of_class[one.kind] = of_class.get(one.kind, 0.0) + one.odds
    whole = sum(DEFAULT.classes[kind] for kind in of_class)
    for kind, odds in of_class.items():
        assert odds / (2 * DEFAULT.another_fault) == pytest.approx(DEFAULT.classes[kind] / whole, rel=1e-9)
    assert set(of_class) <= set(CLASSES)
    assert {leaf for branch in branches(engine) for leaf in branch.leaves} == set(leaves(engine))
    for _, of in field.branches:
        assert len({one.name for one in of}) == len(of), "a name is one hypothesis"


@pytest.mark.parametrize("counts", [(3, 4), (4, 5), (17, 18), (12, 18), (21, 20), (9, 9)])
def test_moves_are_those_with_the_fewest_teeth(counts: tuple[int, int]) -> None:
    count = positions(*counts)
    wanted = {s for s in range(-((count - 1) // 2), count // 2 + 1) if s}
    found = {}
    for k, m, slips in all_moves(*counts):
        assert 0 < slips <= abs(k) + abs(m)
        steps = (k * counts[1] - m * counts[0]) * count // (counts[0] * counts[1])
        found[steps] = (k, m)
    assert set(found) == wanted
    for steps, (k, m) in found.items():
        assert abs(k) + abs(m) == move_for_shift(counts, steps * step_deg(*counts)).teeth


def test_one_trial_on_is_one_slip() -> None:
    slips = {(k, m): count for k, m, count in all_moves(17, 18)}
    assert slips[1, 1] == slips[-1, -1] == slips[1, 0] == slips[0, 1] == 1
    assert slips[2, 2] == slips[2, 0] == slips[1, -1] == 2
    assert slips[4, 4] == 4


@pytest.mark.parametrize("name", ENGINES)
def test_what_a_hypothesis_says_is_what_the_assembly_does(name: str) -> None:
    """Teeth and gears: the crank degrees of every hypothesis are those of the timing table."""
    engine = ENGINES[name]
    field = field_of(engine, DEFAULT, True, [])
    start = intended(engine)
    before = {leaf: early_crank_deg(engine, start, leaf) for leaf in leaves(engine)}
    made = [one for _, of in field.branches for one in of] + list(field.shared)
    moving = [one for one in made if (one.moves or one.meshes) and not one.finger_past_deg]
    assert len(moving) > 20
    for one in moving[:: max(1, len(moving) // 60)]:
        after = acted(start, one)
        for leaf, was in before.items():
            now = early_crank_deg(engine, after, leaf)
            assert now is not None and was is not None
            assert now - was == pytest.approx(one.early_deg.get(leaf, 0.0), abs=1e-9)


@pytest.mark.parametrize(
    ("scene", "mistake", "named"),
    [pytest.param(*one, marks=() if number % 4 == 0 else pytest.mark.slow) for number, one in enumerate(MISTAKES)],
)
def test_mistakes_at_the_bench_are_found_and_cured(scene: str, mistake: str, named: str) -> None:
    """Ten faults: the cause is first or in the tie, and its remedy brings every event inside half a step."""
    engine = SCENES[scene]
    as_set = play(engine, [parse_mistake(engine, mistake)]).as_set
    checking = {name: valve.data.checking_clearance_mm for name, valve in engine.valves.items()}
    faulty = with_clearances(as_set, checking)
    found = diagnose(engine, readings_of(engine, faulty))
    assert any(named in name for name in leading(found)), leading(found)
    assert not found.misfit
    cure = found.causes[0].cure
    assert cure is not None and cure.moves
    after = cured(engine, faulty, cure)
    for leaf in leaves(engine):
        coupling = engine.coupling_upstream(leaf)
        assert coupling is not None
        early = early_crank_deg(engine, after, leaf)
        assert early is not None
        off = abs(float(wrapped(early, 720.0)))
        # half a step, and what the readings leave open of the pointer
        assert off <= step_crank(engine, coupling.name) / 2 + 3 * found.u_pointer_deg, (leaf, off)
    for event in timing_table(engine, after):
        assert event.early_deg is not None and abs(event.early_deg) < 2.0
    words = "\n".join(cure.do)
    assert "seen from the" in words
    assert "tooth" in words or "teeth" in words
    assert cure.repeat


def test_an_ordinary_gear_of_one_bank_and_of_all() -> None:
    engine = SCENES["larkfell-port"]
    for mesh, teeth, named in (
        (engine.shafts["camshaft B"].link, 1, "gears"),
        (engine.shafts["wheelcase shaft"].link, -1, "crankshaft to wheelcase shaft"),
    ):
        faulty = with_mesh_teeth(intended(engine), mesh, teeth)
        found = diagnose(engine, readings_of(engine, faulty))
        causes = [cause for cause in found.causes if cause.name in leading(found) and named in cause.name]
        assert causes, leading(found)
        assert causes[0].cure is not None
        after = cured(engine, faulty, causes[0].cure)
        assert after.mesh_teeth[mesh] == 0


def test_a_finger_a_tooth_out_has_its_break_right() -> None:
    engine = SCENES["larkfell-port"]
    off = 360.0 / 60  # one tooth of a wheel of 60
    seen = FingerReading(magneto="inlet-side", off_deg=off, u_deg=1.0)
    found = diagnose(engine, readings_of(engine, intended(engine), seen))
    assert found.causes[0].name == "inlet-side distributor finger 1 tooth on in its gear"
    assert found.causes[0].cure is not None
    assert list(found.causes[0].cure.meshes.values()) == [-1]


def test_a_finger_a_tooth_out_takes_a_breaker_cam_on_its_shaft_along() -> None:
    engine = breaker_at_half_speed()
    mesh = engine.shafts[engine.magnetos["left"].finger].link
    faulty = with_mesh_teeth(intended(engine), mesh, -1)
    # the finger is where it was at the break, which is what moved
    seen = FingerReading(magneto="left", off_deg=0.0, u_deg=1.0)
    found = diagnose(engine, readings_of(engine, faulty, seen))
    named = "left distributor finger 1 tooth back in its gear"
    cause = next(cause for cause in found.causes if cause.name == named and cause.name in leading(found))
    assert cause.cure is not None
    assert not any("impulse" in line for line in cause.cure.do)
    assert cured(engine, faulty, cause.cure).mesh_teeth[mesh] == 0


def test_what_is_seen_of_lever_and_leads() -> None:
    engine = SCENES["larkfell-port"]
    right = intended(engine)
    crossed = Sight(kind="two leads changed over", subject="inlet-side")
    assert diagnose(engine, readings_of(engine, right, crossed)).causes[0].name.startswith("inlet-side two plug leads")
    round_about = Sight(kind="leads one place round", subject="exhaust-side")
    assert "one place round" in diagnose(engine, readings_of(engine, right, round_about)).causes[0].name
    entries = readings_of(engine, right, crossed).entries[:-1]
    mine = [entry for entry in entries if getattr(entry, "magneto", "") == "inlet-side"]
    late = (*(entry for entry in entries if entry not in mine), *moved(mine, 9.0))
    lever = Sight(kind="lever off its stop", subject="inlet-side")
    found = diagnose(engine, Readings(entries=(*late, lever), disc_proved=True))
    assert found.causes[0].name == "inlet-side magneto lever now off its stop"


def test_a_pointer_that_moved_shifts_everything_alike() -> None:
    engine = SCENES["slipway-six"]
    entries = readings_of(engine, intended(engine)).entries
    shifted = moved(entries, 4.0)
    found = diagnose(engine, Readings(entries=shifted, disc_proved=False))
    assert "pointer or disc moved" in leading(found)
    tdc = PointerReading(cylinder="A1", error_deg=4.0, u_deg=0.15)
    proved = diagnose(engine, Readings(entries=(*shifted, tdc), disc_proved=False))
    assert proved.causes[0].name == "pointer or disc moved"
    assert proved.pointer_deg == pytest.approx(4.0, abs=0.5)


def test_rocking_and_finger_tell_the_turn() -> None:
    """On the ring alone a magneto one turn out reads as right; what rocks while the finger points tells it."""
    engine = SCENES["slipway-six"]
    wrong = play(engine, [parse_mistake(engine, "exhaust-stroke:winch")]).as_set
    checking = {name: valve.data.checking_clearance_mm for name, valve in engine.valves.items()}
    entries = readings_of(engine, with_clearances(wrong, checking)).entries
    ring = tuple(replace(entry, period_deg=360.0) for entry in entries if isinstance(entry, Angled))
    turn = "winch magneto one crank turn out"
    alone = {c.name: c.probability for c in diagnose(engine, Readings(entries=ring, disc_proved=True)).causes}
    first = engine.sheet.firing_order[0]
    half = len(engine.sheet.firing_order) // 2
    rocks = engine.sheet.firing_order[half]  # at its overlap when the first fires
    on = engine.magnetos["winch"].fires[half]
    sights = (
        Sight(kind="rocking", subject=rocks, crank_deg=engine.cylinders[first].firing_deg),
        Sight(kind="finger on", subject="winch", cylinders=(on,), crank_deg=engine.cylinders[first].firing_deg - 25.0),
    )
    seen = diagnose(engine, Readings(entries=(*ring, *sights), disc_proved=True))
    assert seen.causes[0].name == turn
    assert alone.get(turn, 0.0) < 0.3 < seen.causes[0].probability


def test_a_lift_says_what_the_event_of_a_greater_clearance_says() -> None:
    engine = SCENES["slipway-six"]
    valve = next(iter(engine.valves.values()))
    base = readings_of(engine, intended(engine)).entries[:2]
    lift = 2.0
    at = valve_event_deg(engine, valve.name, "opens", 0.4 + lift)
    assert at is not None
    gauge = LiftReading(
        valve=valve.name, flank="opens", crank_deg=at, lift_mm=lift, clearance_mm=0.4, u_mm=0.0, u_deg=0.3
    )
    event = ValveReading(valve=valve.name, flank="opens", crank_deg=at, clearance_mm=0.4 + lift, u_deg=0.3)
    one, other = (diagnose(engine, Readings(entries=(*base, entry), disc_proved=True)) for entry in (gauge, event))
    # they differ in one thing: a lift has no side of a dead centre that it could be written on
    assert one.pointer_deg == pytest.approx(other.pointer_deg, abs=0.02)
    assert one.causes[0].name == other.causes[0].name


def test_what_cannot_be_told_apart_is_said() -> None:
    engine = SCENES["larkfell-port"]
    found = diagnose(engine, readings_of(engine, intended(engine), u_deg=0.3))
    assert found.causes[0].name == "nothing wrong"
    assert "cannot tell “nothing wrong” from" in found.tie
    tied = [cause.name for cause in found.causes if cause.tied]
    assert any("two plug leads changed over" in name for name in tied), "nobody has looked at the leads"


def test_what_is_as_good_but_rarer_is_said() -> None:
    # six teeth on at both ends and a camshaft set at the running clearance: both move all its events by the same
    engine = SCENES["larkfell-port"]
    read = readings_of(engine, move_teeth(intended(engine), "quill-b", 6, 6), u_deg=0.3)
    found = diagnose(engine, read)
    assert found.causes[0].name == "camshaft B set at the running clearance"
    assert any(name.startswith("quill-b 6 teeth") for name in found.alike)
    assert not any("camshaft A" in name or "quill-a" in name for name in found.alike), "the readings speak against it"
    tied = {cause.name for cause in found.causes if cause.tied}
    assert not tied & set(found.alike)


def test_what_nothing_explains_is_said() -> None:
    engine = BY_HAND["six"]
    entries = list(readings_of(engine, intended(engine)).entries)
    rng = np.random.default_rng(3)
    wild = tuple(replace(entry, crank_deg=float(rng.uniform(0, 720))) for entry in entries if isinstance(entry, Angled))
    found = diagnose(engine, Readings(entries=wild, disc_proved=True))
    assert found.misfit.startswith("Nothing fits")
    assert found.causes[0].unexplained
    right = diagnose(engine, Readings(entries=tuple(entries), disc_proved=True))
    assert not right.misfit
    assert not right.causes[0].unexplained


def test_two_things_wrong_are_named_together() -> None:
    engine = SCENES["larkfell-port"]
    faulty = move_teeth(move_teeth(intended(engine), "quill-a", 1, 0), "sleeve-inlet", 0, 1)
    found = diagnose(engine, readings_of(engine, faulty))
    first = found.causes[0]
    assert len(first.parts) == 2
    assert any(part.startswith("quill-a") for part in first.parts)
    assert any("inlet" in part for part in first.parts)
    assert first.cure is not None
    after = cured(engine, faulty, first.cure)
    assert max(abs(event.early_deg or 0.0) for event in timing_table(engine, after)) < 1.0


@pytest.mark.parametrize(("scene", "mistake"), [("larkfell-port", "quill-b=+6"), ("slipway-six", "quill=-6")])
def test_a_camshaft_that_is_off_as_a_whole_is_not_one_valve_s_clearance(scene: str, mistake: str) -> None:
    """Two valves are enough: no cause that is worth a line is a clearance alone, and the remedy moves the vernier.

    That the shaft was set with its valve at the running clearance can lead to the same shift, and is met more often:
    the teeth, once they are seen, bring the other cause into the tie."""
    engine = SCENES[scene]
    coupling = mistake.split("=")[0]
    as_set = play(engine, [parse_mistake(engine, f"other-tooth:{mistake}")]).as_set
    checking = {name: valve.data.checking_clearance_mm for name, valve in engine.valves.items()}
    faulty = with_clearances(as_set, checking)
    camshaft = next(leaf for leaf in leaves(engine) if (at := engine.coupling_upstream(leaf)) and at.name == coupling)
    every = readings_of(engine, faulty, u_deg=0.3)
    pair: list[Entry] = []
    for entry in every.entries:
        mine = isinstance(entry, ValveReading) and engine.valves[entry.valve].camshaft == camshaft
        if mine and len(pair) < 2 and (not pair or entry.valve != pair[0].valve):  # type: ignore[union-attr]
            pair.append(entry)
    rest = tuple(entry for entry in every.entries if not isinstance(entry, ValveReading))
    found = diagnose(engine, Readings(entries=(*pair, *rest), disc_proved=True))
    alone = sum(cause.probability for cause in found.causes if cause.name.endswith(" clearance wrong"))
    assert alone < 0.01
    first = found.causes[0]
    assert first.cure is not None and set(first.cure.moves) == {coupling}
    early = early_crank_deg(engine, cured(engine, faulty, first.cure), camshaft)
    assert early is not None and abs(float(wrapped(early, 720.0))) < 1.0
    drawn = Sight(kind="teeth not as marked", subject=coupling)
    told = diagnose(engine, Readings(entries=(*pair, *rest, drawn), disc_proved=True))
    assert any(name.startswith(f"{coupling} ") for name in leading(told))


def test_what_is_read_by_the_piston_does_not_know_the_pointer() -> None:
    """The same pointer that is out by 6 degrees: it moves what is read by the disc, and not what the pistons give."""
    engine = SCENES["slipway-six"]
    entries = readings_of(engine, intended(engine), u_deg=0.2).entries
    angled = [entry for entry in entries if isinstance(entry, Angled)]
    by_piston = tuple(replace(entry, by_piston=True) for entry in angled[::3])
    out = moved((entry for number, entry in enumerate(angled) if number % 3), 6.0)
    found = diagnose(engine, Readings(entries=(*by_piston, *out), disc_proved=False))
    assert found.causes[0].name == "pointer or disc moved"
    assert found.pointer_deg == pytest.approx(6.0, abs=0.2)
    assert not found.misfit
    alone = diagnose(engine, Readings(entries=by_piston, disc_proved=False))
    assert alone.pointer_deg == pytest.approx(0.0, abs=0.5) and alone.u_pointer_deg > 10.0, "they say nothing of it"


@pytest.mark.parametrize("number", range(1, 7))
@pytest.mark.parametrize("other", range(1, 7))
def test_shafts_at_each_other_s_marks_are_off_by_less_than_half_a_cycle(number: int, other: int) -> None:
    """A camshaft is the same a cycle of 720 degrees on: no cure turns it the long way round."""
    sheet = SCENES["larkfell-port"].sheet
    jobs = tuple(
        replace(job, cylinder=f"{job.cylinder[0]}{number if job.cylinder[0] == 'A' else other}")
        if job.do == "set-camshaft"
        else job
        for job in sheet.setup
    )
    field = field_of(build(replace(sheet, setup=jobs)), DEFAULT, True, [])
    every = (*field.shared, *(one for _, of in field.branches for one in of))
    exchanged = [one for one in every if "each other's marks" in one.name]
    assert exchanged
    for one in exchanged:
        assert all(abs(early) <= 360.0 for early in one.early_deg.values()), one.name


@pytest.mark.parametrize("name", names())
def test_nearer_still_is_said_where_further_turns_gain(name: str) -> None:
    """By brute force: of all places that cycles of the crank open, the nearest against the one that the cure takes."""
    engine = SCENES[name]
    for coupling, placed in engine.couplings.items():
        turns = abs(float(engine.shafts[placed.driven].turns))
        step = step_crank(engine, coupling)
        leaf = next(leaf for leaf in leaves(engine) if (at := engine.coupling_upstream(leaf)) and at.name == coupling)
        for early in np.arange(0.013, 3.0, 0.031) * step:
            draft = cures._Draft()
            cures._vernier(engine, draft, coupling, leaf, -early, 0)
            left = abs(draft.shift_deg[coupling] + early)
            n1, n2 = placed.data.driving_teeth, placed.data.driven_teeth
            # after c cycles the driving side stands c × (2 × turns) on: as many places more, between the steps
            pitch = Fraction(360, math.lcm(n1, n2))
            cycle = 720 * Fraction(abs(engine.shafts[placed.driven].turns)) % pitch
            opened = [float(cycle * c % pitch) for c in range(cycle.denominator)]
            off = (-early * turns - np.array(opened)) / float(pitch)
            least = float(np.min(np.abs(off - np.round(off)))) * float(pitch) / turns
            said = any("it can come nearer still" in line for line in draft.do)
            if draft.do[0].endswith("Leave it."):
                continue
            assert said == (least < left - 0.05), (coupling, early, least, left)


def test_a_reading_on_the_wrong_side_counts_as_its_mirror_image_does() -> None:
    """A reading and its mirror image, told as written on the wrong side, say the same of every shaft: beside a shared
    cause too, where the camshaft may stand a little elsewhere than the cause says."""
    engine = SCENES["larkfell-port"]
    faulty = move_teeth(intended(engine), "quill-a", 2, 2)
    right = readings_of(engine, faulty, u_deg=0.3)
    at = next(n for n, entry in enumerate(right.entries) if isinstance(entry, ValveReading))
    entry = right.entries[at]
    assert isinstance(entry, ValveReading)
    own = float(wrapped(entry.crank_deg - engine.cylinders[engine.valves[entry.valve].cylinder].firing_deg, 180.0))
    turned = replace(entry, crank_deg=(entry.crank_deg - 2 * own) % 720.0)
    entries = (*right.entries[:at], turned, *right.entries[at + 1 :])
    plain, mirrored = (problem(engine, replace(right, entries=each), DEFAULT) for each in (right.entries, entries))
    shared = next(n for n, one in enumerate(plain.field.shared) if "each other's marks" in one.name)
    branch, number = next(
        (branch.name, n) for branch, of in mirrored.field.branches for n, one in enumerate(of) if one.mirrored == at
    )
    one = explained(plain, posterior(plain), (("shared", shared),))
    other = explained(mirrored, posterior(mirrored), (("shared", shared), (branch, number)))
    assert dict(other.early_deg) == pytest.approx(dict(one.early_deg), abs=1e-6)
    assert other.chi2 == pytest.approx(one.chi2, rel=1e-6)
