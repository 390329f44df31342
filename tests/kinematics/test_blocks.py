"""Poses by blocks: the same numbers as all at once, in the memory of two blocks."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest

from quillwise.kinematics.assembly import intended, open_at
from quillwise.kinematics.blocks import pose_blocks
from quillwise.kinematics.motion import motion
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import rig
from quillwise.scenes.library import engine, names


@pytest.mark.parametrize("name", names())
@pytest.mark.parametrize("most", (7, 500))
def test_blocks_are_the_poses_of_all_angles(name: str, most: int) -> None:
    one = engine(name)
    coupling = next(iter(one.couplings))
    assembly = open_at(intended(one), coupling, 0.0)
    theta, free = np.linspace(-30.0, 720.0, 41), {one.couplings[coupling].driven: np.linspace(0.0, 40.0, 41)}
    whole = poses(rig(one), motion(one, assembly, theta, free))
    seen = np.zeros(41, dtype=int)
    for which, block in pose_blocks(one, rig(one), assembly, theta, free=free, most=most):
        seen[which] += 1
        assert which.stop - which.start <= most
        assert block.keys() == whole.keys()
        # a matrix product rounds otherwise in the last place for another number of rows
        assert all(np.allclose(block[part], whole[part][which], rtol=0, atol=1e-9) for part in whole)
    assert np.all(seen == 1)


def test_the_memory_does_not_grow_with_the_angles() -> None:
    one = engine("slipway-six")
    frame, assembly = rig(one), intended(one)

    def most_bytes(count: int) -> int:
        theta = np.linspace(0.0, 720.0, count)
        tracemalloc.start()
        for _ in pose_blocks(one, frame, assembly, theta, most=256):
            pass
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return peak

    assert most_bytes(8192) < 1.2 * most_bytes(512)


def test_a_block_of_nothing_is_refused() -> None:
    one = engine("slipway-six")
    with pytest.raises(ValueError, match="at least 1 angle, got 0"):
        next(pose_blocks(one, rig(one), intended(one), [0.0], most=0))
