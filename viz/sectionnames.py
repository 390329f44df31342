"""Names of the parts of a section: mates and what is between them in a row above it, the shafts below, each with a
leader to a dot. Millimetres of paper, y downwards."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import shapely

from quillwise.kinematics.angles import Floats
from quillwise.kinematics.parts import Part
from quillwise.viz.breaks import areal
from quillwise.viz.coupled import Line
from quillwise.viz.linedrawing import Round, Stroke, Word
from quillwise.viz.paper import LEAST_TEXT_MM, SMALL_TEXT_MM, text_width_mm
from quillwise.viz.sectionsheet import Layout

_FAR_MM = 1e4
_DOT_MM = 0.45
Row = tuple[float, tuple[Part, ...]]


def rows(line: Line) -> tuple[Row, Row]:
    """Side of the axis (−1: above) and parts of each row of names."""
    return (
        (-1.0, (line.driving_mate, line.middle, line.driven_mate)),
        (1.0, (line.driving_shaft, line.driven_shaft)),
    )


def least_width_mm(line: Line, words: Mapping[Part, str]) -> float:
    """The width in which the names go in the least height of text."""
    return max(_width([words[part] for part in parts], LEAST_TEXT_MM) for _, parts in rows(line))


def named_parts(
    line: Line, layout: Layout, outlines: Mapping[Part, shapely.Geometry], words: Mapping[Part, str], text_mm: float
) -> tuple[list[Stroke], list[Round], list[Word]]:
    """Leaders, dots and names. outlines: what is seen of each part, on the sheet."""
    y = layout.origin[1]
    a, b = layout.tooth_x(line.tooth_mm)
    # clear of the arrows at the cutting planes, outwards
    within = {
        line.driving_mate: (-_FAR_MM, a - 2.0),
        line.driven_mate: (b + 2.0, _FAR_MM),
        line.middle: (layout.middle_x - 12.0, layout.middle_x + 12.0),
    }
    left, right = layout.band
    height = min(_fitting([words[part] for part in parts], right - left, text_mm) for _, parts in rows(line))
    drawn: list[Stroke] = []
    dots: list[Round] = []
    names: list[Word] = []
    for side, parts in rows(line):
        tips = {part: _tip(outlines[part], within.get(part, (-_FAR_MM, _FAR_MM)), side, y) for part in parts}
        spots = {part: tip for part, tip in tips.items() if tip is not None}
        texts = [words[part] for part in spots]
        widths = [text_width_mm(text, height) for text in texts]
        centres = [tip[0] + _aside(part, line) * 6.0 for part, tip in spots.items()]
        places = _spread(centres, widths, left, right, 2.0 * height)
        for (part, tip), text, at, width in zip(spots.items(), texts, places, widths, strict=True):
            base = y + side * (layout.radius_paper_mm + layout.label_mm) + (height if side > 0 else 0.0)
            end = base + 1.0 if side < 0 else base - height - 1.0
            from_x = float(np.clip(tip[0] + _aside(part, line) * 5.0, at - width / 2 + 1.0, at + width / 2 - 1.0))
            names.append(Word(text=text, at=(at, base), height_mm=height, anchor="middle"))
            drawn.append(Stroke(part=f"name: {part}", kind="narrow", lines=(np.array([[from_x, end], tip]),)))
            dots.append(Round(at=(float(tip[0]), float(tip[1])), radius_mm=_DOT_MM, filled=True))
    return drawn, dots, names


def _width(texts: Sequence[str], height: float) -> float:
    return sum(text_width_mm(text, height) for text in texts) + 2.0 * height * (len(texts) - 1)


def _fitting(texts: Sequence[str], width: float, text_mm: float) -> float:
    """The height in which some words go in a row: that of the sheet, or a smaller one of ISO 3098."""
    for height in (text_mm, SMALL_TEXT_MM):
        if _width(texts, height) <= width:
            return height
    return LEAST_TEXT_MM


def _aside(part: Part, line: Line) -> float:
    """To which side of its tip a name stands: outwards, that of the middle to the right."""
    return -1.0 if part in (line.driving_mate, line.driving_shaft) else 1.0


def _tip(area: shapely.Geometry, within: tuple[float, float], side: float, axis_y: float) -> Floats | None:
    """The deepest place of an area on one side of the axis, between two places along it if it is there. None: there is
    nothing of it."""
    own = _half(area, side, axis_y)
    low, high = within
    near = shapely.intersection(own, shapely.box(low, axis_y - _FAR_MM, high, axis_y + _FAR_MM))
    for each in (areal(near), areal(own)):
        if not each.is_empty and each.area > 0.5:
            deepest = shapely.maximum_inscribed_circle(each, tolerance=0.05)
            return np.asarray(shapely.get_coordinates(deepest)[0])
    return None


def _half(area: shapely.Geometry, side: float, axis_y: float) -> shapely.Geometry:
    ends = sorted((axis_y, axis_y + side * _FAR_MM))
    return shapely.intersection(area, shapely.box(-_FAR_MM, ends[0], _FAR_MM, ends[1]))


def _spread(centres: Sequence[float], widths: Sequence[float], left: float, right: float, gap: float) -> list[float]:
    """Middles of words in a row, as near as may be to where they are wanted, in order, clear of each other."""
    places: list[float] = []
    edge = left
    for centre, width in zip(centres, widths, strict=True):
        places.append(max(centre, edge + width / 2))
        edge = places[-1] + width / 2 + gap
    edge = right
    for n in range(len(places) - 1, -1, -1):
        places[n] = min(places[n], edge - widths[n] / 2)
        edge = places[n] - widths[n] / 2 - gap
    return places
