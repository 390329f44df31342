"""Callouts of a line drawing: numbered balloons in rows and columns outside the outline, or labels in two columns.

All lengths are millimetres of paper, y downwards. A tip is the deepest place of what is seen of a part, found by rays
on a grid; balloons take the slots round the outline that make the leaders shortest, and leaders never cross.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import trimesh
from numpy.typing import NDArray

from quillwise.kinematics.errors import RequestError
from quillwise.kinematics.parts import Kind, Part
from quillwise.viz.cameras import Camera
from quillwise.viz.hidden import one_mesh
from quillwise.viz.linedrawing import Callout, Frame, Round, Stroke, Word
from quillwise.viz.linework import Floats, Whole, half_height_mm
from quillwise.viz.paper import text_width_mm

MOST = 12  # callouts of a figure that chooses its own
USUAL = "usual"  # the request for that choice
Point = tuple[float, float]

_GRID = 420  # rays along the longer side of a view
_RADIUS = 1.35  # of a balloon, ÷ height of its figures
_PITCH = 2.4  # between balloons, ÷ radius
_GAP_MM = 3.0  # between the outline and the balloons
_DOT_MM = 0.45
_STEEPEST_DEG = 60.0  # of a leader off its side's normal: further over, it would touch the next balloon
_OBLIQUE_DEG = 15.0
_ROUNDS = 400
_FAR = 1e6


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Seen:
    """What is seen where. part: (H, W) number of the body at each ray, −1 for none. x, y: (W,) and (H,) of the rays
    on paper [mm]. names: of the bodies."""

    part: Whole
    x: Floats
    y: Floats
    names: tuple[str, ...]

    def count(self) -> dict[str, int]:
        """Rays that meet each body first, by name; bodies that are not seen are left out."""
        found = np.bincount(self.part[self.part >= 0], minlength=len(self.names))
        return {name: int(number) for name, number in zip(self.names, found, strict=True) if number}

    def box(self) -> tuple[float, float, float, float]:
        """Left, top, right, bottom of all that is seen [mm]. Raises ValueError when nothing is."""
        rows, columns = np.nonzero(self.part >= 0)
        if not len(rows):
            raise ValueError("nothing is seen")
        return (
            float(self.x[columns.min()]),
            float(self.y[rows.min()]),
            float(self.x[columns.max()]),
            float(self.y[rows.max()]),
        )


def seen(bodies: Mapping[str, trimesh.Trimesh], camera: Camera, frame: Frame) -> Seen:
    """Which body is seen at each place of a view, by one ray each."""
    step = max(frame.width, frame.height) / _GRID
    across = np.arange(frame.left + step / 2, frame.left + frame.width, step)
    down = np.arange(frame.top + step / 2, frame.top + frame.height, step)
    scale = frame.scale(camera)
    right = (across - frame.left - frame.width / 2) / scale
    up = -(down - frame.top - frame.height / 2) / scale
    mesh = one_mesh(bodies, camera)
    nearest = float(mesh.bounds[0, 2]) - 10.0 * max(1.0, half_height_mm(camera) * 1e-3)
    grid = np.stack(np.meshgrid(right, up), axis=-1).reshape(-1, 2)
    origins = np.column_stack([grid, np.full(len(grid), nearest)])
    ray: Any = mesh.ray
    faces = np.asarray(ray.intersects_first(origins, np.tile((0.0, 0.0, 1.0), (len(origins), 1))), dtype=np.int64)
    ends = np.cumsum([len(body.faces) for body in bodies.values()])
    part = np.where(faces < 0, -1, np.searchsorted(ends, np.maximum(faces, 0), side="right"))
    return Seen(part=part.reshape(len(down), len(across)), x=across, y=down, names=tuple(bodies))


def tip(view: Seen, name: str) -> Point:
    """The deepest place of what is seen of a part. Raises KeyError when nothing of it is."""
    from scipy.ndimage import distance_transform_edt

    mine = np.pad(view.part == view.names.index(name), 1)
    if not mine.any():
        raise KeyError(name)
    deep: NDArray[np.float64] = distance_transform_edt(mine)
    row, column = np.unravel_index(int(np.argmax(deep)), deep.shape)
    return float(view.x[column - 1]), float(view.y[row - 1])


def chosen(request: str, parts: Sequence[Part], view: Seen) -> dict[str, str]:
    """Names of bodies to point at, each with its words in the item list. request: names of parts or of kinds, parted
    by commas, or ``usual``: the best seen of every kind. Raises RequestError for a part that is not there or not
    seen."""
    count = view.count()
    by_kind = {kind: [part for part in parts if part.kind is kind] for kind in Kind}
    if request.strip() == USUAL:
        best = [max(group, key=lambda part: count.get(str(part), 0)) for group in by_kind.values() if group]
        kept = sorted((part for part in best if str(part) in count), key=lambda part: -count[str(part)])[:MOST]
        return {str(part): _of_kind(part, by_kind) for part in kept}
    known = {str(part): part for part in parts}
    found: dict[str, str] = {}
    for wanted in asked_for(request, parts):
        if wanted in known:
            name, said = wanted, words(known[wanted])
        else:
            group = [part for part in parts if wanted in (part.kind.value, part.of)]
            best_seen = max(group, key=lambda part: count.get(str(part), 0))
            name = str(best_seen)
            said = _of_kind(best_seen, by_kind) if wanted == best_seen.kind.value else words(best_seen)
        if name not in count:
            raise RequestError(f"--callouts: nothing is seen of the {name} in this view; choose another view or part")
        found[name] = said
    return found


def asked_for(request: str, parts: Sequence[Part]) -> list[str]:
    """The names of a request, each once; none of ``usual``. Raises RequestError for what is no part of the engine, and
    when nothing is named."""
    if request.strip() == USUAL:
        return []
    known = {str(part) for part in parts}
    names = list(dict.fromkeys(_names_in(request, known)))
    for wanted in names:
        if wanted not in known and not any(wanted in (part.kind.value, part.of) for part in parts):
            raise _no_part(wanted, parts)
    if not names:
        raise RequestError(f'--callouts: expected names of parts parted by commas, or "{USUAL}"')
    return names


def _names_in(request: str, known: Collection[str]) -> list[str]:
    """The names of a request. A comma parts them, but where it stands in the name of a part."""
    pieces = [piece.strip() for piece in request.split(",")]
    found: list[str] = []
    while pieces:
        joined = (count for count in range(len(pieces), 1, -1) if ", ".join(pieces[:count]) in known)
        count = next(joined, 1)
        name = ", ".join(pieces[:count])
        found += [name] if name else []
        del pieces[:count]
    return found


def _no_part(wanted: str, parts: Sequence[Part]) -> RequestError:
    from difflib import get_close_matches

    kinds = [*dict.fromkeys(part.kind.value for part in parts)]
    near = get_close_matches(wanted, [*kinds, *(str(part) for part in parts)], n=1)
    hint = f" (did you mean {near[0]}?)" if near else ""
    least = next((part for part in parts if part.of), parts[0])
    return RequestError(
        f'--callouts: unknown part "{wanted}"; name a kind ({", ".join(kinds)}) or one part of it, such as '
        f'"{least}"{hint}'
    )


def of_parts(parts: Sequence[Part], every: Sequence[Part], view: Seen) -> dict[str, str]:
    """Those of some parts that are seen, each with its words; of a kind of which all are
    in question, and where they are too many, the best seen."""
    count = view.count()
    there = [part for part in parts if str(part) in count]
    by_kind = {kind: [part for part in every if part.kind is kind] for kind in Kind}
    found: dict[str, str] = {}
    for group in ([part for part in there if part.kind is kind] for kind in Kind):
        # parts that are the same bear one number, where all of them are in question
        whole = len(group) > 2 and set(by_kind[group[0].kind]) <= set(parts)
        if group and (whole or len(there) > MOST):
            best = max(group, key=lambda part: count[str(part)])
            found[str(best)] = _of_kind(best, by_kind)
        else:
            found |= {str(part): words(part) for part in group}
    return found


def words(part: Part) -> str:
    """A part's name in the item list."""
    return part.words


