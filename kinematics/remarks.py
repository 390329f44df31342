"""What is worth a second look in an engine that is valid: rows of a lift table that do not go with the others,
couplings too coarse for the limits, flux reversals that no spark uses. An engine with remarks still plays."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from quillwise.kinematics.couplings import common_factor, largest_left_over_deg, step_with_cycles_deg
from quillwise.kinematics.lengths import LengthUnit, length
from quillwise.kinematics.misread import MisreadRow, misread_rows
from quillwise.kinematics.model import Coupling, Engine
from quillwise.kinematics.positions import couplings_upstream, step_of_shaft_deg


@dataclass(frozen=True, kw_only=True, slots=True)
class Remark:
    """``path``: the keys in question. ``fails``: it cannot be right as it stands, whatever the engine is."""

    path: str
    text: str
    fails: bool = False


def remarks(engine: Engine) -> tuple[Remark, ...]:
    """All remarks on an engine: of its lift tables, its couplings and its magnetos, in this order."""
    return (*_of_lift_tables(engine), *_of_couplings(engine), *_of_magnetos(engine))


def _of_lift_tables(engine: Engine) -> Iterator[Remark]:
    for data in (engine.sheet.inlet, engine.sheet.exhaust):
        for row in misread_rows(data.lift_table) if data.lift_table else ():
            path = f"valves.{data.kind}.lift_table[{row.row}]"
            yield Remark(path=path, text=misread_words(row, engine.sheet.length_unit), fails=row.gross)


def misread_words(row: MisreadRow, unit: LengthUnit = "mm") -> str:
    """What a row says, and what the others lead to."""
    off = abs(row.lift_mm - row.expected_mm)
    return (
        f"row {row.row} of the lift table, at {row.angle_deg:g} degrees, gives {length(row.lift_mm, unit)}; its "
        f"neighbours lead to {length(row.expected_mm, unit)}. The difference of {length(off, unit)} is "
        f"{off / max(row.noise_mm, 1e-4):.0f} times the noise of the other rows: "
        + ("it cannot be right. Read that row again." if row.gross else "read that row again.")
    )


def _of_couplings(engine: Engine) -> Iterator[Remark]:
    """Couplings whose best tooth can leave more than an event's limit allows."""
    limits = engine.sheet.limits
    timed = [(name, "valve event", limits.valve_event_deg) for name in engine.camshafts]
    timed += [(magneto.rotor, "points' break", limits.points_break_deg) for magneto in engine.magnetos.values()]
    for name, coupling in engine.couplings.items():
        left = _left_over_crank_deg(engine, coupling)
        behind = [item for item in timed if name in couplings_upstream(engine, item[0])]
        if not behind:
            continue
        shaft, event, limit = min(behind, key=lambda item: item[2])
        if left <= limit:
            continue
        # further couplings on the way and further turns of the crank can open positions between
        half = min(left, _finest_crank_deg(engine, coupling, shaft) / 2)
        more = (
            f" With further turns of the crank, or with all couplings on the way, at most {half:.2f} is left."
            if half < left - 1e-9
            else ""
        )
        yield Remark(
            path=f"couplings.{name}",
            text=f"{_why_coarse(coupling)}half a step of {name} is {left:.2f} crank degrees, more than the {limit:g} "
            f"that the limit of a {event} allows: even its best tooth may leave {shaft} to be rejected.{more}",
        )


def _why_coarse(coupling: Coupling) -> str:
    """Why a step is coarse where the counts have a factor in common. Empty for a true vernier."""
    driving, driven = coupling.data.driving_teeth, coupling.data.driven_teeth
    shared = common_factor(driving, driven)
    if shared == 1:
        return ""
    if driving == driven:
        return (
            f"both ends of {coupling.name} have {driving} teeth, so it is no vernier: a tooth on at both ends changes "
            "nothing. Count the teeth of both ends again; "
        )
    return (
        f"{driving} and {driven} teeth of {coupling.name} have the factor {shared} in common, so of its {driving} "
        f"trials only {driving // shared} differ. Count the teeth of both ends again; "
    )


def _left_over_crank_deg(engine: Engine, coupling: Coupling) -> float:
    left = largest_left_over_deg(coupling.data.driving_teeth, coupling.data.driven_teeth)
    return float(left / abs(engine.shafts[coupling.driven].turns))


def _finest_crank_deg(engine: Engine, coupling: Coupling, shaft: str) -> float:
    """The smallest step with further turns of the crank, or with all couplings on the way to the shaft."""
    turns = abs(engine.shafts[coupling.driven].turns)
    cycles = step_with_cycles_deg(coupling.data.driving_teeth, coupling.data.driven_teeth, 2 * turns) / turns
    together = step_of_shaft_deg(engine, shaft)
    assert together is not None, "the coupling is on its way"
    return float(min(cycles, together / abs(engine.shafts[shaft].turns)))


def _of_magnetos(engine: Engine) -> Iterator[Remark]:
    for magneto in engine.magnetos.values():
        data = magneto.data
        sparks = data.sparks_per_turn
        if data.poles == sparks:
            continue
        gives = (
            f"the flux of its {data.poles} poles reverses {data.poles} times"
            if data.kind == "rotating magnet"
            else f"its magnetism gives {data.poles} sparks"
        )
        yield Remark(
            path=f"magnetos.{data.name}.lobes",
            text=f"in a turn of the rotor {gives}, but the points break {sparks} times: look whether poles and lobes "
            "are those of the data sheet.",
        )
