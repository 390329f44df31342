"""The words of a plate: the line over each close-up, the paragraphs and the figures of a step."""

from __future__ import annotations

from collections.abc import Sequence

from quillwise.kinematics.angles import format_crank
from quillwise.kinematics.lengths import length
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import State
from quillwise.kinematics.steps import Frame, Step
from quillwise.kinematics.verdicts import Check, worst_first
from quillwise.viz import teeth, touching
from quillwise.viz.closeups import close_up, headline
from quillwise.viz.glances import Glance
from quillwise.viz.signs import SIGNS

_LONG = 44  # characters of a line over a close-up


def line_over(engine: Engine, glance: Glance, moment: Frame, state: State) -> str:
    """The line over a close-up: what it shows, and the reading now. State of one value."""
    if glance.kind == "teeth":
        now = teeth.offer(engine, moment.assembly, glance.of, state)
        if not now.home:
            return f"{glance.told or glance.of} {teeth.tried(now)}"
    if glance.kind == "valve" and glance.told:
        lift = float(state[f"valve {glance.of}"][0])
        return f"{glance.told}: {glance.of} {touching.valve_words(lift, engine.sheet.length_unit)}"
    if glance.kind == "magneto" and glance.told:
        return f"{glance.told}: {glance.of}"
    what, reading = headline(engine, close_up(engine, glance.kind, glance.of), moment, state)
    if glance.told:
        return f"{glance.told}: {reading}"
    if glance.kind == "magneto" and len(what) + len(reading) > _LONG:
        # in few words its letters are as large as those of the others
        return f"{glance.of}: {reading}".replace("(drawn ×", "(×")
    return f"{what}: {reading}" if ":" not in what else f"{what}, {reading}"


def lines(step: Step) -> Sequence[str]:
    """The paragraphs of a step. What can injure or break is told in full, however small that makes the letters."""
    found = [str(caution) for caution in step.text.cautions if caution.level != "NOTE"]
    found += [f"• {sentence}" for sentence in step.text.do]
    found += [f"→ {where}: {what}" for where, what in step.text.see[:4]]
    return found


def figures(engine: Engine, step: Step) -> Sequence[tuple[str, str]]:
    """The figures of a step, each (label, value)."""
    found = []
    start, end = step.crank_deg
    if start != end:
        found.append(("crank", f"{format_crank(start, 0)}° → {format_crank(end, 0)}°"))
        found.append(("degrees to go", f"{end - start:.0f}°"))
    else:
        found.append(("crank", f"{format_crank(end)}°"))
    if step.room is not None:
        known = "" if step.room.known else " (assumed)"
        room = length(step.room.room_mm, engine.sheet.length_unit, 1)
        found.append(("least room", f"{room}, {step.room.valve}{known}"))
    if step.chosen is not None:
        out = f"{step.chosen.out_of_line_deg:+.2f}° shaft, {step.chosen.out_of_line_crank_deg:+.2f}° crank"
        found.append(("out of line", out))
    found += [(check.what, check_words(check)) for check in worst_first(step.checks)[:3]]
    return found


def check_words(check: Check) -> str:
    """By how much a reading is early or late, its verdict, and the sign of that."""
    amount = round(abs(check.early), 2)
    way = "" if amount == 0 else (" early" if check.early > 0 else " late")
    return f"{amount:.2f}°{way}: {check.verdict} {SIGNS[check.verdict]}"
