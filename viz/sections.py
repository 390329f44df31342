"""A coupling in section as a line drawing: cut lengthwise by the plane through its axis, and across each toothed end.

Drawn following the conventions of ISO 128-3: cut areas hatched, adjoining parts differently; solid shafts and quills
are not cut lengthwise; across, all is cut. Long plain pieces are broken out. No OpenGL.
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
from quillwise.kinematics.lengths import length
from quillwise.kinematics.model import Coupling, Engine
from quillwise.kinematics.parts import Kind, Part
from quillwise.viz import cutting, hatching
from quillwise.viz.breaks import Window, area_windowed, break_lines, edged, windowed
from quillwise.viz.coupled import Line, facing, in_line, named
from quillwise.viz.hatching import Hatch
from quillwise.viz.linedrawing import Frame, LineDrawing, Stroke, Word, strokes
from quillwise.viz.paper import SMALL_NARROW_MM, SMALL_TEXT_MM, SMALL_WIDE_MM, TEXT_MM
from quillwise.viz.scales import in_words
from quillwise.viz.sectionnames import least_width_mm, named_parts
from quillwise.viz.sectionsheet import Layout, Room, heading, laid_out

_LARGE_MM = 280.0  # a sheet as wide as this has the larger text
_WAVE_MM = 0.7
_APART_MM = 1.8  # of hatching
_OVER_MM = 4.0  # a centre line goes on so far beyond the outline
_GAP_MM = 0.5  # nearer lines than this are drawn finer, so that they do not run together
_LEAST_LINES_MM = (0.25, 0.13)
_HEAD_MM = (3.2, 0.8)
_LETTERS = ("A", "B")


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Section:
    """A drawing and what it shows. scale: of the section lengthwise, across: of those across. areas: cut, by part, in
    mm² of the part: lengthwise (all that the plane cuts), shown (what of that is on the sheet, hatched), and across at
    the driving and the driven end. hatch: of each part."""

    drawing: LineDrawing
    line: Line
    scale: float
    across: float
    up: Floats
    areas: Mapping[Part, float]
    shown: Mapping[Part, float]
    ends: tuple[Mapping[Part, float], Mapping[Part, float]]
    hatch: Mapping[Part, Hatch]
    whole: tuple[Part, ...]
    shortened_mm: float


def section(
    engine: Engine, coupling: Coupling, assembly: Assembly, crank_deg: float, size_mm: tuple[float, float]
) -> Section:
    """The section of a coupling, the crank at ``crank_deg`` [crank deg], on a sheet of ``size_mm``, width
    and height. Raises RequestError when the sheet is too small for it."""
    line = in_line(engine, coupling, assembly, crank_deg)
    up = cutting.up_of_plane(line)
    cut = cutting.lengthwise(engine, line, up, line.five)
    look = np.asarray(engine.shafts[coupling.driven].axis)
    ends = [cutting.across(line, at, look, up) for at in line.tooth_mm]
    text_mm = TEXT_MM if size_mm[0] >= _LARGE_MM else SMALL_TEXT_MM
    words = {part: named(engine, line, part) for part in line.five}
    room = Room(
        size_mm=size_mm,
        text_mm=text_mm,
        reach_mm=_reach(line),
        plain_mm=_plain(line),
        names_mm=least_width_mm(line, words),
        radius_mm=max(line.radius_mm(part) for part in (line.driving_mate, line.middle, line.driven_mate)),
    )
    layout = laid_out(room)
    sheet = _Sheet(line=line, layout=layout, room=room)
    windows = layout.windows(_broken(line, room.reach_mm))
    paper = {part: _on_paper(area, layout.scale) for part, area in cut.shown.items()}
    paper = {part: area_windowed(area, windows, layout.half_mm, _WAVE_MM) for part, area in paper.items()}
    moved = [
        {part: shapely.affinity.translate(_on_paper(area, layout.across), *middle) for part, area in end.items()}
        for end, middle in zip(ends, layout.middles, strict=True)
    ]
    placed = {part: shapely.affinity.translate(area, *layout.origin) for part, area in paper.items()}
    hatch = hatching.chosen([placed, *moved], _by_rank(line), _APART_MM)
    drawn = _hatched(placed, hatch, "") + _behind(cut, layout, windows) + _outlined(placed, cut, layout, windows)
    drawn += _break_lines(cut, layout, windows)
    for letter, end in zip(_LETTERS, moved, strict=True):
        drawn += _hatched(end, hatch, f"{letter}–{letter}: ")
        drawn += [
            Stroke(part=f"{letter}–{letter}: {part}", kind="wide", lines=_rings(area)) for part, area in end.items()
        ]
    marks, heads, letters = _cutting_marks(sheet, float(look @ line.along))
    centres = _centre_lines(sheet, windows)
    outlines = {
        part: shapely.affinity.translate(
            area_windowed(_on_paper(cut.shadows[part], layout.scale), windows, layout.half_mm, _WAVE_MM), *layout.origin
        )
        for part in line.five
    }
    called, dots, names = named_parts(line, layout, {**outlines, **placed}, words, text_mm)
    captions = _captions(sheet)
    told = _told(engine, line, cut, layout)
    gap_mm = coupling.module_mm * min(layout.scale, layout.across) / 4  # between tip and root of engaged splines
    wide_mm, narrow_mm = (
        (SMALL_WIDE_MM, SMALL_NARROW_MM) if line.middle.kind is Kind.SLEEVE or gap_mm > _GAP_MM else _LEAST_LINES_MM
    )
    title = f"{coupling.name}, section along the axis"
    feet = heading(
        f"{title} ({in_words(layout.scale)})", (*told, f"{wording.DISCLAIMER} {engine.sheet.name}."), size_mm, text_mm
    )
    drawing = LineDrawing(
        size_mm=size_mm,
        title=title,
        about=f"{engine.sheet.name}, {coupling.name} in section. {' '.join(told)}",
        wide_mm=wide_mm,
        narrow_mm=narrow_mm,
        strokes=(*drawn, *marks, *centres, *called),
        words=(*letters, *names, *captions, *feet),
        heads=tuple(heads),
        rounds=tuple(dots),
    )
    return Section(
        drawing=drawing,
        line=line,
        scale=layout.scale,
        across=layout.across,
        up=up,
        areas={part: area.area for part, area in cut.areas.items()},
        shown={part: area.area / layout.scale**2 for part, area in placed.items()},
        ends=({p: a.area for p, a in ends[0].items()}, {p: a.area for p, a in ends[1].items()}),
        hatch=hatch,
        whole=tuple(part for part in line.five if part not in cut.areas),
        shortened_mm=layout.shortened_mm,
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Sheet:
    line: Line
    layout: Layout
    room: Room


def _reach(line: Line) -> tuple[float, float]:
    """From where to where along the axis the section goes [mm]: past both mates by some of their shafts, but not as
    far as the next wheel."""
    begin, end = line.spans[line.driving_mate][0], line.spans[line.driven_mate][1]
    stub = 0.9 * max(line.radius_mm(line.driving_mate), line.radius_mm(line.driven_mate))
    low = max(begin - stub, min(line.spans[line.driving_shaft][0], begin))
    high = min(end + stub, max(line.spans[line.driven_shaft][1], end))
    for part in line.carried:
        first, last = line.spans[part]
        if last <= begin:
            low = max(low, last + 0.5)
        elif first >= end:
            high = min(high, first - 0.5)
    return min(low, begin), max(high, end)


def _by_rank(line: Line) -> tuple[Part, ...]:
    """Who chooses a hatching first: what lies between the mates, then the mates, then their shafts."""
    return line.middle, line.driving_mate, line.driven_mate, line.driving_shaft, line.driven_shaft


def _broken(line: Line, reach_mm: tuple[float, float]) -> tuple[bool, bool]:
    """Whether the shafts go on beyond the section."""
    first, last = line.spans[line.driving_shaft][0], line.spans[line.driven_shaft][1]
    return first < reach_mm[0] - 0.5, last > reach_mm[1] + 0.5


def _plain(line: Line) -> tuple[float, float] | None:
    """The plain waist of a quill, which may be broken out; a sleeve has none."""
    if line.middle.kind is not Kind.QUILL:
        return None
    low, high = line.spans[line.driving_mate][1], line.spans[line.driven_mate][0]
    aside = 0.6 * line.radius_mm(line.middle)
    return (low + aside, high - aside) if high - low > 4.0 * aside else None


def _on_paper(area: shapely.Geometry, scale: float) -> shapely.Geometry:
    return shapely.affinity.scale(area, scale, -scale, origin=(0.0, 0.0))


def _rings(area: shapely.Geometry) -> tuple[Floats, ...]:
    """The outlines of an area, closed."""
    found = []
    for piece in shapely.get_parts(area):
        if shapely.get_type_id(piece) == 3 and piece.area > 1e-4:
            whole = shapely.simplify(piece, 0.004)
            found += [np.asarray(ring.coords) for ring in (whole.exterior, *whole.interiors)]
    return tuple(found)


def _hatched(areas: Mapping[Part, shapely.Geometry], hatch: Mapping[Part, Hatch], before: str) -> list[Stroke]:
    found = []
    for part, area in areas.items():
        lines = hatching.lines(area, hatch[part]) if part in hatch else ()
        if lines:
            found.append(Stroke(part=f"{before}{part}", kind="hatch", lines=lines))
    return found


def _behind(cut: cutting.Cut, layout: Layout, windows: Sequence[Window]) -> list[Stroke]:
    """What is seen of parts left whole and behind the plane: wide on their outlines, narrow within them."""
    bounds = shapely.union_all(list(cut.shadows.values())).bounds
    width, height = ((bounds[2] - bounds[0] + 4.0) * layout.scale, (bounds[3] - bounds[1] + 4.0) * layout.scale)
    middle = ((bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2)
    frame = Frame(
        left=middle[0] * layout.scale - width / 2,
        top=-middle[1] * layout.scale - height / 2,
        width=width,
        height=height,
    )
    camera = facing(height / 2 / layout.scale, middle)
    bodies = {str(part): body for part, body in cut.kept.items()}
    together = shapely.union_all(list(cut.shadows.values()))
    rims = {
        str(part): _on_paper(together if part in cut.areas else shadow, layout.scale).boundary
        for part, shadow in cut.shadows.items()
    }
    found = []
    for stroke in strokes(bodies, camera, frame):
        for kind, lines in edged(stroke.lines, rims[stroke.part]):
            kept = windowed(lines, windows, layout.half_mm, _WAVE_MM)
            if kept:
                found.append(Stroke(part=stroke.part, kind=kind, lines=tuple(each + layout.origin for each in kept)))
    return sorted(found, key=lambda stroke: stroke.kind == "wide")


def _outlined(
    placed: Mapping[Part, shapely.Geometry], cut: cutting.Cut, layout: Layout, windows: Sequence[Window]
) -> list[Stroke]:
    """The outlines of the cut areas, but not where they are broken off."""
    found = []
    for part, area in cut.shown.items():
        if placed[part].is_empty:
            continue
        rings = _rings(_on_paper(area, layout.scale))
        lines = windowed(rings, windows, layout.half_mm, _WAVE_MM)
        found.append(Stroke(part=str(part), kind="wide", lines=tuple(each + layout.origin for each in lines)))
    return found


def _break_lines(cut: cutting.Cut, layout: Layout, windows: Sequence[Window]) -> list[Stroke]:
    shadow = _on_paper(shapely.union_all(list(cut.shadows.values())), layout.scale)
    found = tuple(each + layout.origin for each in break_lines(shadow, windows, layout.half_mm, _WAVE_MM))
    return [Stroke(part="broken off", kind="narrow", lines=found)] if found else []


def _centre_lines(sheet: _Sheet, windows: Sequence[Window]) -> list[Stroke]:
    layout = sheet.layout
    x, y = layout.origin
    low, high = windows[0].low + windows[0].move - _OVER_MM, windows[-1].high + windows[-1].move + _OVER_MM
    found = [
        Stroke(part="centre line", kind="centre", lines=(np.array([[x + low, y], [x + high, y]]),)),
    ]
    reach = sheet.room.radius_mm * layout.across + 0.7 * _OVER_MM
    for letter, (across, down) in zip(_LETTERS, layout.middles, strict=True):
        lines = (
            np.array([[across - reach, down], [across + reach, down]]),
            np.array([[across, down - reach], [across, down + reach]]),
        )
        found.append(Stroke(part=f"{letter}–{letter}: centre lines", kind="centre", lines=lines))
    return found


def _cutting_marks(sheet: _Sheet, way: float) -> tuple[list[Stroke], list[Floats], list[Word]]:
    """Where the sections across are taken: wide strokes beyond the outline, arrows the way one looks, letters. way:
    positive where one looks to the right."""
    layout, text_mm = sheet.layout, sheet.room.text_mm
    to = 1.0 if way > 0 else -1.0
    drawn: list[Stroke] = []
    heads: list[Floats] = []
    letters: list[Word] = []
    tail = layout.arrow_mm
    for letter, at in zip(_LETTERS, layout.tooth_x(sheet.line.tooth_mm), strict=True):
        lines, arrows = [], []
        for side in (-1.0, 1.0):
            y = layout.origin[1] + side * layout.radius_paper_mm
            lines.append(np.array([[at, y + side * 1.5], [at, y + side * 7.5]]))
            level = y + side * 6.0
            arrows.append(np.array([[at - to * tail, level], [at - to * _HEAD_MM[0], level]]))
            heads.append(
                np.array(
                    [
                        [at, level],
                        [at - to * _HEAD_MM[0], level - _HEAD_MM[1]],
                        [at - to * _HEAD_MM[0], level + _HEAD_MM[1]],
                    ]
                )
            )
            base = level - 1.2 if side < 0 else level + 1.2 + text_mm
            place = (at - to * (tail + 0.2), base)
            letters.append(Word(text=letter, at=place, height_mm=text_mm, anchor="middle", bold=True))
        drawn.append(Stroke(part=f"plane {letter}–{letter}", kind="arrow", lines=tuple(lines)))
        drawn.append(Stroke(part=f"plane {letter}–{letter}", kind="narrow", lines=tuple(arrows)))
    return drawn, heads, letters


def _captions(sheet: _Sheet) -> list[Word]:
    layout, text_mm = sheet.layout, sheet.room.text_mm
    data = sheet.line.coupling.data
    teeth = "splines" if data.kind == "quill" else "dogs"
    found = []
    for letter, (x, y), count in zip(_LETTERS, layout.middles, (data.driving_teeth, data.driven_teeth), strict=True):
        top = y - sheet.room.radius_mm * layout.across - 0.7 * _OVER_MM - 0.8 * text_mm
        text = f"{letter}–{letter} ({in_words(layout.across)}), {count} {teeth}"
        found.append(Word(text=text, at=(x, top), height_mm=text_mm, anchor="middle"))
    return found


def _told(engine: Engine, line: Line, cut: cutting.Cut, layout: Layout) -> tuple[str, str]:
    """Scales, and what is cut and what is not, in words."""
    ends = (line.driving_shaft, line.driven_shaft)
    cuts: list[str] = ["both mates"]
    wholes: list[str] = []
    (cuts if line.middle in cut.areas else wholes).append(
        "the quill shaft" if line.middle.kind is Kind.QUILL else "the sleeve"
    )
    hollow = [part for part in ends if part in cut.areas]
    solid = [part for part in ends if part not in cut.areas]
    for group, words, kind in ((hollow, cuts, "hollow"), (solid, wholes, "solid")):
        if len(group) == 2:
            words.append(f"both {kind} shafts")
        elif group:
            words.append(f"the {kind} {'driving' if group[0] == line.driving_shaft else 'driven'} shaft")
    out = length(layout.shortened_mm, engine.sheet.length_unit, 0)
    broken = f" {out} of the quill's waist is broken out." if layout.shortened_mm else ""
    bars = "" if line.middle.kind is Kind.QUILL else " The bars on the outside are the index marks."
    seen = engine.shafts[line.coupling.driven].seen_from
    return (
        f"Section along the axis {in_words(layout.scale)}. Cut: {_listed(cuts)}. Not cut: {_listed(wholes)}.",
        f"A–A and B–B {in_words(layout.across)}: all that the plane meets is cut; seen from the {seen}.{broken}{bars}",
    )


def _listed(words: Sequence[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words) or "nothing"
