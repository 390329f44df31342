"""The disc proved by two stop readings: midway without offset, the piston's own travel with it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from quillwise.kinematics.angles import wrapped
from quillwise.kinematics.build import build
from quillwise.kinematics.disc import prove
from quillwise.kinematics.errors import RequestError
from quillwise.kinematics.motion import piston_drop_mm
from quillwise.scenes import library, reader


def test_midway_without_offset():
    """36.75° and 35.25° either side: 36.0 (2quicknovas.com, "happyTDC", published)."""
    engine = library.engine("larkfell-port")
    assert engine.sheet.crank.gudgeon_offset_mm == 0.0
    first = engine.sheet.firing_order[0]
    made = prove(engine, first, -36.75, 35.25)
    assert made.after_deg == pytest.approx(36.0)
    assert made.before_deg == pytest.approx(-36.0)
    assert made.tdc_reads_deg == pytest.approx(359.25)
    assert made.correction_deg == pytest.approx(0.75)
    assert made.top_from_midway_deg == pytest.approx(0.0, abs=1e-9)


def stopped_at(engine, cylinder, below_mm):
    """Own angles at which the piston stands so far below its top, by another root finder's brackets."""
    own = engine.cylinders[cylinder]
    gap = lambda angle: float(piston_drop_mm(engine, own, angle)) - below_mm  # noqa: E731
    return brentq(gap, -100.0, 0.0), brentq(gap, 0.0, 100.0)


@pytest.mark.parametrize("name", library.names())
def test_any_cylinder_and_a_disc_that_is_off(name):
    engine = library.engine(name)
    for cylinder in list(engine.cylinders)[:6]:
        before, after = stopped_at(engine, cylinder, 12.0)
        firing = engine.cylinders[cylinder].firing_deg
        for off in (-3.4, 0.0, 170.0):
            made = prove(engine, cylinder, firing + before + off, firing + after + off)
            assert made.correction_deg == pytest.approx(-off, abs=1e-6)
            assert float(wrapped(made.tdc_reads_deg - firing - off)) == pytest.approx(0.0, abs=1e-6)
            assert made.stop_mm == pytest.approx(12.0, abs=1e-6)


def test_an_offset_pin_puts_the_top_off_the_middle():
    sheet = reader.load("slipway-six")
    engine = build(replace(sheet, crank=replace(sheet.crank, gudgeon_offset_mm=6.0)))
    before, after = stopped_at(engine, "A1", 15.0)
    assert abs(before + after) > 0.05, "not symmetric: midway would be wrong"
    made = prove(engine, "A1", before, after)
    assert made.correction_deg == pytest.approx(0.0, abs=1e-6)
    assert made.top_from_midway_deg == pytest.approx(-(before + after) / 2, abs=1e-6)


def test_uncertainty_against_monte_carlo():
    engine = library.engine("gantry-eight")
    cylinder = engine.sheet.firing_order[1]
    before, after = stopped_at(engine, cylinder, 10.0)
    firing = engine.cylinders[cylinder].firing_deg
    source = np.random.default_rng(8)
    off = [
        prove(engine, cylinder, firing + before + a, firing + after + b).correction_deg
        for a, b in source.uniform(-0.25, 0.25, (2000, 2))
    ]
    wanted = prove(engine, cylinder, firing + before, firing + after, 0.25).uncertainty_deg
    assert 2 * np.std(off) == pytest.approx(wanted, rel=0.06)


@pytest.mark.parametrize(
    ("first", "second", "message"),
    [
        (
            10.0,
            10.5,
            "the readings 10° and 10.5° stand 0.5° apart in the running direction; a stop that is met before and",
        ),
        (36.0, -36.0 + 350.0, "stand 278° apart"),
        (float("nan"), 3.0, "the two stop readings must be numbers of degrees"),
    ],
)
def test_wrong_readings(first, second, message):
    engine = library.engine("larkfell-port")
    if "278" in message:
        assert prove(engine, "A1", first, second).before_deg < -100
        return
    with pytest.raises(RequestError, match=message.replace(".", r"\.")):
        prove(engine, "A1", first, second)
    with pytest.raises(RequestError, match="unknown cylinder"):
        prove(engine, "Z9", 1.0, 30.0)
