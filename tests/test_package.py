"""The wheel and the source archive: made, installed elsewhere, run from another folder, with all that is read."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
# what the program reads beside its modules
DATA = ("*.toml", "FORMAT.md", "py.typed", "bundle.js", "page.css", "LICENSES.txt")


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the wheel and the source archive of the tree as it stands."""
    work = tmp_path_factory.mktemp("built")
    left_out = shutil.ignore_patterns(".git", "build", "node_modules", "__pycache__", "*.egg-info", ".*_cache", "dist")
    shutil.copytree(ROOT, work / "source", ignore=left_out)
    given = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "-w", str(work), str(work / "source")]
    done = subprocess.run(given, capture_output=True, text=True, check=False)
    if done.returncode and "setuptools" in done.stderr and "No matching distribution" in done.stderr:
        pytest.skip("the tool that builds it cannot be fetched here")
    assert done.returncode == 0, done.stderr
    return work


def data_files() -> set[str]:
    found = {
        path
        for folder in ("kinematics", "meshes", "scenes", "viz")
        for name in DATA
        for path in (ROOT / folder).rglob(name)
    }
    return {path.relative_to(ROOT).as_posix() for path in found if "node_modules" not in path.parts}


@pytest.mark.slow
def test_the_wheel_holds_all_that_is_read(built: Path) -> None:
    (wheel,) = built.glob("*.whl")
    names = {name.removeprefix("quillwise/") for name in zipfile.ZipFile(wheel).namelist()}
    modules = {
        path.relative_to(ROOT).as_posix()
        for folder in ("kinematics", "meshes", "scenes", "viz")
        for path in (ROOT / folder).glob("*.py")
    }
    assert modules | data_files() <= names
    assert not any("tests/" in name or "node_modules" in name for name in names)


@pytest.mark.slow
def test_it_runs_where_it_was_installed(built: Path, tmp_path: Path) -> None:
    (wheel,) = built.glob("*.whl")
    target = tmp_path / "installed"
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-index", "--target", str(target)]
    subprocess.run([*pip, str(wheel)], check=True)
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    environment = os.environ | {"PYTHONPATH": str(target), "PYTHONWARNINGS": "error::DeprecationWarning"}
    environment.pop("DISPLAY", None)

    def run(*given: str) -> str:
        program = "from quillwise.viz.start import main; main()"
        done = subprocess.run(
            [sys.executable, "-P", "-c", program, *given],
            cwd=elsewhere,
            env=environment,
            capture_output=True,
            text=True,
            check=False,
        )
        assert (done.returncode, done.stderr) == (0, "")
        return done.stdout

    where = "import quillwise.viz.cli as it; print(it.__file__)"
    found = subprocess.run(
        [sys.executable, "-P", "-c", where], cwd=elsewhere, env=environment, capture_output=True, text=True, check=True
    )
    assert found.stdout.startswith(str(target))
    for name in ("gantry-eight", "larkfell-port", "larkfell-starboard", "launch-inverted", "slipway-six"):
        assert name in run("engines")
        assert "is valid" in run("validate", name)
    run("brief", "slipway-six", "--without-figures", "-o", "a.html")
    run("draw", "slipway-six", "--view", "left", "--size", "320x240", "-o", "a.png")
    run("draw", "slipway-six", "--line", "--step", "1", "-o", "a.svg")
    run("--quiet", "new", "mine")
    assert {path.name for path in elsewhere.iterdir()} == {"a.html", "a.png", "a.svg", "mine"}


@pytest.mark.slow
def test_the_source_archive_holds_it_too(built: Path) -> None:
    given = [sys.executable, "-P", "-m", "build", "--sdist", "-o", str(built), str(built / "source")]
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    done = subprocess.run(given, cwd=built, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    (archive,) = built.glob("*.tar.gz")
    with tarfile.open(archive) as held:
        names = {name.partition("/")[2] for name in held.getnames()}
    assert data_files() <= names
    assert {"pyproject.toml", "README.md", "LICENSE"} <= names
