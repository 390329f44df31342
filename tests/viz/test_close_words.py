"""Names beside what they name: marks of the disc with a line to each, the feeler clear of rocker and cam, the ends of a
quill that are seen so near that splines can be counted, both points whole."""

from __future__ import annotations

import numpy as np
import pytest

from quillwise.kinematics.angles import wrapped
from quillwise.kinematics.model import Engine
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import points_in_world, poses
from quillwise.kinematics.rig import rig
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import Step, frame
from quillwise.meshes.build import mesh
from quillwise.scenes.library import engine as packaged
from quillwise.viz import captions, closeups, engraving, exhibit
from quillwise.viz.cameras import project, px_per_mm
from quillwise.viz.closeups import close_up, close_up_bodies, close_up_camera, place_close_up, quill_end_camera
from quillwise.viz.glances import glances
from quillwise.viz.magnifying import magnified, magnified_rig
from quillwise.viz.stage import Stage

SCENES = ("larkfell-port", "slipway-six", "gantry-eight", "launch-inverted")
SIZE = (410, 266)
_OPENING_DEG = 17.0


@pytest.mark.parametrize("name", SCENES)
def test_every_mark_in_the_window_is_named(name: str) -> None:
    """In the opening, or beside it with a line that ends on the mark, on the side where the mark is."""
    engine, the_rig = packaged(name), rig(packaged(name))
    shown, led = close_up(engine, "window"), 0
    for step in play(engine).steps:
        moment = frame(step, 1.0)
        state = exhibit.state_at(engine, moment)
        camera = close_up_camera(engine, the_rig, shown, state, SIZE[0] / SIZE[1])
        words = engraving.labels(engine, the_rig, shown, moment, state, step, leaders=True)
        for mark in engine.marks:
            off = float(wrapped(mark.crank_deg - moment.crank_deg, 360.0))
            if abs(off) > _OPENING_DEG - 1.0:
                continue
            named = [word for word in words if word.text == mark.label]
            assert named, (step.key, mark.label)
            if named[0].leader_mm is None:
                continue
            led += 1
            (x, _), (foot, _) = project(camera, np.array([named[0].at_mm, named[0].leader_mm]), SIZE)
            middle = project(camera, np.array([[engine.sizes.disc_x_mm, 0.0, 0.0]]), SIZE)[0, 0]
            assert np.sign(x - middle) == np.sign(foot - middle), (step.key, mark.label)
            turned = -engine.sigma * off  # a mark that is still to come stands against the running direction
            assert np.sign(foot - middle) == np.sign(turned) or abs(off) < 0.01, (step.key, mark.label)
        plain = engraving.labels(engine, the_rig, shown, moment, state, step)
        assert all(word.leader_mm is None for word in plain)
    assert led or len(engine.marks) < 4


@pytest.mark.parametrize("name", SCENES)
def test_the_feelers_name_stands_clear_of_rocker_and_cam_and_says_its_thickness(name: str) -> None:
    engine, the_rig = packaged(name), rig(packaged(name))
    told = 0
    for step in play(engine).steps:
        if not step.key.endswith(("-nip", "-clearance")) or step.focus != "valve":
            continue
        moment = frame(step, 1.0)
        state = exhibit.state_at(engine, moment)
        shown = close_up(engine, "valve", step.valve)
        camera = close_up_camera(engine, the_rig, shown, state, SIZE[0] / SIZE[1])
        with Stage(SIZE) as stage:
            exhibit.furnish(stage, close_up_bodies(engine, shown))
            place_close_up(stage, engine, the_rig, shown, moment, state, step)
            stage.look(camera)
            numbers, keys = stage.identify()
        for leaders in (False, True):
            (label,) = engraving.labels(engine, the_rig, shown, moment, state, step, leaders)
            assert label.text.startswith("feeler ")
            x, y = project(camera, np.array([label.at_mm]), SIZE)[0]
            box = captions.tag_box((float(x), float(y)), label.text, 20, True, 0.2 * SIZE[0])
            left = max(0, min(box.left, SIZE[0] - (box.right - box.left)))
            under = numbers[max(0, box.top) : box.bottom, left : left + box.right - box.left]
            on = {keys[n][0].kind for n in np.unique(under) if n}
            assert not on & {Kind.ROCKER, Kind.CAMSHAFT, Kind.FEELER, Kind.TAPPET, Kind.SPRING}, (step.key, on)
        told += 1
    assert told


def test_the_feeler_is_drawn_as_thick_as_it_says() -> None:
    """Between valve tip and rocker of a clearance step: the gap that is drawn is the feeler times the factor."""
    engine = packaged("larkfell-port")
    step = next(step for step in play(engine).steps if step.key == "a-clearance")
    moment = frame(step, 1.0)
    state = exhibit.state_at(engine, moment)
    shown = close_up(engine, "valve", step.valve)
    thick = closeups.blade_mm(engine, moment.assembly, step.valve, state, step)
    assert thick == pytest.approx(engine.valves[step.valve].data.checking_clearance_mm)
    own = magnified_rig(rig(engine), shown)
    large = magnified(engine, moment.assembly, shown, state, thick)
    blade = closeups.feeler_poses(own, shown, large, thick)[Part(Kind.FEELER, step.valve)]
    body = closeups.feeler(engine, shown)[Part(Kind.FEELER, step.valve)]
    high = float(np.ptp((blade[:3, :3] @ body.vertices.T).T @ (blade[:3, 0] / np.linalg.norm(blade[:3, 0]))))
    assert high == pytest.approx(shown.factor * thick, rel=1e-6)


