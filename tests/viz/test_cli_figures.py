"""The commands that give figures, through the command line: output, messages, exit codes, files."""

from __future__ import annotations

import ast
import json
import os
import re
import signal
import subprocess
import sys
import textwrap
import tomllib
from pathlib import Path

import pytest
import typer
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from quillwise.kinematics.angles import parse_event, wrapped
from quillwise.kinematics.errors import GraphicsError, OutputError, Problem, RequestError, SceneError
from quillwise.kinematics.sequence import play
from quillwise.scenes import library
from quillwise.scenes.toml_text import toml_string
from quillwise.viz import cli, readings, records

LAST_LINE = "Briefing aid. Not approved data."
WRONG_TOOTH = "other-tooth:quill-a=-3"


def run(*arguments: str):
    return CliRunner().invoke(cli.app, list(arguments), prog_name="quillwise")


def figures(*arguments: str):
    result = run(*arguments, "--json")
    assert result.stderr == ""
    return json.loads(result.stdout)


def process(*arguments: str, **options):
    return subprocess.run(
        [sys.executable, "-P", "-c", "from quillwise.viz.cli import main; main()", *arguments],
        timeout=60,
        check=False,
        **{"capture_output": "stdout" not in options, "encoding": "utf-8", **options},
    )


@pytest.fixture
def mine(tmp_path: Path) -> Path:
    """The port engine's folder under another name, to break."""
    folder = tmp_path / "mine"
    folder.mkdir()
    (folder / "engine.toml").write_text('format = 1\nlike = "larkfell-port"\nname = "Mine"\n', encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    "arguments",
    [
        ("events",),
        ("events", "larkfell-starboard", "--as-set"),
        ("events", "--mistake", "exhaust-stroke:exhaust-side"),
        ("vernier", "quill-a"),
        ("vernier", "sleeve-inlet", "larkfell-starboard", "--held", "-0.5", "--shift", "-3", "--move", "-1,2"),
        ("rehearse",),
        ("rehearse", "larkfell-starboard", "--step", "a-try"),
        ("validate", "larkfell-port"),
        ("engines",),
    ],
)
def test_every_command_fits_80_columns_and_ends_with_the_disclaimer(arguments):
    result = run(*arguments)
    assert result.exit_code == (1 if "--mistake" in arguments else 0)
    assert result.stderr == ""
    assert max(len(line) for line in result.stdout.splitlines()) <= 80
    assert result.stdout.splitlines()[-1] == LAST_LINE
    assert figures(*arguments)["format"] == 1


@pytest.mark.parametrize("command", ["", "events", "vernier", "rehearse", "validate", "new", "engines"])
def test_help_fits_80_columns(command):
    result = run(*command.split(), "--help")
    assert result.exit_code == 0
    assert max(len(line) for line in result.stdout.splitlines()) <= 80


def test_table_and_json_hold_the_same_numbers():
    record = figures("events", "--as-set")
    rows = [line for line in run("events", "--as-set").stdout.splitlines() if re.match(r" *\d+\.\d +\d+\.\d ", line)]
    assert len(rows) == len(record["events"]) == 72
    for row, event in zip(rows, record["events"], strict=True):
        found = event["as_set"]
        for number in (f"{event['crank_deg']:.1f}", event["as_written"], found["as_written"], found["verdict"]):
            assert number in row
        amount = re.search(r" (\d+\.\d\d) (early|late) ", row)
        signed = 0.0 if amount is None else float(amount[1]) * (1 if amount[2] == "early" else -1)
        assert signed == pytest.approx(found["early_crank_deg"], abs=0.005001)


def test_the_demonstration_is_the_engine_that_is_taken():
    """A1's inlet opens at 338, B6's at 398, A1's spark is at 679: 281 to go, the mark passes once (by hand)."""
    record = figures("events")
    assert record["scene"] == "larkfell-port"
    at = {event["name"]: event["crank_deg"] for event in record["events"]}
    assert (at["A1 inlet opens"], at["B6 inlet opens"], at["A1 exhaust-side points break"]) == (338, 398, 679)
    (step,) = figures("rehearse", "--step", "18")["steps"]
    assert (step["to_go_crank_deg"], step["mark_passes"]) == (281, 1)
    assert figures("rehearse", "--step", "exhaust-side-mark")["steps"] == [step]


