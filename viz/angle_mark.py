"""The angle between a shaft as found and as intended, drawn at its end: two radii, the arc between them, a label.

A small angle is drawn larger, by a factor that the label names.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from vtkmodules.vtkCommonCore import vtkPoints
from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData
from vtkmodules.vtkRenderingCore import vtkActor, vtkRenderer, vtkTextActor

from quillwise.kinematics.angles import Floats, wrapped
from quillwise.kinematics.assembly import Assembly
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import State
from quillwise.kinematics.poses import points_in_world
from quillwise.kinematics.rig import shaft_frame
from quillwise.kinematics.timing import early_crank_deg
from quillwise.viz import palette
from quillwise.viz.fonts import font_file
from quillwise.viz.gauge import overlay

_FACTORS = (1, 2, 5, 10, 20, 50, 100)
_LEAST_DRAWN_DEG = 18.0
_MOST_DRAWN_DEG = 300.0
_ARC_POINTS = 25
_REACH, _ARC_AT = 0.80, 0.62  # by the bore: the length of the radii, where the arc crosses them
_SAME_DEG = 0.005
_WIDTHS = (0.2, 0.2, 0.12)  # of the two radii and the arc, by the height of the label's letters


@dataclass(frozen=True, kw_only=True, slots=True)
class Between:
    """The angle of a shaft between two assemblies. ``turned_deg``: as found less as intended, about the shaft's axis;
    ``early_crank_deg``: the same in crank degrees, + = early as found."""

    shaft: str
    turned_deg: float
    early_crank_deg: float

    @property
    def factor(self) -> int:
        """By how much the angle is drawn larger than it is."""
        enough = (each for each in _FACTORS if abs(self.turned_deg) * each >= _LEAST_DRAWN_DEG)
        return next(enough, _FACTORS[-1])

    @property
    def label(self) -> str:
        """The words beside the arc."""
        side = "early" if self.early_crank_deg > 0 else "late"
        larger = f" (drawn × {self.factor})" if self.factor > 1 else ""
        return f"{abs(self.turned_deg):.2f}° = {abs(self.early_crank_deg):.2f}° crank {side}{larger}"

    @property
    def words(self) -> str:
        """The whole of it in a line."""
        side = "earlier" if self.early_crank_deg > 0 else "later"
        shaft, crank = abs(self.turned_deg), abs(self.early_crank_deg)
        return f"{self.shaft} {crank:.2f} crank degrees {side} than intended ({shaft:.2f}° of its own)"


def between(engine: Engine, found: Assembly, wanted: Assembly) -> Between | None:
    """The camshaft or magneto rotor that stands furthest from where it is intended. None where all stand as
    intended."""
    worst: Between | None = None
    for shaft in (*engine.camshafts, *(each.rotor for each in engine.magnetos.values())):
        one, other = (early_crank_deg(engine, assembly, shaft) for assembly in (found, wanted))
        if one is None or other is None:
            continue
        early = float(wrapped(one - other, 720.0))
        if abs(early) < _SAME_DEG or (worst is not None and abs(early) <= abs(worst.early_crank_deg)):
            continue
        # from the same figure, so that the arc and its words never go two ways round
        turned = early * float(engine.shafts[shaft].turns) * engine.sigma
        worst = Between(shaft=shaft, turned_deg=turned, early_crank_deg=early)
    return worst


def sector(engine: Engine, mark: Between, wanted_state: State) -> Floats:
    """Points (N, 3) [mm] in the world: the end of the intended radius, the shaft's end, the end of the radius as found,
    then the arc from intended to found. At the shaft's end that is nearer to the wheelcase end."""
    shaft, bore = engine.shafts[mark.shaft], engine.sheet.crank.bore_mm
    frame = shaft_frame(shaft).matrix
    along = min(shaft.span_mm, key=lambda mm: shaft.point[0] + shaft.axis[0] * mm)
    start = float(wanted_state[mark.shaft][0])
    drawn = float(np.clip(mark.turned_deg * mark.factor, -_MOST_DRAWN_DEG, _MOST_DRAWN_DEG))
    turns = np.radians(start + np.linspace(0.0, drawn, _ARC_POINTS))

    def at(radius: float, turn: float) -> tuple[float, float, float]:
        return radius * float(np.cos(turn)), radius * float(np.sin(turn)), along

    points = [at(_REACH * bore, turns[0]), (0.0, 0.0, along), at(_REACH * bore, turns[-1])]
    points += [at(_ARC_AT * bore, turn) for turn in turns]
    return np.asarray(points_in_world(frame[None], np.asarray(points))[0])


class AngleMark:
    """The mark as actors of one renderer, over all parts: a radius in blue (intended), one in black (found), the arc
    between them and the label."""

    def __init__(self, renderer: vtkRenderer) -> None:
        self._renderer = renderer
        self._points = vtkPoints()
        self._points.SetNumberOfPoints(3 + _ARC_POINTS)
        arc = tuple(range(3, 3 + _ARC_POINTS))
        self._actors = [
            self._line((1, 0), palette.INTENDED),
            self._line((1, 2), palette.BLACK),
            self._line(arc, palette.BLACK),
        ]
        self._label = vtkTextActor()
        style = self._label.GetTextProperty()
        style.SetFontFamily(4)  # VTK_FONT_FILE
        style.SetFontFile(str(font_file(bold=True)))
        style.SetColor(*palette.unit_rgb(palette.TEXT))
        style.SetBackgroundColor(*palette.unit_rgb(palette.GROUND))
        style.SetBackgroundOpacity(1.0)
        style.SetFrame(True)
        style.SetFrameColor(*palette.unit_rgb(palette.RULE))
        style.SetJustificationToCentered()
        style.SetVerticalJustificationToBottom()
        vtkRenderer.AddActor(renderer, self._label)
        self.hide()

    def show(self, points: Floats, words: str, font_px: int, label_px: tuple[float, float]) -> None:
        """points: those of ``sector``; label_px: middle of the label's lower border, from the lower left corner of the
        renderer's rectangle."""
        for number, point in enumerate(points):
            self._points.SetPoint(number, *(float(value) for value in point))
        self._points.Modified()
        for line, wide in zip(self._actors, _WIDTHS, strict=True):
            line.GetProperty().SetLineWidth(wide * font_px)
        self._label.SetInput(f" {words} ")
        self._label.GetTextProperty().SetFontSize(font_px)
        self._label.SetPosition(*label_px)
        for actor in (*self._actors, self._label):
            actor.SetVisibility(True)

    def hide(self) -> None:
        """Draws nothing."""
        for actor in (*self._actors, self._label):
            actor.SetVisibility(False)

    def close(self) -> None:
        """Takes the mark off."""
        for actor in (*self._actors, self._label):
            self._renderer.RemoveViewProp(actor)

    def _line(self, numbers: tuple[int, ...], colour: str) -> vtkActor:
        cells = vtkCellArray()
        cells.InsertNextCell(len(numbers), numbers)
        data = vtkPolyData()
        data.SetPoints(self._points)
        data.SetLines(cells)
        actor = overlay(self._renderer, data, colour)
        # before all parts, whatever their depth: the mark is no part of the engine
        actor.GetShaderProperty().AddVertexShaderReplacement(
            "//VTK::PositionVC::Impl",
            True,
            "//VTK::PositionVC::Impl\n  gl_Position.z = -0.999 * gl_Position.w;\n",
            False,
        )
        return actor
