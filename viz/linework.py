"""Edges of bodies as they are drawn: in picture space, where the view looks along +z and nearer is less.

A perspective view is brought into a parallel one first: that map keeps straight lines straight and the order along
every line of sight, so all that follows knows parallel views only. Lengths in picture space are millimetres of the
model at the depth of the focal point.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import trimesh
from numpy.typing import NDArray

from quillwise.viz.cameras import Camera, axes

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
Flags = NDArray[np.bool_]
SHARP_DEG = 30.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Edges:
    """Edges of all bodies. start, end: (E, 3) in picture space. owner: (E,) number of the body. outward: (E, 3) unit,
    away from the body. contour: (E,) one of its faces looks at the viewer and the other away, or it has one face.
    front: (E,) at least one face looks at the viewer."""

    start: Floats
    end: Floats
    owner: Whole
    outward: Floats
    contour: Flags
    front: Flags

    def __len__(self) -> int:
        return len(self.owner)


def in_picture(points: Floats, camera: Camera) -> Floats:
    """Points (N, 3) [mm] in picture space: x to the right, y upwards, z away from the eye."""
    position = np.asarray(camera.position)
    frame = axes(np.asarray(camera.focal) - position, camera.up)
    local = (np.asarray(points, dtype=np.float64) - position) @ frame.T
    if camera.parallel_half_height_mm is not None:
        return np.asarray(local)
    focal = float(np.linalg.norm(np.asarray(camera.focal) - position))
    ahead = np.maximum(local[:, 2:], 1e-3 * focal)
    return np.hstack([local[:, :2] * focal / ahead, focal * (2.0 - focal / ahead)])


def half_height_mm(camera: Camera) -> float:
    """Half the height of the frame in picture space."""
    if camera.parallel_half_height_mm is not None:
        return camera.parallel_half_height_mm
    focal = float(np.linalg.norm(np.asarray(camera.focal) - np.asarray(camera.position)))
    return focal * float(np.tan(np.radians(camera.view_angle_deg) / 2))


def drawn_edges(bodies: Mapping[str, trimesh.Trimesh], camera: Camera, sharp_deg: float = SHARP_DEG) -> Edges:
    """The edges worth drawing: sharper than sharp_deg, outlines, and those with one face. bodies: in the world [mm]."""
    found = []
    for number, body in enumerate(bodies.values()):
        found.append(_of_body(body, number, camera, sharp_deg))
    return Edges(
        start=np.vstack([each.start for each in found]),
        end=np.vstack([each.end for each in found]),
        owner=np.concatenate([each.owner for each in found]),
        outward=np.vstack([each.outward for each in found]),
        contour=np.concatenate([each.contour for each in found]),
        front=np.concatenate([each.front for each in found]),
    )


def _of_body(body: trimesh.Trimesh, number: int, camera: Camera, sharp_deg: float) -> Edges:
    points = in_picture(body.vertices, camera)
    corners = points[body.faces]
    # right, up and away are a left-handed frame: the other way round than in the world
    normals = np.cross(corners[:, 2] - corners[:, 0], corners[:, 1] - corners[:, 0])
    size = np.linalg.norm(normals, axis=1, keepdims=True)
    normals = normals / np.maximum(size, 1e-12)
    towards = normals[:, 2] < 0.0
    pairs, between = np.asarray(body.face_adjacency), np.asarray(body.face_adjacency_edges)
    sharp = np.asarray(body.face_adjacency_angles) > np.radians(sharp_deg)
    turns = towards[pairs[:, 0]] != towards[pairs[:, 1]]
    front = towards[pairs].any(axis=1)
    kept = sharp | turns
    outward = normals[pairs[kept, 0]] + normals[pairs[kept, 1]]
    ends, contour, front = between[kept], turns[kept], front[kept]
    grouping: Any = trimesh.grouping
    counted = grouping.group_rows(body.edges_sorted, require_count=1)
    if len(counted):  # a body that is open somewhere
        ends = np.vstack([ends, body.edges_sorted[counted]])
        lone = body.edges_face[counted]
        outward = np.vstack([outward, normals[lone]])
        contour = np.concatenate([contour, np.ones(len(counted), dtype=bool)])
        front = np.concatenate([front, np.ones(len(counted), dtype=bool)])
    length = np.linalg.norm(outward, axis=1, keepdims=True)
    return Edges(
        start=points[ends[:, 0]],
        end=points[ends[:, 1]],
        owner=np.full(len(ends), number, dtype=np.int64),
        outward=outward / np.maximum(length, 1e-9),
        contour=contour,
        front=front,
    )
