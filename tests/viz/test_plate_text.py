"""Text of the step plates of every packaged engine: no line over another, none cut, the cycle's strip below it."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from quillwise.kinematics.sequence import play
from quillwise.scenes.library import engine as packaged
from quillwise.viz import captions
from quillwise.viz.plates import strip_place, text_of

SCENES = (
    "slipway-six",
    "launch-inverted",
    *(pytest.param(name, marks=pytest.mark.slow) for name in ("larkfell-port", "larkfell-starboard", "gantry-eight")),
)
SIZE, DPI, SHARE = (1600, 1000), 110.0, 0.36
BLANK = np.full((50, 50, 3), 255, np.uint8)


@pytest.mark.parametrize("name", SCENES)
def test_no_line_of_a_step_plate_stands_over_another(name: str) -> None:
    engine = packaged(name)
    steps = play(engine).steps
    strips = 0
    for step in steps:
        title = f"{step.number} / {len(steps)}  {step.text.title}"
        lines, figures = text_of(engine, step)
        _, boxes = captions.compose(BLANK, title, lines, figures, SIZE, DPI, SHARE)
        strip = strip_place(SIZE, DPI, boxes)
        strips += strip is not None
        everything = [*boxes, *([strip] if strip else [])]
        for box in everything:
            assert 0 <= box.left < box.right <= SIZE[0] and 0 <= box.top < box.bottom <= SIZE[1], (step.key, box)
        for one, other in itertools.combinations(everything, 2):
            assert not one.overlaps(other), (step.key, one, other)
        told = " ".join(box.text for box in boxes)
        for word in " ".join([title, *lines]).split():
            assert word in told, (step.key, word)
    assert strips > len(steps) / 2, "most steps leave room for the strip of the cycle"


def test_where_the_text_leaves_no_room_there_is_no_strip() -> None:
    column = captions.panel(SIZE, DPI, SHARE).text
    full = captions.Box(name="text", left=column.left, top=0, right=column.right, bottom=column.bottom - 100)
    assert strip_place(SIZE, DPI, [full]) is None
