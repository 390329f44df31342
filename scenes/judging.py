"""What is judged beforehand, from its data file: the packaged one, or one of the fitter's own laid over it."""

from __future__ import annotations

import re
from pathlib import Path
from types import MappingProxyType

from quillwise.kinematics.errors import Problem, SceneError
from quillwise.kinematics.judgement import CLASSES, KINDS, TOOLS, Judgement
from quillwise.scenes import sources
from quillwise.scenes.fields import Keys, Maybe, Number, Table, Text, Whole
from quillwise.scenes.places import Layer, Place, printable

PACKAGED = Path(__file__).resolve().with_name("judgement.toml")
_ROUNDING = 0.05


class ClassKeys(Keys):
    """[classes]"""

    rules = "They add up to 100; 0 leaves a class out."

    pointer_or_disc_moved = Number(0, 100).means(
        "the pointer was set without proof, or it or the disc was knocked since", "14.0"
    )
    backlash_on_the_wrong_side = Number(0, 100).means(
        "the last movement of the crank was against the running direction", "9.0"
    )
    checking_and_running_clearance_confused = Number(0, 100).means(
        "or one valve was set to a clearance of its own", "7.0"
    )
    written_wrong = Number(0, 100).means("ATDC for BTDC, or read by the ring of the other bank", "5.0")
    wrong_tooth = Number(0, 100).means("a quill or a sleeve went home one or more trials or teeth away", "20.0")
    wrong_mark_or_bank = Number(0, 100).means("the shaft was set at another mark, or at another cylinder's TDC", "10.0")
    one_crank_turn_out = Number(0, 100).means("a camshaft or magneto was set on the other stroke", "8.0")
    inside_of_the_magneto = Number(0, 100).means("the points gap, or the finger's gear a tooth out", "8.0")
    two_leads_changed_over = Number(0, 100).means("two plug leads of one magneto", "6.0")
    all_leads_one_place_round = Number(0, 100).means("the cover was put on a segment round", "2.0")
    ordinary_gear_a_tooth_out = Number(0, 100).means(
        "a gear without a vernier was meshed a tooth away from its index marks", "4.0"
    )
    lever_or_impulse = Number(0, 100).means(
        "the advance lever was off its stop, or the impulse starter not past its click", "3.0"
    )
    magnetos_exchanged_or_at_one_mark = Number(0, 100).means("each at the other's mark, or both at one", "2.0")
    part_of_the_other_hand = Number(0, 100).means(
        "a camshaft or magneto that is made for the other running direction", "1.0"
    )
    wrong_lobe_or_flank = Number(0, 100).means("the valve that was set by was not the one that was meant", "1.0")

    def check(self) -> None:
        names = tuple(self.fields())
        shares = [self.values[name] for name in names if name in self.values]
        if len(shares) == len(names) and abs(sum(shares) - 100.0) > _ROUNDING:
            self.place.report(f"expected shares that add up to 100, got {sum(shares):g}")


class MinuteKeys(Keys):
    """[minutes]"""

    look = Number(0.1, 1000).means("eye alone: lever, leads, finger, which cylinder rocks; 1 to 2", "1.5")
    points_gap = Number(0.1, 1000).means("by feeler; 2 to 3", "2.5")
    clearance = Number(0.1, 1000).means("by feeler, cam on its heel; 2 to 3", "2.5")
    points_break = Number(0.1, 1000).means("by meter against the disc", "5.0")
    valve_event = Number(0.1, 1000).means("a valve nipped or let go by feeler, against the disc; 5 to 10", "7.5")
    lift_first_of_a_valve = Number(0.1, 1000).means("the dial gauge is set up; 15 to 20", "17.5")
    lift_next = Number(0.1, 1000).means("the gauge stands at this valve already", "3.0")
    true_tdc = Number(0.1, 1000).means("by piston stop or gauge from both sides; 20 to 30", "25.0")
    magneto_off = Number(0.1, 1000).means("taken off, opened and put back", "60.0")
    quill_drawn = Number(0.1, 1000).means("30 to 60, and it destroys evidence", "45.0")


class ToolKeys(Keys):
    """[tools]"""

    degree_disc = Number(0.01, 30).means("a disc of 200 mm or more that was centred, read by a wire pointer", "0.5")
    degree_ring = Number(0.01, 30).means("the engine's own ring of degrees, read through its window", "0.8")
    flywheel_marks = Number(0.01, 30).means("marks on the flywheel's rim and a measured arc between them", "1.5")


