"""INTERFACE.md: every public function is there with its parameters, says what it needs, and the examples run."""

from __future__ import annotations

import doctest
import importlib
import inspect
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quillwise.kinematics.errors import RequestError, SceneError
from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import rig
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import parse_mistake
from quillwise.kinematics.timing import timing_table
from quillwise.meshes.build import mesh
from quillwise.scenes import library

# numbers of some unit; a count of a thing is one too
NUMERIC = re.compile(r"\b(float|int|ArrayLike|Floats|Fraction)\b")
PAGE = Path(__file__).parent / "INTERFACE.md"
LISTED = re.findall(r"^\| `([\w.]+)\(([\w, ]*)\)` \| .+ \|$", PAGE.read_text("utf-8"), re.MULTILINE)


def function(name: str) -> Any:
    """The public function of that name, as INTERFACE.md writes it."""
    module, _, its_name = name.rpartition(".")
    return getattr(importlib.import_module(f"quillwise.{module}"), its_name)


def test_the_four_packages_are_listed() -> None:
    assert {name.split(".")[0] for name, _ in LISTED} == {"kinematics", "meshes", "scenes", "viz"}
    assert len(LISTED) == len(dict(LISTED)) == PAGE.read_text("utf-8").count("\n| `")


@pytest.mark.parametrize(("name", "parameters"), LISTED, ids=[name for name, _ in LISTED])
def test_a_public_function_is_as_listed(name: str, parameters: str) -> None:
    assert ", ".join(inspect.signature(function(name)).parameters) == parameters


@pytest.mark.parametrize("name", [name for name, _ in LISTED])
def test_its_docstring_says_what_goes_in_and_what_is_raised(name: str) -> None:
    """A sentence on what it gives, every number that goes in by its name, and which errors come out."""
    found = function(name)
    told = inspect.getdoc(found) or ""
    first = told.partition("\n\n")[0]
    assert first.rstrip().endswith((".", ":")) and len(first) > 20
    assert re.search(r"\b[Rr]aises\b", told), "its errors"
    for parameter in inspect.signature(found).parameters.values():
        if NUMERIC.search(str(parameter.annotation)):
            assert re.search(rf"\b{parameter.name}\b", told), parameter.name
    if NUMERIC.search(str(inspect.signature(found).return_annotation)) or "Event" in name:
        assert re.search(r"\[|\bnumber of\b|\bdeg|\bmm\b", told), "the unit of what it gives"


def test_the_examples_in_the_docstrings_run() -> None:
    runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE)
    for name, _ in LISTED:
        found = function(name)
        for each in doctest.DocTestFinder(recurse=False).find(found, name, globs=dict(found.__globals__)):
            runner.run(each)
    assert runner.summarize(verbose=False).failed == 0
    assert runner.tries >= 15


def test_the_errors_are_those_that_the_docstrings_say() -> None:
    engine = library.engine("slipway-six")
    as_set = play(engine).as_set
    stranger = Part(kind=Kind.PISTON, of="Z9")
    with pytest.raises(ValueError, match="broadcast"):
        motion(engine, as_set, np.zeros(3), {"camshaft A": np.zeros(2)})
    with pytest.raises(KeyError):
        poses(rig(engine), motion(engine, as_set, 0.0), [stranger])
    with pytest.raises(KeyError):
        mesh(engine, stranger)
    with pytest.raises(KeyError):
        timing_table(engine, as_set, {"A1 inlet": 0.4})
    with pytest.raises(ValueError, match="below zero"):
        timing_table(engine, as_set, dict.fromkeys(engine.valves, -0.1))
    with pytest.raises(RequestError, match='unknown coupling "quil"'):
        parse_mistake(engine, "other-tooth:quil=+1")
    with pytest.raises(SceneError, match="unknown engine"):
        library.find("slipway-7")


def test_the_examples_run() -> None:
    done = doctest.testfile(str(PAGE), module_relative=False, optionflags=doctest.NORMALIZE_WHITESPACE)
    assert done.failed == 0
    assert done.attempted > 20
