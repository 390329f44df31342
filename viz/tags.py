"""The words in a close-up of a plate: where they stand in the picture, none over another nor over a painted mark where
there is room, and drawn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from PIL import ImageDraw

from quillwise.viz import captions
from quillwise.viz.cameras import Camera, project
from quillwise.viz.captions import Box
from quillwise.viz.engraving import Label

Points = NDArray[np.float64]

LABEL_SHARE = 0.20  # of the picture's width: longer words are set in two lines
_LETTERS = 0.075  # of the picture's height: the height of line that its words go by at the most
_LINE_POINTS = 120
_APART_PX = 2  # between a number and what stands beside it
_STEP, _STEPS = 1 / 40, 16  # a tag that has no room is moved by that share of the height, so often at the most
# What a place is dearer by than one that is a step nearer.
_COVERS_WORDS, _COVERS_MARK, _COVERS_LINE, _COVERS_ARROW = 1000.0, 100.0, 30.0, 10.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Tag:
    """Words about a middle, their rectangle [px], whether on a patch of their own, and where a line from them ends."""

    text: str
    middle: tuple[float, float]
    box: Box
    boxed: bool
    end: tuple[float, float] | None = None

    @property
    def line(self) -> Points:
        """Points (N, 2) of the line to what is named; none without."""
        return np.zeros((0, 2)) if self.end is None else np.linspace(self.middle, self.end, _LINE_POINTS)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Obstacles:
    """What a tag should not cover [mm, in the world]: ends (2, 3) of each mark that is painted on the disc, points
    (N, 3) of each arrow."""

    marks_mm: Sequence[Points]
    arrows_mm: Sequence[Points]


def letters_px(size_px: tuple[int, int]) -> int:
    """The height of line that the words of a close-up go by at the most: small ones have smaller letters."""
    return round(_LETTERS * size_px[1])


def tags(
    found: Sequence[Label], camera: Camera, size_px: tuple[int, int], strip_px: int, clear_of: Obstacles | None = None
) -> tuple[Tag, ...]:
    """The words of a close-up in a picture of that size, in the order in which they are drawn. strip_px: height of
    line. A number of the disc that would touch a name, a line or a tag is left out. clear_of: what a name with a line
    moves off, as off the other words; None: it stays where it is, as in a film, where it would jump."""
    if not found:
        return ()
    widest = LABEL_SHARE * size_px[0]
    at = project(camera, np.array([label.at_mm for label in found]), size_px)
    ends = np.array([label.leader_mm or label.at_mm for label in found])
    ends = project(camera, ends, size_px)
    fixed, led, numbers = [], [], []
    for label, (x, y), (end_x, end_y) in zip(found, at, ends, strict=True):
        one = _tag(label.text, (float(x), float(y)), strip_px, size_px, label.boxed, widest)
        if label.leader_mm is not None:
            led.append(replace(one, end=(float(end_x), float(end_y))))
        elif not label.boxed and label.text.isdigit():
            numbers.append(one)
        else:
            fixed.append(one)
    if clear_of is not None:
        flat = (project(camera, ends_mm, size_px) for ends_mm in clear_of.marks_mm)
        marks = [np.linspace(foot, top, _LINE_POINTS) for foot, top in flat]
        arrows = [project(camera, arrow, size_px) for arrow in clear_of.arrows_mm]
        for one in led:
            fixed.append(_moved(one, fixed, marks, arrows, size_px))
    else:
        fixed += led
    return *(number for number in numbers if not any(_touches(number, one) for one in fixed)), *fixed


def draw(pencil: ImageDraw.ImageDraw, shown: Sequence[Tag], size_px: tuple[int, int], strip_px: int) -> None:
    """Draws the words and their lines; of the same size and height of line as they were set in."""
    widest = LABEL_SHARE * size_px[0]
    for one in shown:
        if one.end is not None:
            captions.leader(pencil, one.middle, one.text, strip_px, one.end, widest)
    for one in shown:
        captions.tag(pencil, one.middle, one.text, strip_px, one.boxed, widest)


def _tag(
    text: str, middle: tuple[float, float], strip_px: int, size_px: tuple[int, int], boxed: bool, widest: float
) -> Tag:
    if boxed:
        middle = captions.tag_middle(middle, text, strip_px, size_px, widest)
    return Tag(text=text, middle=middle, box=captions.tag_box(middle, text, strip_px, boxed, widest), boxed=boxed)


def _moved(
    one: Tag, others: Sequence[Tag], marks: Sequence[Points], arrows: Sequence[Points], size_px: tuple[int, int]
) -> Tag:
    """The tag at the place nearest to its own where it covers least; it stays on its side of the picture."""
    ways, step_px = range(-_STEPS, _STEPS + 1), max(1, round(_STEP * size_px[1]))
    best, least = one, np.inf
    for across, along in sorted(((a, b) for a in ways for b in ways), key=lambda way: way[0] ** 2 + way[1] ** 2):
        away = float(np.hypot(across, along))
        if away >= least:
            break
        moved = _shifted(one, step_px * across, step_px * along)
        if not _inside(moved.box, size_px) or (moved.middle[0] - size_px[0] / 2) * (one.middle[0] - size_px[0] / 2) < 0:
            continue
        cost = away + _COVERS_WORDS * sum(_near(moved.box, other.box) for other in others)
        cost += _COVERS_MARK * sum(_crosses(mark, moved.box) for mark in marks)
        cost += _COVERS_ARROW * sum(_crosses(arrow, moved.box) for arrow in arrows)
        line = moved.line
        crossing = sum(_crosses(line, other.box) or _crosses(other.line, moved.box) for other in others)
        cost += _COVERS_LINE * crossing
        if cost < least:
            best, least = moved, cost
    return best


def _shifted(one: Tag, right: int, down: int) -> Tag:
    box, (x, y) = one.box, one.middle
    box = replace(box, left=box.left + right, right=box.right + right, top=box.top + down, bottom=box.bottom + down)
    return replace(one, middle=(x + right, y + down), box=box)


def _inside(box: Box, size_px: tuple[int, int]) -> bool:
    return box.left >= 0 and box.top >= 0 and box.right < size_px[0] and box.bottom < size_px[1]


def _touches(number: Tag, other: Tag) -> bool:
    """Whether a number of the disc touches other words, or the line from them."""
    return _near(number.box, other.box) or _crosses(other.line, number.box)


def _near(one: Box, other: Box) -> bool:
    """Whether two rectangles touch or nearly do."""
    apart = _APART_PX
    wide = replace(one, left=one.left - apart, top=one.top - apart, right=one.right + apart, bottom=one.bottom + apart)
    return wide.overlaps(other)


def _crosses(line: Points, box: Box) -> bool:
    """Whether a line, points (N, 2) [px], runs through a rectangle."""
    inside = (line >= (box.left, box.top)) & (line <= (box.right, box.bottom))
    return bool(inside.all(axis=1).any())
