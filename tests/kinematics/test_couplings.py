"""Vernier couplings against published counts, and against brute force over all engagements."""

from __future__ import annotations

import itertools
import time
from fractions import Fraction
from math import gcd

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quillwise.kinematics.couplings import (
    best,
    common_factor,
    cycles_needed,
    early_deg,
    equal_trials,
    largest_left_over_deg,
    move_for_shift,
    move_in_words,
    positions,
    shift_deg,
    shift_for_move,
    shifts_deg,
    step_crank_deg,
    step_deg,
    step_with_cycles_deg,
    trials,
)
from quillwise.kinematics.datasheet import CouplingData

counts = st.integers(2, 40)
teeth = st.integers(-60, 60)


def coupling(n1: int, n2: int, free_play: float = 0.0, phase: float = 0.0) -> CouplingData:
    return CouplingData(
        name="quill-a",
        kind="quill",
        driving_teeth=n1,
        driven_teeth=n2,
        free_play_driven_shaft_deg=free_play,
        tooth_phase_deg=phase,
    )


def places_by_brute_force(n1: int, n2: int) -> set[Fraction]:
    """Every place of the driven shaft, as a part of a turn, over all engagements."""
    return {(Fraction(k, n1) - Fraction(m, n2)) % 1 for k in range(n1) for m in range(n2)}


def test_twenty_and_nineteen_step_by_a_380th_of_a_turn() -> None:
    # published: da7c.co.uk, technical articles, "Magneto coupling": 20 teeth driving, 19 driven, 1/380 turn
    assert step_deg(20, 19) == Fraction(360, 380)
    assert float(step_deg(20, 19)) == pytest.approx(0.947, abs=0.0005)


def test_to_advance_the_spark_the_disc_goes_back_against_the_rotation() -> None:
    # published: da7c.co.uk, "Magneto coupling": the magneto's half goes with the rotation (+), the disc
    # between the halves goes back against it
    move = move_for_shift((20, 19), Fraction(360, 380))
    assert move.shift_deg == Fraction(360, 380)
    assert (move.driving_teeth, move.driven_teeth) == (-1, -1)


def test_six_and_seven_slots() -> None:
    # published: mechanisms.co, "Differential angular adjustment 1": 360/42 = 8.57°
    assert float(step_deg(6, 7)) == pytest.approx(8.57, abs=0.005)


def test_torsion_bar_with_44_and_40_splines() -> None:
    # secondary: type2.com library, torsion-bar adjustment: pitches 8.18° and 9.00°, one tooth each way 0.82°
    assert float(shift_deg((44, 40), 1, 0)) == pytest.approx(8.18, abs=0.005)
    assert -shift_deg((44, 40), 0, 1) == 9
    assert float(shift_deg((44, 40), -1, -1)) == pytest.approx(0.82, abs=0.005)
    assert step_deg(44, 40) == shift_deg((44, 40), -1, -1) == Fraction(360, 440)


def test_drive_shaft_with_24_and_28_splines() -> None:
    # counts published: TM 9-2815-220-24, WP 0035-9; positions, step and equal trials computed
    assert positions(24, 28) == 168
    assert float(step_deg(24, 28)) == pytest.approx(2.143, abs=0.0005)
    assert common_factor(24, 28) == 4
    assert equal_trials(trials(coupling(24, 28), held_early_deg=0.7)) == 4


@pytest.mark.parametrize(("n1", "n2", "places"), [(20, 19, 380), (7, 6, 42), (12, 11, 132), (12, 8, 24), (16, 20, 80)])
def test_general_rule_of_the_vernier(n1: int, n2: int, places: int) -> None:
    # computed: number theory (lcm) and brute force over all engagements
    assert positions(n1, n2) == places == len(places_by_brute_force(n1, n2))


def test_rings_12_and_15_behind_gears() -> None:
    # computed: group theory and brute force: 1/7 turn a cycle gives 0.857143° and 420 positions, 1/5 no gain
    assert step_deg(12, 15) == 6
    assert float(step_with_cycles_deg(12, 15, Fraction(1, 7))) == pytest.approx(0.857143, abs=5e-7)
    assert 360 / step_with_cycles_deg(12, 15, Fraction(1, 7)) == 420
    assert step_with_cycles_deg(12, 15, Fraction(1, 5)) == 6


