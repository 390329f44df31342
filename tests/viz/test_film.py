"""Films and stills are read back with the libraries that players use, and text boxes are proved apart."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path

import av
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from quillwise.kinematics.errors import RequestError
from quillwise.viz import captions, film, palette, still

Frame = NDArray[np.uint8]


def _frames(count: int, size: tuple[int, int]) -> Iterator[Frame]:
    """A vermillion block that walks over white: each picture tells its number."""
    width, height = size
    for number in range(count):
        picture = np.full((height, width, 3), 255, dtype=np.uint8)
        left = number * (width - 24) // max(count - 1, 1)
        picture[height // 4 : height // 2, left : left + 24] = palette.rgb(palette.VERMILLION)
        picture[height // 2 :] = palette.rgb(palette.BLUE)
        yield picture


def _block_left(picture: Frame) -> float:
    row = picture[picture.shape[0] * 3 // 8].astype(int)
    red = (row[:, 0] > 150) & (row[:, 2] < 110)
    return float(np.flatnonzero(red).mean()) - 11.5


@pytest.mark.parametrize("size", [(160, 96), (213, 121)])
def test_mp4_read_back(tmp_path: Path, size: tuple[int, int]) -> None:
    path = tmp_path / "film.quillwise-part"
    assert film.write_film(path, _frames(31, size), 15, size, "mp4") == 31
    with av.open(str(path)) as container:
        assert "mp4" in container.format.name
        stream = container.streams.video[0]
        assert stream.codec_context.name == "h264"
        assert stream.codec_context.pix_fmt == "yuv420p"
        assert (stream.width, stream.height) == film.even_size(size)
        assert stream.average_rate == 15
        pictures = [np.asarray(frame.to_ndarray(format="rgb24"), np.uint8) for frame in container.decode(video=0)]
    assert len(pictures) == 31
    for number, (picture, drawn) in enumerate(zip(pictures, _frames(31, size), strict=True)):
        assert _block_left(picture) == pytest.approx(number * (size[0] - 24) // 30, abs=2)
        # The colours come back: the right matrix was used and named (BT.601 for 709 shifts them by 20 and more).
        for row in (5, size[1] - 5):
            assert np.abs(picture[row, 10].astype(int) - drawn[row, 10]).max() <= 6


def test_mp4_that_is_no_multiple_of_16_is_the_same_twice(tmp_path: Path) -> None:
    written = []
    for run in range(4):
        path = tmp_path / f"{run}.mp4"
        film.write_film(path, _frames(40, (214, 122)), 15, (214, 122), "mp4")
        written.append(path.read_bytes())
    assert len(set(written)) == 1


def test_gif_read_back(tmp_path: Path) -> None:
    path, again = tmp_path / "film.quillwise-part", tmp_path / "again"
    size = (213, 121)
    assert film.write_film(path, _frames(31, size), 15, size, "gif") == 31
    film.write_film(again, _frames(31, size), 15, size, "gif")
    assert path.read_bytes() == again.read_bytes()
    with Image.open(path) as picture:
        assert picture.format == "GIF"
        assert picture.size == size
        assert getattr(picture, "n_frames", 1) == 31
        assert picture.info["loop"] == 0
        delays, lefts = [], []
        for number in range(31):
            picture.seek(number)
            delays.append(picture.info["duration"])
            shown = np.asarray(picture.convert("RGB"))
            lefts.append(_block_left(shown))
            assert tuple(shown[2, 2]) == (255, 255, 255)
            assert np.abs(shown[-2, 2].astype(int) - palette.rgb(palette.BLUE)).max() <= 8
    assert set(delays) == {60, 70}
    assert sum(delays) == pytest.approx(31 * 1000 / 15, abs=10)
    assert lefts == pytest.approx([number * (size[0] - 24) // 30 for number in range(31)])


def test_gif_with_pictures_that_stand_still_keeps_its_length(tmp_path: Path) -> None:
    path = tmp_path / "still.gif"
    same = next(_frames(1, (64, 48)))
    film.write_film(path, [same] * 30, 15, (64, 48), "gif")
    with Image.open(path) as picture:
        total = 0
        for number in range(getattr(picture, "n_frames", 1)):
            picture.seek(number)
            total += picture.info["duration"]
    assert total == 2000


def test_what_is_no_film(tmp_path: Path) -> None:
    path = tmp_path / "x"
    one = np.zeros((48, 64, 3), np.uint8)
    with pytest.raises(RequestError, match="at least one picture"):
        film.write_film(path, [], 15, (64, 48), "mp4")
    with pytest.raises(RequestError, match="at least 1 picture a second, got 0"):
        film.write_film(path, [one], 0, (64, 48), "mp4")
    with pytest.raises(RequestError, match="at most 50 pictures a second, got 60"):
        film.write_film(path, [one], 60, (64, 48), "gif")
    with pytest.raises(ValueError, match="expected pictures"):
        film.write_film(path, [one, one[:40]], 15, (64, 48), "mp4")


def test_png_carries_its_resolution(tmp_path: Path) -> None:
    picture = next(_frames(1, (120, 80)))
    path = tmp_path / "a.quillwise-part"
    still.save_png(path, picture, 300)
    data = path.read_bytes()
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    # pHYs of the PNG specification (W3C, section 11.3.4.3): pixels per metre; 300 dpi = 11,811.02 per metre.
    place = data.index(b"pHYs")
    assert struct.unpack(">IIB", data[place + 4 : place + 13]) == (11811, 11811, 1)
    with Image.open(path) as read:
        assert (np.asarray(read) == picture).all()
    still.save_png(tmp_path / "b", picture, 300)
    assert (tmp_path / "b").read_bytes() == data


def test_png_keeps_opacity(tmp_path: Path) -> None:
    picture = np.zeros((4, 5, 4), np.uint8)
    picture[1, 2] = (200, 100, 50, 128)
    still.save_png(tmp_path / "a.png", picture, 96)
    with Image.open(tmp_path / "a.png") as read:
        assert read.mode == "RGBA"
        assert (np.asarray(read) == picture).all()
    with pytest.raises(ValueError, match="expected"):
        still.save_png(tmp_path / "b.png", picture[..., 0], 96)


def test_sizes_on_paper() -> None:
    # A4 at 300 dpi is 2480 × 3508 pixels (secondary: given so by print shops; 210 / 25.4 × 300 = 2480.3).
    assert still.size_px(210, 297, 300) == (2480, 3508)
    for wrong in ((0, 10, 300), (10, -1, 300), (10, 10, 0), (float("nan"), 10, 300), (0.01, 10, 20)):
        with pytest.raises(RequestError):
            still.size_px(*wrong)


TITLE = "Step 12 of 21: try the quill in the inclined shaft of bank A"
LINES = (
    "Turn the camshaft clockwise (seen from the wheelcase end) until the feeler is just nipped.",
    "Hold the camshaft: the valve springs roll it.",
)
FIGURES = (
    ("Crank", "338.0° (22° BTDC A1)"),
    ("A1 inlet opens, as set, against the data of the engine", "22.1° ± 0.4° BTDC"),
    ("Ratio α → θ", "17 × 18"),
)


@pytest.mark.parametrize(
    ("size", "dpi"), [((854, 480), 96), ((1654, 1169), 200), ((900, 1200), 150), ((1200, 1200), 120), ((640, 360), 72)]
)
def test_text_stands_apart_and_beside_the_view(size: tuple[int, int], dpi: float) -> None:
    room = captions.panel(size, dpi).view
    view = np.full((room.size_px[1], room.size_px[0], 3), 77, np.uint8)
    picture, boxes = captions.compose(view, TITLE, LINES, FIGURES, size, dpi)
    assert picture.shape == (size[1], size[0], 3)
    for number, box in enumerate(boxes):
        assert 0 <= box.left < box.right <= size[0] and 0 <= box.top < box.bottom <= size[1]
        assert not any(box.overlaps(other) for other in boxes[:number]), box
    # Nothing is drawn over the view, and all ink outside it lies in a box.
    assert (picture[room.top : room.bottom, room.left : room.right] == 77).all()
    ink = (picture != 255).any(axis=-1)
    for box in boxes:
        assert ink[box.top : box.bottom, box.left : box.right].any(), box
        ink[box.top : box.bottom, box.left : box.right] = False
    assert not ink.any()
    # All the words are there, in order.
    said = {name: " ".join(box.text for box in boxes if box.name == name) for name in ("title", "text", "label")}
    assert said["title"] == TITLE
    assert said["text"] == " ".join(LINES)
    assert said["label"] == " ".join(label for label, _ in FIGURES)
    assert [box.text for box in boxes if box.name == "footer"] == ["Briefing aid. Not approved data."]


def test_letters_have_the_height_that_was_asked_for() -> None:
    # h is the height of a capital (ISO 3098): 3.5 mm at 200 dpi are 27.6 pixels.
    view = np.zeros((100, 100, 3), np.uint8)
    picture, boxes = captions.compose(view, "T", ("HHH",), (), (1654, 1169), 200)
    (box,) = [box for box in boxes if box.name == "text"]
    ink = (picture[box.top : box.bottom, box.left : box.right].max(axis=-1) < 128).any(axis=1)
    assert ink.sum() == pytest.approx(3.5 * 200 / 25.4, abs=1.0)


def test_a_view_of_another_size_is_fitted_without_being_stretched() -> None:
    view = np.full((300, 300, 3), 77, np.uint8)
    picture, boxes = captions.compose(view, "T", (), (), (854, 480), 96)
    rows, columns = np.nonzero((picture[: boxes[0].bottom, : boxes[0].right] == 77).all(axis=-1))
    assert np.ptp(rows) == np.ptp(columns) == boxes[0].size_px[1] - 1


def test_opacity_is_kept() -> None:
    room = captions.panel((854, 480), 96).view
    view = np.zeros((room.size_px[1], room.size_px[0], 4), np.uint8)
    view[100:200, 100:200] = (10, 20, 30, 128)
    picture, _ = captions.compose(view, TITLE, LINES, FIGURES, (854, 480), 96)
    assert picture.shape == (480, 854, 4)
    assert tuple(picture[150, 150]) == (10, 20, 30, 128)
    assert picture[2, 2, 3] == 0
    assert picture[..., 3].max() == 255


def test_text_that_does_not_fit_is_an_error() -> None:
    with pytest.raises(RequestError, match="does not fit into 400 × 240 pixels at 96 dpi"):
        captions.compose(np.zeros((9, 9, 3), np.uint8), TITLE, LINES * 9, FIGURES, (400, 240), 96)
    with pytest.raises(RequestError, match=r"too narrow|leave no room"):
        captions.panel((60, 40), 96)


def test_the_font_has_our_signs() -> None:
    assert captions.covered("° ± × – … “ ” ÷ αβγδεζηθκλμπρστφψω ΔΣΩ → ← ↑ ↓ ↻ ↺ ≤ ≥ ½ ¼ ² Ω µ É ü ß")
    assert not captions.covered("漢")
