"""What is told of a trial at the bench: how it stands, what is read, and what it would do to the events."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from quillwise.kinematics.assembly import Assembly
from quillwise.kinematics.couplings import best
from quillwise.kinematics.lengths import length
from quillwise.kinematics.magnetos import finger_at, meter_ohm
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import State, finger_running_deg, motion
from quillwise.kinematics.steps import Step
from quillwise.viz.bench_trial import (
    COARSE_DEG,
    FINE_DEG,
    BenchTrial,
    Effect,
    ahead_crank_deg,
    effects,
    effects_of,
    moment,
    offered,
    strike_ahead,
)
from quillwise.viz.magnifying import drawn_gap_mm
from quillwise.viz.signs import SIGNS
from quillwise.viz.touching import is_open, points_words, valve_words

_SAME_DEG = 0.005
_GRAVEST = ("reject", "not proved", "accept")
Sign = str  # of SIGNS, "≈" (goes, but not well) or "!" (a warning): what a line says, told by its shape too


@dataclass(frozen=True, kw_only=True, slots=True)
class Told:
    """What is told of a trial or a comparison. ``lines``: (sign, text); the sign is "" where the line says only how
    it stands."""

    title: str
    lines: tuple[tuple[Sign, str], ...]


def told(engine: Engine, step: Step, trial: BenchTrial) -> Told:
    """All that the panel of a trial says."""
    frame = moment(engine, step, trial)
    state = motion(engine, frame.assembly, frame.crank_deg)
    lines = _teeth(engine, step, trial) if trial.kind == "teeth" else _held(engine, step, trial, state)
    lines += [effect_line(each, _in_words(trial)) for each in _merged(effects(engine, step, trial))]
    if trial.kind != "teeth":
        for way, more in ((COARSE_DEG, "more"), (-COARSE_DEG, "back")):
            ahead = strike_ahead(engine, step, trial, way)
            if ahead is not None and ahead.strikes:
                surely = "strikes" if ahead.known else "may strike (room not in the data)"
                lines.append(("!", f"WARNING: {COARSE_DEG:g}° {more}, and {ahead.valve} {surely} its piston."))
    if trial.refused:
        lines.insert(0, ("!", trial.refused))
    return Told(title=_title(engine, step, trial), lines=tuple(lines))


def compared(engine: Engine, found: Assembly, fault: str) -> Told:
    """All that the panel of a comparison says: what was done, and the events of every camshaft and magneto."""
    lines = [("", f"What was done: {fault}.")] if fault else []
    told_of = sorted(_merged(effects_of(engine, found)), key=lambda each: (_GRAVEST.index(each.verdict), each.shaft))
    lines += [effect_line(each, "Against the data") for each in told_of]
    lines.append(("", "Solid: as found. Blue and see-through: as intended, at the same crank angle."))
    return Told(title="As found beside as intended", lines=tuple(lines))


def _title(engine: Engine, step: Step, trial: BenchTrial) -> str:
    if trial.kind == "teeth":
        return f"Try it yourself: find the tooth at which {trial.coupling} goes home"
    if trial.kind == "camshaft":
        camshaft = engine.valves[step.valve].camshaft
        return f"Try it yourself: turn the free {camshaft} to its place, by the clearance of {step.valve}"
    return f"Try it yourself: turn the free rotor of the {step.magneto} magneto until its points just break"


def _teeth(engine: Engine, step: Step, trial: BenchTrial) -> list[tuple[Sign, str]]:
    own, now = engine.couplings[trial.coupling].data, offered(engine, step, trial)
    past = f"{now.driven_tooth} {'tooth' if abs(now.driven_tooth) == 1 else 'teeth'}"
    at = f"Driving end: tooth {now.driving_tooth} of {own.driving_teeth}. Driven end: past {past} of its mate."
    kind = own.kind
    if trial.home:
        where = "where its shaft was held" if abs(now.out_of_line_deg) < _SAME_DEG else _moved(now.out_of_line_deg)
        return [("", at), ("", f"The {kind} is home. Its driven shaft stands {where}.")]
    side = "ahead" if now.out_of_line_deg > 0 else "behind"
    out = (
        f"Out of line: {abs(now.out_of_line_deg):.2f}° of the shaft, "
        f"{abs(now.out_of_line_crank_deg):.2f}° of the crank, {side}."
    )
    fit = {
        "free": ("✓", f"The {kind} goes in free."),
        "eased": ("≈", f"The {kind} eases in: the held shaft gives by that much."),
        "does not go in": ("✗", f"The {kind} does not go in while the shaft is held."),
    }[now.verdict]
    least = best(step.trials).out_of_line_deg
    if now.verdict != "does not go in" and abs(now.out_of_line_deg) > abs(least) + _SAME_DEG:
        fit = ("≈", f"{fit[1]} Another tooth comes nearer.")
    return [("", at), ("", out), fit]


def _moved(out_deg: float) -> str:
    return f"{abs(out_deg):.2f}° {'ahead of' if out_deg > 0 else 'behind'} where it was held"


def _held(engine: Engine, step: Step, trial: BenchTrial, state: State) -> list[tuple[Sign, str]]:
    off = ahead_crank_deg(engine, step, trial)
    frame, unit = moment(engine, step, trial), engine.sheet.length_unit
    if trial.kind == "camshaft":
        gap = float(drawn_gap_mm(engine, frame.assembly, step.valve, state)[0])
        lift = float(state[f"valve {step.valve}"][0])
        reads = valve_words(lift, unit) if is_open(lift, unit) else f"clearance {length(gap, unit)}"
        lines = [("", f"{step.valve}: {reads}.")]
    else:
        magneto = engine.magnetos[step.magneto]
        gap = float(state[f"points {step.magneto}"][0])
        ohm = float(meter_ohm(magneto.data, [gap])[0])
        finger = finger_running_deg(engine, step.magneto, state[magneto.finger])
        at = finger_at(magneto.data, magneto.fires, finger)
        nearest = magneto.fires[int(at.segment[0])]
        lines = [("", f"Points {points_words(gap, unit)}, meter {ohm:.2f} Ω, finger nearest to {nearest}.")]
    if abs(off) <= FINE_DEG / 2:
        return [*lines, ("✓", "Held at its place.")]
    return [*lines, ("✗", f"{abs(off):.2f} crank degrees {'past' if off > 0 else 'short of'} its place.")]


def _merged(found: Sequence[Effect]) -> list[Effect]:
    """Shafts whose events stand alike, told together."""
    groups: dict[tuple[object, ...], list[Effect]] = {}
    for each in found:
        groups.setdefault((round(each.early_deg, 3), each.limit_deg, each.verdict), []).append(each)
    return [
        replace(group[0], shaft=" and ".join(each.shaft for each in group), count=sum(each.count for each in group))
        for group in groups.values()
    ]


def _in_words(trial: BenchTrial) -> str:
    if trial.kind != "teeth":
        return "Held here and coupled at its best tooth"
    return "As it is" if trial.home else "Put home here"


def effect_line(effect: Effect, if_so: str) -> tuple[Sign, str]:
    side = "early" if effect.early_deg > 0 else "late"
    amount = (
        "as the data say" if abs(effect.early_deg) < _SAME_DEG else f"{abs(effect.early_deg):.2f} crank degrees {side}"
    )
    what = "every event" if effect.count > 1 else "its event"
    said = f"{if_so}, {what} of {effect.shaft} is {amount} (±{effect.limit_deg:g}° allowed): {effect.verdict}."
    return SIGNS[effect.verdict], said
