"""Scales that a drawing may have: those of ISO 5455:1979, table 1, and none between them."""

from __future__ import annotations

SCALES = (50.0, 20.0, 10.0, 5.0, 2.0, 1.0, *(1 / n for n in (2.0, 5.0, 10.0, 20.0, 50.0)))


def in_words(scale: float) -> str:
    """A scale as it is written: "2:1" is twice the size."""
    return f"{scale:g}:1" if scale >= 1.0 else f"1:{1 / scale:g}"
