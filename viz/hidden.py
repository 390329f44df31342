"""Which pieces of the edges are seen: exact at crossings and piercings, by rays between them.

What is seen of an edge can change only where a nearer outline crosses it in the picture, or where it runs through a
face. Split there, one ray towards the eye tells for a whole piece.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import trimesh

from quillwise.viz.cameras import Camera
from quillwise.viz.linework import Edges, Faces, Flags, Floats, Whole, closed, in_picture
from quillwise.viz.nearby import near_pairs

_LEAST = 1e-6  # share of an edge: pieces shorter than this are none
_OFF_MM = 0.02  # a ray starts so far off the edge, outwards and towards the eye
_PAST_MM = 1e-3  # and goes on so far behind a face that it has met
_MOST_FACES = 64  # that one edge is followed through
_EYE = np.array([0.0, 0.0, -1.0])


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Pieces:
    """Pieces of edges. edge: (P,) number of the edge; begin, until: (P,) shares of it; seen: (P,)."""

    edge: Whole
    begin: Floats
    until: Floats
    seen: Flags


def pieces_of(faces: Faces, edges: Edges) -> Pieces:
    """All edges in pieces, each seen or hidden as a whole. faces: of all that may hide them."""
    drawn = np.flatnonzero(edges.front)
    hiding = _Hiding(faces)
    one, at_one = _crossings(edges, drawn)
    other, at_other = _piercings(hiding, edges, drawn)
    edge, begin, until = _split(len(edges), np.concatenate([one, other]), np.concatenate([at_one, at_other]))
    seen = edges.front[edge]
    asked = np.flatnonzero(seen)
    places = edges.point(edge[asked], (begin[asked] + until[asked]) / 2)
    seen[asked] = ~hiding.covered(_off(places, edges.outward[edge[asked]]))
    # neighbours that are both seen or both hidden are one piece
    new = np.append(True, (edge[1:] != edge[:-1]) | (seen[1:] != seen[:-1]))[: len(edge)]
    last = np.append(np.flatnonzero(new)[1:], len(edge)) - 1 if len(edge) else np.zeros(0, dtype=np.int64)
    return Pieces(edge=edge[new], begin=begin[new], until=until[last], seen=seen[new])


def one_mesh(bodies: Mapping[str, trimesh.Trimesh], camera: Camera) -> trimesh.Trimesh:
    """All bodies as one mesh in picture space."""
    points, faces, count = [], [], 0
    for body in bodies.values():
        points.append(in_picture(body.vertices, camera))
        faces.append(np.asarray(body.faces) + count)
        count += len(body.vertices)
    return trimesh.Trimesh(np.vstack(points), np.vstack(faces), process=False)


class _Hiding:
    """The triangles that can hide something, for rays. Of a closed body those that look at the viewer are enough: a
    line of sight that leaves the body, towards the eye, leaves it by one of them. Of an open one all are needed."""

    def __init__(self, faces: Faces) -> None:
        from embreex.mesh_construction import TriangleMesh
        from embreex.rtcore_scene import EmbreeScene

        kept = np.flatnonzero(faces.towards | ~closed(faces)[faces.owner])
        self.normals = faces.normals[kept]
        self.corner = faces.points[faces.corners[kept, 0]]  # one of each
        self._some = len(kept) > 0
        self._middle = (faces.points.min(axis=0) + faces.points.max(axis=0)) / 2 if self._some else np.zeros(3)
        self._scene: Any = EmbreeScene()
        if self._some:
            local = (faces.points - self._middle).astype(np.float32)
            TriangleMesh(scene=self._scene, vertices=local, indices=faces.corners[kept].astype(np.int32))

    def covered(self, places: Floats) -> Flags:
        """Whether something stands between each place (N, 3) and the eye."""
        ways = np.broadcast_to(_EYE.astype(np.float32), places.shape).copy()
        return np.asarray(self._run(places, ways, query="OCCLUDED") >= 0)

    def first(self, places: Floats, ways: Floats, reach: Floats) -> Whole:
        """The first triangle on each ray (N, 3) in a unit way within its reach (N,), −1 for none."""
        found = self._run(places, ways.astype(np.float32), dists=reach.astype(np.float32))
        return np.asarray(found, dtype=np.int64)

    def _run(self, places: Floats, ways: Any, **options: Any) -> Any:
        if not self._some or not len(places):
            return np.full(len(places), -1)
        return self._scene.run((places - self._middle).astype(np.float32), ways, **options)


def _off(places: Floats, outward: Floats) -> Floats:
    """Places beside the edges that they are on, out of the body and towards the eye."""
    return np.asarray(places + _OFF_MM * (outward + _EYE))


def _crossings(edges: Edges, drawn: Whole) -> tuple[Whole, Floats]:
    """Where nearer outlines cross edges in the picture: numbers of the edges and shares of them."""
    outlines = np.flatnonzero(edges.contour & edges.front)
    start, way = edges.start, edges.end - edges.start
    flat = np.stack([start[:, :2], edges.end[:, :2]], axis=1)
    nearest, farthest = np.minimum(start[:, 2], edges.end[:, 2]), np.maximum(start[:, 2], edges.end[:, 2])
    found = [(np.zeros(0, dtype=np.int64), np.zeros(0))]
    for one, two in near_pairs(flat[drawn], flat[outlines]):
        crossed, by = drawn[one], outlines[two]
        before = nearest[by] < farthest[crossed] + 1e-6
        crossed, by = crossed[before], by[before]
        b, d = way[crossed], way[by]
        c = start[by] - start[crossed]
        across = b[:, 0] * d[:, 1] - b[:, 1] * d[:, 0]
        real = np.abs(across) > 1e-12
        across = np.where(real, across, 1.0)
        t = (c[:, 0] * d[:, 1] - c[:, 1] * d[:, 0]) / across
        u = (c[:, 0] * b[:, 1] - c[:, 1] * b[:, 0]) / across
        kept = real & (t > _LEAST) & (t < 1 - _LEAST) & (u > -1e-9) & (u < 1 + 1e-9)
        kept &= c[:, 2] + u * d[:, 2] < t * b[:, 2] + 1e-6
        found.append((crossed[kept], t[kept]))
    return np.concatenate([each for each, _ in found]), np.concatenate([at for _, at in found])


def _piercings(hiding: _Hiding, edges: Edges, drawn: Whole) -> tuple[Whole, Floats]:
    """Where edges run through faces: numbers of the edges and shares of them. The rays run beside the edges, clear of
    the faces that meet in them; the place is where the edge itself meets the plane."""
    way = edges.end[drawn] - edges.start[drawn]
    length = np.sqrt(np.einsum("ij,ij->i", way, way))
    long = length > 2 * _PAST_MM
    drawn, length = drawn[long], length[long]
    way = way[long] / length[:, None]
    from_ = _off(edges.start[drawn], edges.outward[drawn])
    gone, past = np.zeros(len(drawn)), np.full(len(drawn), _PAST_MM)
    met = np.full(len(drawn), -1)
    going = np.arange(len(drawn))
    found = [(np.zeros(0, dtype=np.int64), np.zeros(0))]
    for _ in range(_MOST_FACES):
        origins = from_[going] + way[going] * gone[going, None]
        face = hiding.first(origins, way[going], length[going] - gone[going])
        hit = face >= 0
        going, face = going[hit], face[hit]
        if not len(going):
            break
        normal = hiding.normals[face]
        against = np.einsum("ij,ij->i", way[going], normal)
        slanted = np.abs(against) > 1e-9
        against = np.where(slanted, against, 1.0)
        corner = hiding.corner[face]
        beside = np.einsum("ij,ij->i", corner - from_[going], normal) / against
        at = np.einsum("ij,ij->i", corner - edges.start[drawn[going]], normal) / against
        # along a plane that it nearly runs in, where the ray meets it is the better place
        at = np.where(np.abs(at - beside) < 50 * _OFF_MM, at, beside)
        share = at / length[going]
        real = slanted & (share > _LEAST) & (share < 1 - _LEAST)
        found.append((drawn[going[real]], share[real]))
        past[going] = np.where(met[going] == face, 2 * past[going], _PAST_MM)
        met[going] = face
        gone[going] = np.maximum(gone[going], np.where(slanted, beside, 0.0)) + past[going]
        going = going[gone[going] < length[going]]
    return np.concatenate([each for each, _ in found]), np.concatenate([at for _, at in found])


def _split(count: int, edge: Whole, share: Floats) -> tuple[Whole, Floats, Floats]:
    """Edges cut at shares of them: edge, begin and end of each piece, in order."""
    every = np.arange(count)
    # one number for both, so that one sort will do
    key = np.sort(np.concatenate([2.0 * every, 2.0 * every + 1.0, 2.0 * edge + share]))
    number = (key // 2.0).astype(np.int64)
    at = key - 2.0 * number
    same = (number[1:] == number[:-1]) & (at[1:] - at[:-1] > _LEAST)
    return number[:-1][same], at[:-1][same], at[1:][same]
