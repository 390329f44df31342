"""Trains of any stages: wheels, idlers, bevels and couplings in any order, each on a place that follows by default.

All shafts of such a train stand in one plane: along the crank, or *crosswise* to it, at right angles. A bevel leads
from the one to the other. Wheels on lines along the crank lead on towards where the train ends, crosswise lines run
the same way, so a train that has to reach a camshaft fits by the length of its crosswise lines.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from quillwise.kinematics.angles import Floats
from quillwise.kinematics.datasheet import MagnetoData, StageData, TrainData
from quillwise.kinematics.gears import Vec3
from quillwise.kinematics.model import CRANKSHAFT
from quillwise.kinematics.throws import upwards
from quillwise.kinematics.tree import (
    AFTER,
    ALONG,
    BEFORE,
    CAMSHAFT,
    COUPLING,
    FACE,
    MAGNETO_OFF,
    SHAFT,
    Line,
    Tree,
    along_x,
    centre_distance,
    couple,
    end_seen,
    join,
    new_wheel,
    vec,
)

# by the bore: modules of wheels that nothing else sizes, and the crosswise lines
_SPUR_MODULE, _BEVEL_MODULE = 0.034, 0.025
_LARGEST = 1.4  # centre distance of a pair, or pitch diameter of a bevel
_CLEAR, _SHARE = 0.12, 0.55


def with_idlers(stages: tuple[StageData, ...]) -> tuple[StageData, ...]:
    """The stages with both counts on every mesh: an idler is driven by the wheel of the pair that it stands between,
    and drives the other. Raises ValueError for an idler that has no pair after it."""
    made: list[StageData] = []
    for number, stage in enumerate(stages):
        before = stages[number - 1] if number else None
        pair = next((later for later in stages[number:] if later.kind != "idler"), None)
        if stage.kind == "idler":
            if pair is None or pair.kind not in ("spur", "internal"):
                raise ValueError("an idler stands between the wheels of the spur or internal stage after it")
            driving = before.driven_teeth if before is not None and before.kind == "idler" else pair.driving_teeth
            stage = replace(stage, driving_teeth=driving)
        elif before is not None and before.kind == "idler":
            stage = replace(stage, driving_teeth=before.driven_teeth)
        made.append(stage)
    return tuple(made)


@dataclass(slots=True)
class _Way:
    """Where a train has got to. ``along``: +1 when its stations follow each other towards the output end, else −1;
    ``x_mm``: the next free station; ``point``: on the present line, crosswise its crossing with the line before."""

    tree: Tree
    train: TrainData
    stages: tuple[StageData, ...]
    direction: Floats
    along: float
    spur_module: float
    bevel_module: float
    run_mm: float
    x_mm: float
    shaft: str
    point: Floats
    crosswise: bool
    place_mm: float = 0.0  # along the crosswise line from the point
    share_mm: float = 0.0
    number: int = 0  # of the stage, from 0

    @property
    def later(self) -> tuple[StageData, ...]:
        """The stages after the present one."""
        return self.stages[self.number + 1 :]

    @property
    def bore(self) -> float:
        return self.tree.sheet.crank.bore_mm

    @property
    def line(self) -> Line:
        return self.tree.lines[self.shaft]


def lay_way(tree: Tree, train: TrainData, names: list[str], reached: Line | None, turned_deg: float = 0.0) -> None:
    """Lay out a train of any stages. ``turned_deg``: about +x, of the way that one takes that reaches no camshaft.
    Raises ValueError with a sentence when its shafts cannot stand so."""
    stages, bore = train.stages, tree.sheet.crank.bore_mm
    start = tree.lines[train.from_shaft]
    crosswise = abs(start.axis[0]) < 0.5
    bevels = sum(stage.kind == "bevel" for stage in stages)
    if reached is not None:
        if all(stage.kind == "coupling" for stage in stages):
            raise ValueError(f"couplings join shafts on one axis, and {train.drives} stands beside it")
        if crosswise == (bevels % 2 == 0):
            raise ValueError(f"an odd bevel too many or too few: the last shaft stands across {train.drives}")
    if crosswise and stages[0].kind == "coupling":
        raise ValueError(f"a coupling cannot be the first stage on {train.from_shaft}, which stands across the crank")
    point = np.asarray(start.point, dtype=float)
    if crosswise:
        point = point + _middle_mm(tree, train.from_shaft) * np.asarray(start.axis)
    magneto = next((m for m in tree.sheet.magnetos if train.drives == f"{m.name} magneto"), None)
    direction, distance = _direction(point, reached, magneto, turned_deg, upwards(tree.sheet))
    along_stages = _along_gears(stages, crosswise)
    runs = _runs(stages, crosswise)
    reach = sum(centre_distance(stage) for stage in along_stages)
    sums = [centre_distance(stage) for stage in stages if stage.kind in ("spur", "internal", "idler")]
    spur_module = min(_SPUR_MODULE, _LARGEST / max(sums, default=1.0)) * bore
    if magneto is not None and reach:
        spur_module = max(0.025, min(0.08, MAGNETO_OFF / reach)) * bore
    if reached is not None and reach:
        spur_module = min(spur_module, 0.5 * distance / reach) if runs else distance / reach
    run_mm = (_SHARE * max(_crosswise_items(stages, crosswise), default=0) + 1.2) * bore
    if reached is not None and runs:
        run_mm = (distance - spur_module * reach) / runs
        if run_mm < 0.05 * bore:
            raise ValueError(f"{train.drives} stands too near to {train.from_shaft} for a shaft between them")
    largest = max((max(s.driving_teeth, s.driven_teeth) for s in stages if s.kind == "bevel"), default=1)
    # a crosswise line has a wheel at each end, and what stands between them has half of it
    bevel_module = min(_BEVEL_MODULE * bore, 0.5 * run_mm / largest, _LARGEST * bore / largest)

    at_rear = train.from_shaft in (CRANKSHAFT, *tree.sheet.camshafts) and stages[0].kind == "coupling"
    way = _Way(
        tree=tree,
        train=train,
        stages=stages,
        direction=direction,
        along=1.0 if reached is not None or at_rear else -1.0,
        spur_module=spur_module,
        bevel_module=bevel_module,
        run_mm=run_mm,
        x_mm=tree.rear_mm if at_rear else tree.front_mm,
        shaft=train.from_shaft,
        point=point,
        crosswise=crosswise,
    )
    total = sum(_widths(way))
    if reached is not None and not at_rear:
        way.x_mm -= total
    first, shared = stages[0], _shared(way, bevels)
    if shared is not None:
        way.x_mm = shared - way.along * _half_mm(way, first.driven_teeth)
    elif at_rear:
        tree.rear_mm += total
    else:
        tree.front_mm -= total
    _lay(way, names, reached, magneto)


def _direction(
    point: Floats, reached: Line | None, magneto: MagnetoData | None, turned_deg: float, up: int
) -> tuple[Floats, float]:
    """Which way the train leads across the crank (3,), and how far it has to [mm]."""
    if reached is not None:
        away = np.subtract(reached.point, point) * (0.0, 1.0, 1.0)
        distance = float(np.linalg.norm(away))
        if distance < 1e-6:
            raise ValueError("it starts in line with the camshaft: no wheels fit between them")
        return away / distance, distance
    free = 0.0 if up > 0 else 180.0
    from_up = free if magneto is None else -90.0 if magneto.stands == "left" else 90.0
    turn = np.radians(from_up + turned_deg)
    return np.array([0.0, -np.sin(turn), np.cos(turn)]), 0.0


def _middle_mm(tree: Tree, shaft: str) -> float:
    """Middle of what stands on a shaft [mm along its axis]."""
    at = [wheel.at_mm for wheel in tree.wheels.values() if wheel.shaft == shaft]
    for coupling in tree.couplings.values():
        at += coupling.driving_mm if coupling.driving == shaft else ()
        at += coupling.driven_mm if coupling.driven == shaft else ()
    return (min(at) + max(at)) / 2 if at else 0.0


def _each(stages: tuple[StageData, ...], crosswise: bool) -> Iterator[tuple[StageData, bool]]:
    """Every stage with whether the shaft that it starts from stands crosswise."""
    for stage in stages:
        yield stage, crosswise
        crosswise = crosswise != (stage.kind == "bevel")


def _along_gears(stages: tuple[StageData, ...], crosswise: bool) -> list[StageData]:
    """The meshes of wheels on lines along the crank."""
    return [s for s, across in _each(stages, crosswise) if not across and s.kind in ("spur", "internal", "idler")]


def _runs(stages: tuple[StageData, ...], crosswise: bool) -> int:
    """How many crosswise lines the train itself makes."""
    return sum(stage.kind == "bevel" and not across for stage, across in _each(stages, crosswise))


def _crosswise_items(stages: tuple[StageData, ...], crosswise: bool) -> list[int]:
    """What stands between the bevels, counted, of every crosswise line."""
    counts = [0]
    for stage, across in _each(stages, crosswise):
        if stage.kind == "bevel":
            counts.append(0)
        elif across and stage.kind != "idler":
            counts[-1] += 1
    return counts


def _half_mm(way: _Way, crosswise_teeth: int) -> float:
    """Half the width of a crossing along the crank: its crosswise wheel, and a gap."""
    return way.bevel_module * crosswise_teeth / 2 + 0.15 * way.bore


def _widths(way: _Way) -> list[float]:
    """How far every stage takes the train along the crank [mm]."""
    made = []
    magneto = way.train.drives.endswith(" magneto")
    for number, (stage, across) in enumerate(_each(way.stages, way.crosswise)):
        is_own = magneto and all(later.kind == "coupling" for later in way.stages[number:])
        is_own = is_own and any(before.kind != "coupling" for before in way.stages[:number])
        if stage.kind == "bevel":
            made.append(_half_mm(way, stage.driving_teeth if across else stage.driven_teeth))
        elif stage.kind == "coupling":
            # a magneto's own coupling stands before the whole train, with the magneto
            made.append(0.0 if across or is_own else (AFTER + COUPLING + BEFORE) * way.bore)
        elif across:
            made.append(way.spur_module * centre_distance(stage))
        else:
            made.append(0.0 if stage.kind == "idler" else 1.3 * FACE * way.bore)
    return made


def _shared(way: _Way, bevels: int) -> float | None:
    """The x [mm] of a bevel that stands on the first shaft already and can drive this train too, or None."""
    first, tree = way.stages[0], way.tree
    if way.crosswise or first.kind != "bevel" or first.set_apart or bevels != 1:
        return None
    if any(stage.kind != "coupling" for stage in way.stages[1:]):
        return None
    side = _x_side(first) * way.line.axis[0]
    for wheel in tree.wheels.values():
        found = (wheel.shaft, wheel.kind, wheel.teeth, wheel.mating_teeth, wheel.side)
        if found != (way.shaft, "bevel", first.driving_teeth, first.driven_teeth, side):
            continue
        ways = [run_of(tree, shaft) for shaft in tree.crossings.get(wheel.name, [])]
        if all(float(np.dot(run, way.direction)) < 0.9 for run in ways):
            way.bevel_module = wheel.module_mm
            return along_x(way.line, wheel.at_mm)
    return None


def run_of(tree: Tree, shaft: str) -> Floats:
    """Direction (3,) from the crossing in which a shaft's bevel stands."""
    wheel = next(w for w in tree.wheels.values() if w.shaft == shaft and w.mating_teeth)
    return wheel.side * np.asarray(tree.shafts[shaft].axis)


