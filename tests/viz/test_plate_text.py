"""Text of the step plates of every packaged engine: no line over another, none cut, the cycle's strip below it."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from quillwise.kinematics.sequence import play
from quillwise.scenes.library import engine as packaged
from quillwise.viz import captions, cycle
from quillwise.viz.plates import cylinders, strip_heights, strip_place, text_of

SCENES = (
    "slipway-six",
    "launch-inverted",
    *(pytest.param(name, marks=pytest.mark.slow) for name in ("larkfell-port", "larkfell-starboard", "gantry-eight")),
)
SHARE = 0.36
SIZES = (((1600, 1000), 110.0), ((1280, 720), 110.0), ((854, 480), 72.0), ((1920, 1080), 110.0))
BLANK = np.full((50, 50, 3), 255, np.uint8)


@pytest.mark.parametrize(("size", "dpi"), SIZES)
@pytest.mark.parametrize("name", SCENES)
def test_no_line_of_a_step_plate_stands_over_another_and_the_strip_stands_below(
    name: str, size: tuple[int, int], dpi: float
) -> None:
    engine = packaged(name)
    steps = play(engine).steps
    below = strip_heights(engine, size, dpi)
    for step in steps:
        title = f"{step.number} / {len(steps)}  {step.text.title}"
        lines, figures = text_of(engine, step)
        _, boxes = captions.compose(BLANK, title, lines, figures, size, dpi, SHARE, below)
        strip = strip_place(engine, size, dpi, boxes)
        if strip is None:
            # letters of 1.8 mm are seven pixels there: the text of a magneto's mark takes all of its column
            assert size == (854, 480) and step.key.endswith("-mark"), step.key
        everything = [*boxes] if strip is None else [*boxes, strip]
        letters = captions._set(captions.panel(size, dpi, SHARE), title, lines, figures, below)
        assert min(word.height_mm for word in letters if word.name != "footer") >= 2.5, step.key
        for box in everything:
            assert 0 <= box.left < box.right <= size[0] and 0 <= box.top < box.bottom <= size[1], (step.key, box)
        for one, other in itertools.combinations(everything, 2):
            assert not one.overlaps(other), (step.key, one, other)
        told = " ".join(box.text for box in boxes)
        for word in " ".join([title, *lines]).split():
            assert word in told, (step.key, word)
        if strip is None:
            continue
        wanted = cylinders(engine, step)
        plan = cycle.plan(engine, strip.size_px, wanted)
        assert set(plan.order) & set(wanted) or not wanted, "the cylinder in question has a row"
        assert plan.font_px >= 8 and plan.row_px >= 0.73 * plan.font_px, (step.key, "rows are as high as their names")
        for *_, (left, top, right, bottom) in cycle.legend(plan):
            assert left >= 0 and right <= plan.size_px[0] and top > plan.bottom and bottom <= plan.size_px[1], step.key


def test_where_the_text_leaves_no_room_there_is_no_strip() -> None:
    (size, dpi), engine = SIZES[0], packaged("slipway-six")
    column = captions.panel(size, dpi, SHARE).text
    full = captions.Box(name="text", left=column.left, top=0, right=column.right, bottom=column.bottom - 60)
    assert strip_place(engine, size, dpi, [full]) is None


def test_the_cylinders_of_a_step_are_those_of_its_valve_and_its_magneto() -> None:
    engine = packaged("larkfell-port")
    found = {step.key: cylinders(engine, step) for step in play(engine).steps}
    assert found["tdc"] == ("A1",)
    assert found["b-mark"] == found["b-home"] == ("B6",)
    assert found["exhaust-side-break"] == ("A1",)
    assert found["safe"] == ()
