"""How well each hypothesis of a branch leads to the branch's readings, as a function of the slip of the pointer.

With everything continuous but the slip s integrated out (normal and linear, so in closed form), the log-likelihood of
a hypothesis is −Q(s)/2 − log √det(2πΣ), Q a quadratic between the places where a residual, wrapped to its period,
jumps. Only where Q is near its least is it worth a figure: for each hypothesis that is a short piece of the slip's
axis, so the work is the number of hypotheses times a few dozen places, whatever the length of the axis.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from quillwise.kinematics.angles import Floats
from quillwise.kinematics.hypotheses import Hypothesis
from quillwise.kinematics.judgement import Judgement
from quillwise.kinematics.model import Engine
from quillwise.kinematics.observed import Observed, Row, effect, finger_late_deg, nuisance_sd

Ints = NDArray[np.int64]
NEGLIGIBLE = 1400.0  # Q beyond that of the best: exp(−700) is the end of a float
_BLOCK = 30_000  # places worked at together: what is kept beside them stays near the processor


@dataclass(frozen=True, kw_only=True, slots=True)
class Axis:
    """Even places of the slip from ``start_deg`` to ``end_deg``, both included [crank deg]."""

    start_deg: float
    end_deg: float
    count: int

    @property
    def step_deg(self) -> float:
        """Distance of two places."""
        return (self.end_deg - self.start_deg) / (self.count - 1)

    @property
    def places(self) -> Floats:
        """The places, (G,)."""
        return np.asarray(self.start_deg + self.step_deg * np.arange(self.count))


@dataclass(frozen=True, kw_only=True, slots=True)
class Model:
    """The rows of a branch under each of its hypotheses. ``predicted`` (H, n) at slip 0; ``slopes`` (H, n): by the
    slip; ``group`` (H,): which of ``covariances`` (K, n, n) each has; ``looks`` (H,): log-probability of the sights
    that do not turn; ``late`` (H, p): of each sight that does, less the slip."""

    read: Floats
    period: Floats
    predicted: Floats
    slopes: Floats
    group: Ints
    covariances: Floats
    looks: Floats
    late: Floats

    def with_shared(self, engine: Engine, seen: Observed, shared: Hypothesis) -> Model:
        """The same, each hypothesis together with a shared one."""
        moved = np.array([effect(engine, row, shared) for row in seen.rows])
        early = np.array([shared.early_deg.get(sight.leaf, 0.0) for sight in seen.seen])
        # what is written on the wrong side of its dead centre is mirrored with the rest: there the slope is below 0
        signed = np.where(self.slopes < 0, -1.0, 1.0) * moved
        return replace(self, predicted=self.predicted + signed, late=self.late - early)


@dataclass(frozen=True, kw_only=True, slots=True)
class Evaluated:
    """Log-likelihoods where they are worth a figure: of hypothesis ``which``, ascending, at ``place`` of the axis.
    ``left_out``: none that was left out is more than this."""

    which: Ints
    place: Ints
    log: Floats
    count: int
    left_out: float

    def summed(self, places: int) -> Floats:
        """log Σ over the hypotheses at every place, (places,)."""
        return log_sum_by(self.log, self.place, places)

    def row(self, which: int, places: int) -> Floats:
        """Log-likelihood of one hypothesis at every place, −inf where it is negligible."""
        return np.asarray(self.rows([which], places)[0])

    def rows(self, chosen: Sequence[int], places: int) -> Floats:
        """As ``row`` of several, (chosen, places)."""
        out = np.full((len(chosen), places), -np.inf)
        first, last = (np.searchsorted(self.which, chosen, side) for side in ("left", "right"))
        for row, start, end in zip(out, first, last, strict=True):
            row[self.place[start:end]] = self.log[start:end]
        return out


def log_sum_by(log: Floats, index: Ints, count: int) -> Floats:
    """log Σ exp(log) of those with each index from 0 to count − 1, (count,)."""
    top = np.full(count, -np.inf)
    np.maximum.at(top, index, log)
    safe = np.where(np.isfinite(top), top, 0.0)
    total = np.zeros(count)
    for first in range(0, len(log), _BLOCK):
        here = index[first : first + _BLOCK]
        np.add.at(total, here, np.exp(log[first : first + _BLOCK] - safe[here]))
    with np.errstate(divide="ignore"):
        return np.asarray(safe + np.log(total))


def model(
    engine: Engine,
    seen: Observed,
    hypotheses: Sequence[Hypothesis],
    judgement: Judgement,
    shared: Hypothesis | None = None,
) -> Model:
    """The rows of a branch under its hypotheses, each together with a shared one."""
    rows = seen.rows
    count = len(rows)
    base = np.array([row.predicted for row in rows])
    turns = np.array([float(row.turns) for row in rows])
    predicted = np.empty((len(hypotheses), count))
    slopes = np.broadcast_to([row.slope for row in rows], predicted.shape).copy()
    keys: dict[tuple[object, ...], int] = {}
    group = np.empty(len(hypotheses), dtype=np.int64)
    covariances: list[Floats] = []
    plain = covariance(engine, rows, None, judgement)
    for at, one in enumerate(hypotheses):
        if one.only_early:
            predicted[at] = base - turns * [one.early_deg.get(row.leaf, 0.0) for row in rows] if count else base
        else:
            predicted[at] = base + [effect(engine, row, one) for row in rows] if count else base
        if one.mirrored is not None:
            slopes[at] = [-1.0 if row.entry == one.mirrored and row.turns else row.slope for row in rows]
        key = _spread_key(one)
        if key not in keys:
            keys[key] = len(covariances)
            covariances.append(plain if key == _PLAIN else covariance(engine, rows, one, judgement))
        group[at] = keys[key]
    looks = np.array(
        [sum(look.log_probability(one, judgement.sight_error) for look in seen.looked) for one in hypotheses]
    )
    late = np.array(
        [
            [finger_late_deg(sight, one) - one.early_deg.get(sight.leaf, 0.0) for sight in seen.seen]
            for one in hypotheses
        ]
    ).reshape(len(hypotheses), len(seen.seen))
    made = Model(
        read=np.array([row.read for row in rows]),
        period=np.array([row.period for row in rows]),
        predicted=predicted,
        slopes=slopes,
        group=group,
        covariances=np.array(covariances).reshape(len(covariances), count, count),
        looks=looks.astype(np.float64),
        late=late,
    )
    return made if shared is None else made.with_shared(engine, seen, shared)


_PLAIN: tuple[object, ...] = ((), (), 0.0, (), (), None)


def _spread_key(one: Hypothesis) -> tuple[object, ...]:
    if one.only_early:
        return _PLAIN
    late = tuple(sorted((name, spread) for name, (_, spread) in one.break_late_deg.items() if spread))
    leaves = tuple(sorted(one.early_deg)) if one.spread_deg else ()
    return (
        tuple(sorted(one.u_clearance_mm.items())),
        tuple(sorted(one.u_gap_mm.items())),
        one.spread_deg,
        leaves,
        late,
        one.mirrored,
    )


def covariance(engine: Engine, rows: Sequence[Row], one: Hypothesis | None, judgement: Judgement) -> Floats:
    """Covariance (n, n) of the rows of a branch: their own noise, and every nuisance that they share."""
    out = np.diag([row.u**2 for row in rows]) if rows else np.zeros((0, 0))
    names = dict.fromkeys(name for row in rows for name in row.columns)
    for name in names:
        sd = nuisance_sd(engine, name, judgement)
        if one is not None:
            wrong = {"clearance": one.u_clearance_mm, "gap": one.u_gap_mm}.get(name[0], {})
            sd = max(sd, wrong.get(name[1], 0.0))
        out = out + sd**2 * _outer([row.columns.get(name, 0.0) for row in rows])
    if one is not None:
        if one.spread_deg:
            out = out + one.spread_deg**2 * _outer([float(row.turns and row.leaf in one.early_deg) for row in rows])
        for magneto, (_, spread) in one.break_late_deg.items():
            mine = [float(row.magneto == magneto and row.unit != "mm") for row in rows]
            share = [of * (1.0 if row.turns else 0.5) for of, row in zip(mine, rows, strict=True)]
            out = out + spread**2 * _outer(share)
        if one.mirrored is not None:
            sign = np.array([-1.0 if row.entry == one.mirrored and row.turns else 1.0 for row in rows])
            out = out * np.outer(sign, sign)
    return np.asarray(out)


def _outer(column: Sequence[float]) -> Floats:
    return np.outer(np.asarray(column), np.asarray(column))


def slip_information(one: Model) -> float:
    """The most that a branch's readings say about the slip under any hypothesis [1/deg²]."""
    if not one.read.size:
        return 0.0
    inverse = np.linalg.inv(one.covariances)
    return float(np.max(np.einsum("hi,hij,hj->h", one.slopes, inverse[one.group], one.slopes), initial=0.0))


