"""Keys of a TOML table, declared once: what is allowed, what to say when it is wrong (``key_tables`` lists them).

A table is a subclass of ``Keys`` with a ``Field`` for every key. Reading it collects every problem with its
key path; a key that was wrong has no value, so checks between keys ask ``known`` first. Entries of arrays are
named by their ``label`` key (``trains.camshaft A``) or counted from 1 (``stages[2]``).
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping
from typing import Any, ClassVar, Generic, Self, TypeVar, overload

from quillwise.kinematics.angles import parse_event
from quillwise.kinematics.errors import unknown
from quillwise.kinematics.lengths import MM_PER_UNIT, LengthUnit
from quillwise.scenes.places import SHOWN_CHARACTERS, TEXT_LIMIT, Place, checked_text, printable, shown

T = TypeVar("T")
K = TypeVar("K", bound="Keys")


class Field(Generic[T]):
    """A key of a table; without a default it must be given. ``read`` raises ValueError with its text."""

    key: str
    default: T | None
    meaning: str = ""
    example: str = ""

    def __init__(self, *, default: T | None = None) -> None:
        self.default = default

    def means(self, meaning: str, example: str = "") -> Self:
        """The field, told what it is in the trade's words, and a value as it is typed (tables have none)."""
        self.meaning, self.example = meaning, example
        return self

    def __set_name__(self, owner: type, name: str) -> None:
        self.key = name.removesuffix("_")

    @overload
    def __get__(self, table: None, owner: type) -> Field[T]: ...
    @overload
    def __get__(self, table: Keys, owner: type) -> T: ...
    def __get__(self, table: Keys | None, owner: type) -> Field[T] | T:
        if table is None:
            return self
        value: T = table.values[self.key]
        return value

    def allowed(self, unit: LengthUnit = "mm") -> str:
        """What may stand here, in words."""
        raise NotImplementedError

    def read(self, value: object, place: Place) -> T:
        """The value as the data sheet wants it."""
        raise NotImplementedError

    def left_out(self, place: Place) -> T:
        """The value when the key is not there."""
        if self.default is None:
            raise ValueError(self.missing(place))
        return self.default

    def missing(self, place: Place, where: str = "") -> str:
        """What to say of a key that must be there: what may stand there, what it is, an example. ``where``: else."""
        unit = place.layer.length_unit
        told = f"missing: expected {self.allowed(unit)}{where}"
        if isinstance(self, Whole) and self.low == self.high:
            return told  # the version: there is nothing to choose
        told += f": {self.meaning}" if self.meaning else ""
        example = self.example_in(unit)
        return f"{told}, for example {self.key} = {example}" if example else told

    def example_in(self, unit: LengthUnit) -> str:
        """The example as it is typed in a file of that length unit."""
        inner = bare(self)
        if isinstance(inner, Length) and self.example:
            return f"{float(self.example) / MM_PER_UNIT[unit]:.4g}"
        return self.example if unit == "mm" or not isinstance(inner, LiftTable) else ""

    def wrong(self, value: object, place: Place, hint: str = "") -> ValueError:
        """The error for a value that is not allowed."""
        return ValueError(f"expected {self.allowed(place.layer.length_unit)}, got {shown(value)}{hint}")


class Maybe(Field[T | None]):
    """A key that may be left out and is then None."""

    def __init__(self, field: Field[T]) -> None:
        super().__init__()
        self.field = field

    def allowed(self, unit: LengthUnit = "mm") -> str:
        return self.field.allowed(unit)

    def read(self, value: object, place: Place) -> T | None:
        return self.field.read(value, place)

    def left_out(self, place: Place) -> None:  # noqa: ARG002
        return None


class Text(Field[str]):
    """A name or a sentence. ``pattern`` and its description in words, where not every text will do."""

    def __init__(self, limit: int = TEXT_LIMIT, *, pattern: str = "", words: str = "") -> None:
        super().__init__()
        self.limit, self.pattern, self.words = limit, pattern, words

    def allowed(self, unit: LengthUnit = "mm") -> str:  # noqa: ARG002
        return self.words or f"text of 1 to {self.limit} characters"

    def read(self, value: object, place: Place) -> str:
        text = checked_text(value, self.limit)
        if self.pattern and not re.fullmatch(self.pattern, text):
            raise self.wrong(value, place)
        return text


