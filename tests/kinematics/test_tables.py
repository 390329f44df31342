"""Lines and tables give what ``motion`` computes exactly, in assemblies of every kind: as set, a wrong tooth, open."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest
from random_engines import breaker_at_half_speed

from quillwise.kinematics.assembly import intended, move_teeth, open_at, with_clearances, with_mesh_teeth
from quillwise.kinematics.motion import motion
from quillwise.kinematics.rig import quill_coordinate, rig, slide_coordinate
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import frame
from quillwise.kinematics.tables import CRANK_ANGLE, Line, Table, clearances_mm, lines, tables
from quillwise.scenes import library

ANGLES = np.random.default_rng(7).uniform(-900.0, 900.0, 24)


def played(
    crank_deg: float,
    lines: Mapping[str, Line],
    tables: Mapping[str, Table],
    clearances_mm: Mapping[str, float],
    free: Mapping[str, float] | None = None,
) -> dict[str, float]:
    """The state at one angle from lines and tables alone, as a player computes it. ``free`` as in ``motion``: a free
    quill's turn counts from its parent."""
    loose = free or {}
    state = {CRANK_ANGLE: crank_deg}
    for name, line in lines.items():
        base = line.ratio * state[line.parent] if line.parent else 0.0
        own = line.offset
        if name in loose and (not line.parent or name.endswith(" turned")):
            own = loose[name]
        state[name] = base + own
    for name, table in tables.items():
        value = _between(table.values, state[table.driver])
        if table.clearance_of:
            value = max(0.0, value - clearances_mm[table.clearance_of])
        if table.arm_mm:
            value = -float(np.degrees(np.arcsin(value / table.arm_mm)))
        state[name] = value
    return state


def _between(values: np.ndarray, angle_deg: float) -> float:
    place = (angle_deg % 360.0) / 360.0 * len(values)
    low = int(place)
    share = place - low
    return float(values[low % len(values)] * (1 - share) + values[(low + 1) % len(values)] * share)


def tolerance(name: str) -> float:
    """0.01 mm and 0.005°."""
    return 0.01 if name.startswith(("piston ", "valve ", "points ")) or name.endswith(" drawn") else 0.005


def compare(engine, assembly, angle, free=None) -> None:
    truth = motion(engine, assembly, angle, free)
    shown = played(float(angle), lines(engine, assembly), tables(engine), clearances_mm(engine, assembly), free)
    assert set(shown) - {CRANK_ANGLE} == set(truth)
    for name, values in truth.items():
        assert shown[name] == pytest.approx(float(values[0]), abs=tolerance(name)), name


@pytest.mark.parametrize("name", library.names())
def test_every_assembly_of_every_engine(name):
    engine = library.engine(name)
    whole = intended(engine)
    coupling = next(iter(engine.couplings))
    driven = engine.couplings[coupling].driven
    valve = next(iter(engine.valves))
    made = [
        whole,
        move_teeth(whole, coupling, 3, -2),
        with_mesh_teeth(whole, next(iter(engine.meshes)), 1),
        with_clearances(whole, {valve: 0.9}),
        open_at(whole, coupling, 123.4, 2),
    ]
    for assembly in made:
        for angle in ANGLES:
            compare(engine, assembly, angle)
    free = {driven: 77.0, quill_coordinate(coupling): 12.0, slide_coordinate(coupling): 5.0}
    compare(engine, made[-1], 200.0, free)


def test_a_breaker_cam_on_the_finger_s_shaft():
    engine = breaker_at_half_speed()
    whole = intended(engine)
    for assembly in (whole, with_mesh_teeth(whole, engine.shafts["left finger"].link, 1)):
        for angle in ANGLES:
            compare(engine, assembly, angle)


def test_every_step_of_a_set_up():
    engine = library.engine("gantry-eight")
    assert set(rig(engine).coordinates) <= set(
        played(0.0, lines(engine, intended(engine)), tables(engine), clearances_mm(engine, intended(engine)))
    )
    for step in play(engine).steps:
        for share in (0.0, 0.35, 0.8, 1.0):
            now = frame(step, share)
            compare(engine, now.assembly, now.crank_deg, now.free)
