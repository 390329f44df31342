"""The pictures of a film, in order: of the set-up, of one step, or of a full cycle. Nothing here reads a clock."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from quillwise.kinematics.assembly import Assembly
from quillwise.kinematics.steps import Frame, Step
from quillwise.viz.cameras import Swing

if TYPE_CHECKING:
    from quillwise.viz.plates import Plates

Picture = NDArray[np.uint8]
Progress = Callable[[int, int], None]

# Share of a step's time in which nothing moves, before and after, so that one can read and look.
_LEAD_SHARE, _HOLD_SHARE = 0.15, 0.30
_MOVING_WEIGHT, _STILL_WEIGHT = 1.0, 0.6


def frame_counts(steps: Sequence[Step], seconds: float, fps: int) -> list[int]:
    """How many pictures each step gets, at least one each; together as near to ``seconds`` as whole pictures allow."""
    weights = [_MOVING_WEIGHT if _moves(step) else _STILL_WEIGHT for step in steps]
    total = max(len(steps), int(seconds * fps))
    ends = np.floor(np.cumsum(weights) / sum(weights) * total + 1e-9).astype(int)
    counts = np.diff(np.concatenate([[0], ends]))
    return [max(1, int(count)) for count in counts]


def _moves(step: Step) -> bool:
    return any(move.start != move.end for move in step.moves)


def sequence_frames(
    plates: Plates, steps: Sequence[Step], of: int, seconds: float, fps: int, progress: Progress | None = None
) -> Iterator[Picture]:
    """The pictures of these steps, in order. ``of``: how many steps the whole set-up has (for the titles)."""
    counts = frame_counts(steps, seconds, fps)
    total, done = sum(counts), 0
    before: Step | None = None
    for step, count in zip(steps, counts, strict=True):
        picture: Picture | None = None
        shown: tuple[float, float] | None = None
        for number in range(count):
            wanted = (_fraction(number, count) if _moves(step) else 1.0, _swung(number, count))
            if picture is None or wanted != shown:
                swing = Swing(before=before, share=wanted[1])
                picture, shown = plates.plate(step, wanted[0], of, brief=True, swing=swing), wanted
            done += 1
            if progress:
                progress(done, total)
            yield picture
        before = step


def _swung(number: int, count: int) -> float:
    """How far the eye has gone from where it looked before, 0 to 1: it is there before anything moves."""
    leading = max(1, round(_LEAD_SHARE * count))
    u = min(1.0, (number + 1) / leading)
    return (3 - 2 * u) * u * u


def _fraction(number: int, count: int) -> float:
    """Fraction of a step's moves at one of its pictures: it waits, moves, and holds still at the end."""
    if count == 1:
        return 1.0
    time = number / (count - 1)
    return float(np.clip((time - _LEAD_SHARE) / (1.0 - _LEAD_SHARE - _HOLD_SHARE), 0.0, 1.0))


def cycle_frames(
    plates: Plates, assembly: Assembly, start_deg: float, count: int, progress: Progress | None = None
) -> Iterator[Picture]:
    """A full cycle of 720° of an assembly in ``count`` pictures, so that the last is followed by the first again."""
    for number in range(count):
        crank = start_deg + 720.0 * number / count
        if progress:
            progress(number + 1, count)
        yield plates.cycle(Frame(assembly=assembly, crank_deg=crank, free={}))
