"""All text of the set-up steps and the cautions, in short plain sentences (rules after Simplified Technical English).

Functions take numbers and names, and return sentences; nothing here computes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from quillwise.kinematics.angles import format_crank
from quillwise.kinematics.datasheet import ValveKind
from quillwise.kinematics.lengths import LengthUnit, length
from quillwise.kinematics.marks import Feel

DISCLAIMER = "Briefing aid. Not approved data."
FIRST_LINE = "The engine maker's approved data prevail over anything shown here."

LEVELS = {
    "WARNING": "A WARNING is about injury to people.",
    "CAUTION": "A CAUTION is about damage to the engine.",
    "NOTE": "A NOTE gives information.",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Caution:
    """A hazard, its consequence and how to avoid it."""

    level: Literal["WARNING", "CAUTION", "NOTE"]
    text: str

    def __str__(self) -> str:
        return f"{self.level}: {self.text}"


@dataclass(frozen=True, kw_only=True, slots=True)
class Text:
    """The words of a step. ``see``: pairs of where to look and what is seen there."""

    title: str
    do: tuple[str, ...]
    see: tuple[tuple[str, str], ...] = ()
    cautions: tuple[Caution, ...] = ()


LIVE = Caution(
    level="WARNING",
    text="An earth lead that is off leaves the magneto live. The engine can fire and injure people. "
    "Turn the engine as if it will fire.",
)
PEOPLE = Caution(
    level="WARNING",
    text="A shaft that turns can injure people. Keep everybody away from the shaft and from all that it drives. "
    "Call before each turn.",
)
FUEL = Caution(
    level="WARNING",
    text="Fuel vapour can explode. Close the fuel cocks. Do not prime. Before you use anything electrical in a boat, "
    "ventilate its bilge. Then examine the bilge for vapour.",
)
OIL_LOCK = Caution(
    level="WARNING",
    text="Oil in a low cylinder can lock its piston. Before you turn the crank, drain all low cylinders.",
)
STRIKE = Caution(
    level="CAUTION",
    text="A free camshaft or a free crank can push valves into pistons. Turn it slowly. "
    "If you feel a resistance, stop.",
)
LAST_MOVEMENT = Caution(
    level="CAUTION",
    text="A last movement against the running direction leaves the backlash on the wrong side. "
    "Come to the mark in the running direction only.",
)
PLUG_HOLES = Caution(
    level="CAUTION", text="A part in an open plug hole damages the engine. Keep all plug holes blanked."
)
FALSE_BREAK = Caution(
    level="CAUTION", text="A lever that has moved from its place gives a false break. Before each reading, look at it."
)
IMPULSE = Caution(
    level="CAUTION",
    text="An impulse starter or a retarded lever gives a false break. Pass the click first. Then lock the lever.",
)
BOOSTER = Caution(
    level="WARNING",
    text="A booster coil that is live fires its plugs whatever the points do, and can injure people. "
    "Isolate it. Leave it so until the earth leads are proved.",
)
RELEASE = Caution(
    level="NOTE",
    text="A person authorised to release the work inspects it independently, under the rules of the local authority.",
)


def turn_words(sense: int, seen_from: str) -> str:
    """The direction of a turn with the end that it is seen from."""
    return f"{'clockwise' if sense > 0 else 'anticlockwise'}, seen from the {seen_from}"


def coupling_words(name: str, kind: str) -> str:
    """A coupling with its kind before its name, where the name does not begin with it: "sleeve m1", but "quill-a"."""
    return name if name.startswith(kind) else f"{kind} {name}"


def force(kind: str) -> Caution:
    """Of a coupling that is tried or put home. ``kind``: quill or sleeve."""
    return Caution(
        level="CAUTION",
        text=f"A {kind} that is forced is damaged. If it does not go in by hand, try the next tooth.",
    )


def all_of(kinds: Iterable[str]) -> str:
    """All couplings of an engine by their kinds, each named once: "all quills and sleeves"; empty where it has none."""
    told = " and ".join(f"{kind}s" for kind in dict.fromkeys(kinds))
    return f"all {told}" if told else ""


def make_safe(booster: bool = False, kinds: Sequence[str] = ("quill", "sleeve")) -> Text:
    """``booster``: whether a magneto's finger has a second electrode, for a booster coil. ``kinds``: of the couplings
    that are drawn."""
    drawn = all_of(kinds)
    return Text(
        title="Make the engine safe",
        do=(
            "Remove the plugs from all cylinders.",
            "Blank the plug holes.",
            "Isolate the starter.",
            *(("Isolate the booster coil.",) if booster else ()),
            "Disconnect the battery.",
            "Put the gearbox in neutral, or uncouple the shaft.",
            "Close the fuel cocks.",
            *((f"Draw {drawn}.", "Paint an index mark on each wheel before you draw it.") if drawn else ()),
        ),
        see=((kinds[0], f"{drawn.capitalize()} are drawn."),) if drawn else (),
        cautions=(LIVE, *((BOOSTER,) if booster else ()), PEOPLE, FUEL, PLUG_HOLES),
    )


def prove_tdc(cylinder: str, offset_pin: bool, link_rod: bool = False) -> Text:
    """``offset_pin``, ``link_rod``: its gudgeon pin is offset, its rod is a link rod: its top is one-sided."""
    way = (
        (
            "Find the highest point of the piston with a dial gauge.",
            "Do not use the middle of two stop readings, because "
            + ("the gudgeon pin is offset." if offset_pin else "the piston hangs on a link rod."),
            "Set the pointer to that place.",
            "Remove the dial gauge.",
        )
        if offset_pin or link_rod
        else (
            f"Fit the piston stop in cylinder {cylinder}.",
            "Turn the crank to the stop from both sides.",
            "Note both readings.",
            "Set the pointer to the middle of the two readings.",
            "Remove the stop.",
        )
    )
    return Text(
        title=f"Prove TDC of {cylinder} and the timing disc",
        do=("Remove the cam followers, so that no valve is open.", *way),
        see=(
            ("timing window", f"The TDC line of {cylinder} stands at the pointer."),
            ("valve", "All valves are shut."),
        ),
        cautions=(PEOPLE,),
    )


def park(camshaft: str, crank_deg: float, room_mm: float, known: bool, unit: LengthUnit = "mm") -> Text:
    if not known:
        room = "The data do not give the room at TDC. Assume that the valves strike."
    elif room_mm > 0:
        room = f"At least {length(room_mm, unit, 1)} stays between valves and pistons, wherever {camshaft} stands."
    else:
        room = f"No place of the crank keeps all valves of {camshaft} clear. Assume that the valves strike."
    return Text(
        title=f"Park the crank, so that {camshaft} is free to turn",
        do=(f"Turn the crank on to {format_crank(crank_deg, 0)} degrees.",),
        see=(
            ("timing window", f"The disc reads {format_crank(crank_deg, 0, 360.0)} degrees at the pointer."),
            ("room", room),
        ),
        cautions=(PEOPLE, STRIKE),
    )


def set_clearance(
    cylinder: str, valve: str, clearance_mm: float, sense: int, seen_from: str, unit: LengthUnit = "mm"
) -> Text:
    return Text(
        title=f"Fit the cam followers of {cylinder} and set the checking clearance",
        do=(
            f"Fit the cam followers of cylinder {cylinder} only.",
            f"Turn the free camshaft {turn_words(sense, seen_from)}, until the cam of {valve} is on its heel.",
            f"With the engine cold, set the clearance of {valve} to {length(clearance_mm, unit)}.",
            "Write down that this is the checking clearance.",
        ),
        see=(("valve", f"A {length(clearance_mm, unit)} feeler slides at {valve} with a light drag."),),
        cautions=(STRIKE,),
    )


def bring_near(
    camshaft: str, valve: str, by: Feel, lift_mm: float, sense: int, seen_from: str, unit: LengthUnit = "mm"
) -> Text:
    lift = length(lift_mm, unit)
    before, seen = {
        "opens": (f"the cam of {valve} takes up its clearance", f"{valve} is shut and still has clearance."),
        "closes": (f"the cam of {valve} lets it shut", f"{valve} is still open."),
        "full": (f"{valve} is at its full lift", f"{valve} is open and still opens."),
        "rises": (f"{valve} is open by {lift}", f"{valve} is open by less than {lift}."),
        "falls": (f"{valve} is open by only {lift}", f"{valve} is open by more than {lift}."),
    }[by]
    gauge = (
        ()  # the feeler reads from the clearance, the gauge from the shut valve: now, for it may soon be open
        if by in ("opens", "closes")
        else (f"Put the dial gauge on {valve}.", "With the valve shut, set the gauge to zero.")
    )
    return Text(
        title=f"Bring {camshaft} near its place",
        do=(
            *gauge,
            f"Turn the free camshaft {turn_words(sense, seen_from)}.",
            f"Stop a little before {before}.",
        ),
        see=(("valve", seen),),
        cautions=(STRIKE,),
    )


def to_mark(label: str, to_go_deg: float, passes: int, sense: int, seen_from: str, at_pointer: str) -> Text:
    """Turn the crank on to a mark. ``at_pointer``: the label of the line that stands there when it is done, another one
    where the mark is mistaken."""
    times = {
        0: "The crank stands at the mark already.",
        1: "The mark passes the pointer once: that is the place.",
    }
    often = times.get(passes, f"The mark passes the pointer {passes} times: stop at the last.")
    return Text(
        title=f"Turn the crank to the mark “{label}”",
        do=(
            f"Turn the crank {to_go_deg:.0f} degrees on, {turn_words(sense, seen_from)}.",
            "Come to the mark in the running direction, from well before it.",
            "If you pass the mark, follow the maker's rule for the way back.",
        ),
        see=(
            ("timing window", f"The line “{at_pointer}” stands at the pointer."),
            ("timing window", often),
        ),
        cautions=(PEOPLE, STRIKE, LAST_MOVEMENT),
    )


def compression(cylinder: str, right: str, wrong: str) -> tuple[tuple[str, str], ...]:
    """What the valves show at the right pass of the mark, and at the other one."""
    return (
        ("valve", f"At the right pass, {right}: {cylinder} is on compression."),
        ("valve", f"At the other pass, {wrong}."),
    )


def valves_words(
    cylinder: str,
    lifts_mm: Mapping[ValveKind, float],
    several: tuple[bool, bool] = (False, False),
    unit: LengthUnit = "mm",
) -> str:
    """Which valves of a cylinder are open, and by how much. ``several``: whether it has more than one of each kind."""
    opened = [
        f"the {kind} {'valves' if more else 'valve'} of {cylinder} {'are' if more else 'is'} open by "
        f"{length(lift, unit, 1)}"
        for (kind, lift), more in zip(lifts_mm.items(), several, strict=True)
        if lift > 0
    ]
    return " and ".join(opened) if opened else f"{'all' if any(several) else 'both'} valves of {cylinder} are shut"


def nip(
    valve: str,
    clearance_mm: float,
    by: Feel,
    lift_mm: float,
    sense: int,
    seen_from: str,
    unit: LengthUnit = "mm",
) -> Text:
    """Hold the camshaft at its place: by the feeler at an event, by the dial gauge at a lift."""
    feels = {"opens": "nips the feeler", "closes": "lets the feeler go", "full": "reaches full lift"}.get(
        by, f"{by} to {length(lift_mm, unit)}"
    )
    feeler = (f"Put the thinnest feeler in the clearance of {valve}.",) if by in ("opens", "closes") else ()
    seen = {
        "opens": f"The clearance of {length(clearance_mm, unit)} is just taken up at {valve}.",
        "closes": f"The clearance of {valve} just comes back.",
        "full": f"The gauge at {valve} stands still at {length(lift_mm, unit)} and falls to either side.",
    }.get(by, f"The gauge at {valve} reads {length(lift_mm, unit)}.")
    return Text(
        title=f"Turn the camshaft until {valve} just {feels}",
        do=(
            *feeler,
            f"Turn the camshaft slowly {turn_words(sense, seen_from)}.",
            f"When the valve just {feels}, stop.",
            "Hold the camshaft there, because the valve springs can roll it.",
        ),
        see=(("valve", seen), ("timing window", "The crank has not moved from its mark.")),
        cautions=(STRIKE,),
    )


def try_teeth(
    coupling: str,
    kind: str,
    teeth: int,
    sense: int,
    seen_from: str,
    first: str,
    taken: str,
    fits: bool,
    fit: int,
    of: int = 0,
) -> Text:
    """Try a coupling tooth by tooth. ``teeth``: on, to the one that is taken, of ``of`` in a turn (0: not known);
    ``first``, ``taken``: how these two go in; ``fit``: how many of all trials go in."""
    word = "quill" if kind == "quill" else "sleeve"
    which = "the tooth that fits" if fits else "the tooth that is taken"
    # put home all the same: what it drives has been turned to let it in, and so has left its mark
    forced = "" if fits else " It goes in only where the shaft that is driven leaves its place by as much."
    turned = (
        f"The {word} goes in without a turn."
        if teeth == 0
        else f"Turn it {teeth} {'tooth' if teeth == 1 else 'teeth'} {turn_words(sense, seen_from)}."
        if teeth <= of / 2 or not of
        else f"Turn it {teeth} teeth on, or {of - teeth} back: on is {turn_words(sense, seen_from)}."
    )
    return Text(
        title=f"Try {coupling} tooth by tooth",
        do=(
            "Take the backlash out on the driving side, in the running direction.",
            f"Offer up the {word} as it was drawn. If it does not go in, draw it again.",
            "Then turn it one tooth on at the driving end. Try again.",
            turned,
        ),
        see=(
            (word, f"At first try: {first}."),
            (word, f"At {which}: {taken}.{forced}"),
            (word, _how_many_fit(fit, of)),
        ),
        cautions=(force(word),),
    )


def _how_many_fit(fit: int, of: int) -> str:
    """How many of the trials of a turn go in, and what that means for the fitter. ``of``: 0 when not known."""
    all_trials = f"all {of} trials" if of else "all trials"
    if fit == 0:
        return f"Of {all_trials}, none goes in: the one that is taken is the least out of line."
    if fit == 1:
        return f"Of {all_trials}, 1 goes in: that is the one to take."
    return f"Of {all_trials}, {fit} go in: of these, take the one that is least out of line."


def out_of_line_words(out_deg: float, crank_deg: float, goes: str) -> str:
    """How far a trial is out of line, and whether it goes in."""
    fits = {"free": "it goes in free", "eased": "it eases in", "does not go in": "it does not go in"}[goes]
    return f"out of line by {abs(out_deg):.2f} degrees ({abs(crank_deg):.2f} crank degrees), {fits}"


def try_again(cycles: int, out_crank_deg: float, instead_crank_deg: float) -> str:
    """That further turns of the crank bring a closer tooth. ``cycles``: of two turns."""
    turns = {1: "two", 2: "four", 3: "six", 4: "eight"}.get(cycles, f"{2 * cycles}")
    return (
        f"Turn the crank {turns} more turns, then try again: {abs(out_crank_deg):.2f} crank degrees out, "
        f"closer than {abs(instead_crank_deg):.2f}."
    )


def home(coupling: str, kind: str, driven: str, crank_deg: float, event: str, rockers_of: str = "") -> Text:
    word = "quill" if kind == "quill" else "sleeve"
    amount = round(abs(crank_deg), 2)
    way = "earlier" if crank_deg > 0 else "later"
    moved = (
        f"The {word} went in and {driven} did not move."
        if amount == 0
        else f"The {word} moved {driven} by {amount:.2f} crank degrees: {event} is that much {way}."
    )
    return Text(
        title=f"Put {coupling} full home",
        do=(
            f"Push the {word} full home by hand.",
            f"Retain the {word}.",
            f"Take the reading of {event} again.",
            "If it is outside its limits, do not continue.",
            *(
                (
                    f"Fit the other cam followers of {rockers_of}.",
                    "With each cam on its heel, set its valve to the checking clearance.",
                )
                if rockers_of
                else ()
            ),
        ),
        see=((word, moved),),
        cautions=(force(word),),
    )


def two_turns(unproved: int, rejected: int, readings: int, shown: int) -> Text:
    """``shown``: how many of all ``readings`` are listed with the step, the furthest out of each kind."""
    found = [
        f"{count} {_are(count)} {what}"
        for count, what in ((rejected, "outside the limit"), (unproved, "not proved"))
        if count
    ]
    result = (
        f"Of {readings} readings, {', and '.join(found)}."
        if found
        else f"All {readings} readings are inside their limits."
    )
    listed = selection(readings, shown)
    return Text(
        title="Turn the crank two full turns and take all readings",
        do=(
            "Turn the crank two full turns in the running direction.",
            "Take the reading of each timing event again.",
            "Write each reading down.",
        ),
        see=(("timing table", result), *((("timing table", f"The list shows {listed}."),) if listed else ())),
        cautions=(PEOPLE, LIVE),
    )


def selection(readings: int, shown: int) -> str:
    """What a list of checks leaves out; empty where it shows all readings."""
    return "" if shown >= readings else f"{shown} of {readings} readings, the furthest out of each kind"


def _are(count: int) -> str:
    return "is" if count == 1 else "are"


def inspect(kinds: Sequence[str] = ("quill", "sleeve")) -> Text:
    """``kinds``: of the couplings that are locked."""
    locked = all_of(kinds)
    return Text(
        title="Let the inspector look, then lock finally" if locked else "Let the inspector look",
        do=(
            "Ask for the independent inspection.",
            *((f"After the inspection, lock the retainers of {locked}.",) if locked else ()),
        ),
        see=((kinds[0], "All retainers are locked."),) if locked else (),
        cautions=(RELEASE,),
    )


def running_clearance(inlet_mm: float, exhaust_mm: float, unit: LengthUnit = "mm") -> Text:
    return Text(
        title="Set all valves to the running clearance",
        do=(
            "Turn the crank two full turns in the running direction, from valve to valve.",
            f"With each cam on its heel, set the inlet valves to {length(inlet_mm, unit)}.",
            f"Set the exhaust valves to {length(exhaust_mm, unit)}.",
            "Write down that these are the running clearances.",
        ),
        see=(("valve", "No valve is left at the checking clearance by mistake."),),
        cautions=(PEOPLE, LIVE),
    )
