"""The arrows in close-ups: which way goes what a step turns or pushes, where the eye already is.

The disc's on the frame of its window, as on an engine; a camshaft's on the face of its cam; a magneto rotor's about its
breaker; a quill's beside it, a sleeve's
on it, and end-on how it is turned to the tooth that fits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import trimesh

from quillwise.kinematics.angles import Floats
from quillwise.kinematics.lengths import length
from quillwise.kinematics.model import CRANKSHAFT, Engine
from quillwise.kinematics.motion import State
from quillwise.kinematics.rig import Rig, quill_coordinate
from quillwise.kinematics.steps import Frame, Step
from quillwise.meshes.build import WINDOW_BAND
from quillwise.viz import over_piston, teeth, turning
from quillwise.viz.cameras import Camera, axes
from quillwise.viz.closeups import CloseUp

_POINTS = 36
_RIM_SHARE = 0.15  # of the arrow's head: the light rim that parts it from what is dark
# Half of an arc [deg]; radius of the arc and size of the arrow (the bore that ``turning.arrow`` goes by) as shares
_WINDOW_DEG, _WINDOW_SIZE = 17.0, 0.42  # of the disc's radius
_CAM_DEG, _CAM_AT, _CAM_SIZE = 125.0, 0.52, 1.25  # of the cam's base radius
_ROTOR_DEG, _ROTOR_AT, _ROTOR_SIZE = 42.0, 1.75, 1.0  # of the magneto rotor's radius
# Of the bore: how far beside the axis, half its length, its size; a sleeve bears it.
_SLIDES = {"quill": (0.30, 0.25, 0.42), "sleeve": (0.0, 0.13, 0.26)}
_SLIDE_HIGH = 0.7  # of the half of the picture's height: half an arrow's length at the most
_SLIDE_THICK = 2.4  # of that half length: the most that its size is
_MEASURE_SIZE, _MEASURE_HEADS, _LEAST_MEASURE, _MEASURE_WORDS = 0.30, 1.2, 0.03, 0.42  # of the bore; heads: of the room
_TEETH_SIZE = 0.9  # of the span of the arc


@dataclass(frozen=True, kw_only=True, slots=True)
class CloseArrow:
    """An arrow in a close-up. ``line``: points (N, 3) [mm] in the world, before all parts, in the order of the move;
    ``size_mm``: the bore that its thickness goes by; ``words``: under it, at ``words_mm``."""

    line: Floats
    size_mm: float
    words: str = ""
    words_mm: Floats | None = None

    @property
    def body(self) -> trimesh.Trimesh:
        """The arrow as a body in the world."""
        return turning.arrow(self.line, self.size_mm)

    @property
    def rim_mm(self) -> float:
        """How wide the light rim round it is."""
        return _RIM_SHARE * turning.HEAD_WIDE * self.size_mm


def close_arrows(
    engine: Engine,
    rig: Rig,
    shown: CloseUp,
    step: Step,
    moment: Frame,
    state: State,
    camera: Camera,
    first_try: bool,
) -> tuple[CloseArrow, ...]:
    """The arrows of a close-up in a step; none where the step neither turns nor pushes what is shown. state: of one
    value, at the moment; camera: of the close-up, parallel. first_try: it shows a quill or sleeve as drawn, which is
    turned from there."""
    turns = {turn.name: turn for turn in turning.turns(engine, step)}
    bore = engine.sheet.crank.bore_mm
    if shown.kind == "window" and CRANKSHAFT in turns:
        radius = engine.sizes.disc_radius_mm
        up = np.radians(engine.sizes.pointer_turn_deg)
        out = np.array([0.0, -np.sin(up), np.cos(up)])
        centre = np.array([engine.sizes.disc_x_mm, 0.0, 0.0])
        band = WINDOW_BAND * radius
        found = _arc(camera, centre, out, band, turns[CRANKSHAFT].sign, _WINDOW_DEG, _WINDOW_SIZE * radius)
    elif shown.kind == "valve" and engine.valves[shown.of].camshaft in turns:
        valve = engine.valves[shown.of]
        centre = np.asarray(engine.shafts[valve.camshaft].point)
        base = valve.plan.base_radius_mm
        up_mm = axes(np.asarray(camera.focal) - np.asarray(camera.position), camera.up)[1]
        sign = turns[valve.camshaft].sign * _seen_from_its_end(engine, valve.camshaft, camera)
        found = _arc(camera, centre, up_mm, _CAM_AT * base, sign, _CAM_DEG, _CAM_SIZE * base)
    elif shown.kind == "magneto" and engine.magnetos[shown.of].rotor in turns:
        magneto = engine.magnetos[shown.of]
        centre = np.asarray(engine.shafts[magneto.rotor].point)
        down = -axes(np.asarray(camera.focal) - np.asarray(camera.position), camera.up)[1]
        sign = turns[magneto.rotor].sign * _seen_from_its_end(engine, magneto.rotor, camera)
        size = magneto.radius_mm
        found = _arc(camera, centre, down, _ROTOR_AT * size, sign, _ROTOR_DEG, _ROTOR_SIZE * size)
    elif shown.kind == "coupling":
        slides = [slide for slide in turning.slides(engine, step) if slide.coupling == shown.of]
        return tuple(_beside(engine, slide, camera, bore) for slide in slides)
    elif shown.kind == "room":
        return _measure(engine, rig, shown, moment, state, camera)
    elif shown.kind == "teeth" and first_try:
        return _to_the_tooth(engine, shown, step)
    else:
        return ()
    return (found,)


def _seen_from_its_end(engine: Engine, shaft: str, camera: Camera) -> int:
    """+1 where the camera looks along the shaft's axis from the end that it is seen from, −1 from the other."""
    forward = np.asarray(camera.focal) - np.asarray(camera.position)
    return 1 if float(forward @ np.asarray(engine.shafts[shaft].axis)) > 0 else -1


