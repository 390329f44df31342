"""Valve springs: closed bodies whose coils slide each by its share of the lift; and what all the parts come to."""

from __future__ import annotations

import numpy as np
import pytest
from random_engines import in_line_six

from quillwise.kinematics.assembly import intended
from quillwise.kinematics.build import build
from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import rig
from quillwise.meshes.build import mesh
from quillwise.meshes.springs import Spring, spring
from quillwise.scenes.library import engine as packaged
from quillwise.viz.exhibit import bodies

SCENES = ("larkfell-port", "larkfell-starboard", "slipway-six", "gantry-eight", "launch-inverted")
MOST_TRIANGLES = 150_000  # of the general view


@pytest.mark.parametrize("detail", ["coarse", "fine"])
def test_a_spring_is_one_closed_body_of_the_length_and_volume_of_its_wire(detail: str) -> None:
    plan = Spring(length_mm=50.0, radius_mm=12.0, wire_mm=3.0)
    body = spring(plan, detail)  # type: ignore[arg-type]
    assert body.is_watertight and body.body_count == 1
    low, high = body.bounds
    assert high[0] - low[0] == pytest.approx(50.0, abs=0.3)
    assert np.hypot(*body.vertices[:, 1:].T).max() == pytest.approx(12.0, abs=0.05)
    # Pappus: the area of the wire times the way of its middle; polygons lose a part of both
    way = np.hypot(6.5 * 2 * np.pi * 10.5, 47.0)
    whole = np.pi * 1.5**2 * way
    assert (0.65 if detail == "coarse" else 0.955) * whole < body.volume < whole


def test_turns_without_room_are_refused() -> None:
    with pytest.raises(ValueError, match="do not fit"):
        spring(Spring(length_mm=20.0, radius_mm=12.0, wire_mm=3.0))


@pytest.mark.parametrize("name", [*SCENES, "random six"])
def test_coil_i_of_n_slides_by_its_share_of_the_lift(name: str) -> None:
    engine = build(in_line_six()) if name == "random six" else packaged(name)
    valve = next(iter(engine.valves.values()))
    part, stem = Part(Kind.SPRING, valve.name), Part(Kind.VALVE, valve.name)
    firing = engine.cylinders[valve.cylinder].firing_deg
    state = motion(engine, intended(engine), firing + valve.curve.peak_deg + np.array([360.0, 0.0]))
    placed = poses(rig(engine), state, [part, stem])
    shut, lift = state[f"valve {valve.name}"]
    assert shut == 0.0 and lift > 0.9 * valve.data.lift_mm - valve.data.checking_clearance_mm
    axis, body = placed[stem][0, :3, 0], mesh(engine, part)
    moved = [body.vertices @ pose[:3, :3].T + pose[:3, 3] for pose in placed[part]]
    slid = (moved[0] - moved[1]) @ axis
    foot, end = valve.spring_mm
    share = body.vertices[:, 0] / (end - foot)
    assert share.min() == pytest.approx(0.0, abs=0.02) and share.max() == pytest.approx(1.0, abs=0.02)
    assert slid == pytest.approx(share * lift, abs=1e-9)
    across = (moved[0] - moved[1]) - slid[:, None] * axis
    assert np.abs(across).max() < 1e-9


@pytest.mark.parametrize("name", SCENES)
def test_a_spring_stands_on_the_head_and_carries_its_collar(name: str) -> None:
    engine = packaged(name)
    placed = poses(rig(engine), motion(engine, intended(engine), [0.0, 300.0, 500.0]))
    for valve in engine.valves.values():
        parts = [Part(kind, valve.name) for kind in (Kind.SPRING, Kind.SEAT, Kind.VALVE)]
        foot, end = valve.spring_mm
        coils, head, stem = (mesh(engine, part) for part in parts)
        assert foot == pytest.approx(head.bounds[1, 0] - valve.length_mm)
        collar = stem.vertices[np.abs(stem.vertices[:, 0] - end) < 1e-6]
        assert np.hypot(*collar[:, 1:].T).max() > np.hypot(*coils.vertices[:, 1:].T).max()
        assert head.is_watertight and coils.is_watertight
        for step in range(3):
            top = placed[parts[0]][step] @ np.array([end - foot, 0.0, 0.0, 1.0])
            under = placed[parts[2]][step] @ np.array([end, 0.0, 0.0, 1.0])
            assert top == pytest.approx(under, abs=1e-9)


@pytest.mark.parametrize("name", SCENES)
def test_the_general_view_has_no_more_triangles_than_it_may(name: str) -> None:
    assert sum(len(body.faces) for body, _ in bodies(packaged(name)).values()) <= MOST_TRIANGLES
