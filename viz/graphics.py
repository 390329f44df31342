"""Finds an OpenGL that works, in a child process: without a usable library VTK ends the whole process by a
signal that Python cannot catch. Call ``probe`` before anything draws, and ``begin`` as soon as it is clear that it
will be asked: the child then works while this process loads other things."""

from __future__ import annotations

import atexit
import importlib
import logging
import os
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass

from quillwise.kinematics.errors import GraphicsError
from quillwise.viz.interrupts import held

WINDOW_VARIABLE = "VTK_DEFAULT_OPENGL_WINDOW"
DISPLAY_WINDOW = "vtkXOpenGLRenderWindow"
EGL_WINDOW = "vtkEGLRenderWindow"
OSMESA_WINDOW = "vtkOSOpenGLRenderWindow"

NO_OPENGL = (
    "No OpenGL library works here, so nothing can be drawn in 3D. On Debian or Ubuntu install the package "
    "libosmesa6, or the two packages libegl1 and libgl1-mesa-dri. "
    "Line drawings (draw --line), the page (brief), models and all commands that give figures work without it."
)
NO_DISPLAY = "There is no display that a window could be opened on."

_TIMEOUT_S = 60
# The picture must come back in the colour that was asked for: some drivers make a context and draw nothing.
# VTK does without numpy, which takes as long to load as the drawing. The alarm ends a driver that hangs where the
# process that asked has been killed meanwhile.
_CHILD = f"""
import signal, sys
if hasattr(signal, "alarm"):
    signal.alarm({_TIMEOUT_S})
sys.modules["numpy"] = None
from vtkmodules.vtkCommonCore import vtkUnsignedCharArray
from vtkmodules.vtkRenderingCore import vtkRenderer, vtkRenderWindow
import vtkmodules.vtkRenderingOpenGL2
window = vtkRenderWindow()
renderer = vtkRenderer()
renderer.SetBackground(1.0, 0.0, 0.0)
window.SetOffScreenRendering(True)
window.SetMultiSamples(0)
window.SetSize(8, 8)
window.AddRenderer(renderer)
window.Render()
pixels = vtkUnsignedCharArray()
window.GetPixelData(0, 0, 7, 7, 0, pixels, 0)
drawn = {{pixels.GetTuple(i) for i in range(pixels.GetNumberOfTuples())}}
lines = window.ReportCapabilities().splitlines()
names = [line.partition(":")[2].strip() for line in lines if line.startswith("OpenGL renderer string")]
print(window.GetClassName(), "drawn" if drawn == {{(255.0, 0.0, 0.0)}} else "blank", *names)
"""


# by class of window and display: children that were begun and not asked yet, and what others have answered
_begun: dict[tuple[str, str], subprocess.Popen[str]] = {}
_answers: dict[tuple[str, str], tuple[str, str]] = {}


@dataclass(frozen=True, kw_only=True, slots=True)
class Graphics:
    """The OpenGL that works here.

    window: VTK's class of render window. renderer: what the driver calls itself. display: its pictures
    can be shown in a window.
    """

    window: str
    renderer: str
    display: bool


def begin() -> None:
    """Starts a child process on what ``probe`` will try first, and returns at once. The child ends with this process,
    asked for or not."""
    display = os.environ.get("DISPLAY", "")
    window = _candidates(display)[0]
    if (window, display) not in _begun and (window, display) not in _answers:
        child = _started(window, display)
        if child is not None:
            _begun[window, display] = child


@atexit.register
def give_up() -> None:
    """Ends what ``begin`` started and nobody asked for."""
    while _begun:
        _, child = _begun.popitem()
        child.kill()
        child.communicate()


def has_display() -> bool:
    """Whether a window can be opened: the display is really connected to and drawn on, by a child process.

    On Windows and macOS a display is taken as given.
    """
    if not uses_x():
        return True
    if not os.environ.get("DISPLAY"):
        return False
    return _tried(DISPLAY_WINDOW, os.environ["DISPLAY"])[0] == DISPLAY_WINDOW


def probe() -> Graphics:
    """The first OpenGL that draws, of: the window named in VTK_DEFAULT_OPENGL_WINDOW if it is set, the
    display's window, EGL, OSMesa. Sets VTK_DEFAULT_OPENGL_WINDOW to it, for this process and its children.

    Takes about 0.3 s the first time, less what has passed since ``begin``, and nothing after that. Raises
    GraphicsError when none draws.
    """
    display = os.environ.get("DISPLAY", "")
    if not uses_x():
        window, renderer = _tried("", display)
        if not window:
            raise GraphicsError(NO_OPENGL)
        return Graphics(window=window, renderer=renderer, display=True)

    for candidate in _candidates(display):
        window, renderer = _tried(candidate, display)
        if window == candidate:
            os.environ[WINDOW_VARIABLE] = window
            return Graphics(window=window, renderer=renderer, display=window == DISPLAY_WINDOW)
    raise GraphicsError(NO_OPENGL)


def load(drawing: str = "quillwise.viz.plates") -> None:
    """Loads what draws, and the module that draws with it, undisturbed by Ctrl-C; call after ``probe``."""
    colours = logging.getLogger("matplotlib")
    before = colours.level
    # where the home cannot be written to, it would tell of a folder that nobody asked about
    colours.setLevel(logging.ERROR)
    try:
        with held():
            import pyvista

            getattr(pyvista, "Plotter")  # noqa: B009 most of it is loaded when it is first asked for
            importlib.import_module(drawing)
    finally:
        colours.setLevel(before)


def uses_x() -> bool:
    """Whether windows are opened through the X protocol here."""
    return sys.platform not in ("win32", "darwin")


def _candidates(display: str) -> Sequence[str]:
    """The classes of window to try, in this order; an empty text leaves the choice to VTK."""
    if not uses_x():
        return ("",)
    wanted = os.environ.get(WINDOW_VARIABLE, "")
    named = (wanted, DISPLAY_WINDOW if display else "", EGL_WINDOW, OSMESA_WINDOW)
    return tuple(dict.fromkeys(name for name in named if name))


def _tried(window: str, display: str) -> tuple[str, str]:
    """The class of window that a child process could draw with and the driver's name; two empty texts if none.

    VTK silently takes another class when it cannot make the one asked for: hence the class is returned.
    """
    if (window, display) not in _answers:
        _answers[window, display] = _answer(window, display)
    return _answers[window, display]


def _answer(window: str, display: str) -> tuple[str, str]:
    child = _begun.pop((window, display), None) or _started(window, display)
    if child is None:
        return "", ""
    try:
        said, _ = child.communicate(timeout=_TIMEOUT_S)
    except BaseException as error:
        child.kill()
        child.communicate()
        if isinstance(error, subprocess.TimeoutExpired):
            return "", ""
        raise
    lines = said.splitlines()
    if child.returncode != 0 or not lines:
        return "", ""
    name, state, renderer = (*lines[-1].split(" ", 2), "", "")[:3]
    return (name, renderer) if state == "drawn" else ("", "")


def _started(window: str, display: str) -> subprocess.Popen[str] | None:
    """A child process that draws with this class of window on this display; None where it cannot be started."""
    environment = os.environ | {"DISPLAY": display}
    if not display:
        del environment["DISPLAY"]
    if window:
        environment[WINDOW_VARIABLE] = window
    try:
        return subprocess.Popen(
            [sys.executable, "-P", "-c", _CHILD],
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            errors="replace",
        )
    except OSError:
        return None
