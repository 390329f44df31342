"""Faults of an engine folder: set-ups done wrong on purpose, each a small file in its folder ``faults``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from quillwise.kinematics.errors import Problem, RequestError, SceneError, unknown
from quillwise.kinematics.model import Engine
from quillwise.kinematics.steps import parse_mistake
from quillwise.scenes import sources
from quillwise.scenes.fields import Keys, Text, Values, Whole
from quillwise.scenes.places import Layer, Place, printable

FOLDER = "faults"


class FaultKeys(Keys):
    """faults/<name>.toml"""

    format = Whole(1, 1).means("version of this format", "1")
    name = Text(80).means("the fault in a few words", '"Camshaft quill two teeth on"')
    about = Text(2000).means(
        "how it comes about, and what it looks like", '"The quill was counted from the wrong mark."'
    )
    mistakes = Values(Text(), 1, 8).means("what is done wrong, as `--mistake` takes it", '["other-tooth:quill-a=+2"]')


@dataclass(frozen=True, kw_only=True, slots=True)
class Fault:
    """A fault. ``key``: the name of its file, by which it is asked for."""

    key: str
    name: str
    about: str
    mistakes: tuple[str, ...]


def names(folder: Path) -> tuple[str, ...]:
    """The faults of an engine folder, by the names of their files, sorted; empty where it describes none. Raises
    nothing."""
    return tuple(sorted(file.stem for file in (folder / FOLDER).glob("*.toml")))


def check(folder: Path, engine: Engine) -> None:
    """Read every fault of a folder, and find its mistakes in the engine. Raises SceneError with all problems."""
    problems: list[Problem] = []
    for key in names(folder):
        try:
            fault = read(folder, key)
            for mistake in fault.mistakes:
                parse_mistake(engine, mistake)
        except SceneError as error:
            problems += error.problems
        except RequestError as error:
            problems.append(Problem(f"{FOLDER}/{printable(key)}.toml: mistakes", str(error)))
    if problems:
        raise SceneError(problems)


def read(folder: Path, key: str) -> Fault:
    """A fault of an engine folder, by its ``key``: the name of its file. Raises RequestError when there is none of that
    name, SceneError when it is wrong.

    >>> from quillwise.scenes import library
    >>> read(library.find("slipway-six"), "quill-four-on").mistakes
    ('other-tooth:quill=+4',)
    """
    if key not in names(folder):
        raise RequestError(unknown("fault", printable(key), (printable(name) for name in names(folder))))
    label = f"{FOLDER}/{printable(key)}.toml"
    raw = sources.read_table(folder / FOLDER / f"{key}.toml", label)
    problems: list[Problem] = []
    keys = FaultKeys(raw, Place(layers=(Layer(file=label, table=raw),), problems=problems))
    if problems:
        raise SceneError(problems)
    return Fault(key=key, name=keys.name, about=keys.about, mistakes=keys.mistakes)
