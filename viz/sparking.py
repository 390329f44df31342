"""What the records say of a magneto at the other end of its advance range: the breaks, and where the finger is."""

from __future__ import annotations

from typing import Any

from quillwise.kinematics.angles import format_event, in_cycle
from quillwise.kinematics.magnetos import finger_off_middle_deg, middle_of_range_deg
from quillwise.kinematics.model import Engine, Magneto

OTHER_END = {"full advance": "full retard", "full retard": "full advance"}


def breaks_at_other_end(engine: Engine, magneto: Magneto) -> dict[str, Any] | None:
    """The breaks with the lever at the end at which the magneto is not timed, by the data; None where it has no range.

    ``finger_off_middle_*_finger_deg``: how far the finger is past (+) or short of (-) the middle of its segment at the
    break, at the end that the magneto is timed at and at the other one.
    """
    data = magneto.data
    if not data.advance_range_deg:
        return None
    lever = OTHER_END[data.timed_at]
    later = data.advance_range_deg if lever == "full retard" else -data.advance_range_deg
    middle = middle_of_range_deg(data)
    breaks = []
    for name in magneto.fires:
        cylinder = engine.cylinders[name]
        own = data.break_deg + later - magneto.late_deg(cylinder)
        breaks.append(
            {
                "cylinder": name,
                "crank_deg": float(in_cycle(cylinder.firing_deg + own)),
                "own_crank_deg": own,
                "as_written": format_event(own, 1),
            }
        )
    return {
        "lever": lever,
        "later_crank_deg": later,
        "finger_off_middle_as_timed_finger_deg": float(finger_off_middle_deg(data.break_deg - middle)),
        "finger_off_middle_finger_deg": float(finger_off_middle_deg(data.break_deg + later - middle)),
        "breaks": breaks,
    }
