"""Pictures into a film: MP4 (H.264) or GIF."""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator
from fractions import Fraction
from itertools import chain, pairwise
from pathlib import Path
from typing import Literal

import av
import numpy as np
from av.video.reformatter import Colorspace
from numpy.typing import NDArray
from PIL import Image

from quillwise.kinematics.errors import RequestError

Frame = NDArray[np.uint8]
Kind = Literal["mp4", "gif"]

CRF = 20
MAX_GIF_FPS = 50  # players show a delay under 20 ms as 100 ms
# x264's macroblock tree reads memory beyond pictures whose sides are no multiple of 16: without it, twice the same
# film is twice the same bytes (tried at 854 × 470: twelve runs, nine files with it, one without).
_X264 = (("crf", str(CRF)), ("x264-params", "mbtree=0"))
_GIF_COLOURS = 255
_BT709 = 1  # H.273: primaries, transfer and matrix coefficients of BT.709


def even_size(size_px: tuple[int, int]) -> tuple[int, int]:
    """The size with both sides even, as the film needs them: an odd side grows by one pixel."""
    width, height = size_px
    return width + width % 2, height + height % 2


def write_film(path: Path, frames: Iterable[Frame], fps: int, size_px: tuple[int, int], kind: Kind) -> int:
    """Writes the pictures as a film and returns how many there were.

    frames: (H, W, 3) uint8, top row first, all of ``size_px`` (width, height); taken one at a time. An MP4 with an
    odd side repeats its last row or column. Nothing depends on the suffix of ``path`` or on the clock: the same
    pictures give the same bytes on the same machine and versions.
    Raises RequestError for no pictures, or a rate that the format cannot have; ValueError for a picture of another
    size; OSError when it cannot be written.
    """
    if fps < 1:
        raise RequestError(f"a film needs at least 1 picture a second, got {fps}")
    if kind == "gif" and fps > MAX_GIF_FPS:
        raise RequestError(f"a GIF shows at most {MAX_GIF_FPS} pictures a second, got {fps}")
    checked = _checked(frames, size_px)
    first = next(checked, None)
    if first is None:
        raise RequestError("a film needs at least one picture")
    write = _write_mp4 if kind == "mp4" else _write_gif
    return write(path, chain([first], checked), fps, size_px)


def _checked(frames: Iterable[Frame], size_px: tuple[int, int]) -> Iterator[Frame]:
    shape = (size_px[1], size_px[0], 3)
    for frame in frames:
        if frame.shape != shape or frame.dtype != np.uint8:
            raise ValueError(f"expected pictures {shape} of uint8, got {frame.shape} of {frame.dtype}")
        yield frame


def _write_mp4(path: Path, frames: Iterable[Frame], fps: int, size_px: tuple[int, int]) -> int:
    width, height = even_size(size_px)
    grown = ((0, height - size_px[1]), (0, width - size_px[0]), (0, 0))
    count = 0
    # bitexact: no version of the program and no time of making in the file. faststart: plays while it loads.
    with av.open(str(path), "w", format="mp4", options={"movflags": "+faststart", "fflags": "+bitexact"}) as container:
        stream = container.add_stream("libx264", rate=Fraction(fps), options=dict(_X264))
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        codec = stream.codec_context
        codec.colorspace = codec.color_primaries = codec.color_trc = _BT709
        for picture in frames:
            frame = av.VideoFrame.from_ndarray(np.pad(picture, grown, mode="edge"), format="rgb24")
            # Said and done in one colour space: players guess otherwise, by the height of the picture.
            converted = frame.reformat(format="yuv420p", dst_colorspace=Colorspace.ITU709)
            converted.pts = count
            container.mux(stream.encode(converted))
            count += 1
        container.mux(stream.encode(None))
    return count


def _write_gif(path: Path, frames: Iterable[Frame], fps: int, size_px: tuple[int, int]) -> int:
    """One palette for all pictures, so that nothing flickers: the pictures wait, packed, until all are counted."""
    packed: list[bytes] = []
    counts = np.zeros(32**3, dtype=np.int64)
    for picture in frames:
        packed.append(zlib.compress(picture.tobytes(), 1))
        five_bits = (picture >> 3).astype(np.int32)
        code = five_bits[..., 0] << 10 | five_bits[..., 1] << 5 | five_bits[..., 2]
        counts += np.bincount(code.ravel(), minlength=len(counts))
    colours = _common_palette(counts)

    def pictures() -> Iterator[Image.Image]:
        for data in packed:
            image = Image.frombytes("RGB", size_px, zlib.decompress(data))
            yield image.quantize(palette=colours, dither=Image.Dither.NONE)

    # Delays are whole hundredths of a second: rounding the times, not the delays, keeps the length of the film.
    ends = [round(100 * number / fps) for number in range(len(packed) + 1)]
    delays_ms = [10 * (end - start) for start, end in pairwise(ends)]
    shown = pictures()
    next(shown).save(
        path,
        format="GIF",
        save_all=True,
        append_images=shown,
        duration=delays_ms,
        loop=0,
        optimize=False,
        disposal=1,
    )
    return len(packed)


def _common_palette(counts: NDArray[np.int64]) -> Image.Image:
    """The palette of all pictures from how often each colour (5 bits a channel) occurs.

    The square root of the count is taken: a small part in a strong colour must not drown in the ground.
    """
    used = np.flatnonzero(counts)
    weight = np.sqrt(counts[used])
    times = np.maximum(1, np.rint(weight / weight.sum() * 200_000)).astype(np.int64)
    channels = np.stack([used >> 10, used >> 5 & 31, used & 31], axis=-1)
    # 0 and 31 become 0 and 255: white stays white.
    sample = np.repeat((channels * 255 + 15) // 31, times, axis=0).astype(np.uint8)
    return Image.fromarray(sample[np.newaxis]).quantize(_GIF_COLOURS, method=Image.Quantize.MEDIANCUT)
