"""Buttons as rectangles of a picture: where each stands, how it is drawn, which one a click meets."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

from PIL import ImageDraw

from quillwise.viz import palette
from quillwise.viz.fonts import font_of
from quillwise.viz.leaf import Area

_PAD_EM, _GAP_PX = 0.9, 3
PRESSED = "#000000"
FACE = "#EDEFF1"
_LEAST_FONT_PX = 6


@dataclass(frozen=True, kw_only=True, slots=True)
class Button:
    """A button. ``key``: what a click presses; ``hint``: its key as it is printed, smaller, behind the words."""

    key: str
    words: str
    hint: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Placed:
    """A button and its rectangle, in pixels from the top left of its picture."""

    button: Button
    area: Area
    font_px: int


def row(buttons: Sequence[Button], area: Area, font_px: int) -> tuple[Placed, ...]:
    """Buttons side by side over the whole width, each as wide as its words need and an even share of what is over.

    ``font_px``: the font size wanted; it shrinks until all fit, to 6 pixels at the least: then the buttons are narrower
    than their words. No two overlap, none leaves the area.
    """
    left, top, right, bottom = area
    if not buttons:
        return ()
    gaps = _GAP_PX * (len(buttons) - 1)
    size = font_px
    while size > _LEAST_FONT_PX and sum(_width(each, size) for each in buttons) > right - left - gaps:
        size -= 1
    widths = [_width(each, size) for each in buttons]
    spare = max(0.0, right - left - gaps - sum(widths))
    share = min(1.0, (right - left - gaps) / sum(widths))
    placed: list[Placed] = []
    x = float(left)
    for each, width in zip(buttons, widths, strict=True):
        wide = width * share + spare / len(buttons)
        placed.append(Placed(button=each, area=(round(x), top, round(x + wide), bottom), font_px=size))
        x += wide + _GAP_PX
    return tuple(placed)


def draw(
    pencil: ImageDraw.ImageDraw,
    placed: Iterable[Placed],
    pressed: Collection[str] = (),
    idle: Collection[str] = (),
) -> None:
    """Draws buttons. pressed: keys whose button is down: white on black, with a heavy border. idle: keys that would
    do nothing now: pale words and a broken border."""
    for each in placed:
        left, top, right, bottom = each.area
        down, off = each.button.key in pressed, each.button.key in idle
        face = PRESSED if down else palette.GROUND if off else FACE
        pencil.rectangle((left, top, right - 1, bottom - 1), fill=face, outline=None if off else palette.RULE)
        if off:
            for dash in range(left, right, 4):
                for y in (top, bottom - 1):
                    pencil.line((dash, y, min(dash + 1, right - 1), y), fill=palette.RULE)
        ink = palette.GROUND if down else palette.RULE if off else palette.TEXT
        faint = palette.GROUND if down else palette.RULE if off else palette.FAINT_TEXT
        font, small = font_of(each.font_px, not off), font_of(each.font_px, False)
        words, hint = each.button.words, each.button.hint
        whole = font.getlength(words) + (small.getlength(f"  {hint}") if hint else 0.0)
        x, middle = left + (right - left - whole) / 2, (top + bottom) / 2
        pencil.text((x, middle), words, font=font, fill=ink, anchor="lm")
        if hint:
            pencil.text((x + font.getlength(words), middle), f"  {hint}", font=small, fill=faint, anchor="lm")


def hit(placed: Iterable[Placed], x_px: float, y_px: float) -> str | None:
    """The key of the button at a place of the picture, None where there is none."""
    for each in placed:
        left, top, right, bottom = each.area
        if left <= x_px < right and top <= y_px < bottom:
            return each.button.key
    return None


def _width(button: Button, font_px: int) -> float:
    words = font_of(font_px, True).getlength(button.words)
    hint = font_of(font_px, False).getlength(f"  {button.hint}") if button.hint else 0.0
    return float(words + hint + _PAD_EM * font_px)
