"""The engine on the bench while its set-up is played, and the moves that every job is made of.

Each move takes the bench as it stands (assembly, crank angle) and leaves it changed. A mistake changes what one step
does; everything after it is computed from what was really done.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from quillwise.kinematics import proofs, wording
from quillwise.kinematics.angles import format_event
from quillwise.kinematics.assembly import (
    ROCKERS_OFF,
    Assembly,
    Open,
    engage,
    intended,
    open_at,
    with_clearances,
)
from quillwise.kinematics.branches import links_upstream, tooth_crank_deg
from quillwise.kinematics.couplings import Trial, best, trials
from quillwise.kinematics.datasheet import StepData
from quillwise.kinematics.marks import (
    drop_mm,
    feel,
    gauge_mm,
    greatest_lift_mm,
    job_check,
    lift_at_tdc_mm,
    lobe_own_deg,
    mark_crank_deg,
    mark_own_deg,
    rises,
    timing_valve,
)
from quillwise.kinematics.model import CRANKSHAFT, Coupling, Engine, Magneto, Valve
from quillwise.kinematics.motion import shaft_angles
from quillwise.kinematics.parts import FOLLOWERS, Kind, Part
from quillwise.kinematics.positions import best_again, tried_again
from quillwise.kinematics.rig import quill_coordinate, slide_coordinate
from quillwise.kinematics.room import Room, least_room, path
from quillwise.kinematics.steps import CRANK, Focus, Mistake, Move, Step
from quillwise.kinematics.verdicts import Check

# Where free shafts stand before a job, in crank degrees before their place: far enough to see them turn.
NEAR_DEG = 24.0
_BEFORE_HEEL_DEG = 60.0
_ROTOR_LEAST_DEG = 25.0
FINGER_NEAR_DEG = 14.0
_SAME_PLACE_DEG = 1e-6
_CLOSER_CRANK_DEG = 0.01  # a gain that is not told: it is not read either
_START_DEG = -30.0  # before TDC of the first cylinder, where the job begins


def next_pass(crank_deg: float, mark_deg: float, period_deg: float = 720.0) -> float:
    """The first angle at or after ``crank_deg`` that equals ``mark_deg`` modulo the period."""
    to_go = (mark_deg - crank_deg) % period_deg
    if period_deg - to_go < _SAME_PLACE_DEG:
        to_go = 0.0
    return crank_deg + to_go


def passes(start_deg: float, end_deg: float, mark_deg: float) -> int:
    """How often a mark of the disc comes under the pointer on the way from start (not counted) to end (counted)."""
    turns_end = math.floor((end_deg - mark_deg + _SAME_PLACE_DEG) / 360.0)
    turns_start = math.floor((start_deg - mark_deg + _SAME_PLACE_DEG) / 360.0)
    return turns_end - turns_start


@dataclass(slots=True)
class Bench:
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
        if not self.engine.magnetos:
            text = replace(text, cautions=tuple(caution for caution in text.cautions if caution is not wording.LIVE))
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
        if coupling is None or isinstance(assembly.engagements[coupling.name], Open):
            continue  # of two jobs behind one coupling the first puts it home
        if job.do == "set-camshaft":
            place = heel_deg(engine, timing_valve(engine, job), crank) - _BEFORE_HEEL_DEG
        else:
            place = crank - _rotor_start_deg(engine.magneto(job.magneto))
        angle = float(engine.shafts[coupling.driven].turns) * engine.sigma * place
        assembly = open_at(assembly, coupling.name, angle)
    return assembly


def _rotor_start_deg(magneto: Magneto) -> float:
    """How far before its place a free magneto rotor stands [crank deg]: where its points are open widest, so that their
    gap can be set, and far enough before the break to see it turn."""
    interval = 720.0 / len(magneto.fires)
    half_open = interval * (1.0 - magneto.data.dwell_deg * float(magneto.data.sparks_per_turn) / 360.0) / 2
    return interval * math.ceil((_ROTOR_LEAST_DEG + half_open) / interval) - half_open


def heel_deg(engine: Engine, valve: Valve, before_deg: float) -> float:
    """The last crank place before an angle at which the valve's cam stands on the middle of its heel."""
    heel = engine.cylinders[valve.cylinder].firing_deg + valve.curve.peak_deg + 360.0
    return next_pass(before_deg - 720.0, heel % 720.0)


