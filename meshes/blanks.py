"""A toothed body without its teeth: the round body that it was cut from. For drawings in which its teeth would run
together (gears by ISO 2203, splines by ISO 6413, as secondary sources give them)."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import trimesh

from quillwise.kinematics.angles import Floats

_SECTIONS = 72
_LEAST_MM = 1e-4


def blank(body: trimesh.Trimesh) -> trimesh.Trimesh:
    """The body of revolution about z that just holds ``body`` at each height: as solid as its bore is not seen."""
    radius = np.hypot(body.vertices[:, 0], body.vertices[:, 1])
    height = np.asarray(body.vertices[:, 2])
    ends = np.asarray(body.edges_unique)
    low, high = height[ends].min(axis=1), height[ends].max(axis=1)
    levels = _levels(height)
    profile: list[tuple[float, float]] = []
    for bottom, top in pairwise(levels):
        through = ends[(low <= bottom + _LEAST_MM) & (high >= top - _LEAST_MM)]
        if not len(through):
            continue
        profile.append((float(_reach(radius, height, through, bottom).max()), bottom))
        profile.append((float(_reach(radius, height, through, top).max()), top))
    outline = [(0.0, profile[0][1]), *profile, (0.0, profile[-1][1])]
    kept = [outline[0]]
    for point in outline[1:]:
        if np.hypot(point[0] - kept[-1][0], point[1] - kept[-1][1]) > _LEAST_MM:
            kept.append(point)
    return trimesh.creation.revolve(np.array(kept), sections=_SECTIONS)


def _levels(height: Floats) -> Floats:
    """Heights at which the body has corners, one of those that are the same."""
    found = np.unique(np.round(height / _LEAST_MM) * _LEAST_MM)
    return np.asarray(found[np.concatenate([[True], np.diff(found) > 10 * _LEAST_MM])])


def _reach(radius: Floats, height: Floats, ends: Floats, at: float) -> Floats:
    """Radius of edges at a height; between its ends along a straight line."""
    a, b = ends[:, 0], ends[:, 1]
    span = height[b] - height[a]
    share = np.clip((at - height[a]) / np.where(np.abs(span) > _LEAST_MM, span, 1.0), 0.0, 1.0)
    return np.asarray(radius[a] + (radius[b] - radius[a]) * share)