class Choice(Field[T]):
    """One of a few words."""

    def __init__(self, words: tuple[T, ...], *, default: T | None = None) -> None:
        super().__init__(default=default)
        self.words = words

    def allowed(self, unit: LengthUnit = "mm") -> str:  # noqa: ARG002
        quoted = [f'"{word}"' for word in self.words]
        return " or ".join([", ".join(quoted[:-1]), quoted[-1]]) if len(quoted) > 1 else quoted[0]

    def read(self, value: object, place: Place) -> T:
        for word in self.words:
            if value == word:
                return word
        typed = value[:SHOWN_CHARACTERS] if isinstance(value, str) else ""
        near = difflib.get_close_matches(typed, [str(word) for word in self.words], n=1)
        raise self.wrong(value, place, f" (did you mean {near[0]}?)" if near else "")


class Flag(Field[bool]):
    """True or false."""

    def allowed(self, unit: LengthUnit = "mm") -> str:  # noqa: ARG002
        return "true or false"

    def read(self, value: object, place: Place) -> bool:
        if not isinstance(value, bool):
            raise self.wrong(value, place)
        return value


class Whole(Field[int]):
    """A whole number in a range."""

    def __init__(self, low: int, high: int, *, default: int | None = None) -> None:
        super().__init__(default=default)
        self.low, self.high = low, high

    def allowed(self, unit: LengthUnit = "mm") -> str:  # noqa: ARG002
        return f"a whole number from {self.low} to {self.high}" if self.low < self.high else f"{self.low}"

    def read(self, value: object, place: Place) -> int:
        if not isinstance(value, int) or isinstance(value, bool) or not self.low <= value <= self.high:
            raise self.wrong(value, place)
        return value


class Number(Field[float]):
    """A number in a range, whole or not; the unit is in the key's name."""

    def __init__(self, low: float, high: float, *, default: float | None = None) -> None:
        super().__init__(default=default)
        self.low, self.high = low, high

    def allowed(self, unit: LengthUnit = "mm") -> str:  # noqa: ARG002
        return f"a number from {self.low:g} to {self.high:g}"

    def read(self, value: object, place: Place) -> float:
        return self._in_range(value, place, 1.0)

    def _in_range(self, value: object, place: Place, factor: float) -> float:
        if not isinstance(value, int | float) or isinstance(value, bool):
            raise self.wrong(value, place)
        if not math.isfinite(value) if isinstance(value, float) else value.bit_length() > 100:
            raise self.wrong(value, place)
        converted = value * factor
        if not self.low <= converted <= self.high:
            raise self.wrong(value, place)
        return float(converted)


class Length(Number):
    """A length in the file's unit, allowed in a range of mm, read as mm. ``per``: what it is counted by."""

    def __init__(self, low_mm: float, high_mm: float, *, default: float | None = None, per: str = "") -> None:
        super().__init__(low_mm, high_mm, default=default)
        self.per = per

    def allowed(self, unit: LengthUnit = "mm") -> str:
        low, high = self.low / MM_PER_UNIT[unit], self.high / MM_PER_UNIT[unit]
        return f"a length from {low:.4g} to {high:.4g} {unit}{self.per}"

    def read(self, value: object, place: Place) -> float:
        return self._in_range(value, place, MM_PER_UNIT[place.layer.length_unit])

    def wrong(self, value: object, place: Place, hint: str = "") -> ValueError:
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        if is_number and place.layer.length_unit == "in" and self.low <= value <= self.high:  # type: ignore[operator]
            hint = f": as mm it would do, but lengths in this file are in inches{hint}"
        return super().wrong(value, place, hint)


class Measured(Number):
    """A length that was read off with a tool, in a range of mm. Its key ends in ``_mm``; one that ends in ``_in`` may
    stand in its place, for inches. It is read as mm."""

    def missing(self, place: Place, where: str = "") -> str:
        return f"{super().missing(place, where)}, or {in_inches(self.key)} in inches"

    def read_inches(self, value: object, place: Place) -> float:
        """The value in mm of one that is given in inches."""
        try:
            return self._in_range(value, place, MM_PER_UNIT["in"])
        except ValueError:
            low, high = self.low / MM_PER_UNIT["in"], self.high / MM_PER_UNIT["in"]
            raise ValueError(f"expected a number from {low:.4g} to {high:.4g}, got {shown(value)}") from None


def in_inches(key: str) -> str:
    """The key that gives the length of ``key`` in inches: "clearance_in" for "clearance_mm"."""
    return f"{key.removesuffix('_mm')}_in"


