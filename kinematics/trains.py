"""The gear trains as a tree of named shafts: where each shaft stands, its exact ratio, its sense, its wheels' phases.

A train is laid along *lines*: a mesh leads to a new line, a coupling joins two shafts on one line. Lines along the
crank get a station (an x) in front of the first cylinder for every pair of wheels; an inclined line stands at
right angles to the two lines that it joins, so its angle follows from where those are.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction

import numpy as np

from quillwise.kinematics import lengths
from quillwise.kinematics.angles import Floats
from quillwise.kinematics.datasheet import DataSheet, TrainData
from quillwise.kinematics.errors import Problem, unknown
from quillwise.kinematics.gears import (
    cone_deg,
    tip_cone_deg,
)
from quillwise.kinematics.model import CRANKSHAFT, Wheel, turning
from quillwise.kinematics.throws import FIRST_THROW, upwards
from quillwise.kinematics.tree import (
    AFTER,
    ALONG,
    BACK,
    BEFORE,
    CAMSHAFT,
    COUPLING,
    FACE,
    HOLLOW,
    MAGNETO_OFF,
    SHAFT,
    Line,
    Tree,
    along_axis,
    along_x,
    centre_distance,
    couple,
    end_seen,
    join,
    new_shaft,
    new_wheel,
    next_station,
    vec,
)
from quillwise.kinematics.ways import lay_way, run_of, with_idlers

__all__ = ["Line", "Tree", "lay_out"]

_SAME_AXIS_MM = 0.5


def lay_out(sheet: DataSheet, sigma: int, lines: dict[str, Line], front_mm: float, rear_mm: float = 0.0) -> Tree:
    """Lay out all trains. ``lines``: of the crankshaft and of every camshaft. Problems are collected in the tree."""
    tree = Tree(sheet=sheet, sigma=sigma, lines=dict(lines), front_mm=front_mm, rear_mm=rear_mm)
    bore = sheet.crank.bore_mm
    tree.shafts[CRANKSHAFT] = new_shaft(tree, CRANKSHAFT, lines[CRANKSHAFT], "", "", Fraction(1), 0.18 * bore)
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
    maker = _makers(tree)
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


def _makers(tree: Tree) -> dict[str, TrainData]:
    """The train that each shaft belongs to, but for the crankshaft's."""
    return {name: train for train in tree.sheet.trains for name in _names(train)}


def _lay_train(tree: Tree, train: TrainData) -> None:
    names = _names(train)
    taken = [name for name in names if name in tree.shafts] + [n for n in names if names.count(n) > 1]
    if taken:
        tree.problems.append(Problem(f"trains.{train.drives}", f'the shaft "{taken[0]}" is driven twice'))
        return
    path = f"trains.{train.drives}.stages"
    for number, stage in enumerate(train.stages, start=1):
        if stage.kind == "internal" and stage.driven_teeth <= stage.driving_teeth:
            tree.problems.append(
                Problem(
                    f"{path}[{number}].internal.driven",
                    f"expected more than the {stage.driving_teeth} teeth of the wheel inside it, "
                    f"got {stage.driven_teeth}",
                )
            )
            return
    try:
        _lay_clear(tree, replace(train, stages=with_idlers(train.stages)), names)
    except ValueError as error:
        tree.problems.append(Problem(path, f"cannot be laid out: {error}"))
        return
    made = tree.shafts[train.drives]
    if train.turns is not None and train.turns != turning(made.sense):
        tree.problems.append(
            Problem(
                f"trains.{train.drives}.turns",
                f"given {train.turns}, but the train turns it {turning(made.sense)}, seen from the {made.seen_from}",
            )
        )


def _lay_clear(tree: Tree, train: TrainData, names: list[str]) -> None:
    """Lay out a train, turned where it would put a shaft on the axis of another. Raises ValueError (text for the
    user)."""
    reached = tree.lines.get(train.drives)
    turns = (0.0, 40.0, -40.0, 80.0, -80.0, 180.0) if reached is None else (0.0,)
    for turned_deg in turns:
        trial = tree.copy()
        _lay(trial, train, names, reached, turned_deg)
        if not _on_one_axis(trial, names):
            break
    tree.take(trial)


