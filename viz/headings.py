"""The lines over the close-ups of a plate: all in letters of one size, in two lines where one would be too small."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from PIL import ImageDraw

from quillwise.viz import captions, palette
from quillwise.viz.fonts import font_of

LEAST_MM = 2.5  # height of a capital, below which a line is set in two
_LETTERS = 0.72  # font size ÷ height of the strip
_BASE_LINE = 0.76  # of the strip, from its top
_PITCH = 1.2  # line to line ÷ font size
_LEAST_PX = 6


@dataclass(frozen=True, kw_only=True, slots=True)
class Headings:
    """By column, then from above: the ``lines`` of each heading, and the height of its strip [px]; one font size."""

    font_px: int
    lines: tuple[tuple[tuple[str, ...], ...], ...]
    strips_px: tuple[tuple[int, ...], ...]


def headings(texts: Sequence[Sequence[str]], strip_px: int, width_px: int, dpi: float, in_two: bool = True) -> Headings:
    """How the texts over the close-ups, by column, then from above, are set in that width [px]. strip_px: height of a
    strip of one line. Where in one line each the capitals would have less than ``LEAST_MM``, the long texts are set in
    two, unless ``in_two`` is False (a film's pictures must not jump). Close-ups that stand beside each other stay so.
    """
    every = [text for column in texts for text in column]
    largest = max(_LEAST_PX, int(_LETTERS * strip_px))
    least = min(largest, captions.font_px(LEAST_MM, dpi)) if in_two else _LEAST_PX

    def all_fit(size: int, wrapped: bool) -> bool:
        lines = [line for text in every for line in _set(text, size, width_px, wrapped)]
        return all(_fits(line, size, width_px) for line in lines)

    size = next((size for size in range(largest, least - 1, -1) if all_fit(size, False)), 0)
    if not size:
        # a word that is too long for two lines too is set smaller
        size = next((size for size in range(least, _LEAST_PX, -1) if all_fit(size, in_two)), _LEAST_PX)
    lines = tuple(tuple(_set(text, size, width_px, in_two) for text in column) for column in texts)
    deep = max(map(len, lines), default=0)
    counts = [max(len(column[row]) for column in lines if row < len(column)) for row in range(deep)]
    strips = [strip_px + (count - 1) * _pitch_px(size) for count in counts]
    return Headings(font_px=size, lines=lines, strips_px=tuple(tuple(strips[: len(column)]) for column in lines))


def draw(
    pencil: ImageDraw.ImageDraw, left_top: tuple[int, int], lines: Sequence[str], font_px: int, strip_px: int
) -> None:
    """The lines of a heading; strip_px: height of a strip of one line."""
    for number, line in enumerate(lines):
        baseline = left_top[1] + round(_BASE_LINE * strip_px) + number * _pitch_px(font_px)
        pencil.text((left_top[0], baseline), line, font=font_of(font_px, bold=True), fill=palette.TEXT, anchor="ls")


def _fits(text: str, font_px: int, width_px: int) -> bool:
    return captions.length_px(text, font_of(font_px, bold=True)) <= width_px


def _set(text: str, font_px: int, width_px: int, in_two: bool) -> tuple[str, ...]:
    """The text in one line, or in two where it has no room in one and may."""
    if not in_two or _fits(text, font_px, width_px):
        return (text,)
    words = text.split()
    ways = [(" ".join(words[:n]), " ".join(words[n:])) for n in range(1, len(words)) if words[n - 1][-1] in ",:"]
    # where a sentence breaks, if there is room
    fitting = [way for way in ways if all(_fits(line, font_px, width_px) for line in way)]
    font = font_of(font_px, bold=True)
    if fitting:
        return min(fitting, key=lambda way: max(map(font.getlength, way)))
    return tuple(captions.halved(text, font.getlength).split("\n"))


def _pitch_px(font_px: int) -> int:
    return round(_PITCH * font_px)