def _of_kind(part: Part, by_kind: Mapping[Kind, Sequence[Part]]) -> str:
    number = len(by_kind[part.kind])
    return words(part) if number == 1 else f"{part.kind.value} ({number} off)"


def balloon_radius_mm(text_mm: float) -> float:
    """Radius of a balloon whose figures are so high."""
    return _RADIUS * text_mm


def border_mm(text_mm: float) -> float:
    """Room that balloons need round a view, on each side."""
    return 2 * balloon_radius_mm(text_mm) + _GAP_MM + 0.5


def arranged(
    tips: Mapping[str, Point], box: tuple[float, float, float, float], sheet: Frame, text_mm: float
) -> tuple[Callout, ...]:
    """Balloons round the box of what is seen, inside the sheet, numbered clockwise from the upper left. Raises
    RequestError when they find no place without leaders that cross."""
    radius = balloon_radius_mm(text_mm)
    slots = _ring(box, sheet, radius)
    return _numbered(_assigned(tips, slots, radius), box)


def labelled(
    tips: Mapping[str, Point], box: tuple[float, float, float, float], sheet: Frame, text_mm: float
) -> tuple[Callout, ...]:
    """Ends of leaders to labels, in a column on either side of the box."""
    pitch = 2.2 * text_mm
    left, _, right, _ = box
    places = np.arange(sheet.top + pitch / 2, sheet.top + sheet.height - pitch / 2 + 1e-9, pitch)
    columns = (("left", left - _GAP_MM), ("right", right + _GAP_MM))
    slots = [((x, float(y)), side) for side, x in columns for y in places]
    return _numbered(_assigned(tips, slots, text_mm * 0.6), box)


