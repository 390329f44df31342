"""A coupling seen end-on as a line drawing: its teeth, the pitch circle, and the angle between two positions.

As found beside as intended: the driven mate stands where it does, in phantom lines where it should, and the angle
between the two is dimensioned. Without another position the angle is that by which the teeth offered are out of line.
"""

from __future__ import annotations

import numpy as np

from quillwise.kinematics import wording
from quillwise.kinematics.angles import Floats, format_crank, wrapped
from quillwise.kinematics.assembly import Assembly
from quillwise.kinematics.model import Coupling, Engine
from quillwise.kinematics.motion import State, motion
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import shaft_frame
from quillwise.kinematics.steps import Frame as Moment
from quillwise.viz import exhibit, teeth
from quillwise.viz.cameras import Camera, Margins, fit
from quillwise.viz.lineart import fitted
from quillwise.viz.linedrawing import Frame, LineDrawing, Stroke, Word, phantom, polyline, strokes
from quillwise.viz.paper import NARROW_MM, SMALL_NARROW_MM, SMALL_TEXT_MM, SMALL_WIDE_MM, TEXT_MM, WIDE_MM
from quillwise.viz.standing import Bodies, Store, moved

_SMALL_MM = 200.0
_HEAD_MM = (3.2, 0.55)  # length, half the width
_TAIL_MM = 9.0  # of an arrow that points at an angle from outside
_SAME_DEG = 0.005
_MARGINS = Margins(left=0.03, right=0.03, top=0.05, bottom=0.03)


def coupling_drawing(
    store: Store, coupling: Coupling, moment: Moment, size_mm: tuple[float, float], intended: Assembly | None = None
) -> LineDrawing:
    """The driven end of a coupling at a moment. intended: another assembly, in phantom lines where it differs."""
    engine = store.engine
    state = exhibit.state_at(engine, moment)
    text_mm = SMALL_TEXT_MM if size_mm[0] < _SMALL_MM else TEXT_MM
    place = Frame(left=0.0, top=0.0, width=size_mm[0], height=size_mm[1] - 6.6 * text_mm)
    bodies = _standing(store, coupling.name, state)
    camera = _whole_camera(engine, coupling, place.aspect)
    other = None if intended is None else motion(engine, intended, moment.crank_deg)
    away = 0.0 if other is None else _away_deg(coupling, state, other)
    shown = "as intended" if other is not None else "out of line"
    if other is None:
        points, away = teeth.wedge(engine, coupling.name, state)
        begin, until = _turn_deg(engine, coupling, points[0]), _turn_deg(engine, coupling, points[-1])
    else:
        until = _at_the_top_deg(engine, coupling, camera)
        begin = until - away
    drawn: list[Stroke] = []
    if other is not None and abs(away) >= _SAME_DEG:
        there = _standing(store, coupling.name, other)
        mate = str(teeth.parts(engine, coupling.name)[0])
        drawn += phantom({mate: there[mate]}, camera, place)  # first: where they coincide the visible line is seen
    drawn += strokes(bodies, camera, place, {str(part) for part in teeth.parts(engine, coupling.name)})
    drawn += _pitch_circle(engine, coupling, camera, place)
    heads: list[Floats] = []
    words: list[Word] = []
    if abs(away) >= _SAME_DEG:
        dimension, heads, at = _dimension(engine, coupling, begin, until, camera, place)
        drawn += dimension
        words.append(Word(text=f"{abs(away):.2f}°", at=at, height_mm=text_mm, anchor="middle"))
    told = _told(engine, coupling, away, other is not None)
    title = f"{coupling.name}, {shown}" if other is None else f"{coupling.name}, as found and as intended"
    driven = engine.shafts[coupling.driven]
    crank = f"Crank at {format_crank(moment.crank_deg)} degrees. Seen from the {driven.seen_from}."
    for number, line in enumerate((told, f"{wording.DISCLAIMER} {crank}")):
        y = size_mm[1] - (3.0 - 2.0 * number) * text_mm
        words.append(fitted(line, (2.0, y), size_mm[0] - 4.0, size_mm))
    small = size_mm[0] < _SMALL_MM
    return LineDrawing(
        size_mm=size_mm,
        title=title,
        about=f"{engine.sheet.name}, the driven end of {coupling.name} along its axis. {told}",
        wide_mm=SMALL_WIDE_MM if small else WIDE_MM,
        narrow_mm=SMALL_NARROW_MM if small else NARROW_MM,
        strokes=tuple(drawn),
        words=tuple(words),
        heads=tuple(heads),
    )


def _standing(store: Store, coupling: str, state: State) -> Bodies:
    made = teeth.bodies(store.engine, coupling)
    world = poses(store.rig, state, list(made))
    return {str(part): moved(body, world[part][0]) for part, (body, _) in made.items()}


def _away_deg(coupling: Coupling, found: State, intended: State) -> float:
    """From the intended place of the driven shaft to where it was found, about its axis [deg], the short way."""
    return float(wrapped(float(found[coupling.driven][0]) - float(intended[coupling.driven][0]), 360.0))


def _told(engine: Engine, coupling: Coupling, away_deg: float, from_intended: bool) -> str:
    """The angle in words: degrees of the shaft and of the crank."""
    driven = engine.shafts[coupling.driven]
    if abs(away_deg) < _SAME_DEG:
        return f"{coupling.driven} stands as intended." if from_intended else "The teeth are in line."
    crank = abs(away_deg) / abs(float(driven.turns))
    amount = f"{abs(away_deg):.2f}° of the shaft, {crank:.2f} crank degrees"
    if not from_intended:
        return f"The teeth are out of line by {amount}."
    early = "early" if away_deg * driven.sense > 0 else "late"
    return f"{coupling.driven} stands {amount} {early}."


