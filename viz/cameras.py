"""Cameras as plain numbers: named views, framing of points, and where a point falls in the picture.

World: x from the wheelcase end to the output end, z up, right-handed; seen from the wheelcase end +y is left.
Pictures: pixels from the top left corner, x to the right, y downwards; the first pixel covers 0 to 1.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from quillwise.kinematics.errors import RequestError, unknown
from quillwise.kinematics.steps import Step

Floats = NDArray[np.float64]
Vector = tuple[float, float, float]

VIEW_ANGLE_DEG = 25.0  # a long lens: little distortion, as in a workshop photograph


@dataclass(frozen=True, kw_only=True, slots=True)
class Camera:
    """Where the eye is [mm], what it looks at, and what is up.

    parallel_half_height_mm: half the height of what a parallel view shows; None for a perspective view, which
    takes view_angle_deg (the whole angle from the lower to the upper border).
    """

    position: Vector
    focal: Vector
    up: Vector
    parallel_half_height_mm: float | None = None
    view_angle_deg: float = VIEW_ANGLE_DEG


@dataclass(frozen=True, kw_only=True, slots=True)
class View:
    """A named view: the direction in which it looks and what is up in it (world, need not be unit vectors)."""

    direction: Vector
    up: Vector


@dataclass(frozen=True, kw_only=True, slots=True)
class Margins:
    """Shares of the frame's width (left, right) and height (top, bottom) that are kept free."""

    left: float = 0.04
    right: float = 0.04
    top: float = 0.04
    bottom: float = 0.04


@dataclass(frozen=True, kw_only=True, slots=True)
class Swing:
    """The eye on its way from where it looked in the step before to where it looks in this one; share: 0 to 1."""

    before: Step | None = None
    share: float = 1.0


VIEWS = MappingProxyType(
    {
        "wheelcase end": View(direction=(1.0, 0.0, 0.0), up=(0.0, 0.0, 1.0)),
        "output end": View(direction=(-1.0, 0.0, 0.0), up=(0.0, 0.0, 1.0)),
        # "left" and "right" are sides of the engine seen from the wheelcase end, where the eye stands.
        "left": View(direction=(0.0, -1.0, 0.0), up=(0.0, 0.0, 1.0)),
        "right": View(direction=(0.0, 1.0, 0.0), up=(0.0, 0.0, 1.0)),
        "top": View(direction=(0.0, 0.0, -1.0), up=(0.0, 1.0, 0.0)),
        "three-quarter": View(direction=(0.70, 0.62, -0.30), up=(0.0, 0.0, 1.0)),
    }
)


def view(name: str) -> View:
    """The named view. Raises RequestError that lists the names when there is none of that name."""
    if name not in VIEWS:
        raise RequestError(unknown("view", name, VIEWS))
    return VIEWS[name]


def box_corners(bounds: ArrayLike) -> Floats:
    """The eight corners (8, 3) of a box (x_min, x_max, y_min, y_max, z_min, z_max)."""
    limits = np.asarray(bounds, dtype=np.float64).reshape(3, 2)
    return np.stack(np.meshgrid(*limits, indexing="ij"), axis=-1).reshape(8, 3)


def axes(direction: ArrayLike, up: ArrayLike) -> Floats:
    """Rows: right, up and forward of the picture in the world, unit vectors (3, 3); forward is the direction.

    ``up`` is made square to the direction. Raises ValueError when one is zero or the two are parallel.
    """
    forward = np.asarray(direction, dtype=np.float64)
    right = np.cross(forward, np.asarray(up, dtype=np.float64))
    size = np.linalg.norm(forward) * np.linalg.norm(np.asarray(up, dtype=np.float64))
    if not np.linalg.norm(right) > 1e-9 * size:
        raise ValueError(f"direction {direction!r} and up {up!r} do not span a picture")
    forward = forward / np.linalg.norm(forward)
    right = right / np.linalg.norm(right)
    return np.stack([right, np.cross(right, forward), forward])