def _on_one_axis(tree: Tree, names: list[str]) -> bool:
    """Whether one of the shafts stands on the axis of another that no coupling joins to it."""
    for name in names:
        own, joined = tree.lines[name], _coupled(tree, name)
        for other in tree.shafts:
            cosine = float(np.dot(own.axis, tree.lines[other].axis))
            if other in joined or abs(cosine) < 0.999:
                continue
            if cosine < 0 and tree.shafts[name].parent == tree.shafts[other].parent and abs(own.axis[0]) < 0.5:
                continue  # to both sides of one bevel
            off = np.cross(np.subtract(tree.lines[other].point, own.point), own.axis)
            if float(np.linalg.norm(off)) < _SAME_AXIS_MM:
                return True
    return False


def _coupled(tree: Tree, shaft: str) -> set[str]:
    """The shafts in line with one through couplings, itself among them."""
    joined = {shaft}
    for coupling in [*tree.couplings.values()] * 2:
        pair = {coupling.driving, coupling.driven}
        joined |= pair if joined & pair else set()
    return joined


def _lay(tree: Tree, train: TrainData, names: list[str], reached: Line | None, turned_deg: float) -> None:
    kinds = [stage.kind for stage in train.stages]
    is_across = abs(tree.lines[train.from_shaft].axis[0]) < 0.5
    is_on_crank_end = kinds[0] == "coupling" and train.from_shaft in (CRANKSHAFT, *tree.sheet.camshafts)
    between = set(kinds[1:-1])
    if is_across or is_on_crank_end or turned_deg or "idler" in kinds or set(kinds) == {"coupling"}:
        lay_way(tree, train, names, reached, turned_deg)
    elif len(kinds) > 1 and kinds[0] == kinds[-1] == "bevel" and between <= {"coupling"} and reached is not None:
        _lay_inclined(tree, train, names, reached)
    elif "bevel" not in kinds:
        _lay_parallel(tree, train, names, reached)
    else:
        lay_way(tree, train, names, reached, turned_deg)


