"""NUMBERS.md: what it computes comes out as printed, and every module that it names is there."""

from __future__ import annotations

import doctest
import importlib
import re
from pathlib import Path

PAGE = Path(__file__).parents[2] / "kinematics" / "NUMBERS.md"
TEXT = PAGE.read_text("utf-8")


def test_its_figures_are_computed() -> None:
    done = doctest.testfile(str(PAGE), module_relative=False)
    assert done.failed == 0
    # every fenced example is one that doctest sees
    assert done.attempted == TEXT.count("\n>>> ") > 25


def test_the_modules_that_it_names_exist_and_are_used() -> None:
    named = set(re.findall(r"`([a-z_]+)`", TEXT))
    assert len(named) >= 15
    for name in named:
        assert importlib.import_module(f"quillwise.kinematics.{name}").__doc__, name
    # whatever a formula stands in is named
    assert named >= {"angles", "cams", "couplings", "cranks", "gears", "magnetos", "posterior", "room", "verdicts"}


def test_it_names_the_limits_of_the_model() -> None:
    limits = TEXT.partition("## Limits of the model")[2]
    for word in ("elasticity", "wear", "lubrication film", "dynamics"):
        assert f"No {word}" in limits
