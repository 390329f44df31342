"""What a job of the set-up is timed by: where the crank stands at its mark, where its lobe or magneto is held, and
what the gauges then read.

A camshaft is timed by a valve event, by the centre of a lobe (half-way between equal lifts on either side) or by a
valve's lift at the TDC between the exhaust and inlet strokes. The crank comes to the mark by the degree ring or by
the piston's distance below TDC. Lifts here are those that a dial gauge reads at the valve, at its checking clearance.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

import numpy as np

from quillwise.kinematics.angles import in_cycle, wrapped
from quillwise.kinematics.assembly import Assembly
from quillwise.kinematics.cams import events_at, lift_mm
from quillwise.kinematics.datasheet import StepData
from quillwise.kinematics.model import Engine, Mark, Valve
from quillwise.kinematics.motion import piston_drop_mm
from quillwise.kinematics.timing import Event, early_crank_deg, timing_table
from quillwise.kinematics.verdicts import Check

OVERLAP_TDC_DEG = 360.0
SLOWEST_PISTON_MM_PER_DEG = 0.05  # below it a gauge of 0.01 mm, read to ±2 divisions, is worse than a degree ring

Feel = Literal["opens", "closes", "full", "rises", "falls"]
"""What is felt or read at the valve when the camshaft stands at its place."""


def timing_valve(engine: Engine, job: StepData) -> Valve:
    """The valve that a camshaft's job times by."""
    return engine.valve(job.cylinder, job.valve_kind, job.valve)


def feel(job: StepData) -> Feel:
    """How a camshaft's job finds its place: the feeler is nipped or let go, or the gauge rises or falls to a lift."""
    if job.by == "lobe centre":
        return "full"
    if job.by == "lift at TDC":
        return "rises" if job.lobe == "inlet" else "falls"
    return "opens" if job.by.endswith("opens") else "closes"


def greatest_lift_mm(valve: Valve) -> float:
    """What the gauge reads at the valve at the top of its lobe."""
    return float(lift_mm(valve.curve, valve.curve.peak_deg)) - valve.data.checking_clearance_mm


def gauge_mm(engine: Engine, job: StepData) -> float:
    """The lift of a job that reads one: given, or half of the greatest (lobe centre), or the lobe's own at TDC.

    0 for a job that is timed by an event, and where the valve is shut at TDC.
    """
    valve = timing_valve(engine, job)
    if job.by not in ("lobe centre", "lift at TDC"):
        return 0.0
    if job.lift_mm is not None:
        return job.lift_mm
    if job.by == "lobe centre":
        return greatest_lift_mm(valve) / 2
    return max(0.0, float(lift_mm(valve.curve, OVERLAP_TDC_DEG)) - valve.data.checking_clearance_mm)


def equal_lifts_deg(engine: Engine, job: StepData) -> tuple[float, float]:
    """Own angles at which the lobe, exactly timed, gives the job's lift on its way up and on its way down."""
    valve = timing_valve(engine, job)
    found = events_at(valve.curve, gauge_mm(engine, job) + valve.data.checking_clearance_mm)
    assert found is not None, "the lift of a job is less than the valve's: see preconditions"
    return found


def lobe_own_deg(engine: Engine, job: StepData, clearance_mm: float | None = None) -> float:
    """Own angle at which an exactly timed lobe stands as the camshaft's job holds it. ``clearance_mm``: of the
    timing valve as it is set, where that is not the checking clearance."""
    valve = timing_valve(engine, job)
    clearance = valve.data.checking_clearance_mm if clearance_mm is None else clearance_mm
    found = events_at(valve.curve, gauge_mm(engine, job) + clearance)
    assert found is not None, "the lift of a job, or a clearance, is less than the valve's lift"
    how = feel(job)
    return sum(found) / 2 if how == "full" else found[how in ("closes", "falls")]


def _break_own_deg(engine: Engine, job: StepData) -> float:
    magneto = engine.magneto(job.magneto)
    return magneto.data.break_deg - magneto.late_deg(engine.cylinder(job.cylinder))


def mark_own_deg(engine: Engine, job: StepData) -> float:
    """Own angle of the job's cylinder at which the crank stands at the job's mark: by the data's degrees, or by the
    piston's distance below TDC where the job gives one (on the same side of TDC)."""
    if job.do == "set-magneto":
        # sparks come at even intervals, whatever the cylinder's own top
        own = _break_own_deg(engine, job)
    elif job.by == "lobe centre":
        own = lobe_own_deg(engine, job)
    elif job.by == "lift at TDC":
        own = OVERLAP_TDC_DEG
    else:
        data = timing_valve(engine, job).data
        own = data.opens_deg if feel(job) == "opens" else data.closes_deg
    if job.below_tdc_mm is None:
        return own
    at = own_deg_at_drop(engine, job.cylinder, job.below_tdc_mm, own)
    return own if at is None else at


