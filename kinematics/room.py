"""The room between valves and pistons over any planned move, and where to park the crank.

Room = room at TDC + piston drop · cos(valve to cylinder axis) − lift. Where the room at TDC is not in the data,
it is taken as nothing: an open valve then strikes a piston at TDC.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from quillwise.kinematics.angles import Floats, array
from quillwise.kinematics.assembly import ROCKERS_OFF, Assembly, with_clearances
from quillwise.kinematics.cams import lift_mm
from quillwise.kinematics.model import Engine, Valve
from quillwise.kinematics.motion import State, piston_drop_mm, valve_lifts_mm

_STEP_DEG = 0.25


@dataclass(frozen=True, kw_only=True, slots=True)
class Room:
    """The least room on a move: at which valve and crank angle [deg]. ``known``: False if it rests on an assumption."""

    room_mm: float
    valve: str
    crank_deg: float
    known: bool

    @property
    def strikes(self) -> bool:
        """Whether valve and piston touch."""
        return self.room_mm <= 0.0


def least_room(
    engine: Engine,
    assembly: Assembly,
    crank_deg: ArrayLike,
    free: Mapping[str, ArrayLike] | None = None,
) -> Room | None:
    """The least room of any open valve along a path of crank angles (N,) and free coordinates (N,).

    None when no valve is open anywhere on the path.
    """
    theta = array(crank_deg)
    return room_in(engine, valve_lifts_mm(engine, assembly, theta, free), theta)


def room_in(engine: Engine, state: State, crank_deg: ArrayLike) -> Room | None:
    """As ``least_room``, of a state that is known already, at its crank angles (N,)."""
    theta = array(crank_deg)
    least: Room | None = None
    for valve in engine.valves.values():
        lift = state[f"valve {valve.name}"]
        if not np.any(lift > 0):
            continue
        room = np.where(lift > 0, _piston_room_mm(engine, valve, theta) - lift, np.inf)
        at = int(np.argmin(room))
        if least is None or room[at] < least.room_mm:
            known = valve.data.room_at_tdc_mm is not None
            least = Room(room_mm=float(room[at]), valve=valve.name, crank_deg=float(theta[at]), known=known)
    return least


def path(start: float, end: float) -> Floats:
    """Evenly spaced values from start to end, both included, at most 0.25 apart. Shape (N,)."""
    return np.linspace(start, end, 2 + int(abs(end - start) / _STEP_DEG))


def _piston_room_mm(engine: Engine, valve: Valve, theta: Floats) -> Floats:
    """Room between the piston and the *shut* valve along the valve's axis [mm]."""
    cylinder = engine.cylinders[valve.cylinder]
    drop = piston_drop_mm(engine, cylinder, theta - cylinder.firing_deg)
    lean = np.cos(np.radians(valve.data.angle_to_cylinder_deg))
    return np.asarray((valve.data.room_at_tdc_mm or 0.0) + drop * lean)


def free_lift_mm(valve: Valve) -> float:
    """How far a free camshaft can open a valve [mm]: its full lift, at the smaller of its clearances."""
    return valve.data.lift_mm - min(valve.data.running_clearance_mm, valve.data.checking_clearance_mm)


def free_room_mm(engine: Engine, camshaft: str, crank_deg: ArrayLike) -> Floats:
    """The least room [mm] at these crank angles whatever the free camshaft does, with all that turn with it:
    all their valves at full lift. (N,)."""
    rooms = [room for _, room in _free_rooms_mm(engine, camshaft, array(crank_deg))]
    return np.asarray(np.min(rooms, axis=0))


def free_room(engine: Engine, camshaft: str, crank_deg: float) -> Room:
    """``free_room_mm`` at one crank angle, and at which valve it is the least."""
    rooms = _free_rooms_mm(engine, camshaft, np.array([crank_deg]))
    valve, room = min(rooms, key=lambda each: float(each[1][0]))
    known = valve.data.room_at_tdc_mm is not None
    return Room(room_mm=float(room[0]), valve=valve.name, crank_deg=crank_deg, known=known)


def _free_rooms_mm(engine: Engine, camshaft: str, theta: Floats) -> list[tuple[Valve, Floats]]:
    turning = engine.camshafts_with(camshaft)
    valves = [valve for valve in engine.valves.values() if valve.camshaft in turning]
    return [(valve, _piston_room_mm(engine, valve, theta) - free_lift_mm(valve)) for valve in valves]


def worst_room(engine: Engine, assembly: Assembly, camshaft: str, crank_deg: ArrayLike) -> Room | None:
    """The least room along a path of crank angles (N,) wherever a free camshaft stands, with all that turn with it:
    their fitted valves at full lift, every other valve as assembled. None when no valve can be open."""
    theta = array(crank_deg)
    turning = engine.camshafts_with(camshaft)
    free = [valve for valve in engine.valves.values() if valve.camshaft in turning]
    least = least_room(engine, with_clearances(assembly, dict.fromkeys((v.name for v in free), ROCKERS_OFF)), theta)
    for valve in free:
        clearance = assembly.clearances_mm[valve.name]
        lift = float(lift_mm(valve.curve, valve.curve.peak_deg)) - clearance
        if lift <= 0:
            continue
        room = _piston_room_mm(engine, valve, theta) - lift
        at = int(np.argmin(room))
        if least is None or room[at] < least.room_mm:
            known = valve.data.room_at_tdc_mm is not None
            least = Room(room_mm=float(room[at]), valve=valve.name, crank_deg=float(theta[at]), known=known)
    return least


def parking_deg(
    engine: Engine,
    camshaft: str,
    before_deg: float,
    least_way_deg: float = 20.0,
    from_deg: float = -np.inf,
) -> tuple[float, float]:
    """Where to park the crank so that the free camshaft strikes nothing: (θ, least room there [mm]).

    The whole degree with the most room of all that lie less than a turn and at least ``least_way_deg`` before
    ``before_deg``; of equal ones the last, so that the way on to the mark is short and still in the running
    direction. None lies before ``from_deg``, where the crank stands now; if that leaves none, the crank stays there.
    """
    # whole degrees are what a ring is set to; rounded down, none is nearer to the mark than the least way
    theta = np.floor(before_deg - np.arange(least_way_deg, 360.0))
    theta = theta[theta >= from_deg] if np.any(theta >= from_deg) else np.array([from_deg])
    rooms = free_room_mm(engine, camshaft, theta)
    good = rooms >= rooms.max() - 0.01
    at = int(np.argmax(good))
    return float(theta[at]), float(rooms[at])
