"""The probe is tried in fresh processes: what it sets must hold for the process that asked."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys

import pytest

from quillwise.kinematics.errors import GraphicsError
from quillwise.viz import graphics

_PROBE = """
import os, sys
from quillwise.kinematics.errors import GraphicsError
from quillwise.viz import graphics
assert not any(name.startswith(("vtkmodules", "pyvista")) for name in sys.modules)
try:
    found = graphics.probe()
except GraphicsError as error:
    print("none", graphics.has_display(), error)
else:
    assert os.environ["VTK_DEFAULT_OPENGL_WINDOW"] == found.window
    print(found.window, found.display, graphics.has_display())
"""

linux = pytest.mark.skipif(sys.platform != "linux", reason="X displays and Mesa are Linux's")


def _run(environment: dict[str, str], *before: str) -> str:
    clean = {k: v for k, v in os.environ.items() if k not in ("DISPLAY", "VTK_DEFAULT_OPENGL_WINDOW")} | environment
    done = subprocess.run(
        [*before, sys.executable, "-c", _PROBE],
        env=clean,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def _opengl_or_skip() -> None:
    try:
        graphics.probe()
    except GraphicsError as error:
        pytest.skip(str(error))


@linux
def test_without_a_display_an_off_screen_window_is_found() -> None:
    _opengl_or_skip()
    window, shown, display = _run({}).split()
    assert window in (graphics.EGL_WINDOW, graphics.OSMESA_WINDOW)
    assert (shown, display) == ("False", "False")


@linux
def test_a_display_that_is_named_but_not_there_is_no_display() -> None:
    _opengl_or_skip()
    window, shown, display = _run({"DISPLAY": ":4711"}).split()
    assert window in (graphics.EGL_WINDOW, graphics.OSMESA_WINDOW)
    assert (shown, display) == ("False", "False")


@linux
@pytest.mark.skipif(shutil.which("xvfb-run") is None, reason="xvfb-run is not installed")
def test_with_a_display_its_window_is_taken() -> None:
    assert _run({}, "xvfb-run", "-a").split() == [graphics.DISPLAY_WINDOW, "True", "True"]


@linux
def test_a_window_class_that_does_not_work_is_passed_over() -> None:
    _opengl_or_skip()
    window, *_ = _run({"VTK_DEFAULT_OPENGL_WINDOW": "vtkNoSuchRenderWindow"}).split()
    assert window in (graphics.EGL_WINDOW, graphics.OSMESA_WINDOW)


@linux
def test_where_every_library_kills_vtk_the_message_names_the_packages() -> None:
    _opengl_or_skip()
    if "llvmpipe" not in graphics.probe().renderer:
        pytest.skip("only Mesa can be told to offer an OpenGL that is too old")
    # With this VTK really dies by a signal in every kind of window; the process that asks must live.
    outcome = _run({"MESA_GL_VERSION_OVERRIDE": "1.0"})
    assert outcome == (
        "none False No OpenGL library works here, so nothing can be drawn in 3D. On Debian or Ubuntu install the "
        "package libosmesa6, or the two packages libegl1 and libgl1-mesa-dri. "
        "Line drawings (draw --line), the page (brief), models and all commands that give figures work without it."
    )
