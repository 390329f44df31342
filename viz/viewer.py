"""The window: the whole mechanism, three close-ups that follow the step, the timing window, the cycle, the step's text.

``Playback`` says what is to be seen, ``motion`` and ``poses`` where everything stands; the window only draws it. What
did not change since the last picture is not drawn again.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
import pyvista as pv
from numpy.typing import NDArray
from vtkmodules.vtkCommonCore import vtkUnsignedCharArray
from vtkmodules.vtkInteractionStyle import vtkInteractorStyleTrackballCamera
from vtkmodules.vtkRenderingCore import vtkRenderer

from quillwise.kinematics.assembly import Assembly
from quillwise.kinematics.errors import GraphicsError, OutputError, RequestError
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import State
from quillwise.kinematics.parts import Kind
from quillwise.kinematics.rig import Rig, rig
from quillwise.kinematics.sequence import Played
from quillwise.kinematics.steps import Frame, Step
from quillwise.viz import board, captions, cycle, exhibit, graphics, palette, playback, still
from quillwise.viz.cameras import VIEWS, Margins, fit
from quillwise.viz.interrupts import on_interrupt
from quillwise.viz.layout import LEAST_PX, Layout, layout
from quillwise.viz.leaf import Leaf, place
from quillwise.viz.linked import linked, side
from quillwise.viz.panes import Panes, cull
from quillwise.viz.playback import Playback
from quillwise.viz.stage import Stage
from quillwise.viz.writing import write_whole

Picture = NDArray[np.uint8]

_TICK_MS = 30
_LONGEST_S = 0.25  # after a stall the playing goes on from where it was, not from where it would have been
_DPI = 96.0
_MARGINS = Margins(left=0.02, right=0.02, top=0.03, bottom=0.03)
_OWN_VIEWS = 2  # the ground and the large view; the close-ups come after them
_CLOSE_KEYS = ("q", "Q", "Escape")


def show(
    engine: Engine,
    played: Played,
    size_px: tuple[int, int],
    start_step: int = 0,
    crank_deg: float | None = None,
    view_name: str | None = None,
) -> None:
    """Opens the window and returns when it is closed. start_step: index of the first step shown; crank_deg: turned to
    this angle of the cycle; view_name: the named view that it starts with.

    Raises GraphicsError without OpenGL or a display, RequestError for a size that has no room for the window.
    """
    with Viewer(engine, played, size_px, start_step) as viewer:
        if crank_deg is not None:
            viewer.turn_to(crank_deg)
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
    ) -> None:
        """clock: seconds, from any zero. Raises as ``show`` does."""
        if size_px[0] < LEAST_PX[0] or size_px[1] < LEAST_PX[1]:
            raise RequestError(f"the window needs at least {LEAST_PX[0]} × {LEAST_PX[1]} pixels")
        if not graphics.probe().display:
            raise GraphicsError(graphics.NO_DISPLAY)
        self._engine, self._steps = engine, played.steps
        self._rig: Rig = rig(engine)
        self._clock = clock
        self._playback = Playback(step=min(max(start_step, 0), len(played.steps) - 1))
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
        self._general = Stage.on(self._plotter, 0, 1)
        self._general.renderer.SetInteractive(True)
        exhibit.furnish(self._general, exhibit.bodies(engine))
        self._panes = Panes(engine, self._rig, views, self._plotter, _OWN_VIEWS)
        self._leaves = {name: Leaf(self._window) for name in ("state", "strip", "foot", "text", "help")}
        self._layout: Layout = layout(size_px)
        self._seen: dict[str, object] = {}
        self._help = False
        self._note = ""
        self._scrubbing = False
        self._own_camera = False
        self._tick_at = clock()
        self._failed: BaseException | None = None
        self._interact()

    def __enter__(self) -> Viewer:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def turn_to(self, cycle_deg: float) -> None:
        """Turns the crank to an angle of the cycle, and stops."""
        self._playback = playback.scrubbed_to_cycle(self._playback, cycle_deg % 720.0, self._steps)

    @property
    def playback(self) -> Playback:
        """What is shown now."""
        return self._playback

    @property
    def is_open(self) -> bool:
        """Whether the window is there to be drawn in."""
        return self._general.is_open

    def run(self) -> None:
        """Shows the window and lets the user work until he closes it. An error in the window is raised here."""
        interactor = self._interactor
        self._draw()
        interactor.Initialize()
        if not self._window.GetGenericDisplayId() and graphics.uses_x():
            raise GraphicsError(graphics.NO_DISPLAY)  # it went away since it was tried
        timer = interactor.CreateRepeatingTimer(_TICK_MS)
        self._tick_at = self._clock()
        with on_interrupt(self._interrupted):
            interactor.Start()
        interactor.DestroyTimer(timer)
        if self._failed is not None:
            raise self._failed

    def close(self) -> None:
        """Closes the window, if it is open."""
        if not self.is_open:
            return
        self._style.RemoveAllObservers()
        self._interactor.RemoveAllObservers()
        self._panes.close()
        self._general.close()
        for leaf in self._leaves.values():
            leaf.close()
        self._plotter.close()

    def press(self, key: str) -> None:
        """What a key does, by its X name (``"space"``, ``"Right"``, ``"comma"``, …); drawn at the next tick."""
        names = list(VIEWS)
        self._note = ""
        if key in _CLOSE_KEYS:
            self._interactor.TerminateApp()
        elif key in ("h", "H"):
            self._help = not self._help
        elif key in ("p", "P"):
            try:
                self._note = f"saved {self.save_picture()}"
            except OutputError as error:
                self._note = str(error)
        elif key in ("r", "R"):
            self._own_camera = False
            self._seen.pop("eye", None)
        elif key.isdigit() and 1 <= int(key) <= len(names):
            self._own_camera = True
            self._look(VIEWS[names[int(key) - 1]].direction, VIEWS[names[int(key) - 1]].up)
        else:
            self._playback = playback.pressed(self._playback, key, self._steps)

    def tick(self) -> None:
        """One beat of the timer: plays on by the time that went by, and draws if anything changed."""
        now = self._clock()
        elapsed, self._tick_at = min(now - self._tick_at, _LONGEST_S), now
        self._playback = playback.advance(self._playback, elapsed, self._steps)
        self._draw()

    def picture(self) -> Picture:
        """The window as it is (H, W, 3), uint8. Raises GraphicsError when it is closed."""
        if not self.is_open:
            raise GraphicsError("The window is closed.")
        self._seen.clear()  # all of it is drawn again, into one picture
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

    def _draw(self) -> None:
        """Brings every part of the window up to date, and renders those that changed."""
        if not self.is_open:
            return
        width, height = self._window.GetSize()
        anew = self._differs("size", (width, height))
        if anew:
            self._arrange((width, height))
        step = self._steps[self._playback.step]
        moment = playback.moment(self._playback, self._steps)
        state = exhibit.state_at(self._engine, moment)
        drawn = self._write(step, moment)
        drawn += self._draw_general(step, moment, state)
        drawn += self._panes.draw(self._playback.step, step, moment, state)
        if not drawn:
            return
        if anew:
            drawn.append(self._ground)
        for renderer in drawn:
            renderer.SetDraw(True)
            renderer.ResetCameraClippingRange()
        self._window.Render()
        for renderer in drawn:
            renderer.SetDraw(renderer is self._general.renderer and not self._help)

    def _arrange(self, size_px: tuple[int, int]) -> None:
        """Gives everything its place in a window of this size, and forgets what was drawn."""
        place(self._ground, (0, 0, *size_px), size_px)
        self._seen = {"size": size_px}
        at = self._layout = layout(size_px)
        for name, leaf in self._leaves.items():
            leaf.area = at.general if name == "help" else getattr(at, name)
            place(leaf.renderer, leaf.area, size_px)
            leaf.renderer.SetDraw(False)
        self._leaves["strip"].forget_cursor()
        self._panes.arrange(at)
        place(self._general.renderer, at.general, size_px)
        self._general.renderer.SetDraw(False)
        self._strip = cycle.plan(self._engine, self._leaves["strip"].size_px)

    def _write(self, step: Step, moment: Frame) -> list[vtkRenderer]:
        """Text, state line, strip and help; returns what has to be drawn."""
        engine, leaves = self._engine, self._leaves
        scale = self._layout.scale
        if self._differs("text", step.number):
            leaves["text"].put(board.step_panel(step, len(self._steps), leaves["text"].size_px, scale))
        if self._differs("foot", True):
            leaves["foot"].put(board.bar(captions.FOOTER, board.HINT, leaves["foot"].size_px))
        first = engine.sheet.firing_order[0]
        state = (board.state_words(self._playback, moment.crank_deg, first), self._note or engine.sheet.name)
        if self._differs("state", state):
            leaves["state"].put(board.bar(*state, leaves["state"].size_px, bold=True))
        shown = self._shown_assembly(step, moment)
        if self._differs("strip", id(shown)):
            leaves["strip"].put(cycle.draw(engine, shown, leaves["strip"].size_px))
        if self._differs("cursor", moment.crank_deg):
            height = leaves["strip"].size_px[1]
            x = cycle.x_of(self._strip, moment.crank_deg)
            leaves["strip"].point_at(x, height - self._strip.bottom, height - self._strip.top + 2)
        if self._help and self._differs("help", True):
            leaves["help"].put(board.help_page(leaves["help"].size_px))
        drawn = [leaf.renderer for name, leaf in leaves.items() if leaf.changed and name != "help"]
        for leaf in leaves.values():
            leaf.changed = False
        return drawn

    def _shown_assembly(self, step: Step, moment: Frame) -> Assembly:
        """The assembly for the strip: at the end of a step as it leaves it."""
        return step.after if playback.fraction(self._playback, self._steps) >= 1.0 else moment.assembly

    def _draw_general(self, step: Step, moment: Frame, state: State) -> list[vtkRenderer]:
        """The large view, or the help in its place."""
        redraw = self._differs("covered", self._help)
        if self._help:
            return [self._leaves["help"].renderer] if redraw else []
        if self._differs("about", step.number):
            on_stage = {part for part, _ in self._general.keys()}
            self._general.emphasise([part for part in step.about if part in on_stage])
            cull(self._general)
            redraw = True
        if self._differs("moment", (moment.crank_deg, tuple(moment.free.items()), id(moment.assembly))):
            exhibit.place(self._general, self._rig, state)
            redraw = True
        if self._differs("fitted", id(moment.assembly)):
            self._fit_rockers(moment.assembly)
            redraw = True
        if not self._own_camera and self._differs("eye", side(self._engine, step)):
            x, y, z = VIEWS["three-quarter"].direction
            self._look((x, -abs(y) if side(self._engine, step) < 0 else abs(y), z), (0.0, 0.0, 1.0))
        redraw = bool(self._seen.pop("looked", False)) or redraw
        return [self._general.renderer] if redraw else []

    def _fit_rockers(self, assembly: Assembly) -> None:
        """Rockers that the assembly has not fitted are not shown."""
        for part, _ in self._general.keys():
            if part.kind == Kind.ROCKER:
                self._general.show(part, bool(np.isfinite(assembly.clearances_mm[part.of])))
        cull(self._general)

    def _look(self, direction: tuple[float, float, float], up: tuple[float, float, float]) -> None:
        width, height = self._general.size_px
        self._general.look(fit(self._general.points(), direction, up, width / height, _MARGINS))
        self._seen["looked"] = True

    def _differs(self, name: str, value: object) -> bool:
        """Whether a thing has another value than when it was last drawn; it is then taken as drawn."""
        if name in self._seen and self._seen[name] == value:
            return False
        self._seen[name] = value
        return True

    def _interrupted(self) -> None:
        self._failed = KeyboardInterrupt()
        self._interactor.TerminateApp()

    def _interact(self) -> None:
        """Our own keys and mouse, instead of those that the backend brings along."""
        backend: Any = self._plotter.iren
        backend.remove_observers()
        self._interactor: Any = backend.interactor
        self._style: Any = vtkInteractorStyleTrackballCamera()
        self._interactor.SetInteractorStyle(self._style)
        add_observer: Any = self._style.AddObserver
        for event, does in {
            "KeyPressEvent": lambda: self.press(self._interactor.GetKeySym() or ""),
            "CharEvent": lambda: None,  # the style's own letters: wire frame, stereo, exit
            "LeftButtonPressEvent": self._button_down,
            "LeftButtonReleaseEvent": self._button_up,
            "MouseMoveEvent": self._mouse_moved,
            "MiddleButtonPressEvent": lambda: self._in_view(self._style.OnMiddleButtonDown),
            "RightButtonPressEvent": lambda: self._in_view(self._style.OnRightButtonDown),
            "MouseWheelForwardEvent": lambda: self._in_view(self._style.OnMouseWheelForward),
            "MouseWheelBackwardEvent": lambda: self._in_view(self._style.OnMouseWheelBackward),
        }.items():
            add_observer(event, self._guarded(does))
        self._interactor.AddObserver("TimerEvent", self._guarded(self.tick))

    def _guarded(self, does: Callable[[], object]) -> Callable[[object, str], None]:
        """VTK prints an error in a callback and goes on: we end the window, and ``run`` raises it."""

        def called(_source: object, _event: str) -> None:
            if not self.is_open or self._failed is not None:
                return
            try:
                does()
            except BaseException as error:
                self._failed = error
                self._interactor.TerminateApp()

        return called

    def _mouse_px(self) -> tuple[int, int]:
        """Where the mouse is, from the window's top left corner."""
        x, y = self._interactor.GetEventPosition()
        return int(x), self._layout.size_px[1] - 1 - int(y)

    def _button_down(self) -> None:
        x, y = self._mouse_px()
        left, top, *_ = self._leaves["strip"].area
        if self._strip.contains(x - left, y - top):
            self._scrubbing = True
            self._scrub(x - left)
        else:
            self._in_view(self._style.OnLeftButtonDown)

    def _in_view(self, does: Callable[[], object]) -> None:
        """Passes on what the mouse does over the large view, whose camera is then the user's."""
        left, top, right, bottom = self._layout.general
        x, y = self._mouse_px()
        if left <= x < right and top <= y < bottom and not self._help:
            self._own_camera = True
            does()

    def _button_up(self) -> None:
        self._scrubbing = False
        self._style.OnLeftButtonUp()

    def _mouse_moved(self) -> None:
        if self._scrubbing:
            self._scrub(self._mouse_px()[0] - self._leaves["strip"].area[0])
        else:
            self._style.OnMouseMove()

    def _scrub(self, x_px: int) -> None:
        angle = cycle.crank_at(self._strip, x_px)
        self._playback = playback.scrubbed_to_cycle(self._playback, angle, self._steps)
