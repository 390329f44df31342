"""Keys of ``[valves]``: events, lift, clearances and the cam law of inlet and exhaust."""

from __future__ import annotations

from typing import ClassVar, get_args

from quillwise.kinematics.datasheet import (
    Follower,
    Law,
)
from quillwise.kinematics.measured import LEAST_ROWS, MOST_ROWS
from quillwise.scenes.fields import (
    Choice,
    Event,
    Keys,
    Length,
    LiftTable,
    Maybe,
    Number,
    Table,
    Whole,
)
from quillwise.scenes.places import shown

SHORTEST_OPEN_DEG, LONGEST_OPEN_DEG = 90.0, 400.0
RAMP_TOP = 1.25  # times the checking clearance, where it is not given


class SharedValveKeys(Keys):
    """[valves]: what inlet and exhaust have in common; either may differ."""

    checking_clearance = Maybe(Length(0.01, 3)).means(
        "valve clearance at which the events are given and the timing is checked, engine cold", "0.40"
    )
    running_clearance = Maybe(Length(0, 3)).means(
        "valve clearance for running; left out, the checking clearance", "0.30"
    )
    law = Maybe(Choice[Law](get_args(Law))).means(
        "law of the lift between the ramps, or measured with a lift_table; left out, harmonic", '"4-5-6-7"'
    )
    follower = Maybe(Choice[Follower](get_args(Follower))).means(
        "what runs on the lobe: a flat pad or bucket, a roller or a pad on a rocker; left out, a rocker with a roller",
        '"rocker"',
    )
    rocker_ratio = Maybe(Number(0.5, 3)).means("lift at the valve over lift at the lobe; left out, 1", "1.25")


class OneValveKeys(SharedValveKeys):
    """[valves.inlet] or [valves.exhaust]"""

    mid_stroke: ClassVar[str]
    mid_stroke_deg: ClassVar[float]  # own angle

    rules = (
        "`opens`, `closes`, `valve_lift` and `ramp_per_crank_deg` are needed for every law but `measured`, which needs "
        "`lift_table`: there the events, the lift and the ramp are those of a smooth curve through the rows, and an "
        "event that is given beside it must agree within the limit of a valve event; lift and ramp do not stand beside "
        "the table (what the file of the table has from another by `like` counts for nothing). The angles of the rows "
        "grow, over less than 720 degrees, with one peak, and the first and the last row lie at no lift. "
        "It opens before and closes after the middle of its stroke, 90 to 400 degrees apart. The checking clearance "
        "lies on the ramp: it is at most `ramp_top`, and that is less than the lift."
    )

    valve_lift = Maybe(Length(1, 40)).means("full lift at the valve, without clearance", "11.0")
    ramp_per_crank_deg = Maybe(Length(0.001, 0.5, per=" per degree")).means(
        "lift of the ramp in each degree of the crank", "0.025"
    )
    lift_table = Maybe(LiftTable(LEAST_ROWS, MOST_ROWS)).means(
        "measured lift at the valve without clearance, over crank degrees after the cylinder's firing TDC",
        "[[326, 0.0], [330, 0.09], [334, 0.21]]",
    )
    ramp_top = Maybe(Length(0.01, 5)).means(
        "lift at the top of the ramp; left out, 1.25 times the checking clearance", "0.50"
    )
    base_radius = Maybe(Length(5, 60)).means("radius of the cam's heel; left out, one that avoids undercut", "18.0")
    pad_radius = Maybe(Length(5, 2000)).means(
        "radius of the pad's face, of a pad on a rocker; left out, half the bore", "60.0"
    )
    room_at_tdc = Maybe(Length(0, 60)).means(
        "room between the shut valve and the piston at TDC; left out, none is counted on", "7.5"
    )
    angle_to_cylinder_deg = Number(-60, 60, default=0.0).means(
        "how far the valve's stem leans from the cylinder's centre line", "15"
    )

    def beside_table(self, key: str) -> bool:
        """Whether the key was typed for the lift table that is given: in the file that gives the table, or in one that
        is like it. One that the file of the table has from another by "like" is that engine's, not of this table."""
        layers = self.place.layers
        key_at, table_at = (layers.index(self.place.at(each).layer) for each in (key, "lift_table"))
        return key_at <= table_at

    def check(self) -> None:
        opens, closes = self.values.get("opens"), self.values.get("closes")
        if opens is None or closes is None:
            return
        if "lift_table" in self.raw and not (self.beside_table("opens") and self.beside_table("closes")):
            return
        given = f"{shown(self.raw['opens'])} to {shown(self.raw['closes'])}"
        if not SHORTEST_OPEN_DEG <= closes - opens <= LONGEST_OPEN_DEG:
            span = f"from {SHORTEST_OPEN_DEG:g} to {LONGEST_OPEN_DEG:g} degrees after opens"
            self.wrong("closes", f"expected {span}, got {given}, {closes - opens:g} degrees")
        elif not opens < self.mid_stroke_deg < closes:
            words = f"expected it before and closes after the middle of its stroke, {self.mid_stroke}"
            self.wrong("opens", f"{words}, got {given}: are they exchanged?")


