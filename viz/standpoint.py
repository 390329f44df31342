"""From where a step is looked at: the first of some points of view from which what it is about is not hidden, nor the
arrows that say what is turned; and where about their shafts these arrows stand."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
import trimesh

from quillwise.kinematics.angles import Floats
from quillwise.kinematics.parts import Part
from quillwise.viz.cameras import VIEWS, Camera, Vector, axes
from quillwise.viz.stage import Stage

ENOUGH = 0.60
ENOUGH_OF_ARROW = 0.75
LEAST = 0.45  # of each of a few parts: a mean would let one be hidden altogether
_FEW = 6
_NEARLY = 0.8
_HIDES = 0.2  # of a part: what stands before so much of it is drawn faint
_FLAT = 0.55  # sine of the angle between a line of sight and an arrow's head: a smaller one looks like a dot
_OPEN = 0.60  # sine of the angle between a line of sight and an arc's plane: a smaller one looks like a straight line
_NEARER = 2.5  # an arrow stands so much nearer to what it is about than to any other of its kind
_BETTER = 0.05  # the usual place is left for one that is seen by so much more
# Directions of view on the right of the engine; the first is the usual one, and the others are near to it.
_DIRECTIONS: tuple[Vector, ...] = (
    VIEWS["three-quarter"].direction,
    (0.60, 0.70, 0.05),
    (0.55, 0.62, -0.62),
    (0.85, 0.40, -0.38),
    (0.40, 0.85, -0.30),
    (0.62, 0.62, 0.42),
    (0.08, 0.95, -0.30),
    (0.15, 0.60, -0.79),
    (0.94, 0.22, -0.26),
)


def directions(side: int) -> tuple[Vector, ...]:
    """Directions of view in the order in which they are tried; side: −1 for the left of the engine, else the right.
    Those of the other side come last."""
    first = -1.0 if side < 0 else 1.0
    return tuple((x, sign * y, z) for sign in (first, -first) for x, y, z in _DIRECTIONS)


def shares(stage: Stage, parts: Collection[Part]) -> dict[Part, float]:
    """How much of each part is seen, 0 to 1: its pixels ÷ those that it would have if it stood alone.

    Of a part that has no pixel at all, 0. Raises KeyError for a part that does not stand on the stage as found.
    """
    numbers, keys = stage.identify()
    counts = np.bincount(numbers.ravel(), minlength=len(keys) + 1)
    number = {key: n for n, key in keys.items()}
    found = {}
    for part in parts:
        # counted by its number: an arrow or its rim on the stage is no part, and has another or none
        alone = int(np.count_nonzero(stage.identify(only={part})[0] == number[part, "found"]))
        found[part] = float(counts[number[part, "found"]]) / alone if alone else 0.0
    return found


@dataclass(frozen=True, kw_only=True, slots=True)
class Arrow:
    """An arrow in one of the places that it may take: its line (N, 3) [mm] and its body, in the world. ``own``: the
    middle (3,) of what it is about; ``others``: those (M, 3) of others of the kind."""

    line: Floats
    body: trimesh.Trimesh
    own: Floats | None = None
    others: Floats | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Standpoint:
    """A direction of view, the arrows where they are seen best from there, one of each choice, and the parts that stand
    before what the step is about, to be drawn faint."""

    direction: Vector
    arrows: tuple[Arrow, ...] = ()
    faint: tuple[Part, ...] = ()


def legible(stage: Stage, choice: Sequence[Arrow], parts: Collection[Part]) -> Floats:
    """How well an arrow tells its turn in each of its places, (N,), 0 to 1: the share of its body that is seen, less
    where it covers what the step is about, where its head points at the eye, or where it seems to stand at another of
    the kind. For the camera as it stands."""
    camera = stage.camera()
    frame = axes(np.asarray(camera.focal) - np.asarray(camera.position), camera.up)
    forward = frame[2]
    counts = [len(arrow.body.vertices) for arrow in choice]
    in_front, numbers, keys = stage.seen(np.concatenate([arrow.body.vertices for arrow in choice]))
    about = [number for number, (part, _) in keys.items() if part in parts]
    covers = in_front & np.isin(numbers, about)
    ends = np.cumsum(counts)[:-1]
    shown = np.array([share.mean() for share in np.split(in_front, ends)])
    over = np.array([share.mean() for share in np.split(covers, ends)])
    heads = np.array([arrow.line[-1] - arrow.line[-2] for arrow in choice])
    along = heads @ forward / np.linalg.norm(heads, axis=1)
    flat = np.clip(np.sqrt(1 - np.minimum(along**2, 1.0)) / _FLAT, 0.0, 1.0)
    told: Floats = (
        np.clip(shown - 0.5 * over, 0.0, 1.0) * flat * _openness(choice, forward) * _nearness(choice, frame[:2])
    )
    return told


def _openness(choice: Sequence[Arrow], forward: Floats) -> Floats:
    """How open each arc looks, (N,), 0 to 1; a straight arrow always does."""
    found = []
    for arrow in choice:
        ways = np.diff(arrow.line, axis=0)
        normal = np.cross(ways[0], ways[len(ways) // 2])
        size = float(np.linalg.norm(normal))
        straight = size < 1e-9 * float(np.linalg.norm(ways[0])) ** 2
        found.append(1.0 if straight else min(1.0, abs(float(normal @ forward)) / size / _OPEN))
    return np.array(found)


def _nearness(choice: Sequence[Arrow], plane: Floats) -> Floats:
    """How plainly each arrow stands at its own thing and not at another of the kind, (N,), 0 to 1. plane: right and up
    of the picture (2, 3)."""
    found = []
    for arrow in choice:
        if arrow.own is None or arrow.others is None or not len(arrow.others):
            found.append(1.0)
            continue
        middle = arrow.line.mean(axis=0)
        own = float(np.linalg.norm(plane @ (arrow.own - middle)))
        other = float(np.linalg.norm((arrow.others - middle) @ plane.T, axis=1).min())
        found.append(min(1.0, other / (_NEARER * max(own, 1e-9))))
    return np.array(found)


def standpoint(
    stage: Stage,
    parts: Collection[Part],
    side: int,
    camera: Callable[[Vector], Camera],
    choices: Sequence[Sequence[Arrow]] = (),
) -> Standpoint:
    """The first direction from which enough is seen of the parts together and of every arrow, else the best of them.

    camera: for a direction. choices: of each arrow the places that it may take, the usual one first. The stage is left
    looking along a direction that was tried.
    """
    best, most = Standpoint(direction=directions(side)[0]), -1.0
    for number, direction in enumerate(directions(side)):
        if number == len(_DIRECTIONS) and most > _NEARLY:
            break  # from its own side it is shown nearly as well as could be: the eye stays there
        stage.look(camera(direction))
        most_of, least_of = _mean_and_least(stage, parts)
        seen, taken = min(1.0, most_of / ENOUGH, least_of / LEAST), []
        for choice in choices:
            told = legible(stage, choice, parts)
            place = int(np.argmax(told)) if told.max() > told[0] + _BETTER else 0
            taken.append(choice[place])
            seen = min(seen, float(told[place]) / ENOUGH_OF_ARROW)
        if seen > most + 0.02:
            best, most = Standpoint(direction=direction, arrows=tuple(taken)), seen
        if seen >= 1.0:
            break
    stage.look(camera(best.direction))
    return replace(best, faint=hiders(stage, parts))


def hiders(stage: Stage, parts: Collection[Part]) -> tuple[Part, ...]:
    """The parts that hide much of one of a few: those that stand before a great share of a part of which too little is
    seen. For the camera as it stands."""
    shown = [part for part in parts if (part, "found") in stage.keys()]
    if len(shown) > _FEW:
        return ()
    numbers, keys = stage.identify()
    number = {key: n for n, key in keys.items()}
    found: dict[Part, None] = {}
    for part in shown:
        alone = stage.identify(only={part})[0] == number[part, "found"]
        if not alone.any() or float(np.mean(numbers[alone] == number[part, "found"])) >= ENOUGH:
            continue
        before = np.bincount(numbers[alone], minlength=len(keys) + 1) / np.count_nonzero(alone)
        for n, (other, role) in keys.items():
            if role == "found" and other not in parts and before[n] >= _HIDES:
                found[other] = None
    return tuple(found)


def visible(stage: Stage, parts: Collection[Part]) -> float:
    """How much is seen of what a step is about, 0 to 1: the mean of its parts, so that a large one does not outvote a
    small one; of many parts, their pixels together. 1 when none stands on the stage."""
    return _mean_and_least(stage, parts)[0]


def _mean_and_least(stage: Stage, parts: Collection[Part]) -> tuple[float, float]:
    """``visible``, and how much is seen of that part of a few that is hidden the most; of many, the same again."""
    shown = [part for part in parts if (part, "found") in stage.keys()]
    if not shown:
        return 1.0, 1.0
    if len(shown) <= _FEW:
        found = list(shares(stage, shown).values())
        return float(np.mean(found)), min(found)
    numbers, keys = stage.identify()
    wanted = [number for number, (part, role) in keys.items() if part in shown and role == "found"]
    alone = int(np.isin(stage.identify(only=shown)[0], wanted).sum())
    share = float(np.isin(numbers, wanted).sum()) / alone if alone else 1.0
    return share, share
