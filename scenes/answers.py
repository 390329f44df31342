"""What a fitter answers when he is asked for a reading: as a table of a readings file, in its words."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from quillwise.kinematics.angles import format_crank
from quillwise.kinematics.errors import RequestError
from quillwise.kinematics.lengths import LengthUnit, length
from quillwise.kinematics.model import Engine
from quillwise.kinematics.readings import (
    BreakReading,
    ClearanceReading,
    FingerReading,
    GapReading,
    LiftReading,
    PointerReading,
    Proposal,
    Sight,
    ValveReading,
)
from quillwise.scenes.places import printable
from quillwise.scenes.reading_keys import length_row
from quillwise.scenes.toml_text import toml_value

Row = Mapping[str, Any]
_UNIT_WORDS = {"mm": "mm", "in": "inches"}
_CYCLE = ", in the cycle from 0 to 720, or as 22 BTDC"


def head_text(engine: str, disc_proved: bool) -> str:
    """The head of a new readings file."""
    return (
        "# Readings as found, kept while quillwise asks for them. Briefing aid. Not approved data.\n"
        f"format = 1\nengine = {toml_value(engine)}\ncoverage_factor = 2\ndisc_proved = {toml_value(disc_proved)}\n"
    )


def left_out_text(name: str) -> str:
    """The table that keeps a reading from being asked for again."""
    return _text("left_out", {"reading": name})


def table_text(proposal: Proposal, typed: str, coverage_factor: float, unit: LengthUnit = "mm") -> str:
    """The table that an answer to a proposal makes. ``unit``: of the lengths, typed and kept.

    Raises RequestError with what is expected."""
    table, row = _row(proposal, typed.strip(), coverage_factor, unit)
    return _text(table, row)


def asked_for(engine: Engine, proposal: Proposal) -> str:
    """What is to be typed, in a line."""
    unit = engine.sheet.length_unit
    match proposal.entry:
        case ValveReading(flank=flank, clearance_mm=clearance):
            how = "just nipped" if flank == "opens" else "just let go"
            return f"Crank degrees with the feeler of {length(clearance, unit)} {how}{_CYCLE}"
        case LiftReading(lift_mm=lift, clearance_mm=clearance):
            open_by = f"with the valve open by {length(lift, unit)}, at a clearance of {length(clearance, unit)}"
            return f"Crank degrees {open_by}{_CYCLE}"
        case BreakReading(finger_on=on):
            return f"Crank degrees at the break with the finger on {on}{_CYCLE}"
        case FingerReading():
            return "Degrees of the finger past the middle of its segment as the points break; before it: below 0"
        case ClearanceReading():
            return f"Clearance with its cam on the heel, in {_UNIT_WORDS[unit]}"
        case GapReading():
            return f"Largest opening of the points, in {_UNIT_WORDS[unit]}"
        case PointerReading(cylinder=cylinder):
            return f"Two readings at the piston stop of {cylinder}, before the top and after it, for example 323.5 36.5"
        case Sight(crank_deg=at):
            place = "" if at is None else f" with the crank at {format_crank(at)} degrees"
            return f"The number of what is seen{place}"
    raise AssertionError(f"no way to ask for {proposal.name} of {engine.sheet.scene}")


def choices(proposal: Proposal) -> tuple[str, ...]:
    """What may be seen, in words, in the order of the numbers; none where a figure is read."""
    return tuple(one.name for one in proposal.outcomes) if isinstance(proposal.entry, Sight) else ()


def _row(proposal: Proposal, typed: str, k: float, unit: LengthUnit) -> tuple[str, Row]:
    match proposal.entry:
        case ValveReading() as valve:
            row = {"valve": valve.valve, "event": valve.flank, **length_row("clearance", valve.clearance_mm, unit)}
            return "valve_events", {**row, **_angle(typed), "uncertainty_deg": _short(valve.u_deg * k)}
        case LiftReading() as lift:
            row = {"valve": lift.valve, "event": lift.flank, **length_row("lift", lift.lift_mm, unit)}
            more = {
                **length_row("clearance", lift.clearance_mm, unit),
                **length_row("uncertainty", lift.u_mm * k, unit),
            }
            return "lifts", {**row, **more, **_angle(typed), "uncertainty_deg": _short(lift.u_deg * k)}
        case BreakReading() as broken:
            row = {"magneto": broken.magneto, "finger_on": broken.finger_on}
            return "points_breaks", {**row, **_angle(typed), "uncertainty_deg": _short(broken.u_deg * k)}
        case FingerReading() as finger:
            off = {"off_deg": _number(typed, "degrees"), "uncertainty_deg": _short(finger.u_deg * k)}
            return "fingers", {"magneto": finger.magneto, **off}
        case ClearanceReading() as measured:
            read = {f"clearance_{unit}": _number(typed, unit), **length_row("uncertainty", measured.u_mm * k, unit)}
            return "clearances", {"valve": measured.valve, **read}
        case GapReading() as gap:
            read = {f"gap_{unit}": _number(typed, unit), **length_row("uncertainty", gap.u_mm * k, unit)}
            return "points_gaps", {"magneto": gap.magneto, **read}
        case PointerReading() as pointer:
            words = typed.replace(",", " ").split()
            if len(words) != 2:
                raise RequestError(f'expected two readings, before the top and after it, got "{printable(typed)}"')
            before, after = (_number(word, "degrees") for word in words)
            stops = {"before_deg": before, "after_deg": after, "uncertainty_deg": _short(pointer.u_deg * k)}
            return "stops", {"cylinder": pointer.cylinder, **stops}
        case Sight():
            seen = _seen(proposal, typed)
            row = {"kind": seen.kind, "subject": seen.subject}
            if seen.cylinders:
                row["cylinders"] = list(seen.cylinders)
            if seen.crank_deg is not None:
                row["crank_deg"] = _short(seen.crank_deg % 720.0)
            return "sights", row
    raise AssertionError(f"no table for {proposal.name}")


def _angle(typed: str) -> Row:
    """As a figure of the cycle, or as written from a dead centre: that one the reader of the file understands."""
    if any(letter.isalpha() for letter in typed.lower().replace("e", "")):
        return {"reading": typed.upper()}
    return {"crank_deg": _number(typed, "crank degrees")}


def _number(typed: str, unit: str) -> float:
    try:
        value = float(typed)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise RequestError(f'expected {_UNIT_WORDS.get(unit, unit)} as a number, got "{printable(typed)}"')
    return value


def _seen(proposal: Proposal, typed: str) -> Sight:
    names = choices(proposal)
    seen = [one for one in proposal.outcomes if isinstance(one, Sight)]
    number = names.index(typed) + 1 if typed in names else int(typed) if typed.isascii() and typed.isdigit() else 0
    if not 1 <= number <= len(seen):
        raise RequestError(f'expected a number from 1 to {len(seen)}, got "{printable(typed)}"')
    return seen[number - 1]


def _short(value: float) -> float:
    return round(value, 6)


def _text(table: str, row: Row) -> str:
    lines = [f"{key} = {toml_value(value)}" for key, value in row.items()]
    return "\n".join(["", f"[[{table}]]", *lines, ""])
