"""A line drawing as SVG, in millimetres of paper: a named group for each part, text as text. The same drawing gives
the same bytes."""

from __future__ import annotations

import unicodedata
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from quillwise.kinematics.errors import RequestError
from quillwise.viz.linedrawing import LineDrawing, Stroke
from quillwise.viz.paper import dashes_mm, font_size_mm

FONT = "DejaVu Sans, Verdana, sans-serif"


def svg(drawing: LineDrawing) -> bytes:
    """The file. Raises RequestError when a text holds a control character, which XML cannot carry."""
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
        lines.append(f'<path d="{_path(head)}Z" fill="#000000"/>')
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
        f'd="{"".join(_path(line) for line in stroke.lines)}"/>'
    )


def _path(line: np.ndarray) -> str:
    """Points to a hundredth of a millimetre; after the first, as steps, which are shorter."""
    whole = np.round(np.asarray(line) * 100).astype(int)
    steps = np.diff(whole, axis=0)
    pairs = [f"{_short(x)}{'' if y < 0 else ','}{_short(y)}" for x, y in (whole[0], *steps)]
    rest = "".join(pair if pair[0] == "-" else f",{pair}" for pair in pairs[2:])
    return f"M{pairs[0]}l{pairs[1]}{rest}" if len(pairs) > 1 else ""


def _short(hundredths: int) -> str:
    text = f"{hundredths / 100:g}"
    return text.replace("0.", ".", 1) if text.startswith(("0.", "-0.")) else text


def _text(value: str) -> str:
    for character in value:
        if unicodedata.category(character) in ("Cc", "Cs") or character in "\ufffe\uffff":
            raise RequestError(f"a drawing cannot carry the character U+{ord(character):04X} in {value!r:.60}")
    return escape(value)
