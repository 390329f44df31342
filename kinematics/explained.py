"""What one cause leads to at every reading, and where each shaft then stands: the linear part of the diagnosis.

Given a cause, everything left is normal and linear: the slip, how each shaft was set, clearances and gaps. With a
prior N(m, P), rows y = A·x + noise and Σ = A·P·Aᵀ + N, the posterior mean is m + P·Aᵀ·Σ⁻¹·r with r = y − A·m, and a row
left out is predicted by the others with the error (Σ⁻¹r)ᵢ ÷ (Σ⁻¹)ᵢᵢ, of variance 1 ÷ (Σ⁻¹)ᵢᵢ.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from quillwise.kinematics.angles import Floats, wrapped
from quillwise.kinematics.hypotheses import Hypothesis
from quillwise.kinematics.likelihood import covariance, evaluate, model
from quillwise.kinematics.observed import Observed, Row, nuisance_sd, setting_columns
from quillwise.kinematics.posterior import Key, Posterior, Problem, slip_prior
from quillwise.kinematics.readings import Residual

_EXPLAINED_SD = 3.0
_ANYWHERE_DEG = 360.0 / np.sqrt(12.0)
_LOOSE_DEG = 5.0
_FAR = 1e5  # Q up to which a cause is told in full: it may fit badly


@dataclass(frozen=True, kw_only=True, slots=True)
class Explained:
    """A cause against the readings. ``early_deg``: of every leaf, given the readings [crank deg]; ``slip_deg`` and
    ``u_slip_deg``: of the pointer; ``chi2``: of all figures together, of ``figures``; ``surprises``: sights that it
    makes unlikely, of ``sights``; ``latent``: of clearances and gaps, by how much they are off [mm]."""

    early_deg: Mapping[str, float]
    slip_deg: float
    u_slip_deg: float
    residuals: tuple[Residual, ...]
    chi2: float
    figures: int
    surprises: int
    sights: int
    latent: Mapping[tuple[str, str], float]


def explained(stated: Problem, found: Posterior, key: Key) -> Explained:
    """A cause against all readings."""
    engine, judgement, seen = stated.engine, stated.judgement, stated.seen
    moved = any(place == "pointer" for place, _ in key)
    shared = next((stated.field.shared[number] for place, number in key if place == "shared"), None)
    chosen = dict(key)
    log = slip_prior(found.axis, seen, judgement)[1 if moved else 0]
    turns = (0.0,) if stated.readings.turn_proved else (0.0, 360.0)
    best: tuple[float, float, float] = (-np.inf, 0.0, 0.0)
    branches = []
    for branch, hypotheses in stated.field.branches:
        one = hypotheses[chosen.get(branch.name, 0)]
        mine = seen.of(branch)
        branches.append((one, mine, model(engine, mine, [one], judgement, shared)))
    for turn in turns:
        along = log.copy()
        for _, mine, rows in branches:
            along = along + evaluate(rows, mine, found.axis, judgement, _FAR, turn).row(0, found.axis.count)
        at = int(np.argmax(along))
        if along[at] > best[0]:
            best = float(along[at]), float(found.axis.places[at]), turn
    _, slip, turn = best
    rows_of = [row for _, mine, _ in branches for row in mine.rows]
    count = len(rows_of) + len(seen.pointers)
    away, slopes, sigma = np.zeros(count), np.ones(count), np.zeros((count, count))
    place = 0
    for one, mine, rows in branches:
        size = len(mine.rows)
        block = slice(place, place + size)
        slopes[block] = rows.slopes[0]
        here = rows.read - rows.predicted[0] - rows.slopes[0] * (slip + turn)
        period = np.where(rows.period > 0, rows.period, 1.0)
        away[block] = here - np.where(rows.period > 0, np.rint(here / period) * rows.period, 0.0)
        sigma[block, block] = covariance(engine, mine.rows, one, judgement)
        place += size
    for number, (_, _, error, u) in enumerate(seen.pointers):
        away[place + number] = float(wrapped(error - slip))
        sigma[place + number, place + number] = u**2
    away = away + slopes * slip  # about slip 0, unwrapped
    prior = judgement.u_pointer_deg
    if moved:
        prior = judgement.u_pointer_moved_deg if abs(slip) < 3 * judgement.u_pointer_moved_deg else _ANYWHERE_DEG
    whole = sigma + prior**2 * np.outer(slopes, slopes)
    inverse = np.linalg.inv(whole) if count else np.zeros((0, 0))
    weighted = inverse @ away
    mean = prior**2 * float(slopes @ weighted)
    variance = prior**2 - prior**4 * float(slopes @ inverse @ slopes)
    early, latent = _latents(stated, key, shared, rows_of, whole, away)
    left_out = 1.0 / np.diag(inverse)
    residuals = []
    for number, row in enumerate(rows_of):
        off = float(weighted[number] * left_out[number])
        residuals.append((row.entry, _residual(row.name, row.unit, row.read, off, float(left_out[number] ** 0.5))))
    for number, (entry, name, error, _) in enumerate(seen.pointers, start=len(rows_of)):
        off = float(weighted[number] * left_out[number])
        residuals.append((entry, _residual(name, "crank deg", error, off, float(left_out[number] ** 0.5))))
    sights = [line for one, mine, rows in branches for line in _sights(stated, one, mine, rows.late[0], slip + turn)]
    ordered = sorted([*residuals, *sights], key=lambda line: line[0])
    return Explained(
        early_deg=early,
        slip_deg=mean,
        u_slip_deg=float(max(variance, 0.0) ** 0.5),
        residuals=tuple(line for _, line in ordered),
        chi2=float(away @ weighted),
        figures=count,
        surprises=sum(not line.explained for _, line in sights),
        sights=len(sights),
        latent=latent,
    )


def _residual(name: str, unit: str, read: float, off: float, sd: float) -> Residual:
    return Residual(
        name=name, unit=unit, read=read, predicted=read - off, sd=off / sd, explained=abs(off) <= _EXPLAINED_SD * sd
    )


def _latents(
    stated: Problem, key: Key, shared: Hypothesis | None, rows: list[Row], whole: Floats, away: Floats
) -> tuple[Mapping[str, float], Mapping[tuple[str, str], float]]:
    """Posterior means: how early each leaf stands, and by how much clearances and gaps are off.

    How early a leaf stands is left to the readings: its setting counts as known within a tooth or so only, for a cure
    that trusts the cause more than the readings would miss by the difference.
    """
    engine, judgement = stated.engine, stated.judgement
    early: dict[str, float] = {}
    latent: dict[tuple[str, str], float] = {}
    chosen = dict(key)
    mirrored = {of[chosen.get(branch.name, 0)].mirrored for branch, of in stated.field.branches}

    def column(name: tuple[str, str]) -> Floats:
        # as in the covariance: what was written on the wrong side of its dead centre goes the other way
        signs = [-1.0 if row.turns and row.entry in mirrored else 1.0 for row in rows]
        own = [sign * row.columns.get(name, 0.0) for sign, row in zip(signs, rows, strict=True)]
        # the pointers' rows come last, and know nothing of it
        return np.array(own + [0.0] * (len(away) - len(rows)))

    for branch, hypotheses in stated.field.branches:
        one = hypotheses[chosen.get(branch.name, 0)]
        names = dict.fromkeys(n for row in rows if row.leaf in branch.leaves for n in row.columns)
        settings = [name for name in names if name[0] == "setting"]
        wide = whole + sum(_LOOSE_DEG**2 * np.outer(column(name), column(name)) for name in settings)
        loose = np.linalg.solve(wide, away) if len(away) else away
        weighted = np.linalg.solve(whole, away) if len(away) else away
        for name in names:
            if name[0] != "setting":
                sd = nuisance_sd(engine, name, judgement)
                sd = max(sd, {"clearance": one.u_clearance_mm, "gap": one.u_gap_mm}[name[0]].get(name[1], 0.0))
                latent[name] = sd**2 * float(column(name) @ weighted)
        for leaf in branch.leaves:
            mean = one.early_deg.get(leaf, 0.0) + (0.0 if shared is None else shared.early_deg.get(leaf, 0.0))
            for name in setting_columns(engine, leaf):
                variance = nuisance_sd(engine, name, judgement) ** 2 + _LOOSE_DEG**2
                mean += variance * float(column(name) @ loose)
            if one.spread_deg and leaf in one.early_deg:
                mine = [-float(row.turns and row.leaf in one.early_deg) for row in rows]
                mean += one.spread_deg**2 * float(np.array(mine + [0.0] * (len(away) - len(rows))) @ loose)
            early[leaf] = mean
    return MappingProxyType(early), MappingProxyType(latent)


def _sights(stated: Problem, one: Hypothesis, mine: Observed, late: Floats, slip: float) -> list[tuple[int, Residual]]:
    from scipy.special import ndtri

    error, u = stated.judgement.sight_error, stated.judgement.u_sight_deg
    found = []
    for number, sight in enumerate(mine.seen):
        log = sight.log_probability(np.asarray([slip + late[number]]), error, u)
        found.append((sight.entry, sight.name, float(np.exp(log[0]))))
    for look in mine.looked:
        found.append((look.entry, look.name, float(np.exp(look.log_probability(one, error)))))
    return [
        (
            entry,
            Residual(
                name=name,
                unit="sight",
                read=1.0,
                predicted=chance,
                sd=float(-ndtri(chance / 2)),
                explained=chance > 2 * error,
            ),
        )
        for entry, name, chance in found
    ]
