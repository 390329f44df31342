"""What a fitter types: the data sheet of an engine, as plain frozen data. ``build.build`` makes the engine of it.

Degrees and millimetres. *Own angle*: see ``angles``. ``None`` means "not given: a default is derived".
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from types import MappingProxyType
from typing import Literal

Rotation = Literal["clockwise", "anticlockwise"]
Rods = Literal["fork-and-blade", "side-by-side", "articulated", "own-pins"]
StandardLaw = Literal["harmonic", "cycloidal", "3-4-5", "4-5-6-7", "modified-sine"]
Law = Literal[StandardLaw, "measured"]
Follower = Literal["flat", "rocker", "pad-rocker"]
ValveKind = Literal["inlet", "exhaust"]
TimedBy = Literal["inlet opens", "inlet closes", "exhaust opens", "exhaust closes", "lobe centre", "lift at TDC"]
StageKind = Literal["spur", "internal", "bevel", "idler", "coupling"]

VIEWED_FROM_WHEELCASE = "wheelcase end"
VIEWED_FROM_OUTPUT = "output end"


@dataclass(frozen=True, kw_only=True, slots=True)
class BankData:
    """A bank. ``turn_deg``: its angle from upright about +x, so + leans to the right seen from the wheelcase end.
    ``wrist_pin_angle_deg``: of its link rods' wrist pins from the master rod, in the same sense; None: as the bank
    stands from the master bank."""

    name: str
    turn_deg: float
    cylinders: int
    wrist_pin_angle_deg: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class CrankData:
    """Crank, rods and pistons. ``gudgeon_offset_mm``: + towards the side that the crank pin moves to after TDC
    in clockwise rotation seen from the wheelcase end (the right-hand side). ``pin_angles_deg``: of the throws by the
    cylinders' number, with "own-pins" of every cylinder bank by bank, about +x (clockwise seen from the wheelcase
    end); None: as even firing needs them.

    Of articulated rods: ``master_bank`` ("": the first), whose rods have ``rod_length_mm``; the other banks' link rods
    have ``link_rod_length_mm`` (None: the rod length less the wrist pin radius)."""

    bore_mm: float
    stroke_mm: float
    rod_length_mm: float
    rods: Rods = "fork-and-blade"
    gudgeon_offset_mm: float = 0.0
    pin_angles_deg: tuple[float, ...] | None = None
    master_bank: str = ""
    wrist_pin_radius_mm: float = 0.0
    link_rod_length_mm: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class ValveData:
    """Inlet or exhaust valves: own angles of the events *at the checking clearance*; lengths measured at the valve.

    ``ramp_top_mm`` is given or 1.25 × the checking clearance; ``room_at_tdc_mm`` is None when not known
    (then any open valve is taken to strike a piston near TDC). ``count``: valves of the kind in a cylinder.
    ``lift_table``: of the law "measured", rows of (own angle [crank deg], lift [mm]) without clearance; events, lift
    and ramp velocity are then those of its curve. ``pad_radius_mm``: of the pad of a "pad-rocker".
    """

    kind: ValveKind
    opens_deg: float
    closes_deg: float
    lift_mm: float
    ramp_mm_per_crank_deg: float
    checking_clearance_mm: float
    running_clearance_mm: float
    law: Law = "harmonic"
    follower: Follower = "rocker"
    rocker_ratio: float = 1.0
    ramp_top_mm: float | None = None
    base_radius_mm: float | None = None
    room_at_tdc_mm: float | None = None
    angle_to_cylinder_deg: float = 0.0
    count: int = 1
    lift_table: tuple[tuple[float, float], ...] = ()
    pad_radius_mm: float | None = None

    @property
    def ramp_end_mm(self) -> float:
        """Height of the ramp's top [mm at the valve]."""
        return 1.25 * self.checking_clearance_mm if self.ramp_top_mm is None else self.ramp_top_mm


