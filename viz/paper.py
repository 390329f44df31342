"""Sheets, lines and lettering in millimetres of paper, by the line conventions of ISO 128-2 and heights of ISO 3098."""

from __future__ import annotations

import functools
import re
from types import MappingProxyType
from typing import Literal

from PIL import ImageFont

from quillwise.kinematics.errors import RequestError
from quillwise.viz.fonts import font_file

LineKind = Literal["wide", "narrow", "hidden", "centre", "phantom", "arrow", "hatch"]

# width and height, lying
SHEETS = MappingProxyType({"A5": (210.0, 148.0), "A4": (297.0, 210.0), "A3": (420.0, 297.0), "letter": (279.4, 215.9)})
WIDE_MM, NARROW_MM = 0.5, 0.25  # line group 0.5, for sheets
SMALL_WIDE_MM, SMALL_NARROW_MM = 0.25, 0.13  # for figures in a column: wider ones run together
APART_MM = 0.7  # parallel lines nearer than this run together
TEXT_MM, SMALL_TEXT_MM, LEAST_TEXT_MM = 3.5, 2.5, 1.8
CAPITAL_SHARE = 1493 / 2048  # of DejaVu Sans: height of a capital, ÷ font size
_SIDES_MM = (40.0, 2000.0)

# lengths of dash and gap, ÷ line width (ISO 128-2, lines 02.1, 04.1 and 05.1)
_DASHES = MappingProxyType(
    {"hidden": (12, 3), "centre": (24, 3, 0.5, 3), "phantom": (24, 3, 0.5, 3, 0.5, 3)},
)


def dashes_mm(kind: LineKind, width_mm: float) -> tuple[float, ...]:
    """Dash and gap lengths of a line kind at a width [mm]; empty: solid."""
    return tuple(round(part * width_mm, 3) for part in _DASHES.get(kind, ()))


def font_size_mm(height_mm: float) -> float:
    """Font size whose capitals have this height [mm]."""
    return height_mm / CAPITAL_SHARE


def text_width_mm(text: str, height_mm: float) -> float:
    """Width of a line of text whose capitals are height_mm high [mm]."""
    return _font().getlength(text) / 100.0 * font_size_mm(height_mm)


@functools.cache
def _font() -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(font_file()), 100)


def sheet_mm(text: str) -> tuple[float, float]:
    """Width and height [mm] of a sheet: a name of ``SHEETS``, or ``WxH``. Raises RequestError."""
    named = {name.casefold(): size for name, size in SHEETS.items()}
    if text.casefold() in named:
        return named[text.casefold()]
    found = re.fullmatch(r"(\d+(?:\.\d+)?)[x×](\d+(?:\.\d+)?)", text)
    if found:
        width, height = float(found[1]), float(found[2])
        if all(_SIDES_MM[0] <= side <= _SIDES_MM[1] for side in (width, height)):
            return width, height
    raise RequestError(
        f'--paper: expected {", ".join(SHEETS)}, or WxH in mm from {_SIDES_MM[0]:g} to {_SIDES_MM[1]:g}, got "{text}"'
    )
