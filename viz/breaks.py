"""Views that are broken off and shortened: windows along an axis whose ends are the wavy narrow line of a break.

All on paper or in any plane in which the axis runs along x; lengths in the units of that plane.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
import shapely.affinity

from quillwise.kinematics.angles import Floats
from quillwise.viz.paper import LineKind

_STEPS = 24  # points a wave
_BEYOND_MM = 0.6  # a break line goes on so far beyond the outline
_ON_RIM_MM = 0.03
_LEAST_MM = 0.06  # a piece shorter than this is no line


@dataclass(frozen=True, kw_only=True, slots=True)
class Window:
    """What is kept of an axis, from low to high, and by how much it is moved along it. wavy: whether it is broken off
    at its low and at its high end."""

    low: float
    high: float
    move: float = 0.0
    wavy: tuple[bool, bool] = (False, False)


def wave(at: float, half: float, height: float) -> Floats:
    """The break line (K, 2) across the axis at a place, from −half to +half; height: of its waves."""
    long = 9.0 * height
    y = np.linspace(-half, half, max(2, int(np.ceil(2 * half / long * _STEPS)) + 1))
    return np.column_stack([at + height * np.sin(2 * np.pi * y / long + 0.6), y])


def region(window: Window, half: float, height: float) -> shapely.Polygon:
    """The window as an area, before it is moved; half: how far it reaches across."""
    ends = []
    for at, wavy in zip((window.low, window.high), window.wavy, strict=True):
        ends.append(wave(at, half, height) if wavy else np.array([[at, -half], [at, half]]))
    return shapely.Polygon(np.vstack([ends[0], ends[1][::-1]]))


def areal(geometry: shapely.Geometry) -> shapely.Geometry:
    """What of a geometry has an area: figures that only touch also meet in points and lines."""
    return shapely.MultiPolygon([each for each in _pieces(geometry) if shapely.get_type_id(each) == 3])


def _pieces(geometry: shapely.Geometry) -> list[shapely.Geometry]:
    found: list[shapely.Geometry] = []
    for each in shapely.get_parts(geometry):
        found += _pieces(each) if shapely.get_type_id(each) >= 4 else [each]
    return found


def windowed(lines: Iterable[Floats], windows: Sequence[Window], half: float, height: float) -> tuple[Floats, ...]:
    """Lines (K, 2) as far as they lie in the windows, moved with them."""
    given = np.array([shapely.LineString(line) for line in lines if len(line) > 1])
    found = []
    for window in windows:
        for cut in shapely.intersection(given, region(window, half, height)):
            for piece in shapely.get_parts(shapely.line_merge(cut)):
                if shapely.get_type_id(piece) == 1 and shapely.length(piece) > 0:
                    found.append(np.asarray(shapely.get_coordinates(piece)) + (window.move, 0.0))
    return tuple(found)


def area_windowed(area: shapely.Geometry, windows: Sequence[Window], half: float, height: float) -> shapely.Geometry:
    """An area as far as it lies in the windows, moved with them."""
    pieces = [
        shapely.affinity.translate(shapely.intersection(area, region(window, half, height)), window.move)
        for window in windows
    ]
    return areal(shapely.union_all(pieces))


def break_lines(shadow: shapely.Geometry, windows: Sequence[Window], half: float, height: float) -> tuple[Floats, ...]:
    """The break lines of windows as far as they cross an outline, and a little beyond, moved with the windows."""
    around = shadow.buffer(_BEYOND_MM)
    found = []
    for window in windows:
        for at, wavy in zip((window.low, window.high), window.wavy, strict=True):
            if wavy:
                crossed = shapely.intersection(shapely.LineString(wave(at, half, height)), around)
                found += [
                    np.asarray(shapely.get_coordinates(piece)) + (window.move, 0.0)
                    for piece in shapely.get_parts(crossed)
                    if shapely.length(piece) > 0
                ]
    return tuple(found)


def edged(lines: Iterable[Floats], rim: shapely.Geometry) -> tuple[tuple[LineKind, tuple[Floats, ...]], ...]:
    """Lines by kind: narrow, but wide where they run on an outline."""
    near = rim.buffer(_ON_RIM_MM)
    shapely.prepare(near)
    given = [shapely.LineString(line) for line in lines]
    found: list[tuple[LineKind, tuple[Floats, ...]]] = []
    kinds: tuple[tuple[LineKind, Any], ...] = (("narrow", shapely.difference), ("wide", shapely.intersection))
    for kind, own in kinds:
        kept = tuple(
            np.asarray(shapely.get_coordinates(piece))
            for line in given
            for piece in shapely.get_parts(shapely.line_merge(own(line, near)))
            if shapely.get_type_id(piece) == 1 and shapely.length(piece) > _LEAST_MM
        )
        if kept:
            found.append((kind, kept))
    return tuple(found)
