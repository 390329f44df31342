"""All readings that could be taken of an engine and are not taken yet, each with what it is taken with."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from quillwise.kinematics.angles import in_cycle, wrapped
from quillwise.kinematics.marks import greatest_lift_mm
from quillwise.kinematics.model import Engine
from quillwise.kinematics.observed import valve_event_deg
from quillwise.kinematics.readings import (
    LEAD_SIGHTS,
    BreakReading,
    ClearanceReading,
    Entry,
    FingerReading,
    Flank,
    GapReading,
    LiftReading,
    PointerReading,
    Readings,
    Sight,
    SightKind,
    ValveReading,
)

# standard uncertainties (k = 1) that a reading is expected to have; ours, no source
U_CLEARANCE_MM, U_GAP_MM, U_LIFT_MM, U_FINGER_DEG, U_TDC_DEG = 0.02, 0.02, 0.02, 1.0, 0.15


@dataclass(frozen=True, kw_only=True, slots=True)
class Candidate:
    """A reading that could be taken. ``outcomes``: of a sight, else the one entry."""

    name: str
    kind: str
    outcomes: tuple[Entry, ...]
    tool: str
    destroys: bool = False


def candidates(engine: Engine, readings: Readings) -> Iterator[Candidate]:
    """All readings that are not among those taken, with what they are taken with."""
    taken = {entry.name for entry in readings.entries}
    for one in (*_by_valve(engine, readings), *_by_magneto(engine)):
        if one.name not in taken and not any(outcome.name in taken for outcome in one.outcomes):
            yield one


def _by_valve(engine: Engine, readings: Readings) -> Iterator[Candidate]:
    limits = engine.sheet.limits
    gauged = {entry.valve for entry in readings.entries if isinstance(entry, LiftReading)}
    for valve in engine.valves.values():
        clearance = valve.data.checking_clearance_mm
        flanks: tuple[Flank, ...] = ("opens", "closes")
        for flank in flanks:
            place = valve_event_deg(engine, valve.name, flank, clearance)
            if place is None:
                continue
            event = ValveReading(
                valve=valve.name,
                flank=flank,
                crank_deg=float(in_cycle(place)),
                clearance_mm=clearance,
                u_deg=limits.valve_event_uncertainty_deg / 2,
            )
            yield Candidate(name=event.name, kind="valve event", outcomes=(event,), tool="feeler and disc")
        height = greatest_lift_mm(valve) / 2
        place = valve_event_deg(engine, valve.name, "opens", clearance + height)
        if place is not None:
            lift = LiftReading(
                valve=valve.name,
                flank="opens",
                crank_deg=float(in_cycle(place)),
                lift_mm=height,
                clearance_mm=clearance,
                u_mm=U_LIFT_MM,
                u_deg=0.1,
                unit=engine.sheet.length_unit,
            )
            kind = "lift, next" if valve.name in gauged else "lift, first of a valve"
            yield Candidate(name=lift.name, kind=kind, outcomes=(lift,), tool="dial gauge and disc")
        measured = ClearanceReading(valve=valve.name, clearance_mm=clearance, u_mm=U_CLEARANCE_MM)
        yield Candidate(name=measured.name, kind="clearance", outcomes=(measured,), tool="feeler")
    first = engine.sheet.firing_order[0]
    tdc = PointerReading(cylinder=first, error_deg=0.0, u_deg=U_TDC_DEG)
    yield Candidate(name=tdc.name, kind="true TDC", outcomes=(tdc,), tool="piston stop or dial gauge")
    at = engine.cylinders[first].firing_deg
    rocking = [c.name for c in engine.cylinders.values() if abs(float(wrapped(c.firing_deg - at, 360.0))) < 1.0]
    if len(rocking) > 1:
        sights = tuple(Sight(kind="rocking", subject=name, crank_deg=at) for name in rocking)
        yield Candidate(name=f"which cylinder rocks at TDC of {first}", kind="look", outcomes=sights, tool="eye")


def _by_magneto(engine: Engine) -> Iterator[Candidate]:
    limits = engine.sheet.limits
    for magneto in engine.magnetos.values():
        name = magneto.name
        for cylinder in magneto.fires:
            broken = BreakReading(
                magneto=name,
                finger_on=cylinder,
                crank_deg=float(in_cycle(magneto.due_deg[cylinder] + magneto.data.break_deg)),
                u_deg=limits.points_break_uncertainty_deg / 2,
            )
            yield Candidate(name=broken.name, kind="points break", outcomes=(broken,), tool="meter and disc")
        gap = GapReading(magneto=name, gap_mm=magneto.data.points_gap_mm, u_mm=U_GAP_MM)
        yield Candidate(name=gap.name, kind="points gap", outcomes=(gap,), tool="feeler")
        finger = FingerReading(magneto=name, off_deg=0.0, u_deg=U_FINGER_DEG)
        yield Candidate(name=finger.name, kind="look", outcomes=(finger,), tool="eye and rule, distributor cover off")
        at = float(in_cycle(magneto.first_deg + magneto.data.break_deg))
        fingers = tuple(
            Sight(kind="finger on", subject=name, cylinders=(cylinder,), crank_deg=at) for cylinder in magneto.fires
        )
        where = f"segment that the {name} finger is on at the mark of {magneto.fires[0]}"
        yield Candidate(name=where, kind="look", outcomes=fingers, tool="eye, distributor cover off")
        for words, kinds, kind, tool in _LOOKS:
            sights = tuple(Sight(kind=of, subject=name) for of in kinds)
            yield Candidate(name=f"{name} {words}", kind=kind, outcomes=sights, tool=tool)
    for coupling in engine.couplings:
        kinds = ("teeth as marked", "teeth not as marked")
        sights = tuple(Sight(kind=of, subject=coupling) for of in kinds)
        yield Candidate(
            name=f"teeth of {coupling}",
            kind="quill drawn",
            outcomes=sights,
            tool="eye, the quill or sleeve drawn",
            destroys=True,
        )


_LOOKS: tuple[tuple[str, tuple[SightKind, ...], str, str], ...] = (
    ("lever", ("lever at its stop", "lever off its stop"), "look", "eye"),
    ("plug leads", LEAD_SIGHTS, "look", "eye"),
    (
        "inside of the magneto",
        ("magneto inside as marked", "magneto inside not as marked"),
        "magneto off",
        "eye, the magneto taken off and opened",
    ),
)
