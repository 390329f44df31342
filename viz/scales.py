"""Scales that a drawing may have: those of ISO 5455, and some between them for sheets that leave no other choice."""

from __future__ import annotations

SCALES = (20.0, 10.0, 5.0, 4.0, 3.0, 2.5, 2.0, 1.5, 1.0, *(1 / n for n in (1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 10.0, 20.0)))


def in_words(scale: float) -> str:
    """A scale as it is written: "2:1" is twice the size."""
    return f"{scale:g}:1" if scale >= 1.0 else f"1:{1 / scale:g}"
