"""Which line segments of a plane come near each other: by a grid of square cells, all at once."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

_SLOTS = 1 << 20  # that the cells of all groups share
_BLOCK = 1_000_000  # pairs at a time, so that memory is bounded
_HAIR = 1e-9  # of a cell: rounding may put the end of a step beside the start of the next


def near_pairs(
    ours: Floats, theirs: Floats, our_group: Whole | None = None, their_group: Whole | None = None, cells: int = 256
) -> Iterator[tuple[Whole, Whole]]:
    """Numbers of segments of ours (N, 2, 2) and theirs (M, 2, 2) that share a cell of the grid: all that touch are
    among them, some more than once. Groups (N,), (M,), not negative: only segments of the same group. cells: along
    the longer side of what is covered; more are quicker for short segments. In blocks."""
    if not len(ours) or not len(theirs):
        return
    corners = np.concatenate([ours.reshape(-1, 2), theirs.reshape(-1, 2)])
    low = np.array([corners[:, 0].min(), corners[:, 1].min()])
    high = np.array([corners[:, 0].max(), corners[:, 1].max()])
    cell = max(float((high - low).max()) / cells, 1e-9)
    across = cells + 4  # some to spare: none of the numbers is taken twice
    first, at = _entries(ours, low, cell, across)
    second, place = _entries(theirs, low, cell, across)
    if our_group is not None and their_group is not None:
        at, place = at + our_group[first] * across**2, place + their_group[second] * across**2
    at, place = at % _SLOTS, place % _SLOTS
    second = second[np.argsort(place)]
    held = np.bincount(place, minlength=_SLOTS)
    count, begin = held[at], (np.cumsum(held) - held)[at]
    some = count > 0
    first, begin, count = first[some], begin[some], count[some]
    until = np.cumsum(count)
    done = 0
    while done < len(count):
        before = until[done - 1] if done else 0
        stop = max(int(np.searchsorted(until, before + _BLOCK, side="right")), done + 1)
        part = slice(done, stop)
        shift = begin[part] - (until[part] - count[part] - before)
        one = np.repeat(first[part], count[part])
        other = second[np.arange(len(one)) + np.repeat(shift, count[part])]
        if our_group is not None and their_group is not None:
            same = our_group[one] == their_group[other]
            one, other = one[same], other[same]
        yield one, other
        done = stop


def _entries(lines: Floats, low: Floats, cell: float, across: int) -> tuple[Whole, Whole]:
    """Numbers of lines and the cells that they run through: by steps no longer than a cell, which touch three."""
    at, way = (lines[:, 0] - low) / cell, (lines[:, 1] - lines[:, 0]) / cell
    steps = np.maximum(np.ceil(np.maximum(np.abs(way[:, 0]), np.abs(way[:, 1]))).astype(np.int64), 1)
    line = np.repeat(np.arange(len(lines)), steps)
    number = np.arange(len(line)) - np.repeat(np.cumsum(steps) - steps, steps)
    step = (way / steps[:, None])[line]
    start = at[line] + step * number[:, None]
    end = start + step
    least = np.floor(np.minimum(start, end) - _HAIR).astype(np.int64) + 1
    most = np.floor(np.maximum(start, end) + _HAIR).astype(np.int64) + 1
    wide, high = most[:, 0] > least[:, 0], most[:, 1] > least[:, 1]
    key = least[:, 1] * across + least[:, 0]
    both = wide & high
    plain, right, above, both = (np.flatnonzero(each) for each in (~both, wide & ~both, high & ~both, both))
    # of the four about a corner it leaves out one: that beside its way on the corner's side
    corner = most[both] - 1.0 - start[both]
    x, y = step[both, 0], step[both, 1]
    side = (x * corner[:, 1] - y * corner[:, 0]) * np.sign(x)
    unsure = np.abs(side) < 1e-6
    rising, below = x * y > 0, side > 0
    cells = (
        (plain, 0),
        (right, 1),
        (above, across),
        (both[unsure | rising | below], 0),
        (both[unsure | ~rising | below], 1),
        (both[unsure | ~rising | ~below], across),
        (both[unsure | rising | ~below], across + 1),
    )
    return np.concatenate([line[each] for each, _ in cells]), np.concatenate([key[each] + far for each, far in cells])
