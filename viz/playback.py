"""How the set-up is played in a window: which step, how far in it, how fast. Pure: a key or a span of time in, the
next playback out. Nothing here draws or reads a clock.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from quillwise.kinematics.steps import CRANK, Frame, Move, Step, frame

SPEEDS = (0.25, 0.5, 1.0, 2.0, 4.0, 8.0)
LEAD_S, HOLD_S, STILL_S = 0.6, 1.8, 3.0
_CRANK_DEG_PER_S, _SHAFT_DEG_PER_S, _MM_PER_S = 45.0, 40.0, 8.0
_LEAST_MOVE_S, _MOST_MOVE_S = 2.0, 12.0
SMALL_DEG, LARGE_DEG = 1.0, 10.0
_SAME_DEG = 1e-9
_SLIDE = " drawn"


@dataclass(frozen=True, kw_only=True, slots=True)
class Playback:
    """Where the playing stands.

    step: index of the step; at_s: seconds into it at speed 1, from 0 to ``length_s``. crank_deg: θ, unwrapped, to
    which the crank was turned by hand off the step's own way; None on it. Playing goes on from the step's own way.
    """

    step: int = 0
    at_s: float = 0.0
    playing: bool = False
    speed: float = 1.0
    crank_deg: float | None = None


def move_s(step: Step) -> float:
    """Seconds, at speed 1, that a step's moves take: 0 when nothing moves."""
    spans = []
    for move in step.moves:
        rate = _CRANK_DEG_PER_S if move.coordinate == CRANK else _SHAFT_DEG_PER_S
        rate = _MM_PER_S if move.coordinate.endswith(_SLIDE) else rate
        if move.end != move.start:
            spans.append(abs(move.end - move.start) / rate / max(move.until - move.begin, 0.05))
    return float(np.clip(max(spans), _LEAST_MOVE_S, _MOST_MOVE_S)) if spans else 0.0


def length_s(step: Step) -> float:
    """Seconds, at speed 1, of a whole step: it waits, moves, and holds still so that one can look."""
    moving = move_s(step)
    return LEAD_S + moving + HOLD_S if moving else STILL_S


def fraction(playback: Playback, steps: Sequence[Step]) -> float:
    """How far the moves of the step have gone, 0 to 1; 1 where nothing moves."""
    moving = move_s(steps[playback.step])
    return float(np.clip((playback.at_s - LEAD_S) / moving, 0.0, 1.0)) if moving else 1.0


def moment(playback: Playback, steps: Sequence[Step]) -> Frame:
    """The moment of the job that is shown: the step's own, or its assembly with the crank turned by hand."""
    step = steps[playback.step]
    done = fraction(playback, steps)
    own = frame(step, done)
    if playback.crank_deg is None:
        return own
    if done >= 1.0:
        return Frame(assembly=step.after, crank_deg=playback.crank_deg, free={})
    return Frame(assembly=own.assembly, crank_deg=playback.crank_deg, free=own.free)


def advance(playback: Playback, seconds: float, steps: Sequence[Step]) -> Playback:
    """The playback after a span of time: at the end of a step the next one begins, at the end of the last it stops."""
    if not playback.playing:
        return playback
    at, number = playback.at_s + max(seconds, 0.0) * playback.speed, playback.step
    while at >= length_s(steps[number]):
        if number == len(steps) - 1:
            return replace(playback, step=number, at_s=length_s(steps[number]), playing=False)
        at -= length_s(steps[number])
        number += 1
    return replace(playback, step=number, at_s=at)


def scrubbed(playback: Playback, crank_deg: float, steps: Sequence[Step]) -> Playback:
    """The crank turned by hand to θ (unwrapped), playing stopped. On the step's own way the step goes along; off it
    only the crank moves, with what is engaged."""
    step = steps[playback.step]
    still = replace(playback, playing=False)
    move = _crank_move(step)
    if move is None:
        own = step.crank_deg[0]
        return replace(still, crank_deg=None if abs(crank_deg - own) < _SAME_DEG else crank_deg)
    low, high = sorted((move.start, move.end))
    if not low - _SAME_DEG <= crank_deg <= high + _SAME_DEG:
        return replace(still, crank_deg=crank_deg)
    at = LEAD_S + _fraction_at(move, crank_deg) * move_s(step)
    return replace(still, crank_deg=None, at_s=at)


