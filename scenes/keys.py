"""Every key of ``engine.toml`` and ``setup.toml``: what it may hold, and the checks inside one table.

Lengths are in the file's ``length_unit``; left, right and the turning sense as seen from its ``seen_from``.
A gudgeon offset is + to the right of a cylinder that stands upright, as seen from there.
"""

from __future__ import annotations

from typing import Literal, get_args

from quillwise.kinematics.datasheet import (
    Rods,
    Rotation,
    TimedBy,
    ValveKind,
)
from quillwise.scenes.fields import (
    Choice,
    Flag,
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
from quillwise.scenes.magneto_keys import MagnetoKeys
from quillwise.scenes.places import shown
from quillwise.scenes.train_keys import ENDS, CouplingKeys, TrainKeys
from quillwise.scenes.valve_keys import ValvesKeys

Lean = Literal["left", "right", "upright"]
Job = Literal["prepare", "set-camshaft", "set-magneto", "finish"]

SHORTEST_ROD = 0.6  # of the stroke: shorter rods run into the skirt or the crank web


class BankKeys(Keys):
    """[[layout.banks]]"""

    rules = "An upright bank has `angle_deg` 0."

    name = Text(3, pattern="[A-Za-z]{1,3}", words="1 to 3 letters").means(
        "letter of the bank; its cylinders are named by it and their number, A1, A2, …", '"A"'
    )
    angle_deg = Number(0, 180).means("how far the bank leans from upright; 180 hangs down", "30")
    side = Choice[Lean](get_args(Lean)).means("to which side it leans, seen from seen_from", '"left"')
    cylinders = Whole(1, 24).means("cylinders in the bank", "6")
    wrist_pin_angle_deg = Maybe(Number(-180, 180)).means(
        "articulated: direction of its wrist pins from the master rod, + clockwise seen from seen_from; left out, "
        "as the bank stands from the master bank",
        "62",
    )

    def check(self) -> None:
        if self.known("side", "angle_deg") and self.side == "upright" and self.angle_deg != 0:
            self.wrong("angle_deg", f"expected 0 for an upright bank, got {shown(self.raw['angle_deg'])}")


class LayoutKeys(Keys):
    """[layout]"""

    rules = (
        "Cylinders fire at even intervals, 720 degrees over their number, unless crank.pin_angles_deg says otherwise. "
        "Those of one number share a crank pin: firing order, rotation and bank angles must put it at one angle. "
        'With crank.rods = "own-pins", as in a boxer engine, every cylinder has a pin of its own at the angle that its '
        "firing needs."
    )

    rotation = Choice[Rotation](get_args(Rotation)).means(
        "sense in which the crankshaft runs, seen from seen_from", '"clockwise"'
    )
    seen_from = Choice(ENDS).means(
        "the end from which this file names left, right and the sense of rotation", '"wheelcase end"'
    )
    number_one_at = Choice[Literal["wheelcase end", "output end"]](("wheelcase end", "output end")).means(
        "the end at which the cylinders numbered 1 stand", '"wheelcase end"'
    )
    firing_order = Values(Text(8), 1, 64).means(
        "every cylinder once, by bank and number, in the order of firing", '["A1", "A3", "A4", "A2"]'
    )
    hand = Maybe(Text(20)).means("of one of a pair of handed engines: which; handed parts must be of it", '"port"')
    banks = Tables(BankKeys, least=1, most=12, label="name").means("the banks, one row each")


class CrankKeys(Keys):
    """[crank]"""

    rules = "The rod is longer than 0.6 times the stroke; the gudgeon's offset is at most a quarter of it."

    bore = Length(20, 500).means("bore of the cylinders", "118.0")
    stroke = Length(20, 500).means("twice the throw of the crank", "132.0")
    rod_length = Length(20, 1500).means("connecting rod, from centre to centre", "236.0")
    rods = Choice[Rods](get_args(Rods), default="fork-and-blade").means(
        "how the rods of opposite cylinders share a crank pin; own-pins: each cylinder has one of its own",
        '"fork-and-blade"',
    )
    gudgeon_offset = Length(-50, 50, default=0.0).means(
        "gudgeon pin (or cylinder) off the crank's centre line, + to the right of an upright cylinder", "1.5"
    )
    pin_angles_deg = Maybe(Values(Number(-360, 360), 1, 64)).means(
        "angles of the crank pins by the cylinders' number (with own-pins of all cylinders, bank by bank), + clockwise "
        "seen from seen_from: only their differences count. Needed where an engine does not fire evenly; left out, "
        "they follow from even firing in the order given",
        "[0, 180, 180, 0]",
    )
    master_bank = Maybe(Text(3)).means("articulated: bank of the master rods; left out, the first", '"A"')
    wrist_pin_radius = Maybe(Length(5, 500)).means(
        "articulated: from the crank pin's middle to the wrist pin's", "52.0"
    )
    link_rod_length = Maybe(Length(20, 1500)).means(
        "articulated: from wrist pin to gudgeon pin; left out, rod_length less wrist_pin_radius", "184.0"
    )

    def check(self) -> None:
        if self.known("stroke", "rod_length") and self.rod_length <= SHORTEST_ROD * self.stroke:
            given, stroke = shown(self.raw["rod_length"]), shown(self.raw["stroke"])
            self.wrong("rod_length", f"expected over {SHORTEST_ROD:g} times the stroke of {stroke}, got {given}")
        if self.known("stroke", "gudgeon_offset") and abs(self.gudgeon_offset) > self.stroke / 4:
            given, stroke = shown(self.raw["gudgeon_offset"]), shown(self.raw["stroke"])
            self.wrong("gudgeon_offset", f"expected at most a quarter of the stroke of {stroke}, got {given}")
        if self.known("rods"):
            self._check_articulated()

    def _check_articulated(self) -> None:
        if self.rods != "articulated":
            for key in ("master_bank", "wrist_pin_radius", "link_rod_length"):
                if key in self.raw:
                    self.wrong(key, f'expected only beside rods = "articulated", got {shown(self.raw[key])}')
        elif "wrist_pin_radius" not in self.raw and not self.has_unknown_keys:
            self.wrong(
                "wrist_pin_radius", f"{self.fields()['wrist_pin_radius'].missing(self.place)}; articulated rods need it"
            )
        elif self.known("wrist_pin_radius", "rod_length") and (self.wrist_pin_radius or 0.0) >= self.rod_length / 2:
            given, rod = shown(self.raw["wrist_pin_radius"]), shown(self.raw["rod_length"])
            self.wrong("wrist_pin_radius", f"expected less than half the rod length of {rod}, got {given}")


class LimitsKeys(Keys):
    """[limits]"""

    valve_event_deg = Number(0.1, 30, default=2.0).means(
        "allowed difference of a valve event from the data, either way", "2.0"
    )
    valve_event_uncertainty_deg = Number(0, 30, default=0.8).means("expanded uncertainty (k = 2) of its reading", "0.8")
    points_break_deg = Number(0.1, 30, default=1.0).means(
        "allowed difference of the points' break from the data, either way", "1.0"
    )
    points_break_uncertainty_deg = Number(0, 30, default=0.4).means(
        "expanded uncertainty (k = 2) of its reading", "0.4"
    )
    stagger_deg = Number(0.1, 30, default=1.0).means("allowed difference of the stagger between two magnetos", "1.0")
    room = Length(0, 20, default=1.5).means("least room between valve and piston before it is called a strike", "1.5")


class ToolsKeys(Keys):
    """[tools]"""

    feeler = Length(0, 1, default=0.02).means("how far a clearance that was felt may be off, either way", "0.02")
    ring_deg = Number(0, 10, default=0.25).means("how far a reading of the ring or disc may be off, either way", "0.25")
    zero_deg = Number(0, 10, default=0.25).means("how far the proved TDC may be off, either way", "0.25")
    meter_deg = Number(0, 10, default=0.2).means(
        "how many crank degrees before or after the break the meter may be read", "0.2"
    )
    backlash_deg = Number(0, 10, default=0.1).means(
        "backlash that is left after the last movement, either way, in crank degrees", "0.1"
    )
    tooth_error_deg = Number(0, 5, default=0.0).means(
        "how far a spline or a dog may stand off its place, either way, in degrees of the driven shaft", "0.02"
    )


class GeometryKeys(Keys):
    """[geometry]"""

    bore_spacing = Maybe(Length(0.1, 5000)).means("from cylinder to cylinder along the bank", "151.0")
    camshaft_height = Maybe(Length(0.1, 5000)).means("from the crank's axis to a camshaft's, along the bank", "430.0")
    wheelcase_shaft_height = Maybe(Length(0.1, 5000)).means(
        "from the crank's axis up to the wheelcase shaft's", "160.0"
    )
    gear_module = Maybe(Length(0.1, 100)).means("module of spur wheels that no other size fixes", "4.0")
    bevel_module = Maybe(Length(0.1, 100)).means("module of the bevels at the lower end of inclined shafts", "3.0")
    camshaft_bevel_module = Maybe(Length(0.1, 100)).means("module of the bevels at the camshafts", "2.8")
    inclined_shafts_ahead = Maybe(Length(0.1, 5000)).means(
        "from the first cylinder's axis to the plane of the inclined shafts, towards the wheelcase end", "175.0"
    )
    magneto_distance = Maybe(Length(0.1, 5000)).means(
        "from the shaft that drives a magneto through spur wheels to the magneto's axis", "120.0"
    )
    disc_radius = Maybe(Length(0.1, 5000)).means("radius of the timing disc", "70.0")


class EngineKeys(Keys):
    """engine.toml"""

    format = Whole(1, 1).means("version of this format", "1")
    like = Maybe(Text()).means(
        "a packaged engine, or a folder beside this one: all that this file does not give is as there", '"../first"'
    )
    name = Text(80).means("name of the engine, as tables and pictures print it", '"Larkfell 24, port"')
    about = Text(2000).means("what engine it is, and where its data come from", '"From the data sheet of …, issue …"')
    length_unit = Choice[Literal["mm", "in"]](("mm", "in")).means("unit of every length in this file", '"mm"')
    layout = Table(LayoutKeys).means("cylinders and rotation")
    crank = Table(CrankKeys).means("crank, rods and pistons")
    valves = Table(ValvesKeys).means("what inlet and exhaust valves have in common; either may give its own")
    couplings = NamedTables(CouplingKeys, most=64).means("the vernier couplings, under names of your own")
    trains = Tables(TrainKeys, least=1, most=64, label="drives").means(
        "the gear trains, from the crankshaft on; each starts from a shaft that is already there"
    )
    magnetos = Tables(MagnetoKeys, most=8, label="name").means("the magnetos")
    limits = Table(LimitsKeys, may_be_empty=True).means("allowed differences, and how well they can be read")
    tools = Table(ToolsKeys, may_be_empty=True).means(
        "how far a reading or a setting may be off, either way, all values alike likely; for accuracy"
    )
    geometry = Table(GeometryKeys, may_be_empty=True).means(
        "sizes of the picture and of the shafts; what is left out follows from bore and stroke"
    )


NEEDED_BY: dict[str, tuple[str, ...]] = {
    "set-camshaft": ("camshaft", "cylinder"),
    "set-magneto": ("magneto", "cylinder"),
}


MAY_HAVE: dict[str, tuple[str, ...]] = {
    "set-camshaft": ("by", "valve", "lobe", "lift", "crank_by", "below_tdc"),
    "set-magneto": ("crank_by", "below_tdc", "prove_stroke"),
}
BY_LIFT = ("lobe centre", "lift at TDC")


class StepKeys(Keys):
    """[[steps]] of setup.toml"""

    rules = (
        "`set-camshaft` needs `camshaft` and `cylinder`, and may have `by`, `valve`, `lobe`, `lift`, `crank_by` and "
        "`below_tdc`; `set-magneto` needs `magneto` and `cylinder`, and may have `crank_by`, `below_tdc` and "
        "`prove_stroke`; `prepare` and `finish` have nothing beside them. Each shaft is set once, each that a coupling "
        "drives is set, `prepare` comes before them and `finish` last. `lobe` and `lift` stand beside "
        '`by = "lobe centre"` or `"lift at TDC"` only, `below_tdc` beside `crank_by = "piston"` only.'
    )

    do = Choice[Job](get_args(Job)).means("the job", '"set-camshaft"')
    camshaft = Maybe(Text()).means("the camshaft to set, as [[trains]] drives it", '"camshaft A"')
    magneto = Maybe(Text()).means("the magneto to set, by name", '"exhaust-side"')
    cylinder = Maybe(Text()).means("the cylinder whose mark it is set by", '"A1"')
    by = Maybe(Choice[TimedBy](get_args(TimedBy))).means(
        "what it is set by: a valve event, the centre of a lobe by equal lifts on either side, or the lift at TDC "
        "between exhaust and inlet; left out, inlet opens",
        '"inlet opens"',
    )
    valve = Maybe(Whole(1, 3)).means("which of several valves of a kind it is set by; left out, the first", "2")
    lobe = Maybe(Choice[ValveKind](get_args(ValveKind))).means(
        "the lobe of a lobe centre or a lift at TDC; left out, inlet", '"inlet"'
    )
    lift = Maybe(Length(0.05, 40)).means(
        "that lift, as the gauge reads it at the checking clearance; left out, half of the greatest, "
        "or what the lobe gives at TDC",
        "1.5",
    )
    crank_by = Maybe(Choice[Literal["ring", "piston"]](("ring", "piston"))).means(
        "how the crank comes to the mark: by the degree ring, or by a gauge on the piston; left out, ring", '"ring"'
    )
    below_tdc = Maybe(Length(0, 500)).means(
        "the piston's distance below TDC at the mark; left out, computed from the degrees", "12.5"
    )
    prove_stroke = Maybe(Choice[Literal["valves", "plug hole"]](("valves", "plug hole"))).means(
        "what proves the compression stroke; the valves can where the camshafts are set before; left out, valves",
        '"plug hole"',
    )

    def check(self) -> None:
        if not self.known("do"):
            return
        needs = NEEDED_BY.get(self.do, ())
        may = (*needs, *MAY_HAVE.get(self.do, ()))
        for key in self.fields():
            if key == "do":
                continue
            if key in needs and key not in self.raw and not self.has_unknown_keys:
                self.wrong(key, f"{self.fields()[key].missing(self.place)}; {self.do} needs it")
            elif key in self.raw and key not in may:
                allowed = f"only {', '.join(may)}" if may else "nothing"
                self.wrong(key, f'expected {allowed} beside do = "{self.do}", got {shown(self.raw[key])}')
            elif key in self.raw:
                self._check_companion(key)

    def _check_companion(self, key: str) -> None:
        """Keys that have a sense only beside a value of another one."""
        given = shown(self.raw[key])
        if key in ("lobe", "lift") and ("by" not in self.raw or (self.known("by") and self.by not in BY_LIFT)):
            self.wrong(key, f'expected only beside by = "lobe centre" or "lift at TDC", got {given}')
        if key == "below_tdc" and ("crank_by" not in self.raw or self.values.get("crank_by") == "ring"):
            self.wrong(key, f'expected only beside crank_by = "piston", got {given}')

    @property
    def valve_words(self) -> str:
        """What a camshaft is set by, with its lobe."""
        by: str = self.values.get("by") or "inlet opens"
        return f"{self.valve_kind} {by}" if by in BY_LIFT else by

    @property
    def valve_kind(self) -> ValveKind:
        """The kind of valve that a camshaft is set by."""
        by = self.values.get("by") or "inlet opens"
        if by in BY_LIFT:
            return self.values.get("lobe") or "inlet"
        return "exhaust" if by.startswith("exhaust") else "inlet"


class SetupKeys(Keys):
    """setup.toml"""

    format = Whole(1, 1).means("version of this format", "1")
    like = Maybe(Text()).means("a packaged engine, or a folder beside this one, whose order is taken", '"../first"')
    may_turn_back = Flag(default=False).means(
        "whether the maker allows to turn the crank back when a mark was passed", "true"
    )
    steps = Tables(StepKeys, least=1, most=100).means("the jobs in their order, one row each")
