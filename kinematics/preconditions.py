"""What must hold before a job of the set-up order can be done, and before a handed part may be put in its place.

Checked when an engine is built, so that an order that cannot be worked through is refused before the first step.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from quillwise.kinematics.angles import format_event
from quillwise.kinematics.datasheet import StepData
from quillwise.kinematics.errors import Problem, unknown
from quillwise.kinematics.lengths import length, stated
from quillwise.kinematics.marks import (
    SLOWEST_PISTON_MM_PER_DEG,
    drop_mm,
    gauge_mm,
    greatest_lift_mm,
    mark_own_deg,
    own_deg_at_drop,
    piston_speed_mm_per_deg,
    timing_valve,
)
from quillwise.kinematics.model import CRANKSHAFT, Engine

SMALLEST_LIFT_MM = 0.05  # below it a dial gauge cannot tell the lobe from its heel


def setup_problems(engine: Engine) -> Iterator[Problem]:
    """Every job of the set-up order that cannot be done where it stands, by ``setup.steps[n]`` (n from 1); nothing
    for an engine without a set-up order."""
    jobs = engine.sheet.setup
    for number, job in enumerate(jobs, 1):
        if job.do == "set-camshaft" and timing_valve(engine, job).camshaft != job.camshaft:
            valve = timing_valve(engine, job)
            yield Problem(
                f"setup.steps[{number}]",
                f"expected a mark of a valve that {job.camshaft} works, got {job.mark}: {valve.camshaft} works it",
            )
            continue
        for text in (*_order(engine, jobs, number - 1), *_lift(engine, job), *_piston(engine, job)):
            yield Problem(f"setup.steps[{number}]", text)
    if jobs:
        yield from (Problem("setup.steps", text) for text in _never_done(engine, jobs))


def _order(engine: Engine, jobs: Sequence[StepData], at: int) -> Iterator[str]:
    """Jobs that come too early or too late."""
    job, before = jobs[at], jobs[:at]
    if job.do == "finish" and at < len(jobs) - 1:
        yield f"finish is not the last step: {_named(jobs[at + 1])} comes after it"
    if job.do not in ("set-camshaft", "set-magneto"):
        return
    if not any(other.do == "prepare" for other in before):
        yield f'{_named(job)} has no step before it that proves TDC and the disc: missing: {{ do = "prepare" }}'
    if job.do == "set-magneto" and job.prove_stroke == "valves":
        unset = _not_set(engine, before, job.cylinder)
        if unset:
            yield (
                f"{_named(job)} has no step before it that sets {' and '.join(unset)}, so the valves of {job.cylinder} "
                f"cannot prove its compression: missing: set-camshaft of {' and '.join(unset)}, or "
                'prove_stroke = "plug hole" here'
            )


def _not_set(engine: Engine, before: Sequence[StepData], cylinder: str) -> list[str]:
    """The camshafts of a cylinder's valves that are free, or whose rockers are still off, after these jobs."""
    camshafts = dict.fromkeys(valve.camshaft for valve in engine.valves.values() if valve.cylinder == cylinder)
    turned = {name for job in before if job.do == "set-camshaft" for name in engine.camshafts_with(job.camshaft)}
    return [name for name in camshafts if name not in turned]


def _never_done(engine: Engine, jobs: Sequence[StepData]) -> Iterator[str]:
    """What no job sets although a coupling stands on its way, and the end that is missing."""
    if jobs[-1].do != "finish" and not any(job.do == "finish" for job in jobs):
        yield f'the last step is {_named(jobs[-1])}: missing: {{ do = "finish" }} after it'
    homed = {engine.coupling_upstream(_shaft(engine, job)) for job in jobs if job.mark}
    for do, name, shaft in (
        *(("set-camshaft", name, name) for name in engine.camshafts),
        *(("set-magneto", f"the {name} magneto", m.rotor) for name, m in engine.magnetos.items()),
    ):
        coupling = engine.coupling_upstream(shaft)
        if coupling is not None and coupling not in homed:
            yield f"{name} is never set, though {coupling.name} stands in its train: missing: {do} of {name}"


def _shaft(engine: Engine, job: StepData) -> str:
    return job.camshaft if job.do == "set-camshaft" else engine.magneto(job.magneto).rotor


def _named(job: StepData) -> str:
    what = job.camshaft or (f"the {job.magneto} magneto" if job.magneto else "")
    return f"{job.do} of {what}" if what else job.do


