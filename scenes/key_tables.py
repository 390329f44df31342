"""The keys of a file told one after the other: for the page of the format, and for whoever counts them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from quillwise.scenes.fields import Field, Keys, Maybe, NamedTables, Table, Tables, bare


@dataclass(frozen=True, kw_only=True, slots=True)
class KeyTable:
    """A table of a file. ``path`` as in messages, with ``<name>`` and ``[]`` for any entry: "trains[].stages[]"."""

    path: str
    meaning: str
    keys: type[Keys]


def key_tables(keys: type[Keys], path: str = "", meaning: str = "") -> Iterator[KeyTable]:
    """A table and all that are in it, in the order of the declaration."""
    yield KeyTable(path=path, meaning=meaning, keys=keys)
    for key, declared in keys.fields().items():
        field = bare(declared)
        if isinstance(field, Table | NamedTables | Tables):
            here = f"{path}.{key}" if path else key
            entry = "" if isinstance(field, Table) else ".<name>" if isinstance(field, NamedTables) else "[]"
            yield from key_tables(field.keys, here + entry, declared.meaning)


def key_rows(keys: type[Keys]) -> Iterator[tuple[str, str, str]]:
    """Every key of a file that holds no table: (key path, what is allowed, default or "required")."""
    for table in key_tables(keys):
        for key, field in table.keys.fields().items():
            if not isinstance(bare(field), Table | NamedTables | Tables):
                yield f"{table.path}.{key}" if table.path else key, field.allowed(), default_words(field)


def default_words(field: Field[Any]) -> str:
    """What the page says of a key that is not given: "required", "may be left out", or "default …"."""
    if isinstance(field, Maybe):
        return "may be left out"
    if isinstance(field.default, bool):
        return f"default {str(field.default).lower()}"
    return "required" if field.default is None else f"default {field.default}"
