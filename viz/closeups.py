"""The close-ups: the clearance at a valve, a coupling, its teeth end-on, a magneto, its points alone as they break or
at their gap, a piston under its stop or gauge, the room to a valve over it, the timing window.

Each says which parts it shows, from where it looks, and by how much it magnifies a clearance or a gap, which is
tenths of a millimetre and would be nothing in a picture: see ``magnifying``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from quillwise.kinematics.angles import Floats, format_crank, format_event, wrapped
from quillwise.kinematics.assembly import Assembly
from quillwise.kinematics.joints import Fixed
from quillwise.kinematics.lengths import length
from quillwise.kinematics.lobes import RockerPlan
from quillwise.kinematics.magnetos import TOUCHING_MM, meter_ohm, points_opening_mm
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import State, breaker_running_deg
from quillwise.kinematics.parts import FOLLOWERS, Kind, Part
from quillwise.kinematics.poses import points_in_world, poses
from quillwise.kinematics.rig import Rig, bank_axes, slide_coordinate
from quillwise.kinematics.steps import Frame, Step
from quillwise.meshes import dressing
from quillwise.meshes.build import index_mark, lobe_slice, mesh
from quillwise.viz import exhibit, over_piston, points_feeler, teeth
from quillwise.viz.cameras import Camera, Margins, Vector, fit
from quillwise.viz.exhibit import Body, bodies, painted
from quillwise.viz.magnifying import (
    blade_mm,
    blade_reach_mm,
    breaker_cam,
    drawn_gap_mm,
    feeler,
    feeler_poses,
    magnified,
    magnified_rig,
)
from quillwise.viz.touching import is_open, valve_words

if TYPE_CHECKING:
    from quillwise.viz.stage import Stage

CloseUpKind = Literal["valve", "coupling", "teeth", "magneto", "points", "gap", "window", "piston", "room"]

_END_ROOM = 0.02  # of the bore: beyond a quill's end and its mate
_LEVEL = 1e-6
_UNDER_DEG = 0.25  # a mark this near to the pointer stands under it
VALVE_FACTOR = 8.0
POINTS_FACTOR = 6.0
BREAK_FACTOR = 50.0
GAP_FACTOR = 16.0
_JUST_OPEN_MM = 0.05  # points that have just broken: so much room is left above the lever
_BREAKING_DEG = 0.5  # of the rotor: points that are shut so little before and open so little after are breaking


@dataclass(frozen=True, kw_only=True, slots=True)
class CloseUp:
    """A close-up. ``of``: the valve, coupling or magneto that it shows, of a piston the cylinder, of the room the valve
    (empty for the window); ``factor``: by how much its clearance or gap is magnified (1: not); ``parts``: all that it
    shows; ``upward``: of teeth what is up, where it is not the usual."""

    kind: CloseUpKind
    of: str
    parts: tuple[Part, ...]
    factor: float
    title: str
    upward: Vector | None = None


def close_up(engine: Engine, kind: CloseUpKind, of: str = "") -> CloseUp:
    """The close-up of a valve, a coupling or a magneto by name, of the piston of a cylinder, or of the timing window.
    Raises KeyError for a name that the engine does not have."""
    if kind == "valve":
        valve = engine.valves[of]
        wanted = [
            Part(Kind.CAMSHAFT, valve.camshaft),
            *(Part(kind, of) for kind in FOLLOWERS),
            Part(Kind.VALVE, of),
            Part(Kind.SEAT, of),
            Part(Kind.SPRING, of),
        ]
        parts = tuple(part for part in wanted if part in set(engine.parts))
        return CloseUp(kind=kind, of=of, parts=parts, factor=VALVE_FACTOR, title=f"{of}: clearance × {VALVE_FACTOR:g}")
    if kind == "coupling":
        coupling = engine.couplings[of]
        parts = (
            Part(Kind.QUILL if coupling.data.kind == "quill" else Kind.SLEEVE, of),
            Part(Kind.MATE, f"{of} driving"),
            Part(Kind.MATE, f"{of} driven"),
            *(Part(Kind.SHAFT, name) for name in (coupling.driving, coupling.driven)),
        )
        return CloseUp(kind=kind, of=of, parts=parts, factor=1.0, title=of)
    if kind == "teeth":
        return CloseUp(kind=kind, of=of, parts=teeth.parts(engine, of), factor=1.0, title=f"{of}: end-on")
    if kind == "magneto":
        magneto = engine.magnetos[of]
        kinds = (
            Kind.ROTOR,
            Kind.POLE_SHOES,
            Kind.BREAKER_CAM,
            Kind.FIXED_POINT,
            Kind.MOVING_POINT,
            Kind.FINGER,
            Kind.SEGMENTS,
        )
        wheels = [
            Part(Kind.WHEEL, w.name) for w in engine.wheels.values() if w.shaft in (magneto.rotor, magneto.finger)
        ]
        parts = (*(Part(each, of) for each in kinds), Part(Kind.SHAFT, magneto.rotor), *wheels)
        title = f"{of} magneto: points gap × {POINTS_FACTOR:g}"
        return CloseUp(kind=kind, of=of, parts=parts, factor=POINTS_FACTOR, title=title)
    if kind in ("points", "gap"):
        # without the cam: so much magnified, the lever would seem to float above it
        parts = (Part(Kind.FIXED_POINT, of), Part(Kind.MOVING_POINT, of))
        factor = BREAK_FACTOR if kind == "points" else GAP_FACTOR
        return CloseUp(kind=kind, of=of, parts=parts, factor=factor, title=f"{of} points × {factor:g}")
    if kind in ("piston", "room"):
        parts = over_piston.parts(engine, engine.valves[of].cylinder if kind == "room" else of)
        return CloseUp(kind=kind, of=of, parts=parts, factor=1.0, title=f"{of}: {kind}")
    parts = (Part(Kind.DISC), Part(Kind.WINDOW))
    return CloseUp(kind="window", of="", parts=parts, factor=1.0, title="timing window")


def close_up_bodies(engine: Engine, shown: CloseUp) -> dict[Part, Body]:
    """Bodies of a close-up's parts, in full detail; of a camshaft the one lobe, of a valve its feeler too."""
    if shown.kind == "teeth":
        return teeth.bodies(engine, shown.of)
    own = (Kind.CAMSHAFT, Kind.CYLINDER)
    made = bodies(engine, [part for part in shown.parts if part.kind not in own], "fine")
    made |= {
        part: (over_piston.half_liner(engine, part.of), None) for part in shown.parts if part.kind is Kind.CYLINDER
    }
    if shown.kind == "piston":
        made[over_piston.tool(engine, shown.of)] = (over_piston.tool_body(engine, shown.of), None)
    if shown.kind == "valve":
        made[Part(Kind.CAMSHAFT, engine.valves[shown.of].camshaft)] = (lobe_slice(engine, shown.of), None)
        made |= {part: (body, None) for part, body in feeler(engine, shown).items()}
        if isinstance(engine.valves[shown.of].plan, RockerPlan):
            made[Part(Kind.ROCKER_SHAFT, shown.of)] = (dressing.rocker_pin(engine, shown.of), None)
    if shown.kind == "gap":
        made[points_feeler.part(shown.of)] = (points_feeler.body(engine, shown.of, shown.factor), None)
    if shown.kind == "magneto":
        cam = Part(Kind.BREAKER_CAM, shown.of)
        paint = index_mark(engine, cam)
        larger = breaker_cam(engine, shown.of, shown.factor)
        made[cam] = (larger, None) if paint is None else painted(larger, paint)
    return made


