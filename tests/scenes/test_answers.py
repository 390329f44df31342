"""What is typed when a reading is asked for: tables of the readings file, or a sentence that says what is expected."""

from __future__ import annotations

import tomllib

import pytest

from quillwise.kinematics.candidates import candidates
from quillwise.kinematics.errors import RequestError
from quillwise.kinematics.readings import Proposal, Readings
from quillwise.scenes import library
from quillwise.scenes.answers import asked_for, choices, table_text

SIX = library.engine("slipway-six")
KNOWN = {one.name: one for one in candidates(SIX, Readings())}


def proposal(name: str) -> Proposal:
    one = KNOWN[name]
    return Proposal(
        name=one.name,
        kind=one.kind,
        entry=one.outcomes[0],
        outcomes=one.outcomes,
        bits=1.0,
        minutes=1.0,
        tool=one.tool,
        destroys=one.destroys,
    )


@pytest.mark.parametrize(
    ("name", "typed", "row"),
    [
        ("A1 inlet opens", "338.5", {"event": "opens", "crank_deg": 338.5}),
        ("A1 inlet opens", "21.5 btdc", {"event": "opens", "reading": "21.5 BTDC"}),
        ("A1 inlet opens", "3.385e2", {"crank_deg": 338.5}),
        ("winch finger off the middle", "-1.5", {"magneto": "winch", "off_deg": -1.5}),
        ("true TDC of A1", "323.5, 36.5", {"before_deg": 323.5, "after_deg": 36.5}),
        ("which cylinder rocks at TDC of A1", "2", {"kind": "rocking", "subject": "A6", "crank_deg": 0.0}),
        ("which cylinder rocks at TDC of A1", "A6 rocking", {"subject": "A6"}),
        ("winch lever", "2", {"kind": "lever off its stop", "subject": "winch"}),
    ],
)
def test_answers(name, typed, row):
    (rows,) = tomllib.loads(table_text(proposal(name), typed, 2.0)).values()
    assert {key: rows[0][key] for key in row} == row


def test_uncertainties_are_written_for_the_file_s_coverage_factor():
    for k in (1.0, 2.0, 3.0):
        (rows,) = tomllib.loads(table_text(proposal("A1 inlet opens"), "338", k)).values()
        assert rows[0]["uncertainty_deg"] == pytest.approx(k * SIX.sheet.limits.valve_event_uncertainty_deg / 2)


@pytest.mark.parametrize(
    ("name", "typed", "message"),
    [
        ("A1 inlet opens", "--", 'expected crank degrees as a number, got "--"'),
        ("A1 inlet opens", "1e999", 'expected crank degrees as a number, got "1e999"'),
        ("A1 inlet clearance", "0,4", 'expected mm as a number, got "0,4"'),
        ("true TDC of A1", "323.5", 'expected two readings, before the top and after it, got "323.5"'),
        ("which cylinder rocks at TDC of A1", "0", 'expected a number from 1 to 2, got "0"'),
        ("which cylinder rocks at TDC of A1", "A5", 'expected a number from 1 to 2, got "A5"'),
        ("winch lever", "²", 'expected a number from 1 to 2, got "²"'),
    ],
)
def test_wrong_answers(name, typed, message):
    with pytest.raises(RequestError) as caught:
        table_text(proposal(name), typed, 2.0)
    assert str(caught.value) == message


def test_what_is_asked_for_names_the_feeler_in_the_engine_s_unit():
    assert "the feeler of 0.020 in just nipped" in asked_for(SIX, proposal("A1 inlet opens"))
    metric = library.engine("gantry-eight")
    assert " mm just let go" in asked_for(metric, proposal("A1 inlet closes"))
    assert choices(proposal("A1 inlet opens")) == ()
    assert choices(proposal("winch lever")) == ("winch lever at its stop", "winch lever off its stop")
