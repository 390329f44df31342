"""The feeler in the close-up of a points gap: as thick as the gap is drawn, and between the points, not in them."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import rig
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import frame
from quillwise.scenes.library import engine
from quillwise.viz import engraving, exhibit, points_feeler
from quillwise.viz.cameras import project
from quillwise.viz.closeups import close_up, close_up_bodies, close_up_camera
from quillwise.viz.magnifying import magnified, magnified_rig


@pytest.mark.parametrize("name", ["larkfell-port", "slipway-six", "gantry-eight", "launch-inverted"])
def test_the_feeler_fills_the_gap_that_the_points_are_set_to(name: str) -> None:
    own = engine(name)
    step = next(step for step in play(own).steps if step.key == "points")
    moment = frame(step, 1.0)
    state = exhibit.state_at(own, moment)
    for magneto in own.magnetos.values():
        shown = close_up(own, "gap", magneto.name)
        hung, large = magnified_rig(rig(own), shown), magnified(own, moment.assembly, shown, state)
        bodies = {part: body for part, (body, _) in close_up_bodies(own, shown).items()}
        blade = bodies.pop(points_feeler.part(magneto.name))
        gap_mm = shown.factor * magneto.data.points_gap_mm
        x_mm, y_mm = magneto.lever_pivot_mm
        # computed: the drawn gap is the factor times the gap of the data, and the blade fills it at the points' middle
        assert blade.body_count == 2 and all(piece.is_watertight for piece in blade.split())
        thin = min(blade.split(), key=lambda piece: float(np.ptp(piece.bounds[:, 0])))
        assert thin.bounds[:, 0] - x_mm == pytest.approx([0.0, gap_mm], abs=1e-9)
        assert thin.bounds[0, 1] == pytest.approx(y_mm + magneto.contact_arm_mm, abs=1e-9)
        fixed, moving = shown.parts
        world = poses(hung, large, shown.parts)
        blade.apply_transform(world[fixed][0])
        for part in (fixed, moving):
            point = bodies[part].copy()
            point.apply_transform(world[part][0])
            common = trimesh.boolean.intersection([blade, point])
            assert common.is_empty or common.volume < 0.02 * thin.volume, part
        # and the lever's point bears on it
        lever = bodies[moving].copy()
        lever.apply_transform(world[moving][0])
        there = world[fixed][0] @ np.array([x_mm + gap_mm, y_mm + magneto.contact_arm_mm, 0.0, 1.0])
        assert abs(trimesh.proximity.signed_distance(lever, there[None, :3])[0]) < 0.15 * gap_mm


def test_its_words_tell_the_gap_in_the_unit_of_the_file_and_stand_in_the_picture() -> None:
    for name, told in (("larkfell-port", "feeler 0.30 mm\nlight drag"), ("slipway-six", "feeler 0.012 in\nlight drag")):
        own = engine(name)
        step = next(step for step in play(own).steps if step.key == "points")
        moment = frame(step, 1.0)
        state = exhibit.state_at(own, moment)
        shown = close_up(own, "gap", next(iter(own.magnetos)))
        (label,) = engraving.labels(own, rig(own), shown, moment, state, step)
        assert (label.text, label.boxed) == (told, True)
        camera = close_up_camera(own, rig(own), shown, state, 1.5)
        x, y = project(camera, np.array([label.at_mm]), (600, 400))[0]
        assert 0 < x < 600 and 0 < y < 400
