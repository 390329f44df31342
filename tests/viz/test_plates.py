"""Plates and close-ups: what must be seen is drawn, nothing is cut by the frame, numbers equal the state's."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Literal

import numpy as np
import pytest

from quillwise.kinematics.assembly import intended
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.rig import Rig, rig
from quillwise.kinematics.sequence import Played, play
from quillwise.kinematics.steps import frame, parse_mistake
from quillwise.scenes.library import engine as packaged
from quillwise.viz import exhibit, plates, standpoint, teeth, turning
from quillwise.viz.cameras import VIEWS, fit_view, project
from quillwise.viz.closeups import close_up, close_up_bodies, close_up_camera, headline, place_close_up
from quillwise.viz.glances import glances
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
    dressed = {part for part, _ in stage.keys()} - set(engine.parts)
    assert {(part, "found") for part in engine.parts} <= stage.keys()
    assert {part.kind for part in dressed} == {Kind.ROCKER_SHAFT}


def test_every_part_is_drawn_and_none_is_cut_by_the_frame(engine: Engine, the_rig: Rig, stage: Stage) -> None:
    exhibit.place(stage, the_rig, motion(engine, intended(engine), 338.0))
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
    exhibit.place(stage, the_rig, motion(engine, intended(engine), 100.0))
    stage.look(fit_view("three-quarter", stage.points(), 1600 / 1200))
    part = Part(Kind.PISTON, "B1")
    number = {key: n for n, key in stage.identify()[1].items()}[part, "found"]
    assert np.count_nonzero(stage.identify()[0] == number) > 500
    stage.show(part, False)
    assert np.count_nonzero(stage.identify()[0] == number) == 0
    stage.show(part, True)


@pytest.mark.parametrize("kind", ["valve", "magneto"])
def test_the_factor_is_printed_over_the_close_up(engine: Engine, kind: Literal["valve", "magneto"]) -> None:
    """By how much a gap is drawn larger is measured in ``test_magnifying``."""
    shown = close_up(engine, kind, "A1 inlet" if kind == "valve" else next(iter(engine.magnetos)))
    state = motion(engine, intended(engine), engine.magnetos[next(iter(engine.magnetos))].data.break_deg + 12.0)
    told = " ".join(headline(engine, shown, frame(play(engine).steps[-1], 1.0), state))
    assert f"× {shown.factor:g}" in told


@pytest.mark.parametrize("key", ["a-nip", "a-try", "b-home", "exhaust-side-break", "a-mark"])
def test_what_a_step_is_about_is_seen_in_its_close_up(engine: Engine, the_rig: Rig, played: Played, key: str) -> None:
    step = next(step for step in played.steps if step.key == key)
    moment = frame(step, 1.0)
    state = exhibit.state_at(engine, moment)
    column = 1 if key.endswith(("-mark", "-try")) else 0
    glance = glances(engine, step, still=True)[column][0]
    kind, of = glance.kind, glance.of
    shown = close_up(engine, kind, of)
    with Stage(SIZE) as stage:
        exhibit.furnish(stage, close_up_bodies(engine, shown))
        place_close_up(stage, engine, the_rig, shown, moment, state, step)
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


def test_a_step_that_goes_from_wrong_to_right_shows_both(engine: Engine, played: Played) -> None:
    """The first try does not go in, the last does; the points are shut before the place and broken beyond it."""
    for step in played.steps:
        columns = glances(engine, step, still=True)
        if step.key.endswith("-try"):
            first, last = columns[0][0], columns[1][0]
            assert first.moment is not None
            assert last.moment is None
            before = teeth.offer(
                engine, first.moment.assembly, step.coupling, exhibit.state_at(engine, first.moment)
            ).trial
            moment = frame(step, 1.0)
            after = teeth.offer(engine, moment.assembly, step.coupling, exhibit.state_at(engine, moment)).trial
            assert step.chosen is not None
            assert before.out_of_line_deg == pytest.approx(step.trials[0].out_of_line_deg, abs=1e-6)
            assert abs(after.out_of_line_deg) == pytest.approx(abs(step.chosen.out_of_line_deg), abs=1e-6)
            assert abs(before.out_of_line_deg) > abs(after.out_of_line_deg)
        if step.key.endswith("-break"):
            gaps = []
            for glance in columns[1]:
                assert glance.moment is not None
                gaps.append(float(exhibit.state_at(engine, glance.moment)[f"points {step.magneto}"][0]))
            assert gaps[0] == 0.0
            assert gaps[1] > 0.01
        live = glances(engine, step, still=False)
        assert all(glance.moment is None for stack in live for glance in stack)


_FEATURES = {
    "valve": (Kind.VALVE, Kind.TAPPET),
    "teeth": (Kind.QUILL, Kind.SLEEVE, Kind.MATE),
    "magneto": (Kind.MOVING_POINT, Kind.FIXED_POINT, Kind.FINGER, Kind.SEGMENTS),
    "points": (Kind.MOVING_POINT, Kind.FIXED_POINT),
    "window": (Kind.DISC, Kind.WINDOW),
}


@pytest.mark.parametrize(
    "name",
    [
        "slipway-six",
        *(pytest.param(name, marks=pytest.mark.slow) for name in ("larkfell-port", "gantry-eight", "launch-inverted")),
    ],
)
def test_the_feature_that_is_looked_at_is_not_hidden(name: str) -> None:
    """At least 60 % of teeth, valve, points and marks are seen in their close-ups; of what a step is about, in the
    whole, 60 % on the mean, or nearly: a rotor lies between its pole shoes from every side."""
    engine = packaged(name)
    played = play(engine)
    shares = []
    with plates.Plates(engine, (640, 400), 50.0, smooth=1) as drawing:
        for step in played.steps:
            if not step.key.endswith(("-nip", "-try", "-break", "-mark", "-home")):
                continue
            moment = frame(step, 1.0)
            drawing._draw_general(moment.assembly, exhibit.state_at(engine, moment), step)
            assert drawing._general is not None
            shares.append(standpoint.visible(drawing._general, step.about))
            for stack in glances(engine, step, still=True):
                for glance in stack:
                    when = glance.moment or moment
                    size = (240, 180 // len(stack))
                    drawing._draw_close_up(glance, size, when, exhibit.state_at(engine, when), step)
                    shown, stage, _ = drawing._close_up(glance, size)
                    wanted = [part for part in shown.parts if part.kind in _FEATURES.get(glance.kind, ())]
                    if any(part.kind is Kind.TAPPET for part in wanted):
                        # the lobe touches the tappet, and the stem stands within that
                        wanted = [part for part in wanted if part.kind is not Kind.VALVE]
                    assert wanted or glance.kind not in _FEATURES
                    for part, share in standpoint.shares(stage, wanted).items():
                        assert share >= 0.6, (step.key, glance.kind, part, share)
    assert min(shares) > 0.5
    assert np.mean(shares) > 0.65


@pytest.mark.parametrize(
    "name", ["gantry-eight", *(pytest.param(name, marks=pytest.mark.slow) for name in ("larkfell-starboard",))]
)
def test_the_timing_window_is_seen_in_the_whole_where_it_is_what_is_looked_at(name: str) -> None:
    """A magneto before it would hide the very reading."""
    engine = packaged(name)
    looked = [step for step in play(engine).steps if any(where == "timing window" for where, _ in step.text.see)]
    assert len(looked) > 5
    with plates.Plates(engine, (640, 400), 50.0, smooth=1) as drawing:
        for step in looked:
            moment = frame(step, 1.0)
            drawing._draw_general(moment.assembly, exhibit.state_at(engine, moment), step)
            assert drawing._general is not None
            (share,) = standpoint.shares(drawing._general, [Part(Kind.WINDOW)]).values()
            assert share >= 0.6, (step.key, share)


def test_the_figures_of_a_plate_show_what_is_rejected_before_what_is_accepted() -> None:
    """Two teeth out on the last coupling: its events are rejected, the camshafts' come before them and are right."""
    engine = packaged("gantry-eight")
    steps = play(engine, [parse_mistake(engine, "other-tooth:sleeve-right=+2")]).steps
    step = next(step for step in steps if step.key == "two-turns")
    assert {check.verdict for check in step.checks[:3]} == {"accept"}
    assert any(check.verdict == "reject" for check in step.checks)
    told = [value for _, value in plates.text_of(engine, step)[1] if "accept" in value or "reject" in value]
    assert "reject" in told[0]