def place_close_up(
    stage: Stage, engine: Engine, rig: Rig, shown: CloseUp, moment: Frame, state: State, step: Step | None
) -> None:
    """Move a close-up's parts to a state of one value, its clearance magnified; the feeler is there when the step uses
    it and the valve is not open, the follower when it is fitted."""
    thick = blade_mm(engine, moment.assembly, shown.of, state, step) if shown.kind == "valve" else 0.0
    if shown.kind == "room":
        state = over_piston.opened(engine, shown.of, state)
    own, large = magnified_rig(rig, shown), magnified(engine, moment.assembly, shown, state, thick)
    exhibit.place(stage, own, large)
    for part in shown.parts:
        if part.kind is Kind.CYLINDER:
            stage.show(part, True)
    if shown.kind == "piston":
        tool = over_piston.tool(engine, shown.of)
        stage.move({tool: over_piston.tool_pose(engine, rig, shown.of, state)})
        stage.show(tool, over_piston.tool_is_in(engine, shown.of, state))
    if shown.kind == "gap":
        fixed = Part(Kind.FIXED_POINT, shown.of)
        stage.move({points_feeler.part(shown.of): poses(own, large, [fixed])[fixed][0]})
    if shown.kind == "valve":
        blade = feeler_poses(own, shown, large, thick)
        stage.move(blade)
        for part in blade:
            stage.show(part, thick > 0)
        exhibit.fit_followers(stage, moment.assembly)


