"""The commands accuracy and disc, and the round of readings: words, JSON, CSV, wrong requests."""

from __future__ import annotations

import csv
import io
import json

import pytest
from typer.testing import CliRunner

from quillwise.scenes import library
from quillwise.viz import cli


def run(*arguments: str, code: int = 0) -> str:
    result = CliRunner().invoke(cli.app, arguments, prog_name="quillwise")
    assert result.exit_code == code, result.output
    return result.stderr if code == 2 else result.stdout


@pytest.mark.parametrize("name", library.names())
def test_accuracy_of_every_engine(name):
    text = run("accuracy", name, "--draws", "2000")
    assert max(len(line) for line in text.splitlines()) <= 80
    assert text.splitlines()[-1] == "Briefing aid. Not approved data."
    record = json.loads(run("accuracy", name, "--draws", "2000", "--json"))
    assert {each["coupling"] for each in record["couplings"]} == set(library.engine(name).couplings)
    events = json.loads(run("events", name, "--json"))["events"]
    assert [each["name"] for each in record["events"]] == [each["name"] for each in events]
    for each in record["events"]:
        parts = [*each["reading_half_widths_crank_deg"].values(), *each["setting_half_widths_crank_deg"].values()]
        assert each["worst_case_crank_deg"] == pytest.approx(sum(parts))
        assert f"{each['worst_case_crank_deg']:.2f}" in text
    rows = list(csv.DictReader(io.StringIO(run("accuracy", name, "--draws", "2000", "--csv"))))
    assert sum(float(row["half_width_crank_deg"]) for row in rows if row["name"] == events[0]["name"]) == pytest.approx(
        record["events"][0]["worst_case_crank_deg"]
    )


def test_disc():
    """36.75 before and 35.25 after: 0.75 late (2quicknovas.com, "happyTDC", published: 36.0 midway)."""
    text = run("disc", "323.25,35.25", "larkfell-port")
    assert "TDC of A1 reads 359.25°" in text
    assert "Add +0.75° to each reading" in text
    assert "36.00° before it and 36.00° after it" in " ".join(text.split())
    record = json.loads(run("disc", "323.25,35.25", "larkfell-port", "--json"))
    assert record["correction_crank_deg"] == pytest.approx(0.75)
    assert record["stop_before_tdc_crank_deg"] == pytest.approx(36.0)


def test_a_round_of_readings():
    record = json.loads(run("events", "larkfell-port", "--round", "--at", "350", "--json"))
    stops = record["events"]
    assert len(stops) == 72
    assert sum(stop["to_go_crank_deg"] for stop in stops) == pytest.approx(stops[-1]["walked_crank_deg"])
    assert all(stop["to_go_crank_deg"] >= 0 for stop in stops)
    for stop in stops:
        assert (350.0 + stop["walked_crank_deg"]) % 720.0 == pytest.approx(stop["crank_deg"])
    text = run("events", "larkfell-port", "--round", "--at", "350")
    assert text.count("________") == 72
    assert max(len(line) for line in text.splitlines()) <= 80


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("disc", "10"), 'expected two readings with a comma, such as 323.25,35.25, got "10"'),
        (("disc", "nan,3"), "a stop reading: expected degrees from -10000 to 10000, got nan"),
        (("disc", "10,11"), "the readings 10° and 11° stand 1° apart in the running direction; a stop"),
        (("disc", "330,30", "--cylinder", "Z1"), 'unknown cylinder "Z1"; defined: A1,'),
        (("accuracy", "--draws", "5"), "--draws: expected 1000 to 5000000, got 5"),
        (("accuracy", "--seed", "-1"), "--seed: expected a whole number from 0, got -1"),
        (("accuracy", "--csv", "--json"), "give --csv or --json, not both"),
        (("events", "--at", "4"), "--at is for --round"),
        (("events", "--round", "--csv"), "give --round or --csv, not both"),
    ],
)
def test_wrong_requests(arguments, message):
    assert run(*arguments, code=2).startswith(message)
