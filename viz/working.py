"""Long work shared out by joblib: over the cores of this machine, or over the workers of a dask cluster.

A figure does not depend on how many hands there are, nor on which hand draws it: the results are the same.
"""

from __future__ import annotations

import copyreg
import os
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from quillwise.kinematics.errors import RequestError
from quillwise.viz.interrupts import held

if TYPE_CHECKING:
    from quillwise.kinematics.steps import Step
    from quillwise.viz.pictures import Progress
    from quillwise.viz.sheetdata import Figure, Sheet, Work

MOST_JOBS = 64
_LOOK_S = 0.5  # how often a worker looks whether it is still wanted
_ANSWER_S = 20  # how long a scheduler may take to answer


@dataclass(frozen=True, kw_only=True, slots=True)
class Hands:
    """Who does the work. jobs: processes of this machine, 1 for this one alone; cluster: address of a dask scheduler,
    whose workers do it all, empty for none."""

    jobs: int = 1
    cluster: str = ""


def _read_only(values: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    return MappingProxyType(values)


# an engine goes to another process as it is: its read-only mappings are what Python cannot send by itself
copyreg.pickle(MappingProxyType, lambda mapping: (_read_only, (dict(mapping),)))


@contextmanager
def at_work(hands: Hands) -> Iterator[int]:
    """Within it ``joblib.Parallel`` gives its tasks to these hands; yields how many they are.

    Raises RequestError where the cluster does not answer or its workers cannot do the work.
    """
    import joblib

    if hands.cluster:
        with _cluster(hands.cluster) as count:
            yield count
    else:
        if hands.jobs == 1:
            yield 1
            return
        with (
            _cleared_without_a_word(),
            joblib.parallel_config(backend="loky", n_jobs=hands.jobs, initializer=_end_with, initargs=(os.getpid(),)),
        ):
            yield hands.jobs


@contextmanager
def _cleared_without_a_word() -> Iterator[None]:
    """What clears up behind a run that was killed or interrupted warns of what it finds: nobody can act on that."""
    name = "PYTHONWARNINGS"
    before = os.environ.get(name)
    os.environ[name] = ",".join([*([before] if before else []), "ignore:resource_tracker"])
    try:
        yield
    finally:
        if before is None:
            del os.environ[name]
        else:
            os.environ[name] = before


def _end_with(parent: int) -> None:
    """Ends this process soon after the one that it works for: one that was killed cannot say so, and a worker would
    wait minutes for more to do."""

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(_LOOK_S)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


@contextmanager
def _cluster(address: str) -> Iterator[int]:
    import joblib

    try:
        import distributed
    except ImportError as error:
        raise RequestError(
            '--cluster needs the package distributed: pip install "quillwise[cluster]" brings it'
        ) from error
    try:
        connect: Any = distributed.Client
        client = connect(address, timeout=_ANSWER_S)
    except (OSError, ValueError, TimeoutError) as error:
        raise RequestError(f"--cluster: no dask scheduler answers at {address}") from error
    with client:
        count = sum(client.nthreads().values())
        if not count:
            raise RequestError(f"--cluster: the dask scheduler at {address} has no workers")
        try:
            with joblib.parallel_config(backend="dask"):
                yield count
        except ModuleNotFoundError as error:
            raise RequestError(
                f"--cluster: a worker has no {error.name}; each needs the same quillwise as here"
            ) from error


@dataclass(frozen=True, kw_only=True, slots=True)
class _Part:
    """Some of the figures of a pack. steps: indices; none for the picture of the whole engine."""

    job: Work
    sheet: Sheet
    steps: tuple[int, ...]


def pack_figures(
    job: Work, sheet: Sheet, chosen: Sequence[Step] = (), progress: Progress | None = None, hands: Hands | None = None
) -> dict[str, Figure]:
    """As ``sheets.figures``, by many hands: in its order, and the same."""
    from quillwise.viz.sheets import figures

    who = hands or Hands()
    if who == Hands():
        return figures(job, sheet, chosen, progress)
    import joblib

    asked = [step.number - 1 for step in chosen or job.played.steps]
    drawn: dict[str, Figure] = {}
    with at_work(who) as count, ExitStack() as last:
        # a share each, for what is made once a share: the bodies of the parts
        shares = [tuple(asked[first::count]) for first in range(min(count, len(asked)))]
        if not chosen:
            shares.insert(0, ())
        parts = [_Part(job=job, sheet=sheet, steps=share) for share in shares]
        with held():  # an interrupt in the midst of starting workers would leave their semaphores behind
            finished = joblib.Parallel(return_as="generator")(joblib.delayed(_drawn)(part) for part in parts)
            last.callback(finished.close)
        for done in finished:
            drawn |= done
            if progress is not None:
                progress(len(drawn), len(asked) + (not chosen))
    order = [*([] if chosen else [""]), *(job.played.steps[number].key for number in asked)]
    return {key: drawn[key] for key in order}


def _drawn(part: _Part) -> dict[str, Figure]:
    from quillwise.viz.sheets import figures

    if part.steps:
        return figures(part.job, part.sheet, [part.job.played.steps[number] for number in part.steps])
    # of a job without steps the picture of the whole engine alone is drawn
    return figures(replace(part.job, played=replace(part.job.played, steps=())), part.sheet)
