"""Many wrong files, each read whole: what the reader does with files that nobody would have thought of.

python tests/fuzz/run.py --count 200000 --seed 1

Every file gets two seconds of the processor and the process 500 MB. A file that is neither taken nor
refused in plain sentences is kept in the folder given by --keep, and the run ends with exit code 1.
"""

from __future__ import annotations

import argparse
import os
import resource
import sys
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path
from random import Random

os.environ["OPENBLAS_NUM_THREADS"] = "1"  # a second thread that waits counts as work
sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "support"))

import trial

MEMORY_MB = 500
SECONDS = 2


def main() -> int:
    """Runs it; 1 when some file was neither taken nor refused."""
    options = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    options.add_argument("--count", type=int, default=200_000)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--keep", type=Path, default=None, help="folder for the files that broke it")
    options.add_argument("--seconds", type=float, default=float("inf"), help="stop after so many")
    given = options.parse_args()
    trial.warm()
    ends: Counter[str] = Counter()
    slowest, begun, broken = 0.0, time.monotonic(), 0
    with tempfile.TemporaryDirectory() as work:
        for number in range(given.count):
            if time.monotonic() - begun > given.seconds:
                break
            case = trial.case(Random(f"{given.seed}:{number}"))
            start = time.process_time()
            try:
                with trial.time_limit(SECONDS):
                    ends[f"{case.kind}: {trial.judged(case, Path(work))}"] += 1
            except Exception:  # anything at all is what is looked for
                broken += 1
                print(f"{given.seed}:{number} {case.told}\n{traceback.format_exc(limit=-6)}", flush=True)
                if given.keep:
                    case.write(given.keep / f"{given.seed}-{number}")
            slowest = max(slowest, time.process_time() - start)
    memory_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{sum(ends.values()) + broken} files in {time.monotonic() - begun:.0f} s, {broken} broke it")
    for words, count in sorted(ends.items()):
        print(f"{count:8d}  {words}")
    print(f"slowest {slowest:.2f} s, memory at its most {memory_mb:.0f} MB of {MEMORY_MB}")
    return int(broken > 0 or memory_mb > MEMORY_MB)


if __name__ == "__main__":
    sys.exit(main())
