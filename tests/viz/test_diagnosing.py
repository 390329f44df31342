"""The command diagnose on readings that the program wrote, and on the wrong ones."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from quillwise.scenes import faults, library
from quillwise.viz import cli

FAULTS = [
    pytest.param(name, fault, marks=() if name == "slipway-six" else pytest.mark.slow)
    for name in library.names()
    for fault in faults.names(library.find(name))
]


def run(*arguments: str, code: int = 0) -> str:
    result = CliRunner().invoke(cli.app, ["--quiet", *arguments], prog_name="quillwise")
    assert result.exit_code == code, result.output
    return result.stderr if code == 2 else result.stdout


@pytest.mark.parametrize(("scene", "fault"), FAULTS)
def test_packaged_faults_are_found(scene, fault, tmp_path):
    """The readings alone go in, through a file: the coupling or shaft that is wrong is named first or in the tie."""
    told = faults.read(library.find(scene), fault)
    path = tmp_path / "readings.toml"
    run("rehearse", scene, "--fault", fault, "--readings", str(path), code=1)
    record = json.loads(run("diagnose", str(path), "--json", "--no-next", code=1))
    at = told.mistakes[0].split(":")[1].split("=")[0]
    names = [
        cause["name"] for cause in record["causes"] if cause["tied_with_the_first"] or cause is record["causes"][0]
    ]
    assert any(at in name for name in names), names
    assert sum(cause["probability"] for cause in record["causes"]) <= 1.0 + 1e-9
    first = record["causes"][0]
    assert first["cure"]["do"]
    assert first["cure"]["repeat"]
    text = run("diagnose", str(path), scene, "--no-next", code=1)
    assert text.splitlines()[0].startswith("Before anything is drawn: take all readings")
    assert max(len(line) for line in text.splitlines()) <= 80
    assert text.splitlines()[-1] == "Briefing aid. Not approved data."
    assert f"{100 * first['probability']:.1f} %" in text


def test_the_readings_are_counted_as_they_were_written(tmp_path):
    path = tmp_path / "readings.toml"
    for scene in ("slipway-six", "larkfell-port"):
        result = CliRunner().invoke(cli.app, ["rehearse", scene, "--readings", str(path), "--force"])
        count = len(re.findall(r"^\[\[\w+\]\]$", path.read_text("utf-8"), re.MULTILINE))
        assert result.stderr == f"{count} readings written to {path}\n"
        assert f": {count} readings, the disc proved." in run("diagnose", str(path), "--no-next")


@pytest.mark.parametrize(
    ("scene", "words"),
    [
        ("slipway-six", "Nobody has looked at the plug leads of the winch magneto: no other reading shows"),
        ("larkfell-port", "Nobody has looked at the plug leads of the exhaust-side and inlet-side magnetos: no other"),
    ],
)
def test_plug_leads_that_nobody_has_looked_at_are_told(scene, words, tmp_path):
    path = tmp_path / "readings.toml"
    run("rehearse", scene, "--readings", str(path))
    assert words in " ".join(run("diagnose", str(path), "--no-next").split())
    magnetos = list(library.engine(scene).magnetos)
    with path.open("a", encoding="utf-8") as file:
        file.write(f'\n[[sights]]\nkind = "leads as the chart"\nsubject = "{magnetos[0]}"\n')
    record = json.loads(run("diagnose", str(path), "--no-next", "--json"))
    assert record["plug_leads_not_looked_at"] == magnetos[1:]
    assert f"leads of the {magnetos[0]}" not in " ".join(run("diagnose", str(path), "--no-next").split())


def test_nothing_wrong_is_said_too(tmp_path):
    path = tmp_path / "right.toml"
    run("rehearse", "slipway-six", "--readings", str(path))
    record = json.loads(run("diagnose", str(path), "--json", "--no-next"))
    tied = [cause["name"] for cause in record["causes"] if cause["tied_with_the_first"]]
    assert "nothing wrong" in tied
    assert record["tie"]


def test_the_next_reading(tmp_path):
    path = tmp_path / "readings.toml"
    run("rehearse", "slipway-six", "--fault", "quill-four-on", "--readings", str(path), code=1)
    record = json.loads(run("diagnose", str(path), "--json", code=1))
    told = [each["bits_per_minute"] for each in record["next_readings"]]
    assert told == sorted(told, reverse=True)
    for each in record["next_readings"]:
        assert each["bits_per_minute"] == pytest.approx(each["bits"] / each["minutes"])


def test_a_blank_form(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    run("diagnose", "--blank", "slipway-six")
    assert Path("slipway-six-readings.toml").read_text().startswith("# Readings as found. Briefing aid.")
    assert "exists; --force overwrites it" in CliRunner().invoke(cli.app, ["diagnose", "--blank", "slipway-six"]).stderr
    assert run("diagnose", "slipway-six-readings.toml", code=2) == "slipway-six-readings.toml: it holds no reading\n"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((), "give a readings file; --blank writes an empty one for an engine"),
        (("no-such.toml",), "no-such.toml: "),
    ],
)
def test_wrong_requests(arguments, message, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert run("diagnose", *arguments, code=2).startswith(message)


def test_a_judgement_of_ones_own_changes_the_ranking(tmp_path):
    """Where leads are never changed over, that cause is gone; where a look takes an hour, it is not proposed first."""
    path, own = tmp_path / "readings.toml", tmp_path / "ours.toml"
    run("rehearse", "slipway-six", "--readings", str(path))
    own.write_text(
        "format = 1\n[classes]\ntwo_leads_changed_over = 0\nwrong_tooth = 26\n[minutes]\nlook = 600\n",
        encoding="utf-8",
    )
    plain = json.loads(run("diagnose", str(path), "--json"))
    changed = json.loads(run("diagnose", str(path), "--json", "--judgement", str(own)))
    assert any("two plug leads" in cause["name"] for cause in plain["causes"])
    assert not any("two plug leads" in cause["name"] for cause in changed["causes"])
    assert plain["next_readings"][0]["minutes"] == 1.5
    assert changed["next_readings"][0]["minutes"] != 600
    own.write_text("format = 1\nworth = 1\n", encoding="utf-8")
    message = run("diagnose", str(path), "--judgement", str(own), code=2)
    assert message.startswith('ours.toml: worth: unknown key "worth"')


def test_the_empty_file_goes_where_it_is_named(tmp_path, monkeypatch):
    """By the argument or by -o; both at once are refused, and nothing is written."""
    monkeypatch.chdir(tmp_path)
    runner = CliRunner()
    result = runner.invoke(cli.app, ["diagnose", "--blank", "mine.toml", "slipway-six"], prog_name="quillwise")
    assert result.exit_code == 0, result.output
    assert Path("mine.toml").read_text().startswith("#")
    result = runner.invoke(cli.app, ["diagnose", "--blank", "a.toml", "slipway-six", "-o", "b.toml"])
    assert result.exit_code == 2
    assert result.stderr == '--blank writes one file: "b.toml" or "a.toml", not both\n'
    assert not Path("a.toml").exists() and not Path("b.toml").exists()


@pytest.mark.parametrize(("off", "other"), [(4, True), (-8, False)])
def test_the_cure_says_where_its_teeth_are_not_those_of_the_cause(off, other, tmp_path):
    """A cause of k teeth on is cured by k back, or a NOTE before the count says that the readings ask for another."""
    path = tmp_path / "readings.toml"
    run("rehearse", "slipway-six", "--mistake", f"other-tooth:quill={off:+}", "--readings", str(path), code=1)
    first = json.loads(run("diagnose", str(path), "--json", "--no-next", code=1))["causes"][0]
    said, way = re.match(r"quill (\d+) teeth (on|back) at its driving end", first["name"]).groups()
    cure = first["cure"]
    differs = cure["teeth"]["quill"]["driving"] != (-int(said) if way == "on" else int(said))
    notes = [number for number, line in enumerate(cure["do"]) if line.startswith("NOTE: The cause says ")]
    assert (differs, len(notes)) == (other, int(other))
    if other:
        assert cure["do"][notes[0]].startswith(f"NOTE: The cause says {said} teeth, ")
        assert cure["do"][notes[0] + 1].startswith("Turn the quill ")
