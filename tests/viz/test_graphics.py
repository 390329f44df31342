"""The probe is tried in fresh processes: what it sets must hold for the process that asked."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

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


_HANGS = """
import os, time
with open(os.environ["TOLD"] + ".part", "w") as file:
    file.write(str(os.getpid()))
os.replace(os.environ["TOLD"] + ".part", os.environ["TOLD"])
time.sleep(600)
"""
# tries OpenGL early, and goes on once the child is at work
_BEGUN = """
import os, signal, sys, time
from quillwise.viz import graphics, start
graphics.begin()
while not os.path.exists(os.environ["TOLD"]):
    time.sleep(0.01)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="signals as POSIX has them")
@pytest.mark.parametrize(
    ("goes_on", "code"),
    [
        ("", 0),
        ("sys.argv = ['quillwise', 'events', 'no-such-engine']\nstart.main()", 2),
        ("signal.setitimer(signal.ITIMER_REAL, 0.5)\n"
         "signal.signal(signal.SIGALRM, lambda *_: signal.raise_signal(signal.SIGINT))\n"
         "sys.argv = ['quillwise', 'draw', 'slipway-six']\nstart.main()", 130),
    ],
    ids=["asked for nothing", "a wrong engine", "interrupted"],
)  # fmt: skip
def test_a_driver_that_hangs_is_ended_with_the_program(tmp_path: Path, goes_on: str, code: int) -> None:
    (tmp_path / "fake" / "vtkmodules").mkdir(parents=True)
    (tmp_path / "fake" / "vtkmodules" / "__init__.py").write_text(_HANGS)
    path = os.pathsep.join([str(tmp_path / "fake"), os.environ.get("PYTHONPATH", "")])
    told = tmp_path / "told"
    done = subprocess.run(
        [sys.executable, "-c", _BEGUN + goes_on],
        env={**os.environ, "PYTHONPATH": path, "TOLD": str(told)},
        cwd=tmp_path,
        capture_output=True,
        timeout=50,
        check=False,
    )
    assert (done.returncode, b"Traceback" in done.stderr) == (code, False), done.stderr
    with pytest.raises(ProcessLookupError):
        os.kill(int(told.read_text()), 0)
    assert sorted(each.name for each in tmp_path.iterdir()) == ["fake", "told"]


def test_what_was_begun_is_what_is_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    started: list[tuple[str, str]] = []

    class Child:
        returncode = 0

        def communicate(self, **_: float) -> tuple[str, None]:
            return f"{started[-1][0]} drawn of the driver's name", None

    def start(window: str, display: str) -> Child:
        started.append((window, display))
        return Child()

    monkeypatch.setattr(graphics, "_started", start)
    monkeypatch.setattr(graphics, "_begun", {})
    monkeypatch.setattr(graphics, "_answers", {})
    monkeypatch.setattr(graphics, "uses_x", lambda: True)
    monkeypatch.setenv("DISPLAY", ":5")
    monkeypatch.delenv(graphics.WINDOW_VARIABLE, raising=False)
    graphics.begin()
    graphics.begin()
    assert graphics.probe() == graphics.Graphics(
        window=graphics.DISPLAY_WINDOW, renderer="of the driver's name", display=True
    )
    graphics.begin()
    graphics.probe()
    assert started == [(graphics.DISPLAY_WINDOW, ":5")]
