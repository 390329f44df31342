"""The error budget of every event, and what can be told apart with these tools."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from quillwise.kinematics.assembly import Assembly, Engaged
from quillwise.kinematics.branches import coupling_turns, step_crank
from quillwise.kinematics.budget import (
    COVERAGE_FACTOR,
    Component,
    Interval,
    acceptance_zone,
    combined,
    drawn,
    draws_wanted,
    mistaken,
    symmetric_interval,
    worst_case,
)
from quillwise.kinematics.cams import velocity_mm_per_deg
from quillwise.kinematics.model import Engine, Valve
from quillwise.kinematics.positions import couplings_upstream
from quillwise.kinematics.timing import Event, timing_table
from quillwise.kinematics.verdicts import Verdict, verdict

PROBABILITY = 0.95


@dataclass(frozen=True, kw_only=True, slots=True)
class EventBudget:
    """What makes an event uncertain [crank degrees]. reading: what its reading adds; setting: half a step of its
    vernier and the teeth, which are in the engine and not in the reading. ``worst``, ``expanded`` (k = 2) and
    ``interval`` (95 %, Monte Carlo) are of both together; ``reading_expanded`` of the reading alone: the guard band."""

    event: Event
    reading: tuple[Component, ...]
    setting: tuple[Component, ...]
    worst: float
    expanded: float
    reading_expanded: float
    interval: Interval

    @property
    def verdict(self) -> Verdict | None:
        """Of the event as set, with the reading's expanded uncertainty as guard band; None when nothing is set."""
        if self.event.early_deg is None:
            return None
        return verdict(self.event.early_deg, self.event.limit_deg, self.reading_expanded)


@dataclass(frozen=True, kw_only=True, slots=True)
class Position:
    """A position of a coupling near the best: ``steps`` of the vernier from where it is, and how early its governing
    event then is [crank degrees], with its verdict."""

    steps: int
    early_deg: float
    verdict: Verdict


@dataclass(frozen=True, kw_only=True, slots=True)
class Told:
    """What can be told of a coupling. ``step_deg``: one step [crank degrees]; ``event``: of the event that governs it,
    the one with the narrowest zone behind it; ``zone``: where a reading is accepted, None: nowhere; ``inside``: how
    many positions lie in it; ``nearest``: the two positions with the least error; ``mistaken``: probability of taking
    a position for the next by one reading."""

    coupling: str
    step_deg: float
    event: str
    zone: Interval | None
    inside: int
    nearest: tuple[Position, Position]
    mistaken: float


def budgets(engine: Engine, assembly: Assembly, draws: int | None = None, seed: int = 1) -> tuple[EventBudget, ...]:
    """The budget of each event of the timing table. draws: of the Monte Carlo; None: as many as JCGM 101 wants."""
    count = draws or draws_wanted(PROBABILITY)
    known: dict[tuple[float, ...], Interval] = {}
    found = []
    for event in timing_table(engine, assembly):
        reading, setting = _reading(engine, event), _setting(engine, event)
        both = (*reading, *setting)
        key = tuple(round(each.half_width, 9) for each in both)
        if key not in known:
            known[key] = symmetric_interval(drawn(both, count, seed), PROBABILITY)
        found.append(
            EventBudget(
                event=event,
                reading=reading,
                setting=setting,
                worst=worst_case(both),
                expanded=COVERAGE_FACTOR * combined(both),
                reading_expanded=COVERAGE_FACTOR * combined(reading),
                interval=known[key],
            )
        )
    return tuple(found)


def told_apart(engine: Engine, assembly: Assembly, found: Sequence[EventBudget]) -> tuple[Told, ...]:
    """For each coupling that is home: whether a position lies in the acceptance zone, and whether the next can be
    told from it."""
    made = []
    for name in engine.couplings:
        if not isinstance(assembly.engagements[name], Engaged):
            continue
        behind = [each for each in found if name in _upstream(engine, each.event) and each.event.early_deg is not None]
        if not behind:
            continue
        step = step_crank(engine, name)
        governs = min(behind, key=lambda each: each.event.limit_deg - each.reading_expanded)
        early = governs.event.early_deg or 0.0
        limit, guard = governs.event.limit_deg, governs.reading_expanded
        zone = acceptance_zone(limit, guard)
        made.append(
            Told(
                coupling=name,
                step_deg=step,
                event=governs.event.name,
                zone=zone,
                inside=0 if zone is None else _inside(early, step, zone),
                nearest=_nearest(early, step, limit, guard),
                mistaken=mistaken(step, guard / COVERAGE_FACTOR),
            )
        )
    return tuple(made)


def _reading(engine: Engine, event: Event) -> tuple[Component, ...]:
    tools = engine.sheet.tools
    ring = (
        Component(name="ring or disc", half_width=tools.ring_deg),
        Component(name="proved TDC", half_width=tools.zero_deg),
        Component(name="backlash", half_width=tools.backlash_deg),
    )
    if event.magneto:
        return (Component(name="meter", half_width=tools.meter_deg), *ring)
    return (Component(name="feeler", half_width=tools.feeler_mm / _rate(engine, event)), *ring)


def _rate(engine: Engine, event: Event) -> float:
    """How fast the lobe moves at the event, by its data [mm at the valve ÷ crank degree]."""
    valve = _valve(engine, event)
    return abs(float(velocity_mm_per_deg(valve.curve, event.own_deg)))


def _valve(engine: Engine, event: Event) -> Valve:
    kind = event.kind.split(" ")[0]
    return engine.valve(event.cylinder, "inlet" if kind == "inlet" else "exhaust", max(event.valve, 1))


def _setting(engine: Engine, event: Event) -> tuple[Component, ...]:
    """Half a step and the teeth of each coupling on the event's way."""
    found = []
    for name in _upstream(engine, event):
        found.append(Component(name=f"half a step of {name}", half_width=step_crank(engine, name) / 2))
        if engine.sheet.tools.tooth_error_deg:
            error = engine.sheet.tools.tooth_error_deg / coupling_turns(engine, name)
            found.append(Component(name=f"teeth of {name}", half_width=error))
    return tuple(found)


def _upstream(engine: Engine, event: Event) -> Sequence[str]:
    shaft = engine.magnetos[event.magneto].rotor if event.magneto else _valve(engine, event).camshaft
    return couplings_upstream(engine, shaft)


def _inside(early: float, step: float, zone: Interval) -> int:
    """How many of early + k · step lie in the zone."""
    slack = 1e-9
    return max(0, math.floor((zone.high - early) / step + slack) - math.ceil((zone.low - early) / step - slack) + 1)


def _nearest(early: float, step: float, limit: float, guard: float) -> tuple[Position, Position]:
    at = -round(early / step)
    near = sorted((at - 1, at, at + 1), key=lambda k: (abs(early + k * step), k))[:2]
    one, other = (
        Position(steps=k, early_deg=early + k * step, verdict=verdict(early + k * step, limit, guard)) for k in near
    )
    return one, other
