"""The set-up, played: the jobs of the scene, step by step, from drawn quills to an as-set assembly.

``play`` is a fold: each step takes the bench as it stands (assembly, crank angle) and leaves it changed. A mistake
changes what one step does; everything after it is computed from what was really done.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np

from quillwise.kinematics import wording
from quillwise.kinematics.assembly import (
    ROCKERS_OFF,
    Assembly,
    Open,
    engage,
    intended,
    open_at,
    with_clearances,
)
from quillwise.kinematics.cams import events_at
from quillwise.kinematics.couplings import Trial, best, trials
from quillwise.kinematics.datasheet import StepData
from quillwise.kinematics.model import CRANKSHAFT, Coupling, Engine, Valve
from quillwise.kinematics.motion import motion, shaft_angles
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.rig import quill_coordinate, slide_coordinate
from quillwise.kinematics.room import Room, least_room, parking_deg, path
from quillwise.kinematics.steps import CRANK, Focus, Mistake, Move, Step
from quillwise.kinematics.timing import Event, timing_table
from quillwise.kinematics.verdicts import Check

# Where free shafts stand before a job, in crank degrees before their place: far enough to see them turn.
_NEAR_DEG = 24.0
_BEFORE_HEEL_DEG = 60.0
_ROTOR_START_DEG = 75.0
_FINGER_NEAR_DEG = 14.0
_SAME_PLACE_DEG = 1e-6
_START_DEG = -30.0  # before TDC of the first cylinder, where the job begins


@dataclass(frozen=True, kw_only=True, slots=True)
class Played:
    """The set-up as played: its steps, the assembly as set, and the crank angle at the end."""

    steps: tuple[Step, ...]
    as_set: Assembly
    crank_deg: float

    @property
    def failed(self) -> tuple[Check, ...]:
        """All checks whose verdict is "reject"."""
        return tuple(check for step in self.steps for check in step.checks if check.verdict == "reject")


def play(engine: Engine, mistakes: Iterable[Mistake] = ()) -> Played:
    """Play the scene's set-up order. ``mistakes``: steps that are done wrong on purpose."""
    bench = _Bench(engine, tuple(mistakes))
    for job in engine.sheet.setup:
        match job.do:
            case "prepare":
                _prepare(bench)
            case "set-camshaft":
                _set_camshaft(bench, job)
            case "set-magneto":
                _set_magneto(bench, job)
            case "finish":
                _finish(bench)
    return Played(steps=tuple(bench.steps), as_set=bench.assembly, crank_deg=bench.crank)


def mark_crank_deg(engine: Engine, job: StepData) -> float:
    """θ, 0–720, at which a job's mark stands under the pointer, by the data."""
    firing = engine.cylinder(job.cylinder).firing_deg
    if job.do == "set-magneto":
        own = engine.magneto(job.magneto).data.break_deg
    else:
        valve = engine.sheet.inlet if job.by.startswith("inlet") else engine.sheet.exhaust
        own = valve.opens_deg if job.by.endswith("opens") else valve.closes_deg
    return (firing + own) % 720.0


def next_pass(crank_deg: float, mark_deg: float, period_deg: float = 720.0) -> float:
    """The first angle at or after ``crank_deg`` that equals ``mark_deg`` modulo the period."""
    to_go = (mark_deg - crank_deg) % period_deg
    if period_deg - to_go < _SAME_PLACE_DEG:
        to_go = 0.0
    return crank_deg + to_go


def passes(start_deg: float, end_deg: float, mark_deg: float) -> int:
    """How often a mark of the disc comes under the pointer on the way from start (not counted) to end (counted)."""
    turns_end = math.floor((end_deg - mark_deg) / 360.0 + _SAME_PLACE_DEG)
    turns_start = math.floor((start_deg - mark_deg) / 360.0 + _SAME_PLACE_DEG)
    return turns_end - turns_start