class InletKeys(OneValveKeys):
    """[valves.inlet]"""

    mid_stroke, mid_stroke_deg = "90 ATDC", 450.0

    opens = Maybe(Event("inlet opens")).means(
        "where the inlet valve starts to lift at the checking clearance", '"22 BTDC"'
    )
    closes = Maybe(Event("inlet closes")).means("where it is shut at the checking clearance", '"58 ABDC"')
    count = Whole(1, 3, default=1).means("inlet valves of a cylinder", "2")


class ExhaustKeys(OneValveKeys):
    """[valves.exhaust]"""

    mid_stroke, mid_stroke_deg = "90 ABDC", 270.0

    opens = Maybe(Event("exhaust opens")).means(
        "where the exhaust valve starts to lift at the checking clearance", '"64 BBDC"'
    )
    closes = Maybe(Event("exhaust closes")).means("where it is shut at the checking clearance", '"18 ATDC"')
    count = Whole(1, 2, default=1).means("exhaust valves of a cylinder", "2")


class ValvesKeys(SharedValveKeys):
    """[valves]"""

    rules = "The checking clearance is given here or for inlet and exhaust each."

    camshafts_per_bank = Whole(1, 2, default=1).means(
        "camshafts of a bank; of two the trains drive `camshaft A inlet` and `camshaft A exhaust`", "2"
    )
    inlet = Table(InletKeys).means("the inlet valves")
    exhaust = Table(ExhaustKeys).means("the exhaust valves")

    def check(self) -> None:
        for side in ("inlet", "exhaust"):
            if self.known(side):
                self._check_law(self.values[side])
                self._check_follower(self.values[side])
                self._check_clearance(self.values[side])

    def own_or_shared(self, valve: OneValveKeys, key: str, default: str) -> str | None:
        """What holds for a valve: its own, or that of both, or the default; None where the one that holds is wrong."""
        giver = next((keys for keys in (valve, self) if key in keys.raw), None)
        found: str | None = default if giver is None else giver.values.get(key)
        return found

    def _check_law(self, valve: OneValveKeys) -> None:
        """A measured lift needs its table, any other its events, lift and ramp."""
        law = self.own_or_shared(valve, "law", "harmonic")
        if law is None:
            return
        if law != "measured" and "lift_table" in valve.raw:
            valve.wrong("lift_table", f'expected only with law = "measured", got it with "{law}"')
        needs = ("lift_table",) if law == "measured" else ("opens", "closes", "valve_lift", "ramp_per_crank_deg")
        for key in needs:
            if key not in valve.raw and key not in valve.mistyped:
                valve.wrong(key, valve.fields()[key].missing(valve.place.at(key)))
        if law != "measured" or "lift_table" not in valve.raw:
            return
        for key in ("valve_lift", "ramp_per_crank_deg", "ramp_top"):
            if key in valve.raw and valve.beside_table(key):
                valve.wrong(
                    key,
                    f'expected none beside law = "measured", whose table gives it, got {shown(valve.raw[key])}: '
                    "take one of the two out",
                )

    def _check_follower(self, valve: OneValveKeys) -> None:
        follower = self.own_or_shared(valve, "follower", "rocker")
        if "pad_radius" in valve.raw and follower not in ("pad-rocker", None):
            valve.wrong("pad_radius", f'expected only with follower = "pad-rocker", got it with "{follower}"')

    def _check_clearance(self, valve: OneValveKeys) -> None:
        """The clearance lies on the ramp, and the ramp below the lift."""
        giver = valve if "checking_clearance" in valve.raw else self
        if "checking_clearance" not in giver.raw:
            if not (valve.has_unknown_keys or self.has_unknown_keys):
                key = "checking_clearance"
                valve.wrong(key, SharedValveKeys.checking_clearance.missing(valve.place.at(key), ", here or in valves"))
            return
        clearance = giver.values.get("checking_clearance")
        if clearance is None or not valve.known("valve_lift"):
            return
        top = valve.values.get("ramp_top")
        if "ramp_top" not in valve.raw and RAMP_TOP * clearance >= valve.valve_lift:
            words = f"expected over {RAMP_TOP:g} times the checking clearance, the top of the ramp"
            valve.wrong("valve_lift", f"{words}, got {shown(valve.raw['valve_lift'])}")
        elif top is not None and not clearance <= top < valve.valve_lift:
            words = "expected at least the checking clearance and less than the lift"
            valve.wrong("ramp_top", f"{words}, got {shown(valve.raw['ramp_top'])}")
