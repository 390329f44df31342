"""A line drawing on paper: strokes of parts, arrows and words, and how a view of bodies becomes strokes."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
import trimesh

from quillwise.viz import palette
from quillwise.viz.cameras import Camera
from quillwise.viz.hidden import pieces
from quillwise.viz.linework import Floats, drawn_edges, half_height_mm, in_picture
from quillwise.viz.paper import LineKind

_NODE_MM = 0.001  # ends of pieces that are nearer than this on paper are one
_STRAIGHT_MM = 0.015  # a point that is nearer to the line of its neighbours is left out
_LEAST_MM = 0.08  # a piece shorter than this is no line


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Stroke:
    """Polylines of one kind of one part: each (K, 2) in mm of paper from the top left corner, y downwards."""

    part: str
    kind: LineKind
    lines: tuple[Floats, ...]
    colour: str = palette.BLACK


@dataclass(frozen=True, kw_only=True, slots=True)
class Word:
    """A line of text. at: left end of its base line [mm]; height: of a capital [mm]."""

    text: str
    at: tuple[float, float]
    height_mm: float
    bold: bool = False
    anchor: str = "start"


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class LineDrawing:
    """All of a drawing. size: width, height [mm]. wide, narrow: line widths [mm]. heads: filled arrow heads (3, 2)."""

    size_mm: tuple[float, float]
    title: str
    about: str
    wide_mm: float
    narrow_mm: float
    strokes: tuple[Stroke, ...]
    words: tuple[Word, ...] = ()
    heads: tuple[Floats, ...] = ()
    frames: tuple[tuple[float, float, float, float], ...] = field(default=())


@dataclass(frozen=True, kw_only=True, slots=True)
class Frame:
    """Where a view stands on paper: left, top, width, height [mm]."""

    left: float
    top: float
    width: float
    height: float

    def placed(self, camera: Camera, points: Floats) -> Floats:
        """Points in picture space (N, ≥ 2) on paper (N, 2) [mm]."""
        scale = self.scale(camera)
        middle = np.array([self.left + self.width / 2, self.top + self.height / 2])
        return np.asarray(middle + np.asarray(points)[:, :2] * scale * np.array([1.0, -1.0]))

    def scale(self, camera: Camera) -> float:
        """Millimetres of paper for one of the model, at the focal point's depth."""
        return self.height / 2 / half_height_mm(camera)

    @property
    def aspect(self) -> float:
        """Width ÷ height."""
        return self.width / self.height


def strokes(
    bodies: Mapping[str, trimesh.Trimesh],
    camera: Camera,
    frame: Frame,
    asked: Collection[str] = (),
    dashed: Collection[str] = (),
) -> tuple[Stroke, ...]:
    """The strokes of bodies [world, mm], by name. asked: parts in question, in wide lines; the others are narrow and
    grey beside them. Where none is in question outlines are wide and the edges within them narrow, so that they do not
    run together. dashed: parts whose hidden lines are drawn too."""
    edges = drawn_edges(bodies, camera)
    cut = pieces(bodies, edges, camera)
    begin = edges.start[cut.edge] * (1 - cut.begin[:, None]) + edges.end[cut.edge] * cut.begin[:, None]
    until = edges.start[cut.edge] * (1 - cut.until[:, None]) + edges.end[cut.edge] * cut.until[:, None]
    ends = np.stack([frame.placed(camera, begin), frame.placed(camera, until)], axis=1)
    owner, outline = edges.owner[cut.edge], edges.contour[cut.edge]
    found: list[Stroke] = []
    for number, name in enumerate(bodies):
        mine = owner == number
        kind: LineKind = "wide" if name in asked or not asked else "narrow"
        colour = palette.BLACK if kind == "wide" else palette.RULE
        seen = mine & cut.seen
        inner = seen & ~outline if not asked else np.zeros_like(seen)
        lines = chained(ends[seen & ~inner], frame)
        within = chained(ends[inner], frame, over=lines) if inner.any() else ()
        if lines:
            found.append(Stroke(part=name, kind=kind, lines=lines, colour=colour))
        if within:
            found.append(Stroke(part=name, kind="narrow", lines=within, colour=colour))
        lines = (*lines, *within)
        if name in dashed:
            hidden = chained(ends[mine & ~cut.seen], frame, over=lines)
            if hidden:
                found.append(Stroke(part=name, kind="hidden", lines=hidden))
    # what is in question lies over the rest
    return tuple(sorted(found, key=lambda stroke: ("hidden", "narrow", "wide").index(stroke.kind)))


def phantom(bodies: Mapping[str, trimesh.Trimesh], camera: Camera, frame: Frame) -> tuple[Stroke, ...]:
    """Bodies in another position: what is seen of each of them alone, in phantom lines."""
    found = []
    for name, body in bodies.items():
        for stroke in strokes({name: body}, camera, frame):
            found.append(Stroke(part=name, kind="phantom", lines=stroke.lines, colour=palette.INTENDED))
    return tuple(found)


def polyline(points: Iterable[object], camera: Camera, frame: Frame) -> Floats:
    """A line in the world (K, 3) on paper (K, 2)."""
    return frame.placed(camera, in_picture(np.asarray(list(points), dtype=np.float64), camera))


def chained(ends: Floats, frame: Frame, over: Sequence[Floats] = ()) -> tuple[Floats, ...]:
    """Pieces (P, 2, 2) joined to polylines, kept inside the frame, points that say nothing left out. Sorted, so that
    the same pieces give the same drawing. over: lines that lie over them; where the two coincide these are left out."""
    rounded = np.round(ends / _NODE_MM) * _NODE_MM
    rounded = rounded[np.linalg.norm(rounded[:, 0] - rounded[:, 1], axis=1) > _NODE_MM / 2]
    if not len(rounded):
        return ()
    inside = shapely.box(frame.left, frame.top, frame.left + frame.width, frame.top + frame.height)
    whole = shapely.union_all(shapely.linestrings(rounded))
    if over:
        upper = shapely.union_all([shapely.LineString(line) for line in over])
        whole = shapely.difference(whole, upper, grid_size=_NODE_MM)
    merged = shapely.line_merge(whole)
    clipped = shapely.intersection(shapely.simplify(merged, _STRAIGHT_MM), inside)
    lines = [
        np.asarray(shapely.get_coordinates(each))
        for each in shapely.get_parts(clipped)
        if shapely.get_type_id(each) == 1 and shapely.length(each) >= _LEAST_MM
    ]
    return tuple(sorted(lines, key=lambda line: tuple(np.round(line[0], 3)) + tuple(np.round(line[-1], 3))))
