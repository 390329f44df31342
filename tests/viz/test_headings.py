"""The lines over the close-ups of step pictures: of one size, legible, none cut."""

from __future__ import annotations

import numpy as np
import pytest

from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import frame
from quillwise.scenes.library import engine as packaged
from quillwise.scenes.library import names
from quillwise.viz import captions, exhibit, plate_words
from quillwise.viz.fonts import font_of
from quillwise.viz.glances import glances
from quillwise.viz.headings import LEAST_MM, headings
from quillwise.viz.plates import Plates
from quillwise.viz.still import MM_PER_INCH

QUICK = ("larkfell-port", "slipway-six")
SIZES = (((1600, 1000), 110.0), ((1280, 720), 110.0), ((854, 480), 72.0), ((1920, 1080), 110.0))
CAPITAL = 0.729  # of DejaVu Sans, ÷ font size


@pytest.mark.parametrize(("size", "dpi"), SIZES)
@pytest.mark.parametrize(
    "name", [name if name in QUICK else pytest.param(name, marks=pytest.mark.slow) for name in names()]
)
def test_the_lines_over_close_ups_are_legible_and_whole(name: str, size: tuple[int, int], dpi: float) -> None:
    engine = packaged(name)
    width = captions.panel(size, dpi, 0.36).view.size_px[0]
    strip = round(5.5 * dpi / MM_PER_INCH)
    wrapped = 0
    for step in play(engine).steps:
        columns = glances(engine, step, True)
        room = (width // 2 if len(columns) > 1 else width) - 17
        texts = []
        for stack in columns:
            moments = [glance.moment or frame(step, 1.0) for glance in stack]
            states = [exhibit.state_at(engine, moment) for moment in moments]
            texts.append([plate_words.line_over(engine, *each) for each in zip(stack, moments, states, strict=True)])
        over = headings(texts, strip, room, dpi)
        assert CAPITAL * over.font_px >= (LEAST_MM - 0.05) * dpi / MM_PER_INCH, step.key
        for told, lines, strips in zip(texts, over.lines, over.strips_px, strict=True):
            assert [" ".join(each) for each in lines] == told
            for each, high in zip(lines, strips, strict=True):
                assert all(font_of(over.font_px, bold=True).getlength(line) <= room for line in each), (step.key, each)
                assert high >= strip + (len(each) - 1) * over.font_px
                wrapped += len(each) > 1
        assert len({strips[0] for strips in over.strips_px}) == 1, "close-ups that stand side by side begin together"
    assert wrapped or size[0] >= 1600


def test_a_film_keeps_one_line_and_the_longest_word_is_set_smaller() -> None:
    long = "a line that is far too long to stand over a close-up in letters that can be read"
    film = headings([[long], ["short"]], 16, 250, 72.0, in_two=False)
    assert film.lines == (((long,),), (("short",),)) and film.strips_px == ((16,), (16,))
    assert headings([["short"], ["long"]], 16, 250, 72.0).font_px == 11
    word = headings([["W" * 40]], 16, 250, 72.0)
    assert word.lines == ((("W" * 40,),),) and word.font_px < 10
    assert headings([], 16, 250, 72.0).lines == ()
    mark = headings([["timing window: 679.0°, A1 exhaust-side points break"]], 16, 250, 72.0)
    assert mark.lines == ((("timing window: 679.0°,", "A1 exhaust-side points break"),),), "where the sentence breaks"


def test_a_step_picture_sets_both_lines_in_one_size() -> None:
    """The break of the port engine has the longest of all; in its picture no letter of the other one is higher."""
    engine = packaged("larkfell-port")
    step = next(step for step in play(engine).steps if step.key == "exhaust-side-break")
    with Plates(engine, (854, 480), 72.0) as plates:
        picture = plates.views(step, frame(step, 1.0))
    top, half = round(0.58 * picture.shape[0]), picture.shape[1] // 2
    heights = []
    for columns in (slice(8, half - 8), slice(half + 10, picture.shape[1] - 8)):
        dark = (picture[top + 2 : top + 16, columns] < 90).all(axis=-1)
        rows = np.flatnonzero(dark.any(axis=1))
        heights.append(int(rows.max() - rows.min()))
    assert abs(heights[0] - heights[1]) <= 1
