"""The signs of verdicts; whether what a close-up shows is right or wrong, and the sign in its corner that says so: a
tick or a cross.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from PIL import ImageDraw

from quillwise.kinematics.magnetos import finger_at
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import State, finger_running_deg
from quillwise.kinematics.steps import Frame, Step
from quillwise.kinematics.verdicts import Verdict
from quillwise.viz import palette, teeth
from quillwise.viz.closeups import breaking
from quillwise.viz.glances import Glance
from quillwise.viz.magnifying import drawn_gap_mm
from quillwise.viz.touching import TAKEN_UP_MM, is_open

# Of verdicts, beside their words; DejaVu Sans has them.
SIGNS: Mapping[Verdict, str] = MappingProxyType({"accept": "✓", "not proved": "?", "reject": "✗"})
# Shares of the sign's radius, x to the right, y downwards.
_TICK = (((-0.50, 0.05), (-0.12, 0.42), (0.52, -0.40)),)
_CROSS = (((-0.40, -0.40), (0.40, 0.40)), ((-0.40, 0.40), (0.40, -0.40)))


def right(engine: Engine, step: Step, glance: Glance, moment: Frame, state: State) -> bool | None:
    """Whether what is looked at is as it must be; None where the close-up decides nothing. State of one value."""
    if glance.kind == "teeth":
        now = teeth.offer(engine, moment.assembly, glance.of, state)
        if not now.home:
            tried = bool(step.trials) and glance.of == step.coupling and not now.between
            return now.trial.verdict != "does not go in" if tried else None
        return _checked(step)
    if glance.kind == "window":
        return _checked(step) if step.mark else None
    if glance.kind == "valve":
        if glance.moment is not None:  # a pass of a magneto's mark: the valve is shut on the compression stroke
            return not is_open(float(state[f"valve {glance.of}"][0]), engine.sheet.length_unit)
        if step.key.endswith("-nip") and glance.of == step.valve:
            gap = float(drawn_gap_mm(engine, moment.assembly, glance.of, state)[0])
            return True if gap + float(state[f"valve {glance.of}"][0]) <= TAKEN_UP_MM else None
    if glance.kind == "magneto" and step.key.endswith("-break"):
        return _held(engine, step, moment, state)
    return None


def _checked(step: Step) -> bool | None:
    """What the checks of a step say together: wrong if one is, else right if all are."""
    verdicts = {check.verdict for check in step.checks}
    if "reject" in verdicts:
        return False
    return True if verdicts == {"accept"} else None


def _held(engine: Engine, step: Step, moment: Frame, state: State) -> bool:
    """Whether a magneto is held where its points break, its finger on the segment of its job's cylinder."""
    magneto = engine.magnetos[step.magneto]
    finger = finger_running_deg(engine, magneto.name, state[magneto.finger])
    on = magneto.fires[int(finger_at(magneto.data, magneto.fires, finger).segment[0])]
    meant = {job.cylinder for job in engine.sheet.setup if job.do == "set-magneto" and job.magneto == magneto.name}
    return on in meant and breaking(engine, moment.assembly, magneto.name, state)


def stamp(pencil: ImageDraw.ImageDraw, size_px: tuple[int, int], strip_px: int, good: bool) -> None:
    """A tick or a cross, told apart by its shape, in the upper right corner of a picture of that size."""
    radius = max(7, round(0.62 * strip_px))
    x, y = size_px[0] - radius - radius // 3, radius + radius // 3
    colour = palette.GREEN if good else palette.VERMILLION
    pencil.ellipse((x - radius, y - radius, x + radius, y + radius), fill=colour, outline=palette.WHITE, width=2)
    for stroke in _TICK if good else _CROSS:
        corners = [(x + radius * a, y + radius * b) for a, b in stroke]
        pencil.line(corners, fill=palette.WHITE, width=max(2, radius // 4), joint="curve")
