"""What is engraved or measured in a close-up: the disc's degrees and marks, the segments' cylinders, the angle out of
line. Words at places in the world, so that every kind of picture sets them alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from quillwise.kinematics.angles import Floats, wrapped
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import State
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import points_in_world, poses
from quillwise.kinematics.rig import Rig
from quillwise.kinematics.steps import Frame, Step
from quillwise.meshes import dials
from quillwise.meshes.build import disc_degree_deg
from quillwise.meshes.ignition import segment_angles_deg
from quillwise.viz import over_piston, points_feeler, teeth
from quillwise.viz.cameras import Camera, axes
from quillwise.viz.closeups import CloseUp
from quillwise.viz.magnifying import (
    blade_mm,
    drawn_gap_mm,
    feeler_poses,
    feeler_words,
    holder_of,
    magnified,
    magnified_rig,
    named_at_mm,
)

_EVERY_DEG = 10
_SEEN_DEG = 15.0  # to either side of the pointer, within the window's opening
_OPENING_DEG = 17.0  # to either side of the pointer: a little within the edges of the window's opening
_NAMED_DEG = 6.0  # a mark further from the pointer has no room for its name within the opening
_CLEAR_DEG = 3.0  # a degree's number keeps so far from a painted mark
_NUMBER_AT, _MARK_AT = 0.79, 0.71  # shares of the disc's radius
_MARK_FOOT = 0.86  # where a line from a name beside the window ends
# Of such names: how far beside, which is then moved within the frame; the height of the lowest and the next; how many.
_FAR_ASIDE, _BESIDE_AT, _BESIDE_PITCH, _STACK = 0.9, 0.545, 0.12, 2
_ZERO_AT = 0.835  # between the painted bar of zero and its line
_NEAR_ZERO_DEG = 13.0  # the name of a mark that stands by the bar of zero keeps clear of it:
_ZERO_CLEAR_DEG, _ASIDE_DEG = 12.0, (2.0, 5.0)  # so far from it, by so much aside
_TOOL_ASIDE = 0.80  # of the bore: the name of a stop stands beside the valves
_ON_TOOL = 0.5  # of half its width: where a line to it ends
_END_ASIDE = 0.27  # of the bore: the name of a quill's end
_SEGMENT_AT = 0.226  # share of the bore: on the studs


Place = tuple[float, float, float]


@dataclass(frozen=True, kw_only=True, slots=True)
class Label:
    """A word at a place in the world [mm]. ``boxed``: a measured figure, on a patch of its own; ``between_mm``: two
    places that it must stand between, where there are such; ``leader_mm``: where a line from it ends."""

    text: str
    at_mm: Place
    boxed: bool = False
    between_mm: tuple[Place, Place] | None = None
    leader_mm: Place | None = None


def labels(
    engine: Engine,
    rig: Rig,
    shown: CloseUp,
    moment: Frame,
    state: State,
    step: Step | None = None,
    leaders: bool = False,
) -> tuple[Label, ...]:
    """The words of a close-up in a step, for a state of one value. leaders: also those that a line joins to what they
    name, the marks in the window's opening beside the one under the pointer: a wide picture has room for them."""
    if shown.kind == "valve":
        thick = blade_mm(engine, moment.assembly, shown.of, state, step)
        return (_feeler(engine, rig, shown, moment, state, step, thick, leaders),) if step and thick else ()
    if shown.kind == "window":
        return _disc(engine, rig, moment, state, leaders)
    if shown.kind == "piston" and over_piston.tool_is_in(engine, shown.of, state):
        return (_tool(engine, rig, shown.of, state, leaders),)
    if shown.kind == "gap":
        return (_points_feeler(engine, rig, shown, state),)
    if shown.kind == "magneto":
        return _segments(engine, rig, shown.of, state)
    if shown.kind == "teeth" and not teeth.offer(engine, moment.assembly, shown.of, state).home:
        return (_out_of_line(engine, shown, state),)
    return ()


