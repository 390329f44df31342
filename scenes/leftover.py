"""Figures that ``new`` put into an engine folder and that nobody has replaced yet.

A figure is left over when it still is the one that the packaged engine has at that key, and its line still bears the
mark. Where no line bears a mark, for example in a copy without its remarks, it is left over when most figures of the
file are those of a packaged engine.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from quillwise.kinematics.errors import SceneError
from quillwise.scenes import sources
from quillwise.scenes.fields import Keys, NamedTables, Table, Tables, bare
from quillwise.scenes.form import INVENTED, MADE_FROM, is_data
from quillwise.scenes.keys import EngineKeys, SetupKeys

# of the figures of a file without marks, and at least so many: as many of another engine's are no chance
_A_COPY, _ENOUGH = 0.6, 20
# what may hold a bracket or a quote that is none, or opens something; and what ends a text of several lines
_PIECE = re.compile(r'"""|\'\'\'|"(?:\\.|[^"\\])*+"|\'[^\']*+\'|#.*|[\[\]{}]')
_CLOSING = {'"""': re.compile(r'(?:\\.|[^\\])*?"""'), "'''": re.compile("'''")}

Steps = tuple[str | int, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class LeftLine:
    """A key whose value still holds ``figures`` of the packaged engine. ``line``: where it stands in ``file``."""

    file: str
    line: int
    path: str
    figures: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Leftover:
    """``template``: the packaged engine, empty where there is none. ``figures``: of ``of`` in both files.
    ``taken_from``: packaged engines that the folder's ``like`` leads to, whose figures stand for all that is left
    out."""

    template: str
    lines: tuple[LeftLine, ...]
    of: int
    taken_from: tuple[str, ...] = ()

    @property
    def figures(self) -> int:
        """How many figures are left over."""
        return sum(line.figures for line in self.lines)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Figure:
    """A value: ``at`` with names and numbers of the entries, ``kind`` without, ``shown`` the steps of ``at`` as in
    messages."""

    at: Steps
    kind: tuple[str, ...]
    shown: tuple[str, ...]
    value: Any


@dataclass(frozen=True, kw_only=True, slots=True)
class _Line:
    """A key of a file, with the number of its first line."""

    number: int
    at: Steps
    marked: bool


def leftover(folder: Path) -> Leftover:
    """What an engine folder that can be read still has of a packaged engine; nothing for a packaged one."""
    packaged = sources.packaged()
    if folder.resolve() in (path.resolve() for path in packaged.values()):
        return Leftover(template="", lines=(), of=0)
    found: list[LeftLine] = []
    total, template, by_marks = 0, "", True
    for file, keys in ((sources.ENGINE, EngineKeys), (sources.SETUP, SetupKeys)):
        path = folder / file
        if not path.is_file():
            continue
        text = path.read_text(encoding="utf-8-sig")
        figures = list(_figures(keys, tomllib.loads(text)))
        total += len(figures)
        lines = list(_lines(text))
        if file == sources.ENGINE:
            by_marks = MADE_FROM in text or any(line.marked for line in lines)
            template = _template(text, figures, by_marks)
        if template:
            judged = [line for line in lines if line.marked or not by_marks]
            found += _left_in(file, judged, figures, _values(keys, packaged[template], file))
    return Leftover(
        template=template if found else "",
        lines=tuple(found),
        of=total,
        taken_from=_taken_from(folder, tuple(packaged)),
    )


def _template(text: str, figures: list[_Figure], marked: bool) -> str:
    """The packaged engine that an engine.toml was made from: the one its head names, else the one most like it."""
    packaged = sources.packaged()
    for line in text.splitlines()[:5]:
        named = line.partition(MADE_FROM)[2].split()
        if named and named[0].rstrip(".") in packaged:
            return named[0].rstrip(".")
    equal = {}
    for name, folder in packaged.items():
        values = _values(EngineKeys, folder, sources.ENGINE)
        equal[name] = sum(figure.value in values.get(figure.kind, ()) for figure in figures)
    closest = max(equal, key=lambda name: equal[name], default="")
    copied = len(figures) >= _ENOUGH and equal[closest] >= _A_COPY * len(figures)
    return closest if marked or copied else ""


def _left_in(
    file: str, lines: list[_Line], figures: list[_Figure], values: Mapping[tuple[str, ...], list[Any]]
) -> Iterator[LeftLine]:
    """The lines whose figures are still among those of the packaged engine at that kind of key."""
    for line in lines:
        here = [figure for figure in figures if figure.at[: len(line.at)] == line.at]
        left = [figure for figure in here if figure.value in values.get(figure.kind, ())]
        if left:
            shown = "".join(here[0].shown[: len(line.at)]).removeprefix(".")
            yield LeftLine(file=file, line=line.number, path=shown, figures=len(left))


def _values(keys: type[Keys], folder: Path, file: str) -> dict[tuple[str, ...], list[Any]]:
    """Every value that a packaged engine has at a kind of key."""
    values: dict[tuple[str, ...], list[Any]] = {}
    for figure in _figures(keys, sources.merged(sources.chain(folder, file))):
        values.setdefault(figure.kind, []).append(figure.value)
    return values


def _figures(
    keys: type[Keys], raw: Mapping[str, Any], at: Steps = (), kind: tuple[str, ...] = (), shown: tuple[str, ...] = ()
) -> Iterator[_Figure]:
    """Every figure of a raw table; what is of the wrong type is passed over."""
    fields = keys.fields()
    for key, value in raw.items():
        if key not in fields:
            continue
        inner, path = bare(fields[key]), (*shown, f".{key}")
        here, of_kind = (*at, key), (*kind, key)
        if isinstance(inner, Table) and isinstance(value, dict):
            yield from _figures(inner.keys, value, here, of_kind, path)
        elif isinstance(inner, NamedTables) and isinstance(value, dict):
            for name, entry in value.items():
                if isinstance(entry, dict):
                    yield from _figures(inner.keys, entry, (*here, name), of_kind, (*path, f".{name}"))
        elif isinstance(inner, Tables) and isinstance(value, list):
            for number, entry in enumerate(value):
                if isinstance(entry, dict):
                    label = entry.get(inner.label) if inner.label else None
                    name = f".{label}" if isinstance(label, str) else f"[{number + 1}]"
                    yield from _figures(inner.keys, entry, (*here, number), of_kind, (*path, name))
        elif is_data(fields[key]):
            yield _Figure(at=here, kind=of_kind, shown=path, value=value)


def _lines(text: str) -> Iterator[_Line]:
    """The keys of a TOML file that can be read, by their lines; a mark beside a key or right above it is its own."""
    header: Steps = ()
    counts: dict[Steps, int] = {}
    remark, taken, begun = "", "", 0
    depth, quotes = 0, ""
    for number, line in enumerate(text.replace("\r\n", "\n").split("\n"), start=1):  # the line ends of TOML
        bare_line = line.strip()
        if not taken and (not bare_line or bare_line.startswith("#")):
            remark = remark + bare_line if bare_line else ""
            continue
        if not taken and bare_line.startswith("["):
            header = _header(bare_line, counts)
            remark = ""
            continue
        begun = begun if taken else number
        taken += line + "\n"
        depth, quotes = _opened(line, depth, quotes)
        if depth > 0 or quotes:
            continue  # the value goes on in the next line
        table = tomllib.loads(taken)
        yield _Line(number=begun, at=(*header, *_way_in(table)), marked=INVENTED in remark + taken)
        remark, taken = "", ""


def _opened(line: str, depth: int, quotes: str) -> tuple[int, str]:
    """How many brackets, and which quotes of several lines, are still open after a line that begins in some."""
    at = 0
    while at < len(line):
        found = (_CLOSING[quotes] if quotes else _PIECE).search(line, at)
        if found is None:
            break
        piece, at = found[0], found.end()
        if quotes:
            quotes = ""
        elif piece in _CLOSING:
            quotes = piece
        else:
            depth += (piece in ("[", "{")) - (piece in ("]", "}"))
    return depth, quotes


def _header(line: str, counts: dict[Steps, int]) -> Steps:
    """The way to the table of a header; ``counts``: how many entries each array of tables has so far."""
    names = _way_in(tomllib.loads(line))
    is_entry = line.startswith("[[")
    way: Steps = ()
    for place, name in enumerate(names):
        way = (*way, name)
        if place == len(names) - 1 and is_entry:
            counts[way] = counts.get(way, 0) + 1
        if way in counts:
            way = (*way, counts[way] - 1)
    return way


def _way_in(table: Mapping[str, Any]) -> Steps:
    """The keys of a table that holds one dotted key, without those of the value."""
    way: Steps = ()
    inner: Any = table
    while isinstance(inner, dict) and len(inner) == 1:
        key = next(iter(inner))
        way, inner = (*way, key), inner[key]
        if isinstance(inner, list):
            break
    return way


def _taken_from(folder: Path, packaged: tuple[str, ...]) -> tuple[str, ...]:
    """Packaged engines in the chain of ``like`` of an engine folder."""
    try:
        layers = sources.chain(folder, sources.ENGINE)
    except SceneError:
        return ()
    return tuple(name for name in packaged if any(layer.file.startswith(f"{name}/") for layer in layers[1:]))
