"""Which part lies under the mouse, and what stands before which place: against the surfaces that are drawn solid."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray
from vtkmodules.vtkCommonCore import vtkFloatArray
from vtkmodules.vtkRenderingCore import vtkActor, vtkCellPicker, vtkRenderer, vtkRenderWindow

from quillwise.kinematics.parts import Part

_SAME_DEPTH = 1e-4  # share of the depth range
Pixels = NDArray[np.int64]


def nearest(surfaces: Iterable[tuple[Part, vtkActor]], renderer: vtkRenderer, place_px: tuple[int, int]) -> Part | None:
    """The part whose surface is met first at a place of the window, in pixels from its *lower* left corner; None
    where the ray meets none of them."""
    picker = vtkCellPicker()
    picker.SetTolerance(0.0)
    picker.PickFromListOn()
    of: dict[str, Part] = {}
    for part, actor in surfaces:
        picker.AddPickList(actor)
        of[actor.GetAddressAsString("")] = part
    if not picker.Pick(*place_px, 0.0, renderer):
        return None
    found = picker.GetActor()
    return None if found is None else of.get(found.GetAddressAsString(""))


def before(
    window: vtkRenderWindow, renderer: vtkRenderer, viewport_px: tuple[int, int, int, int], points: ArrayLike
) -> tuple[Pixels, Pixels, NDArray[np.bool_]]:
    """Where points (N, 3) [mm] of the world fall in what was drawn last, and whether nothing drawn stands before them.

    viewport_px: left, bottom, right and top border from the lower left corner. Returns rows from the top and columns
    (N,), −1 outside the viewport, and whether each point is in it and in front (N,).
    """
    left, bottom, right, top = viewport_px
    width, height = right - left, top - bottom
    depths = vtkFloatArray()
    window.GetZbufferData(left, bottom, right - 1, top - 1, depths)
    drawn = np.asarray(cast(Any, depths)).reshape(height, width)[::-1]
    matrix = renderer.GetActiveCamera().GetCompositeProjectionTransformMatrix(width / height, -1.0, 1.0)
    onto = np.array([[matrix.GetElement(row, column) for column in range(4)] for row in range(4)])
    cloud = np.asarray(points, dtype=np.float64).reshape(-1, 3)
    flat = np.column_stack([cloud, np.ones(len(cloud))]) @ onto.T
    flat = flat[:, :3] / flat[:, 3:]
    columns = np.floor((flat[:, 0] + 1) / 2 * width).astype(np.int64)
    rows = np.floor((1 - flat[:, 1]) / 2 * height).astype(np.int64)
    inside = (columns >= 0) & (columns < width) & (rows >= 0) & (rows < height)
    rows, columns = np.where(inside, rows, -1), np.where(inside, columns, -1)
    there = drawn[rows, columns]
    # where nothing is drawn nothing hides a point, however far behind all parts it lies
    return rows, columns, inside & (((flat[:, 2] + 1) / 2 <= there + _SAME_DEPTH) | (there >= 1.0))
