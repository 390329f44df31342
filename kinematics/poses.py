"""Frames as 4×4 matrices, and the poses of parts from a rig and a state.

``world_from_part @ p_part``: adjacent names cancel. Angles in degrees, + by the right hand about the axis.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np

from quillwise.kinematics.angles import Floats
from quillwise.kinematics.gears import Vec3
from quillwise.kinematics.parts import Part
from quillwise.kinematics.rig import Fixed, Joint, Rig


def poses(rig: Rig, state: Mapping[str, Floats], parts: Iterable[Part] | None = None) -> dict[Part, Floats]:
    """World pose of each part, ``world_from_part``, shape (N, 4, 4), mm. ``state``: coordinate → (N,).

    ``parts``: only these (all when left out).
    """
    count = len(next(iter(state.values())))
    wanted = rig.chains if parts is None else {part: rig.chains[part] for part in parts}
    cosines: dict[tuple[str, float], Floats] = {}
    made: dict[int, Floats] = {}
    result = {}
    for part, chain in wanted.items():
        key = id(chain)
        if key not in made:
            made[key] = _chain_pose(chain, state, count, cosines)
        result[part] = made[key]
    return result


def _chain_pose(
    chain: tuple[Fixed | Joint, ...],
    state: Mapping[str, Floats],
    count: int,
    waves: dict[tuple[str, float], Floats],
) -> Floats:
    """Product of the chain. Kept as one constant matrix until the first joint, so that most parts cost one product."""
    constant = np.eye(4)
    pose: Floats | None = None
    for element in chain:
        if isinstance(element, Fixed):
            if pose is None:
                constant = constant @ element.matrix
            else:
                pose = pose @ element.matrix
            continue
        value = state[element.coordinate]
        if element.kind == "turn":
            key = (element.coordinate, element.ratio)
            if key not in waves:
                turn = np.radians(value * element.ratio)
                waves[key] = np.stack([np.ones(count), np.cos(turn), np.sin(turn)], axis=1)
            before = constant if pose is None else None
            still, cosine, sine = turn_terms(element.axis)
            if before is not None:
                terms = np.stack([before @ still, before @ cosine, before @ sine]).reshape(3, 16)
                pose = (waves[key] @ terms).reshape(count, 4, 4)
            else:
                assert pose is not None
                terms = np.stack([still, cosine, sine]).reshape(3, 16)
                pose = pose @ (waves[key] @ terms).reshape(count, 4, 4)
        else:
            slide = np.broadcast_to(np.eye(4), (count, 4, 4)).copy()
            slide[:, :3, 3] = (value * element.ratio)[:, None] * np.asarray(element.axis)
            pose = (constant if pose is None else pose) @ slide
    if pose is None:
        return np.broadcast_to(constant, (count, 4, 4))
    return np.asarray(pose)


def turn_terms(axis: Vec3) -> tuple[Floats, Floats, Floats]:
    """A rotation about ``axis`` is still + cos·C + sin·S: the three (4, 4) terms (Rodrigues' formula)."""
    x, y, z = axis
    still, cosine, sine = np.zeros((4, 4)), np.zeros((4, 4)), np.zeros((4, 4))
    outer = np.outer(axis, axis)
    still[:3, :3] = outer
    still[3, 3] = 1.0
    cosine[:3, :3] = np.eye(3) - outer
    sine[:3, :3] = [[0, -z, y], [z, 0, -x], [-y, x, 0]]
    return still, cosine, sine


def points_in_world(world_from_part: Floats, p_part: Floats) -> Floats:
    """Points (M, 3) of a part in the world, for poses (N, 4, 4): shape (N, M, 3)."""
    return np.asarray(
        np.einsum("nij,mj->nmi", world_from_part[:, :3, :3], p_part) + world_from_part[:, None, :3, 3]
    )
