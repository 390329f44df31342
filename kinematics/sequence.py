"""The set-up, played: the jobs of the scene, step by step, from drawn quills to an as-set assembly.

``play`` is a fold: each step takes the bench as it stands (assembly, crank angle) and leaves it changed. A mistake
changes what one step does; everything after it is computed from what was really done.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import combinations

from quillwise.kinematics import proofs, spark_words, wording
from quillwise.kinematics.angles import wrapped
from quillwise.kinematics.assembly import (
    Assembly,
    Open,
    open_at,
    with_clearances,
)
from quillwise.kinematics.bench import (
    FINGER_NEAR_DEG,
    Bench,
    bring_near,
    by_piston,
    direction,
    heel_deg,
    least_tooth_crank_deg,
    nearest_deg,
    next_pass,
    nip,
    rockers_off,
    slug_of,
    to_mark,
    try_and_home,
    turn_free,
)
from quillwise.kinematics.datasheet import StepData, ValveKind
from quillwise.kinematics.marks import equal_lifts_deg, gauge_mm, job_check, mark_crank_deg, timing_valve
from quillwise.kinematics.model import Engine, Magneto
from quillwise.kinematics.motion import cam_travel_mm, motion
from quillwise.kinematics.parts import FOLLOWERS, Kind, Part
from quillwise.kinematics.room import parking_deg
from quillwise.kinematics.steps import CRANK, Mistake, Move, Step
from quillwise.kinematics.timing import Event, early_crank_deg, timing_table
from quillwise.kinematics.verdicts import Check

_HEEL_MM = 0.005  # a cam that lifts less is on its heel


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
    """Play the scene's set-up order: its steps, with checks in crank degrees and mm, and the assembly that they leave.

    ``mistakes``: steps that are done wrong on purpose; one that no step can make changes nothing, and is in no step's
    ``mistake``. Raises nothing for an engine that ``build`` made and mistakes that ``parse_mistake`` read.

    >>> from quillwise.scenes.library import engine
    >>> [step.key for step in play(engine("slipway-six")).steps if step.trials]
    ['a-try', 'a-home', 'winch-try', 'winch-home']
    """
    bench = Bench(engine, tuple(mistakes))
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


def _prepare(bench: Bench) -> None:
    engine = bench.engine
    job = "prepare"
    couplings = tuple(
        Part(Kind.QUILL if c.data.kind == "quill" else Kind.SLEEVE, name) for name, c in engine.couplings.items()
    )
    low = any(abs(bank.turn_deg) > 90 for bank in engine.sheet.banks)
    kinds = [coupling.data.kind for coupling in engine.couplings.values()]
    safe = wording.make_safe(any(m.data.trailing_electrode_deg for m in engine.magnetos.values()), kinds)
    if low:
        safe = replace(safe, cautions=(wording.OIL_LOCK, *safe.cautions))
    bench.add("safe", job, safe, "whole", couplings)
    first = engine.sheet.firing_order[0]
    bench.add(
        "tdc",
        job,
        wording.prove_tdc(
            first, engine.sheet.crank.gudgeon_offset_mm != 0, engine.cylinders[first].linkage.link is not None
        ),
        "window",
        (Part(Kind.DISC), Part(Kind.WINDOW), Part(Kind.PISTON, first)),
        moves=(Move(coordinate=CRANK, start=bench.crank, end=0.0),),
    )
    if engine.magnetos:
        gaps = tuple((m.name, m.data.points_gap_mm) for m in engine.magnetos.values())
        timed_at = tuple((m.name, m.data.timed_at) for m in engine.magnetos.values())
        impulse = any(m.data.impulse_lag_deg for m in engine.magnetos.values())
        about = tuple(Part(Kind.MOVING_POINT, name) for name in engine.magnetos)
        magneto = next(iter(engine.magnetos))
        bench.add(
            "points",
            job,
            spark_words.set_points(gaps, timed_at, impulse, engine.sheet.length_unit),
            "magneto",
            about,
            magneto=magneto,
        )


def _set_camshaft(bench: Bench, job: StepData) -> None:
    engine = bench.engine
    valve = timing_valve(engine, job)
    camshaft = valve.camshaft
    coupling = engine.coupling_upstream(camshaft)
    name = camshaft
    slug = slug_of(camshaft)
    mark = next_pass(bench.crank, mark_crank_deg(engine, job))
    if coupling is None or not isinstance(bench.assembly.engagements[coupling.name], Open):
        _read_camshaft(bench, job, name, slug)
        return
    cam = Part(Kind.CAMSHAFT, camshaft)
    gear = (Part(Kind.VALVE, valve.name), *(Part(kind, valve.name) for kind in FOLLOWERS), cam)
    about = tuple(part for part in gear if part in engine.parts)
    sense, seen_from = direction(engine, camshaft)

    park, park_room = parking_deg(engine, camshaft, mark, from_deg=bench.crank)
    if park_room < engine.sheet.limits.room_mm and bench.crank > mark - 360.0:
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
        wording.park(camshaft, park, park_room, known, engine.sheet.length_unit),
        "window",
        (Part(Kind.CRANKSHAFT), cam),
        moves=moves,
        room=room,
    )

    turning = engine.camshafts_with(camshaft)
    all_valves = {v.name: v.data.checking_clearance_mm for v in engine.valves.values() if v.camshaft in turning}
    # until the quill is home only the cylinder that is timed by has rockers: the fewest valves that can strike
    timed_by = {v: mm for v, mm in all_valves.items() if engine.valves[v].cylinder == job.cylinder}
    bench.assembly = with_clearances(bench.assembly, timed_by)
    heel = bench.free_to(coupling, heel_deg(engine, valve, mark))
    text = wording.set_clearance(
        job.cylinder, valve.name, valve.data.checking_clearance_mm, sense, seen_from, engine.sheet.length_unit
    )
    turn_free(bench, f"{slug}-clearance", name, text, coupling, heel, about, valve)
    bring_near(bench, f"{slug}-near", job, mark)
    to_mark(bench, f"{slug}-mark", name, job.mark, camshaft, mark, (), by_piston(engine, job))
    nip(bench, f"{slug}-nip", job)
    try_and_home(bench, slug, name, coupling, camshaft, job, all_valves)
    if job.by == "lobe centre":
        _prove_centre(bench, job, slug)


def _read_camshaft(bench: Bench, job: StepData, name: str, slug: str) -> None:
    """A camshaft that is not free: no coupling drives it, or it came home with another. Nothing moves but the crank."""
    engine = bench.engine
    camshaft = timing_valve(engine, job).camshaft
    if rockers_off(bench.assembly, engine, camshaft):
        _fit_rockers(bench, slug, name, camshaft)
    mark = next_pass(bench.crank, mark_crank_deg(engine, job))
    to_mark(bench, f"{slug}-mark", name, job.mark, camshaft, mark, (), by_piston(engine, job))
    _read(bench, job, slug, name, camshaft)


def _fit_rockers(bench: Bench, slug: str, job: str, camshaft: str) -> None:
    own = [valve for valve in bench.engine.valves.values() if valve.camshaft == camshaft]
    bench.add(
        f"{slug}-clearance",
        job,
        proofs.clearance_coupled(
            camshaft, {v.kind: v.data.checking_clearance_mm for v in own}, bench.engine.sheet.length_unit
        ),
        "valve",
        (Part(Kind.CAMSHAFT, camshaft), *(Part(Kind.VALVE, valve.name) for valve in own)),
        after=with_clearances(bench.assembly, {v.name: v.data.checking_clearance_mm for v in own}),
        valve=own[0].name,
    )


def _read(bench: Bench, job: StepData, slug: str, name: str, shaft: str) -> None:
    """Read what a job would set, where nothing is free to be moved."""
    engine = bench.engine
    coupling = engine.coupling_upstream(shaft)
    check = job_check(engine, bench.assembly, job)
    is_cam = job.do == "set-camshaft"
    home = "" if coupling is None else coupling.name
    bench.add(
        f"{slug}-read",
        name,
        proofs.read_only(name, job.mark, home, least_tooth_crank_deg(engine, shaft)),
        "valve" if is_cam else "magneto",
        (Part(Kind.CAMSHAFT, shaft) if is_cam else Part(Kind.ROTOR, job.magneto),),
        checks=(check,) if check else (),
        valve=timing_valve(engine, job).name if is_cam else "",
        magneto=job.magneto,
    )


def _prove_centre(bench: Bench, job: StepData, slug: str) -> None:
    """Turn the crank on and read the disc at equal lifts on either side of the lobe that was set by its centre."""
    engine = bench.engine
    valve = timing_valve(engine, job)
    check = job_check(engine, bench.assembly, job)
    early = early_crank_deg(engine, bench.assembly, valve.camshaft)
    assert check is not None and early is not None, "its coupling is home and its rockers are on"
    rises, falls = (engine.cylinders[job.cylinder].firing_deg + own - early for own in equal_lifts_deg(engine, job))
    falls = next_pass(bench.crank, falls % 720.0)
    rises = next_pass(falls, rises % 720.0)
    moves, room = bench.turn_crank(rises)
    lift = gauge_mm(engine, job)
    bench.add(
        f"{slug}-centre",
        valve.camshaft,
        proofs.equal_lifts(
            valve.name, lift, falls % 360.0, rises % 360.0, check.as_set % 360.0, engine.sheet.length_unit
        ),
        "valve",
        (Part(Kind.VALVE, valve.name), Part(Kind.CAMSHAFT, valve.camshaft)),
        moves=moves,
        room=room,
        valve=valve.name,
        checks=(check,),
    )


def _set_magneto(bench: Bench, job: StepData) -> None:
    engine = bench.engine
    magneto = engine.magneto(job.magneto)
    coupling = engine.coupling_upstream(magneto.rotor)
    name = f"{magneto.name} magneto"
    slug = magneto.name
    mark = next_pass(bench.crank, mark_crank_deg(engine, job))
    proof = _stroke_proof(bench, job, mark)
    to_mark(bench, f"{slug}-mark", name, job.mark, magneto.name, mark, proof, by_piston(engine, job))
    now = None if coupling is None else bench.assembly.engagements[coupling.name]
    if coupling is None or not isinstance(now, Open):
        _read(bench, job, slug, name, magneto.rotor)
        _check_stagger(bench, magneto)
        return
    # the rotor is held where the finger is on the cylinder that the fitter means, whatever the crank's stroke
    broken = bench.free_to(coupling, _place_of_break(bench, job, mark))
    near = bench.free_to(coupling, _place_of_break(bench, job, mark) - FINGER_NEAR_DEG)
    sense, seen_from = direction(engine, magneto.rotor)
    data = magneto.data
    bench.add(
        f"{slug}-break",
        name,
        spark_words.finger_then_break(
            magneto.name,
            job.cylinder,
            sense,
            seen_from,
            data.closed_ohm,
            data.open_ohm,
            data.e_gap_deg,
            data.impulse_lag_deg,
            data.trailing_electrode_deg,
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
    try_and_home(bench, slug, name, coupling, name, job)
    _check_stagger(bench, magneto)


def _place_of_break(bench: Bench, job: StepData, mark: float) -> float:
    """The crank place whose magneto position the fitter holds: the finger on his cylinder, so always the data's."""
    magneto = bench.engine.magneto(job.magneto)
    return nearest_deg(magneto.due_deg[job.cylinder] + magneto.data.break_deg, mark)


