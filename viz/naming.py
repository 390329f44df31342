"""Names beside the parts of a row that rises to the right: below it to the right, above it to the left, where they meet
neither parts nor each other. Millimetres of paper, y downwards."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import shapely

from quillwise.kinematics.angles import Floats
from quillwise.kinematics.parts import Part
from quillwise.viz.breaks import areal
from quillwise.viz.linedrawing import Round, Stroke, Word
from quillwise.viz.paper import text_width_mm

_CLEAR_MM = 1.5
_LEADER_CLEAR_MM = 0.8
_DROPS_MM = (5.0, 8.0, 12.0, 16.0, 21.0, 27.0, 34.0, 42.0, 52.0)  # of leaders beyond the outline
_SLANTS = (0.35, 0.6, 0.15, 0.9, 0.0, 1.3)  # sideways, ÷ drop
_DOT_MM = 0.45

Names = tuple[list[Stroke], list[Round], list[Word]]


def placed_names(
    outlines: Mapping[Part, shapely.Geometry],
    tips: Mapping[Part, Mapping[float, Floats]],
    words: Mapping[Part, str],
    axis: shapely.LineString,
    box: shapely.Polygon,
    text_mm: float,
) -> Names | None:
    """A name with a leader for each part, or None where one finds no place in the box. tips: where leaders may end on a
    part, below (1) and above its axis (−1); axis: what no name may cross."""
    strokes: list[Stroke] = []
    dots: list[Round] = []
    texts: list[Word] = []
    taken: list[shapely.Geometry] = [axis]
    for part, area in outlines.items():
        others = [shape for other, shape in outlines.items() if other != part]
        found = _place(area, tips[part], words[part], [*others, *taken], box, text_mm, below=len(texts) % 2 == 0)
        if found is None:
            return None
        leader, text, room = found
        taken += [room, shapely.LineString(leader)]
        strokes.append(Stroke(part=f"name: {part}", kind="narrow", lines=(leader,)))
        dots.append(Round(at=(float(leader[0, 0]), float(leader[0, 1])), radius_mm=_DOT_MM, filled=True))
        texts.append(text)
    return strokes, dots, texts


def _place(
    own: shapely.Geometry,
    tips: Mapping[float, Floats],
    text: str,
    clear_of: list[shapely.Geometry],
    box: shapely.Polygon,
    text_mm: float,
    *,
    below: bool,
) -> tuple[Floats, Word, shapely.Polygon] | None:
    """The leader from its dot to the word, the word, and the room that it takes."""
    width = text_width_mm(text, text_mm)
    others = shapely.union_all(clear_of)
    shapely.prepare(others)
    for drop in _DROPS_MM:
        for side in (1.0, -1.0) if below else (-1.0, 1.0):
            tip = tips[side]
            _, top, _, bottom = own.bounds
            edge = bottom if side > 0 else top
            level = edge + side * drop
            for slant in _SLANTS:
                x = tip[0] + side * slant * abs(level - tip[1])
                base = level + (text_mm if side > 0 else 0.0)
                left = x - 1.0 if side > 0 else x + 1.0 - width
                room = shapely.box(left, base - text_mm, left + width, base + 0.3 * text_mm)
                leader = np.array([tip, [x, level + (-0.8 if side > 0 else 0.8)]])
                if (
                    box.contains(room)
                    and not shapely.dwithin(others, room, _CLEAR_MM)
                    and not shapely.dwithin(own, room, _CLEAR_MM)
                    and not shapely.dwithin(others, shapely.LineString(leader), _LEADER_CLEAR_MM)
                ):
                    anchor = "start" if side > 0 else "end"
                    at = (left if side > 0 else left + width, base)
                    return leader, Word(text=text, at=at, height_mm=text_mm, anchor=anchor), room
    return None


def clear_of(area: shapely.Geometry, lines: shapely.Geometry) -> shapely.Geometry:
    """An outline without the lines in it."""
    free = areal(shapely.difference(area, shapely.buffer(lines, _DOT_MM / 3, quad_segs=1)))
    return free if free.area > 0 else area


def tip(free: shapely.Geometry, side: float) -> Floats:
    """Where a leader ends on a part whose axis runs along x: in the middle of the largest free place below the axis
    (side 1) or above it (−1), as far as there is any. free: of the part's outline, what no line crosses."""
    left, top, right, bottom = free.bounds
    deep = 0.08 * (bottom - top)  # off the axis, along which the centre line runs
    half = shapely.box(left, deep, right, bottom + 1) if side > 0 else shapely.box(left, top - 1, right, -deep)
    own = areal(shapely.intersection(free, half))
    deepest = shapely.maximum_inscribed_circle(own if own.area > 0 else free, tolerance=0.05)
    return np.asarray(shapely.get_coordinates(deepest)[0])