@dataclass(slots=True)
class _Bench:
    """The engine on the bench while the set-up is played."""

    engine: Engine
    mistakes: tuple[Mistake, ...]
    crank: float = _START_DEG
    assembly: Assembly = field(init=False)
    steps: list[Step] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.assembly = _drawn(self.engine)

    def mistake(self, kind: str, at: str) -> Mistake | None:
        """The mistake of this kind that is to be made here, if any."""
        return next((m for m in self.mistakes if m.kind == kind and m.at == at), None)

    def add(
        self,
        key: str,
        job: str,
        text: wording.Text,
        focus: Focus,
        about: tuple[Part, ...] = (),
        *,
        moves: tuple[Move, ...] = (),
        after: Assembly | None = None,
        during: Assembly | None = None,
        **more: object,
    ) -> Step:
        """Append a step, and leave crank and assembly as it leaves them."""
        crank_end = next((move.end for move in moves if move.coordinate == CRANK), self.crank)
        step = Step(
            number=len(self.steps) + 1,
            key=key,
            job=job,
            text=text,
            focus=focus,
            about=about,
            crank_deg=(self.crank, crank_end),
            moves=moves,
            during=self.assembly if during is None else during,
            after=self.assembly if after is None else after,
            **more,  # type: ignore[arg-type]
        )
        self.steps.append(step)
        self.crank = crank_end
        self.assembly = step.after
        return step

    def turn_crank(self, end: float) -> tuple[tuple[Move, ...], Room | None]:
        """The move of the crank to an angle, with the least room on the way."""
        room = least_room(self.engine, self.assembly, path(self.crank, end)) if end != self.crank else None
        return (Move(coordinate=CRANK, start=self.crank, end=end),), room

    def angle(self, shaft: str) -> float:
        """Where a shaft stands now [deg about its own axis]."""
        return float(shaft_angles(self.engine, self.assembly, np.array([self.crank]))[shaft][0])

    def free_to(self, coupling: Coupling, crank_place_deg: float) -> float:
        """Angle of the free driven shaft at which what it drives stands as at ``crank_place_deg`` when exact."""
        shaft = self.engine.shafts[coupling.driven]
        return float(shaft.turns) * self.engine.sigma * crank_place_deg


def _drawn(engine: Engine) -> Assembly:
    """All quills and sleeves drawn, rockers off, every free shaft somewhat before the place where its job needs it."""
    assembly = intended(engine)
    assembly = with_clearances(assembly, dict.fromkeys(engine.valves, ROCKERS_OFF))
    crank = 0.0
    for job in engine.sheet.setup:
        if job.do not in ("set-camshaft", "set-magneto"):
            continue
        crank = next_pass(crank, mark_crank_deg(engine, job))
        shaft = job.camshaft if job.do == "set-camshaft" else engine.magneto(job.magneto).rotor
        coupling = engine.coupling_upstream(shaft)
        if coupling is None:
            continue
        if job.do == "set-camshaft":
            place = _heel_deg(engine, _timing_valve(engine, job), crank) - _BEFORE_HEEL_DEG
        else:
            place = crank - _ROTOR_START_DEG
        angle = float(engine.shafts[coupling.driven].turns) * engine.sigma * place
        assembly = open_at(assembly, coupling.name, angle)
    return assembly


def _timing_valve(engine: Engine, job: StepData) -> Valve:
    return engine.valves[f"{job.cylinder} {job.by.split()[0]}"]


def _heel_deg(engine: Engine, valve: Valve, before_deg: float) -> float:
    """The last crank place before an angle at which the valve's cam stands on the middle of its heel."""
    heel = engine.cylinders[valve.cylinder].firing_deg + valve.curve.peak_deg + 360.0
    return next_pass(before_deg - 720.0, heel % 720.0)


def _direction(engine: Engine, shaft: str) -> tuple[int, str]:
    return engine.shafts[shaft].sense, engine.shafts[shaft].seen_from


