"""What stands over a piston, seen along the crank: the stop or the dial gauge that proves its top, and the room to a
valve that is as far open as its free camshaft can open it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import trimesh

from quillwise.kinematics.angles import Floats, wrapped
from quillwise.kinematics.assembly import intended
from quillwise.kinematics.bench import one_sided_top
from quillwise.kinematics.lengths import length
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import State, motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import points_in_world, poses
from quillwise.kinematics.rig import Rig, bank_axes
from quillwise.kinematics.room import free_lift_mm, free_room
from quillwise.kinematics.steps import Frame
from quillwise.meshes import solids
from quillwise.meshes.build import crown_mm, mesh
from quillwise.viz.cameras import Camera, Margins, fit

STOP_DEG = 20.0  # before and after TDC, where the stop is drawn: every engine's own stop reads something else
_AT_DEG = 0.05
_HERE_MM = 0.05
# Of the tools ÷ bore: radius of the stop's rod, its nut, its length; of the gauge's plunger, its dial.
_ROD, _NUT, _LONG = 0.05, 0.11, 0.75
_PLUNGER, _DIAL, _DEEP = 0.025, 0.17, 0.05
_BEFORE = 0.42  # of the bore: so far towards the wheelcase end it stands, that no valve hides it
_ABOVE, _BELOW, _BESIDE = 0.12, 0.62, 0.60  # of the bore: what is seen above the valves' tips, of the piston, beside
_LINER = 0.55  # its outer radius
_LEVEL = 1e-6


@dataclass(frozen=True, kw_only=True, slots=True)
class Clear:
    """The room under a valve at full lift: from its lowest point to the crown, places (3,) [mm] in the world; the least
    room [mm] that the data give, and whether they give it."""

    valve_mm: Floats
    crown_mm: Floats
    room_mm: float
    known: bool


def parts(engine: Engine, cylinder: str) -> tuple[Part, ...]:
    """The parts that are shown of a cylinder."""
    over = [valve.name for valve in engine.valves.values() if valve.cylinder == cylinder]
    wanted = [Part(Kind.PISTON, cylinder), Part(Kind.ROD, cylinder), Part(Kind.CYLINDER, cylinder)]
    wanted += [Part(kind, name) for name in over for kind in (Kind.VALVE, Kind.SEAT, Kind.SPRING)]
    return tuple(part for part in wanted if part in set(engine.parts))


def tool(engine: Engine, cylinder: str) -> Part:
    """The stop or the dial gauge over a piston."""
    return Part(Kind.FEELER, f"{cylinder}, {tool_words(engine, cylinder)}")


def tool_words(engine: Engine, cylinder: str) -> str:
    """What the top is proved by."""
    return "dial gauge" if one_sided_top(engine, cylinder) else "piston stop"


def tool_body(engine: Engine, cylinder: str) -> trimesh.Trimesh:
    """The tool in the frame of its piston, its foot on the crown, before the valves."""
    bore, crown = engine.sheet.crank.bore_mm, crown_mm(engine, cylinder)
    top = crown + _LONG * bore
    if one_sided_top(engine, cylinder):
        plunger = solids.z_laid_along_x(solids.cylinder(_PLUNGER * bore, crown, top, "fine"))
        dial = solids.cylinder(_DIAL * bore, -_DEEP * bore, _DEEP * bore, "fine").translate((top, 0.0, 0.0))
        return solids.mesh(solids.union(plunger, dial).translate((0.0, 0.0, -_BEFORE * bore)))
    rod = solids.cylinder(_ROD * bore, crown, top, "fine")
    nut = solids.cylinder(_NUT * bore, top - 0.16 * bore, top, "fine")
    return solids.mesh(solids.z_laid_along_x(solids.union(rod, nut)).translate((0.0, 0.0, -_BEFORE * bore)))


def half_liner(engine: Engine, cylinder: str) -> trimesh.Trimesh:
    """The half of a cylinder's liner that lies beyond the piston, in the liner's frame."""
    bore, part = engine.sheet.crank.bore_mm, Part(Kind.CYLINDER, cylinder)
    low, high = mesh(engine, part, "coarse").bounds
    outer = solids.cylinder(_LINER * bore, low[0], high[0], "fine")
    inner = solids.cylinder(bore / 2, low[0] - bore, high[0] + bore, "fine")
    near = solids.box((low[0] - bore, -bore, -bore), (high[0] + bore, bore, 0.0))
    return solids.mesh(solids.difference(solids.z_laid_along_x(solids.difference(outer, inner)), near))


def tool_pose(engine: Engine, rig: Rig, cylinder: str, state: State) -> Floats:
    """World pose (4, 4) of the tool: the gauge stands on the crown, the stop where the crown comes to it."""
    part = Part(Kind.PISTON, cylinder)
    if one_sided_top(engine, cylinder):
        return np.asarray(poses(rig, state, [part])[part][0])
    return np.asarray(poses(rig, _at_the_stop(engine, cylinder), [part])[part][0])


def tool_is_in(engine: Engine, cylinder: str, state: State) -> bool:
    """Whether the tool is there: the stop is taken out to go on to the top."""
    if one_sided_top(engine, cylinder):
        return True
    name = f"piston {cylinder}"
    return float(state[name][0]) <= float(_at_the_stop(engine, cylinder)[name][0]) + _HERE_MM


def _at_the_stop(engine: Engine, cylinder: str) -> State:
    return motion(engine, intended(engine), [engine.cylinders[cylinder].firing_deg - STOP_DEG])


def opened(engine: Engine, valve: str, state: State) -> State:
    """The state with one valve as far open as its free camshaft can open it."""
    return {**state, f"valve {valve}": np.full_like(state[f"valve {valve}"], free_lift_mm(engine.valves[valve]))}


def clear(engine: Engine, rig: Rig, valve: str, moment: Frame, state: State) -> Clear:
    """The room under a valve at full lift, for a state of one value."""
    own = engine.valves[valve]
    part, piston = Part(Kind.VALVE, valve), Part(Kind.PISTON, own.cylinder)
    where = poses(rig, opened(engine, valve, state), [part, piston])
    along = where[piston][0][:3, 0]
    crown = where[piston][0][:3, 3] + crown_mm(engine, own.cylinder) * along
    body = points_in_world(where[part], mesh(engine, part, "coarse").vertices)[0]
    lowest = body[int(np.argmin((body - crown) @ along))]
    room = free_room(engine, own.camshaft, moment.crank_deg)
    foot: Floats = lowest - float((lowest - crown) @ along) * along
    return Clear(valve_mm=lowest, crown_mm=foot, room_mm=room.room_mm, known=room.known)


def words(engine: Engine, kind: str, of: str, moment: Frame, state: State) -> tuple[str, str]:
    """Two short lines: what is shown, and the reading now."""
    if kind == "room":
        room = free_room(engine, engine.valves[of].camshaft, moment.crank_deg)
        how = length(max(room.room_mm, 0.0), engine.sheet.length_unit, 1)
        return f"{of} valve full open", f"{how} to the piston" if room.known else "assume that it strikes"
    own = float(wrapped(moment.crank_deg - engine.cylinders[of].firing_deg, 360.0))
    where = "TDC" if not round(abs(own)) else f"{abs(own):.0f}° {'before' if own < 0 else 'after'} TDC"
    name = f"piston {of}"
    stop = not one_sided_top(engine, of) and abs(abs(own) - STOP_DEG) < _AT_DEG and name in state
    return f"piston of {of}", f"at the stop, here {where}" if stop else f"at {where}"


def camera(engine: Engine, rig: Rig, cylinder: str, state: State, aspect: float, margins: Margins) -> Camera:
    """Along the crank from the wheelcase end: the piston as it stands, its valves, and the tool over it."""
    bore, part = engine.sheet.crank.bore_mm, Part(Kind.PISTON, cylinder)
    pose = poses(rig, state, [part])[part][0]
    along, across = pose[:3, 0], pose[:3, 1]
    crown = crown_mm(engine, cylinder)
    own = [valve for valve in engine.valves.values() if valve.cylinder == cylinder]
    bank, _ = bank_axes(engine.cylinders[cylinder].bank_turn_deg)
    height = max(valve.tip_w_mm for valve in own) + _ABOVE * bore - float(pose[:3, 3] @ bank)
    points = [
        pose[:3, 3] + x * along + y * across
        for x in (crown - _BELOW * bore, max(height, crown + (_LONG + _DIAL) * bore))
        for y in (-_BESIDE * bore, _BESIDE * bore)
    ]
    return fit(points, (1.0, 0.0, 0.0), -along if along[2] < -_LEVEL else along, aspect, margins)