def test_dog_sleeve_of_12_and_11() -> None:
    # common practice, no source: at 1.5 × crank speed step 1.818, largest error left 0.909 crank degree
    assert float(step_crank_deg(12, 11, Fraction(3, 2))) == pytest.approx(1.818, abs=0.0005)
    assert float(largest_left_over_deg(12, 11) / Fraction(3, 2)) == pytest.approx(0.909, abs=0.0005)
    # and half-way between two positions the trials leave just that
    half_way = trials(coupling(12, 11), float(step_deg(12, 11)) / 2, Fraction(3, 2))
    assert abs(best(half_way).out_of_line_crank_deg) == pytest.approx(0.909, abs=0.0005)


@given(counts, counts)
def test_all_engagements_give_as_many_places_as_counted(n1: int, n2: int) -> None:
    places = places_by_brute_force(n1, n2)
    assert len(places) == positions(n1, n2)
    assert min(place for place in places if place) * 360 == step_deg(n1, n2)


def test_quill_moved_ahead_past_its_driving_mate_takes_the_driven_shaft_ahead() -> None:
    assert shift_deg((17, 18), 1, 0) == Fraction(360, 17)
    assert shift_deg((17, 18), 0, 1) == -20  # the quill goes ahead of the driven mate, which stays behind it
    assert float(early_deg(coupling(17, 18, phase=1.5), 0, 0)) == 1.5


@given(counts, counts, teeth, teeth)
def test_arrays_give_the_exact_shifts(n1: int, n2: int, k: int, m: int) -> None:
    ks = np.arange(k, k + 5)[:, None]
    ms = np.array([m, m + 3])
    found = shifts_deg(coupling(n1, n2), ks, ms)
    assert found.shape == (5, 2)
    wanted = [[float(shift_deg((n1, n2), int(i), int(j))) for j in ms] for i in ks[:, 0]]
    np.testing.assert_allclose(found, wanted, rtol=1e-14, atol=1e-12)


@given(counts, counts, teeth, teeth, teeth, teeth)
def test_there_and_back_changes_nothing(n1: int, n2: int, k: int, m: int, k0: int, m0: int) -> None:
    assert shift_deg((n1, n2), k, m) + shift_deg((n1, n2), -k, -m) == 0
    data = coupling(n1, n2, phase=0.3)
    moved = early_deg(data, k0 + k, m0 + m)
    np.testing.assert_allclose(moved + shifts_deg(data, -k, -m), early_deg(data, k0, m0), atol=1e-10)


def test_out_of_line_is_early_when_the_quill_would_push_the_driven_shaft_ahead() -> None:
    tried = trials(coupling(17, 18), held_early_deg=-0.4, shaft_turns_per_crank_turn=Fraction(3, 2))
    assert tried[0].out_of_line_deg == pytest.approx(0.4)  # held late: home, it goes ahead
    assert tried[0].out_of_line_crank_deg == pytest.approx(0.4 / 1.5)
    # turned on a tooth of 21.18°, the quill stands 1.18° past the next tooth of 20°
    assert tried[1].driven_tooth == 1
    assert tried[1].out_of_line_deg == pytest.approx(0.4 + 360 / 17 - 20)
    assert [trial.driving_tooth for trial in tried] == list(range(17))


def test_tooth_phase_puts_the_quill_ahead() -> None:
    assert trials(coupling(17, 18, phase=0.25))[0].out_of_line_deg == pytest.approx(0.25)


def test_verdicts_at_their_limits() -> None:
    data = coupling(12, 11, free_play=0.6)
    step = float(step_deg(12, 11))
    held = [0.3, 0.301, 0.3 + step / 2, 0.301 + step / 2]
    verdicts = [trials(data, early)[0].verdict for early in held]
    assert verdicts == ["free", "eased", "eased", "does not go in"]
    assert [trials(data, -early)[0].verdict for early in held] == verdicts


offsets = st.floats(-400, 400)


