"""Times as ratios: a figure and its reference, measured in turns in one run, the least of each.

Processor time, all threads together, wherever the work allows it: on a shared machine the clock on the wall also
counts the work of others.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

Work = Callable[[], object]


@dataclass(frozen=True, kw_only=True, slots=True)
class Figure:
    """A row of the table. ratio: what was found; most: the target, None where there is none; took, reference_took:
    of one call [s], None where the figure is no time; remark: what the table says below it."""

    name: str
    reference: str
    ratio: float
    most: float | None = None
    took: float | None = None
    reference_took: float | None = None
    remark: str = ""

    @property
    def met(self) -> bool | None:
        """Whether the target is met."""
        return None if self.most is None else self.ratio <= self.most


def processor(work: Work) -> float:
    """Processor time of one call, all threads of this process [s]."""
    start = time.process_time()
    work()
    return time.process_time() - start


def wall(work: Work) -> float:
    """Time of one call by the clock [s]."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def children(work: Work) -> float:
    """Processor time of the processes that one call starts and waits for [s]."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    work()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def best(work: Work, runs: int = 5, clock: Callable[[Work], float] = processor) -> float:
    """Least time of one call [s]."""
    return min(clock(work) for _ in range(runs))


def compared(
    name: str,
    work: Work,
    reference: str,
    other: Work,
    most: float | None = None,
    *,
    times: float = 1.0,
    runs: int = 7,
    clock: Callable[[Work], float] = processor,
    remark: str = "",
) -> Figure:
    """The least time of ``work`` by that of ``other`` taken ``times`` over, run in turns."""
    mine, theirs = [], []
    for _ in range(runs):
        theirs.append(clock(other))
        mine.append(clock(work))
    reference_took = min(theirs) * times
    return Figure(
        name=name,
        reference=reference,
        ratio=min(mine) / reference_took,
        most=most,
        took=min(mine),
        reference_took=reference_took,
        remark=remark,
    )


class Python:
    """Python processes that find their modules compiled, as those of an installed program are."""

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="quillwise-benchmark-")
        # what drew in this process before has written down its window: a child looks for one itself
        not_ours = ("PYTHONDONTWRITEBYTECODE", "VTK_DEFAULT_OPENGL_WINDOW")
        kept = {name: value for name, value in os.environ.items() if name not in not_ours}
        self.environment = {**kept, "PYTHONPYCACHEPREFIX": self._folder.name}
        self.folder = Path(self._folder.name)

    def run(self, *arguments: str, environment: dict[str, str] | None = None) -> str:
        """Runs it to its end and returns what it prints. Raises CalledProcessError when it fails."""
        done = subprocess.run(
            [sys.executable, *arguments],
            check=True,
            capture_output=True,
            text=True,
            cwd=self.folder,
            env=self.environment | (environment or {}),
        )
        return done.stdout

    def work(self, *arguments: str) -> Work:
        """One call, run once beforehand so that its modules are compiled."""
        self.run(*arguments)
        return lambda: self.run(*arguments)

    def close(self) -> None:
        """Takes the compiled modules away."""
        self._folder.cleanup()

    def __enter__(self) -> Python:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def slope(sizes: Sequence[float], times: Sequence[float]) -> float:
    """The slope of a straight line through the points on a log-log plot, by least squares: 1 is linear growth."""
    import numpy as np

    return float(np.polyfit(np.log(sizes), np.log(times), 1)[0])
