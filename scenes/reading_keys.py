"""Every key of a readings file: what may stand there, and what it means."""

from __future__ import annotations

from typing import Literal

from quillwise.kinematics.lengths import MM_PER_UNIT, LengthUnit
from quillwise.kinematics.readings import TIMELESS_SIGHTS, Approach, SightKind
from quillwise.scenes.fields import Choice, Flag, Keys, Maybe, Measured, Number, Tables, Text, Values, Whole
from quillwise.scenes.magneto_keys import LEVER_ENDS

PistonSide = Literal["before TDC", "after TDC"]
Tool = Literal["degree disc", "degree ring", "flywheel marks"]
_SIGHTS: tuple[SightKind, ...] = (
    "rocking", "finger on", "finger between", *TIMELESS_SIGHTS,
)  # fmt: skip
_MOST = 500


def length_row(key: str, value_mm: float, unit: LengthUnit) -> dict[str, float]:
    """A length as a readings file has it: its key with the unit, and the value in that unit, to a millionth."""
    return {f"{key}_{unit}": round(value_mm / MM_PER_UNIT[unit], 6)}


class OfAngle(Keys):
    """What every reading of an angle may say."""

    crank_deg = Maybe(Number(-720, 1440)).means("where the crank stood, on the ring or disc, in the cycle", "338.4")
    reading = Maybe(Text(40)).means("the same, as written from a dead centre; crank_deg goes before it", '"21.6 BTDC"')
    piston_mm = Maybe(Measured(0, 1000)).means(
        "where the crank stood, by the distance of the cylinder's piston below its TDC, in mm; it needs no disc", "4.85"
    )
    piston_side = Maybe(Choice[PistonSide](("before TDC", "after TDC"))).means(
        "on which side of the TDC nearest to the event that was", '"before TDC"'
    )
    piston_uncertainty_mm = Measured(0.001, 5, default=0.05).means("expanded uncertainty of piston_mm, in mm", "0.05")
    uncertainty_deg = Maybe(Number(0.01, 30)).means(
        "expanded uncertainty of the reading, in crank degrees; left out, that of the tool", "0.8"
    )
    tool = Choice[Tool](("degree disc", "degree ring", "flywheel marks"), default="degree ring").means(
        "what the crank's place was read with", '"degree disc"'
    )
    approached = Choice[Approach](("running direction", "against it", "not noted"), default="running direction").means(
        "how the crank came to the place", '"running direction"'
    )
    turns_counted = Maybe(Flag()).means("whether it is known on which of the two turns it was; left out: it is", "true")
    disc_proved = Maybe(Flag()).means("whether TDC and the disc were proved before", "true")

    @property
    def period_deg(self) -> float:
        """720, or 360 where the turns were not counted."""
        return 360.0 if self.turns_counted is False else 720.0


class ValveEventKeys(OfAngle):
    """[[valve_events]]"""

    valve = Text().means("the valve", '"A1 inlet"')
    event = Choice[Literal["opens", "closes"]](("opens", "closes")).means("nipped, or let go", '"opens"')
    clearance_mm = Measured(0.01, 10).means("the clearance that it was read at, in mm", "0.40")


class LiftKeys(OfAngle):
    """[[lifts]]"""

    valve = Text().means("the valve", '"A1 inlet"')
    event = Choice[Literal["opens", "closes"]](("opens", "closes")).means("rising, or falling", '"opens"')
    lift_mm = Measured(0.01, 100).means("how far it is open, in mm", "2.50")
    clearance_mm = Measured(0.01, 10).means("the clearance that it was read at, in mm", "0.40")
    uncertainty_mm = Measured(0.001, 5, default=0.05).means("expanded uncertainty of the lift, in mm", "0.05")


class BreakKeys(OfAngle):
    """[[points_breaks]]"""

    magneto = Text().means("the magneto", '"exhaust-side"')
    finger_on = Maybe(Text()).means("the cylinder whose segment the finger is on", '"A1"')
    finger_off_deg = Maybe(Number(-90, 90)).means(
        "how far the finger is past the middle of its segment, + in its running direction", "1.5"
    )
    points_gap_mm = Maybe(Measured(0.01, 5)).means("the largest opening of its points, by feeler, in mm", "0.30")
    advance_lever = Maybe(Choice(LEVER_ENDS)).means(
        "where the advance lever stood: a break is read where the engine's file times it, its timed_at",
        '"full advance"',
    )