def _prepare(bench: _Bench) -> None:
    engine = bench.engine
    job = "prepare"
    couplings = tuple(
        Part(Kind.QUILL if c.data.kind == "quill" else Kind.SLEEVE, name) for name, c in engine.couplings.items()
    )
    low = any(abs(bank.turn_deg) > 90 for bank in engine.sheet.banks)
    safe = wording.make_safe()
    if low:
        safe = replace(safe, cautions=(wording.OIL_LOCK, *safe.cautions))
    bench.add("safe", job, safe, "whole", couplings)
    first = engine.sheet.firing_order[0]
    bench.add(
        "tdc",
        job,
        wording.prove_tdc(first, engine.sheet.crank.gudgeon_offset_mm != 0),
        "window",
        (Part(Kind.DISC), Part(Kind.WINDOW), Part(Kind.PISTON, first)),
        moves=(Move(coordinate=CRANK, start=bench.crank, end=0.0),),
    )
    if engine.magnetos:
        gaps = tuple((m.name, m.data.points_gap_mm) for m in engine.magnetos.values())
        timed_at = next(iter(engine.magnetos.values())).data.timed_at
        about = tuple(Part(Kind.MOVING_POINT, name) for name in engine.magnetos)
        magneto = next(iter(engine.magnetos))
        bench.add("points", job, wording.set_points(gaps, timed_at), "magneto", about, magneto=magneto)


def _set_camshaft(bench: _Bench, job: StepData) -> None:
    engine = bench.engine
    valve = _timing_valve(engine, job)
    bank = engine.cylinders[job.cylinder].bank
    camshaft = valve.camshaft
    coupling = engine.coupling_upstream(camshaft)
    name = f"camshaft {bank}"
    slug = bank.lower()
    mark = next_pass(bench.crank, mark_crank_deg(engine, job))
    cam = Part(Kind.CAMSHAFT, camshaft)
    gear = (Part(Kind.VALVE, valve.name), Part(Kind.ROCKER, valve.name), cam)
    about = tuple(part for part in gear if part in engine.parts)
    sense, seen_from = _direction(engine, camshaft)

    park, park_room = parking_deg(engine, camshaft, mark, from_deg=bench.crank)
    if park_room < engine.sheet.limits.room_mm:
        # the way to this mark is too short: its rockers are off still, so take the mark two turns on
        later = parking_deg(engine, camshaft, mark + 720.0, from_deg=bench.crank)
        if later[1] > park_room:
            mark += 720.0
            park, park_room = later
    moves, room = bench.turn_crank(park)
    known = valve.data.room_at_tdc_mm is not None
    bench.add(
        f"{slug}-park",
        name,
        wording.park(camshaft, park, park_room, known),
        "window",
        (Part(Kind.CRANKSHAFT), cam),
        moves=moves,
        room=room,
    )

    clearances = {v.name: v.data.checking_clearance_mm for v in engine.valves.values() if v.camshaft == camshaft}
    bench.assembly = with_clearances(bench.assembly, clearances)
    if coupling is not None:
        heel = bench.free_to(coupling, _heel_deg(engine, valve, mark))
        near = bench.free_to(coupling, mark - _NEAR_DEG)
        text = wording.set_clearance(bank, valve.name, valve.data.checking_clearance_mm, sense, seen_from)
        _turn_free(bench, f"{slug}-clearance", name, text, coupling, heel, about, valve)
        text = wording.bring_near(camshaft, valve.name, job.by, sense, seen_from)
        _turn_free(bench, f"{slug}-near", name, text, coupling, near, about, valve)

    _to_mark(bench, f"{slug}-mark", name, f"{job.cylinder} {job.by}", camshaft, mark, ())
    if coupling is None:
        return

    # the lobe is nipped where it is, whatever the crank's mark says
    clearance = bench.assembly.clearances_mm[valve.name]
    events = events_at(valve.curve, clearance)
    assert events is not None, "a checking clearance is less than the lift"
    own = events[0] if job.by.endswith("opens") else events[1]
    nipped = bench.free_to(coupling, _nearest(engine.cylinders[valve.cylinder].firing_deg + own, bench.crank))
    text = wording.nip(valve.name, clearance, job.by, sense, seen_from)
    _turn_free(bench, f"{slug}-nip", name, text, coupling, nipped, about, valve)
    _try_and_home(bench, slug, name, coupling, camshaft, f"{job.cylinder} {job.by}")


