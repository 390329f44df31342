"""An engine folder written out in full, with a remark at every key: a form to be filled in.

The keys, their order and the remarks come from the keys that the reader knows; the values from an engine folder,
with what it takes from others by ``like`` put in its place.
"""

from __future__ import annotations

import textwrap
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from quillwise.kinematics.lengths import MM_PER_UNIT, LengthUnit
from quillwise.scenes import sources
from quillwise.scenes.fields import (
    Field,
    Keys,
    Length,
    LiftTable,
    NamedTables,
    Table,
    Tables,
    Text,
    Values,
    bare,
)
from quillwise.scenes.keys import EngineKeys, SetupKeys
from quillwise.scenes.places import Place
from quillwise.scenes.toml_text import WIDTH, toml_key, toml_rows, toml_value

INVENTED = "(invented)"
MADE_FROM = "Made from "
_REMARK_COLUMN = 34
_TOP = {
    sources.ENGINE: "The timing data of an engine.",
    sources.SETUP: "The order of the set-up.",
}
_MARKED = (
    f"Every line marked {INVENTED} holds data of no real engine: replace it by what the approved data of\n"
    "# yours say, and take the mark away. `quillwise validate` counts those that are left."
)
_OTHER_SIDE = {"left": "right", "right": "left", "clockwise": "anticlockwise", "anticlockwise": "clockwise"}
_AS_SEEN = (
    "layout.rotation",
    "layout.banks.side",
    "layout.banks.wrist_pin_angle_deg",
    "crank.gudgeon_offset",
    "crank.pin_angles_deg",
    "magnetos.stands",
)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Form:
    """What all lines of a file share: its unit and view, whether remarks and marks are wanted."""

    length_unit: LengthUnit
    seen_from: str
    invented: bool


def form(folder: Path, *, invented: bool, texts: Mapping[str, str] | None = None) -> dict[str, str]:
    """The two files of a complete folder with the values of ``folder``, by file name.

    ``invented``: mark the engine's data as such. ``texts``: other values for ``name`` and ``about``.
    Raises SceneError when the files cannot be read; a folder that is not valid gives a form that is not.
    """
    files: dict[str, str] = {}
    for file, keys in ((sources.ENGINE, EngineKeys), (sources.SETUP, SetupKeys)):
        layers = sources.chain(folder, file)
        raw = sources.merged(layers) | (dict(texts or {}) if file == sources.ENGINE else {})
        table = keys(raw, Place(layers=layers, problems=[]))
        style = _Form(length_unit=layers[0].length_unit, seen_from=layers[0].seen_from, invented=invented)
        head = ["# " + _TOP[file] + " scenes/FORMAT.md describes every key."]
        head += [f"# {MADE_FROM}{folder.name}.", "# " + _MARKED] if invented else []
        head += ['# A line "# key = …" stands for a key that may be left out. Briefing aid. Not approved data.']
        files[file] = "\n".join([*head, *_table(style, table, (), entry=False, first=True)]) + "\n"
    return files


def _table(style: _Form, table: Keys, path: tuple[str, ...], *, entry: bool, first: bool) -> Iterator[str]:
    """The lines of a table: its own keys, then the tables in it.

    ``entry``: it is one of several, so that the tables in it stay in their line. ``first``: it gets remarks, and
    the keys that are left out.
    """
    sections: list[Field[Any]] = []
    for key, field in table.fields().items():
        inner = bare(field)
        apart = isinstance(inner, Table | NamedTables) or (isinstance(inner, Tables) and not path and inner.label)
        if key == "like":
            continue
        if apart and not entry:
            sections.append(field)
        elif key in table.raw:
            yield from _given(style, table, field, path, first)
        elif first and not isinstance(inner, Table | Tables):
            yield from _left_out(style, field)
    for field in sections:
        yield from _section(style, table, field, (*path, field.key))


def _section(style: _Form, table: Keys, field: Field[Any], path: tuple[str, ...]) -> Iterator[str]:
    inner, name = bare(field), ".".join(toml_key(key) for key in path)
    value = table.values.get(field.key)
    yield ""
    yield _remark(_sentence(field.meaning))
    if isinstance(inner, Table) and value is not None:
        yield f"[{name}]"
        yield from _table(style, value, path, entry=False, first=True)
    elif isinstance(inner, NamedTables):
        for number, (own, entry) in enumerate((value or {}).items()):
            yield from ["", f"[{name}.{toml_key(own)}]"][number == 0 :]
            yield from _table(style, entry, (*path, own), entry=True, first=number == 0)
    elif isinstance(inner, Tables):
        for number, entry in enumerate(value or ()):
            yield from ["", f"[[{name}]]"][number == 0 :]
            yield from _table(style, entry, path, entry=True, first=number == 0)