def evaluate(
    one: Model, seen: Observed, axis: Axis, judgement: Judgement, negligible: float = NEGLIGIBLE, turn_deg: float = 0.0
) -> Evaluated:
    """Log-likelihoods of all hypotheses along the axis. ``turn_deg``: by what the counted turns are out, which adds to
    the slip for readings of a period of 720."""
    count = len(one.predicted)
    hyp, start, end, least, at, curve, constant, cut = _pieces(one, axis, negligible, turn_deg)
    lengths = end - start
    whole = int(lengths.sum())
    which, place, log = np.empty(whole, dtype=np.int64), np.empty(whole, dtype=np.int64), np.empty(whole)
    top = constant + one.looks[hyp] - 0.5 * least
    ends = np.cumsum(lengths)
    before = ends - lengths
    first = 0
    while first < len(hyp):
        last = max(first + 1, int(np.searchsorted(ends, before[first] + _BLOCK)))
        pieces, here = slice(first, last), slice(int(before[first]), int(ends[last - 1]))
        many = lengths[pieces]
        which[here] = np.repeat(hyp[pieces], many)
        place[here] = np.arange(here.start, here.stop) + np.repeat(start[pieces] - before[pieces], many)
        slip = axis.start_deg + axis.step_deg * place[here]
        away = slip - np.repeat(at[pieces], many)
        log[here] = np.repeat(top[pieces], many) - np.repeat(0.5 * curve[pieces], many) * away**2
        for number, sight in enumerate(seen.seen):
            late = slip + turn_deg + one.late[which[here], number]
            log[here] += sight.log_probability(late, judgement.sight_error, judgement.u_sight_deg)
        first = last
    left_out = float((_constants(one)[one.group] + one.looks).max(initial=-np.inf)) - 0.5 * cut
    return Evaluated(which=which, place=place, log=log, count=count, left_out=left_out)


