"""The lettering of the window, as pictures made by Pillow: the step's text, headlines, the state line, the help."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from quillwise.kinematics.angles import format_event, in_cycle
from quillwise.kinematics.steps import Step
from quillwise.viz import captions, palette
from quillwise.viz.playback import Playback

Picture = NDArray[np.uint8]

KEYS_HELP: tuple[tuple[str, str], ...] = (
    ("space", "play, pause"),
    ("→  ←", "next step, step before"),
    ("Home  End", "first step, last step"),
    ("↑  ↓", "faster, slower"),
    (",  .", "turn the crank 1° back, 1° on"),
    ("Page Up  Page Down", "turn the crank 10° back, 10° on"),
    ("click or drag on the strip", "turn the crank to that place of the cycle"),
    ("drag in the large view", "look from elsewhere; turn the wheel to zoom"),
    ("1 to 6", "wheelcase end, output end, left, right, top, three-quarter"),
    ("r", "the view of the step again"),
    ("p", "save a picture in the current folder"),
    ("h", "this help on, off"),
    ("q  Escape", "close"),
)
HINT = "space: play   ← →: step   , . : crank   1–6: view   h: help   q: close"

_LINE = 1.28  # line to line, ÷ font size
_GAP = 0.22  # between paragraphs
_LARGEST, _LEAST_PX = 15.0, 8  # largest letter size in a window of 720 lines
_TITLE = 1.22
_MORE = "…"


@dataclass(frozen=True, slots=True)
class _Paragraph:
    """Text with a hanging indent. lead: bold beginning."""

    text: str
    lead: str = ""
    size: float = 1.0
    bold: bool = False


def step_panel(step: Step, count: int, size_px: tuple[int, int], scale: float) -> Picture:
    """The step's number, title, cautions, what to do, what to see, and figures (H, W, 3). scale: window's height ÷ 720.

    The letters are the largest, up to 15 pixels × scale, in which all of it fits; at 8 pixels the last lines are left
    out with "…".
    """
    paragraphs = [_Paragraph(f"{step.number} / {count}  {step.text.title}", size=_TITLE, bold=True)]
    paragraphs += [_Paragraph(caution.text, lead=f"{caution.level}:") for caution in step.text.cautions]
    paragraphs += [_Paragraph(sentence, lead="•") for sentence in step.text.do]
    paragraphs += [_Paragraph(what, lead=f"→ {where}:") for where, what in step.text.see]
    paragraphs += [_Paragraph(value, lead=f"{label}:") for label, value in figures(step)]
    size = max(_LEAST_PX, int(_LARGEST * scale))
    while size > _LEAST_PX and _height(paragraphs, size, size_px[0]) > size_px[1]:
        size -= 1
    return _set(paragraphs, size, size_px)


def figures(step: Step) -> list[tuple[str, str]]:
    """The figures of a step: how far the crank goes, the least room on the way, checks with their verdicts."""
    found = []
    start, end = step.crank_deg
    if start != end:
        found.append(("crank", f"{start % 720:.1f}° → {end % 720:.1f}°, {end - start:.1f}° to go"))
    if step.room is not None:
        assumed = "" if step.room.known else ", assumed"
        found.append(("least room", f"{step.room.room_mm:.1f} mm at {step.room.valve}{assumed}"))
    worst = sorted(step.checks, key=lambda check: abs(check.early) / max(check.limit, 1e-9), reverse=True)
    for check in worst[:2]:
        unit = "°" if check.unit == "crank deg" else " mm"
        found.append((check.what, f"{check.early:+.2f}{unit} of ±{check.limit:g}{unit} allowed: {check.verdict}"))
    return found


def state_words(now: Playback, crank_deg: float, first: str) -> str:
    """Whether it plays and how fast, and where the crank stands; first: the first cylinder of the firing order."""
    how = f"playing × {now.speed:g}" if now.playing else "paused" if now.speed == 1 else f"paused, × {now.speed:g}"
    if now.crank_deg is not None:
        how = "crank turned by hand"
    return f"{how}   crank {float(in_cycle(crank_deg)):.1f}°, {format_event(crank_deg, 1)} of {first}"


def headline(lines: tuple[str, str], size_px: tuple[int, int]) -> Picture:
    """Two lines: what a view shows, bold, and its reading."""
    picture, pencil = _sheet(size_px)
    width, height = size_px
    for number, text in enumerate(lines):
        size = max(6, int(height / 2 / 1.25))
        while size > 6 and _font(size, number == 0).getlength(text) > width - 8:
            size -= 1
        place = (4, height * (0.27 + 0.48 * number))
        pencil.text(place, text, font=_font(size, number == 0), fill=palette.TEXT, anchor="lm")
    return np.asarray(picture)


def bar(left: str, right: str, size_px: tuple[int, int], bold: bool = False) -> Picture:
    """One line with text at its left and right; the right one is left out where both do not fit."""
    picture, pencil = _sheet(size_px)
    width, height = size_px
    size = max(6, int(height / 1.45))
    while size > 6 and _font(size, bold).getlength(left) > width - 12:
        size -= 1
    pencil.text((6, height / 2), left, font=_font(size, bold), fill=palette.TEXT, anchor="lm")
    room = width - 18 - _font(size, bold).getlength(left)
    if right and _font(size, False).getlength(right) <= room:
        pencil.text((width - 6, height / 2), right, font=_font(size, False), fill=palette.FAINT_TEXT, anchor="rm")
    return np.asarray(picture)


def help_page(size_px: tuple[int, int]) -> Picture:
    """All keys and what the mouse does."""
    picture, pencil = _sheet(size_px)
    width, height = size_px
    size = max(6, int(height / (len(KEYS_HELP) + 4) / 1.5))
    while size > 6 and _help_width(size) > width - 4 * size:
        size -= 1
    pitch = height / (len(KEYS_HELP) + 4)
    pencil.text(
        (2 * size, 1.5 * pitch), "Keys and mouse", font=_font(round(1.3 * size), True), fill=palette.TEXT, anchor="lm"
    )
    column = 2 * size + max(_font(size, True).getlength(keys) for keys, _ in KEYS_HELP) + 1.5 * size
    for number, (keys, what) in enumerate(KEYS_HELP):
        y = (number + 3) * pitch
        pencil.text((2 * size, y), keys, font=_font(size, True), fill=palette.TEXT, anchor="lm")
        pencil.text((column, y), what, font=_font(size, False), fill=palette.TEXT, anchor="lm")
    return np.asarray(picture)


def _help_width(size: int) -> float:
    return (
        max(_font(size, True).getlength(keys) for keys, _ in KEYS_HELP)
        + max(_font(size, False).getlength(what) for _, what in KEYS_HELP)
        + 3.5 * size
    )


def _set(paragraphs: Sequence[_Paragraph], size: int, size_px: tuple[int, int]) -> Picture:
    picture, pencil = _sheet(size_px)
    width, height = size_px
    border = size // 2
    y = 0.3 * size
    for paragraph in paragraphs:
        px = round(size * paragraph.size)
        for number, line in enumerate(_lines(paragraph, px, width - 2 * border)):
            if y + _LINE * px > height:
                pencil.text((width - border, height - 2), _MORE, font=_font(size, True), fill=palette.TEXT, anchor="rs")
                return np.asarray(picture)
            baseline = y + px
            x = float(border)
            if number == 0 and paragraph.lead:
                pencil.text((x, baseline), paragraph.lead, font=_font(px, True), fill=palette.TEXT, anchor="ls")
                x += _font(px, True).getlength(f"{paragraph.lead} ")
            elif paragraph.lead:
                x += _hang(px)
            pencil.text((x, baseline), line, font=_font(px, paragraph.bold), fill=palette.TEXT, anchor="ls")
            y += _LINE * px
        y += _GAP * size
    return np.asarray(picture)


def _height(paragraphs: Sequence[_Paragraph], size: int, width: int) -> float:
    total = 0.3 * size
    for paragraph in paragraphs:
        px = round(size * paragraph.size)
        total += len(_lines(paragraph, px, width - 2 * (size // 2))) * _LINE * px + _GAP * size
    return total


def _lines(paragraph: _Paragraph, px: int, width: float) -> list[str]:
    """The paragraph in lines; the first leaves room for its bold beginning, the others for the hanging indent. A word
    longer than a line is broken."""
    font = _font(px, paragraph.bold)
    lines: list[str] = []
    line = ""
    room = width - (_font(px, True).getlength(f"{paragraph.lead} ") if paragraph.lead else 0.0)
    for word in paragraph.text.split():
        longer = f"{line} {word}" if line else word
        if font.getlength(longer) <= room:
            line = longer
            continue
        if line:
            lines.append(line)
            room = width - (_hang(px) if paragraph.lead else 0.0)
        while font.getlength(word) > room and len(word) > 1:
            fits = max(1, sum(font.getlength(word[: n + 1]) <= room for n in range(len(word))))
            lines.append(word[:fits])
            word = word[fits:]
            room = width - (_hang(px) if paragraph.lead else 0.0)
        line = word
    return [*lines, line]


def _hang(px: int) -> float:
    return _font(px, True).getlength("• ")


def _sheet(size_px: tuple[int, int]) -> tuple[Image.Image, ImageDraw.ImageDraw]:
    picture = Image.new("RGB", (max(1, size_px[0]), max(1, size_px[1])), palette.GROUND)
    return picture, ImageDraw.Draw(picture)


@functools.cache
def _font(size_px: int, bold: bool) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(captions.font_file(bold)), size_px, layout_engine=ImageFont.Layout.BASIC)
