"""The README's commands: those of the walk give what is printed there, the others run or at least are understood.

A line of "…" stands for any lines, "…" in a line for any text of that line."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from quillwise.viz.cli import app

README = (Path(__file__).parents[1] / "README.md").read_text("utf-8")
CONSOLE = re.findall(r"^```console\n(.+?)^```$", README, re.MULTILINE | re.DOTALL)
# what takes long, or needs a graphics library: only with -m slow
HEAVY = re.compile(r"quillwise (brief|sheets|film|draw(?!.* --line))|--draw")


SHELL = re.findall(r"^```sh\n(.+?)^```$", README, re.MULTILINE | re.DOTALL)


def others() -> list[list[str]]:
    """The words of every other command of the program, in order, without its name and the remark behind it."""
    lines = [line for block in SHELL for line in block.splitlines() if line.startswith("quillwise ")]
    return [shlex.split(line, comments=True)[1:] for line in lines]


def walk() -> list[tuple[str, list[str]]]:
    """The commands of the walk in their order, each with the lines shown below it."""
    found: list[tuple[str, list[str]]] = []
    for block in CONSOLE:
        for line in block.splitlines():
            if line.startswith("$ "):
                found.append((line[2:], []))
            else:
                found[-1][1].append(line)
    return found


def agrees(shown: list[str], printed: list[str]) -> bool:
    """Whether the printed lines are those shown, but for what "…" leaves out."""
    pattern = "".join(
        "(?:.*\n)*" if line == "…" else ".*".join(map(re.escape, line.split("…"))) + "\n" for line in shown
    )
    return re.fullmatch(pattern, "".join(f"{line}\n" for line in printed)) is not None


def run(command: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """The command in a shell, where the program of this environment is the first on the path."""
    environment = os.environ | {
        "PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}",
        "PYTHONWARNINGS": "error::DeprecationWarning",
    }
    environment.pop("DISPLAY", None)
    return subprocess.run(
        ["sh", "-c", command],
        cwd=folder,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        encoding="utf-8",
        check=False,
    )


def go(folder: Path, heavy: bool) -> None:
    assert shutil.which("quillwise", path=str(Path(sys.executable).parent)), "the program is not installed"
    for command, shown in walk():
        if HEAVY.search(command) and not heavy:
            continue
        done = run(command, folder)
        assert agrees(shown, done.stdout.splitlines()), f"{command}\n{done.stdout}"
        # a wrong tooth is found: 1; what is right: 0
        wrong = "as-found" in command
        assert done.returncode == int(wrong), command


def test_the_walk_is_the_one_that_is_promised() -> None:
    words = [command.split()[1] for command, _ in walk()]
    assert words == ["brief", "rehearse", "diagnose", "rehearse", "diagnose", "draw", "diagnose", "sheets", "sheets"]
    assert all(shown for _, shown in walk())


def test_the_light_commands_of_the_walk(tmp_path: Path) -> None:
    go(tmp_path, heavy=False)


@pytest.mark.slow
def test_the_whole_walk(tmp_path: Path) -> None:
    go(tmp_path, heavy=True)
    assert {path.name for path in tmp_path.iterdir()} == {
        "briefing.html", "as-found.toml", "as-left.toml", "teeth.svg", "as-found.png", "page.pdf", "pack.pdf",
    }  # fmt: skip


@pytest.mark.parametrize("heavy", [False, pytest.param(True, marks=pytest.mark.slow)])
def test_the_other_commands_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, heavy: bool) -> None:
    monkeypatch.chdir(tmp_path)
    assert len(others()) >= 10
    for words in others():
        if HEAVY.search(shlex.join(["quillwise", *words])) and not heavy:
            continue
        # where the program asks whether the disc was proved, and for the first reading
        done = CliRunner().invoke(app, words, input="no\nstop\n")
        assert done.exit_code in (0, 1), f"{words}\n{done.output}"
        assert isinstance(done.exception, SystemExit | None), words


def test_what_is_shown_is_held_to_the_letter() -> None:
    printed = ["one", "two words", "three"]
    assert agrees(["one", "…", "three"], printed)
    assert agrees(["…", "two …", "three"], printed)
    assert agrees(["…"], printed)
    assert not agrees(["one", "two words"], printed)
    assert not agrees(["one", "two", "three"], printed)
    assert not agrees(["two words", "three"], printed)
    assert not agrees([], printed)
