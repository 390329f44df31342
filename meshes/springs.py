"""A valve's coil spring, and the piece of the cylinder head that it stands on: seat, port wall and guide, cut open.

Spring: origin at its foot, x along its axis; it is as long as it is fitted, with the valve shut. Head piece: the frame
of the closed valve, see ``valves``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import trimesh

from quillwise.meshes.solids import Detail, circle_segments, mesh, revolved, skin, z_laid_along_x
from quillwise.meshes.valves import SEAT_ANGLE_DEG, Valve

_END_TURNS = 0.75  # of each end, that lie flat
_CORNERS = {"coarse": (10, 5), "fine": (36, 14)}  # of a turn, and of the wire


@dataclass(frozen=True, kw_only=True, slots=True)
class Spring:
    """A helical spring: ``radius_mm`` to the outside of its coils, ``turns`` in all."""

    length_mm: float
    radius_mm: float
    wire_mm: float
    turns: float = 6.5


@dataclass(frozen=True, kw_only=True, slots=True)
class HeadPiece:
    """What of the cylinder head is shown at a valve. ``wall_mm``: of metal outside of the valve; ``foot_mm``: where the
    spring stands (x, from the tip of the closed valve); ``flange_mm``: radius of what it stands on."""

    wall_mm: float
    guide_wall_mm: float
    foot_mm: float
    flange_mm: float


def spring(part: Spring, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The spring, one closed body. Raises ValueError when its turns do not find room in its length or radius."""
    closed = part.wire_mm * (part.turns + 1)
    if closed > part.length_mm or part.wire_mm >= part.radius_mm:
        raise ValueError(f"{part.turns:g} turns of {part.wire_mm:g} mm wire do not fit in {part.length_mm:g} mm")
    per_turn, sides = _CORNERS[detail]
    turn = np.linspace(0.0, part.turns, round(part.turns * per_turn) + 1)
    # the end turns lie flat, the pitch is even between them
    flat = 1.05 * part.wire_mm * _END_TURNS
    rise = np.interp(
        turn,
        [0.0, _END_TURNS, part.turns - _END_TURNS, part.turns],
        [0.0, flat, part.length_mm - part.wire_mm - flat, part.length_mm - part.wire_mm],
    )
    mean, half = part.radius_mm - part.wire_mm / 2, part.wire_mm / 2
    angle, around = 2 * np.pi * turn, 2 * np.pi * np.arange(sides) / sides
    out = np.stack([np.zeros_like(angle), np.cos(angle), np.sin(angle)], axis=1)
    middle = mean * out + np.column_stack([rise + half, np.zeros_like(rise), np.zeros_like(rise)])
    along = np.array([1.0, 0.0, 0.0])
    rings = middle[:, None] + half * (
        np.cos(around)[None, :, None] * out[:, None] + np.sin(around)[None, :, None] * along
    )
    return skin(rings)


def head_piece(valve: Valve, part: HeadPiece, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The seat of a valve with the wall of its port, its guide and what the spring stands on, one turned body of which
    the half on the −z side is cut away. Its seat has the facets of the valve's."""
    stem, head, throat = valve.stem_radius_mm, valve.head_radius_mm, valve.throat_radius_mm
    rise = valve.seat_width_mm * float(np.sin(np.radians(SEAT_ANGLE_DEG)))
    face = -valve.length_mm + valve.margin_mm
    bore = 1.10 * stem / float(np.cos(np.pi / circle_segments(head, detail)))
    outer = head + part.wall_mm
    guide = bore + part.guide_wall_mm
    under = part.foot_mm - part.guide_wall_mm
    # the wall keeps clear of the valve's neck, which ends 0.9 of (throat − stem) over the seat
    top = min(face + rise + 1.05 * (throat - stem), under - 0.5 * part.guide_wall_mm)
    inside = max(top - 0.5 * part.wall_mm, face + rise + throat - stem)
    top = max(top, inside + 0.3 * part.wall_mm)
    profile = [
        (head, face),
        (outer, face),
        (outer, face + 1.5 * rise),
        (guide + 0.4 * part.wall_mm, top),
        (guide, max(top, min(top + part.guide_wall_mm, under - 1e-3))),
        (guide, under),
        (part.flange_mm, under),
        (part.flange_mm, part.foot_mm),
        (bore, part.foot_mm),
        (bore, inside),
        (throat, face + 1.25 * rise),
        (throat, face + rise),
    ]
    whole = z_laid_along_x(revolved(profile, detail, as_mm=head))
    return mesh(whole.trim_by_plane((0.0, 0.0, 1.0), 0.0))
