"""The feeler between a magneto's points: how the close-up of their gap shows what it is set with.

Its blade lies on the fixed point's face, in the frame of the breaker, from the middle of the face outwards: the lever,
whose turn is drawn larger than it is, leans over the other half.
"""

from __future__ import annotations

import numpy as np
import trimesh

from quillwise.kinematics.angles import Floats
from quillwise.kinematics.lengths import length
from quillwise.kinematics.model import Engine
from quillwise.kinematics.parts import Kind, Part
from quillwise.meshes.solids import shifted, together

# Of the bore: width of the blade, what of it stands out beside the points, its holder's length and height; the place of
# its words, outwards from the middle of the points and above the lever's, and how high they reach.
_BLADE, _BESIDE, _HOLDER, _HOLDER_HIGH = 0.05, 0.055, 0.05, 0.05
_NAMED_OUT, _NAMED_HIGH, _ABOVE = 0.08, 0.09, 0.12


def part(magneto: str) -> Part:
    """The feeler between a magneto's points."""
    return Part(Kind.FEELER, f"points {magneto}")


def body(engine: Engine, magneto: str, factor: float) -> trimesh.Trimesh:
    """Blade and holder in the frame of the fixed point. factor: by how much the gap is drawn larger; so is the blade,
    which is as thick as the gap that the points are set to."""
    bore, (x_mm, y_mm) = engine.sheet.crank.bore_mm, _face_mm(engine, magneto)
    thick = factor * engine.magnetos[magneto].data.points_gap_mm
    out, end = _BESIDE * bore, (_BESIDE + _HOLDER) * bore
    blade = trimesh.creation.box((thick, out, _BLADE * bore))
    holder = trimesh.creation.box((thick + _HOLDER_HIGH * bore / 2, end - out, 1.2 * _BLADE * bore))
    middle = x_mm + thick / 2
    return together(
        shifted(blade, (middle, y_mm + out / 2, 0.0)), shifted(holder, (middle, y_mm + (out + end) / 2, 0.0))
    )


def named_at_mm(engine: Engine, magneto: str, factor: float) -> Floats:
    """Where its words stand, (3,) in the frame of the fixed point [mm]: above its holder and the end of the lever.
    factor: by how much the gap is drawn larger."""
    bore, (x_mm, y_mm) = engine.sheet.crank.bore_mm, _face_mm(engine, magneto)
    high = factor * engine.magnetos[magneto].data.points_gap_mm + _NAMED_HIGH * bore
    return np.array([x_mm + high, y_mm + _NAMED_OUT * bore, 0.0])


def corners_mm(engine: Engine, magneto: str, factor: float) -> Floats:
    """How far it and its words reach, (1, 3) in the frame of the fixed point [mm]. factor: as for the words."""
    bore, (x_mm, y_mm) = engine.sheet.crank.bore_mm, _face_mm(engine, magneto)
    high = factor * engine.magnetos[magneto].data.points_gap_mm + _ABOVE * bore
    return np.array([[x_mm + high, y_mm + (_BESIDE + _HOLDER) * bore, 0.0]])


def words(engine: Engine, magneto: str) -> str:
    """The feeler by its thickness, and how it stands, in two lines. Common practice, no source: a gap is right where a
    clean blade slides with a light drag."""
    return f"feeler {length(engine.magnetos[magneto].data.points_gap_mm, engine.sheet.length_unit)}\nlight drag"


def _face_mm(engine: Engine, magneto: str) -> tuple[float, float]:
    """The middle of the fixed point's face, which looks along x, in its frame [mm]; + y goes away from the lever."""
    own = engine.magnetos[magneto]
    x_mm, y_mm = own.lever_pivot_mm
    return x_mm, y_mm + own.contact_arm_mm
