"""Teeth end-on: what is drawn and printed follows from how the quill stands. Angles are measured on the bodies."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import plane_figures
import pytest

from quillwise.kinematics.angles import Floats, wrapped
from quillwise.kinematics.assembly import Assembly
from quillwise.kinematics.errors import GraphicsError
from quillwise.kinematics.model import Coupling, Engine
from quillwise.kinematics.motion import State, motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import points_in_world, poses
from quillwise.kinematics.rig import quill_coordinate, rig, shaft_frame
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import Step, frame
from quillwise.scenes.library import engine
from quillwise.viz import cameras, closeups, exhibit, graphics, teeth

ENGINES = {name: engine(name) for name in ("larkfell-port", "larkfell-starboard")}
STEPS = {name: play(built).steps for name, built in ENGINES.items()}
TRIES = [(name, step) for name, steps in STEPS.items() for step in steps if step.key.endswith("-try")]
ids = [f"{name}-{step.coupling}" for name, step in TRIES]


def _at_tooth(built: Engine, step: Step, tooth: float) -> tuple[Assembly, State]:
    """The step's moment with the quill turned on by so many driving teeth."""
    own = built.couplings[step.coupling]
    moment = frame(step, 0.0)
    turned = built.shafts[own.driven].sense * 360.0 / own.data.driving_teeth * tooth
    free = {**moment.free, quill_coordinate(step.coupling): turned}
    return moment.assembly, motion(built, moment.assembly, moment.crank_deg, free)


def _tooth_deg(built: Engine, coupling: str, part: Part, state: State) -> float:
    """Where a tooth of a body stands about the driven shaft [deg], modulo the pitch: measured on its section."""
    own = built.couplings[coupling]
    body, _ = teeth.bodies(built, coupling)[part]
    radius = own.data.driven_teeth * own.module_mm / 2 if own.data.kind == "quill" else 0.8 * _dogs_outside_mm(own)
    world_from_part = poses(rig(built), state, [part])[part][0]
    local = np.linalg.inv(shaft_frame(built.shafts[own.driven]).matrix) @ world_from_part
    about = float(np.degrees(np.arctan2(local[1, 0], local[0, 0])))
    assert local[2, 2] == pytest.approx(1.0), "on the same axis"
    return plane_figures.comb_deg(plane_figures.section(body), radius, own.data.driven_teeth) + about


def _dogs_outside_mm(own: Coupling) -> float:
    return max(own.data.driving_teeth, own.data.driven_teeth) * own.module_mm / 2


@pytest.mark.parametrize(("name", "step"), TRIES, ids=ids)
def test_the_wedge_is_the_angle_between_the_bodies_teeth(name: str, step: Step) -> None:
    built = ENGINES[name]
    own = built.couplings[step.coupling]
    pitch = 360.0 / own.data.driven_teeth
    mate, quill = teeth.parts(built, step.coupling)
    for tooth in (0.0, 1.0, 5.0, 7.3):
        _, state = _at_tooth(built, step, tooth)
        points, out = teeth.wedge(built, step.coupling, state)
        offered = _tooth_deg(built, step.coupling, quill, state)
        space = _tooth_deg(built, step.coupling, mate, state) + pitch / 2
        assert plane_figures.wrapped_deg(offered - space - out, pitch) == pytest.approx(0.0, abs=0.03)
        matrix = shaft_frame(built.shafts[own.driven]).matrix
        local = (points - matrix[:3, 3]) @ matrix[:3, :3]
        start, end = np.degrees(np.arctan2(local[[0, -1], 1], local[[0, -1], 0]))
        assert plane_figures.wrapped_deg(end - start, 360.0) == pytest.approx(out, abs=1e-9)
        assert plane_figures.wrapped_deg(start - space, pitch) == pytest.approx(0.0, abs=0.03)


