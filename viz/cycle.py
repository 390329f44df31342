"""The cycle strip: 720° of the crank from left to right, a row per cylinder in firing order, with its strokes, what
its valves do and where its sparks are, as the engine is assembled.

A bar or a spark that is not set yet (its coupling is drawn, its rocker off) is drawn hollow, where the data want it.
Where there is no room for all rows, the strip can show the cylinders that are asked for and their neighbours in firing
order, and fewer words.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from quillwise.kinematics.angles import CYCLE_DEG, stroke
from quillwise.kinematics.assembly import Assembly
from quillwise.kinematics.datasheet import ValveKind
from quillwise.kinematics.model import Engine
from quillwise.kinematics.timing import Event, EventKind, timing_table
from quillwise.viz import palette
from quillwise.viz.fonts import font_of

Picture = NDArray[np.uint8]
Name = tuple[str, str, EventKind, int]

STROKES: Mapping[str, str] = MappingProxyType(
    {"power": "#E4E4E4", "exhaust": "#F3F3F3", "inlet": "#EDEDED", "compression": "#FAFAFA"}
)
LEAST_PX = (240, 60)
_AXIS_STEP_DEG = 90
_BAR_SHARE = 0.70  # of a row: the inlet's bar below, the exhaust's above, so that their overlap shows both
# What is not lettered is told by the bars over it; degrees into the stroke where its letter stands free of them.
_LETTERED: Mapping[str, float] = MappingProxyType({"power": 40.0, "compression": 95.0})
_VALVE_EVENTS: tuple[tuple[ValveKind, EventKind, EventKind], ...] = (
    ("exhaust", "exhaust opens", "exhaust closes"),
    ("inlet", "inlet opens", "inlet closes"),
)
_LEAST_FONT_PX = 7  # of all lettering
_LETTER_PX = 11  # of the letters in bars, which are left out where they are smaller
_ROW = 0.78  # least height of a row ÷ font size, of which a capital takes 0.73
_EASY_ROW = 0.9  # the same where rows may be left out instead
_LEGIBLE_PX, _LETTERS_WIDE = (8, 14), 50  # least and most font size below which rows may be left out; width ÷ it
_BRIEF_ROWS, _BRIEF_ROW = (3, 1), 1.0  # of strips that leave rows out: how many, and their height ÷ font size
_LEGEND_LINE, _LEGEND_SHARE = 1.3, 0.72  # of its font size; of the strip's font size, before it takes a third line


@dataclass(frozen=True, kw_only=True, slots=True)
class Strip:
    """Where things stand in a strip of ``size_px``: ``left`` and ``right`` are crank angle 0 and 720, ``top`` and
    ``bottom`` the borders of the rows [px]; ``order``: the cylinders from the first row down."""

    size_px: tuple[int, int]
    left: int
    right: int
    top: int
    bottom: int
    font_px: int
    legend_px: int
    order: tuple[str, ...]
    words: tuple[tuple[str, str], ...]  # of the legend: each with its colour or the number of its spark

    @property
    def row_px(self) -> float:
        """Height of a row."""
        return (self.bottom - self.top) / len(self.order)

    def contains(self, x_px: float, y_px: float) -> bool:
        """Whether a place of the picture, from its top left corner, lies on the rows or the scale above them."""
        return self.left <= x_px <= self.right and 0 <= y_px <= self.bottom


@dataclass(frozen=True, kw_only=True, slots=True)
class Bar:
    """A valve while it is open, or several alike: from ``opens_deg`` to ``closes_deg`` in the cycle [crank deg], as the
    data say where it is not ``done`` (set) yet. ``valve``: which of several of its kind, 0: all of them alike;
    ``share``: of the depth that its kind has in a row, from the top, where it is drawn."""

    kind: ValveKind
    valve: int
    opens_deg: float
    closes_deg: float
    done: bool
    share: tuple[float, float]


def plan(engine: Engine, size_px: tuple[int, int], wanted: Sequence[str] | None = None) -> Strip:
    """The lay-out of the strip. wanted: the cylinders that must have a row where there is not room for all in legible
    letters; None: all of them. Raises ValueError when the size leaves no room for the rows."""
    width, height = size_px
    if width < LEAST_PX[0] or height < (LEAST_PX[1] if wanted is None else _brief_px(width, 1)):
        raise ValueError(f"expected at least {LEAST_PX[0]} × {LEAST_PX[1]} pixels, got {width} × {height}")
    order = engine.sheet.firing_order
    least, row = (_LEAST_FONT_PX, _ROW) if wanted is None else (_legible_px(width), _EASY_ROW)
    for font_px in range(int(np.clip(min(height / 12, width / 36), least, 40)), least - 1, -1):
        words, legend_px, lines = _legend_fit(engine, font_px, width, whole=wanted is None)
        top, below = round(1.25 * font_px), round(_LEGEND_LINE * legend_px * lines) + 5
        # a row is as high as a capital, and a little more
        if (height - below - top) / len(order) >= row * font_px:
            break
    else:
        if wanted is not None:
            rows = int((height - _brief_px(width, 0)) / (_BRIEF_ROW * least))
            order = _some(order, wanted, max(1, rows))
            words, legend_px = _brief_words(engine, len(order), least, width), least
            below = round(_LEGEND_LINE * legend_px) + 5
    widest = max(font_of(font_px, True).getlength(name) for name in engine.cylinders)
    return Strip(
        size_px=size_px,
        left=round(widest + 0.9 * font_px),
        right=width - round(1.4 * font_px),
        top=top,
        bottom=height - below,
        font_px=font_px,
        legend_px=legend_px,
        order=order,
        words=tuple(words),
    )


def heights_px(engine: Engine, width_px: int) -> tuple[int, int, int]:
    """Heights [px] of a strip of that width for which room is worth making: one that shows all rows in letters that can
    be read, a brief one, and the least."""
    font_px = _legible_px(width_px)
    _, legend_px, lines = _legend_fit(engine, font_px, width_px, whole=False)
    rows = int(np.ceil(len(engine.cylinders) * _EASY_ROW * font_px))
    whole = round(1.25 * font_px) + rows + round(_LEGEND_LINE * legend_px * lines) + 6
    brief, least = (min(whole, _brief_px(width_px, min(rows, len(engine.cylinders)))) for rows in _BRIEF_ROWS)
    return whole, brief, least


def _legible_px(width_px: int) -> int:
    """The font size below which a strip of that width leaves out rows and words, where it may."""
    return int(np.clip(round(width_px / _LETTERS_WIDE), *_LEGIBLE_PX))


def _brief_px(width_px: int, rows: int) -> int:
    """Height of a strip of so many rows in letters that can be read, its legend on one line [px]."""
    font_px = _legible_px(width_px)
    return round(1.25 * font_px) + int(np.ceil(rows * _BRIEF_ROW * font_px)) + round(_LEGEND_LINE * font_px) + 5


def _some(order: tuple[str, ...], wanted: Sequence[str], count: int) -> tuple[str, ...]:
    """So many of the cylinders in firing order: those wanted, then those that fire next before and after them."""
    places = [order.index(name) for name in wanted] or [0]
    near = [(place + way * off) % len(order) for off in range(len(order)) for place in places for way in (1, -1)]
    taken = set(list(dict.fromkeys(near))[:count])
    return tuple(name for place, name in enumerate(order) if place in taken)


def x_of(strip: Strip, crank_deg: float) -> float:
    """Where a crank angle stands [px from the left border]; angles are wrapped to the cycle."""
    return strip.left + (crank_deg % CYCLE_DEG) / CYCLE_DEG * (strip.right - strip.left)


def crank_at(strip: Strip, x_px: float) -> float:
    """The crank angle, 0–720, at a place; outside the rows that of the nearer border."""
    share = (x_px - strip.left) / (strip.right - strip.left)
    return CYCLE_DEG * min(1.0, max(0.0, share))


def draw(engine: Engine, assembly: Assembly, size_px: tuple[int, int], wanted: Sequence[str] | None = None) -> Picture:
    """The strip (H, W, 3), uint8, without the cursor, for an assembly as it stands. wanted: as ``plan``."""
    strip = plan(engine, size_px, wanted)
    picture = Image.new("RGB", size_px, palette.GROUND)
    pencil = ImageDraw.Draw(picture)
    events = by_name(timing_table(engine, assembly))
    for number, name in enumerate(strip.order):
        top = round(strip.top + number * strip.row_px)
        bottom = round(strip.top + (number + 1) * strip.row_px) - 1 - round(strip.row_px / 12)
        _row(pencil, engine, strip, name, events, (top, bottom))
    _scale(pencil, strip)
    _legend(pencil, strip)
    return np.asarray(picture)


def by_name(table: Iterable[Event]) -> dict[Name, Event]:
    """The events of a timing table by (cylinder, magneto or empty, kind, which of several valves or 0)."""
    return {(event.cylinder, event.magneto, event.kind, event.valve): event for event in table}


def bars(events: Mapping[Name, Event], cylinder: str) -> list[Bar]:
    """The open valves of a cylinder, the exhaust's first; several of a kind that are not alike each by itself."""
    found = []
    for kind, opening, closing in _VALVE_EVENTS:
        numbers = sorted(valve for of, _, what, valve in events if of == cylinder and what == opening)
        for place, valve in enumerate(numbers):
            opens, closes = events[cylinder, "", opening, valve], events[cylinder, "", closing, valve]
            start, end = opens.as_set_deg, closes.as_set_deg
            done = start is not None and end is not None
            if start is None or end is None:
                start, end = opens.crank_deg, closes.crank_deg
            share = place / len(numbers), (place + 1) / len(numbers)
            found.append(Bar(kind=kind, valve=valve, opens_deg=start, closes_deg=end, done=done, share=share))
    return found


