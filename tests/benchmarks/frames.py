"""One frame moved and drawn, a film's frame, the first window, and memory over two thousand frames."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from stopwatch import Figure, Python, Work, best, children, compared, processor, wall

from quillwise.kinematics.assembly import intended
from quillwise.kinematics.motion import motion
from quillwise.kinematics.rig import rig
from quillwise.kinematics.steps import Frame
from quillwise.scenes.library import engine as packaged

SIZE = (854, 480)
FRAMES = 2000
_EMPTY = """
import pyvista
plotter = pyvista.Plotter(window_size=(1280, 720))
plotter.show(interactive=False, auto_close=False)
plotter.close()
"""
_FIRST = """
from quillwise.viz import graphics
graphics.begin()
from quillwise.kinematics.sequence import play
from quillwise.scenes.library import engine
one = engine("larkfell-port")
played = play(one)
from quillwise.viz.viewer import Viewer
with Viewer(one, played, (1280, 720)) as viewer:
    viewer.tick()
"""


def resident_mb() -> float:
    """Memory that this process holds now [MB]."""
    fields = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
    return int(fields["VmRSS"].split()[0]) / 1024


@contextmanager
def screen() -> Iterator[str]:
    """A display without a window manager, on the first number that is free."""
    command = ["Xvfb", "-displayfd", "1", "-screen", "0", "1280x720x24", "-nolisten", "tcp", "-noreset"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as server:
        assert server.stdout is not None
        try:
            yield f":{server.stdout.readline().strip()}"
        finally:
            server.terminate()


def one_frame() -> Iterator[Figure]:
    """Moving all parts and drawing them, by drawing them where they stand."""
    from quillwise.viz import exhibit
    from quillwise.viz.cameras import fit_view
    from quillwise.viz.stage import Stage

    engine = packaged("larkfell-port")
    the_rig, assembly = rig(engine), intended(engine)
    angles = iter(np.linspace(0.0, 20 * 720.0, 4 * FRAMES))
    with Stage(SIZE) as stage:
        exhibit.furnish(stage, exhibit.bodies(engine))
        exhibit.place(stage, the_rig, motion(engine, assembly, 0.0))
        stage.look(fit_view("three-quarter", stage.points(), SIZE[0] / SIZE[1]))

        def placed() -> None:
            exhibit.place(stage, the_rig, motion(engine, assembly, next(angles)))

        def moved() -> None:
            placed()
            stage.render()

        stage.render()
        yield compared(
            "move and draw a frame",
            moved,
            "bare Render() of the same",
            stage.render,
            1.15,
            runs=25,
            remark="limit: what moved has new outlines, which VTK finds again, and new matrices on the card; see below",
        )
        yield compared("  of it: state, poses, matrices", placed, "bare Render() of the same", stage.render, runs=25)

    with Stage((160, 90)) as small:
        exhibit.furnish(small, exhibit.bodies(engine))
        small.look(fit_view("three-quarter", small.points(), 16 / 9))

        def drawn(count: int) -> float:
            for _ in range(count):
                exhibit.place(small, the_rig, motion(engine, assembly, next(angles)))
                small.render()
            return resident_mb()

        before = drawn(100)
        after = drawn(FRAMES)
        yield Figure(
            name=f"memory after {FRAMES} frames: {after:.0f} MB",
            reference=f"after 100: {before:.0f} MB",
            ratio=after / before,
            most=1.02,
        )


def film_frame() -> Iterator[Figure]:
    """A film's frame with all that stands in it, by what VTK and the encoder take of it alone."""
    from quillwise.viz.film import write_film
    from quillwise.viz.plates import Plates
    from quillwise.viz.stage import Stage

    engine, assembly = packaged("larkfell-port"), intended(packaged("larkfell-port"))
    spent = [0.0]
    render: Any = Stage._render_window

    def timed(stage: Stage) -> None:
        spent[0] += processor(lambda: render(stage))

    with TemporaryDirectory() as folder, Plates(engine, SIZE, 96.0) as plates:
        moments = [Frame(assembly=assembly, crank_deg=6.0 * number, free={}) for number in range(12)]
        ready = [plates.cycle(moment) for moment in moments]
        path = Path(folder) / "film.mp4"
        encoded = best(lambda: write_film(path, ready, 15, SIZE, "mp4"), 3) / len(ready)
        rendered, took = [], []
        Stage._render_window = timed  # type: ignore[method-assign]
        try:
            for moment in moments:
                spent[0] = 0.0
                took.append(processor(lambda moment=moment: plates.cycle(moment)))  # type: ignore[misc]
                rendered.append(spent[0])
        finally:
            Stage._render_window = render  # type: ignore[method-assign]
    reference, whole = float(np.median(rendered)) + encoded, float(np.median(took)) + encoded
    yield Figure(
        name="a film's frame of the cycle",
        reference="its Render() and its encoding",
        ratio=whole / reference,
        most=1.5,
        took=whole,
        reference_took=reference,
        remark="limit: the pictures are read back and averaged from four times as many pixels",
    )


def first_window() -> Iterator[Figure]:
    """From the start of Python to the first picture in the window, on a display of its own."""
    with screen() as display, Python() as python:

        def opened(script: str) -> Work:
            run: Work = lambda: python.run("-c", script, environment={"DISPLAY": display})  # noqa: E731
            run()
            return run

        first, empty = opened(_FIRST), opened(_EMPTY)
        for name, clock in (("first window with its first picture", children), ("  the same by the clock", wall)):
            yield compared(
                name,
                first,
                "pyvista, an empty window",
                empty,
                3.0,
                runs=5,
                clock=clock,
                remark="three tenths go into the bodies and their outlines, as much into loading the library of bodies",
            )


def figures() -> Iterator[Figure]:
    """All of them; the window only where there is Xvfb."""
    yield from one_frame()
    yield from film_frame()
    if shutil.which("Xvfb"):
        yield from first_window()
