"""Gear meshes: sense of rotation, tooth phase and hunting repeat, all from where the two pitch surfaces touch.

A mesh is two wheels whose *pitch point* has one velocity. Nothing here asks whether a mesh is spur, internal or
bevel: axes, points and pitch point say it.
"""

from __future__ import annotations

from fractions import Fraction
from math import lcm

import numpy as np

from quillwise.kinematics.angles import Floats

Vec3 = tuple[float, float, float]


def _tangent(axis: Vec3, point: Vec3, pitch_point: Vec3) -> Floats:
    """Unit direction in which the pitch point moves when the wheel turns + about its axis. Shape (3,)."""
    moved = np.cross(np.asarray(axis), np.subtract(pitch_point, point))
    return np.asarray(moved / np.linalg.norm(moved))


def senses_agree(
    driving_axis: Vec3, driving_point: Vec3, driven_axis: Vec3, driven_point: Vec3, pitch_point: Vec3
) -> int:
    """+1 if a + turn of the driving wheel gives a + turn of the driven one, else −1.

    Axes are unit vectors, points lie on them [mm, world]. From the rule that the pitch point has one velocity:
    ω₁ r₁ t₁ = ω₂ r₂ t₂.
    """
    along = float(
        np.dot(
            _tangent(driving_axis, driving_point, pitch_point),
            _tangent(driven_axis, driven_point, pitch_point),
        )
    )
    return 1 if along > 0 else -1


def angle_to_deg(axis: Vec3, point: Vec3, zero: Vec3, target: Vec3) -> float:
    """Angle [deg] about ``axis``, from ``zero``, of the direction from the shaft to ``target``."""
    off = np.subtract(target, point)
    across = np.cross(np.asarray(axis), np.asarray(zero))
    return float(np.degrees(np.arctan2(np.dot(off, across), np.dot(off, zero))))


def driven_phase_deg(
    driving_teeth: int,
    driving_phase_deg: float,
    driving_pitch_deg: float,
    driven_teeth: int,
    driven_pitch_deg: float,
    agree: int,
) -> float:
    """Angle of a tooth's centre on the driven wheel so that its teeth stand in the driving wheel's spaces [deg].

    ``driving_pitch_deg`` and ``driven_pitch_deg``: directions of the pitch point in the two shafts' frames, both
    shafts at angle 0. ``agree``: from ``senses_agree``. The result lies in [0, one tooth pitch).

    With u = teeth between a tooth's centre and the pitch point, counted in the shaft's + direction, the driven
    wheel has a space where the driving wheel has a tooth when u₂ = ε (u₁ − ½).
    """
    teeth_past = driving_teeth * (driving_pitch_deg - driving_phase_deg) / 360.0
    wanted = agree * (teeth_past - 0.5)
    return float((driven_pitch_deg - 360.0 * wanted / driven_teeth) % (360.0 / driven_teeth))


def hunting_turns(driving_teeth: int, driven_teeth: int) -> tuple[int, int]:
    """Turns of the driving and of the driven wheel after which the same two teeth meet again: lcm ÷ teeth."""
    together = lcm(driving_teeth, driven_teeth)
    return together // driving_teeth, together // driven_teeth


def crank_turns_to_repeat(turns_per_crank_turn: Fraction, driving_teeth: int, driven_teeth: int) -> int:
    """Whole crank turns after which the same teeth of a pair meet again *and* the crank is back at its mark.

    turns_per_crank_turn: of the driving wheel's shaft (sign ignored).
    """
    per_meeting = Fraction(hunting_turns(driving_teeth, driven_teeth)[0]) / abs(turns_per_crank_turn)
    return per_meeting.numerator


def cone_deg(teeth: int, mating_teeth: int) -> float:
    """Pitch-cone half angle of a straight bevel whose shafts cross at 90° [deg]: atan(N / N_mate)."""
    return float(np.degrees(np.arctan2(teeth, mating_teeth)))


def tip_cone_deg(teeth: int, mating_teeth: int) -> float:
    """Half angle of the cone over the tooth tips of a bevel with addendum of one module [deg].

    The cone distance is R = ½ m √(N² + N_mate²), so the addendum adds atan(m / R).
    """
    return cone_deg(teeth, mating_teeth) + float(np.degrees(np.arctan2(2.0, np.hypot(teeth, mating_teeth))))
