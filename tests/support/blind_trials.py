"""Blind trials: faults drawn from the stated priors, noise from the stated uncertainties, and only a file goes in.

    python tests/support/blind_trials.py [--trials 2000] [--jobs 2 | --cluster ADDRESS]

What is drawn depends on the seed alone, not on how many hands there are.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import joblib
import numpy as np
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
from quillwise.viz.working import Hands, at_work

DEFAULT = packaged_judgement()
AN_ENGINE = 20  # trials of one engine, done by one hand


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


def _of_an_engine(seed: int, number: int, trials: int) -> list[Outcome]:
    rng = np.random.default_rng([seed, number])
    engine = random_engine(rng)
    with TemporaryDirectory() as folder:
        return [trial(engine, draw(engine, DEFAULT, rng), Path(folder))[0] for _ in range(trials)]


def run(trials: int, seed: int, hands: Hands) -> list[Outcome]:
    """So many trials, in the order of their engines. Raises RequestError as ``at_work`` does."""
    shares = [min(AN_ENGINE, trials - first) for first in range(0, trials, AN_ENGINE)]
    with at_work(hands):
        found = joblib.Parallel()(joblib.delayed(_of_an_engine)(seed, *share) for share in enumerate(shares))
    return [outcome for outcomes in found for outcome in outcomes]


def main() -> None:
    """Run them and tell what was found."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trials", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    hands = parser.add_mutually_exclusive_group()
    hands.add_argument("--jobs", type=int, default=1, metavar="N", help="processes of this machine")
    hands.add_argument("--cluster", default="", metavar="ADDRESS", help="a dask scheduler, whose workers do it all")
    asked = parser.parse_args()
    begin = time.perf_counter()
    outcomes = run(asked.trials, asked.seed, Hands(jobs=asked.jobs, cluster=asked.cluster))
    took = time.perf_counter() - begin
    separable = [one for one in outcomes if one.separable]
    print(
        f"{len(outcomes)} trials in {took:.1f} s; {len(separable)} could be told apart, "
        f"of them {sum(one.found for one in separable)} were found"
    )


if __name__ == "__main__":
    from blind_trials import main as named_main  # by the name of the module, as other processes import it

    named_main()
