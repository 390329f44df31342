"""Rows of a lift table that do not go with the others, on tables drawn from the laws with noise (computed).

The laws are checked against published peaks in test_cams. No false alarm: 200 random tables of either kind, of any law,
spacing from 1 to 20 degrees, noise up to 0.03 mm, rounded to 0.01 mm or not.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from quillwise.kinematics import cams
from quillwise.kinematics.cams import LAWS
from quillwise.kinematics.datasheet import StandardLaw, ValveData
from quillwise.kinematics.measured import Rows, table_problems
from quillwise.kinematics.misread import misread_rows

INLET = ValveData(
    kind="inlet",
    opens_deg=338,
    closes_deg=598,
    lift_mm=11.0,
    ramp_mm_per_crank_deg=0.025,
    checking_clearance_mm=0.40,
    running_clearance_mm=0.30,
)


def drawn(seed: int, coarsest_deg: float = 20.0) -> list[tuple[float, float]]:
    rng = np.random.default_rng(seed)
    valve = replace(
        INLET,
        law=list(LAWS)[seed % len(LAWS)],
        opens_deg=330 + rng.uniform(-10, 15),
        closes_deg=590 + rng.uniform(-15, 20),
        lift_mm=rng.uniform(6, 16),
        ramp_mm_per_crank_deg=float(rng.choice([0.01, 0.025, 0.04])),
    )
    step = float(rng.choice([step for step in (1, 2, 4, 5, 7.5, 10, 15, 20) if step <= coarsest_deg]))
    angle = np.arange(270 + rng.uniform(0, 10), 670, step)
    lift = cams.lift_mm(cams.lift_curve(valve), angle)
    lift = lift + rng.normal(0, float(rng.choice([0, 0.002, 0.005, 0.01, 0.02, 0.03])), len(angle))
    return list(zip(angle.tolist(), (np.round(lift, 2) if seed % 3 == 0 else lift).tolist(), strict=True))


def misread(rows: Rows, at: int, by_mm: float) -> list[tuple[float, float]]:
    return [(angle, lift + by_mm if row == at else lift) for row, (angle, lift) in enumerate(rows)]


@pytest.mark.slow
def test_no_false_alarm_over_noisy_tables() -> None:
    tables = [rows for rows in (drawn(seed) for seed in range(215)) if not table_problems(rows)]
    assert len(tables) >= 200
    assert [row for rows in tables for row in misread_rows(rows)] == []


@pytest.mark.parametrize(("by_mm", "tables"), [(1.0, 60), (-1.0, 150)])
def test_a_row_misread_by_a_millimetre_is_named(by_mm: float, tables: int) -> None:
    named = 0
    for seed in range(tables):
        rows = drawn(seed, coarsest_deg=10)
        rng = np.random.default_rng(1000 + seed)
        at = int(rng.choice([row for row, (_, lift) in enumerate(rows) if lift > 0.3][2:-2]))
        wrong = misread(rows, at, by_mm)
        if table_problems(wrong):
            continue  # a peak of its own is told as an error already
        named += 1
        found = {row.row: row for row in misread_rows(wrong)}
        assert at + 1 in found, seed
        row = found[at + 1]
        assert row.gross
        assert row.lift_mm == wrong[at][1]
        assert row.expected_mm == pytest.approx(rows[at][1], abs=0.15)
    assert named >= 15


def test_two_rows_far_apart_are_both_named() -> None:
    curve = cams.lift_curve(INLET)
    angle = np.arange(300.0, 640.0, 4.0)
    rows = list(zip(angle.tolist(), cams.lift_mm(curve, angle).tolist(), strict=True))
    wrong = misread(misread(rows, 25, 0.5), 55, -0.4)
    assert [row.row for row in misread_rows(wrong)] == [26, 56]


@pytest.mark.parametrize("law", list(LAWS))
def test_a_small_slip_is_a_question_and_a_large_one_is_none(law: StandardLaw) -> None:
    """0.2 mm is under the 0.3 mm from which a row cannot be right, 0.6 mm is over it."""
    angle = np.arange(300.0, 640.0, 5.0)
    noise = np.random.default_rng(3).normal(0, 0.003, len(angle))
    lift = cams.lift_mm(cams.lift_curve(replace(INLET, law=law)), angle) + noise
    rows = list(zip(angle.tolist(), lift.tolist(), strict=True))
    assert [(row.row, row.gross) for row in misread_rows(misread(rows, 22, 0.2))] == [(23, False)]
    assert [(row.row, row.gross) for row in misread_rows(misread(rows, 22, 0.6))] == [(23, True)]
