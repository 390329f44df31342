"""Line drawings of an engine: a view of the whole, and the figure of a step. No OpenGL, no window."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

import numpy as np
import trimesh

from quillwise.kinematics import wording
from quillwise.kinematics.angles import Floats, format_crank
from quillwise.kinematics.assembly import Assembly, is_fitted
from quillwise.kinematics.lengths import length
from quillwise.kinematics.model import CRANKSHAFT, Engine
from quillwise.kinematics.motion import State, motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import Rig, bank_axes
from quillwise.kinematics.steps import Frame as Moment
from quillwise.kinematics.steps import Step, frame
from quillwise.viz import callouts, closeups, detailing, engraving, exhibit, turning
from quillwise.viz.cameras import VIEWS, Camera, Margins, fit
from quillwise.viz.inscriptions import LINE, set_out
from quillwise.viz.linedrawing import Frame, LineDrawing, Stroke, Word, phantom, polyline, strokes
from quillwise.viz.linked import linked
from quillwise.viz.magnifying import blade_mm, feeler_poses, magnified, magnified_rig
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
from quillwise.viz.pointing import Pointed, called_out
from quillwise.viz.standing import GROOVED, Bodies, Store, moved

_TOOTHED = (Kind.WHEEL, Kind.QUILL, Kind.SLEEVE, Kind.MATE)
_MARGINS = Margins(left=0.03, right=0.03, top=0.03, bottom=0.03)
_SMALL_MM = 200.0  # a figure narrower than this is set in the small lines
_HEAD_MM = (3.2, 1.1)  # length, half the width
_ENGRAVED = 0.72  # height of what is engraved ÷ text
_SIMPLIFIED = "Teeth, rings and coils that would run together are left out."
_FINE = 0.05  # pitch of piston rings and of a spring's coils, about, ÷ bore


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
    pointed: Pointed | None = None,
    detail: str | None = None,
) -> LineDrawing:
    """The whole engine, seen by a named view, at a crank angle ``crank_deg`` [deg]. size_mm: width and height on paper.

    hidden: names of parts whose hidden lines are drawn; intended: another assembly, drawn in phantom lines where its
    parts stand elsewhere; pointed: parts that get callouts; detail: a part that is drawn enlarged beside the view, a
    parallel one. Raises RequestError for what the view cannot bear.
    """
    engine = store.engine
    state = motion(engine, assembly, crank_deg)
    shown = _shown(engine)
    place = replace(_sheet(size_mm), height=size_mm[1] - _foot_mm(size_mm) / 2)  # one line of text below it
    aside = detailing.SHARE * place.width if detail is not None else 0.0
    place = replace(place, width=place.width - aside)

    def seen_in(frame: Frame) -> tuple[Camera, Bodies, frozenset[Part]]:
        camera = _whole_camera(store, state, view, frame.aspect, perspective)
        dense = _dense(engine, shown, frame.scale(camera))
        return camera, store.standing(shown, assembly, state, dense), dense

    sheet, extra = called_out(seen_in, place, shown, pointed, _text_mm(size_mm))
    camera, bodies, dense = seen_in(sheet)
    if detail is not None:
        room = Frame(left=place.width, top=place.top, width=aside, height=place.height)
        name = str(detailing.part_named(detail, shown))

        def standing(scale: float) -> Bodies:
            return store.standing(shown, assembly, state, _dense(engine, shown, scale))

        extra = extra.beside(detailing.enlarged(bodies, camera, sheet, room, name, standing, _text_mm(size_mm)))
    drawn = [*strokes(bodies, camera, sheet, dashed=hidden)]
    if intended is not None:
        other = store.standing(shown, intended, motion(engine, intended, crank_deg), dense)
        moved = {name: body for name, body in other.items() if name in bodies and _differ(body, bodies[name])}
        drawn += phantom(moved, camera, sheet)
    said = f"{engine.sheet.name}, {view} view, crank at {format_crank(crank_deg)} degrees."
    about = f"{said} {_SIMPLIFIED}" if dense else said
    foot = _foot(size_mm, about)
    if foot.text.endswith("…"):  # half a sentence says nothing
        foot = _foot(size_mm, said)
    title = f"{engine.sheet.name}: {view}"
    return _drawing(size_mm, title, about, drawn, [], [], [foot], called=extra)


def step_drawing(
    store: Store, steps: Sequence[Step], step: Step, size_mm: tuple[float, float], pointed: Pointed | None = None
) -> LineDrawing:
    """The figure of a step as it ends: the whole engine with the parts in question in wide lines, arrows for what was
    turned, and a close-up of what is looked at.

    size_mm: width and height on paper. pointed: parts that get callouts; a request of its own is for parts of the whole
    engine, ``usual`` for those that the step is about. Raises RequestError where callouts find no room.
    """
    engine = store.engine
    moment = frame(step, 1.0 if not step.trials else 0.999)
    state = exhibit.state_at(engine, moment)
    width, height = size_mm
    view = linked(engine, steps)[step.number - 1]
    subject = _subject(step, view.subjects)
    # a line for what is turned or looked at, and one below it
    foot = _foot_mm(size_mm) if subject or turning.turns(engine, step) else _foot_mm(size_mm) / 2
    split = 0.62 if subject else 1.0
    place = Frame(left=0.0, top=0.0, width=width * split, height=height - foot)
    asked = {str(part) for part in step.about}
    shown = _shown(engine)

    def seen_in(frame: Frame) -> tuple[Camera, Bodies, frozenset[Part]]:
        camera = _whole_camera(store, state, "three-quarter", frame.aspect, False)
        dense = _dense(engine, shown, frame.scale(camera))
        return camera, store.standing(shown, moment.assembly, state, dense), dense

    whole, called = called_out(seen_in, place, shown, pointed, _text_mm(size_mm), step.about)
    camera, bodies, dense = seen_in(whole)
    drawn = list(strokes(bodies, camera, whole, asked or {""}))
    drawn += _centre_lines(engine, step, camera, whole)
    arrows, heads, turned = _arrows(engine, step, camera, whole)
    drawn += arrows
    upper, lower = (height - line * _text_mm(size_mm) for line in (2.5, 0.7))
    words = [fitted(text, (2.0, upper), place.width - 4.0, size_mm) for text in turned[:1]]
    frames = []
    if subject:
        close = Frame(left=width * split + 1.0, top=1.0, width=width * (1 - split) - 2.0, height=height - foot - 1.0)
        strokes_of, named = _close_up(store, subject, moment, state, close, step, _text_mm(size_mm))
        drawn += strokes_of
        words += named
        frames.append((close.left, close.top, close.width, close.height))
        told = closeups.headline(engine, closeups.close_up(engine, *subject), moment, state)
        words += [
            fitted(text, (close.left, line), close.width, size_mm)
            for text, line in zip(told, (upper, lower), strict=True)
        ]
    title = f"Step {step.number}: {step.text.title}"
    note = f" {_SIMPLIFIED}" if dense else ""
    about = (
        f"{engine.sheet.name}, from three quarters at the wheelcase end, "
        f"crank at {format_crank(moment.crank_deg)} degrees. "
        f"In wide lines: {', '.join(sorted(asked)) or 'nothing'}. Turned: {'; '.join(turned) or 'nothing'}.{note}"
    )
    return _drawing(size_mm, title, about, drawn, words, heads, [_foot(size_mm, "")], frames, called)


def _drawing(
    size_mm: tuple[float, float],
    title: str,
    about: str,
    drawn: Sequence[Stroke],
    words: Sequence[Word],
    heads: Sequence[Floats],
    feet: Sequence[Word],
    frames: Sequence[tuple[float, float, float, float]] = (),
    called: callouts.Drawn = callouts.NONE,
) -> LineDrawing:
    small = size_mm[0] < _SMALL_MM
    return LineDrawing(
        size_mm=size_mm,
        title=title,
        about=about,
        wide_mm=SMALL_WIDE_MM if small else WIDE_MM,
        narrow_mm=SMALL_NARROW_MM if small else NARROW_MM,
        strokes=(*drawn, *called.strokes),
        words=(*words, *feet, *called.words),
        heads=tuple(heads),
        frames=tuple(frames),
        rounds=called.rounds,
        items=called.items,
        pointed=called.pointed,
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
    return fitted(text, (2.0, size_mm[1] - 0.7 * _text_mm(size_mm)), size_mm[0] - 4.0, size_mm)


def fitted(text: str, at: tuple[float, float], width_mm: float, size_mm: tuple[float, float]) -> Word:
    """A line of text in the height of the sheet's text; in the least height, and then cut, where it is too long."""
    for height in (_text_mm(size_mm), LEAST_TEXT_MM):
        if text_width_mm(text, height) <= width_mm:
            return Word(text=text, at=at, height_mm=height)
    while text and text_width_mm(f"{text} …", LEAST_TEXT_MM) > width_mm:
        text = text.rpartition(" ")[0]
    return Word(text=f"{text} …", at=at, height_mm=LEAST_TEXT_MM)


