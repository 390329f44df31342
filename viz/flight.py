"""A smooth way of a camera from one place to another. Pure: two cameras and a share in, the camera between out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quillwise.viz.cameras import Camera, Floats, axes

FLIGHT_S = 0.6
_SAME_RAD = 1e-7


@dataclass(frozen=True, kw_only=True, slots=True)
class Flight:
    """A way from one camera to another. ``at_s``: seconds gone of ``FLIGHT_S``."""

    start: Camera
    end: Camera
    at_s: float = 0.0

    @property
    def over(self) -> bool:
        """Whether the camera has arrived."""
        return self.at_s >= FLIGHT_S

    @property
    def camera(self) -> Camera:
        """The camera now."""
        return between(self.start, self.end, self.at_s / FLIGHT_S)


def between(start: Camera, end: Camera, share: float) -> Camera:
    """The camera at a share (0–1) of the way, with a soft start and stop; parallel views.

    The eye turns about what it looks at, so that it never passes through it; the size changes by equal ratios. At 0
    and 1 exactly the two cameras. Raises ValueError for a perspective view.
    """
    if start.parallel_half_height_mm is None or end.parallel_half_height_mm is None:
        raise ValueError("a flight leads between parallel views")
    if share <= 0:
        return start
    if share >= 1:
        return end
    soft = (3 - 2 * share) * share * share
    one, other = (_frame(camera) for camera in (start, end))
    frame = _turned(one, other, soft)
    focal = _mix(start.focal, end.focal, soft)
    distance = (1 - soft) * _distance(start) + soft * _distance(end)
    position = focal - distance * frame[2]
    half = start.parallel_half_height_mm ** (1 - soft) * end.parallel_half_height_mm**soft
    x, y, z = (float(value) for value in position)
    fx, fy, fz = (float(value) for value in focal)
    ux, uy, uz = (float(value) for value in frame[1])
    return Camera(position=(x, y, z), focal=(fx, fy, fz), up=(ux, uy, uz), parallel_half_height_mm=half)


def _frame(camera: Camera) -> Floats:
    return axes(np.asarray(camera.focal) - np.asarray(camera.position), camera.up)


def _distance(camera: Camera) -> float:
    return float(np.linalg.norm(np.asarray(camera.focal) - np.asarray(camera.position)))


def _mix(one: object, other: object, share: float) -> Floats:
    return np.asarray((1 - share) * np.asarray(one, dtype=float) + share * np.asarray(other, dtype=float))


def _turned(one: Floats, other: Floats, share: float) -> Floats:
    """Rows of axes turned from one set to the other by a share of the one rotation that leads there (Rodrigues)."""
    turn = other.T @ one  # takes the first set's axes, as columns, to the second's
    skew = np.array([turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]])
    angle = float(np.arctan2(np.linalg.norm(skew), np.trace(turn) - 1))
    if angle < _SAME_RAD:
        return one
    if np.pi - angle < 1e-6:  # half a turn: about any axis of it
        values, vectors = np.linalg.eigh((turn + turn.T) / 2)
        axis = vectors[:, int(np.argmax(values))]
    else:
        axis = skew / np.linalg.norm(skew)
    cross = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    part = np.eye(3) + np.sin(share * angle) * cross + (1 - np.cos(share * angle)) * cross @ cross
    return np.asarray(one @ part.T)
