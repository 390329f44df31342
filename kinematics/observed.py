"""Readings as rows of a linear model: what each would be if nothing were wrong, and what moves it.

A row reads y = predicted + turns · slip + Σ coefficient · nuisance + noise, modulo its period. The slip is what the
pointer shows too much, the same for every row; the nuisances (how well a shaft was set, a clearance, a points gap) are
normal, and belong to one branch each. What an eye sees is a probability, a function of the slip or of nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from quillwise.kinematics.angles import Floats, wrapped
from quillwise.kinematics.branches import Branch, leaves_behind, step_crank
from quillwise.kinematics.cams import events_at
from quillwise.kinematics.errors import RequestError, unknown
from quillwise.kinematics.hypotheses import Hypothesis, Tag
from quillwise.kinematics.judgement import Judgement
from quillwise.kinematics.lengths import length
from quillwise.kinematics.magnetos import break_shift_deg, finger_off_middle_deg, middle_of_range_deg
from quillwise.kinematics.model import Engine
from quillwise.kinematics.positions import couplings_upstream
from quillwise.kinematics.readings import (
    TIMELESS_SIGHTS,
    Approach,
    BreakReading,
    ClearanceReading,
    Entry,
    FingerReading,
    Flank,
    GapReading,
    LiftReading,
    PointerReading,
    Sight,
    SightKind,
    ValveReading,
)

_STEP_MM = 1e-4
Nuisance = tuple[str, str]  # ("setting", coupling or leaf), ("clearance", valve), ("gap", magneto)


@dataclass(frozen=True, kw_only=True, slots=True)
class Row:
    """A reading with a figure. ``turns``: 1 where the figure moves with a leaf's earliness, else 0; ``slope``: with the
    slip, which what was read by the piston does not know of. ``own_mirror_deg``: what writing it on the other side of
    its dead centre adds; None where it has none."""

    entry: int
    name: str
    unit: str
    leaf: str
    read: float
    predicted: float
    u: float
    period: float
    turns: int
    valve: str = ""
    flank: str = ""
    magneto: str = ""
    clearance_mm: float = 0.0
    columns: Mapping[Nuisance, float] = field(default_factory=lambda: MappingProxyType({}))
    own_mirror_deg: float | None = None
    by_piston: bool = False

    @property
    def slope(self) -> float:
        """By how much the figure grows with the slip."""
        return 0.0 if self.by_piston else float(self.turns)


@dataclass(frozen=True, kw_only=True, slots=True)
class Seen:
    """A sight at a place of the crank: its thing is within ``half_deg`` of ``centre_deg`` (crank deg of its leaf).
    ``choices``: how many things of its kind there are, any of which may be named in error."""

    entry: int
    name: str
    leaf: str
    magneto: str
    read: float
    centre_deg: float
    half_deg: float
    period: float
    choices: int

    def log_probability(self, late_deg: Floats, error: float, u_deg: float) -> Floats:
        """Of being seen, where the leaf is read ``late_deg`` late: slip less earliness. Shape kept."""
        from scipy.special import erf

        away = wrapped(self.read - late_deg - self.centre_deg, self.period)
        scale = 1.0 / (np.sqrt(2.0) * u_deg)
        inside = 0.5 * (erf((away + self.half_deg) * scale) - erf((away - self.half_deg) * scale))
        return np.asarray(np.log((1.0 - error) * inside + error / self.choices))


@dataclass(frozen=True, kw_only=True, slots=True)
class Looked:
    """A sight that does not turn with the crank. ``tag``: what a hypothesis must have, None: none of ``tags``."""

    entry: int
    name: str
    leaf: str
    tag: Tag | None
    tags: tuple[Tag, ...]
    subject: str

    def log_probability(self, hypothesis: Hypothesis, error: float) -> float:
        """Of being seen, were the hypothesis true."""
        has = [tag for tag in self.tags if (tag, self.subject) in hypothesis.tags]
        true = has[0] if has else None
        return float(np.log(1.0 - error if true == self.tag else error / len(self.tags)))


_LOOKS: Mapping[SightKind, tuple[Tag | None, tuple[Tag, ...]]] = MappingProxyType(
    {
        "lever at its stop": (None, ("lever",)),
        "lever off its stop": ("lever", ("lever",)),
        "leads as the chart": (None, ("two leads", "leads round")),
        "two leads changed over": ("two leads", ("two leads", "leads round")),
        "leads one place round": ("leads round", ("two leads", "leads round")),
        "teeth as marked": (None, ("teeth",)),
        "teeth not as marked": ("teeth", ("teeth",)),
        "magneto inside as marked": (None, ("inside",)),
        "magneto inside not as marked": ("inside", ("inside",)),
    }
)
assert set(_LOOKS) == set(TIMELESS_SIGHTS)


@dataclass(frozen=True, kw_only=True, slots=True)
class Observed:
    """All readings as rows. ``pointers``: (entry, name, read slip, u)."""

    rows: tuple[Row, ...]
    seen: tuple[Seen, ...]
    looked: tuple[Looked, ...]
    pointers: tuple[tuple[int, str, float, float], ...]

    def of(self, branch: Branch) -> Observed:
        """What bears on a branch."""
        return Observed(
            rows=tuple(row for row in self.rows if row.leaf in branch.leaves),
            seen=tuple(one for one in self.seen if one.leaf in branch.leaves),
            looked=tuple(one for one in self.looked if one.leaf in branch.leaves),
            pointers=(),
        )


def observed(engine: Engine, entries: tuple[Entry, ...], judgement: Judgement) -> Observed:
    """The rows of all entries. Raises RequestError for a name that the engine has not, or a valve that stays shut."""
    rows: list[Row] = []
    seen: list[Seen] = []
    looked: list[Looked] = []
    pointers = []
    stated = {entry.valve: entry.clearance_mm for entry in entries if isinstance(entry, (ValveReading, LiftReading))}
    for index, entry in enumerate(entries):
        match entry:
            case ValveReading():
                rows.append(_valve_row(engine, index, entry, entry.clearance_mm, entry.u_deg, judgement))
            case LiftReading():
                rows.append(_lift_row(engine, index, entry, judgement))
            case BreakReading():
                rows += _break_rows(engine, index, entry, judgement)
            case FingerReading():
                rows.append(_finger_row(engine, index, entry.name, entry.magneto, entry.off_deg, entry.u_deg))
            case ClearanceReading():
                valve = _valve(engine, entry.valve)
                wanted = stated.get(entry.valve, engine.valves[valve].data.checking_clearance_mm)
                rows.append(
                    Row(
                        entry=index,
                        name=entry.name,
                        unit="mm",
                        leaf=engine.valves[valve].camshaft,
                        read=entry.clearance_mm,
                        predicted=wanted,
                        u=entry.u_mm,
                        period=0.0,
                        turns=0,
                        valve=valve,
                        columns=MappingProxyType({("clearance", valve): 1.0}),
                    )
                )
            case GapReading():
                magneto = engine.magneto(entry.magneto)
                rows.append(
                    Row(
                        entry=index,
                        name=entry.name,
                        unit="mm",
                        leaf=magneto.rotor,
                        read=entry.gap_mm,
                        predicted=magneto.data.points_gap_mm,
                        u=entry.u_mm,
                        period=0.0,
                        turns=0,
                        magneto=magneto.name,
                        columns=MappingProxyType({("gap", magneto.name): 1.0}),
                    )
                )
            case PointerReading():
                pointers.append((index, entry.name, entry.error_deg, entry.u_deg))
            case Sight():
                if entry.kind in TIMELESS_SIGHTS:
                    looked.append(_look(engine, index, entry))
                else:
                    seen.append(_seen(engine, index, entry))
    return Observed(rows=tuple(rows), seen=tuple(seen), looked=tuple(looked), pointers=tuple(pointers))


def setting_columns(engine: Engine, leaf: str) -> dict[Nuisance, float]:
    """How well the couplings on the way to a leaf were set, as columns of a reading of it."""
    return {("setting", name): -1.0 for name in couplings_upstream(engine, leaf)} or {("setting", leaf): -1.0}


def nuisance_sd(engine: Engine, nuisance: Nuisance, judgement: Judgement) -> float:
    """Standard deviation of a nuisance where nothing is wrong: crank degrees, or mm."""
    kind, name = nuisance
    if kind == "clearance":
        return judgement.u_clearance_mm
    if kind == "gap":
        return judgement.u_gap_mm
    if name in engine.couplings:  # evenly spread over half a step either way
        return float(np.hypot(step_crank(engine, name) / np.sqrt(12.0), judgement.u_setting_deg))
    return judgement.u_setting_deg


def _valve(engine: Engine, name: str) -> str:

    if name not in engine.valves:
        raise RequestError(unknown("valve", name, engine.valves))
    return name


def valve_event_deg(engine: Engine, valve: str, flank: str, clearance_mm: float) -> float | None:
    """θ of a valve's event by the data at a clearance; None where the valve stays shut."""
    one = engine.valves[valve]
    found = events_at(one.curve, clearance_mm)
    if found is None:
        return None
    return engine.cylinders[one.cylinder].firing_deg + found[flank == "closes"]