def _ring(box: tuple[float, float, float, float], sheet: Frame, radius: float) -> list[tuple[Point, str]]:
    """Slots in two rows and two columns round a box, none nearer to another than the pitch."""
    away = radius + _GAP_MM
    low = (sheet.left + radius, sheet.top + radius)
    high = (sheet.left + sheet.width - radius, sheet.top + sheet.height - radius)
    left, top = max(low[0], box[0] - away), max(low[1], box[1] - away)
    right, bottom = min(high[0], box[2] + away), min(high[1], box[3] + away)
    pitch = _PITCH * radius
    found: list[tuple[Point, str]] = []
    # columns stop short of the rows' ends, so that balloons at a corner keep their distance
    for y in _spread(top + pitch, bottom - pitch, pitch):
        found += [((left, y), "left"), ((right, y), "right")]
    for x in _spread(left, right, pitch):
        found += [((x, top), "top"), ((x, bottom), "bottom")]
    return found


def _spread(begin: float, until: float, pitch: float) -> list[float]:
    count = int((until - begin) / pitch + 1e-9) + 1
    if until < begin:
        return []
    start = (begin + until) / 2 - (count - 1) * pitch / 2
    return [start + n * pitch for n in range(count)]


_NORMALS = {"left": (-1.0, 0.0), "right": (1.0, 0.0), "top": (0.0, -1.0), "bottom": (0.0, 1.0)}


def _assigned(tips: Mapping[str, Point], slots: Sequence[tuple[Point, str]], radius: float) -> list[Callout]:
    from scipy.optimize import linear_sum_assignment

    names = list(tips)
    if not names:
        return []
    begin = np.array([tips[name] for name in names])
    places = np.array([at for at, _ in slots]).reshape(-1, 2)
    if len(places) < len(names):
        raise _no_place(len(names))
    normals = np.array([_NORMALS[side] for _, side in slots])
    way = places[None] - begin[:, None]
    length = np.linalg.norm(way, axis=2)
    off = np.degrees(np.arccos(np.clip((way * normals).sum(axis=2) / np.maximum(length, 1e-9), -1.0, 1.0)))
    cost = length * np.where(off < _OBLIQUE_DEG, 1.1, 1.0) + np.where(off > _STEEPEST_DEG, _FAR, 0.0)
    for _ in range(_ROUNDS):
        rows, columns = linear_sum_assignment(cost)
        ends = places[columns]
        bad = _conflict(begin, ends, radius)
        if bad is None:
            if cost[rows, columns].max() >= _FAR:
                break
            return [
                Callout(name=name, tip=tips[name], at=(float(x), float(y)), side=slots[int(slot)][1])
                for name, slot, (x, y) in zip(names, columns, ends, strict=True)
            ]
        cost[bad, columns[bad]] += 20.0
    raise _no_place(len(names))


def _no_place(count: int) -> RequestError:
    return RequestError(
        f"--callouts: {count} find no place round this view; name fewer, or take a larger sheet or picture"
    )


def _conflict(begin: Floats, ends: Floats, radius: float) -> int | None:
    """The longer of two leaders that cross, or a leader that comes too near to another's balloon; None: all is well."""
    import shapely

    lines = shapely.linestrings(np.stack([begin, ends], axis=1))
    near = shapely.distance(lines[:, None], shapely.points(ends)[None])
    cross = shapely.intersects(lines[:, None], lines[None])
    np.fill_diagonal(near, np.inf)
    np.fill_diagonal(cross, False)
    if cross.any():
        one, other = np.argwhere(cross)[0]
        return int(max((one, other), key=lambda n: shapely.length(lines[n])))
    touched = np.argwhere(near < 1.12 * radius)
    return int(touched[0, 0]) if len(touched) else None