def _x_side(stage: StageData) -> int:
    return -1 if stage.side == "wheelcase" else 1


def _lay(way: _Way, names: list[str], reached: Line | None, magneto: MagnetoData | None) -> None:
    widths = _widths(way)
    on_own_line = 0.30 * way.bore  # of a magneto that stands before the train
    for number, (stage, name, width) in enumerate(zip(way.stages, names, widths, strict=True)):
        way.number, rest = number, way.stages[number + 1 :]
        is_last_mesh = all(later.kind == "coupling" for later in rest)
        to = reached if is_last_mesh and stage.kind != "coupling" else None
        own = magneto if is_last_mesh else None
        if stage.kind == "coupling":
            if way.crosswise:
                begin = way.place_mm + 0.10 * way.share_mm
                span = (begin, begin + 0.62 * way.share_mm)
                way.place_mm += way.share_mm
                sign = float(np.dot(way.direction, way.line.axis))
                off = float(np.dot(way.point - np.asarray(way.line.point), way.line.axis))
                ends = (off + sign * span[0], off + sign * span[1])
            elif width == 0.0:
                ends = (on_own_line, on_own_line + COUPLING * way.bore)
                on_own_line = ends[1] + 0.30 * way.bore
            else:
                middle = way.x_mm + way.along * (AFTER + COUPLING / 2) * way.bore
                half = way.along * COUPLING / 2 * way.bore
                x_axis = way.line.axis[0]
                ends = (
                    (middle - half - way.line.point[0]) * x_axis,
                    (middle + half - way.line.point[0]) * x_axis,
                )
                way.x_mm += way.along * width
            outward = ends[1] > ends[0]
            couple(way.tree, stage, way.shaft, name, ends)
            if own is not None and not rest and outward:
                _seen_from_drive_end(way.tree, name)
        elif stage.kind == "bevel":
            _bevel(way, stage, name, to, own, width)
        else:
            _pair(way, stage, name, to, own, width)
        way.shaft = name


