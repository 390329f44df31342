"""Scales on drawings are those of ISO 5455."""

from __future__ import annotations

import json

import pytest
from typer.testing import CliRunner

from quillwise.scenes.library import engine as packaged
from quillwise.viz import cli
from quillwise.viz.scales import SCALES, in_words

# ISO 5455:1979, table 1, from memory; reductions go on to 1:10 000 there
ENLARGED = ["50:1", "20:1", "10:1", "5:1", "2:1"]
REDUCED = ["1:2", "1:5", "1:10", "1:20", "1:50"]


def test_scales_are_those_of_the_standard():
    assert [in_words(scale) for scale in SCALES] == [*ENLARGED, "1:1", *REDUCED]


@pytest.mark.parametrize("paper", ["A5", "a4", "A3"])
@pytest.mark.parametrize("what", ["section", "exploded"])
def test_a_drawing_says_one_of_them(tmp_path, what, paper):
    coupling = next(iter(packaged("gantry-eight").couplings))
    result = CliRunner().invoke(
        cli.app,
        ["draw", "gantry-eight", "--line", f"--{what}", coupling, "--paper", paper, "--json"]
        + ["-o", str(tmp_path / "drawing.svg")],
        prog_name="quillwise",
    )
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert told["scale"] in [*ENLARGED, "1:1", *REDUCED]
    assert f"({told['scale']})" in (tmp_path / "drawing.svg").read_text()
