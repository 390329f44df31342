"""What the engine *is*: frozen data, computed once from the data sheet. What is engaged where is in ``assembly``.

World frame: x along the crank from the wheelcase end to the output end, z up, origin on the crank axis. A shaft's
frame has its z along ``axis`` (away from the viewer) and its x along ``zero``; its angle is + clockwise as seen.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal, TypeVar

from quillwise.kinematics.articulated import Linkage
from quillwise.kinematics.cams import Curve
from quillwise.kinematics.datasheet import (
    CouplingData,
    DataSheet,
    MagnetoData,
    Rotation,
    ValveData,
    ValveKind,
    valve_name,
)
from quillwise.kinematics.errors import RequestError, unknown
from quillwise.kinematics.gears import Vec3
from quillwise.kinematics.lobes import FlatPlan, RockerPlan
from quillwise.kinematics.magnetos import firing_interval_deg
from quillwise.kinematics.parts import Part

CRANKSHAFT = "crankshaft"
RING_PLATE_FACES = (0.53, 0.65)  # along the axis, by the face: the plate that carries a ring with inner teeth
T = TypeVar("T")
WheelKind = Literal["spur", "internal", "bevel"]


def turning(sense: int) -> Rotation:
    """The word for a sense of rotation: +1 is clockwise, as seen from the shaft's viewing end."""
    return "clockwise" if sense > 0 else "anticlockwise"


@dataclass(frozen=True, kw_only=True, slots=True)
class Cylinder:
    """A cylinder. Angles in degrees; ``pin_turn_deg``: of its crank pin in the crankshaft's frame at θ = 0;
    ``tdc_pin_deg``, ``bdc_pin_deg``: pin's angle from the cylinder's axis at its own dead centres (0 and 180 without
    gudgeon offset and link rod). ``firing_deg`` is that of its own top, ``late_deg`` how far that is after its even
    interval. ``throw_mm``: x of the middle of its throw; ``top_mm``: height of the gudgeon pin at its own top;
    ``towards``: side on which the middle of the engine lies, +1 to the right seen from the wheelcase end, else −1."""

    name: str
    bank: str
    number: int
    x_mm: float
    throw_mm: float
    bank_turn_deg: float
    towards: int
    firing_deg: float
    late_deg: float
    pin_turn_deg: float
    tdc_pin_deg: float
    bdc_pin_deg: float
    stroke_mm: float
    top_mm: float
    linkage: Linkage


@dataclass(frozen=True, kw_only=True, slots=True)
class Shaft:
    """A shaft. ``turns``: signed turns about its own axis per turn of the crankshaft about +x (exact);
    ``ratio``: the same per turn of its ``parent`` shaft; ``link``: the mesh or coupling between the two."""

    name: str
    axis: Vec3
    point: Vec3
    zero: Vec3
    span_mm: tuple[float, float]
    radius_mm: float
    bore_mm: float
    seen_from: str
    parent: str
    link: str
    ratio: Fraction
    turns: Fraction
    sense: int  # running direction: +1 clockwise seen from its viewing end


@dataclass(frozen=True, kw_only=True, slots=True)
class Wheel:
    """A gear wheel on a shaft. ``at_mm``: along the shaft's axis, middle of the face (spur, internal) or apex of the
    pitch cone (bevel, which stands on ``side`` of it). ``phase_deg``: a tooth's centre in the shaft's frame."""

    name: str
    shaft: str
    kind: WheelKind
    teeth: int
    module_mm: float
    face_mm: float
    at_mm: float
    side: int
    mating_teeth: int
    phase_deg: float