def fit(
    points: ArrayLike,
    direction: ArrayLike,
    up: ArrayLike,
    aspect: float,
    margins: Margins | None = None,
    parallel: bool = True,
    view_angle_deg: float = VIEW_ANGLE_DEG,
) -> Camera:
    """The camera that looks along ``direction`` and shows the points as large as they go inside the margins.

    points: (N, 3) [mm], or six bounds (x_min, x_max, …). aspect: width ÷ height of the frame. The points touch the
    margins on two sides at least and stand in the middle between the other two (parallel: exactly; perspective: of
    the room that is left). Raises ValueError when there is no point or the margins leave nothing.
    """
    cloud = np.asarray(points, dtype=np.float64)
    cloud = box_corners(cloud) if cloud.shape == (6,) else cloud.reshape(-1, 3)
    keep = margins or Margins()
    if not len(cloud) or not np.isfinite(cloud).all():
        raise ValueError("nothing to look at: no points, or points that are not numbers")
    if keep.left + keep.right >= 1 or keep.top + keep.bottom >= 1 or not aspect > 0:
        raise ValueError("the margins leave no room for the picture")
    frame = axes(direction, up)
    local = cloud @ frame.T
    # Borders of the kept room: −1 to 1 is the whole frame's height, −aspect to aspect its width.
    low = np.array([aspect * (2 * keep.left - 1), 2 * keep.bottom - 1])
    high = np.array([aspect * (1 - 2 * keep.right), 1 - 2 * keep.top])
    size = max(float(np.ptp(local, axis=0).max()), 1e-3)
    if parallel:
        least, most = local[:, :2].min(axis=0), local[:, :2].max(axis=0)
        half_height = max(float(((most - least) / (high - low)).max()), 1e-3 * size)
        centre = (least + most) / 2 - half_height * (low + high) / 2
        depth = float(local[:, 2].min()) - size
        focal_depth = float(local[:, 2].mean())
    else:
        slope = np.tan(np.radians(view_angle_deg) / 2)
        low, high = low * slope, high * slope
        # A point at depth d before the eye p must have low·d ≤ q − p ≤ high·d: linear in p.
        over = (local[:, :2] - high * local[:, 2:]).max(axis=0)
        under = (local[:, :2] - low * local[:, 2:]).min(axis=0)
        depth = min(float(((under - over) / (high - low)).min()), float(local[:, 2].min()) - 1e-3 * size)
        centre = (over + high * depth + under + low * depth) / 2
        half_height = 0.0
        focal_depth = max(float(local[:, 2].mean()), depth + 1e-3 * size)
    return Camera(
        position=_vector(np.array([*centre, depth]) @ frame),
        focal=_vector(np.array([*centre, focal_depth]) @ frame),
        up=_vector(frame[1]),
        parallel_half_height_mm=half_height if parallel else None,
        view_angle_deg=view_angle_deg,
    )


def fit_view(
    name: str, points: ArrayLike, aspect: float, margins: Margins | None = None, parallel: bool = True
) -> Camera:
    """``fit`` along the named view. Raises RequestError for a name that does not exist."""
    named = view(name)
    return fit(points, named.direction, named.up, aspect, margins, parallel)


def project(camera: Camera, points: ArrayLike, size_px: tuple[int, int]) -> Floats:
    """Where points (N, 3) [mm] fall in a picture of (width, height) pixels: (N, 2), from the top left corner.

    A point at or behind the eye of a perspective camera gives NaN.
    """
    width, height = size_px
    position = np.asarray(camera.position, dtype=np.float64)
    frame = axes(np.asarray(camera.focal) - position, camera.up)
    local = (np.asarray(points, dtype=np.float64).reshape(-1, 3) - position) @ frame.T
    if camera.parallel_half_height_mm is not None:
        half_height = np.full(len(local), camera.parallel_half_height_mm)
    else:
        ahead = np.where(local[:, 2] > 0, local[:, 2], np.nan)
        half_height = ahead * np.tan(np.radians(camera.view_angle_deg) / 2)
    half_px = height / 2
    return np.stack(
        [width / 2 + local[:, 0] / half_height * half_px, half_px - local[:, 1] / half_height * half_px], axis=1
    )


def px_per_mm(camera: Camera, size_px: tuple[int, int]) -> float:
    """Pixels per millimetre of a parallel view. Raises ValueError for a perspective view: it has no one scale."""
    if camera.parallel_half_height_mm is None:
        raise ValueError("a perspective view has no one scale")
    return size_px[1] / 2 / camera.parallel_half_height_mm


def shifted(camera: Camera, right_mm: float, up_mm: float, half_height_mm: float) -> Camera:
    """A parallel view moved across its picture, with another height. Raises ValueError for a perspective view."""
    if camera.parallel_half_height_mm is None:
        raise ValueError("a perspective view changes when it is moved across its picture")
    position, focal = np.asarray(camera.position), np.asarray(camera.focal)
    frame = axes(focal - position, camera.up)
    by = right_mm * frame[0] + up_mm * frame[1]
    return replace(
        camera,
        position=_vector(position + by),
        focal=_vector(focal + by),
        parallel_half_height_mm=half_height_mm,
    )


def _vector(values: Floats) -> Vector:
    x, y, z = (float(value) for value in values)
    return x, y, z
