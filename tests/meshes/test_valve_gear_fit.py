"""Bodies of engines with two camshafts a bank, several valves a cylinder, pads, rollers and buckets.

Each is one closed body, none cuts into another through a cycle, and every follower touches its own lobe (or stands off
it by the clearance). Overlaps are volumes by manifold3d, gaps its least distances: computed, no published figures.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import combinations

import numpy as np
import pytest
import random_engines
from valve_trains import two_camshafts, with_valves

from quillwise.kinematics.assembly import intended
from quillwise.kinematics.build import build
from quillwise.kinematics.datasheet import Follower
from quillwise.kinematics.lobes import FlatPlan, pad_half_width_mm
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import cam_travel_mm, motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import rig
from quillwise.meshes import solids
from quillwise.meshes.build import lobe_slice, mesh
from quillwise.viz.closeups import close_up, close_up_bodies
from quillwise.viz.magnifying import drawn_gap_mm

OVERLAP_MM3 = 0.05
TOUCH_MM = 0.05  # facets of 0.02 mm on both
GOLDEN = (np.sqrt(5) - 1) / 2
VALVE_GEAR = (Kind.CAMSHAFT, Kind.ROCKER, Kind.TAPPET, Kind.VALVE, Kind.SEAT, Kind.PISTON, Kind.CYLINDER)

ENGINES: dict[str, tuple[str, str, Follower, float, tuple[int, int]]] = {
    "six, two camshafts, buckets, 2 + 2": ("six", "direct", "flat", 15.0, (2, 2)),
    "six, two camshafts on their own quills, rollers, 2 + 2": ("six", "own", "rocker", 15.0, (2, 2)),
    "eight, two camshafts over an idler, rollers, 3 + 2": ("eight", "idler", "rocker", 30.0, (3, 2)),
    "eight, two camshafts, buckets, leaning over the edge of the bore, 3 + 2": (
        "eight",
        "direct",
        "flat",
        10.0,
        (3, 2),
    ),
    "eight, two camshafts, pads, upright, 1 + 1": ("eight", "direct", "pad-rocker", 0.0, (1, 1)),
    "six, one camshaft, pads, 2 + 1": ("six", "", "pad-rocker", 0.0, (2, 1)),
    "six, one camshaft, rollers, 3 + 2": ("six", "", "rocker", 0.0, (3, 2)),
    "eight, one camshaft, buckets, 2 + 1": ("eight", "", "flat", 0.0, (2, 1)),
}
every = pytest.mark.parametrize("name", ENGINES)


@lru_cache(maxsize=8)
def an_engine(name: str) -> Engine:
    base, way, follower, lean_deg, counts = ENGINES[name]
    sheet = random_engines.in_line_six("anticlockwise") if base == "six" else random_engines.v_eight()
    sheet = with_valves(sheet, *counts, follower, lean_deg)
    return build(two_camshafts(sheet, way) if way else sheet)


def of_a_cylinder(engine: Engine) -> list[Part]:
    """The valve gear of the last cylinder, its camshafts and what drives them."""
    cylinder = list(engine.cylinders)[-1]
    camshafts = {valve.camshaft for valve in engine.valves.values() if valve.cylinder == cylinder}
    own = {cylinder, *camshafts, *(v for v, valve in engine.valves.items() if valve.cylinder == cylinder)}
    return [part for part in engine.parts if part.kind in VALVE_GEAR and part.of in own]


@every
def test_bodies_are_one_closed_body_and_do_not_cut_into_each_other(name: str) -> None:
    engine = an_engine(name)
    cylinder = list(engine.cylinders)[-1]
    parts = of_a_cylinder(engine)
    inclined = [part for part in engine.parts if part.kind == Kind.SHAFT and part.of.startswith("inclined")]
    wheels = [part for part in engine.parts if part.kind == Kind.WHEEL and "camshaft" in part.of]
    bodies = {}
    for part in (*parts, *inclined, *wheels):
        body = mesh(engine, part)
        assert body.is_volume and body.body_count == 1, part
        bodies[part] = solids.solid(body)
    theta = 37 + 720 * GOLDEN * np.arange(6)
    placed = poses(rig(engine), motion(engine, intended(engine), theta), list(bodies))
    count = len([part for part in parts if part.kind == Kind.VALVE])
    assert count == engine.sheet.inlet.count + engine.sheet.exhaust.count, cylinder
    for one, other in combinations(bodies, 2):
        if Kind.WHEEL in (one.kind, other.kind):
            wheel, beside = (one, other) if one.kind == Kind.WHEEL else (other, one)
            if beside.kind == Kind.WHEEL or engine.wheels[wheel.of].shaft == beside.of:
                continue
        for step in range(len(theta)):
            shared = solids.moved(bodies[one], placed[one][step]) ^ solids.moved(bodies[other], placed[other][step])
            assert shared.volume() <= OVERLAP_MM3, (one, other, theta[step])


@every
def test_every_follower_touches_its_own_lobe(name: str) -> None:
    """Both kinds on both camshafts, whichever way these turn: the phase of each lobe is that of its own camshaft."""
    engine = an_engine(name)
    cylinder = list(engine.cylinders)[-1]
    for kind, number in (("inlet", engine.sheet.inlet.count), ("exhaust", 1)):
        valve = engine.valve(cylinder, kind, number)  # type: ignore[arg-type]
        flat = isinstance(valve.plan, FlatPlan)
        touched, camshaft = Part(Kind.TAPPET if flat else Kind.ROCKER, valve.name), Part(Kind.CAMSHAFT, valve.camshaft)
        theta = engine.cylinders[cylinder].firing_deg + valve.curve.peak_deg + np.linspace(-150, 400, 12)
        state = motion(engine, intended(engine), theta)
        placed = poses(rig(engine), state, [touched, camshaft])
        travel = cam_travel_mm(engine, valve, state[valve.camshaft])
        off = np.maximum(0.0, valve.data.checking_clearance_mm - travel) if flat else np.zeros(len(theta))
        lobe, rests = solids.solid(lobe_slice(engine, valve.name)), solids.solid(mesh(engine, touched, "fine"))
        for step in range(len(theta)):
            there, here = solids.moved(lobe, placed[camshaft][step]), solids.moved(rests, placed[touched][step])
            assert (there ^ here).volume() <= OVERLAP_MM3, (valve.name, theta[step])
            assert there.min_gap(here, 1.0) == pytest.approx(off[step], abs=TOUCH_MM), (valve.name, theta[step])


@every
def test_close_ups_show_the_valve_with_its_own_lobe(name: str) -> None:
    engine = an_engine(name)
    for valve in list(engine.valves.values())[-2:]:
        shown = close_up(engine, "valve", valve.name)
        bodies = close_up_bodies(engine, shown)
        assert Part(Kind.CAMSHAFT, valve.camshaft) in bodies
        lobe, _ = bodies[Part(Kind.CAMSHAFT, valve.camshaft)]
        assert lobe.is_volume
        assert lobe.bounds[0][2] < valve.x_mm < lobe.bounds[1][2]
        state = motion(
            engine, intended(engine), [engine.cylinders[valve.cylinder].firing_deg + valve.curve.peak_deg + 360]
        )
        assert drawn_gap_mm(engine, intended(engine), valve.name, state) == pytest.approx([0.40])


def test_a_pad_is_as_wide_as_its_lobe_needs() -> None:
    engine = an_engine("six, one camshaft, pads, 2 + 1")
    valve = engine.valves["A1 inlet 2"]
    assert not isinstance(valve.plan, FlatPlan)
    half = pad_half_width_mm(valve.plan, valve.curve)
    body = mesh(engine, Part(Kind.ROCKER, valve.name), "fine")
    # the face is an arc of the pad's radius about its centre, in the rocker's frame (x along w, y along u)
    centre = np.subtract(valve.plan.roller_mm, valve.plan.pivot_mm)[::-1]
    radius = np.hypot(*(body.vertices[:, :2] - centre).T)
    face = body.vertices[np.abs(radius - valve.plan.roller_radius_mm) < 1e-6]
    assert face[:, 1].max() - centre[1] >= half and centre[1] - face[:, 1].min() >= half
    assert valve.plan.roller_radius_mm == 50.0, "half the bore, where it is not given"
