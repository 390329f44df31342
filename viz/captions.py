"""The text of a picture: a column beside the view, or a strip below it, never over it. Heights in mm of paper.

A height is that of a capital letter, of the series of ISO 3098. The font is DejaVu Sans: it has °, ±, ×, Greek
and arrows.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from quillwise.kinematics.errors import RequestError
from quillwise.kinematics.wording import DISCLAIMER
from quillwise.viz import palette
from quillwise.viz.fonts import font_of
from quillwise.viz.still import MM_PER_INCH

FOOTER = DISCLAIMER
LETTER_HEIGHTS_MM = (1.8, 2.5, 3.5, 5.0, 7.0, 10.0)  # ISO 3098
TITLE_MM, TEXT_MM, LEAST_MM = 5.0, 3.5, 1.8
TEXT_SHARE = 0.36

# Of DejaVu Sans, ÷ font size: height of a capital; room above the base line for "f" and accents; below it for "g".
_CAPITAL_SHARE = 1493 / 2048
_ASCENT_SHARE = 0.93
_DESCENT_SHARE = 0.24
_LINE_PITCH = 1.36  # line to line, ÷ font size
_PARAGRAPH, _TIGHT, _CLOSE = 0.9, 0.4, 0.2  # between paragraphs, ÷ line; where room is short; where it is shortest
_ROW_GAP = 0.12
_TABLE_EM = 26  # a wider table parts the value from its label
_BORDER_MM = 3.0
_TAG_SPACING_PX = 1


@dataclass(frozen=True, kw_only=True, slots=True)
class Box:
    """A rectangle of a picture in pixels from the top left; right and bottom are the first pixels outside.

    name: "view", "title", "text", "label", "value" or "footer". text: what stands in it.
    """

    name: str
    left: int
    top: int
    right: int
    bottom: int
    text: str = ""

    @property
    def size_px(self) -> tuple[int, int]:
        return self.right - self.left, self.bottom - self.top

    def overlaps(self, other: Box) -> bool:
        return (
            self.left < other.right and other.left < self.right and self.top < other.bottom and other.top < self.bottom
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Panel:
    """Where the view and the text stand in a picture of ``size_px``. ``view``: draw the mechanism in its size."""

    size_px: tuple[int, int]
    dpi: float
    view: Box
    text: Box
    footer: Box


@dataclass(frozen=True, slots=True)
class _Word:
    """A line of text with its place; x is its left border, top that of its line."""

    name: str
    text: str
    x: int
    top: int
    height_mm: float
    bold: bool
    colour: str


def panel(size_px: tuple[int, int], dpi: float, text_share: float = TEXT_SHARE) -> Panel:
    """The lay-out: text beside the view in a wide picture, below it in one that is not; the footer lowest.

    text_share: share of the width (or the height) that the text takes. Raises RequestError when the picture is
    too small for a view and text.
    """
    width, height = size_px
    border = max(2, round(_BORDER_MM * dpi / MM_PER_INCH))
    foot = round(_BORDER_MM * dpi / MM_PER_INCH / 2) + _pitch_px(_footer_mm(size_px, dpi), dpi)
    body = height - foot
    if width >= 1.2 * height:
        split = round(width * (1 - text_share))
        view = Box(name="view", left=0, top=0, right=split, bottom=body)
        text = Box(name="text", left=split + border // 2, top=border, right=width - border, bottom=body)
    else:
        split = round(body * (1 - text_share))
        view = Box(name="view", left=0, top=0, right=width, bottom=split)
        text = Box(name="text", left=border, top=split + border // 2, right=width - border, bottom=body)
    footer = Box(name="footer", left=border, top=body, right=width - border, bottom=height)
    if min(*view.size_px, *text.size_px, *footer.size_px) < 8:
        raise RequestError(f"{width} × {height} pixels at {dpi:g} dpi leave no room for a view and its text")
    return Panel(size_px=size_px, dpi=dpi, view=view, text=text, footer=footer)


def compose(
    view: NDArray[np.uint8],
    title: str,
    lines: Sequence[str],
    figures: Sequence[tuple[str, str]],
    size_px: tuple[int, int],
    dpi: float,
    text_share: float = TEXT_SHARE,
    below_px: Sequence[int] = (),
) -> tuple[NDArray[np.uint8], list[Box]]:
    """The view with its text: title, paragraphs (wrapped), a table of figures (label, value), the footer.

    view: (H, W, 3 or 4) uint8; best drawn in the size of ``panel(size_px, dpi, text_share).view``, otherwise scaled
    to fit. Returns the picture (H, W, 3 or 4) and the boxes of the view and of every line of text: none overlaps.
    The text takes the greatest height of the series, up to 3.5 mm, in which all of it fits. below_px: heights that may
    stay free below it, the best first; where none can, the text fills its column. Raises RequestError when it does
    not fit at the least.
    """
    plan = panel(size_px, dpi, text_share)
    words = _set(plan, title, lines, figures, below_px)
    clear = view.shape[2] == 4
    ground = (*palette.rgb(palette.GROUND), 0) if clear else palette.rgb(palette.GROUND)
    picture = Image.new("RGBA" if clear else "RGB", size_px, ground)
    shown = _fitted(Image.fromarray(np.ascontiguousarray(view)), plan.view.size_px)
    picture.paste(
        shown,
        (
            plan.view.left + (plan.view.size_px[0] - shown.width) // 2,
            plan.view.top + (plan.view.size_px[1] - shown.height) // 2,
        ),
    )
    pencil = ImageDraw.Draw(picture)
    boxes = [plan.view]
    for word in words:
        font = font_of(font_px(word.height_mm, dpi), word.bold)
        baseline = word.top + _ascent_px(word.height_mm, dpi)
        fill = (*palette.rgb(word.colour), 255) if clear else palette.rgb(word.colour)
        pencil.text((word.x, baseline), word.text, font=font, fill=fill, anchor="ls")
        left, top, right, bottom = pencil.textbbox((word.x, baseline), word.text, font=font, anchor="ls")
        boxes.append(
            Box(
                name=word.name,
                left=int(left),
                top=int(top),
                right=int(right) + 1,
                bottom=int(bottom) + 1,
                text=word.text,
            )
        )
    return np.asarray(picture), boxes


def footer_px(size_px: tuple[int, int], dpi: float) -> int:
    """Height of the strip for the footer below a picture that has no other text [pixels]."""
    return _pitch_px(_footer_mm(size_px, dpi), dpi)


def footed(view: NDArray[np.uint8], size_px: tuple[int, int], dpi: float) -> NDArray[np.uint8]:
    """The view with the footer below it. view: (H, W, 3 or 4), drawn ``footer_px`` lower than ``size_px``."""
    clear = view.shape[2] == 4
    ground = (*palette.rgb(palette.GROUND), 0) if clear else palette.rgb(palette.GROUND)
    picture = Image.new("RGBA" if clear else "RGB", size_px, ground)
    picture.paste(Image.fromarray(np.ascontiguousarray(view)), (0, 0))
    height_mm = _footer_mm(size_px, dpi)
    fill = (*palette.rgb(palette.FAINT_TEXT), 255) if clear else palette.rgb(palette.FAINT_TEXT)
    baseline = view.shape[0] + _ascent_px(height_mm, dpi)
    left = max(2, round(_BORDER_MM * dpi / MM_PER_INCH))
    font = font_of(font_px(height_mm, dpi), False)
    ImageDraw.Draw(picture).text((left, baseline), FOOTER, font=font, fill=fill, anchor="ls")
    return np.asarray(picture)


def line(pencil: ImageDraw.ImageDraw, left_top: tuple[int, int], text: str, height_px: int, width_px: int) -> None:
    """One line of text in a strip of that height, in the largest size that fits its width."""
    size = max(6, int(height_px * 0.72))
    while size > 6 and length_px(text, font_of(size, True)) > width_px:
        size -= 1
    baseline = left_top[1] + round(height_px * 0.76)
    pencil.text((left_top[0], baseline), text, font=font_of(size, True), fill=palette.TEXT, anchor="ls")


def tag(
    pencil: ImageDraw.ImageDraw,
    middle: tuple[float, float],
    text: str,
    strip_px: int,
    boxed: bool,
    width_px: float = float("inf"),
) -> None:
    """Words about their middle. boxed: bold on a patch of the ground, so that they read on any colour, moved so that
    they are whole within the picture; else as engraved. Words longer than ``width_px`` are set in two lines; those that
    come in several lines keep them."""
    font, text, box = _tag(middle, text, strip_px, boxed, width_px)
    if boxed:
        middle = _within(box, middle, pencil.im.size)
        box = _tag(middle, text, strip_px, boxed, width_px)[2]
        pencil.rectangle((box.left, box.top, box.right, box.bottom), fill=palette.GROUND, outline=palette.EDGE)
    pencil.text(middle, text, font=font, fill=palette.TEXT, anchor="mm", align="center", spacing=_TAG_SPACING_PX)


def leader(
    pencil: ImageDraw.ImageDraw,
    middle: tuple[float, float],
    text: str,
    strip_px: int,
    end: tuple[float, float],
    width_px: float = float("inf"),
) -> None:
    """The line from a boxed tag, which is drawn after it, to the place that the tag names, with a dot there."""
    x, y = tag_middle(middle, text, strip_px, pencil.im.size, width_px)
    wide = max(1, round(strip_px / 12))
    for colour, extra in ((palette.GROUND, 2), (palette.BLACK, 0)):
        pencil.line((x, y, *end), fill=colour, width=wide + extra)
        dot = 1.6 * wide + extra / 2
        pencil.ellipse((end[0] - dot, end[1] - dot, end[0] + dot, end[1] + dot), fill=colour)


def tag_middle(
    middle: tuple[float, float], text: str, strip_px: int, size_px: tuple[int, int], width_px: float = float("inf")
) -> tuple[float, float]:
    """Where the middle of a boxed tag stands, moved so that it lies within a picture of that size."""
    return _within(_tag(middle, text, strip_px, True, width_px)[2], middle, size_px)


def _within(box: Box, middle: tuple[float, float], size_px: tuple[int, int]) -> tuple[float, float]:
    """The middle of a tag moved so that its box lies within a picture of that size."""
    width, height = size_px
    over = [
        max(0, 2 - low) - max(0, high + 2 - end)
        for low, high, end in ((box.left, box.right, width), (box.top, box.bottom, height))
    ]
    return middle[0] + over[0], middle[1] + over[1]


def tag_box(middle: tuple[float, float], text: str, strip_px: int, boxed: bool, width_px: float = float("inf")) -> Box:
    """Where ``tag`` sets its words, with the patch round a boxed one."""
    return _tag(middle, text, strip_px, boxed, width_px)[2]


def _tag(
    middle: tuple[float, float], text: str, strip_px: int, boxed: bool, width_px: float
) -> tuple[ImageFont.FreeTypeFont, str, Box]:
    font = font_of(max(9, int(strip_px * (0.66 if boxed else 0.61))), boxed)
    if "\n" not in text and length_px(text, font) > width_px:
        text = halved(text, lambda part: length_px(part, font))
    pencil = ImageDraw.Draw(Image.new("L", (1, 1)))
    left, top, right, bottom = pencil.textbbox(
        middle, text, font=font, anchor="mm", align="center", spacing=_TAG_SPACING_PX
    )
    room = 3 if boxed else 0
    return (
        font,
        text,
        Box(
            name="tag",
            left=int(left) - room,
            top=int(top) - room,
            right=int(right) + room,
            bottom=int(bottom) + room,
            text=text,
        ),
    )


def halved(text: str, length_of: Callable[[str], float]) -> str:
    """The text in two lines, broken at the space that leaves the longer one shortest; as it is without a space."""
    words = text.split()
    ways = [(" ".join(words[:n]), " ".join(words[n:])) for n in range(1, len(words))]
    if not ways:
        return text
    return "\n".join(min(ways, key=lambda way: max(map(length_of, way))))


def covered(text: str) -> bool:
    """Whether the font has a sign for every character of the text; one that it has not is drawn as a box."""
    font = font_of(32, False)
    absent = font.getmask("\uffff").getbbox(), bytes(font.getmask("\uffff"))
    return all(
        character.isspace() or (font.getmask(character).getbbox(), bytes(font.getmask(character))) != absent
        for character in text
    )


def _set(
    plan: Panel, title: str, lines: Sequence[str], figures: Sequence[tuple[str, str]], below_px: Sequence[int] = ()
) -> list[_Word]:
    heights = [height for height in reversed(LETTER_HEIGHTS_MM) if LEAST_MM <= height <= TEXT_MM]
    usual, small = [h for h in heights if h > LEAST_MM], [h for h in heights if h <= LEAST_MM]
    # closer paragraphs rather than a smaller strip or smaller letters; no strip below rather than the smallest letters
    wide = [(height, below, gap) for below in below_px for height in usual for gap in (_PARAGRAPH, _TIGHT)]
    close = [(height, below, _CLOSE) for below in below_px for height in usual]
    full = [(height, 0, gap) for height in usual for gap in (_PARAGRAPH, _TIGHT, _CLOSE)]
    least = [(height, below, gap) for below in (*below_px, 0) for height in small for gap in (_PARAGRAPH, _TIGHT)]
    for height_mm, below, gap in (*wide, *close, *full, *least):
        words = _set_at(plan, height_mm, title, lines, figures, gap, below)
        if words is not None:
            return words
    width, height = plan.size_px
    raise RequestError(
        f'the text of "{title}" does not fit into {width} × {height} pixels at {plan.dpi:g} dpi; '
        "ask for a larger picture or fewer dpi"
    )


def _set_at(
    plan: Panel,
    text_mm: float,
    title: str,
    lines: Sequence[str],
    figures: Sequence[tuple[str, str]],
    gap: float,
    below_px: int,
) -> list[_Word] | None:
    """Every line of text with its place, or None when it does not fit in this height, so much left free below it.
    gap: between paragraphs ÷ line."""
    dpi, area = plan.dpi, plan.text
    title_mm = LETTER_HEIGHTS_MM[min(LETTER_HEIGHTS_MM.index(text_mm) + 1, LETTER_HEIGHTS_MM.index(TITLE_MM))]
    width = area.size_px[0]
    words: list[_Word] = []
    top = area.top
    pitch = _pitch_px(text_mm, dpi)

    title_lines = _wrapped(title, font_of(font_px(title_mm, dpi), True), width)
    if title_lines is None:
        return None
    for text in title_lines:
        words.append(_Word("title", text, area.left, top, title_mm, True, palette.TEXT))
        top += _pitch_px(title_mm, dpi)
    font = font_of(font_px(text_mm, dpi), False)
    for paragraph in lines:
        top += round(pitch * gap / 2)
        wrapped = _wrapped(paragraph, font, width)
        if wrapped is None:
            return None
        for text in wrapped:
            words.append(_Word("text", text, area.left, top, text_mm, False, palette.TEXT))
            top += pitch
    if figures:
        top += round(pitch * gap)
    bold = font_of(font_px(text_mm, dpi), True)
    right = area.left + min(width, _TABLE_EM * font_px(text_mm, dpi))
    for label, value in figures:
        label_lines = _wrapped(label, font, right - area.left)
        value_lines = _wrapped(value, bold, right - area.left)
        if label_lines is None or value_lines is None:
            return None
        for text in label_lines:
            words.append(_Word("label", text, area.left, top, text_mm, False, palette.FAINT_TEXT))
            top += pitch
        # The value stands at the right border, behind its label where there is room, else below it.
        if label_lines and value_lines:
            beside = length_px(label_lines[-1], font) + font_px(text_mm, dpi) + length_px(value_lines[0], bold)
            top -= pitch if beside <= right - area.left else 0
        for text in value_lines:
            words.append(_Word("value", text, right - length_px(text, bold), top, text_mm, True, palette.TEXT))
            top += pitch
        top += round(pitch * _ROW_GAP)
    if top - pitch + round(font_px(text_mm, dpi) * (_ASCENT_SHARE + _DESCENT_SHARE)) > area.bottom - below_px:
        return None
    footer_mm = _footer_mm(plan.size_px, dpi)
    words.append(_Word("footer", FOOTER, plan.footer.left, plan.footer.top, footer_mm, False, palette.FAINT_TEXT))
    return words


def _wrapped(text: str, font: ImageFont.FreeTypeFont, width_px: int) -> list[str] | None:
    """The text in lines of at most that length; None when one word is longer."""
    lines: list[str] = []
    line = ""
    for word in text.split():
        longer = f"{line} {word}" if line else word
        if length_px(longer, font) <= width_px:
            line = longer
            continue
        if length_px(word, font) > width_px:
            return None
        lines.append(line)
        line = word
    return [*lines, line] if line else lines


def length_px(text: str, font: ImageFont.FreeTypeFont) -> int:
    """Width of a line of text [px]."""
    return int(np.ceil(font.getlength(text))) + 1


def _footer_mm(size_px: tuple[int, int], dpi: float) -> float:
    """The footer is never left out: in a small picture it is set smaller."""
    for height_mm in (2.5, LEAST_MM):
        font = font_of(font_px(height_mm, dpi), False)
        if length_px(FOOTER, font) <= size_px[0] - 2 * round(_BORDER_MM * dpi / MM_PER_INCH):
            return height_mm
    raise RequestError(f'{size_px[0]} pixels at {dpi:g} dpi are too narrow for "{FOOTER}"')


def font_px(height_mm: float, dpi: float) -> int:
    """Font size [px] whose capitals are so high."""
    return max(6, round(height_mm * dpi / MM_PER_INCH / _CAPITAL_SHARE))


def _ascent_px(height_mm: float, dpi: float) -> int:
    return int(np.ceil(font_px(height_mm, dpi) * _ASCENT_SHARE))


def _pitch_px(height_mm: float, dpi: float) -> int:
    return round(font_px(height_mm, dpi) * _LINE_PITCH)


def _fitted(view: Image.Image, room_px: tuple[int, int]) -> Image.Image:
    if view.size == room_px:
        return view
    share = min(room_px[0] / view.width, room_px[1] / view.height)
    size = max(1, round(view.width * share)), max(1, round(view.height * share))
    return view.resize(size, Image.Resampling.LANCZOS)
