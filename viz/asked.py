"""What a command was asked for: the engine, the mistakes, a step; shared by all commands."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar

import typer

from quillwise.kinematics.errors import RequestError, unknown
from quillwise.viz import completion

if TYPE_CHECKING:
    from quillwise.kinematics.model import Engine
    from quillwise.kinematics.sequence import Played
    from quillwise.kinematics.steps import Mistake, Step
    from quillwise.scenes.faults import Fault


Format = TypeVar("Format", bound=StrEnum)
_FORMATS = (
    "svg",
    "pdf",
    "png",
    "jpg",
    "jpeg",
    "mp4",
    "gif",
    "glb",
    "gltf",
    "stl",
    "3mf",
    "html",
)  # known by their names
DEMONSTRATION = "larkfell-port"


@dataclass(frozen=True, kw_only=True, slots=True)
class Manner:
    """How the program behaves in all commands. ``quiet``: no remarks and no progress on stderr. ``debug``: with an
    error, its traceback."""

    quiet: bool = False
    debug: bool = False


EngineName = Annotated[
    str,
    typer.Argument(
        metavar="[ENGINE]", help="A packaged engine, or an engine folder.", autocompletion=completion.packaged
    ),
]
MistakeTexts = Annotated[
    list[str] | None,
    typer.Option(
        "--mistake",
        metavar="KIND:AT[=WHAT]",
        help="Do a step wrong: other-tooth:COUPLING=TEETH, wrong-mark:SHAFT=MARK, exhaust-stroke:MAGNETO. Repeatable.",
    ),
]


def format_of(asked: Format | None, output: Path | None, usual: Format) -> Format:
    """The format that is asked for, or that the output's name ends with, or the usual one. Raises RequestError when the
    name ends with another format than the one asked for, or with one that the command does not write."""
    kinds = {str(each): each for each in type(usual)}
    check_format(output, *kinds)
    named = None if output is None else kinds.get(_ending(output))
    if asked is not None and named not in (None, asked):
        raise RequestError(f"{output}: the name ends with .{named}, and --format asks for {asked}")
    return asked or named or usual


def check_format(output: Path | None, *kinds: str) -> None:
    """Raises RequestError when the output's name ends with a format that the command does not write."""
    if output is not None and _ending(output) in _FORMATS and _ending(output) not in kinds:
        raise RequestError(f"{output}: the name ends with .{_ending(output)}; expected {', '.join(kinds)}")


def _ending(output: Path) -> str:
    return output.suffix.lower().removeprefix(".")


def open_engine(name: str) -> Engine:
    """The packaged engine of that name, or the engine of that folder. Raises SceneError with all that is wrong."""
    from quillwise.scenes import library

    return library.engine(name)


def fault_of(engine: str, name: str | None = None) -> Fault | None:
    """The fault of an engine folder by its name, or its first; None where it describes none and none is asked for.
    Raises RequestError for a name that it does not describe."""
    from quillwise.scenes import faults, library

    folder = library.find(engine)
    known = faults.names(folder)
    if name is None and not known:
        return None
    return faults.read(folder, name or known[0])


def play_with(engine: Engine, texts: Sequence[str] | None) -> tuple[tuple[Mistake, ...], Played]:
    """The set-up played with the mistakes; each must be one that some step of it can make (RequestError)."""
    from quillwise.kinematics.sequence import play
    from quillwise.kinematics.steps import parse_mistake

    mistakes = tuple(parse_mistake(engine, text) for text in texts or ())
    for number, mistake in enumerate(mistakes):
        if any((other.kind, other.at) == (mistake.kind, mistake.at) for other in mistakes[:number]):
            raise RequestError(f"two mistakes of the kind {mistake.kind} at {mistake.at}; give one")
    played = play(engine, mistakes)
    made = {step.mistake for step in played.steps}
    for mistake in mistakes:
        if str(mistake) not in made:
            raise RequestError(f"mistake {mistake}: no step of this set-up can make it")
    return mistakes, played


def find_step(played: Played, wanted: str) -> Step:
    """The step of that number or key. Raises RequestError that says which there are."""
    steps = played.steps
    if wanted.isascii() and wanted.isdigit():
        if not 1 <= int(wanted) <= len(steps):
            raise RequestError(f"expected a step from 1 to {len(steps)}, or its key, got {wanted}")
        return steps[int(wanted) - 1]
    by_key = {step.key: step for step in steps}
    if wanted not in by_key:
        raise RequestError(unknown("step", wanted, by_key))
    return by_key[wanted]


def check_degrees(option: str, value: float, most: float) -> None:
    """Raises RequestError when the value is no number or lies beyond ±most."""
    if not (math.isfinite(value) and abs(value) <= most):
        raise RequestError(f"{option}: expected degrees from -{most:g} to {most:g}, got {value:g}")