def _lay_parallel(tree: Tree, train: TrainData, names: list[str], reached: Line | None) -> None:
    """Spur and internal stages: all lines stand along the crank; the way goes straight to where the train ends."""
    bore = tree.sheet.crank.bore_mm
    start = tree.lines[train.from_shaft]
    meshes = [stage for stage in train.stages if stage.kind != "coupling"]
    sums = [centre_distance(stage) for stage in meshes]
    if reached is not None:
        way = np.subtract(reached.point, start.point) * (0.0, 1.0, 1.0)
        module = float(np.linalg.norm(way)) / sum(sums)
        way = way / np.linalg.norm(way)
    else:
        magneto = next((m for m in tree.sheet.magnetos if train.drives == f"{m.name} magneto"), None)
        given = tree.sheet.geometry
        distance = given.get("wheelcase_shaft_height_mm" if magneto is None else "magneto_distance_mm")
        # magnetos stand so far from the shaft that drives them that one on each side has room
        usual = (0.034 if magneto is None else max(0.025, MAGNETO_OFF / sum(sums))) * bore
        module = distance / sum(sums) if distance else given.get("gear_module_mm", usual)
        way = np.array([0.0, 0.0, upwards(tree.sheet)]) if magneto is None else np.array([0.0, 1.0, 0.0])
        if magneto is not None and magneto.stands == "right":
            way = -way
    shaft, line = train.from_shaft, start
    meshed = 0
    places = _stations(tree, train, way * module, backwards=reached is not None)
    for stage, name, x_mm in zip(train.stages, names, places, strict=True):
        if stage.kind == "coupling":
            if line.axis == BACK:  # a magneto stands before the whole train and looks away from the engine
                begin, end = 0.30 * bore, (0.30 + COUPLING) * bore
            else:
                half = COUPLING * bore / 2 * (1 if reached is not None else -1)
                begin, end = along_axis(line, x_mm - half), along_axis(line, x_mm + half)
            couple(tree, stage, shaft, name, (begin, end))
            shaft = name
            continue
        meshed += 1
        ends_here = meshed == len(meshes)
        centre = np.asarray(line.point) * (0, 1, 1) + way * module * centre_distance(stage)
        if ends_here and reached is not None:
            next_line = reached
        elif ends_here and train.drives.endswith("magneto"):
            next_line = Line(axis=BACK, point=vec(centre + (x_mm, 0, 0)), zero=(0.0, 0.0, 1.0), seen_from="drive end")
        else:
            next_line = Line(axis=ALONG, point=vec(centre), zero=(0.0, 0.0, 1.0), seen_from="wheelcase end")
        reach = module * stage.driving_teeth / 2 * (1 if stage.kind == "spur" else -1)
        pitch_point = vec((x_mm, *(np.asarray(line.point)[1:] + way[1:] * reach)))
        driving = new_wheel(tree, shaft, stage, True, module, along_axis(line, x_mm))
        driven = new_wheel(tree, name, stage, False, module, along_axis(next_line, x_mm))
        thick = CAMSHAFT if name == train.drives and reached is not None else SHAFT
        join(tree, driving, driven, next_line, pitch_point, thick * bore, 0.0)
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
    room = {False: 1.3 * FACE * bore, True: 0.0 if magneto else (AFTER + COUPLING + BEFORE) * bore}
    widths = [room[stage.kind == "coupling"] for stage in train.stages]
    way = 1.0 if backwards else -1.0
    if backwards and train.from_shaft in tree.sheet.camshafts:
        # behind the engine, where no other wheel of a camshaft stands in the way
        edges = tree.rear_mm + np.cumsum([0.0, *widths])
        tree.rear_mm = float(edges[-1])
        return [float(middle) for middle in (edges[1:] + edges[:-1]) / 2]
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
        off = (AFTER - BEFORE) / 2 * bore if stage.kind == "coupling" else 0.0
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
        x_mm = along_x(start, known.at_mm)
        edge, centre, room = x_mm - widths[0] / 2, np.asarray(start.point) * (0.0, 1.0, 1.0), True
        for stage, width in zip(train.stages, widths, strict=False):
            if stage.kind != "coupling":
                here = (edge, edge + width)
                if stage is not first:
                    room = room and _has_room(tree, known, centre, module * (stage.driving_teeth / 2 + 1), here)
                centre = centre + step * centre_distance(stage)
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
        within = span_mm[0] < along_x(line, wheel.at_mm) < span_mm[1]
        beyond = 1.0 if wheel.kind == "spur" else 4.25  # in modules: a ring has its roots and its rim outside
        if within and 0.01 < apart < tip_mm + wheel.module_mm * (wheel.teeth / 2 + beyond):
            return False
    return True


