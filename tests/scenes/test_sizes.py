"""Files that are made to take for ever: each is refused by a limit that the message states, within two seconds."""

from __future__ import annotations

import tomllib
from collections.abc import Callable

import pytest
import trial
from hypothesis import given
from hypothesis import strategies as st

from quillwise.kinematics.build import build
from quillwise.kinematics.errors import SceneError, unknown
from quillwise.scenes import reader
from quillwise.scenes.leftover import _lines, leftover
from quillwise.scenes.places import MOST_PROBLEMS
from quillwise.scenes.toml_text import toml_string

SECONDS = 2
ORDER = 'firing_order = ["A1", "A5", "A3", "A6", "A2", "A4"]'


def refused(make_folder: Callable, engine: dict[str, str]) -> list[str]:
    folder = make_folder(engine)
    with trial.time_limit(SECONDS), pytest.raises(SceneError) as caught:
        reader.read(folder)
    return [str(problem) for problem in caught.value.problems]


def at_top(text: str) -> dict[str, str]:
    return {"format = 1\n": f"format = 1\n{text}"}


@pytest.mark.parametrize(
    ("edits", "told"),
    [
        (at_top("a." * 100_000 + "b = 1\n"), "engine.toml: expected keys of at most 20 parts between dots"),
        (at_top('"\\"" .' * 100_000 + "b = 1\n"), "engine.toml: expected keys of at most 20 parts between dots"),
        (at_top("'a' . \"b\"." * 50_000 + "b = 1\n"), "engine.toml: expected keys of at most 20 parts between dots"),
        ({"[crank]": f"[{'a.' * 100_000}b]\n[crank]"}, "engine.toml: expected keys of at most 20 parts between dots"),
        (at_top(f"a = {'[' * 100_000}{']' * 100_000}\n"), "engine.toml: expected a few levels of brackets"),
        (at_top("a = " + "{a = " * 50_000), "engine.toml: expected a few levels of brackets"),
        (at_top(f"a = {'9' * 5000}\n"), "engine.toml: expected shorter numbers, got one of thousands of digits"),
        (at_top("#" * 1_000_001), "engine.toml: expected a file of at most 1000000 bytes, got a larger one"),
        (
            {ORDER: "firing_order = [" + '"A1", ' * 1000 + "]"},
            "engine.toml: layout.firing_order: expected an array of 1 to 64, each text of 1 to 8 characters, got an "
            "array of 1000",
        ),
        (
            {"driving_teeth = 17": "driving_teeth = 1_000_000_000_000"},
            "engine.toml: couplings.quill.driving_teeth: expected a whole number from 1 to 400, got 1000000000000",
        ),
        (
            {"[couplings.quill]": "".join(f"[couplings.c{i}]\n" for i in range(40_000)) + "[couplings.quill]"},
            "engine.toml: couplings: expected a table of at most 64 tables, got 40002",
        ),
    ],
    ids=lambda value: None if isinstance(value, dict) else "",
)  # fmt: skip
def test_what_is_too_large_is_refused_by_a_stated_limit(make_folder, edits, told):
    found = refused(make_folder, edits)
    assert found[0].startswith(told)
    assert len(found) < 5


@pytest.mark.parametrize("number", ["1e400", "-1e400", "nan", "-nan", "inf", "-inf"])
def test_numbers_that_are_none(make_folder, number):
    found = refused(make_folder, {"bore = 100.0": f"bore = {number}"})
    shown = {"1e400": "inf", "-1e400": "-inf", "-nan": "nan"}.get(number, number)
    assert found == [f"engine.toml: crank.bore: expected a length from 20 to 500 mm, got {shown}"]


def test_zero_with_a_sign_is_zero(make_folder):
    with_sign = build(reader.read(make_folder({"gudgeon_offset = 1.0": "gudgeon_offset = -0.0"}, name="one")))
    without = build(reader.read(make_folder({"gudgeon_offset = 1.0": "gudgeon_offset = 0"}, name="two")))
    assert with_sign.cylinders == without.cylinders
    assert with_sign.sheet.crank == without.sheet.crank


@pytest.mark.parametrize("where", ["format = 1\n", "[couplings.quill]\n"])
def test_a_hundred_thousand_unknown_keys_are_counted(make_folder, where):
    found = refused(make_folder, {where: where + "".join(f"a{i:x} = 1\n" for i in range(90_000))})
    assert sum("unknown key" in line for line in found) == 20
    assert any("keys, got 90000 that have no meaning here" in line for line in found)


def test_thousands_of_problems_are_told_up_to_a_number(make_folder):
    stage = "{ spur = { driving = 1, driven = 1 }, " + ", ".join(f"x{i} = 1" for i in range(15)) + " },\n"
    trains = "".join(f'[[trains]]\ndrives = "s{i}"\nfrom = "crankshaft"\nstages = [{stage * 20}]\n' for i in range(60))
    found = refused(make_folder, {"[[magnetos]]": f"{trains}[[magnetos]]"})
    assert len(found) == MOST_PROBLEMS
    assert found[-1] == "engine.toml: more than 299 problems: mend those above first"


