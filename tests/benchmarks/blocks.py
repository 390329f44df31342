"""Memory of a million angles, a block at a time: the most that a process ever held, by what it held for ten blocks."""

from __future__ import annotations

from collections.abc import Iterator

from stopwatch import Figure, Python

from quillwise.kinematics.assembly import intended
from quillwise.kinematics.blocks import BLOCK
from quillwise.kinematics.motion import motion
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import rig
from quillwise.scenes.library import engine as packaged

MILLION = 1_000_000
_PROCESS = """
import resource, sys
import numpy as np
from quillwise.kinematics.assembly import intended
from quillwise.kinematics.blocks import pose_blocks
from quillwise.kinematics.rig import rig
from quillwise.scenes.library import engine
one = engine("larkfell-port")
angles = np.linspace(0.0, 720.0, int(sys.argv[1]))
for which, placed in pose_blocks(one, rig(one), intended(one), angles):
    pass
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def figures() -> Iterator[Figure]:
    """The demonstration; beside it what all poses at once would take."""
    with Python() as python:
        few, many = (int(python.run("-c", _PROCESS, str(count))) / 1024 for count in (10 * BLOCK, MILLION))
    engine = packaged("larkfell-port")
    a_thousand = poses(rig(engine), motion(engine, intended(engine), [0.0] * 1000))
    at_once = a_thousand[next(iter(a_thousand))].base
    assert at_once is not None
    yield Figure(
        name=f"memory of 10⁶ angles by blocks: {many:.0f} MB",
        reference=f"of {10 * BLOCK:,} angles: {few:.0f} MB",
        ratio=many / few,
        most=1.1,
    )
    whole = at_once.nbytes * MILLION / 1000 / 1024**2
    yield Figure(name=f"  the same {many:.0f} MB", reference=f"all at once: {whole:,.0f} MB", ratio=many / whole)