def headline(engine: Engine, shown: CloseUp, moment: Frame, state: State) -> tuple[str, str]:
    """Two short lines over a close-up: what it shows, and the reading now. State of one value."""
    if shown.kind == "valve":
        gap = float(drawn_gap_mm(engine, moment.assembly, shown.of, state)[0])
        lift = float(state[f"valve {shown.of}"][0])
        if not np.isfinite(moment.assembly.clearances_mm[shown.of]):
            return f"{shown.of} valve", "cam follower not fitted"
        unit = engine.sheet.length_unit
        if is_open(lift, unit):
            return f"{shown.of} valve", valve_words(lift, unit)  # what is open is drawn as it is
        return f"{shown.of} valve", f"clearance {length(gap, unit)} (drawn × {shown.factor:g})"
    if shown.kind in ("magneto", "points", "gap"):
        return f"{shown.of} magneto", _points_words(engine, moment.assembly, shown, state)
    if shown.kind in ("piston", "room"):
        return over_piston.words(engine, shown.kind, shown.of, moment, state)
    if shown.kind == "teeth":
        return teeth.reading(engine, moment.assembly, shown.of, state)
    if shown.kind == "coupling":
        data = engine.couplings[shown.of].data
        where = "home" if teeth.offer(engine, moment.assembly, shown.of, state).home else "drawn"
        return f"{shown.of}, {where}", f"{data.driving_teeth} teeth driving, {data.driven_teeth} driven"
    return "timing window", _at_the_pointer(engine, moment.crank_deg)


def breaking(engine: Engine, assembly: Assembly, magneto: str, state: State) -> bool:
    """Whether the points are just breaking: shut a little before, open a little after. State of one value."""
    one = engine.magnetos[magneto]
    running = float(breaker_running_deg(engine, magneto, state[one.breaker_shaft])[0])
    set_mm = assembly.points_gaps_mm[magneto]
    before, after = points_opening_mm(one.data, [running - _BREAKING_DEG, running + _BREAKING_DEG], set_mm)
    return bool(before <= TOUCHING_MM < after)


def _points_words(engine: Engine, assembly: Assembly, shown: CloseUp, state: State) -> str:
    data, gap = engine.magnetos[shown.of].data, float(state[f"points {shown.of}"][0])
    if shown.kind == "magneto" and breaking(engine, assembly, shown.of, state):
        return f"points just break, meter {data.closed_ohm:.2f} → {data.open_ohm:.2f} Ω"
    if shown.kind == "gap":
        return f"points {length(gap, engine.sheet.length_unit)} (drawn × {shown.factor:g})"
    meter = f"meter {float(meter_ohm(data, [gap])[0]):.2f} Ω"
    if gap <= TOUCHING_MM:
        return f"points shut, {meter}"
    return f"points {length(gap, engine.sheet.length_unit)} (drawn × {shown.factor:g}), {meter}"


def _at_the_pointer(engine: Engine, crank_deg: float) -> str:
    """The crank angle, and the mark that stands under the pointer, else the angle as the first cylinder's event."""
    under = (m for m in engine.marks if abs(float(wrapped(m.crank_deg - crank_deg, 360.0))) < _UNDER_DEG)
    mark = next(under, None)
    first = engine.sheet.firing_order[0]
    return f"{format_crank(crank_deg)}°, {mark.label if mark else f'{format_event(crank_deg, 1)} of {first}'}"


def close_up_camera(
    engine: Engine, rig: Rig, shown: CloseUp, state: State, aspect: float, whole: bool = False
) -> Camera:
    """The camera of a close-up: it looks where nothing stands in front, and frames what is looked at. whole: all teeth
    of a ring, where no angle out of line is drawn at one of them."""
    margins = Margins(left=0.05, right=0.05, top=0.05, bottom=0.05)
    if shown.kind == "valve":
        return _valve_camera(engine, rig, shown.of, aspect, margins)
    if shown.kind == "coupling":
        return _coupling_camera(engine, rig, shown.of, state, aspect, margins)
    if shown.kind == "teeth":
        return teeth.camera(engine, shown.of, aspect, whole, shown.upward)
    if shown.kind in ("points", "gap"):
        gap = engine.magnetos[shown.of].data.points_gap_mm if shown.kind == "gap" else _JUST_OPEN_MM
        tool = points_feeler.corners_mm(engine, shown.of, shown.factor) if shown.kind == "gap" else np.empty((0, 3))
        return _points_camera(engine, rig, shown.of, state, shown.factor * gap, aspect, margins, tool)
    if shown.kind == "magneto":
        return _magneto_camera(engine, rig, shown.of, state, aspect, margins)
    if shown.kind in ("piston", "room"):
        cylinder = engine.valves[shown.of].cylinder if shown.kind == "room" else shown.of
        return over_piston.camera(engine, rig, cylinder, state, aspect, margins)
    return _window_camera(engine, aspect, margins)