def _approached(approached: Approach, judgement: Judgement) -> tuple[float, float]:
    """Mean and standard deviation of what the backlash adds to a reading."""
    if approached == "against it":
        return -judgement.backlash_deg, judgement.u_backlash_deg
    return 0.0, judgement.backlash_deg / 4 if approached == "not noted" else 0.0


def _valve_row(
    engine: Engine,
    index: int,
    entry: ValveReading | LiftReading,
    height_mm: float,
    u_deg: float,
    judgement: Judgement,
) -> Row:
    valve = engine.valves[_valve(engine, entry.valve)]
    place = valve_event_deg(engine, valve.name, entry.flank, height_mm)
    if place is None:
        unit = engine.sheet.length_unit
        raise RequestError(f"{entry.name}: by the data {valve.name} does not lift by {length(height_mm, unit)}")
    slope = _by_clearance(engine, valve.name, entry.flank, height_mm)
    by, u_by = _approached(entry.approached, judgement)
    firing = engine.cylinders[valve.cylinder].firing_deg
    u_clearance = judgement.u_clearance_mm if entry.u_clearance_mm is None else entry.u_clearance_mm
    # the side of TDC is seen when the piston is measured: it is not written wrong
    mirrors = isinstance(entry, ValveReading) and not entry.by_piston
    # what is unsure in this reading's clearance beyond that of the valve itself stays with the reading
    more = slope * np.sqrt(max(0.0, u_clearance**2 - judgement.u_clearance_mm**2))
    return Row(
        entry=index,
        name=entry.name,
        unit="crank deg",
        leaf=valve.camshaft,
        read=entry.crank_deg,
        predicted=place + by,
        u=float(np.sqrt(u_deg**2 + u_by**2 + more**2)),
        period=entry.period_deg,
        turns=1,
        valve=valve.name,
        flank=entry.flank,
        clearance_mm=height_mm,
        columns=MappingProxyType({**setting_columns(engine, valve.camshaft), ("clearance", valve.name): slope}),
        own_mirror_deg=_mirror_deg(place - firing) if mirrors else None,
        by_piston=entry.by_piston,
    )


