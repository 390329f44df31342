"""What is drawn over the parts as actors: the wedge of ``teeth.wedge``, moved in place, and arrows of turns."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import pyvista as pv
from vtkmodules.vtkCommonCore import vtkPoints
from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData
from vtkmodules.vtkRenderingCore import vtkActor, vtkPolyDataMapper, vtkRenderer

from quillwise.kinematics.angles import Floats
from quillwise.viz import palette
from quillwise.viz.teeth import ARC_POINTS

if TYPE_CHECKING:
    import trimesh


def overlay(renderer: vtkRenderer, data: vtkPolyData, colour: str) -> vtkActor:
    """An actor that is no part of the engine, in a renderer: in its own colour whatever the light, and not picked."""
    mapper = vtkPolyDataMapper()
    mapper.SetInputData(data)
    actor = vtkActor()
    actor.SetMapper(mapper)
    actor.SetPickable(False)
    actor.GetProperty().SetLighting(False)
    actor.GetProperty().SetColor(*palette.unit_rgb(colour))
    vtkRenderer.AddActor(renderer, actor)
    return actor


class Gauge:
    """The wedge between the ring's space and the tooth offered to it, drawn in a renderer and moved in place."""

    def __init__(self, renderer: vtkRenderer) -> None:
        self._renderer = renderer
        self._points = vtkPoints()
        self._points.SetNumberOfPoints(2 * ARC_POINTS)
        faces, borders = vtkCellArray(), vtkCellArray()
        for at in range(0, 2 * ARC_POINTS - 2, 2):
            faces.InsertNextCell(4, (at, at + 1, at + 3, at + 2))
        for at in (0, 2 * ARC_POINTS - 2):
            borders.InsertNextCell(2, (at, at + 1))
        self._actors = [
            self._actor(polys=faces, colour=palette.BLUE, width=1.0),
            self._actor(lines=borders, colour=palette.EDGE, width=1.5),
        ]

    def move(self, points: Floats, visible: bool) -> None:
        """points: (2 K, 3) of ``wedge``. Not visible: nothing is drawn, as when the quill is home."""
        for number, point in enumerate(points):
            self._points.SetPoint(number, *(float(value) for value in point))
        self._points.Modified()
        for actor in self._actors:
            actor.SetVisibility(visible)
            actor.GetProperty().SetBackfaceCulling(False)  # its sense of turn is that of the angle

    def close(self) -> None:
        """Takes the wedge off."""
        for actor in self._actors:
            self._renderer.RemoveActor(actor)
        self._actors.clear()

    def _actor(
        self, *, polys: vtkCellArray | None = None, lines: vtkCellArray | None = None, colour: str, width: float
    ) -> vtkActor:
        data = vtkPolyData()
        data.SetPoints(self._points)
        if polys is not None:
            data.SetPolys(polys)
        if lines is not None:
            data.SetLines(lines)
        actor = overlay(self._renderer, data, colour)
        actor.GetProperty().SetLineWidth(width)
        return actor


class Arrows:
    """The arrows of what is turned, flat and dark with a light rim, in a renderer; a new set takes the place of the
    last."""

    def __init__(self, renderer: vtkRenderer) -> None:
        self._renderer = renderer
        self._actors: list[vtkActor] = []

    def show(self, bodies: Sequence[trimesh.Trimesh], rim_mm: float = 0.0) -> None:
        """bodies: in the world, of ``turning.arrows``; none: nothing is drawn. rim_mm: how wide the rim is."""
        self.close()
        for body in bodies:
            self._add(pv.wrap(body), palette.BLACK)
            if rim_mm > 0:
                # the far side of a somewhat larger body: only its border shows round the arrow
                larger = body.copy()
                larger.vertices = body.vertices + rim_mm * body.vertex_normals
                self._add(pv.wrap(larger), palette.WHITE).GetProperty().FrontfaceCullingOn()

    def _add(self, body: pv.PolyData, colour: str) -> vtkActor:
        actor = overlay(self._renderer, body, colour)
        self._actors.append(actor)
        return actor

    def close(self) -> None:
        """Takes the arrows off."""
        for actor in self._actors:
            self._renderer.RemoveActor(actor)
        self._actors.clear()