class Event(Field[float]):
    """An event as fitters write it; read as the cylinder's own angle [deg]. ``kind``: see ``angles``."""

    def __init__(self, kind: str) -> None:
        super().__init__()
        self.kind = kind

    def allowed(self, unit: LengthUnit = "mm") -> str:  # noqa: ARG002
        return 'degrees and BTDC, ATDC, BBDC or ABDC, for example "22 BTDC"'

    def read(self, value: object, place: Place) -> float:
        if not isinstance(value, str):
            raise self.wrong(value, place)
        return parse_event(checked_text(value, 40), self.kind)


class Values(Field[tuple[T, ...]]):
    """An array of values of one kind."""

    def __init__(self, of: Field[T], least: int, most: int) -> None:
        super().__init__()
        self.of, self.least, self.most = of, least, most

    def allowed(self, unit: LengthUnit = "mm") -> str:
        return f"an array of {self.least} to {self.most}, each {self.of.allowed(unit)}"

    def read(self, value: object, place: Place) -> tuple[T, ...]:
        if not isinstance(value, list) or not self.least <= len(value) <= self.most:
            raise self.wrong(value, place)
        good: list[T] = []
        for number, entry in enumerate(value, 1):
            there = place.entry(number)
            try:
                good.append(self.of.read(entry, there))
            except ValueError as error:
                there.report(str(error))
        if len(good) < len(value):
            raise _ReportedError
        return tuple(good)


class LiftTable(Field[tuple[tuple[float, float], ...]]):
    """An array of rows [crank degrees, lift], the lift in the file's unit, read as mm."""

    def __init__(self, least: int, most: int) -> None:
        super().__init__()
        self.least, self.most = least, most
        self.angle, self.lift = Number(-720, 1440), Length(-1, 40)

    def allowed(self, unit: LengthUnit = "mm") -> str:
        low, high = self.lift.low / MM_PER_UNIT[unit], self.lift.high / MM_PER_UNIT[unit]
        return (
            f"an array of {self.least} to {self.most} rows, each of degrees from {self.angle.low:g} to "
            f"{self.angle.high:g} and a lift from {low:.4g} to {high:.4g} {unit}"
        )

    def read(self, value: object, place: Place) -> tuple[tuple[float, float], ...]:
        if not isinstance(value, list) or not self.least <= len(value) <= self.most:
            raise self.wrong(value, place)
        good: list[tuple[float, float]] = []
        for number, row in enumerate(value, 1):
            there = place.entry(number)
            try:
                if not isinstance(row, list) or len(row) != 2:
                    raise ValueError(f"expected a row of degrees and lift, got {shown(row)}")
                good.append((self.angle.read(row[0], there), self.lift.read(row[1], there)))
            except ValueError as error:
                there.report(str(error))
        if len(good) < len(value):
            raise _ReportedError
        return tuple(good)


class Table(Field[K]):
    """A table. One that ``may_be_empty`` may be left out: all its keys have defaults."""

    def __init__(self, keys: type[K], *, may_be_empty: bool = False) -> None:
        super().__init__()
        self.keys, self.may_be_empty = keys, may_be_empty

    def allowed(self, unit: LengthUnit = "mm") -> str:  # noqa: ARG002
        return "a table"

    def read(self, value: object, place: Place) -> K:
        if not isinstance(value, dict):
            raise self.wrong(value, place)
        return self.keys(value, place)

    def left_out(self, place: Place) -> K:
        return self.keys({}, place) if self.may_be_empty else super().left_out(place)


class NamedTables(Field[dict[str, K]]):
    """A table of tables, under names that the user chooses."""

    def __init__(self, keys: type[K], *, most: int) -> None:
        super().__init__(default={})
        self.keys, self.most = keys, most

    def allowed(self, unit: LengthUnit = "mm") -> str:  # noqa: ARG002
        return f"a table of at most {self.most} tables"

    def read(self, value: object, place: Place) -> dict[str, K]:
        if isinstance(value, dict) and len(value) > self.most:
            raise ValueError(f"expected {self.allowed()}, got {len(value)}")
        if not isinstance(value, dict):
            raise self.wrong(value, place)
        table = Table(self.keys)
        good: dict[str, K] = {}
        for name, entry in value.items():
            there = place.at(name)
            try:
                good[checked_text(name)] = table.read(entry, there)
            except ValueError as error:
                there.report(str(error))
        if len(good) < len(value):
            raise _ReportedError
        return good