def _stroke_proof(bench: Bench, job: StepData, mark: float) -> tuple[tuple[str, str], ...]:
    """What proves the compression stroke of the job's cylinder: its valves at the right pass of the mark and at the
    other one, as assembled now, or the air at its plug hole."""
    engine, cylinder = bench.engine, job.cylinder
    if job.prove_stroke == "plug hole":
        camshafts = {valve.camshaft for valve in engine.valves.values() if valve.cylinder == cylinder}
        free = (early_crank_deg(engine, bench.assembly, name) is None for name in camshafts)
        off = (rockers_off(bench.assembly, engine, name) for name in camshafts)
        return proofs.plug_hole(cylinder, not (any(free) or any(off)))
    state = motion(engine, bench.assembly, [mark, mark + 360.0])
    kinds: tuple[ValveKind, ...] = ("inlet", "exhaust")
    lifts = {kind: state[f"valve {engine.valve(cylinder, kind).name}"] for kind in kinds}
    several = engine.sheet.inlet.count > 1, engine.sheet.exhaust.count > 1
    right, wrong = (
        wording.valves_words(
            cylinder, {kind: float(lift[at]) for kind, lift in lifts.items()}, several, engine.sheet.length_unit
        )
        for at in (0, 1)
    )
    return wording.compression(cylinder, right, wrong)


