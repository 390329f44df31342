"""The empty readings file of an engine: a row for each event that its set-up times by, to be filled in."""

from __future__ import annotations

from quillwise.kinematics.lengths import MM_PER_UNIT
from quillwise.kinematics.marks import timing_valve
from quillwise.kinematics.model import Engine
from quillwise.scenes.toml_text import toml_value

_HEAD = """\
# Readings as found. Briefing aid. Not approved data.
# Take all readings, and mark the teeth with paint at both ends, before anything is drawn.
# Take the remark sign off each row that you fill in. Leave out what you did not read: never guess.
# Lengths are in {unit}, angles in crank degrees as the ring or disc shows them.
format = 1
engine = {engine}
# coverage_factor = 2          # k of the uncertainties below
# turn_proved = true           # false: not known which of the two turns is the firing one of {first}
"""
_DROP_MM = 4.85  # an example
_ANGLE = """\
# crank_deg =                  # in the cycle, 0 to 720; or: reading = "22.0 BTDC"
#                              # or: piston_{unit} = {drop} with piston_side = "before TDC"
# uncertainty_deg = {u}        # expanded, k = 2; or: tool = "degree disc", "degree ring", "flywheel marks"
# approached = "running direction"   # or "against it", "not noted"
# turns_counted = true         # false: read on the ring alone
# disc_proved = false          # true: TDC and disc were proved before
"""


def blank_text(engine: Engine) -> str:
    """The form's text."""
    limits, unit = engine.sheet.limits, engine.sheet.length_unit
    drop = f"{_DROP_MM / MM_PER_UNIT[unit]:.3g}"
    first = engine.sheet.firing_order[0]
    parts = [_HEAD.format(unit="inches" if unit == "in" else unit, engine=toml_value(engine.sheet.scene), first=first)]
    for job in engine.sheet.setup:
        if job.do == "set-camshaft":
            valve = timing_valve(engine, job)
            clearance = valve.data.checking_clearance_mm / MM_PER_UNIT[unit]
            for event in ("opens", "closes"):
                parts.append(
                    f"# [[valve_events]]\n# valve = {toml_value(valve.name)}\n# event = {toml_value(event)}\n"
                    f"# clearance_{unit} = {clearance:g}           # at which it was read\n"
                    + _ANGLE.format(unit=unit, drop=drop, u=limits.valve_event_uncertainty_deg)
                )
        elif job.do == "set-magneto":
            parts.append(
                f"# [[points_breaks]]\n# magneto = {toml_value(job.magneto)}\n"
                "# finger_on =                  # the cylinder whose segment the finger is on\n"
                "# finger_off_deg =             # past the middle of the segment, + in its running direction\n"
                f"# points_gap_{unit} =              # largest opening, by feeler\n"
                + _ANGLE.format(unit=unit, drop=drop, u=limits.points_break_uncertainty_deg)
            )
    measured, magneto = next(iter(engine.valves)), next(iter(engine.magnetos), "")
    parts.append(
        f"# [[clearances]]               # of a valve, by feeler, as it was when its events were read\n"
        f"# valve = {toml_value(measured)}\n# clearance_{unit} =\n"
    )
    if magneto:
        parts.append(
            "# [[points_gaps]]              # where no break was read\n"
            f"# magneto = {toml_value(magneto)}\n# gap_{unit} =\n"
        )
        parts.append(
            "# [[fingers]]                  # as the points break, their place not read\n"
            f"# magneto = {toml_value(magneto)}\n# off_deg =\n"
        )
    parts.append(
        f"# [[stops]]                    # true TDC by a piston stop\n# cylinder = {toml_value(first)}\n"
        "# before_deg =                 # the reading at the stop before the top\n"
        "# after_deg =                  # and after it\n"
    )
    parts.append(
        "# [[sights]]                   # what the eye sees\n"
        '# kind = "rocking"             # or "finger on", "finger between", "lever at its stop",\n'
        '#                              # "lever off its stop", "leads as the chart", "teeth as marked" …\n'
        f"# subject = {toml_value(engine.sheet.firing_order[-1])}                 # the cylinder, magneto or coupling\n"
        "# crank_deg =\n"
    )
    return "\n".join(parts)