def _nearest(place_deg: float, crank_deg: float) -> float:
    return place_deg + 720.0 * round((crank_deg - place_deg) / 720.0)


def _turn_free(
    bench: _Bench,
    key: str,
    job: str,
    text: wording.Text,
    coupling: Coupling,
    angle: float,
    about: tuple[Part, ...],
    valve: Valve,
) -> None:
    """Turn the free camshaft behind an open coupling; the crank stays."""
    now = bench.assembly.engagements[coupling.name]
    assert isinstance(now, Open)
    way = path(now.driven_deg, angle)
    room = least_room(bench.engine, bench.assembly, np.full(way.shape, bench.crank), {coupling.driven: way})
    bench.add(
        key,
        job,
        text,
        "valve",
        about,
        moves=(Move(coordinate=coupling.driven, start=now.driven_deg, end=angle),),
        after=open_at(bench.assembly, coupling.name, angle),
        room=room,
        valve=valve.name,
        coupling=coupling.name,
    )


def _to_mark(
    bench: _Bench,
    key: str,
    job: str,
    label: str,
    at: str,
    mark: float,
    proof: tuple[tuple[str, str], ...],
) -> None:
    """Turn the crank on to a mark; a mistake takes another mark of the disc, or the same one a turn later."""
    engine = bench.engine
    wrong = bench.mistake("wrong-mark", at)
    exhaust = bench.mistake("exhaust-stroke", at)
    shown = label
    target = mark
    if wrong:
        # the next one on the disc that comes, not one that stands under the pointer already
        beyond = bench.crank + 10 * _SAME_PLACE_DEG
        others = [m for m in engine.marks if m.label != label and (not wrong.mark or m.label == wrong.mark)]
        if not others:
            wrong = None  # the disc bears no other mark to take
        else:
            other = min(others, key=lambda m: next_pass(beyond, m.crank_deg % 360.0, 360.0))
            shown = other.label
            target = next_pass(beyond, other.crank_deg % 360.0, 360.0)
    if exhaust:
        target += 360.0
    moves, room = bench.turn_crank(target)
    sense, seen_from = _direction(engine, CRANKSHAFT)
    count = passes(bench.crank, target, target)
    text = wording.to_mark(label, target - bench.crank, count, sense, seen_from, shown)
    text = replace(text, see=(*text.see, *proof))
    bench.add(
        key,
        job,
        text,
        "window",
        (Part(Kind.DISC), Part(Kind.WINDOW), Part(Kind.CRANKSHAFT)),
        moves=moves,
        room=room,
        passes=count,
        mark=shown,
        mistake=str(wrong or exhaust or ""),
        checks=(
            Check(
                what=f"crank at “{label}”",
                unit="crank deg",
                wanted=mark % 720.0,
                as_set=target % 720.0,
                early=mark - target,
                limit=engine.sheet.limits.points_break_deg,
                uncertainty=0.0,
            ),
        ),
    )