@pytest.mark.parametrize(("name", "step"), TRIES, ids=ids)
def test_the_reading_is_that_of_the_trial(name: str, step: Step) -> None:
    built = ENGINES[name]
    for trial in step.trials:
        assembly, state = _at_tooth(built, step, trial.driving_tooth)
        now = teeth.offer(built, assembly, step.coupling, state)
        assert not now.between
        assert not now.home
        assert now.tooth == trial.driving_tooth
        assert now.trial.verdict == trial.verdict
        assert now.trial.out_of_line_deg == pytest.approx(trial.out_of_line_deg, abs=1e-9)
        head, amount = teeth.reading(built, assembly, step.coupling, state)
        assert head.startswith(f"{step.coupling}: tooth {trial.driving_tooth}, ")
        assert f"{abs(trial.out_of_line_crank_deg):.2f}° crank" in amount
    assembly, state = _at_tooth(built, step, 3.5)
    assert "between two teeth" in teeth.reading(built, assembly, step.coupling, state)[0]


def test_one_tooth_on_shifts_by_the_difference_of_the_pitches() -> None:
    """The vernier: 17 driving and 18 driven teeth: a tooth on is 360/17 − 360/18 = 1.176° (computed, exact)."""
    step = next(step for step in STEPS["larkfell-port"] if step.key == "a-try")
    built = ENGINES["larkfell-port"]
    outs = []
    for tooth in (2.0, 3.0):
        _, state = _at_tooth(built, step, tooth)
        outs.append(teeth.wedge(built, "quill-a", state)[1])
    shift = abs(outs[1] - outs[0])
    pitch = float(Fraction(360, 18))
    expected = float(Fraction(360, 17) - Fraction(360, 18))
    assert min(shift, pitch - shift) == pytest.approx(expected, abs=1e-9)


def test_home_is_said_and_in_line() -> None:
    built = ENGINES["larkfell-port"]
    for key in ("a-home", "exhaust-side-home"):
        step = next(step for step in STEPS["larkfell-port"] if step.key == key)
        moment = frame(step, 1.0)
        state = exhibit.state_at(built, moment)
        assert teeth.reading(built, moment.assembly, step.coupling, state)[0] == f"{step.coupling}: home"
        assert teeth.wedge(built, step.coupling, state)[1] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("coupling", sorted(ENGINES["larkfell-port"].couplings))
def test_the_stub_stands_before_the_ring_however_it_is_drawn(coupling: str) -> None:
    built = ENGINES["larkfell-port"]
    steps = [step for step in STEPS["larkfell-port"] if step.coupling == coupling and step.key.endswith("-home")]
    mate, quill = teeth.parts(built, coupling)
    made = teeth.bodies(built, coupling)
    axis = np.asarray(built.shafts[built.couplings[coupling].driven].axis)
    for fraction in (0.0, 0.5, 1.0):
        moment = frame(steps[0], fraction)
        placed = poses(rig(built), exhibit.state_at(built, moment), [mate, quill])
        ring, stub = (
            points_in_world(placed[part], np.asarray(made[part][0].vertices))[0] @ axis for part in (mate, quill)
        )
        assert stub.max() < ring.min(), "the viewer looks along the axis"


def test_the_picture_follows_the_quill() -> None:
    try:
        graphics.probe()
    except GraphicsError as error:
        pytest.skip(str(error))
    from quillwise.viz.gauge import Gauge
    from quillwise.viz.stage import Stage

    built = ENGINES["larkfell-port"]
    step = next(step for step in STEPS["larkfell-port"] if step.key == "a-try")
    shown = closeups.close_up(built, "teeth", "quill-a")
    pictures = []
    with Stage((280, 170)) as stage:
        exhibit.furnish(stage, closeups.close_up_bodies(built, shown))
        gauge = Gauge(stage.renderer)
        for fraction in (0.0, 0.5, 1.0):
            moment = frame(step, fraction)
            state = exhibit.state_at(built, moment)
            closeups.place_close_up(stage, built, rig(built), shown, moment, state, step)
            gauge.move(teeth.wedge(built, "quill-a", state)[0], True)
            stage.look(closeups.close_up_camera(built, rig(built), shown, state, 280 / 170))
            pictures.append(stage.picture())
        gauge.close()
        numbers, keys = stage.identify()
        seen = {keys[number][0] for number in np.unique(numbers) if number}
    assert (pictures[0] != pictures[1]).any(axis=-1).mean() > 0.01
    assert (pictures[1] != pictures[2]).any(axis=-1).mean() > 0.01
    assert seen == set(shown.parts)
    blue = (np.abs(pictures[0].astype(int) - (0, 114, 178)) < 12).all(axis=-1)
    assert blue.sum() > 60, "the wedge of 2.37° is drawn"


