"""The close-ups of a plate and the moment that each shows.

A still has no time to run, so where a step goes from wrong to right it shows both: the first try of a quill beside
the tooth that fits, the points shut beside the points just broken, the valves at the right pass of a mark beside those
at the other. A film shows them as they are now.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from quillwise.kinematics.angles import wrapped
from quillwise.kinematics.bench import one_sided_top, rockers_off
from quillwise.kinematics.marks import timing_valve
from quillwise.kinematics.model import Engine
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.rig import quill_coordinate
from quillwise.kinematics.room import free_room
from quillwise.kinematics.steps import Frame, Step, frame
from quillwise.kinematics.timing import early_crank_deg
from quillwise.viz.closeups import CloseUpKind
from quillwise.viz.over_piston import STOP_DEG

_BESIDE_DEG = 2.0  # of the rotor, before and after its points break
_ROW = 2  # close-ups side by side, or one below the other, at the most


@dataclass(frozen=True, kw_only=True, slots=True)
class Glance:
    """A close-up (kind, of). ``moment``: when; None for the moment of the plate. ``told``: words before its reading."""

    kind: CloseUpKind
    of: str = ""
    moment: Frame | None = None
    told: str = ""


Columns = tuple[tuple[Glance, ...], ...]  # side by side; of each, one below the other


def glances(engine: Engine, step: Step, still: bool) -> Columns:
    """The close-ups of a step: what it is about, and the timing window."""
    window = Glance(kind="window")
    if step.focus == "coupling":
        turned = quill_coordinate(step.coupling)
        if still and any(move.coordinate == turned and move.start != move.end for move in step.moves):
            first = Glance(kind="teeth", of=step.coupling, moment=frame(step, 0.0), told="first try")
            return (first,), (Glance(kind="teeth", of=step.coupling, told="then"),)
        return (Glance(kind="coupling", of=step.coupling),), (Glance(kind="teeth", of=step.coupling),)
    if step.focus == "magneto" and step.magneto:
        whole = Glance(kind="magneto", of=step.magneto)
        if any(move.coordinate == engine.magnetos[step.magneto].rotor for move in step.moves):
            return (whole,), _about_the_break(engine, step) if still else (window,)
        gaps = tuple((gap,) for gap in _gaps(step))
        return gaps if len(gaps) == _ROW else ((whole,), *(gaps or ((window,),)))
    if step.focus == "valve" and step.valve:
        other = _other_valve(engine, step)
        return (Glance(kind="valve", of=step.valve),), ((Glance(kind="valve", of=other),) if other else (window,))
    couplings = _one_of_each(step.about, (Kind.QUILL, Kind.SLEEVE))
    if couplings:
        first, *more = (Glance(kind="coupling", of=name) for name in couplings)
        return (first,), ((more[0],) if more else (Glance(kind="teeth", of=first.of),))
    rotors = [part.of for part in step.about if part.kind is Kind.ROTOR][:_ROW]
    if rotors:
        # its points do not matter where it is earthed: the meter reads the earth
        return tuple((Glance(kind="magneto", of=name, told="earth lead on, switch OFF"),) for name in rotors)
    if still and step.mark:
        proof = _both_passes(engine, step)
        if proof:
            return proof, (window,)
    top = next((part.of for part in step.about if part.kind is Kind.PISTON), "")
    if top:
        return (_top(engine, step, top, still),), (window,)
    if step.job in engine.camshafts and step.key.endswith("-park"):
        valve = free_room(engine, step.job, step.crank_deg[1]).valve
        return (Glance(kind="room", of=valve),), (window,)
    return (_event(engine, step),), (window,)


def _top(engine: Engine, step: Step, cylinder: str, still: bool) -> Glance:
    """The piston whose top is proved: at the top under the dial gauge; in a still, at the stop before the top."""
    if not still or one_sided_top(engine, cylinder):
        return Glance(kind="piston", of=cylinder)
    firing = engine.cylinders[cylinder].firing_deg
    end = step.crank_deg[1]
    place = end + float(wrapped(firing - STOP_DEG - end, 360.0))
    return Glance(kind="piston", of=cylinder, moment=Frame(assembly=step.during, crank_deg=place, free={}))


def _about_the_break(engine: Engine, step: Step) -> tuple[Glance, ...]:
    """The points a little before and a little after the place where the rotor is held."""
    rotor = engine.magnetos[step.magneto].rotor
    held = next(move for move in reversed(step.moves) if move.coordinate == rotor)
    on = _BESIDE_DEG if held.end > held.start else -_BESIDE_DEG
    return tuple(
        Glance(
            kind="points",
            of=step.magneto,
            moment=Frame(assembly=step.during, crank_deg=step.crank_deg[1], free={rotor: held.end + way * on}),
            told=f"rotor {_BESIDE_DEG:g}° {where}",
        )
        for way, where in ((-1, "before"), (1, "on"))
    )


def _gaps(step: Step) -> tuple[Glance, ...]:
    """The points of the magnetos whose gap a step sets."""
    names = [part.of for part in step.about if part.kind is Kind.MOVING_POINT][:_ROW]
    return tuple(Glance(kind="gap", of=name, told=f"{name} magneto") for name in names)


def _other_valve(engine: Engine, step: Step) -> str:
    """Where a step is about many valves, one of the other kind on the cylinder of the first; else none."""
    own = engine.valves[step.valve]
    others = (engine.valves[part.of] for part in step.about if part.kind is Kind.VALVE)
    return next((v.name for v in others if v.cylinder == own.cylinder and v.kind != own.kind), "")


def _one_of_each(about: Sequence[Part], kinds: Sequence[Kind]) -> list[str]:
    """The first part of each kind, by name."""
    firsts = (next((part.of for part in about if part.kind is kind), "") for kind in kinds)
    return [name for name in firsts if name]


def _both_passes(engine: Engine, step: Step) -> tuple[Glance, ...]:
    """At the mark of a magneto its cylinder's exhaust valve, which is shut at the right pass of the mark; and at the
    other pass. None where its camshaft is free or its follower is off: then it proves nothing."""
    magneto = next((m for name, m in engine.magnetos.items() if step.job == f"{name} magneto"), None)
    jobs = (job for job in engine.sheet.setup if job.do == "set-magneto" and magneto and job.magneto == magneto.name)
    job = next(jobs, None)
    if job is None or job.prove_stroke == "plug hole":
        return ()
    valve = engine.valve(job.cylinder, "exhaust")
    off = rockers_off(step.after, engine, valve.camshaft)
    if off or early_crank_deg(engine, step.after, valve.camshaft) is None:
        return ()
    passes = ((0.0, "this pass"), (360.0, "the other pass"))
    return tuple(
        Glance(
            kind="valve",
            of=valve.name,
            moment=Frame(assembly=step.after, crank_deg=step.crank_deg[1] + on, free={}),
            told=told,
        )
        for on, told in passes
    )


def _event(engine: Engine, step: Step) -> Glance:
    """The valve or the magneto that the step's job times by; of a job that times nothing, the first valve timed by."""
    for job in engine.sheet.setup:
        if job.do == "set-camshaft":
            valve = timing_valve(engine, job)
            if step.job in ("prepare", "finish", valve.camshaft):
                return Glance(kind="valve", of=valve.name)
    magneto = next((name for name in engine.magnetos if step.job == f"{name} magneto"), "")
    return Glance(kind="magneto", of=magneto) if magneto else Glance(kind="window")
