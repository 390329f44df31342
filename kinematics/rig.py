"""The rig: by which chain of one-degree joints every part hangs on the named coordinates of the state.

A chain runs from the world to the part: fixed frames, and joints that turn about or slide along an axis of the
frame reached so far by ratio × coordinate (degrees or millimetres). The chains know no angles and no assembly.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from quillwise.kinematics.angles import Floats
from quillwise.kinematics.joints import Chain, Fixed, Joint, Terms, fixed, moved, terms
from quillwise.kinematics.lobes import RockerPlan
from quillwise.kinematics.model import CRANKSHAFT, Engine, Shaft, Valve
from quillwise.kinematics.parts import Kind, Part

_X = (1.0, 0.0, 0.0)
_Z = (0.0, 0.0, 1.0)


OnShaft = Callable[[str, float], Chain]


@dataclass(frozen=True, slots=True, eq=False)
class Rig:
    """The chain of every part of an engine, in the engine's order of parts, and what it comes to. Parts on one
    chain share one ``Terms``."""

    chains: Mapping[Part, Chain]
    terms: Mapping[Part, Terms]

    @property
    def coordinates(self) -> frozenset[str]:
        """Names of all coordinates that the chains hang on."""
        return frozenset(
            element.coordinate for chain in self.chains.values() for element in chain if isinstance(element, Joint)
        )


def shaft_frame(shaft: Shaft) -> Fixed:
    """World from shaft: z along the axis, x along its angle 0."""
    return fixed(shaft.zero, np.cross(shaft.axis, shaft.zero), shaft.axis, shaft.point)


def bank_axes(turn_deg: float) -> tuple[Floats, Floats]:
    """Unit vectors (3,) of a bank: w along its cylinders, u to the right seen from the wheelcase end."""
    turn = np.radians(turn_deg)
    return (
        np.array([0.0, -np.sin(turn), np.cos(turn)]),
        np.array([0.0, -np.cos(turn), -np.sin(turn)]),
    )


def bank_frame(turn_deg: float, x_mm: float) -> Fixed:
    """World from bank: x along w (up the cylinder), y along u, z along the crank; origin on the crank axis."""
    w, u = bank_axes(turn_deg)
    return fixed(w, u, _X, (x_mm, 0.0, 0.0))


def quill_coordinate(coupling: str) -> str:
    """Name of the coordinate of a quill or sleeve: its angle about the shaft's axis [deg]."""
    return f"{coupling} turned"


def slide_coordinate(coupling: str) -> str:
    """Name of the coordinate of how far a quill or sleeve is drawn along the axis [mm, + along the axis]."""
    return f"{coupling} drawn"


def rig(engine: Engine) -> Rig:
    """The rig of an engine: a chain of turns [deg] and slides [mm] for each of its parts. Raises nothing for an engine
    that ``build`` made."""
    chains: dict[Part, Chain] = {}
    shared: dict[object, Chain] = {}

    def on_shaft(name: str, along_mm: float) -> Chain:
        # one tuple per shaft, so that poses are computed once for all that hangs on it
        key = (name, along_mm)
        if key not in shared:
            chain: Chain = (*_to_shaft(engine, name), Joint(kind="turn", axis=_Z, coordinate=name))
            shared[key] = (*chain, moved(z_mm=along_mm)) if along_mm else chain
        return shared[key]

    for part in engine.parts:
        chains[part] = _chain(engine, part, on_shaft)
    once = {id(chain): terms(chain) for chain in chains.values()}
    return Rig(MappingProxyType(chains), MappingProxyType({part: once[id(chain)] for part, chain in chains.items()}))


def _to_shaft(engine: Engine, name: str) -> Chain:
    """World to the frame of a shaft, before its turn. A magneto moves off with its sleeve when that is drawn."""
    shaft = engine.shafts[name]
    frame = shaft_frame(shaft)
    coupling = engine.couplings.get(shaft.link)
    magneto = next((m for m in engine.magnetos.values() if name in (m.rotor, m.finger)), None)
    if magneto is not None and magneto.coupling:
        coupling = engine.couplings[magneto.coupling]
    if coupling is None or coupling.data.kind != "sleeve":
        return (frame,)
    # the sleeve clears its driving mate by one slide, the driven mate must clear the sleeve by the same
    axis = engine.shafts[coupling.driven].axis
    along = float(np.dot(axis, shaft.axis))
    slide = Joint(kind="slide", axis=(0.0, 0.0, along), coordinate=slide_coordinate(coupling.name), ratio=2.0)
    return (frame, slide)


