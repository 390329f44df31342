"""Line drawings of an engine: a view of the whole, and the figure of a step. No OpenGL, no window."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import numpy as np
import trimesh

from quillwise.kinematics import wording
from quillwise.kinematics.angles import Floats
from quillwise.kinematics.assembly import Assembly
from quillwise.kinematics.model import CRANKSHAFT, Engine
from quillwise.kinematics.motion import State, motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import bank_axes, quill_coordinate, rig
from quillwise.kinematics.steps import CRANK, Step, frame
from quillwise.kinematics.steps import Frame as Moment
from quillwise.meshes.blanks import blank
from quillwise.meshes.build import mesh
from quillwise.viz import closeups, exhibit
from quillwise.viz.cameras import VIEWS, Camera, Margins, fit
from quillwise.viz.linedrawing import Frame, LineDrawing, Stroke, Word, phantom, polyline, strokes
from quillwise.viz.linked import linked
from quillwise.viz.paper import (
    APART_MM,
    LEAST_TEXT_MM,
    NARROW_MM,
    SMALL_NARROW_MM,
    SMALL_TEXT_MM,
    SMALL_WIDE_MM,
    TEXT_MM,
    WIDE_MM,
    LineKind,
    text_width_mm,
)

Bodies = dict[str, trimesh.Trimesh]
_TOOTHED = (Kind.WHEEL, Kind.QUILL, Kind.SLEEVE, Kind.MATE)
_MARGINS = Margins(left=0.03, right=0.03, top=0.03, bottom=0.03)
_SMALL_MM = 200.0  # a figure narrower than this is set in the small lines
_ARROW_DEG, _ARROW_POINTS = 110.0, 24
_HEAD_MM = (3.2, 1.1)  # length, half the width
_SIMPLIFIED = "Teeth that would run together are drawn as plain wheels."


class Store:
    """The bodies of an engine, made once and stood where a state puts them."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.rig = rig(engine)
        self._made: dict[tuple[Part, bool], trimesh.Trimesh] = {}

    def body(self, part: Part, simple: bool = False) -> trimesh.Trimesh:
        """A part's body in its own frame; simple: without its teeth."""
        if (part, simple) not in self._made:
            self._made[part, simple] = blank(self.body(part)) if simple else mesh(self.engine, part, "coarse")
        return self._made[part, simple]

    def standing(
        self, parts: Collection[Part], assembly: Assembly, state: State, simple: Collection[Part] = ()
    ) -> Bodies:
        """Bodies of parts in the world, by name, at a state of one value. simple: those without their teeth. Rockers
        that are not fitted are left out."""
        world = poses(self.rig, state, parts)
        return {
            str(part): _moved(self.body(part, part in simple), world[part][0])
            for part in parts
            if part.kind is not Kind.ROCKER or np.isfinite(assembly.clearances_mm[part.of])
        }


def view_drawing(
    store: Store,
    assembly: Assembly,
    crank_deg: float,
    view: str,
    size_mm: tuple[float, float],
    *,
    hidden: Collection[str] = (),
    intended: Assembly | None = None,
    perspective: bool = False,
) -> LineDrawing:
    """The whole engine, seen by a named view. hidden: names of parts whose hidden lines are drawn; intended: another
    assembly, drawn in phantom lines where its parts stand elsewhere."""
    engine = store.engine
    state = motion(engine, assembly, crank_deg)
    shown = _shown(engine)
    sheet = _sheet(size_mm)
    camera = _whole_camera(store, state, view, sheet.aspect, perspective)
    dense = _dense(engine, shown, sheet.scale(camera))
    bodies = store.standing(shown, assembly, state, dense)
    drawn = [*strokes(bodies, camera, sheet, dashed=hidden)]
    if intended is not None:
        other = store.standing(shown, intended, motion(engine, intended, crank_deg), dense)
        moved = {name: body for name, body in other.items() if name in bodies and _differ(body, bodies[name])}
        drawn += phantom(moved, camera, sheet)
    note = f" {_SIMPLIFIED}" if dense else ""
    about = f"{engine.sheet.name}, {view} view, crank at {crank_deg % 720:.1f} degrees.{note}"
    return _drawing(size_mm, f"{engine.sheet.name}: {view}", about, drawn, [], [], [_foot(size_mm, about)])


