"""The tree of shafts while the trains are laid out: lines in space, and the making of wheels, meshes, couplings and
shafts on them."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields, replace
from fractions import Fraction

import numpy as np

from quillwise.kinematics.datasheet import DataSheet, StageData
from quillwise.kinematics.errors import Problem
from quillwise.kinematics.gears import Vec3, angle_to_deg, driven_phase_deg, senses_agree
from quillwise.kinematics.model import Coupling, GearMesh, Shaft, Wheel, WheelKind

# by the bore: shafts of the train outside and inside, a coupling along a line of the crank's, and the gaps about it
SHAFT, HOLLOW, CAMSHAFT = 0.12, 0.097, 0.085
FACE = 0.18
COUPLING, BEFORE, AFTER = 0.32, 0.06, 0.18
MAGNETO_OFF = 0.31
ALONG: Vec3 = (1.0, 0.0, 0.0)
BACK: Vec3 = (-1.0, 0.0, 0.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """An axis in space with its direction of view and its angle 0."""

    axis: Vec3
    point: Vec3
    zero: Vec3
    seen_from: str

    def at(self, along_mm: float) -> Vec3:
        """The point [world, mm] at a distance along the axis."""
        return vec(np.asarray(self.point) + along_mm * np.asarray(self.axis))


def end_seen(axis: object) -> str:
    """Which end an inclined shaft is seen from: its axis points away from there, up in an inverted engine."""
    return "lower end" if vec(axis)[2] > 0 else "upper end"


def vec(values: object) -> Vec3:
    """Three numbers, such as an array (3,), as a point or a direction."""
    x, y, z = np.asarray(values, dtype=float)
    return float(x), float(y), float(z)


@dataclass(slots=True)
class Tree:
    """The tree while it is being laid out. ``build`` freezes its contents into the engine."""

    sheet: DataSheet
    sigma: int
    lines: dict[str, Line]  # of the shafts that exist, and of the camshafts that are to be reached
    front_mm: float  # x of the next free station
    rear_mm: float = 0.0  # x behind the engine, of the next free station of a train from one camshaft to another
    shafts: dict[str, Shaft] = field(default_factory=dict)
    wheels: dict[str, Wheel] = field(default_factory=dict)
    meshes: dict[str, GearMesh] = field(default_factory=dict)
    couplings: dict[str, Coupling] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    crossings: dict[str, list[str]] = field(default_factory=dict)  # driving bevel -> inclined shafts on it

    def copy(self) -> Tree:
        """A copy that may be laid out further without a change to this one; problems go to the same list."""
        return replace(
            self,
            lines=dict(self.lines),
            shafts=dict(self.shafts),
            wheels=dict(self.wheels),
            meshes=dict(self.meshes),
            couplings=dict(self.couplings),
            crossings={name: list(shafts) for name, shafts in self.crossings.items()},
        )

    def take(self, trial: Tree) -> None:
        """Go on from a copy that was laid out further."""
        for each in fields(self):
            setattr(self, each.name, getattr(trial, each.name))


def new_shaft(
    tree: Tree,
    name: str,
    line: Line,
    parent: str,
    link: str,
    ratio: Fraction,
    radius: float,
    bore: float = 0.0,
) -> Shaft:
    turns = ratio * (tree.shafts[parent].turns if parent else 1)
    return Shaft(
        name=name,
        axis=line.axis,
        point=line.point,
        zero=line.zero,
        span_mm=(0.0, 0.0),
        radius_mm=radius,
        bore_mm=bore,
        seen_from=line.seen_from,
        parent=parent,
        link=link,
        ratio=ratio,
        turns=turns,
        sense=tree.sigma if turns > 0 else -tree.sigma,
    )


def new_wheel(
    tree: Tree, shaft: str, stage: StageData, driving: bool, module: float, at_mm: float, side: int = 0
) -> Wheel:
    """The wheel of a stage on a shaft; a driving wheel that stands there already is shared."""
    teeth = stage.driving_teeth if driving else stage.driven_teeth
    mating = stage.driven_teeth if driving else stage.driving_teeth
    kind: WheelKind = "bevel" if stage.kind == "bevel" else "spur"
    if stage.kind == "internal" and not driving:
        kind = "internal"
    name = f"{shaft}, {teeth}-tooth {kind}"
    if driving:
        for known in tree.wheels.values():
            same = (known.shaft, known.teeth, known.kind, known.side) == (shaft, teeth, kind, side)
            if same and math.isclose(known.module_mm, module) and math.isclose(known.at_mm, at_mm):
                return known
    while name in tree.wheels:
        name += "'"
    face = FACE * tree.sheet.crank.bore_mm if kind != "bevel" else 0.3 * 0.5 * module * math.hypot(teeth, mating)
    wheel = Wheel(
        name=name,
        shaft=shaft,
        kind=kind,
        teeth=teeth,
        module_mm=module,
        face_mm=face,
        at_mm=at_mm,
        side=side,
        mating_teeth=mating if kind == "bevel" else 0,
        phase_deg=0.0,
    )
    tree.wheels[name] = wheel
    return wheel


def join(tree: Tree, driving: Wheel, driven: Wheel, line: Line, pitch_point: Vec3, radius: float, bore: float) -> None:
    """Join the driven wheel, give it its tooth phase, and make its shaft with ratio and sense."""
    first = tree.shafts[driving.shaft]
    agree = senses_agree(first.axis, first.point, line.axis, line.point, pitch_point)
    phase = driven_phase_deg(
        driving.teeth,
        driving.phase_deg,
        angle_to_deg(first.axis, first.point, first.zero, pitch_point),
        driven.teeth,
        angle_to_deg(line.axis, line.point, line.zero, pitch_point),
        agree,
    )
    tree.wheels[driven.name] = replace(driven, phase_deg=phase)
    name = f"{driving.shaft} to {driven.shaft}"
    tree.meshes[name] = GearMesh(
        name=name, driving=driving.name, driven=driven.name, pitch_point=pitch_point, agree=agree
    )
    ratio = agree * Fraction(driving.teeth, driven.teeth)
    tree.lines[driven.shaft] = line
    tree.shafts[driven.shaft] = new_shaft(tree, driven.shaft, line, driving.shaft, name, ratio, radius, bore)


def couple(tree: Tree, stage: StageData, driving: str, driven: str, along: tuple[float, float]) -> None:
    """Join two shafts on one line through a coupling that lies from ``along[0]`` (driving end) to ``along[1]``."""
    data = next(data for data in tree.sheet.couplings if data.name == stage.coupling)
    bore = tree.sheet.crank.bore_mm
    line = tree.lines[driving]
    way = 1.0 if along[1] > along[0] else -1.0
    length = abs(along[1] - along[0])
    module = (0.17 if data.kind == "quill" else 0.30) * bore / max(data.driving_teeth, data.driven_teeth)
    parent = tree.shafts[driving]
    radius, hollow = parent.radius_mm, parent.bore_mm
    if data.kind == "quill":
        engaged = min(0.22 * length, 0.17 * bore)
        drawn = way * 1.35 * engaged
        # drawn into the shaft that it drives, which is hollow for it; a camshaft is not
        hollow = max(hollow, HOLLOW * bore)
        if driven.startswith("camshaft "):
            drawn = -drawn
            tree.shafts[driving] = replace(parent, bore_mm=hollow)
    else:
        engaged = 0.25 * length
        drawn = way * 1.25 * engaged
    first, last = along
    ends = ((first, first + way * engaged), (last - way * engaged, last))
    tree.couplings[data.name] = Coupling(
        name=data.name,
        data=data,
        driving=driving,
        driven=driven,
        driving_mm=(min(ends[0]), max(ends[0])),
        driven_mm=(min(ends[1]), max(ends[1])),
        drawn_mm=drawn,
        module_mm=module,
    )
    if driven.startswith("camshaft "):
        radius, hollow = CAMSHAFT * bore, 0.0
    tree.lines[driven] = line
    tree.shafts[driven] = new_shaft(tree, driven, line, driving, data.name, Fraction(1), radius, hollow)


def next_station(tree: Tree, width_mm: float) -> float:
    """The x [mm] of the middle of the next free station along the crank, and moves on by its width."""
    here = tree.front_mm - width_mm / 2
    tree.front_mm -= width_mm
    return here


def centre_distance(stage: StageData) -> float:
    """Distance between the two axes, in modules: (N₁ + N₂)/2, for an internal mesh (N₂ − N₁)/2."""
    if stage.kind == "internal":
        return (stage.driven_teeth - stage.driving_teeth) / 2
    return (stage.driving_teeth + stage.driven_teeth) / 2


def along_axis(line: Line, x_mm: float) -> float:
    return (x_mm - line.point[0]) * line.axis[0]


def along_x(line: Line, along_mm: float) -> float:
    return line.point[0] + along_mm * line.axis[0]
