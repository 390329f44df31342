"""The angle between as found and as intended: its arc and its words are of one figure."""

from __future__ import annotations

import pytest

from quillwise.kinematics.angles import wrapped
from quillwise.kinematics.motion import motion
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import parse_mistake
from quillwise.scenes.library import engine as packaged
from quillwise.viz.angle_mark import between

MISTAKES = (
    ("larkfell-port", "other-tooth:quill-b=+4"),
    ("larkfell-starboard", "other-tooth:quill-a=-3"),
    ("launch-inverted", "other-tooth:quill-left=+2"),
    ("slipway-six", "other-tooth:sleeve=+2"),
    ("gantry-eight", "other-tooth:sleeve-left=-2"),
    ("larkfell-port", "exhaust-stroke:exhaust-side"),
    ("launch-inverted", "exhaust-stroke:left"),
)


@pytest.mark.parametrize(("name", "mistake"), MISTAKES)
def test_the_arc_goes_the_way_that_its_words_tell(name: str, mistake: str) -> None:
    """By the second way: the angles of the shaft in both assemblies differ by the arc, but for whole cycles."""
    engine = packaged(name)
    found, wanted = play(engine, [parse_mistake(engine, mistake)]).as_set, play(engine).as_set
    mark = between(engine, found, wanted)
    assert mark is not None
    turns = float(engine.shafts[mark.shaft].turns)
    states = [motion(engine, assembly, 0.0)[mark.shaft] for assembly in (found, wanted)]
    by_states = float(states[0][0] - states[1][0])
    assert float(wrapped(mark.turned_deg - by_states, 720.0 * abs(turns))) == pytest.approx(0.0, abs=1e-9)
    assert mark.turned_deg == pytest.approx(mark.early_crank_deg * turns * engine.sigma)
    assert between(engine, wanted, wanted) is None
