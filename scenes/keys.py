"""Every key of ``engine.toml`` and ``setup.toml``: what it may hold, and the checks inside one table.

Lengths are in the file's ``length_unit``; left, right and the turning sense as seen from its ``seen_from``.
A gudgeon offset is + to the right of a cylinder that stands upright, as seen from there.
"""

from __future__ import annotations

from typing import Any, Literal, get_args

from quillwise.kinematics.datasheet import (
    VIEWED_FROM_OUTPUT,
    VIEWED_FROM_WHEELCASE,
    Follower,
    Law,
    Rods,
    Rotation,
    StageKind,
)
from quillwise.scenes.fields import (
    GEOMETRY_KEYS,
    Choice,
    Event,
    Keys,
    Length,
    Maybe,
    NamedTables,
    Number,
    Table,
    Tables,
    Text,
    Values,
    Whole,
)
from quillwise.scenes.places import shown

Lean = Literal["left", "right", "upright"]
Side = Literal["left", "right"]
By = Literal["inlet opens", "inlet closes", "exhaust opens", "exhaust closes"]
Job = Literal["prepare", "set-camshaft", "set-magneto", "finish"]

ENDS = (VIEWED_FROM_WHEELCASE, VIEWED_FROM_OUTPUT)
SHAFT_ENDS = (*ENDS, "upper end", "drive end")
SHORTEST_OPEN_DEG, LONGEST_OPEN_DEG = 90.0, 400.0
RAMP_TOP = 1.25  # times the checking clearance, where it is not given
SHORTEST_ROD = 0.6  # of the stroke: shorter rods run into the skirt or the crank web
EARLIEST_BREAK_DEG, LATEST_BREAK_DEG = 630.0, 750.0  # own angles of 90 BTDC and 30 ATDC


class BankKeys(Keys):
    """[[layout.banks]]"""

    name = Text(3, pattern="[A-Za-z]{1,3}", words="1 to 3 letters")
    angle_deg = Number(0, 180)
    side = Choice[Lean](get_args(Lean))
    cylinders = Whole(1, 24)

    def check(self) -> None:
        if self.known("side", "angle_deg") and self.side == "upright" and self.angle_deg != 0:
            self.wrong("angle_deg", f"expected 0 for an upright bank, got {shown(self.raw['angle_deg'])}")


class LayoutKeys(Keys):
    """[layout]"""

    rotation = Choice[Rotation](get_args(Rotation))
    seen_from = Choice(ENDS)
    number_one_at = Choice[Literal["wheelcase end", "output end"]](("wheelcase end", "output end"))
    firing_order = Values(Text(8), 1, 64)
    banks = Tables(BankKeys, least=1, most=12, label="name")


class CrankKeys(Keys):
    """[crank]"""

    bore = Length(20, 500)
    stroke = Length(20, 500)
    rod_length = Length(20, 1500)
    rods = Choice[Rods](get_args(Rods), default="fork-and-blade")
    gudgeon_offset = Length(-50, 50, default=0.0)
    pin_angles_deg = Maybe(Values(Number(-360, 360), 1, 24))

    def check(self) -> None:
        if self.known("stroke", "rod_length") and self.rod_length <= SHORTEST_ROD * self.stroke:
            given, stroke = shown(self.raw["rod_length"]), shown(self.raw["stroke"])
            self.wrong("rod_length", f"expected over {SHORTEST_ROD:g} times the stroke of {stroke}, got {given}")
        if self.known("stroke", "gudgeon_offset") and abs(self.gudgeon_offset) > self.stroke / 4:
            given, stroke = shown(self.raw["gudgeon_offset"]), shown(self.raw["stroke"])
            self.wrong("gudgeon_offset", f"expected at most a quarter of the stroke of {stroke}, got {given}")


class SharedValveKeys(Keys):
    """[valves]: what inlet and exhaust have in common; either may differ."""

    checking_clearance = Maybe(Length(0.01, 3))
    running_clearance = Maybe(Length(0, 3))
    law = Maybe(Choice[Law](get_args(Law)))
    follower = Maybe(Choice[Follower](get_args(Follower)))
    rocker_ratio = Maybe(Number(0.5, 3))


class OneValveKeys(SharedValveKeys):
    """[valves.inlet] or [valves.exhaust]"""

    valve_lift = Length(1, 40)
    ramp_per_crank_deg = Length(0.001, 0.5, per=" per degree")
    ramp_top = Maybe(Length(0.01, 5))
    base_radius = Maybe(Length(5, 60))
    room_at_tdc = Maybe(Length(0, 60))
    angle_to_cylinder_deg = Number(-60, 60, default=0.0)

    def check(self) -> None:
        opens, closes = self.values.get("opens"), self.values.get("closes")
        if opens is None or closes is None or SHORTEST_OPEN_DEG <= closes - opens <= LONGEST_OPEN_DEG:
            return
        span = f"from {SHORTEST_OPEN_DEG:g} to {LONGEST_OPEN_DEG:g} degrees after opens"
        given = f"{shown(self.raw['opens'])} to {shown(self.raw['closes'])}, {closes - opens:g} degrees"
        self.wrong("closes", f"expected {span}, got {given}")