@dataclass(frozen=True, kw_only=True, slots=True)
class CouplingData:
    """A vernier coupling. ``tooth_phase_deg`` [deg of its shaft, + = early]: by how much the driven shaft stands
    ahead of exact timing in the trial that is counted as 0 teeth; on a real engine nobody knows it beforehand.

    ``hand``, ``bank``: of a handed part, the engine and the bank that it is made for, checked against its place."""

    name: str
    kind: Literal["quill", "sleeve"]
    driving_teeth: int
    driven_teeth: int
    free_play_driven_shaft_deg: float = 0.0
    tooth_phase_deg: float = 0.0
    hand: str = ""
    bank: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class StageData:
    """One stage of a train. ``side`` of a bevel: on which side of the crossing the *crosswise* wheel of the
    shaft along the crank stands, "output" or "wheelcase". ``shaft``: name of the shaft that it drives.

    An idler stands before the spur or internal stage whose two wheels it stands between; ``driven_teeth`` are its own.
    ``set_apart``: a driving bevel of its own, even where one of its kind stands on the shaft already."""

    kind: StageKind
    driving_teeth: int = 0
    driven_teeth: int = 0
    coupling: str = ""
    side: Literal["output", "wheelcase"] | None = None
    shaft: str | None = None
    set_apart: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class TrainData:
    """A train from a shaft that exists to the shaft that it drives; ``turns`` is checked if given."""

    drives: str
    from_shaft: str
    stages: tuple[StageData, ...]
    turns: Rotation | None = None
    seen_from: str | None = None
    hand: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class MagnetoData:
    """A magneto. Its rotor is the shaft ``"<name> magneto"``. Rotor angles in degrees of the magneto rotor.

    ``break_deg``: own angle of the first cylinder of the order at which its points break (679 for 41 BTDC); those of
    the others follow at even intervals.
    ``dwell_deg``: points closed, per lobe. ``finger_teeth``: pinion on the rotor, wheel on the finger.

    ``kind``: of a polar inductor the magnets stand still, and ``poles`` counts the sparks that a turn of its rotor can
    give. ``breaker_on``: the shaft that bears the ``lobes``, the rotor's or the finger's at half crank speed.
    ``fires``: banks and cylinders, () for all. ``impulse_lag_deg``: crank degrees by which its impulse starter holds
    the spark back; ``trailing_electrode_deg``: of the finger, by how much the electrode of a booster coil follows.
    """

    name: str
    plugs: str
    break_deg: float
    timed_at: str = "full advance"
    advance_range_deg: float = 0.0
    poles: int
    e_gap_deg: float
    lobes: int
    dwell_deg: float
    points_gap_mm: float = 0.30
    closed_ohm: float = 0.07
    open_ohm: float = 0.30
    finger_teeth: tuple[int, int]
    finger_width_deg: float = 14.0
    segment_width_deg: float = 16.0
    stands: Literal["left", "right"] = "left"
    kind: Literal["rotating magnet", "polar inductor"] = "rotating magnet"
    breaker_on: Literal["rotor", "finger"] = "rotor"
    fires: tuple[str, ...] = ()
    impulse_lag_deg: float = 0.0
    trailing_electrode_deg: float = 0.0

    @property
    def sparks_per_turn(self) -> Fraction:
        """Sparks in a turn of the magneto rotor."""
        pinion, wheel = self.finger_teeth
        return Fraction(self.lobes) * (Fraction(pinion, wheel) if self.breaker_on == "finger" else 1)


@dataclass(frozen=True, kw_only=True, slots=True)
class LimitsData:
    """Allowed differences from the data (±, crank degrees) and the expanded uncertainty (k = 2) of the reading.
    ``room_mm``: the least room of a valve [mm]."""

    valve_event_deg: float = 2.0
    valve_event_uncertainty_deg: float = 0.8
    points_break_deg: float = 1.0
    points_break_uncertainty_deg: float = 0.4
    stagger_deg: float = 1.0
    room_mm: float = 1.5


