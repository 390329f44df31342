"""The text of the tables: 80 columns, the numbers of the record, names as they stand."""

from __future__ import annotations

import csv
import io
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import parse_mistake
from quillwise.scenes import library
from quillwise.viz import folder_records, records, tables, typesetting, validation

LAST_LINE = "Briefing aid. Not approved data."


@pytest.fixture(scope="module")
def port():
    return library.engine("larkfell-port")


@pytest.fixture(scope="module")
def played(port):
    return play(port)


@pytest.fixture(scope="module")
def wrong(port):
    """Everything that can be done wrong at once: the longest lines there are."""
    texts = ("other-tooth:quill-a=-3", "wrong-mark:camshaft B", "exhaust-stroke:exhaust-side")
    mistakes = [parse_mistake(port, text) for text in texts]
    return mistakes, play(port, mistakes)


def all_texts(port, played, mistakes=()):
    events = records.events(port, played, mistakes)
    rehearsal = records.rehearsal(port, played, mistakes)
    yield tables.events_text(events)
    yield tables.events_text(events, unit="in")
    yield tables.events_text(events, as_set=True)
    yield tables.rehearsal_text(rehearsal)
    yield tables.rehearsal_text(rehearsal, "in")
    yield validation.validation_text(folder_records.summary(port, played))
    yield tables.packaged_text(folder_records.packaged([port.sheet]))
    for step in played.steps:
        yield tables.rehearsal_text(records.rehearsal(port, played, mistakes, step))
    for coupling in port.couplings.values():
        yield tables.vernier_text(records.vernier(port, coupling, -179.9, -719.9, (-100, 99)))


def test_no_line_is_wider_than_80_columns_and_the_last_is_the_disclaimer(port, played, wrong):
    for text in (*all_texts(port, played), *all_texts(port, wrong[1], wrong[0])):
        lines = text.splitlines()
        assert max(cell_len(line) for line in lines) <= 80
        assert lines[-1] == LAST_LINE
        assert text.count(LAST_LINE) == 1
        assert text == "\n".join(line.rstrip() for line in lines) + "\n"
        assert "\x1b" not in text


def test_colour_and_width_of_the_terminal_change_nothing(port, played, monkeypatch):
    plain = list(all_texts(port, played))
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("COLUMNS", "40")
    monkeypatch.setenv("TERM", "xterm-256color")
    assert list(all_texts(port, played)) == plain


def test_events_as_set_stand_on_one_line_each(port, wrong):
    record = records.events(port, wrong[1], wrong[0])
    lines = tables.events_text(record, as_set=True).splitlines()
    rows = [line for line in lines if re.match(r" *\d+\.\d +\d+\.\d ", line)]
    assert len(rows) == len(record["events"])
    for row, event in zip(rows, record["events"], strict=True):
        assert row.split()[:2] == [f"{event['crank_deg']:.1f}", f"{event['to_next_crank_deg']:.1f}"]
        assert event["as_written"] in row
        assert event["as_set"]["as_written"] in row
        assert row.endswith(event["as_set"]["verdict"])


def test_events_by_the_data(port, played):
    text = tables.events_text(records.events(port, played))
    assert re.search(r"^338\.0 +18\.0  A1 inlet opens +22 BTDC +6\.10$", text, re.MULTILINE)
    assert re.search(r"^398\.0 +18\.0  B6 inlet opens +22 BTDC +6\.10$", text, re.MULTILINE)
    assert re.search(r"^679\.0 +7\.0  A1 exhaust-side break +41 BTDC +20\.20$", text, re.MULTILINE)
    assert "segment   1  2  3  4  5  6  7  8  9 10 11 12\nplug of  A1 B6 A2 B5 A4 B3 A6 B1 A5 B2 A3 B4\n" in text


def test_an_inch_is_25_4_mm(port, played):
    """25.4 mm, the international inch of 1959 (published)."""
    text = tables.events_text(records.events(port, played), unit="in")
    assert "piston below TDC, in" in text
    assert re.search(r"A1 exhaust-side break +41 BTDC +0\.795$", text, re.MULTILINE)  # 20.195 / 25.4
    assert "inlet 0.016 in" in text  # 0.40 / 25.4 = 0.01575


def test_csv_holds_the_record(port, played):
    record = records.events(port, played)
    rows = list(csv.DictReader(io.StringIO(tables.events_csv(record))))
    assert len(rows) == len(record["events"])
    for row, event in zip(rows, record["events"], strict=True):
        assert row["name"] == event["name"]
        for key in ("crank_deg", "to_next_crank_deg", "piston_drop_mm", "limit_crank_deg"):
            assert float(row[key]) == event[key]
        assert float(row["as_set_early_crank_deg"]) == event["as_set"]["early_crank_deg"]
        assert row["verdict"] == event["as_set"]["verdict"]


