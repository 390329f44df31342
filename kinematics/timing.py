"""The timing table: every event of every cylinder and magneto, by the data and as set, in order of crank angle."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from quillwise.kinematics.angles import Floats, in_cycle, wrapped
from quillwise.kinematics.assembly import Assembly, Open
from quillwise.kinematics.cams import events_at
from quillwise.kinematics.magnetos import break_shift_deg
from quillwise.kinematics.model import Cylinder, Engine, Valve
from quillwise.kinematics.motion import piston_drop_mm, shaft_angles
from quillwise.kinematics.verdicts import Check

EventKind = Literal["inlet opens", "inlet closes", "exhaust opens", "exhaust closes", "points break"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Event:
    """An event. ``own_deg``: by the data, in the cylinder's own angle; ``crank_deg``: θ by the data, 0–720.

    ``early_deg``: crank degrees that the event as set is early (+) or late (−), in [−360, 360); None where a
    coupling on its way is open or the valve does not open. ``piston_drop_mm``: below TDC, at the data's angle.
    """

    kind: EventKind
    cylinder: str
    magneto: str
    valve: int = 0  # which of several valves of a kind, 0: all of them alike
    own_deg: float
    crank_deg: float
    early_deg: float | None
    piston_drop_mm: float
    limit_deg: float
    uncertainty_deg: float

    @property
    def name(self) -> str:
        """For example "A1 inlet opens", "A1 inlet 2 opens" or "A1 exhaust-side points break"."""
        if self.valve:
            which, what = self.kind.split()
            return f"{self.cylinder} {which} {self.valve} {what}"
        return " ".join(word for word in (self.cylinder, self.magneto, self.kind) if word)

    @property
    def as_set_deg(self) -> float | None:
        """θ at which the event happens as set, 0 ≤ θ < 720."""
        return None if self.early_deg is None else float(in_cycle(self.crank_deg - self.early_deg))

    @property
    def check(self) -> Check | None:
        """The check of the event as set, None where it does not happen."""
        if self.early_deg is None:
            return None
        return Check(
            what=self.name,
            unit="crank deg",
            wanted=self.crank_deg,
            as_set=float(in_cycle(self.crank_deg - self.early_deg)),
            early=self.early_deg,
            limit=self.limit_deg,
            uncertainty=self.uncertainty_deg,
        )


def timing_table(
    engine: Engine, assembly: Assembly, clearances_mm: dict[str, float] | None = None
) -> tuple[Event, ...]:
    """All events of the cycle in order of the data's crank angle [crank deg, 0–720]; early is +, None behind an open
    coupling.

    ``clearances_mm``: read at these, by valve (the assembly's own when left out). Raises KeyError for a valve that they
    leave out, ValueError for one below zero.
    """
    early = _earlies_crank_deg(engine, assembly)
    events = [
        event
        for cylinder in engine.cylinders.values()
        for event in (
            *_valve_events(engine, assembly, cylinder, clearances_mm, early),
            *_breaks(engine, assembly, cylinder, early),
        )
    ]
    return tuple(sorted(events, key=lambda event: (event.crank_deg, event.name)))


def early_crank_deg(engine: Engine, assembly: Assembly, shaft: str) -> float | None:
    """Crank degrees by which a shaft is ahead of exact timing (+ = early), or None behind an open coupling."""
    return _early_crank_deg(engine, assembly, shaft, shaft_angles(engine, assembly, np.zeros(1)))


def _earlies_crank_deg(engine: Engine, assembly: Assembly) -> dict[str, float | None]:
    """``early_crank_deg`` of the shafts that carry events: the camshafts, and what the breaker cams are on."""
    at_zero = shaft_angles(engine, assembly, np.zeros(1))
    breakers = (magneto.breaker_shaft for magneto in engine.magnetos.values())
    return {shaft: _early_crank_deg(engine, assembly, shaft, at_zero) for shaft in (*engine.camshafts, *breakers)}


def _early_crank_deg(engine: Engine, assembly: Assembly, shaft: str, at_zero_deg: Mapping[str, Floats]) -> float | None:
    """at_zero_deg: angles of all shafts with the crank at 0, (1,)."""
    here = shaft
    while engine.shafts[here].parent:
        link = engine.shafts[here].link
        if link in engine.couplings and isinstance(assembly.engagements[link], Open):
            return None
        here = engine.shafts[here].parent
    return float(at_zero_deg[shaft][0] / (float(engine.shafts[shaft].turns) * engine.sigma))


def _valve_events(
    engine: Engine,
    assembly: Assembly,
    cylinder: Cylinder,
    clearances_mm: dict[str, float] | None,
    earlies: Mapping[str, float | None],
) -> list[Event]:
    limits = engine.sheet.limits
    events = []
    read_at = clearances_mm or assembly.clearances_mm
    for valve, which in _told(engine, cylinder, read_at):
        data = valve.data
        shaft_early = earlies[valve.camshaft]
        real = events_at(valve.curve, read_at[valve.name])
        for kind, own, at in (("opens", data.opens_deg, 0), ("closes", data.closes_deg, 1)):
            early = None
            if shaft_early is not None and real is not None:
                early = float(wrapped(shaft_early + own - real[at], 720.0))
            events.append(
                Event(
                    kind=_KINDS[data.kind, kind],
                    cylinder=cylinder.name,
                    magneto="",
                    valve=which,
                    own_deg=own,
                    crank_deg=float(in_cycle(cylinder.firing_deg + own)),
                    early_deg=early,
                    piston_drop_mm=float(piston_drop_mm(engine, cylinder, own)),
                    limit_deg=limits.valve_event_deg,
                    uncertainty_deg=limits.valve_event_uncertainty_deg,
                )
            )
    return events


def _told(engine: Engine, cylinder: Cylinder, clearances_mm: Mapping[str, float]) -> Iterator[tuple[Valve, int]]:
    """The valves of a cylinder whose events are told, with their number: 0 for one that stands for all of its kind,
    which are alike unless their clearances differ."""
    for data in (engine.sheet.inlet, engine.sheet.exhaust):
        valves = [engine.valve(cylinder.name, data.kind, number + 1) for number in range(data.count)]
        if len({clearances_mm[valve.name] for valve in valves}) == 1:
            yield valves[0], 0
        else:
            yield from ((valve, valve.number) for valve in valves)


_KINDS: dict[tuple[str, str], EventKind] = {
    ("inlet", "opens"): "inlet opens",
    ("inlet", "closes"): "inlet closes",
    ("exhaust", "opens"): "exhaust opens",
    ("exhaust", "closes"): "exhaust closes",
}


def _breaks(engine: Engine, assembly: Assembly, cylinder: Cylinder, earlies: Mapping[str, float | None]) -> list[Event]:
    limits = engine.sheet.limits
    events = []
    for magneto in engine.magnetos.values():
        if cylinder.name not in magneto.fires:
            continue
        early = earlies[magneto.breaker_shaft]
        if early is not None:
            shift = float(break_shift_deg(magneto.data, assembly.points_gaps_mm[magneto.name]))
            early = float(wrapped(early + shift / abs(float(engine.shafts[magneto.rotor].turns)), 720.0))
        own = magneto.data.break_deg - magneto.late_deg(cylinder)  # sparks come at even intervals
        events.append(
            Event(
                kind="points break",
                cylinder=cylinder.name,
                magneto=magneto.name,
                own_deg=own,
                crank_deg=float(in_cycle(cylinder.firing_deg + own)),
                early_deg=early,
                piston_drop_mm=float(piston_drop_mm(engine, cylinder, own)),
                limit_deg=limits.points_break_deg,
                uncertainty_deg=limits.points_break_uncertainty_deg,
            )
        )
    return events
