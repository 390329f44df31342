"""Frames as 4×4 matrices, and the poses of parts from a rig and a state.

``world_from_part @ p_part``: adjacent names cancel. Angles in degrees, + by the right hand about the axis.

A turn is still + cos·C + sin·S, a slide is still + q·Q; so the pose of any chain of joints is a sum of constant
matrices, each times a product of those few waves: one small matrix product a part, written straight into the result.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np

from quillwise.kinematics.angles import Floats
from quillwise.kinematics.gears import Vec3
from quillwise.kinematics.parts import Part
from quillwise.kinematics.rig import Chain, Fixed, Joint, Rig

_Wave = tuple[Joint, str]


def poses(rig: Rig, state: Mapping[str, Floats], parts: Iterable[Part] | None = None) -> dict[Part, Floats]:
    """World pose of each part, ``world_from_part``, shape (N, 4, 4), mm. ``state``: coordinate → (N,).

    ``parts``: only these (all when left out). All poses lie in one array, part after part; parts on one chain share.
    """
    count = len(next(iter(state.values())))
    wanted = rig.chains if parts is None else {part: rig.chains[part] for part in parts}
    distinct: dict[int, int] = {}
    for chain in wanted.values():
        distinct.setdefault(id(chain), len(distinct))
    made = np.empty((len(distinct), count, 4, 4))
    waves: dict[tuple[tuple[_Wave, ...], ...], Floats] = {}
    done: set[int] = set()
    for chain in wanted.values():
        if id(chain) in done:
            continue
        done.add(id(chain))
        names, terms = _terms(chain)
        if names not in waves:
            waves[names] = np.stack([_product(name, state, count) for name in names], axis=1)
        np.matmul(waves[names], terms.reshape(-1, 16), out=made[distinct[id(chain)]].reshape(count, 16))
    return {part: made[distinct[id(chain)]] for part, chain in wanted.items()}


def _terms(chain: Chain) -> tuple[tuple[tuple[_Wave, ...], ...], Floats]:
    """The waves of a chain, each a product of single ones, and the constant matrix (K, 4, 4) of each."""
    names: list[tuple[_Wave, ...]] = [()]
    terms = [np.eye(4)]
    for element in chain:
        if isinstance(element, Fixed):
            terms = [term @ element.matrix for term in terms]
            continue
        parts: list[tuple[tuple[_Wave, ...], Floats]]
        if element.kind == "turn":
            still, cosine, sine = turn_terms(element.axis)
            parts = [((), still), (((element, "cos"),), cosine), (((element, "sin"),), sine)]
        else:
            slide = np.zeros((4, 4))
            slide[:3, 3] = np.asarray(element.axis) * element.ratio
            parts = [((), np.eye(4)), (((element, "q"),), slide)]
        both = [(a + b, x @ y) for a, x in zip(names, terms, strict=True) for b, y in parts]
        # a slide followed by a turn gives matrices of noughts: they are left out
        both = [(name, term) for name, term in both if np.any(term)]
        names, terms = [name for name, _ in both], [term for _, term in both]
    return tuple(names), np.stack(terms)


def _product(name: tuple[_Wave, ...], state: Mapping[str, Floats], count: int) -> Floats:
    """The values (N,) of one product of waves."""
    value = np.ones(count)
    for joint, kind in name:
        q = state[joint.coordinate]
        if kind == "q":
            value = value * q
        else:
            turn = np.radians(q * joint.ratio)
            value = value * (np.cos(turn) if kind == "cos" else np.sin(turn))
    return value


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
    return np.asarray(np.einsum("nij,mj->nmi", world_from_part[:, :3, :3], p_part) + world_from_part[:, None, :3, 3])