def _turn_deg(engine: Engine, coupling: Coupling, point: Floats) -> float:
    """Angle of a place in the world about the driven shaft's axis [deg]."""
    frame = shaft_frame(engine.shafts[coupling.driven]).matrix
    x, y = frame[:3, :2].T @ (np.asarray(point) - frame[:3, 3])
    return float(np.degrees(np.arctan2(y, x)))


def _ring(engine: Engine, coupling: Coupling, radius_mm: float, turn_deg: Floats) -> Floats:
    """Places in the world round the driven shaft's axis, before its teeth."""
    frame = shaft_frame(engine.shafts[coupling.driven]).matrix
    turn = np.radians(turn_deg)
    flat = radius_mm * np.column_stack([np.cos(turn), np.sin(turn)])
    return np.asarray(flat @ frame[:3, :2].T + frame[:3, 3] + frame[:3, 2] * teeth.wedge_at_mm(coupling))


def _whole_camera(engine: Engine, coupling: Coupling, aspect: float) -> Camera:
    """Along the axis, the whole ring and its dimension in the frame."""
    look, up = teeth.look_and_up(engine, coupling)
    outer = 1.28 * max(_outer_mm(engine, coupling), teeth.gauge_radii_mm(engine, coupling)[1])
    points = _ring(engine, coupling, outer, np.linspace(0.0, 360.0, 24, endpoint=False))
    return fit(points, look, up, aspect, _MARGINS)


def _outer_mm(engine: Engine, coupling: Coupling) -> float:
    """How far the ring reaches from its axis."""
    return max(
        float(np.linalg.norm(body.vertices[:, :2], axis=1).max())
        for body, _ in teeth.bodies(engine, coupling.name, "coarse").values()
    )


def _at_the_top_deg(engine: Engine, coupling: Coupling, camera: Camera) -> float:
    """The angle about the axis that stands at the top of the picture."""
    frame = shaft_frame(engine.shafts[coupling.driven]).matrix
    x, y = frame[:3, :2].T @ np.asarray(camera.up)
    return float(np.degrees(np.arctan2(y, x)))


def _pitch_circle(engine: Engine, coupling: Coupling, camera: Camera, place: Frame) -> list[Stroke]:
    """The pitch circle of a quill's splines, as far as the frame goes; a sleeve's dogs have none."""
    if coupling.data.kind != "quill":
        return []
    radius = coupling.data.driven_teeth * coupling.module_mm / 2
    whole = polyline(_ring(engine, coupling, radius, np.linspace(0.0, 360.0, 361)), camera, place)
    return [Stroke(part=f"pitch circle of {coupling.name}", kind="centre", lines=_inside(whole, place))]


def _inside(line: Floats, place: Frame) -> tuple[Floats, ...]:
    import shapely

    box = shapely.box(place.left, place.top, place.left + place.width, place.top + place.height)
    found = shapely.line_merge(shapely.intersection(shapely.LineString(line), box))
    return tuple(
        np.asarray(shapely.get_coordinates(each)) for each in shapely.get_parts(found) if shapely.length(each) > 0
    )


def _dimension(
    engine: Engine, coupling: Coupling, begin: float, until: float, camera: Camera, place: Frame
) -> tuple[list[Stroke], list[Floats], tuple[float, float]]:
    """Two arms, the arc between them with arrow heads, and where its figure stands."""
    inner, outer = teeth.gauge_radii_mm(engine, coupling)
    low, high = 0.94 * inner, 1.12 * outer
    until = begin + float(wrapped(until - begin, 360.0))
    arms = [
        polyline(np.vstack([_ring(engine, coupling, r, np.array([turn])) for r in (low, high)]), camera, place)
        for turn in (begin, until)
    ]
    radius = 1.06 * outer
    on_paper = np.radians(abs(until - begin)) * radius * place.scale(camera)
    way = 1.0 if until >= begin else -1.0
    inside = on_paper > 3.0 * _HEAD_MM[0]
    lines: list[Floats] = []
    heads: list[Floats] = []
    if inside:
        arc = polyline(_ring(engine, coupling, radius, np.linspace(begin, until, 40)), camera, place)
        lines.append(arc)
        heads = [_head(arc[0], arc[0] - arc[1]), _head(arc[-1], arc[-1] - arc[-2])]
    else:
        tail = np.degrees(_TAIL_MM / (radius * place.scale(camera)))
        for end, turned in ((begin, -way), (until, way)):
            arc = polyline(_ring(engine, coupling, radius, np.linspace(end + turned * tail, end, 12)), camera, place)
            lines.append(arc)
            heads.append(_head(arc[-1], arc[-1] - arc[-2]))
    middle = polyline(_ring(engine, coupling, 1.16 * outer, np.array([(begin + until) / 2])), camera, place)[0]
    drawn = [
        Stroke(part="angle: from", kind="narrow", lines=(arms[0],)),
        Stroke(part="angle: to", kind="narrow", lines=(arms[1],)),
        Stroke(part="angle: arc", kind="narrow", lines=tuple(lines)),
    ]
    return drawn, heads, (float(middle[0]), float(middle[1]))


def _head(tip: Floats, way: Floats) -> Floats:
    """An arrow head whose tip touches what it points at."""
    way = way / max(float(np.linalg.norm(way)), 1e-9)
    side = np.array([-way[1], way[0]])
    length, half = _HEAD_MM
    return np.stack([tip, tip - way * length + side * half, tip - way * length - side * half])