def _lay_inclined(tree: Tree, train: TrainData, names: list[str], reached: Line) -> None:
    """Bevel, couplings, bevel: one inclined line at right angles to the two lines along the crank that it joins."""
    bore = tree.sheet.crank.bore_mm
    start = tree.lines[train.from_shaft]
    lower, upper = (stage for stage in train.stages if stage.kind == "bevel")
    given = tree.sheet.geometry
    lower_module = given.get("bevel_module_mm", 0.025 * bore)
    upper_module = given.get("camshaft_bevel_module_mm", 0.024 * bore)
    radius_driving = lower_module * lower.driving_teeth / 2
    radius_pinion = lower_module * lower.driven_teeth / 2
    side = 1 if lower.side != "wheelcase" else -1
    name = f"{train.from_shaft}, {lower.driving_teeth}-tooth bevel"
    shared = tree.wheels.get(name) if not lower.set_apart else None
    same = shared is not None and shared.mating_teeth == lower.driven_teeth and shared.side == side
    if shared is not None and same:
        x_mm = along_x(start, shared.at_mm)
    else:
        width = 2 * radius_pinion + 0.30 * bore
        ahead = given.get("inclined_shafts_ahead_mm")
        if ahead is not None:
            # what stands between it and the engine keeps its place: the plane can only be further ahead
            wanted = FIRST_THROW * bore - ahead
            nearest = tree.front_mm - width / 2
            if wanted > nearest:
                unit = tree.sheet.length_unit
                least = lengths.length(FIRST_THROW * bore - nearest, unit, 1)
                tree.problems.append(
                    Problem(
                        "geometry.inclined_shafts_ahead",
                        f"expected at least {least}, got {lengths.stated(ahead, unit)}: other wheels "
                        "stand nearer to the first cylinder",
                    )
                )
            tree.front_mm = min(tree.front_mm, wanted + width / 2)
        x_mm = next_station(tree, width)
    top = np.array([x_mm, *reached.point[1:]])
    bottom = np.array([x_mm, *start.point[1:]])
    length = float(np.linalg.norm(top - bottom))
    down = (bottom - top) / length
    line = Line(axis=vec(down), point=vec(top), zero=ALONG, seen_from=end_seen(down))
    radius_top = upper_module * upper.driven_teeth / 2
    radius_upper = upper_module * upper.driving_teeth / 2
    # hollow, so that a quill drops in from above and can be drawn into the upper shaft
    couplings = [stage for stage in train.stages if stage.kind == "coupling"]
    tube, hollow = SHAFT * bore, HOLLOW * bore

    driving = new_wheel(tree, train.from_shaft, lower, True, lower_module, along_axis(start, x_mm), side)
    pitch_low = vec(bottom + (side * radius_pinion, 0, 0) - down * radius_driving)
    pinion = new_wheel(tree, names[0], lower, False, lower_module, length, -1)
    join(tree, driving, pinion, line, pitch_low, tube, hollow)
    tree.crossings.setdefault(driving.name, []).append(names[0])

    shaft = names[0]
    clear = (length - radius_driving - 0.10 * bore, radius_top + 0.16 * bore)  # from below to above
    share = (clear[1] - clear[0]) / max(len(couplings), 1)
    at = 0
    for stage, name in zip(train.stages[1:-1], names[1:-1], strict=True):
        if stage.kind == "coupling":
            begin = clear[0] + share * (at + 0.10)
            couple(tree, stage, shaft, name, (begin, begin + 0.62 * share))
            at += 1
            shaft = name
    side_top = 1 if upper.side != "wheelcase" else -1
    small = new_wheel(tree, shaft, upper, True, upper_module, 0.0, 1)
    large = new_wheel(tree, train.drives, upper, False, upper_module, along_axis(reached, x_mm), side_top)
    pitch_high = vec(top + down * radius_top + (side_top * radius_upper, 0, 0))
    join(tree, small, large, reached, pitch_high, CAMSHAFT * bore, 0.0)


def _check_crossings(tree: Tree) -> None:
    """Two pinions on one bevel must clear each other: tip cone less than half the angle between their shafts."""
    for driving, shafts in tree.crossings.items():
        for i, first in enumerate(shafts):
            for second in shafts[i + 1 :]:
                cosine = float(np.dot(run_of(tree, first), run_of(tree, second)))
                between = math.degrees(math.acos(max(-1.0, min(1.0, cosine))))
                tips = []
                for shaft in (first, second):
                    wheel = next(w for w in tree.wheels.values() if w.shaft == shaft and w.mating_teeth)
                    tips.append(tip_cone_deg(wheel.teeth, wheel.mating_teeth))
                if sum(tips) >= between:
                    wheel = tree.wheels[driving]
                    # the later train is the one to set apart
                    tree.problems.append(
                        Problem(
                            f"trains.{_makers(tree)[second].drives}.stages",
                            f"the pinions of {first} and {second} on one {wheel.teeth}-tooth bevel would touch: "
                            f"their tip cones of {tips[0]:.1f}° and {tips[1]:.1f}° need more than the "
                            f"{between:.1f}° between the shafts; give the pinions fewer teeth "
                            f"(pitch cone now {cone_deg(wheel.mating_teeth, wheel.teeth):.1f}°), "
                            "or set the driving bevels apart",
                        )
                    )