def most(engine: Engine, shown: CloseUp) -> int:
    """How many words a close-up can have at once, without those that a line joins to what they name."""
    if shown.kind == "window":
        numbers = int(2 * _SEEN_DEG // _EVERY_DEG) + 1
        return numbers + 1  # of marks so near to the pointer that they are named, no two are _SEEN_DEG apart
    return len(engine.magnetos[shown.of].fires) if shown.kind == "magneto" else 1


def _out_of_line(engine: Engine, shown: CloseUp, state: State) -> Label:
    """The angle of the wedge, clockwise beside its outer half: within the frame, which the wedge's ends touch."""
    points, out = teeth.wedge(engine, shown.of, state, upward=shown.upward)
    inner, outer = points[0::2].mean(axis=0), points[1::2].mean(axis=0)
    reach = outer - inner
    clockwise = np.cross(engine.shafts[engine.couplings[shown.of].driven].axis, reach)
    # a wide wedge reaches further
    half = float(((points - inner) @ clockwise).max() / (clockwise @ clockwise))
    return label(f"{abs(out):.2f}°", inner + 0.8 * reach + (0.45 + half) * clockwise, boxed=True)


def _feeler(
    engine: Engine, rig: Rig, shown: CloseUp, moment: Frame, state: State, step: Step, thick_mm: float, wide: bool
) -> Label:
    """What the feeler is and how it stands, beside the end of its blade."""
    large = magnified(engine, moment.assembly, shown, state, thick_mm)
    holder = feeler_poses(magnified_rig(rig, shown), shown, large, thick_mm)[holder_of(shown.of)]
    gap = float(drawn_gap_mm(engine, moment.assembly, shown.of, state)[0])
    at = points_in_world(holder[None], named_at_mm(engine, shown.of, wide)[None])[0, 0]
    return label(feeler_words(engine, step, thick_mm, gap), at, boxed=True)


def _points_feeler(engine: Engine, rig: Rig, shown: CloseUp, state: State) -> Label:
    """What feeler stands between the points, above its holder."""
    fixed = Part(Kind.FIXED_POINT, shown.of)
    local = points_feeler.named_at_mm(engine, shown.of, shown.factor)
    at = points_in_world(poses(rig, state, [fixed])[fixed], local[None])[0, 0]
    return label(points_feeler.words(engine, shown.of), at, boxed=True)


def _tool(engine: Engine, rig: Rig, cylinder: str, state: State, leaders: bool) -> Label:
    """What stands on the piston, beside its upper end; leaders: with a line to it past the valves."""
    pose, bore = over_piston.tool_pose(engine, rig, cylinder, state), engine.sheet.crank.bore_mm
    (_, _, _), (high, wide, _) = over_piston.tool_body(engine, cylinder).bounds
    local = np.array([[high - 0.08 * bore, -_TOOL_ASIDE * bore, 0.0], [high - 0.08 * bore, -_ON_TOOL * wide, 0.0]])
    at, end = points_in_world(pose[None], local)[0]
    named = label(over_piston.tool_words(engine, cylinder), at, boxed=True)
    return replace(named, leader_mm=_place(end)) if leaders else named


def _disc(engine: Engine, rig: Rig, moment: Frame, state: State, leaders: bool) -> tuple[Label, ...]:
    """Every tenth degree, and the names of the marks that stand in the window, under them; of those that have no room
    there beside the window, with a line to the mark."""
    disc = Part(Kind.DISC)
    pose = poses(rig, state, [disc])[disc]
    radius = engine.sizes.disc_radius_mm

    def at(degree: float, share: float) -> Floats:
        turn = np.radians(disc_degree_deg(engine, degree))
        local = [[share * radius * np.cos(turn), share * radius * np.sin(turn), engine.sizes.disc_x_mm]]
        return np.asarray(points_in_world(pose, np.asarray(local))[0, 0])

    def off(degree: float, other: float) -> float:
        return abs(float(wrapped(degree - other, 360.0)))

    marks = [mark for mark in engine.marks if off(mark.crank_deg, moment.crank_deg) <= _SEEN_DEG]
    found: list[Label] = []
    placed: list[float] = []
    named = [mark for mark in marks if off(mark.crank_deg, moment.crank_deg) <= _NAMED_DEG]
    for mark in sorted(named, key=lambda mark: off(mark.crank_deg, moment.crank_deg)):
        # the nearest to the pointer is named; another only where there is room for its words
        if all(off(mark.crank_deg, other) > _SEEN_DEG for other in placed):
            from_zero = float(wrapped(mark.crank_deg, 360.0))
            off_zero = np.clip(_ZERO_CLEAR_DEG - abs(from_zero), *_ASIDE_DEG)
            aside = float(np.sign(from_zero) * off_zero) if abs(from_zero) < _NEAR_ZERO_DEG else 0.0
            one, other = (at(moment.crank_deg + turn, _MARK_AT) for turn in (-_OPENING_DEG, _OPENING_DEG))
            named_at = label(mark.label, at(mark.crank_deg + aside, _MARK_AT))
            found.append(replace(named_at, between_mm=(_place(one), _place(other))))
            placed.append(mark.crank_deg)
    # a name rather than a number, where both have no room
    found += [
        label(f"{degree}", at(degree, _NUMBER_AT if degree else _ZERO_AT))
        for degree in range(0, 360, _EVERY_DEG)
        if off(degree, moment.crank_deg) <= _SEEN_DEG
        and all(off(degree, mark.crank_deg) >= _CLEAR_DEG for mark in engine.marks)
    ]
    if leaders:
        unnamed = [mark for mark in engine.marks if mark.crank_deg not in placed]
        seen = [mark for mark in unnamed if off(mark.crank_deg, moment.crank_deg) <= _OPENING_DEG]
        found += _beside_the_window(engine, [(mark.label, at(mark.crank_deg, _MARK_FOOT)) for mark in seen])
    return tuple(found)


def mark_ends_mm(engine: Engine, rig: Rig, state: State) -> tuple[Floats, ...]:
    """The ends (2, 3) of each mark that is painted on the disc, and of the bar of its zero [mm, in the world], for a
    state of one value."""
    disc, radius = Part(Kind.DISC), engine.sizes.disc_radius_mm
    pose = poses(rig, state, [disc])[disc]
    bars = [(mark.crank_deg, 1.0, 1.0 - dials.MARK_SHARE) for mark in engine.marks]
    bars.append((0.0, 1.0 - dials.MARK_SHARE, 1.0 - dials.INDEX_SHARE))
    found = []
    for degree, *shares in bars:
        turn = np.radians(disc_degree_deg(engine, degree))
        local = [[at * radius * np.cos(turn), at * radius * np.sin(turn), engine.sizes.disc_x_mm] for at in shares]
        found.append(np.asarray(points_in_world(pose, np.asarray(local))[0]))
    return tuple(found)


def _beside_the_window(engine: Engine, marks: Sequence[tuple[str, Floats]]) -> list[Label]:
    """The names of marks (name, place of its foot (3,)) in the corners below, each on the side where its mark is."""
    radius, turn = engine.sizes.disc_radius_mm, np.radians(engine.sizes.pointer_turn_deg)
    out, across = np.array([0.0, -np.sin(turn), np.cos(turn)]), np.array([0.0, np.cos(turn), np.sin(turn)])
    centre = np.array([engine.sizes.disc_x_mm, 0.0, 0.0])
    found: list[Label] = []
    taken = {-1: 0, 1: 0}
    for name, foot in sorted(marks, key=lambda mark: abs(float(mark[1] @ across))):
        side = -1 if float(foot @ across) < 0 else 1
        if taken[side] >= _STACK:
            continue
        height = _BESIDE_AT + _BESIDE_PITCH * taken[side]
        taken[side] += 1
        place = centre + radius * (height * out + side * _FAR_ASIDE * across)
        found.append(replace(label(name, place, boxed=True), leader_mm=_place(foot)))
    return found


def _segments(engine: Engine, rig: Rig, name: str, state: State) -> tuple[Label, ...]:
    """The cylinder of each segment, on its stud."""
    magneto, part = engine.magnetos[name], Part(Kind.SEGMENTS, name)
    pose = poses(rig, state, [part])[part]
    radius = _SEGMENT_AT * engine.sheet.crank.bore_mm
    turn = np.radians(segment_angles_deg(engine, magneto))
    local = np.column_stack([radius * np.cos(turn), radius * np.sin(turn), np.zeros_like(turn)])
    world = points_in_world(pose, local)[0]
    return tuple(label(cylinder, point) for cylinder, point in zip(magneto.fires, world, strict=True))


def quill_end(engine: Engine, coupling: str, camera: Camera, upper: bool) -> Label:
    """Which end of a quill this is and how many teeth it has, at the left of the view of it."""
    own = engine.couplings[coupling]
    hangs = engine.shafts[own.driving].axis[2] > 0  # seen from below
    driving = (min(own.driving_mm) < min(own.driven_mm)) == (upper != hangs)
    count = own.data.driving_teeth if driving else own.data.driven_teeth
    axis, point = np.asarray(engine.shafts[own.driving].axis), np.asarray(engine.shafts[own.driving].point)
    focal = np.asarray(camera.focal)
    right = axes(focal - np.asarray(camera.position), camera.up)[0]
    place = point + axis * float((focal - point) @ axis) - _END_ASIDE * engine.sheet.crank.bore_mm * right
    return label(f"{'driving' if driving else 'driven'} end: {count} teeth", place, boxed=True)


def label(text: str, at: Floats, boxed: bool = False) -> Label:
    """Words at a place (3,) in the world [mm]."""
    return Label(text=text, at_mm=_place(at), boxed=boxed)


def _place(at: Floats) -> Place:
    x, y, z = (float(value) for value in at)
    return x, y, z
