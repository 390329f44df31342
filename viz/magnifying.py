"""How a close-up draws a clearance or a gap larger than it is: by the printed factor, and nothing torn apart by it.

At a valve all that lies below the gap moves away together: the valve with its tappet, its spring, seat and guide. At a
magneto the lever turns by so much more, and the lift of the cam below its heel is drawn as many times as large. A
close-up has chains of its own for this, so that the page's script magnifies as the pictures do.
"""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
import trimesh

from quillwise.kinematics.angles import Floats
from quillwise.kinematics.assembly import Assembly
from quillwise.kinematics.joints import Chain, Fixed, Joint, moved, terms
from quillwise.kinematics.lengths import length
from quillwise.kinematics.lobes import RockerPlan, pad_radius_mm
from quillwise.kinematics.marks import feel, timing_valve
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import State, cam_travel_mm
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import Rig
from quillwise.kinematics.steps import Step
from quillwise.meshes.ignition import breaker_cam_drawn_larger
from quillwise.meshes.solids import Detail, shifted
from quillwise.viz.touching import TAKEN_UP_MM, least_told_mm

if TYPE_CHECKING:
    from quillwise.viz.closeups import CloseUp

_BELOW_THE_GAP = (Kind.VALVE, Kind.TAPPET, Kind.SEAT, Kind.SPRING)
_NAMED_BELOW = 0.13  # of the bore
_FEELER_STEPS = ("-nip", "-clearance")
_THINNEST_MM = {"mm": 0.04, "in": 0.0381}
# Of a feeler ÷ bore: width of its blade, what of that stands out beside the follower, its holder's length and height.
_BLADE, _BESIDE, _HOLDER, _HOLDER_HIGH = 0.12, 0.08, 0.12, 0.05


def gap_coordinate(valve: str) -> str:
    """Name of the coordinate of the gap between follower and valve [mm]: what of the clearance is still to come."""
    return f"valve {valve}, to come"


def blade_coordinate(valve: str) -> str:
    """Name of the coordinate of a feeler's thickness, less the 1 mm of the body that it is drawn by [mm]."""
    return f"valve {valve}, feeler"


def magnified_rig(rig: Rig, shown: CloseUp) -> Rig:
    """The rig of a close-up's parts: as the engine's, but what its factor magnifies moves by so much more."""
    chains = {part: _chain(rig.chains[part], part, shown) for part in shown.parts if part in rig.chains}
    own = {part: rig.terms[part] if chain is rig.chains[part] else terms(chain) for part, chain in chains.items()}
    return Rig(MappingProxyType(chains), MappingProxyType(own))


def _chain(chain: Chain, part: Part, shown: CloseUp) -> Chain:
    if shown.kind == "valve" and part.kind in _BELOW_THE_GAP:
        # before what follows the frame of the closed valve: bank, tip
        lower = Joint(kind="slide", axis=(1.0, 0.0, 0.0), coordinate=gap_coordinate(shown.of), ratio=1.0 - shown.factor)
        frames = next((n for n, each in enumerate(chain) if not isinstance(each, Fixed)), len(chain))
        return (*chain[: min(2, frames)], lower, *chain[min(2, frames) :])
    if shown.kind in ("magneto", "points", "gap") and part.kind is Kind.MOVING_POINT:
        lever = chain[-1]
        assert isinstance(lever, Joint)
        return (*chain[:-1], replace(lever, ratio=shown.factor * lever.ratio))
    return chain


def magnified(engine: Engine, assembly: Assembly, shown: CloseUp, state: State, blade_mm: float = 0.0) -> State:
    """The state with the coordinate that ``magnified_rig`` adds. blade_mm: thickness of the feeler in the gap, which
    is drawn no narrower than that."""
    if shown.kind != "valve":
        return state
    gap = drawn_gap_mm(engine, assembly, shown.of, state)
    held = np.maximum(gap, (shown.factor * blade_mm - gap) / (shown.factor - 1.0))
    return {**state, gap_coordinate(shown.of): held}


def drawn_gap_mm(engine: Engine, assembly: Assembly, valve: str, state: State) -> Floats:
    """The gap between follower and valve tip now [mm, (N,)]: the clearance less the lobe's travel, at least 0.

    A follower that is not fitted has no gap to show: 0.
    """
    clearance = assembly.clearances_mm[valve]
    if not np.isfinite(clearance):
        return np.zeros_like(state["crankshaft"])
    travel = cam_travel_mm(engine, engine.valves[valve], state[engine.valves[valve].camshaft])
    return np.maximum(0.0, clearance - travel)


def blade_mm(engine: Engine, assembly: Assembly, valve: str, state: State, step: Step | None) -> float:
    """Thickness of the feeler that stands in a valve's clearance [mm]; 0 when the step uses none or the valve is open.

    The clearance is set with a blade as thick as it is, and felt with the thinnest.
    """
    return blade_of_mm(engine, assembly, valve, step) if float(state[f"valve {valve}"][0]) <= TAKEN_UP_MM else 0.0


def blade_of_mm(engine: Engine, assembly: Assembly, valve: str, step: Step | None) -> float:
    """Thickness of the feeler that a step puts into a valve's clearance while the valve is shut [mm]; 0: none."""
    if step is None or Part(Kind.VALVE, valve) not in step.about or not step.key.endswith(_FEELER_STEPS):
        return 0.0
    clearance = assembly.clearances_mm[valve]
    if not np.isfinite(clearance):
        return 0.0
    if step.key.endswith("-nip"):
        return _THINNEST_MM[engine.sheet.length_unit]
    return float(min(clearance, step.after.clearances_mm[valve]))


