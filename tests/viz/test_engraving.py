"""The words in the close-ups stand where what they name is: degrees by the pointer, cylinders by their segments."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from quillwise.kinematics.assembly import intended
from quillwise.kinematics.lobes import RockerPlan
from quillwise.kinematics.magnetos import middle_of_range_deg
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import points_in_world, poses
from quillwise.kinematics.rig import quill_coordinate, rig
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import Frame, frame
from quillwise.meshes.build import disc_degree_deg
from quillwise.meshes.dressing import rocker_shafts
from quillwise.scenes.library import engine as packaged
from quillwise.viz import teeth
from quillwise.viz.cameras import project
from quillwise.viz.captions import tag_box
from quillwise.viz.closeups import close_up, close_up_camera
from quillwise.viz.engraving import labels
from quillwise.viz.exhibit import state_at
from quillwise.viz.glances import glances
from quillwise.viz.tags import LABEL_SHARE, letters_px

ENGINES = ("larkfell-port", "larkfell-starboard", "slipway-six", "gantry-eight", "launch-inverted")


@pytest.fixture(scope="module", params=ENGINES)
def engine(request: pytest.FixtureRequest) -> Engine:
    return packaged(request.param)


@pytest.mark.parametrize("crank_deg", [0.0, 40.0, 121.0, 590.0])
def test_the_degree_under_the_pointer_is_the_crank_angle(engine: Engine, crank_deg: float) -> None:
    """Each number stands as many degrees from the pointer's direction as it differs from the crank angle."""
    assembly = intended(engine)
    state = motion(engine, assembly, crank_deg)
    moment = Frame(assembly=assembly, crank_deg=crank_deg, free={})
    found = [
        label
        for label in labels(engine, rig(engine), close_up(engine, "window"), moment, state)
        if label.text.isdigit()
    ]
    turn = np.radians(engine.sizes.pointer_turn_deg)
    out, across = np.array([-np.sin(turn), np.cos(turn)]), np.array([np.cos(turn), np.sin(turn)])
    for label in found:
        place = np.array(label.at_mm[1:])
        # seen from the wheelcase end, where +y is left: clockwise is from out towards −across
        off = float(np.degrees(np.arctan2(-(place @ across), place @ out)))
        wanted = (crank_deg - float(label.text) + 180.0) % 360.0 - 180.0
        assert off * engine.sigma == pytest.approx(wanted, abs=1e-6)
    near_mark = any(abs((mark.crank_deg - crank_deg + 180) % 360 - 180) < 20 for mark in engine.marks)
    assert found or near_mark


def test_the_mark_that_the_crank_stands_at_is_named(engine: Engine) -> None:
    for mark in engine.marks:
        assembly = intended(engine)
        state = motion(engine, assembly, mark.crank_deg)
        moment = Frame(assembly=assembly, crank_deg=mark.crank_deg, free={})
        texts = [label.text for label in labels(engine, rig(engine), close_up(engine, "window"), moment, state)]
        same = [m.label for m in engine.marks if abs((m.crank_deg - mark.crank_deg + 180) % 360 - 180) < 1e-9]
        assert any(label in texts for label in same)


def test_the_name_of_a_mark_by_zero_keeps_clear_of_its_bar() -> None:
    """12 degrees of the disc from zero, on the mark's side, by 2 to 5 off the mark; from 13 on it stays there."""
    built = packaged("slipway-six")
    for from_zero, wanted in ((10.0, 12.0), (-8.0, -12.0), (4.0, 9.0), (-12.0, -14.0), (13.5, 13.5)):
        crank = from_zero % 720.0
        (mark,) = (replace(each, crank_deg=crank) for each in built.marks if each.label == "A1 exhaust closes")
        engine = replace(built, marks=(mark,))
        assembly = intended(engine)
        moment = Frame(assembly=assembly, crank_deg=crank, free={})
        state = motion(engine, assembly, crank)
        found = labels(engine, rig(engine), close_up(engine, "window"), moment, state)
        (label,) = (each for each in found if each.text.replace("\n", " ") == mark.label)
        turn = np.radians(engine.sizes.pointer_turn_deg)
        out, across = np.array([-np.sin(turn), np.cos(turn)]), np.array([np.cos(turn), np.sin(turn)])
        place = np.array(label.at_mm[1:])
        off = float(np.degrees(np.arctan2(-(place @ across), place @ out))) * engine.sigma
        assert from_zero - off == pytest.approx(wanted, abs=1e-6)


def test_the_finger_points_at_the_name_of_the_cylinder_that_fires(engine: Engine) -> None:
    assembly = intended(engine)
    for name, magneto in engine.magnetos.items():
        for cylinder in magneto.fires:
            crank = magneto.due_deg[cylinder] + middle_of_range_deg(magneto.data)
            state = motion(engine, assembly, crank)
            moment = Frame(assembly=assembly, crank_deg=crank, free={})
            found = labels(engine, rig(engine), close_up(engine, "magneto", name), moment, state)
            assert sorted(label.text for label in found) == sorted(magneto.fires)
            finger = Part(Kind.FINGER, name)
            pose = poses(rig(engine), state, [finger])[finger][0]
            way = pose[:3, :3] @ np.array([1.0, 0.0, 0.0])
            along = {label.text: float((np.array(label.at_mm) - pose[:3, 3]) @ way) for label in found}
            assert max(along, key=lambda text: along[text]) == cylinder