def _given(style: _Form, table: Keys, field: Field[Any], path: tuple[str, ...], remark: bool) -> Iterator[str]:
    inner = bare(field)
    value = _as_typed(style, inner, table.raw[field.key], table.place.at(field.key), ".".join((*path, field.key)))
    text = toml_rows(value) if isinstance(value, list) else toml_value(value)
    line = f"{field.key} = {text}"
    marked = style.invented and is_data(field)
    if not remark:
        if marked and ("\n" in line or len(line) + len(INVENTED) + 4 > WIDTH):
            yield f"# {INVENTED}"
        elif marked:
            line = f"{line.ljust(_REMARK_COLUMN)}  # {INVENTED}"
        yield line
        return
    words = f"{INVENTED} {field.meaning}" if marked else field.meaning
    beside = f"{line.ljust(_REMARK_COLUMN)}  # {words}"
    if "\n" not in line and len(beside) <= WIDTH:
        yield beside
        return
    yield _remark(_sentence(words))
    if isinstance(inner, Table | Tables):
        yield from _told(inner.keys, "  ")
    yield line


def _told(keys: type[Keys], indent: str) -> Iterator[str]:
    """What the keys of a row are, a line each."""
    for key, field in keys.fields().items():
        yield _remark(f"{key}: {field.meaning}", indent)
        inner = bare(field)
        if isinstance(inner, Table | Tables):
            yield from _told(inner.keys, indent + "  ")


def _left_out(style: _Form, field: Field[Any]) -> Iterator[str]:
    """The key as a remark: with its default, or an example of what may stand there."""
    by_default = field.default is not None
    value: Any = field.default if by_default else tomllib.loads(f"x = {field.example}")["x"]
    if isinstance(bare(field), Length):
        value = _rounded(value / MM_PER_UNIT[style.length_unit], 3 if not by_default else 12)
    line = f"# {field.key} = {toml_value(value)}"
    words = f"{field.meaning} ({'default' if by_default else 'example'})"
    beside = f"{line.ljust(_REMARK_COLUMN)}  # {words}"
    yield from (beside,) if len(beside) <= WIDTH else (_remark(_sentence(words)), line)


def _as_typed(style: _Form, field: Field[Any], value: Any, place: Place, path: str) -> Any:
    """A raw value in the unit and view of the form; most stand there as they were typed."""
    layer = place.layer
    inner = bare(field)
    if isinstance(inner, Table) and isinstance(value, Mapping):
        fields = inner.keys.fields()
        return {
            key: _as_typed(style, fields[key], entry, place, f"{path}.{key}") if key in fields else entry
            for key, entry in value.items()
        }
    if isinstance(inner, Tables) and isinstance(value, list):
        return [_as_typed(style, Table(inner.keys), entry, place, path) for entry in value]
    if isinstance(inner, Values) and isinstance(value, list):
        return [_as_typed(style, inner.of, entry, place, path) for entry in value]
    if isinstance(inner, LiftTable) and isinstance(value, list):
        return [[row[0], _as_typed(style, inner.lift, row[1], place, path)] for row in value]
    if isinstance(inner, Length) and isinstance(value, int | float) and layer.length_unit != style.length_unit:
        value = _rounded(value * MM_PER_UNIT[layer.length_unit] / MM_PER_UNIT[style.length_unit])
    if path in _AS_SEEN and layer.seen_from != style.seen_from:
        value = _OTHER_SIDE.get(value, value) if isinstance(value, str) else -value
    return value


def is_data(field: Field[Any]) -> bool:
    """Whether a value of this field says something of the engine, and is no name or way of writing. The place in
    which a coupling happens to stand is nobody's data."""
    return not isinstance(bare(field), Text) and field.key not in (
        "format",
        "length_unit",
        "seen_from",
        "do",
        "tooth_phase_deg",
    )


def _rounded(value: float, figures: int = 12) -> float:
    """A converted length: the figures that the conversion left behind these are no measurement."""
    return float(f"{value:.{figures}g}")


def _remark(text: str, indent: str = " ") -> str:
    """A remark on lines of its own."""
    return textwrap.fill(text, WIDTH, initial_indent=f"#{indent}", subsequent_indent=f"#{indent}  ")


def _sentence(text: str) -> str:
    start = len(INVENTED) + 1 if text.startswith(INVENTED) else 0
    return f"{text[:start]}{text[start].upper()}{text[start + 1 :]}."
