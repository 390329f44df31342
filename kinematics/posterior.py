"""Which cause the readings speak for: the posterior over everything that can be wrong, singly and in pairs.

Given what the branches share (the slip of the pointer, a gear before all of them), they fail independently. So

    posterior(causes) ∝ Σ shared · ∫ p(slip) · Π over branches [odds · likelihood(slip)] dslip,

the slip on one axis over one turn of the disc, by the trapezoid rule. For an integrand of normal pieces its error
falls as exp(−2(π·sd/step)²): 4e-14 at a step of 0.8 sd. Everything is kept in logarithms.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from quillwise.kinematics.angles import Floats, wrapped
from quillwise.kinematics.branches import Branch
from quillwise.kinematics.hypotheses import Field, Hypothesis, field_of
from quillwise.kinematics.judgement import Judgement
from quillwise.kinematics.likelihood import Axis, Evaluated, Model, evaluate, log_sum_by, model, slip_information
from quillwise.kinematics.model import Engine
from quillwise.kinematics.observed import Observed, observed
from quillwise.kinematics.readings import Readings

STEP_SD = 0.8  # of the slip given all readings
_PAIRS_OF = 40  # hypotheses of a branch that are tried in pairs, the likeliest first
_LEFT_OUT = (320.0, 1400.0, np.inf)  # Q that is left out, beyond a branch's best: tried until it does not matter
_SAFE_LOG = 60.0  # what is left out is less than all of it by so much; thousands of places and causes are some 30 of it
_FAR_LOG = 100.0  # a share of the integral that is less is none
_WORTH_LOG = 40.0  # pairs that are less likely by more are left to the rest
Key = tuple[tuple[str, int], ...]
"""A cause: ("pointer", 0), ("shared", number) and (branch, number), sorted; () is nothing wrong."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Problem:
    """An engine, its readings as rows, and all that can be wrong."""

    engine: Engine
    judgement: Judgement
    readings: Readings
    seen: Observed
    field: Field

    def parts(self, key: Key) -> tuple[Hypothesis, ...]:
        """The hypotheses of a cause, the pointer's left out."""
        found = []
        for place, number in key:
            if place == "shared":
                found.append(self.field.shared[number])
            elif place != "pointer":
                found.append(self.of_branch(place)[number])
        return tuple(found)

    def of_branch(self, name: str) -> tuple[Hypothesis, ...]:
        """The hypotheses of a branch."""
        return next(hypotheses for branch, hypotheses in self.field.branches if branch.name == name)


@dataclass(frozen=True, kw_only=True, slots=True)
class Posterior:
    """``log_joint``: log(prior · likelihood) of every cause that is listed; ``log_all``: of all causes together.
    ``slip``: of each listed cause its mean and variance [deg, deg²]; ``axis``: of the slip. ``whole_slip``: of all."""

    log_joint: Mapping[Key, float]
    log_all: float
    axis: Axis
    whole_slip: tuple[float, float]

    def probability(self, key: Key) -> float:
        """Of a listed cause."""
        return float(np.exp(self.log_joint[key] - self.log_all))


def problem(engine: Engine, readings: Readings, judgement: Judgement) -> Problem:
    """The readings as rows, and all hypotheses. Raises RequestError as ``observed`` does."""
    seen = observed(engine, readings.entries, judgement)
    written = [(row.entry, row.leaf, row.name) for row in seen.rows if row.turns and row.own_mirror_deg is not None]
    field = field_of(engine, judgement, readings.disc_proved, written)
    return Problem(engine=engine, judgement=judgement, readings=readings, seen=seen, field=field)


def slip_prior(axis: Axis, seen: Observed, judgement: Judgement) -> tuple[Floats, Floats]:
    """log p(slip) with what proved TDC says of it, (G,): the pointer set with care, and moved."""
    places = axis.places
    around = [wrapped(places) + turn for turn in (-360.0, 0.0, 360.0)]
    care = np.logaddexp.reduce([_log_normal(slip, judgement.u_pointer_deg) for slip in around])
    near = np.logaddexp.reduce([_log_normal(slip, judgement.u_pointer_moved_deg) for slip in around])
    moved = np.logaddexp(near + np.log(0.5), np.log(0.5 / 360.0))
    said = np.zeros_like(places)
    for _, _, error, u in seen.pointers:
        said += _log_normal(wrapped(error - places), u)
    return np.asarray(care + said), np.asarray(moved + said)


def _log_normal(away: Floats, sd: float) -> Floats:
    return np.asarray(-0.5 * (away / sd) ** 2 - np.log(sd * np.sqrt(2 * np.pi)))


def axis_for(models: Mapping[str, Model], seen: Observed, judgement: Judgement) -> Axis:
    """One turn of slip in steps of at most 0.8 standard deviations of the slip given all readings."""
    information = 1.0 / judgement.u_pointer_deg**2 + sum(1.0 / u**2 for *_, u in seen.pointers)
    information += sum(slip_information(one) for one in models.values())
    if seen.seen:
        information += 1.0 / judgement.u_sight_deg**2
    return Axis(start_deg=-180.0, end_deg=180.0, count=int(np.ceil(360.0 * np.sqrt(information) / STEP_SD)) + 1)


