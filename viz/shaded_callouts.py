"""Callouts on shaded pictures: the same balloons, leaders and item list as on line drawings, over the parts as actors.

All is placed in millimetres of paper by rays through the bodies that stand on the stage, before a pixel is drawn, so
that a picture has its callouts at the same places at every resolution.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import trimesh
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from quillwise.kinematics.assembly import is_fitted
from quillwise.kinematics.model import Engine
from quillwise.kinematics.parts import Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import Rig
from quillwise.kinematics.steps import Frame as Moment
from quillwise.viz import callouts, captions, exhibit, palette, turning
from quillwise.viz.cameras import Camera, Margins, Vector, fit, shifted
from quillwise.viz.fonts import font_of
from quillwise.viz.linedrawing import Frame
from quillwise.viz.linework import Floats
from quillwise.viz.paper import NARROW_MM, TEXT_MM, font_size_mm
from quillwise.viz.pointing import Pointed, called_out
from quillwise.viz.standing import Bodies, moved
from quillwise.viz.still import MM_PER_INCH

Picture = NDArray[np.uint8]

_MARGINS = Margins(left=0.02, right=0.02, top=0.03, bottom=0.03)
_EDGE_MM = 1.0  # kept free at the border of the view: pixels are whole, and so is no balloon cut
_HALO = 3.5  # ÷ width of a leader: white on either side, so that it is seen on dark parts too
_FINER, _MOST_PX = 4, 40_000_000  # drawn so many times as large and averaged, while that is not too much
_TRIAL_PX_PER_MM = 2.5  # of the small picture in which the point of view is chosen
_REFERENCE_DPI = 10 * MM_PER_INCH


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Placed:
    """Callouts in their places. camera: of the whole view, whose frame on paper is ``place``."""

    camera: Camera
    place: Frame
    called: callouts.Drawn


def plate_view(size_mm: tuple[float, float], text_share: float, general_share: float) -> Frame:
    """Where the whole mechanism stands on a plate of that size [mm]; the same at every resolution."""
    width, height = captions.panel(_reference(size_mm), _REFERENCE_DPI, text_share).view.size_px
    return _kept(width / 10, height * general_share / 10)


def trial_px(place: Frame) -> tuple[int, int]:
    """Size of a picture in which the point of view of a plate is chosen: pixels that are counted at another resolution
    must not move the callouts."""
    return round(place.width * _TRIAL_PX_PER_MM), round(place.height * _TRIAL_PX_PER_MM)


def single_view(size_mm: tuple[float, float]) -> Frame:
    """Where the mechanism stands in a picture that shows nothing else, above the footer."""
    pixels = _reference(size_mm)
    return _kept(pixels[0] / 10, (pixels[1] - captions.footer_px(pixels, _REFERENCE_DPI)) / 10)


def placed(
    engine: Engine,
    rig: Rig,
    made: Mapping[Part, exhibit.Body],
    moment: Moment,
    eye: Vector,
    up: Vector,
    place: Frame,
    pointed: Pointed,
    about: Sequence[Part] = (),
    arrows: Sequence[trimesh.Trimesh] = (),
) -> Placed:
    """The view along a direction with callouts round it. made: bodies on the stage, in their own frames; about: what
    ``usual`` chooses among; arrows: in the world, they hide parts as bodies do. Raises RequestError for what is not
    there or not seen, or when there is no room."""
    bodies = standing(engine, rig, made, moment)
    bodies |= {f"arrow {number}": body for number, body in enumerate(arrows)}
    cloud = _cloud(engine, bodies)
    shown = [part for part in engine.parts if str(part) in bodies]

    def seen_in(frame: Frame) -> tuple[Camera, Bodies, frozenset[Part]]:
        return fit(cloud, eye, up, frame.aspect, _MARGINS), bodies, frozenset()

    inner, called = called_out(seen_in, place, shown, pointed, TEXT_MM, about)
    return Placed(camera=_of_whole(seen_in(inner)[0], inner, place), place=place, called=called)


def _cloud(engine: Engine, bodies: Bodies) -> Floats:
    """Points (N, 3) that the view must hold: all that stands, and what the crank and the arrows reach."""
    corners = [body.vertices for body in bodies.values()]
    return np.vstack([*corners, exhibit.swept_by_crank(engine), *turning.reach(engine)])


def standing(engine: Engine, rig: Rig, made: Mapping[Part, exhibit.Body], moment: Moment) -> Bodies:
    """What is shown of the bodies, in the world, by name: neither hidden kinds nor rockers that are not fitted."""
    world = poses(rig, exhibit.state_at(engine, moment), [part for part in made if part in rig.chains])
    found: Bodies = {}
    for part, (body, _) in made.items():
        if part.kind in exhibit.HIDDEN or not is_fitted(moment.assembly, part):
            continue
        found[str(part)] = moved(body, world[part][0]) if part in world else body
    return found


def camera_in(placed: Placed, size_px: tuple[int, int], dpi: float) -> Camera:
    """The camera for a view of so many whole pixels whose upper left corner is that of the paper, so that what stands
    at a place on paper is drawn at that place."""
    whole = Frame(left=0.0, top=0.0, width=size_px[0] / dpi * MM_PER_INCH, height=size_px[1] / dpi * MM_PER_INCH)
    return _of_whole(placed.camera, placed.place, whole)


def inked(picture: Picture, drawn: callouts.Drawn, dpi: float) -> Picture:
    """The picture (H, W, 3 or 4) with callouts over it, from its upper left corner; smooth at any resolution."""
    height, width = picture.shape[:2]
    finer = max(1, min(_FINER, int(np.sqrt(_MOST_PX / (height * width)))))
    scale = dpi / MM_PER_INCH * finer
    sheet = Image.new("RGBA", (width * finer, height * finer), (*palette.rgb(palette.GROUND), 0))
    pencil = ImageDraw.Draw(sheet)
    thick = NARROW_MM * scale
    black, white = palette.rgb(palette.BLACK), palette.rgb(palette.GROUND)

    def line(points: Sequence[Sequence[float]], wide: float, ink: tuple[int, int, int]) -> None:
        for begin, until in pairwise(points):
            ends = [(begin[0] * scale, begin[1] * scale), (until[0] * scale, until[1] * scale)]
            pencil.line(ends, fill=(*ink, 255), width=max(1, round(wide)))

    def disc(at: tuple[float, float], radius: float, ink: tuple[int, int, int]) -> None:
        x, y = at[0] * scale, at[1] * scale
        pencil.ellipse((x - radius, y - radius, x + radius, y + radius), fill=(*ink, 255))

    leaders = [points for stroke in drawn.strokes for points in stroke.lines]
    for points in leaders:
        line(points.tolist(), _HALO * thick, white)
    for each in drawn.rounds:
        if each.filled:
            disc(each.at, each.radius_mm * scale + (_HALO - 1) / 2 * thick, white)
    for points in leaders:
        line(points.tolist(), thick, black)
    for each in drawn.rounds:
        disc(each.at, each.radius_mm * scale + (0.0 if each.filled else thick / 2), black)
        if not each.filled:
            disc(each.at, each.radius_mm * scale - thick / 2, white)
    anchors = {"start": "ls", "middle": "ms", "end": "rs"}
    for word in drawn.words:
        font = font_of(max(6, round(font_size_mm(word.height_mm) * scale)))
        at = (word.at[0] * scale, word.at[1] * scale)
        pencil.text(at, word.text, font=font, fill=(*black, 255), anchor=anchors[word.anchor])
    over = sheet.resize((width, height), Image.Resampling.BOX) if finer > 1 else sheet
    mode = "RGBA" if picture.shape[2] == 4 else "RGB"
    under = Image.fromarray(np.ascontiguousarray(picture)).convert("RGBA")
    return np.asarray(Image.alpha_composite(under, over).convert(mode))


def _reference(size_mm: tuple[float, float]) -> tuple[int, int]:
    return round(size_mm[0] * 10), round(size_mm[1] * 10)


def _kept(width: float, height: float) -> Frame:
    return Frame(left=_EDGE_MM, top=_EDGE_MM, width=width - 2 * _EDGE_MM, height=height - 2 * _EDGE_MM)


def _of_whole(camera: Camera, inner: Frame, whole: Frame) -> Camera:
    """The same parallel view when its frame is a part of a larger or smaller one."""
    assert camera.parallel_half_height_mm is not None
    scale = inner.scale(camera)
    right = (whole.left + whole.width / 2 - inner.left - inner.width / 2) / scale
    down = (whole.top + whole.height / 2 - inner.top - inner.height / 2) / scale
    return shifted(camera, right, -down, whole.height / 2 / scale)