def _check_stagger(bench: Bench, magneto: Magneto) -> None:
    """When a magneto is set, the difference of its breaks from those of each that is set is checked by its own limit.

    Magnetos that each fire cylinders of their own have no stagger between them.
    """
    engine = bench.engine
    table = {event.name: event for event in timing_table(engine, bench.assembly)}
    for one, other in combinations(engine.magnetos.values(), 2):
        both = [name for name in one.fires if name in other.fires]
        if magneto not in (one, other) or not both:
            continue
        first, second = (table[f"{both[0]} {each.name} points break"] for each in (one, other))
        if first.early_deg is None or second.early_deg is None:
            continue
        wanted = float(wrapped(second.crank_deg - first.crank_deg, 720.0))
        # each is wrapped by itself: two that stand about a turn out may lie at either end of the cycle
        as_set = wanted - float(wrapped(second.early_deg - first.early_deg, 720.0))
        pair = "two" if len(engine.magnetos) == 2 else f"{one.name} and {other.name}"
        check = Check(
            what=f"between the {pair} magnetos",
            interval=True,
            unit="crank deg",
            wanted=wanted,
            as_set=as_set,
            early=wanted - as_set,
            limit=engine.sheet.limits.stagger_deg,
            uncertainty=engine.sheet.limits.points_break_uncertainty_deg,
        )
        last = bench.steps[-1]
        bench.steps[-1] = replace(last, checks=(*last.checks, check))


