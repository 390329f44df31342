"""The tree of errors, and the sentence for a name that does not exist."""

from __future__ import annotations

import pytest

from quillwise.kinematics.errors import (
    GraphicsError,
    OutputError,
    Problem,
    QuillwiseError,
    RequestError,
    SceneError,
    unknown,
)


@pytest.mark.parametrize("kind", [SceneError, RequestError, GraphicsError, OutputError])
def test_everything_a_user_can_act_on_is_one_tree(kind: type[Exception]) -> None:
    assert issubclass(kind, QuillwiseError)
    assert not issubclass(kind, ValueError)


def test_scene_error_carries_every_problem_in_order() -> None:
    problems = [Problem("couplings.quill-a", "no teeth"), Problem("", "no such folder"), Problem("crank", "too short")]
    error = SceneError(iter(problems))
    assert error.problems == tuple(problems)
    assert str(error) == "couplings.quill-a: no teeth\nno such folder\ncrank: too short"


@pytest.mark.parametrize(
    ("name", "defined", "sentence"),
    [
        (
            "quil-a",
            ["quill-a", "quill-b"],
            'unknown coupling "quil-a"; defined: quill-a, quill-b (did you mean quill-a?)',
        ),
        ("gearbox", ["quill-a"], 'unknown coupling "gearbox"; defined: quill-a'),
        ("quill-a", [], 'unknown coupling "quill-a"; defined: none'),
    ],
)
def test_unknown_name(name: str, defined: list[str], sentence: str) -> None:
    assert unknown("coupling", name, iter(defined)) == sentence