def _row(
    pencil: ImageDraw.ImageDraw,
    engine: Engine,
    strip: Strip,
    name: str,
    events: Mapping[Name, Event],
    span: tuple[int, int],
) -> None:
    top, bottom = span
    middle = (top + bottom) / 2 + 0.5
    pencil.text((2, middle), name, font=font_of(strip.font_px, True), fill=palette.TEXT, anchor="lm")
    firing = engine.cylinders[name].firing_deg
    for quarter in range(4):
        start = firing + 180.0 * quarter
        which = stroke(180.0 * quarter + 90.0)
        for left, right in _pieces(strip, start, start + 180.0):
            pencil.rectangle((left, top, right, bottom), fill=STROKES[which])
        if which in _LETTERED:
            size = min(round(0.8 * (bottom - top)), strip.font_px)
            if size >= _LETTER_PX:
                letter, font = which[0].upper(), font_of(size, False)
                # one that would stand on a border of the cycle stands within it
                half = font.getlength(letter) / 2 + 1
                x = min(max(x_of(strip, start + _LETTERED[which]), strip.left + half), strip.right - half)
                pencil.text((x, middle), letter, font=font, fill=palette.FAINT_TEXT, anchor="mm")
    words: list[tuple[Bar, tuple[float, float], tuple[float, float]]] = []
    for bar in bars(events, name):
        deep = _BAR_SHARE * (bottom - top)
        first = bottom - deep if bar.kind == "inlet" else top
        low, high = (first + share * deep for share in bar.share)
        colour = palette.INLET if bar.kind == "inlet" else palette.EXHAUST
        end = bar.closes_deg
        pieces = _pieces(strip, bar.opens_deg, end if end > bar.opens_deg else end + CYCLE_DEG)
        for left, right in pieces:
            box = (left, round(low), right, round(high))
            pencil.rectangle(box, fill=colour if bar.done else palette.GROUND, outline=colour)
        words.append((bar, max(pieces, key=lambda piece: piece[1] - piece[0]), (low, high)))
    # an exhaust's word would be covered by the inlet's bar
    for bar, piece, deep_span in words:
        _letter(pencil, bar, piece, deep_span, strip.font_px)
    for number, magneto in enumerate(engine.magnetos):
        event = events[name, magneto, "points break", 0]
        done = event.as_set_deg is not None
        x = x_of(strip, event.as_set_deg if event.as_set_deg is not None else event.crank_deg)
        _spark(pencil, x, (top, bottom), number, done)


