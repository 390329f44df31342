"""The gear trains as a tree of named shafts: where each shaft stands, its exact ratio, its sense, its wheels' phases.

A train is laid along *lines*: a mesh leads to a new line, a coupling joins two shafts on one line. Lines along the
crank get a station (an x) in front of the first cylinder for every pair of wheels; an inclined line stands at
right angles to the two lines that it joins, so its angle follows from where those are.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction

import numpy as np

from quillwise.kinematics.angles import Floats
from quillwise.kinematics.datasheet import DataSheet, StageData, TrainData
from quillwise.kinematics.errors import Problem, unknown
from quillwise.kinematics.gears import (
    Vec3,
    angle_to_deg,
    cone_deg,
    driven_phase_deg,
    senses_agree,
    tip_cone_deg,
)
from quillwise.kinematics.model import CRANKSHAFT, Coupling, GearMesh, Shaft, Wheel, turning

# by the bore: shafts of the train outside and inside, a coupling along a line of the crank's, and the gaps about it
_SHAFT, _HOLLOW, _CAMSHAFT = 0.12, 0.097, 0.085
_FACE = 0.18
_COUPLING, _BEFORE, _AFTER = 0.32, 0.06, 0.18
_MAGNETO_OFF = 0.31

_ALONG: Vec3 = (1.0, 0.0, 0.0)
_BACK: Vec3 = (-1.0, 0.0, 0.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """An axis in space with its direction of view and its angle 0."""

    axis: Vec3
    point: Vec3
    zero: Vec3
    seen_from: str

    def at(self, along_mm: float) -> Vec3:
        """The point [world, mm] at a distance along the axis."""
        return _vec(np.asarray(self.point) + along_mm * np.asarray(self.axis))


def _vec(values: object) -> Vec3:
    x, y, z = np.asarray(values, dtype=float)
    return float(x), float(y), float(z)


@dataclass(slots=True)
class Tree:
    """The tree while it is being laid out. ``build`` freezes its contents into the engine."""

    sheet: DataSheet
    sigma: int
    lines: dict[str, Line]  # of the shafts that exist, and of the camshafts that are to be reached
    front_mm: float  # x of the next free station
    shafts: dict[str, Shaft] = field(default_factory=dict)
    wheels: dict[str, Wheel] = field(default_factory=dict)
    meshes: dict[str, GearMesh] = field(default_factory=dict)
    couplings: dict[str, Coupling] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    crossings: dict[str, list[str]] = field(default_factory=dict)  # driving bevel -> inclined shafts on it


def lay_out(sheet: DataSheet, sigma: int, lines: dict[str, Line], front_mm: float) -> Tree:
    """Lay out all trains. ``lines``: of the crankshaft and of every camshaft. Problems are collected in the tree."""
    tree = Tree(sheet=sheet, sigma=sigma, lines=dict(lines), front_mm=front_mm)
    bore = sheet.crank.bore_mm
    tree.shafts[CRANKSHAFT] = _shaft(tree, CRANKSHAFT, lines[CRANKSHAFT], "", "", Fraction(1), 0.18 * bore)
    waiting = list(sheet.trains)
    while waiting:
        ready = [train for train in waiting if train.from_shaft in tree.shafts]
        if not ready:
            tree.problems += _not_driven(tree, waiting)
            break
        # wheels that drive camshafts stand next to the engine: no other shaft has to pass them
        for train in sorted(ready, key=lambda train: not _is_all_spurs_to_camshaft(tree, train)):
            _lay_train(tree, train)
            waiting.remove(train)
    _check_crossings(tree)
    return tree


def _is_all_spurs_to_camshaft(tree: Tree, train: TrainData) -> bool:
    return train.drives in tree.lines and all(stage.kind != "bevel" for stage in train.stages)


def _not_driven(tree: Tree, waiting: list[TrainData]) -> Iterator[Problem]:
    """Why no train of these can be laid: an unknown shaft, or a circle. Trains that only hang on such a one are
    not named."""
    maker = {name: train for train in waiting for name in _names(train)}
    for train in waiting:
        path = f"trains.{train.drives}.from"
        if train.from_shaft not in maker:
            yield Problem(path, unknown("shaft", train.from_shaft, tree.shafts))
            continue
        behind = train
        for _ in waiting:
            if behind.from_shaft not in maker:
                break
            behind = maker[behind.from_shaft]
            if behind is train:
                yield Problem(
                    path,
                    f'"{train.from_shaft}" is not driven from the crankshaft: the trains go in a circle',
                )
                break


def _shaft(
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


def _names(train: TrainData) -> list[str]:
    """A name for the shaft after each stage; the last is the one that the train drives."""
    base = train.drives.removeprefix("camshaft ")
    inclined = train.drives.startswith("camshaft ") and any(stage.kind == "bevel" for stage in train.stages)
    stem = f"inclined shaft {base}" if inclined else f"drive of {train.drives}"
    inner = len(train.stages) - 1
    split = inclined and any(stage.kind == "coupling" for stage in train.stages)
    ends = ("lower", "upper") if inner == 2 and split else tuple(str(n + 1) for n in range(inner))
    names = [stem if inner == 1 else f"{stem}, {end}" for end in ends[:inner]]
    given = [stage.shaft or name for stage, name in zip(train.stages, names, strict=False)]
    return [*given, train.drives]


def _lay_train(tree: Tree, train: TrainData) -> None:
    meshes = [stage for stage in train.stages if stage.kind != "coupling"]
    kinds = {stage.kind for stage in meshes}
    names = _names(train)
    taken = [name for name in names if name in tree.shafts] + [n for n in names if names.count(n) > 1]
    if taken:
        tree.problems.append(Problem(f"trains.{train.drives}", f'the shaft "{taken[0]}" is driven twice'))
        return
    reached = tree.lines.get(train.drives)
    if kinds == {"bevel"} and len(meshes) == 2 and reached is not None:
        _lay_inclined(tree, train, names, reached)
    elif meshes and "bevel" not in kinds:
        _lay_parallel(tree, train, names, reached)
    else:
        tree.problems.append(
            Problem(
                f"trains.{train.drives}.stages",
                "cannot be laid out: expected spur stages only, or two bevel stages to a camshaft, "
                "with couplings between; got " + ", ".join(stage.kind for stage in train.stages),
            )
        )
        return
    made = tree.shafts[train.drives]
    if train.turns is not None and train.turns != turning(made.sense):
        tree.problems.append(
            Problem(
                f"trains.{train.drives}.turns",
                f"given {train.turns}, but the train turns it {turning(made.sense)}, seen from the {made.seen_from}",
            )
        )


def _wheel(
    tree: Tree, shaft: str, stage: StageData, driving: bool, module: float, at_mm: float, side: int = 0
) -> Wheel:
    """The wheel of a stage on a shaft; a driving wheel that stands there already is shared."""
    teeth = stage.driving_teeth if driving else stage.driven_teeth
    mating = stage.driven_teeth if driving else stage.driving_teeth
    kind = stage.kind if stage.kind != "internal" or not driving else "spur"
    assert kind != "coupling"
    name = f"{shaft}, {teeth}-tooth {kind}"
    if driving:
        for known in tree.wheels.values():
            same = (known.shaft, known.teeth, known.kind, known.side) == (shaft, teeth, kind, side)
            if same and math.isclose(known.module_mm, module) and math.isclose(known.at_mm, at_mm):
                return known
    while name in tree.wheels:
        name += "'"
    face = 0.18 * tree.sheet.crank.bore_mm if kind != "bevel" else 0.3 * 0.5 * module * math.hypot(teeth, mating)
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


def _mesh(tree: Tree, driving: Wheel, driven: Wheel, line: Line, pitch_point: Vec3, radius: float, bore: float) -> None:
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
    tree.shafts[driven.shaft] = _shaft(tree, driven.shaft, line, driving.shaft, name, ratio, radius, bore)


def _couple(tree: Tree, stage: StageData, driving: str, driven: str, along: tuple[float, float]) -> None:
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
        hollow = max(hollow, _HOLLOW * bore)
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
        radius, hollow = _CAMSHAFT * bore, 0.0
    tree.lines[driven] = line
    tree.shafts[driven] = _shaft(tree, driven, line, driving, data.name, Fraction(1), radius, hollow)


def _station(tree: Tree, width_mm: float) -> float:
    """The x [mm] of the middle of the next free station along the crank, and moves on by its width."""
    here = tree.front_mm - width_mm / 2
    tree.front_mm -= width_mm
    return here


def _lay_parallel(tree: Tree, train: TrainData, names: list[str], reached: Line | None) -> None:
    """Spur and internal stages: all lines stand along the crank; the way goes straight to where the train ends."""
    bore = tree.sheet.crank.bore_mm
    start = tree.lines[train.from_shaft]
    meshes = [stage for stage in train.stages if stage.kind != "coupling"]
    sums = [_centre_distance(stage) for stage in meshes]
    if reached is not None:
        way = np.subtract(reached.point, start.point) * (0.0, 1.0, 1.0)
        module = float(np.linalg.norm(way)) / sum(sums)
        way = way / np.linalg.norm(way)
    else:
        magneto = next((m for m in tree.sheet.magnetos if train.drives == f"{m.name} magneto"), None)
        to_wheelcase = tree.sheet.geometry.get("wheelcase_shaft_height_mm")
        # magnetos stand so far from the shaft that drives them that one on each side has room
        module = (0.034 if magneto is None else max(0.025, _MAGNETO_OFF / sum(sums))) * bore
        if magneto is None and to_wheelcase:
            module = to_wheelcase / sum(sums)
        way = np.array([0.0, 0.0, 1.0]) if magneto is None else np.array([0.0, 1.0, 0.0])
        if magneto is not None and magneto.stands == "right":
            way = -way
    shaft, line = train.from_shaft, start
    meshed = 0
    places = _stations(tree, train, way * module, backwards=reached is not None)
    for stage, name, x_mm in zip(train.stages, names, places, strict=True):
        if stage.kind == "coupling":
            if line.axis == _BACK:  # a magneto stands before the whole train and looks away from the engine
                begin, end = 0.30 * bore, (0.30 + _COUPLING) * bore
            else:
                half = _COUPLING * bore / 2 * (1 if reached is not None else -1)
                begin, end = _along_axis(line, x_mm - half), _along_axis(line, x_mm + half)
            _couple(tree, stage, shaft, name, (begin, end))
            shaft = name
            continue
        meshed += 1
        ends_here = meshed == len(meshes)
        centre = np.asarray(line.point) * (0, 1, 1) + way * module * _centre_distance(stage)
        if ends_here and reached is not None:
            next_line = reached
        elif ends_here and train.drives.endswith("magneto"):
            next_line = Line(axis=_BACK, point=_vec(centre + (x_mm, 0, 0)), zero=(0.0, 0.0, 1.0), seen_from="drive end")
        else:
            next_line = Line(axis=_ALONG, point=_vec(centre), zero=(0.0, 0.0, 1.0), seen_from="wheelcase end")
        reach = module * stage.driving_teeth / 2 * (1 if stage.kind == "spur" else -1)
        pitch_point = _vec((x_mm, *(np.asarray(line.point)[1:] + way[1:] * reach)))
        driving = _wheel(tree, shaft, stage, True, module, _along_axis(line, x_mm))
        driven = _wheel(tree, name, stage, False, module, _along_axis(next_line, x_mm))
        thick = _CAMSHAFT if name == train.drives and reached is not None else _SHAFT
        _mesh(tree, driving, driven, next_line, pitch_point, thick * bore, 0.0)
        shaft, line = name, next_line


def _stations(tree: Tree, train: TrainData, step: Floats, *, backwards: bool) -> list[float]:
    """The x [mm] of the middle of every stage along the crank, of wheels and of couplings.

    Every stage has a station of its own, so that shafts after a coupling stand clear of those before it. The first
    pair may share a wheel that stands on the shaft already, where its partner has room. ``backwards``: the way leads
    from the front back to the engine, to a camshaft; else on to the front. ``step``: from axis to axis (3,) [mm], for
    a centre distance of one module.
    """
    bore = tree.sheet.crank.bore_mm
    magneto = train.drives.endswith(" magneto")
    room = {False: 1.3 * _FACE * bore, True: 0.0 if magneto else (_AFTER + _COUPLING + _BEFORE) * bore}
    widths = [room[stage.kind == "coupling"] for stage in train.stages]
    way = 1.0 if backwards else -1.0
    shared = _shared_station(tree, train, step, widths if backwards else widths[:1])
    if backwards:
        edge = tree.front_mm - sum(widths) if shared is None else shared - widths[0] / 2
        tree.front_mm = min(tree.front_mm, edge)
    else:
        edge = tree.front_mm
        tree.front_mm -= sum(widths) if shared is None else sum(widths[1:])
    places: list[float] = []
    for number, (stage, width) in enumerate(zip(train.stages, widths, strict=True)):
        if number == 0 and shared is not None:
            places.append(shared)
            edge += width if backwards else 0.0
            continue
        # a quill needs more room on the side to which it is drawn: on along the train, but not into a camshaft
        off = (_AFTER - _BEFORE) / 2 * bore if stage.kind == "coupling" else 0.0
        drawn_back = backwards and number == len(widths) - 1
        places.append(edge + way * (width / 2 + (off if drawn_back else -off)))
        edge += way * width
    return places


def _shared_station(tree: Tree, train: TrainData, step: Floats, widths: list[float]) -> float | None:
    """The x [mm] of a wheel on the train's first shaft that can drive its first pair too, where the train's wheels
    have room beside the wheels that stand there; None when there is none. ``widths``: of the stations [mm]."""
    first, module = train.stages[0], float(np.linalg.norm(step))
    start = tree.lines[train.from_shaft]
    for known in tree.wheels.values():
        same = (known.shaft, known.teeth, known.kind) == (train.from_shaft, first.driving_teeth, "spur")
        if not (same and math.isclose(known.module_mm, module)):
            continue
        x_mm = _along_x(start, known.at_mm)
        edge, centre, room = x_mm - widths[0] / 2, np.asarray(start.point) * (0.0, 1.0, 1.0), True
        for stage, width in zip(train.stages, widths, strict=False):
            if stage.kind != "coupling":
                here = (edge, edge + width)
                if stage is not first:
                    room = room and _has_room(tree, known, centre, module * (stage.driving_teeth / 2 + 1), here)
                centre = centre + step * _centre_distance(stage)
                beyond = 1.0 if stage.kind == "spur" else 4.25
                room = room and _has_room(tree, known, centre, module * (stage.driven_teeth / 2 + beyond), here)
            edge += width
        if room and edge < -0.1 * tree.sheet.crank.bore_mm:
            return x_mm
    return None


def _has_room(tree: Tree, shared: Wheel, centre: Floats, tip_mm: float, span_mm: tuple[float, float]) -> bool:
    """Whether a wheel clears the wheels that stand between these x [mm]; those on its own axis do not count."""
    for wheel in tree.wheels.values():
        line = tree.lines[wheel.shaft]
        if wheel.name == shared.name or wheel.kind == "bevel":
            continue
        apart = math.hypot(line.point[1] - centre[1], line.point[2] - centre[2])
        within = span_mm[0] < _along_x(line, wheel.at_mm) < span_mm[1]
        beyond = 1.0 if wheel.kind == "spur" else 4.25  # in modules: a ring has its roots and its rim outside
        if within and 0.01 < apart < tip_mm + wheel.module_mm * (wheel.teeth / 2 + beyond):
            return False
    return True


def _centre_distance(stage: StageData) -> float:
    """Distance between the two axes, in modules: (N₁ + N₂)/2, for an internal mesh (N₂ − N₁)/2."""
    if stage.kind == "internal":
        return (stage.driven_teeth - stage.driving_teeth) / 2
    return (stage.driving_teeth + stage.driven_teeth) / 2


def _along_axis(line: Line, x_mm: float) -> float:
    return (x_mm - line.point[0]) * line.axis[0]


def _along_x(line: Line, along_mm: float) -> float:
    return line.point[0] + along_mm * line.axis[0]


def _lay_inclined(tree: Tree, train: TrainData, names: list[str], reached: Line) -> None:
    """Bevel, couplings, bevel: one inclined line at right angles to the two lines along the crank that it joins."""
    bore = tree.sheet.crank.bore_mm
    start = tree.lines[train.from_shaft]
    lower, upper = (stage for stage in train.stages if stage.kind == "bevel")
    lower_module, upper_module = 0.025 * bore, 0.024 * bore
    radius_driving = lower_module * lower.driving_teeth / 2
    radius_pinion = lower_module * lower.driven_teeth / 2
    side = 1 if lower.side != "wheelcase" else -1
    name = f"{train.from_shaft}, {lower.driving_teeth}-tooth bevel"
    shared = tree.wheels.get(name)
    same = shared is not None and shared.mating_teeth == lower.driven_teeth and shared.side == side
    if shared is not None and same:
        x_mm = _along_x(start, shared.at_mm)
    else:
        x_mm = _station(tree, 2 * radius_pinion + 0.30 * bore)
    top = np.array([x_mm, *reached.point[1:]])
    bottom = np.array([x_mm, *start.point[1:]])
    length = float(np.linalg.norm(top - bottom))
    down = (bottom - top) / length
    line = Line(axis=_vec(down), point=_vec(top), zero=_ALONG, seen_from="upper end")
    radius_top = upper_module * upper.driven_teeth / 2
    radius_upper = upper_module * upper.driving_teeth / 2
    # hollow, so that a quill drops in from above and can be drawn into the upper shaft
    couplings = [stage for stage in train.stages if stage.kind == "coupling"]
    tube, hollow = _SHAFT * bore, _HOLLOW * bore

    driving = _wheel(tree, train.from_shaft, lower, True, lower_module, _along_axis(start, x_mm), side)
    pitch_low = _vec(bottom + (side * radius_pinion, 0, 0) - down * radius_driving)
    pinion = _wheel(tree, names[0], lower, False, lower_module, length, -1)
    _mesh(tree, driving, pinion, line, pitch_low, tube, hollow)
    tree.crossings.setdefault(driving.name, []).append(names[0])

    shaft = names[0]
    clear = (length - radius_driving - 0.10 * bore, radius_top + 0.16 * bore)  # from below to above
    share = (clear[1] - clear[0]) / max(len(couplings), 1)
    at = 0
    for stage, name in zip(train.stages[1:-1], names[1:-1], strict=True):
        if stage.kind == "coupling":
            begin = clear[0] + share * (at + 0.10)
            _couple(tree, stage, shaft, name, (begin, begin + 0.62 * share))
            at += 1
            shaft = name
    side_top = 1 if upper.side != "wheelcase" else -1
    small = _wheel(tree, shaft, upper, True, upper_module, 0.0, 1)
    large = _wheel(tree, train.drives, upper, False, upper_module, _along_axis(reached, x_mm), side_top)
    pitch_high = _vec(top + down * radius_top + (side_top * radius_upper, 0, 0))
    _mesh(tree, small, large, reached, pitch_high, _CAMSHAFT * bore, 0.0)


def _check_crossings(tree: Tree) -> None:
    """Two pinions on one bevel must clear each other: tip cone less than half the angle between their shafts."""
    for driving, shafts in tree.crossings.items():
        for i, first in enumerate(shafts):
            for second in shafts[i + 1 :]:
                cosine = float(np.dot(tree.shafts[first].axis, tree.shafts[second].axis))
                between = math.degrees(math.acos(max(-1.0, min(1.0, cosine))))
                tips = []
                for shaft in (first, second):
                    wheel = next(w for w in tree.wheels.values() if w.shaft == shaft and w.mating_teeth)
                    tips.append(tip_cone_deg(wheel.teeth, wheel.mating_teeth))
                if sum(tips) >= between:
                    wheel = tree.wheels[driving]
                    tree.problems.append(
                        Problem(
                            f"trains.{tree.shafts[first].parent}",
                            f"the pinions of {first} and {second} on one {wheel.teeth}-tooth bevel would touch: "
                            f"their tip cones of {tips[0]:.1f}° and {tips[1]:.1f}° need more than the "
                            f"{between:.1f}° between the shafts; give the pinions fewer teeth "
                            f"(pitch cone now {cone_deg(wheel.mating_teeth, wheel.teeth):.1f}°)",
                        )
                    )
