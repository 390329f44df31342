"""FORMAT.md and the reader agree both ways: the page is read back as a person reads it."""

import re
import tomllib

import pytest

from quillwise.scenes import format_page
from quillwise.scenes.fields import NamedTables, Table, Tables, bare
from quillwise.scenes.key_tables import key_rows, key_tables
from quillwise.scenes.places import Layer, Place

PAGE = format_page.PAGE.read_text(encoding="utf-8")
ROWS = [(file, table, field) for file, top in format_page.FILES.items() for table in key_tables(top)
        for field in table.keys.fields().values()]  # fmt: skip


def rows_on_the_page(file: str) -> dict[str, tuple[str, ...]]:
    """Key path to the cells after the key, of the tables of keys that hold a value."""
    section = PAGE.split(f"<!-- keys of {file} -->")[1].split(f"<!-- end of {file} -->")[0]
    found = {}
    for part in section.split("\n### ")[1:]:
        title, *lines = part.splitlines()
        path = title.strip("`") + "." if title.startswith("`") else ""
        for line in lines:
            if line.startswith("| `"):
                key, *cells = (cell.strip().replace("\\<", "<") for cell in re.split(r"(?<!\\)\|", line)[1:-1])
                found[path + key.strip("`")] = tuple(cells)
    return found


@pytest.mark.parametrize("file", format_page.FILES)
def test_the_page_and_the_reader_know_the_same_keys(file):
    page = rows_on_the_page(file)
    reader = {path: (allowed, default) for path, allowed, default in key_rows(format_page.FILES[file])}
    values = {path: cells for path, cells in page.items() if not re.search(r"\ba (named )?table|tables$", cells[0])}
    assert set(values) == set(reader)
    assert {path: (cells[0], cells[2]) for path, cells in values.items()} == reader


def test_the_page_is_up_to_date():
    """After a change of the keys: ``python -m quillwise.scenes.format_page``."""
    assert format_page.renewed(PAGE) == PAGE


def test_a_page_without_a_mark_is_refused():
    with pytest.raises(ValueError, match=r"expected <!-- keys of engine\.toml --> and .* once each"):
        format_page.renewed(PAGE.replace("<!-- keys of engine.toml -->", ""))


@pytest.mark.parametrize(("file", "table", "field"), ROWS, ids=lambda value: getattr(value, "key", None) or "")
def test_every_key_has_its_meaning_and_an_example_that_the_reader_takes(file, table, field):
    assert field.meaning and not field.meaning.endswith("."), f"{table.path}.{field.key} in {file}"
    inner = bare(field)
    if isinstance(inner, Table | NamedTables | Tables):
        assert not field.example
        return
    value = tomllib.loads(f"x = {field.example}")["x"]
    if isinstance(value, list):  # an example shows the first rows of a long array
        value = (value * inner.least)[: max(inner.least, len(value))]
    problems: list = []
    inner.read(value, Place(layers=(Layer(file=file, table={}),), problems=problems))
    assert problems == []


def test_units():
    units = {(table.path, field.key): format_page.unit(field) for _, table, field in ROWS}
    assert units["crank", "bore"] == "mm"
    assert units["valves.inlet", "ramp_per_crank_deg"] == "mm/°"
    assert units["valves.inlet", "opens"] == "°"
    assert units["crank", "pin_angles_deg"] == "°"
    assert units["magnetos[]", "e_gap_magneto_rotor_deg"] == "°"
    assert units["magnetos[]", "closed_ohm"] == "Ω"
    assert units["couplings.<name>", "driving_teeth"] == ""
