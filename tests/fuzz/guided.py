"""Wrong files that are grown towards lines of the reader that no file has reached yet, by atheris.

python tests/fuzz/guided.py --seconds 600

What atheris makes up are the choices of the mutations, not the text of a file: nearly every file is TOML, and many get
past the reader. Its own options may follow (``-seed=3``, ``-max_len=2000``). The first file that is neither taken nor
refused in plain sentences ends the run; its choices are left in the folder where it was started, as ``crash-…``.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path
from random import Random

import atheris

os.environ["OPENBLAS_NUM_THREADS"] = "1"  # a second thread that waits counts as work
sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "support"))

with atheris.instrument_imports(include=["quillwise.scenes", "quillwise.kinematics", "tomllib"]):
    import trial

SECONDS = 4  # every line that is counted takes longer: twice what a file has otherwise
MEMORY_MB = 2500  # atheris itself grows by some hundred MB in a thousand files; run.py holds the reader to 500


class Choices(Random):
    """Random numbers that are read from bytes; nought when there are no more."""

    def __init__(self, data: bytes) -> None:
        super().__init__(0)
        self.data = data
        self.at = 0

    def getrandbits(self, k: int) -> int:
        """The next k bits, of whole bytes."""
        count = (k + 7) // 8
        taken = self.data[self.at : self.at + count]
        self.at += count
        return int.from_bytes(taken, "little") & ((1 << k) - 1)

    def random(self) -> float:
        """Of the next two bytes: from 0 to 1, 1 left out."""
        return self.getrandbits(16) / 65536


def main() -> None:
    """Runs it until it is stopped or the time is over."""
    given = list(sys.argv)
    if "--seconds" in given:
        at = given.index("--seconds")
        given[at : at + 2] = [f"-max_total_time={int(given[at + 1])}"]
    trial.warm()
    with tempfile.TemporaryDirectory() as work:

        def one(data: bytes) -> None:
            with trial.time_limit(SECONDS):
                trial.judged(trial.case(Choices(data)), Path(work))

        atheris.Setup([*given, f"-rss_limit_mb={MEMORY_MB}", "-max_len=2000", "-len_control=20"], one)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