def _shown(engine: Engine) -> tuple[Part, ...]:
    return tuple(part for part in engine.parts if part.kind not in exhibit.HIDDEN)


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
    """Parts whose teeth, rings or coils would stand nearer on paper than lines may: two lines each."""
    found = set()
    for part in parts:
        if part.kind in GROOVED and _FINE * engine.sheet.crank.bore_mm * scale / 2 < APART_MM:
            found.add(part)
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
    store: Store,
    subject: tuple[closeups.CloseUpKind, str],
    moment: Moment,
    state: State,
    place: Frame,
    step: Step,
    text_mm: float,
) -> tuple[tuple[Stroke, ...], list[Word]]:
    """The close-up of a step in lines, with what is engraved or measured in it."""
    engine, hung = store.engine, store.rig
    shown = closeups.close_up(engine, *subject)
    thick = blade_mm(engine, moment.assembly, shown.of, state, step) if shown.kind == "valve" else 0.0
    own, large = magnified_rig(hung, shown), magnified(engine, moment.assembly, shown, state, thick)
    blade = feeler_poses(own, shown, large, thick) if thick > 0 else {}
    camera = closeups.close_up_camera(engine, hung, shown, state, place.aspect, whole=True)
    bodies: Bodies = {}
    for part, (body, _) in closeups.close_up_bodies(engine, shown).items():
        if part.kind is Kind.FEELER:
            if part in blade:
                bodies[f"feeler {part.of}"] = moved(body, blade[part])
            continue
        if not is_fitted(moment.assembly, part):
            continue
        # a rocker's shaft stands still, in the world
        bodies[str(part)] = moved(body, poses(own, large, [part])[part][0]) if part in own.chains else body
    return strokes(bodies, camera, place), _inscribed(engine, hung, shown, moment, state, step, camera, place, text_mm)


