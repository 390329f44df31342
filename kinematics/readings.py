"""What a fitter reads off an engine that is found as it is: plain frozen data.

All angles are what the pointer shows on the disc, in crank degrees θ, counted from the firing TDC of the first cylinder
in the firing order. ``period_deg``: 720 where the turns were counted, 360 where only the ring was read. Uncertainties
``u_…`` are standard uncertainties (one standard deviation). ``by_piston``: the place was read by the piston's distance
below TDC, so that it does not depend on pointer and disc. No entry says how the engine was put together.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

from quillwise.kinematics.lengths import LengthUnit, length

Flank = Literal["opens", "closes"]
Approach = Literal["running direction", "against it", "not noted"]
SightKind = Literal[
    "rocking",  # subject: a cylinder, at crank_deg: exhaust closes and inlet opens about there
    "finger on",  # subject: a magneto; cylinders: one, at crank_deg
    "finger between",  # subject: a magneto; cylinders: two neighbours in its firing order, at crank_deg
    "lever at its stop",  # subject: a magneto
    "lever off its stop",
    "leads as the chart",  # subject: a magneto
    "two leads changed over",
    "leads one place round",
    "teeth as marked",  # subject: a coupling that was drawn; the index marks stand as they should
    "teeth not as marked",
    "magneto inside as marked",  # subject: a magneto that was taken off and opened
    "magneto inside not as marked",
]
TIMELESS_SIGHTS: tuple[SightKind, ...] = (
    "lever at its stop",
    "lever off its stop",
    "leads as the chart",
    "two leads changed over",
    "leads one place round",
    "teeth as marked",
    "teeth not as marked",
    "magneto inside as marked",
    "magneto inside not as marked",
)

LEAD_SIGHTS: tuple[SightKind, ...] = ("leads as the chart", "two leads changed over", "leads one place round")


@dataclass(frozen=True, kw_only=True, slots=True)
class ValveReading:
    """A valve that was nipped (opens) or let go (closes) at ``crank_deg``, with ``clearance_mm`` as the fitter says.

    ``valve``: a key of ``engine.valves``. ``approached``: how the crank came to the place."""

    valve: str
    flank: Flank
    crank_deg: float
    clearance_mm: float
    u_deg: float
    approached: Approach = "running direction"
    period_deg: float = 720.0
    u_clearance_mm: float | None = None  # None: the judgement's
    by_piston: bool = False

    @property
    def name(self) -> str:
        """For example "A1 inlet opens"."""
        return f"{self.valve} {self.flank}"


@dataclass(frozen=True, kw_only=True, slots=True)
class LiftReading:
    """A valve that is open by ``lift_mm`` (above 0) at ``crank_deg``, rising ("opens") or falling ("closes").

    ``unit``: of the lift in its name."""

    valve: str
    flank: Flank
    crank_deg: float
    lift_mm: float
    clearance_mm: float
    u_mm: float
    u_deg: float = 0.0
    approached: Approach = "running direction"
    period_deg: float = 720.0
    u_clearance_mm: float | None = None
    by_piston: bool = False
    unit: LengthUnit = "mm"

    @property
    def name(self) -> str:
        """For example "A1 inlet open by 2.00 mm, rises"."""
        return (
            f"{self.valve} open by {length(self.lift_mm, self.unit)}, {'rises' if self.flank == 'opens' else 'falls'}"
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class BreakReading:
    """A points break at ``crank_deg``. ``finger_on``: cylinder whose segment the finger is on, "" not looked at: then
    nobody knows which break of the magneto it was. ``finger_off_deg``: how far the finger is past the middle of that
    segment [deg of the finger, + = past, in its running direction], read with ``u_finger_deg``."""

    magneto: str
    crank_deg: float
    u_deg: float
    finger_on: str = ""
    finger_off_deg: float | None = None
    u_finger_deg: float = 1.0
    approached: Approach = "running direction"
    period_deg: float = 720.0
    by_piston: bool = False

    @property
    def name(self) -> str:
        """For example "A1 exhaust-side points break"."""
        return " ".join(word for word in (self.finger_on, self.magneto, "points break") if word)


@dataclass(frozen=True, kw_only=True, slots=True)
class FingerReading:
    """How far a distributor finger is past the middle of its segment when the points break, the break's angle not
    read [deg of the finger, + = past, in its running direction]."""

    magneto: str
    off_deg: float
    u_deg: float = 1.0

    @property
    def name(self) -> str:
        """For example "exhaust-side finger off the middle"."""
        return f"{self.magneto} finger off the middle"


@dataclass(frozen=True, kw_only=True, slots=True)
class ClearanceReading:
    """The clearance of a valve as it was when its events were read, measured by feeler [mm]."""

    valve: str
    clearance_mm: float
    u_mm: float

    @property
    def name(self) -> str:
        """For example "A1 inlet clearance"."""
        return f"{self.valve} clearance"


@dataclass(frozen=True, kw_only=True, slots=True)
class GapReading:
    """The largest opening of a magneto's points, measured by feeler [mm]."""

    magneto: str
    gap_mm: float
    u_mm: float

    @property
    def name(self) -> str:
        """For example "exhaust-side points gap"."""
        return f"{self.magneto} points gap"