class InletKeys(OneValveKeys):
    """[valves.inlet]"""

    opens = Event("inlet opens")
    closes = Event("inlet closes")


class ExhaustKeys(OneValveKeys):
    """[valves.exhaust]"""

    opens = Event("exhaust opens")
    closes = Event("exhaust closes")


class ValvesKeys(SharedValveKeys):
    """[valves]"""

    inlet = Table(InletKeys)
    exhaust = Table(ExhaustKeys)

    def check(self) -> None:
        for side in ("inlet", "exhaust"):
            if self.known(side):
                self._check_clearance(self.values[side])

    def _check_clearance(self, valve: OneValveKeys) -> None:
        """The clearance lies on the ramp, and the ramp below the lift."""
        giver = valve if "checking_clearance" in valve.raw else self
        if "checking_clearance" not in giver.raw:
            if not (valve.has_unknown_keys or self.has_unknown_keys):
                allowed = SharedValveKeys.checking_clearance.allowed(valve.place.layer.length_unit)
                valve.wrong("checking_clearance", f"missing: expected {allowed}, here or in valves")
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


class CouplingKeys(Keys):
    """[couplings.<name>]"""

    kind = Choice[Literal["quill", "sleeve"]](("quill", "sleeve"))
    driving_teeth = Whole(2, 400)
    driven_teeth = Whole(2, 400)
    free_play_driven_shaft_deg = Number(0, 30, default=0.0)
    tooth_phase_deg = Number(-360, 360, default=0.0)


class GearKeys(Keys):
    """spur = {…} or internal = {…} in a stage"""

    driving = Whole(8, 400)
    driven = Whole(8, 400)


class BevelKeys(GearKeys):
    """bevel = {…} in a stage"""

    side = Maybe(Choice[Literal["output", "wheelcase"]](("output", "wheelcase")))


class StageKeys(Keys):
    """One stage of a train: a mesh or a coupling."""

    spur = Maybe(Table(GearKeys))
    internal = Maybe(Table(GearKeys))
    bevel = Maybe(Table(BevelKeys))
    coupling = Maybe(Text())
    shaft = Maybe(Text())

    @property
    def is_mesh(self) -> bool:
        """Whether gears were given here, right or wrong."""
        return any(kind in self.raw for kind in ("spur", "internal", "bevel"))

    def check(self) -> None:
        kinds = [kind for kind in get_args(StageKind) if kind in self.raw]
        if len(kinds) != 1 and not self.has_unknown_keys:
            found = " and ".join(kinds) or "none of them"
            self.place.report(f"expected one of spur, internal, bevel and coupling, got {found}")


class TrainKeys(Keys):
    """[[trains]]"""

    drives = Text()
    from_ = Text()
    stages = Tables(StageKeys, least=1, most=20)
    turns = Maybe(Choice[Rotation](get_args(Rotation)))
    seen_from = Maybe(Choice(SHAFT_ENDS))

    def check(self) -> None:
        if ("turns" in self.raw) != ("seen_from" in self.raw) and not self.has_unknown_keys:
            given, other = ("turns", "seen_from") if "turns" in self.raw else ("seen_from", "turns")
            self.wrong(other, f"missing: expected together with {given}")


class FingerKeys(Keys):
    """finger = {…}: pinion on the rotor, wheel on the distributor finger."""

    pinion = Whole(8, 400)
    wheel = Whole(8, 400)


