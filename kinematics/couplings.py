"""Vernier couplings: quills and sleeves with a different number of teeth at each end.

k and m are the teeth that the quill moves past its driving and past its driven mate, + in its running
direction. All degrees are of the coupling's own shaft unless the name says crank; + = early, the driven
shaft ahead in its running direction. ``shaft_turns_per_crank_turn`` is the speed ratio without its sign.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from quillwise.kinematics.angles import Floats
from quillwise.kinematics.datasheet import CouplingData, Rotation

Counts = CouplingData | tuple[int, int]
Verdict = Literal["free", "eased", "does not go in"]

# Two places that differ by less are the same place: far below any step, far above the rounding of a float.
SAME_PLACE_DEG = 1e-9


@dataclass(frozen=True, kw_only=True, slots=True)
class Trial:
    """One try at the bench: the quill turned on by ``driving_tooth`` teeth from trial 0, the driven shaft
    held.

    ``driven_tooth`` is the nearest tooth of the driven mate, not wrapped to one turn. ``out_of_line_deg``:
    by how much the quill, pressed home, would move the driven shaft from where it is held, + = ahead
    (early), at least −half and less than +half a driven tooth pitch. ``early_deg``: where the driven shaft
    then stands from exact timing, + = early.
    """

    driving_tooth: int
    driven_tooth: int
    out_of_line_deg: float
    out_of_line_crank_deg: float
    early_deg: float
    verdict: Verdict


@dataclass(frozen=True, kw_only=True, slots=True)
class Move:
    """A move of a quill past its two mates. ``shift_deg``: by how much the driven shaft goes ahead, + =
    early. ``left_over_deg``: shift − wanted shift, + = the driven shaft ends earlier than wanted."""

    driving_teeth: int
    driven_teeth: int
    shift_deg: Fraction
    shift_crank_deg: Fraction
    left_over_deg: float = 0.0
    left_over_crank_deg: float = 0.0

    @property
    def teeth(self) -> int:
        """Teeth to count in all, |k| + |m|."""
        return abs(self.driving_teeth) + abs(self.driven_teeth)


def positions(n1: int, n2: int) -> int:
    """Number of different places in a turn at which the driven shaft can stand: lcm of the counts."""
    return math.lcm(n1, n2)


def common_factor(n1: int, n2: int) -> int:
    """Greatest common factor of the counts: so many trials of a turn are equal. 1 for a true vernier."""
    return math.gcd(n1, n2)


def step_deg(n1: int, n2: int) -> Fraction:
    """Smallest step of the driven shaft [deg of that shaft], exact: 360 / lcm."""
    return Fraction(360, positions(n1, n2))


def step_crank_deg(n1: int, n2: int, shaft_turns_per_crank_turn: Fraction) -> Fraction:
    """Smallest step [crank degrees], exact."""
    return step_deg(n1, n2) / shaft_turns_per_crank_turn


def largest_left_over_deg(n1: int, n2: int) -> Fraction:
    """The most by which the best trial can be out of line, either way [deg]: half a step."""
    return step_deg(n1, n2) / 2


def shift_deg(coupling: Counts, k: int, m: int) -> Fraction:
    """By how much the driven shaft goes ahead when the quill moves k and m teeth [deg, + = early], exact
    and not wrapped: k·360/N₁ − m·360/N₂. ``coupling``: its data, or (driving, driven) teeth."""
    n1, n2 = _counts(coupling)
    return Fraction(360 * k, n1) - Fraction(360 * m, n2)


def shifts_deg(coupling: Counts, k: ArrayLike, m: ArrayLike) -> Floats:
    """As ``shift_deg`` for whole numbers k and m that broadcast together; rounded once. Shape of the two."""
    n1, n2 = _counts(coupling)
    whole = np.asarray(k, dtype=np.int64) * n2 - np.asarray(m, dtype=np.int64) * n1
    return np.asarray(360.0 * whole / (n1 * n2))


def early_deg(coupling: CouplingData, k: ArrayLike, m: ArrayLike) -> Floats:
    """How early the driven shaft stands [deg of its shaft, + = ahead in its running direction], with the
    tooth phase. k, m: whole numbers, broadcast. Shape of the two; not wrapped."""
    return np.asarray(coupling.tooth_phase_deg + shifts_deg(coupling, k, m))


def trials(
    coupling: CouplingData,
    held_early_deg: float = 0.0,
    shaft_turns_per_crank_turn: Fraction = Fraction(1),
) -> tuple[Trial, ...]:
    """Every trial of a turn, in the order of the bench: the quill turned on one driving tooth at a time in its running
    direction, 0 to N₁ − 1, the driven shaft held ``held_early_deg`` ahead of exact timing [deg of its shaft].

    Goes in free when out of line by no more than half the free play, is eased in up to half a step more, else does not
    go in. After c more whole cycles of the crank, try with ``held_early_deg`` less c × the turns in a cycle × 360.
    ``shaft_turns_per_crank_turn``: without sign; it gives the crank degrees. Raises nothing.

    >>> from quillwise.scenes.library import engine
    >>> best(trials(engine("larkfell-port").coupling("quill-a").data)).driving_tooth
    15
    """
    n1, n2 = _counts(coupling)
    step = 360.0 / positions(n1, n2)
    free = coupling.free_play_driven_shaft_deg / 2
    # counted in steps, the tooth pitches are whole numbers, so only the phase brings rounding in
    pitch1, pitch2 = positions(n1, n2) // n1, positions(n1, n2) // n2
    offset = (coupling.tooth_phase_deg - held_early_deg) / step
    tried = []
    for k in range(n1):
        ahead = k * pitch1 + offset
        # a hair over one half: half a tooth out counts as late for every k, however the float was rounded
        m = math.floor((ahead + SAME_PLACE_DEG / step) / pitch2 + 0.5)
        out = (ahead - m * pitch2) * step
        tried.append(
            Trial(
                driving_tooth=k,
                driven_tooth=m,
                out_of_line_deg=out,
                out_of_line_crank_deg=out / float(shaft_turns_per_crank_turn),
                early_deg=float(early_deg(coupling, k, m)),
                verdict=_verdict(abs(out), free, step),
            )
        )
    return tuple(tried)


def best(tried: Sequence[Trial]) -> Trial:
    """The trial least out of line; of several, the one with the fewest teeth. Raises ValueError for no trials."""
    least = min(abs(trial.out_of_line_deg) for trial in tried)
    near = [trial for trial in tried if abs(trial.out_of_line_deg) <= least + SAME_PLACE_DEG]
    return min(near, key=lambda trial: trial.driving_tooth + abs(trial.driven_tooth))


def equal_trials(tried: Sequence[Trial]) -> int:
    """How many trials put the driven shaft in the same place as the best: the common factor of the counts."""
    chosen = best(tried).out_of_line_deg
    return sum(abs(trial.out_of_line_deg - chosen) <= SAME_PLACE_DEG for trial in tried)


def shift_for_move(coupling: Counts, k: int, m: int, shaft_turns_per_crank_turn: Fraction = Fraction(1)) -> Move:
    """The shift [deg of the shaft, + = early, exact] that a move of ``k`` teeth past the driving and ``m`` past the
    driven mate makes, + in the running direction. ``shaft_turns_per_crank_turn``: without sign; it gives the crank
    degrees. Raises nothing.

    >>> shift_for_move((7, 6), 1, 1).shift_deg  # 360/7 − 360/6
    Fraction(-60, 7)
    """
    shift = shift_deg(coupling, k, m)
    return Move(driving_teeth=k, driven_teeth=m, shift_deg=shift, shift_crank_deg=shift / shaft_turns_per_crank_turn)


def move_for_shift(
    coupling: Counts, wanted_deg: float | Fraction, shaft_turns_per_crank_turn: Fraction = Fraction(1)
) -> Move:
    """The move with the fewest teeth |k| + |m| whose shift is nearest to the one wanted, ``wanted_deg`` [deg of the
    shaft, + = early].

    ``coupling``: its data, or (driving, driven) teeth. ``shaft_turns_per_crank_turn``: without sign; it gives the crank
    degrees. The wanted shift is not wrapped: a whole turn of this shaft need not be one of the shaft behind it. A shift
    half-way between two steps takes the move with fewer teeth; of two moves with as many teeth, the one with fewer
    driving teeth. Raises nothing.

    >>> move = move_for_shift((20, 19), Fraction(360, 380))
    >>> move.driving_teeth, move.driven_teeth, move.shift_deg == Fraction(360, 380)
    (-1, -1, True)
    """
    n1, n2 = _counts(coupling)
    wanted = Fraction(wanted_deg)
    below = math.floor(wanted / step_deg(n1, n2))
    moves = []
    for steps in (below, below + 1):
        k, m = _fewest_teeth(n1, n2, steps)
        shift = shift_deg((n1, n2), k, m)
        left = shift - wanted
        moves.append(
            Move(
                driving_teeth=k,
                driven_teeth=m,
                shift_deg=shift,
                shift_crank_deg=shift / shaft_turns_per_crank_turn,
                left_over_deg=float(left),
                left_over_crank_deg=float(left / shaft_turns_per_crank_turn),
            )
        )
    if abs(abs(moves[0].left_over_deg) - abs(moves[1].left_over_deg)) <= SAME_PLACE_DEG:
        return min(moves, key=lambda move: (move.teeth, abs(move.driving_teeth)))
    return min(moves, key=lambda move: abs(move.left_over_deg))


def move_in_words(k: int, m: int, kind: Literal["quill", "sleeve"], turns: Rotation, viewed_from: str) -> str:
    """A move as an instruction. ``turns``: the running direction of the shaft, seen from ``viewed_from``,
    for example "upper end". Sentences of at most 20 words if ``viewed_from`` has no more than six."""
    seen = f"seen from the {viewed_from}"
    if k == 0 and m == 0:
        return f"Put the {kind} home in the same teeth at both ends."
    driving = (
        f"Turn the {kind} {teeth_words(k)} {_direction(k, turns)} at its driving end, {seen}."
        if k
        else f"Keep the {kind} in the same teeth at its driving end."
    )
    driven = (
        f"It then goes home {teeth_words(m)} {_direction(m, turns)} at its driven end, {seen}."
        if m
        else "It then goes home in the same teeth at its driven end."
    )
    return f"{driving} {driven}"


def step_with_cycles_deg(n1: int, n2: int, turns_per_cycle: Fraction) -> Fraction:
    """The true smallest step [deg of the shaft] when the crank may also be taken round whole cycles between
    trials.

    ``turns_per_cycle``: turns of this shaft in 720° of the crank. The moves 1/N₁, 1/N₂ and a/b turn, modulo
    one turn, make up a cyclic group of order lcm(N₁, N₂, b): no gain when the shaft makes whole turns in a
    cycle.
    """
    return Fraction(360, math.lcm(n1, n2, Fraction(turns_per_cycle).denominator))


def cycles_needed(n1: int, n2: int, turns_per_cycle: Fraction, position: int) -> int:
    """The least number of extra whole cycles of the crank, in its running direction and with the driven
    shaft held still, after which the quill fits at a position.

    ``position``: by how many steps of ``step_with_cycles_deg`` the driven shaft is to be early; any whole
    number. 0 when the teeth alone reach it.
    """
    turns = Fraction(turns_per_cycle)
    alone = positions(n1, n2)
    shared = math.gcd(turns.denominator, alone)
    # a step of the teeth is cut into ``sets`` small ones; a cycle moves by a·lcm/shared of these
    sets = turns.denominator // shared
    return position * pow(turns.numerator * (alone // shared), -1, sets) % sets


def _counts(coupling: Counts) -> tuple[int, int]:
    if isinstance(coupling, CouplingData):
        return coupling.driving_teeth, coupling.driven_teeth
    return coupling


def _verdict(out_deg: float, free_deg: float, step: float) -> Verdict:
    if out_deg <= free_deg + SAME_PLACE_DEG:
        return "free"
    return "eased" if out_deg <= free_deg + step / 2 + SAME_PLACE_DEG else "does not go in"


def _fewest_teeth(n1: int, n2: int, steps: int) -> tuple[int, int]:
    """The (k, m) with the least |k| + |m| that shifts by so many whole steps: k·N₂/f − m·N₁/f = steps."""
    factor = common_factor(n1, n2)
    a, b = n1 // factor, n2 // factor
    k0 = steps * pow(b, -1, a) % a
    m0 = (k0 * b - steps) // a
    # all solutions are (k0 + t·a, m0 + t·b); |k| + |m| is convex in t with its corners where k or m passes 0
    around = {corner + more for corner in (-k0 // a, -m0 // b) for more in (0, 1)}
    answers = [(k0 + t * a, m0 + t * b) for t in around]
    return min(answers, key=lambda move: (abs(move[0]) + abs(move[1]), abs(move[0]), -move[0]))


def teeth_words(count: int) -> str:
    """A number of teeth without its sign: "1 tooth", "3 teeth"."""
    return "1 tooth" if abs(count) == 1 else f"{abs(count)} teeth"


def _direction(count: int, turns: Rotation) -> Rotation:
    if count > 0:
        return turns
    return "anticlockwise" if turns == "clockwise" else "clockwise"
