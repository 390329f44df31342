"""The words in the close-ups of step pictures: no number of the disc on a name, no tag on a painted mark."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np
import pytest

from quillwise.kinematics.rig import rig
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import frame
from quillwise.scenes.library import engine as packaged
from quillwise.scenes.library import names
from quillwise.viz import engraving, exhibit, tags
from quillwise.viz.cameras import Camera, project
from quillwise.viz.closeups import close_up, close_up_camera

# Of the close-ups of step pictures of 854 × 480 and 1280 × 720 pixels, with one line over them and with two.
QUICK = ("larkfell-port", "slipway-six")
SIZES = (((272, 168), 12), ((272, 156), 12), ((408, 251), 19), ((408, 233), 17))
ROOM_PX = 1


def windows(
    name: str, size: tuple[int, int]
) -> Iterator[tuple[str, Camera, tuple[engraving.Label, ...], tags.Obstacles]]:
    """The timing window at the end of each step: the step's key, the camera, the words, what they must not cover."""
    engine, the_rig, shown = packaged(name), rig(packaged(name)), close_up(packaged(name), "window")
    for step in play(engine).steps:
        moment = frame(step, 1.0)
        state = exhibit.state_at(engine, moment)
        camera = close_up_camera(engine, the_rig, shown, state, size[0] / size[1])
        found = engraving.labels(engine, the_rig, shown, moment, state, step, leaders=True)
        marks = engraving.mark_ends_mm(engine, the_rig, state)
        yield step.key, camera, found, tags.Obstacles(marks_mm=marks, arrows_mm=())


@pytest.mark.parametrize(("size", "strip"), SIZES)
@pytest.mark.parametrize(
    "name", [name if name in QUICK else pytest.param(name, marks=pytest.mark.slow) for name in names()]
)
def test_no_words_of_the_window_touch_nor_lie_on_a_mark(name: str, size: tuple[int, int], strip: int) -> None:
    for key, camera, found, clear_of in windows(name, size):
        placed = tags.tags(found, camera, size, strip, clear_of)
        assert {one.text for one in placed} >= {label.text for label in found if not label.text.isdigit()}, key
        for one, other in combinations(placed, 2):
            apart = (
                max(one.box.left, other.box.left) - min(one.box.right, other.box.right),
                max(one.box.top, other.box.top) - min(one.box.bottom, other.box.bottom),
            )
            assert max(apart) >= ROOM_PX, (key, one.text, other.text)
        for one in placed:
            assert one.box.left >= 0 and one.box.right <= size[0] and one.box.top >= 0 and one.box.bottom <= size[1]
            if not one.boxed:
                continue
            for ends in clear_of.marks_mm:
                for x, y in np.linspace(*project(camera, ends, size), 99):
                    on_it = one.box.left < x < one.box.right and one.box.top < y < one.box.bottom
                    assert not on_it, (key, one.text)


def test_where_nothing_need_move_nothing_does() -> None:
    size, strip = SIZES[0]
    for _, camera, found, clear_of in windows("larkfell-port", size):
        still = tags.tags(found, camera, size, strip)
        moved = tags.tags(found, camera, size, strip, clear_of)
        assert [one.text for one in still if not one.text.isdigit()] == [
            one.text for one in moved if not one.text.isdigit()
        ]
        for one in still:
            if one.end is None and not one.text.isdigit():
                assert one in moved