def _try_and_home(bench: _Bench, slug: str, job: str, coupling: Coupling, shaft: str, event: str) -> None:
    """Try the quill tooth by tooth with the driven shaft held, then put it home at the best tooth."""
    engine = bench.engine
    now = bench.assembly.engagements[coupling.name]
    assert isinstance(now, Open)
    driven = engine.shafts[coupling.driven]
    held = driven.sense * (now.driven_deg - bench.angle(coupling.driving))
    tried = trials(coupling.data, held, abs(driven.turns))
    chosen = best(tried)
    mistake = bench.mistake("other-tooth", coupling.name)
    done = chosen if mistake is None else tried[(chosen.driving_tooth + mistake.amount) % len(tried)]
    kind = Kind.QUILL if coupling.data.kind == "quill" else Kind.SLEEVE
    about = (
        Part(kind, coupling.name),
        Part(Kind.MATE, f"{coupling.name} driving"),
        Part(Kind.MATE, f"{coupling.name} driven"),
    )
    text = wording.try_teeth(
        coupling.name,
        coupling.data.kind,
        done.driving_tooth,
        driven.sense,
        driven.seen_from,
        _trial_words(tried[0]),
        _trial_words(done),
        done.verdict != "does not go in",
        sum(trial.verdict != "does not go in" for trial in tried),
    )
    turned = driven.sense * 360.0 / coupling.data.driving_teeth * done.driving_tooth
    quill, slide = quill_coordinate(coupling.name), slide_coordinate(coupling.name)
    bench.add(
        f"{slug}-try",
        job,
        text,
        "coupling",
        about,
        moves=(Move(coordinate=quill, start=0.0, end=turned, begin=0.1, until=0.9),),
        after=open_at(bench.assembly, coupling.name, now.driven_deg, done.driving_tooth),
        coupling=coupling.name,
        trials=tried,
        chosen=done,
        mistake=str(mistake or ""),
    )
    home = engage(bench.assembly, coupling.name, done.driving_tooth, done.driven_tooth)
    moved_deg = now.driven_deg + driven.sense * done.out_of_line_deg
    done_event = next(e for e in timing_table(engine, home) if e.name == event)
    bench.add(
        f"{slug}-home",
        job,
        wording.home(coupling.name, coupling.data.kind, shaft, done.out_of_line_crank_deg, event),
        "coupling",
        about,
        moves=(
            Move(coordinate=quill, start=turned, end=turned),
            Move(coordinate=coupling.driven, start=now.driven_deg, end=moved_deg, begin=0.5, until=0.9),
            Move(coordinate=slide, start=coupling.drawn_mm, end=0.0, begin=0.1, until=0.9),
        ),
        after=home,
        coupling=coupling.name,
        chosen=done,
        trials=tried,
        checks=tuple(check for check in (done_event.check,) if check),
    )


def _trial_words(trial: Trial) -> str:
    return wording.out_of_line_words(trial.out_of_line_deg, trial.out_of_line_crank_deg, trial.verdict)


def _set_magneto(bench: _Bench, job: StepData) -> None:
    engine = bench.engine
    magneto = engine.magneto(job.magneto)
    coupling = engine.coupling_upstream(magneto.rotor)
    name = f"{magneto.name} magneto"
    slug = magneto.name
    mark = next_pass(bench.crank, mark_crank_deg(engine, job))
    label = f"{job.cylinder} {magneto.name} points break"
    _to_mark(bench, f"{slug}-mark", name, label, magneto.name, mark, _stroke_proof(bench, job.cylinder, mark))
    if coupling is None:
        return
    now = bench.assembly.engagements[coupling.name]
    assert isinstance(now, Open)
    # the rotor is held where the finger is on the cylinder that the fitter means, whatever the crank's stroke
    broken = bench.free_to(coupling, _place_of_break(bench, job, mark))
    near = bench.free_to(coupling, _place_of_break(bench, job, mark) - _FINGER_NEAR_DEG)
    sense, seen_from = _direction(engine, magneto.rotor)
    data = magneto.data
    bench.add(
        f"{slug}-break",
        name,
        wording.finger_then_break(
            magneto.name, job.cylinder, sense, seen_from, data.closed_ohm, data.open_ohm, data.e_gap_deg
        ),
        "magneto",
        (
            Part(Kind.ROTOR, magneto.name),
            Part(Kind.BREAKER_CAM, magneto.name),
            Part(Kind.MOVING_POINT, magneto.name),
            Part(Kind.FINGER, magneto.name),
        ),
        moves=(
            Move(coordinate=coupling.driven, start=now.driven_deg, end=near, begin=0.0, until=0.45),
            Move(coordinate=coupling.driven, start=near, end=broken, begin=0.55, until=0.95),
        ),
        after=open_at(bench.assembly, coupling.name, broken),
        magneto=magneto.name,
        coupling=coupling.name,
    )
    _try_and_home(bench, slug, name, coupling, name, label)
    _check_stagger(bench)


