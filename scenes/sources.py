"""The files of an engine folder as raw tables, and the chain of folders that ``like`` names.

A file that says ``like`` is laid over the file of the other folder key by key: tables are merged, arrays
replaced whole. Each file keeps its own ``length_unit`` and ``seen_from``; left out, they are the other's.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from quillwise.kinematics.datasheet import VIEWED_FROM_OUTPUT, VIEWED_FROM_WHEELCASE
from quillwise.kinematics.errors import Problem, SceneError, unknown
from quillwise.kinematics.lengths import MM_PER_UNIT, LengthUnit
from quillwise.scenes.places import Layer, printable, shown

ENGINE = "engine.toml"
SETUP = "setup.toml"
FORMAT = 1
LARGEST_FILE = 1_000_000
LONGEST_CHAIN = 5
_DEEPEST_TABLE = 12
_PACKAGED = Path(__file__).resolve().parent
_MISSING = "missing: expected a file in the engine folder, as `quillwise new` writes it"
_LONGEST_KEY = 20
# tomllib takes time with the square of the parts of a dotted key
_DEEP_KEY = re.compile(
    rb"""(?<![\w-])(?:(?:[\w-]++|"(?:[^"\\\n]|\\.)*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){%d}""" % _LONGEST_KEY
)
_LIKE = re.compile(r"(\.\./)?[A-Za-z0-9_-]+")


def packaged() -> dict[str, Path]:
    """The folders of the packaged engines, by name, sorted."""
    return {file.parent.name: file.parent for file in sorted(_PACKAGED.glob(f"*/{ENGINE}"))}


@dataclass(frozen=True, kw_only=True, slots=True)
class _Link:
    """A folder of a chain, and how the folder that was asked for names it: empty, or "larkfell-port/"."""

    folder: Path
    prefix: str = ""


def chain(folder: Path, name: str) -> tuple[Layer, ...]:
    """The layers of a file of an engine folder, its own first. ``name``: ENGINE or SETUP.

    A setup.toml may be left out where the engine.toml beside it says ``like``. Raises SceneError.
    """
    link: _Link | None = _Link(folder=folder.resolve())
    visited: list[Path] = []
    tables: list[tuple[str, dict[str, Any]]] = []
    label = name
    while link:
        if link.folder in visited:
            raise _error(label, "expected a folder that does not lead back here, got a circle", "like")
        if len(visited) > LONGEST_CHAIN:
            raise _error(label, f"expected a chain of at most {LONGEST_CHAIN}, got a longer one", "like")
        visited.append(link.folder)
        label = f"{link.prefix}{name}"
        raw = _read_toml(link.folder / name, label, may_be_missing=name == SETUP, beside=link.folder.parent)
        if raw is not None:
            _check_format(raw, label)
            tables.append((label, raw))
        else:
            label = f"{link.prefix}{ENGINE}"
            raw = _read_toml(link.folder / ENGINE, label, beside=link.folder.parent) or {}
            if "like" not in raw:
                raise _error(f"{link.prefix}{SETUP}", _MISSING)
        link = _linked(raw["like"], link.folder, label) if "like" in raw else None
    return _layers(tables)


def read_table(path: Path, label: str) -> dict[str, Any]:
    """A file that stands alone, as a raw table of this format. Raises SceneError under its ``label``."""
    raw = _read_toml(path, label) or {}
    _check_format(raw, label)
    return raw


def merged(layers: tuple[Layer, ...]) -> dict[str, Any]:
    """One table of all layers, without ``like``; the first layer is laid over the others."""
    whole: Mapping[str, Any] = {}
    for layer in reversed(layers):
        whole = _laid_over(layer.table, whole, 0)
    return {key: value for key, value in whole.items() if key != "like"}


def _laid_over(upper: Mapping[str, Any], lower: Mapping[str, Any], depth: int) -> dict[str, Any]:
    both = dict(lower)
    for key, value in upper.items():
        under = lower.get(key)
        mergeable = isinstance(value, dict) and isinstance(under, dict) and depth < _DEEPEST_TABLE
        both[key] = _laid_over(value, under, depth + 1) if mergeable and isinstance(under, dict) else value
    return both


def _layers(tables: list[tuple[str, dict[str, Any]]]) -> tuple[Layer, ...]:
    layers: list[Layer] = []
    unit: LengthUnit = "mm"
    view = VIEWED_FROM_WHEELCASE
    for label, raw in reversed(tables):
        layout = raw.get("layout")
        own_view = layout.get("seen_from") if isinstance(layout, dict) else None
        own_unit = raw.get("length_unit")
        # a wrong value is reported where it stands; here it must not stop the reading
        unit = next((known for known in MM_PER_UNIT if known == own_unit), unit)
        view = own_view if own_view in (VIEWED_FROM_OUTPUT, VIEWED_FROM_WHEELCASE) else view
        layers.insert(0, Layer(file=label, table=raw, length_unit=unit, seen_from=view))
    return tuple(layers)


def _linked(like: object, folder: Path, label: str) -> _Link:
    if not isinstance(like, str) or not _LIKE.fullmatch(like):
        expected = 'expected the name of a packaged engine or "../name" of letters, digits, - and _'
        raise _error(label, f"{expected}, got {shown(like)}", "like")
    if not like.startswith("../"):
        folders = packaged()
        if like not in folders:
            text = unknown("packaged engine", printable(like), folders)
            hint = f'a folder beside this one is written "../{printable(like)}"'
            raise _error(label, f"{text}; {hint}", "like")
        return _Link(folder=folders[like], prefix=f"{like}/")
    beside = folder.parent / like.removeprefix("../")
    wrong = f"expected a folder beside this one, got {shown(like)}"
    if not beside.is_dir():
        raise _error(label, f"{wrong}: there is none", "like")
    if beside.resolve().parent != folder.parent:
        raise _error(label, f"{wrong}: a link to elsewhere", "like")
    return _Link(folder=beside.resolve(), prefix=f"{like}/")


def _check_format(raw: Mapping[str, Any], label: str) -> None:
    """Another format is the only problem that is told: all else would be judged by the wrong rules."""
    given = raw.get("format", FORMAT)
    if given != FORMAT or not isinstance(given, int) or isinstance(given, bool):
        raise _error(label, f"expected {FORMAT}, got {shown(given)}", "format")


def _read_toml(
    path: Path, label: str, *, may_be_missing: bool = False, beside: Path | None = None
) -> dict[str, Any] | None:
    """A file's table. beside: the folder that no link may lead out of."""
    try:
        if not path.exists():
            if may_be_missing and not path.is_symlink():
                return None
            raise _error(label, _MISSING)
        if not path.is_file():  # a pipe would wait for ever
            raise _error(label, "expected a file, got something else")
        if beside and path.is_symlink() and not path.resolve().is_relative_to(beside):
            raise _error(label, "expected a file in the engine folder, got a link to elsewhere")
        with path.open("rb") as file:
            data = file.read(LARGEST_FILE + 1)
    except OSError as error:
        raise _error(label, f"cannot be read: {error.strerror}") from None
    if len(data) > LARGEST_FILE:
        raise _error(label, f"expected a file of at most {LARGEST_FILE} bytes, got a larger one")
    if _DEEP_KEY.search(data):
        raise _error(label, f"expected keys of at most {_LONGEST_KEY} parts between dots, got a longer one")
    try:
        return tomllib.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line, byte = data[: error.start].count(b"\n") + 1, error.object[error.start]
        raise _error(label, f"expected UTF-8 text, got the byte 0x{byte:02x} in line {line}") from None
    except RecursionError:
        raise _error(label, "expected a few levels of brackets, got too many inside each other") from None
    except tomllib.TOMLDecodeError as error:
        raise _error(label, f"expected TOML: {printable(str(error), 200)}") from None
    except ValueError:  # from int(), which tomllib does not guard
        raise _error(label, "expected shorter numbers, got one of thousands of digits") from None


def _error(label: str, message: str, key: str = "") -> SceneError:
    return SceneError([Problem(f"{label}: {key}" if key else label, message)])
