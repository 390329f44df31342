"""The state of an assembly at crank angles: every named coordinate, exactly (no tables, no small-angle steps).

Coordinates are a tree rooted in the crankshaft: q = ratio · parent + offset. A wrong tooth is an offset, an open
coupling makes the driven shaft's coordinate free: it stands where the assembly says, or follows ``free``.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike

from quillwise.kinematics.angles import Floats, array
from quillwise.kinematics.articulated import drop_mm, height_mm, lean_deg
from quillwise.kinematics.assembly import Assembly, Engaged
from quillwise.kinematics.cams import lift_mm
from quillwise.kinematics.couplings import early_deg
from quillwise.kinematics.lobes import RockerPlan, rocker_angle_deg
from quillwise.kinematics.magnetos import middle_of_range_deg, points_opening_mm
from quillwise.kinematics.model import CRANKSHAFT, Cylinder, Engine, Valve
from quillwise.kinematics.rig import quill_coordinate, slide_coordinate

State = Mapping[str, Floats]


def motion(
    engine: Engine,
    assembly: Assembly,
    crank_deg: ArrayLike,
    free: Mapping[str, ArrayLike] | None = None,
) -> State:
    """All coordinates of the rig at crank angles ``crank_deg`` θ [deg, (N,) or one]: degrees of turns, mm of slides.

    ``free``: values that the assembly leaves open, scalars or (N,): angles [deg] of shafts behind an open coupling,
    slides [mm] and turns [deg] of drawn quills; the assembly's own where left out. Returns a read-only mapping
    coordinate → (N,) read-only array. Raises ValueError where a free value is neither one number nor N.
    """
    theta = array(crank_deg)
    state = shaft_angles(engine, assembly, theta, _loose(free, theta))
    for cylinder in engine.cylinders.values():
        pin = pin_from_axis_deg(engine, cylinder, state[CRANKSHAFT])
        state[f"piston {cylinder.name}"] = height_mm(cylinder.linkage, pin)
        state[f"rod {cylinder.name}"] = lean_deg(cylinder.linkage, pin)
    for valve in engine.valves.values():
        travel = cam_travel_mm(engine, valve, state[valve.camshaft])
        state[f"valve {valve.name}"] = _lift_mm(assembly, valve, travel)
        if isinstance(valve.plan, RockerPlan):
            state[f"rocker {valve.name}"] = rocker_angle_deg(valve.plan, travel)
    for magneto in engine.magnetos.values():
        running = breaker_running_deg(engine, magneto.name, state[magneto.breaker_shaft])
        opening = points_opening_mm(magneto.data, running, assembly.points_gaps_mm[magneto.name])
        state[f"points {magneto.name}"] = opening
        state[f"breaker lever {magneto.name}"] = -np.degrees(np.arcsin(opening / magneto.contact_arm_mm))
    for values in state.values():
        values.setflags(write=False)
    return MappingProxyType(state)


def valve_lifts_mm(
    engine: Engine, assembly: Assembly, crank_deg: ArrayLike, free: Mapping[str, ArrayLike] | None = None
) -> dict[str, Floats]:
    """Of ``motion`` the lifts of the valves alone [mm]: "valve …" → (N,). Much quicker."""
    theta = array(crank_deg)
    angles = shaft_angles(engine, assembly, theta, _loose(free, theta))
    return {
        f"valve {valve.name}": _lift_mm(assembly, valve, cam_travel_mm(engine, valve, angles[valve.camshaft]))
        for valve in engine.valves.values()
    }


def _loose(free: Mapping[str, ArrayLike] | None, theta: Floats) -> dict[str, Floats]:
    return {name: np.broadcast_to(np.asarray(value, dtype=float), theta.shape) for name, value in (free or {}).items()}


def _lift_mm(assembly: Assembly, valve: Valve, travel_mm: Floats) -> Floats:
    return np.asarray(np.maximum(0.0, travel_mm - assembly.clearances_mm[valve.name]))


def shaft_angles(
    engine: Engine, assembly: Assembly, theta: Floats, free: Mapping[str, Floats] | None = None
) -> dict[str, Floats]:
    """Angles of all shafts and quills about their own axes [deg], and the quills' slides [mm]: name → (N,)."""
    loose = free or {}
    state: dict[str, Floats] = {}
    for shaft in engine.shafts.values():
        if not shaft.parent:
            state[shaft.name] = engine.sigma * theta
            continue
        parent = state[shaft.parent]
        if shaft.link not in engine.couplings:
            mesh = engine.meshes[shaft.link]
            pitch_deg = 360.0 / engine.wheels[mesh.driven].teeth
            out = shaft.sense * pitch_deg * assembly.mesh_teeth.get(shaft.link, 0)
            state[shaft.name] = float(shaft.ratio) * parent + out
            continue
        data = engine.couplings[shaft.link].data
        now = assembly.engagements[shaft.link]
        home = isinstance(now, Engaged)
        turned = shaft.sense * 360.0 / data.driving_teeth * now.driving_teeth
        state[quill_coordinate(shaft.link)] = parent + loose.get(quill_coordinate(shaft.link), turned)
        drawn = 0.0 if home else engine.couplings[shaft.link].drawn_mm
        state[slide_coordinate(shaft.link)] = np.zeros_like(theta) + loose.get(slide_coordinate(shaft.link), drawn)
        if isinstance(now, Engaged):
            early = early_deg(data, now.driving_teeth, now.driven_teeth)
            state[shaft.name] = parent + shaft.sense * float(early)
        else:
            state[shaft.name] = np.zeros_like(theta) + loose.get(shaft.name, now.driven_deg)
    return state


