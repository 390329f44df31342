"""A line drawing on paper: strokes of parts, arrows and words, and how a view of bodies becomes strokes."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
import trimesh

from quillwise.viz import palette
from quillwise.viz.cameras import Camera
from quillwise.viz.chaining import chains, clipped
from quillwise.viz.hidden import pieces_of
from quillwise.viz.linework import Floats, Whole, edges_of, faces_of, half_height_mm, in_picture
from quillwise.viz.paper import LineKind

_LAYERS, _HIDDEN = 3, 2  # of a part: its outlines, the edges within them, its hidden lines


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Stroke:
    """Polylines of one kind of one part: each (K, 2) in mm of paper from the top left corner, y downwards."""

    part: str
    kind: LineKind
    lines: tuple[Floats, ...]
    colour: str = palette.BLACK


@dataclass(frozen=True, kw_only=True, slots=True)
class Word:
    """A line of text. at: a place on its base line [mm], its left end, middle or right end as anchor is "start",
    "middle" or "end"; height: of a capital [mm]."""

    text: str
    at: tuple[float, float]
    height_mm: float
    bold: bool = False
    anchor: str = "start"


@dataclass(frozen=True, kw_only=True, slots=True)
class Round:
    """A circle: at its middle [mm]; a narrow line on white, a wide one over all else (clear), or filled."""

    at: tuple[float, float]
    radius_mm: float
    filled: bool = False
    clear: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Callout:
    """A part that is pointed at. tip: on what is seen of it; at: middle of the balloon, or the label's end of the
    leader; side: of the outline on which it stands."""

    name: str
    tip: tuple[float, float]
    at: tuple[float, float]
    side: str
    number: int = 0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class LineDrawing:
    """All of a drawing. size: width, height [mm]. wide, narrow: line widths [mm]. heads: filled arrow heads (3, 2).
    items: number and name of each callout; pointed: where they stand."""

    size_mm: tuple[float, float]
    title: str
    about: str
    wide_mm: float
    narrow_mm: float
    strokes: tuple[Stroke, ...]
    words: tuple[Word, ...] = ()
    heads: tuple[Floats, ...] = ()
    frames: tuple[tuple[float, float, float, float], ...] = field(default=())
    rounds: tuple[Round, ...] = ()
    items: tuple[tuple[int, str], ...] = ()
    pointed: tuple[Callout, ...] = ()


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
    faces = faces_of(bodies, camera)
    edges = edges_of(faces)
    cut = pieces_of(faces, edges)
    names = list(bodies)
    owner = edges.owner[cut.edge]
    # of a part the outlines lie over the edges within them, and both over the hidden lines
    layer = np.where(cut.seen, 0 if asked else ~edges.contour[cut.edge], _HIDDEN)
    wanted = cut.seen | np.array([name in dashed for name in names], dtype=bool)[owner]
    ends = frame.placed(camera, np.concatenate([edges.point(cut.edge, cut.begin), edges.point(cut.edge, cut.until)]))
    ends = np.stack(np.split(ends, 2), axis=1)[wanted]
    lines = _joined(ends, (_LAYERS * owner + layer)[wanted], owner[wanted], frame)
    found: list[Stroke] = []
    for number, name in enumerate(names):
        kind: LineKind = "wide" if name in asked or not asked else "narrow"
        colour = palette.BLACK if kind == "wide" else palette.RULE
        outline, within, hidden = (lines.get(_LAYERS * number + each, ()) for each in range(_LAYERS))
        if outline:
            found.append(Stroke(part=name, kind=kind, lines=outline, colour=colour))
        if within:
            found.append(Stroke(part=name, kind="narrow", lines=within, colour=colour))
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


def _joined(ends: Floats, group: Whole, part: Whole, frame: Frame) -> dict[int, tuple[Floats, ...]]:
    """Polylines of pieces (P, 2, 2) within a frame, by group."""
    low = np.array([frame.left, frame.top])
    ends, within = clipped(ends, low, low + np.array([frame.width, frame.height]))
    return chains(ends[within], group[within], part[within])
