"""A leaf of a window: a rectangle that holds a picture made elsewhere, pixel for pixel, replaced in place."""

from __future__ import annotations

from typing import Any, cast

import numpy as np
from numpy.typing import NDArray
from vtkmodules.util.numpy_support import numpy_to_vtk
from vtkmodules.vtkCommonCore import vtkPoints
from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkImageData, vtkPolyData
from vtkmodules.vtkRenderingCore import (
    vtkActor2D,
    vtkImageMapper,
    vtkPolyDataMapper2D,
    vtkRenderer,
    vtkRenderWindow,
)

from quillwise.viz import palette

Picture = NDArray[np.uint8]
Area = tuple[int, int, int, int]  # left, top, right, bottom [px] from the window's top left; right, bottom outside


def place(renderer: vtkRenderer, area: Area, size_px: tuple[int, int]) -> None:
    """Gives a renderer its rectangle of a window of ``size_px``."""
    left, top, right, bottom = area
    width, height = size_px
    renderer.SetViewport(left / width, 1 - bottom / height, right / width, 1 - top / height)


class Leaf:
    """A renderer with one picture, and an upright line over it that can be moved (a cursor)."""

    def __init__(self, window: vtkRenderWindow) -> None:
        self._window = window
        self.renderer = vtkRenderer()
        self.renderer.SetBackground(*palette.unit_rgb(palette.GROUND))
        self.renderer.InteractiveOff()
        self._image = vtkImageData()
        self._mapper = vtkImageMapper()
        self._mapper.SetInputData(self._image)
        self._mapper.SetColorWindow(255.0)
        self._mapper.SetColorLevel(127.5)
        self._actor = vtkActor2D()
        self._actor.SetMapper(self._mapper)
        self._cursor: vtkActor2D | None = None
        self.area: Area = (0, 0, 1, 1)
        self.changed = True
        window.AddRenderer(self.renderer)

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height of the rectangle."""
        left, top, right, bottom = self.area
        return right - left, bottom - top

    def put(self, picture: Picture) -> None:
        """Shows a picture (H, W, 3) of this rectangle's size."""
        height, width, _ = picture.shape
        self._image.SetDimensions(width, height, 1)
        rows = np.ascontiguousarray(picture[::-1]).reshape(-1, 3)
        self._image.GetPointData().SetScalars(cast(Any, numpy_to_vtk)(rows, deep=True))
        self._image.Modified()
        if not self.renderer.HasViewProp(self._actor):
            self.renderer.AddViewProp(self._actor)
        self.changed = True

    def point_at(self, x_px: float, bottom_px: float, top_px: float) -> None:
        """Puts the cursor at x from the left border, from ``bottom_px`` up to ``top_px`` above the lower border."""
        if self._cursor is None:
            self._cursor = _cursor_actor(top_px - bottom_px)
            self.renderer.AddViewProp(self._cursor)
        self._cursor.SetPosition(x_px, bottom_px)
        self.changed = True

    def forget_cursor(self) -> None:
        """Takes the cursor off: after a change of size it is made anew."""
        if self._cursor is not None:
            self.renderer.RemoveViewProp(self._cursor)
            self._cursor = None

    def close(self) -> None:
        """Takes the leaf out of the window."""
        self.renderer.RemoveAllViewProps()
        self._window.RemoveRenderer(self.renderer)


def _cursor_actor(height_px: float) -> vtkActor2D:
    """A line with a triangle on top: told from the scale's lines by its shape too."""
    points = vtkPoints()
    half = max(1.0, height_px / 150)
    head = 5 * half
    for x, y in ((-half, 0), (half, 0), (half, height_px), (-half, height_px)):
        points.InsertNextPoint(x, y, 0.0)
    for x, y in ((0, height_px - 1.6 * head), (head, height_px), (-head, height_px)):
        points.InsertNextPoint(x, y, 0.0)
    faces = vtkCellArray()
    faces.InsertNextCell(4, (0, 1, 2, 3))
    faces.InsertNextCell(3, (4, 5, 6))
    shape = vtkPolyData()
    shape.SetPoints(points)
    shape.SetPolys(faces)
    mapper = vtkPolyDataMapper2D()
    mapper.SetInputData(shape)
    actor = vtkActor2D()
    actor.SetMapper(mapper)
    actor.GetProperty().SetColor(*palette.unit_rgb(palette.BLACK))
    return actor
