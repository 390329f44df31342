"""The state as data that another program can play: a tree of straight lines, and periodic tables for the rest.

``motion`` computes the same coordinates exactly at every angle; here they are sampled once, so that a page without
any mechanics of its own shows what ``motion`` shows. A table hangs on the coordinate that drives it: pistons and rods
on the crankshaft, valves and rockers on their camshaft, points on what carries their breaker cam.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from quillwise.kinematics.angles import Floats
from quillwise.kinematics.articulated import height_mm, lean_deg
from quillwise.kinematics.assembly import Assembly, Engaged
from quillwise.kinematics.couplings import early_deg
from quillwise.kinematics.lobes import RockerPlan, rocker_angle_deg
from quillwise.kinematics.magnetos import cam_lift_mm
from quillwise.kinematics.model import CRANKSHAFT, Engine
from quillwise.kinematics.motion import breaker_running_deg, cam_travel_mm, pin_from_axis_deg
from quillwise.kinematics.rig import quill_coordinate, slide_coordinate

CRANK_ANGLE = "crank angle"  # θ itself, the root of the tree
_TURN_DEG = 360.0
_CRANK_STEP_DEG, _CAM_STEP_DEG = 1.0, 0.5
_POINTS_STEP_DEG = 0.25  # of the rotor


@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """A coordinate that is ratio × ``parent`` + offset [deg or mm]; without a parent it is the offset alone."""

    parent: str
    ratio: float
    offset: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Table:
    """A coordinate that is a periodic function of ``driver``: values (N,) at 0, 360/N, … [deg], straight between.

    ``clearance_of``: the value is max(0, table − clearance), with the valve's clearance, or what the points' gap
    leaves over from the cam's greatest lift, as the assembly says; empty: the value is the table's.
    ``arm_mm``: the value is then the lean, −asin(value / arm) [deg], of a lever that long; 0: no lever.
    """

    driver: str
    values: Floats
    clearance_of: str = ""
    arm_mm: float = 0.0


def tables(engine: Engine) -> dict[str, Table]:
    """The tables of an engine, by coordinate; they are the same in every assembly."""
    found: dict[str, Table] = {}
    crank = np.arange(0.0, _TURN_DEG, _CRANK_STEP_DEG)
    for cylinder in engine.cylinders.values():
        pin = pin_from_axis_deg(engine, cylinder, crank)
        found[f"piston {cylinder.name}"] = Table(driver=CRANKSHAFT, values=height_mm(cylinder.linkage, pin))
        found[f"rod {cylinder.name}"] = Table(driver=CRANKSHAFT, values=lean_deg(cylinder.linkage, pin))
    cam = np.arange(0.0, _TURN_DEG, _CAM_STEP_DEG)
    for valve in engine.valves.values():
        travel = cam_travel_mm(engine, valve, cam)
        found[f"valve {valve.name}"] = Table(driver=valve.camshaft, values=travel, clearance_of=valve.name)
        if isinstance(valve.plan, RockerPlan):
            angle = rocker_angle_deg(valve.plan, travel)
            found[f"rocker {valve.name}"] = Table(driver=valve.camshaft, values=angle)
    for magneto in engine.magnetos.values():
        # a turn of the shaft that bears the cam holds a whole number of lobes; one of the rotor need not
        driver = magneto.breaker_shaft
        quicker = abs(float(engine.shafts[magneto.rotor].turns / engine.shafts[driver].turns))
        turn = np.linspace(0.0, _TURN_DEG, math.ceil(_TURN_DEG * quicker / _POINTS_STEP_DEG), endpoint=False)
        lift = cam_lift_mm(magneto.data, breaker_running_deg(engine, magneto.name, turn))
        name = f"{magneto.name} magneto"
        found[f"points {magneto.name}"] = Table(driver=driver, values=lift, clearance_of=name)
        found[f"breaker lever {magneto.name}"] = Table(
            driver=driver, values=lift, clearance_of=name, arm_mm=magneto.contact_arm_mm
        )
    return found


def clearances_mm(engine: Engine, assembly: Assembly) -> dict[str, float]:
    """What the tables' values are less by in an assembly, by ``clearance_of`` [mm]; infinite: never lifted."""
    found = dict(assembly.clearances_mm)
    for magneto in engine.magnetos.values():
        gap = assembly.points_gaps_mm[magneto.name]
        peak = float(
            cam_lift_mm(magneto.data, (360.0 / float(magneto.data.sparks_per_turn) - magneto.data.dwell_deg) / 2)
        )
        found[f"{magneto.name} magneto"] = peak - gap
    return found


def lines(engine: Engine, assembly: Assembly) -> dict[str, Line]:
    """All shafts, quills and slides of an assembly, each after its parent."""
    found: dict[str, Line] = {}
    for shaft in engine.shafts.values():
        if not shaft.parent:
            found[shaft.name] = Line(parent=CRANK_ANGLE, ratio=engine.sigma, offset=0.0)
            continue
        if shaft.link not in engine.couplings:
            pitch = 360.0 / engine.wheels[engine.meshes[shaft.link].driven].teeth
            out = shaft.sense * pitch * assembly.mesh_teeth.get(shaft.link, 0)
            found[shaft.name] = Line(parent=shaft.parent, ratio=float(shaft.ratio), offset=out)
            continue
        coupling = engine.couplings[shaft.link]
        now = assembly.engagements[shaft.link]
        home = isinstance(now, Engaged)
        turned = shaft.sense * 360.0 / coupling.data.driving_teeth * now.driving_teeth
        found[quill_coordinate(shaft.link)] = Line(parent=shaft.parent, ratio=1.0, offset=turned)
        drawn = 0.0 if home else coupling.drawn_mm
        found[slide_coordinate(shaft.link)] = Line(parent="", ratio=0.0, offset=drawn)
        if isinstance(now, Engaged):
            early = float(early_deg(coupling.data, now.driving_teeth, now.driven_teeth))
            found[shaft.name] = Line(parent=shaft.parent, ratio=1.0, offset=shaft.sense * early)
        else:
            found[shaft.name] = Line(parent="", ratio=0.0, offset=now.driven_deg)
    return found
