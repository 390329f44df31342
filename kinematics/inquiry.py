"""Which reading to take next: the one with the greatest expected information about the cause per minute of work.

For a reading y the information is h(y) − Σ p(cause)·h(y | cause), in bits. Given a cause, y is a mixture over the slip
of the pointer, each part normal; h is by quadrature on a grid that is fine and wide enough for every part. What the eye
sees has few outcomes: there the same is a sum.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from quillwise.kinematics.angles import Floats, in_cycle, wrapped
from quillwise.kinematics.hypotheses import Hypothesis
from quillwise.kinematics.likelihood import Model, covariance, evaluate, model
from quillwise.kinematics.marks import greatest_lift_mm
from quillwise.kinematics.model import Engine
from quillwise.kinematics.observed import Looked, Observed, Row, Seen, finger_late_deg, observed, valve_event_deg
from quillwise.kinematics.posterior import Key, Posterior, Problem, posterior, problem, slip_prior
from quillwise.kinematics.readings import (
    DEFAULT,
    BreakReading,
    ClearanceReading,
    Diagnosis,
    Entry,
    FingerReading,
    Flank,
    GapReading,
    Judgement,
    LiftReading,
    PointerReading,
    Proposal,
    Readings,
    Sight,
    SightKind,
    ValveReading,
)

_CAUSES = 40  # the likeliest, which the information is about
_LEAST = 1e-4
_PARTS = 64  # of the slip, at most
_SDS, _PER_SD = 7.0, 4.0  # of the grid: how far beyond each part, how fine
U_CLEARANCE_MM, U_GAP_MM, U_LIFT_MM, U_FINGER_DEG, U_TDC_DEG = 0.02, 0.02, 0.02, 1.0, 0.15


@dataclass(frozen=True, kw_only=True, slots=True)
class Candidate:
    """A reading that could be taken. ``outcomes``: of a sight, else the one entry."""

    name: str
    kind: str
    outcomes: tuple[Entry, ...]
    tool: str
    destroys: bool = False


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

    def density(self, y: Floats, period: float) -> Floats:
        """Density at y (N,), wrapped where it has a period."""
        return np.asarray(self.parts(y, period).sum(axis=1))


def next_reading(
    engine: Engine, readings: Readings, diagnosis: Diagnosis | None = None, judgement: Judgement = DEFAULT
) -> tuple[Proposal, ...]:
    """All readings that could be taken, the most bits per minute first, those that destroy evidence last.

    ``diagnosis``: of these readings, where it is at hand; one cause that is certain leaves nothing to be learned.
    """
    if diagnosis is not None and diagnosis.entropy_bits < 1e-9:
        return ()
    stated = problem(engine, readings, judgement)
    found = posterior(stated)
    beliefs = _Beliefs(stated, found)
    proposals = []
    for candidate in candidates(engine, readings):
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


def candidates(engine: Engine, readings: Readings) -> Iterator[Candidate]:
    """All readings that are not among those taken, with what they are taken with."""
    taken = {entry.name for entry in readings.entries}
    for one in (*_by_valve(engine, readings), *_by_magneto(engine)):
        if one.name not in taken and not any(outcome.name in taken for outcome in one.outcomes):
            yield one


def _by_valve(engine: Engine, readings: Readings) -> Iterator[Candidate]:
    limits = engine.sheet.limits
    gauged = {entry.valve for entry in readings.entries if isinstance(entry, LiftReading)}
    for valve in engine.valves.values():
        clearance = valve.data.checking_clearance_mm
        flanks: tuple[Flank, ...] = ("opens", "closes")
        for flank in flanks:
            place = valve_event_deg(engine, valve.name, flank, clearance)
            if place is None:
                continue
            event = ValveReading(
                valve=valve.name,
                flank=flank,
                crank_deg=float(in_cycle(place)),
                clearance_mm=clearance,
                u_deg=limits.valve_event_uncertainty_deg / 2,
            )
            yield Candidate(name=event.name, kind="valve event", outcomes=(event,), tool="feeler and disc")
        height = greatest_lift_mm(valve) / 2
        place = valve_event_deg(engine, valve.name, "opens", clearance + height)
        if place is not None:
            lift = LiftReading(
                valve=valve.name,
                flank="opens",
                crank_deg=float(in_cycle(place)),
                lift_mm=height,
                clearance_mm=clearance,
                u_mm=U_LIFT_MM,
                u_deg=0.1,
            )
            kind = "lift, next" if valve.name in gauged else "lift, first of a valve"
            yield Candidate(name=lift.name, kind=kind, outcomes=(lift,), tool="dial gauge and disc")
        measured = ClearanceReading(valve=valve.name, clearance_mm=clearance, u_mm=U_CLEARANCE_MM)
        yield Candidate(name=measured.name, kind="clearance", outcomes=(measured,), tool="feeler")
    first = engine.sheet.firing_order[0]
    tdc = PointerReading(cylinder=first, error_deg=0.0, u_deg=U_TDC_DEG)
    yield Candidate(name=tdc.name, kind="true TDC", outcomes=(tdc,), tool="piston stop or dial gauge")
    at = engine.cylinders[first].firing_deg
    rocking = [c.name for c in engine.cylinders.values() if abs(float(wrapped(c.firing_deg - at, 360.0))) < 1.0]
    if len(rocking) > 1:
        sights = tuple(Sight(kind="rocking", subject=name, crank_deg=at) for name in rocking)
        yield Candidate(name=f"which cylinder rocks at TDC of {first}", kind="look", outcomes=sights, tool="eye")


def _by_magneto(engine: Engine) -> Iterator[Candidate]:
    limits = engine.sheet.limits
    for magneto in engine.magnetos.values():
        name = magneto.name
        for cylinder in magneto.fires:
            broken = BreakReading(
                magneto=name,
                finger_on=cylinder,
                crank_deg=float(in_cycle(magneto.due_deg[cylinder] + magneto.data.break_deg)),
                u_deg=limits.points_break_uncertainty_deg / 2,
            )
            yield Candidate(name=broken.name, kind="points break", outcomes=(broken,), tool="meter and disc")
        gap = GapReading(magneto=name, gap_mm=magneto.data.points_gap_mm, u_mm=U_GAP_MM)
        yield Candidate(name=gap.name, kind="points gap", outcomes=(gap,), tool="feeler")
        finger = FingerReading(magneto=name, off_deg=0.0, u_deg=U_FINGER_DEG)
        yield Candidate(name=finger.name, kind="look", outcomes=(finger,), tool="eye and rule, distributor cover off")
        at = float(in_cycle(magneto.first_deg + magneto.data.break_deg))
        fingers = tuple(
            Sight(kind="finger on", subject=name, cylinders=(cylinder,), crank_deg=at) for cylinder in magneto.fires
        )
        where = f"segment that the {name} finger is on at the mark of {magneto.fires[0]}"
        yield Candidate(name=where, kind="look", outcomes=fingers, tool="eye, distributor cover off")
        for words, kinds, kind, tool in _LOOKS:
            sights = tuple(Sight(kind=of, subject=name) for of in kinds)
            yield Candidate(name=f"{name} {words}", kind=kind, outcomes=sights, tool=tool)
    for coupling in engine.couplings:
        kinds = ("teeth as marked", "teeth not as marked")
        sights = tuple(Sight(kind=of, subject=coupling) for of in kinds)
        yield Candidate(
            name=f"teeth of {coupling}",
            kind="quill drawn",
            outcomes=sights,
            tool="eye, the quill or sleeve drawn",
            destroys=True,
        )


_LOOKS: tuple[tuple[str, tuple[SightKind, ...], str, str], ...] = (
    ("lever", ("lever at its stop", "lever off its stop"), "look", "eye"),
    ("plug leads", ("leads as the chart", "two leads changed over", "leads one place round"), "look", "eye"),
    (
        "inside of the magneto",
        ("magneto inside as marked", "magneto inside not as marked"),
        "magneto off",
        "eye, the magneto taken off and opened",
    ),
)


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
        self.known: dict[tuple[int, int], _Known] = {}
        self.ahead: dict[tuple[int, int, str], tuple[Floats, float, float, float]] = {}

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
        assumed = (id(one), id(shared))
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
    firsts = np.cumsum([0, *(len(one.weights) for one in mixtures)])[:-1]
    total = 0.0
    for low, high, step in _stretches(together.means, together.sds, period):
        y = np.linspace(low, high, int(np.ceil((high - low) / step)) + 2)
        densities = np.add.reduceat(together.parts(y, period), firsts, axis=1).T
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
