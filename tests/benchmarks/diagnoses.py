"""The diagnosis, by timing tables of all positions of one coupling."""

from __future__ import annotations

from collections.abc import Iterator

from stopwatch import Figure, best, compared

from quillwise.kinematics.assembly import intended, move_teeth
from quillwise.kinematics.couplings import positions
from quillwise.kinematics.diagnosis import diagnose
from quillwise.kinematics.inquiry import next_reading
from quillwise.kinematics.model import Engine
from quillwise.kinematics.readings import BreakReading, Readings, ValveReading
from quillwise.kinematics.sequence import play
from quillwise.kinematics.timing import timing_table
from quillwise.scenes.judging import packaged as packaged_judgement
from quillwise.scenes.library import engine as packaged


def twelve_readings(engine: Engine) -> Readings:
    """Eight valve events and four breaks of the demonstration with a quill two teeth on."""
    table = list(timing_table(engine, move_teeth(intended(engine), "quill-b", 2, 0)))
    valves, breaks = ([event for event in table if bool(event.magneto) == fires] for fires in (False, True))
    entries: list[ValveReading | BreakReading] = []
    for event in (*valves[:: len(valves) // 8][:8], *breaks[:: len(breaks) // 4][:4]):
        at = event.as_set_deg or 0.0
        if event.magneto:
            entries.append(BreakReading(magneto=event.magneto, finger_on=event.cylinder, crank_deg=at, u_deg=0.2))
        else:
            kind, flank = event.kind.split()
            valve = f"{event.cylinder} {kind}"
            entries.append(ValveReading(valve=valve, flank=flank, crank_deg=at, clearance_mm=0.4, u_deg=0.4))
    return Readings(entries=tuple(entries), disc_proved=True)


def figures() -> Iterator[Figure]:
    """The diagnosis, the next reading, and the set-up played."""
    engine, judgement = packaged("larkfell-port"), packaged_judgement()
    coupling, assembly = engine.couplings["quill-b"].data, intended(engine)
    places = positions(coupling.driving_teeth, coupling.driven_teeth)
    read = twelve_readings(engine)
    yield compared(
        "diagnosis of 12 readings",
        lambda: diagnose(engine, read, judgement),
        f"timing table × {places} positions",
        lambda: timing_table(engine, assembly),
        40.0,
        times=places,
    )
    yield compared(
        "next reading after those 12",
        lambda: next_reading(engine, read, judgement),
        "their diagnosis",
        lambda: diagnose(engine, read, judgement),
        runs=3,
    )
    table = best(lambda: timing_table(engine, assembly))
    played = best(lambda: play(engine))
    yield Figure(
        name="set-up played", reference="timing table", ratio=played / table, took=played, reference_took=table
    )
