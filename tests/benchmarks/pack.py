"""What a work-instruction pack costs beside its figures: processor time of ``quillwise sheets`` ÷ the sum of its
figures, each drawn alone.

    python tests/benchmarks/pack.py [ENGINE ...]

Never asserted in the suite: a busy machine would decide. It should stay below 2.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from quillwise.kinematics.sequence import play
from quillwise.scenes import library
from quillwise.viz import sheetdata, sheets

SHOULD_BE = 2.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Cost:
    """Processor seconds, of all threads and children. pack: of the command, from its start to its end."""

    engine: str
    pack_s: float
    figures_s: float
    figures: int

    @property
    def ratio(self) -> float:
        """The pack ÷ its figures."""
        return self.pack_s / self.figures_s


def cost(engine: str) -> Cost:
    """What the pack of an engine costs, and its figures alone."""
    pack_s = _pack_s(engine)
    model = library.engine(engine)
    job = sheetdata.work(model, play(model), library.find(engine))
    begin = time.process_time()
    drawn = sheets.figures(job, sheetdata.Sheet())
    return Cost(engine=engine, pack_s=pack_s, figures_s=time.process_time() - begin, figures=len(drawn))


def _pack_s(engine: str) -> float:
    before = _children_s()
    with TemporaryDirectory() as folder:
        command = ("-m", "quillwise.viz.cli", "--quiet", "sheets", engine, "-o", str(Path(folder) / "pack.pdf"))
        subprocess.run([sys.executable, *command], check=True, stdout=subprocess.DEVNULL)
    return _children_s() - before


def _children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def main(engines: tuple[str, ...] = ()) -> None:
    """Print a line for each engine."""
    for name in engines or library.names():
        found = cost(name)
        print(
            f"{name:20} pack {found.pack_s:7.2f} s   {found.figures} figures {found.figures_s:7.2f} s   "
            f"= {found.ratio:5.2f} (should be below {SHOULD_BE:g})",
            flush=True,
        )


if __name__ == "__main__":
    main(tuple(sys.argv[1:]))
