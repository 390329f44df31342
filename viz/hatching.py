"""Hatching of cut areas: narrow parallel lines at 45°, of adjoining parts in another direction or at another distance
(after ISO 128-3). Millimetres of paper."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import shapely

from quillwise.kinematics.angles import Floats

_TOUCH_MM = 0.4  # areas that are nearer than this adjoin: no more than a line is between them
_LEAST_MM = 0.02  # where a line only touches a corner it is none
K = TypeVar("K", bound=Hashable)


@dataclass(frozen=True, kw_only=True, slots=True)
class Hatch:
    """How a part is hatched, everywhere alike. angle_deg: of the lines to the right, anticlockwise as seen on paper."""

    angle_deg: float
    apart_mm: float


def patterns(apart_mm: float) -> tuple[Hatch, ...]:
    """Hatchings that can be told apart, the plain ones first."""
    return tuple(
        Hatch(angle_deg=angle, apart_mm=round(share * apart_mm, 3))
        for share in (1.0, 0.6, 1.6)
        for angle in (45.0, 135.0)
    )


def chosen(areas: Sequence[Mapping[K, shapely.Geometry]], order: Sequence[K], apart_mm: float) -> dict[K, Hatch]:
    """A hatching for each part, the same in every view; areas: of each view, by part. Parts that adjoin in any of them
    differ. A part has the plainest one that its neighbours leave it; order: who chooses first."""
    there = {part for view in areas for part, area in view.items() if not area.is_empty}
    parts = [part for part in order if part in there]
    found: dict[K, Hatch] = {}
    for part in parts:
        near = {
            other
            for view in areas
            if part in view
            for other in found
            if other in view and adjoin(view[part], view[other])
        }
        found[part] = next(each for each in patterns(apart_mm) if each not in {found[other] for other in near})
    return found


def adjoin(one: shapely.Geometry, other: shapely.Geometry) -> bool:
    """Whether two areas have a border in common, or nearly."""
    return bool(not one.is_empty and not other.is_empty and shapely.distance(one, other) <= _TOUCH_MM)


def lines(area: shapely.Geometry, hatch: Hatch) -> tuple[Floats, ...]:
    """The hatching of an area (2, 2 each), y downwards. All lines of one hatching belong to one family that runs over
    the whole sheet, so that parts of one area in several pieces match."""
    if area.is_empty:
        return ()
    turn = np.radians(hatch.angle_deg)
    way = np.array([np.cos(turn), -np.sin(turn)])
    across = np.array([-way[1], way[0]])
    left, top, right, bottom = area.bounds
    corners = np.array([[left, top], [right, top], [left, bottom], [right, bottom]])
    low, high = (corners @ across).min(), (corners @ across).max()
    begin, until = (corners @ way).min() - 1.0, (corners @ way).max() + 1.0
    rows = np.arange(np.ceil(low / hatch.apart_mm), np.floor(high / hatch.apart_mm) + 1) * hatch.apart_mm
    if not len(rows):
        return ()
    ends = rows[:, None, None] * across + np.array([begin, until])[None, :, None] * way
    cut = shapely.intersection(shapely.linestrings(ends), area)
    return tuple(
        np.asarray(shapely.get_coordinates(piece))
        for row in cut
        for piece in shapely.get_parts(row)
        if shapely.get_type_id(piece) == 1 and shapely.length(piece) > _LEAST_MM
    )