def test_long_names_that_are_nearly_alike(make_folder):
    names = ["x" * 190 + str(i) for i in range(60)]
    couplings = "".join(f'[couplings.{n}]\nkind = "quill"\ndriving_teeth = 9\ndriven_teeth = 10\n' for n in names)
    stages = '{ coupling = "' + "x" * 189 + 'zz" },\n'
    trains = "".join(f'[[trains]]\ndrives = "s{i}"\nfrom = "crankshaft"\nstages = [{stages * 20}]\n' for i in range(60))
    edits = {"[couplings.quill]": f"{couplings}[couplings.quill]", "[[magnetos]]": f"{trains}[[magnetos]]"}
    found = refused(make_folder, edits)
    assert len(found) == MOST_PROBLEMS


def test_a_long_name_still_gets_its_hint():
    long = "a coupling with quite a long name, of the port engine"
    assert unknown("coupling", long + "s", [long, "sleeve"]).endswith(f"(did you mean {long}?)")


def test_a_valid_file_of_mostly_nothing_is_read_in_no_time(make_folder):
    """The lines of a valid file are looked at one by one, for figures that nobody has replaced."""
    order = ORDER.replace("[", "[" + "\n" * 700_000 + "#]\n")
    folder = make_folder({ORDER: order, '"Invented."': '"""Invented [\\\n."""'})
    with trial.time_limit(SECONDS):
        reader.read(folder)
        found = leftover(folder)
    assert found is None or found.lines == ()


def test_the_lines_of_arrays_and_long_texts_are_found(make_folder):
    """Brackets within texts and remarks open nothing; the line that is told is the one where the value begins."""
    marked = "  # (invented)\n"
    folder = make_folder(
        {
            '"Invented."': '"""Invented [ \\\n"\'."""',
            ORDER: ORDER.replace("[", "[ # ]\n").replace('"A4"]', '"A4" ] # [ (invented)'),
            "bore = 100.0\n": "bore = 118.0" + marked,
        }
    )
    text = (folder / "engine.toml").read_text("utf-8").splitlines()
    (folder / "engine.toml").write_text("# Made from larkfell-port.\n" + "\n".join(text), "utf-8")
    found = leftover(folder)
    assert found is not None
    lines = {item.path: item.line for item in found.lines}
    bore = next(number for number, line in enumerate(text, 2) if line.startswith("bore"))
    assert lines["crank.bore"] == bore


PIECES = st.sampled_from(["a", "[", "]", "{", "}", "#", '"', "'", "\\", "=", ",", '"""', "'''", " ", "é", "\n"])
TEXTS = st.lists(PIECES, max_size=8).map("".join)
VALUES = st.recursive(
    st.one_of(st.integers(), st.booleans(), TEXTS), lambda inner: st.lists(inner, max_size=4), max_leaves=12
)


@given(st.lists(VALUES, min_size=1, max_size=5), st.randoms(use_true_random=False))
def test_every_value_is_found_at_the_line_where_it_begins(values, random):
    """Against tomllib: values over one line or several, strings of all four kinds, remarks with brackets in them."""

    def typed(value: object) -> str:
        if isinstance(value, list):
            gap = random.choice(("", "\n", " # ] }\n", "\n\n"))
            return f"[{gap}{''.join(f'{typed(entry)},{gap}' for entry in value)}]"
        if isinstance(value, str):
            literal = "\n" not in value and "'" not in value
            long = value.replace("\\", "\\\\").replace('"', '\\"')
            forms = [toml_string(value), f'"""\n{long}"""', *([f"'{value}'", f"'''\n{value}'''"] if literal else [])]
            return random.choice(forms)
        return str(value).lower()

    lines: list[str] = []
    begun = {}
    for number, value in enumerate(values):
        lines += [""] * random.randrange(2)
        begun[f"k{number}",] = len(lines) + 1
        lines += f"k{number} = {typed(value)}".split("\n")
    text = "\n".join(lines)
    assert list(tomllib.loads(text).values()) == values
    assert {line.at: line.number for line in _lines(text)} == begun


@pytest.mark.parametrize("end", ["\u2028", "\x85", "\x1c"])
def test_what_only_some_call_the_end_of_a_line(make_folder, end):
    """TOML has two ends of lines; within a remark any other one is a letter like others."""
    if end == "\x1c":
        assert refused(make_folder, at_top(f"# a{end}b = 'c\n")) != []
        return
    folder = make_folder(at_top(f"# a{end}b = 'c\r\n"))
    reader.read(folder)
    found = leftover(folder)
    assert found is None or found.lines == ()
