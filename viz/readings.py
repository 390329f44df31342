"""The readings file of an assembly: what a fitter would read off it, and nothing about how it was put together.

TOML, the same bytes for the same input. Angles are readings of the crank ring in the cycle, 0–720.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from quillwise.kinematics.angles import array, format_event
from quillwise.kinematics.assembly import Assembly
from quillwise.kinematics.magnetos import finger_at
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import finger_running_deg, shaft_angles
from quillwise.kinematics.timing import Event, timing_table
from quillwise.scenes.reading_keys import length_row
from quillwise.scenes.toml_text import toml_value
from quillwise.viz.records import COVERAGE_FACTOR
from quillwise.viz.writing import write_whole

FORMAT = 1
_RUNNING = "running direction"
_READING_DECIMALS = 2

Value = str | int | float | bool


def write_readings(path: Path, engine: Engine, assembly: Assembly, force: bool = False) -> int:
    """Write the readings file whole or not at all; returns the number of readings. Raises OutputError."""
    text, count = _file(engine, assembly)
    with write_whole(path, force) as part:
        part.write_bytes(text.encode("utf-8"))
    return count


def readings_text(engine: Engine, assembly: Assembly) -> str:
    """The readings of an assembly, valves at the clearances that it states, as the text of a readings file.

    Events that do not happen (a coupling open, a valve that stays shut) cannot be read and are left out.
    """
    return _file(engine, assembly)[0]


def _file(engine: Engine, assembly: Assembly) -> tuple[str, int]:
    table = [event for event in timing_table(engine, assembly) if event.as_set_deg is not None]
    table.sort(key=lambda event: (event.as_set_deg, event.name))
    valve_events = [_valve_event(engine, assembly, event) for event in table if not event.magneto]
    breaks = [_points_break(engine, assembly, event) for event in table if event.magneto]
    head: dict[str, Value] = {
        "format": FORMAT,
        "engine": engine.sheet.scene,
        "origin": "computed, not measured",
        "coverage_factor": COVERAGE_FACTOR,
    }
    lines = ["# Readings of a rehearsed assembly. Briefing aid. Not approved data.", *_lines(head)]
    for name, entries in (("valve_events", valve_events), ("points_breaks", breaks)):
        for entry in entries:
            lines += ["", f"[[{name}]]", *_lines(entry)]
    return "\n".join(lines) + "\n", len(valve_events) + len(breaks)


def _valve_event(engine: Engine, assembly: Assembly, event: Event) -> dict[str, Value]:
    kind, _, what = event.kind.partition(" ")
    valve = engine.valve(event.cylinder, "inlet" if kind == "inlet" else "exhaust", max(event.valve, 1))
    return {
        "valve": valve.name,
        "event": what,
        **_reading(engine, event, event.cylinder),
        **length_row("clearance", assembly.clearances_mm[valve.name], engine.sheet.length_unit),
        **_way(event),
    }


def _points_break(engine: Engine, assembly: Assembly, event: Event) -> dict[str, Value]:
    magneto = engine.magneto(event.magneto)
    order = magneto.fires
    angles = shaft_angles(engine, assembly, array(event.as_set_deg))
    finger = finger_at(magneto.data, order, finger_running_deg(engine, magneto.name, angles[magneto.finger]))
    # the fitter names the cylinder that he sees the finger on, and writes the break from the TDC of that one
    finger_on = order[int(finger.segment[0])]
    return {
        "magneto": magneto.name,
        "finger_on": finger_on,
        **_reading(engine, event, finger_on),
        **length_row("points_gap", assembly.points_gaps_mm[magneto.name], engine.sheet.length_unit),
        "advance_lever": magneto.data.timed_at,
        **_way(event),
    }


def _reading(engine: Engine, event: Event, cylinder: str) -> dict[str, Value]:
    assert event.as_set_deg is not None
    own_deg = event.as_set_deg - engine.cylinders[cylinder].firing_deg
    return {"reading": format_event(own_deg, _READING_DECIMALS), "crank_deg": event.as_set_deg}


def _way(event: Event) -> dict[str, Value]:
    return {"uncertainty_deg": event.uncertainty_deg, "approached": _RUNNING, "disc_proved": True}


def _lines(entry: Mapping[str, Value]) -> list[str]:
    return [f"{key} = {toml_value(value)}" for key, value in entry.items()]
