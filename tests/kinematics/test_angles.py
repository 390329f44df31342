"""Angles wrapped, and events as fitters write them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quillwise.kinematics.angles import (
    EVENT_KINDS,
    array,
    format_crank,
    format_event,
    in_cycle,
    parse_event,
    stroke,
    wrapped,
)


@pytest.mark.parametrize(
    ("kind", "text", "own_deg"),
    [
        # published: TM 9-8000 pp. 2-35, 2-36: opens 28 BTDC, exhaust closes 45 ATDC, overlap 73
        ("inlet opens", "28 BTDC", 332.0),
        ("exhaust closes", "45 ATDC", 405.0),
        # published: Korean state examination 2010-4: opens 13 BTDC, duration 242, closes 49 ABDC
        ("inlet opens", "13 BTDC", 347.0),
        ("inlet closes", "49 ABDC", 589.0),
        # secondary: ausmini.com topic 237565: 20-60/60-20, duration 260
        ("exhaust opens", "60 BBDC", 120.0),
        ("exhaust closes", "20 ATDC", 380.0),
        # by definition: the spark refers to firing TDC, and events may lie on either side of either centre
        ("points break", "41 BTDC", 679.0),
        ("points break", "5 ATDC", 725.0),
        ("inlet opens", "5 ATDC", 365.0),
        ("exhaust opens", "170 ATDC", 170.0),
        ("inlet closes", "100 BTDC", 620.0),
        ("exhaust closes", "175 ABDC", 355.0),
        ("inlet opens", "22.5btdc", 337.5),
        ("inlet opens", " 22 ° BTDC ", 338.0),
        ("inlet opens", "22 deg BTDC", 338.0),
    ],
)
def test_events_as_fitters_write_them(kind: str, text: str, own_deg: float) -> None:
    assert parse_event(text, kind) == own_deg


def test_overlap_and_durations_of_the_sources() -> None:
    assert parse_event("45 ATDC", "exhaust closes") - parse_event("28 BTDC", "inlet opens") == 73
    assert parse_event("49 ABDC", "inlet closes") - parse_event("13 BTDC", "inlet opens") == 242
    assert parse_event("60 ABDC", "inlet closes") - parse_event("20 BTDC", "inlet opens") == 260


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("22", 'expected degrees and BTDC, ATDC, BBDC or ABDC, for example "22 BTDC", got "22"'),
        ("-22 BTDC", 'expected degrees and BTDC, ATDC, BBDC or ABDC, for example "22 BTDC", got "-22 BTDC"'),
        ("22 BTC", 'expected degrees and BTDC, ATDC, BBDC or ABDC, for example "22 BTDC", got "22 BTC"'),
        ("nan BTDC", 'expected degrees and BTDC, ATDC, BBDC or ABDC, for example "22 BTDC", got "nan BTDC"'),
        ("181 BTDC", 'expected at most 180 degrees from the dead centre, got "181 BTDC"'),
    ],
)
def test_what_is_not_an_event_is_refused(text: str, message: str) -> None:
    with pytest.raises(ValueError) as caught:
        parse_event(text, "inlet opens")
    assert str(caught.value) == message


@pytest.mark.parametrize(
    ("own_deg", "decimals", "text"),
    [
        (338.0, 0, "22 BTDC"),
        (598.0, 0, "58 ABDC"),
        (116.0, 0, "64 BBDC"),
        (378.0, 0, "18 ATDC"),
        (679.0, 0, "41 BTDC"),
        (0.0, 0, "TDC"),
        (360.2, 0, "TDC"),
        (180.0, 1, "BDC"),
        (719.99, 1, "TDC"),
        (337.52, 1, "22.5 BTDC"),
        (90.0, 0, "90 ATDC"),
        (-41.0, 0, "41 BTDC"),
    ],
)
def test_events_are_written_from_the_nearest_centre(own_deg: float, decimals: int, text: str) -> None:
    assert format_event(own_deg, decimals) == text


@given(st.sampled_from(EVENT_KINDS), st.floats(0, 720))
def test_written_and_read_back_it_is_the_same_place(kind: str, own_deg: float) -> None:
    text = format_event(own_deg, 3)
    if text in ("TDC", "BDC"):
        assert abs(float(wrapped(own_deg, 180.0))) < 1e-3
    else:
        # the centre of a kind is one of the two in a cycle, so the place is the same within a turn of the crank
        assert float(wrapped(parse_event(text, kind) - own_deg, 360.0)) == pytest.approx(0.0, abs=1e-3)


@given(st.floats(-1e5, 1e5), st.sampled_from((180.0, 360.0, 720.0)))
def test_wrapping(angle: float, period: float) -> None:
    half, whole = float(wrapped(angle, period)), float(in_cycle(angle, period))
    assert -period / 2 <= half < period / 2 or half == pytest.approx(period / 2)
    assert 0 <= whole < period
    for value in (half, whole):
        turns = (value - angle) / period
        assert turns == pytest.approx(round(turns), abs=1e-9)


def test_borders_of_wrapping() -> None:
    assert list(wrapped([180.0, -180.0, 179.0, 540.0])) == [-180.0, -180.0, 179.0, -180.0]
    assert list(in_cycle([720.0, -1e-20, 0.0, -90.0])) == [0.0, 0.0, 0.0, 630.0]
    assert wrapped(np.zeros((2, 3))).shape == (2, 3)
    assert array(5).shape == (1,) and array([1, 2]).dtype == np.float64


@pytest.mark.parametrize(
    ("own_deg", "name"),
    [
        (0.0, "power"),
        (179.99, "power"),
        (180.0, "exhaust"),
        (359.0, "exhaust"),
        (360.0, "inlet"),
        (540.0, "compression"),
        (719.9, "compression"),
        (720.0, "power"),
        (-1.0, "compression"),
    ],
)
def test_strokes(own_deg: float, name: str) -> None:
    # published: TM 9-8000: inlet, compression, power, exhaust, 180 degrees each, firing at the end of compression
    assert stroke(own_deg) == name


@given(st.floats(-1e5, 1e5), st.integers(0, 3), st.sampled_from([360.0, 720.0]))
def test_a_place_of_the_crank_is_never_told_as_the_end_of_the_cycle(angle: float, decimals: int, period: float) -> None:
    told = float(format_crank(angle, decimals, period))
    assert 0.0 <= told < period
    assert abs(float(wrapped(told - angle, period))) <= 0.5 * 10**-decimals + 1e-9


@pytest.mark.parametrize(
    ("angle", "decimals", "told"),
    [
        (719.97, 1, "0.0"),
        (719.94, 1, "719.9"),
        (719.97, 2, "719.97"),
        (-0.02, 1, "0.0"),
        (1439.6, 0, "0"),
        (0.04, 1, "0.0"),
        (360.0, 1, "360.0"),
    ],
)
def test_a_place_of_the_crank_is_rounded_first_and_wrapped_then(angle: float, decimals: int, told: str) -> None:
    assert format_crank(angle, decimals) == told
