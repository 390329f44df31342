"""Bodies of engines of many layouts: rods that hang on a wrist pin, three banks, banks that hang down or lie flat.

Overlaps are volumes by manifold3d; computed here, no published figures.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import lru_cache

import numpy as np
import pytest
import trimesh
from layouts import LAYOUTS, w_twelve
from overlaps import overlapping, spread

from quillwise.kinematics.angles import Floats
from quillwise.kinematics.assembly import intended
from quillwise.kinematics.build import build
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import rig
from quillwise.meshes import solids
from quillwise.meshes.build import mesh

SHEETS = {**LAYOUTS, "W-12, side by side": lambda: w_twelve(rods="side-by-side")}
RUNNING_GEAR = (Kind.CRANKSHAFT, Kind.ROD, Kind.PISTON, Kind.CYLINDER)
every_layout = pytest.mark.parametrize("name", SHEETS)


@lru_cache(maxsize=2)
def engine_of(name: str) -> Engine:
    return build(SHEETS[name]())


def overlaps(engine: Engine, parts: Iterable[Part], crank_deg: Floats) -> dict[tuple[Part, Part], float]:
    """Pairs of parts of different shafts that have a volume in common at one of the angles [mm³]."""
    placed = poses(rig(engine), motion(engine, intended(engine), crank_deg), parts)
    return overlapping(engine, [solids.solid(mesh(engine, part)) for part in placed], placed)


@every_layout
def test_running_gear_of_a_throw_clears_itself_all_round(name: str) -> None:
    engine = engine_of(name)
    numbers = sorted({cylinder.number for cylinder in engine.cylinders.values()})
    for number in (numbers[0], numbers[-1]):
        parts = [
            part
            for part in engine.parts
            if part.kind in RUNNING_GEAR and (not part.of or engine.cylinders[part.of].number == number)
        ]
        assert overlaps(engine, parts, spread(24, 41.0)) == {}


@every_layout
def test_no_part_cuts_into_another(name: str) -> None:
    engine = engine_of(name)
    assert overlaps(engine, engine.parts, spread(1, 41.0)) == {}


@pytest.mark.parametrize("name", ["W-12, articulated", "V-8, articulated"])
def test_master_and_link_rods_are_one_body_each(name: str, one_body: Callable[[trimesh.Trimesh], None]) -> None:
    engine = engine_of(name)
    for cylinder in engine.cylinders.values():
        if cylinder.number == 1:
            for detail in ("coarse", "fine"):
                one_body(mesh(engine, Part(Kind.ROD, cylinder.name), detail))


@pytest.mark.parametrize("name", ["W-12, articulated", "V-8, articulated"])
def test_link_rods_turn_on_the_wrist_pins_of_their_master_rod(name: str) -> None:
    engine, theta = engine_of(name), spread(12)
    master = next(c.name for c in engine.cylinders.values() if c.linkage.link is None and c.number == 1)
    links = [c for c in engine.cylinders.values() if c.linkage.link is not None and c.number == 1]
    parts = [Part(Kind.ROD, each) for each in (master, *(c.name for c in links))]
    placed = poses(rig(engine), motion(engine, intended(engine), theta), parts)
    bodies = {part: solids.solid(mesh(engine, part, "fine")) for part in parts}
    for link in links:
        own = Part(Kind.ROD, link.name)
        for step in range(len(theta)):
            carrier = solids.moved(bodies[parts[0]], placed[parts[0]][step])
            hung = solids.moved(bodies[own], placed[own][step])
            assert (carrier ^ hung).volume() == pytest.approx(0.0, abs=1e-6)
            # 0.1 mm of oil in the eye, and the facets of both
            assert carrier.min_gap(hung, 2.0) <= 0.15
            # the eye goes round the pin: the metal of the pin fills the middle of the eye, between the lugs
            eye = placed[own][step] @ np.array([-link.linkage.own_rod_mm, 0.0, 0.0, 1.0])
            drop = solids.cylinder(1.0, -0.5, 0.5, "coarse")
            probe = solids.moved(drop, np.block([[placed[own][step][:3, :3], eye[:3, None]], [np.array([0, 0, 0, 1])]]))
            assert (probe ^ carrier).volume() == pytest.approx(probe.volume(), rel=1e-6)
            assert (probe ^ hung).volume() == 0.0


def test_all_crowns_come_up_to_one_height_under_their_heads() -> None:
    engine = engine_of("V-8, articulated")
    tops = []
    for name in ("A1", "B1"):
        cylinder = engine.cylinders[name]
        piston = mesh(engine, Part(Kind.PISTON, name))
        tops.append(cylinder.top_mm + float(piston.bounds[1][0]))
    assert tops[0] == pytest.approx(tops[1], abs=1e-6)


@pytest.mark.parametrize("name", ["inverted V-12", "flat twelve", "W-12, articulated"])
def test_nothing_stands_between_the_viewer_and_the_mark_at_the_pointer(name: str) -> None:
    engine, bore = engine_of(name), 100.0
    placed = poses(rig(engine), motion(engine, intended(engine), [0.0]))
    # what a viewer at the wheelcase end looks through: before the disc, as wide as the window's pointer reaches in
    radius, front = engine.sizes.disc_radius_mm, engine.sizes.disc_x_mm
    sight = solids.box((front - 20 * bore, -0.15 * radius, 0.7 * radius), (front - bore / 5, 0.15 * radius, radius))
    for part in engine.parts:
        body = solids.moved(solids.solid(mesh(engine, part)), placed[part][0])
        assert (body ^ sight).volume() == 0.0, part
        if part.kind == Kind.WINDOW:
            assert body.bounding_box()[2] > 0, "all of it above the crank"