def feeler_words(engine: Engine, step: Step, thick_mm: float, gap_mm: float) -> str:
    """A feeler by its thickness, and how it stands in a gap, in two lines: "feeler 0.04 mm", "free by 0.36 mm"."""
    unit, free = engine.sheet.length_unit, gap_mm - thick_mm
    how = f"free by {length(free, unit)}" if free >= least_told_mm(unit) else gripped(engine, step)
    return f"feeler {length(thick_mm, unit)}\n{how}"


def gripped(engine: Engine, step: Step) -> str:
    """How a feeler stands that has no room left: with a light drag where a clearance is set by it; at an event nipped,
    or just let go by a valve that closes."""
    if step.key.endswith("-clearance"):
        return "light drag"
    jobs = (job for job in engine.sheet.setup if job.do == "set-camshaft")
    closes = any(feel(job) == "closes" and timing_valve(engine, job).name == step.valve for job in jobs)
    return "just let go" if closes else "nipped"


def named_at_mm(engine: Engine, valve: str, wide: bool = False) -> Floats:
    """Where the words of a feeler stand, (3,) in the frame of its holder [mm], clear of rocker, lobe and spring: by
    a tappet, which is wider than a rocker's tip, below its end; by a rocker above it, or (wide) below it in a picture
    that has room beside the spring, for such a one bears a sign above."""
    own, bore = engine.valves[valve], engine.sheet.crank.bore_mm
    _, grip, end = blade_reach_mm(engine, valve)
    if not isinstance(own.plan, RockerPlan):
        return np.array([-_NAMED_BELOW * bore, end + own.side * 0.22 * bore, 0.0])
    if wide:
        return np.array([-_NAMED_BELOW * bore, (grip + end) / 2, 0.0])
    return np.array([0.14 * bore, end + own.side * 0.10 * bore, 0.0])


def blade_reach_mm(engine: Engine, valve: str) -> tuple[float, float, float]:
    """How far a feeler reaches across the valve's tip, in the valve's frame along y [mm]: the end of its blade, where
    its holder begins beside the follower, on the side away from the camshaft, and where that ends."""
    own, bore = engine.valves[valve], engine.sheet.crank.bore_mm
    if isinstance(own.plan, RockerPlan):
        cover = 1.2 * own.plan.tip_radius_mm
    else:
        cover = pad_radius_mm(own.plan, own.curve, bore)
    grip = cover + _BESIDE * bore
    return -own.side * 0.05 * bore, own.side * grip, own.side * (grip + _HOLDER * bore)


def feeler(engine: Engine, shown: CloseUp) -> dict[Part, trimesh.Trimesh]:
    """A feeler's blade of 1 mm × the close-up's factor, lying on the valve's tip in the valve's frame, and the holder
    that shows where a thin one is, its middle at x = 0."""
    bore = engine.sheet.crank.bore_mm
    start, grip, end = blade_reach_mm(engine, shown.of)
    blade = trimesh.creation.box((shown.factor, abs(grip - start), _BLADE * bore))
    holder = trimesh.creation.box((_HOLDER_HIGH * bore, abs(end - grip), 1.2 * _BLADE * bore))
    return {
        Part(Kind.FEELER, shown.of): shifted(blade, (shown.factor / 2, (start + grip) / 2, 0.0)),
        holder_of(shown.of): shifted(holder, (0.0, (grip + end) / 2, 0.0)),
    }


def holder_of(valve: str) -> Part:
    """The holder of a valve's feeler."""
    return Part(Kind.FEELER, f"{valve}, holder")


def feeler_poses(rig: Rig, shown: CloseUp, state: State, thick_mm: float) -> dict[Part, Floats]:
    """World poses (4, 4) of the feeler's parts for a blade of that thickness. rig and state: the magnified ones."""
    chains = feeler_chains(rig, shown)
    own = Rig(MappingProxyType(chains), MappingProxyType({part: terms(chain) for part, chain in chains.items()}))
    thicker = {**state, blade_coordinate(shown.of): np.full_like(state["crankshaft"], thick_mm - 1.0)}
    return {part: pose[0] for part, pose in poses(own, thicker, tuple(chains)).items()}


def feeler_chains(rig: Rig, shown: CloseUp) -> dict[Part, Chain]:
    """The chains of a feeler's parts on the valve's of a magnified rig: its blade grows with its thickness, and its
    holder stays about the middle of it."""
    valve, across = rig.chains[Part(Kind.VALVE, shown.of)], (1.0, 0.0, 0.0)
    thicker, half = blade_coordinate(shown.of), shown.factor / 2
    return {
        Part(Kind.FEELER, shown.of): (*valve, Joint(kind="stretch", axis=across, coordinate=thicker)),
        holder_of(shown.of): (*valve, moved(half), Joint(kind="slide", axis=across, coordinate=thicker, ratio=half)),
    }


def breaker_cam(engine: Engine, magneto: str, factor: float, detail: Detail = "fine") -> trimesh.Trimesh:
    """The breaker cam with its lift drawn ``factor`` times as large, so that the lever's heel still rides on it."""
    return breaker_cam_drawn_larger(engine, Part(Kind.BREAKER_CAM, magneto), factor, detail)
