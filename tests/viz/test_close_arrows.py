"""The arrows of close-ups: each in the sense of the state's own change, within the frame, before all parts."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from quillwise.kinematics.angles import Floats
from quillwise.kinematics.model import Engine
from quillwise.kinematics.rig import Rig, quill_coordinate, rig, slide_coordinate
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import Step, frame
from quillwise.scenes.library import engine as packaged
from quillwise.viz import close_arrows, exhibit, turning
from quillwise.viz.cameras import axes, project
from quillwise.viz.closeups import close_up, close_up_camera
from quillwise.viz.glances import Glance, glances

QUICK = ("larkfell-port", "slipway-six", "launch-inverted")
SCENES = ("larkfell-port", "larkfell-starboard", "slipway-six", "gantry-eight", "launch-inverted")
SIZE = (410, 266)


def _shaft(engine: Engine, glance: Glance) -> str:
    """The coordinate of what a close-up's arrow turns."""
    if glance.kind == "window":
        return "crankshaft"
    if glance.kind == "valve":
        return engine.valves[glance.of].camshaft
    return engine.magnetos[glance.of].rotor if glance.kind == "magneto" else quill_coordinate(glance.of)


def _change(engine: Engine, step: Step, coordinate: str) -> float:
    """By how much a coordinate goes on in the last of a step's moves that move it."""
    at = np.linspace(0.0, 0.9999, 120)
    values = [float(exhibit.state_at(engine, frame(step, each))[coordinate][0]) for each in at]
    moving = [after - before for before, after in itertools.pairwise(values) if abs(after - before) > 1e-6]
    return moving[-1]


def _drawn(
    engine: Engine, the_rig: Rig, step: Step, glance: Glance
) -> tuple[tuple[close_arrows.CloseArrow, ...], Floats]:
    shown = close_up(engine, glance.kind, glance.of)
    moment = glance.moment or frame(step, 1.0)
    state = exhibit.state_at(engine, moment)
    camera = close_up_camera(engine, the_rig, shown, state, SIZE[0] / SIZE[1])
    found = close_arrows.close_arrows(engine, the_rig, shown, step, moment, state, camera, glance.moment is not None)
    for arrow in found:
        at = project(camera, arrow.body.vertices, SIZE)
        assert at.min() > 0 and (at.max(axis=0) < SIZE).all(), (step.key, glance.kind)
    return found, axes(np.asarray(camera.focal) - np.asarray(camera.position), camera.up)[2]


@pytest.mark.parametrize(
    "name", [name if name in QUICK else pytest.param(name, marks=pytest.mark.slow) for name in SCENES]
)
def test_every_step_that_moves_something_says_so_in_a_close_up_and_aright(name: str) -> None:
    engine = packaged(name)
    the_rig = rig(engine)
    for step in play(engine).steps:
        told = 0
        for glance in (glance for stack in glances(engine, step, still=True) for glance in stack):
            found, forward = _drawn(engine, the_rig, step, glance)
            if glance.kind == "room":
                continue  # a measure turns nothing
            told += len(found)
            for arrow in found:
                ways = np.diff(arrow.line, axis=0)
                assert np.abs(ways @ forward).max() < 1e-6 * np.abs(ways).max() or glance.kind == "coupling"
                if glance.kind == "coupling":
                    shaft = engine.shafts[engine.couplings[glance.of].driving]
                    slid = _change(engine, step, slide_coordinate(glance.of))
                    assert np.sign(float(ways.sum(axis=0) @ np.asarray(shaft.axis))) == np.sign(slid), step.key
                    continue
                coordinate = _shaft(engine, glance)
                shaft = engine.shafts[engine.couplings[glance.of].driving if glance.kind == "teeth" else coordinate]
                # + about the axis: the arc bends to its own left, seen against the axis
                bend = float(np.cross(ways[0], ways[len(ways) // 2]) @ np.asarray(shaft.axis))
                assert np.sign(bend) == np.sign(_change(engine, step, coordinate)), (step.key, glance.kind)
        # the running clearances are looked at, valve by valve; the crank is turned only to bring each cam to its heel
        asked = step.key != "running-clearance" and (turning.turns(engine, step) or turning.slides(engine, step))
        assert told or not asked, (step.key, "a step that moves something has an arrow in a close-up")


def test_a_close_up_of_what_stands_still_has_no_arrow() -> None:
    engine = packaged("slipway-six")
    steps = {step.key: step for step in play(engine).steps}
    window, nip = Glance(kind="window"), steps["a-nip"]
    assert not _drawn(engine, rig(engine), nip, window)[0], "the crank stands while the feeler is nipped"
    assert _drawn(engine, rig(engine), steps["a-mark"], window)[0]
    assert not _drawn(engine, rig(engine), steps["points"], window)[0]


@pytest.mark.parametrize("name", SCENES)
def test_the_arrow_of_a_trial_tells_the_teeth_that_the_step_tells(name: str) -> None:
    """From the tooth as drawn, 0, to the one that fits: on by its number, or back by what is left of a turn."""
    engine = packaged(name)
    the_rig, told = rig(engine), 0
    for step in play(engine).steps:
        if not step.key.endswith("-try"):
            continue
        assert step.chosen is not None
        tooth, count = step.chosen.driving_tooth, engine.couplings[step.coupling].data.driving_teeth
        found = [
            arrow.words
            for stack in glances(engine, step, still=True)
            for glance in stack
            if glance.kind == "teeth"
            for arrow in _drawn(engine, the_rig, step, glance)[0]
        ]
        assert found, step.key
        for words in found:
            assert int(words.split()[0]) in (tooth, count - tooth), step.key
            done = " ".join(step.text.do)
            for each in words.splitlines():
                assert f" {each.removesuffix(' back')}" in done, "the same numbers as in the step's text"
            assert ("back" in words) == (" back:" in done)
            told += 1
    assert told