def _seen_from_drive_end(tree: Tree, shaft: str) -> None:
    tree.lines[shaft] = replace(tree.lines[shaft], seen_from="drive end")
    tree.shafts[shaft] = replace(tree.shafts[shaft], seen_from="drive end")


def _line_along(way: _Way, point: Floats, to: Line | None, own: MagnetoData | None) -> Line:
    """A line along the crank: of the shaft that is reached, of a magneto, or of a shaft between."""
    if to is not None:
        return to
    if own is not None:
        return Line(axis=vec((way.along, 0.0, 0.0)), point=vec(point), zero=(0.0, 0.0, 1.0), seen_from="drive end")
    return Line(axis=ALONG, point=vec(point * (0.0, 1.0, 1.0)), zero=(0.0, 0.0, 1.0), seen_from="wheelcase end")


def _line_across(way: _Way, point: Floats, own: MagnetoData | None) -> Line:
    """A crosswise line through a point; a magneto's leads away from the train, others look down it."""
    axis: Vec3 = vec(way.direction if own is not None else -way.direction)
    return Line(axis=axis, point=vec(point), zero=ALONG, seen_from=end_seen(axis) if own is None else "drive end")


def _at(line: Line, point: Floats) -> float:
    """Place of a point along a line [mm]."""
    return float(np.dot(point - np.asarray(line.point), line.axis))


