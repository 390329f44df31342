"""What is told of a part that is clicked: its figures from the data, and where it stands now."""

from __future__ import annotations

from quillwise.kinematics.angles import format_crank, stroke
from quillwise.kinematics.lengths import stated
from quillwise.kinematics.model import CRANKSHAFT, Engine, turning
from quillwise.kinematics.motion import State
from quillwise.kinematics.parts import Kind, Part
from quillwise.viz import touching


def part_figures(engine: Engine, part: Part) -> str:
    """The figures of a part by the data, in a line; empty where the data give none."""
    match part.kind:
        case Kind.WHEEL:
            wheel = engine.wheels[part.of]
            return f"{wheel.teeth} teeth, on {wheel.shaft}"
        case Kind.QUILL | Kind.SLEEVE:
            counts = engine.couplings[part.of].data
            return f"{counts.driving_teeth} teeth at the driving end, {counts.driven_teeth} at the driven end"
        case Kind.SHAFT | Kind.CAMSHAFT:
            shaft = engine.shafts[part.of]
            times = abs(float(shaft.turns))
            return f"turns {turning(shaft.sense)} seen from its {shaft.seen_from}, {times:.4g} × the crank"
        case Kind.VALVE:
            data, unit = engine.valves[part.of].data, engine.sheet.length_unit
            clearance = stated(data.checking_clearance_mm, unit)
            return f"lift {stated(data.lift_mm, unit)}, checking clearance {clearance}"
        case Kind.ROTOR:
            return f"{engine.magnetos[part.of].data.poles} poles"
        case _:
            return ""


def now_of(engine: Engine, part: Part, state: State) -> str:
    """Where a part stands now, in a few words; state of one value. Empty where nothing is to be read off it."""

    def at(coordinate: str) -> float:
        return float(state[coordinate][0])

    match part.kind:
        case Kind.CRANKSHAFT | Kind.DISC:
            return f"at {format_crank(engine.sigma * at(CRANKSHAFT))}° of the cycle"
        case Kind.SHAFT | Kind.CAMSHAFT:
            return f"at {format_crank(at(part.of), 1, 360.0)}°"
        case Kind.WHEEL:
            return f"at {format_crank(at(engine.wheels[part.of].shaft), 1, 360.0)}°"
        case Kind.VALVE | Kind.ROCKER | Kind.TAPPET:
            lift = at(f"valve {part.of}")
            return touching.valve_words(lift, engine.sheet.length_unit)
        case Kind.PISTON | Kind.ROD:
            cylinder = engine.cylinders[part.of]
            return f"on its {stroke(engine.sigma * at(CRANKSHAFT) - cylinder.firing_deg)} stroke"
        case Kind.MOVING_POINT | Kind.FIXED_POINT | Kind.BREAKER_CAM:
            gap = at(f"points {part.of}")
            return f"points {touching.points_words(gap, engine.sheet.length_unit)}"
        case _:
            return ""


def told(engine: Engine, part: Part, state: State) -> str:
    """Name, figures and place of a part, in one line."""
    words = (part_figures(engine, part), now_of(engine, part, state))
    rest = "; ".join(word for word in words if word)
    return f"{part.words}: {rest}" if rest else part.words
