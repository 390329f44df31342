"""A line drawing as SVG, in millimetres of paper: a named group for each part, text as text. The same drawing gives
the same bytes."""

from __future__ import annotations

import functools
import unicodedata
from collections.abc import Sequence
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from quillwise.kinematics.errors import RequestError
from quillwise.viz.linedrawing import LineDrawing, Stroke
from quillwise.viz.linework import Floats
from quillwise.viz.paper import dashes_mm, font_size_mm

FONT = "DejaVu Sans, Verdana, sans-serif"


def svg(drawing: LineDrawing) -> bytes:
    """The file, its unit mm, as bytes of UTF-8. Raises RequestError when a text holds a control character, which XML
    cannot carry."""
    width, height = drawing.size_mm
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}mm" height="{height:g}mm" '
        f'viewBox="0 0 {width:g} {height:g}" role="img" aria-labelledby="title about">',
        f'<title id="title">{_text(drawing.title)}</title>',
        f'<desc id="about">{_text(drawing.about)}</desc>',
        f'<rect width="{width:g}" height="{height:g}" fill="#ffffff"/>',
    ]
    groups: dict[str, list[Stroke]] = {}
    for stroke in drawing.strokes:
        groups.setdefault(stroke.part, []).append(stroke)
    for number, (name, own) in enumerate(groups.items()):
        lines.append(f'<g id="part-{number}"><title>{_text(name)}</title>')
        lines += [_stroke(stroke, drawing) for stroke in own]
        lines.append("</g>")
    for left, top, wide, high in drawing.frames:
        lines.append(
            f'<rect x="{left:g}" y="{top:g}" width="{wide:g}" height="{high:g}" fill="none" stroke="#767676" '
            f'stroke-width="{drawing.narrow_mm:g}"/>'
        )
    for head in drawing.heads:
        lines.append(f'<path d="{_path([head])}Z" fill="#000000"/>')
    for each in drawing.rounds:
        at = f'<circle cx="{each.at[0]:.2f}" cy="{each.at[1]:.2f}" r="{each.radius_mm:.2f}"'
        if each.clear:  # over other lines: it parts them
            lines.append(f'{at} fill="none" stroke="#ffffff" stroke-width="{3 * drawing.wide_mm:g}"/>')
            lines.append(f'{at} fill="none" stroke="#000000" stroke-width="{drawing.wide_mm:g}"/>')
        elif each.filled:
            lines.append(f'{at} fill="#000000"/>')
        else:
            lines.append(f'{at} fill="#ffffff" stroke="#000000" stroke-width="{drawing.narrow_mm:g}"/>')
    for word in drawing.words:
        weight = ' font-weight="bold"' if word.bold else ""
        lines.append(
            f'<text x="{word.at[0]:.2f}" y="{word.at[1]:.2f}" font-family={quoteattr(FONT)} '
            f'font-size="{font_size_mm(word.height_mm):.3f}" text-anchor="{word.anchor}"{weight} fill="#000000">'
            f"{_text(word.text)}</text>"
        )
    lines.append("</svg>\n")
    return "\n".join(lines).encode("utf-8")


def _stroke(stroke: Stroke, drawing: LineDrawing) -> str:
    width = drawing.wide_mm if stroke.kind in ("wide", "arrow") else drawing.narrow_mm
    dashes = dashes_mm(stroke.kind, width)
    dashed = f' stroke-dasharray="{" ".join(f"{each:g}" for each in dashes)}"' if dashes else ""
    joined = ' stroke-linejoin="round"' if stroke.kind != "arrow" else ""
    return (
        f'<path fill="none" stroke="{stroke.colour}" stroke-width="{width:g}" stroke-linecap="butt"{joined}{dashed} '
        f'd="{_path(stroke.lines)}"/>'
    )


def _path(lines: Sequence[Floats]) -> str:
    """Points of lines to a hundredth of a millimetre; after the first of each, as steps, which are shorter."""
    lines = [line for line in lines if len(line) > 1]
    if not lines:
        return ""
    first = np.cumsum([0, *(len(line) for line in lines[:-1])])
    whole = np.round(np.concatenate(lines) * 100).astype(np.int64)
    steps = np.diff(whole, axis=0, prepend=np.zeros((1, 2), dtype=np.int64))
    steps[first] = whole[first]
    values, which = np.unique(steps, return_inverse=True)
    which = which.reshape(steps.shape)
    plain = [_short(value) for value in values.tolist()]
    # a minus parts numbers as well as a comma does
    text = np.array([each if each[0] == "-" else f",{each}" for each in plain], dtype=object)[which]
    text[first, 0] = [f"M{plain[number]}" for number in which[first, 0]]
    text[first + 1, 0] = [f"l{plain[number]}" for number in which[first + 1, 0]]
    return "".join(text.ravel().tolist())


@functools.lru_cache(maxsize=1 << 14)
def _short(hundredths: int) -> str:
    text = f"{hundredths / 100:g}"
    return text.replace("0.", ".", 1) if text.startswith(("0.", "-0.")) else text


def _text(value: str) -> str:
    for character in value:
        if unicodedata.category(character) in ("Cc", "Cs") or character in "\ufffe\uffff":
            raise RequestError(f"a drawing cannot carry the character U+{ord(character):04X} in {value!r:.60}")
    return escape(value)