def step_drawing(store: Store, steps: Sequence[Step], step: Step, size_mm: tuple[float, float]) -> LineDrawing:
    """The figure of a step as it ends: the whole engine with the parts in question in wide lines, arrows for what was
    turned, and a close-up of what is looked at."""
    engine = store.engine
    moment = frame(step, 1.0 if not step.trials else 0.999)
    state = exhibit.state_at(engine, moment)
    width, height = size_mm
    foot = _foot_mm(size_mm)
    view = linked(engine, steps)[step.number - 1]
    subject = _subject(step, view.subjects)
    split = 0.62 if subject else 1.0
    whole = Frame(left=0.0, top=0.0, width=width * split, height=height - foot)
    asked = {str(part) for part in step.about}
    shown = _shown(engine)
    camera = _whole_camera(store, state, "three-quarter", whole.aspect, False)
    dense = _dense(engine, shown, whole.scale(camera))
    drawn = list(strokes(store.standing(shown, moment.assembly, state, dense), camera, whole, asked or {""}))
    drawn += _centre_lines(engine, step, camera, whole)
    arrows, heads, turned = _arrows(engine, step, camera, whole)
    drawn += arrows
    upper, lower = (height - line * _text_mm(size_mm) for line in (2.5, 0.7))
    words = [_fitted(text, (2.0, upper), whole.width - 4.0, size_mm) for text in turned[:1]]
    frames = []
    if subject:
        close = Frame(left=width * split + 1.0, top=1.0, width=width * (1 - split) - 2.0, height=height - foot - 1.0)
        drawn += _close_up(store, subject, moment, state, close)
        frames.append((close.left, close.top, close.width, close.height))
        told = closeups.headline(engine, closeups.close_up(engine, *subject), moment, state)
        words += [
            _fitted(text, (close.left, line), close.width, size_mm)
            for text, line in zip(told, (upper, lower), strict=True)
        ]
    title = f"Step {step.number}: {step.text.title}"
    note = f" {_SIMPLIFIED}" if dense else ""
    about = (
        f"{engine.sheet.name}, from three quarters at the wheelcase end, "
        f"crank at {moment.crank_deg % 720:.1f} degrees. "
        f"In wide lines: {', '.join(sorted(asked)) or 'nothing'}. Turned: {'; '.join(turned) or 'nothing'}.{note}"
    )
    return _drawing(size_mm, title, about, drawn, words, heads, [_foot(size_mm, "")], frames)


def _drawing(
    size_mm: tuple[float, float],
    title: str,
    about: str,
    drawn: Sequence[Stroke],
    words: Sequence[Word],
    heads: Sequence[Floats],
    feet: Sequence[Word],
    frames: Sequence[tuple[float, float, float, float]] = (),
) -> LineDrawing:
    small = size_mm[0] < _SMALL_MM
    return LineDrawing(
        size_mm=size_mm,
        title=title,
        about=about,
        wide_mm=SMALL_WIDE_MM if small else WIDE_MM,
        narrow_mm=SMALL_NARROW_MM if small else NARROW_MM,
        strokes=tuple(drawn),
        words=(*words, *feet),
        heads=tuple(heads),
        frames=tuple(frames),
    )


def _text_mm(size_mm: tuple[float, float]) -> float:
    return SMALL_TEXT_MM if size_mm[0] < _SMALL_MM else TEXT_MM


def _foot_mm(size_mm: tuple[float, float]) -> float:
    """Height of the strip for two lines of text below the views."""
    return 4.4 * _text_mm(size_mm)


def _sheet(size_mm: tuple[float, float]) -> Frame:
    return Frame(left=0.0, top=0.0, width=size_mm[0], height=size_mm[1] - _foot_mm(size_mm))


def _foot(size_mm: tuple[float, float], about: str) -> Word:
    text = f"{wording.DISCLAIMER} {about}".strip()
    return _fitted(text, (2.0, size_mm[1] - 0.7 * _text_mm(size_mm)), size_mm[0] - 4.0, size_mm)


def _fitted(text: str, at: tuple[float, float], width_mm: float, size_mm: tuple[float, float]) -> Word:
    """A line of text in the height of the sheet's text; in the least height, and then cut, where it is too long."""
    for height in (_text_mm(size_mm), LEAST_TEXT_MM):
        if text_width_mm(text, height) <= width_mm:
            return Word(text=text, at=at, height_mm=height)
    while text and text_width_mm(f"{text} …", LEAST_TEXT_MM) > width_mm:
        text = text.rpartition(" ")[0]
    return Word(text=f"{text} …", at=at, height_mm=LEAST_TEXT_MM)


def _shown(engine: Engine) -> tuple[Part, ...]:
    return tuple(part for part in engine.parts if part.kind not in exhibit.HIDDEN)


