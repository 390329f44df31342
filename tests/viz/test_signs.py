"""The tick and the cross of a close-up agree with what was set: right in a job done well, wrong where it was not."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image, ImageDraw

from quillwise.kinematics.model import Engine
from quillwise.kinematics.sequence import Played, play
from quillwise.kinematics.steps import frame, parse_mistake
from quillwise.scenes.library import engine as packaged
from quillwise.viz import palette, signs
from quillwise.viz.exhibit import state_at
from quillwise.viz.glances import glances

SCENES = ("larkfell-port", "slipway-six", "gantry-eight", "launch-inverted")


def _given(engine: Engine, played: Played, key: str) -> list[tuple[str, bool | None]]:
    """The kind of each close-up of a step, and its sign."""
    step = next(step for step in played.steps if step.key == key)
    found = []
    for stack in glances(engine, step, still=True):
        for glance in stack:
            moment = glance.moment or frame(step, 1.0)
            found.append((glance.kind, signs.right(engine, step, glance, moment, state_at(engine, moment))))
    return found


@pytest.mark.parametrize("name", SCENES)
def test_a_job_done_well_has_no_cross_but_at_a_first_try_and_the_other_pass(name: str) -> None:
    engine = packaged(name)
    played = play(engine)
    ticks = 0
    for step in played.steps:
        given = _given(engine, played, step.key)
        crosses = [kind for kind, good in given if good is False]
        ticks += sum(good is True for _, good in given)
        if step.key.endswith("-try"):
            goes = [trial.verdict != "does not go in" for trial in step.trials[:1]]
            assert given[0] == ("teeth", goes[0])
            assert given[-1] == ("teeth", True)
        elif step.key.endswith("-mark") and len(given) == 3:
            assert given == [("valve", True), ("valve", False), ("window", True)]
        else:
            assert not crosses, step.key
        if step.key.endswith(("-nip", "-break", "-mark")):
            assert any(good for _, good in given), step.key
    assert ticks >= 6


def test_a_wrong_tooth_a_wrong_mark_and_the_exhaust_stroke_have_a_cross() -> None:
    engine = packaged("larkfell-port")
    tooth = play(engine, [parse_mistake(engine, "other-tooth:quill-a=+7")])
    assert ("teeth", False) in _given(engine, tooth, "a-home")
    mark = play(engine, [parse_mistake(engine, "wrong-mark:camshaft B")])
    assert ("window", False) in _given(engine, mark, "b-mark")
    stroke = play(engine, [parse_mistake(engine, "exhaust-stroke:exhaust-side")])
    assert _given(engine, stroke, "exhaust-side-mark")[:2] == [("valve", False), ("valve", True)]


def test_tick_and_cross_stand_in_the_corner_and_differ_in_shape() -> None:
    """Apart from their colour: their white strokes cover other pixels; and they stay within the upper right corner."""
    shapes = []
    for good in (True, False):
        sheet = Image.new("RGB", (200, 120), palette.BLACK)
        signs.stamp(ImageDraw.Draw(sheet), sheet.size, 24, good)
        drawn = np.asarray(sheet).astype(int)
        rows, columns = np.nonzero(drawn.sum(axis=2))
        assert rows.max() < 40
        assert columns.min() > 160
        assert columns.max() < 199
        shapes.append((drawn == 255).all(axis=2))
    union = np.logical_or(*shapes).sum()
    assert np.logical_and(*shapes).sum() < 0.8 * union