@dataclass(frozen=True, kw_only=True, slots=True)
class GearMesh:
    """A mesh of two wheels (by name). ``pitch_point``: world, mm. ``agree``: see ``gears.senses_agree``."""

    name: str
    driving: str
    driven: str
    pitch_point: Vec3
    agree: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Coupling:
    """A vernier coupling where it stands. ``driving_mm``, ``driven_mm``: where its two toothed ends lie along the
    axis (from, to); ``drawn_mm``: the slide along the axis that takes both ends out (signed)."""

    name: str
    data: CouplingData
    driving: str
    driven: str
    driving_mm: tuple[float, float]
    driven_mm: tuple[float, float]
    drawn_mm: float
    module_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Valve:
    """A valve with its lobe. ``name``: for example "A1 inlet". Places in the bank's plane: u to the right seen
    from the wheelcase end, w along the bank's axis, from the crank axis [mm]. ``number``: among those of its kind in
    the cylinder; ``camshaft_u_mm``: of its camshaft's axis; ``spring_mm``: where the spring's foot and its end under
    the collar stand along the shut valve, from its tip (below 0)."""

    name: str
    cylinder: str
    kind: ValveKind
    camshaft: str
    data: ValveData
    curve: Curve
    plan: RockerPlan | FlatPlan
    x_mm: float
    tip_u_mm: float
    tip_w_mm: float
    length_mm: float
    head_radius_mm: float
    side: int
    number: int = 1
    camshaft_u_mm: float = 0.0
    spring_mm: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class Magneto:
    """A magneto where it stands; its rotor and its distributor finger are shafts. Stations along the rotor's axis.

    ``coupling``: the sleeve whose drawing moves the magneto off, or "". The breaker lever's pivot lies in the
    frame of ``breaker_shaft``, rotor or finger; its heel rides half-way along ``contact_arm_mm``, on the cam's angle 0
    side. ``fires``: its cylinders in firing order; ``due_deg``: θ at which each is due, at even intervals.
    """

    name: str
    data: MagnetoData
    rotor: str
    finger: str
    rotor_mm: tuple[float, float]
    breaker_mm: float
    finger_mm: float
    radius_mm: float
    coupling: str
    breaker_radius_mm: float
    lever_pivot_mm: tuple[float, float]
    contact_arm_mm: float
    breaker_shaft: str
    fires: tuple[str, ...]
    due_deg: Mapping[str, float]

    @property
    def first_deg(self) -> float:
        """θ at which the first of its cylinders is due."""
        return self.due_deg[self.fires[0]]

    def late_deg(self, cylinder: Cylinder) -> float:
        """By how much a cylinder that it fires comes to its own top after it is due [crank deg]."""
        return cylinder.firing_deg - self.due_deg[cylinder.name]


@dataclass(frozen=True, kw_only=True, slots=True)
class Mark:
    """A mark of the timing disc. ``crank_deg``: θ at which the step meets it, 0 ≤ θ < 720."""

    label: str
    crank_deg: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Sizes:
    """Sizes that the pictures need and timing does not [mm]."""

    bore_spacing_mm: float
    crown_mm: float
    camshaft_height_mm: float
    disc_x_mm: float
    disc_radius_mm: float
    pointer_turn_deg: float
    rod_width_mm: float
    main_radius_mm: float
    pin_radius_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Engine:
    """The engine. All mappings are read-only and ordered as in the file."""

    sheet: DataSheet
    sigma: int  # +1: crank turns clockwise seen from the wheelcase end
    cylinders: Mapping[str, Cylinder]
    shafts: Mapping[str, Shaft]
    wheels: Mapping[str, Wheel]
    meshes: Mapping[str, GearMesh]
    couplings: Mapping[str, Coupling]
    valves: Mapping[str, Valve]
    magnetos: Mapping[str, Magneto]
    marks: tuple[Mark, ...]
    sizes: Sizes
    parts: tuple[Part, ...]

    @property
    def camshafts(self) -> tuple[str, ...]:
        """Names of the camshafts' shafts, in the order of the banks, of two on a bank the inlet one first."""
        return self.sheet.camshafts

    @property
    def firing_interval_deg(self) -> float:
        """Crank degrees between firings, evenly spaced: 720 ÷ cylinders."""
        return float(firing_interval_deg(len(self.cylinders)))

    def cylinder(self, name: str) -> Cylinder:
        """The cylinder of that name. Raises RequestError that lists the names."""
        return _named(self.cylinders, "cylinder", name)

    def coupling(self, name: str) -> Coupling:
        """The coupling of that name. Raises RequestError that lists the names."""
        return _named(self.couplings, "coupling", name)

    def magneto(self, name: str) -> Magneto:
        """The magneto of that name. Raises RequestError that lists the names."""
        return _named(self.magnetos, "magneto", name)

    def valve(self, cylinder: str, kind: ValveKind, number: int = 1) -> Valve:
        """The valve of a kind in a cylinder. Raises RequestError that lists the names."""
        data = self.sheet.inlet if kind == "inlet" else self.sheet.exhaust
        return _named(self.valves, "valve", valve_name(cylinder, kind, number, data.count))

    def camshafts_with(self, camshaft: str) -> tuple[str, ...]:
        """The camshafts that turn with one when it is free: all behind the coupling nearest to it. Itself is one."""
        coupling = self.coupling_upstream(camshaft)
        if coupling is None:
            return (camshaft,)
        return tuple(name for name in self.camshafts if self.coupling_upstream(name) == coupling)

    def coupling_upstream(self, shaft: str) -> Coupling | None:
        """The coupling nearest to a shaft on its way back to the crankshaft, or None."""
        while shaft != CRANKSHAFT:
            here = self.shafts[shaft]
            if here.link in self.couplings:
                return self.couplings[here.link]
            shaft = here.parent
        return None


def _named(table: Mapping[str, T], kind: str, name: str) -> T:
    if name not in table:
        raise RequestError(unknown(kind, name, table))
    return table[name]