def test_a_shaft_that_settles_into_what_is_pushed_home_is_not_turned(engine: Engine, played: Played) -> None:
    """Even where a coarse coupling takes it by more than a degree: its arrow would lie on that of the push."""
    for step in played.steps:
        if step.key.endswith("-home"):
            (slide,) = turning.slides(engine, step)
            driven = engine.couplings[slide.coupling].driven
            taken = [move for move in step.moves if move.coordinate == driven]
            assert taken, step.key
            far = replace(step, moves=(*step.moves, replace(taken[-1], end=taken[-1].start + 2.5)))
            assert turning.turns(engine, far) == ()
            assert turning.slides(engine, far) == (slide,)


def test_arrows_turn_as_the_step_says(engine: Engine, played: Played) -> None:
    """The arc runs about the shaft's axis in the sense of the state's own change."""
    for step in played.steps:
        for turn in turning.turns(engine, step):
            own = engine.shafts[turn.shaft]
            points = turning.arc(engine, turn) - np.asarray(own.point)
            across = np.cross(own.axis, own.zero)
            angle = np.unwrap(np.arctan2(points @ across, points @ np.asarray(own.zero)))
            assert np.sign(angle[-1] - angle[0]) == turn.sign
            if turn.shaft in engine.shafts and turn.name == turn.shaft:
                last = max(move.begin for move in step.moves)
                states = [exhibit.state_at(engine, frame(step, at)) for at in (last, 0.999)]
                change = float(states[1][turn.shaft][0] - states[0][turn.shaft][0])
                assert np.sign(change) == turn.sign, (step.key, turn)
        for body in turning.arrows(engine, step):
            assert body.is_watertight
            assert all(piece.volume > 0 for piece in body.split())