def _in_world(frames: list[Fixed], points: object) -> Floats:
    """Points (M, 3) through a chain of fixed frames, in the world."""
    matrix = np.eye(4)
    for frame in frames:
        matrix = matrix @ frame.matrix
    return np.asarray(points_in_world(matrix[None], np.asarray(points, dtype=float))[0])


def _valve_camera(engine: Engine, rig: Rig, name: str, aspect: float, margins: Margins) -> Camera:
    """Along the crank from the wheelcase end, the lobe, the rocker and the tip of the valve in the frame."""
    valve, bore = engine.valves[name], engine.sheet.crank.bore_mm
    bank = next(element for element in rig.chains[Part(Kind.VALVE, name)] if isinstance(element, Fixed))
    height, shaft_u = engine.sizes.camshaft_height_mm, valve.camshaft_u_mm
    # the lobe's nose sweeps this circle: nothing of it is cut by the frame
    reach = valve.plan.base_radius_mm + valve.data.lift_mm / valve.data.rocker_ratio + 0.02 * bore
    points = [(height + w, shaft_u + u) for w, u in ((-reach, 0), (reach, 0), (0, -reach), (0, reach))]
    points += [
        (valve.tip_w_mm - 0.30 * bore, valve.tip_u_mm),
        (valve.tip_w_mm, valve.tip_u_mm + valve.side * 0.1 * bore),
    ]
    # the feeler's blade, which lies square to the stem
    lean = np.radians(valve.plan.valve_turn_deg)
    points += [
        (valve.tip_w_mm - y * np.sin(lean), valve.tip_u_mm + y * np.cos(lean)) for y in blade_reach_mm(engine, name)
    ]
    if isinstance(valve.plan, RockerPlan):
        points.append((height + valve.plan.pivot_mm[1] + 0.08 * bore, shaft_u + valve.plan.pivot_mm[0]))
        points.append((valve.tip_w_mm + 2.2 * valve.plan.tip_radius_mm, valve.tip_u_mm))
    world = _in_world([bank], [(w, u, 0.0) for w, u in points])
    w, _ = bank_axes(engine.cylinders[valve.cylinder].bank_turn_deg)
    # what is above in the engine is above in the picture: in an inverted bank the camshaft lies below its valves
    return fit(world, (1.0, 0.0, 0.0), -w if w[2] < -_LEVEL else w, aspect, margins)


def _coupling_camera(engine: Engine, rig: Rig, name: str, state: State, aspect: float, margins: Margins) -> Camera:
    """From the side into the cut of the driving mate, a little along the shaft; both toothed ends in the frame."""
    coupling, bore = engine.couplings[name], engine.sheet.crank.bore_mm
    slide = float(state[slide_coordinate(name)][0])
    ends = [*coupling.driving_mm, *coupling.driven_mm]
    span = min(ends) + min(slide, 0.0) - 0.05 * bore, max(ends) + max(2 * slide, 0.0) + 0.05 * bore
    return _beside_coupling(engine, rig, name, state, span, aspect, margins)


def quill_end_camera(engine: Engine, rig: Rig, name: str, state: State, upper: bool, aspect: float) -> Camera:
    """As a quill's close-up, of its upper or its lower end alone, so near that its splines can be counted: the mate and
    the splines wherever they are drawn to. state: of one value."""
    coupling, bore = engine.couplings[name], engine.sheet.crank.bore_mm
    slide = float(state[slide_coordinate(name)][0])
    hangs = engine.shafts[coupling.driving].axis[2] > 0  # its axis points up: it is seen from below
    mates = sorted((coupling.driving_mm, coupling.driven_mm), key=min, reverse=hangs)
    low, high = sorted(mates[0 if upper else 1])
    span = min(low, low + slide) - _END_ROOM * bore, max(high, high + slide) + _END_ROOM * bore
    return _beside_coupling(engine, rig, name, state, span, aspect, Margins(left=0, right=0, top=0, bottom=0))


