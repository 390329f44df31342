"""A dask cluster of two workers on this machine: prints its address, and ends when its standard input does."""

from __future__ import annotations

import sys


def main() -> None:
    """Start it and wait."""
    from distributed import LocalCluster

    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=50) as cluster:  # type: ignore[no-untyped-call]
        print(cluster.scheduler_address, flush=True)
        sys.stdin.read()


if __name__ == "__main__":
    main()
