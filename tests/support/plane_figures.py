"""Plane figures of bodies by shapely: sections, and where the teeth of a ring stand."""

from __future__ import annotations

from functools import reduce

import numpy as np
import shapely
import trimesh
from numpy.typing import ArrayLike, NDArray


def section(body: trimesh.Trimesh, z_mm: float | None = None) -> shapely.Geometry:
    """The body's section square to z, half-way up when no height is given. Holes by the even-odd rule."""
    height = float(body.bounds[:, 2].mean()) if z_mm is None else z_mm
    cut = body.section(plane_origin=(0.0, 0.0, height), plane_normal=(0.0, 0.0, 1.0))
    assert cut is not None, "the plane misses the body"
    flat, _ = cut.to_2D(to_2D=np.eye(4))
    figure: shapely.Geometry = reduce(shapely.symmetric_difference, flat.polygons_closed)
    return figure


def comb_deg(figure: shapely.Geometry, radius_mm: float, count: int) -> float:
    """The place of one of ``count`` evenly spaced teeth, modulo their pitch [deg]: from what is metal on a circle."""
    around = np.radians(np.arange(0.0, 360.0, 0.02))
    metal = shapely.contains_xy(figure, radius_mm * np.cos(around), radius_mm * np.sin(around))
    return float(np.degrees(np.angle(np.exp(1j * count * around)[metal].sum())) / count)


def wrapped_deg(angle_deg: ArrayLike, pitch_deg: float) -> NDArray[np.float64]:
    """Angles to ± half a pitch."""
    angle = np.asarray(angle_deg, dtype=np.float64)
    return np.asarray((angle + pitch_deg / 2) % pitch_deg - pitch_deg / 2)
