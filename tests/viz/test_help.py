"""The help of each command ends with an example that works, and the shell completes names."""

from __future__ import annotations

import importlib
import os
import shlex
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import typer.main
from typer.testing import CliRunner

from quillwise.scenes import library
from quillwise.viz import cli
from quillwise.viz.cli import app, asked_alone

PROGRAM: Any = typer.main.get_command(app)
COMMANDS: dict[str, Any] = PROGRAM.commands
# examples that draw bodies or hidden lines: run only with -m slow
HEAVY = {"brief", "draw", "film", "models", "sheets"}


def example(command: str) -> list[str]:
    """The words of a command's example, after the program's name."""
    intro, _, line = (COMMANDS[command].epilog or "").partition(": ")
    assert intro == "Example", command
    program, *words = shlex.split(line)
    assert (program, words[0]) == ("quillwise", command)
    return words


WINCH = ["winch-mark", "winch-break", "winch-try", "winch-home"]


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder to run an example in, with the readings that one of them takes."""
    monkeypatch.chdir(tmp_path)
    words = "rehearse slipway-six --fault quill-four-on --readings as-found.toml"
    made = CliRunner().invoke(app, words.split())
    assert made.exit_code == 1, made.output
    return tmp_path


@pytest.mark.parametrize("command", COMMANDS)
def test_the_help_ends_with_an_example_that_can_be_read(command: str) -> None:
    shown = CliRunner().invoke(app, [command, "--help"], env={"COLUMNS": "200", "TERMINAL_WIDTH": "200"}).output
    _, *words = example(command)
    told = " ".join(shown.split())
    assert told.endswith(" ".join(COMMANDS[command].epilog.split()))
    # parsed as the program would, and not run
    context = COMMANDS[command].make_context(command, list(words))
    if "engine" in context.params:
        assert context.params["engine"] in (*library.names(), None)


@pytest.mark.usefixtures("here")
def test_the_light_examples_run() -> None:
    for command in COMMANDS.keys() - HEAVY - {"show"}:
        words = example(command)
        done = CliRunner().invoke(app, words)
        # a check that fails is what these two are about
        assert done.exit_code == int(command in ("rehearse", "diagnose")), f"{words}\n{done.output}"


@pytest.mark.slow
@pytest.mark.usefixtures("here")
@pytest.mark.parametrize("command", sorted(HEAVY))
def test_the_heavy_examples_run(command: str) -> None:
    before = set(Path().iterdir())
    done = CliRunner().invoke(app, example(command))
    assert done.exit_code == 0, done.output
    assert set(Path().iterdir()) > before


def test_the_programs_help_has_an_example_too() -> None:
    shown = CliRunner().invoke(app, ["--help"]).output
    assert "Example: quillwise rehearse slipway-six\n" in shown


def completed(*words: str) -> list[str]:
    """What bash offers for the last of the words, by the script that the program gives it."""
    bash = shutil.which("bash")
    if bash is None:
        pytest.skip("no bash on this machine: its completion is not tried")
    typed = " ".join(map(shlex.quote, words))
    script = (
        'eval "$(_QUILLWISE_COMPLETE=source_bash quillwise)"\n'
        f"COMP_WORDS=({typed}); COMP_CWORD={len(words) - 1}; COMPREPLY=()\n"
        "_quillwise_completion quillwise\n"
        'printf "%s\\n" "${COMPREPLY[@]}"\n'
    )
    environment = os.environ | {"PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"}
    done = subprocess.run([bash, "-c", script], capture_output=True, text=True, check=True, env=environment)
    assert done.stderr == ""
    return done.stdout.split()


def test_bash_completes_an_engine() -> None:
    assert completed("quillwise", "events", "larkfell-") == ["larkfell-port", "larkfell-starboard"]


@pytest.mark.parametrize(
    ("words", "offered"),
    [
        (["vernier", "sleeve-"], ["sleeve-exhaust", "sleeve-inlet"]),
        (
            ["rehearse", "slipway-six", "--json", "--step", "wi"],
            WINCH,
        ),
        (["rehearse", "slipway-six", "--fault", ""], ["quill-four-on"]),
        (["sheets", ".", "--only", ""], []),
        (["draw", "gantry-eight", "--coupling", "sleeve-"], ["sleeve-left", "sleeve-right"]),
    ],
)
def test_names_of_the_engine_of_the_line(words: list[str], offered: list[str]) -> None:
    """As bash asks, but in this process: each start of the program takes a second."""
    given = {"_QUILLWISE_COMPLETE": "complete_bash", "COMP_WORDS": " ".join(["quillwise", *words])}
    # an empty last word is no word to a shell's splitting: it counts all the same
    result = CliRunner().invoke(
        app, [], prog_name="quillwise", env=given | {"COMP_CWORD": str(len(words))}, catch_exceptions=False
    )
    assert result.output.split() == offered


@pytest.mark.parametrize("command", COMMANDS)
def test_a_command_made_alone_is_the_same(command: str) -> None:
    alone = asked_alone(["--quiet", command, "--help"])
    assert [each.callback.__name__ for each in alone.registered_commands if each.callback] == [command]
    wide = {"COLUMNS": "200", "TERMINAL_WIDTH": "200"}
    texts = {CliRunner().invoke(each, [command, "--help"], env=wide).output for each in (app, alone)}
    assert len(texts) == 1
    assert texts.pop().startswith("Usage: ")


def test_each_command_stands_in_the_module_that_is_named_for_it() -> None:
    for module, commands in cli.COMMANDS.items():
        made = typer.Typer()
        importlib.import_module(f"quillwise.viz.{module}").register(made)
        assert [each.callback.__name__ for each in made.registered_commands if each.callback] == list(commands)
    assert [name for commands in cli.COMMANDS.values() for name in commands] == list(COMMANDS)


def test_a_command_loads_no_module_of_another() -> None:
    code = "import sys; from quillwise.viz.cli import asked_alone; asked_alone(['events']); print(*sys.modules)"
    done = subprocess.run([sys.executable, "-P", "-c", code], capture_output=True, text=True, timeout=60, check=True)
    loaded = {name.removeprefix("quillwise.viz.") for name in done.stdout.split()}
    assert loaded & set(cli.COMMANDS) == {"figures"}


@pytest.mark.parametrize("words", [[], ["--help"], ["--help", "events"], ["--version", "events"], ["event"], ["-h"]])
def test_all_commands_are_there_where_none_is_named_first(words: list[str]) -> None:
    assert asked_alone(words) is app


def test_all_commands_are_there_for_a_shell_that_completes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("_QUILLWISE_COMPLETE", "complete_bash")
    assert asked_alone(["events"]) is app