def _arc(
    camera: Camera, centre: Floats, middle: Floats, radius: float, sign: int, half_deg: float, size_mm: float
) -> CloseArrow:
    """An arc square to the line of sight, before all parts. middle: (3,) towards the middle of the arc; sign: + for
    clockwise in the picture."""
    position = np.asarray(camera.position)
    forward = axes(np.asarray(camera.focal) - position, camera.up)[2]
    out = middle - forward * float(middle @ forward)
    out = out / np.linalg.norm(out)
    clockwise = np.cross(forward, out)
    turn = np.radians(sign * np.linspace(-half_deg, half_deg, _POINTS))
    near = centre - forward * float((centre - position) @ forward) + forward * size_mm
    line: Floats = near + radius * (np.cos(turn)[:, None] * out + np.sin(turn)[:, None] * clockwise)
    return CloseArrow(line=line, size_mm=size_mm)


def _beside(engine: Engine, slide: turning.Slide, camera: Camera, bore: float) -> CloseArrow:
    """A straight arrow beside a quill, to the right of it or above it in the picture, or on a sleeve."""
    own = engine.shafts[slide.shaft]
    position = np.asarray(camera.position)
    right, up, forward = axes(np.asarray(camera.focal) - position, camera.up)
    axis = np.asarray(own.axis) - forward * float(np.asarray(own.axis) @ forward)
    axis = axis / np.linalg.norm(axis)
    aside = np.cross(axis, forward)
    if float(aside @ (right + up)) < 0:
        aside = -aside
    # where along the axis the camera looks: one that shows an end alone has the arrow at that end
    centre = np.asarray(own.point) + np.asarray(own.axis) * float((np.asarray(camera.focal) - own.point) @ own.axis)
    beside, half, size = _SLIDES[engine.couplings[slide.coupling].data.kind]
    if camera.parallel_half_height_mm is not None:
        half = min(half, _SLIDE_HIGH * camera.parallel_half_height_mm / bore)
        size = min(size, _SLIDE_THICK * half)
    near = centre - forward * float((centre - position) @ forward) + forward * bore * size
    reach = np.array([-half, half])[:, None] * bore * slide.sign * axis
    return CloseArrow(line=near + beside * bore * aside + reach, size_mm=size * bore)


def _measure(
    engine: Engine, rig: Rig, shown: CloseUp, moment: Frame, state: State, camera: Camera
) -> tuple[CloseArrow, ...]:
    """The room between a valve and its piston: a measure with a head at either end, and the figure beside it."""
    found = over_piston.clear(engine, rig, shown.of, moment, state)
    size = float(np.linalg.norm(found.valve_mm - found.crown_mm))
    bore = engine.sheet.crank.bore_mm
    if size < _LEAST_MEASURE * bore:
        return ()
    position = np.asarray(camera.position)
    right, _, forward = axes(np.asarray(camera.focal) - position, camera.up)
    thick = min(_MEASURE_SIZE * bore, _MEASURE_HEADS * size)

    def near(place: Floats) -> Floats:
        before: Floats = place - forward * float((place - position) @ forward) + forward * thick
        return before

    middle = (found.valve_mm + found.crown_mm) / 2
    told = length(found.room_mm, engine.sheet.length_unit, 1)
    at = near(middle + _MEASURE_WORDS * bore * right)
    ends = ((found.valve_mm, f"{told} at least" if found.known else "strikes?", at), (found.crown_mm, "", None))
    return tuple(
        CloseArrow(line=np.array([near(middle), near(end)]), size_mm=thick, words=words, words_mm=place)
        for end, words, place in ends
    )


def _to_the_tooth(engine: Engine, shown: CloseUp, step: Step) -> tuple[CloseArrow, ...]:
    """The arrow of the turn of a step's quill or sleeve, seen end-on, and by how many teeth it goes."""
    for move in step.moves:
        if move.coordinate == quill_coordinate(step.coupling) and move.end != move.start:
            line, under = teeth.turn_arc(engine, step.coupling, 1 if move.end > move.start else -1, shown.upward)
            every = engine.couplings[step.coupling].data.driving_teeth
            count = round(abs(move.end - move.start) * every / 360.0)
            size = float(np.linalg.norm(line[0] - line[-1]))
            words = f"{count} {'tooth' if count == 1 else 'teeth'}"
            if count > every / 2:  # the same place, by the shorter way
                words += f"\nor {every - count} back"
            return (CloseArrow(line=line, size_mm=_TEETH_SIZE * size, words=words, words_mm=under),)
    return ()