def test_vernier_table_prints_the_numbers_of_the_record(port):
    record = records.vernier(port, port.coupling("quill-b"), 0.25, -3.0, (3, -2))
    text = tables.vernier_text(record)
    rows = [line.split() for line in text.splitlines() if re.match(r" +\d+ +\d+ +[+-]", line)]
    assert len(rows) == 19
    for row, trial in zip(rows, record["trials"], strict=True):
        numbers = [trial["driving_tooth"], trial["driven_tooth"]]
        assert [int(cell) for cell in row[:2]] == numbers
        assert row[2] == f"{trial['out_of_line_shaft_deg']:+.3f}"
        assert row[3] == f"{trial['out_of_line_crank_deg']:+.3f}"
        assert " ".join(row[4:]) == trial["fit"] + (" best" if trial["best"] else "")
    flowing = " ".join(text.split())
    assert "342 positions. One step is 1.0526 degrees of this shaft, 0.7018 crank degrees." in flowing
    assert record["shift"]["words"] in flowing and record["move"]["words"] in flowing


def test_rehearsal_says_the_281_degrees(port, played):
    flowing = " ".join(tables.rehearsal_text(records.rehearsal(port, played)).split())
    assert "crank from 398.0 to 679.0: 281.0 degrees to go, the mark passes once." in flowing
    assert "All checks: 31 accept, 0 not proved, 0 reject." in flowing


def test_levels_are_explained_once_and_cautions_precede_the_work(port, played):
    text = tables.rehearsal_text(records.rehearsal(port, played))
    flowing = " ".join(text.split())
    assert flowing.count("A WARNING is about injury to people.") == 1
    step = text[text.index("Step 9 of 29") : text.index("Step 10 of 29")]
    assert step.index("CAUTION: A quill that is forced") < step.index("1.  ")


def test_a_mistake_is_printed_as_one(port, wrong):
    text = tables.rehearsal_text(records.rehearsal(port, wrong[1], wrong[0]))
    assert text.count("DONE WRONG ON PURPOSE: ") == 1 + 3
    assert "1 turn out" in text
    assert "Reject in step 10: A1 inlet opens\n" in text


def test_what_an_event_does_not_do_is_said(port, played):
    record = records.events(port, played)
    record["events"][0]["as_set"] = None
    first = tables.events_text(record, as_set=True).splitlines()
    assert any(line.endswith("A6 exhaust closes     18 ATDC     none") for line in first)
    assert tables.events_csv(record).splitlines()[1].endswith(",2.0,0.8,,,,")


def test_names_are_printed_as_they_stand(port):
    """Markup, emoji codes and control characters of a stranger's file are shown, not obeyed."""
    record = folder_records.packaged([port.sheet])
    record["engines"][0]["engine"] = "[bold]Lark[/bold] :smile: [link=x]"
    record["engines"][0]["about"] = "a\x1b[31mred\u202eback\x07"
    text = tables.packaged_text(record)
    squeezed = re.sub(r"\s+", "", text)
    assert "\x1b" not in text and "\u202e" not in text and "\x07" not in text
    for part in ("[bold]Lark[/bold]", ":smile:", "[link=x]"):
        assert part in text
    assert "a\\u001b[31mred\\u202eback\\u0007" in squeezed


def test_wide_characters_count_as_two_columns(port):
    """East Asian Wide characters take two columns (Unicode Standard Annex 11, published)."""
    record = folder_records.packaged([port.sheet])
    record["engines"][0]["about"] = "機" * 200
    assert max(cell_len(line) for line in tables.packaged_text(record).splitlines()) <= 80


@pytest.mark.parametrize(
    ("early", "words"),
    [
        (0.33, "0.33 early"),
        (-0.25, "0.25 late"),
        (0.0, "exact"),
        (-0.004, "exact"),
        (0.006, "0.01 early"),
        (-123.456, "123.5 late"),
        (359.75, "1 turn out"),
        (-360.0, "1 turn out"),
    ],
)
def test_event_off(early, words):
    assert typesetting.event_off(early) == words


CELLS = st.text(st.sampled_from("ab 12.é×引擎─\n"), max_size=24)


@given(st.data())
def test_a_table_that_has_room_is_the_one_that_rich_sets(data: st.DataObject) -> None:
    count = data.draw(st.integers(1, 5))
    row = st.lists(CELLS, min_size=count, max_size=count)
    heads = data.draw(st.lists(st.text("head", min_size=1, max_size=5), min_size=count, max_size=count))
    right = data.draw(st.sets(st.integers(0, count - 1)))
    made = typesetting.columns(heads, data.draw(st.lists(row, max_size=4)), tuple(right), data.draw(st.integers(1, 3)))
    for shown in (made, typesetting.indented(made)):
        folded = made.folded() if shown is made else typesetting.indented(made.folded())
        assert typesetting.page([shown]) == typesetting.page([folded])
