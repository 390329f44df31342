"""Proving the timing disc by a piston stop: the piston is stopped on both sides of its top, and the disc read at each.

Without gudgeon offset and link rod the top is midway between the two readings; with them it is not (the piston comes
up and goes down unlike), and the place is solved from the piston's own travel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from quillwise.kinematics.angles import wrapped
from quillwise.kinematics.budget import COVERAGE_FACTOR
from quillwise.kinematics.errors import RequestError, unknown
from quillwise.kinematics.model import Cylinder, Engine
from quillwise.kinematics.motion import piston_drop_mm

_LEAST_DEG, _MOST_DEG = 2.0, 300.0
_SURE_MM = 1e-6


@dataclass(frozen=True, kw_only=True, slots=True)
class Proof:
    """What two stop readings prove [crank degrees].

    ``tdc_reads_deg``: what the disc reads at the cylinder's own top; ``midway_deg``: midway between the readings, and
    ``top_from_midway_deg``: how far after it the own top comes; ``correction_deg``: add it to every reading (or move
    the pointer against it); ``before_deg``, ``after_deg``: the stop's places from the own top; ``stop_mm``: how far
    below its top the piston was stopped; ``uncertainty_deg``: expanded, k = 2, of the correction.
    """

    cylinder: str
    tdc_reads_deg: float
    midway_deg: float
    top_from_midway_deg: float
    correction_deg: float
    before_deg: float
    after_deg: float
    stop_mm: float
    uncertainty_deg: float


def prove(engine: Engine, cylinder: str, first_deg: float, second_deg: float, ring_deg: float | None = None) -> Proof:
    """The proof from the disc's readings, first before and then after the top in the running direction. ring_deg: how
    far a reading may be off, either way; None: as the data say.

    Raises RequestError when the cylinder does not exist, or when the readings lie nearer or farther apart than a
    piston stop can make them.
    """
    if cylinder not in engine.cylinders:
        raise RequestError(unknown("cylinder", cylinder, engine.cylinders))
    if not (math.isfinite(first_deg) and math.isfinite(second_deg)):
        raise RequestError("the two stop readings must be numbers of degrees")
    own = engine.cylinders[cylinder]
    apart = (second_deg - first_deg) % 360.0
    if not _LEAST_DEG <= apart <= _MOST_DEG:
        raise RequestError(
            f"the readings {first_deg:g}° and {second_deg:g}° stand {apart:g}° apart in the running direction; a stop "
            f"that is met before and after the top gives {_LEAST_DEG:g}° to {_MOST_DEG:g}°. Give the reading before "
            "the top first"
        )
    before = _before(engine, own, apart)
    tdc = first_deg - before
    half = engine.sheet.tools.ring_deg if ring_deg is None else ring_deg
    return Proof(
        cylinder=cylinder,
        tdc_reads_deg=tdc % 360.0,
        midway_deg=(first_deg + apart / 2) % 360.0,
        top_from_midway_deg=-before - apart / 2,
        correction_deg=-float(wrapped(tdc - own.firing_deg, 360.0)),
        before_deg=before,
        after_deg=before + apart,
        stop_mm=float(piston_drop_mm(engine, own, before)),
        # both readings count by half, each rectangular
        uncertainty_deg=COVERAGE_FACTOR * half / math.sqrt(3.0) / math.sqrt(2.0),
    )


def _before(engine: Engine, cylinder: Cylinder, apart_deg: float) -> float:
    """The own angle before the top, < 0, from which the piston stands as high again ``apart_deg`` later."""

    def higher(angle_deg: float) -> float:
        before = float(piston_drop_mm(engine, cylinder, angle_deg))
        return before - float(piston_drop_mm(engine, cylinder, angle_deg + apart_deg))

    from scipy.optimize import brentq  # loads much: only where it is used

    if abs(higher(-apart_deg / 2)) < _SURE_MM:
        return -apart_deg / 2
    return float(brentq(higher, -apart_deg, 0.0, xtol=1e-9))
