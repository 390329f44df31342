"""Camshafts: a shaft along z with lobes and journals on it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import trimesh

from quillwise.meshes.solids import (
    CAM_ERROR_MM,
    Detail,
    Floats,
    cylinder,
    extruded,
    mesh,
    outline,
    thinned,
    union,
)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Lobe:
    """A lobe: its outline (M, 2) about the shaft's axis, and the middle of its width along z."""

    outline_mm: Floats
    z_mm: float
    width_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Journal:
    """A bearing journal or a collar: the middle of its width along z."""

    z_mm: float
    width_mm: float
    radius_mm: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Camshaft:
    """A camshaft between two places along z."""

    start_mm: float
    end_mm: float
    shaft_radius_mm: float
    lobes: tuple[Lobe, ...]
    journals: tuple[Journal, ...] = ()


def camshaft(shaft: Camshaft, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The camshaft, one body. Raises ValueError when a lobe's least radius is inside the shaft (naming it),
    or a lobe does not lie on it."""
    bodies = [cylinder(shaft.shaft_radius_mm, shaft.start_mm, shaft.end_mm, detail)]
    for number, lobe in enumerate(shaft.lobes, 1):
        least = float(np.hypot(*lobe.outline_mm.T).min())
        if least <= shaft.shaft_radius_mm:
            raise ValueError(
                f"lobe {number} comes within {least:.2f} mm of the axis,"
                f" inside the shaft of {shaft.shaft_radius_mm:g} mm radius"
            )
        low, high = lobe.z_mm - lobe.width_mm / 2, lobe.z_mm + lobe.width_mm / 2
        if low < shaft.start_mm or high > shaft.end_mm:
            raise ValueError(f"lobe {number} lies beyond the end of the shaft")
        bodies.append(extruded(outline(thinned(lobe.outline_mm, CAM_ERROR_MM[detail])), low, high))
    for journal in shaft.journals:
        half = journal.width_mm / 2
        bodies.append(cylinder(journal.radius_mm, journal.z_mm - half, journal.z_mm + half, detail))
    return mesh(union(*bodies))
