"""``FORMAT.md``: its tables are written from the keys that the reader knows, so that the page cannot say otherwise.

``python -m quillwise.scenes.format_page`` renews the tables of the page and leaves its sentences alone.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from quillwise.scenes import faults, judging, keys, readings, sources
from quillwise.scenes.fields import (
    Event,
    Field,
    Keys,
    Length,
    LiftTable,
    NamedTables,
    Table,
    Tables,
    Values,
    bare,
)
from quillwise.scenes.key_tables import KeyTable, default_words, key_tables

PAGE = Path(__file__).resolve().with_name("FORMAT.md")
FILES: dict[str, type[Keys]] = {
    sources.ENGINE: keys.EngineKeys,
    sources.SETUP: keys.SetupKeys,
    "faults/*.toml": faults.FaultKeys,
    "readings/*.toml": readings.ReadingsKeys,
    "judgement.toml": judging.JudgementKeys,
}
_HEAD = ("Key", "Allowed", "Unit", "If left out", "Meaning", "Example")


def renewed(page: str) -> str:
    """The page with the tables of each file written anew between its two marks. Raises ValueError if one is missing."""
    for file, top in FILES.items():
        begin, end = f"<!-- keys of {file} -->", f"<!-- end of {file} -->"
        if page.count(begin) != 1 or page.count(end) != 1:
            raise ValueError(f"expected {begin} and {end} once each")
        before, _, rest = page.partition(begin)
        _, _, after = rest.partition(end)
        tables = "".join(text for table in key_tables(top) for text in _section(file, table))
        page = f"{before}{begin}\n\n{tables}{end}{after}"
    return page


def unit(field: Field[Any]) -> str:
    """The unit of a value: of lengths the millimetre, which stands for the file's ``length_unit``."""
    inner = bare(field)
    if isinstance(inner, LiftTable):
        return "°, mm"
    while isinstance(inner, Values):
        inner = bare(inner.of)
    if isinstance(inner, Length):
        return "mm/°" if inner.per else "mm"
    if isinstance(inner, Event) or re.search(r"_deg(_|$)", field.key):
        return "°"
    return "Ω" if field.key.endswith("_ohm") else ""


def _section(file: str, table: KeyTable) -> Iterator[str]:
    title = table.path or f"The keys at the top of {file}"
    yield f"### {f'`{table.path}`' if table.path else title}\n\n"
    words = [f"{text[0].upper()}{text[1:]}." for text in (table.meaning,) if text]
    words += [table.keys.rules] if table.keys.rules else []
    if words:
        yield " ".join(words) + "\n\n"
    rows = [_row(field) for field in table.keys.fields().values()]
    yield f"| {' | '.join(_HEAD)} |\n|{' --- |' * len(_HEAD)}\n"
    yield from (f"| {' | '.join(row)} |\n" for row in rows)
    yield "\n"


def _row(field: Field[Any]) -> tuple[str, ...]:
    inner = bare(field)
    key = f"`{field.key}`"
    if isinstance(inner, Table | NamedTables | Tables):
        optional = inner is not field or field.default is not None or (isinstance(inner, Table) and inner.may_be_empty)
        return key, inner.allowed(), "", "may be left out" if optional else "required", _cell(field.meaning), ""
    return key, _cell(field.allowed()), unit(field), default_words(field), _cell(field.meaning), f"`{field.example}`"


def _cell(text: str) -> str:
    """Text that a cell of a table can hold."""
    return text.replace("|", "\\|").replace("<", "\\<")


def main() -> None:
    """Write the page's tables anew."""
    PAGE.write_text(renewed(PAGE.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    main()