def _chain(engine: Engine, part: Part, on_shaft: OnShaft) -> Chain:
    match part.kind:
        case Kind.CRANKSHAFT | Kind.DISC:
            return on_shaft(CRANKSHAFT, 0.0)
        case Kind.SHAFT | Kind.CAMSHAFT:
            return on_shaft(part.of, 0.0)
        case Kind.WHEEL:
            wheel = engine.wheels[part.of]
            return on_shaft(wheel.shaft, wheel.at_mm)
        case Kind.MATE:
            name, end = part.of.rsplit(" ", 1)
            coupling = engine.couplings[name]
            driving = end == "driving"
            along = coupling.driving_mm if driving else coupling.driven_mm
            return on_shaft(coupling.driving if driving else coupling.driven, along[0])
        case Kind.QUILL | Kind.SLEEVE:
            coupling = engine.couplings[part.of]
            start = min(coupling.driving_mm[0], coupling.driven_mm[0])
            return (
                shaft_frame(engine.shafts[coupling.driving]),
                Joint(kind="slide", axis=_Z, coordinate=slide_coordinate(part.of)),
                Joint(kind="turn", axis=_Z, coordinate=quill_coordinate(part.of)),
                moved(z_mm=start),
            )
        case Kind.PISTON | Kind.ROD | Kind.CYLINDER:
            return _running_gear(engine, part)
        case Kind.VALVE | Kind.ROCKER | Kind.TAPPET | Kind.SEAT | Kind.SPRING:
            return _valve_gear(engine, engine.valves[part.of], part.kind)
        case Kind.WINDOW:
            x_mm = engine.sizes.disc_x_mm
            return (*_to_shaft(engine, CRANKSHAFT), moved(z_mm=x_mm))
        case _:
            return _magneto(engine, part, on_shaft)


def _running_gear(engine: Engine, part: Part) -> Chain:
    cylinder = engine.cylinders[part.of]
    bank = bank_frame(cylinder.bank_turn_deg, cylinder.x_mm)
    if part.kind == Kind.CYLINDER:
        return (bank,)
    piston: Chain = (
        bank,
        moved(y_mm=engine.sheet.crank.gudgeon_offset_mm),
        Joint(kind="slide", axis=_X, coordinate=f"piston {part.of}"),
    )
    if part.kind == Kind.PISTON:
        return piston
    return (*piston, Joint(kind="turn", axis=_Z, coordinate=f"rod {part.of}"))


def _valve_gear(engine: Engine, valve: Valve, kind: Kind) -> Chain:
    cylinder = engine.cylinders[valve.cylinder]
    bank = bank_frame(cylinder.bank_turn_deg, valve.x_mm)
    if kind == Kind.ROCKER:
        assert isinstance(valve.plan, RockerPlan)
        pivot_u, pivot_w = valve.plan.pivot_mm
        return (
            bank,
            moved(engine.sizes.camshaft_height_mm + pivot_w, valve.camshaft_u_mm + pivot_u),
            Joint(kind="turn", axis=_Z, coordinate=f"rocker {valve.name}"),
        )
    lean = np.radians(valve.plan.valve_turn_deg)
    tip = fixed(
        (np.cos(lean), np.sin(lean), 0.0),
        (-np.sin(lean), np.cos(lean), 0.0),
        _Z,
        (valve.tip_w_mm, valve.tip_u_mm, 0),
    )
    if kind == Kind.SEAT:
        return (bank, tip, moved(x_mm=-valve.length_mm))
    if kind == Kind.SPRING:
        # its foot stays on the head, its other end goes with the valve: coil i of n slides i/n of the lift
        foot, top = valve.spring_mm
        gives = Joint(kind="stretch", axis=_X, coordinate=f"valve {valve.name}", ratio=-1.0 / (top - foot))
        return (bank, tip, moved(x_mm=foot), gives)
    return (bank, tip, Joint(kind="slide", axis=_X, coordinate=f"valve {valve.name}", ratio=-1.0))


def _magneto(engine: Engine, part: Part, on_shaft: OnShaft) -> Chain:
    magneto = engine.magnetos[part.of]
    middle = sum(magneto.rotor_mm) / 2
    match part.kind:
        case Kind.ROTOR:
            return on_shaft(magneto.rotor, middle)
        case Kind.BREAKER_CAM:
            return on_shaft(magneto.breaker_shaft, magneto.breaker_mm)
        case Kind.FINGER:
            return on_shaft(magneto.finger, magneto.finger_mm)
        case Kind.SEGMENTS:
            return (*_to_shaft(engine, magneto.finger), moved(z_mm=magneto.finger_mm))
        case Kind.POLE_SHOES:
            return (*_to_shaft(engine, magneto.rotor), moved(z_mm=middle))
    breaker = (*_to_shaft(engine, magneto.breaker_shaft), moved(z_mm=magneto.breaker_mm))
    if part.kind == Kind.FIXED_POINT:
        return breaker
    pivot_x, pivot_y = magneto.lever_pivot_mm
    lever = Joint(kind="turn", axis=_Z, coordinate=f"breaker lever {part.of}")
    return (*breaker, moved(pivot_x, pivot_y), lever)