def scrubbed_to_cycle(playback: Playback, cycle_deg: float, steps: Sequence[Step]) -> Playback:
    """As ``scrubbed``, to an angle of the cycle (0–720): to that place on the step's own way if it comes by there,
    else to the nearest one."""
    now = moment(playback, steps).crank_deg
    places = [cycle_deg + 720.0 * (round((now - cycle_deg) / 720.0) + turns) for turns in (-1, 0, 1)]
    low, high = sorted(steps[playback.step].crank_deg)
    on_way = [place for place in places if low <= place <= high]
    return scrubbed(playback, min(on_way or places, key=lambda place: abs(place - now)), steps)


def at_step(playback: Playback, number: int) -> Playback:
    """The beginning of another step; whether it plays stays as it was."""
    return replace(playback, step=number, at_s=0.0, crank_deg=None)


def pressed(playback: Playback, key: str, steps: Sequence[Step]) -> Playback:
    """What a key does; keys that are not in ``KEYS`` change nothing."""
    action = KEYS.get(key)
    return playback if action is None else action(playback, steps)


Action = Callable[[Playback, Sequence[Step]], Playback]


def _toggle(playback: Playback, steps: Sequence[Step]) -> Playback:
    if playback.playing:
        return replace(playback, playing=False)
    last = len(steps) - 1
    if playback.step == last and playback.crank_deg is None and playback.at_s >= length_s(steps[last]):
        return replace(at_step(playback, 0), playing=True)
    return replace(playback, playing=True, crank_deg=None)


def _by_steps(count: int) -> Action:
    def action(playback: Playback, steps: Sequence[Step]) -> Playback:
        return at_step(playback, min(max(playback.step + count, 0), len(steps) - 1))

    return action


def _first(playback: Playback, _steps: Sequence[Step]) -> Playback:
    return at_step(playback, 0)


def _last(playback: Playback, steps: Sequence[Step]) -> Playback:
    return at_step(playback, len(steps) - 1)


def _by_speed(count: int) -> Action:
    def action(playback: Playback, _steps: Sequence[Step]) -> Playback:
        here = int(np.argmin([abs(speed - playback.speed) for speed in SPEEDS]))
        return replace(playback, speed=SPEEDS[min(max(here + count, 0), len(SPEEDS) - 1)])

    return action


def _by_crank(degrees: float) -> Action:
    def action(playback: Playback, steps: Sequence[Step]) -> Playback:
        return scrubbed(playback, moment(playback, steps).crank_deg + degrees, steps)

    return action


# Names of keys as X and VTK give them.
KEYS: Mapping[str, Action] = MappingProxyType(
    {
        "space": _toggle,
        "Right": _by_steps(1),
        "Left": _by_steps(-1),
        "Home": _first,
        "End": _last,
        "Up": _by_speed(1),
        "Down": _by_speed(-1),
        "period": _by_crank(SMALL_DEG),
        "comma": _by_crank(-SMALL_DEG),
        "Next": _by_crank(LARGE_DEG),
        "Prior": _by_crank(-LARGE_DEG),
    }
)


def _crank_move(step: Step) -> Move | None:
    return next((move for move in step.moves if move.coordinate == CRANK and move.start != move.end), None)


def _fraction_at(move: Move, value: float) -> float:
    """The fraction of the step at which a move stands at a value: the inverse of ``Move.at``, 3u² − 2u³ = y."""
    y = min(1.0, max(0.0, (value - move.start) / (move.end - move.start)))
    u = 0.5 - np.sin(np.arcsin(1.0 - 2.0 * y) / 3.0)
    return float(move.begin + u * (move.until - move.begin))
