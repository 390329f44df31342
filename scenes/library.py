"""The engines that come with the program, and engine folders of the user's own."""

from __future__ import annotations

import difflib
from pathlib import Path
from typing import TYPE_CHECKING

from quillwise.kinematics.errors import Problem, SceneError, unknown
from quillwise.scenes import sources
from quillwise.scenes.places import checked_text, printable

if TYPE_CHECKING:
    from quillwise.kinematics.model import Engine


def names() -> tuple[str, ...]:
    """The names of the packaged engines, sorted. Raises nothing.

    >>> names()[-1]
    'slipway-six'
    """
    return tuple(sources.packaged())


def find(name_or_path: str) -> Path:
    """The folder of a packaged engine (a bare name) or of the user's (a path). Raises SceneError where there is none,
    with the nearest name.

    A packaged name wins over a folder of that name in the current folder: write ``./name`` for that one.

    >>> find("slipway-six").name
    'slipway-six'
    """
    folders = sources.packaged()
    if name_or_path in folders:
        return folders[name_or_path]
    path = Path(name_or_path)
    if _kind(path) == "nothing" and not set(name_or_path) & set("/\\."):
        text = unknown("engine", printable(name_or_path), folders)
        own = difflib.get_close_matches(name_or_path, _own(), n=1)
        near = f" (did you mean ./{printable(own[0])}?)" if own else ""
        raise SceneError([Problem("", f"{text}; there is no folder of that name here either{near}")])
    return as_folder(path)


def _own() -> list[str]:
    """The engine folders in the current folder, as far as they can be told at a glance."""
    try:
        return sorted(file.parent.name for file in Path.cwd().glob(f"*/{sources.ENGINE}"))
    except OSError:
        return []


def as_folder(path: Path) -> Path:
    """The resolved path, if it is a folder whose name can be shown. Raises SceneError."""
    kind = _kind(path)
    if kind != "a folder":
        hint = ": give the folder that it is in" if path.name in (sources.ENGINE, sources.SETUP) else ""
        raise SceneError([Problem("", f'expected an engine folder, got {kind}, "{printable(str(path), 200)}"{hint}')])
    folder = path.resolve()
    try:
        checked_text(folder.name)
    except ValueError as error:
        raise SceneError([Problem("", f"name of the engine folder: {error}")]) from None
    return folder


def engine(name_or_path: str) -> Engine:
    """The engine of a packaged name or a folder, checked as a mechanism too: angles in degrees, lengths in mm, ratios
    exact.

    Raises SceneError with every problem, each with its file and key.

    >>> engine("larkfell-port").shafts["camshaft A"].turns
    Fraction(1, 2)
    """
    # imported here: names and paths are answered without the mechanism's libraries
    from quillwise.kinematics import build
    from quillwise.scenes import reader

    sheet = reader.load(name_or_path)
    try:
        return build.build(sheet)
    except SceneError as error:
        raise SceneError(Problem(_in_file(problem.path), problem.message) for problem in error.problems) from None


def _in_file(path: str) -> str:
    """The key path of a problem of the mechanism, with the file that it is in: those of "setup." are in setup.toml."""
    in_setup = path.removeprefix("setup.")
    if in_setup != path:
        return f"{sources.SETUP}: {in_setup}"
    return f"{sources.ENGINE}: {path}" if path else sources.ENGINE


def _kind(path: Path) -> str:
    try:
        return "a folder" if path.is_dir() else "a file" if path.exists() else "nothing"
    except (OSError, ValueError):  # a name that the file system does not take
        return "nothing"
