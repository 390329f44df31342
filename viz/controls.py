"""Keys and mouse of the window: our own, instead of those that the backend brings along.

A button of the window presses its key; a click in the large view picks a part, a drag moves the camera.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

import pyvista as pv
from vtkmodules.vtkInteractionStyle import vtkInteractorStyleTrackballCamera

from quillwise.viz.layout import Layout
from quillwise.viz.lettering import Lettering

_CLICK_PX = 4  # a button let go this near to where it went down was a click, no drag


class Served(Protocol):
    """What keys and mouse act on: the window."""

    @property
    def is_open(self) -> bool: ...
    @property
    def failed(self) -> bool: ...
    @property
    def layout(self) -> Layout: ...
    @property
    def lettering(self) -> Lettering: ...
    @property
    def covered(self) -> bool: ...
    def press(self, key: str) -> None: ...
    def scrub(self, cycle_deg: float) -> None: ...
    def pick(self, x_px: int, y_px: int) -> None: ...
    def camera_taken(self) -> None: ...
    def tick(self) -> None: ...


class Controls:
    """Listens to the window of a plotter. fails: what is done with an error in a callback, which VTK would print."""

    def __init__(self, plotter: pv.Plotter, served: Served, fails: Callable[[BaseException], None]) -> None:
        self._served, self._fails = served, fails
        self._scrubbing = False
        self._down: tuple[int, int] | None = None
        backend: Any = plotter.iren
        backend.remove_observers()
        self.interactor: Any = backend.interactor
        self._style: Any = vtkInteractorStyleTrackballCamera()
        self.interactor.SetInteractorStyle(self._style)
        add_observer: Any = self._style.AddObserver
        for event, does in {
            "KeyPressEvent": lambda: served.press(self.interactor.GetKeySym() or ""),
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
        self.interactor.AddObserver("TimerEvent", self._guarded(served.tick))

    def end(self) -> None:
        """Ends the loop of the window."""
        self.interactor.TerminateApp()

    def close(self) -> None:
        """Listens no more."""
        self._style.RemoveAllObservers()
        self.interactor.RemoveAllObservers()

    def _guarded(self, does: Callable[[], object]) -> Callable[[object, str], None]:
        """VTK prints an error in a callback and goes on: we end the window, and ``run`` raises it."""

        def called(_source: object, _event: str) -> None:
            if not self._served.is_open or self._served.failed:
                return
            try:
                does()
            except BaseException as error:
                self._fails(error)

        return called

    def _mouse_px(self) -> tuple[int, int]:
        """Where the mouse is, from the window's upper left corner."""
        x, y = self.interactor.GetEventPosition()
        return int(x), self._served.layout.size_px[1] - 1 - int(y)

    def _button_down(self) -> None:
        x, y = self._mouse_px()
        angle = self._served.lettering.crank_at(x, y, dragging=False)
        key = self._served.lettering.key_at(x, y)
        if angle is not None:
            self._scrubbing = True
            self._served.scrub(angle)
        elif key is not None:
            self._served.press(key)
        elif self._over_view(x, y):
            self._down = x, y
            self._style.OnLeftButtonDown()

    def _button_up(self) -> None:
        self._scrubbing = False
        self._style.OnLeftButtonUp()
        x, y = self._mouse_px()
        if self._down is not None and max(abs(x - self._down[0]), abs(y - self._down[1])) < _CLICK_PX:
            self._served.pick(*self.interactor.GetEventPosition())
        self._down = None

    def _mouse_moved(self) -> None:
        x, y = self._mouse_px()
        if self._scrubbing:
            angle = self._served.lettering.crank_at(x, y, dragging=True)
            assert angle is not None
            self._served.scrub(angle)
            return
        if self._down is not None and max(abs(x - self._down[0]), abs(y - self._down[1])) < _CLICK_PX:
            return  # a hand that trembles at a click turns nothing
        if self._down is not None:
            self._served.camera_taken()
        self._style.OnMouseMove()

    def _over_view(self, x: int, y: int) -> bool:
        left, top, right, bottom = self._served.layout.general
        return left <= x < right and top <= y < bottom and not self._served.covered

    def _in_view(self, does: Callable[[], object]) -> None:
        """Passes on what the mouse does over the large view, whose camera is then the user's."""
        if self._over_view(*self._mouse_px()):
            self._served.camera_taken()
            does()