@given(counts, counts, offsets, offsets)
def test_best_trial_is_within_half_a_step(n1: int, n2: int, held: float, phase: float) -> None:
    tried = trials(coupling(n1, n2, phase=phase), held)
    step, pitch = 360 / positions(n1, n2), 360 / n2
    chosen = best(tried)
    assert abs(chosen.out_of_line_deg) <= step / 2 + 1e-9
    assert chosen.verdict in ("free", "eased")
    assert equal_trials(tried) == gcd(n1, n2)
    for trial in tried:
        assert -pitch / 2 - 1e-8 <= trial.out_of_line_deg <= pitch / 2
        assert trial.early_deg - held == pytest.approx(trial.out_of_line_deg, abs=1e-9)
    # not one of all engagements lies nearer
    ks, ms = np.arange(n1)[:, None], np.arange(n2)
    off = (early_deg(coupling(n1, n2, phase=phase), ks, ms) - held + 180) % 360 - 180
    assert abs(chosen.out_of_line_deg) == pytest.approx(np.abs(off).min(), abs=1e-8)


@given(counts, counts)
def test_trials_of_coprime_counts_meet_every_remainder_once(n1: int, n2: int) -> None:
    steps = [trial.out_of_line_deg / 360 * positions(n1, n2) for trial in trials(coupling(n1, n2))]
    remainders = sorted(round(step) for step in steps)
    assert np.allclose(sorted(steps), remainders, atol=1e-7)
    factor = gcd(n1, n2)
    assert len(set(remainders)) == n1 // factor
    assert remainders == sorted(remainders[::factor] * factor)
    assert remainders[-1] - remainders[0] == n1 // factor - 1


def test_of_equal_trials_the_one_with_fewest_teeth_is_best() -> None:
    chosen = best(trials(coupling(12, 8)))
    assert (chosen.driving_tooth, chosen.driven_tooth) == (0, 0)
    # held 30° late of trial 0: teeth 1, 4, 7 and 10 of the twelve are all exactly in line
    tried = trials(coupling(12, 8), held_early_deg=30.0)
    assert [trial.driving_tooth for trial in tried if abs(trial.out_of_line_deg) < 1e-9] == [1, 4, 7, 10]
    assert best(tried).driving_tooth == 1


def test_no_trials_is_an_error() -> None:
    with pytest.raises(ValueError):
        best(())


wanted_shifts = st.floats(-500, 500)


@given(st.integers(2, 14), st.integers(2, 14), wanted_shifts)
def test_move_for_a_shift_is_the_one_of_brute_force(n1: int, n2: int, wanted: float) -> None:
    move = move_for_shift(coupling(n1, n2), wanted)
    reach = range(-3 * max(n1, n2), 3 * max(n1, n2) + 1)
    ks, ms = np.meshgrid(reach, reach, indexing="ij")
    off = np.abs(shifts_deg((n1, n2), ks, ms) - wanted)
    nearest = off <= off.min() + 1e-9
    assert abs(move.left_over_deg) == pytest.approx(off.min(), abs=1e-9)
    assert move.teeth == (np.abs(ks) + np.abs(ms))[nearest].min()
    assert float(move.shift_deg) - wanted == pytest.approx(move.left_over_deg, abs=1e-9)
    assert move.shift_deg == shift_deg((n1, n2), move.driving_teeth, move.driven_teeth)


@given(counts, counts, teeth, teeth)
def test_move_for_the_shift_of_a_move_makes_that_shift_with_no_more_teeth(n1: int, n2: int, k: int, m: int) -> None:
    given_move = shift_for_move((n1, n2), k, m, Fraction(3, 2))
    found = move_for_shift((n1, n2), given_move.shift_deg, Fraction(3, 2))
    assert found.shift_deg == given_move.shift_deg
    assert found.left_over_deg == 0
    assert found.teeth <= given_move.teeth
    assert found.shift_crank_deg == given_move.shift_deg / Fraction(3, 2)


def test_left_over_is_early_when_the_move_goes_too_far() -> None:
    step = float(step_deg(12, 11))
    over = move_for_shift((12, 11), step - 0.3, Fraction(3, 2))
    assert over.left_over_deg == pytest.approx(0.3)
    assert over.left_over_crank_deg == pytest.approx(0.2)
    assert move_for_shift((12, 11), -(step - 0.3)).left_over_deg == pytest.approx(-0.3)


