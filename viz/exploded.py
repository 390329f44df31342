"""The parts of a coupling pulled apart along their axis, as a line drawing: hidden lines removed, the centre line
joining them. A parallel view; no part covers another. No OpenGL.

Each part is drawn alone. In the plane of the view the axis runs along x, driving end at the left, nearest to the
viewer; on the sheet it is turned so that it rises to the right.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
import shapely.affinity

from quillwise.kinematics import wording
from quillwise.kinematics.angles import Floats
from quillwise.kinematics.assembly import Assembly
from quillwise.kinematics.errors import RequestError
from quillwise.kinematics.model import Coupling, Engine
from quillwise.kinematics.parts import Kind, Part
from quillwise.meshes.solids import mesh, moved, solid
from quillwise.viz.breaks import Window, area_windowed, break_lines, edged, windowed
from quillwise.viz.coupled import Line, facing, in_line, in_own_frame, named, upright
from quillwise.viz.cutting import as_area
from quillwise.viz.linedrawing import Frame, LineDrawing, Stroke, strokes
from quillwise.viz.naming import Names, clear_of, placed_names, tip
from quillwise.viz.paper import LEAST_TEXT_MM, SMALL_NARROW_MM, SMALL_TEXT_MM, SMALL_WIDE_MM, TEXT_MM
from quillwise.viz.scales import SCALES, in_words
from quillwise.viz.sectionsheet import heading

OFF_DEG = 32.0  # between the axis and the plane of the picture
_RISES_DEG = (24.0, 20.0, 28.0, 16.0, 12.0, 32.0, 8.0)  # of the axis on the sheet, as they are tried
_OUT = (0.0, 0.4, 0.7, 1.0)  # shares of the plain pieces that are broken out, as they are tried
_LARGEST = 2.6  # radius of a wheel that is drawn too, ÷ that of the mates
_LEAST_SCALE = 1 / 5.0
_GAP_MM = 5.0  # between the parts
_BREAK_MM = 3.0
_LEAST_OUT_MM = 6.0  # less than this on paper is not broken out
_WAVE_MM = 0.6
_FAR_MM = 1e4
_OVER_MM = 6.0  # of the centre line beyond the ends
_SIDE_MM, _TOP_MM, _FOOT_MM = 8.0, 9.0, 13.0
_LARGE_MM = 280.0
_FINE_MM = 2.2  # a pitch less than this on paper is drawn in finer lines
_LEAST_LINES_MM = (0.25, 0.13)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Piece:
    """A part in the exploded view. along: from where to where on the axis it is drawn, from the first part's beginning
    [mm of the model, what is broken out not counted]; moved: by how much it stands away from its place [mm]; out: how
    much of it is broken out [mm]. outline: on the sheet [mm]."""

    part: Part
    along_mm: tuple[float, float]
    moved_mm: float
    out_mm: float
    outline: shapely.Geometry


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Exploded:
    """A drawing and what it shows: scale of the view, of which lengths along the axis are drawn shorter, the pieces in
    order, and by how much the axis rises on the sheet."""

    drawing: LineDrawing
    line: Line
    scale: float
    shortened: float
    rises_deg: float
    pieces: tuple[Piece, ...]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Drawn:
    """A part alone, in the plane of the view [mm of the model, y upwards]: span along the axis, the plain piece that
    may be broken out (None: none), its outline as an area, and its lines."""

    part: Part
    span: tuple[float, float]
    plain: tuple[float, float] | None
    shadow: shapely.Geometry
    lines: tuple[Floats, ...]

    def half_mm(self, scale: float) -> float:
        """How far windows reach on either side of the axis on paper."""
        _, top, _, bottom = self.shadow.bounds
        return float(max(-top, bottom)) * scale + 5.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Set:
    """A part on the paper with its axis along x [mm, y downwards]. windows: with the move that pulls it away."""

    own: _Drawn
    windows: tuple[Window, ...]
    outline: shapely.Geometry
    move: float
    out: float


def exploded(
    engine: Engine, coupling: Coupling, assembly: Assembly, crank_deg: float, size_mm: tuple[float, float]
) -> Exploded:
    """The exploded view of a coupling, the crank at ``crank_deg`` [crank deg], on a sheet of ``size_mm``,
    width and height. Raises RequestError when the sheet is too small for it."""
    line = in_line(engine, coupling, assembly, crank_deg)
    parts = _chosen(line)
    drawn = _alone(line, parts)
    text_mm = TEXT_MM if size_mm[0] >= _LARGE_MM else SMALL_TEXT_MM
    words = {part: named(engine, line, part) for part in parts}
    for scale in (each for each in SCALES if each >= _LEAST_SCALE):
        for out in _OUT:
            if _long_mm(drawn, scale, out) > np.hypot(*size_mm):
                continue
            row = _pulled_apart(drawn, scale, out)
            tips: dict[Part, dict[float, Floats]] = {}
            for rise in _RISES_DEG:
                at = _fitted(row, rise, size_mm)
                if at is None:
                    continue
                tips = tips or {each.own.part: _tips(each, scale) for each in row}
                # rather a smaller scale than words that are hard to read
                for height in (text_mm, SMALL_TEXT_MM) if scale >= 1 / 3.0 else (text_mm, LEAST_TEXT_MM):
                    names = _named(row, tips, rise, at, words, height, size_mm)
                    if names is not None:
                        placed = _Placed(at=at, names=names)
                        return _finished(engine, line, row, rise, scale, placed, size_mm, text_mm)
    raise RequestError("--exploded: this sheet is too small; take a larger one with --paper")


def _chosen(line: Line) -> tuple[Part, ...]:
    """The five parts of the coupling and what stands next to it on either shaft, in order along the axis; not a wheel
    so large that the coupling would be small beside it."""
    most = _LARGEST * max(line.radius_mm(line.driving_mate), line.radius_mm(line.driven_mate))
    carried = [part for part in line.carried if line.radius_mm(part) <= most]
    low, high = line.spans[line.driving_mate][0], line.spans[line.driven_mate][1]
    before = [part for part in carried if line.spans[part][1] <= low + 1e-6]
    after = [part for part in carried if line.spans[part][0] >= high - 1e-6]
    parts = [*line.five]
    parts += sorted(before, key=lambda part: -line.spans[part][1])[:1]
    parts += sorted(after, key=lambda part: line.spans[part][0])[:1]
    return tuple(sorted(parts, key=lambda part: sum(line.spans[part])))


def _view() -> Floats:
    """Rows: right, up and towards the viewer of the picture, in the coupling's own frame."""
    off = np.radians(OFF_DEG)
    return np.array([[np.cos(off), 0.0, np.sin(off)], [0.0, 1.0, 0.0], [-np.sin(off), 0.0, np.cos(off)]])


