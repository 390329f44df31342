"""The judgement's data file: what it holds, one of the fitter's own laid over it, and wrong ones."""

from __future__ import annotations

import re
import tomllib
from itertools import pairwise

import pytest

from quillwise.kinematics.errors import SceneError
from quillwise.kinematics.judgement import CLASSES, KINDS
from quillwise.scenes import judging, library

PACKAGED = judging.PACKAGED.read_text(encoding="utf-8")


def read(tmp_path, text):
    path = tmp_path / "ours.toml"
    path.write_text(text, encoding="utf-8")
    return judging.read(path)


def test_every_figure_is_in_the_file_with_a_remark_that_calls_it_a_judgement():
    raw = tomllib.loads(PACKAGED)
    assert len(raw["classes"]) == len(CLASSES) and len(raw["minutes"]) == len(KINDS)
    lines = PACKAGED.splitlines()
    heads = {line: lines[number - 1] for number, line in enumerate(lines) if line.startswith("[")}
    assert len(heads) == 3 and all("A judgement" in above for above in heads.values())
    table = ""
    for above, line in pairwise(lines):
        table = line if line.startswith("[") else table
        if re.match(r"[a-z_]+ = ", line) and not line.startswith("format"):
            assert above.startswith("# "), line
            assert table or above.startswith("# A judgement. "), line


def test_the_shares_of_a_hundred_and_the_minutes():
    """The shares and minutes that were agreed on at the start; a judgement, no source."""
    packaged = judging.packaged()
    assert sum(packaged.classes.values()) == 100
    assert [packaged.classes[name] for name in CLASSES] == [14, 9, 7, 5, 20, 10, 8, 8, 6, 2, 4, 3, 2, 1, 1]
    between = {
        "look": (1, 2), "points gap": (2, 3), "clearance": (2, 3), "points break": (5, 5), "valve event": (5, 10),
        "lift, first of a valve": (15, 20), "lift, next": (3, 3), "true TDC": (20, 30), "magneto off": (60, 60),
        "quill drawn": (30, 60),
    }  # fmt: skip
    assert set(between) == set(packaged.minutes)
    for kind, (low, high) in between.items():
        assert low <= packaged.minutes[kind] <= high


def test_it_is_no_engine():
    assert "judgement" not in library.names()
    assert all((library.find(name) / "engine.toml").is_file() for name in library.names())


def test_what_differs_is_laid_over_the_packaged_one(tmp_path):
    own = read(tmp_path, "format = 1\nbacklash_deg = 2.5\n[classes]\nwrong_tooth = 22\npointer_or_disc_moved = 12\n")
    packaged = judging.packaged()
    assert own.backlash_deg == 2.5
    assert own.classes["wrong tooth"] == 22
    assert own.minutes == packaged.minutes
    assert own.u_pointer_deg == packaged.u_pointer_deg


@pytest.mark.parametrize(
    ("text", "messages"),
    [
        ("", ["ours.toml: format: missing: expected 1"]),
        ("format = 2\n", ["ours.toml: format: expected 1, got 2"]),
        ("format = 1\nbaklash_deg = 1\n", ['ours.toml: baklash_deg: unknown key "baklash_deg"']),
        (
            "format = 1\nsight_error = -0.1\nstands_out = true\n",
            [
                "ours.toml: sight_error: expected a number from 0.0001 to 0.5, got -0.1",
                "ours.toml: stands_out: expected a number from 0.5 to 0.9999, got true",
            ],
        ),
        (
            "format = 1\n[classes]\nwrong_tooth = 24\n",
            ["ours.toml: classes: expected shares that add up to 100, got 104"],
        ),
        (
            'format = 1\n[minutes]\nlook = "2"\ntrue_tdc = 0\n',
            [
                'ours.toml: minutes.look: expected a number from 0.1 to 1000, got "2"',
                "ours.toml: minutes.true_tdc: expected a number from 0.1 to 1000, got 0",
            ],
        ),
        ("format = 1\nclasses = 3\n", ["ours.toml: classes: expected a table, got 3"]),
        ("format = ", ["ours.toml: expected TOML: "]),
    ],
)
def test_wrong_files(tmp_path, text, messages):
    with pytest.raises(SceneError) as caught:
        read(tmp_path, text)
    told = [str(problem) for problem in caught.value.problems]
    assert len(told) == len(messages), told
    for one, message in zip(told, messages, strict=True):
        assert one.startswith(message), one
