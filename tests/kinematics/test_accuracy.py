"""Budgets of events: each share against a change that is really made; zones and neighbours against brute force."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from quillwise.kinematics.accuracy import budgets, told_apart
from quillwise.kinematics.assembly import intended, move_teeth, with_clearances
from quillwise.kinematics.budget import combined
from quillwise.kinematics.build import build
from quillwise.kinematics.couplings import positions
from quillwise.kinematics.sequence import play
from quillwise.kinematics.timing import timing_table
from quillwise.kinematics.verdicts import verdict
from quillwise.scenes import library, reader

FEW = 2000


@pytest.mark.parametrize("name", ["larkfell-port", "launch-inverted"])
def test_the_feelers_share_is_what_a_changed_clearance_does(name):
    engine = library.engine(name)
    whole = intended(engine)
    small = 0.001
    moved = with_clearances(whole, {each: mm + small for each, mm in whole.clearances_mm.items()})
    shifts = {
        before.name: abs(before.early_deg - after.early_deg) / small
        for before, after in zip(timing_table(engine, whole), timing_table(engine, moved), strict=True)
        if not before.magneto
    }
    assert len(shifts) > 20
    for each in budgets(engine, whole, FEW):
        if not each.event.magneto:
            feeler = next(part for part in each.reading if part.name == "feeler")
            assert feeler.half_width == pytest.approx(shifts[each.event.name] * engine.sheet.tools.feeler_mm, rel=0.03)


def test_monte_carlo_worst_case_and_linear_budget():
    engine = library.engine("larkfell-port")
    for each in budgets(engine, intended(engine))[:8]:
        parts = (*each.reading, *each.setting)
        assert each.worst == pytest.approx(sum(part.half_width for part in parts))
        assert each.expanded == pytest.approx(2 * combined(parts))
        assert -each.worst < each.interval.low < 0 < each.interval.high < each.worst
        assert each.interval.high == pytest.approx(1.96 / 2 * each.expanded, rel=0.06)
        assert each.reading_expanded < each.expanded
    again = budgets(engine, intended(engine), FEW, seed=5)
    assert again == budgets(engine, intended(engine), FEW, seed=5)
    assert again != budgets(engine, intended(engine), FEW, seed=6)


def test_zones_and_positions_by_brute_force():
    """Every position of a coupling really taken: how many are accepted, and which two are nearest."""
    engine = library.engine("larkfell-port")
    whole = play(engine).as_set
    found = budgets(engine, whole, FEW)
    told = {each.coupling: each for each in told_apart(engine, whole, found)}
    assert set(told) == set(engine.couplings)
    guards = {each.event.name: each.reading_expanded for each in found}
    for name, each in told.items():
        data = engine.couplings[name].data
        early = []
        for k in range(data.driving_teeth):
            for m in range(data.driven_teeth):
                taken = timing_table(engine, move_teeth(whole, name, k, m))
                event = next(event for event in taken if event.name == each.event)
                early.append(event.early_deg)
        assert len({round(value, 6) for value in early}) == positions(data.driving_teeth, data.driven_teeth)
        limit, guard = event.limit_deg, guards[each.event]
        accepted = {round(value, 6) for value in early if verdict(value, limit, guard) == "accept"}
        assert each.inside == len(accepted)
        nearest = sorted({round(value, 6) for value in early}, key=abs)[:2]
        assert sorted(round(place.early_deg, 6) for place in each.nearest) == pytest.approx(sorted(nearest), abs=1e-5)


def test_no_position_is_good_enough():
    """With limits below half a step the two nearest are told, and neither is called accepted."""
    sheet = reader.load("gantry-eight")
    engine = build(replace(sheet, limits=replace(sheet.limits, valve_event_deg=0.1, points_break_deg=0.1)))
    assembly = intended(engine)
    for each in told_apart(engine, assembly, budgets(engine, assembly, FEW)):
        assert each.zone is None
        assert each.inside == 0
        assert all(place.verdict != "accept" for place in each.nearest)


def test_better_tools_tell_more():
    sheet = reader.load("slipway-six")
    made = []
    for factor in (0.2, 1.0, 3.0):
        tools = replace(
            sheet.tools,
            ring_deg=factor * sheet.tools.ring_deg,
            zero_deg=factor * sheet.tools.zero_deg,
            feeler_mm=factor * sheet.tools.feeler_mm,
            meter_deg=factor * sheet.tools.meter_deg,
            backlash_deg=factor * sheet.tools.backlash_deg,
        )
        engine = build(replace(sheet, tools=tools))
        made.append(
            np.mean(
                [each.mistaken for each in told_apart(engine, intended(engine), budgets(engine, intended(engine), FEW))]
            )
        )
    assert made[0] < made[1] < made[2] < 0.5
