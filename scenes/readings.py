"""Readings of an engine as found: one TOML file, read whole, with every error at once."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from quillwise.kinematics.angles import format_crank, in_cycle, parse_event, wrapped
from quillwise.kinematics.budget import COVERAGE_FACTOR
from quillwise.kinematics.disc import prove
from quillwise.kinematics.errors import Problem, RequestError, SceneError, unknown
from quillwise.kinematics.judgement import Judgement
from quillwise.kinematics.lengths import length, stated
from quillwise.kinematics.marks import (
    OVERLAP_TDC_DEG,
    SLOWEST_PISTON_MM_PER_DEG,
    own_deg_at_drop,
    piston_speed_mm_per_deg,
)
from quillwise.kinematics.model import Engine
from quillwise.kinematics.readings import (
    TIMELESS_SIGHTS,
    BreakReading,
    ClearanceReading,
    Entry,
    FingerReading,
    GapReading,
    LiftReading,
    PointerReading,
    Readings,
    Sight,
    ValveReading,
)
from quillwise.scenes import sources
from quillwise.scenes.fields import in_inches
from quillwise.scenes.judging import packaged
from quillwise.scenes.places import Layer, Place, printable
from quillwise.scenes.reading_keys import (
    BreakKeys,
    ClearanceKeys,
    FingerKeys,
    GapKeys,
    LiftKeys,
    OfAngle,
    ReadingsKeys,
    SightKeys,
    StopKeys,
    ValveEventKeys,
)

__all__ = ["ReadingsKeys", "from_table", "read", "readings"]

_CONTRADICT = 3.0  # times both uncertainties
_GAP_U_MM = 0.02
_ROUNDED_DEG = 0.1  # what two ways of writing one angle may differ by


def read(path: Path) -> tuple[ReadingsKeys, str]:
    """The keys of a readings file at ``path``, and its name as messages give it; degrees and mm as they are written
    there. Raises SceneError with all that is wrong."""
    label = printable(path.name)
    if not os.path.lexists(path):
        raise SceneError([Problem(label, "there is no file of that name")])
    return from_table(sources.read_table(path, label), label), label


def from_table(raw: Mapping[str, Any], label: str) -> ReadingsKeys:
    """The keys of a readings file that is parsed already. Raises SceneError with all that is wrong."""
    problems: list[Problem] = []
    keys = ReadingsKeys(raw, Place(layers=(Layer(file=label, table=dict(raw)),), problems=problems))
    if problems:
        raise SceneError(problems)
    return keys


def readings(
    engine: Engine,
    keys: ReadingsKeys,
    label: str,
    judgement: Judgement | None = None,
    may_be_empty: bool = False,
) -> Readings:
    """The readings of an engine: angles in crank degrees 0–720, lengths in mm, uncertainties as standard deviations.

    ``keys``, ``label``: from ``read``. ``judgement``: of what tools read to, the packaged one where it is left out.
    ``may_be_empty``: none yet is no error. Raises SceneError with every name that the engine has not, every angle that
    is missing, and every pair that contradict each other.
    """
    problems: list[Problem] = []
    entries: list[Entry] = []
    proved: list[bool] = [] if keys.disc_proved is None else [keys.disc_proved]
    by = _By(
        engine=engine,
        k=keys.coverage_factor,
        tools=(judgement or packaged()).tools,
        turn_proved=keys.turn_proved is not False,
    )
    makers: tuple[tuple[str, Callable[..., Iterator[Entry]]], ...] = (
        ("valve_events", _valve_event),
        ("lifts", _lift),
        ("points_breaks", _break),
        ("fingers", _finger),
        ("clearances", _clearance),
        ("points_gaps", _gap),
        ("stops", _stop),
        ("sights", _sight),
    )
    for table, make in makers:
        for number, row in enumerate(getattr(keys, table), start=1):
            try:
                for one in make(by, row):
                    # one gap that stands beside each break of a magneto was felt once
                    if not (table == "points_breaks" and isinstance(one, GapReading) and one in entries):
                        entries.append(one)
            except RequestError as error:
                problems.append(Problem(f"{label}: {table}[{number}]", str(error)))
            said = getattr(row, "disc_proved", None)
            if said is not None:
                proved.append(said)
    problems += [Problem(f"{label}", text) for text in _contradictions(entries)]
    if not entries and not problems and not may_be_empty:
        problems.append(Problem(label, "it holds no reading"))
    if problems:
        raise SceneError(problems)
    return Readings(
        engine=engine.sheet.scene,
        entries=tuple(entries),
        disc_proved=bool(proved) and all(proved),
        turn_proved=keys.turn_proved is not False,
        listed=sum(len(getattr(keys, table)) for table, _ in makers),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class _By:
    """By what a file is read. ``k``: coverage factor of its uncertainties; ``tools``: expanded uncertainty, k = 2."""

    engine: Engine
    k: float
    tools: Mapping[str, float]
    turn_proved: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class _Place:
    """Where the crank stood: θ [crank deg], with its standard uncertainty, and what it is counted in."""

    crank_deg: float
    u_deg: float
    period_deg: float
    by_piston: bool


def _place(by: _By, row: OfAngle, cylinder: str, kind: str, near_own_deg: float) -> _Place:
    """θ of a reading: as given, from a dead centre of the cylinder, or by its piston. ``near_own_deg``: the cylinder's
    own angle at which it is due, which tells the TDC that a piston was measured from."""
    firing = by.engine.cylinders[cylinder].firing_deg
    if row.piston_mm is not None:
        return _by_piston(by, row, cylinder, near_own_deg)
    if row.piston_side is not None:
        raise RequestError("piston_side: it stands beside piston_mm, which is missing")
    u_deg = by.tools[row.tool] / COVERAGE_FACTOR if row.uncertainty_deg is None else row.uncertainty_deg / by.k
    given = None if row.crank_deg is None else float(in_cycle(row.crank_deg))
    if row.reading is not None:
        try:
            read = float(in_cycle(firing + parse_event(row.reading, kind)))
        except ValueError as error:
            raise RequestError(f"reading: {error}") from None
        if given is not None:
            # a dead centre does not tell the turn: crank_deg does
            off = abs(float(wrapped(given - read, 360.0)))
            if off > max(u_deg * by.k, _ROUNDED_DEG):
                raise RequestError(
                    f"crank_deg {row.crank_deg:g} and reading “{printable(row.reading)}” of {cylinder}, "
                    f"{_cycle_words(read)}, "
                    f"are {off:.1f}° apart: leave out the one that is wrong"
                )
        else:
            given = read
    if given is None:
        raise RequestError("give crank_deg or reading: where the crank stood")
    return _Place(crank_deg=given, u_deg=u_deg, period_deg=row.period_deg, by_piston=False)


def _by_piston(by: _By, row: OfAngle, cylinder: str, near_own_deg: float) -> _Place:
    if row.crank_deg is not None or row.reading is not None:
        raise RequestError(
            "give either piston_mm or the ring's degrees (crank_deg, reading): two readings are two rows"
        )
    key = "piston_mm" if "piston_mm" in row.raw else in_inches("piston_mm")
    if row.piston_mm is None or row.piston_side is None:
        raise RequestError(f'{key}: give piston_side too, "before TDC" or "after TDC"')
    top = OVERLAP_TDC_DEG * round(near_own_deg / OVERLAP_TDC_DEG)
    near = top + (-1.0 if row.piston_side == "before TDC" else 1.0)
    own = own_deg_at_drop(by.engine, cylinder, row.piston_mm, near)
    unit = by.engine.sheet.length_unit
    below = stated(row.piston_mm, unit)
    if own is None:
        raise RequestError(f"{key}: the piston of {cylinder} never stands {below} below its TDC")
    speed = piston_speed_mm_per_deg(by.engine, cylinder, own)
    if speed < SLOWEST_PISTON_MM_PER_DEG:
        raise RequestError(
            f"{key}: {below} below TDC the piston of {cylinder} moves {length(speed, unit, 3)} in a crank degree: "
            "read it by the ring"
        )
    counted = row.turns_counted is not False and by.turn_proved
    return _Place(
        crank_deg=float(in_cycle(by.engine.cylinders[cylinder].firing_deg + own)),
        u_deg=row.piston_uncertainty_mm / by.k / speed,
        period_deg=720.0 if counted else 360.0,
        by_piston=True,
    )


def _named(kind: str, name: str, known: Iterable[str]) -> str:
    names = tuple(known)
    if name not in names:
        raise RequestError(unknown(kind, printable(name), names))
    return name


def _valve_event(by: _By, row: ValveEventKeys) -> Iterator[Entry]:
    valve = by.engine.valves[_named("valve", row.valve, by.engine.valves)]
    near = valve.data.opens_deg if row.event == "opens" else valve.data.closes_deg
    at = _place(by, row, valve.cylinder, f"{valve.kind} {row.event}", near)
    yield ValveReading(
        valve=row.valve,
        flank=row.event,
        crank_deg=at.crank_deg,
        clearance_mm=row.clearance_mm,
        u_deg=at.u_deg,
        approached=row.approached,
        period_deg=at.period_deg,
        by_piston=at.by_piston,
    )


def _lift(by: _By, row: LiftKeys) -> Iterator[Entry]:
    valve = by.engine.valves[_named("valve", row.valve, by.engine.valves)]
    near = valve.data.opens_deg if row.event == "opens" else valve.data.closes_deg
    at = _place(by, row, valve.cylinder, f"{valve.kind} {row.event}", near)
    yield LiftReading(
        valve=row.valve,
        flank=row.event,
        crank_deg=at.crank_deg,
        lift_mm=row.lift_mm,
        clearance_mm=row.clearance_mm,
        u_mm=row.uncertainty_mm / by.k,
        u_deg=at.u_deg,
        approached=row.approached,
        period_deg=at.period_deg,
        by_piston=at.by_piston,
        unit=by.engine.sheet.length_unit,
    )


def _break(by: _By, row: BreakKeys) -> Iterator[Entry]:
    magneto = by.engine.magnetos[_named("magneto", row.magneto, by.engine.magnetos)]
    if row.finger_on is not None:
        _named("cylinder of that magneto", row.finger_on, magneto.fires)
    elif row.crank_deg is None or row.reading is not None:  # from whose dead centre, nobody knows
        raise RequestError("give crank_deg, or finger_on with reading or piston_mm: from whose TDC the break was read")
    timed_at = magneto.data.timed_at
    if row.advance_lever not in (None, timed_at):
        raise RequestError(
            f'advance_lever: expected "{timed_at}", at which the break of {magneto.name} is timed, got '
            f'"{row.advance_lever}": move the lever there and read the break again'
        )
    on = row.finger_on or magneto.fires[0]
    at = _place(by, row, on, "points break", magneto.data.break_deg - magneto.late_deg(by.engine.cylinders[on]))
    yield BreakReading(
        magneto=row.magneto,
        crank_deg=at.crank_deg,
        u_deg=at.u_deg,
        finger_on=row.finger_on or "",
        finger_off_deg=row.finger_off_deg,
        approached=row.approached,
        period_deg=at.period_deg,
        by_piston=at.by_piston,
    )
    if row.points_gap_mm is not None:
        yield GapReading(magneto=row.magneto, gap_mm=row.points_gap_mm, u_mm=_GAP_U_MM)


def _finger(by: _By, row: FingerKeys) -> Iterator[Entry]:
    _named("magneto", row.magneto, by.engine.magnetos)
    yield FingerReading(magneto=row.magneto, off_deg=row.off_deg, u_deg=row.uncertainty_deg / by.k)


def _clearance(by: _By, row: ClearanceKeys) -> Iterator[Entry]:
    _named("valve", row.valve, by.engine.valves)
    yield ClearanceReading(valve=row.valve, clearance_mm=row.clearance_mm, u_mm=row.uncertainty_mm / by.k)


def _gap(by: _By, row: GapKeys) -> Iterator[Entry]:
    _named("magneto", row.magneto, by.engine.magnetos)
    yield GapReading(magneto=row.magneto, gap_mm=row.gap_mm, u_mm=row.uncertainty_mm / by.k)


def _stop(by: _By, row: StopKeys) -> Iterator[Entry]:
    proof = prove(by.engine, row.cylinder, row.before_deg, row.after_deg)
    yield PointerReading(cylinder=row.cylinder, error_deg=-proof.correction_deg, u_deg=row.uncertainty_deg / by.k)


def _sight(by: _By, row: SightKeys) -> Iterator[Entry]:
    engine = by.engine
    if row.kind == "rocking":
        _named("cylinder", row.subject, engine.cylinders)
    elif row.kind.startswith("teeth"):
        _named("coupling", row.subject, engine.couplings)
    else:
        _named("magneto", row.subject, engine.magnetos)
    if row.kind not in TIMELESS_SIGHTS and row.crank_deg is None:
        raise RequestError(f"give crank_deg: where the crank stood when {row.subject} was seen")
    wanted = {"finger on": 1, "finger between": 2}.get(row.kind, 0)
    cylinders = row.cylinders or ()
    if len(cylinders) != wanted:
        raise RequestError(f"cylinders: expected {wanted} for {row.kind}, got {len(cylinders)}")
    for name in cylinders:
        _named("cylinder of that magneto", name, engine.magnetos[row.subject].fires)
    if wanted == 2:
        fires = engine.magnetos[row.subject].fires
        if (fires.index(cylinders[0]) - fires.index(cylinders[1])) % len(fires) not in (1, len(fires) - 1):
            raise RequestError(f"cylinders: expected two that follow each other as {row.subject} fires them")
    yield Sight(
        kind=row.kind,
        subject=row.subject,
        cylinders=tuple(cylinders),
        crank_deg=None if row.crank_deg is None else float(in_cycle(row.crank_deg)),
        period_deg=360.0 if row.turns_counted is False else 720.0,
    )


def _cycle_words(crank_deg: float) -> str:
    return f"{float(format_crank(crank_deg, 3)):g}°"


def _contradictions(entries: list[Entry]) -> Iterator[str]:
    """Readings of one thing that differ by more than their uncertainties allow."""
    known: dict[tuple[str, float, bool], ValveReading | BreakReading] = {}
    for entry in entries:
        if not isinstance(entry, ValveReading | BreakReading) or not entry.name:
            continue
        if isinstance(entry, BreakReading) and not entry.finger_on:
            continue
        # by the disc and by the piston they may differ: that is how a pointer that moved shows
        key = entry.name, entry.clearance_mm if isinstance(entry, ValveReading) else 0.0, entry.by_piston
        other = known.setdefault(key, entry)
        off = abs(float(wrapped(entry.crank_deg - other.crank_deg, min(entry.period_deg, other.period_deg))))
        if off > _CONTRADICT * 2 * (entry.u_deg + other.u_deg):
            yield (
                f"{entry.name} is read twice, at {_cycle_words(other.crank_deg)} and at "
                f"{_cycle_words(entry.crank_deg)}: more than their "
                "uncertainties allow. Take it again, and leave out the wrong one"
            )
