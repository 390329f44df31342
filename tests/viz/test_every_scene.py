"""Every packaged engine through every command."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from quillwise.scenes import faults, library, reader
from quillwise.viz import cli

LAST_LINE = "Briefing aid. Not approved data."
FAULTS = [(name, fault) for name in library.names() for fault in faults.names(library.find(name))]


def run(*arguments: str, code: int = 0):
    result = CliRunner().invoke(cli.app, ["--quiet", *arguments], prog_name="quillwise")
    assert (result.exit_code, result.stderr) == (code, ""), result.exception or result.output
    return result.stdout


def figures(*arguments: str, code: int = 0):
    return json.loads(run(*arguments, "--json", code=code))


@pytest.fixture(
    params=[
        name if name in ("slipway-six", "launch-inverted") else pytest.param(name, marks=pytest.mark.slow)
        for name in library.names()
    ]
)
def name(request) -> str:
    return request.param


def test_figures(name, tmp_path):
    """Events, vernier of each coupling, rehearsal, readings, validation, a form: words and JSON, nothing rejected."""
    sheet = reader.load(name)
    couplings = [coupling.name for coupling in sheet.couplings]
    readings = tmp_path / "readings.toml"
    commands = [("events", name, "--as-set"), ("rehearse", name, "--readings", str(readings), "--force")]
    commands += [("accuracy", name, "--draws", "1000"), ("events", name, "--round", "--at", "100")]
    commands += [("validate", name), *(("vernier", coupling, name) for coupling in couplings)]
    for command in commands:
        text = run(*command)
        assert text.splitlines()[-1] == LAST_LINE
        assert max(len(line) for line in text.splitlines()) <= 80
        assert figures(*command)["scene"] == name
    rehearsal = figures("rehearse", name)
    assert rehearsal["tally"]["reject"] == rehearsal["tally"]["not_proved"] == 0
    assert rehearsal["tally"]["accept"] >= 10
    assert all(step["key"] for step in rehearsal["steps"])
    assert len({step["key"] for step in rehearsal["steps"]}) == rehearsal["step_count"]
    events = figures("events", name)["events"]
    breaks = [event for event in events if event["magneto"]]
    assert len(breaks) >= len(sheet.firing_order)  # every cylinder is fired by one magneto at least
    assert len(events) - len(breaks) >= 4 * len(sheet.firing_order)
    run("new", str(tmp_path / "mine"), "--like", name)
    assert figures("validate", str(tmp_path / "mine"))["valid"]


@pytest.mark.parametrize(("scene", "fault"), FAULTS)
def test_fault(scene, fault, tmp_path):
    """A fault is rejected, and told; its readings in the package are those that the program writes."""
    told = faults.read(library.find(scene), fault)
    path = tmp_path / "readings.toml"
    record = figures("rehearse", scene, "--fault", fault, "--readings", str(path), code=1)
    assert record["tally"]["reject"] > 0
    assert record["mistakes"] == list(told.mistakes)
    assert record["fault"] == {"key": fault, "name": told.name, "about": told.about}
    text = " ".join(run("rehearse", scene, "--fault", fault, code=1).split())
    assert f"Fault: {told.name}. {told.about}" in text
    packaged = library.find(scene) / "readings" / f"{fault}.toml"
    written, kept = (tomllib.loads(file.read_text(encoding="utf-8")) for file in (path, packaged))
    assert written.keys() == kept.keys()
    for group in ("valve_events", "points_breaks"):
        for new, old in zip(written.pop(group), kept.pop(group), strict=True):
            assert new.pop("crank_deg") == pytest.approx(old.pop("crank_deg"), abs=1e-6)
            assert new == old
    assert written == kept


def test_each_engine_has_a_fault():
    assert {scene for scene, _ in FAULTS} == set(library.names())


def test_picture(name, tmp_path):
    """A small picture of the mechanism: parts on a good share of it, none cut off at its edge. A plate of a step."""
    path = tmp_path / "view.png"
    run("draw", name, "--view", "three-quarter", "--size", "320x240", "-o", str(path))
    image = np.asarray(Image.open(path).convert("RGB"), dtype=int)
    drawn = np.abs(image - image[0, 0]).max(axis=2) > 40
    assert drawn[:215].mean() > 0.05  # below stands the disclaimer
    assert not drawn[0].any() and not drawn[:, 0].any() and not drawn[:, -1].any()
    plate = tmp_path / "plate.png"
    run("draw", name, "--step", "two-turns", "--size", "800x520", "--dpi", "45", "-o", str(plate))
    with Image.open(plate) as found:
        assert found.size == (800, 520)


@pytest.mark.slow
def test_pictures_and_film(name, tmp_path):
    """Every step's plate is written, and a film of each step."""
    count = figures("rehearse", name)["step_count"]
    run("draw", name, "--size", "800x520", "--dpi", "45", "-o", str(tmp_path / "plates"))
    assert len(list(Path(tmp_path / "plates").glob("*.png"))) == count
    film = tmp_path / "film.gif"
    run(
        "film", name, "--cycle", "--seconds", "1", "--fps", "4", "--size", "320x240", "--format", "gif", "-o", str(film)
    )
    with Image.open(film) as found:
        assert found.n_frames >= 4


def test_an_unknown_fault_is_bad_input():
    result = CliRunner().invoke(cli.app, ["rehearse", "larkfell-port", "--fault", "x"], prog_name="quillwise")
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr == 'unknown fault "x"; defined: quill-a-four-on\n'