def _lift_row(engine: Engine, index: int, entry: LiftReading, judgement: Judgement) -> Row:
    # a lift above a clearance is the event of a clearance that is greater by as much
    height = entry.clearance_mm + entry.lift_mm
    _valve(engine, entry.valve)
    slope = _by_clearance(engine, entry.valve, entry.flank, height)
    return _valve_row(engine, index, entry, height, float(np.hypot(entry.u_deg, slope * entry.u_mm)), judgement)


def _by_clearance(engine: Engine, valve: str, flank: Flank, height_mm: float) -> float:
    """By how much the event comes later for more clearance [crank deg per mm]."""
    above, below = (valve_event_deg(engine, valve, flank, height_mm + by) for by in (_STEP_MM, -_STEP_MM))
    if above is None or below is None:
        height = length(height_mm, engine.sheet.length_unit, 3)
        raise RequestError(f"{valve} {flank}: {height} is too near the top of its lift to be read by")
    return (above - below) / (2 * _STEP_MM)


def _mirror_deg(own_deg: float) -> float:
    """What is added to an own angle when it is written on the other side of its nearest dead centre."""
    return 2.0 * (180.0 * round(own_deg / 180.0) - own_deg)


def _break_rows(engine: Engine, index: int, entry: BreakReading, judgement: Judgement) -> list[Row]:
    magneto = engine.magneto(entry.magneto)
    data, fires = magneto.data, magneto.fires
    on = entry.finger_on or fires[0]
    if on not in fires:
        raise RequestError(f"{entry.name}: the {magneto.name} magneto does not fire {on}")
    place = magneto.due_deg[on] + data.break_deg
    by, u_by = _approached(entry.approached, judgement)
    per_mm = _break_by_gap(engine, magneto.name)
    period = entry.period_deg if entry.finger_on else 720.0 / len(fires)
    mirrors = bool(entry.finger_on) and not entry.by_piston
    made = [
        Row(
            entry=index,
            name=entry.name,
            unit="crank deg",
            leaf=magneto.rotor,
            read=entry.crank_deg,
            predicted=place + by,
            u=float(np.hypot(entry.u_deg, u_by)),
            period=period,
            turns=1,
            magneto=magneto.name,
            columns=MappingProxyType({**setting_columns(engine, magneto.rotor), ("gap", magneto.name): -per_mm}),
            own_mirror_deg=_mirror_deg(place - engine.cylinders[on].firing_deg) if mirrors else None,
            by_piston=entry.by_piston,
        )
    ]
    if entry.finger_off_deg is not None:
        name = f"{entry.name}, finger off the middle"
        made.append(_finger_row(engine, index, name, entry.magneto, entry.finger_off_deg, entry.u_finger_deg))
    return made