def _letter(
    pencil: ImageDraw.ImageDraw,
    bar: Bar,
    piece: tuple[float, float],
    span: tuple[float, float],
    largest_px: int,
) -> None:
    """The word, or where there is no room for it the first letter, in the bar; nothing where it would be too small:
    the legend says which bar is which."""
    # vermillion is no colour for text, nor for white text on it
    colour = (palette.GROUND if bar.done else palette.INLET) if bar.kind == "inlet" else palette.TEXT
    size = min(int(0.95 * (span[1] - span[0])), largest_px)
    if size < _LETTER_PX:
        return
    number = str(bar.valve or "")
    text = f"{bar.kind} {number}".rstrip()
    if font_of(size, True).getlength(text) + 2 >= piece[1] - piece[0]:
        text = bar.kind[0].upper() + number
    # set by the base line: a word's middle is that of its small letters
    place = (round((piece[0] + piece[1]) / 2), round((span[0] + span[1]) / 2 + 0.33 * size))
    pencil.text(place, text, font=font_of(size, True), fill=colour, anchor="ms")


def _spark(pencil: ImageDraw.ImageDraw, x: float, span: tuple[float, float], number: int, done: bool) -> None:
    """The tick of a magneto: the first one's a full line, the second one's two dots, a third one's a cross bar too."""
    top, bottom = span
    wide = max(1, round((bottom - top) / 7))
    dark = palette.BLACK if done else palette.FAINT_TEXT
    if number == 1:
        size = max(0.0, (bottom - top - 1) / 3)
        for low in (top + 0.5, max(top + 0.5, bottom - 0.5 - size)):
            box = (x - size / 2, low, x + size / 2, low + size)
            pencil.ellipse(box, fill=dark if done else palette.GROUND, outline=dark)
        return
    if done:
        pencil.rectangle((x - wide / 2, top, x + wide / 2, bottom), fill=dark)
    else:
        pencil.rectangle((x - wide, top, x + wide, bottom), fill=palette.GROUND, outline=dark)
    if number > 1:
        pencil.line((x - 3 * wide, (top + bottom) / 2, x + 3 * wide, (top + bottom) / 2), fill=dark, width=wide)