def test_csv():
    result = run("events", "--csv")
    lines = result.stdout.splitlines()
    assert len(lines) == 1 + 72
    assert lines[0].startswith("crank_deg,to_next_crank_deg,name,cylinder,magneto,kind,as_written,piston_drop_mm,")
    assert result.exit_code == 0


def test_the_plain_table_loads_only_what_it_shows():
    shown = """
        import sys
        sys.argv = ["quillwise", "events"]
        from quillwise.viz import cli
        try:
            cli.main()
        except SystemExit:
            heavy = ("scipy", "numpy.ma", "quillwise.kinematics.sequence", "trimesh", "vtkmodules", "matplotlib")
            sys.stderr.write(" ".join(name for name in heavy if name in sys.modules) + ".")
    """
    done = subprocess.run([sys.executable, "-P", "-c", textwrap.dedent(shown)], capture_output=True, text=True)
    assert done.returncode == 0
    assert done.stderr == "."


def test_a_mistake_that_is_out_of_tolerance_ends_in_1():
    for command in ("events", "rehearse"):
        result = run(command, "--mistake", WRONG_TOOTH)
        assert result.exit_code == 1
        assert result.stderr == ""
        assert "reject" in result.stdout
        assert run(command, "--mistake", WRONG_TOOTH, "--json").exit_code == 1
    assert run("rehearse", "--mistake", "other-tooth:quill-a=+1").exit_code == 0


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (
            ("vernier", "quil-a"),
            'unknown coupling "quil-a"; defined: quill-a, quill-b, sleeve-exhaust, sleeve-inlet '
            "(did you mean quill-a?)",
        ),
        (
            ("vernier", "\x1b[31mx\n"),
            'unknown coupling "\\u001b[31mx\\u000a"; defined: quill-a, quill-b, sleeve-exhaust, sleeve-inlet',
        ),
        (
            ("events", "larkfell-prot"),
            'unknown engine "larkfell-prot"; defined: gantry-eight, larkfell-port, larkfell-starboard, '
            "launch-inverted, slipway-six (did you mean larkfell-port?); there is no folder of that name here either",
        ),
        (
            ("rehearse", "--mistake", "other-toth:quill-a"),
            'unknown mistake "other-toth"; defined: other-tooth, wrong-mark, exhaust-stroke '
            "(did you mean other-tooth?)",
        ),
        (
            ("rehearse", "--mistake", "other-tooth:quill-a=x"),
            'expected a whole number of teeth after "=", got "x"',
        ),
        (
            ("events", "--mistake", "other-tooth:quill-a=1", "--mistake", "other-tooth:quill-a=2"),
            "two mistakes of the kind other-tooth at quill-a; give one",
        ),
        (
            ("events", "--mistake", "wrong-mark:exhaust-side", "--mistake", "exhaust-stroke:exhaust-side"),
            "mistake exhaust-stroke:exhaust-side: no step of this set-up can make it",
        ),
        (("rehearse", "--step", "30"), "expected a step from 1 to 29, or its key, got 30"),
        (("rehearse", "--step", "0"), "expected a step from 1 to 29, or its key, got 0"),
        (("vernier", "quill-a", "--shift", "nan"), "--shift: expected degrees from -720 to 720, got nan"),
        (("vernier", "quill-a", "--held", "-361"), "--held: expected degrees from -360 to 360, got -361"),
        (
            ("vernier", "quill-a", "--move", "3"),
            '--move: expected two whole numbers K,M, for example 3,-2, got "3"',
        ),
        (("vernier", "quill-a", "--move", "1,20000"), "--move: expected at most 10000 teeth either way, got 1,20000"),
        (("events", "--csv", "--json"), "give --csv or --json, not both"),
    ],
)
def test_bad_input_is_one_sentence_and_2(arguments, message, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = run(*arguments)
    assert (result.exit_code, result.stdout, result.stderr) == (2, "", message + "\n")
    assert list(tmp_path.iterdir()) == []


def test_an_unknown_step_lists_the_keys():
    result = run("rehearse", "--step", "a-tri")
    assert result.exit_code == 2
    assert result.stderr.startswith('unknown step "a-tri"; defined: safe, tdc, points, a-park, ')
    assert result.stderr.endswith(" (did you mean a-try?)\n")


@pytest.mark.parametrize("arguments", [("event",), ("vernier",), ("events", "--units", "cm"), ("validate",)])
def test_usage_errors_end_in_2(arguments):
    result = run(*arguments)
    assert (result.exit_code, result.stdout) == (2, "")
    assert "Error: " in result.stderr


def test_validate_says_so():
    result = run("validate", "larkfell-port")
    assert result.exit_code == 0
    assert result.stdout.startswith("larkfell-port is valid.\n")
    assert "firing order  A1 B6 A2 B5 A4 B3 A6 B1 A5 B2 A3 B4" in result.stdout


def test_validate_lists_every_problem_a_line_each(mine):
    (mine / "engine.toml").write_text(
        'format = 1\nlike = "larkfell-port"\nname = "Mine"\ncolour = 1\n'
        '[couplings.quill-a]\ndriven_teeth = "18"\n[valves.inlet]\nopens = "22 BTCD"\n',
        encoding="utf-8",
    )
    result = run("validate", str(mine))
    assert (result.exit_code, result.stdout) == (2, "")
    lines = result.stderr.splitlines()
    assert len(lines) == 3
    assert 'engine.toml: couplings.quill-a.driven_teeth: expected a whole number from 1 to 400, got "18"' in lines
    assert [line.split(": ")[0] for line in lines] == ["engine.toml"] * 3
    with_json = run("validate", str(mine), "--json")
    assert (with_json.exit_code, with_json.stderr) == (2, result.stderr)
    record = json.loads(with_json.stdout)
    assert record["valid"] is False
    assert [f"{item['path']}: {item['message']}" for item in record["problems"]] == lines


def test_engines():
    record = figures("engines")
    assert [item["scene"] for item in record["engines"]] == list(library.names())


def test_markup_in_a_name_prints_literally(mine):
    name = "[bold]Mine[/bold] :boat: [red]"
    (mine / "engine.toml").write_text(f'format = 1\nlike = "larkfell-port"\nname = "{name}"\n', encoding="utf-8")
    for arguments in (("events", str(mine)), ("validate", str(mine)), ("rehearse", str(mine), "--step", "1")):
        assert name in run(*arguments).stdout


def test_version_and_no_command():
    assert re.fullmatch(r"quillwise \d+\.\d+\.\d+\n", run("--version").stdout)
    assert run("--version").exit_code == 0


def test_debug_shows_where():
    result = run("--debug", "vernier", "x")
    assert result.exit_code == 2
    assert "Traceback (most recent call last):" in result.stderr
    assert "Traceback" not in run("vernier", "x").stderr


@pytest.mark.parametrize(
    ("error", "code", "told"),
    [
        (SceneError([Problem("a", "b"), Problem("", "c\n\x1b")]), 2, "a: b\nc\\u000a\\u001b\n"),
        (RequestError("asked\twrong"), 2, "asked\\u0009wrong\n"),
        (GraphicsError("none"), 3, "none\n"),
        (OutputError("full"), 4, "full\n"),
        (KeyboardInterrupt(), 130, "Interrupted.\n"),
    ],
)
def test_each_error_has_its_code(error, code, told):
    app = typer.Typer(cls=cli.Program, add_completion=False)

    @app.command()
    def fail() -> None:
        raise error

    @app.command()
    def other() -> None: ...

    result = CliRunner().invoke(app, ["fail"])
    assert (result.exit_code, result.stdout, result.stderr) == (code, "", told)


def test_a_fault_of_the_program_is_not_hidden():
    app = typer.Typer(cls=cli.Program, add_completion=False)

    @app.command()
    def fail() -> None:
        raise OSError(5, "device", "/some/file")

    @app.command()
    def other() -> None: ...

    assert isinstance(CliRunner().invoke(app, ["fail"]).exception, OSError)


# Readings


def test_readings_of_a_perfect_set_up(tmp_path):
    path = tmp_path / "r.toml"
    result = run("rehearse", "--readings", str(path), "--step", "1")
    assert result.exit_code == 0
    assert result.stderr == f"72 readings written to {path}\n"
    found = tomllib.loads(path.read_text(encoding="utf-8"))
    assert (found["format"], found["engine"]) == (1, "larkfell-port")
    assert len(found["valve_events"]) == 48 and len(found["points_breaks"]) == 24
    expected = {
        (f"{event['cylinder']} {event['kind'].split()[0]}", event["kind"].split()[1]): event["as_set"]["crank_deg"]
        for event in figures("events")["events"]
        if not event["magneto"]
    }
    firing = {name: 60 * place for place, name in enumerate(figures("events")["firing_order"])}
    for reading in found["valve_events"]:
        kind = (reading["valve"], reading["event"])
        assert reading["crank_deg"] == expected[kind]
        # "22.01 BTDC" read back from the TDC of its cylinder is the same place of the crank
        own = parse_event(reading["reading"], f"{reading['valve'].split()[1]} {reading['event']}")
        assert float(wrapped(own + firing[reading["valve"].split()[0]] - reading["crank_deg"])) == pytest.approx(
            0, abs=0.00501
        )
        assert reading["clearance_mm"] == 0.4  # the checking clearance, not the running one that the job ends with
        assert reading["uncertainty_deg"] == 0.8
        assert (reading["approached"], reading["disc_proved"]) == ("running direction", True)
    for reading in found["points_breaks"]:
        own = parse_event(reading["reading"], "points break")
        assert float(wrapped(own + firing[reading["finger_on"]] - reading["crank_deg"])) == pytest.approx(
            0, abs=0.00501
        )
        assert reading["uncertainty_deg"] == 0.4


def test_readings_tell_nothing_of_the_fault(tmp_path):
    path = tmp_path / "r.toml"
    assert run("rehearse", "--mistake", WRONG_TOOTH, "--readings", str(path)).exit_code == 1
    text = path.read_text(encoding="utf-8")
    for word in ("tooth", "mistake", "quill", "wrong"):
        assert word not in text
    opens = next(r for r in tomllib.loads(text)["valve_events"] if (r["valve"], r["event"]) == ("A1 inlet", "opens"))
    # three teeth of 17 and 18 at 1.5 × crank speed from the best tooth, which is 0.0114 early (computed)
    late = 3 * (360 / 17 - 360 / 18) / 1.5 - 0.01137
    assert opens["crank_deg"] == pytest.approx(338 + late, abs=1e-4)


def test_a_magneto_a_turn_out_is_read_with_the_finger_on_the_other_cylinder(tmp_path):
    """At 319 the marks of A1 and A6 coincide: set there, the finger is on A1 while A6 is on compression."""
    path = tmp_path / "r.toml"
    run("rehearse", "--mistake", "exhaust-stroke:exhaust-side", "--readings", str(path))
    breaks = [r for r in tomllib.loads(path.read_text("utf-8"))["points_breaks"] if r["magneto"] == "exhaust-side"]
    (at_319,) = [r for r in breaks if abs(r["crank_deg"] - 319) < 1]
    assert at_319["finger_on"] == "A1"


def test_readings_are_the_same_bytes_twice_and_never_overwrite(tmp_path):
    paths = [tmp_path / name for name in ("a.toml", "b.toml")]
    for path in paths:
        assert run("--quiet", "rehearse", "--readings", str(path)).stderr == ""
    assert paths[0].read_bytes() == paths[1].read_bytes()
    before = paths[0].read_bytes()
    refused = run("rehearse", "--mistake", WRONG_TOOTH, "--readings", str(paths[0]))
    assert (refused.exit_code, refused.stdout) == (4, "")
    assert refused.stderr == f"{paths[0]} exists; --force overwrites it\n"
    assert paths[0].read_bytes() == before
    assert run("rehearse", "--mistake", WRONG_TOOTH, "--readings", str(paths[0]), "--force").exit_code == 1
    assert paths[0].read_bytes() != before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.toml", "b.toml"]


@pytest.mark.parametrize(
    "wrong",
    [("--mistake", "other-tooth:none"), ("--step", "99"), ("nowhere",)],
)
def test_nothing_is_written_on_bad_input(wrong, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert run("rehearse", *wrong, "--readings", "r.toml").exit_code == 2
    assert list(tmp_path.iterdir()) == []


def test_what_cannot_be_read_is_left_out():
    """Before the job every quill and sleeve is drawn and no rocker is fitted: there is nothing to read."""
    engine = library.engine("larkfell-port")
    drawn = play(engine).steps[0].after
    found = tomllib.loads(readings.readings_text(engine, drawn))
    assert "valve_events" not in found and "points_breaks" not in found
    half = records.at_checking_clearance(engine, next(s for s in play(engine).steps if s.key == "a-home").after)
    found = tomllib.loads(readings.readings_text(engine, half))
    assert {reading["valve"][0] for reading in found["valve_events"]} == {"A"}


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_any_text_survives_as_a_toml_string(text):
    """Read back by the standard library's reader (TOML 1.0.0)."""
    assert tomllib.loads(f"x = {toml_string(text)}") == {"x": text}


# The program as a process


def test_help_loads_no_library_of_numbers_or_pictures():
    code = (
        "import sys, quillwise.viz.cli as cli\n"
        "try:\n    cli.app(['--help'])\nexcept SystemExit:\n    pass\n"
        "print(sorted({name.partition('.')[0] for name in sys.modules}))\n"
    )
    done = subprocess.run([sys.executable, "-P", "-c", code], capture_output=True, text=True, timeout=60, check=True)
    loaded = set(ast.literal_eval(done.stdout.splitlines()[-1]))
    assert "typer" in loaded
    assert loaded.isdisjoint({"numpy", "scipy", "pyvista", "vtkmodules", "trimesh", "matplotlib", "PIL", "av"})


def test_figures_load_no_graphics():
    """The commands must work on a machine that has no OpenGL."""
    code = (
        "import sys, quillwise.viz.cli as cli\n"
        "for words in (['events'], ['vernier', 'quill-a'], ['rehearse'], ['validate', 'larkfell-port']):\n"
        "    try:\n        cli.app(words)\n    except SystemExit as end:\n        assert not end.code\n"
        "print(sorted({name.partition('.')[0] for name in sys.modules}))\n"
    )
    done = subprocess.run([sys.executable, "-P", "-c", code], capture_output=True, text=True, timeout=60, check=True)
    loaded = set(ast.literal_eval(done.stdout.splitlines()[-1]))
    assert loaded.isdisjoint({"pyvista", "vtkmodules", "trimesh", "av", "PIL"})


def test_the_same_bytes_twice_with_colours_forced_or_not():
    plain = process("rehearse")
    assert plain.returncode == 0
    coloured = process("rehearse", env={**os.environ, "FORCE_COLOR": "1", "COLUMNS": "200", "TERM": "xterm"})
    assert process("rehearse", env={**os.environ, "NO_COLOR": "1"}).stdout == plain.stdout == coloured.stdout


def test_a_terminal_without_these_signs_gets_no_traceback():
    done = process("rehearse", "--step", "7", env={**os.environ, "PYTHONIOENCODING": "latin-1"}, encoding="latin-1")
    assert (done.returncode, done.stderr) == (0, "")
    assert "the mark ?A1 inlet opens?" in done.stdout


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device here that is always full")
def test_a_full_disk_behind_the_output():
    with Path("/dev/full").open("w") as full:
        done = process("events", stdout=full, stderr=subprocess.PIPE)
    assert (done.returncode, done.stderr) == (4, "the output cannot be written: no space left on device\n")


def test_interrupted_while_it_waits_for_a_reader():
    """A pipe that nobody reads holds the program in its last write; an interrupt ends it with 130."""
    with subprocess.Popen(
        [sys.executable, "-P", "-c", "from quillwise.viz.cli import main; main()", "events", "--json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        pipesize=4096,  # far less than the output: the write must wait, however fast the machine is
    ) as running:
        assert running.stdout is not None and running.stderr is not None
        assert os.read(running.stdout.fileno(), 1) == b"{"
        running.send_signal(signal.SIGINT)
        running.stdout.close()
        told = running.stderr.read()
        assert running.wait(timeout=60) == 130
    assert told == "Interrupted.\n"
