"""Pieces of lines on paper joined to polylines: each place drawn once, points that say nothing left out.

All parts of a drawing are done at once, in whole thousandths of a millimetre: what runs together is found by a grid,
chains are put in order by leaps that double, curves are thinned level by level (Douglas and Peucker 1973).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from quillwise.viz.nearby import near_pairs

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
Flags = NDArray[np.bool_]

_NODE_MM = 0.001  # ends of pieces that are nearer than this on paper are one
_STRAIGHT_MM = 0.015  # a point that is nearer to the line of its neighbours is left out
_PARALLEL = 0.05  # sine of the angle between lines that may coincide for a while
_LEAST_MM = 0.08  # a piece shorter than this is no line
_SECTORS = 16  # of half a turn, each more than twice as wide as that angle
_STRETCH = 8.0
_BESIDE = 1.5  # nodes: a line that keeps nearer than this to another lies on it
_SHORT = 2.0  # nodes: what coincides over less than this only touches


def chains(ends: Floats, group: Whole, part: Whole) -> dict[int, tuple[Floats, ...]]:
    """Polylines, each (K, 2), of pieces (P, 2, 2) [mm], by group (P,). Pieces of one group are joined. Where pieces of
    one part (P,) run together that of the least group is kept and the others are left out. Sorted, so that the same
    pieces give the same lines."""
    grid = np.round(ends / _NODE_MM).astype(np.int64)
    order = np.argsort(group, kind="stable")
    grid, group, part = _single(grid[order], group[order], part[order])
    grid, group = _apart(grid, group, part)
    if not len(grid):
        return {}
    key, corners = _nodes(grid, group)
    at, first = _in_order(corners)
    line = _places(key[at], grid) * _NODE_MM
    of_group = _groups(key[at[first]], grid)
    kept = _thinned(line, first)
    first = (np.cumsum(kept) - 1)[first]
    line = line[kept]
    stop = np.append(first[1:], len(line))
    step = np.zeros(len(line))
    step[:-1] = np.hypot(*(line[1:] - line[:-1]).T)
    step[stop - 1] = 0.0
    long = np.add.reduceat(step, first) >= _LEAST_MM
    found: dict[int, list[Floats]] = {}
    for number, begin, until in zip(of_group[long].tolist(), first[long].tolist(), stop[long].tolist(), strict=True):
        found.setdefault(number, []).append(line[begin:until])
    return {number: tuple(lines) for number, lines in found.items()}


def clipped(ends: Floats, low: Floats, high: Floats) -> tuple[Floats, Flags]:
    """Pieces (P, 2, 2) cut off at the sides of a rectangle with corners (2,), and which (P,) have anything within."""
    if len(ends) and (ends.min(axis=(0, 1)) >= low).all() and (ends.max(axis=(0, 1)) <= high).all():
        return ends, np.ones(len(ends), dtype=bool)
    inside: Flags = np.asarray(((ends >= low) & (ends <= high)).all(axis=(1, 2)))
    start, way = ends[:, 0], ends[:, 1] - ends[:, 0]
    # a piece along a side never crosses it: it is within or without as a whole
    level = np.abs(way) < 1e-12
    within = (start >= low) & (start <= high)
    safe = np.where(level, 1.0, way)
    one, other = (low - start) / safe, (high - start) / safe
    begin = np.where(level, np.where(within, 0.0, 2.0), np.minimum(one, other)).max(axis=1).clip(0.0)
    until = np.where(level, np.where(within, 1.0, -1.0), np.maximum(one, other)).min(axis=1).clip(None, 1.0)
    cut = np.stack([start + way * begin[:, None], start + way * until[:, None]], axis=1)
    return np.where(inside[:, None, None], ends, cut), inside | (until > begin)


def _nodes(grid: Whole, group: Whole) -> tuple[Whole, Whole]:
    """The different ends of segments (S, 2, 2) of a group as numbers that sort by group, x and y, and which of them
    the ends (S, 2) are."""
    low, span = _extent(grid)
    local = grid - low
    key = (group[:, None] * span[0] + local[:, :, 0]) * span[1] + local[:, :, 1]
    found, number = np.unique(key, return_inverse=True)
    return found, number.reshape(-1, 2)


def _places(key: Whole, grid: Whole) -> Floats:
    """Where the nodes (K,) are that _nodes made of a grid."""
    low, span = _extent(grid)
    return np.stack([key // span[1] % span[0] + low[0], key % span[1] + low[1]], axis=1).astype(np.float64)


def _groups(key: Whole, grid: Whole) -> Whole:
    _, span = _extent(grid)
    return np.asarray(key // span[1] // span[0])


def _extent(grid: Whole) -> tuple[Whole, Whole]:
    low = grid.min(axis=(0, 1))
    return low, grid.max(axis=(0, 1)) - low + 1


def _single(grid: Whole, group: Whole, part: Whole) -> tuple[Whole, Whole, Whole]:
    """Segments without those of no length, and the first of those of one part that are the same."""
    real = (grid[:, 0, 0] != grid[:, 1, 0]) | (grid[:, 0, 1] != grid[:, 1, 1])
    grid, group, part = grid[real], group[real], part[real]
    if not len(grid):
        return grid, group, part
    key, number = _nodes(grid, part)
    # one way round and in one order, whatever order they came in
    back = number[:, 0] > number[:, 1]
    grid, number = np.where(back[:, None, None], grid[:, ::-1], grid), np.sort(number, axis=1)
    _, first = np.unique(number[:, 0] * len(key) + number[:, 1], return_index=True)
    first = first[np.argsort(group[first], kind="stable")]
    return grid[first], group[first], part[first]


def _apart(grid: Whole, group: Whole, part: Whole) -> tuple[Whole, Whole]:
    """Segments, those that matter more first, without what lies on one of the same part that stands before them."""
    lines = grid.astype(np.float64)
    covered = [(np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0))]
    sector, beside = _sectors(lines)
    twice = np.flatnonzero(beside != sector)
    every = np.append(np.arange(len(lines)), twice)
    ours, theirs = _flattened(lines, sector), _flattened(lines[twice], beside[twice])
    ways, besides = _SECTORS * part + sector, (_SECTORS * part + beside)[twice]
    for one, other in near_pairs(ours, np.concatenate([ours, theirs]), ways, np.append(ways, besides), 512):
        other = every[other]
        after = one > other
        covered.append(_lying_on(lines, one[after], other[after]))
    line, begin, until = (np.concatenate(each) for each in zip(*covered, strict=True))
    if not len(line):
        return grid, group
    touched = np.unique(line)
    share, number = _left(touched, line, begin, until)
    start, way = lines[number, 0], lines[number, 1] - lines[number, 0]
    cut = np.round(np.stack([start + way * share[:, :1], start + way * share[:, 1:]], axis=1)).astype(np.int64)
    real = (np.abs(cut[:, 0] - cut[:, 1]) > _SHORT).any(axis=1)
    whole = np.ones(len(grid), dtype=bool)
    whole[touched] = False
    return np.concatenate([grid[whole], cut[real]]), np.concatenate([group[whole], group[number[real]]])


def _sectors(lines: Floats) -> tuple[Whole, Whole]:
    """In which of _SECTORS of half a turn segments (S, 2, 2) run, and the other that what is parallel may run in."""
    turn = np.arctan2(*(lines[:, 1] - lines[:, 0]).T[::-1]) / np.pi * _SECTORS
    sector, spare = np.floor(turn), np.arcsin(_PARALLEL) / np.pi * _SECTORS
    beside = np.where(turn - sector < spare, sector - 1, np.where(turn - sector > 1 - spare, sector + 1, sector))
    return (sector % _SECTORS).astype(np.int64), (beside % _SECTORS).astype(np.int64)


def _flattened(lines: Floats, sector: Whole) -> Floats:
    """Segments (S, 2, 2) turned so that their sector runs along x, and stretched across it: what lies beside each other
    comes apart."""
    turn = (sector + 0.5) / _SECTORS * np.pi
    cosine, sine = np.cos(turn)[:, None], np.sin(turn)[:, None]
    x, y = lines[:, :, 0], lines[:, :, 1]
    return np.stack([x * cosine + y * sine, (y * cosine - x * sine) * _STRETCH], axis=2)


def _lying_on(lines: Floats, one: Whole, other: Whole) -> tuple[Whole, Floats, Floats]:
    """Of pairs of segments: the first ones that lie on their second for a while, and from and to which share."""
    x, y = lines[:, 1, 0] - lines[:, 0, 0], lines[:, 1, 1] - lines[:, 0, 1]
    square = x**2 + y**2
    across = x[one] * y[other] - y[one] * x[other]
    flat = across**2 <= _PARALLEL**2 * square[one] * square[other]
    one, other = one[flat], other[flat]
    x, y, square = x[one], y[one], square[one]
    long = np.sqrt(square)
    start, off = lines[one, 0], lines[other].reshape(-1, 4)
    u, v, w, z = off[:, 0] - start[:, 0], off[:, 1] - start[:, 1], off[:, 2] - start[:, 0], off[:, 3] - start[:, 1]
    first, second = (u * x + v * y) / square, (w * x + z * y) / square
    beside, other_side = (v * x - u * y) / long, (z * x - w * y) / long
    begin, until = np.minimum(first, second).clip(0.0), np.maximum(first, second).clip(None, 1.0)
    # how far it is off at both ends of what they share
    slope = (other_side - beside) / np.where(second == first, 1.0, second - first)
    away = np.maximum(np.abs(beside + slope * (begin - first)), np.abs(beside + slope * (until - first)))
    kept = ((until - begin) * long > _SHORT) & (away <= _BESIDE)
    return one[kept], begin[kept], until[kept]


def _left(numbers: Whole, line: Whole, begin: Floats, until: Floats) -> tuple[Floats, Whole]:
    """What is left of lines (N,) between 0 and 1 without intervals (M,) of them: shares (K, 2) and numbers (K,)."""
    none, one = np.zeros(len(numbers)), np.ones(len(numbers))
    who = np.concatenate([numbers, numbers, line, line])
    at = np.concatenate([none, one, begin, until])
    weight = np.concatenate([none, none, np.ones(len(line)), -np.ones(len(line))])
    order = np.lexsort((-weight, at, who))
    who, at, weight = who[order], at[order], weight[order]
    free = (np.cumsum(weight)[:-1] == 0.0) & (who[1:] == who[:-1]) & (at[1:] > at[:-1])
    return np.stack([at[:-1][free], at[1:][free]], axis=1), who[:-1][free]


def _in_order(corners: Whole) -> tuple[Whole, Whole]:
    """Segments of nodes (S, 2) as chains that end where other than two segments meet: the nodes, chain after chain,
    and where each begins. A chain runs from its lesser end, a ring from its least node; the lesser come first."""
    count = len(corners)
    tail, head = corners.T.ravel(), corners[:, ::-1].T.ravel()  # each segment there and back
    back = (np.arange(2 * count) + count) % (2 * count)
    follows = np.arange(2 * count)  # what ends its chain follows itself
    order = np.argsort(tail, kind="stable")
    first = np.searchsorted(tail[order], np.arange(tail.max() + 1))
    two = first[np.diff(np.append(first, len(order))) == 2]
    one, other = order[two], order[two + 1]
    follows[back[one]], follows[back[other]] = other, one
    end, far, least = _run(follows, tail)
    rings = follows[end] != end
    follows[rings & (head == least)] = np.flatnonzero(rings & (head == least))
    if rings.any():
        end, far, _ = _run(follows, tail)
    last = np.flatnonzero(follows == np.arange(2 * count))
    start = back[end[back[last]]]  # the first segment of the chain that ends with the last
    ahead = (tail[start] < head[last]) | ((tail[start] == head[last]) & (head[start] < tail[last]))
    last, start = last[ahead], start[ahead]
    sort = np.lexsort((head[start], tail[start]))
    last, start = last[sort], start[sort]
    size = far[start] + 2
    begin = np.cumsum(size) - size
    chain = np.full(2 * count, -1)
    chain[last] = np.arange(len(last))
    mine = np.flatnonzero(chain[end] >= 0)
    number = chain[end[mine]]
    nodes = np.zeros(int(size.sum()), dtype=np.int64)
    nodes[begin[number] + far[start[number]] - far[mine]] = tail[mine]
    nodes[begin + size - 1] = head[last]
    return nodes, begin


def _run(follows: Whole, node: Whole) -> tuple[Whole, Whole, Whole]:
    """Where links lead to in the end, after how many steps, and the least node on the way: by leaps that double.
    Links in a ring never come to an end."""
    reached, far, least = follows.copy(), (follows != np.arange(len(follows))).astype(np.int64), node.copy()
    going = np.arange(len(follows))
    for _ in range(len(follows).bit_length() + 1):
        going = going[follows[reached[going]] != reached[going]]
        if not len(going):
            break
        onto = reached[going]
        far[going] += far[onto]
        least[going] = np.minimum(least[going], least[onto])
        reached[going] = reached[onto]
    return reached, far, least


def _thinned(line: Floats, first: Whole) -> Flags:
    """Which points (K,) of lines that begin at first (C,) are kept, so that none left out is farther than _STRAIGHT_MM
    from the line between its neighbours."""
    kept = np.zeros(len(line), dtype=bool)
    begin, until = first, np.append(first[1:], len(line)) - 1
    kept[begin] = kept[until] = True
    while True:
        inner = until - begin - 1
        some = inner > 0
        begin, until, inner = begin[some], until[some], inner[some]
        if not len(begin):
            return kept
        starts = np.cumsum(inner) - inner
        which = np.repeat(np.arange(len(begin)), inner)
        at = np.arange(len(which)) + (begin + 1 - starts)[which]
        away = _from_line(line[at], line[begin], line[until], which)
        most = np.maximum.reduceat(away, starts)
        hit = np.flatnonzero((away == most[which]) & (away > _STRAIGHT_MM))
        span, where = np.unique(which[hit], return_index=True)
        farthest = at[hit[where]]
        kept[farthest] = True
        begin, until = np.concatenate([begin[span], farthest]), np.concatenate([farthest, until[span]])


def _from_line(places: Floats, start: Floats, end: Floats, which: Whole) -> Floats:
    """How far places (N, 2) are from the straight piece, of those from start to end (C, 2), that each belongs to."""
    way = end - start
    x, y = way[which, 0], way[which, 1]
    u, v = (places - start[which]).T
    share = ((u * x + v * y) / np.maximum(x**2 + y**2, 1e-18)).clip(0.0, 1.0)
    return np.asarray(np.hypot(u - x * share, v - y * share))
