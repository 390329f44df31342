"""The first cause of a diagnosis as a picture: as found beside as intended, with the angle between them.

A cause is drawn at each thing that it moves: a shaft at the mark that it is set by, a clearance with its cam on the
heel, a points gap at its widest, the pointer at true TDC. What moves no part (leads, a lever, a slip of the pen) has no
picture. The as-found side is the assembly that the cause's own cure would bring to the intended one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from quillwise.kinematics.angles import Floats, format_crank
from quillwise.kinematics.assembly import Assembly, intended
from quillwise.kinematics.branches import job_of, leaf_words, leaves_behind, magneto_of_leaf
from quillwise.kinematics.cures import uncured
from quillwise.kinematics.lengths import length
from quillwise.kinematics.marks import mark_crank_deg, timing_valve
from quillwise.kinematics.model import Engine, turning
from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import points_in_world, poses
from quillwise.kinematics.readings import Cause
from quillwise.kinematics.rig import Rig, rig
from quillwise.kinematics.steps import Frame
from quillwise.kinematics.timing import early_crank_deg
from quillwise.viz import captions, exhibit, palette
from quillwise.viz.cameras import Camera, axes, project
from quillwise.viz.closeups import CloseUp, close_up, close_up_bodies, close_up_camera, headline, place_close_up
from quillwise.viz.fonts import font_of
from quillwise.viz.stage import Stage
from quillwise.viz.still import save_png
from quillwise.viz.writing import write_whole

Picture = NDArray[np.uint8]

WIDTH_PX, ROW_PX, TEXT_PX, DPI = 1300, 770, 320, 110.0
_MOST_ROWS = 2
_GAP_PX = 6
_HEAD_PX = 34
_SMOOTH = 2
_LEAST_DEG = 0.05  # of a shaft that counts as moved
_ARC_STEP_DEG = 1.0
_BEHIND_MM = 1.0
_TIP_SHARE = 0.97
_ROOM = 1.16  # more is shown than of a close-up: the angle is drawn beyond the part
_FAN, _RAY, _FIGURE = (1.06, 1.30), 1.38, 1.56  # ÷ how far out the part reaches


@dataclass(frozen=True, kw_only=True, slots=True)
class Aspect:
    """One thing that a cause moves. ``words``: what is seen, in a sentence; ``crank_deg``: where the crank stands as
    found and as intended (they differ where the pointer or the disc was moved). ``turned``: the part whose angle is
    drawn, and by how much it stands ahead about its shaft's axis [deg, + = by the right hand]; None where none is.
    ``about``: the part in question."""

    shown: CloseUp
    about: Part
    crank_deg: tuple[float, float]
    words: str
    turned: tuple[Part, str, float] | None = None


def aspects(engine: Engine, cause: Cause) -> tuple[Aspect, ...]:
    """What can be drawn of a cause; none where it moves no part."""
    if cause.cure is None:
        return ()
    found = uncured(engine, cause.cure)
    moved: dict[str, None] = {}
    for link in (*cause.cure.moves, *cause.cure.meshes):
        moved.update(dict.fromkeys(leaves_behind(engine, link)))
    made = [aspect for leaf in moved if (aspect := _of_leaf(engine, found, leaf)) is not None]
    made += _of_fingers(engine, cause)
    made += [_of_clearance(engine, cause, name) for name in cause.cure.clearances_mm]
    made += [_of_gap(engine, cause, name) for name in cause.cure.gaps_mm]
    if cause.cure.pointer_deg:
        made.append(_of_pointer(engine, cause.cure.pointer_deg))
    return tuple(made)


def draw(engine: Engine, cause: Cause, path: Path, force: bool = False) -> bool:
    """Write the picture, whole or not at all; False where the cause moves no part, and nothing is written.

    Raises GraphicsError without OpenGL, OutputError."""
    rows = aspects(engine, cause)[:_MOST_ROWS]
    if not rows or cause.cure is None:
        return False
    assemblies = (uncured(engine, cause.cure), intended(engine))
    drawn = []
    for row in rows:
        with _Row(engine, row) as panels:
            drawn.append(panels.picture(assemblies))
    view = np.concatenate(drawn, axis=0)
    size = (WIDTH_PX, view.shape[0] + TEXT_PX)
    lines = [
        *(row.words for row in rows),
        "Left: as found, if this cause is right. Right: as intended.",
    ]
    if any(row.turned for row in rows):
        lines.append("Orange: where the part stands. Blue: where it should stand. The angle is drawn true.")
    title = f"{engine.sheet.name}: {cause.name}, {100 * cause.probability:.0f} %"
    picture, _ = captions.compose(view, title, lines, (), size, DPI, TEXT_PX / size[1])
    with write_whole(path, force) as part:
        save_png(part, picture, DPI)
    return True


def _of_leaf(engine: Engine, found: Assembly, leaf: str) -> Aspect | None:
    early, job = early_crank_deg(engine, found, leaf), job_of(engine, leaf)
    right = early_crank_deg(engine, intended(engine), leaf)
    if early is None or right is None or job is None or abs(early - right) < _LEAST_DEG:
        return None
    magneto = magneto_of_leaf(engine, leaf)
    crank = mark_crank_deg(engine, job)
    pointing = engine.magnetos[magneto].finger if magneto else leaf
    shaft = engine.shafts[pointing]
    ahead = (early - right) * abs(float(shaft.turns))
    shown = (
        close_up(engine, "magneto", magneto) if magneto else close_up(engine, "valve", timing_valve(engine, job).name)
    )
    part = Part(Kind.FINGER, magneto) if magneto else Part(Kind.CAMSHAFT, leaf)
    named = f"the {magneto} finger" if magneto else leaf
    way = turning(shaft.sense if ahead > 0 else -shaft.sense)
    words = (
        f"Crank at the mark “{job.mark}”, {format_crank(crank)}°: {leaf_words(engine, leaf)}, by the readings, stands "
        f"{abs(early - right):.1f} crank degrees {'early' if early > right else 'late'}, which is {abs(ahead):.1f}° at "
        f"{named}, {way}, seen from the {shaft.seen_from}."
    )
    return Aspect(
        shown=shown, crank_deg=(crank, crank), words=words, about=part, turned=(part, pointing, shaft.sense * ahead)
    )


def _of_fingers(engine: Engine, cause: Cause) -> Iterator[Aspect]:
    """Distributor fingers that are out in their own gear: the break is right, the finger is not."""
    assert cause.cure is not None
    for magneto in engine.magnetos.values():
        shaft = engine.shafts[magneto.finger]
        teeth = -cause.cure.meshes.get(shaft.link, 0)
        job = job_of(engine, magneto.rotor)
        if not teeth or job is None:
            continue
        ahead = teeth * 360.0 / magneto.data.finger_teeth[1]
        crank = mark_crank_deg(engine, job)
        way = turning(shaft.sense if ahead > 0 else -shaft.sense)
        words = (
            f"Crank at the mark “{job.mark}”, {format_crank(crank)}°, the points as they should be: the {magneto.name} "
            f"finger stands {abs(ahead):.1f}° {way} of its place, seen from the {shaft.seen_from}."
        )
        yield Aspect(
            shown=close_up(engine, "magneto", magneto.name),
            crank_deg=(crank, crank),
            words=words,
            about=Part(Kind.FINGER, magneto.name),
            turned=(Part(Kind.FINGER, magneto.name), magneto.finger, shaft.sense * ahead),
        )


def _of_clearance(engine: Engine, cause: Cause, name: str) -> Aspect:
    assert cause.cure is not None
    valve, unit = engine.valves[name], engine.sheet.length_unit
    crank = (engine.cylinders[valve.cylinder].firing_deg + valve.curve.peak_deg + 360.0) % 720.0
    words = (
        f"{name}, its cam on the heel: a clearance of about {length(cause.cure.found_mm[name], unit)} in the place of "
        f"{length(cause.cure.clearances_mm[name], unit)}."
    )
    shown, about = close_up(engine, "valve", name), Part(Kind.VALVE, name)
    return Aspect(shown=shown, crank_deg=(crank, crank), words=words, about=about)


def _of_gap(engine: Engine, cause: Cause, name: str) -> Aspect:
    assert cause.cure is not None
    magneto, unit = engine.magnetos[name], engine.sheet.length_unit
    # half-way through the time for which the points stand open
    turns = abs(float(engine.shafts[magneto.rotor].turns))
    open_deg = (360.0 / float(magneto.data.sparks_per_turn) - magneto.data.dwell_deg) / turns
    crank = (magneto.first_deg + magneto.data.break_deg + open_deg / 2) % 720.0
    words = (
        f"{name} magneto, its points at their widest: about {length(cause.cure.found_mm[name], unit)} in the place of "
        f"{length(cause.cure.gaps_mm[name], unit)}."
    )
    shown, about = close_up(engine, "magneto", name), Part(Kind.MOVING_POINT, name)
    return Aspect(shown=shown, crank_deg=(crank, crank), words=words, about=about)


def _of_pointer(engine: Engine, shows_deg: float) -> Aspect:
    first = engine.sheet.firing_order[0]
    top = engine.cylinders[first].firing_deg
    words = (
        f"Piston of {first} at true TDC: the pointer shows {abs(shows_deg):.1f} crank degrees too "
        f"{'much' if shows_deg > 0 else 'little'}."
    )
    shown = close_up(engine, "window")
    return Aspect(shown=shown, crank_deg=(top + shows_deg, top), words=words, about=Part(Kind.WINDOW))


class _Row:
    """The two panels of one aspect, drawn on one stage."""

    def __init__(self, engine: Engine, aspect: Aspect) -> None:
        self._engine, self._aspect = engine, aspect
        self._rig: Rig = rig(engine)
        self._size = ((WIDTH_PX - _GAP_PX) // 2, ROW_PX - _HEAD_PX)
        self._stage = Stage(self._size)
        self._bodies = close_up_bodies(engine, aspect.shown)
        exhibit.furnish(self._stage, self._bodies)

    def __enter__(self) -> _Row:
        return self

    def __exit__(self, *_: object) -> None:
        self._stage.close()

    def picture(self, assemblies: tuple[Assembly, Assembly]) -> Picture:
        """Both panels (H, W, 3), each under its line: as found, as intended."""
        sheet = Image.new("RGB", (WIDTH_PX, ROW_PX), palette.GROUND)
        pencil = ImageDraw.Draw(sheet)
        names = ("As found", "As intended")
        for column, (name, assembly) in enumerate(zip(names, assemblies, strict=True)):
            moment = Frame(assembly=assembly, crank_deg=self._aspect.crank_deg[column], free={})
            left = column * (self._size[0] + _GAP_PX)
            sheet.paste(Image.fromarray(self._panel(moment, assemblies[1], column == 0)), (left, _HEAD_PX))
            what, reading = headline(self._engine, self._aspect.shown, moment, exhibit.state_at(self._engine, moment))
            text = f"{name}: {what}, {reading}"
            captions.line(pencil, (left + 10, 3), text, _HEAD_PX - 7, self._size[0] - 20)
        middle = self._size[0] + _GAP_PX // 2
        pencil.line((middle, 6, middle, ROW_PX - 6), fill=palette.RULE, width=1)
        return np.asarray(sheet)

    def _panel(self, moment: Frame, right: Assembly, found: bool) -> Picture:
        engine, shown, stage = self._engine, self._aspect.shown, self._stage
        state = exhibit.state_at(engine, moment)
        place_close_up(stage, engine, self._rig, shown, moment, state, None)
        camera = close_up_camera(engine, self._rig, shown, state, self._size[0] / self._size[1])
        turned = self._aspect.turned
        if turned is not None and self._aspect.shown.kind == "valve" and camera.parallel_half_height_mm is not None:
            camera = replace(camera, parallel_half_height_mm=_ROOM * camera.parallel_half_height_mm)
        stage.look(camera)
        stage.colour(self._aspect.about, strong=palette.ORANGE if found else palette.SKY_BLUE)
        stage.emphasise([self._aspect.about])
        if turned is None:
            return stage.picture(_SMOOTH)
        part, shaft, _ = turned
        if not found:
            stage.show(part, False, "intended")
            return stage.picture(_SMOOTH)
        body, marked = self._bodies[part]
        if (part, "intended") not in stage.keys():
            stage.add(part, body, "intended", marked=marked)
        there = poses(self._rig, motion(engine, right, moment.crank_deg), [part])
        behind = np.eye(4)
        # a little behind, so that it does not dull the part as found
        behind[:3, 3] = _BEHIND_MM * axes(np.subtract(camera.focal, camera.position), camera.up)[2]
        stage.move({part: behind @ there[part][0]}, "intended")
        tip = _tip(engine, shaft, points_in_world(there[part], np.asarray(body.vertices))[0])
        return self._with_angle(stage.picture(_SMOOTH), camera, tip)

    def _with_angle(self, picture: Picture, camera: Camera, tip: tuple[Floats, Floats, float]) -> Picture:
        """The angle between where the part should point and where it does, as a wedge with its figure."""
        assert self._aspect.turned is not None
        _, shaft, angle = self._aspect.turned
        centre, out, radius = tip
        axis = np.asarray(self._engine.shafts[shaft].axis)
        across = np.cross(axis, out)

        def ray(turn_deg: float, share: float) -> Floats:
            turn = np.radians(turn_deg)
            return np.asarray(centre + share * radius * (np.cos(turn) * out + np.sin(turn) * across))

        count = max(2, int(abs(angle) / _ARC_STEP_DEG) + 2)
        turns = np.linspace(0.0, angle, count)
        rim = project(camera, [ray(turn, _FAN[1]) for turn in turns], self._size)
        inner = project(camera, [ray(turn, _FAN[0]) for turn in turns], self._size)
        middle = project(camera, [centre], self._size)[0]
        sheet = Image.fromarray(picture).convert("RGBA")
        veil = Image.new("RGBA", sheet.size, (0, 0, 0, 0))
        pencil = ImageDraw.Draw(veil)
        fan = [*(tuple(p) for p in rim), *(tuple(p) for p in inner[::-1])]
        pencil.polygon(fan, fill=(*palette.rgb(palette.ORANGE), 170))
        pencil.line([tuple(p) for p in rim], fill=palette.VERMILLION, width=4)
        for turn, colour in ((0.0, palette.INTENDED), (angle, palette.VERMILLION)):
            end = project(camera, [ray(turn, _RAY)], self._size)[0]
            pencil.line([tuple(middle), tuple(end)], fill=colour, width=3)
        sheet = Image.alpha_composite(sheet, veil)
        _label(sheet, f"{abs(angle):.1f}°", project(camera, [ray(angle / 2, _FIGURE)], self._size)[0])
        return np.asarray(sheet.convert("RGB"))


def _tip(engine: Engine, shaft: str, points: Floats) -> tuple[Floats, Floats, float]:
    """Where a part points: a point of its shaft's axis beside its tip, the direction to the tip square to the axis,
    and how far out that is [mm]. points: (N, 3), its vertices in the world."""
    own = engine.shafts[shaft]
    axis, start = np.asarray(own.axis), np.asarray(own.point)
    along = (points - start) @ axis
    outward = points - start - along[:, None] * axis
    far = np.linalg.norm(outward, axis=1)
    furthest = far > _TIP_SHARE * far.max()
    # half-way between the borders of the tip, wherever its vertices are crowded
    first = outward[furthest][0] / np.linalg.norm(outward[furthest][0])
    second = np.cross(axis, first)
    turns = np.arctan2(outward[furthest] @ second, outward[furthest] @ first)
    middle = float(turns.min() + turns.max()) / 2
    out = np.cos(middle) * first + np.sin(middle) * second
    return start + axis * float(along[furthest].mean()), out, float(far.max())


def _label(sheet: Image.Image, text: str, at: Floats) -> None:
    """A figure on a white ground, kept inside the picture."""
    pencil = ImageDraw.Draw(sheet)
    font = font_of(26, bold=True)
    wide, high = font.getlength(text) / 2 + 8, 20
    x = float(np.clip(at[0], wide + 2, sheet.width - wide - 2))
    y = float(np.clip(at[1], high + 2, sheet.height - high - 2))
    pencil.rectangle((x - wide, y - high, x + wide, y + high), fill=palette.GROUND, outline=palette.VERMILLION, width=2)
    pencil.text((x, y), text, font=font, fill=palette.TEXT, anchor="mm")
