"""From where a step is looked at: what it is about and the arrows of what is turned are seen, and told aright."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import frame
from quillwise.scenes.library import engine as packaged
from quillwise.viz import exhibit, plates, standpoint, turning
from quillwise.viz.cameras import fit, project
from quillwise.viz.stage import Stage

SCENES = ("larkfell-port", "larkfell-starboard", "slipway-six", "gantry-eight", "launch-inverted")
SIZE = (200, 100)


def test_a_point_is_seen_unless_a_part_stands_before_it() -> None:
    """A box from x = 0 to 10, looked at along +x: points before it are seen, those behind it and in it are not."""
    box = Part(Kind.PISTON, "A1")
    with Stage(SIZE) as stage:
        stage.add(box, trimesh.creation.box(bounds=[(0.0, -5.0, -5.0), (10.0, 5.0, 5.0)]))
        stage.look(fit(stage.points(), (1.0, 0.0, 0.0), (0.0, 0.0, 1.0), SIZE[0] / SIZE[1]))
        points = [(-1.0, 0, 0), (5.0, 0, 0), (12.0, 0, 0), (12.0, 8.0, 0), (-1.0, 0, 40.0), (500.0, 8.0, 0)]
        seen, numbers, keys = stage.seen(points)
    assert seen.tolist() == [True, False, False, True, False, True]
    assert [keys[n][0] if n else None for n in numbers] == [box, box, box, None, None, None]


@pytest.mark.parametrize("name", SCENES)
def test_every_place_of_an_arrow_tells_the_same_turn(name: str) -> None:
    """All places that an arc may take lie on one circle about the shaft and run the same way round; all of a straight
    arrow run the same way along it."""
    engine = packaged(name)
    for step in play(engine).steps:
        turned, slid = turning.turns(engine, step), turning.slides(engine, step)
        choices = turning.places(engine, step)
        assert len(choices) == len(turned) + len(slid)
        for turn, lines in zip(turned, choices, strict=False):
            own = engine.shafts[turn.shaft]
            axis, zero = np.asarray(own.axis), np.asarray(own.zero)
            for line in lines:
                out = line - np.asarray(own.point)
                angle = np.unwrap(np.arctan2(out @ np.cross(axis, zero), out @ zero))
                assert np.sign(angle[-1] - angle[0]) == turn.sign
                assert np.ptp(np.linalg.norm(out - np.outer(out @ axis, axis), axis=1)) < 1e-6
            assert np.ptp([line.mean(axis=0) for line in lines], axis=0).max() > 0.1 * engine.sheet.crank.bore_mm
        for slide, lines in zip(slid, choices[len(turned) :], strict=True):
            axis = np.asarray(engine.shafts[slide.shaft].axis)
            for line in lines:
                along = (line[-1] - line[0]) @ axis
                assert np.sign(along) == slide.sign
                assert abs(along) == pytest.approx(float(np.linalg.norm(line[-1] - line[0])))


@pytest.mark.parametrize(
    ("name", "keys"),
    [
        ("slipway-six", ("a-mark", "a-try", "winch-home")),
        *(pytest.param(name, (), marks=pytest.mark.slow) for name in SCENES if name != "larkfell-starboard"),
    ],
)
def test_the_arrow_of_a_step_is_seen_within_the_frame(name: str, keys: tuple[str, ...]) -> None:
    """Of each arrow at least 70 % is seen, its head does not point at the eye, and no part of it is cut."""
    engine = packaged(name)
    told = 0
    with plates.Plates(engine, (720, 450), 55.0, smooth=1) as drawing:
        for step in play(engine).steps:
            if (keys and step.key not in keys) or not turning.places(engine, step):
                continue
            moment = frame(step, 1.0)
            drawing._draw_general(moment.assembly, exhibit.state_at(engine, moment), step)
            stage = drawing._general
            assert stage is not None
            arrows = drawing._eye(stage, step).arrows
            assert drawing._arrows is not None
            drawing._arrows.show(())  # an arrow hides its own back
            for arrow in arrows:
                assert float(standpoint.legible(stage, [arrow], ())[0]) >= 0.70, step.key
                at = project(stage.camera(), arrow.body.vertices, stage.size_px)
                assert at.min() > 0, step.key
                assert (at.max(axis=0) < stage.size_px).all(), step.key
                told += 1
    assert told >= (len(keys) or 8)


def test_an_arrow_takes_the_place_where_nothing_stands_before_it() -> None:
    """A wall hides the usual place from every usual point of view; the arrow is put elsewhere."""
    engine = packaged("slipway-six")
    step = next(step for step in play(engine).steps if step.key == "a-mark")
    bore = engine.sheet.crank.bore_mm
    choice = [standpoint.Arrow(line=line, body=turning.arrow(line, bore)) for line in turning.places(engine, step)[0]]
    low, high = choice[0].body.bounds
    wall = Part(Kind.PISTON, "A1")
    eye = (1.0, 0.0, -0.01)
    with Stage((400, 300)) as stage:
        stage.add(wall, trimesh.creation.box(bounds=[low - (30.0, 8.0, 8.0), (low[0] - 5.0, *(high[1:] + 8.0))]))
        points = np.vstack([stage.points(), *(arrow.body.vertices for arrow in choice)])
        stage.look(fit(points, eye, (0.0, 0.0, 1.0), 4 / 3))
        told = standpoint.legible(stage, choice, ())
    assert told[0] < 0.3
    assert told.max() > 0.7


def test_what_hides_a_part_in_question_is_found_and_nothing_else() -> None:
    """Looked at along +x: a plate before two thirds of one box; a small one before a tenth of the other."""
    boxes = {
        Part(Kind.PISTON, "A1"): ((10.0, -10.0, 0.0), (20.0, -1.0, 9.0)),
        Part(Kind.PISTON, "A2"): ((10.0, 1.0, 0.0), (20.0, 10.0, 9.0)),
        Part(Kind.CAMSHAFT, "over A1"): ((0.0, -10.0, 0.0), (1.0, -4.0, 9.0)),
        Part(Kind.CAMSHAFT, "over A2"): ((0.0, 1.0, 0.0), (1.0, 2.0, 9.0)),
    }
    with Stage(SIZE) as stage:
        for part, bounds in boxes.items():
            stage.add(part, trimesh.creation.box(bounds=bounds))
        stage.look(fit(stage.points(), (1.0, 0.0, 0.0), (0.0, 0.0, 1.0), SIZE[0] / SIZE[1]))
        pistons = [part for part in boxes if part.kind is Kind.PISTON]
        assert standpoint.hiders(stage, pistons) == (Part(Kind.CAMSHAFT, "over A1"),)
        assert standpoint.hiders(stage, [Part(Kind.PISTON, "A2")]) == ()
        over = [Part(Kind.CAMSHAFT, "over A1")]
        assert standpoint.hiders(stage, [*pistons, *over]) == (), "what the step is about is never drawn faint"


def test_an_arrow_stands_at_its_own_thing_and_not_between_two() -> None:
    """Two things a hand apart: of two places as free, the one that lies away from the other thing tells more."""
    between, away = (np.array([[0.0, y, -6.0], [0.0, y, 0.0], [0.0, y, 6.0]]) for y in (5.0, -5.0))
    own, others = np.zeros(3), np.array([[0.0, 10.0, 0.0]])
    choice = [
        standpoint.Arrow(line=line, body=turning.arrow(line, 10.0), own=own, others=others) for line in (between, away)
    ]
    with Stage((400, 300)) as stage:
        stage.add(Part(Kind.SLEEVE, "one"), trimesh.creation.box(bounds=[(20.0, -2.0, -2.0), (24.0, 2.0, 2.0)]))
        points = np.vstack([arrow.body.vertices for arrow in choice])
        stage.look(fit(points, (1.0, 0.0, 0.0), (0.0, 0.0, 1.0), 4 / 3))
        told = standpoint.legible(stage, choice, ())
    assert told[1] > 0.9
    assert told[0] < 0.7


@pytest.mark.parametrize("name", SCENES)
def test_what_an_arrow_means_is_told_for_every_place(name: str) -> None:
    engine = packaged(name)
    for step in play(engine).steps:
        told, choices = turning.meant(engine, step), turning.places(engine, step)
        assert len(told) == len(choices)
        for (own, others), lines in zip(told, choices, strict=True):
            assert np.linalg.norm(lines[0].mean(axis=0) - own) < 2.5 * engine.sheet.crank.bore_mm
            assert not len(others) or np.linalg.norm(others - own, axis=1).min() > 0.3 * engine.sheet.crank.bore_mm
