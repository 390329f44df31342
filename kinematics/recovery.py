"""Slips at the bench, and the shortest safe way back: a mark passed, a camshaft rolled by its springs, a quill dropped.

``way_back`` tries the ways from the shortest on and takes the first on which enough room stays between valves and
pistons. A camshaft that has rolled may stand anywhere, so the room is then that of its worst place. Where no way is
safe with the rockers on, those of the timing cylinder come off first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Literal, get_args

from quillwise.kinematics import remedies, wording
from quillwise.kinematics.assembly import ROCKERS_OFF, Assembly, Open, open_at, with_clearances
from quillwise.kinematics.bench import (
    Bench,
    bring_near,
    by_piston,
    direction,
    heel_deg,
    nip,
    slug_of,
    to_mark,
    try_and_home,
    turn_free,
)
from quillwise.kinematics.datasheet import StepData
from quillwise.kinematics.errors import RequestError, unknown
from quillwise.kinematics.marks import timing_valve
from quillwise.kinematics.model import CRANKSHAFT, Coupling, Engine
from quillwise.kinematics.parts import FOLLOWERS, Kind, Part
from quillwise.kinematics.room import Room, least_room, parking_deg, path, worst_room
from quillwise.kinematics.sequence import Played
from quillwise.kinematics.steps import CRANK, Move, Step

Slip = Literal["mark-passed", "camshaft-rolled", "quill-dropped"]
SLIPS: tuple[Slip, ...] = get_args(Slip)

PASSED_DEG = 5.0  # how far past the mark the crank is taken to stand
_QUARTER_DEG = 90.0


def slips_at(engine: Engine, step: Step) -> tuple[Slip, ...]:
    """The slips that can happen at a step, the likeliest first; empty where none can. Raises nothing."""
    job = _job(engine, step)
    if job is None:
        return ()
    part = step.key.rpartition("-")[2]
    free = job.do == "set-camshaft" and _coupling(engine, job, step.during) is not None
    found: list[Slip] = []
    if part == "mark":
        found.append("mark-passed")
    if part in ("try", "home"):
        found.append("quill-dropped")
    if free and part in ("near", "mark", "nip", "try", "home"):
        found.append("camshaft-rolled")
    return tuple(found)


def parse_slip(engine: Engine, played: Played, step: Step, text: str | None) -> Slip:
    """The slip of that name, or the likeliest at a step. Raises RequestError where it cannot happen there."""
    if text is not None and text not in SLIPS:
        raise RequestError(unknown("slip", text, SLIPS))
    can = slips_at(engine, step)
    if can and text is None:
        return can[0]
    for slip in can:
        if slip == text:
            return slip
    where = [other.key for other in played.steps if _any_of(text, slips_at(engine, other))]
    listed = ", ".join(where) or "none"
    what = f"{text} cannot" if text else f"none of the slips {', '.join(SLIPS)} can"
    raise RequestError(f"{what} happen at step {step.key}; steps at which {'it' if text else 'one'} can: {listed}")


def _any_of(slip: str | None, can: tuple[Slip, ...]) -> bool:
    return slip in can if slip else bool(can)


def way_back(engine: Engine, played: Played, step: Step, slip: Slip) -> tuple[Step, ...]:
    """The steps from a slip at a step of the set-up as played back to where that step ends, numbered from 1; crank
    angles go on from where the crank stands [deg, not wrapped].

    Raises RequestError where the slip cannot happen at that step.
    """
    slip = parse_slip(engine, played, step, slip)
    job = _job(engine, step)
    assert job is not None, "a slip happens in a job that has a mark"
    bench = Bench(engine, ())
    bench.assembly, bench.crank = step.during, step.crank_deg[1]
    if slip == "mark-passed":
        _mark_passed(bench, job, step)
    elif slip == "camshaft-rolled":
        _camshaft_rolled(bench, job, step, played)
    else:
        _quill_dropped(bench, job, step)
    return tuple(bench.steps)


def _job(engine: Engine, step: Step) -> StepData | None:
    """The job of the set-up order that a step belongs to, if that has a mark."""
    return next((job for job in engine.sheet.setup if job.mark and step.job in (job.camshaft, _magneto(job))), None)


def _magneto(job: StepData) -> str:
    return f"{job.magneto} magneto"


def _slug(job: StepData) -> str:
    return slug_of(job.camshaft) if job.camshaft else job.magneto


def _coupling(engine: Engine, job: StepData, assembly: Assembly) -> Coupling | None:
    """The coupling that a job puts home, while it is open."""
    found = engine.coupling_upstream(job.camshaft or engine.magneto(job.magneto).rotor)
    return found if found is not None and isinstance(assembly.engagements[found.name], Open) else None


def _free_camshafts(engine: Engine, assembly: Assembly) -> list[str]:
    found = ((name, engine.coupling_upstream(name)) for name in engine.camshafts)
    return [name for name, c in found if c is not None and isinstance(assembly.engagements[c.name], Open)]


def _is_safe(engine: Engine, *rooms: Room | None) -> bool:
    """Whether enough room stays everywhere; None: no valve is open."""
    return all(room is None or room.room_mm >= engine.sheet.limits.room_mm for room in rooms)


# The mark was passed


def _mark_passed(bench: Bench, job: StepData, step: Step) -> None:
    engine = bench.engine
    mark = bench.crank
    bench.crank += PASSED_DEG
    if engine.sheet.may_turn_back and not _free_camshafts(engine, bench.assembly):
        back = path(bench.crank, mark - _QUARTER_DEG)
        room = least_room(engine, bench.assembly, back)
        if _is_safe(engine, room):
            _turn_back(bench, job, step, mark, room)
            _to_mark(bench, job, step, mark)
            return
    around = mark + 720.0
    room = least_room(engine, bench.assembly, path(bench.crank, around))
    if job.do == "set-magneto" or _is_safe(engine, room):  # a free camshaft has no rockers while a magneto is set
        _to_mark(bench, job, step, around)
        return
    _park_without_rockers(bench, job, around)
    bring_near(bench, f"{_slug(job)}-near", job, around)
    _to_mark(bench, job, step, around)


def _turn_back(bench: Bench, job: StepData, step: Step, mark: float, room: Room | None) -> None:
    sense, seen_from = direction(bench.engine, CRANKSHAFT)
    end = mark - _QUARTER_DEG
    bench.add(
        f"{_slug(job)}-back",
        step.job,
        remedies.turn_back(step.mark, bench.crank - end, _QUARTER_DEG, sense, seen_from),
        "window",
        (Part(Kind.DISC), Part(Kind.WINDOW), Part(Kind.CRANKSHAFT)),
        moves=(Move(coordinate=CRANK, start=bench.crank, end=end),),
        room=room,
    )


def _to_mark(bench: Bench, job: StepData, step: Step, mark: float) -> None:
    key = f"{_slug(job)}-mark"
    at = job.camshaft or job.magneto
    proof = tuple(seen for seen in step.text.see if seen[0] in ("valve", "plug hole"))  # of a magneto's stroke
    to_mark(bench, key, step.job, step.mark or job.mark, at, mark, proof, by_piston(bench.engine, job))


# The camshaft has rolled


def _camshaft_rolled(bench: Bench, job: StepData, step: Step, played: Played) -> None:
    engine = bench.engine
    valve, coupling = timing_valve(engine, job), _coupling(engine, job, bench.assembly)
    assert coupling is not None, "only a free camshaft rolls"
    slug = _slug(job)
    mark = next(other.crank_deg[1] for other in played.steps if other.key == f"{slug}-mark")
    stays = worst_room(engine, bench.assembly, job.camshaft, [bench.crank])
    parked = bench.crank < mark
    is_safe = _is_safe(engine, stays)
    if not (is_safe or parked):
        mark += 720.0
    # the springs rest when its timing valve is shut; the room that is told is that of any place
    rolled = bench.free_to(coupling, heel_deg(engine, valve, mark))
    bench.assembly = open_at(bench.assembly, coupling.name, rolled)
    if not is_safe:
        stays = _park(bench, job, mark)
    bring_near(bench, f"{slug}-near", job, mark)
    bench.steps[-1] = replace(bench.steps[-1], room=stays)
    if step.key == f"{slug}-near":
        return
    if bench.crank < mark:
        _to_mark(bench, job, step, mark)
    if step.key == f"{slug}-mark":
        return
    nip(bench, f"{slug}-nip", job)
    if step.key != f"{slug}-nip":
        _try_again(bench, job, step)


def _park(bench: Bench, job: StepData, mark: float) -> Room | None:
    """The crank on to where the camshaft is free to turn: with the rockers on if that is safe wherever it stands.
    Returns the least room there, wherever it stands."""
    engine = bench.engine
    place, free = parking_deg(engine, job.camshaft, mark, from_deg=bench.crank)
    room = worst_room(engine, bench.assembly, job.camshaft, path(bench.crank, place))
    if _is_safe(engine, room):
        known = timing_valve(engine, job).data.room_at_tdc_mm is not None
        _add_park(
            bench,
            job,
            place,
            remedies.park_again(job.camshaft, place, free, known, bench.engine.sheet.length_unit),
            room,
        )
    else:
        _park_without_rockers(bench, job, mark)
    return worst_room(engine, bench.assembly, job.camshaft, [bench.crank])


def _park_without_rockers(bench: Bench, job: StepData, mark: float) -> None:
    """Rockers of the free camshaft off, the crank parked, the rockers of the timing cylinder on again."""
    engine = bench.engine
    valve, slug = timing_valve(engine, job), _slug(job)
    turning = engine.camshafts_with(job.camshaft)
    fitted = {
        v.name: bench.assembly.clearances_mm[v.name]
        for v in engine.valves.values()
        if v.camshaft in turning and bench.assembly.clearances_mm[v.name] != ROCKERS_OFF
    }
    about = tuple(p for p in (Part(kind, name) for name in fitted for kind in FOLLOWERS) if p in engine.parts)
    about = (*about, *(Part(Kind.VALVE, name) for name in fitted))
    bench.add(
        f"{slug}-rockers-off",
        job.camshaft,
        remedies.rockers_off(job.camshaft, job.cylinder),
        "valve",
        about,
        after=with_clearances(bench.assembly, dict.fromkeys(fitted, ROCKERS_OFF)),
        valve=valve.name,
    )
    place, _ = parking_deg(engine, job.camshaft, mark, from_deg=bench.crank)
    room = least_room(engine, bench.assembly, path(bench.crank, place))
    _add_park(
        bench, job, place, remedies.park_again(job.camshaft, place, None, True, bench.engine.sheet.length_unit), room
    )
    bench.assembly = with_clearances(bench.assembly, fitted)
    coupling = _coupling(engine, job, bench.assembly)
    assert coupling is not None, "only a free camshaft is parked for"
    sense, seen_from = direction(engine, job.camshaft)
    text = wording.set_clearance(
        job.cylinder, valve.name, fitted[valve.name], sense, seen_from, bench.engine.sheet.length_unit
    )
    heel = bench.free_to(coupling, heel_deg(engine, valve, mark))
    turn_free(bench, f"{slug}-clearance", job.camshaft, text, coupling, heel, about, valve)


def _add_park(bench: Bench, job: StepData, place: float, text: wording.Text, room: Room | None) -> None:
    bench.add(
        f"{_slug(job)}-park",
        job.camshaft,
        text,
        "window",
        (Part(Kind.CRANKSHAFT), Part(Kind.CAMSHAFT, job.camshaft)),
        moves=(Move(coordinate=CRANK, start=bench.crank, end=place),),
        room=room,
    )


# The quill was dropped


def _quill_dropped(bench: Bench, job: StepData, step: Step) -> None:
    engine = bench.engine
    coupling = _coupling(engine, job, bench.assembly)
    assert coupling is not None, "it is tried, or on its way home"
    kind = Kind.QUILL if coupling.data.kind == "quill" else Kind.SLEEVE
    now = bench.assembly.engagements[coupling.name]
    assert isinstance(now, Open)
    bench.assembly = open_at(bench.assembly, coupling.name, now.driven_deg)
    bench.add(
        f"{_slug(job)}-hold",
        step.job,
        remedies.hold_again(coupling.name, coupling.data.kind, step.job, job.mark),
        "coupling",
        (Part(kind, coupling.name),),
        coupling=coupling.name,
    )
    _try_again(bench, job, step)


def _try_again(bench: Bench, job: StepData, step: Step) -> None:
    engine = bench.engine
    coupling = _coupling(engine, job, bench.assembly)
    assert coupling is not None
    fitted: Mapping[str, float] | None = None
    if job.do == "set-camshaft":
        turning = engine.camshafts_with(job.camshaft)
        fitted = {v.name: v.data.checking_clearance_mm for v in engine.valves.values() if v.camshaft in turning}
    try_and_home(bench, _slug(job), step.job, coupling, step.job, job, fitted)
    if step.key.endswith("-try"):  # the slip was before it went home
        del bench.steps[-1]
