"""A detail of a line drawing: a circle round a part in the view, and the same enlarged beside it, with its scale."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
import shapely
import trimesh

from quillwise.kinematics.errors import RequestError, unknown
from quillwise.kinematics.parts import Part
from quillwise.viz import callouts
from quillwise.viz.cameras import Camera, axes
from quillwise.viz.linedrawing import Frame, Round, Stroke, Word, strokes
from quillwise.viz.linework import Floats, in_picture
from quillwise.viz.scales import SCALES
from quillwise.viz.standing import Bodies

SHARE = 0.36  # of the sheet's width, for the detail
LETTER = "A"
_ENLARGEMENTS = tuple(int(each) for each in SCALES if each > 1.0)
_ROUND_IT = 1.12  # radius of the circle, ÷ that of the part
_LEAST_MM = 2.0  # radius of the circle in the view


def part_named(name: str, parts: Sequence[Part]) -> Part:
    """The first part of that name, whole or without its kind ("quill quill-a", "quill-a"); else the first of the kind
    of that name. Raises RequestError for a name of neither."""
    found = [part for part in parts if name in (str(part), part.of)] or [p for p in parts if name == p.kind.value]
    if not found:
        raise RequestError(unknown("part", name, [str(part) for part in parts]))
    return found[0]


def enlarged(
    bodies: Mapping[str, trimesh.Trimesh],
    camera: Camera,
    frame: Frame,
    room: Frame,
    name: str,
    standing: Callable[[float], Bodies],
    text_mm: float,
) -> callouts.Drawn:
    """The circle in the view, and the detail in the room beside it. name: of the body that it shows; standing: bodies
    as they are drawn at a scale [mm of paper for one of the model]. Raises RequestError when nothing of the part is
    seen, or when the view shows it large enough."""
    view = callouts.seen(bodies, camera, frame)
    rows, columns = np.nonzero(view.part == view.names.index(name))
    if not len(rows):
        raise RequestError(f"--detail: nothing is seen of the {name} in this view; choose another view or part")
    low = np.array([view.x[columns.min()], view.y[rows.min()]])
    high = np.array([view.x[columns.max()], view.y[rows.max()]])
    centre = (low + high) / 2
    small = max(_ROUND_IT * float(np.linalg.norm(high - low)) / 2, _LEAST_MM)
    most = min(room.width / 2 - 1.0, room.height / 2 - 2.0 * text_mm)
    times = next((each for each in _ENLARGEMENTS if each * small <= most), None)
    if times is None:
        raise RequestError(
            f"--detail: this view shows the {name} large enough; choose a smaller part or a larger sheet"
        )
    large = times * small
    middle = np.array([room.left + room.width / 2, room.top + room.height / 2 + text_mm])
    place = Frame(left=middle[0] - large, top=middle[1] - large, width=2 * large, height=2 * large)
    closer = _aimed(camera, frame, centre, small)
    near = {
        each: body
        for each, body in standing(place.scale(closer)).items()
        if _touches(place.placed(closer, in_picture(body.vertices, closer)), place)
    }
    inside = shapely.Point(*middle).buffer(large, quad_segs=64)
    drawn = [cut for stroke in strokes(near, closer, place) if (cut := _clipped(stroke, inside)).lines]
    leader, letter = _letter(centre, small, view.box(), text_mm)
    drawn.append(Stroke(part=f"detail {LETTER}", kind="narrow", lines=(leader,)))
    words = (
        letter,
        Word(
            text=f"{LETTER}, {times} × the view",
            at=(float(middle[0]), float(middle[1] - large - 0.8 * text_mm)),
            height_mm=text_mm,
            anchor="middle",
        ),
    )
    rounds = (
        Round(at=(float(centre[0]), float(centre[1])), radius_mm=small, clear=True),
        Round(at=(float(middle[0]), float(middle[1])), radius_mm=large, clear=True),
    )
    return callouts.Drawn(strokes=tuple(drawn), rounds=rounds, words=words)


def _letter(
    centre: Floats, radius: float, box: tuple[float, float, float, float], text_mm: float
) -> tuple[Floats, Word]:
    """The letter of the circle, outside the outline on the side that is nearest, and the line to it."""
    left, top, right, bottom = box
    ways = {(-1, 0): centre[0] - left, (1, 0): right - centre[0], (0, -1): centre[1] - top, (0, 1): bottom - centre[1]}
    way, off = min(ways.items(), key=lambda item: item[1])
    # a little oblique, so that it is no line of the engine
    along = np.array([way[0] or 0.35, way[1] or 0.35]) / float(np.hypot(1.0, 0.35))
    begin, end = centre + radius * along, centre + (max(off, radius) + 4.0) / float(np.abs(along).max()) * along
    at = end + np.array([way[0] * 0.35 * text_mm, way[1] * 0.3 * text_mm])
    base = at[1] + (0.5 + 0.5 * way[1]) * text_mm
    anchor = {-1: "end", 1: "start"}.get(way[0], "middle")
    letter = Word(text=LETTER, at=(float(at[0]), float(base)), height_mm=text_mm, anchor=anchor, bold=True)
    return np.array([begin, end]), letter


def _aimed(camera: Camera, frame: Frame, centre: Floats, radius_mm: float) -> Camera:
    """The same parallel camera, its axis through a place of the view, its frame a square round that."""
    scale = frame.scale(camera)
    aside = (float(centre[0]) - frame.left - frame.width / 2) / scale
    up = -(float(centre[1]) - frame.top - frame.height / 2) / scale
    right, above, _ = axes(np.asarray(camera.focal) - np.asarray(camera.position), camera.up)
    move = aside * np.asarray(right) + up * np.asarray(above)

    def moved(point: Sequence[float]) -> tuple[float, float, float]:
        x, y, z = np.asarray(point) + move
        return float(x), float(y), float(z)

    return replace(
        camera,
        position=moved(camera.position),
        focal=moved(camera.focal),
        parallel_half_height_mm=radius_mm / scale,
    )


def _touches(points: Floats, place: Frame) -> bool:
    low, high = points.min(axis=0), points.max(axis=0)
    begin = np.array([place.left, place.top])
    return bool((low <= begin + (place.width, place.height)).all() and (high >= begin).all())


def _clipped(stroke: Stroke, inside: shapely.Polygon) -> Stroke:
    """What of a stroke lies in the circle; named as the detail's."""
    lines = [
        np.asarray(shapely.get_coordinates(piece))
        for line in stroke.lines
        for piece in shapely.get_parts(shapely.intersection(shapely.LineString(line), inside))
        if shapely.get_type_id(piece) == 1 and shapely.length(piece) > 0
    ]
    return replace(stroke, part=f"detail {LETTER}: {stroke.part}", lines=tuple(lines))