def _scale(pencil: ImageDraw.ImageDraw, strip: Strip) -> None:
    font = font_of(strip.font_px, False)
    for angle in range(0, round(CYCLE_DEG) + 1, _AXIS_STEP_DEG):
        x = strip.left + angle / CYCLE_DEG * (strip.right - strip.left)
        pencil.line((x, strip.top - 3, x, strip.bottom), fill=palette.RULE, width=1)
        pencil.text((x, strip.top - 4), f"{angle}°", font=font, fill=palette.FAINT_TEXT, anchor="ms")


def _legend(pencil: ImageDraw.ImageDraw, strip: Strip) -> None:
    """What is what, on one to three lines below the rows."""
    font = font_of(strip.legend_px, False)
    for text, how, (left, top, right, bottom) in legend(strip):
        size = strip.legend_px
        box = (left, top, left + 1.4 * size, bottom)
        if how.isdigit():
            _spark(pencil, left + 0.7 * size, (top, bottom), int(how), True)
        elif not how:
            pass  # words without a sample
        elif text.startswith("hollow"):
            pencil.rectangle(box, fill=palette.GROUND, outline=how)
        else:
            pencil.rectangle(box, fill=how, outline=palette.RULE)
        pencil.text((right, top + size / 2), text, font=font, fill=palette.TEXT, anchor="rm")


