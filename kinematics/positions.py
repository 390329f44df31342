"""Positions beyond those of one coupling's teeth: after whole cycles of the crank, and of several couplings in a train.

Degrees are of the coupling's own shaft, or of the last shaft of a train; + = early, as in ``couplings``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from quillwise.kinematics.couplings import (
    SAME_PLACE_DEG,
    Trial,
    best,
    cycles_needed,
    positions,
    step_with_cycles_deg,
    trials,
)
from quillwise.kinematics.datasheet import CouplingData
from quillwise.kinematics.model import CRANKSHAFT, Engine


@dataclass(frozen=True, kw_only=True, slots=True)
class Again:
    """The best trial after so many more whole cycles of the crank, two turns each, the driven shaft held still."""

    cycles: int
    trial: Trial


@dataclass(frozen=True, kw_only=True, slots=True)
class Reach:
    """How a wanted shift is come nearest to when cycles may be taken too. ``left_over_deg``: shift − wanted."""

    cycles: int
    shift_deg: Fraction
    left_over_deg: float


def sets_of_positions(n1: int, n2: int, turns_per_cycle: Fraction) -> int:
    """After how many whole cycles of the crank the teeth stand as before: so many sets of positions there are.
    ``turns_per_cycle``: turns of the coupling's shaft in 720° of the crank."""
    return int(Fraction(360, positions(n1, n2)) / step_with_cycles_deg(n1, n2, turns_per_cycle))


def tried_again(coupling: CouplingData, held_early_deg: float, turns_per_crank_turn: Fraction) -> tuple[Again, ...]:
    """The best trial at once (0 cycles) and after every number of cycles that opens further positions.

    ``held_early_deg``: where the driven shaft is held ahead of exact timing at first [deg of its shaft].
    ``turns_per_crank_turn``: of the coupling's shaft, without sign.
    """
    per_cycle = 2 * turns_per_crank_turn
    found = []
    for cycles in range(sets_of_positions(coupling.driving_teeth, coupling.driven_teeth, per_cycle)):
        # whole turns of the shaft change nothing: leave them off, so that no digits are lost
        held = held_early_deg - 360.0 * float(cycles * per_cycle % 1)
        found.append(Again(cycles=cycles, trial=best(trials(coupling, held, turns_per_crank_turn))))
    return tuple(found)


def best_again(found: Iterable[Again]) -> Again:
    """The trial least out of line; of several, the one after the fewest cycles."""
    tried = list(found)
    least = min(abs(again.trial.out_of_line_deg) for again in tried)
    return next(again for again in tried if abs(again.trial.out_of_line_deg) <= least + SAME_PLACE_DEG)


def reach(n1: int, n2: int, turns_per_cycle: Fraction, wanted_deg: float | Fraction) -> Reach:
    """The position nearest to a wanted shift [deg of the shaft, + = early] and the whole cycles that it needs."""
    step = step_with_cycles_deg(n1, n2, turns_per_cycle)
    number = math.floor(Fraction(wanted_deg) / step + Fraction(1, 2))
    shift = number * step
    return Reach(
        cycles=cycles_needed(n1, n2, turns_per_cycle, number),
        shift_deg=shift,
        left_over_deg=float(shift - Fraction(wanted_deg)),
    )


def train_step_deg(couplings: Iterable[tuple[int, int, Fraction]], turns_per_cycle: Fraction = Fraction(0)) -> Fraction:
    """Smallest step of the last shaft of a train [deg of that shaft], all its couplings moved together, exact.

    ``couplings``: driving teeth, driven teeth, turns of the last shaft for one turn of the coupling's (without sign).
    ``turns_per_cycle``: of the last shaft in 720° of the crank, where cycles may be taken between trials; 0: not. The
    shares of a turn that a tooth makes, and a whole turn, generate a cyclic group; its generator is their greatest
    common divisor.
    """
    shares = [Fraction(1), Fraction(turns_per_cycle)]
    for driving, driven, ratio in couplings:
        shares += [abs(ratio) / driving, abs(ratio) / driven]
    below = math.lcm(*(share.denominator for share in shares))
    return Fraction(360 * math.gcd(*(int(share * below) for share in shares)), below)


def couplings_upstream(engine: Engine, shaft: str) -> tuple[str, ...]:
    """The couplings on the way from the crankshaft to a shaft, the nearest to it first."""
    found = []
    while shaft != CRANKSHAFT:
        here = engine.shafts[shaft]
        if here.link in engine.couplings:
            found.append(here.link)
        shaft = here.parent
    return tuple(found)


def step_of_shaft_deg(engine: Engine, shaft: str) -> Fraction | None:
    """Smallest step of a shaft [deg of it] through all couplings before it; None where there is no coupling."""
    names = couplings_upstream(engine, shaft)
    if not names:
        return None
    turns = abs(engine.shafts[shaft].turns)
    return train_step_deg(
        (
            engine.couplings[name].data.driving_teeth,
            engine.couplings[name].data.driven_teeth,
            turns / abs(engine.shafts[engine.couplings[name].driven].turns),
        )
        for name in names
    )
