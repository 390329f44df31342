"""Which reading to take next: the one with the greatest expected information about the cause per minute of work.

For a reading y the information is h(y) − Σ p(cause)·h(y | cause), in bits. Given a cause, y is a mixture over the slip
of the pointer, each part normal; h is by quadrature on a grid that is fine and wide enough for every part. What the eye
sees has few outcomes: there the same is a sum.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from quillwise.kinematics.angles import Floats, in_cycle
from quillwise.kinematics.candidates import Candidate, candidates
from quillwise.kinematics.hypotheses import Hypothesis
from quillwise.kinematics.judgement import Judgement
from quillwise.kinematics.likelihood import Model, covariance, evaluate, model
from quillwise.kinematics.model import Engine
from quillwise.kinematics.observed import Looked, Observed, Row, Seen, finger_late_deg, observed
from quillwise.kinematics.posterior import Key, Posterior, Problem, posterior, problem, slip_prior
from quillwise.kinematics.readings import (
    Diagnosis,
    Entry,
    PointerReading,
    Proposal,
    Readings,
    Sight,
)

_CAUSES = 40  # the likeliest, which the information is about
_LEAST = 1e-4
_PARTS = 64  # of the slip, at most
_SDS, _PER_SD = 7.0, 4.0  # of the grid: how far beyond each part, how fine


@dataclass(frozen=True, kw_only=True, slots=True)
class Mixture:
    """y given a cause: parts of a normal mixture, (P,) each."""

    weights: Floats
    means: Floats
    sds: Floats

    def parts(self, y: Floats, period: float) -> Floats:
        """Density of each part at y (N,), (N, P); wrapped where it has a period."""
        away = y[:, None] - self.means
        if period:
            away = away - period * np.rint(away / period)
        return np.asarray(np.exp(-0.5 * (away / self.sds) ** 2) * (self.weights / (self.sds * np.sqrt(2 * np.pi))))

    def only(self, which: NDArray[np.int64]) -> Mixture:
        """Some of the parts."""
        return Mixture(weights=self.weights[which], means=self.means[which], sds=self.sds[which])

    def density(self, y: Floats, period: float) -> Floats:
        """Density at y (N,), wrapped where it has a period."""
        return np.asarray(self.parts(y, period).sum(axis=1))


def next_reading(
    engine: Engine,
    readings: Readings,
    judgement: Judgement,
    *,
    diagnosis: Diagnosis | None = None,
    left_out: Collection[str] = (),
    found: Posterior | None = None,
) -> tuple[Proposal, ...]:
    """All readings that could be taken, the most bits per minute first, those that destroy evidence last.

    ``diagnosis``: of these readings, where it is at hand; one cause that is certain leaves nothing to be learned.
    ``left_out``: names of readings that cannot be taken, or that nobody wants to take now. ``found``: the posterior of
    these readings, where it is at hand. Raises RequestError as ``diagnose`` does.
    """
    if diagnosis is not None and diagnosis.entropy_bits < 1e-9:
        return ()
    stated = problem(engine, readings, judgement)
    beliefs = _Beliefs(stated, found or posterior(stated))
    proposals = []
    for candidate in candidates(engine, readings):
        if candidate.name in left_out:
            continue
        bits, entry = beliefs.information(candidate)
        proposals.append(
            Proposal(
                name=candidate.name,
                kind=candidate.kind,
                entry=entry,
                outcomes=candidate.outcomes,
                bits=bits,
                minutes=float(judgement.minutes[candidate.kind]),
                tool=candidate.tool,
                destroys=candidate.destroys,
            )
        )
    return tuple(sorted(proposals, key=lambda one: (one.destroys, -one.bits_per_minute, one.name)))


@dataclass(frozen=True, kw_only=True, slots=True)
class _Belief:
    """A cause with its probability, the slip given it (weights on the axis), and what it assumes of each branch."""

    probability: float
    parts: Mapping[str, Hypothesis]
    shared: Hypothesis | None
    places: Floats
    weights: Floats


@dataclass(frozen=True, kw_only=True, slots=True)
class _Known:
    """The readings of a branch under one assumption."""

    rows: tuple[Row, ...]
    old: Model


class _Beliefs:
    """What is believed after the readings taken, by cause."""

    def __init__(self, stated: Problem, found: Posterior) -> None:
        self.stated = stated
        keys = sorted(found.log_joint, key=lambda key: -found.log_joint[key])[:_CAUSES]
        keys = [key for key in keys if found.probability(key) >= _LEAST] or keys[:1]
        whole = sum(found.probability(key) for key in keys)
        self.beliefs = [self._belief(found, key, found.probability(key) / whole) for key in keys]
        self.known: dict[tuple[str, int, int], _Known] = {}
        self.ahead: dict[tuple[str, int, int, str], tuple[Floats, float, float, float]] = {}

    def _belief(self, found: Posterior, key: Key, probability: float) -> _Belief:
        stated = self.stated
        chosen = dict(key)
        shared = stated.field.shared[chosen["shared"]] if "shared" in chosen else None
        parts = {branch.name: of[chosen.get(branch.name, 0)] for branch, of in stated.field.branches}
        log = slip_prior(found.axis, stated.seen, stated.judgement)[1 if "pointer" in chosen else 0].copy()
        turns = (0.0,) if stated.readings.turn_proved else (0.0, 360.0)
        along = np.full(found.axis.count, -np.inf)
        for turn in turns:
            # a turn that was counted wrong is counted on in the next reading: both are kept as one axis
            one_turn = log.copy()
            for branch, _ in stated.field.branches:
                mine = stated.seen.of(branch)
                rows = model(stated.engine, mine, [parts[branch.name]], stated.judgement, shared)
                one_turn = one_turn + evaluate(rows, mine, found.axis, stated.judgement, turn_deg=turn).row(
                    0, found.axis.count
                )
            along = np.logaddexp(along, one_turn)
        weights = np.exp(along - along.max())
        kept = weights > 1e-12
        return _Belief(
            probability=probability,
            parts=parts,
            shared=shared,
            places=found.axis.places[kept],
            weights=weights[kept] / weights[kept].sum(),
        )

    def information(self, candidate: Candidate) -> tuple[float, Entry]:
        """Expected information [bit], and the entry as the likeliest cause would have it read."""
        entry = candidate.outcomes[0]
        engine, judgement = self.stated.engine, self.stated.judgement
        if isinstance(entry, Sight):
            chances = np.array([self._chances(one, candidate.outcomes) for one in self.beliefs])
            best = candidate.outcomes[int(np.argmax(chances[0][: len(candidate.outcomes)]))]
            return bits_of_outcomes(np.array([one.probability for one in self.beliefs]), chances), best
        if isinstance(entry, PointerReading):
            mixtures = [_parts(one, 1.0, np.zeros(1), entry.u_deg**2) for one in self.beliefs]
            return self._bits(mixtures, 360.0), entry
        row = observed(engine, (entry,), judgement).rows[0]
        mixtures = [self._predicted(one, row) for one in self.beliefs]
        return self._bits(mixtures, row.period), entry

    def _bits(self, mixtures: Sequence[Mixture], period: float) -> float:
        return bits(np.array([one.probability for one in self.beliefs]), mixtures, period)

    def _predicted(self, belief: _Belief, row: Row) -> Mixture:
        """What a cause leads to at a row that is not yet read, given those that are."""
        stated = self.stated
        branch = next(branch for branch, _ in stated.field.branches if row.leaf in branch.leaves)
        one, shared = belief.parts[branch.name], belief.shared
        # causes share what they assume of most branches: each assumption is worked out once
        # ("nothing wrong" is one object in all branches: their names keep them apart)
        assumed = (branch.name, id(one), id(shared))
        if assumed not in self.known:
            rows = stated.seen.of(branch).rows
            old = model(stated.engine, stated.seen.of(branch), [one], stated.judgement, shared)
            self.known[assumed] = _Known(rows=rows, old=old)
        known = self.known[assumed]
        if (*assumed, row.name) not in self.ahead:
            new = Observed(rows=(row,), seen=(), looked=(), pointers=())
            ahead = model(stated.engine, new, [one], stated.judgement, shared)
            whole = covariance(stated.engine, (*known.rows, row), one, stated.judgement)
            count = len(known.rows)
            through = np.zeros(count)
            if count:
                through = np.asarray(np.linalg.solve(whole[:count, :count], whole[:count, count]), dtype=np.float64)
            variance = float(whole[count, count] - whole[count, :count] @ through)
            figures = (
                np.asarray(through, dtype=np.float64),
                variance,
                float(ahead.predicted[0, 0]),
                float(ahead.slopes[0, 0]),
            )
            self.ahead[*assumed, row.name] = figures
        through, variance, predicted, slope = self.ahead[*assumed, row.name]
        old = known.old
        away = old.read - old.predicted[0] - old.slopes[0] * belief.places[:, None]  # (G, n)
        period = np.where(old.period > 0, old.period, 1.0)
        away = away - np.where(old.period > 0, np.rint(away / period) * old.period, 0.0)
        return _parts(belief, slope, predicted + away @ through, variance)

    def _chances(self, belief: _Belief, outcomes: Sequence[Entry]) -> Floats:
        """Probability of each outcome of a sight given a cause; the last is that of none of them, where it can be."""
        engine, judgement = self.stated.engine, self.stated.judgement
        seen = observed(engine, tuple(outcomes), judgement)
        found = [self._seen(belief, one) for one in seen.seen] + [self._looked(belief, one) for one in seen.looked]
        total = sum(found)
        return np.array([*found, 1.0 - total]) if total < 1.0 else np.array([*found, 0.0]) / total

    def _seen(self, belief: _Belief, one: Seen) -> float:
        branch = next(branch for branch, _ in self.stated.field.branches if one.leaf in branch.leaves)
        part = belief.parts[branch.name]
        early = part.early_deg.get(one.leaf, 0.0)
        if belief.shared is not None:
            early += belief.shared.early_deg.get(one.leaf, 0.0)
        late = belief.places - early + finger_late_deg(one, part)
        log = one.log_probability(late, self.stated.judgement.sight_error, self.stated.judgement.u_sight_deg)
        return float(belief.weights @ np.exp(log))

    def _looked(self, belief: _Belief, one: Looked) -> float:
        branch = next(branch for branch, _ in self.stated.field.branches if one.leaf in branch.leaves)
        return float(np.exp(one.log_probability(belief.parts[branch.name], self.stated.judgement.sight_error)))


def _parts(belief: _Belief, slope: float, base: Floats, variance: float) -> Mixture:
    """y = base + slope · slip + noise as a mixture: places of the slip that lie close are one part."""
    means = base + slope * belief.places
    low, high = float(means.min()), float(means.max())
    width = max(0.5 * variance**0.5, (high - low) / _PARTS)
    part = np.floor((means - low) / width).astype(np.int64) if high > low else np.zeros(len(means), dtype=np.int64)
    weights = np.asarray(np.bincount(part, weights=belief.weights), dtype=np.float64)
    kept = weights > 0
    safe = np.where(kept, weights, 1.0)
    middle = np.bincount(part, weights=belief.weights * means) / safe
    spread = np.bincount(part, weights=belief.weights * (means - middle[part]) ** 2) / safe
    return Mixture(
        weights=np.asarray(weights[kept], dtype=np.float64), means=middle[kept], sds=np.sqrt(variance + spread[kept])
    )


def bits(probabilities: Floats, mixtures: Sequence[Mixture], period: float = 0.0) -> float:
    """h(y) − Σ p·h(y | cause) [bit], by the trapezoid rule. ``period``: of y, 0: it has none."""
    together = Mixture(
        weights=np.concatenate([one.weights for one in mixtures]),
        means=np.concatenate([in_cycle(one.means, period) if period else one.means for one in mixtures]),
        sds=np.concatenate([one.sds for one in mixtures]),
    )
    owners = np.repeat(np.arange(len(mixtures)), [len(one.weights) for one in mixtures])
    total = 0.0
    for low, high, step in _stretches(together.means, together.sds, period):
        y = np.linspace(low, high, int(np.ceil((high - low) / step)) + 2)
        # only the parts that reach into the stretch: most of a wide mixture lies elsewhere
        away = np.abs(together.means - (low + high) / 2)
        away = np.minimum(away, period - away) if period else away
        near = np.flatnonzero(away <= (high - low) / 2 + _SDS * together.sds)
        mine = owners[near]
        firsts = np.flatnonzero(np.diff(mine, prepend=-1))
        densities = np.zeros((len(mixtures), len(y)))
        densities[mine[firsts]] = np.add.reduceat(together.only(near).parts(y, period), firsts, axis=1).T
        whole = probabilities @ densities
        inside = probabilities @ _p_log_p(densities) - _p_log_p(whole)
        total += (float(inside.sum()) - float(inside[0] + inside[-1]) / 2) * float(y[1] - y[0])
    return max(0.0, total)


def _stretches(means: Floats, sds: Floats, period: float) -> Iterator[tuple[float, float, float]]:
    """Stretches of y that matter, each with a step that its narrowest part asks for. A part that passes the end of the
    period is there twice: the densities are periodic."""
    ends = [(m - _SDS * s, m + _SDS * s, s / _PER_SD) for m, s in zip(means, sds, strict=True)]
    if period:
        ends += [(a + by, b + by, s) for a, b, s in ends for by in (-period, period)]
        ends = [(max(a, 0.0), min(b, period), s) for a, b, s in ends if b > 0.0 and a < period]
    ends.sort()
    cuts = np.unique(np.concatenate([[a for a, _, _ in ends], [b for _, b, _ in ends]]))
    lows, highs, steps = (np.array(column) for column in zip(*ends, strict=True))
    merged: list[tuple[float, float, float]] = []
    for low, high in pairwise(cuts):
        inside = (lows <= low) & (highs >= high)
        if high - low > 0 and inside.any():
            step = float(steps[inside].min())
            if merged and merged[-1][1] == low and 0.5 * step <= merged[-1][2] <= 2.0 * step:
                merged[-1] = (merged[-1][0], float(high), min(step, merged[-1][2]))
            else:
                merged.append((float(low), float(high), step))
    yield from merged


def _p_log_p(density: Floats) -> Floats:
    safe = np.where(density > 0, density, 1.0)
    return np.asarray(density * np.log2(safe))


def bits_of_outcomes(probabilities: Floats, chances: Floats) -> float:
    """Information of a sight [bit]: ``chances`` (causes, outcomes)."""
    whole = probabilities @ chances
    return max(0.0, float((probabilities @ _p_log_p(chances) - _p_log_p(whole)).sum()))
