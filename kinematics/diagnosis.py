"""The diagnosis: readings in, ranked causes, cures, ties and misfits out. It sees readings only."""

from __future__ import annotations

import numpy as np

from quillwise.kinematics.cures import cure
from quillwise.kinematics.explained import Explained, explained
from quillwise.kinematics.hypotheses import MOVED
from quillwise.kinematics.judgement import Judgement
from quillwise.kinematics.likelihood import covariance
from quillwise.kinematics.model import Engine
from quillwise.kinematics.observed import effect
from quillwise.kinematics.posterior import Key, Posterior, Problem, posterior, problem
from quillwise.kinematics.readings import Cause, Diagnosis, Readings

_LISTED = 0.001  # causes of at least this probability get a line
_MOST = 24
_TOLD = 5  # of these, and of all tied with the first, residuals and cure are worked out
_TIE_LOG = 2.0  # the readings speak for one against the other by less than e²
_TIE_SHARE = 0.05
_RARE_SHARE = 1e-6  # of the first's probability: what is rarer is not worth a word


def diagnose(engine: Engine, readings: Readings, judgement: Judgement) -> Diagnosis:
    """What was done wrong, how sure that is (probabilities 0–1), what cures it, and whether it can be told at all.

    ``judgement``: how often each cause occurs, see ``scenes.judging``. Raises RequestError for a reading that names
    what the engine has not, or of a valve that never lifts so far.
    """
    stated = problem(engine, readings, judgement)
    return diagnosis_of(stated, posterior(stated))


def diagnosis_of(stated: Problem, found: Posterior) -> Diagnosis:
    """The diagnosis of a posterior."""
    from scipy.special import bdtrc, chdtrc

    keys = sorted(found.log_joint, key=lambda key: -found.log_joint[key])
    listed = [key for key in keys if found.probability(key) >= _LISTED][:_MOST] or keys[:1]
    likelihood = {key: found.log_joint[key] - _log_prior(stated, key) for key in listed}
    tied = [
        key
        for key in listed[1:]
        if abs(likelihood[key] - likelihood[listed[0]]) < _TIE_LOG
        and found.probability(key) > _TIE_SHARE * found.probability(listed[0])
    ]
    causes = []
    told: dict[Key, Explained] = {}
    for number, key in enumerate(listed):
        names = _names(stated, key)
        if number < _TOLD or key in tied:
            told[key] = explained(stated, found, key)
        moved = any(place == "pointer" for place, _ in key)
        causes.append(
            Cause(
                name=" and ".join(names),
                parts=names,
                kinds=_kinds(stated, key),
                probability=found.probability(key),
                residuals=told[key].residuals if key in told else (),
                cure=cure(stated.engine, stated.parts(key), moved, told[key]) if key in told else None,
                tied=key in tied or (number == 0 and bool(tied)),
            )
        )
    error = stated.judgement.sight_error
    chances = [
        min(
            float(chdtrc(one.figures, one.chi2)) if one.figures else 1.0,
            float(bdtrc(one.surprises - 1, one.sights, error)) if one.surprises else 1.0,
        )
        for one in told.values()
    ]
    mean, variance = found.whole_slip
    every = np.array([found.probability(key) for key in keys])
    rest = max(0.0, 1.0 - float(every.sum()))
    shares = np.append(every[every > 0], rest) if rest > 0 else every[every > 0]
    return Diagnosis(
        causes=tuple(causes),
        rest=1.0 - float(sum(cause.probability for cause in causes)),
        tie=_tie(stated, listed[0], tied) if tied else "",
        alike=_alike(stated, found, keys, tied),
        misfit=_misfit(told, listed) if max(chances, default=1.0) < stated.judgement.misfit_p else "",
        entropy_bits=float(-(shares * np.log2(shares)).sum()),
        pointer_deg=mean,
        u_pointer_deg=float(variance**0.5),
    )