def _on_its_heel(engine: Engine, assembly: Assembly, crank_deg: float) -> str:
    """The first valve whose cam is on its heel at θ, where its clearance can be set, of a cylinder where all cams are
    so if there is one."""
    state = motion(engine, assembly, [crank_deg])
    shut = {
        name: float(cam_travel_mm(engine, valve, state[valve.camshaft])[0]) < _HEEL_MM
        for name, valve in engine.valves.items()
    }
    wholly = [
        name
        for name, valve in engine.valves.items()
        if all(shut[each.name] for each in engine.valves.values() if each.cylinder == valve.cylinder)
    ]
    return next(iter([*wholly, *(name for name, is_shut in shut.items() if is_shut), *shut]))


def _finish(bench: Bench) -> None:
    engine = bench.engine
    job = "finish"
    for camshaft in engine.camshafts:  # those that no job has read, because nothing can be moved there
        if rockers_off(bench.assembly, engine, camshaft):
            _fit_rockers(bench, slug_of(camshaft), job, camshaft)
    table = timing_table(engine, bench.assembly)
    checks = _worst_checks(table)
    readings = sum(event.check is not None for event in table)
    unproved = sum(event.check is not None and event.check.verdict == "not proved" for event in table)
    rejected = sum(event.check is not None and event.check.verdict == "reject" for event in table)
    moves, room = bench.turn_crank(bench.crank + 720.0)
    bench.add(
        "two-turns",
        job,
        wording.two_turns(unproved, rejected, readings, len(checks)),
        "whole",
        (Part(Kind.CRANKSHAFT),),
        moves=moves,
        room=room,
        checks=checks,
        readings=readings,
        passes=2,
    )
    couplings = tuple(
        Part(Kind.QUILL if c.data.kind == "quill" else Kind.SLEEVE, name) for name, c in engine.couplings.items()
    )
    bench.add("inspection", job, wording.inspect([c.data.kind for c in engine.couplings.values()]), "whole", couplings)
    inlet, exhaust = engine.sheet.inlet, engine.sheet.exhaust
    running = {name: valve.data.running_clearance_mm for name, valve in engine.valves.items()}
    moves, room = bench.turn_crank(bench.crank + 720.0)  # each cam comes to its heel, and the crank back to its place
    bench.add(
        "running-clearance",
        job,
        wording.running_clearance(inlet.running_clearance_mm, exhaust.running_clearance_mm, engine.sheet.length_unit),
        "valve",
        tuple(part for part in engine.parts if part.kind in (*FOLLOWERS, Kind.VALVE)),
        moves=moves,
        room=room,
        passes=2,
        after=with_clearances(bench.assembly, running),
        valve=_on_its_heel(engine, with_clearances(bench.assembly, running), bench.crank),
    )
    if engine.magnetos:
        rotors = tuple(Part(Kind.ROTOR, name) for name in engine.magnetos)
        bench.add("earth-leads", job, spark_words.earth_leads(), "whole", rotors)


def _worst_checks(table: tuple[Event, ...]) -> tuple[Check, ...]:
    """For each kind of event of each bank or magneto the check that is furthest out."""
    worst: dict[str, Check] = {}
    for event in table:
        check = event.check
        if check is None:
            continue
        group = event.magneto or f"{event.cylinder.rstrip('0123456789')} {event.kind}"
        if group not in worst or abs(check.early) > abs(worst[group].early):
            worst[group] = check
    return tuple(worst.values())
