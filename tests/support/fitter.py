"""A fitter who answers when he is asked for a reading: he reads an assembly, and types a line.

He reads with the noise of his tools. Leads, levers and the insides of magnetos are right in every assembly.
"""

from __future__ import annotations

import numpy as np

from quillwise.kinematics.angles import array, in_cycle, wrapped
from quillwise.kinematics.assembly import Assembly, intended, with_clearances
from quillwise.kinematics.lengths import length_figure
from quillwise.kinematics.magnetos import finger_at
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import finger_running_deg, shaft_angles
from quillwise.kinematics.observed import valve_event_deg
from quillwise.kinematics.readings import (
    BreakReading,
    ClearanceReading,
    FingerReading,
    GapReading,
    LiftReading,
    PointerReading,
    Proposal,
    Sight,
    ValveReading,
)
from quillwise.kinematics.timing import early_crank_deg, timing_table


def typed(engine: Engine, found: Assembly, proposal: Proposal, rng: np.random.Generator) -> str:
    """The line that answers a proposal, lengths in the unit of the engine's file."""
    unit = engine.sheet.length_unit
    checking = {name: valve.data.checking_clearance_mm for name, valve in engine.valves.items()}
    found = with_clearances(found, checking)
    noise = float(rng.normal())
    match proposal.entry:
        case ValveReading(valve=name, flank=flank, clearance_mm=height, u_deg=u):
            return _angle(_of_valve(engine, found, name, flank, height) + u * noise)
        case LiftReading(valve=name, flank=flank, clearance_mm=clearance, lift_mm=lift, u_deg=u):
            return _angle(_of_valve(engine, found, name, flank, clearance + lift) + u * noise)
        case BreakReading(u_deg=u) as broken:
            return _angle(_of_break(engine, found, broken.name) + u * noise)
        case FingerReading(magneto=name, u_deg=u):
            magneto = engine.magnetos[name]
            at = _of_break(engine, found, f"{magneto.fires[0]} {name} points break")
            return f"{_finger(engine, found, name, at)[1] + u * noise:.2f}"
        case ClearanceReading(valve=name, u_mm=u):
            return length_figure(checking[name] + u * noise, unit, 3)
        case GapReading(magneto=name, u_mm=u):
            return length_figure(found.points_gaps_mm[name] + u * noise, unit, 3)
        case PointerReading(cylinder=name, u_deg=u):
            firing = engine.cylinders[name].firing_deg
            return f"{_angle(firing - 36.0 + u * noise)} {_angle(firing + 36.0 + u * noise)}"
        case Sight():
            return str(_seen(engine, found, proposal))
    raise AssertionError(proposal.name)


def _angle(crank_deg: float) -> str:
    return f"{float(in_cycle(crank_deg)):.2f}"


def _of_valve(engine: Engine, found: Assembly, name: str, flank: str, height_mm: float) -> float:
    right = valve_event_deg(engine, name, flank, height_mm)
    early = early_crank_deg(engine, found, engine.valves[name].camshaft)
    assert right is not None and early is not None
    return right - early


def _of_break(engine: Engine, found: Assembly, name: str) -> float:
    at = next(event.as_set_deg for event in timing_table(engine, found) if event.name == name)
    assert at is not None
    return at


def _finger(engine: Engine, found: Assembly, name: str, crank_deg: float) -> tuple[str, float]:
    """The cylinder that the finger is on, and how far it is past the middle of that segment."""
    magneto = engine.magnetos[name]
    angles = shaft_angles(engine, found, array(crank_deg))
    at = finger_at(magneto.data, magneto.fires, finger_running_deg(engine, name, angles[magneto.finger]))
    return magneto.fires[int(at.segment[0])], float(at.off_middle_deg[0])


def _seen(engine: Engine, found: Assembly, proposal: Proposal) -> int:
    """The number of what is seen; of looks that do not turn, the first is that all is right."""
    for number, one in enumerate(proposal.outcomes, 1):
        assert isinstance(one, Sight)
        if one.kind == "rocking":
            early = early_crank_deg(engine, found, engine.valve(one.subject, "inlet").camshaft)
            assert one.crank_deg is not None and early is not None
            own = one.crank_deg + early - engine.cylinders[one.subject].firing_deg
            if abs(float(wrapped(own - 360.0, 720.0))) <= 180.0:
                return number
        elif one.kind == "finger on":
            assert one.crank_deg is not None
            if _finger(engine, found, one.subject, one.crank_deg)[0] == one.cylinders[0]:
                return number
        elif one.kind.startswith("teeth"):
            same = found.engagements[one.subject] == intended(engine).engagements[one.subject]
            return 1 if same else 2
    return 1
