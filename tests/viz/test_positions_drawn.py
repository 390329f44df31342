"""The angle between two positions of a coupling, measured back from the drawing."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from quillwise.scenes.library import engine as packaged
from quillwise.viz import cli

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(autouse=True)
def in_its_own_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def run(*arguments, code=0):
    result = CliRunner().invoke(cli.app, list(arguments), prog_name="quillwise")
    assert result.exit_code == code, result.output
    return (result.stderr if code else result.stdout).strip()


def drawn(*arguments):
    return ET.fromstring(Path(run("draw", *arguments, "--line")).read_bytes())


def lines_of(root, title):
    """Polylines of the groups of that name, in mm of paper."""
    found = []
    for group in (each for each in root.iter(f"{SVG}g") if each[0].text == title):
        for path in group.iter(f"{SVG}path"):
            for part in path.get("d").split("M")[1:]:
                numbers = [float(each) for each in re.findall(r"-?\d*\.?\d+", part)]
                found.append(np.cumsum(np.reshape(numbers, (-1, 2)), axis=0))
    return found


def arm(root, title):
    (line,) = lines_of(root, title)
    return line


def angle_deg(root):
    """Signed angle from the first arm to the second, + clockwise in the picture: y runs downwards on paper."""
    one, other = (arm(root, f"angle: {end}") for end in ("from", "to"))
    a, b = (each[-1] - each[0] for each in (one, other))
    return float(np.degrees(np.arctan2(a[0] * b[1] - a[1] * b[0], a @ b)))


def early_crank_deg(name, event, *mistake):
    """Of an event as set, from the timing table: what the whole train makes of it."""
    result = CliRunner().invoke(cli.app, ["events", name, "--as-set", "--json", *mistake], prog_name="quillwise")
    (found,) = [each for each in json.loads(result.stdout)["events"] if each["name"] == event]
    return found["as_set"]["early_crank_deg"]


@pytest.mark.parametrize(
    ("name", "coupling", "teeth", "event"),
    [
        ("larkfell-port", "quill-a", "+4", "A1 inlet opens"),
        ("slipway-six", "sleeve", "-3", "A1 winch points break"),
        ("gantry-eight", "quill-right", "+7", "B1 inlet opens"),
    ],
)
def test_the_angle_drawn_is_that_of_the_timing_table(name, coupling, teeth, event):
    """Degrees of the shaft: the shift of its event × its turns a crank turn; ahead in its running direction when
    early, seen from its viewing end."""
    wrong = ("--mistake", f"other-tooth:{coupling}={teeth}")
    shift = early_crank_deg(name, event, *wrong) - early_crank_deg(name, event)
    engine = packaged(name)
    shaft = engine.shafts[engine.couplings[coupling].driven]
    wanted = shift * abs(float(shaft.turns))
    root = drawn(name, "--coupling", coupling, *wrong)
    assert angle_deg(root) == pytest.approx(shaft.sense * wanted, abs=0.05)  # paths are to 0.01 mm, arms over 20 mm
    texts = [each.text for each in root.iter(f"{SVG}text")]
    assert f"{abs(wanted):.2f}°" in texts
    way = "early" if shift > 0 else "late"
    assert any(f"{abs(wanted):.2f}° of the shaft, {abs(shift):.2f} crank degrees {way}." in text for text in texts)
    groups = [each for each in root.iter(f"{SVG}g") if each[0].text == f"coupling mate {coupling} driven"]
    dashes = [path.get("stroke-dasharray") for each in groups for path in each.iter(f"{SVG}path")]
    assert "6 0.75 0.125 0.75 0.125 0.75" in dashes, "line 05.1, the intended place"


def test_the_pitch_circle_of_a_quill():
    """Line 04.1 round the axis: its radius is to the distance between two teeth as 1 to 2 sin (180°/N)."""
    root = drawn("larkfell-port", "--coupling", "quill-a", "--mistake", "other-tooth:quill-a=+4")
    line = max(lines_of(root, "pitch circle of quill-a"), key=len)
    middle = (line.min(axis=0) + line.max(axis=0)) / 2
    radius = np.linalg.norm(line - middle, axis=1)
    assert np.ptp(radius) < 0.1
    (from_, to) = (arm(root, f"angle: {end}") for end in ("from", "to"))
    for each in (from_, to):  # both arms point at the axis
        way = (each[1] - each[0]) / np.linalg.norm(each[1] - each[0])
        off = (middle - each[0]) @ np.array([-way[1], way[0]])
        assert abs(off) < 0.15
    # the teeth of the drawn ring reach across it, either side
    mate = np.vstack(lines_of(root, "coupling mate quill-a driven"))
    reach = np.linalg.norm(mate - middle, axis=1)
    teeth = reach[reach < 1.25 * radius.mean()]
    assert teeth.min() < radius.mean() < teeth.max()


def test_a_step_shows_how_far_the_teeth_are_out_of_line():
    told = json.loads(run("rehearse", "slipway-six", "--step", "winch-try", "--json"))["steps"][0]
    (taken,) = [each for each in told["trials"] if each["driving_tooth"] == told["tooth_taken"]]
    root = drawn("slipway-six", "--coupling", "sleeve", "--step", "winch-try")
    texts = [each.text for each in root.iter(f"{SVG}text")]
    assert f"{abs(taken['out_of_line_shaft_deg']):.2f}°" in texts
    assert not [each for each in root.iter(f"{SVG}g") if each[0].text.startswith("pitch circle")], "dogs have none"


def test_as_intended_has_no_angle():
    root = drawn("slipway-six", "--coupling", "quill")
    assert not [each for each in root.iter(f"{SVG}g") if each[0].text.startswith("angle")]
    assert "The teeth are in line." in [each.text for each in root.iter(f"{SVG}text")]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--line", "--coupling", "quil"), 'unknown coupling "quil"'),
        (("--coupling", "quill"), "--coupling is for --line"),
        (
            ("--line", "--coupling", "quill", "--hidden"),
            "--hidden, --perspective and --callouts are not for --coupling",
        ),
    ],
)
def test_wrong_requests_are_told(arguments, message):
    assert run("draw", "slipway-six", *arguments, code=2).startswith(message)
    assert not list(Path().iterdir())