def _alone(line: Line, parts: Sequence[Part]) -> tuple[_Drawn, ...]:
    bodies = in_own_frame(line, parts, upright(line))
    turn = np.eye(4)
    turn[:3, :3] = _view()
    found = []
    for part in parts:
        body = moved(solid(bodies[str(part)]).simplify(1e-4), turn)
        shadow = as_area(body.project())
        left, low, right, high = shadow.bounds
        frame = Frame(left=left - 2.0, top=-high - 2.0, width=right - left + 4.0, height=high - low + 4.0)
        camera = facing(frame.height / 2, ((left + right) / 2, (low + high) / 2))
        lines = [each for stroke in strokes({str(part): mesh(body)}, camera, frame) for each in stroke.lines]
        found.append(
            _Drawn(
                part=part,
                span=line.spans[part],
                plain=_plain(line, part),
                shadow=shapely.simplify(shapely.affinity.scale(shadow, 1.0, -1.0, origin=(0.0, 0.0)), 0.01),
                lines=tuple(lines),
            )
        )
    return tuple(found)


def _plain(line: Line, part: Part) -> tuple[float, float] | None:
    """From where to where along the axis a part is plain and may be broken out: a shaft, and the waist of a quill."""
    radius = line.radius_mm(part)
    aside = radius * (np.tan(np.radians(OFF_DEG)) + 0.5)
    if part.kind is Kind.QUILL:
        low, high = line.spans[line.driving_mate][1], line.spans[line.driven_mate][0]
    elif part.kind is Kind.SHAFT:
        low, high = line.spans[part]
    else:
        return None
    return (low + aside, high - aside) if high - low > 2.5 * aside else None


