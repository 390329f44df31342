"""A plate: one picture of a step, with the whole mechanism, its close-ups, the step's text and figures.

The same plate makes the stills and the frames of a film, so that both show one computation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from quillwise.kinematics.angles import format_crank, stroke
from quillwise.kinematics.assembly import Assembly
from quillwise.kinematics.errors import RequestError
from quillwise.kinematics.marks import timing_valve
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import State
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.rig import Rig, rig
from quillwise.kinematics.steps import Frame, Step, frame
from quillwise.viz import (
    callouts,
    captions,
    cycle,
    engraving,
    exhibit,
    headings,
    palette,
    plate_words,
    shaded_callouts,
    signs,
    tags,
    teeth,
    turning,
)
from quillwise.viz.cameras import Camera, Margins, Swing, Vector, fit, view
from quillwise.viz.close_arrows import close_arrows
from quillwise.viz.closeups import (
    CloseUp,
    close_up,
    close_up_bodies,
    close_up_camera,
    place_close_up,
    quill_end_camera,
)
from quillwise.viz.gauge import Arrows, Gauge
from quillwise.viz.glances import Columns, Glance, glances
from quillwise.viz.linedrawing import Frame as Paper
from quillwise.viz.linked import side as side_of
from quillwise.viz.pointing import Pointing
from quillwise.viz.stage import Stage
from quillwise.viz.standpoint import Arrow, Standpoint, standpoint

if TYPE_CHECKING:
    import trimesh

Picture = NDArray[np.uint8]

_TEXT_SHARE = 0.36
_GENERAL_SHARE = 0.58  # of the height beside the text
_STRIP_SHARE = 0.30  # of the height, at the most: the cycle, below the text
_ZIGS, _ZIGZAG = 26, 0.02  # strokes of the line where a quill is broken; its depth, of the half's height
_STRIP_GAP = 0.02  # of the height: between the text and the strip
_GAP_PX = 2
_RIM_SHARE = 0.018  # of the bore: the light rim of an arrow before dark gears


class Plates:
    """Draws plates of one engine in one size. Stages are made once and kept; ``close`` frees them."""

    def __init__(
        self,
        engine: Engine,
        size_px: tuple[int, int],
        dpi: float,
        smooth: int = 2,
        pointing: Pointing | None = None,
    ) -> None:
        """smooth: draw so many times as large and average; pointing: callouts round the whole mechanism, which
        ``called`` tells of after each picture. Raises GraphicsError without OpenGL."""
        self._pointing = pointing
        self.called = callouts.NONE
        self._engine = engine
        self._rig: Rig = rig(engine)
        self._dpi = dpi
        self._size_px = size_px
        self._smooth = smooth
        self._room = captions.panel(size_px, dpi, _TEXT_SHARE).view.size_px
        width, height = self._room
        self._general_px = (width, round(height * _GENERAL_SHARE))
        self._strip_px = max(14, round(5.5 * dpi / 25.4))
        self._general: Stage | None = None
        self._trial: Stage | None = None
        self._arrows: Arrows | None = None
        self._bodies = exhibit.bodies(engine)
        self._close: dict[tuple[str, str, tuple[int, int]], tuple[CloseUp, Stage, Gauge | None]] = {}
        self._strip_drawn: tuple[Assembly, tuple[int, int], tuple[str, ...], Picture] | None = None
        self._looked: Vector | None = None
        self._swing = Swing()
        self._eyes: dict[int, Standpoint] = {}
        self._upwards: dict[tuple[int, str], Vector] = {}

    def close(self) -> None:
        """Free all windows."""
        if self._arrows:
            self._arrows.close()
        for stage in (self._general, self._trial):
            if stage:
                stage.close()
        for _, stage, gauge in self._close.values():
            if gauge:
                gauge.close()
            stage.close()
        self._close.clear()

    def __enter__(self) -> Plates:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def plate(
        self, step: Step, fraction: float = 1.0, steps: int = 0, brief: bool = False, swing: Swing | None = None
    ) -> Picture:
        """The plate (H, W, 3) of a step at a fraction of its moves. ``steps``: how many there are in all;
        ``brief``: of the text only what there is room for, as in a film."""
        self._swing = swing or Swing()
        moment = frame(step, fraction)
        number = f"{step.number} / {steps}  " if steps else f"{step.number}  "
        views = self.views(step, moment, still=not brief)
        text = text_of(self._engine, step)
        return self._composed(views, number + step.text.title, *text, brief, moment, cylinders(self._engine, step))

    def cycle(self, moment: Frame) -> Picture:
        """The plate of an assembly that runs: the whole, the first cylinder's inlet valve, and the first
        magneto if there is one."""
        engine = self._engine
        first = engine.sheet.firing_order[0]
        state = exhibit.state_at(engine, moment)
        panes: Columns = ((Glance(kind="valve", of=engine.valve(first, "inlet").name),),)
        panes += tuple((Glance(kind="magneto", of=name),) for name in list(engine.magnetos)[:1])
        views = self._sheet(moment, state, panes)
        lines = [f"{name}: {stroke(moment.crank_deg - engine.cylinders[name].firing_deg)}" for name in engine.cylinders]
        figures = [("crank", f"{format_crank(moment.crank_deg, 0)}°")]
        return self._composed(views, f"{engine.sheet.name}: the cycle", lines, figures, True, moment, (first,))

    def general(self, moment: Frame, view_name: str, about: Sequence[Part] = (), transparent: bool = False) -> Picture:
        """The whole mechanism alone, in the full size, from a named view; (H, W, 4) if transparent."""
        width, height = self._size_px
        view_px = (width, height - captions.footer_px(self._size_px, self._dpi))
        with Stage(view_px) as stage:
            exhibit.furnish(stage, self._bodies)
            exhibit.place(stage, self._rig, exhibit.state_at(self._engine, moment))
            exhibit.fit_followers(stage, moment.assembly)
            named = view(view_name)
            stage.look(fit(stage.points(), named.direction, named.up, view_px[0] / view_px[1]))
            stage.emphasise([part for part in about if (part, "found") in stage.keys()])
            if self._pointing is None:
                picture = stage.picture(self._smooth, transparent)
            else:
                place = shaded_callouts.single_view(self._pointing.size_mm)
                placed = self._placed(moment, named.direction, place, up=named.up, about=about)
                stage.look(shaded_callouts.camera_in(placed, view_px, self._dpi))
                picture = shaded_callouts.inked(stage.picture(self._smooth, transparent), placed.called, self._dpi)
            return captions.footed(picture, self._size_px, self._dpi)

    def _composed(
        self,
        views: Picture,
        title: str,
        lines: Sequence[str],
        figures: Sequence[tuple[str, str]],
        brief: bool,
        moment: Frame,
        wanted: tuple[str, ...],
    ) -> Picture:
        shown, below = list(lines), strip_heights(self._engine, self._size_px, self._dpi)
        while True:
            try:
                picture, boxes = captions.compose(
                    views, title, shown, figures, self._size_px, self._dpi, _TEXT_SHARE, below
                )
            except RequestError:
                if not brief or not shown:
                    raise
                shown.pop()
            else:
                return self._with_cycle(picture, boxes, moment, wanted)

    def _with_cycle(
        self, picture: Picture, boxes: Sequence[captions.Box], moment: Frame, wanted: tuple[str, ...]
    ) -> Picture:
        """The strip of the cycle with its cursor, in the text's column below the text, where there is room."""
        place = strip_place(self._engine, self._size_px, self._dpi, boxes)
        if place is None:
            return picture
        sheet, top, size = Image.fromarray(picture), place.top, place.size_px
        sheet.paste(Image.fromarray(self._strip(moment.assembly, size, wanted)), (place.left, top))
        plan = cycle.plan(self._engine, size, wanted)
        x = place.left + round(cycle.x_of(plan, moment.crank_deg))
        pencil = ImageDraw.Draw(sheet)
        pencil.line((x, top + plan.top - 2, x, top + plan.bottom), fill=palette.BLACK, width=max(2, size[0] // 250))
        return np.asarray(sheet)

    def _strip(self, assembly: Assembly, size: tuple[int, int], wanted: tuple[str, ...]) -> Picture:
        """The strip of an assembly, drawn once."""
        drawn = self._strip_drawn
        if drawn is None or drawn[0] is not assembly or drawn[1:3] != (size, wanted):
            drawn = (assembly, size, wanted, cycle.draw(self._engine, assembly, size, wanted))
            self._strip_drawn = drawn
        return drawn[3]

    def views(self, step: Step, moment: Frame, still: bool = True) -> Picture:
        """The views of a plate without its text: the whole above, close-ups below, each with its line."""
        state = exhibit.state_at(self._engine, moment)
        return self._sheet(moment, state, glances(self._engine, step, still), step, still)

    def _sheet(
        self, moment: Frame, state: State, columns: Columns, step: Step | None = None, still: bool = False
    ) -> Picture:
        sheet = Image.new("RGB", self._room, palette.GROUND)
        general = self._draw_general(moment.assembly, state, step)
        sheet.paste(Image.fromarray(general), (0, 0))
        pencil = ImageDraw.Draw(sheet)
        width = (self._room[0] - _GAP_PX) // 2 if len(columns) > 1 else self._room[0]

        def seen(glance: Glance) -> tuple[Frame, State]:
            when = glance.moment or moment
            return when, state if glance.moment is None else exhibit.state_at(self._engine, when)

        texts = [[plate_words.line_over(self._engine, glance, *seen(glance)) for glance in stack] for stack in columns]
        over = headings.headings(texts, self._strip_px, width - 16, self._dpi, still)
        for column, stack in enumerate(columns):
            left, top = column * (width + _GAP_PX), self._general_px[1]
            free = self._room[1] - top - sum(over.strips_px[column])
            for row, glance in enumerate(stack):
                when, now = seen(glance)
                height, strip_px = free // len(stack), over.strips_px[column][row]
                drawn = Image.fromarray(self._draw_close_up(glance, (width, height), when, now, step, still))
                good = signs.right(self._engine, step, glance, when, now) if step and still else None
                if good is not None:
                    signs.stamp(ImageDraw.Draw(drawn), drawn.size, self._strip_px, good)
                sheet.paste(drawn, (left, top + strip_px))
                pencil.line((left + 6, top, left + width - 6, top), fill=palette.RULE, width=1)
                headings.draw(pencil, (left + 8, top), over.lines[column][row], over.font_px, self._strip_px)
                top += height + strip_px
        return np.asarray(sheet)

    def _draw_general(self, assembly: Assembly, state: State, step: Step | None) -> Picture:
        general = self._general
        if general is None:
            general = self._general = Stage(self._general_px)
            exhibit.furnish(general, self._bodies)
            self._arrows = Arrows(general.renderer)
            if self._pointing is not None:
                self._trial = Stage(shaded_callouts.trial_px(self._pane(self._pointing)))
                exhibit.furnish(self._trial, self._bodies)
        eye = view("three-quarter").direction if step is None else self._swung(self._trial or general, step)
        exhibit.place(general, self._rig, state)
        exhibit.fit_followers(general, assembly)
        if eye != self._looked:
            # fitted once for a point of view, so that a film stands still
            general.look(self._whole(general, eye))
            self._looked = eye
        general.ghost(self._eye(general, step).faint if step else ())
        general.emphasise(_on_stage(general, _strong(step)))
        if self._arrows:
            rim_mm = _RIM_SHARE * self._engine.sheet.crank.bore_mm
            self._arrows.show([arrow.body for arrow in self._eye(general, step).arrows] if step else (), rim_mm)
        if self._pointing is not None and step is not None:
            return self._called_out(general, step, eye, self._pane(self._pointing))
        return general.picture(self._smooth)

    def _pane(self, pointing: Pointing) -> Paper:
        return shaded_callouts.plate_view(pointing.size_mm, _TEXT_SHARE, _GENERAL_SHARE)

    def _called_out(self, general: Stage, step: Step, eye: Vector, place: Paper) -> Picture:
        """The whole mechanism as it stands on its stage at the end of a step, smaller, with callouts round it."""
        arrows = [arrow.body for arrow in self._eye(general, step).arrows]
        placed = self._placed(frame(step, 1.0), eye, place, about=step.about, arrows=arrows)
        self._looked = None  # the stage looks elsewhere now
        general.look(shaded_callouts.camera_in(placed, self._general_px, self._dpi))
        return shaded_callouts.inked(general.picture(self._smooth), placed.called, self._dpi)

    def _placed(
        self,
        moment: Frame,
        eye: Vector,
        place: Paper,
        *,
        up: Vector = (0.0, 0.0, 1.0),
        about: Sequence[Part] = (),
        arrows: Sequence[trimesh.Trimesh] = (),
    ) -> shaded_callouts.Placed:
        assert self._pointing is not None
        pointed = self._pointing.pointed
        placed = shaded_callouts.placed(
            self._engine, self._rig, self._bodies, moment, eye, up, place, pointed, about, arrows
        )
        self.called = placed.called
        return placed

    def _eye(self, general: Stage, step: Step) -> Standpoint:
        """From where a step is looked at: on the side of what it is about, and where neither that nor its arrows are
        hidden at its end."""
        if step.number not in self._eyes:
            if self._arrows:
                self._arrows.show(())
            moment = frame(step, 1.0)
            exhibit.place(general, self._rig, exhibit.state_at(self._engine, moment))
            exhibit.fit_followers(general, moment.assembly)
            general.ghost(())
            bore = self._engine.sheet.crank.bore_mm
            choices = [
                [Arrow(line=line, body=turning.arrow(line, bore), own=own, others=others) for line in lines]
                for lines, (own, others) in zip(
                    turning.places(self._engine, step), turning.meant(self._engine, step), strict=True
                )
            ]
            self._eyes[step.number] = standpoint(
                general, _strong(step), side_of(self._engine, step), lambda eye: self._whole(general, eye), choices
            )
            self._looked = None
        return self._eyes[step.number]

    def _swung(self, general: Stage, step: Step) -> Vector:
        there, share = self._eye(general, step).direction, self._swing.share
        if self._swing.before is None or share >= 1.0:
            return there
        from_x, from_y, from_z = self._eye(general, self._swing.before).direction
        x, y, z = there
        return (from_x + share * (x - from_x), from_y + share * (y - from_y), from_z + share * (z - from_z))

    def _whole(self, general: Stage, eye: Vector) -> Camera:
        """The camera along a direction that holds all parts, the arrows, and all that the crank sweeps."""
        points = [general.points(), exhibit.swept_by_crank(self._engine), *turning.reach(self._engine)]
        margins = Margins(left=0.02, right=0.02, top=0.03, bottom=0.03)
        aspect = self._general_px[0] / self._general_px[1] if not self._pointing else self._pane(self._pointing).aspect
        return fit(np.vstack(points), eye, (0.0, 0.0, 1.0), aspect, margins)

    def _close_up(self, glance: Glance, size_px: tuple[int, int]) -> tuple[CloseUp, Stage, Gauge | None]:
        key = (glance.kind, glance.of, size_px)
        if key not in self._close:
            shown = close_up(self._engine, glance.kind, glance.of)
            stage = Stage(size_px)
            exhibit.furnish(stage, close_up_bodies(self._engine, shown))
            self._close[key] = (shown, stage, Gauge(stage.renderer) if glance.kind == "teeth" else None)
        return self._close[key]

    def _upward(self, step: Step, coupling: str) -> Vector:
        """What is up in a step's close-ups of teeth, end-on: the same from its beginning to its end."""
        if (step.number, coupling) not in self._upwards:
            states = [exhibit.state_at(self._engine, frame(step, at)) for at in (0.0, 1.0)]
            self._upwards[step.number, coupling] = teeth.up_by_marks(self._engine, coupling, states)
        return self._upwards[step.number, coupling]

    def _draw_close_up(
        self,
        glance: Glance,
        size_px: tuple[int, int],
        moment: Frame,
        state: State,
        step: Step | None,
        still: bool = True,
    ) -> Picture:
        kind = self._engine.couplings[glance.of].data.kind if glance.kind == "coupling" else ""
        if kind != "quill":
            return self._draw_view(glance, size_px, moment, state, step, still)
        # a quill is long and thin: its middle is left out, so that its splines can be counted
        width, high = size_px
        halves = [(width, high // 2), (width, high - high // 2)]
        drawn = [
            self._draw_view(glance, size, moment, state, step, still, upper=n == 0) for n, size in enumerate(halves)
        ]
        return broken(np.vstack(drawn), halves[0][1])

    def _draw_view(
        self,
        glance: Glance,
        size_px: tuple[int, int],
        moment: Frame,
        state: State,
        step: Step | None,
        still: bool,
        upper: bool | None = None,
    ) -> Picture:
        """A close-up from one camera; upper: of a quill, that end or the lower one alone."""
        engine = self._engine
        shown, stage, gauge = self._close_up(glance, size_px)
        if glance.kind == "teeth" and step:
            shown = replace(shown, upward=self._upward(step, glance.of))
        place_close_up(stage, engine, self._rig, shown, moment, state, step)
        if gauge:
            points, _ = teeth.wedge(engine, shown.of, state, upward=shown.upward)
            gauge.move(points, not teeth.offer(engine, moment.assembly, shown.of, state).home)
        aspect = size_px[0] / size_px[1]
        if upper is None:
            camera = close_up_camera(engine, self._rig, shown, state, aspect)
        else:
            camera = quill_end_camera(engine, self._rig, shown.of, state, upper, aspect)
        stage.look(camera)
        near = shown.of if shown.kind in ("points", "gap") else ""
        tools = [part for part, _ in stage.keys() if part.kind is Kind.FEELER] + [Part(Kind.FIXED_POINT, near)]
        if shown.kind == "room":
            tools += [Part(Kind.VALVE, shown.of), Part(Kind.PISTON, engine.valves[shown.of].cylinder)]
        if step and any(where == "valve" for where, _ in step.text.see):
            tools += [Part(Kind.VALVE, shown.of), *(part for part in shown.parts if part.kind is Kind.VALVE)]
        stage.emphasise(_on_stage(stage, (*_strong(step), *tools)))
        found = engraving.labels(engine, self._rig, shown, moment, state, step, leaders=True)
        if upper is not None:
            found += (engraving.quill_end(engine, shown.of, camera, upper),)
        second = glance.moment is not None
        pointing = close_arrows(engine, self._rig, shown, step, moment, state, camera, second) if step else ()
        found += tuple(
            engraving.label(arrow.words, arrow.words_mm, boxed=True) for arrow in pointing if arrow.words_mm is not None
        )
        turn = Arrows(stage.renderer)
        turn.show([arrow.body for arrow in pointing], max((arrow.rim_mm for arrow in pointing), default=0.0))
        picture = stage.picture(self._smooth)
        turn.close()
        if not found:
            return picture
        sheet = Image.fromarray(picture)
        whole_px = size_px if upper is None else (size_px[0], 2 * size_px[1])
        strip_px = min(self._strip_px, tags.letters_px(whole_px))
        marks = engraving.mark_ends_mm(engine, self._rig, state) if shown.kind == "window" else ()
        arrows = [np.asarray(arrow.body.vertices) for arrow in pointing]
        clear_of = tags.Obstacles(marks_mm=marks, arrows_mm=arrows) if still else None
        placed = tags.tags(found, camera, size_px, strip_px, clear_of)
        tags.draw(ImageDraw.Draw(sheet), placed, size_px, strip_px)
        return np.asarray(sheet)


def broken(picture: Picture, at_px: int) -> Picture:
    """The picture (H, W, 3) with a zigzag line across it at that row: what lies between the halves is left out."""
    sheet = Image.fromarray(np.ascontiguousarray(picture))
    width, deep = sheet.width, max(2, round(_ZIGZAG * at_px))
    line = [(width * n / _ZIGS, at_px + (deep if n % 2 else -deep)) for n in range(_ZIGS + 1)]
    pencil = ImageDraw.Draw(sheet)
    pencil.line(line, fill=palette.GROUND, width=2 * deep + 3)
    for off in (-deep, deep):
        pencil.line([(x, y + off) for x, y in line], fill=palette.RULE, width=1)
    return np.asarray(sheet)


def strip_heights(engine: Engine, size_px: tuple[int, int], dpi: float) -> tuple[int, ...]:
    """How much the text of a plate leaves free below it for the strip of the cycle [px], the best first."""
    column, gap = captions.panel(size_px, dpi, _TEXT_SHARE).text, round(_STRIP_GAP * size_px[1])
    return tuple(gap + high for high in cycle.heights_px(engine, column.size_px[0]))


def strip_place(
    engine: Engine, size_px: tuple[int, int], dpi: float, boxes: Sequence[captions.Box]
) -> captions.Box | None:
    """Where the strip of the cycle stands in a plate whose text has these boxes; None where there is no room for it."""
    column, gap = captions.panel(size_px, dpi, _TEXT_SHARE).text, round(_STRIP_GAP * size_px[1])
    lowest = max(box.bottom for box in boxes if box.name not in ("view", "footer"))
    high = min(
        column.bottom - lowest - gap, max(strip_heights(engine, size_px, dpi)[0], round(_STRIP_SHARE * size_px[1]))
    )
    if high < cycle.heights_px(engine, column.size_px[0])[-1] or column.size_px[0] < cycle.LEAST_PX[0]:
        return None
    top = column.bottom - high
    return captions.Box(name="strip", left=column.left, top=top, right=column.right, bottom=column.bottom)


def cylinders(engine: Engine, step: Step) -> tuple[str, ...]:
    """The cylinders that a step is about, each once: those of its valve, its valves and pistons, its magneto's job."""
    named = [step.valve, *(part.of for part in step.about if part.kind in (Kind.VALVE, Kind.PISTON))]
    found = [engine.valves[name].cylinder if name in engine.valves else name for name in named]
    for job in engine.sheet.setup:
        if job.do == "set-magneto" and step.job == f"{job.magneto} magneto":
            found.append(job.cylinder)
        if job.do == "set-camshaft" and step.job == timing_valve(engine, job).camshaft:
            found.append(job.cylinder)
    return tuple(dict.fromkeys(name for name in found if name in engine.cylinders))


def text_of(engine: Engine, step: Step) -> tuple[Sequence[str], Sequence[tuple[str, str]]]:
    """The paragraphs and the figures that a plate of a step bears beside its title."""
    return plate_words.lines(step), plate_words.figures(engine, step)


def _on_stage(stage: Stage, parts: Sequence[Part]) -> list[Part]:
    return [part for part in parts if (part, "found") in stage.keys()]


def _strong(step: Step | None) -> tuple[Part, ...]:
    """What a step is about, and the timing window where that is what is looked at."""
    if step is None:
        return ()
    looked_at = any(where == "timing window" for where, _ in step.text.see)
    return (*step.about, *((Part(Kind.DISC), Part(Kind.WINDOW)) if looked_at else ()))
