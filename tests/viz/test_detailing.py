"""A detail is the view, enlarged by the factor that stands beside it, about the circle that is drawn in the view."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from quillwise.viz import cli

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(autouse=True)
def in_its_own_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def run(*arguments, code=0):
    result = CliRunner().invoke(cli.app, ["draw", "slipway-six", *arguments], prog_name="quillwise")
    assert result.exit_code == code, result.output
    return (result.stderr if code else result.stdout).strip()


def points(root, wanted):
    """All points of the groups whose name is wanted, in mm of paper."""
    found = []
    for group in root.iter(f"{SVG}g"):
        if not wanted(group[0].text):
            continue
        for path in group.iter(f"{SVG}path"):
            for part in path.get("d").split("M")[1:]:
                numbers = [float(each) for each in re.findall(r"-?\d*\.?\d+", part)]
                found.append(np.cumsum(np.reshape(numbers, (-1, 2)), axis=0))
    return np.vstack(found)


@pytest.mark.parametrize(("view", "paper"), [("wheelcase end", "A4"), ("three-quarter", "A3")])
def test_the_detail_is_the_view_enlarged(view, paper):
    root = ET.fromstring(
        Path(run("--line", "--detail", "timing window", "--view", view, "--paper", paper)).read_bytes()
    )
    (told,) = [each.text for each in root.iter(f"{SVG}text") if each.text.startswith("A, ")]
    times = float(re.fullmatch(r"A, (\d+) × the view", told)[1])
    circles = {
        (float(each.get("cx")), float(each.get("cy")), float(each.get("r"))) for each in root.iter(f"{SVG}circle")
    }
    (x, y, small), (to_x, to_y, large) = sorted(circles, key=lambda circle: circle[2])
    assert large == pytest.approx(times * small, abs=0.1)
    plain = points(root, lambda name: name == "timing window")
    magnified = points(root, lambda name: name == "detail A: timing window")
    # its bounding box, mapped about the circles' middles; paths are to 0.01 mm
    for corner in (np.min, np.max):
        wanted = np.array([to_x, to_y]) + times * (corner(plain, axis=0) - (x, y))
        assert corner(magnified, axis=0) == pytest.approx(wanted, abs=0.02 * times)
    away = np.linalg.norm(points(root, lambda name: name.startswith("detail A: ")) - (to_x, to_y), axis=1)
    assert away.max() <= large + 0.02
    # the circle holds the part, and the detail keeps clear of the view
    assert np.linalg.norm(plain - (x, y), axis=1).max() <= small + 0.05
    view_right = points(root, lambda name: not name.startswith(("detail", "centre"))).max(axis=0)[0]
    assert view_right < to_x - large


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--line", "--detail", "crankshaft"), "--detail: this view shows the crankshaft large enough"),
        (("--line", "--detail", "windo"), 'unknown part "windo"'),
        (
            ("--line", "--detail", "timing window", "--view", "output end"),
            "--detail: nothing is seen of the timing window",
        ),
        (("--line", "--detail", "timing window", "--step", "2"), "--detail is for a parallel view of the whole"),
        (("--detail", "timing window"), "--detail is for --line"),
    ],
)
def test_wrong_requests_are_told(arguments, message):
    assert run(*arguments, code=2).startswith(message)
    assert not list(Path().iterdir())
