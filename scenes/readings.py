"""Readings of an engine as found: one TOML file, read whole, with every error at once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Literal

from quillwise.kinematics.angles import in_cycle, parse_event, wrapped
from quillwise.kinematics.disc import prove
from quillwise.kinematics.errors import Problem, RequestError, SceneError, unknown
from quillwise.kinematics.model import Engine
from quillwise.kinematics.readings import (
    TIMELESS_SIGHTS,
    BreakReading,
    Entry,
    GapReading,
    LiftReading,
    PointerReading,
    Readings,
    Sight,
    SightKind,
    ValveReading,
)
from quillwise.scenes import sources
from quillwise.scenes.fields import Choice, Flag, Keys, Maybe, Number, Tables, Text, Values, Whole
from quillwise.scenes.places import Layer, Place, printable

Approach = Literal["running direction", "against it", "not noted"]
_SIGHTS: tuple[SightKind, ...] = (
    "rocking", "finger on", "finger between", *TIMELESS_SIGHTS,
)  # fmt: skip
_CONTRADICT = 3.0  # times both uncertainties
_GAP_U_MM = 0.02
_MOST = 500


class _OfAngle(Keys):
    """What every reading of an angle may say."""

    crank_deg = Maybe(Number(-720, 1440)).means("where the crank stood, on the ring or disc, in the cycle", "338.4")
    reading = Maybe(Text(40)).means("the same, as written from a dead centre; crank_deg goes before it", '"21.6 BTDC"')
    uncertainty_deg = Number(0.01, 30, default=0.8).means(
        "expanded uncertainty of the reading, in crank degrees", "0.8"
    )
    approached = Choice[Approach](("running direction", "against it", "not noted"), default="running direction").means(
        "how the crank came to the place", '"running direction"'
    )
    turns_counted = Maybe(Flag()).means("whether it is known on which of the two turns it was; left out: it is", "true")
    disc_proved = Maybe(Flag()).means("whether TDC and the disc were proved before", "true")

    @property
    def period_deg(self) -> float:
        """720, or 360 where the turns were not counted."""
        return 360.0 if self.turns_counted is False else 720.0


class ValveEventKeys(_OfAngle):
    """[[valve_events]]"""

    valve = Text().means("the valve", '"A1 inlet"')
    event = Choice[Literal["opens", "closes"]](("opens", "closes")).means("nipped, or let go", '"opens"')
    clearance_mm = Number(0.01, 10).means("the clearance that it was read at, in mm", "0.40")


class LiftKeys(_OfAngle):
    """[[lifts]]"""

    valve = Text().means("the valve", '"A1 inlet"')
    event = Choice[Literal["opens", "closes"]](("opens", "closes")).means("rising, or falling", '"opens"')
    lift_mm = Number(0.01, 100).means("how far it is open, in mm", "2.50")
    clearance_mm = Number(0.01, 10).means("the clearance that it was read at, in mm", "0.40")
    uncertainty_mm = Number(0.001, 5, default=0.05).means("expanded uncertainty of the lift, in mm", "0.05")


class BreakKeys(_OfAngle):
    """[[points_breaks]]"""

    magneto = Text().means("the magneto", '"exhaust-side"')
    finger_on = Maybe(Text()).means("the cylinder whose segment the finger is on", '"A1"')
    finger_off_deg = Maybe(Number(-90, 90)).means(
        "how far the finger is past the middle of its segment, + in its running direction", "1.5"
    )
    points_gap_mm = Maybe(Number(0.01, 5)).means("the largest opening of its points, by feeler, in mm", "0.30")
    advance_lever = Maybe(Text()).means("where the advance lever stood", '"full advance"')


class StopKeys(Keys):
    """[[stops]]"""

    cylinder = Text().means("the cylinder with the piston stop", '"A1"')
    before_deg = Number(-720, 1440).means("the reading at the stop before the top", "323.25")
    after_deg = Number(-720, 1440).means("the reading at the stop after it", "35.25")
    uncertainty_deg = Number(0.01, 30, default=0.3).means("expanded uncertainty of the TDC that they give", "0.3")


class SightKeys(Keys):
    """[[sights]]"""

    kind = Choice[SightKind](_SIGHTS).means("what is seen", '"rocking"')
    subject = Text().means("the cylinder, the magneto or the coupling", '"A6"')
    cylinders = Maybe(Values(Text(), 1, 2)).means(
        "the cylinder that the finger is on, or the two it is between", '["A1"]'
    )
    crank_deg = Maybe(Number(-720, 1440)).means("where the crank stood", "0.0")


class ReadingsKeys(Keys):
    """readings/<name>.toml"""

    format = Whole(1, 1).means("version of this format", "1")
    engine = Maybe(Text()).means("the engine that the readings are of", '"larkfell-port"')
    origin = Maybe(Text(200)).means("where they come from", '"measured by …, on …"')
    coverage_factor = Number(1, 4, default=2.0).means("k of every expanded uncertainty in the file", "2")
    turn_proved = Maybe(Flag()).means("whether the firing turn of the first cylinder is known; left out: it is", "true")
    valve_events = Tables(ValveEventKeys, most=_MOST).means("valves that open or close")
    lifts = Tables(LiftKeys, most=_MOST).means("lifts at an angle")
    points_breaks = Tables(BreakKeys, most=_MOST).means("moments at which points break")
    stops = Tables(StopKeys, most=20).means("true TDC by a piston stop, from both sides")
    sights = Tables(SightKeys, most=_MOST).means("what the eye sees")


def read(path: Path) -> tuple[ReadingsKeys, str]:
    """The keys of a readings file, and its name as messages give it. Raises SceneError with all that is wrong."""
    label = printable(path.name)
    raw = sources.read_table(path, label)
    problems: list[Problem] = []
    keys = ReadingsKeys(raw, Place(layers=(Layer(file=label, table=raw),), problems=problems))
    if problems:
        raise SceneError(problems)
    return keys, label


def readings(engine: Engine, keys: ReadingsKeys, label: str) -> Readings:
    """The readings of an engine. Raises SceneError with every name that the engine has not, every angle that is
    missing, and every pair that contradict each other."""
    problems: list[Problem] = []
    entries: list[Entry] = []
    proved: list[bool] = []
    makers: tuple[tuple[str, Callable[..., Iterator[Entry]]], ...] = (
        ("valve_events", _valve_event),
        ("lifts", _lift),
        ("points_breaks", _break),
        ("stops", _stop),
        ("sights", _sight),
    )
    for table, make in makers:
        for number, row in enumerate(getattr(keys, table), start=1):
            try:
                entries += make(engine, row, keys.coverage_factor)
            except RequestError as error:
                problems.append(Problem(f"{label}: {table}[{number}]", str(error)))
            if getattr(row, "disc_proved", None) is not None:
                proved.append(row.disc_proved)
    problems += [Problem(f"{label}", text) for text in _contradictions(entries)]
    if not entries and not problems:
        problems.append(Problem(label, "it holds no reading"))
    if problems:
        raise SceneError(problems)
    return Readings(
        engine=engine.sheet.scene,
        entries=tuple(entries),
        disc_proved=bool(proved) and all(proved),
        turn_proved=keys.turn_proved is not False,
    )


def _angle(engine: Engine, row: _OfAngle, cylinder: str, kind: str) -> float:
    """θ of a reading: as given, or from a dead centre of the cylinder."""
    if row.crank_deg is not None:
        return float(in_cycle(row.crank_deg))
    if row.reading is None:
        raise RequestError("give crank_deg or reading: where the crank stood")
    try:
        own = parse_event(row.reading, kind)
    except ValueError as error:
        raise RequestError(f"reading: {error}") from None
    return float(in_cycle(engine.cylinders[cylinder].firing_deg + own))


def _named(kind: str, name: str, known: Iterable[str]) -> str:
    names = tuple(known)
    if name not in names:
        raise RequestError(unknown(kind, printable(name), names))
    return name


def _valve_event(engine: Engine, row: ValveEventKeys, k: float) -> Iterator[Entry]:
    valve = engine.valves[_named("valve", row.valve, engine.valves)]
    at = _angle(engine, row, valve.cylinder, f"{valve.kind} {row.event}")
    yield ValveReading(
        valve=row.valve,
        flank=row.event,
        crank_deg=at,
        clearance_mm=row.clearance_mm,
        u_deg=row.uncertainty_deg / k,
        approached=row.approached,
        period_deg=row.period_deg,
    )


def _lift(engine: Engine, row: LiftKeys, k: float) -> Iterator[Entry]:
    valve = engine.valves[_named("valve", row.valve, engine.valves)]
    yield LiftReading(
        valve=row.valve,
        flank=row.event,
        crank_deg=_angle(engine, row, valve.cylinder, f"{valve.kind} {row.event}"),
        lift_mm=row.lift_mm,
        clearance_mm=row.clearance_mm,
        u_mm=row.uncertainty_mm / k,
        u_deg=row.uncertainty_deg / k,
        approached=row.approached,
        period_deg=row.period_deg,
    )


def _break(engine: Engine, row: BreakKeys, k: float) -> Iterator[Entry]:
    magneto = engine.magnetos[_named("magneto", row.magneto, engine.magnetos)]
    if row.finger_on is not None:
        _named("cylinder of that magneto", row.finger_on, magneto.fires)
    elif row.crank_deg is None:
        raise RequestError("give crank_deg, or finger_on with reading: from whose TDC the break was read")
    yield BreakReading(
        magneto=row.magneto,
        crank_deg=_angle(engine, row, row.finger_on or magneto.fires[0], "points break"),
        u_deg=row.uncertainty_deg / k,
        finger_on=row.finger_on or "",
        finger_off_deg=row.finger_off_deg,
        approached=row.approached,
        period_deg=row.period_deg,
    )
    if row.points_gap_mm is not None:
        yield GapReading(magneto=row.magneto, gap_mm=row.points_gap_mm, u_mm=_GAP_U_MM)


def _stop(engine: Engine, row: StopKeys, k: float) -> Iterator[Entry]:
    proof = prove(engine, row.cylinder, row.before_deg, row.after_deg)
    yield PointerReading(cylinder=row.cylinder, error_deg=-proof.correction_deg, u_deg=row.uncertainty_deg / k)


def _sight(engine: Engine, row: SightKeys, _k: float) -> Iterator[Entry]:
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
    yield Sight(kind=row.kind, subject=row.subject, cylinders=tuple(cylinders), crank_deg=row.crank_deg)


def _contradictions(entries: list[Entry]) -> Iterator[str]:
    """Readings of one thing that differ by more than their uncertainties allow."""
    known: dict[tuple[str, float], ValveReading | BreakReading] = {}
    for entry in entries:
        if not isinstance(entry, ValveReading | BreakReading) or not entry.name:
            continue
        if isinstance(entry, BreakReading) and not entry.finger_on:
            continue
        key = entry.name, entry.clearance_mm if isinstance(entry, ValveReading) else 0.0
        other = known.setdefault(key, entry)
        off = abs(float(wrapped(entry.crank_deg - other.crank_deg, min(entry.period_deg, other.period_deg))))
        if off > _CONTRADICT * 2 * (entry.u_deg + other.u_deg):
            yield (
                f"{entry.name} is read twice, at {other.crank_deg:g}° and at {entry.crank_deg:g}°: more than their "
                "uncertainties allow. Take it again, and leave out the wrong one"
            )
