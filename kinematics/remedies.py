"""Words of the way back from a slip at the bench: as in ``wording``, by the same rules."""

from __future__ import annotations

from quillwise.kinematics.angles import format_crank
from quillwise.kinematics.lengths import LengthUnit, length
from quillwise.kinematics.wording import (
    LAST_MOVEMENT,
    PEOPLE,
    STRIKE,
    Caution,
    Text,
    force,
    turn_words,
)

DROPPED = Caution(
    level="CAUTION",
    text="A part that falls into the casing can break the gears. Find it before you turn the crank.",
)
SPRINGS = Caution(
    level="WARNING",
    text="A camshaft that valve springs roll can trap fingers. Keep your hands off it until all cam followers are off.",
)


def turn_back(label: str, back_deg: float, before_deg: float, sense: int, seen_from: str) -> Text:
    """The crank back past a mark. ``sense``: running direction, so the way back is against it."""
    return Text(
        title=f"Turn the crank back to well before “{label}”",
        do=(
            f"Turn the crank back {back_deg:.0f} degrees, {turn_words(-sense, seen_from)}.",
            f"Stop {before_deg:.0f} degrees before the mark.",
        ),
        see=(
            ("timing window", f"The line “{label}” is {before_deg:.0f} degrees away from the pointer."),
            ("gear train", "The way back takes all backlash to the wrong side: the way on takes it out again."),
        ),
        cautions=(PEOPLE, LAST_MOVEMENT),
    )


def rockers_off(camshaft: str, cylinder: str) -> Text:
    """Rockers of the timing cylinder off, so that neither crank nor camshaft can make a valve strike."""
    return Text(
        title=f"Take off the cam followers of {cylinder}",
        do=(f"Leave the crank and {camshaft} where they are.", f"Remove the cam followers of cylinder {cylinder}."),
        see=(("valve", f"All valves that {camshaft} works are shut."),),
        cautions=(SPRINGS,),
    )


def park_again(camshaft: str, crank_deg: float, room_mm: float | None, known: bool, unit: LengthUnit = "mm") -> Text:
    """The crank on to a place where the camshaft is free to turn. ``room_mm``: least there, None: no rocker is on."""
    if not known:
        room = "The data do not give the room at TDC. Assume that the valves strike."
    elif room_mm is None:
        room = "The cam followers are off, so no valve can strike on the way."
    else:
        room = f"At least {length(room_mm, unit, 1)} stays between valves and pistons, wherever {camshaft} stands."
    return Text(
        title=f"Park the crank again, so that {camshaft} is free to turn",
        do=(f"Turn the crank on to {format_crank(crank_deg, 0)} degrees.",),
        see=(
            ("timing window", f"The disc reads {format_crank(crank_deg, 0, 360.0)} degrees at the pointer."),
            ("room", room),
        ),
        cautions=(PEOPLE, STRIKE),
    )


def hold_again(coupling: str, kind: str, driven: str, event: str) -> Text:
    """Before a quill or sleeve that was dropped is tried again."""
    word = "quill" if kind == "quill" else "sleeve"
    return Text(
        title=f"Hold {driven} and recover {coupling}",
        do=(
            f"Hold {driven} where it is.",
            f"Find the {word} and clean it.",
            "Examine its teeth at both ends.",
            f"Take the reading of {event} again.",
        ),
        see=(
            (word, f"The teeth of the {word} are clean and have no burrs."),
            (word, "The painted index mark shows the tooth at which it was drawn. Without a mark, count from here."),
            (
                "timing window",
                f"{driven[0].upper()}{driven[1:]} and the crank have not moved: the reading is the same.",
            ),
        ),
        cautions=(DROPPED, force(word)),
    )
