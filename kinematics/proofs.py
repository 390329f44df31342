"""Words of what is proved by a dial gauge, at the plug hole, or only read: as in ``wording``, by the same rules."""

from __future__ import annotations

from collections.abc import Mapping

from quillwise.kinematics.angles import format_crank
from quillwise.kinematics.datasheet import ValveKind
from quillwise.kinematics.lengths import LengthUnit, length
from quillwise.kinematics.wording import PEOPLE, STRIKE, Text


def equal_lifts(
    valve: str, lift_mm: float, falls_deg: float, rises_deg: float, centre_deg: float, unit: LengthUnit = "mm"
) -> Text:
    """Prove the centre of a lobe by the dial gauge. Angles: readings of the timing disc, 0–360."""
    return Text(
        title=f"Prove the lobe centre of {valve} by equal lifts",
        do=(
            f"Put the dial gauge on {valve}.",
            f"Turn the crank on until {valve} falls to {length(lift_mm, unit)}.",
            "Write the disc reading down.",
            f"Turn the crank on until {valve} rises to {length(lift_mm, unit)} again.",
            "Write the disc reading down.",
        ),
        see=(
            ("timing window", f"On the way down the disc reads {format_crank(falls_deg, 1, 360.0)} degrees."),
            ("timing window", f"On the way up it reads {format_crank(rises_deg, 1, 360.0)} degrees."),
            (
                "timing window",
                f"Half-way between the two is {format_crank(centre_deg, 1, 360.0)} degrees: that is the lobe centre.",
            ),
        ),
        cautions=(PEOPLE,),
    )


def lift_at_tdc(valve: str, lift_mm: float, wanted_mm: float, unit: LengthUnit = "mm") -> tuple[str, str]:
    """What the gauge reads at TDC when the coupling is home."""
    return (
        "dial gauge",
        f"At TDC {valve} is open by {length(lift_mm, unit)}, against {length(wanted_mm, unit)} in the data.",
    )


def by_piston(
    cylinder: str, drop_mm: float, written: str, upwards: bool, unit: LengthUnit = "mm"
) -> tuple[tuple[str, ...], tuple[str, str]]:
    """How the crank comes to a mark by a dial gauge in the cylinder: what to do, and what is seen."""
    way = "up" if upwards else "down"
    do = (
        f"Fit the dial gauge in the plug hole of {cylinder}.",
        f"At TDC of {cylinder}, set the gauge to zero.",
        f"When the piston is {length(drop_mm, unit)} below TDC on its way {way}, stop.",
    )
    return do, ("dial gauge", f"The piston of {cylinder} is {length(drop_mm, unit)} below TDC, which is {written}.")


def plug_hole(cylinder: str, valves_work: bool) -> tuple[tuple[str, str], ...]:
    """How the compression is felt where the valves cannot prove it, or are not asked."""
    if valves_work:
        return (
            ("plug hole", f"Before the right pass, air pushes out of the plug hole of {cylinder}."),
            ("plug hole", "Before the other pass, no air pushes out."),
        )
    return (
        ("plug hole", f"The valves of {cylinder} do not move yet, so each stroke up pushes air out."),
        ("plug hole", f"From here on, count this stroke as the compression of {cylinder}."),
    )


def clearance_coupled(camshaft: str, clearances_mm: Mapping[ValveKind, float], unit: LengthUnit = "mm") -> Text:
    """Checking clearances of a camshaft that no coupling lets free."""
    return Text(
        title=f"Set the checking clearance at {camshaft}",
        do=(
            f"Fit the cam followers of {camshaft}.",
            *(
                f"With each cam on its heel, set the {kind} valves to {length(clearance, unit)}."
                for kind, clearance in clearances_mm.items()
            ),
            "Write down that these are the checking clearances.",
        ),
        see=(("valve", "Each feeler slides with a light drag."),),
        cautions=(PEOPLE,),
    )


def read_only(driven: str, event: str, home: str, tooth_crank_deg: float) -> Text:
    """Where nothing is free to move. ``home``: a coupling that an earlier job put home, empty: there is none.
    ``tooth_crank_deg``: what one tooth of the finest ordinary gear on the way moves."""
    nothing = (
        f"{home} is home already, so {driven} cannot move here."
        if home
        else f"No coupling drives {driven}. You can move it only by a tooth of an ordinary gear."
    )
    return Text(
        title=f"Read {event}, with nothing to move",
        do=(f"Take the reading of {event}.", "Write the reading down."),
        see=(
            ("gear train", nothing),
            *(
                ()
                if home
                else (("gear train", f"The least tooth moves {driven} by {tooth_crank_deg:.1f} crank degrees."),)
            ),
        ),
        cautions=(STRIKE,),
    )
