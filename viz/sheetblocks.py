"""The blocks that a work-instruction pack is made of: plain data, which one fixed template sets. No markup in them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

from quillwise.viz.paper import text_width_mm

Block = dict[str, Any]

HAND_MM = 6.0  # height of a row that is written in by hand
WIDTH_MM = 180.0  # of what stands on an A4 page
_BODY_MM, _SMALL_MM = 2.5, 1.8  # capitals
_LINE = 1.7  # pitch of lines, ÷ height of a capital
PAGE: Block = {"kind": "page"}


def heading(level: int, text: str) -> Block:
    """A heading; level from 1."""
    return {"kind": "heading", "level": level, "text": text}


def text(words: str, strong: bool = False) -> Block:
    """A paragraph."""
    return {"kind": "text", "text": words, "strong": strong}


def mono(words: str) -> Block:
    """Lines as they stand in a file."""
    return {"kind": "mono", "text": words}


def caution(level: str, words: str) -> Block:
    """A box with a WARNING, CAUTION or NOTE."""
    return {"kind": "caution", "level": level, "text": words}


def steps(items: Iterable[str]) -> Block:
    """Numbered instructions."""
    return {"kind": "steps", "items": list(items)}


def table(
    head: Sequence[str],
    rows: Iterable[Sequence[str]],
    widths: Sequence[float],
    *,
    right: Sequence[int] = (),
    small: bool = False,
    height_mm: float = HAND_MM,
) -> Block:
    """A table; an empty text is a blank that is written in by hand, height_mm high. widths: shares of the page's.
    right: columns of figures."""
    found = [list(row) for row in rows]
    assert len(widths) == len(head) and all(len(row) == len(head) for row in found)
    return {
        "kind": "table",
        "head": list(head),
        "rows": found,
        "widths": list(widths),
        "right": list(right),
        "small": small,
        "height": height_mm,
    }


def figure(svg: str, alt: str, width_mm: float, items: Sequence[tuple[int, str]]) -> Block:
    """A vector figure with its alternative text and its item list."""
    return {"kind": "figure", "svg": svg, "alt": alt, "width": width_mm, "items": [list(item) for item in items]}


def fields(names: Sequence[str], height_mm: float = HAND_MM) -> Block:
    """Blanks side by side, each under its name."""
    return {"kind": "fields", "names": list(names), "height": height_mm}


def logo(png: bytes, alt: str) -> Block:
    """A picture of the owner's, as PNG."""
    return {"kind": "logo", "data": list(png), "alt": alt}


def together(blocks: Sequence[Block]) -> Block:
    """Headings, texts, tables and fields that stay on one page."""
    return {"kind": "together", "blocks": list(blocks)}


def texts(value: object) -> Iterable[str]:
    """Every text in a block or a list of blocks, but the drawings."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for key, inner in value.items():
            if key not in ("svg", "kind"):
                yield from texts(inner)
    elif isinstance(value, list) and not (value and isinstance(value[0], int) and len(value) > 100):
        for inner in value:
            yield from texts(inner)


def height_mm(block: Block) -> float:
    """About how much of a page a block takes [mm], rather too much than too little; a figure: 0."""
    kind = block["kind"]
    if kind == "heading":
        high = {1: 3.5, 2: 2.9}.get(block["level"], _BODY_MM)
        return 2.2 * high + _lines_mm(block["text"], WIDTH_MM, 1.12 * high)
    if kind == "text":
        return 2.6 + _lines_mm(block["text"], WIDTH_MM, _BODY_MM * (1.12 if block["strong"] else 1.0))
    if kind == "caution":
        return 3.8 + _lines_mm(f"{block['level']}: {block['text']}", WIDTH_MM - 8.0, _BODY_MM)
    if kind == "steps":
        return 2.6 + sum(1.9 + _lines_mm(item, WIDTH_MM - 8.0, _BODY_MM) for item in block["items"])
    if kind == "table":
        return _table_mm(block)
    if kind == "fields":
        return 4.8 + float(block["height"]) + _SMALL_MM
    if kind == "together":
        return sum(height_mm(inner) for inner in block["blocks"])
    return 0.0


def _table_mm(block: Block) -> float:
    high = _SMALL_MM if block["small"] else _BODY_MM
    share = WIDTH_MM / sum(block["widths"])

    def row_mm(row: Sequence[str], capital_mm: float, least_mm: float) -> float:
        cells = zip(row, block["widths"], strict=True)
        lines = max(_lines_mm(each, width * share - 2.6, capital_mm) for each, width in cells)
        return 2.0 + max(lines, least_mm)

    rows = sum(row_mm(row, high, block["height"]) for row in block["rows"])
    return 2.6 + row_mm(block["head"], 1.12 * _SMALL_MM, 0.0) + rows


def _lines_mm(words: str, width_mm: float, capital_mm: float) -> float:
    lines = math.ceil(1.04 * text_width_mm(words, capital_mm) / width_mm) or 1
    return capital_mm + (lines - 1) * _LINE * capital_mm