def _inscribed(
    engine: Engine,
    hung: Rig,
    shown: closeups.CloseUp,
    moment: Moment,
    state: State,
    step: Step,
    camera: Camera,
    place: Frame,
    text_mm: float,
) -> list[Word]:
    """The words of a close-up on paper. A boxed figure is left to the caption: it would stand on lines."""
    named = engraving.labels(engine, hung, shown, moment, state, step)
    plain = [label for label in named if not label.boxed or shown.kind == "valve"]
    high = _ENGRAVED * text_mm
    # set out in hundredths of a millimetre of the frame
    size = round(100 * place.width), round(100 * place.height)
    words = set_out(plain, camera, size, 100 * high, lambda text: 100 * text_width_mm(text, high), in_two=True)
    found = []
    for word in words:
        lines = word.text.split("\n")
        for number, text in enumerate(lines):
            left = place.left + word.middle[0] / 100 - text_width_mm(text, high) / 2
            lower = high / 2 + LINE * high * (number - (len(lines) - 1) / 2)
            found.append(Word(text=text, at=(left, place.top + word.middle[1] / 100 + lower), height_mm=high))
    return found


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
    """A wide line with a head for all that the step turns or slides, and the words of the turns."""
    kind: LineKind = "arrow"
    turned = turning.turns(engine, step)
    named = [(turn.name, turning.arc(engine, turn)) for turn in turned]
    named += [(slide.coupling, turning.straight(engine, slide)) for slide in turning.slides(engine, step)]
    drawn, heads = [], []
    for name, points in named:
        line, head = _headed(points, camera, place)
        drawn.append(Stroke(part=f"arrow: {name}", kind=kind, lines=(line,)))
        heads.append(head)
    return drawn, heads, [turn.words(engine) for turn in turned]


def _headed(points: Floats, camera: Camera, place: Frame) -> tuple[Floats, Floats]:
    """A line (N, 2) of the paper [mm] and its head (3, 2): in the world's turn, not the paper's."""
    line = polyline(points, camera, place)
    length, half = _HEAD_MM
    tip = line[-1]
    way = tip - line[max(-3, -len(line))]
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
    least = length(room.room_mm, engine.sheet.length_unit, 1)
    told = f"Least room {least}{assumed}: {room.valve} valve, piston {valve.cylinder}"
    about = f"{told}, crank at {format_crank(room.crank_deg)} degrees. Drawn in place, not to be measured."
    upper = size_mm[1] - 2.5 * _text_mm(size_mm)
    words = [fitted(told, (2.0, upper), size_mm[0] - 4.0, size_mm)]
    return _drawing(size_mm, f"What can strike in step {step.number}", about, drawn, words, [], [_foot(size_mm, "")])
