"""``quillwise new``: a folder whole or not at all, valid as it stands, asked for nothing."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from quillwise.scenes import library, reader
from quillwise.viz import cli


def run(*arguments: str):
    return CliRunner().invoke(cli.app, list(arguments), prog_name="quillwise")


def names(folder: str = ".") -> list[str]:
    return sorted(path.name for path in Path(folder).iterdir())


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_new_folder_is_valid_and_says_that_it_is_not_filled_in():
    result = run("new", "mine")
    assert (result.exit_code, result.stdout) == (0, "")
    assert result.stderr == (
        "mine has been made from larkfell-port.\nFill in engine.toml and setup.toml, then: quillwise validate ./mine\n"
    )
    assert names("mine") == ["engine.toml", "setup.toml"]
    assert run("validate", "./mine").exit_code == 0
    sheet = reader.load("./mine")
    assert sheet.name == "mine (figures not replaced yet)"
    assert sheet.about.startswith("Every figure is invented until it is replaced.")
    demonstration = reader.load("larkfell-port")
    assert sheet == replace(demonstration, name=sheet.name, about=sheet.about, scene="mine")


@pytest.mark.parametrize("name", library.names())
def test_like_each_packaged_engine(name):
    assert run("--quiet", "new", "mine", "--like", name).stderr == ""
    assert reader.load("mine") == replace(reader.load(name), scene="mine")
    assert "(invented)" in Path("mine/engine.toml").read_text(encoding="utf-8")
    assert run("validate", "mine").exit_code == 0


def test_like_a_folder_of_ones_own_is_not_marked_as_invented():
    Path("first").mkdir()
    Path("first/engine.toml").write_text('format = 1\nlike = "larkfell-starboard"\nname = "First"\n', encoding="utf-8")
    assert run("new", "second", "--like", "first").exit_code == 0
    text = Path("second/engine.toml").read_text(encoding="utf-8")
    assert 'name = "First"' in text and "(invented)" not in text and "\nlike" not in text
    assert reader.load("second") == replace(reader.load("first"), scene="second")


@pytest.mark.parametrize("kind", ["folder", "file", "dangling link"])
def test_what_exists_is_left_alone(kind):
    target = Path("mine")
    if kind == "folder":
        target.mkdir()
    elif kind == "file":
        target.write_text("kept", encoding="utf-8")
    else:
        target.symlink_to("nowhere")
    result = run("new", "mine")
    assert (result.exit_code, result.stderr) == (4, "mine exists already; give a name that is free\n")
    assert names() == ["mine"]
    assert kind != "folder" or names("mine") == []


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (("no/such",), 4, "no/such cannot be made: there is no folder no"),
        (("x" * 256,), 4, "name of the engine folder: expected text of 1 to 200 characters, got 256"),
        (
            ("a\tb",),
            4,
            "name of the engine folder: expected text without control, direction or invisible characters, "
            "got U+0009 as character 2",
        ),
        (
            ("mine", "--like", "larkfell-prot"),
            2,
            f'unknown engine "larkfell-prot"; defined: {", ".join(library.names())} (did you mean larkfell-port?); '
            "there is no folder of that name here either",
        ),
        (("mine", "--like", "./none"), 2, 'expected an engine folder, got nothing, "none"'),
    ],
)
def test_what_cannot_be_done_leaves_nothing(arguments, code, message):
    result = run("new", *arguments)
    assert (result.exit_code, result.stdout, result.stderr) == (code, "", message + "\n")
    assert names() == []


def test_an_engine_with_problems_is_no_start():
    Path("first").mkdir()
    Path("first/engine.toml").write_text('format = 1\nlike = "larkfell-port"\n[crank]\nbore = 1\n', encoding="utf-8")
    result = run("new", "second", "--like", "first")
    assert result.exit_code == 2
    assert result.stderr == "engine.toml: crank.bore: expected a length from 20 to 500 mm, got 1\n"
    assert names() == ["first"]


@pytest.mark.skipif(sys.platform == "win32", reason="limits of resources are POSIX's")
def test_a_second_file_that_cannot_be_written_leaves_nothing():
    script = (
        "import resource, sys\n"
        "from quillwise.kinematics.errors import OutputError\n"
        "from quillwise.viz.writing import write_whole_folder\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))\n"
        "try:\n"
        "    write_whole_folder('mine', {'engine.toml': 'x' * 900, 'setup.toml': 'x' * 5000})\n"
        "except OutputError as error:\n"
        "    print(error)\n"
    )
    done = subprocess.run([sys.executable, "-P", "-c", script], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout == "mine cannot be made: the file would be larger than is allowed here\n"
    assert names() == []


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_that_cannot_be_written_to(here):
    here.chmod(0o500)
    try:
        result = run("new", "mine")
    finally:
        here.chmod(0o700)
    assert (result.exit_code, result.stderr) == (4, "mine cannot be made: permission denied\n")