def _pulled_apart(drawn: Sequence[_Drawn], scale: float, out: float) -> tuple[_Set, ...]:
    """The parts in a row, each just clear of those before it in the picture and along the axis."""
    short = float(np.cos(np.radians(OFF_DEG)))
    row: list[_Set] = []
    taken: list[shapely.Geometry] = []
    edge = 0.0
    for own in drawn:
        low, high = (each * short * scale for each in own.span)
        windows: tuple[Window, ...] = (Window(low=-_FAR_MM, high=_FAR_MM),)
        removed = 0.0
        if own.plain is not None:
            begin, end = (float(each) * short * scale for each in own.plain)
            away = out * (end - begin)
            if away - _BREAK_MM > _LEAST_OUT_MM:
                middle = (begin + end) / 2
                removed = away - _BREAK_MM
                windows = (
                    Window(low=-_FAR_MM, high=middle - away / 2, wavy=(False, True)),
                    Window(low=middle + away / 2, high=_FAR_MM, wavy=(True, False), move=-removed),
                )
        outline = area_windowed(
            shapely.affinity.scale(own.shadow, scale, scale, origin=(0.0, 0.0)), windows, own.half_mm(scale), _WAVE_MM
        )
        move = edge + _GAP_MM - low if row else -low
        if taken:
            before = shapely.union_all(taken[-3:])
            hull = outline.convex_hull
            while (apart := shapely.distance(shapely.affinity.translate(hull, move), before)) < _GAP_MM - 1e-3:
                move += max(_GAP_MM - apart, 0.05)  # no further than needed: a move brings it no farther off than that
        edge = float(high - removed + move)
        taken.append(shapely.affinity.translate(outline.convex_hull, move))
        row.append(
            _Set(
                own=own,
                windows=tuple(
                    Window(low=each.low, high=each.high, wavy=each.wavy, move=each.move + move) for each in windows
                ),
                outline=shapely.affinity.translate(outline, move),
                move=move,
                out=float((removed + _BREAK_MM) / (short * scale)) if removed else 0.0,
            )
        )
    return tuple(row)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Placed:
    """Where a row stands on the sheet, and its names."""

    at: Floats
    names: Names


def _turned(points: Floats, rise_deg: float, at: Floats) -> Floats:
    turn = np.radians(-rise_deg)
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return np.asarray(points @ matrix.T + at)


def _turned_area(area: shapely.Geometry, rise_deg: float, at: Floats) -> shapely.Geometry:
    return shapely.affinity.translate(shapely.affinity.rotate(area, -rise_deg, origin=(0.0, 0.0)), *at)


def _tips(each: _Set, scale: float) -> dict[float, Floats]:
    """Where leaders may end on a part in its row, below and above the axis."""
    scaled = [points * scale for points in each.own.lines]
    lines = shapely.MultiLineString(list(windowed(scaled, each.windows, each.own.half_mm(scale), _WAVE_MM)))
    free = clear_of(each.outline, lines)
    return {side: tip(free, side) for side in (1.0, -1.0)}


def _fitted(row: Sequence[_Set], rise: float, size_mm: tuple[float, float]) -> Floats | None:
    """Where the row stands on the sheet so that it is in the middle, or None where it is too long."""
    whole = shapely.union_all([each.outline.convex_hull for each in row])
    left, top, right, bottom = _turned_area(whole, rise, np.zeros(2)).bounds
    width, height = size_mm[0] - 2 * _SIDE_MM, size_mm[1] - _TOP_MM - _FOOT_MM
    if right - left > width or bottom - top > height:
        return None
    return np.array([_SIDE_MM + width / 2 - (left + right) / 2, _TOP_MM + height / 2 - (top + bottom) / 2])


def _named(
    row: Sequence[_Set],
    tips: Mapping[Part, Mapping[float, Floats]],
    rise: float,
    at: Floats,
    words: Mapping[Part, str],
    text_mm: float,
    size_mm: tuple[float, float],
) -> Names | None:
    """The names of the parts of a row on the sheet, or None where they have no room."""
    outlines = {each.own.part: shapely.simplify(_turned_area(each.outline, rise, at), 0.1) for each in row}
    axis = shapely.LineString(_turned(_axis(row), rise, at))
    box = shapely.box(_SIDE_MM - 2.0, _TOP_MM, size_mm[0] - _SIDE_MM + 2.0, size_mm[1] - _FOOT_MM - 1.0)
    turned = {part: {side: _turned(at_part, rise, at) for side, at_part in own.items()} for part, own in tips.items()}
    return placed_names(outlines, turned, words, axis, box, text_mm)


