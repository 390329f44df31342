"""Keys of ``[couplings]`` and ``[[trains]]``: teeth, free play, the stages from shaft to shaft."""

from __future__ import annotations

from typing import Literal, get_args

from quillwise.kinematics.datasheet import (
    VIEWED_FROM_OUTPUT,
    VIEWED_FROM_WHEELCASE,
    Rotation,
    StageKind,
)
from quillwise.scenes.fields import (
    Choice,
    Flag,
    Keys,
    Maybe,
    Number,
    Table,
    Tables,
    Text,
    Whole,
)

ENDS = (VIEWED_FROM_WHEELCASE, VIEWED_FROM_OUTPUT)
SHAFT_ENDS = (*ENDS, "upper end", "lower end", "drive end")


class CouplingKeys(Keys):
    """[couplings.<name>]"""

    rules = (
        "Each coupling stands in one place of the trains. One that states its `hand` stands in an engine of that hand, "
        "one that states its `bank` in a train of that bank."
    )

    kind = Choice[Literal["quill", "sleeve"]](("quill", "sleeve")).means(
        "a quill shaft, or a sleeve over two shaft ends", '"quill"'
    )
    driving_teeth = Whole(1, 400).means("splines or dogs at its driving end", "17")
    driven_teeth = Whole(1, 400).means("splines or dogs at its driven end", "18")
    free_play_driven_shaft_deg = Number(0, 30, default=0.0).means(
        "free play of the driven shaft in the coupling, end to end", "0.2"
    )
    tooth_phase_deg = Number(-360, 360, default=0.0).means(
        "how far the driven shaft stands ahead in the trial counted as 0; nobody knows it of a real engine: any number "
        "will do to rehearse with",
        "2.37",
    )
    hand = Maybe(Text(20)).means("of a handed part: the engine that it is made for, as layout.hand names it", '"port"')
    bank = Maybe(Text(3)).means("of a handed part: the bank that it is made for", '"A"')


class GearKeys(Keys):
    """spur = {…} or internal = {…} in a stage"""

    driving = Whole(8, 400).means("teeth of the driving wheel", "24")
    driven = Whole(8, 400).means("teeth of the driven wheel", "36")


class BevelKeys(GearKeys):
    """bevel = {…} in a stage"""

    side = Maybe(Choice[Literal["output", "wheelcase"]](("output", "wheelcase"))).means(
        "side of the crossing on which the bevel on the shaft along the crank stands; left out, output", '"output"'
    )
    set_apart = Flag(default=False).means(
        "whether it has a driving bevel of its own, where one of its kind stands on the shaft already", "true"
    )


class StageKeys(Keys):
    """One stage of a train: a mesh or a coupling."""

    rules = (
        "A stage has one of `spur`, `internal`, `bevel`, `idler` and `coupling`. An idler stands before the spur or "
        "internal stage whose two wheels it stands between: it changes the sense, not the ratio."
    )

    spur = Maybe(Table(GearKeys)).means("two outside wheels in mesh")
    internal = Maybe(Table(GearKeys)).means("a wheel in mesh with an inside-toothed one")
    bevel = Maybe(Table(BevelKeys)).means("two bevel wheels")
    idler = Maybe(Whole(8, 400)).means(
        "teeth of a wheel on a shaft of its own, between the two of the next stage", "30"
    )
    coupling = Maybe(Text()).means("a coupling of [couplings], by name", '"quill-a"')
    shaft = Maybe(Text()).means(
        "name of the shaft that this stage drives, where another train starts from it", '"cross shaft"'
    )

    @property
    def is_mesh(self) -> bool:
        """Whether gears were given here, right or wrong."""
        return any(kind in self.raw for kind in ("spur", "internal", "bevel", "idler"))

    def check(self) -> None:
        kinds = [kind for kind in get_args(StageKind) if kind in self.raw]
        if len(kinds) != 1 and not self.has_unknown_keys:
            found = " and ".join(kinds) or "none of them"
            self.place.report(f"expected one of spur, internal, bevel, idler and coupling, got {found}")


class TrainKeys(Keys):
    """[[trains]]"""

    rules = (
        "Camshafts turn at half the crankshaft's speed; a magneto at the number of cylinders that it fires over twice "
        "its lobes. `turns` and `seen_from` come together."
    )

    drives = Text().means('the shaft at the end: "camshaft A", "<name> magneto", or a name of your own', '"camshaft A"')
    from_ = Text().means('the shaft at the beginning: "crankshaft" or one that another train drives', '"crankshaft"')
    stages = Tables(StageKeys, least=1, most=20).means("meshes and couplings on the way, in order, one row each")
    turns = Maybe(Choice[Rotation](get_args(Rotation))).means(
        "sense in which the driven shaft runs, only to check the train by", '"anticlockwise"'
    )
    seen_from = Maybe(Choice(SHAFT_ENDS)).means("the end of that shaft from which turns is seen", '"upper end"')
    hand = Maybe(Text(20)).means(
        "of handed gears: the engine that they are made for, as layout.hand names it", '"port"'
    )

    def check(self) -> None:
        if ("turns" in self.raw) != ("seen_from" in self.raw) and not self.has_unknown_keys:
            given, other = ("turns", "seen_from") if "turns" in self.raw else ("seen_from", "turns")
            self.wrong(other, f"missing: expected together with {given}")
