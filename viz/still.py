"""Pictures in files: PNG with its resolution, and sizes on paper in pixels."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from quillwise.kinematics.errors import RequestError

MM_PER_INCH = 25.4


def size_px(width_mm: float, height_mm: float, dpi: float) -> tuple[int, int]:
    """Width and height in whole pixels of a picture of that size on paper.

    Raises RequestError when a side or the resolution is not above zero, or a side comes out under one pixel.
    """
    if not (width_mm > 0 and height_mm > 0 and dpi > 0):
        raise RequestError(
            f"a picture needs a width, a height and a resolution above 0, got {width_mm:g} × {height_mm:g} mm "
            f"at {dpi:g} dpi"
        )
    sides = round(width_mm / MM_PER_INCH * dpi), round(height_mm / MM_PER_INCH * dpi)
    if min(sides) < 1:
        raise RequestError(f"{width_mm:g} × {height_mm:g} mm at {dpi:g} dpi is less than one pixel")
    return sides


def save_png(path: Path, picture: NDArray[np.uint8], dpi: float) -> None:
    """Writes a PNG with its resolution (pHYs chunk: pixels per metre). The same picture gives the same bytes.

    picture: (H, W, 3) red green blue, or (H, W, 4) with opacity, not premultiplied; uint8, top row first.
    The format does not depend on the suffix of ``path``.
    """
    if picture.dtype != np.uint8 or picture.ndim != 3 or picture.shape[2] not in (3, 4):
        raise ValueError(f"expected (H, W, 3 or 4) of uint8, got {picture.shape} of {picture.dtype}")
    Image.fromarray(np.ascontiguousarray(picture)).save(path, format="PNG", dpi=(dpi, dpi))