class JudgementKeys(Keys):
    """judgement.toml"""

    format = Whole(1, 1).means("version of this format", "1")
    about = Maybe(Text(2000)).means("whose judgement it is, and why it differs", '"Our own shop, twenty years."')
    nothing_wrong = Number(0, 0.99).means("probability that nothing is wrong at all, against one thing wrong", "0.05")
    another_fault = Number(0.0001, 0.9).means("how likely a second thing is wrong where one is", "0.1")
    teeth_share = Number(0.001, 1).means(
        "how likely a tooth error is that is by one tooth or trial more, against one less", "0.2"
    )
    any_tooth = Number(0, 1).means("share of tooth errors that are at any tooth, the count having been lost", "0.05")
    disc_proved_share = Number(0, 1).means("what is left of pointer or disc moved where both were proved", "0.1")
    u_pointer_deg = Number(0.01, 30).means(
        "standard uncertainty of a pointer that was set with care, in crank degrees", "0.25"
    )
    u_pointer_moved_deg = Number(0.1, 180).means(
        "the same of half of those that were moved; the rest stand anywhere", "6.0"
    )
    u_setting_deg = Number(0.01, 30).means(
        "standard uncertainty of feeler and hand when a shaft is set, in crank degrees, besides half a step",
        "0.3",
    )
    u_clearance_mm = Number(0.001, 5).means("standard uncertainty of a clearance that was set with care, in mm", "0.02")
    u_clearance_wrong_mm = Number(0.001, 5).means("the same of one that was not", "0.15")
    u_gap_mm = Number(0.001, 5).means("standard uncertainty of a points gap that was set with care, in mm", "0.02")
    u_gap_wrong_mm = Number(0.001, 5).means("the same of one that was not", "0.1")
    backlash_deg = Number(0, 30).means("backlash of a train, in crank degrees", "1.5")
    u_backlash_deg = Number(0.01, 30).means("standard uncertainty of that", "0.5")
    lever_range_deg = Number(0.1, 90).means(
        "range of an advance lever where the data give none, in crank degrees", "20.0"
    )
    sight_error = Number(0.0001, 0.5).means("probability that the eye, or the pen, is wrong", "0.02")
    u_sight_deg = Number(0.1, 90).means(
        "standard uncertainty of what the eye sees by the crank, in crank degrees", "8.0"
    )
    stands_out = Number(0.5, 0.9999).means("probability at which one cause stands out and asking ends", "0.95")
    worth_bits = Number(0, 10).means("expected information below which a reading is not asked for, in bits", "0.02")
    misfit_p = Number(1e-07, 0.5).means("probability of residuals below which nothing fits", "0.001")
    classes = Table(ClassKeys).means("shares of the classes of causes among engines whose timing is off")
    minutes = Table(MinuteKeys).means("minutes of work for a reading, by its kind")
    tools = Table(ToolKeys).means("expanded uncertainty in crank degrees of what is read with a tool")


def read(path: Path) -> Judgement:
    """A judgement of one's own, laid over the packaged one. Raises SceneError with all that is wrong."""
    label = printable(path.name)
    own = sources.read_table(path, label)
    if "format" not in own:
        raise SceneError([Problem(f"{label}: format", "missing: expected 1")])
    return _judgement((Layer(file=label, table=own), _packaged()))


def packaged() -> Judgement:
    """The judgement that comes with the program."""
    return _judgement((_packaged(),))


def _packaged() -> Layer:
    return Layer(file=PACKAGED.name, table=sources.read_table(PACKAGED, PACKAGED.name))


def _judgement(layers: tuple[Layer, ...]) -> Judgement:
    problems: list[Problem] = []
    keys = JudgementKeys(sources.merged(layers), Place(layers=layers, problems=problems))
    if problems:
        raise SceneError(problems)
    figures = {key: value for key, value in keys.values.items() if isinstance(value, float)}
    return Judgement(
        classes=MappingProxyType({name: keys.classes.values[_key(name)] for name in CLASSES}),
        minutes=MappingProxyType({name: keys.minutes.values[_key(name)] for name in KINDS}),
        tools=MappingProxyType({name: keys.tools.values[_key(name)] for name in TOOLS}),
        **figures,
    )


def _key(name: str) -> str:
    """The key of a class or a kind: "lift, next" is lift_next."""
    return re.sub(r"[^a-z]+", "_", name.lower())
