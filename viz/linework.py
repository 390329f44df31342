"""Edges of bodies as they are drawn: in picture space, where the view looks along +z and nearer is less.

A perspective view is brought into a parallel one first: that map keeps straight lines straight and the order along
every line of sight, so all that follows knows parallel views only. Lengths in picture space are millimetres of the
model at the depth of the focal point.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import trimesh
from numpy.typing import NDArray

from quillwise.viz.cameras import Camera, axes

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
Flags = NDArray[np.bool_]
SHARP_DEG = 30.0
_FOLD_MM = 1e-6  # a face whose far point stands higher than this over its neighbour folds inwards
_EDGE_ON = 1e-9  # a face whose unit normal turns towards the eye by less than this is seen as a line


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Faces:
    """The triangles of all bodies in picture space. points: (V, 3); corners: (F, 3) numbers of points; owner: (F,)
    number of the body; normals: (F, 3) unit, out of the body; towards: (F,) it looks at the viewer. pairs: (A, 2) faces
    that share an edge, between: (A, 2) its points, beyond: (A,) the point of the second that the first has not,
    cosine: (A,) of the angle between them in the world; lone: (L,) faces with an edge of their own, alone: (L, 2) its
    points."""

    points: Floats
    corners: Whole
    owner: Whole
    normals: Floats
    towards: Flags
    pairs: Whole
    between: Whole
    beyond: Whole
    cosine: Floats
    lone: Whole
    alone: Whole


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Edges:
    """Edges of all bodies. start, end: (E, 3) in picture space. owner: (E,) number of the body. outward: (E, 3) unit,
    away from the body. contour: (E,) one of its faces looks at the viewer and the other away, or it has one face.
    front: (E,) it can be seen, as far as its own faces go: one of them looks at the viewer, and it is not a fold
    inwards of a closed body with the other turned away, which the body itself stands before."""

    start: Floats
    end: Floats
    owner: Whole
    outward: Floats
    contour: Flags
    front: Flags

    def __len__(self) -> int:
        return len(self.owner)

    def point(self, number: Whole, share: Floats) -> Floats:
        """Points (N, 3) at shares (N,) of edges, by number (N,)."""
        start = self.start[number]
        return np.asarray(start + (self.end[number] - start) * share[:, None])


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


def faces_of(bodies: Mapping[str, trimesh.Trimesh], camera: Camera) -> Faces:
    """The triangles of bodies [world, mm] as the camera sees them."""
    each = list(bodies.values())
    counts = [len(body.vertices) for body in each]
    before = np.cumsum(counts) - counts
    world = np.vstack([np.zeros((0, 3)), *(np.asarray(body.vertices) for body in each)])
    corners = [np.asarray(body.faces, dtype=np.int64) for body in each]
    joined = np.vstack([np.zeros((0, 3), dtype=np.int64), *corners])
    owner = np.repeat(np.arange(len(each)), [len(one) for one in corners])
    joined += before[owner][:, None]
    points = in_picture(world, camera)
    # right, up and away are a left-handed frame: the other way round than in the world
    normals = -_unit_normals(points, joined)
    pairs, between, beyond, lone, alone = _neighbours(joined, len(points))
    # only a parallel view keeps the angles
    turned = normals if camera.parallel_half_height_mm is not None else _unit_normals(world, joined)
    return Faces(
        points=points,
        corners=joined,
        owner=owner,
        normals=normals,
        towards=normals[:, 2] < -_EDGE_ON,
        pairs=pairs,
        between=between,
        beyond=beyond,
        cosine=np.einsum("ij,ij->i", turned[pairs[:, 0]], turned[pairs[:, 1]]),
        lone=lone,
        alone=alone,
    )


def edges_of(faces: Faces, sharp_deg: float = SHARP_DEG) -> Edges:
    """The edges of faces that are worth drawing, by body: sharper than sharp_deg, outlines, and those with one face."""
    one, other = faces.pairs[:, 0], faces.pairs[:, 1]
    turns = faces.towards[one] != faces.towards[other]
    kept = np.flatnonzero((faces.cosine < np.cos(np.radians(sharp_deg))) | turns)
    one, other = one[kept], other[kept]
    # of a body that is open somewhere, all that borders the gap
    ends = np.vstack([faces.between[kept], faces.alone])
    owner = faces.owner[np.concatenate([one, faces.lone])]
    outward = np.vstack([faces.normals[one] + faces.normals[other], faces.normals[faces.lone]])
    every = np.ones(len(faces.lone), dtype=bool)
    contour = np.concatenate([turns[kept], every])
    height = faces.points[faces.beyond[kept]] - faces.points[faces.between[kept, 0]]
    inwards = turns[kept] & (np.einsum("ij,ij->i", height, faces.normals[one]) > _FOLD_MM)
    # past a wall that is seen as a line one looks at its foot
    inwards &= np.maximum(faces.normals[one, 2], faces.normals[other, 2]) > _EDGE_ON
    inwards &= closed(faces)[faces.owner[one]]
    front = np.concatenate([(faces.towards[one] | faces.towards[other]) & ~inwards, every])
    length = np.sqrt(np.einsum("ij,ij->i", outward, outward))[:, None]
    outward = outward / np.maximum(length, 1e-9)
    order = np.argsort(owner, kind="stable")
    ends = ends[order]
    return Edges(
        start=faces.points[ends[:, 0]],
        end=faces.points[ends[:, 1]],
        owner=owner[order],
        outward=outward[order],
        contour=contour[order],
        front=front[order],
    )


def closed(faces: Faces) -> Flags:
    """Which bodies (B,) have no edge with one face: these have an inside."""
    found = np.ones(int(faces.owner.max(initial=-1)) + 1, dtype=bool)
    found[faces.owner[faces.lone]] = False
    return found


def _unit_normals(points: Floats, corners: Whole) -> Floats:
    """Unit normals (F, 3) of triangles, by the right hand; zero for those without an area."""
    a, b, c = (points[corners[:, n]].T for n in range(3))
    x, y, z = b - a
    u, v, w = c - a
    made = np.stack([y * w - z * v, z * u - x * w, x * v - y * u], axis=1)
    return np.asarray(made / np.maximum(np.sqrt(np.einsum("ij,ij->i", made, made)), 1e-12)[:, None])


def _neighbours(corners: Whole, count: int) -> tuple[Whole, Whole, Whole, Whole, Whole]:
    """Pairs of faces (A, 2) that share an edge, its points (A, 2) and the point (A,) of the second face beyond it;
    faces (L,) with an edge of their own and its points (L, 2). An edge of three and more faces is none. count: of the
    points."""
    following = corners[:, [1, 2, 0]]
    low, high = np.minimum(corners, following).ravel(), np.maximum(corners, following).ravel()
    key = low * count + high
    order = np.argsort(key)
    key = key[order]
    first = np.flatnonzero(np.append(True, key[1:] != key[:-1])[: len(key)])
    faces = np.diff(np.append(first, len(key)))
    lone = np.sort(order[first[faces == 1]])
    two = first[faces == 2]
    # the sort leaves open which of the two comes first
    at, other = np.minimum(order[two], order[two + 1]), np.maximum(order[two], order[two + 1])
    real = at // 3 != other // 3
    at, other = at[real], other[real]
    pairs, between = np.stack([at // 3, other // 3], axis=1), np.stack([low[at], high[at]], axis=1)
    beyond = corners[other // 3, (other + 2) % 3]
    return pairs, between, beyond, lone // 3, np.stack([low[lone], high[lone]], axis=1)