def posterior(stated: Problem) -> Posterior:
    """The posterior, exact but for rounding: the cost grows with the sum of the branches' hypotheses."""
    for negligible in _LEFT_OUT:
        found, left_out = _posterior(stated, negligible)
        if np.isfinite(found.log_all) and left_out < found.log_all - _SAFE_LOG:
            break
    return found


def _posterior(stated: Problem, negligible: float) -> tuple[Posterior, float]:
    """The posterior, and the most that a thing left out of it can be, in the logarithms of ``log_all``."""
    engine, judgement, field, seen = stated.engine, stated.judgement, stated.field, stated.seen
    parts = {branch.name: seen.of(branch) for branch, _ in field.branches}
    right = {
        branch.name: model(engine, parts[branch.name], hypotheses, judgement) for branch, hypotheses in field.branches
    }
    axis = axis_for(right, seen, judgement)
    weights = np.full(axis.count, np.log(axis.step_deg))
    weights[[0, -1]] -= np.log(2.0)
    slips = [prior + weights for prior in slip_prior(axis, seen, judgement)]
    odds = {branch.name: np.log([one.odds for one in hypotheses]) for branch, hypotheses in field.branches}
    turns = (0.0,) if stated.readings.turn_proved else (0.0, 360.0)
    sums = _Sums(axis.count)
    alone: dict[tuple[str, float], _Told] = {}  # what no shared cause bears on is worked out once
    for number, shared in enumerate(field.shared):
        for turn in turns:
            told = {}
            for branch, _ in field.branches:
                name, mine = branch.name, parts[branch.name]
                plain = number == 0 or not _bears_on(shared, mine, branch)
                if not plain or (name, turn) not in alone:
                    one = right[name] if plain else right[name].with_shared(engine, mine, shared)
                    if mine.rows or mine.seen:
                        worth = evaluate(one, mine, axis, judgement, negligible, turn)
                        made = _Told.of(worth, odds[name], axis.count)
                    else:
                        made = _Told.level(one.looks, odds[name], axis.count)
                    if plain:
                        alone[name, turn] = made
                told[name] = alone[name, turn] if plain else made
            base = np.log(shared.odds) - np.log(len(turns))
            outer: Key = () if number == 0 else (("shared", number),)
            sums.take(told, slips[0] + base, outer)
            if field.moved_odds > 0:
                sums.take(told, slips[1] + base + np.log(field.moved_odds), (*outer, ("pointer", 0)))
    return sums.posterior(axis, field.right_weight), sums.left_out


def _bears_on(shared: Hypothesis, seen: Observed, branch: Branch) -> bool:
    turned = seen.rows or seen.seen
    early = turned and any(leaf in shared.early_deg for leaf in branch.leaves)
    return bool(early) or any(row.valve in shared.read_running for row in seen.rows)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Told:
    """What the readings of a branch say, log-odds included. ``flat``: of its hypotheses, (H,), where the slip does not
    matter, ``along`` else. ``whole``: log of all of them together by slip, ``right``: of the one that nothing is wrong,
    (G,). ``most``: of one hypothesis anywhere; ``left_out``: none that was left out is more."""

    whole: Floats
    right: Floats
    most: float
    flat: Floats | None = None
    along: Evaluated | None = None
    left_out: float = -np.inf

    @classmethod
    def of(cls, evaluated: Evaluated, odds: Floats, places: int) -> _Told:
        """Summed once, for all that is shared."""
        log = odds[evaluated.which]
        log += evaluated.log
        worth = replace(evaluated, log=log, left_out=evaluated.left_out + float(odds.max()))
        most = float(worth.log.max(initial=-np.inf))
        whole, right = worth.summed(places), worth.row(0, places)
        return cls(whole=whole, right=right, most=most, along=worth, left_out=worth.left_out)

    @classmethod
    def level(cls, log: Floats, odds: Floats, places: int) -> _Told:
        """Of a branch of which nothing was read that turns with the crank."""
        flat = log + odds
        whole, right = np.full(places, _log_sum(flat)), np.full(places, flat[0])
        return cls(whole=whole, right=right, most=float(flat.max()), flat=flat)

    def of_each(self, others: Floats) -> Floats:
        """log ∫ of each hypothesis with the others as given, (H,)."""
        if self.along is None:
            assert self.flat is not None
            return self.flat + _log_sum(others)
        log = others[self.along.place]
        log += self.along.log
        return log_sum_by(log, self.along.which, self.along.count)

    def rows(self, chosen: Sequence[int], places: int) -> Floats:
        """Of some hypotheses at every place, (chosen, places)."""
        if self.along is None:
            assert self.flat is not None
            return np.repeat(self.flat[list(chosen)][:, None], places, axis=1)
        return self.along.rows(chosen, places)


