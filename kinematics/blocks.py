"""Poses of very many crank angles, a block at a time: the memory is that of two blocks, however many there are."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

import numpy as np
from numpy.typing import ArrayLike

from quillwise.kinematics.angles import Floats, array
from quillwise.kinematics.assembly import Assembly
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import Rig

BLOCK = 4096  # angles: a few tens of megabytes for an engine of twelve cylinders


def pose_blocks(
    engine: Engine,
    rig: Rig,
    assembly: Assembly,
    crank_deg: ArrayLike,
    parts: Iterable[Part] | None = None,
    *,
    free: Mapping[str, ArrayLike] | None = None,
    most: int = BLOCK,
) -> Iterator[tuple[slice, dict[Part, Floats]]]:
    """Blocks of at most ``most`` angles in their order: which they are, and the poses at them as ``poses`` gives them,
    ``world_from_part`` (n, 4, 4) [mm].

    crank_deg: θ [deg, (N,)], which may be a file mapped into memory; ``free``: as of ``motion``, scalars or (N,).
    While the next block is made the last one still stands: the memory is that of two. Raises ValueError for blocks of
    no angle.
    """
    if most < 1:
        raise ValueError(f"a block has at least 1 angle, got {most}")
    theta = array(crank_deg)
    wanted = None if parts is None else tuple(parts)
    loose = {name: np.broadcast_to(np.asarray(value, dtype=float), theta.shape) for name, value in (free or {}).items()}
    for start in range(0, len(theta), most):
        part = slice(start, min(start + most, len(theta)))
        state = motion(engine, assembly, theta[part], {name: value[part] for name, value in loose.items()})
        yield part, poses(rig, state, wanted)
