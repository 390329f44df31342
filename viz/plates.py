"""A plate: one picture of a step, with the whole mechanism, two close-ups, the step's text and figures.

The same plate makes the stills and the frames of a film, so that both show one computation.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from quillwise.kinematics.angles import stroke
from quillwise.kinematics.assembly import Assembly
from quillwise.kinematics.errors import RequestError
from quillwise.kinematics.marks import timing_valve
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import State
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.rig import Rig, rig
from quillwise.kinematics.steps import Frame, Step, frame
from quillwise.kinematics.verdicts import Check
from quillwise.viz import captions, cycle, exhibit, palette, teeth
from quillwise.viz.cameras import Margins, fit, view
from quillwise.viz.closeups import (
    CloseUp,
    CloseUpKind,
    close_up,
    close_up_bodies,
    close_up_camera,
    headline,
    place_close_up,
)
from quillwise.viz.gauge import Gauge
from quillwise.viz.stage import Stage

Picture = NDArray[np.uint8]

_TEXT_SHARE = 0.36
_GENERAL_SHARE = 0.58  # of the height beside the text
_STRIP_SHARE, _LEAST_STRIP_SHARE = 0.30, 0.17  # of the height: the cycle, below the text where there is room
_GAP_PX = 2


class Plates:
    """Draws plates of one engine in one size. Stages are made once and kept; ``close`` frees them."""

    def __init__(self, engine: Engine, size_px: tuple[int, int], dpi: float, smooth: int = 2) -> None:
        """smooth: draw so many times as large and average. Raises GraphicsError without OpenGL."""
        self._engine = engine
        self._rig: Rig = rig(engine)
        self._dpi = dpi
        self._size_px = size_px
        self._smooth = smooth
        self._room = captions.panel(size_px, dpi, _TEXT_SHARE).view.size_px
        width, height = self._room
        self._general_px = (width, round(height * _GENERAL_SHARE))
        self._strip_px = max(14, round(5.5 * dpi / 25.4))
        self._close_px = ((width - _GAP_PX) // 2, height - self._general_px[1] - self._strip_px)
        self._general: Stage | None = None
        self._bodies = exhibit.bodies(engine)
        self._close: dict[tuple[str, str], tuple[CloseUp, Stage, Gauge | None]] = {}
        self._strip_of: tuple[Assembly, tuple[int, int]] | None = None
        self._strip_drawn: Picture | None = None
        self._looked: tuple[float, ...] | None = None

    def close(self) -> None:
        """Free all windows."""
        if self._general:
            self._general.close()
        for _, stage, gauge in self._close.values():
            if gauge:
                gauge.close()
            stage.close()
        self._close.clear()

    def __enter__(self) -> Plates:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def plate(self, step: Step, fraction: float = 1.0, steps: int = 0, brief: bool = False) -> Picture:
        """The plate (H, W, 3) of a step at a fraction of its moves. ``steps``: how many there are in all;
        ``brief``: of the text only what there is room for, as in a film."""
        moment = frame(step, fraction)
        number = f"{step.number} / {steps}  " if steps else f"{step.number}  "
        views = self.views(step, moment)
        return self._composed(views, number + step.text.title, _lines(step), _figures(step), brief, moment)

    def cycle(self, moment: Frame) -> Picture:
        """The plate of an assembly that runs: the whole, the first cylinder's inlet valve, the timing window."""
        engine = self._engine
        first = engine.sheet.firing_order[0]
        state = exhibit.state_at(engine, moment)
        panes: list[tuple[CloseUpKind, str]] = [("valve", engine.valve(first, "inlet").name)]
        panes += [("magneto", name) for name in list(engine.magnetos)[:1]]
        views = self._sheet(moment, state, panes, (), view("three-quarter").direction)
        lines = [f"{name}: {stroke(moment.crank_deg - engine.cylinders[name].firing_deg)}" for name in engine.cylinders]
        figures = [("crank", f"{moment.crank_deg % 720:.0f}°")]
        return self._composed(views, f"{engine.sheet.name}: the cycle", lines, figures, True, moment)

    def general(self, moment: Frame, view_name: str, about: Sequence[Part] = (), transparent: bool = False) -> Picture:
        """The whole mechanism alone, in the full size, from a named view; (H, W, 4) if transparent."""
        width, height = self._size_px
        view_px = (width, height - captions.footer_px(self._size_px, self._dpi))
        with Stage(view_px) as stage:
            exhibit.furnish(stage, self._bodies)
            exhibit.place(stage, self._rig, exhibit.state_at(self._engine, moment))
            named = view(view_name)
            stage.look(fit(stage.points(), named.direction, named.up, view_px[0] / view_px[1]))
            stage.emphasise([part for part in about if (part, "found") in stage.keys()])
            return captions.footed(stage.picture(self._smooth, transparent), self._size_px, self._dpi)

    def _composed(
        self,
        views: Picture,
        title: str,
        lines: Sequence[str],
        figures: Sequence[tuple[str, str]],
        brief: bool,
        moment: Frame,
    ) -> Picture:
        shown = list(lines)
        while True:
            try:
                picture, boxes = captions.compose(views, title, shown, figures, self._size_px, self._dpi, _TEXT_SHARE)
            except RequestError:
                if not brief or not shown:
                    raise
                shown.pop()
            else:
                return self._with_cycle(picture, boxes, moment)

    def _with_cycle(self, picture: Picture, boxes: Sequence[captions.Box], moment: Frame) -> Picture:
        """The strip of the cycle with its cursor, in the text's column below the text, where there is room."""
        column = captions.panel(self._size_px, self._dpi, _TEXT_SHARE).text
        lowest = max(box.bottom for box in boxes if box.name not in ("view", "footer"))
        room = column.bottom - lowest - round(0.02 * self._size_px[1])
        size = (column.size_px[0], min(room, round(_STRIP_SHARE * self._size_px[1])))
        top = column.bottom - size[1]
        if size[1] < _LEAST_STRIP_SHARE * self._size_px[1]:
            return picture
        strip = self._strip(moment.assembly, size)
        if strip is None:
            return picture
        sheet = Image.fromarray(picture)
        sheet.paste(Image.fromarray(strip), (column.left, top))
        plan = cycle.plan(self._engine, size)
        x = column.left + round(cycle.x_of(plan, moment.crank_deg))
        pencil = ImageDraw.Draw(sheet)
        pencil.line((x, top + plan.top - 2, x, top + plan.bottom), fill=palette.BLACK, width=max(2, size[0] // 250))
        return np.asarray(sheet)

    def _strip(self, assembly: Assembly, size: tuple[int, int]) -> Picture | None:
        """The strip of an assembly, drawn once; None where the picture is too small for it."""
        if self._strip_of is None or self._strip_of[0] is not assembly or self._strip_of[1] != size:
            self._strip_of = (assembly, size)
            try:
                self._strip_drawn = cycle.draw(self._engine, assembly, size)
            except ValueError:
                self._strip_drawn = None
        return self._strip_drawn

    def views(self, step: Step, moment: Frame) -> Picture:
        """The views of a plate without its text: the whole above, two close-ups below, each with its line."""
        state = exhibit.state_at(self._engine, moment)
        return self._sheet(moment, state, shown_with(self._engine, step), step.about, self._direction(step), step)

    def _sheet(
        self,
        moment: Frame,
        state: State,
        panes: Sequence[tuple[CloseUpKind, str]],
        about: Sequence[Part],
        eye: tuple[float, float, float],
        step: Step | None = None,
    ) -> Picture:
        sheet = Image.new("RGB", self._room, palette.GROUND)
        sheet.paste(Image.fromarray(self._draw_general(moment.assembly, state, about, eye)), (0, 0))
        pencil = ImageDraw.Draw(sheet)
        top = self._general_px[1]
        for column, (kind, of) in enumerate(panes):
            shown, stage, gauge = self._close_up(kind, of)
            left = column * (self._close_px[0] + _GAP_PX)
            drawn = self._draw_close_up(shown, stage, gauge, moment, state, about, step)
            sheet.paste(Image.fromarray(drawn), (left, top + self._strip_px))
            pencil.line((left + 6, top, left + self._close_px[0] - 6, top), fill=palette.RULE, width=1)
            what, reading = headline(self._engine, shown, moment, state)
            text = f"{what}: {reading}" if ":" not in what else f"{what}, {reading}"
            captions.line(pencil, (left + 8, top), text, self._strip_px, self._close_px[0] - 16)
        return np.asarray(sheet)

    def _draw_general(
        self, assembly: Assembly, state: State, about: Sequence[Part], eye: tuple[float, float, float]
    ) -> Picture:
        general = self._general
        if general is None:
            general = self._general = Stage(self._general_px)
            exhibit.furnish(general, self._bodies)
        exhibit.place(general, self._rig, state)
        exhibit.fit_rockers(general, assembly)
        if eye != self._looked:
            # fitted once for a point of view, so that a film stands still
            margins = Margins(left=0.02, right=0.02, top=0.03, bottom=0.03)
            aspect = self._general_px[0] / self._general_px[1]
            general.look(
                fit(
                    np.vstack([general.points(), exhibit.swept_by_crank(self._engine)]),
                    eye,
                    (0.0, 0.0, 1.0),
                    aspect,
                    margins,
                )
            )
            self._looked = eye
        general.emphasise([part for part in about if (part, "found") in general.keys()])
        return general.picture(self._smooth)

    def _direction(self, step: Step) -> tuple[float, float, float]:
        """Three-quarter view from the wheelcase end, on the side of what the step is about."""
        x, y, z = view("three-quarter").direction
        side = _side(self._engine, step)
        return (x, -abs(y) if side < 0 else abs(y), z)

    def _close_up(self, kind: CloseUpKind, of: str) -> tuple[CloseUp, Stage, Gauge | None]:
        key = (kind, of)
        if key not in self._close:
            shown = close_up(self._engine, kind, of)
            stage = Stage(self._close_px)
            exhibit.furnish(stage, close_up_bodies(self._engine, shown))
            self._close[key] = (shown, stage, Gauge(stage.renderer) if kind == "teeth" else None)
        return self._close[key]

    def _draw_close_up(
        self,
        shown: CloseUp,
        stage: Stage,
        gauge: Gauge | None,
        moment: Frame,
        state: State,
        about: Sequence[Part],
        step: Step | None,
    ) -> Picture:
        engine = self._engine
        place_close_up(stage, engine, self._rig, shown, moment, state, step)
        if gauge:
            points, _ = teeth.wedge(engine, shown.of, state)
            gauge.move(points, not teeth.offer(engine, moment.assembly, shown.of, state).home)
        stage.look(close_up_camera(engine, self._rig, shown, state, self._close_px[0] / self._close_px[1]))
        in_question = {*about, Part(Kind.FEELER, shown.of)}
        stage.emphasise([part for part, _ in sorted(stage.keys()) if part in in_question])
        return stage.picture(self._smooth)


def shown_with(engine: Engine, step: Step) -> tuple[tuple[CloseUpKind, str], ...]:
    """The close-ups (kind, of) that belong to a step: what it is about, and the timing window."""
    window: tuple[CloseUpKind, str] = ("window", "")
    if step.focus == "coupling":
        return (("coupling", step.coupling), ("teeth", step.coupling))
    if step.focus == "magneto" and step.magneto:
        return (("magneto", step.magneto), window)
    if step.focus == "valve" and step.valve:
        return (("valve", step.valve), window)
    drawn = next((p for p in step.about if p.kind in (Kind.QUILL, Kind.SLEEVE)), None)
    if drawn is not None:
        return (("coupling", drawn.of), ("teeth", drawn.of))
    return (_event_close_up(engine, step), window)


def _event_close_up(engine: Engine, step: Step) -> tuple[CloseUpKind, str]:
    """The valve or the magneto that the step's job times by; of a job that times nothing, the first valve timed by."""
    for job in engine.sheet.setup:
        if job.do == "set-camshaft" and step.job in ("prepare", "finish"):
            return ("valve", f"{job.cylinder} {job.by.split()[0]}")
        if job.do == "set-camshaft" and step.job == timing_valve(engine, job).camshaft:
            return ("valve", timing_valve(engine, job).name)
    magneto = next((name for name in engine.magnetos if step.job == f"{name} magneto"), "")
    return ("magneto", magneto) if magneto else ("window", "")


def _side(engine: Engine, step: Step) -> int:
    """−1 when the step is about the left of the engine seen from the wheelcase end, else +1."""
    magneto = next((m for name, m in engine.magnetos.items() if step.job == f"{name} magneto"), None)
    if magneto is not None:
        return -1 if engine.shafts[magneto.rotor].point[1] > 0 else 1
    cylinder = next((v.cylinder for v in engine.valves.values() if v.camshaft == step.job), None)
    return -1 if cylinder is not None and engine.cylinders[cylinder].bank_turn_deg < 0 else 1


def _lines(step: Step) -> Sequence[str]:
    lines = [str(caution) for caution in step.text.cautions if caution.level != "NOTE"][:1]
    lines += [f"• {sentence}" for sentence in step.text.do]
    lines += [f"→ {where}: {what}" for where, what in step.text.see[:4]]
    return lines


def _figures(step: Step) -> Sequence[tuple[str, str]]:
    figures = []
    start, end = step.crank_deg
    if start != end:
        figures.append(("crank", f"{start % 720:.0f}° → {end % 720:.0f}°"))
        figures.append(("degrees to go", f"{end - start:.0f}°"))
    else:
        figures.append(("crank", f"{end % 720:.1f}°"))
    if step.room is not None:
        known = "" if step.room.known else " (assumed)"
        figures.append(("least room", f"{step.room.room_mm:.1f} mm, {step.room.valve}{known}"))
    if step.chosen is not None:
        figures.append(
            (
                "out of line",
                f"{step.chosen.out_of_line_deg:+.2f}° shaft, {step.chosen.out_of_line_crank_deg:+.2f}° crank",
            )
        )
    figures += [(check.what, _check_words(check)) for check in step.checks[:3]]
    return figures


def _check_words(check: Check) -> str:
    amount = round(abs(check.early), 2)
    way = "" if amount == 0 else (" early" if check.early > 0 else " late")
    return f"{amount:.2f}°{way}: {check.verdict}"
