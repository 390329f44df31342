"""A coupling as it stands in line: its shafts, mates and quill or sleeve, in order along the axis, and as solids.

Own frame of a coupling's drawing: x along the axis from the driving to the driven end, y upwards in the picture, z
towards the viewer; origin on the axis where the driving mate begins.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import trimesh

from quillwise.kinematics.angles import Floats
from quillwise.kinematics.assembly import Assembly
from quillwise.kinematics.model import Coupling, Engine
from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import rig
from quillwise.meshes import driveline
from quillwise.meshes.build import index_mark, mesh
from quillwise.viz.callouts import words
from quillwise.viz.cameras import Camera
from quillwise.viz.standing import Bodies, moved

_CARRIERS = (Kind.SHAFT, Kind.CAMSHAFT, Kind.CRANKSHAFT)
_CARRIED = (Kind.WHEEL, Kind.ROTOR, Kind.BREAKER_CAM, Kind.FINGER)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Line:
    """The five parts of a coupling from the driving to the driven end, and what else stands on their shafts.

    origin, along: of the axis in the world, along from driving to driven, unit. bodies: in the world, mates whole.
    spans: where each body begins and ends along the axis, from the origin [mm]. marks: where index marks stand, as
    directions square to the axis (M, 3).
    """

    coupling: Coupling
    driving_shaft: Part
    driving_mate: Part
    middle: Part
    driven_mate: Part
    driven_shaft: Part
    carried: tuple[Part, ...]
    origin: Floats
    along: Floats
    bodies: dict[Part, trimesh.Trimesh]
    spans: dict[Part, tuple[float, float]]
    marks: Floats
    tooth_mm: tuple[float, float]
    teeth: tuple[Floats, Floats]
    driving_frame: Floats

    @property
    def five(self) -> tuple[Part, Part, Part, Part, Part]:
        """Both shafts, both mates, and the quill or sleeve between them, in order along the axis."""
        return self.driving_shaft, self.driving_mate, self.middle, self.driven_mate, self.driven_shaft

    def radius_mm(self, part: Part) -> float:
        """How far a part reaches from the axis."""
        off = self.bodies[part].vertices - self.origin
        return float(np.linalg.norm(off - np.outer(off @ self.along, self.along), axis=1).max())


def in_line(engine: Engine, coupling: Coupling, assembly: Assembly, crank_deg: float) -> Line:
    """The coupling of an assembly at a crank angle.

    ``tooth_mm``: along the axis, the middle of the engaged length of each end. ``teeth``: for each end (N, 3), the
    directions square to the axis in which teeth or dogs of the quill or sleeve stand. ``driving_frame``: axes of the
    driving shaft's frame as columns, where it has turned to.
    """
    own = {part.of: part for part in engine.parts if part.kind in _CARRIERS and part.of}
    own |= {str(part.kind): part for part in engine.parts if part.kind is Kind.CRANKSHAFT}
    driving_shaft, driven_shaft = own[coupling.driving], own[coupling.driven]
    driving_mate, driven_mate = (Part(Kind.MATE, f"{coupling.name} {end}") for end in ("driving", "driven"))
    middle = Part(Kind.QUILL if coupling.data.kind == "quill" else Kind.SLEEVE, coupling.name)
    five = (driving_shaft, driving_mate, middle, driven_mate, driven_shaft)
    carried = tuple(
        part for part in engine.parts if part.kind in _CARRIED and _carrier(engine, part) in _names(coupling)
    )
    world = {part: pose[0] for part, pose in poses(rig(engine), motion(engine, assembly, crank_deg)).items()}
    bodies = {part: moved(_body(engine, part), world[part]) for part in (*five, *carried)}
    ends = [
        (world[mate] @ [0.0, 0.0, (span[1] - span[0]) / 2, 1.0])[:3]
        for mate, span in ((driving_mate, coupling.driving_mm), (driven_mate, coupling.driven_mm))
    ]
    along = (ends[1] - ends[0]) / float(np.linalg.norm(ends[1] - ends[0]))
    begin = float((bodies[driving_mate].vertices @ along).min())
    origin = ends[0] + along * (begin - float(ends[0] @ along))
    spans = {part: _span(body, origin, along) for part, body in bodies.items()}
    frame = world[middle]
    teeth = []
    for count in (coupling.data.driving_teeth, coupling.data.driven_teeth):
        turn = np.pi / count + 2 * np.pi * np.arange(count) / count
        flat = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(count)])
        teeth.append(flat @ frame[:3, :3].T)
    return Line(
        coupling=coupling,
        driving_shaft=driving_shaft,
        driving_mate=driving_mate,
        middle=middle,
        driven_mate=driven_mate,
        driven_shaft=driven_shaft,
        carried=carried,
        origin=origin,
        along=along,
        bodies=bodies,
        spans=spans,
        marks=_marks(engine, (driving_mate, middle, driven_mate), world, origin, along),
        tooth_mm=(float((ends[0] - origin) @ along), float((ends[1] - origin) @ along)),
        teeth=(teeth[0], teeth[1]),
        driving_frame=world[driving_mate][:3, :3],
    )


def named(engine: Engine, line: Line, part: Part) -> str:
    """A part's words on the drawing: with the number of its teeth where that is what matters."""
    data = line.coupling.data
    teeth = "splines" if data.kind == "quill" else "dogs"
    if part == line.driving_mate:
        return f"driving mate, {data.driving_teeth} {teeth}"
    if part == line.driven_mate:
        return f"driven mate, {data.driven_teeth} {teeth}"
    if part == line.middle:
        kind = "quill" if data.kind == "quill" else "sleeve"
        own = part.of if part.of.startswith(kind) else f"{kind} {part.of}"
        return f"{own}, {data.driving_teeth} and {data.driven_teeth} {teeth}"
    if part.kind is Kind.WHEEL:
        wheel = engine.wheels[part.of]
        return f"{wheel.kind} wheel, {wheel.teeth} teeth"
    if part.kind is Kind.SHAFT:
        return part.of if "shaft" in part.of.replace("camshaft", "") else f"{part.of}, shaft"
    return words(part)