def legend(strip: Strip) -> list[tuple[str, str, tuple[float, float, float, float]]]:
    """Each item of the legend: its words, its colour or the number of its spark, and its rectangle with the sample."""
    size, found = strip.legend_px, []
    for row, line in enumerate(_legend_lines(strip.words, size, strip.size_px[0])):
        x, top = 2.0, strip.bottom + 4.0 + row * _LEGEND_LINE * size
        for text, how in line:
            found.append((text, how, (x, top, x + 1.8 * size + font_of(size, False).getlength(text), top + size)))
            x += _legend_width(text, size)
    return found


def _legend_words(engine: Engine) -> list[tuple[str, str]]:
    words = [("upper: exhaust open", palette.EXHAUST), ("lower: inlet open", palette.INLET)]
    words += [("hollow: not set yet", palette.FAINT_TEXT)]
    words += [(f"{which} stroke", colour) for which, colour in STROKES.items() if which in _LETTERED]
    return words + [(f"{name} spark", str(number)) for number, name in enumerate(engine.magnetos)]


def _brief_words(engine: Engine, rows: int, size: int, width_px: int) -> list[tuple[str, str]]:
    """The legend in few words on one line; where rows are left out, of how many cylinders, if there is room."""
    words = [("exhaust", palette.EXHAUST), ("inlet", palette.INLET), ("hollow: not set", palette.FAINT_TEXT)]
    if engine.magnetos:
        words.append(("spark", "0"))
    if rows < len(engine.cylinders):
        words.append((f"{rows} of {len(engine.cylinders)} cylinders", ""))
    while len(_legend_lines(words, size, width_px)) > 1:
        words.pop()
    return words


def _legend_fit(engine: Engine, font_px: int, width_px: int, whole: bool) -> tuple[list[tuple[str, str]], int, int]:
    """The legend's words, their size and number of lines: two lines where its letters need not be much smaller than the
    others for it; unless it must be the whole legend, few words where all could not be read."""
    words = _legend_words(engine)
    least = int(np.ceil(_LEGEND_SHARE * font_px))
    for size in range(font_px, least - 1, -1):
        if len(_legend_lines(words, size, width_px)) <= 2 and (whole or size >= _LEGIBLE_PX[0]):
            return words, size, 2
    if not whole:
        return _brief_words(engine, len(engine.cylinders), font_px, width_px), font_px, 1
    size = max(_LEAST_FONT_PX, least)
    return words, size, min(3, len(_legend_lines(words, size, width_px)))


def _legend_lines(words: Sequence[tuple[str, str]], size: int, width_px: int) -> list[list[tuple[str, str]]]:
    """The words in lines of at most that width."""
    lines: list[list[tuple[str, str]]] = [[]]
    left = float(width_px)
    for word in words:
        wide = _legend_width(word[0], size)
        if wide > left and lines[-1]:
            lines.append([])
            left = float(width_px)
        lines[-1].append(word)
        left -= wide
    return lines


def _legend_width(text: str, size: int) -> float:
    return 2.8 * size + font_of(size, False).getlength(text)


def _pieces(strip: Strip, start_deg: float, end_deg: float) -> list[tuple[float, float]]:
    """The places (left, right) of a span of crank angle, in two where it runs over the end of the cycle."""
    start, length = start_deg % CYCLE_DEG, end_deg - start_deg
    wide = strip.right - strip.left
    ends = [(start, min(start + length, CYCLE_DEG))]
    if start + length > CYCLE_DEG:
        ends.append((0.0, start + length - CYCLE_DEG))
    return [(strip.left + a / CYCLE_DEG * wide, strip.left + b / CYCLE_DEG * wide) for a, b in ends if b > a]