class MagnetoKeys(Keys):
    """[[magnetos]]"""

    name = Text()
    plugs = Text()
    points_break = Event("points break")
    timed_at = Choice(("full advance", "full retard"), default="full advance")
    advance_range_deg = Number(0, 60, default=0.0)
    poles = Whole(2, 16)
    e_gap_magneto_rotor_deg = Number(0, 90)
    lobes = Maybe(Whole(1, 24))
    dwell_magneto_rotor_deg = Maybe(Number(1, 359))
    points_gap = Length(0.1, 1.5, default=0.30)
    closed_ohm = Number(0, 100, default=0.07)
    open_ohm = Number(0, 1000, default=0.30)
    finger = Table(FingerKeys)
    finger_width_deg = Number(1, 120, default=14.0)
    segment_width_deg = Number(1, 120, default=16.0)
    stands = Maybe(Choice[Side](get_args(Side)))

    def check(self) -> None:
        raw = self.raw
        if self.known("points_break") and not EARLIEST_BREAK_DEG <= self.points_break <= LATEST_BREAK_DEG:
            self.wrong("points_break", f"expected from 90 BTDC to 30 ATDC, got {shown(raw['points_break'])}")
        if self.known("poles") and self.poles % 2:
            self.wrong("poles", f"expected an even number, got {self.poles}")
        elif self.known("poles", "e_gap_magneto_rotor_deg"):
            self._below("e_gap_magneto_rotor_deg", 360 / self.poles, f"360 degrees over {self.poles} poles")
        if self.lobe_count and self.known("dwell_magneto_rotor_deg"):
            self._below("dwell_magneto_rotor_deg", 360 / self.lobe_count, f"360 degrees over {self.lobe_count} lobes")
        if self.known("closed_ohm", "open_ohm") and self.open_ohm <= self.closed_ohm:
            key = "open_ohm" if "open_ohm" in raw else "closed_ohm"
            more, less = (
                f"more than closed_ohm, {self.closed_ohm:g}",
                f"less than open_ohm, {self.open_ohm:g}",
            )
            words = more if key == "open_ohm" else less
            self.wrong(key, f"expected {words}, got {shown(raw[key])}")

    @property
    def lobe_count(self) -> int | None:
        """Lobes given, or one a pole; None if the key that says it is wrong."""
        key = "lobes" if "lobes" in self.raw else "poles"
        count: int | None = self.values.get(key)
        return count

    def _below(self, key: str, limit_deg: float, words: str) -> None:
        if self.values[key] >= limit_deg:
            self.wrong(key, f"expected less than {limit_deg:g} ({words}), got {shown(self.raw[key])}")


class LimitsKeys(Keys):
    """[limits]"""

    valve_event_deg = Number(0.1, 30, default=2.0)
    valve_event_uncertainty_deg = Number(0, 30, default=0.8)
    points_break_deg = Number(0.1, 30, default=1.0)
    points_break_uncertainty_deg = Number(0, 30, default=0.4)
    stagger_deg = Number(0.1, 30, default=1.0)
    room = Length(0, 20, default=1.5)


def _geometry_field(key: str) -> Maybe[float]:
    return Maybe(Number(-360, 360) if key.endswith("_deg") else Length(0.1, 5000))


_geometry_fields: dict[str, Any] = {key: _geometry_field(key) for key in GEOMETRY_KEYS}
GeometryKeys: type[Keys] = type(
    "GeometryKeys", (Keys,), {"__doc__": "[geometry]", "__module__": __name__, **_geometry_fields}
)


class EngineKeys(Keys):
    """engine.toml"""

    format = Whole(1, 1)
    like = Maybe(Text())
    name = Text(80)
    about = Text(2000)
    length_unit = Choice[Literal["mm", "in"]](("mm", "in"))
    layout = Table(LayoutKeys)
    crank = Table(CrankKeys)
    valves = Table(ValvesKeys)
    couplings = NamedTables(CouplingKeys)
    trains = Tables(TrainKeys, least=1, most=64, label="drives")
    magnetos = Tables(MagnetoKeys, most=8, label="name")
    limits = Table(LimitsKeys, may_be_empty=True)
    geometry = Table(GeometryKeys, may_be_empty=True)


NEEDED_BY: dict[str, tuple[str, ...]] = {
    "set-camshaft": ("camshaft", "cylinder"),
    "set-magneto": ("magneto", "cylinder"),
}


class StepKeys(Keys):
    """[[steps]] of setup.toml"""

    do = Choice[Job](get_args(Job))
    camshaft = Maybe(Text())
    magneto = Maybe(Text())
    cylinder = Maybe(Text())
    by = Maybe(Choice[By](get_args(By)))

    def check(self) -> None:
        if not self.known("do"):
            return
        needs = {"set-camshaft": ("camshaft", "cylinder"), "set-magneto": ("magneto", "cylinder")}.get(self.do, ())
        may = (*needs, "by") if self.do == "set-camshaft" else needs
        for key in ("camshaft", "magneto", "cylinder", "by"):
            if key in needs and key not in self.raw and not self.has_unknown_keys:
                self.wrong(key, f"missing: {self.do} needs it")
            elif key in self.raw and key not in may:
                allowed = f"only {', '.join(may)}" if may else "nothing"
                self.wrong(key, f'expected {allowed} beside do = "{self.do}", got {shown(self.raw[key])}')


class SetupKeys(Keys):
    """setup.toml"""

    format = Whole(1, 1)
    like = Maybe(Text())
    steps = Tables(StepKeys, least=1, most=100)
