"""Odd surroundings: a full disk, no display, a graphics library that crashes, no home, locales, time zones, masks,
names with blanks and letters of other alphabets. Each run is a process of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="surroundings as POSIX has them")

STL = ["models", "slipway-six", "--format", "stl", "--part", "piston A1"]
PAGE = ["brief", "slipway-six", "--without-figures"]
LINES = ["draw", "slipway-six", "--line", "--format", "pdf", "--step", "1"]
PICTURE = ["draw", "slipway-six", "--view", "left", "--size", "320x240"]
SHEETS = ["sheets", "slipway-six"]
FILM = ["film", "slipway-six", "--cycle", "--seconds", "1", "--size", "320x240"]


def run(folder: Path, *given: str, before: str = "", **variables: str | None) -> tuple[int, str, str]:
    """The program in a folder, without a display. before: Python that runs first; variables: None takes one away."""
    environment = {**os.environ, "DISPLAY": None, **variables}
    program = f"import sys\n{before}\nfrom quillwise.viz.start import main\nmain()"
    done = subprocess.run(
        [sys.executable, "-P", "-c", program, *given],
        cwd=folder,
        env={name: value for name, value in environment.items() if value is not None},
        capture_output=True,
        encoding="utf-8",
        timeout=120,
        check=False,
    )
    return done.returncode, done.stdout, done.stderr


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 16 kB."""
    folder = tmp_path / "disk"
    folder.mkdir()
    given = ["mount", "-t", "tmpfs", "-o", "size=16k", "tmpfs", str(folder)]
    try:
        mounted = subprocess.run(given, capture_output=True, check=False).returncode == 0
    except FileNotFoundError:
        mounted = False
    if not mounted:
        pytest.skip("a file system can be mounted by root only")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


_OTHERS = (PAGE, LINES, PICTURE, FILM, [*FILM, "--format", "gif"])


@pytest.mark.parametrize("given", [STL, *(pytest.param(each, marks=pytest.mark.slow) for each in _OTHERS)], ids=str)
def test_a_full_disk(small_disk: Path, given: list[str]) -> None:
    (small_disk / "out").write_bytes(b"old")
    assert run(small_disk, *given, "-o", "out", "--force") == (4, "", "out cannot be written: the disk is full\n")
    assert [path.name for path in small_disk.iterdir()] == ["out"]
    assert (small_disk / "out").read_bytes() == b"old"


def test_a_full_disk_and_a_new_folder(small_disk: Path) -> None:
    (small_disk / "fill").write_bytes(b"x" * 12_000)
    assert run(small_disk, "new", "mine") == (4, "", "mine cannot be made: the disk is full\n")
    assert [path.name for path in small_disk.iterdir()] == ["fill"]


@pytest.mark.slow
def test_a_full_disk_half_way_through_the_pictures(small_disk: Path) -> None:
    code, out, errors = run(small_disk, "draw", "slipway-six", "--size", "640x480", "--dpi", "50", "-o", "steps")
    assert (code, out) == (4, "")
    assert errors.endswith(".png cannot be written: the disk is full\n")
    assert [path.name for path in small_disk.iterdir()] == []


@pytest.mark.parametrize("given", [["events"], ["events", "--json"]], ids=" ".join)
def test_figures_onto_a_full_disk(tmp_path: Path, given: list[str]) -> None:
    before = "import os\nos.dup2(os.open('/dev/full', os.O_WRONLY), 1)"
    assert run(tmp_path, *given, "slipway-six", before=before) == (
        4,
        "",
        "the output cannot be written: no space left on device\n",
    )


@pytest.mark.parametrize(
    "fault", ["import os; os.abort()", "raise ImportError('libGL.so.1: cannot open shared object')"]
)
@pytest.mark.parametrize("given", [PICTURE, FILM], ids=["draw", "film"])
def test_a_graphics_library_that_cannot_be_loaded(tmp_path: Path, fault: str, given: list[str]) -> None:
    (tmp_path / "fake" / "vtkmodules").mkdir(parents=True)
    (tmp_path / "fake" / "vtkmodules" / "__init__.py").write_text(fault)
    path = os.pathsep.join([str(tmp_path / "fake"), os.environ.get("PYTHONPATH", "")])
    code, out, errors = run(tmp_path, *given, "-o", "out", PYTHONPATH=path)
    assert (code, out) == (3, "")
    assert errors.startswith("No OpenGL library works here, so nothing can be drawn in 3D.")
    assert errors.count("\n") == 1
    assert [each.name for each in tmp_path.iterdir()] == ["fake"]