@dataclass(frozen=True, kw_only=True, slots=True)
class ToolsData:
    """How far a reading or a setting may be off, either way, all values in between alike likely. ``feeler_mm``: a
    clearance that was felt. Crank degrees: ``ring_deg`` a reading, ``zero_deg`` the proved TDC, ``meter_deg`` the
    break on the meter, ``backlash_deg`` what is left. ``tooth_error_deg``: a tooth's place, of the driven shaft."""

    feeler_mm: float = 0.02
    ring_deg: float = 0.25
    zero_deg: float = 0.25
    meter_deg: float = 0.2
    backlash_deg: float = 0.1
    tooth_error_deg: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class StepData:
    """One job of the set-up order in ``setup.toml``; ``sequence`` expands it into the steps at the bench."""

    do: Literal["prepare", "set-camshaft", "set-magneto", "finish"]
    camshaft: str = ""
    magneto: str = ""
    cylinder: str = ""
    by: TimedBy = "inlet opens"
    valve: int = 1  # which of several of a kind
    lobe: ValveKind = "inlet"  # of a "lobe centre" or a "lift at TDC"
    lift_mm: float | None = None  # that the gauge reads at the valve, at its checking clearance
    crank_by: Literal["ring", "piston"] = "ring"
    below_tdc_mm: float | None = None  # piston's place at the mark, where it is given so
    prove_stroke: Literal["valves", "plug hole"] = "valves"

    @property
    def valve_kind(self) -> ValveKind:
        """The kind of valve that a camshaft's job times by."""
        if self.by in ("lobe centre", "lift at TDC"):
            return self.lobe
        return "inlet" if self.by.startswith("inlet") else "exhaust"

    @property
    def mark(self) -> str:
        """Label of the job's mark on the timing disc, empty for a job that has none."""
        if self.do == "set-magneto":
            return f"{self.cylinder} {self.magneto} points break"
        if self.do != "set-camshaft":
            return ""
        event = self.by if self.by.startswith(("inlet", "exhaust")) else f"{self.lobe} {self.by}"
        return f"{self.cylinder} {event}"


@dataclass(frozen=True, kw_only=True, slots=True)
class DataSheet:
    """An engine folder after reading: timing data, trains, set-up order. ``geometry``: sizes given, by key."""

    name: str
    about: str
    scene: str
    rotation: Rotation  # of the crankshaft, seen from the wheelcase end, whichever end the file was written from
    number_one_at: Literal["wheelcase end", "output end"]
    firing_order: tuple[str, ...]
    banks: tuple[BankData, ...]
    crank: CrankData
    inlet: ValveData
    exhaust: ValveData
    couplings: tuple[CouplingData, ...]
    trains: tuple[TrainData, ...]
    magnetos: tuple[MagnetoData, ...]
    limits: LimitsData = LimitsData()
    tools: ToolsData = ToolsData()
    geometry: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    setup: tuple[StepData, ...] = ()
    length_unit: Literal["mm", "in"] = "mm"
    camshafts_per_bank: int = 1
    hand: str = ""  # of one of a pair of handed engines, for example "port"
    # the end from which the file names sides and senses; no more than a way of writing, so it makes no other engine
    written_from: str = field(default=VIEWED_FROM_WHEELCASE, compare=False)
    may_turn_back: bool = False  # whether the maker allows to turn the crank back when a mark was passed

    @property
    def camshafts(self) -> tuple[str, ...]:
        """Names of the camshafts, in the order of the banks, of two on a bank the inlet one first."""
        names = [
            camshaft_name(bank.name, valve.kind, self.camshafts_per_bank)
            for bank in self.banks
            for valve in (self.inlet, self.exhaust)
        ]
        return tuple(dict.fromkeys(names))


def camshaft_name(bank: str, kind: ValveKind, camshafts_per_bank: int) -> str:
    """Name of the camshaft that works the valves of a kind on a bank: "camshaft A", or "camshaft A inlet" of two."""
    return f"camshaft {bank}" if camshafts_per_bank == 1 else f"camshaft {bank} {kind}"


def valve_name(cylinder: str, kind: ValveKind, number: int, count: int) -> str:
    """Name of a valve: "A1 inlet", or "A1 inlet 2" where a cylinder has several of the kind."""
    return f"{cylinder} {kind}" if count == 1 else f"{cylinder} {kind} {number}"
