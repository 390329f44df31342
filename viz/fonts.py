"""The font of every picture: DejaVu Sans, which matplotlib brings. It has °, ±, ×, Greek and arrows."""

from __future__ import annotations

import functools
import importlib.util
from pathlib import Path

from PIL import ImageFont


@functools.cache
def font_file(bold: bool = False) -> Path:
    """The file of the font, found without importing matplotlib.

    Raises FileNotFoundError when matplotlib is not installed.
    """
    spec = importlib.util.find_spec("matplotlib")
    if spec is None or spec.origin is None:
        raise FileNotFoundError("matplotlib is not installed: it brings the font DejaVu Sans")
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf" / name


@functools.cache
def font_of(size_px: int, bold: bool = False) -> ImageFont.FreeTypeFont:
    """The font at a size [px]. Raises FileNotFoundError as ``font_file``."""
    # The plain lay-out engine: the other one depends on a library that not every machine has.
    return ImageFont.truetype(str(font_file(bold)), size_px, layout_engine=ImageFont.Layout.BASIC)