def _moved(body: trimesh.Trimesh, pose: Floats) -> trimesh.Trimesh:
    return trimesh.Trimesh(body.vertices @ pose[:3, :3].T + pose[:3, 3], body.faces, process=False)


def _differ(one: trimesh.Trimesh, other: trimesh.Trimesh) -> bool:
    return one.vertices.shape == other.vertices.shape and bool(np.abs(one.vertices - other.vertices).max() > 0.02)


def _whole_camera(store: Store, state: State, view: str, aspect: float, perspective: bool) -> Camera:
    world = poses(store.rig, state, _shown(store.engine))
    clouds = [exhibit.swept_by_crank(store.engine)]
    for part, pose in world.items():
        clouds.append(np.asarray(store.body(part).vertices) @ pose[0, :3, :3].T + pose[0, :3, 3])
    chosen = VIEWS[view]
    return fit(np.vstack(clouds), chosen.direction, chosen.up, aspect, _MARGINS, parallel=not perspective)


def _dense(engine: Engine, parts: Collection[Part], scale: float) -> frozenset[Part]:
    """Toothed parts whose teeth would stand nearer on paper than lines may: two lines a tooth."""
    found = set()
    for part in parts:
        if part.kind not in _TOOTHED:
            continue
        if part.kind is Kind.WHEEL:
            module = engine.wheels[part.of].module_mm
        else:
            module = engine.couplings[part.of.removesuffix(" driving").removesuffix(" driven")].module_mm
        if np.pi * module * scale / 2 < APART_MM:
            found.add(part)
    return frozenset(found)


def _subject(step: Step, subjects: Sequence[tuple[str, str] | None]) -> tuple[closeups.CloseUpKind, str] | None:
    """What the close-up of a figure shows: what the step looks at."""
    wanted: Mapping[str, str] = {"window": "window", "valve": "valve", "coupling": "teeth", "magneto": "magneto"}
    kind = wanted.get(step.focus)
    for subject in subjects:
        if subject is not None and subject[0] == kind:
            return subject  # type: ignore[return-value]
    return None


def _close_up(
    store: Store, subject: tuple[closeups.CloseUpKind, str], moment: Moment, state: State, place: Frame
) -> tuple[Stroke, ...]:
    engine, hung = store.engine, store.rig
    shown = closeups.close_up(engine, *subject)
    large = closeups.magnified(engine, moment.assembly, shown, state)
    camera = closeups.close_up_camera(engine, hung, shown, state, place.aspect)
    bodies: Bodies = {}
    for part, (body, _) in closeups.close_up_bodies(engine, shown).items():
        if part.kind is Kind.FEELER:
            continue
        if part.kind is Kind.ROCKER and not np.isfinite(moment.assembly.clearances_mm[part.of]):
            continue
        bodies[str(part)] = _moved(body, poses(hung, large, [part])[part][0])
    return strokes(bodies, camera, place)


def _centre_lines(engine: Engine, step: Step, camera: Camera, place: Frame) -> list[Stroke]:
    """Centre lines of the shafts in question."""
    found = []
    names = {part.of for part in step.about if part.kind in (Kind.SHAFT, Kind.CAMSHAFT, Kind.ROTOR)}
    names |= {CRANKSHAFT} if any(part.kind is Kind.CRANKSHAFT for part in step.about) else set()
    for name in sorted(names & set(engine.shafts)):
        shaft = engine.shafts[name]
        over = 4.0 / place.scale(camera)
        ends = [
            np.asarray(shaft.point) + np.asarray(shaft.axis) * along
            for along in (shaft.span_mm[0] - over, shaft.span_mm[1] + over)
        ]
        found.append(Stroke(part=f"centre line of the {name}", kind="centre", lines=(polyline(ends, camera, place),)))
    return found


def _arrows(engine: Engine, step: Step, camera: Camera, place: Frame) -> tuple[list[Stroke], list[Floats], list[str]]:
    """A wide arc with a head for each shaft that the step turns, and its words: direction, and the end seen from."""
    drawn: list[Stroke] = []
    heads: list[Floats] = []
    told: list[str] = []
    kind: LineKind = "arrow"
    for move in step.moves:
        shaft, about = _turned(engine, move.coordinate)
        if not shaft or move.start == move.end:
            continue
        own = engine.shafts[shaft]
        sign = 1 if move.end > move.start else -1
        if move.coordinate == CRANK:
            sign *= engine.sigma
        arc, head = _arc(engine, shaft, sign, camera, place)
        drawn.append(Stroke(part=f"arrow: {about}", kind=kind, lines=(arc,)))
        heads.append(head)
        told.append(f"{about} {wording.turn_words(sign, own.seen_from)}")
    return drawn, heads, told