def test_the_camera_looks_along_the_axis_at_the_ring() -> None:
    built = ENGINES["larkfell-port"]
    for name, own in built.couplings.items():
        camera = teeth.camera(built, name, 1.6)
        look = np.asarray(camera.focal) - np.asarray(camera.position)
        assert look / np.linalg.norm(look) == pytest.approx(np.asarray(built.shafts[own.driven].axis), abs=1e-9)
        point = cameras.project(camera, [built.shafts[own.driven].point], (320, 200))[0]
        assert 0 <= point[0] <= 320


@pytest.mark.parametrize("name", [*ENGINES, "gantry-eight", "launch-inverted", "slipway-six"])
def test_the_index_marks_are_seen_in_the_close_up_of_a_try_and_keep_clear_of_the_wedge(name: str) -> None:
    """Measured on the painted faces: the mate's mark and the quill's as drawn, and as it fits where it is turned by no
    more than two teeth on or back, within the picture; nowhere nearer to the wedge than half a tooth."""
    built = engine(name)
    for step in play(built).steps:
        if not step.key.endswith("-try"):
            continue
        own = built.couplings[step.coupling]
        states = [exhibit.state_at(built, frame(step, at)) for at in (0.0, 1.0)]
        upward = teeth.up_by_marks(built, step.coupling, states)
        camera = teeth.camera(built, step.coupling, 1.5, upward=upward)
        assert np.dot(upward, built.shafts[own.driven].axis) == pytest.approx(0.0, abs=1e-9)
        count = teeth.offer(built, frame(step, 1.0).assembly, step.coupling, states[1]).tooth
        near = min(count, own.data.driving_teeth - count) <= 2
        local = shaft_frame(built.shafts[own.driven]).matrix
        for which, state in enumerate(states):
            points, _ = teeth.wedge(built, step.coupling, state, upward=upward)
            wedge = np.degrees(np.arctan2(*(local[:3, :2].T @ (points.mean(axis=0) - local[:3, 3]))[::-1]))
            for part, (body, painted) in teeth.bodies(built, step.coupling).items():
                assert painted is not None
                pose = poses(rig(built), state, [part])[part][0]
                middle = body.triangles_center[painted].mean(axis=0)
                world = pose[:3, :3] @ middle + pose[:3, 3]
                mark = np.degrees(np.arctan2(*(local[:3, :2].T @ (world - local[:3, 3]))[::-1]))
                apart = abs(float(wrapped(mark - wedge, 360.0))) * own.data.driven_teeth / 360.0
                assert apart > 0.5, (step.key, part)
                if which == 0 or near or part.kind is Kind.MATE:
                    x, y = cameras.project(camera, [world], (600, 400))[0]
                    assert 0 < x < 600 and 0 < y < 400, (step.key, part)


@pytest.mark.parametrize("aspect", [0.7, 1.0, 1.3, 2.0])
def test_all_teeth_can_be_counted_where_the_whole_ring_is_asked_for(aspect: float) -> None:
    """The circle through the teeth lies in the frame; without that it does not, for a tooth is shown larger."""
    built = ENGINES["larkfell-port"]
    size = round(400 * aspect), 400
    for name, own in built.couplings.items():
        frame_ = shaft_frame(built.shafts[own.driven]).matrix
        turn = np.radians(np.arange(0.0, 360.0, 5.0))
        round_about = teeth.gauge_radii_mm(built, own)[1] * np.stack([np.cos(turn), np.sin(turn), 0.0 * turn], axis=1)
        circle = points_in_world(frame_[None], round_about)[0]

        def inside(camera: cameras.Camera, circle: Floats = circle) -> float:
            points = cameras.project(camera, circle, size)
            return float(((points >= 0.0) & (points <= size)).all(axis=1).mean())

        assert inside(teeth.camera(built, name, aspect, whole=True)) == 1.0
        assert inside(teeth.camera(built, name, aspect)) < 1.0