def _numbered(found: Sequence[Callout], box: tuple[float, float, float, float]) -> tuple[Callout, ...]:
    middle = ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)

    def turn(each: Callout) -> float:
        # clockwise on paper, from the upper left
        return float(np.arctan2(each.at[1] - middle[1], each.at[0] - middle[0]) + 0.75 * np.pi) % (2 * np.pi)

    return tuple(
        Callout(name=each.name, tip=each.tip, at=each.at, side=each.side, number=number)
        for number, each in enumerate(sorted(found, key=turn), start=1)
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Drawn:
    """Callouts as they are drawn, and the item list that belongs to them."""

    strokes: tuple[Stroke, ...] = ()
    rounds: tuple[Round, ...] = ()
    words: tuple[Word, ...] = ()
    items: tuple[tuple[int, str], ...] = ()
    pointed: tuple[Callout, ...] = ()

    def with_list(self, left_top: Point, text_mm: float) -> Drawn:
        """The same with its item list on the sheet."""
        listed = (*self.words, *item_list(self.items, left_top, text_mm))
        return replace(self, words=listed)

    def beside(self, other: Drawn) -> Drawn:
        """These and others on the same sheet."""
        return Drawn(
            strokes=(*self.strokes, *other.strokes),
            rounds=(*self.rounds, *other.rounds),
            words=(*self.words, *other.words),
            items=(*self.items, *other.items),
            pointed=(*self.pointed, *other.pointed),
        )


NONE = Drawn()


def balloons(callouts: Sequence[Callout], names: Mapping[str, str], text_mm: float) -> Drawn:
    """Circles with numbers, leaders and dots. names: words of the item list, by part."""
    radius = balloon_radius_mm(text_mm)
    strokes, rounds, texts = [], [], []
    for each in callouts:
        at, end = np.array(each.at), np.array(each.tip)
        edge = at + (end - at) * radius / max(float(np.linalg.norm(end - at)), 1e-9)
        strokes.append(
            Stroke(part=f"callout {each.number}: {names[each.name]}", kind="narrow", lines=(np.array([edge, end]),))
        )
        rounds += [Round(at=each.at, radius_mm=radius), Round(at=each.tip, radius_mm=_DOT_MM, filled=True)]
        base = (each.at[0], each.at[1] + text_mm / 2)
        texts.append(Word(text=str(each.number), at=base, height_mm=text_mm, anchor="middle"))
    items = tuple((each.number, names[each.name]) for each in callouts)
    return Drawn(strokes=tuple(strokes), rounds=tuple(rounds), words=tuple(texts), items=items, pointed=tuple(callouts))


def labels(callouts: Sequence[Callout], names: Mapping[str, str], text_mm: float) -> Drawn:
    """Names at the ends of the leaders."""
    strokes, rounds, texts = [], [], []
    for each in callouts:
        strokes.append(
            Stroke(
                part=f"callout: {names[each.name]}", kind="narrow", lines=(np.array([each.at, each.tip], dtype=float),)
            )
        )
        rounds.append(Round(at=each.tip, radius_mm=_DOT_MM, filled=True))
        aside = -1.0 if each.side == "left" else 1.0
        anchor = "end" if each.side == "left" else "start"
        at = (each.at[0] + aside, each.at[1] + text_mm / 2)
        texts.append(Word(text=names[each.name], at=at, height_mm=text_mm, anchor=anchor))
    items = tuple((each.number, names[each.name]) for each in callouts)
    return Drawn(strokes=tuple(strokes), rounds=tuple(rounds), words=tuple(texts), items=items, pointed=tuple(callouts))


def list_width_mm(names: Collection[str], text_mm: float) -> float:
    """Width of a column that holds the item list."""
    return max((text_width_mm(name, text_mm) for name in names), default=0.0) + 3.4 * text_mm


def item_list(items: Sequence[tuple[int, str]], left_top: Point, text_mm: float) -> tuple[Word, ...]:
    """The item list, a line each."""
    texts = []
    for line, (number, name) in enumerate(items):
        y = left_top[1] + text_mm + 2.0 * text_mm * line
        texts.append(Word(text=str(number), at=(left_top[0] + 2 * text_mm, y), height_mm=text_mm, anchor="end"))
        texts.append(Word(text=name, at=(left_top[0] + 2.8 * text_mm, y), height_mm=text_mm))
    return tuple(texts)
