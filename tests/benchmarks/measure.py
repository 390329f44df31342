"""Timings as ratios to a reference measured in the same run: ``python tests/benchmarks/measure.py``.

Each figure is the best of several runs, divided by the best of its reference. Nothing here is asserted by the suite.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from quillwise.kinematics.assembly import intended, move_teeth
from quillwise.kinematics.couplings import positions
from quillwise.kinematics.diagnosis import diagnose
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import motion
from quillwise.kinematics.poses import poses
from quillwise.kinematics.readings import BreakReading, Readings, ValveReading
from quillwise.kinematics.rig import rig
from quillwise.kinematics.sequence import play
from quillwise.kinematics.timing import timing_table
from quillwise.scenes.library import engine as packaged


def best(work: Callable[[], object], runs: int = 7) -> float:
    """Least time of one call [s]."""
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def child(*arguments: str) -> float:
    """Least time of a python process [s]."""
    return best(lambda: subprocess.run([sys.executable, *arguments], check=True, capture_output=True), 3)


def frames() -> tuple[float, float]:
    """Moving and drawing one frame, and a bare render of the same actors [s]."""
    from quillwise.viz import exhibit
    from quillwise.viz.cameras import fit_view
    from quillwise.viz.stage import Stage

    engine = packaged("larkfell-port")
    the_rig, assembly = rig(engine), intended(engine)
    with Stage((854, 480)) as stage:
        exhibit.furnish(stage, exhibit.bodies(engine))
        exhibit.place_assembly(stage, engine, the_rig, assembly, 0.0)
        stage.look(fit_view("three-quarter", stage.points(), 854 / 480))
        angles = iter(np.linspace(0.0, 720.0, 1000))

        def moved() -> None:
            exhibit.place_assembly(stage, engine, the_rig, assembly, next(angles))
            stage.render()

        return best(moved, 15), best(stage.render, 15)


def twelve_readings(engine: Engine) -> Readings:
    """Eight valve events and four breaks of the demonstration with a quill two teeth on."""
    table = list(timing_table(engine, move_teeth(intended(engine), "quill-b", 2, 0)))
    valves, breaks = ([event for event in table if bool(event.magneto) == fires] for fires in (False, True))
    entries = []
    for event in (*valves[:: len(valves) // 8][:8], *breaks[:: len(breaks) // 4][:4]):
        at = event.as_set_deg or 0.0
        if event.magneto:
            entries.append(BreakReading(magneto=event.magneto, finger_on=event.cylinder, crank_deg=at, u_deg=0.2))
        else:
            kind, flank = event.kind.split()
            valve = f"{event.cylinder} {kind}"
            entries.append(ValveReading(valve=valve, flank=flank, crank_deg=at, clearance_mm=0.4, u_deg=0.4))
    return Readings(entries=tuple(entries), disc_proved=True)


def growth() -> None:
    """The diagnosis by the teeth of one coupling: seconds, and microseconds for a position."""
    sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
    from random_engines import in_line_six

    from quillwise.kinematics.build import build

    sheet = in_line_six()
    for teeth in (10, 20, 40, 80, 120, 160, 200):
        quill = replace(sheet.couplings[0], driving_teeth=teeth, driven_teeth=teeth + 1)
        engine = build(replace(sheet, couplings=(quill, *sheet.couplings[1:])))
        event = ValveReading(valve="A1 inlet", flank="opens", crank_deg=345.0, clearance_mm=0.4, u_deg=0.4)
        spark = BreakReading(magneto="single", finger_on="A1", crank_deg=685.0, u_deg=0.2)
        readings = Readings(entries=(event, spark), disc_proved=True)
        took = best(lambda engine=engine, readings=readings: diagnose(engine, readings), 3)
        count = positions(teeth, teeth + 1)
        print(f"diagnosis, {teeth:3} to {teeth + 1:3} teeth  {took:7.3f} s   {took / count * 1e6:7.1f} µs a position")


def main() -> None:
    """Print the table."""
    engine = packaged("larkfell-port")
    the_rig, assembly = rig(engine), intended(engine)
    cycle = np.arange(0.0, 720.25, 0.25)
    state = motion(engine, assembly, cycle)
    # outputs shared by parts on one shaft are views of one array: the copy is of all of them
    out = np.stack(list(poses(the_rig, state).values()))
    rows = [
        ("all poses of a cycle at 0.25°", best(lambda: poses(the_rig, state)), "copy of them", best(out.copy)),
        ("state of a cycle at 0.25°", best(lambda: motion(engine, assembly, cycle)), "copy of poses", best(out.copy)),
        (
            "timing table",
            best(lambda: timing_table(engine, assembly)),
            "state at one angle",
            best(lambda: motion(engine, assembly, 0.0)),
        ),
        ("set-up played", best(lambda: play(engine), 3), "timing table", best(lambda: timing_table(engine, assembly))),
        ("quillwise --help", child("-m", "quillwise.viz.cli", "--help"), "import typer", child("-c", "import typer")),
        ("quillwise events", child("-m", "quillwise.viz.cli", "events"), "import typer", child("-c", "import typer")),
    ]
    read = twelve_readings(engine)
    one_table = best(lambda: timing_table(engine, assembly))
    places = positions(17, 18)
    rows.append(
        ("diagnosis of 12 readings", best(lambda: diagnose(engine, read)), "table × positions", one_table * places)
    )
    growth()
    moved, bare = frames()
    rows.append(("move and draw a frame", moved, "bare render", bare))
    for what, mine, reference, theirs in rows:
        print(f"{what:32} {mine * 1e3:9.2f} ms   ÷ {reference:20} {theirs * 1e3:9.2f} ms   = {mine / theirs:6.2f}")


if __name__ == "__main__":
    main()
