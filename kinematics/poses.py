"""The poses of parts from a rig and a state, as 4×4 matrices.

``world_from_part @ p_part``: adjacent names cancel. Angles in degrees, + by the right hand about the axis. One small
matrix product a part, written straight into the result: see ``joints.Terms``.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from quillwise.kinematics.angles import Floats
from quillwise.kinematics.joints import Wave
from quillwise.kinematics.parts import Part
from quillwise.kinematics.rig import Rig

Product = tuple[tuple[Wave, ...], ...]

_AT_REST: Product = ((),)  # of a chain without joints: one wave, which is 1 throughout

# From here on a second core gains: the time goes into new memory, which both can fetch.
_SHARED_WORK = 2_000_000


def poses(rig: Rig, state: Mapping[str, Floats], parts: Iterable[Part] | None = None) -> dict[Part, Floats]:
    """World pose of each part, ``world_from_part``, shape (N, 4, 4), mm. ``state``: coordinate → (N,) [deg, mm].

    ``parts``: only these (all when left out). All poses lie in one array, chain after chain; parts on one share.
    Raises KeyError for a part that the rig has not, or a coordinate that the state has not.
    """
    count = len(next(iter(state.values())))
    wanted = rig.terms if parts is None else {part: rig.terms[part] for part in parts}
    groups: dict[Product, dict[int, Floats]] = {}
    for terms in wanted.values():
        groups.setdefault(terms.waves, {})[id(terms)] = terms.matrices
    # places in the order in which they are written: new memory comes in large pages, each fetched once
    places = {chain: place for place, chain in enumerate(chain for chains in groups.values() for chain in chains)}
    made = np.empty((len(places), count, 4, 4))
    out = made.reshape(len(places), count, 16)
    work = [(waves, [(places[chain], each) for chain, each in chains.items()]) for waves, chains in groups.items()]
    if made.size > _SHARED_WORK and (os.cpu_count() or 1) > 1:
        middle = len(work) // 2
        with ThreadPoolExecutor(1) as other:
            half = other.submit(_fill, out, work[:middle], state)
            _fill(out, work[middle:], state)
            half.result()
    else:
        _fill(out, work, state)
    return {part: made[places[id(terms)]] for part, terms in wanted.items()}


def _fill(out: Floats, work: Sequence[tuple[Product, list[tuple[int, Floats]]]], state: Mapping[str, Floats]) -> None:
    """Writes poses into (chain, N, 16): for each set of waves, the chains that ride on it. One small buffer serves all
    sets, so that it stays in the cache."""
    count = out.shape[1]
    rows = np.empty((max((len(waves) for waves, _ in work), default=0), count))
    for waves, chains in work:
        single: dict[Wave, Floats] = {}
        for row, product in zip(rows, waves, strict=False):
            row[:] = _wave(product[0], state, single) if product else 1.0
            for wave in product[1:]:
                row *= _wave(wave, state, single)
        for place, matrices in chains:
            if waves == _AT_REST:
                out[place] = matrices  # a product with a single row would not go to the fast routine
            else:
                np.matmul(rows[: len(waves)].T, matrices, out=out[place])


def _wave(wave: Wave, state: Mapping[str, Floats], single: dict[Wave, Floats]) -> Floats:
    """A wave's values (N,)."""
    if wave not in single:
        coordinate, ratio, which = wave
        if which == "q":
            single[wave] = ratio * state[coordinate]
        else:
            # cosine and sine from one tangent of half the angle: numpy's tangent is six times as fast as its sine
            tangent = state[coordinate] * (ratio * np.pi / 360.0)
            np.tan(tangent, out=tangent)
            sine = tangent * tangent
            share = sine + 1.0
            np.divide(2.0, share, out=share)
            np.multiply(tangent, share, out=sine)
            np.subtract(share, 1.0, out=share)
            single[coordinate, ratio, "cos"] = share
            single[coordinate, ratio, "sin"] = sine
    return single[wave]


def points_in_world(world_from_part: Floats, p_part: Floats) -> Floats:
    """Points (M, 3) of a part in the world, for poses (N, 4, 4): shape (N, M, 3)."""
    return np.asarray(np.einsum("nij,mj->nmi", world_from_part[:, :3, :3], p_part) + world_from_part[:, None, :3, 3])
