"""Finds an OpenGL that works, in a child process: without a usable library VTK ends the whole process by a
signal that Python cannot catch. Call ``probe`` before anything draws."""

from __future__ import annotations

import functools
import importlib
import os
import subprocess
import sys
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
_CHILD = """
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
drawn = {pixels.GetTuple(i) for i in range(pixels.GetNumberOfTuples())}
lines = window.ReportCapabilities().splitlines()
names = [line.partition(":")[2].strip() for line in lines if line.startswith("OpenGL renderer string")]
print(window.GetClassName(), "drawn" if drawn == {(255.0, 0.0, 0.0)} else "blank", *names)
"""


@dataclass(frozen=True, kw_only=True, slots=True)
class Graphics:
    """The OpenGL that works here.

    window: VTK's class of render window. renderer: what the driver calls itself. display: its pictures
    can be shown in a window.
    """

    window: str
    renderer: str
    display: bool


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

    Takes about 0.3 s the first time, nothing after that. Raises GraphicsError when none draws.
    """
    display = os.environ.get("DISPLAY", "")
    if not uses_x():
        window, renderer = _tried("", display)
        if not window:
            raise GraphicsError(NO_OPENGL)
        return Graphics(window=window, renderer=renderer, display=True)

    wanted = os.environ.get(WINDOW_VARIABLE, "")
    candidates = [wanted, DISPLAY_WINDOW if display else "", EGL_WINDOW, OSMESA_WINDOW]
    for candidate in dict.fromkeys(name for name in candidates if name):
        window, renderer = _tried(candidate, display)
        if window == candidate:
            os.environ[WINDOW_VARIABLE] = window
            return Graphics(window=window, renderer=renderer, display=window == DISPLAY_WINDOW)
    raise GraphicsError(NO_OPENGL)


def load() -> None:
    """Loads what draws, undisturbed by Ctrl-C; call after ``probe`` and before what draws is imported."""
    with held():
        import pyvista

        getattr(pyvista, "Plotter")  # noqa: B009 most of it is loaded when it is first asked for
        importlib.import_module("quillwise.viz.plates")


def uses_x() -> bool:
    """Whether windows are opened through the X protocol here."""
    return sys.platform not in ("win32", "darwin")


@functools.cache
def _tried(window: str, display: str) -> tuple[str, str]:
    """The class of window that a child process could draw with and the driver's name; two empty texts if none.

    VTK silently takes another class when it cannot make the one asked for: hence the class is returned.
    """
    environment = os.environ | {"DISPLAY": display}
    if not display:
        del environment["DISPLAY"]
    if window:
        environment[WINDOW_VARIABLE] = window
    try:
        child = subprocess.run(
            [sys.executable, "-P", "-c", _CHILD],
            env=environment,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            errors="replace",
            timeout=_TIMEOUT_S,
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired):
        return "", ""
    lines = child.stdout.splitlines()
    if child.returncode != 0 or not lines:
        return "", ""
    name, state, renderer = (*lines[-1].split(" ", 2), "", "")[:3]
    return (name, renderer) if state == "drawn" else ("", "")
