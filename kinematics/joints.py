"""Frames and joints of one degree, the chains that parts hang on, and what a chain comes to.

A turn is still + cos·C + sin·S, a slide or a stretch is still + q·Q; so the pose of any chain is a sum of constant
matrices, each times a product of those few waves. The constants are multiplied once, when the rig is built.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from quillwise.kinematics.angles import Floats
from quillwise.kinematics.gears import Vec3

_X: Vec3 = (1.0, 0.0, 0.0)
_Z: Vec3 = (0.0, 0.0, 1.0)


@dataclass(frozen=True, slots=True, eq=False)
class Fixed:
    """A frame that does not move in the one before it: (4, 4), read-only, mm."""

    matrix: Floats


@dataclass(frozen=True, kw_only=True, slots=True)
class Joint:
    """A joint: turns about or slides along ``axis`` (unit, in the frame reached so far) by ratio × coordinate, or
    stretches what is in the frame along it to 1 + ratio × coordinate of its length, the origin staying."""

    kind: Literal["turn", "slide", "stretch"]
    axis: Vec3
    coordinate: str
    ratio: float = 1.0


Chain = tuple[Fixed | Joint, ...]
Wave = tuple[str, float, Literal["cos", "sin", "q"]]


@dataclass(frozen=True, slots=True, eq=False)
class Terms:
    """A chain multiplied out: the sum of ``matrices`` (K, 16), each times its product of waves.

    waves: K products of (coordinate, ratio, which); the empty one is 1.
    """

    waves: tuple[tuple[Wave, ...], ...]
    matrices: Floats


def fixed(x_axis: object, y_axis: object, z_axis: object, origin: object) -> Fixed:
    """A fixed frame from its axes (unit, right-handed) and origin [mm] in the frame before."""
    matrix = np.eye(4)
    matrix[:3, :3] = np.stack([np.asarray(a, dtype=float) for a in (x_axis, y_axis, z_axis)], axis=1)
    matrix[:3, 3] = np.asarray(origin, dtype=float)
    matrix.setflags(write=False)
    return Fixed(matrix)


def moved(x_mm: float = 0.0, y_mm: float = 0.0, z_mm: float = 0.0) -> Fixed:
    """A frame moved without a turn."""
    return fixed(_X, (0.0, 1.0, 0.0), _Z, (x_mm, y_mm, z_mm))


def terms(chain: Chain) -> Terms:
    """A chain multiplied out. Waves of which nothing is left are left out."""
    names: list[tuple[Wave, ...]] = [()]
    sums = [np.eye(4)]
    for element in chain:
        if isinstance(element, Fixed):
            sums = [each @ element.matrix for each in sums]
            continue
        coordinate, ratio = element.coordinate, element.ratio
        parts: list[tuple[tuple[Wave, ...], Floats]]
        if element.kind == "turn":
            still, cosine, sine = turn_terms(element.axis)
            parts = [((), still), (((coordinate, ratio, "cos"),), cosine), (((coordinate, ratio, "sin"),), sine)]
        else:
            rate = np.zeros((4, 4))
            if element.kind == "slide":
                rate[:3, 3] = element.axis
            else:
                rate[:3, :3] = np.outer(element.axis, element.axis)
            parts = [((), np.eye(4)), (((coordinate, ratio, "q"),), rate)]
        both = [(a + b, x @ y) for a, x in zip(names, sums, strict=True) for b, y in parts]
        # a slide followed by a turn gives matrices of noughts
        both = [(name, each) for name, each in both if np.any(each)]
        names, sums = [name for name, _ in both], [each for _, each in both]
    matrices = np.stack(sums).reshape(-1, 16)
    matrices.setflags(write=False)
    return Terms(tuple(names), matrices)


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
