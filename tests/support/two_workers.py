"""A dask cluster of two workers on this machine: prints its address, and ends when its standard input does."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def two_workers() -> Iterator[str]:
    """The address of such a cluster, in a process of its own."""
    command = [sys.executable, __file__]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        yield process.stdout.readline().strip()
        process.communicate(timeout=60)


def main() -> None:
    """Start it and wait."""
    from distributed import LocalCluster

    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=50) as cluster:  # type: ignore[no-untyped-call]
        print(cluster.scheduler_address, flush=True)
        sys.stdin.read()


if __name__ == "__main__":
    main()
