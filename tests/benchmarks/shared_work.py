"""Work shared out by joblib, by the clock: blind trials of the diagnosis by one process, by two, and by a dask cluster
of two workers. Worth something where the second core is free only."""

from __future__ import annotations

import importlib.util
from collections.abc import Iterator

from blind_trials import AN_ENGINE, run
from stopwatch import Figure, compared, wall
from two_workers import two_workers

from quillwise.viz.working import Hands

TRIALS = 10 * AN_ENGINE


def figures() -> Iterator[Figure]:
    """The trials by two hands, the start of their processes included, by one."""

    def trials(hands: Hands) -> None:
        run(TRIALS, 1, hands)

    def alone() -> None:
        trials(Hands())

    alone()
    what, one = f"{TRIALS} blind trials by", "one process"
    yield compared(f"{what} two processes", lambda: trials(Hands(jobs=2)), one, alone, runs=3, clock=wall)
    if importlib.util.find_spec("distributed"):
        with two_workers() as address:
            yield compared(
                f"{what} a cluster of two", lambda: trials(Hands(cluster=address)), one, alone, runs=3, clock=wall
            )
