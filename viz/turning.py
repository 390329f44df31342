"""What a step turns and which way, and the arrows that say so: arcs and straight arrows in the world.

One place for the line drawings and the shaded pictures, so that both show the same turn.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import trimesh

from quillwise.kinematics.angles import Floats
from quillwise.kinematics.joints import fixed
from quillwise.kinematics.model import CRANKSHAFT, Engine
from quillwise.kinematics.motion import State, motion
from quillwise.kinematics.parts import Kind
from quillwise.kinematics.rig import quill_coordinate, slide_coordinate
from quillwise.kinematics.steps import CRANK, Frame, Move, Step
from quillwise.kinematics.wording import turn_words
from quillwise.meshes.solids import skin, together

_LEAST_DEG = 1.0  # a shaft that only settles into its splines is not "turned"
_LEAST_MM = 0.5
_ARC_DEG, _ARC_POINTS = 110.0, 36
_CRANK_ARC_DEG = 140.0  # the disc is small beside the whole engine
_COUPLING_ARC_DEG = 220.0  # round a thin quill a short arc would be all head
_STEP_DEG = 30  # from one place that an arrow may take to the next
_TUBE_SIDES = 10
_BAR, _HEAD_LONG, HEAD_WIDE = 0.040, 0.30, 0.13  # of an arrow ÷ bore: radius of its bar, length and radius of its head


@dataclass(frozen=True, kw_only=True, slots=True)
class Turn:
    """A turn about a shaft's axis. ``name``: what is turned; ``at_mm``: where along the axis the arrow stands;
    ``sign``: +1 by the right hand about the axis, that is clockwise from the end that the shaft is seen from."""

    name: str
    shaft: str
    sign: int
    at_mm: float

    def words(self, engine: Engine) -> str:
        """What is turned, which way, and seen from where."""
        return f"{self.name} {turn_words(self.sign, engine.shafts[self.shaft].seen_from)}"


@dataclass(frozen=True, kw_only=True, slots=True)
class Slide:
    """A quill or sleeve that goes along its shaft: home or out. ``sign``: + along the axis; ``at_mm``: its middle."""

    coupling: str
    shaft: str
    sign: int
    at_mm: float


def turns(engine: Engine, step: Step) -> tuple[Turn, ...]:
    """What the hand turns in a step, each once, by its last move: a magneto's rotor goes there and back. A shaft that
    settles into the splines or dogs pushed home is not turned by it, however far these take it."""
    settles = {engine.couplings[slide.coupling].driven for slide in slides(engine, step)}
    found: dict[str, Turn] = {}
    for move in step.moves:
        if abs(move.end - move.start) < _LEAST_DEG or move.coordinate in settles:
            continue
        turn = _turn(engine, step, move)
        if turn is not None:
            found[turn.name] = turn
    return tuple(found.values())


def slides(engine: Engine, step: Step) -> tuple[Slide, ...]:
    """The quills and sleeves that a step draws or pushes home."""
    found = []
    for name, coupling in engine.couplings.items():
        for move in step.moves:
            if move.coordinate == slide_coordinate(name) and abs(move.end - move.start) > _LEAST_MM:
                middle = float(np.mean([*coupling.driving_mm, *coupling.driven_mm]))
                sign = 1 if move.end > move.start else -1
                found.append(Slide(coupling=name, shaft=coupling.driving, sign=sign, at_mm=middle))
    return tuple(found)


def arc(engine: Engine, turn: Turn, middle_deg: float | None = None) -> Floats:
    """Points (N, 3) [mm] of an arc round the shaft, in the order of the turn.

    middle_deg: where its middle stands about the shaft's axis; None: above it, or below one that hangs under the crank.
    """
    own = engine.shafts[turn.shaft]
    axis, zero = np.asarray(own.axis), np.asarray(own.zero)
    across = np.cross(axis, zero)
    if middle_deg is None:
        # the side that lies away from the crank: nothing drives or is driven there
        away = -1.0 if turn.name not in engine.couplings and own.point[2] < -0.5 * engine.sheet.crank.bore_mm else 1.0
        middle_deg = float(np.degrees(np.arctan2(away * across[2], away * zero[2])))
    wide = _CRANK_ARC_DEG if turn.shaft == CRANKSHAFT else _ARC_DEG
    half = (_COUPLING_ARC_DEG if turn.name in engine.couplings else wide) / 2
    angle = np.radians(middle_deg + turn.sign * np.linspace(-half, half, _ARC_POINTS))
    centre = np.asarray(own.point) + axis * turn.at_mm
    radius = _radius_mm(engine, turn)
    points: Floats = centre + radius * (np.cos(angle)[:, None] * zero + np.sin(angle)[:, None] * across)
    return points


def straight(engine: Engine, slide: Slide, turned_deg: float = 0.0) -> Floats:
    """Points (2, 3) [mm] of an arrow beside a quill or sleeve, in the order of its slide.

    turned_deg: about the axis, from the side that lies away from the middle of the engine.
    """
    own = engine.shafts[slide.shaft]
    axis = np.asarray(own.axis)
    bore = engine.sheet.crank.bore_mm
    # away from the middle of the engine, where nothing stands before it
    out = np.array([0.0, own.point[1], 0.0])
    out = out - axis * float(out @ axis)
    size = float(np.linalg.norm(out))
    out = out / size if size > 1e-6 else np.cross(axis, (1.0, 0.0, 0.0))
    turn = np.radians(turned_deg)
    out = np.cos(turn) * out + np.sin(turn) * np.cross(axis, out)
    centre = np.asarray(own.point) + axis * slide.at_mm + out * 0.34 * bore
    reach: Floats = np.array([-0.40, 0.40])[:, None] * bore * slide.sign * axis
    points: Floats = centre + reach
    return points


def places(engine: Engine, step: Step) -> tuple[tuple[Floats, ...], ...]:
    """Of each turn and slide of a step the lines (N, 3) [mm] that its arrow may take, round about its shaft; the usual
    one first."""
    found = []
    for turn in turns(engine, step):
        round_about = [arc(engine, turn, float(middle)) for middle in range(0, 360, _STEP_DEG)]
        found.append((arc(engine, turn), *round_about))
    for slide in slides(engine, step):
        found.append(tuple(straight(engine, slide, float(turned)) for turned in range(0, 360, _STEP_DEG)))
    return tuple(found)


def meant(engine: Engine, step: Step) -> tuple[tuple[Floats, Floats], ...]:
    """Of each turn and slide of a step, in the order of ``places``: the middle (3,) [mm] of what its arrow is about,
    and those (M, 3) of the others of its kind, which it must not seem to be about."""
    found = []
    for turn in turns(engine, step):
        rotors = [magneto.rotor for magneto in engine.magnetos.values()]
        if turn.name in engine.couplings:
            found.append(_coupling_among(engine, turn.name))
        else:
            alike = next((kind for kind in (tuple(engine.camshafts), tuple(rotors)) if turn.shaft in kind), ())
            others = [_on_axis(engine, name, turn.at_mm) for name in alike if name != turn.shaft]
            found.append((_on_axis(engine, turn.shaft, turn.at_mm), np.array(others).reshape(-1, 3)))
    return (*found, *(_coupling_among(engine, slide.coupling) for slide in slides(engine, step)))


def _coupling_among(engine: Engine, name: str) -> tuple[Floats, Floats]:
    middles = {
        each: _on_axis(engine, own.driving, float(np.mean([*own.driving_mm, *own.driven_mm])))
        for each, own in engine.couplings.items()
    }
    return middles[name], np.array([middles[each] for each in middles if each != name]).reshape(-1, 3)


def _on_axis(engine: Engine, shaft: str, at_mm: float) -> Floats:
    own = engine.shafts[shaft]
    point: Floats = np.asarray(own.point) + at_mm * np.asarray(own.axis)
    return point


def arrow(points: Floats, bore_mm: float) -> trimesh.Trimesh:
    """A round bar through points (N, 3) [mm] with a pointed head at the last; its thickness goes by the bore."""
    radius, length, wide = _BAR * bore_mm, _HEAD_LONG * bore_mm, HEAD_WIDE * bore_mm
    along = np.linalg.norm(np.diff(points, axis=0), axis=1)
    left = np.concatenate([np.cumsum(along[::-1])[::-1], [0.0]])
    neck = int(np.argmax(left < length)) or len(points) - 1
    share = (left[neck - 1] - length) / max(left[neck - 1] - left[neck], 1e-9)
    base = points[neck - 1] + share * (points[neck] - points[neck - 1])
    bar = _tube(np.vstack([points[:neck], base]), radius)
    head = trimesh.creation.cone(wide, length, sections=2 * _TUBE_SIDES)
    way = points[-1] - base
    forward = way / np.linalg.norm(way)
    side = np.cross(np.eye(3)[int(np.argmin(np.abs(forward)))], forward)
    side = side / np.linalg.norm(side)
    frame = fixed(side, np.cross(forward, side), forward, base)
    head.apply_transform(frame.matrix)
    return together(bar, head)


def arrows(engine: Engine, step: Step) -> tuple[trimesh.Trimesh, ...]:
    """The arrows of a step as bodies in the world, each in its usual place."""
    bore = engine.sheet.crank.bore_mm
    return tuple(arrow(lines[0], bore) for lines in places(engine, step))


def reach(engine: Engine) -> tuple[Floats, ...]:
    """Points round the crankshaft, the camshafts and the magnetos wherever their arrows stand: what a camera must hold
    that shows every step from one place."""
    bore = engine.sheet.crank.bore_mm
    made = [Turn(name=CRANKSHAFT, shaft=CRANKSHAFT, sign=1, at_mm=engine.sizes.disc_x_mm)]
    for name in engine.camshafts:
        made.append(_on_camshaft(engine, name, 1))
    for magneto in engine.magnetos.values():
        own = engine.shafts[magneto.rotor]
        made.append(Turn(name=own.name, shaft=own.name, sign=1, at_mm=own.span_mm[0]))
    return tuple(
        np.asarray(arrow(arc(engine, turn, float(middle)), bore).vertices) for turn in made for middle in (0, 120, 240)
    )


def _on_camshaft(engine: Engine, name: str, sign: int) -> Turn:
    own = engine.shafts[name]
    return Turn(name=name, shaft=name, sign=sign, at_mm=own.span_mm[0] - 0.12 * engine.sheet.crank.bore_mm)


def _turn(engine: Engine, step: Step, move: Move) -> Turn | None:
    sign = 1 if move.end > move.start else -1
    if move.coordinate == CRANK:
        return Turn(name="crankshaft", shaft=CRANKSHAFT, sign=sign * engine.sigma, at_mm=engine.sizes.disc_x_mm)
    for name, coupling in engine.couplings.items():
        if move.coordinate == quill_coordinate(name):
            middle = float(np.mean([*coupling.driving_mm, *coupling.driven_mm]))
            return Turn(name=name, shaft=coupling.driving, sign=sign, at_mm=middle)
    if move.coordinate not in engine.shafts:
        return None
    # the hand is on the camshaft, though the shaft that is free is the inclined one before it
    asked = {part.of for part in step.about if part.kind == Kind.CAMSHAFT}
    before, after = (_state(engine, step, move, value) for value in (move.start, move.end))
    for name in sorted(asked):
        change = float(after[name][0] - before[name][0])
        if abs(change) >= _LEAST_DEG:
            return _on_camshaft(engine, name, 1 if change > 0 else -1)
    own = engine.shafts[move.coordinate]
    return Turn(name=move.coordinate, shaft=move.coordinate, sign=sign, at_mm=own.span_mm[0])


def _state(engine: Engine, step: Step, move: Move, value: float) -> State:
    moment = Frame(assembly=step.during, crank_deg=step.crank_deg[0], free={move.coordinate: value})
    return motion(engine, moment.assembly, moment.crank_deg, moment.free)


def _radius_mm(engine: Engine, turn: Turn) -> float:
    own = engine.shafts[turn.shaft]
    bore = engine.sheet.crank.bore_mm
    if turn.shaft == CRANKSHAFT:
        return 1.24 * engine.sizes.disc_radius_mm
    if turn.name in engine.couplings:
        return 0.38 * bore
    wheels = [wheel for wheel in engine.wheels.values() if wheel.shaft == turn.shaft]
    near = [wheel.teeth * wheel.module_mm / 2 for wheel in wheels if abs(wheel.at_mm - turn.at_mm) < 0.8 * bore]
    return max(3.0 * own.radius_mm, 0.42 * bore, *(radius + 0.08 * bore for radius in near), 0.0)


def _tube(points: Floats, radius: float) -> trimesh.Trimesh:
    """A tube of that radius through points (N, 3), closed at both ends."""
    way = np.gradient(points, axis=0)
    way = way / np.linalg.norm(way, axis=1)[:, None]
    # one plane holds an arc or a straight line: its normal never lies along the way
    spread = np.cross(way[0], way[-1])
    flat = spread if np.linalg.norm(spread) > 1e-6 else np.cross(way[0], np.eye(3)[int(np.argmin(np.abs(way[0])))])
    flat = flat / np.linalg.norm(flat)
    side = np.cross(flat, way)
    turn = np.linspace(0.0, 2 * np.pi, _TUBE_SIDES, endpoint=False)
    rings = points[:, None] + radius * (
        np.cos(turn)[None, :, None] * side[:, None] + np.sin(turn)[None, :, None] * flat[None, None]
    )
    return skin(rings)