def in_own_frame(line: Line, parts: Collection[Part], up: Floats) -> Bodies:
    """Bodies of parts in the drawing's frame, by name. up: in the world, square to the axis."""
    turn = np.stack([line.along, up, np.cross(line.along, up)])
    return {
        str(part): trimesh.Trimesh(
            (line.bodies[part].vertices - line.origin) @ turn.T, line.bodies[part].faces, process=False
        )
        for part in parts
    }


def upright(line: Line) -> Floats:
    """The direction square to the axis that is highest in the world; for an upright shaft, towards the output end."""
    for way in ((0.0, 0.0, 1.0), (1.0, 0.0, 0.0)):
        square = np.asarray(way) - line.along * float(np.asarray(way) @ line.along)
        if np.linalg.norm(square) > 0.3:
            return np.asarray(square / np.linalg.norm(square))
    raise AssertionError("no axis lies along two directions at right angles")


def facing(half_height_mm: float, middle: tuple[float, float] = (0.0, 0.0)) -> Camera:
    """The parallel camera that looks at the drawing's frame along −z."""
    x, y = middle
    return Camera(
        position=(x, y, 1000.0), focal=(x, y, 0.0), up=(0.0, 1.0, 0.0), parallel_half_height_mm=half_height_mm
    )


def _names(coupling: Coupling) -> tuple[str, str]:
    return coupling.driving, coupling.driven


def _carrier(engine: Engine, part: Part) -> str:
    """Name of the shaft on which a part is fixed."""
    if part.kind is Kind.WHEEL:
        return engine.wheels[part.of].shaft
    magneto = engine.magnetos[part.of]
    return {Kind.ROTOR: magneto.rotor, Kind.BREAKER_CAM: magneto.breaker_shaft}.get(part.kind, magneto.finger)


def _body(engine: Engine, part: Part) -> trimesh.Trimesh:
    return driveline.whole_mate(engine, part, "fine") if part.kind is Kind.MATE else mesh(engine, part, "fine")


def _span(body: trimesh.Trimesh, origin: Floats, along: Floats) -> tuple[float, float]:
    reach = (body.vertices - origin) @ along
    return float(reach.min()), float(reach.max())


def _marks(engine: Engine, parts: Collection[Part], world: dict[Part, Floats], origin: Floats, along: Floats) -> Floats:
    found = []
    for part in parts:
        paint = index_mark(engine, part)
        if paint is None:
            continue
        for bar in moved(paint, world[part]).split(only_watertight=False):
            off = bar.vertices.mean(axis=0) - origin
            off = off - along * float(off @ along)
            found.append(off / max(float(np.linalg.norm(off)), 1e-9))
    return np.array(found).reshape(-1, 3)