def mark_crank_deg(engine: Engine, job: StepData) -> float:
    """θ, 0–720, at which a job's mark stands under the pointer, by the data."""
    return (engine.cylinder(job.cylinder).firing_deg + mark_own_deg(engine, job)) % 720.0


def drop_mm(engine: Engine, cylinder: str, own_deg: float) -> float:
    """How far a cylinder's piston stands below its TDC at an own angle [mm]."""
    return float(piston_drop_mm(engine, engine.cylinder(cylinder), own_deg))


def piston_speed_mm_per_deg(engine: Engine, cylinder: str, own_deg: float) -> float:
    """How fast the piston moves there, without sign [mm per crank degree], by the mean over a degree."""
    after, before = (drop_mm(engine, cylinder, own_deg + half) for half in (0.5, -0.5))
    return abs(after - before)


def rises(engine: Engine, cylinder: str, own_deg: float) -> bool:
    """Whether the piston is on its way up there."""
    return drop_mm(engine, cylinder, own_deg + 0.5) < drop_mm(engine, cylinder, own_deg - 0.5)


def own_deg_at_drop(engine: Engine, cylinder: str, below_tdc_mm: float, near_deg: float) -> float | None:
    """Own angle at which the piston stands so far below TDC, on the side of TDC on which ``near_deg`` lies.

    None when it never comes down so far. ``near_deg`` at TDC itself counts as after it.
    """
    from scipy.optimize import brentq

    top = OVERLAP_TDC_DEG * round(near_deg / OVERLAP_TDC_DEG)
    side = 1.0 if near_deg >= top else -1.0
    reach = np.arange(0.0, 181.0)
    drops = np.array([drop_mm(engine, cylinder, top + side * by) for by in reach])
    lowest = int(np.argmax(drops))  # own BDC: not at 180 degrees where the gudgeon pin is offset
    if not 0 <= below_tdc_mm <= drops[lowest]:
        return None
    found = brentq(lambda by: drop_mm(engine, cylinder, top + side * by) - below_tdc_mm, 0.0, float(reach[lowest]))
    return float(top + side * found)


def job_check(engine: Engine, assembly: Assembly, job: StepData) -> Check | None:
    """What a job was set by, as assembled, against the data; None where a coupling on the way is open or the
    valve does not open."""
    if not (job.do == "set-camshaft" and job.by in ("lobe centre", "lift at TDC")):
        table = timing_table(engine, assembly)
        return next((event.check for event in table if _is_of_job(event, job)), None)
    valve = timing_valve(engine, job)
    shaft_early = early_crank_deg(engine, assembly, valve.camshaft)
    clearance = assembly.clearances_mm[valve.name]
    if shaft_early is None or not np.isfinite(clearance):
        return None
    mark = mark_own_deg(engine, job)
    early = float(wrapped(mark - lobe_own_deg(engine, job, clearance) + shaft_early, 720.0))
    wanted = mark_crank_deg(engine, job)
    limits = engine.sheet.limits
    return Check(
        what=job.mark,
        unit="crank deg",
        wanted=wanted,
        as_set=float(in_cycle(wanted - early)),
        early=early,
        limit=limits.valve_event_deg,
        uncertainty=limits.valve_event_uncertainty_deg,
    )


def _is_of_job(event: Event, job: StepData) -> bool:
    if job.do == "set-magneto":
        return (event.cylinder, event.magneto) == (job.cylinder, job.magneto)
    return (event.cylinder, event.kind) == (job.cylinder, job.by) and event.valve in (0, job.valve)


def lift_at_tdc_mm(engine: Engine, assembly: Assembly, job: StepData) -> float | None:
    """What the gauge reads at the job's valve at TDC between exhaust and inlet, as assembled; None behind an open
    coupling."""
    valve = timing_valve(engine, job)
    shaft_early = early_crank_deg(engine, assembly, valve.camshaft)
    if shaft_early is None:
        return None
    lift = float(lift_mm(valve.curve, OVERLAP_TDC_DEG + shaft_early))
    return max(0.0, lift - assembly.clearances_mm[valve.name])


def disc_marks(engine: Engine) -> Iterator[Mark]:
    """A mark of the timing disc for every job of the set-up order that meets one."""
    seen = set()
    for job in engine.sheet.setup:
        if job.mark and job.mark not in seen:
            seen.add(job.mark)
            yield Mark(label=job.mark, crank_deg=mark_crank_deg(engine, job))