def test_a_whole_turn_is_not_taken_for_no_turn() -> None:
    assert (move_for_shift((17, 18), 360).driving_teeth, move_for_shift((17, 18), 360).driven_teeth) in (
        (17, 0),
        (0, -18),
    )
    assert move_for_shift((17, 18), 360).teeth == 17


def test_moves_of_400_and_399_teeth_are_found_at_once() -> None:
    start = time.perf_counter()
    for wanted in range(100):
        assert abs(move_for_shift((400, 399), wanted + 0.123).left_over_deg) <= 180 / (400 * 399) + 1e-12
    assert (time.perf_counter() - start) / 100 < 0.02


@given(
    st.integers(2, 15),
    st.integers(2, 15),
    st.fractions(min_value=Fraction(1, 20), max_value=4, max_denominator=20),
)
def test_cycles_against_brute_force(n1: int, n2: int, turns: Fraction) -> None:
    alone = places_by_brute_force(n1, n2)
    first_reached: dict[Fraction, int] = {}
    for cycles in range(turns.denominator):
        for place in alone:
            first_reached.setdefault((place + cycles * turns) % 1, cycles)
    step = step_with_cycles_deg(n1, n2, turns) / 360
    assert len(first_reached) == 1 / step
    for place, cycles in first_reached.items():
        assert cycles_needed(n1, n2, turns, int(place / step)) == cycles


def test_cycles_needed_for_rings_behind_gears() -> None:
    # 7 · 0.857143° = 6°, which the rings give alone; one cycle turns the ring 51.43° = 8 · 6° + 4 · 0.857143°
    assert cycles_needed(12, 15, Fraction(1, 7), 7) == 0
    assert cycles_needed(12, 15, Fraction(1, 7), 4) == 1
    assert cycles_needed(12, 15, Fraction(1, 7), -4) == 6
    assert cycles_needed(17, 18, Fraction(3), 5) == 0


def test_extra_cycle_is_a_trial_with_the_driven_shaft_held_later() -> None:
    # what the doc of trials says: the position of four small steps early comes in line after one cycle
    small = float(step_with_cycles_deg(12, 15, Fraction(1, 7)))
    held = 4 * small
    assert abs(best(trials(coupling(12, 15), held)).out_of_line_deg) > small
    after_one = trials(coupling(12, 15), held - 360 / 7)
    assert best(after_one).out_of_line_deg == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize(
    ("k", "m", "turns", "words"),
    [
        (
            3,
            -2,
            "clockwise",
            "Turn the quill 3 teeth clockwise at its driving end, seen from the upper end. "
            "It then goes home 2 teeth anticlockwise at its driven end, seen from the upper end.",
        ),
        (
            -1,
            1,
            "anticlockwise",
            "Turn the quill 1 tooth clockwise at its driving end, seen from the upper end. "
            "It then goes home 1 tooth anticlockwise at its driven end, seen from the upper end.",
        ),
        (
            0,
            4,
            "clockwise",
            "Keep the quill in the same teeth at its driving end. "
            "It then goes home 4 teeth clockwise at its driven end, seen from the upper end.",
        ),
        (
            5,
            0,
            "anticlockwise",
            "Turn the quill 5 teeth anticlockwise at its driving end, seen from the upper end. "
            "It then goes home in the same teeth at its driven end.",
        ),
        (0, 0, "clockwise", "Put the quill home in the same teeth at both ends."),
    ],
)
def test_move_in_words(k: int, m: int, turns: str, words: str) -> None:
    said = move_in_words(k, m, "quill", turns, "upper end")  # type: ignore[arg-type]
    assert said == words
    assert "sleeve" in move_in_words(k, m, "sleeve", turns, "drive end")  # type: ignore[arg-type]


def test_sentences_have_at_most_twenty_words() -> None:
    for k, m in itertools.product((-12, -1, 0, 1, 12), repeat=2):
        for sentence in move_in_words(k, m, "sleeve", "anticlockwise", "wheelcase end").split(". "):
            assert len(sentence.split()) <= 20