def test_every_rocker_turns_on_a_shaft(engine: Engine) -> None:
    """The axis of each rocker lies in a shaft, which is thinner than the rocker's hole and longer than the row."""
    shafts = rocker_shafts(engine)
    the_rig = rig(engine)
    state = motion(engine, intended(engine), 10.0)
    for valve in engine.valves.values():
        if not isinstance(valve.plan, RockerPlan):
            continue
        part = Part(Kind.ROCKER, valve.name)
        pivot = poses(the_rig, state, [part])[part][0][:3, 3]
        assert any(body.contains([pivot])[0] for body in shafts.values())
    assert bool(shafts) == any(isinstance(valve.plan, RockerPlan) for valve in engine.valves.values())


def test_every_word_stands_within_its_close_up(engine: Engine) -> None:
    """The angle, the numbers and the names keep a letter's height from the frame, in wide and in square pictures."""
    the_rig = rig(engine)
    for step in play(engine).steps:
        for stack in glances(engine, step, still=True):
            for glance in stack:
                moment = glance.moment or frame(step, 1.0)
                state = state_at(engine, moment)
                shown = close_up(engine, glance.kind, glance.of)
                found = labels(engine, the_rig, shown, moment, state)
                if step.key.endswith("-try") and glance.kind == "teeth":
                    assert [label.boxed for label in found] == [True]
                for size in ((508, 380), (300, 300)):
                    camera = close_up_camera(engine, the_rig, shown, state, size[0] / size[1])
                    for label, (x, y) in zip(
                        found, project(camera, [label.at_mm for label in found] or np.empty((0, 3)), size), strict=True
                    ):
                        if glance.kind == "window" and not label.text.isdigit():
                            continue  # the name of a mark beside the pointer's: its middle is within the window
                        assert 20 <= x <= size[0] - 20, (step.key, label)
                        assert 10 <= y <= size[1] - 10, (step.key, label)


def test_no_word_of_the_window_lies_on_another_or_on_the_bar_of_zero(engine: Engine) -> None:
    """The rectangles of the numbers and names at every mark of the disc, in the sizes of the gallery's close-ups."""
    the_rig = rig(engine)
    shown = close_up(engine, "window")
    assembly = intended(engine)
    radius = engine.sizes.disc_radius_mm
    for crank in sorted({mark.crank_deg % 360.0 for mark in engine.marks} | {0.0, 300.0}):
        state = motion(engine, assembly, crank)
        found = labels(engine, the_rig, shown, Frame(assembly=assembly, crank_deg=crank, free={}), state)
        for size, strip in (((459, 344), 24), ((272, 168), 24), ((816, 646), 24)):
            camera = close_up_camera(engine, the_rig, shown, state, size[0] / size[1])
            places = project(camera, [label.at_mm for label in found], size)
            boxes = [
                tag_box(
                    (float(x), float(y)), label.text, min(strip, letters_px(size)), label.boxed, LABEL_SHARE * size[0]
                )
                for label, (x, y) in zip(found, places, strict=True)
            ]
            for number, box in enumerate(boxes):
                for other in boxes[number + 1 :]:
                    assert not box.overlaps(other), (crank, size, box.text, other.text)
            disc = Part(Kind.DISC)
            turn = np.radians(disc_degree_deg(engine, 0.0))
            bar = [(r * radius * np.cos(turn), r * radius * np.sin(turn), engine.sizes.disc_x_mm) for r in (0.71, 0.81)]
            pose = poses(the_rig, state, [disc])[disc]
            for x, y in project(camera, points_in_world(pose, np.linspace(*np.asarray(bar), 9))[0], size):
                for box in boxes:
                    inside = box.left < x < box.right and box.top < y < box.bottom
                    assert not inside, (crank, size, box.text)


@pytest.mark.parametrize("out_deg", [-14.0, -3.9, 0.05, 2.0, 12.0])
def test_the_angle_out_of_line_is_written_clear_of_its_wedge(engine: Engine, out_deg: float) -> None:
    """However wide that is: between the two there is as much as the wedge's length by 0.4, along the ring."""
    step = next(step for step in play(engine).steps if step.key.endswith("-try"))
    own = engine.couplings[step.coupling]
    driven, moment = engine.shafts[own.driven], frame(step, 0.0)
    shown, state = close_up(engine, "teeth", step.coupling), state_at(engine, moment)
    quill = quill_coordinate(step.coupling)
    now = teeth.offer(engine, moment.assembly, step.coupling, state).trial.out_of_line_deg
    pitch = 360.0 / own.data.driven_teeth
    wanted = np.clip(out_deg, -0.49 * pitch, 0.49 * pitch)
    state = {**state, quill: state[quill] + driven.sense * (wanted - now)}
    points, out = teeth.wedge(engine, step.coupling, state)
    assert abs(out) == pytest.approx(abs(wanted), abs=1e-6)
    (word,) = labels(engine, rig(engine), shown, moment, state, step)
    inner, outer = points[0::2].mean(axis=0), points[1::2].mean(axis=0)
    along = np.cross(driven.axis, outer - inner)
    clear = (np.asarray(word.at_mm) - points) @ along / (along @ along)
    assert clear.min() >= 0.4
