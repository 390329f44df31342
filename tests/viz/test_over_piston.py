"""What stands over a piston: the stop on its crown, the gauge where the top is one-sided, the room as it is told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from quillwise.kinematics.bench import one_sided_top
from quillwise.kinematics.motion import piston_drop_mm
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import points_in_world, poses
from quillwise.kinematics.rig import rig
from quillwise.kinematics.room import free_lift_mm, free_room, free_room_mm
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import frame
from quillwise.meshes.build import crown_mm, mesh
from quillwise.scenes.library import engine as packaged
from quillwise.viz import over_piston
from quillwise.viz.cameras import Margins, project
from quillwise.viz.exhibit import state_at

SCENES = ("larkfell-port", "slipway-six", "gantry-eight", "launch-inverted")
MARGINS = Margins(left=0.05, right=0.05, top=0.05, bottom=0.05)


@pytest.mark.parametrize("name", ["larkfell-port", "gantry-eight", "launch-inverted"])
def test_the_stop_touches_the_crown_as_far_before_the_top_as_after_it(name: str) -> None:
    engine, first = packaged(name), packaged(name).sheet.firing_order[0]
    assert not one_sided_top(engine, first)
    the_rig, step = rig(engine), play(engine).steps[1]
    piston = Part(Kind.PISTON, first)
    gaps = []
    for own in (-over_piston.STOP_DEG, 0.0, over_piston.STOP_DEG):
        state = state_at(engine, replace(frame(step, 1.0), crank_deg=engine.cylinders[first].firing_deg + own))
        pose = poses(the_rig, state, [piston])[piston][0]
        crown = points_in_world(pose[None], mesh(engine, piston, "coarse").vertices)[0] @ pose[:3, 0]
        tool = over_piston.tool_pose(engine, the_rig, first, state)
        foot = points_in_world(tool[None], over_piston.tool_body(engine, first).vertices)[0] @ pose[:3, 0]
        gaps.append(float(foot.min() - crown.max()))
        assert over_piston.tool_is_in(engine, first, state) == (own != 0.0), "it is taken out to go on to the top"
    assert gaps[0] == pytest.approx(0.0, abs=0.01)
    assert gaps[2] == pytest.approx(0.0, abs=0.01)
    assert gaps[1] < -0.5


def test_a_dial_gauge_proves_a_one_sided_top_and_stands_on_the_crown() -> None:
    engine = packaged("slipway-six")
    assert engine.sheet.crank.gudgeon_offset_mm != 0.0
    first = engine.sheet.firing_order[0]
    assert one_sided_top(engine, first)
    assert over_piston.tool_words(engine, first) == "dial gauge"
    the_rig, step = rig(engine), play(engine).steps[1]
    piston = Part(Kind.PISTON, first)
    for crank in (-40.0, 0.0):
        state = state_at(engine, replace(frame(step, 1.0), crank_deg=crank))
        assert over_piston.tool_is_in(engine, first, state)
        pose = poses(the_rig, state, [piston])[piston][0]
        assert over_piston.tool_pose(engine, the_rig, first, state) == pytest.approx(pose)
    low = float(over_piston.tool_body(engine, first).bounds[0, 0])
    assert low == pytest.approx(float(mesh(engine, piston, "coarse").bounds[1, 0]), abs=0.01)


@pytest.mark.parametrize("name", SCENES)
def test_the_height_of_a_crown_is_that_of_its_body(name: str) -> None:
    engine = packaged(name)
    for cylinder in engine.cylinders:
        body = mesh(engine, Part(Kind.PISTON, cylinder), "coarse")
        assert crown_mm(engine, cylinder) == pytest.approx(float(body.bounds[1, 0]), abs=1e-3)


@pytest.mark.parametrize("name", SCENES)
def test_the_room_that_is_drawn_is_the_least_that_is_told(name: str) -> None:
    """Along the cylinder; a valve that leans has more of it than along its own axis, which is what is told."""
    engine, the_rig = packaged(name), rig(packaged(name))
    for step in (step for step in play(engine).steps if step.key.endswith("-park")):
        moment = frame(step, 1.0)
        state = state_at(engine, moment)
        least = free_room(engine, step.job, moment.crank_deg)
        assert least.room_mm == float(free_room_mm(engine, step.job, moment.crank_deg)[0])
        found = over_piston.clear(engine, the_rig, least.valve, moment, state)
        drawn = float(np.linalg.norm(found.valve_mm - found.crown_mm))
        valve = engine.valves[least.valve]
        cylinder = engine.cylinders[valve.cylinder]
        drop = float(piston_drop_mm(engine, cylinder, moment.crank_deg - cylinder.firing_deg))
        leans = 1.0 - np.cos(np.radians(valve.data.angle_to_cylinder_deg))
        assert found.room_mm == least.room_mm
        assert drawn == pytest.approx(least.room_mm + (drop + free_lift_mm(valve)) * leans, abs=0.02), step.key
        camera = over_piston.camera(engine, the_rig, engine.valves[least.valve].cylinder, state, 1.5, MARGINS)
        at = project(camera, np.array([found.valve_mm, found.crown_mm]), (300, 200))
        assert at.min() > 0 and (at.max(axis=0) < (300, 200)).all()
        assert abs(at[0, 1] - at[1, 1]) > 8, "it is seen"


@pytest.mark.parametrize(
    ("off_deg", "told"),
    [(0.0, "at TDC"), (0.3, "at TDC"), (-0.3, "at TDC"), (0.7, "at 1° after TDC"), (-2, "at 2° before")],
)
def test_no_degrees_before_the_top_is_the_top(off_deg: float, told: str) -> None:
    engine = packaged("larkfell-port")
    moment = replace(frame(play(engine).steps[0], 0.0), crank_deg=engine.cylinders["A1"].firing_deg + off_deg)
    assert over_piston.words(engine, "piston", "A1", moment, state_at(engine, moment))[1].startswith(told)