class FingerKeys(Keys):
    """[[fingers]]"""

    magneto = Text().means("the magneto", '"exhaust-side"')
    off_deg = Number(-90, 90).means(
        "how far the finger is past the middle of its segment as the points break, + in its running direction", "1.5"
    )
    uncertainty_deg = Number(0.01, 30, default=2.0).means("expanded uncertainty, in degrees of the finger", "2.0")


class ClearanceKeys(Keys):
    """[[clearances]]"""

    valve = Text().means("the valve", '"A1 inlet"')
    clearance_mm = Measured(0.0, 10).means("its clearance by feeler when its events were read, in mm", "0.40")
    uncertainty_mm = Measured(0.001, 5, default=0.04).means("expanded uncertainty of it, in mm", "0.04")


class GapKeys(Keys):
    """[[points_gaps]]"""

    magneto = Text().means("the magneto", '"exhaust-side"')
    gap_mm = Measured(0.0, 5).means("the largest opening of its points, by feeler, in mm", "0.30")
    uncertainty_mm = Measured(0.001, 5, default=0.04).means("expanded uncertainty of it, in mm", "0.04")


class StopKeys(Keys):
    """[[stops]]"""

    cylinder = Text().means("the cylinder with the piston stop", '"A1"')
    before_deg = Number(-720, 1440).means("the reading at the stop before the top", "323.25")
    after_deg = Number(-720, 1440).means("the reading at the stop after it", "35.25")
    uncertainty_deg = Number(0.01, 30, default=0.3).means("expanded uncertainty of the TDC that they give", "0.3")


class SightKeys(Keys):
    """[[sights]]"""

    kind = Choice[SightKind](_SIGHTS).means("what is seen", '"rocking"')
    subject = Text().means("the cylinder, the magneto or the coupling", '"A6"')
    cylinders = Maybe(Values(Text(), 1, 2)).means(
        "the cylinder that the finger is on, or the two it is between", '["A1"]'
    )
    crank_deg = Maybe(Number(-720, 1440)).means("where the crank stood, in the cycle", "0.0")
    turns_counted = Maybe(Flag()).means("whether it is known on which of the two turns it was; left out: it is", "true")


class LeftOutKeys(Keys):
    """[[left_out]]"""

    reading = Text().means("the reading that cannot be taken, as --ask calls it", '"A1 inlet clearance"')


class ReadingsKeys(Keys):
    """readings/<name>.toml"""

    format = Whole(1, 1).means("version of this format", "1")
    engine = Maybe(Text()).means("the engine that the readings are of", '"larkfell-port"')
    origin = Maybe(Text(200)).means("where they come from", '"measured by …, on …"')
    coverage_factor = Number(1, 4, default=2.0).means("k of every expanded uncertainty in the file", "2")
    disc_proved = Maybe(Flag()).means("whether TDC and the disc were proved before all of them", "true")
    turn_proved = Maybe(Flag()).means("whether the firing turn of the first cylinder is known; left out: it is", "true")
    valve_events = Tables(ValveEventKeys, most=_MOST).means("valves that open or close")
    lifts = Tables(LiftKeys, most=_MOST).means("lifts at an angle")
    points_breaks = Tables(BreakKeys, most=_MOST).means("moments at which points break")
    fingers = Tables(FingerKeys, most=_MOST).means("how far a distributor finger is off its middle, the break not read")
    clearances = Tables(ClearanceKeys, most=_MOST).means("clearances of valves as found")
    points_gaps = Tables(GapKeys, most=_MOST).means("points gaps as found")
    stops = Tables(StopKeys, most=20).means("true TDC by a piston stop, from both sides")
    sights = Tables(SightKeys, most=_MOST).means("what the eye sees")
    left_out = Tables(LeftOutKeys, most=_MOST).means("readings that cannot be taken: --ask does not ask for them again")
