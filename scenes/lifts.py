"""The lift of a kind of valve: as the keys say, or found from its measured table, which is checked against them."""

from __future__ import annotations

import math
from dataclasses import dataclass

from quillwise.kinematics.angles import CYCLE_DEG, format_crank, format_event
from quillwise.kinematics.lengths import LengthUnit, length, stated
from quillwise.kinematics.measured import (
    MeasuredCurve,
    Rows,
    measured_curve,
    measured_events,
    measured_velocity,
    table_problems,
)
from quillwise.kinematics.misread import misread_rows
from quillwise.scenes.keys import EngineKeys, LimitsKeys
from quillwise.scenes.places import shown
from quillwise.scenes.valve_keys import ExhaustKeys, InletKeys, OneValveKeys, ValvesKeys

STROKES = {"inlet": (360.0, 540.0), "exhaust": (180.0, 360.0)}
_BESIDE_DEG = 30.0  # how far outside of its stroke a valve's greatest lift may be


@dataclass(frozen=True, kw_only=True, slots=True)
class Lift:
    """What the data sheet says of a lift. ``table``: empty unless measured, its peak in the cycle from 0 to 720."""

    opens_deg: float
    closes_deg: float
    lift_mm: float
    ramp_mm_per_crank_deg: float
    table: tuple[tuple[float, float], ...] = ()


def lift_of(valve: InletKeys | ExhaustKeys, checking_clearance_mm: float) -> Lift:
    """The lift of a valve whose keys have been checked."""
    if valve.lift_table is None:
        return Lift(
            opens_deg=valve.opens or 0.0,
            closes_deg=valve.closes or 0.0,
            lift_mm=valve.valve_lift or 0.0,
            ramp_mm_per_crank_deg=valve.ramp_per_crank_deg or 0.0,
        )
    table, curve = _in_cycle(valve.lift_table)
    events = measured_events(curve, checking_clearance_mm)
    assert events is not None, "the clearance was checked against the lift"
    return Lift(
        opens_deg=events[0],
        closes_deg=events[1],
        lift_mm=curve.lift_mm,
        ramp_mm_per_crank_deg=float(measured_velocity(curve, events[0])),
        table=table,
    )


def check_measured(engine: EngineKeys) -> None:
    """Every lift table makes a curve on its stroke, whose events agree with those that are given beside it."""
    if not engine.known("valves"):
        return
    limit = LimitsKeys.valve_event_deg.default or 0.0
    if engine.known("limits") and engine.limits.known("valve_event_deg"):
        limit = engine.limits.valve_event_deg
    for kind in STROKES:
        if not engine.valves.known(kind):
            continue
        valve = engine.valves.values[kind]
        if valve.known("lift_table") and engine.valves.own_or_shared(valve, "law", "harmonic") == "measured":
            _check_table(kind, valve, engine.valves, limit)


def _check_table(kind: str, valve: OneValveKeys, valves: ValvesKeys, limit_deg: float) -> None:
    rows, unit = valve.lift_table or (), valve.place.layer.length_unit
    problems = table_problems(rows, unit)
    for text in problems:
        valve.wrong("lift_table", f"{text}{_misread(rows, unit)}" if "one peak" in text else text)
    if problems:
        return
    _, curve = _in_cycle(rows)
    low, high = STROKES[kind]
    if not low - _BESIDE_DEG <= curve.peak_deg <= high + _BESIDE_DEG:
        valve.wrong(
            "lift_table",
            f"expected the greatest lift on the {kind} stroke, from {low:g} to {high:g} degrees after firing TDC, "
            f"got it at {format_crank(curve.peak_deg)}",
        )
        return
    clearance = valve.values.get("checking_clearance") or valves.values.get("checking_clearance")
    if clearance is None:
        return
    events = measured_events(curve, clearance)
    if events is None or clearance <= 0:
        most = length(curve.lift_mm, unit)
        found = f"expected more than the checking clearance of {stated(clearance, unit)}, got {most} at most"
        valve.wrong("lift_table", found)
        return
    for key, own in zip(("opens", "closes"), events, strict=True):
        given = valve.values.get(key)
        if given is not None and valve.beside_table(key) and abs(given - own) > limit_deg:
            way = "later" if given > own else "earlier"
            valve.wrong(
                key,
                f"expected within {limit_deg:g} degrees of {format_event(own, 1)}, where the lift table passes "
                f"{stated(clearance, unit)}, got {shown(valve.raw[key])}, {abs(given - own):.1f} degrees {way}",
            )


def _misread(rows: Rows, unit: LengthUnit) -> str:
    """The rows that do not go with their neighbours, which may be why a table has a peak too many."""
    named = [
        f"row {row.row} at {row.angle_deg:g} gives {length(row.lift_mm, unit)}, its neighbours "
        f"lead to {length(row.expected_mm, unit)}"
        for row in misread_rows(rows)
    ]
    return f"; {'; '.join(named)}: read again" if named else ""


def _in_cycle(rows: Rows) -> tuple[tuple[tuple[float, float], ...], MeasuredCurve]:
    """The table and its curve, moved by whole cycles so that the peak lies from 0 to 720."""
    whole = CYCLE_DEG * math.floor(measured_curve(rows).peak_deg / CYCLE_DEG)
    table = tuple((angle - whole, lift) for angle, lift in rows)
    return table, measured_curve(table)
