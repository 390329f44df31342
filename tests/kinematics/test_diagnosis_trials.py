"""Blind trials: faults drawn from the stated priors, noise from the stated uncertainties, and only a file goes in."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from blind_faults import Blind, draw
from random_engines import in_line_six, v_eight

from quillwise.kinematics.branches import step_crank
from quillwise.kinematics.build import build
from quillwise.kinematics.cures import cured
from quillwise.kinematics.diagnosis import apart, diagnosis_of
from quillwise.kinematics.model import Engine
from quillwise.kinematics.posterior import posterior, problem
from quillwise.kinematics.readings import Diagnosis
from quillwise.kinematics.timing import early_crank_deg
from quillwise.scenes import readings as reader
from quillwise.scenes.judging import packaged as packaged_judgement

DEFAULT = packaged_judgement()

TOLD_APART = 5.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Outcome:
    """A trial. ``chances``: of each cause that was listed, and whether it was the true one."""

    found: bool
    separable: bool
    chances: tuple[tuple[float, bool], ...]
    left_deg: float  # furthest a cured shaft stands off, beyond half a step [crank deg]; 0 where none was moved


def random_engine(rng: np.random.Generator) -> Engine:
    """An in-line six or a V-8 of either rotation whose couplings have any teeth."""
    sheet = (in_line_six, v_eight)[int(rng.integers(2))](("clockwise", "anticlockwise")[int(rng.integers(2))])
    couplings = []
    for one in sheet.couplings:
        n1, n2 = (int(n) for n in rng.choice(np.arange(8, 21), size=2, replace=False))
        couplings.append(replace(one, driving_teeth=n1, driven_teeth=n2))
    return build(replace(sheet, couplings=tuple(couplings)))


def trial(engine: Engine, blind: Blind, folder: Path) -> tuple[Outcome, Diagnosis]:
    """The readings go through a file; the truth is looked at afterwards."""
    path = folder / "readings.toml"
    path.write_text(blind.text, encoding="utf-8")
    keys, label = reader.read(path)
    stated = problem(engine, reader.readings(engine, keys, label), DEFAULT)
    # what the reader makes of the file, gaps among it, decides which entries can have been written wrong
    found = posterior(stated)
    told = diagnosis_of(stated, found)
    truth = set(blind.names) - {"pointer"} | ({"pointer or disc moved"} if "pointer" in blind.names else set())
    truth = truth or {"nothing wrong"}
    named = [set(cause.parts) == truth for cause in told.causes]
    leading = [right for right, cause in zip(named, told.causes, strict=True) if cause.tied or cause is told.causes[0]]
    keys_by_name = {frozenset(part.name for part in stated.parts(key)) | _pointer(key): key for key in found.log_joint}
    true_key = keys_by_name.get(frozenset(truth - {"nothing wrong"}))
    separable = true_key is not None
    for cause in told.causes:
        parts = frozenset(set(cause.parts) - {"nothing wrong"})
        # the true cause and one more thing besides is no other cause
        if separable and not (truth - {"nothing wrong"} and truth <= parts) and keys_by_name[parts] != true_key:
            separable = apart(stated, true_key, keys_by_name[parts])[1] >= TOLD_APART
    left = 0.0
    if named[0] and told.causes[0].cure is not None:
        left = _left(engine, blind, told)
    chances = tuple((cause.probability, right) for cause, right in zip(told.causes, named, strict=True))
    return Outcome(found=any(leading), separable=separable, chances=chances, left_deg=left), told


def _pointer(key: tuple[tuple[str, int], ...]) -> frozenset[str]:
    return frozenset({"pointer or disc moved"} if ("pointer", 0) in key else set())


def _left(engine: Engine, blind: Blind, told: Diagnosis) -> float:
    cure = told.causes[0].cure
    assert cure is not None
    after = cured(blind.engine, blind.assembly, cure)
    worst = 0.0
    for name in cure.moves:
        early = early_crank_deg(blind.engine, after, engine.couplings[name].driven)
        assert early is not None
        early = (early + 360.0) % 720.0 - 360.0
        worst = max(worst, abs(early) - step_crank(engine, name) / 2)
    return worst


def run(trials: int, folder: Path, seed: int) -> list[Outcome]:
    rng = np.random.default_rng(seed)
    outcomes = []
    engine = random_engine(rng)
    for number in range(trials):
        if number % 20 == 0:
            engine = random_engine(rng)
        outcomes.append(trial(engine, draw(engine, DEFAULT, rng), folder)[0])
    return outcomes


def check(outcomes: list[Outcome]) -> None:
    """What every run must hold, by the number of its trials."""
    separable = [one for one in outcomes if one.separable]
    assert len(separable) > 0.1 * len(outcomes)
    found = sum(one.found for one in separable) / len(separable)
    assert found >= 0.95, f"{found:.3f} of {len(separable)}"
    listed = np.array([chance for one in outcomes for chance in one.chances])
    for low, high in ((0.8, 0.9), (0.5, 0.8), (0.9, 1.0), (0.05, 0.5)):
        mine = listed[(listed[:, 0] >= low) & (listed[:, 0] < high)]
        if len(mine):
            stated, right = float(mine[:, 0].mean()), float(mine[:, 1].mean())
            error = (float((mine[:, 0] * (1 - mine[:, 0])).mean()) / len(mine)) ** 0.5
            assert abs(stated - right) <= 4 * error + 1 / len(mine), (low, high, stated, right, len(mine))
    # what is left after the cure is half a step and how well the readings show the shaft's place, pointer and all
    lefts = np.array([one.left_deg for one in outcomes])
    assert np.quantile(lefts, 0.95) < 3 * (DEFAULT.u_pointer_deg**2 + 0.4**2) ** 0.5


@pytest.mark.slow
def test_blind_trials(tmp_path: Path) -> None:
    check(run(100, tmp_path, seed=5))


@pytest.mark.slow
def test_two_thousand_blind_trials(tmp_path: Path) -> None:
    check(run(2000, tmp_path, seed=1))