def _lift(engine: Engine, job: StepData) -> Iterator[str]:
    """Lifts that a lobe cannot have, or that a gauge cannot find."""
    if job.do != "set-camshaft" or job.by not in ("lobe centre", "lift at TDC"):
        return
    valve = timing_valve(engine, job)
    greatest, lift, unit = greatest_lift_mm(valve), gauge_mm(engine, job), engine.sheet.length_unit
    if job.lift_mm is None and lift < SMALLEST_LIFT_MM:
        yield (
            f"{valve.name} has no lift at TDC between exhaust and inlet at its checking clearance, by its lobe: "
            "a camshaft cannot be timed by it"
        )
    elif not SMALLEST_LIFT_MM <= lift < greatest:
        yield (
            f"lift: expected from {stated(SMALLEST_LIFT_MM, unit)} to less than {length(greatest, unit)}, what the "
            f"gauge reads at the top of the lobe of {valve.name}, got {stated(lift, unit)}"
        )


def _piston(engine: Engine, job: StepData) -> Iterator[str]:
    """Marks that the piston cannot show, and a distance that disagrees with the degrees of the data."""
    if not job.mark or job.crank_by != "piston" or any(_lift(engine, job)):
        return
    by_degrees, unit = mark_own_deg(engine, _without_drop(job)), engine.sheet.length_unit
    speed = piston_speed_mm_per_deg(engine, job.cylinder, by_degrees)
    if speed < SLOWEST_PISTON_MM_PER_DEG:
        yield (
            f"the piston of {job.cylinder} moves only {length(speed, unit, 3)} a crank degree at "
            f"{format_event(by_degrees)}, "
            f'less than {stated(SLOWEST_PISTON_MM_PER_DEG, unit)}: expected crank_by = "ring" there'
        )
        return
    if job.below_tdc_mm is None:
        return
    found = own_deg_at_drop(engine, job.cylinder, job.below_tdc_mm, by_degrees)
    limits = engine.sheet.limits
    limit = limits.points_break_deg if job.do == "set-magneto" else limits.valve_event_deg
    wanted = f"{length(drop_mm(engine, job.cylinder, by_degrees), unit)} ({format_event(by_degrees, 1)})"
    if found is None:
        yield f"below_tdc: expected {wanted}, got {stated(job.below_tdc_mm, unit)}, more than the stroke"
    elif abs(found - by_degrees) > limit:
        yield (
            f"below_tdc: expected {wanted} within {limit:g} crank degrees, got {stated(job.below_tdc_mm, unit)} "
            f"({format_event(found, 1)})"
        )


def _without_drop(job: StepData) -> StepData:
    return replace(job, below_tdc_mm=None)


# Handed parts


def hand_problems(engine: Engine) -> Iterator[Problem]:
    """Parts of the other hand or bank: couplings and trains whose hand is not the engine's, and couplings that stand
    in the train of a bank that they are not made for."""
    sheet = engine.sheet
    for train in sheet.trains:
        if train.hand:
            yield from _of_hand(f"trains.{train.drives}", f"the train of {train.drives}", train.hand, sheet.hand)
    banks = [bank.name for bank in sheet.banks]
    for name, coupling in engine.couplings.items():
        data = coupling.data
        if data.hand:
            yield from _of_hand(f"couplings.{name}", name, data.hand, sheet.hand)
        if not data.bank:
            continue
        here = _banks_behind(engine, name)
        if data.bank not in banks:
            yield Problem(f"couplings.{name}.bank", unknown("bank", data.bank, banks))
        elif not here:
            yield Problem(
                f"couplings.{name}.bank",
                f"{name} is made for bank {data.bank}, but it drives no camshaft where it stands",
            )
        elif data.bank not in here:
            yield Problem(
                f"couplings.{name}.bank",
                f"{name} is made for bank {data.bank}, but it stands in the train of bank {' and '.join(here)}",
            )


def _of_hand(path: str, what: str, hand: str, wanted: str) -> Iterator[Problem]:
    if not wanted:
        yield Problem(f"{path}.hand", f"{what} is of the {hand} hand, but the engine states no hand: layout.hand")
    elif hand != wanted:
        yield Problem(f"{path}.hand", f"{what} is of the {hand} hand, but the engine is of the {wanted} hand")


def _banks_behind(engine: Engine, coupling: str) -> list[str]:
    """The banks whose camshafts are driven through a coupling."""
    camshafts = [name for name in engine.camshafts if coupling in _links(engine, name)]
    found = (engine.cylinders[v.cylinder].bank for v in engine.valves.values() if v.camshaft in camshafts)
    return list(dict.fromkeys(found))


def _links(engine: Engine, shaft: str) -> list[str]:
    """Meshes and couplings from a shaft back to the crankshaft."""
    links = []
    while shaft != CRANKSHAFT:
        links.append(engine.shafts[shaft].link)
        shaft = engine.shafts[shaft].parent
    return links