def direction(engine: Engine, shaft: str) -> tuple[int, str]:
    """The sense of a shaft about its axis (±1, as ``Shaft.sense``) and the end that it is seen from."""
    return engine.shafts[shaft].sense, engine.shafts[shaft].seen_from


def nearest_deg(place_deg: float, crank_deg: float) -> float:
    """The place [crank deg], moved by whole cycles, that lies nearest to ``crank_deg``."""
    return place_deg + 720.0 * round((crank_deg - place_deg) / 720.0)


def turn_free(
    bench: Bench,
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


def bring_near(bench: Bench, key: str, job: StepData, mark: float) -> None:
    """Turn the free camshaft of a job to a little before its place."""
    engine = bench.engine
    valve, coupling = _free(bench, job)
    text = wording.bring_near(
        valve.camshaft,
        valve.name,
        feel(job),
        _gauge_reading_mm(engine, job),
        *direction(engine, valve.camshaft),
        engine.sheet.length_unit,
    )
    angle = bench.free_to(coupling, mark - NEAR_DEG)
    turn_free(bench, key, valve.camshaft, text, coupling, angle, _valve_gear(engine, valve), valve)


def nip(bench: Bench, key: str, job: StepData) -> None:
    """Turn the free camshaft of a job on to its place: the lobe is held where it is, whatever the crank's mark says."""
    engine = bench.engine
    valve, coupling = _free(bench, job)
    clearance = bench.assembly.clearances_mm[valve.name]
    place = engine.cylinders[valve.cylinder].firing_deg + lobe_own_deg(engine, job, clearance)
    text = wording.nip(
        valve.name,
        clearance,
        feel(job),
        _gauge_reading_mm(engine, job),
        *direction(engine, valve.camshaft),
        engine.sheet.length_unit,
    )
    angle = bench.free_to(coupling, nearest_deg(place, bench.crank))
    turn_free(bench, key, valve.camshaft, text, coupling, angle, _valve_gear(engine, valve), valve)


def _free(bench: Bench, job: StepData) -> tuple[Valve, Coupling]:
    valve = timing_valve(bench.engine, job)
    coupling = bench.engine.coupling_upstream(valve.camshaft)
    assert coupling is not None, "only a camshaft behind a coupling is free"
    return valve, coupling


def _gauge_reading_mm(engine: Engine, job: StepData) -> float:
    """What the gauge reads when the camshaft stands at its place."""
    return greatest_lift_mm(timing_valve(engine, job)) if feel(job) == "full" else gauge_mm(engine, job)


def _valve_gear(engine: Engine, valve: Valve) -> tuple[Part, ...]:
    followers = (Part(kind, valve.name) for kind in FOLLOWERS)
    gear = (Part(Kind.VALVE, valve.name), *followers, Part(Kind.CAMSHAFT, valve.camshaft))
    return tuple(part for part in gear if part in engine.parts)


def by_piston(engine: Engine, job: StepData) -> tuple[tuple[str, ...], tuple[str, str]] | None:
    """The words of the dial gauge in the cylinder, of a job whose crank comes to its mark by it; else None."""
    if job.crank_by != "piston":
        return None
    own = mark_own_deg(engine, job)
    drop = drop_mm(engine, job.cylinder, own)
    return proofs.by_piston(
        job.cylinder, drop, format_event(own, 1), rises(engine, job.cylinder, own), engine.sheet.length_unit
    )


def rockers_off(assembly: Assembly, engine: Engine, camshaft: str) -> bool:
    """Whether a camshaft has valves whose rockers are off."""
    own = (valve.name for valve in engine.valves.values() if valve.camshaft == camshaft)
    return any(assembly.clearances_mm[name] == ROCKERS_OFF for name in own)


def one_sided_top(engine: Engine, cylinder: str) -> bool:
    """Whether the middle of two stop readings is not a piston's top: its gudgeon pin is offset, or it hangs on a link
    rod. The dial gauge proves it then."""
    return engine.sheet.crank.gudgeon_offset_mm != 0 or engine.cylinders[cylinder].linkage.link is not None


def slug_of(camshaft: str) -> str:
    """The word by which the keys of a camshaft's steps begin: "a" or "a-inlet"."""
    return camshaft.removeprefix("camshaft ").lower().replace(" ", "-")


def least_tooth_crank_deg(engine: Engine, shaft: str) -> float:
    """What one tooth of the finest ordinary gear between a shaft and the crankshaft moves it by [crank deg]; 0 where
    there is no gear."""
    links = links_upstream(engine, shaft)
    return min((tooth_crank_deg(engine, link) for link in links if link in engine.meshes), default=0.0)


def to_mark(
    bench: Bench,
    key: str,
    job: str,
    label: str,
    at: str,
    mark: float,
    proof: tuple[tuple[str, str], ...],
    gauge: tuple[tuple[str, ...], tuple[str, str]] | None = None,
) -> None:
    """Turn the crank on to a mark; a mistake takes another mark of the disc, or the same one a turn later.
    ``gauge``: the words of a dial gauge in the cylinder, where the crank comes to the mark by it."""
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
    sense, seen_from = direction(engine, CRANKSHAFT)
    count = passes(bench.crank, target, target)
    text = wording.to_mark(label, target - bench.crank, count, sense, seen_from, shown)
    text = replace(text, see=(*text.see, *proof))
    if gauge is not None:
        (*first, stop), seen = gauge
        turn, *rest = text.do
        see = (*text.see, seen) if shown == label else text.see
        text = replace(text, do=(*first, turn, stop, *rest), see=see)
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


def try_and_home(
    bench: Bench,
    slug: str,
    job: str,
    coupling: Coupling,
    shaft: str,
    timed: StepData,
    fitted_then: Mapping[str, float] | None = None,
) -> None:
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
        len(tried),
    )
    again = best_again(tried_again(coupling.data, held, abs(driven.turns)))
    closer = abs(chosen.out_of_line_crank_deg) - abs(again.trial.out_of_line_crank_deg)
    if again.cycles and closer > _CLOSER_CRANK_DEG:
        out = again.trial.out_of_line_crank_deg
        told = (coupling.data.kind, wording.try_again(again.cycles, out, chosen.out_of_line_crank_deg))
        text = replace(text, see=(*text.see, told))
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
    home = with_clearances(home, fitted_then or {})
    rest = shaft if fitted_then else ""
    moved_deg = now.driven_deg + driven.sense * done.out_of_line_deg
    text = wording.home(coupling.name, coupling.data.kind, shaft, done.out_of_line_crank_deg, timed.mark, rest)
    if timed.by == "lift at TDC" and timed.do == "set-camshaft":
        lift = lift_at_tdc_mm(engine, home, timed)
        assert lift is not None, "its coupling is home"
        seen = proofs.lift_at_tdc(
            timing_valve(engine, timed).name, lift, gauge_mm(engine, timed), engine.sheet.length_unit
        )
        text = replace(text, see=(*text.see, seen))
    check = job_check(engine, home, timed)
    bench.add(
        f"{slug}-home",
        job,
        text,
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
        checks=(check,) if check else (),
    )


def _trial_words(trial: Trial) -> str:
    return wording.out_of_line_words(trial.out_of_line_deg, trial.out_of_line_crank_deg, trial.verdict)
