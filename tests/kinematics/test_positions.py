"""Positions after whole cycles of the crank, and of several couplings together, against brute force."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import product

import pytest
from numpy.random import default_rng

from quillwise.kinematics.couplings import positions, step_with_cycles_deg
from quillwise.kinematics.datasheet import CouplingData
from quillwise.kinematics.positions import best_again, reach, sets_of_positions, train_step_deg, tried_again


def coupling(driving: int, driven: int, phase_deg: float = 0.0) -> CouplingData:
    return CouplingData(name="c", kind="quill", driving_teeth=driving, driven_teeth=driven, tooth_phase_deg=phase_deg)


def closure(shares: list[Fraction]) -> set[Fraction]:
    """All places in a turn that can be reached by adding shares of a turn, one after the other."""
    reached, fresh = {Fraction(0)}, [Fraction(0)]
    while fresh:
        place = fresh.pop()
        for share in shares:
            other = (place + share) % 1
            if other not in reached:
                reached.add(other)
                fresh.append(other)
    return reached


def test_group_of_moves_of_couplings_behind_gears() -> None:
    # group theory, brute force: rings of 12 and 15, driver turn a seventh of the ring's: 0.857143 deg, 420 positions
    assert train_step_deg([(12, 15, Fraction(1))], Fraction(1, 7)) == Fraction(360, 420)
    assert float(train_step_deg([(12, 15, Fraction(1))], Fraction(1, 7))) == pytest.approx(0.857143, abs=5e-7)
    assert train_step_deg([(12, 15, Fraction(1))], Fraction(1, 5)) == 6


def test_couplings_of_one_train_together_by_brute_force() -> None:
    rng = default_rng(7)
    for _ in range(120):
        count = int(rng.integers(1, 4))
        made, shares = [], []
        for _ in range(count):
            n1, n2, above, below = (int(n) for n in rng.integers(1, [10, 10, 6, 6]))
            made.append((n1, n2, Fraction(above, below)))
            shares += [Fraction(above, below) / n1, Fraction(above, below) / n2]
        cycle = Fraction(int(rng.integers(0, 6)), int(rng.integers(1, 6)))
        reached = closure([*shares, cycle])
        step = train_step_deg(made, cycle)
        assert len(reached) == 360 / step
        assert min((place for place in reached if place), default=Fraction(1)) * 360 == step


@pytest.mark.parametrize(
    ("n1", "n2", "turns"), [(12, 15, Fraction(1, 14)), (17, 18, Fraction(7, 10)), (1, 1, Fraction(3, 8))]
)
def test_trials_after_more_cycles_are_those_of_a_crank_that_was_turned(n1: int, n2: int, turns: Fraction) -> None:
    data, held = coupling(n1, n2, 2.37), 2.37 + 0.3 * 360 / positions(n1, n2)
    found = tried_again(data, held, turns)
    per_cycle = 2 * turns
    assert len(found) == sets_of_positions(n1, n2, per_cycle) > 1
    for again in found:
        # teeth by teeth: the driving end has gone on by the cycles, the driven end is where it was held
        gone = again.cycles * per_cycle
        teeth = product(range(n1), range(n2))
        ahead = [(Fraction(k, n1) - Fraction(m, n2) + gone) * 360 for k, m in teeth]
        outs = [(float(place) + 2.37 - held + 180.0) % 360.0 - 180.0 for place in ahead]
        assert abs(again.trial.out_of_line_deg) == pytest.approx(min(abs(out) for out in outs), abs=1e-9)
    step = float(step_with_cycles_deg(n1, n2, per_cycle))
    assert abs(best_again(found).trial.out_of_line_deg) <= step / 2 + 1e-9
    assert abs(best_again(found).trial.out_of_line_deg) < abs(found[0].trial.out_of_line_deg)


def test_nothing_more_is_open_where_the_shaft_makes_whole_turns() -> None:
    for turns in (Fraction(1, 2), Fraction(3, 2), Fraction(3)):
        assert len(tried_again(coupling(17, 18), 0.4, turns)) == 1


def test_reach_of_a_wanted_shift() -> None:
    for wanted in (-7.3, 0.0, 3.43, 41.0):
        found = reach(12, 15, Fraction(1, 7), wanted)
        assert abs(found.left_over_deg) <= 360 / 420 / 2 + 1e-9
        # the teeth alone move by sixes; the cycles make up the rest
        off = found.shift_deg / 360 - found.cycles * Fraction(-1, 7)
        assert (off * positions(12, 15)).denominator == 1 or (
            (found.shift_deg / 360 - found.cycles * Fraction(1, 7)) * positions(12, 15)
        ).denominator == 1


def test_a_plain_peg_has_one_position_and_most_teeth_many() -> None:
    assert train_step_deg([(1, 1, Fraction(1))]) == 360
    assert positions(1, 1) == 1
    assert len(tried_again(coupling(1, 1), 0.0, Fraction(1, 2))) == 1
    assert positions(400, 399) == 159600
    assert len(tried_again(replace(coupling(400, 399), free_play_driven_shaft_deg=0.1), 0.0, Fraction(1))) == 1