@dataclass(frozen=True, kw_only=True, slots=True)
class PointerReading:
    """By how much the pointer shows too much (+) at the true TDC of a cylinder, as two stop readings or a dial gauge
    gave it [crank deg]. ``kinematics.disc`` makes it of stop readings."""

    cylinder: str
    error_deg: float
    u_deg: float

    @property
    def name(self) -> str:
        """For example "true TDC of A1"."""
        return f"true TDC of {self.cylinder}"


@dataclass(frozen=True, kw_only=True, slots=True)
class Sight:
    """What the eye sees: see ``SightKind``. ``crank_deg``: where the pointer stands then, None for what does not turn
    with the crank (``TIMELESS_SIGHTS``)."""

    kind: SightKind
    subject: str
    cylinders: tuple[str, ...] = ()
    crank_deg: float | None = None
    period_deg: float = 720.0

    @property
    def name(self) -> str:
        """For example "A6 rocking" or "exhaust-side finger between A1 and B6"."""
        whom = " and ".join(self.cylinders)
        return f"{self.subject} {self.kind}{' ' + whom if whom else ''}"


Entry = (
    ValveReading | LiftReading | BreakReading | FingerReading | ClearanceReading | GapReading | PointerReading | Sight
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Readings:
    """All readings of an engine as found. ``disc_proved``: whether TDC and disc were proved before. ``turn_proved``:
    whether it is known which of the two turns of a cycle is the firing one of the first cylinder; if not, counted
    angles are right but for one whole turn, the same for all. ``listed``: how many readings their file has, where a
    break may bring the gap of its points along; None where they come from no file."""

    engine: str = ""
    entries: tuple[Entry, ...] = ()
    disc_proved: bool = False
    turn_proved: bool = True
    listed: int | None = None

    @property
    def count(self) -> int:
        """How many readings there are, as whoever wrote them down counts them."""
        return len(self.entries) if self.listed is None else self.listed

    def leads_not_looked_at(self, magnetos: Iterable[str]) -> tuple[str, ...]:
        """Those of the magnetos whose plug leads no reading tells of: nothing else that is read shows a wrong lead."""
        looked = {one.subject for one in self.entries if isinstance(one, Sight) and one.kind in LEAD_SIGHTS}
        return tuple(name for name in magnetos if name not in looked)


@dataclass(frozen=True, kw_only=True, slots=True)
class Residual:
    """A reading against what a cause leads to. ``predicted``, ``read``: crank deg, mm or finger deg as ``unit`` says;
    ``sd``: residual in standard deviations, of a sight: how unexpected it was (explained when below 2)."""

    name: str
    unit: str
    read: float
    predicted: float
    sd: float
    explained: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Cure:
    """What cures a cause. ``do``: at the bench, in order; ``repeat``: steps of the set-up that must be done again.

    ``moves``: teeth of couplings (driving, driven), ``shift_deg``: crank degrees by which the driven shaft becomes
    earlier (+) in each; ``meshes``: teeth by which ordinary gears are put back; ``clearances_mm``, ``gaps_mm``: what
    valves and points are set to, ``found_mm``: where these stand by the readings, by their name. ``pointer_deg``: by
    how much the pointer shows too much, 0 where it is not to be set. ``cycles``: extra whole cycles of the crank that
    a position needs."""

    do: tuple[str, ...]
    repeat: tuple[str, ...] = ()
    moves: Mapping[str, tuple[int, int]] = field(default_factory=lambda: MappingProxyType({}))
    shift_deg: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    meshes: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))
    clearances_mm: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    gaps_mm: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    found_mm: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    pointer_deg: float = 0.0
    cycles: int = 0


@dataclass(frozen=True, kw_only=True, slots=True)
class Cause:
    """A cause as ranked: one thing wrong, two, or none. ``parts``: each thing wrong, in words; ``kinds``: its classes.
    ``tied``: in a tie with the first (the readings cannot tell them apart)."""

    name: str
    parts: tuple[str, ...]
    kinds: tuple[str, ...]
    probability: float
    residuals: tuple[Residual, ...] = ()
    cure: Cure | None = None
    tied: bool = False

    @property
    def explained(self) -> tuple[Residual, ...]:
        """The readings that it explains."""
        return tuple(one for one in self.residuals if one.explained)

    @property
    def unexplained(self) -> tuple[Residual, ...]:
        """Those that it does not."""
        return tuple(one for one in self.residuals if not one.explained)


@dataclass(frozen=True, kw_only=True, slots=True)
class Diagnosis:
    """``causes``: ranked, those with a probability worth a line. ``rest``: probability of all others: three things
    wrong or more. ``tie``: why the first cannot be told from others, "" if it can. ``misfit``: why nothing fits, "" if
    something does. ``entropy_bits``: of the causes. ``pointer_deg``, ``u_pointer_deg``: by how much the pointer shows
    too much, given all readings."""

    causes: tuple[Cause, ...]
    rest: float
    tie: str
    alike: tuple[str, ...]
    misfit: str
    entropy_bits: float
    pointer_deg: float
    u_pointer_deg: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Proposal:
    """A reading that could be taken. ``entry``: as it would be read if the first cause were true (its figures are to be
    replaced by what is read). ``destroys``: it destroys evidence, so it comes last."""

    name: str
    kind: str  # key of the judgement's minutes
    entry: Entry
    outcomes: tuple[Entry, ...]  # of a sight: all that may be seen
    bits: float
    minutes: float
    tool: str
    destroys: bool

    @property
    def bits_per_minute(self) -> float:
        """Expected information about the cause per minute of work."""
        return self.bits / self.minutes
