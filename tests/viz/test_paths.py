"""Where outputs must not go and what inputs must not be: each command that writes, one sentence, nothing harmed."""

from __future__ import annotations

import os
import re
import shutil
from pathlib import Path

import pytest
import trial

from quillwise.kinematics.errors import OutputError
from quillwise.scenes import library
from quillwise.viz.writing import numbered_folder, numbered_whole_folder

pytestmark = pytest.mark.usefixtures("here")

# the commands that write a file, at their quickest
WRITERS = {
    "models": ["models", "slipway-six", "--format", "stl", "--part", "piston A1", "-o"],
    "draw --line": ["draw", "slipway-six", "--line", "--step", "1", "-o"],
    "draw --step": ["draw", "slipway-six", "--step", "1", "--size", "400x300", "-o"],
    "film": ["film", "slipway-six", "--step", "1", "--seconds", "1", "--size", "400x300", "-o"],
    "brief": ["brief", "slipway-six", "--without-figures", "-o"],
    "diagnose --blank": ["diagnose", "--blank", "slipway-six", "-o"],
    "rehearse --readings": ["rehearse", "slipway-six", "--readings"],
}


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("folder").mkdir()
    Path("old").write_text("kept")
    Path("link").symlink_to("old")
    Path("dangling").symlink_to("nowhere")
    os.mkfifo("pipe")
    shutil.copytree(library.find("slipway-six"), "own")
    return tmp_path


def everything() -> dict[str, bytes]:
    return {str(path): path.read_bytes() if path.is_file() else b"" for path in sorted(Path().rglob("*"))}


@pytest.mark.parametrize("command", WRITERS)
def test_where_an_output_cannot_go(command: str) -> None:
    before = everything()
    wrong = {
        "old": "old exists; --force overwrites it",
        "folder": "folder is a folder; a file name is needed",
        "link": "link is a link; name the file itself",
        "dangling": "dangling is a link; name the file itself",
        "pipe": "pipe is a device, not a file",
        "/dev/full": "/dev/full is a device, not a file",
        "absent/x": "absent/x cannot be written: there is no folder absent",
        "old/x": "old/x cannot be written: old is not a folder",
        "own/../link": "own/../link is a link; name the file itself",
    }
    for output, told in wrong.items():
        code, _, errors = trial.run("--quiet", *WRITERS[command], output)
        assert (code, errors) == (4, f"{told}\n")
    assert everything() == before


@pytest.mark.parametrize("command", ["models", "diagnose --blank", "rehearse --readings"])
@pytest.mark.parametrize("file", ["engine.toml", "setup.toml", "faults/quill-four-on.toml"])
def test_an_input_is_never_overwritten(command: str, file: str) -> None:
    before = everything()
    given = ["own" if word == "slipway-six" else word for word in WRITERS[command]]
    code, _, errors = trial.run(*given, f"./own/{file}", "--force")
    assert (code, errors) == (4, f"own/{file} describes an engine: it is what is read, and never overwritten\n")
    assert everything() == before


def test_new_makes_its_folder_where_nothing_is() -> None:
    before = everything()
    for output in ("old", "folder", "link", "dangling", "pipe", "/dev/null"):
        assert trial.run("new", output)[::2] == (4, f"{output} exists already; give a name that is free\n")
    for output, reason in (("absent/x", "there is no folder absent"), ("old/x", "there is no folder old")):
        assert trial.run("new", output)[::2] == (4, f"{output} cannot be made: {reason}\n")
    assert everything() == before


def test_a_folder_of_pictures_is_whole_or_not_there() -> None:
    before = everything()
    with pytest.raises(KeyboardInterrupt), numbered_whole_folder("folder") as made:
        (made.part / "1.png").write_text("half")
        raise KeyboardInterrupt
    code, _, errors = trial.run("--quiet", "draw", "slipway-six", "--size", "64x64", "-o", "new")
    assert (code, errors[:9]) == (2, "64 pixels")
    assert everything() == before
    for name in ("folder-2", "folder-3"):
        with numbered_whole_folder("folder") as made:
            (made.part / "1.png").write_text("whole")
            assert made.part.name.startswith(".folder.")
        assert made.path == Path(name)
        assert [path.name for path in made.path.iterdir()] == ["1.png"]
    for path in (".", "/"):
        told = f"{path} exists already; give the name of a new folder"
        assert trial.run("--quiet", "draw", "slipway-six", "-o", path) == (4, "", f"{told}\n")
        with pytest.raises(OutputError, match=f"^{re.escape(told)}$"):
            numbered_folder(path)
    for path, reason in (("absent/x", "there is no folder absent"), ("old/x", "not a directory")):
        with pytest.raises(OutputError, match=f"^{path} cannot be made: {reason}$"), numbered_whole_folder(path):
            pytest.fail("the block must not run")


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("pipe", 'expected an engine folder, got a file, "pipe"'),
        ("old", 'expected an engine folder, got a file, "old"'),
        ("/dev/null", 'expected an engine folder, got a file, "/dev/null"'),
        ("own/engine.toml", 'expected an engine folder, got a file, "own/engine.toml": give the folder that it is in'),
        ("own/../absent", 'expected an engine folder, got nothing, "own/../absent"'),
        ("dangling/", 'expected an engine folder, got nothing, "dangling"'),
    ],
)
def test_what_is_no_engine_folder(name: str, told: str) -> None:
    assert trial.run("validate", name) == (2, "", f"{told}\n")


def test_a_folder_by_other_ways(here: Path) -> None:
    Path("own link").symlink_to("own")
    for name in ("./own", "own/../own", str(here / "own"), "own/", "./own link"):
        assert trial.run("validate", name)[0] == 0


@pytest.mark.parametrize("file", ["engine.toml", "setup.toml"])
@pytest.mark.parametrize(
    ("kind", "told"),
    [
        ("pipe", "expected a file, got something else"),
        ("folder", "expected a file, got something else"),
        ("/dev/zero", "expected a file, got something else"),
        ("/etc/hostname", "expected a file in the engine folder, got a link to elsewhere"),
        ("nowhere", "missing: expected a file in the engine folder, as `quillwise new` writes it"),
    ],
)
def test_files_of_a_folder_that_are_none(here: Path, file: str, kind: str, told: str) -> None:
    path = Path("own") / file
    path.unlink()
    path.symlink_to(Path(kind) if kind[0] == "/" else here / kind)
    with trial.time_limit(5):
        code, _, errors = trial.run("validate", "own")
    assert (code, errors.splitlines()[0]) == (2, f"{file}: {told}")


def test_a_link_to_a_file_of_a_folder_beside_is_followed() -> None:
    shutil.copytree("own", "second")
    Path("second/setup.toml").unlink()
    Path("second/setup.toml").symlink_to("../own/setup.toml")
    assert trial.run("validate", "second")[0] == 0


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("pipe", "pipe: expected a file, got something else"),
        ("folder", "folder: expected a file, got something else"),
        ("/dev/zero", "zero: expected a file, got something else"),
        ("absent", "absent: there is no file of that name"),
    ],
)
def test_readings_that_are_no_file(name: str, told: str) -> None:
    with trial.time_limit(5):
        assert trial.run("diagnose", name, "slipway-six") == (2, "", f"{told}\n")
