"""A rocker or a tappet that is not fitted yet is in no picture, and one that is fitted is."""

from __future__ import annotations

import numpy as np
import pytest

from quillwise.kinematics.assembly import is_fitted
from quillwise.kinematics.parts import FOLLOWERS, Kind
from quillwise.kinematics.rig import rig
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import frame
from quillwise.scenes.library import engine as packaged
from quillwise.viz import exhibit
from quillwise.viz.cameras import fit_view
from quillwise.viz.stage import Stage

SIZE = (1200, 900)


@pytest.mark.parametrize("name", ["slipway-six", "gantry-eight"])
def test_what_is_not_fitted_has_no_pixel(name: str) -> None:
    engine = packaged(name)
    hung, steps = rig(engine), play(engine).steps
    own = {part for part in engine.parts if part.kind in FOLLOWERS}
    assert len(own) == len(engine.valves)
    with Stage(SIZE) as stage:
        exhibit.furnish(stage, exhibit.bodies(engine))
        seen_at = []
        for step in (steps[0], steps[len(steps) // 3], steps[-1]):
            moment = frame(step, 1.0)
            exhibit.place(stage, hung, exhibit.state_at(engine, moment))
            exhibit.fit_followers(stage, moment.assembly)
            stage.look(fit_view("three-quarter", stage.points(), SIZE[0] / SIZE[1]))
            numbers, keys = stage.identify()
            seen = {keys[n][0] for n in np.unique(numbers) if n}
            fitted = {part for part in own if is_fitted(moment.assembly, part)}
            assert seen & own <= fitted, step.key
            assert bool(seen & own) == bool(fitted)
            seen_at.append(len(fitted))
    assert seen_at[0] == 0 and seen_at[-1] == len(own), "from none to all of them"


def test_a_tappet_is_a_part_of_its_own() -> None:
    """So that it can be left off while valve, spring and collar stand there."""
    engine = packaged("slipway-six")
    kinds = {part.kind for part in engine.parts}
    assert Kind.TAPPET in kinds and Kind.ROCKER not in kinds
    first = play(engine).steps[0]
    assert not any(is_fitted(first.during, part) for part in engine.parts if part.kind is Kind.TAPPET)
