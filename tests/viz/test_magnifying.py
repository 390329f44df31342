"""A clearance or a gap that is drawn larger: by the printed factor, measured between the bodies, and nothing torn."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from quillwise.kinematics.assembly import intended
from quillwise.kinematics.lobes import RockerPlan
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import State, motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import rig
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import frame
from quillwise.meshes import solids
from quillwise.meshes.build import mesh
from quillwise.scenes.library import engine as packaged
from quillwise.viz.closeups import CloseUp, close_up, close_up_bodies
from quillwise.viz.exhibit import state_at
from quillwise.viz.magnifying import (
    blade_mm,
    blade_reach_mm,
    drawn_gap_mm,
    feeler_poses,
    holder_of,
    magnified,
    magnified_rig,
)

ENGINES = ("larkfell-port", "slipway-six")
TOUCH_MM = 0.03


@pytest.fixture(scope="module", params=ENGINES)
def engine(request: pytest.FixtureRequest) -> Engine:
    return packaged(request.param)


class Drawn:
    """The bodies of a close-up where it draws them, and where they are."""

    def __init__(self, engine: Engine, shown: CloseUp) -> None:
        self.engine, self.shown = engine, shown
        self.bodies = {part: solids.solid(body) for part, body in _plain(engine, shown).items()}
        self.true, self.large = rig(engine), magnified_rig(rig(engine), shown)

    def gap_mm(self, state: State, one: Part, other: Part, drawn: bool = True, thick_mm: float = 0.0) -> float:
        here = self.at(state, one, drawn, thick_mm)
        return float(here.min_gap(self.at(state, other, drawn, thick_mm), 20.0))

    def at(self, state: State, part: Part, drawn: bool = True, thick_mm: float = 0.0) -> solids.Solid:
        if drawn:
            state = magnified(self.engine, intended(self.engine), self.shown, state, thick_mm)
        pose = poses(self.large if drawn else self.true, state, [part])[part][0]
        return solids.moved(self.bodies[part], pose)


def _plain(engine: Engine, shown: CloseUp) -> dict[Part, trimesh.Trimesh]:
    """Bodies without the paint, which is a body of its own; what is only compared with itself need not be fine."""
    made = close_up_bodies(engine, shown)
    plain = {
        part: body if marked is None else body.submesh([np.flatnonzero(~marked)], append=True)
        for part, (body, marked) in made.items()
    }
    return plain | {part: mesh(engine, part, "coarse") for part in plain if part.kind in (Kind.SEAT, Kind.SPRING)}


def _one_of_each(engine: Engine) -> list[str]:
    first = engine.sheet.firing_order[0]
    return [name for name, valve in engine.valves.items() if valve.cylinder == first][:2]


def test_the_gap_at_the_valve_is_drawn_so_many_times_as_wide(engine: Engine) -> None:
    for name in _one_of_each(engine):
        valve = engine.valves[name]
        shown = close_up(engine, "valve", name)
        drawn = Drawn(engine, shown)
        rocker = isinstance(valve.plan, RockerPlan)
        stem = Part(Kind.VALVE if rocker else Kind.TAPPET, name)
        over = Part(Kind.ROCKER, name) if rocker else Part(Kind.CAMSHAFT, valve.camshaft)
        for cam_deg in (-180.0, -76.0, 0.0):
            theta = engine.cylinders[valve.cylinder].firing_deg + valve.curve.peak_deg + 2 * cam_deg
            state = motion(engine, intended(engine), theta)
            gap = float(drawn_gap_mm(engine, intended(engine), name, state)[0])
            assert drawn.gap_mm(state, over, stem) == pytest.approx(shown.factor * gap, abs=TOUCH_MM), cam_deg


def test_what_lies_below_the_gap_moves_with_the_valve(engine: Engine) -> None:
    """Seat, guide and spring stand to the valve as they do in the engine, whatever is drawn larger over them."""
    for name in _one_of_each(engine)[:1]:
        valve = engine.valves[name]
        drawn = Drawn(engine, close_up(engine, "valve", name))
        stem, seat, spring = (Part(kind, name) for kind in (Kind.VALVE, Kind.SEAT, Kind.SPRING))
        for cam_deg in (-76.0, 0.0):
            theta = engine.cylinders[valve.cylinder].firing_deg + valve.curve.peak_deg + 2 * cam_deg
            state = motion(engine, intended(engine), theta)
            for one, other in ((stem, seat), (stem, spring), (spring, seat)):
                true = drawn.gap_mm(state, one, other, drawn=False)
                assert drawn.gap_mm(state, one, other) == pytest.approx(true, abs=1e-6), (one, other, cam_deg)
        # it is the gap that was drawn larger, so they did move
        shut = motion(
            engine, intended(engine), engine.cylinders[valve.cylinder].firing_deg + valve.curve.peak_deg + 360
        )
        far = drawn.at(shut, seat).bounding_box(), drawn.at(shut, seat, drawn=False).bounding_box()
        assert np.abs(np.subtract(*far)).max() > valve.data.checking_clearance_mm


def test_the_heel_of_the_lever_rides_on_the_cam_that_is_drawn(engine: Engine) -> None:
    for name, magneto in list(engine.magnetos.items())[:1]:
        shown = close_up(engine, "magneto", name)
        drawn = Drawn(engine, shown)
        cam, lever, fixed = (Part(k, name) for k in (Kind.BREAKER_CAM, Kind.MOVING_POINT, Kind.FIXED_POINT))
        a_spark = 360.0 / float(magneto.data.sparks_per_turn) / abs(float(engine.shafts[magneto.rotor].turns))
        opened = 0
        for share in np.linspace(0.0, 1.0, 13)[:-1]:
            state = motion(engine, intended(engine), magneto.first_deg + magneto.data.break_deg + share * a_spark)
            gap = float(state[f"points {name}"][0])
            inside = (drawn.at(state, cam) ^ drawn.at(state, lever)).volume()
            assert inside <= 4.0, (name, share, inside)  # a tenth of a millimetre deep over the heel's width
            if gap > 0.05:
                opened += 1
                # the heel turns about the pivot: a hundredth of what is drawn larger
                assert drawn.gap_mm(state, cam, lever) <= 0.10, (name, share)
                near = shown.factor * gap * (1 - 0.022 * engine.sheet.crank.bore_mm / magneto.contact_arm_mm)
                assert drawn.gap_mm(state, fixed, lever) == pytest.approx(near, abs=0.05)
        assert opened > 2


def test_the_feeler_fills_the_gap_and_stands_out_beside_it(engine: Engine) -> None:
    seen = set()
    for step in play(engine).steps:
        if not step.valve or step.focus != "valve":
            continue
        moment = frame(step, 1.0)
        state = state_at(engine, moment)
        thick = blade_mm(engine, moment.assembly, step.valve, state, step)
        if not thick:
            continue
        seen.add(step.key.rsplit("-", 1)[1])
        shown = close_up(engine, "valve", step.valve)
        large = magnified(engine, moment.assembly, shown, state, thick)
        own = magnified_rig(rig(engine), shown)
        placed = feeler_poses(own, shown, large, thick)
        made = {part: body for part, (body, _) in close_up_bodies(engine, shown).items() if part in placed}
        blade = made[Part(Kind.FEELER, step.valve)].bounds * [[thick, 1, 1]]
        assert np.ptp(blade[:, 0]) == pytest.approx(shown.factor * thick), "by the printed factor"
        gap = float(drawn_gap_mm(engine, moment.assembly, step.valve, state)[0])
        assert gap + (shown.factor - 1) * large[f"valve {step.valve}, to come"][0] == pytest.approx(
            shown.factor * max(gap, thick)
        )
        start, grip, end = blade_reach_mm(engine, step.valve)
        assert abs(end) > abs(grip) > abs(start)
        assert np.ptp(made[holder_of(step.valve)].bounds[:, 0]) > 0.04 * engine.sheet.crank.bore_mm, "seen at once"
    assert seen == {"clearance", "nip"}
