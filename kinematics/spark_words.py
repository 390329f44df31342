"""Words of the magneto's steps: points, lever, finger and break, earth leads; as in ``wording``, by the same rules."""

from __future__ import annotations

from quillwise.kinematics.lengths import LengthUnit, length
from quillwise.kinematics.wording import (
    BOOSTER,
    FALSE_BREAK,
    FUEL,
    IMPULSE,
    LIVE,
    RELEASE,
    Text,
    turn_words,
)


def set_points(
    gaps: tuple[tuple[str, float], ...], timed_at: tuple[tuple[str, str], ...], impulse: bool, unit: LengthUnit = "mm"
) -> Text:
    """``gaps`` [mm], ``timed_at``: by magneto. ``impulse``: whether one has an impulse starter."""
    places = list(dict.fromkeys(place for _, place in timed_at))
    levers = (
        (f"Move the advance lever to {places[0]}.", "Lock the lever there.")
        if len(places) == 1
        else (
            *(f"Move the advance lever of the {name} magneto to {place}." for name, place in timed_at),
            "Lock the levers there.",
        )
    )
    return Text(
        title="Set the points gap and lock the advance lever",
        do=(*(f"Set the points gap of the {name} magneto to {length(gap, unit)}." for name, gap in gaps), *levers),
        see=(("points", "A clean feeler slides between the points with a light drag."),),
        cautions=(IMPULSE if impulse else FALSE_BREAK,),
    )


def finger_then_break(
    magneto: str,
    cylinder: str,
    sense: int,
    seen_from: str,
    closed_ohm: float,
    open_ohm: float,
    e_gap_deg: float,
    impulse_lag_deg: float = 0.0,
    trailing_finger_deg: float = 0.0,
) -> Text:
    """``impulse_lag_deg`` [crank deg], ``trailing_finger_deg`` [deg of the finger]: 0 without impulse starter, without
    the second electrode of a booster coil."""
    click = f"Turn the magneto rotor {turn_words(sense, seen_from)}, past the click of its impulse starter."
    started = f"Before the click the break comes {impulse_lag_deg:.0f} crank degrees late: that is a false break."
    trailing = (
        f"The trailing electrode of the booster coil stands {trailing_finger_deg:.0f} degrees of the finger behind.",
        f"A setting by it is {2 * trailing_finger_deg:.0f} crank degrees wrong.",
    )
    return Text(
        title=f"Hold the {magneto} magneto where its points break",
        do=(
            *(("Isolate the booster coil.",) if trailing_finger_deg else ()),
            f"Connect the low-resistance meter to the primary of the {magneto} magneto.",
            click if impulse_lag_deg else f"Turn the magneto rotor {turn_words(sense, seen_from)}.",
            f"First bring the distributor finger to the segment of {cylinder}.",
            "Then turn slowly, until the points just break.",
            "Hold the magneto rotor there.",
        ),
        see=(
            ("meter", f"The reading jumps from {closed_ohm:.2f} to {open_ohm:.2f} ohm as the points break."),
            ("distributor", f"The finger stands at the segment of {cylinder}."),
            ("magneto", f"The magneto rotor stands {e_gap_deg:.0f} degrees past neutral: that is the E-gap."),
            *((("distributor", told) for told in trailing) if trailing_finger_deg else ()),
            *((("magneto", started),) if impulse_lag_deg else ()),
            ("magneto", "Piston, E-gap, break and finger agree."),
        ),
        cautions=(
            LIVE,
            *((BOOSTER,) if trailing_finger_deg else ()),
            FUEL,
            IMPULSE if impulse_lag_deg else FALSE_BREAK,
        ),
    )


def earth_leads() -> Text:
    return Text(
        title="Connect the earth leads and prove them",
        do=(
            "Connect the earth lead of each magneto.",
            "Put each switch to OFF.",
            "Prove the earth with the meter.",
            "Fit the plugs and their leads by the plug-lead chart.",
        ),
        see=(("meter", "With the switch at OFF, the primary reads as earthed."),),
        cautions=(LIVE, RELEASE),
    )