@pytest.mark.parametrize("name", SCENES)
def test_each_end_of_a_quill_is_seen_whole_and_near(name: str) -> None:
    engine, the_rig = packaged(name), rig(packaged(name))
    half = (SIZE[0], SIZE[1] // 2)
    for step in (step for step in play(engine).steps if step.key in ("safe", "inspection")):
        moment = frame(step, 1.0)
        state = exhibit.state_at(engine, moment)
        for stack in glances(engine, step, still=True):
            of = stack[0].of
            if stack[0].kind != "coupling" or engine.couplings[of].data.kind != "quill":
                continue
            whole = close_up_camera(engine, the_rig, close_up(engine, "coupling", of), state, SIZE[0] / SIZE[1])
            ends = {}
            for upper in (True, False):
                camera = quill_end_camera(engine, the_rig, of, state, upper, half[0] / half[1])
                ends[engraving.quill_end(engine, of, camera, upper).text.split(" ")[0]] = camera
                # drawn or home: nearer than the whole, by much where it is home
                assert px_per_mm(camera, half) > (1.6 if step.key == "inspection" else 1.1) * px_per_mm(whole, SIZE)
            assert set(ends) == {"driving", "driven"}
            for end, camera in ends.items():
                part = Part(Kind.MATE, f"{of} {end}")
                body = points_in_world(poses(the_rig, state, [part])[part], mesh(engine, part, "coarse").vertices)[0]
                at = project(camera, body, half)
                assert at.min() > -0.03 * half[1] and (at.max(axis=0) < np.array(half) * 1.03).all(), (of, end)


def _whole_in_frame(engine: Engine, step: Step, size: tuple[int, int]) -> int:
    count, the_rig = 0, rig(engine)
    for stack in glances(engine, step, still=True):
        for glance in (glance for glance in stack if glance.kind in ("gap", "points")):
            shown = close_up(engine, glance.kind, glance.of)
            moment = glance.moment or frame(step, 1.0)
            state = exhibit.state_at(engine, moment)
            camera = close_up_camera(engine, the_rig, shown, state, size[0] / size[1])
            own = magnified_rig(the_rig, shown)
            for part, pose in poses(own, state, shown.parts).items():
                at = project(camera, points_in_world(pose, mesh(engine, part, "coarse").vertices)[0], size)
                assert at.min() > 0 and (at.max(axis=0) < size).all(), (step.key, part)
            count += 1
    return count


@pytest.mark.parametrize("name", SCENES)
def test_both_points_are_whole_in_the_frame_and_their_gap_is_seen(name: str) -> None:
    engine = packaged(name)
    steps = [step for step in play(engine).steps if step.key == "points" or step.key.endswith("-break")]
    assert sum(_whole_in_frame(engine, step, (410, 108)) for step in steps) >= 3
    magneto = next(iter(engine.magnetos))
    shown = close_up(engine, "gap", magneto)
    state = exhibit.state_at(engine, frame(steps[0], 1.0))
    camera = close_up_camera(engine, rig(engine), shown, state, SIZE[0] / SIZE[1])
    drawn = shown.factor * engine.magnetos[magneto].data.points_gap_mm * px_per_mm(camera, SIZE)
    assert drawn > 0.08 * SIZE[1], "a gap that one sees at once"


@pytest.mark.parametrize("name", SCENES)
def test_a_quill_stands_in_its_close_up_as_it_stands_in_the_engine(name: str) -> None:
    """The end that is higher in the world is higher in the picture, and is shown in the upper half."""
    engine, the_rig = packaged(name), rig(packaged(name))
    state = exhibit.state_at(engine, frame(play(engine).steps[-1], 1.0))
    for of, own in engine.couplings.items():
        if own.data.kind != "quill":
            continue
        shaft = engine.shafts[own.driving]
        places = {
            end: np.asarray(shaft.point) + float(np.mean(at)) * np.asarray(shaft.axis)
            for end, at in (("driving", own.driving_mm), ("driven", own.driven_mm))
        }
        higher = max(places, key=lambda end: float(places[end][2]))
        camera = close_up_camera(engine, the_rig, close_up(engine, "coupling", of), state, SIZE[0] / SIZE[1])
        rows = {end: project(camera, place[None], SIZE)[0, 1] for end, place in places.items()}
        assert min(rows, key=lambda end: rows[end]) == higher
        upper = quill_end_camera(engine, the_rig, of, state, True, 2.0)
        assert engraving.quill_end(engine, of, upper, True).text.startswith(f"{higher} end")
        at = project(upper, places[higher][None], (200, 100))[0]
        assert 0 < at[0] < 200 and 0 < at[1] < 100