def pin_from_axis_deg(engine: Engine, cylinder: Cylinder, crankshaft_deg: Floats) -> Floats:
    """Angle of the crank pin from the cylinder's axis, about +x [deg]. Shape kept."""
    first_bank = engine.cylinders[engine.sheet.firing_order[0]].bank_turn_deg
    return np.asarray(cylinder.pin_turn_deg + first_bank + crankshaft_deg - cylinder.bank_turn_deg)


def piston_drop_mm(engine: Engine, cylinder: Cylinder, own_deg: ArrayLike) -> Floats:
    """How far a cylinder's piston stands below its own top [mm], at the cylinder's own angle [deg]. Shape kept."""
    return drop_mm(cylinder.linkage, cylinder.tdc_pin_deg, own_deg, engine.sigma)


def cam_own_deg(engine: Engine, valve: Valve, camshaft_deg: Floats) -> Floats:
    """The own angle of the cylinder that the *camshaft* stands at: the lobe's view of the cycle [deg]. Shape kept."""
    turns = float(engine.shafts[valve.camshaft].turns) * engine.sigma
    return np.asarray(camshaft_deg / turns - engine.cylinders[valve.cylinder].firing_deg)


def cam_travel_mm(engine: Engine, valve: Valve, camshaft_deg: Floats) -> Floats:
    """What the lobe gives at the valve before the clearance is taken off [mm]. Shape of the camshaft's angle."""
    return lift_mm(valve.curve, cam_own_deg(engine, valve, camshaft_deg))


def rotor_running_deg(engine: Engine, magneto: str, rotor_deg: Floats) -> Floats:
    """Magneto rotor angle in its running direction, 0 where the points break for the first cylinder when exactly
    timed [deg]. Shape kept."""
    one = engine.magnetos[magneto]
    rotor = engine.shafts[one.rotor]
    return np.asarray(rotor.sense * rotor_deg - abs(float(rotor.turns)) * (one.first_deg + one.data.break_deg))


def breaker_running_deg(engine: Engine, magneto: str, breaker_shaft_deg: Floats) -> Floats:
    """What ``rotor_running_deg`` gives, told by the shaft that bears the breaker cam: where the points are. The two
    differ when the cam is on the finger's shaft and its gear is a tooth out [deg of the rotor]. Shape kept."""
    one = engine.magnetos[magneto]
    shaft, rotor = engine.shafts[one.breaker_shaft], engine.shafts[one.rotor]
    as_rotor = rotor.sense * shaft.sense * abs(float(rotor.turns / shaft.turns))
    return rotor_running_deg(engine, magneto, as_rotor * breaker_shaft_deg)


def finger_running_deg(engine: Engine, magneto: str, finger_deg: Floats) -> Floats:
    """Distributor finger's angle in its running direction, 0 at the middle of the first cylinder's segment, which is
    where it stands at the middle of the advance range [deg]. Shape kept."""
    one = engine.magnetos[magneto]
    finger = engine.shafts[one.finger]
    middle = one.first_deg + middle_of_range_deg(one.data)
    return np.asarray(finger.sense * finger_deg - abs(float(finger.turns)) * middle)