def _turned(engine: Engine, coordinate: str) -> tuple[str, str]:
    """The shaft about whose axis a coordinate turns, and its name in words; empty for a slide."""
    if coordinate == CRANK:
        return CRANKSHAFT, "crankshaft"
    if coordinate in engine.shafts:
        return coordinate, coordinate
    for name, coupling in engine.couplings.items():
        if coordinate == quill_coordinate(name):
            return coupling.driving, name
    return "", ""


def _arc(engine: Engine, shaft: str, sign: int, camera: Camera, place: Frame) -> tuple[Floats, Floats]:
    """An arc round a shaft's viewing end, its head at the end of the turn: in the world's turn, not the paper's."""
    own = engine.shafts[shaft]
    axis, zero = np.asarray(own.axis), np.asarray(own.zero)
    across = np.cross(axis, zero)
    radius = max(3.0 * own.radius_mm, 0.42 * engine.sheet.crank.bore_mm)
    if shaft == CRANKSHAFT:
        radius = 1.18 * engine.sizes.disc_radius_mm
    centre = np.asarray(own.point) + axis * (own.span_mm[0] if shaft != CRANKSHAFT else engine.sizes.disc_x_mm)
    # the half that lies away from the engine's middle is the one that is seen
    outwards = np.degrees(np.arctan2(across[2], zero[2]))
    turn = np.radians(outwards + sign * np.linspace(-_ARROW_DEG / 2, _ARROW_DEG / 2, _ARROW_POINTS))
    points = centre + radius * (np.cos(turn)[:, None] * zero + np.sin(turn)[:, None] * across)
    line = polyline(points, camera, place)
    length, half = _HEAD_MM
    tip = line[-1]
    way = tip - line[-3]
    way = way / max(float(np.linalg.norm(way)), 1e-9)
    side = np.array([-way[1], way[0]])
    head = np.stack(
        [tip + way * length / 2, tip - way * length / 2 + side * half, tip - way * length / 2 - side * half]
    )
    return line, head


def room_drawing(store: Store, step: Step, size_mm: tuple[float, float]) -> LineDrawing:
    """What can strike in a step: the valve and the piston where they come nearest, along the crank. Raises ValueError
    when the step asks for no room."""
    if step.room is None:
        raise ValueError(f"step {step.key} asks for no room")
    engine, room = store.engine, step.room
    valve = engine.valves[room.valve]
    moments = [frame(step, share) for share in np.linspace(0.0, 1.0, 61)]
    states = [exhibit.state_at(engine, moment) for moment in moments]
    # nearest to where the room is least; where the crank stands, the valve that is opened the most
    chosen = min(
        range(len(moments)),
        key=lambda n: (
            round(abs((moments[n].crank_deg - room.crank_deg + 360.0) % 720.0 - 360.0), 1),
            -float(states[n][f"valve {room.valve}"][0]),
        ),
    )
    parts = [Part(Kind.PISTON, valve.cylinder), Part(Kind.VALVE, room.valve), Part(Kind.SEAT, room.valve)]
    others = [
        Part(kind, other.name)
        for other in engine.valves.values()
        if other.cylinder == valve.cylinder and other.name != room.valve
        for kind in (Kind.VALVE, Kind.SEAT)
    ]
    place = _sheet(size_mm)
    bodies = store.standing([*parts, *others], moments[chosen].assembly, states[chosen])
    along, _ = bank_axes(engine.cylinders[valve.cylinder].bank_turn_deg)
    points = np.vstack([body.vertices for body in bodies.values()])
    camera = fit(points, np.array([1.0, 0.0, 0.0]) - 0.06 * along, along, place.aspect, _MARGINS)
    drawn = strokes(bodies, camera, place, {str(part) for part in parts})
    assumed = "" if room.known else " (assumed: the data give no room at TDC)"
    told = f"Least room {room.room_mm:.1f} mm{assumed}: {room.valve} valve, piston {valve.cylinder}"
    about = f"{told}, crank at {room.crank_deg % 720:.1f} degrees. Drawn in place, not to be measured."
    upper = size_mm[1] - 2.5 * _text_mm(size_mm)
    words = [_fitted(told, (2.0, upper), size_mm[0] - 4.0, size_mm)]
    return _drawing(size_mm, f"What can strike in step {step.number}", about, drawn, words, [], [_foot(size_mm, "")])
