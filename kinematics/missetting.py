"""How one shaft's job of the set-up goes wrong: at another mark, by another lobe, written wrong, a turn out.

Each way is (class of the cause, words, crank degrees by which the shaft becomes early, relative weight, standard
deviation of those degrees).
"""

from __future__ import annotations

from collections.abc import Iterator

from quillwise.kinematics.angles import wrapped
from quillwise.kinematics.branches import magneto_of_leaf
from quillwise.kinematics.cams import events_at
from quillwise.kinematics.datasheet import StepData
from quillwise.kinematics.judgement import Judgement
from quillwise.kinematics.marks import lobe_own_deg, mark_crank_deg, mark_own_deg, timing_valve
from quillwise.kinematics.model import Engine, Valve

_SAME_DEG = 1e-6

Misset = tuple[str, str, float, float, float]  # class, words, early, weight, spread


def missettings(engine: Engine, job: StepData, leaf: str, judgement: Judgement) -> Iterator[Misset]:
    """All ways in which the job of a leaf, a camshaft or a magneto rotor behind a coupling, can be set wrong."""
    right = mark_crank_deg(engine, job)
    own = mark_own_deg(engine, job)
    magneto = magneto_of_leaf(engine, leaf)
    yield "one crank turn out", "one crank turn out", -360.0, 1.0, 0.0
    back = judgement.backlash_deg
    yield "backlash on the wrong side", "set with the backlash on the wrong side", -back, 1.0, judgement.u_backlash_deg
    yield from _wrong_marks(engine, job, right, magneto)
    centre = 360.0 * round(own / 360.0) if abs(float(wrapped(own, 360.0))) <= 90 else 180.0 + 360.0 * (own // 360.0)
    mirror = float(wrapped(2 * (own - centre), 720.0))
    if abs(mirror) > _SAME_DEG:
        yield "written wrong", "set on the other side of the dead centre", mirror, 1.0, 0.0
    mine = engine.cylinders[job.cylinder]
    for bank in dict.fromkeys(cylinder.bank for cylinder in engine.cylinders.values()):
        other = next(cylinder for cylinder in engine.cylinders.values() if cylinder.bank == bank)
        turn = float(wrapped(other.bank_turn_deg - mine.bank_turn_deg, 360.0)) * engine.sigma
        if abs(turn) > _SAME_DEG:
            yield "written wrong", f"set by the ring of bank {bank}", -turn, 0.5, 0.0
    if magneto:
        yield from _lever_set(engine, magneto, judgement)
        turns = abs(float(engine.shafts[leaf].turns))
        data = engine.magnetos[magneto].data
        opened = (360.0 / float(data.sparks_per_turn) - data.dwell_deg) / turns
        back_deg = float(wrapped(2 * own + opened, 720.0))
        yield "part of the other hand", "set as for the other running direction", back_deg, 0.5, 0.0
        return
    valve = timing_valve(engine, job)
    clearance = valve.data.running_clearance_mm
    if events_at(valve.curve, clearance) is not None:
        shift = lobe_own_deg(engine, job, clearance) - lobe_own_deg(engine, job)
        if abs(shift) > _SAME_DEG:
            yield "checking and running clearance confused", "set at the running clearance", shift, 1.0, 0.0
    yield from _wrong_lobes(engine, job, valve)
    both = events_at(valve.curve, valve.data.checking_clearance_mm)
    if both and job.by.endswith(("opens", "closes")):
        # the other way round, the flank that lets go is the one that is nipped, and the other way about
        reversed_deg = float(wrapped(sum(both), 720.0))
        yield "part of the other hand", "set as for the other running direction", reversed_deg, 0.5, 0.0


def _wrong_marks(engine: Engine, job: StepData, right: float, magneto: str) -> Iterator[Misset]:
    seen = {0.0, 360.0}
    marks = [(mark.label, mark.crank_deg) for mark in engine.marks if mark.label != job.mark]
    marks += [(f"TDC {name}", cylinder.firing_deg) for name, cylinder in engine.cylinders.items()]
    for label, crank_deg in marks:
        for turn in (0.0, 360.0):
            early = round(float(wrapped(right - crank_deg - turn, 720.0)), 9)
            if early in seen or abs(early) == 360.0:
                continue
            seen.add(early)
            same = bool(magneto) and any(
                other.mark == label and other.do == "set-magneto" and other.cylinder == job.cylinder
                for other in engine.sheet.setup
            )
            kind = "magnetos exchanged or at one mark" if same else "wrong mark or bank"
            weight = 1.0 if not label.startswith("TDC") else 0.25
            after = ", at its other pass" if turn else ""
            yield kind, f"set at the mark “{label}”{after}", early, weight, 0.0


def _wrong_lobes(engine: Engine, job: StepData, valve: Valve) -> Iterator[Misset]:
    held = engine.cylinders[valve.cylinder].firing_deg + lobe_own_deg(engine, job)
    seen: set[float] = {0.0}
    for other in engine.valves.values():
        if other.camshaft != valve.camshaft:
            continue
        places = events_at(other.curve, other.data.checking_clearance_mm)
        if places is None:
            continue
        for flank, own in zip(("opens", "closes"), places, strict=True):
            early = round(float(wrapped(engine.cylinders[other.cylinder].firing_deg + own - held, 720.0)), 9)
            if early in seen:
                continue
            seen.add(early)
            near = other.cylinder == valve.cylinder
            yield "wrong lobe or flank", f"set by {other.name} {flank}", early, 1.0 if near else 0.1, 0.0


def _lever_set(engine: Engine, magneto: str, judgement: Judgement) -> Iterator[Misset]:
    data = engine.magnetos[magneto].data
    reach = data.advance_range_deg or judgement.lever_range_deg
    sign = -1.0 if data.timed_at == "full retard" else 1.0
    # the lever back makes the break late: set so, the rotor stands ahead by as much
    yield "lever or impulse", "set with its lever off its stop", sign * reach / 2, 1.0, reach / 12**0.5
    if data.impulse_lag_deg:
        yield "lever or impulse", "set with the impulse starter not past its click", data.impulse_lag_deg, 1.0, 0.0
