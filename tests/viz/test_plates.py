"""Plates and close-ups: what must be seen is drawn, nothing is cut by the frame, numbers equal the state's."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from quillwise.kinematics.assembly import intended
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import Rig, rig
from quillwise.kinematics.sequence import Played, play
from quillwise.kinematics.steps import frame
from quillwise.scenes.library import engine as packaged
from quillwise.viz import exhibit, plates
from quillwise.viz.cameras import VIEWS, fit_view, project
from quillwise.viz.closeups import close_up, close_up_bodies, close_up_camera, drawn_gap_mm, headline, magnified
from quillwise.viz.stage import Stage

SIZE = (480, 360)


@pytest.fixture(scope="module", params=["larkfell-port", "larkfell-starboard"])
def engine(request: pytest.FixtureRequest) -> Engine:
    return packaged(request.param)


@pytest.fixture(scope="module")
def the_rig(engine: Engine) -> Rig:
    return rig(engine)


@pytest.fixture(scope="module")
def played(engine: Engine) -> Played:
    return play(engine)


@pytest.fixture(scope="module")
def stage(engine: Engine) -> Iterator[Stage]:
    with Stage((1600, 1200)) as made:
        exhibit.furnish(made, exhibit.bodies(engine))
        yield made


def test_the_stage_has_the_parts_of_the_engine(engine: Engine, stage: Stage) -> None:
    assert stage.keys() == {(part, "found") for part in engine.parts}


def test_every_part_is_drawn_and_none_is_cut_by_the_frame(engine: Engine, the_rig: Rig, stage: Stage) -> None:
    exhibit.place_assembly(stage, engine, the_rig, intended(engine), 338.0)
    seen: set[Part] = set()
    for name in VIEWS:
        camera = fit_view(name, stage.points(), 1600 / 1200)
        stage.look(camera)
        at = project(camera, stage.points(), (1600, 1200))
        assert at.min() > 0
        assert at[:, 0].max() < 1600
        assert at[:, 1].max() < 1200
        numbers, keys = stage.identify()
        seen |= {keys[number][0] for number in np.unique(numbers) if number}
    hidden = {part for part in engine.parts if part.kind in exhibit.HIDDEN}
    # inside others from every side: the fixed contact may stand behind its lever
    assert set(engine.parts) - seen - hidden == set()
    assert not seen & hidden


def test_a_part_that_is_hidden_has_no_pixel(engine: Engine, the_rig: Rig, stage: Stage) -> None:
    exhibit.place_assembly(stage, engine, the_rig, intended(engine), 100.0)
    stage.look(fit_view("three-quarter", stage.points(), 1600 / 1200))
    part = Part(Kind.PISTON, "B1")
    number = {key: n for n, key in stage.identify()[1].items()}[part, "found"]
    assert np.count_nonzero(stage.identify()[0] == number) > 500
    stage.show(part, False)
    assert np.count_nonzero(stage.identify()[0] == number) == 0
    stage.show(part, True)


def test_the_drawn_clearance_is_the_clearance_times_the_stated_factor(engine: Engine, the_rig: Rig) -> None:
    """The gap of the close-up, measured on the poses along the valve, against the state's clearance."""
    name = "A1 inlet"
    shown = close_up(engine, "valve", name)
    assembly = intended(engine)
    state = motion(engine, assembly, 200.0)
    gap = float(drawn_gap_mm(engine, assembly, name, state)[0])
    assert gap == pytest.approx(engine.sheet.inlet.checking_clearance_mm, abs=1e-12)
    part = Part(Kind.VALVE, name)
    true = poses(the_rig, state, [part])[part][0]
    drawn = poses(the_rig, magnified(engine, assembly, shown, state), [part])[part][0]
    lower = float(np.linalg.norm(true[:3, 3] - drawn[:3, 3]))
    assert gap + lower == pytest.approx(shown.factor * gap, abs=1e-9)
    assert f"× {shown.factor:g}" in " ".join(headline(engine, shown, frame(play(engine).steps[-1], 1.0), state))


def test_the_drawn_points_gap_is_the_gap_times_the_stated_factor(engine: Engine) -> None:
    name = next(iter(engine.magnetos))
    shown = close_up(engine, "magneto", name)
    assembly = intended(engine)
    state = motion(engine, assembly, engine.magnetos[name].data.break_deg + 12.0)
    assert float(state[f"points {name}"][0]) > 0.05
    drawn = magnified(engine, assembly, shown, state)
    lever = f"breaker lever {name}"
    assert drawn[lever][0] == pytest.approx(shown.factor * state[lever][0])


@pytest.mark.parametrize("key", ["a-nip", "a-try", "b-home", "exhaust-side-break", "a-mark"])
def test_what_a_step_is_about_is_seen_in_its_close_up(engine: Engine, the_rig: Rig, played: Played, key: str) -> None:
    step = next(step for step in played.steps if step.key == key)
    moment = frame(step, 1.0)
    state = exhibit.state_at(engine, moment)
    kind, of = plates.shown_with(engine, step)[0]
    if key.endswith("-mark"):
        kind, of = "window", ""
    shown = close_up(engine, kind, of)
    with Stage(SIZE) as stage:
        exhibit.furnish(stage, close_up_bodies(engine, shown))
        exhibit.place(stage, the_rig, magnified(engine, moment.assembly, shown, state), shown.parts)
        stage.look(close_up_camera(engine, the_rig, shown, state, SIZE[0] / SIZE[1]))
        numbers, keys = stage.identify()
    pixels = {keys[n][0]: int(np.count_nonzero(numbers == n)) for n in np.unique(numbers) if n}
    wanted = [part for part in step.about if part in shown.parts]
    assert wanted
    for part in wanted:
        assert pixels.get(part, 0) > 40, part


def test_a_plate_has_its_size_and_moves_with_the_step(engine: Engine, played: Played) -> None:
    nip = next(step for step in played.steps if step.key == "a-nip")
    with plates.Plates(engine, (900, 560), 60.0, smooth=1) as drawing:
        before, after, again = (drawing.plate(nip, fraction, len(played.steps)) for fraction in (0.0, 1.0, 0.0))
    assert before.shape == (560, 900, 3)
    assert np.array_equal(before, again), "the same moment gives the same picture"
    assert not np.array_equal(before, after)


def test_film_text_is_cut_where_there_is_no_room_and_a_still_says_so(engine: Engine, played: Played) -> None:
    step = max(played.steps, key=lambda s: sum(map(len, s.text.do)))
    with plates.Plates(engine, (640, 360), 72.0, smooth=1) as drawing:
        assert drawing.plate(step, 1.0, len(played.steps), brief=True).shape == (360, 640, 3)


def test_the_same_plate_of_a_wrong_tooth_differs(engine: Engine, played: Played) -> None:
    """A mistake changes the picture of the close-up: same step, another tooth."""
    step = next(step for step in played.steps if step.key == "a-home")
    chosen = step.chosen
    assert chosen is not None
    other = replace(
        step, moves=tuple(replace(m, end=m.end + 4.0) if "shaft" in m.coordinate else m for m in step.moves)
    )
    with plates.Plates(engine, (900, 560), 60.0, smooth=1) as drawing:
        assert not np.array_equal(drawing.views(step, frame(step, 0.95)), drawing.views(other, frame(other, 0.95)))