def _place_of_break(bench: _Bench, job: StepData, mark: float) -> float:
    """The crank place whose magneto position the fitter holds: the finger on his cylinder, so always the data's."""
    firing = bench.engine.cylinder(job.cylinder).firing_deg
    return _nearest(firing + bench.engine.magneto(job.magneto).data.break_deg, mark)


def _stroke_proof(bench: _Bench, cylinder: str, mark: float) -> tuple[tuple[str, str], ...]:
    """What the valves of the cylinder do at the right pass of the mark and at the other one, as assembled now."""
    engine = bench.engine
    state = motion(engine, bench.assembly, [mark, mark + 360.0])
    kinds = ("inlet", "exhaust")
    right, wrong = (
        wording.valves_words(cylinder, {kind: float(state[f"valve {cylinder} {kind}"][at]) for kind in kinds})
        for at in (0, 1)
    )
    return wording.compression(cylinder, right, wrong)


def _check_stagger(bench: _Bench) -> None:
    """When two magnetos are set, the difference of their breaks is checked by its own limit."""
    engine = bench.engine
    if len(engine.magnetos) < 2:
        return
    cylinder = engine.sheet.firing_order[0]
    table = {event.name: event for event in timing_table(engine, bench.assembly)}
    first, second = (table[f"{cylinder} {name} points break"] for name in list(engine.magnetos)[:2])
    if first.early_deg is None or second.early_deg is None:
        return
    wanted = (second.crank_deg - first.crank_deg + 360.0) % 720.0 - 360.0
    as_set = wanted - (second.early_deg - first.early_deg)
    check = Check(
        what="between the two magnetos",
        unit="crank deg",
        wanted=wanted,
        as_set=as_set,
        early=wanted - as_set,
        limit=engine.sheet.limits.stagger_deg,
        uncertainty=engine.sheet.limits.points_break_uncertainty_deg,
    )
    last = bench.steps[-1]
    bench.steps[-1] = replace(last, checks=(*last.checks, check))


def _finish(bench: _Bench) -> None:
    engine = bench.engine
    job = "finish"
    table = timing_table(engine, bench.assembly)
    checks = _worst_checks(table)
    unproved = sum(event.check is not None and event.check.verdict == "not proved" for event in table)
    rejected = sum(event.check is not None and event.check.verdict == "reject" for event in table)
    moves, room = bench.turn_crank(bench.crank + 720.0)
    bench.add(
        "two-turns",
        job,
        wording.two_turns(unproved, rejected),
        "whole",
        (Part(Kind.CRANKSHAFT),),
        moves=moves,
        room=room,
        checks=checks,
        passes=2,
    )
    couplings = tuple(
        Part(Kind.QUILL if c.data.kind == "quill" else Kind.SLEEVE, name) for name, c in engine.couplings.items()
    )
    bench.add("inspection", job, wording.inspect(), "whole", couplings)
    inlet, exhaust = engine.sheet.inlet, engine.sheet.exhaust
    running = {name: valve.data.running_clearance_mm for name, valve in engine.valves.items()}
    bench.add(
        "running-clearance",
        job,
        wording.running_clearance(inlet.running_clearance_mm, exhaust.running_clearance_mm),
        "valve",
        tuple(part for part in engine.parts if part.kind in (Kind.ROCKER, Kind.VALVE)),
        after=with_clearances(bench.assembly, running),
        valve=next(iter(engine.valves)),
    )
    rotors = tuple(Part(Kind.ROTOR, name) for name in engine.magnetos)
    bench.add("earth-leads", job, wording.earth_leads(), "whole", rotors)


def _worst_checks(table: tuple[Event, ...]) -> tuple[Check, ...]:
    """For each kind of event of each bank or magneto the check that is furthest out."""
    worst: dict[str, Check] = {}
    for event in table:
        check = event.check
        if check is None:
            continue
        group = event.magneto or f"{event.cylinder[:-1]} {event.kind}"
        if group not in worst or abs(check.early) > abs(worst[group].early):
            worst[group] = check
    return tuple(worst.values())