# swallows an interrupt as the real one does, and gives way to it
_TAKES_ALL = """
import os, signal, sys
try:
    signal.raise_signal(signal.SIGINT)
except BaseException:
    pass
sys.path.remove(os.path.dirname(os.path.dirname(__file__)))
del sys.modules["trimesh"]
import trimesh
"""


@pytest.mark.parametrize(
    "given",
    [STL, PICTURE, *(pytest.param(each, marks=pytest.mark.slow) for each in (PAGE, LINES, FILM, SHEETS))],
    ids=lambda given: " ".join(given[:3]),
)
def test_an_interrupt_while_the_library_of_bodies_is_loaded(tmp_path: Path, given: list[str]) -> None:
    (tmp_path / "fake" / "trimesh").mkdir(parents=True)
    (tmp_path / "fake" / "trimesh" / "__init__.py").write_text(_TAKES_ALL)
    path = os.pathsep.join([str(tmp_path / "fake"), os.environ.get("PYTHONPATH", "")])
    assert run(tmp_path, *given, "-o", "out", PYTHONPATH=path) == (130, "", "Interrupted.\n")
    assert [each.name for each in tmp_path.iterdir()] == ["fake"]


@pytest.mark.slow
def test_a_display_that_was_lost(tmp_path: Path) -> None:
    code, out, errors = run(tmp_path, *PICTURE, "-o", "out", DISPLAY=":77")
    assert (code, out, errors) == (0, "out\n", "")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("home", "given"), [("/proc", PICTURE), ("/proc", LINES), ("absent", PICTURE), (None, PICTURE)]
)
def test_no_home(tmp_path: Path, home: str | None, given: list[str]) -> None:
    assert run(
        tmp_path, *given, "-o", "out", HOME=home, MPLCONFIGDIR=None, XDG_CACHE_HOME=None, XDG_CONFIG_HOME=None
    ) == (0, "out\n", "")


@pytest.mark.slow
def test_the_surroundings_change_no_byte(tmp_path: Path) -> None:
    odd = [
        {"LC_ALL": "C", "TZ": "Asia/Kolkata"},
        {"LC_ALL": "tr_TR.UTF-8", "TZ": "America/St_Johns"},
        {"LC_ALL": "xx_YY", "PYTHONUTF8": "0", "PYTHONHASHSEED": "7"},
        {"COLUMNS": "200", "TERM": "dumb", "NO_COLOR": "1"},
    ]
    pages, tables = set(), set()
    for number, variables in enumerate(odd):
        assert run(tmp_path, *PAGE, "-o", f"{number}.html", **variables)[::2] == (0, "")
        pages.add((tmp_path / f"{number}.html").read_bytes())
        tables.add(run(tmp_path, "events", "slipway-six", "--csv", **variables)[1])
    assert len(pages) == len(tables) == 1


@pytest.mark.slow
@pytest.mark.parametrize(("mask", "mode"), [(0o077, 0o600), (0o022, 0o644), (0o000, 0o666)])
def test_the_mask_of_new_files_holds(tmp_path: Path, mask: int, mode: int) -> None:
    assert run(tmp_path, *STL, "-o", "out", before=f"import os\nos.umask({mask})")[0] == 0
    assert (tmp_path / "out").stat().st_mode & 0o777 == mode


@pytest.mark.slow
def test_a_folder_with_blanks_and_letters_of_other_alphabets(tmp_path: Path) -> None:
    name = "mein Motor äöü мотор 引擎"
    code, _, errors = run(tmp_path, "new", name, "--like", "slipway-six")
    assert code == 0
    assert errors.endswith(f"then: quillwise validate './{name}'\n"), "as a shell takes it"
    for given in (["validate", f"./{name}"], ["brief", name, "--without-figures", "-o", f"{name}/seite.html"]):
        code, out, errors = run(tmp_path, *given, LC_ALL="C")
        assert (code, errors) == (0, "")
        assert "мотор" in out
