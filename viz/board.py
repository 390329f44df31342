"""The lettering of the window, as pictures made by Pillow: the step's text, headlines, the state line, the help."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from quillwise.kinematics.angles import format_crank, format_event
from quillwise.kinematics.lengths import LengthUnit, length
from quillwise.kinematics.steps import Step
from quillwise.kinematics.verdicts import worst_first
from quillwise.viz import palette
from quillwise.viz.actions import ACTIONS, BAR, MOUSE
from quillwise.viz.buttons import Button, Placed, draw, row
from quillwise.viz.fonts import font_of
from quillwise.viz.playback import Playback

Picture = NDArray[np.uint8]

_LINE = 1.28  # line to line, ÷ font size
_GAP = 0.22  # between paragraphs
_LARGEST, _LEAST_PX = 15.0, 8  # largest letter size in a window of 720 lines
_TITLE = 1.22
_MORE = "…"


@dataclass(frozen=True, slots=True)
class Paragraph:
    """Text with a hanging indent. lead: bold beginning."""

    text: str
    lead: str = ""
    size: float = 1.0
    bold: bool = False


def step_panel(step: Step, count: int, size_px: tuple[int, int], scale: float, unit: LengthUnit = "mm") -> Picture:
    """The step's number, title, cautions, what to do, what to see, and figures (H, W, 3). scale: window's height ÷ 720;
    unit: of lengths.

    The letters are the largest, up to 15 pixels × scale, in which all of it fits; at 8 pixels the last lines are left
    out with "…".
    """
    paragraphs = step_paragraphs(step, count, unit)
    size = max(_LEAST_PX, int(_LARGEST * scale))
    while size > _LEAST_PX and _height(paragraphs, size, size_px[0]) > size_px[1]:
        size -= 1
    return _set(paragraphs, size, size_px)


def step_paragraphs(step: Step, count: int, unit: LengthUnit = "mm") -> list[Paragraph]:
    """All that is told of a step, in the order in which it is read."""
    paragraphs = [Paragraph(f"{step.number} / {count}  {step.text.title}", size=_TITLE, bold=True)]
    paragraphs += [Paragraph(caution.text, lead=f"{caution.level}:") for caution in step.text.cautions]
    paragraphs += [Paragraph(sentence, lead="•") for sentence in step.text.do]
    paragraphs += [Paragraph(what, lead=f"→ {where}:") for where, what in step.text.see]
    paragraphs += [Paragraph(value, lead=f"{label}:") for label, value in figures(step, unit)]
    return paragraphs


def figures(step: Step, unit: LengthUnit = "mm") -> list[tuple[str, str]]:
    """The figures of a step: how far the crank goes, the least room on the way, checks with their verdicts."""
    found = []
    start, end = step.crank_deg
    if start != end:
        found.append(("crank", f"{format_crank(start)}° → {format_crank(end)}°, {end - start:.1f}° to go"))
    if step.room is not None:
        assumed = "" if step.room.known else ", assumed"
        found.append(("least room", f"{length(step.room.room_mm, unit, 1)} at {step.room.valve}{assumed}"))
    for check in worst_first(step.checks)[:2]:
        found.append((check.what, f"{check.early:+.2f}° of ±{check.limit:g}° allowed: {check.verdict}"))
    return found


def state_words(now: Playback, crank_deg: float, first: str) -> str:
    """Whether it plays and how fast, and where the crank stands; first: the first cylinder of the firing order."""
    how = f"playing × {now.speed:g}" if now.playing else "paused" if now.speed == 1 else f"paused, × {now.speed:g}"
    if now.crank_deg is not None:
        how = "crank turned by hand"
    return f"{how}   crank {format_crank(crank_deg)}°, {format_event(crank_deg, 1)} of {first}"


def headline(lines: tuple[str, str], size_px: tuple[int, int]) -> Picture:
    """Two lines: what a view shows, bold, and its reading."""
    picture, pencil = _sheet(size_px)
    width, height = size_px
    for number, text in enumerate(lines):
        size = max(6, int(height / 2 / 1.25))
        while size > 6 and font_of(size, number == 0).getlength(text) > width - 8:
            size -= 1
        place = (4, height * (0.27 + 0.48 * number))
        pencil.text(place, text, font=font_of(size, number == 0), fill=palette.TEXT, anchor="lm")
    return np.asarray(picture)


def bar(left: str, right: str, size_px: tuple[int, int], bold: bool = False) -> Picture:
    """One line with text at its left and right; the right one is left out where both do not fit."""
    picture, pencil = _sheet(size_px)
    width, height = size_px
    size = max(6, int(height / 1.45))
    while size > 6 and font_of(size, bold).getlength(left) > width - 12:
        size -= 1
    pencil.text((6, height / 2), left, font=font_of(size, bold), fill=palette.TEXT, anchor="lm")
    room = width - 18 - font_of(size, bold).getlength(left)
    if right and font_of(size, False).getlength(right) <= room:
        pencil.text((width - 6, height / 2), right, font=font_of(size, False), fill=palette.FAINT_TEXT, anchor="rm")
    return np.asarray(picture)


def help_page(size_px: tuple[int, int]) -> Picture:
    """All keys, their buttons and what the mouse does, in two columns."""
    rows = [(each.shown, each.what) for each in ACTIONS]
    rows += list(MOUSE)
    half = (len(rows) + 1) // 2
    picture, pencil = _sheet(size_px)
    width, height = size_px
    pitch = height / (half + 3)
    size = max(6, int(pitch / 1.35))
    columns = (rows[:half], rows[half:])
    while size > 6 and sum(_help_width(column, size) for column in columns) > width - 2 * size:
        size -= 1
    title = "Keys and mouse: every button presses the key that is named here"
    pencil.text((size, 1.1 * pitch), title, font=font_of(size, True), fill=palette.TEXT, anchor="lm")
    x = float(size)
    for column in columns:
        second = x + max(font_of(size, True).getlength(keys) for keys, _ in column) + 0.9 * size
        for number, (keys, what) in enumerate(column):
            y = (number + 2.5) * pitch
            pencil.text((x, y), keys, font=font_of(size, True), fill=palette.TEXT, anchor="lm")
            pencil.text((second, y), what, font=font_of(size, False), fill=palette.TEXT, anchor="lm")
        x += _help_width(column, size)
    return np.asarray(picture)


def _help_width(column: Sequence[tuple[str, str]], size: int) -> float:
    keys = max(font_of(size, True).getlength(keys) for keys, _ in column)
    return float(keys + max(font_of(size, False).getlength(what) for _, what in column) + 2.0 * size)


def bar_of_buttons(
    size_px: tuple[int, int], scale: float, playing: bool, pressed: Collection[str], idle: Collection[str]
) -> tuple[Picture, tuple[Placed, ...]]:
    """The rows of buttons under the large view, and where each stands."""
    picture, pencil = _sheet(size_px)
    width, height = size_px
    placed: list[Placed] = []
    for number, where in enumerate(BAR):
        made = []
        for each in ACTIONS:
            if each.where != where:
                continue
            words = "Pause" if each.name == "play" and playing else each.button
            made.append(Button(key=each.keys[0], words=words, hint=each.shown if where == "do" else ""))
        top, bottom = (round(height * at / len(BAR)) for at in (number, number + 1))
        placed += row(made, (2, top + 1, width - 2, bottom - 1), max(6, round(12 * scale)))
    draw(pencil, placed, pressed, idle)
    return np.asarray(picture), tuple(placed)


def panel(
    paragraphs: Sequence[Paragraph], rows: Sequence[Sequence[Button]], size_px: tuple[int, int], scale: float
) -> tuple[Picture, tuple[Placed, ...]]:
    """Text over rows of buttons (H, W, 3), and where each button stands: below all text, none over another."""
    width, height = size_px
    line = round(26 * scale)
    below = height - line * len(rows) - round(4 * scale)
    size = max(_LEAST_PX, int(_LARGEST * scale))
    while size > _LEAST_PX and _height(paragraphs, size, width) > below:
        size -= 1
    picture = Image.new("RGB", size_px, palette.GROUND)
    picture.paste(Image.fromarray(_set(paragraphs, size, (width, below))), (0, 0))
    placed: list[Placed] = []
    for number, buttons in enumerate(rows):
        top = below + number * line
        placed += row(buttons, (6, top + 2, width - 6, top + line - 2), max(6, round(13 * scale)))
    draw(ImageDraw.Draw(picture), placed)
    return np.asarray(picture), tuple(placed)


def _set(paragraphs: Sequence[Paragraph], size: int, size_px: tuple[int, int]) -> Picture:
    picture, pencil = _sheet(size_px)
    width, height = size_px
    border = size // 2
    y = 0.3 * size
    for paragraph in paragraphs:
        px = round(size * paragraph.size)
        for number, line in enumerate(_lines(paragraph, px, width - 2 * border)):
            if y + _LINE * px > height:
                pencil.text(
                    (width - border, height - 2), _MORE, font=font_of(size, True), fill=palette.TEXT, anchor="rs"
                )
                return np.asarray(picture)
            baseline = y + px
            x = float(border)
            if number == 0 and paragraph.lead:
                pencil.text((x, baseline), paragraph.lead, font=font_of(px, True), fill=palette.TEXT, anchor="ls")
                x += font_of(px, True).getlength(f"{paragraph.lead} ")
            elif paragraph.lead:
                x += _hang(px)
            pencil.text((x, baseline), line, font=font_of(px, paragraph.bold), fill=palette.TEXT, anchor="ls")
            y += _LINE * px
        y += _GAP * size
    return np.asarray(picture)


def _height(paragraphs: Sequence[Paragraph], size: int, width: int) -> float:
    total = 0.3 * size
    for paragraph in paragraphs:
        px = round(size * paragraph.size)
        total += len(_lines(paragraph, px, width - 2 * (size // 2))) * _LINE * px + _GAP * size
    return total


def _lines(paragraph: Paragraph, px: int, width: float) -> list[str]:
    """The paragraph in lines; the first leaves room for its bold beginning, the others for the hanging indent. A word
    longer than a line is broken."""
    font = font_of(px, paragraph.bold)
    lines: list[str] = []
    line = ""
    room = width - (font_of(px, True).getlength(f"{paragraph.lead} ") if paragraph.lead else 0.0)
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
    return font_of(px, True).getlength("• ")


def _sheet(size_px: tuple[int, int]) -> tuple[Image.Image, ImageDraw.ImageDraw]:
    picture = Image.new("RGB", (max(1, size_px[0]), max(1, size_px[1])), palette.GROUND)
    return picture, ImageDraw.Draw(picture)
