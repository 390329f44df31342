"""The window: the whole mechanism, three close-ups that follow the step, the timing window, the cycle, the step's text.

``Session`` says what is to be seen, ``motion`` and ``poses`` where everything stands; the window only draws it. What
did not change since the last picture is not drawn again.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
import pyvista as pv
from numpy.typing import NDArray
from vtkmodules.vtkCommonCore import vtkUnsignedCharArray

from quillwise.kinematics.assembly import Assembly
from quillwise.kinematics.errors import GraphicsError, OutputError, RequestError
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import State
from quillwise.kinematics.rig import Rig, rig
from quillwise.kinematics.sequence import Played
from quillwise.kinematics.steps import Frame
from quillwise.viz import exhibit, graphics, palette, session, still
from quillwise.viz.actions import BY_KEY
from quillwise.viz.cameras import VIEWS
from quillwise.viz.controls import Controls
from quillwise.viz.interrupts import on_interrupt
from quillwise.viz.layout import LEAST_PX, Layout, layout
from quillwise.viz.leaf import place
from quillwise.viz.lettering import Lettering
from quillwise.viz.linked import linked
from quillwise.viz.overview import Overview
from quillwise.viz.panes import Panes
from quillwise.viz.playback import Playback
from quillwise.viz.session import Session, Work
from quillwise.viz.writing import write_whole

Picture = NDArray[np.uint8]

_TICK_MS = 30
_LONGEST_S = 0.25  # after a stall the playing goes on from where it was, not from where it would have been
_DPI = 96.0
_OWN_VIEWS = 2  # the ground and the large view; the close-ups come after them


def show(
    engine: Engine,
    played: Played,
    size_px: tuple[int, int],
    start_step: int = 0,
    crank_deg: float | None = None,
    view_name: str | None = None,
    fault: str = "",
    comparing: bool = False,
) -> None:
    """Opens the window and returns when it is closed. start_step: index of the first step shown; crank_deg: turned to
    this angle of the cycle; view_name: the named view that it starts with; fault: what was done wrong, in words;
    comparing: it opens on the engine as found beside as intended.

    Raises GraphicsError without OpenGL or a display, RequestError for a size that has no room for the window.
    """
    with Viewer(engine, played, size_px, start_step, fault=fault) as viewer:
        if crank_deg is not None:
            viewer.turn_to(crank_deg)
        if comparing:
            viewer.press("c")
        if view_name is not None:
            viewer.tick()  # a view is fitted to the parts where they stand
            viewer.press(str(list(VIEWS).index(view_name) + 1))
        viewer.run()


class Viewer:
    """The window of one engine and its set-up. ``run`` blocks; ``press`` and ``picture`` work without it too.

    All that is drawn hangs on this object; ``close`` frees it and may be called at any time, more than once.
    """

    def __init__(
        self,
        engine: Engine,
        played: Played,
        size_px: tuple[int, int],
        start_step: int = 0,
        clock: Callable[[], float] = time.monotonic,
        fault: str = "",
    ) -> None:
        """clock: seconds, from any zero. Raises as ``show`` does."""
        if size_px[0] < LEAST_PX[0] or size_px[1] < LEAST_PX[1]:
            raise RequestError(f"the window needs at least {LEAST_PX[0]} × {LEAST_PX[1]} pixels")
        if not graphics.probe().display:
            raise GraphicsError(graphics.NO_DISPLAY)
        self._work: Work = session.work(engine, played, fault)
        self._now = Session(playback=Playback(step=min(max(start_step, 0), len(played.steps) - 1)))
        self._rig: Rig = rig(engine)
        self._clock = clock
        views = linked(engine, played.steps)
        self._plotter = pv.Plotter(
            shape=(1, Panes.count(views) + _OWN_VIEWS),
            border=False,
            window_size=list(size_px),
            lighting="none",
            off_screen=False,
        )
        window: Any = self._plotter.render_window
        self._window = window
        self._window.SetWindowName(f"Quillwise: {engine.sheet.name}")
        for renderer in self._plotter.renderers:
            renderer.SetDraw(False)
            renderer.SetInteractive(False)
        # what no view covers shows through as the dividing lines
        self._ground: Any = self._plotter.renderers[0]
        self._ground.SetBackground(*palette.unit_rgb(palette.RULE))
        self._overview = Overview(engine, self._rig, self._plotter, 1)
        self._panes = Panes(engine, self._rig, views, self._plotter, _OWN_VIEWS)
        self._lettering = Lettering(self._window, self._work)
        self._layout: Layout = layout(size_px)
        self._size: tuple[int, int] | None = None
        self._covered = False
        self._shown: tuple[object, tuple[Frame, State, Assembly | None]] | None = None
        self._tick_at = clock()
        self._failed: BaseException | None = None
        self._controls = Controls(self._plotter, self, self._fail)

    def __enter__(self) -> Viewer:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def turn_to(self, cycle_deg: float) -> None:
        """Turns the crank to an angle of the cycle, and stops."""
        self._now = session.scrubbed(self._now, cycle_deg % 720.0, self._work)

    @property
    def playback(self) -> Playback:
        """Where the playing stands."""
        return self._now.playback

    @property
    def session(self) -> Session:
        """What is shown now."""
        return self._now

    @property
    def is_open(self) -> bool:
        """Whether the window is there to be drawn in."""
        return self._overview.stage.is_open

    @property
    def covered(self) -> bool:
        """Whether the help covers the large view."""
        return self._now.help

    @property
    def layout(self) -> Layout:
        """Where everything stands in the window now."""
        return self._layout

    @property
    def lettering(self) -> Lettering:
        """The text, the strip and the buttons."""
        return self._lettering

    def run(self) -> None:
        """Shows the window and lets the user work until he closes it. An error in the window is raised here."""
        self._draw()
        interactor = self._controls.interactor
        interactor.Initialize()
        if not self._window.GetGenericDisplayId() and graphics.uses_x():
            raise GraphicsError(graphics.NO_DISPLAY)  # it went away since it was tried
        timer = interactor.CreateRepeatingTimer(_TICK_MS)
        self._tick_at = self._clock()
        with on_interrupt(lambda: self._fail(KeyboardInterrupt())):
            interactor.Start()
        interactor.DestroyTimer(timer)
        if self._failed is not None:
            raise self._failed

    def close(self) -> None:
        """Closes the window, if it is open."""
        if not self.is_open:
            return
        self._controls.close()
        self._panes.close()
        self._overview.close()
        self._lettering.close()
        self._plotter.close()

    def press(self, key: str) -> None:
        """What a key does, by its X name (``"space"``, ``"Right"``, ``"comma"``, …); drawn at the next tick."""
        action = BY_KEY.get(key)
        name = "" if action is None else action.name
        replies = session.replies(self._now, key, self._work)
        before = self._now
        self._now = session.pressed(before, key, self._work)
        if name == "close":
            self._controls.end()
        elif name == "picture":
            try:
                self._told(f"saved {self.save_picture()}")
            except OutputError as error:
                self._told(str(error))
        elif name == "step view":
            self._now = session.picked(self._now, None)
            self._overview.back_to_step()
        elif name == "zoom" and self._now.picked is not None:
            self._overview.zoom_to(self._now.picked)
        elif name == "zoom":
            self._told("First click on a part.")
        elif name in VIEWS and not replies:
            self._overview.look_from(name)
        if self._now.comparing != before.comparing:
            self._overview.back_to_step()

    def scrub(self, cycle_deg: float) -> None:
        """The crank turned by the mouse on the strip."""
        self._now = session.scrubbed(self._now, cycle_deg, self._work)

    def pick(self, x_px: int, y_px: int) -> None:
        """A click in the large view, from the window's lower left corner: the part there, or none."""
        part = self._overview.part_at(x_px, y_px)
        self._now = session.picked(self._now, part)
        if part is not None:
            self._overview.zoom_to(part)

    def camera_taken(self) -> None:
        """The mouse moves the camera of the large view."""
        self._overview.taken()

    def tick(self) -> None:
        """One beat of the timer: plays on by the time that went by, and draws if anything changed."""
        now = self._clock()
        elapsed, self._tick_at = min(now - self._tick_at, _LONGEST_S), now
        self._now = session.advanced(self._now, elapsed, self._work)
        flying = self._overview.flying
        self._overview.fly(elapsed)
        self._draw(moved=flying)

    def picture(self) -> Picture:
        """The window as it is (H, W, 3), uint8. Raises GraphicsError when it is closed."""
        if not self.is_open:
            raise GraphicsError("The window is closed.")
        self._size = None  # all of it is drawn again, into one picture
        self._draw()
        width, height = self._window.GetSize()
        data = vtkUnsignedCharArray()
        self._window.GetPixelData(0, 0, width - 1, height - 1, 1, data, 0)
        return np.array(np.asarray(data).reshape(height, width, 3)[::-1])

    def save_picture(self, folder: Path = Path()) -> Path:
        """Writes the window to ``quillwise-1.png``, or the next number that is free, and returns the path.

        Raises OutputError when it cannot be written.
        """
        picture, number = self.picture(), 1
        while True:
            path = folder / f"quillwise-{number}.png"
            if not path.exists():
                with write_whole(path, force=False) as part:
                    still.save_png(part, picture, _DPI)
                return path
            number += 1

    def _told(self, note: str) -> None:
        self._now = replace(self._now, note=note)

    def _fail(self, error: BaseException) -> None:
        """Ends the window; ``run`` raises the error."""
        self._failed = error
        self._controls.end()

    @property
    def failed(self) -> bool:
        """Whether an error has ended the window."""
        return self._failed is not None

    def _draw(self, moved: bool = False) -> None:
        """Brings every part of the window up to date, and renders those that changed. moved: the camera of the large
        view did."""
        if not self.is_open:
            return
        width, height = self._window.GetSize()
        anew = self._size != (width, height)
        if anew:
            self._arrange((width, height))
        now, work = self._now, self._work
        step = session.step_of(now, work)
        shown, state, wanted = self._moment()
        drawn = []
        overview = self._overview
        if overview.draw(now, step, shown, state, wanted, self._layout.scale) or moved or self._covered != now.help:
            drawn.append(overview.stage.renderer if not now.help else self._lettering.help)
        self._covered = now.help
        drawn += self._lettering.write(now, step, shown, state, overview.compared)
        drawn += self._panes.draw(now.playback.step, step, shown, state, session.out_of_line_deg(now, work))
        if not drawn:
            return
        if anew:
            drawn.append(self._ground)
        for renderer in drawn:
            renderer.SetDraw(True)
            renderer.ResetCameraClippingRange()
        self._window.Render()
        for renderer in drawn:
            renderer.SetDraw(renderer is overview.stage.renderer and not now.help)

    def _moment(self) -> tuple[Frame, State, Assembly | None]:
        """What is shown, its state, and the assembly beside it; the same objects until something of it changes."""
        now, work = self._now, self._work
        key = now.playback, now.trial, now.drawn_share, now.comparing
        if self._shown is None or self._shown[0] != key:
            shown = session.moment(now, work)
            wanted = session.wanted(now, work) if now.comparing else None
            self._shown = key, (shown, exhibit.state_at(work.engine, shown), wanted)
        return self._shown[1]

    def _arrange(self, size_px: tuple[int, int]) -> None:
        """Gives everything its place in a window of this size, and forgets what was drawn."""
        self._size = size_px
        at = self._layout = layout(size_px)
        place(self._ground, (0, 0, *size_px), size_px)
        self._lettering.arrange(at)
        self._panes.arrange(at)
        place(self._overview.stage.renderer, at.general, size_px)
        self._overview.stage.renderer.SetDraw(False)
        self._overview.forget()