def _constants(one: Model) -> Floats:
    """−log √det(2πΣ) of each covariance, (K,)."""
    if not one.read.size:
        return np.zeros(len(one.covariances))
    return np.asarray(-0.5 * np.linalg.slogdet(2 * np.pi * one.covariances)[1])


_Pieces = tuple[Ints, Ints, Ints, Floats, Floats, Floats, Floats, float]


def _pieces(one: Model, axis: Axis, negligible: float, turn_deg: float) -> _Pieces:
    """Pieces of the axis on which Q is one quadratic and not negligible: hypothesis, first and last place (not
    included), least Q, where, half its second derivative, the constant of the log-likelihood; and the Q left out."""
    hypotheses, rows = one.predicted.shape
    residual = one.read - one.predicted - one.slopes * turn_deg
    inverse = np.linalg.inv(one.covariances) if rows else np.zeros((len(one.covariances), 0, 0))
    edges = _edges(one, residual, axis)
    low, high = edges[:, :-1], edges[:, 1:]
    middle = (low + high) / 2
    slopes = one.slopes[:, None, :]
    here = residual[:, None, :] - slopes * middle[:, :, None]
    period = np.where(one.period > 0, one.period, np.inf)
    turned = np.where(one.period > 0, np.rint(here / period) * one.period, 0.0)
    offset = residual[:, None, :] - turned  # (H, S, n): the residual at slip 0 of this piece
    by_slope = np.einsum("hij,hj->hi", inverse[one.group], one.slopes)
    curve = np.einsum("hi,hi->h", by_slope, one.slopes)
    with np.errstate(divide="ignore", invalid="ignore"):
        at = np.einsum("hsi,hi->hs", offset, by_slope) / curve[:, None]
    at = np.where(curve[:, None] > 0, at, middle)
    best = offset - slopes * at[:, :, None]
    least = np.einsum("hsi,hsi->hs", np.einsum("hsj,hij->hsi", best, inverse[one.group]), best)
    nearest = np.clip(at, low, high)
    q_near = least + curve[:, None] * (nearest - at) ** 2
    cut = float(q_near.min(initial=np.inf)) + negligible
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = np.sqrt(np.maximum(cut - least, 0.0) / curve[:, None])
    reach = np.where(curve[:, None] > 0, reach, np.inf)
    step = axis.step_deg
    first = np.ceil((np.maximum(low, at - reach) - axis.start_deg) / step - 1e-9)
    last = np.ceil((np.minimum(high, at + reach) - axis.start_deg) / step - 1e-9)
    last = np.where(high >= axis.end_deg, np.where(at + reach >= axis.end_deg, axis.count, last), last)
    start = np.clip(first, 0, axis.count).astype(np.int64)
    end = np.clip(last, 0, axis.count).astype(np.int64)
    keep = (end > start) & (q_near <= cut)
    hyp = np.broadcast_to(np.arange(hypotheses)[:, None], keep.shape)[keep]
    constant = _constants(one)[one.group]
    return hyp, start[keep], end[keep], least[keep], at[keep], curve[hyp], constant[hyp], cut


def _edges(one: Model, residual: Floats, axis: Axis) -> Floats:
    """Places (H, S + 1) of the axis, sorted, between which no residual jumps."""
    hypotheses, rows = one.predicted.shape
    found = [np.full((hypotheses, 1), axis.start_deg), np.full((hypotheses, 1), axis.end_deg)]
    length = axis.end_deg - axis.start_deg
    for i in range(rows):
        period = float(one.period[i])
        if not period or not np.any(one.slopes[:, i]):
            continue
        jump = (residual[:, i] - period / 2) * one.slopes[:, i]
        first = axis.start_deg + (jump - axis.start_deg) % period
        for more in range(int(np.ceil(length / period))):
            found.append(np.minimum(first + more * period, axis.end_deg)[:, None])
    return np.sort(np.concatenate(found, axis=1), axis=1)
