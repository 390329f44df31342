"""What the shell completes: engines, and what the engine of the line being typed has (couplings, steps, faults).

Where the engine cannot be read nothing is offered: a line that is being typed is no place for an error.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

import typer

from quillwise.kinematics.errors import QuillwiseError


def packaged(incomplete: str) -> list[str]:
    """The packaged engines that begin so; where none does, the shell goes on with its files and folders."""
    from quillwise.scenes import library

    return [name for name in library.names() if name.startswith(incomplete)]


def _of_the_engine(names: Callable[[str], Iterable[str]]) -> Callable[[typer.Context, str], list[str]]:
    """A completion by names that the engine of the line has, or the demonstration where it names none yet."""

    def offered(ctx: typer.Context, incomplete: str) -> list[str]:
        try:
            return [name for name in names(_engine(ctx)) if name.startswith(incomplete)]
        except QuillwiseError:
            return []

    return offered


def _engine(ctx: typer.Context) -> str:
    """The engine that the line names. While an option waits for its value, the words before it are not given out to
    the arguments yet: it may be one of those."""
    from quillwise.scenes import library
    from quillwise.viz.asked import DEMONSTRATION

    loose = [word for word in ctx.args if word in library.names() or Path(word).is_dir()]
    return loose[0] if loose else ctx.params.get("engine") or DEMONSTRATION


def _couplings(engine: str) -> Iterable[str]:
    from quillwise.scenes import reader

    return [coupling.name for coupling in reader.load(engine).couplings]


def _steps(engine: str) -> Iterable[str]:
    from quillwise.kinematics.sequence import play
    from quillwise.scenes import library

    return [step.key for step in play(library.engine(engine)).steps]


def _faults(engine: str) -> Iterable[str]:
    from quillwise.scenes import faults, library

    return faults.names(library.find(engine))


couplings = _of_the_engine(_couplings)
steps = _of_the_engine(_steps)
faults = _of_the_engine(_faults)