def _long_mm(drawn: Sequence[_Drawn], scale: float, out: float) -> float:
    """The least that a row may be long on paper."""
    plain = [each.plain[1] - each.plain[0] for each in drawn if each.plain is not None]
    kept = sum(each.span[1] - each.span[0] for each in drawn) - out * sum(plain)
    return float(kept * scale * np.cos(np.radians(OFF_DEG)) + _GAP_MM * (len(drawn) - 1))


def _axis(row: Sequence[_Set]) -> Floats:
    """Both ends of the centre line, along x."""
    return np.array([[row[0].outline.bounds[0] - _OVER_MM, 0.0], [row[-1].outline.bounds[2] + _OVER_MM, 0.0]])


def _centre_line(row: Sequence[_Set], scale: float) -> tuple[Floats, ...]:
    """The centre line where it is seen: from behind one part to the middle of the next one's near end."""
    short = float(np.cos(np.radians(OFF_DEG)))
    begin, until = _axis(row)
    found = []
    for each in row:
        near = each.own.span[0] * short * scale + each.move
        found.append(np.array([begin, [near, 0.0]]))
        crossed = shapely.intersection(each.outline, shapely.LineString([[-1e5, 0.0], [1e5, 0.0]]))
        begin = np.array([crossed.bounds[2], 0.0])
    found.append(np.array([begin, until]))
    return tuple(found)


def _finished(
    engine: Engine,
    line: Line,
    row: Sequence[_Set],
    rise: float,
    scale: float,
    placed: _Placed,
    size_mm: tuple[float, float],
    text_mm: float,
) -> Exploded:
    drawn: list[Stroke] = []
    pieces = []
    short = float(np.cos(np.radians(OFF_DEG)))
    zero = row[0].own.span[0]
    for each in row:
        scaled = [points * scale for points in each.own.lines]
        rim = shapely.affinity.scale(each.own.shadow, scale, scale, origin=(0.0, 0.0)).boundary
        for kind, lines in edged(scaled, rim):
            shown = windowed(lines, each.windows, each.own.half_mm(scale), _WAVE_MM)
            if shown:
                turned = tuple(_turned(points, rise, placed.at) for points in shown)
                drawn.append(Stroke(part=str(each.own.part), kind=kind, lines=turned))
        shadow = shapely.affinity.scale(each.own.shadow, scale, scale, origin=(0.0, 0.0))
        waved = break_lines(shadow, each.windows, each.own.half_mm(scale), _WAVE_MM)
        if waved:
            waves = tuple(_turned(points, rise, placed.at) for points in waved)
            drawn.append(Stroke(part=str(each.own.part), kind="narrow", lines=waves))
        away = each.move / (short * scale)
        pieces.append(
            Piece(
                part=each.own.part,
                along_mm=(each.own.span[0] + away, each.own.span[1] + away - each.out),
                moved_mm=away + zero,
                out_mm=each.out,
                outline=_turned_area(each.outline, rise, placed.at),
            )
        )
    centre = tuple(_turned(points, rise, placed.at) for points in _centre_line(row, scale))
    drawn.append(Stroke(part="centre line", kind="centre", lines=centre))
    leaders, dots, names = placed.names
    title = f"{line.coupling.name}, exploded view ({in_words(scale)})"
    broken = " Long plain pieces are broken out." if any(each.out for each in row) else ""
    told = (
        f"Scale {in_words(scale)}; lengths along the axis appear {short:.2f} of that, for the view stands "
        f"{OFF_DEG:g}° off. The driving end is at the lower left.{broken}"
    )
    feet = heading(title, (told, f"{wording.DISCLAIMER} {engine.sheet.name}."), size_mm, text_mm)
    fine = np.pi * line.coupling.module_mm * scale < _FINE_MM
    wide, narrow = _LEAST_LINES_MM if fine else (SMALL_WIDE_MM, SMALL_NARROW_MM)
    order = ", ".join(word.text for word in names)
    drawing = LineDrawing(
        size_mm=size_mm,
        title=f"{line.coupling.name}, exploded view",
        about=f"{engine.sheet.name}, {line.coupling.name} pulled apart along its axis: {order}. {told}",
        wide_mm=wide,
        narrow_mm=narrow,
        strokes=(*drawn, *leaders),
        words=(*names, *feet),
        rounds=tuple(dots),
    )
    return Exploded(drawing=drawing, line=line, scale=scale, shortened=short, rises_deg=rise, pieces=tuple(pieces))