def _beside_coupling(
    engine: Engine, rig: Rig, name: str, state: State, span: tuple[float, float], aspect: float, margins: Margins
) -> Camera:
    """The view of a coupling from its side that holds a span (from, to) [mm] of its axis."""
    coupling, bore = engine.couplings[name], engine.sheet.crank.bore_mm
    shaft = engine.shafts[coupling.driving]
    axis = np.asarray(shaft.axis)
    if coupling.data.kind == "quill":
        part = Part(Kind.MATE, f"{name} driving")
        pose = poses(rig, state, [part])[part][0]
        into = -(pose[:3, :3] @ np.array([0.0, -1.0, 0.0]))
        radius = 0.17 * bore
        look = into + 0.25 * axis
    else:
        side = np.cross(axis, (0.0, 0.0, 1.0))
        side = side if float(np.dot(side, shaft.point)) > 0 else -side
        look = -side - 0.45 * np.array([0.0, 0.0, 1.0]) + 0.25 * np.array([1.0, 0.0, 0.0])
        radius = 0.18 * bore
    across = np.cross(axis, look)
    across = across / np.linalg.norm(across)
    deep = np.cross(axis, across)
    centre = np.asarray(shaft.point)
    points = [
        centre + axis * along + radius * (a * across + b * deep) for along in span for a in (-1, 1) for b in (-1, 1)
    ]
    # what is above in the engine is above in the picture: a shaft of an inverted bank is seen from below
    up = np.sign(axis[2]) * axis if abs(axis[2]) > 0.3 else np.array([0.0, 0.0, 1.0])
    return fit(points, look, up, aspect, margins)


def _magneto_camera(engine: Engine, rig: Rig, name: str, state: State, aspect: float, margins: Margins) -> Camera:
    """From beyond the breaker end, along the rotor's axis and slightly from above: points, finger, segments, rotor."""
    bore = engine.sheet.crank.bore_mm
    frames = poses(rig, state, [Part(Kind.SEGMENTS, name), Part(Kind.FIXED_POINT, name), Part(Kind.POLE_SHOES, name)])
    round_about = [(r * np.cos(a), r * np.sin(a), 0.0) for a in np.arange(0.0, 6.28, 0.5) for r in (0.30 * bore,)]
    points = np.concatenate(
        [
            points_in_world(frames[Part(Kind.SEGMENTS, name)], np.asarray(round_about))[0],
            points_in_world(frames[Part(Kind.FIXED_POINT, name)], np.asarray(round_about))[0],
        ]
    )
    away = -np.asarray(engine.shafts[engine.magnetos[name].rotor].axis)
    return fit(points, away + np.array([0.0, 0.0, -0.12]), (0.0, 0.0, 1.0), aspect, margins)


def _points_camera(
    engine: Engine, rig: Rig, name: str, state: State, opening: float, aspect: float, margins: Margins, tool: Floats
) -> Camera:
    """Along the breaker's axis, so near that hundredths of a millimetre are seen; it stands still. opening: of what
    gap, as it is drawn, there is room above the lever [mm]; tool: places (N, 3) in the frame of the fixed point that
    are to be seen too."""
    fixed, moving = Part(Kind.FIXED_POINT, name), Part(Kind.MOVING_POINT, name)
    where = poses(rig, {**state, f"breaker lever {name}": np.zeros(1)}, [fixed, moving])
    contact = points_in_world(where[fixed], mesh(engine, fixed, "coarse").vertices)[0]
    lever = points_in_world(where[moving], mesh(engine, moving, "coarse").vertices)[0]
    axis = np.asarray(engine.shafts[engine.magnetos[name].breaker_shaft].axis)
    upper = contact[contact[:, 2] > contact[:, 2].max() - 0.03 * engine.sheet.crank.bore_mm]
    middle, half = upper.mean(axis=0), 0.06 * engine.sheet.crank.bore_mm
    # the whole lever, from the points to its pivot, and all of the fixed point: a part of them would be any bars
    side = np.cross(axis, (0.0, 0.0, 1.0))
    across = (lever - middle) @ side
    low, high = contact[:, 2].min() - middle[2], lever[:, 2].max() - middle[2] + opening
    points = [
        middle + side * reach + np.array([0.0, 0.0, dz])
        for reach in (min(float(across.min()), -half), max(float(across.max()), half))
        for dz in (min(float(low), -0.75 * half), max(float(high), 1.25 * half))
    ]
    points += list(points_in_world(where[fixed], tool)[0])
    return fit(points, -axis, (0.0, 0.0, 1.0), aspect, margins)


def _window_camera(engine: Engine, aspect: float, margins: Margins) -> Camera:
    """Square on to the disc, the pointer in the middle."""
    radius = engine.sizes.disc_radius_mm
    turn = np.radians(engine.sizes.pointer_turn_deg)
    out = np.array([0.0, -np.sin(turn), np.cos(turn)])
    across = np.array([0.0, np.cos(turn), np.sin(turn)])
    centre = np.array([engine.sizes.disc_x_mm, 0.0, 0.0])
    points = [centre + radius * (a * out + b * across) for a in (0.50, 1.22) for b in (-0.55, 0.55)]
    return fit(points, (1.0, 0.0, 0.0), out, aspect, margins)