def _thick(way: _Way, to: Line | None) -> float:
    return (CAMSHAFT if to is not None else SHAFT) * way.bore


def _pair(way: _Way, stage: StageData, name: str, to: Line | None, own: MagnetoData | None, width: float) -> None:
    """Two wheels, outside or inside, between parallel shafts."""
    module, line = way.spur_module, way.line
    off = module * centre_distance(stage)
    reach = module * stage.driving_teeth / 2 * (-1 if stage.kind == "internal" else 1)
    if way.crosswise:
        place = way.place_mm + way.share_mm / 2
        here = way.point + place * way.direction
        step = np.array([way.along, 0.0, 0.0])
        next_line = _line_across(way, way.point + off * step + (place if own is not None else 0.0) * way.direction, own)
        way.place_mm += 0.0 if stage.kind == "idler" else way.share_mm  # the wheel of an idler meets both
        way.point = way.point + off * step
        way.x_mm += way.along * width
    else:
        following = 1.3 * FACE * way.bore
        x_mm = way.x_mm + way.along * following / 2
        here = np.array([x_mm, *way.point[1:]])
        step = way.direction
        way.point = way.point * (0.0, 1.0, 1.0) + off * step
        next_line = _line_along(way, np.array([x_mm, *way.point[1:]]), to, own)
        way.x_mm += way.along * width
    driving = new_wheel(way.tree, way.shaft, stage, True, module, _at(line, here))
    driven = new_wheel(way.tree, name, stage, False, module, _at(next_line, here + off * step))
    join(way.tree, driving, driven, next_line, vec(here + reach * step), _thick(way, to), 0.0)


def _bevel(way: _Way, stage: StageData, name: str, to: Line | None, own: MagnetoData | None, width: float) -> None:
    """Two bevels, from a line along the crank to a crosswise one or back: both wheels look at the crossing."""
    module, line, bore = way.bevel_module, way.line, way.bore
    driving_mm, driven_mm = module * stage.driving_teeth / 2, module * stage.driven_teeth / 2
    x_side = np.array([float(_x_side(stage)), 0.0, 0.0])
    if way.crosswise:
        starts_here = way.share_mm == 0.0 and way.place_mm == 0.0  # on a shaft of another train
        crossing = way.point if starts_here else way.point + way.run_mm * way.direction
        toward = np.asarray(line.axis, dtype=float) if starts_here else -way.direction
        way.x_mm = float(crossing[0]) + way.along * width
        next_line = _line_along(way, crossing, to, own)
        first, second = toward, x_side
    else:
        crossing = np.array([way.x_mm + way.along * width, *way.point[1:]])
        way.x_mm = float(crossing[0])
        toward = way.direction
        clear = driving_mm + _CLEAR * bore
        items = 0
        for later in way.later:
            if later.kind == "bevel":
                break
            items += later.kind != "idler"
        end = way.run_mm - _far_mm(way) - _CLEAR * bore
        way.place_mm, way.share_mm = clear, max(end - clear, 0.05 * bore) / max(items, 1)
        begin = crossing + (clear + 0.1 * bore) * toward if own is not None else crossing
        next_line = _line_across(way, begin, own)
        first, second = x_side, toward
    side = 1 if float(np.dot(first, line.axis)) > 0 else -1
    driving = new_wheel(way.tree, way.shaft, stage, True, module, _at(line, crossing), side)
    side = 1 if float(np.dot(second, next_line.axis)) > 0 else -1
    driven = new_wheel(way.tree, name, stage, False, module, _at(next_line, crossing), side)
    pitch_point = vec(crossing + driven_mm * first + driving_mm * second)
    join(way.tree, driving, driven, next_line, pitch_point, _thick(way, to), 0.0)
    if not way.crosswise:
        way.tree.crossings.setdefault(driving.name, []).append(name)
    way.point, way.crosswise = crossing, not way.crosswise
    if not way.crosswise:
        way.place_mm = way.share_mm = 0.0


def _far_mm(way: _Way) -> float:
    """Radius of the wheel at the far end of the crosswise line that the present bevels begin [mm]."""
    out = next((other for other in way.later if other.kind == "bevel"), None)
    return way.bevel_module * out.driven_teeth / 2 if out is not None else 0.0