class _Sums:
    """What is added up while the shared causes are gone through."""

    def __init__(self, places: int) -> None:
        self.places = places
        self.log_joint: dict[Key, float] = {}
        self.along = np.full(places, -np.inf)  # of all causes, by slip
        self.nothing = np.full(places, -np.inf)  # of nothing wrong
        self.left_out = -np.inf  # the most that a thing left out can be

    def take(self, told: Mapping[str, _Told], base: Floats, outer: Key) -> None:
        """Add all causes that have the outer ones among them."""
        names = list(told)
        sums = {name: told[name].whole for name in names}
        right = {name: told[name].right for name in names}
        self.along = np.logaddexp(self.along, base + sum(sums.values()))
        for name in names:
            others_most = sum(max(told[other].most, told[other].left_out) for other in names if other != name)
            self.left_out = max(self.left_out, float(base.max()) + told[name].left_out + others_most)
        none = base + sum(right.values())
        if not outer:
            self.nothing = np.logaddexp(self.nothing, none)
        self._add(outer, _log_sum(none))
        if len(outer) <= 1:
            for name in names:
                others = base + sum((right[other] for other in names if other != name), np.zeros(self.places))
                for number, log in enumerate(told[name].of_each(others)):
                    if number and np.isfinite(log):
                        self._add((*outer, (name, number)), float(log))
        if not outer:
            self._pairs(told, base, sums, right)

    def _pairs(
        self,
        told: Mapping[str, _Told],
        base: Floats,
        sums: Mapping[str, Floats],
        right: Mapping[str, Floats],
    ) -> None:
        names = list(told)
        chosen, rows = {}, {}
        for name in names:
            others = base + sum((sums[other] for other in names if other != name), np.zeros(self.places))
            of_each = told[name].of_each(others)
            of_each[0] = -np.inf
            best = np.argsort(of_each)[::-1][:_PAIRS_OF]
            chosen[name] = [int(number) for number in best if np.isfinite(of_each[number])]
            rows[name] = told[name].rows(chosen[name], self.places)
        for at, first in enumerate(names):
            for second in names[at + 1 :]:
                if not chosen[first] or not chosen[second]:
                    continue
                rest = [right[other] for other in names if other not in (first, second)]
                joined = _log_products(rows[first] + (base + sum(rest, np.zeros(self.places))), rows[second])
                worth = np.argwhere(joined > max(self.log_joint.values()) - _WORTH_LOG)
                for i, j in worth:
                    key = ((first, chosen[first][i]), (second, chosen[second][j]))
                    self._add(key, float(joined[i, j]))

    def _add(self, key: Key, log: float) -> None:
        key = tuple(sorted(key))
        self.log_joint[key] = float(np.logaddexp(self.log_joint.get(key, -np.inf), log))

    def posterior(self, axis: Axis, right_weight: float) -> Posterior:
        """What was added up, nothing wrong given its own weight."""
        along = np.logaddexp(self.along, self.nothing + np.log(right_weight)) if right_weight > 0 else self.along
        top = float(np.max(along))
        if not np.isfinite(top):
            return Posterior(log_joint={}, log_all=-np.inf, axis=axis, whole_slip=(0.0, 0.0))
        # nothing wrong was counted with the odds 1, and again with its own: take the former off
        share = np.exp(along - top) - np.exp(self.nothing - top)
        share = np.maximum(share, 0.0)
        joint = dict(self.log_joint)
        if () in joint:
            with np.errstate(divide="ignore"):
                joint[()] = joint[()] + float(np.log(right_weight))
        mean = float(share @ axis.places / share.sum())
        spread = float(share @ (axis.places - mean) ** 2 / share.sum())
        return Posterior(
            log_joint=joint, log_all=top + float(np.log(share.sum())), axis=axis, whole_slip=(mean, spread)
        )


def _log_sum(log: Floats) -> float:
    top = float(np.max(log))
    return top + float(np.log(np.sum(np.exp(log - top)))) if np.isfinite(top) else -np.inf


def _log_products(first: Floats, second: Floats) -> Floats:
    """log Σ over places of exp(first + second), (rows of first, rows of second)."""
    # far from where both have something to say there are only zeros, and figures too small to reckon fast with
    together = first.max(axis=0) + second.max(axis=0)
    if not np.isfinite(together.max()):
        return np.full((len(first), len(second)), -np.inf)
    kept = together > together.max() - _FAR_LOG
    first, second = first[:, kept], second[:, kept]
    tops = [np.max(rows, axis=1, keepdims=True) for rows in (first, second)]
    safe = [np.where(np.isfinite(top), top, 0.0) for top in tops]
    shares = [
        np.where(rows > top - _FAR_LOG, np.exp(rows - top), 0.0)
        for rows, top in zip((first, second), safe, strict=True)
    ]
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(shares[0] @ shares[1].T) + safe[0] + safe[1].T)