def _alike(stated: Problem, found: Posterior, keys: list[Key], tied: list[Key]) -> tuple[str, ...]:
    """Names of the single causes that only the judgement of how often each occurs speaks against."""
    first = keys[0]
    if len(first) != 1:
        return ()
    least = found.log_joint[first] - _log_prior(stated, first) - _TIE_LOG
    rare = found.log_joint[first] + float(np.log(_RARE_SHARE))
    return tuple(
        " and ".join(_names(stated, key))
        for key in keys[1:]
        if len(key) == 1
        and key not in tied
        and found.log_joint[key] > rare
        and found.log_joint[key] - _log_prior(stated, key) > least
    )


def _names(stated: Problem, key: Key) -> tuple[str, ...]:
    names = [part.name for part in stated.parts(key)]
    if any(place == "pointer" for place, _ in key):
        names.append(MOVED)
    return tuple(names) or ("nothing wrong",)


def _kinds(stated: Problem, key: Key) -> tuple[str, ...]:
    kinds = [part.kind for part in stated.parts(key)]
    if any(place == "pointer" for place, _ in key):
        kinds.append(MOVED)
    return tuple(kinds) or ("nothing wrong",)


def _log_prior(stated: Problem, key: Key) -> float:
    if not key:
        return float(np.log(stated.field.right_weight))
    log = sum(float(np.log(part.odds)) for part in stated.parts(key))
    if any(place == "pointer" for place, _ in key):
        log += float(np.log(stated.field.moved_odds))
    return log


def apart(stated: Problem, one: Key, other: Key) -> tuple[float, float]:
    """How far two causes lead apart at the readings: the most at one of them [crank deg], and √(Δᵀ Σ⁻¹ Δ) with all
    continuous unknowns in Σ, the pointer's slip too."""
    delta, sigma, slopes = [], [], []
    for branch, hypotheses in stated.field.branches:
        rows = stated.seen.of(branch).rows
        parts = [stated.parts(key) for key in (one, other)]
        for row in rows:
            moved = [sum(effect(stated.engine, row, part) for part in of) for of in parts]
            away = moved[0] - moved[1]
            delta.append(away - row.period * round(away / row.period) if row.period else away)
            slopes.append(row.slope)
        plain = covariance(stated.engine, rows, None, stated.judgement)
        block = plain
        for part in (hypotheses[number] for place, number in (*one, *other) if place == branch.name):
            if part.mirrored is None:
                block = block + covariance(stated.engine, rows, part, stated.judgement) - plain
        sigma.append(block)
    if not delta:
        return 0.0, 0.0
    count = len(delta)
    whole, at = np.zeros((count, count)), 0
    for block in sigma:
        whole[at : at + len(block), at : at + len(block)] = block
        at += len(block)
    pointers = any(place == "pointer" for key in (one, other) for place, _ in key)
    u = 360.0 if pointers else stated.judgement.u_pointer_deg
    precise = 1.0 / u**2 + sum(1.0 / u_tdc**2 for *_, u_tdc in stated.seen.pointers)
    whole += np.outer(slopes, slopes) / precise
    leads = np.asarray(delta)
    return float(np.max(np.abs(leads))), float(np.sqrt(leads @ np.linalg.solve(whole, leads)))


def _tie(stated: Problem, first: Key, tied: list[Key]) -> str:
    most, sds = zip(*(apart(stated, first, key) for key in tied), strict=True)
    names = [" and ".join(_names(stated, key)) for key in tied]
    shown = "; ".join(names[:4]) + (f"; and {len(names) - 4} more" if len(names) > 4 else "")
    why = (
        "They lead to the same readings."
        if max(most) < 1e-6
        else f"At these readings they lie at most {max(most):.1f} degrees apart, which is {max(sds):.1f} "
        "standard deviations of what these tools can tell."
    )
    return f"The readings cannot tell “{' and '.join(_names(stated, first))}” from: {shown}. {why}"


def _misfit(told: dict[Key, Explained], listed: list[Key]) -> str:
    first = told[listed[0]]
    worst = [line for line in first.residuals if not line.explained]
    names = ", ".join(f"{line.name} ({line.sd:+.1f} sd)" for line in sorted(worst, key=lambda line: -abs(line.sd))[:4])
    off = f" Furthest off: {names}." if names else ""
    return f"Nothing fits: no single cause and no pair leads to these readings.{off} Take the readings again."
