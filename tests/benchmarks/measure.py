"""Timings as ratios to a reference measured in the same run: ``python tests/benchmarks/measure.py``.

Each figure is the best of several runs, divided by the best of its reference. Nothing here is asserted by the suite.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable

import numpy as np

from quillwise.kinematics.assembly import intended
from quillwise.kinematics.motion import motion
from quillwise.kinematics.poses import poses
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
    moved, bare = frames()
    rows.append(("move and draw a frame", moved, "bare render", bare))
    for what, mine, reference, theirs in rows:
        print(f"{what:32} {mine * 1e3:9.2f} ms   ÷ {reference:20} {theirs * 1e3:9.2f} ms   = {mine / theirs:6.2f}")


if __name__ == "__main__":
    main()
