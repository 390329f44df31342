"""Where a value of an engine folder stands, and how a value is shown when it is wrong."""

from __future__ import annotations

import datetime
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from quillwise.kinematics.datasheet import VIEWED_FROM_WHEELCASE
from quillwise.kinematics.errors import Problem
from quillwise.kinematics.lengths import LengthUnit

TEXT_LIMIT = 200
SHOWN_CHARACTERS = 60
MOST_PROBLEMS = 300


def printable(text: str, limit: int = SHOWN_CHARACTERS) -> str:
    """The text made safe for a terminal: cut to ``limit`` characters, all that cannot be printed escaped."""
    cut = text if len(text) <= limit else text[:limit] + "…"
    return "".join(char if char.isprintable() else f"\\u{ord(char):04x}" for char in cut)


def shown(value: object) -> str:
    """A value from a TOML file, as an error message shows it."""
    match value:
        case str():
            return f'"{printable(value)}"'
        case bool():
            return str(value).lower()
        case int() if value.bit_length() > 100:
            return "a whole number of over 30 digits"
        case int() | float():
            return f"{value}"
        case list():
            return f"an array of {len(value)}"
        case dict():
            return "a table"
        case datetime.date() | datetime.time():
            return f"the date or time {value}"
    return type(value).__name__


def _hidden(text: str) -> str:
    """The first control, direction, invisible or surrogate character of the text; empty if there is none."""
    return next((char for char in text if unicodedata.category(char) in ("Cc", "Cf", "Cs", "Zl", "Zp")), "")


def checked_text(value: object, limit: int = TEXT_LIMIT) -> str:
    """The value if it is text that may be shown anywhere; else ValueError with the sentence for the user."""
    if not isinstance(value, str):
        raise ValueError(f"expected text, got {shown(value)}")
    if not 1 <= len(value) <= limit:
        raise ValueError(f"expected text of 1 to {limit} characters, got {len(value)}")
    if hidden := _hidden(value):
        raise ValueError(
            "expected text without control, direction or invisible characters, "
            f"got U+{ord(hidden):04X} as character {value.index(hidden) + 1}"
        )
    if value != value.strip():
        raise ValueError(f"expected text without blanks at its ends, got {shown(value)}")
    return value


@dataclass(frozen=True, kw_only=True, slots=True)
class Layer:
    """One file of a chain of ``like``: its name in messages, its table, its unit and view."""

    file: str
    table: Mapping[str, Any]
    length_unit: LengthUnit = "mm"
    seen_from: str = VIEWED_FROM_WHEELCASE

    def holds(self, keys: tuple[str, ...]) -> bool:
        """Whether this file itself gives the value at these keys."""
        inner: Any = self.table
        for key in keys:
            if not isinstance(inner, Mapping) or key not in inner:
                return False
            inner = inner[key]
        return True


@dataclass(frozen=True, kw_only=True, slots=True)
class Place:
    """Where a value stands. ``keys`` stops at the first array, since arrays come whole from one file."""

    layers: tuple[Layer, ...]
    problems: list[Problem]
    keys: tuple[str, ...] = ()
    path: str = ""
    in_array: bool = False

    @property
    def layer(self) -> Layer:
        """The file that gives the value: the first of the chain that holds it, or the reader's own."""
        return next((layer for layer in self.layers if layer.holds(self.keys)), self.layers[0])

    @property
    def is_full(self) -> bool:
        """Whether so many problems have been noted that no more will be."""
        return len(self.problems) >= MOST_PROBLEMS

    def at(self, key: str) -> Place:
        """The place of a key of the table that stands here."""
        name = f'"{printable(key)}"' if not key or "." in key or '"' in key else printable(key)
        keys = self.keys if self.in_array else (*self.keys, key)
        return replace(self, keys=keys, path=f"{self.path}.{name}" if self.path else name)

    def entry(self, number: int, label: str | None = None) -> Place:
        """The place of an entry of the array that stands here, counted from 1."""
        path = replace(self, in_array=True).at(label).path if label else f"{self.path}[{number}]"
        return replace(self, path=path, in_array=True)

    def report(self, message: str) -> None:
        """Note what is wrong here, once. After ``MOST_PROBLEMS`` of them nothing more is noted."""
        if self.is_full:
            return
        file = self.layer.file
        if len(self.problems) == MOST_PROBLEMS - 1:
            self.problems.append(Problem(file, f"more than {MOST_PROBLEMS - 1} problems: mend those above first"))
            return
        problem = Problem(f"{file}: {self.path}" if self.path else file, message)
        if problem not in self.problems:
            self.problems.append(problem)