class Tables(Field[tuple[K, ...]]):
    """An array of tables; ``label`` is the key that names an entry, and no two may have the same name."""

    def __init__(self, keys: type[K], *, least: int = 0, most: int, label: str = "") -> None:
        super().__init__(default=None if least else ())
        self.keys, self.least, self.most, self.label = keys, least, most, label

    def allowed(self, unit: LengthUnit = "mm") -> str:  # noqa: ARG002
        return f"an array of {self.least} to {self.most} tables"

    def read(self, value: object, place: Place) -> tuple[K, ...]:
        if not isinstance(value, list) or not self.least <= len(value) <= self.most:
            raise self.wrong(value, place)
        table = Table(self.keys)
        good: list[K] = []
        names: set[str] = set()
        for number, entry in enumerate(value, 1):
            name = entry.get(self.label) if self.label and isinstance(entry, dict) else None
            there = place.entry(number, name if isinstance(name, str) and name not in names else None)
            try:
                good.append(table.read(entry, there))
            except ValueError as error:
                there.report(str(error))
            if isinstance(name, str):
                if name in names:
                    there.at(self.label).report(
                        f"expected a name that stands once in {place.path}, got {shown(name)} again"
                    )
                names.add(name)
        if len(good) < len(value):
            raise _ReportedError
        return tuple(good)


_NOTHING = object()
_MOST_STRANGE = 20  # unknown keys of a table, each told by name


class _ReportedError(ValueError):
    """A value that has no use, and whose problems have all been reported."""


class Keys:
    """A table that was read: ``values`` of the keys that are right (or left out), by key.

    ``rules``: what else must hold, and holds among the keys, in sentences for the page that describes the format.
    """

    rules: ClassVar[str] = ""

    def __init__(self, raw: Mapping[str, Any], place: Place) -> None:
        self.raw = raw
        self.place = place
        self.values: dict[str, Any] = {}
        fields = self.fields()
        measured = {in_inches(key): key for key, field in fields.items() if isinstance(bare(field), Measured)}
        self.mistyped: set[str] = set()
        strange = 0
        for key, value in raw.items():
            if key in fields:
                self._take(fields[key], value)
                continue
            if key in measured:
                self._take_inches(fields[measured[key]], key, value)
                continue
            strange += 1
            if strange > _MOST_STRANGE or place.is_full:  # to look for a key like each would take for ever
                continue
            absent = [name for name in fields if name not in raw]
            self.mistyped.update(difflib.get_close_matches(printable(key), absent, n=1))
            self.wrong(key, unknown("key", printable(key), fields))
        if strange > _MOST_STRANGE:
            place.report(f"expected at most {len(fields)} keys, got {strange} that have no meaning here")
        self.has_unknown_keys = strange > 0
        for key in fields:
            if key not in raw and key not in self.mistyped and not (key in measured.values() and in_inches(key) in raw):
                self._take(fields[key], _NOTHING)
        self.check()

    def _take(self, field: Field[Any], value: object) -> None:
        place = self.place.at(field.key)
        try:
            self.values[field.key] = field.left_out(place) if value is _NOTHING else field.read(value, place)
        except _ReportedError:
            return
        except ValueError as error:
            place.report(str(error))

    def _take_inches(self, field: Field[Any], typed: str, value: object) -> None:
        place, measured = self.place.at(typed), bare(field)
        assert isinstance(measured, Measured)
        if field.key in self.raw:
            place.report(f"give {typed} or {field.key}, not both")
            return
        try:
            self.values[field.key] = measured.read_inches(value, place)
        except ValueError as error:
            place.report(str(error))

    @classmethod
    def fields(cls) -> dict[str, Field[Any]]:
        """Every key that the table may have, in the order of the declaration."""
        return {
            field.key: field
            for base in reversed(cls.__mro__)
            for field in vars(base).values()
            if isinstance(field, Field)
        }

    def known(self, *keys: str) -> bool:
        """Whether these keys all have a value, so that they can be checked against each other."""
        return all(self.values.get(key) is not None for key in keys)

    def wrong(self, key: str, message: str) -> None:
        """Report a problem of one key."""
        self.place.at(key).report(message)

    def check(self) -> None:
        """Checks between the keys of this table; none by default."""


def bare(field: Field[Any]) -> Field[Any]:
    """The field itself of one that may be left out."""
    return field.field if isinstance(field, Maybe) else field
