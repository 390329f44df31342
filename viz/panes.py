"""The close-ups in the window: four rectangles, each with two lines over it, that follow the step."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pyvista as pv
from vtkmodules.vtkRenderingCore import vtkRenderer

from quillwise.kinematics.joints import Joint
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import State
from quillwise.kinematics.parts import Kind
from quillwise.kinematics.rig import Rig
from quillwise.kinematics.steps import Frame, Step
from quillwise.viz import board, engraving, exhibit, palette, teeth
from quillwise.viz.closeups import CloseUp, close_up, close_up_bodies, close_up_camera, headline, place_close_up
from quillwise.viz.gauge import Gauge
from quillwise.viz.inscribed import LEAST_FONT_PX, Inscribed
from quillwise.viz.layout import PANES, Layout
from quillwise.viz.leaf import Leaf, place
from quillwise.viz.linked import Linked, Subject
from quillwise.viz.stage import Stage

_TOOLS = (Kind.FEELER,)
_ABSENT = ("no valve", "no coupling", "no magneto", "")
_NOTHING = "nothing"
_FONT_PX, _WINDOW_FONT_PX = 12, 10  # of what is engraved, in a window of 720 lines; within the timing window


@dataclass(slots=True, eq=False)
class _Pane:
    """A close-up: its stage, the wedge of one that shows teeth, and the coordinates on which its parts hang."""

    shown: CloseUp
    stage: Stage
    gauge: Gauge | None
    words: Inscribed
    coordinates: tuple[str, ...]


@dataclass(slots=True, eq=False)
class _Slot:
    """One of the rectangles: the words over it, and what was last drawn in it."""

    head: Leaf
    blank: Leaf  # stands where the engine has nothing to show
    words: tuple[str, str] | None = None
    subject: object = None
    drawn: object = None


class Panes:
    """The close-ups of an engine's steps in a plotter, each in a renderer of its own, furnished when first needed."""

    def __init__(
        self, engine: Engine, rig: Rig, views: Sequence[Linked], plotter: pv.Plotter, first_column: int
    ) -> None:
        """first_column: of the plotter's one row, from which ``count(views)`` columns are these close-ups'."""
        self._engine, self._rig, self._views, self._plotter = engine, rig, views, plotter
        self._column = {subject: first_column + number for number, subject in enumerate(_subjects(views))}
        self._panes: dict[Subject, _Pane] = {}
        window: Any = plotter.render_window
        self._slots = [_Slot(Leaf(window), Leaf(window)) for _ in range(PANES)]
        self._layout: Layout | None = None

    @staticmethod
    def count(views: Sequence[Linked]) -> int:
        """How many different close-ups the steps have."""
        return len(_subjects(views))

    def arrange(self, at: Layout) -> None:
        """Gives the rectangles their places, and forgets what was drawn in them."""
        self._layout = at
        for slot, head, pane in zip(self._slots, at.heads, at.panes, strict=True):
            for leaf, area in ((slot.head, head), (slot.blank, pane)):
                leaf.area = area
                place(leaf.renderer, area, at.size_px)
                leaf.renderer.SetDraw(False)
            slot.words = slot.subject = slot.drawn = None

    def draw(
        self, number: int, step: Step, moment: Frame, state: State, out_deg: float | None = None
    ) -> list[vtkRenderer]:
        """Brings the close-ups of the step with that index up to date; returns the renderers that have to be drawn.

        out_deg: by how much the teeth that the user chose are out of line [deg of the driven shaft]; None: the nearest.
        """
        drawn: list[vtkRenderer] = []
        for at, (slot, subject) in enumerate(zip(self._slots, self._views[number].subjects, strict=True)):
            words = (_ABSENT[at], "")
            if subject is None:
                if slot.subject != _NOTHING:
                    slot.subject = _NOTHING
                    drawn.append(slot.blank.renderer)
            else:
                pane = self._pane(subject)
                words = headline(self._engine, pane.shown, moment, state)
                if self._move(at, slot, pane, step, moment, state, out_deg):
                    drawn.append(pane.stage.renderer)
            if slot.words != words:
                slot.words = words
                slot.head.put(board.headline(words, slot.head.size_px))
                drawn.append(slot.head.renderer)
        return drawn

    def close(self) -> None:
        """Takes all close-ups out of the window."""
        for pane in self._panes.values():
            if pane.gauge is not None:
                pane.gauge.close()
            pane.words.close()
            pane.stage.close()
        self._panes.clear()
        for slot in self._slots:
            slot.head.close()
            slot.blank.close()
        self._slots.clear()

    def _pane(self, subject: Subject) -> _Pane:
        if subject not in self._panes:
            shown = close_up(self._engine, *subject)
            stage = Stage.on(self._plotter, 0, self._column[subject])
            exhibit.furnish(stage, close_up_bodies(self._engine, shown))
            gauge = Gauge(stage.renderer) if shown.kind == "teeth" else None
            words = Inscribed(stage.renderer, engraving.most(self._engine, shown))
            self._panes[subject] = _Pane(shown, stage, gauge, words, self._coordinates(shown))
        return self._panes[subject]

    def _move(
        self, at: int, slot: _Slot, pane: _Pane, step: Step, moment: Frame, state: State, out_deg: float | None
    ) -> bool:
        """Moves a close-up's parts; whether anything in it went to another place."""
        shown, stage, engine = pane.shown, pane.stage, self._engine
        subject = (shown.kind, shown.of, step.number)
        if slot.subject != subject:
            slot.subject, slot.drawn = subject, None
            assert self._layout is not None, "arranged before it is drawn"
            place(stage.renderer, self._layout.panes[at], self._layout.size_px)
            self._emphasise(pane, step)
        own_out = out_deg if pane.gauge is not None else None
        wanted = (moment.assembly, own_out, *(float(state[name][0]) for name in pane.coordinates))
        if slot.drawn == wanted:
            return False
        slot.drawn = wanted
        place_close_up(stage, engine, self._rig, shown, moment, state, step)
        if pane.gauge is not None:
            points, _ = teeth.wedge(engine, shown.of, state, own_out)
            pane.gauge.move(points, not teeth.offer(engine, moment.assembly, shown.of, state).home)
        width, height = stage.size_px
        camera = close_up_camera(engine, self._rig, shown, state, width / height)
        stage.look(camera)
        assert self._layout is not None, "arranged before it is drawn"
        found = engraving.labels(engine, self._rig, shown, moment, state, step)
        font_px = _WINDOW_FONT_PX if shown.kind == "window" else _FONT_PX
        pane.words.show(found, camera, (width, height), max(LEAST_FONT_PX, round(font_px * self._layout.scale)))
        return True

    def _emphasise(self, pane: _Pane, step: Step) -> None:
        stage = pane.stage
        asked = [part for part, _ in stage.keys() if part in step.about or part.kind in _TOOLS]
        if pane.gauge is None:
            stage.emphasise(asked)
        else:
            # end-on, heavy edges would cover the gaps between the teeth
            for part in pane.shown.parts:
                stage.colour(part, quiet=palette.strong(part.kind) if part in asked else None)
        cull(stage)

    def _coordinates(self, shown: CloseUp) -> tuple[str, ...]:
        chains = (self._rig.chains.get(part, ()) for part in shown.parts)
        return tuple(sorted({each.coordinate for chain in chains for each in chain if isinstance(each, Joint)}))


def cull(stage: Stage) -> None:
    """Leaves out the faces that look away: the bodies are closed, so nobody sees them, and it is a fifth faster."""
    for actor in stage.renderer.GetActors():
        actor.GetProperty().SetBackfaceCulling(True)


def _subjects(views: Sequence[Linked]) -> tuple[Subject, ...]:
    return tuple(dict.fromkeys(subject for each in views for subject in each.subjects if subject is not None))