def _break_by_gap(engine: Engine, name: str) -> float:
    """By how much a magneto's break comes earlier for a wider gap [crank deg per mm]."""
    magneto = engine.magnetos[name]
    gap = magneto.data.points_gap_mm
    shift = break_shift_deg(magneto.data, gap + _STEP_MM) - break_shift_deg(magneto.data, gap - _STEP_MM)
    return shift / (2 * _STEP_MM) / abs(float(engine.shafts[magneto.rotor].turns))


def _finger_row(engine: Engine, index: int, name: str, on: str, off_deg: float, u_deg: float) -> Row:
    magneto = engine.magneto(on)
    data = magneto.data
    return Row(
        entry=index,
        name=name,
        unit="finger deg",
        leaf=magneto.rotor,
        read=off_deg,
        predicted=float(finger_off_middle_deg(data.break_deg - middle_of_range_deg(data))),
        u=u_deg,
        period=360.0 / len(magneto.fires),
        turns=0,
        magneto=magneto.name,
        columns=MappingProxyType({("gap", magneto.name): -_break_by_gap(engine, magneto.name) / 2}),
    )


def _seen(engine: Engine, index: int, entry: Sight) -> Seen:
    if entry.crank_deg is None:
        raise RequestError(f"{entry.name}: it is not said where the pointer stands")
    if entry.kind == "rocking":
        cylinder = engine.cylinder(entry.subject)
        inlet, exhaust = engine.valve(cylinder.name, "inlet"), engine.valve(cylinder.name, "exhaust")
        opens, closes = inlet.data.opens_deg, exhaust.data.closes_deg
        return Seen(
            entry=index,
            name=entry.name,
            leaf=inlet.camshaft,
            magneto="",
            read=entry.crank_deg,
            centre_deg=cylinder.firing_deg + (opens + closes) / 2,
            half_deg=min(60.0, max(20.0, (closes - opens) / 2 + 5.0)),
            period=entry.period_deg,
            choices=len(engine.cylinders),
        )
    magneto = engine.magneto(entry.subject)
    if not entry.cylinders or any(name not in magneto.fires for name in entry.cylinders):
        raise RequestError(f"{entry.name}: expected cylinders that the {magneto.name} magneto fires")
    places = [magneto.due_deg[name] + middle_of_range_deg(magneto.data) for name in entry.cylinders]
    first = places[0]
    centre = first + float(wrapped(places[-1] - first, 720.0)) / 2
    return Seen(
        entry=index,
        name=entry.name,
        leaf=magneto.rotor,
        magneto=magneto.name,
        read=entry.crank_deg,
        centre_deg=centre,
        half_deg=360.0 / len(magneto.fires),
        period=entry.period_deg,
        choices=len(magneto.fires),
    )


def _look(engine: Engine, index: int, entry: Sight) -> Looked:
    tag, tags = _LOOKS[entry.kind]
    if tags == ("teeth",):
        leaf = leaves_behind(engine, engine.coupling(entry.subject).name)[0]
    else:
        leaf = engine.magneto(entry.subject).rotor
    return Looked(entry=index, name=entry.name, leaf=leaf, tag=tag, tags=tags, subject=entry.subject)


def effect(engine: Engine, row: Row, hypothesis: Hypothesis) -> float:
    """What a hypothesis adds to a row's predicted figure."""
    added = -hypothesis.early_deg.get(row.leaf, 0.0) if row.turns else 0.0
    if row.valve and row.flank:
        added += hypothesis.valve_late_deg.get((row.valve, row.flank), 0.0)
        if row.valve in hypothesis.read_running:
            valve = engine.valves[row.valve]
            # written as read at this height, it was read at a height that is off by as much as the clearances are
            height = row.clearance_mm + valve.data.running_clearance_mm - valve.data.checking_clearance_mm
            place = valve_event_deg(engine, row.valve, row.flank, max(0.0, height))
            wanted = valve_event_deg(engine, row.valve, row.flank, row.clearance_mm)
            added += 0.0 if place is None or wanted is None else place - wanted
    if row.magneto and row.unit != "mm":
        late, _ = hypothesis.break_late_deg.get(row.magneto, (0.0, 0.0))
        added += late if row.turns else hypothesis.finger_past_deg.get(row.magneto, 0.0) + late / 2
    if hypothesis.mirrored == row.entry and row.turns and row.own_mirror_deg is not None:
        added += row.own_mirror_deg
    return added


def finger_late_deg(seen: Seen, hypothesis: Hypothesis) -> float:
    """By how much a sight's thing is late beyond its leaf [crank deg]: a finger moved in its gear."""
    return -2.0 * hypothesis.finger_past_deg.get(seen.magneto, 0.0) if seen.magneto else 0.0
