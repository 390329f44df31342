"""Which pieces of the edges are seen: exact at crossings and piercings, by rays between them.

What is seen of an edge can change only where a nearer outline crosses it in the picture, or where it runs through a
face. Split there, one ray towards the eye tells for a whole piece.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
import trimesh

from quillwise.viz.cameras import Camera
from quillwise.viz.linework import Edges, Flags, Floats, Whole, in_picture

_LEAST = 1e-6  # share of an edge: pieces shorter than this are none
_OFF_MM = 0.02  # a ray starts so far off the edge, outwards and towards the eye


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Pieces:
    """Pieces of edges. edge: (P,) number of the edge; begin, until: (P,) shares of it; seen: (P,)."""

    edge: Whole
    begin: Floats
    until: Floats
    seen: Flags


def pieces(bodies: Mapping[str, trimesh.Trimesh], edges: Edges, camera: Camera) -> Pieces:
    """All edges in pieces, each seen or hidden as a whole."""
    scene = _scene(bodies, camera)
    one, at_one = _crossings(edges)
    other, at_other = _piercings(scene, edges)
    edge, begin, until = _split(len(edges), np.concatenate([one, other]), np.concatenate([at_one, at_other]))
    middle = ((begin + until) / 2)[:, None]
    places = edges.start[edge] * (1 - middle) + edges.end[edge] * middle
    seen = edges.front[edge].copy()
    asked = np.flatnonzero(seen)
    seen[asked] = ~_covered(scene, places[asked], edges.outward[edge[asked]])
    return Pieces(edge=edge, begin=begin, until=until, seen=seen)


def _scene(bodies: Mapping[str, trimesh.Trimesh], camera: Camera) -> trimesh.Trimesh:
    """All bodies as one mesh in picture space."""
    points, faces, count = [], [], 0
    for body in bodies.values():
        points.append(in_picture(body.vertices, camera))
        faces.append(np.asarray(body.faces) + count)
        count += len(body.vertices)
    return trimesh.Trimesh(np.vstack(points), np.vstack(faces), process=False)


def _covered(scene: trimesh.Trimesh, places: Floats, outward: Floats) -> Flags:
    """Whether something stands between each place (N, 3) and the eye."""
    if not len(places):
        return np.zeros(0, dtype=bool)
    eye = np.array([0.0, 0.0, -1.0])
    origins = places + _OFF_MM * (outward + eye)
    ray: Any = scene.ray
    return np.asarray(ray.intersects_any(origins, np.tile(eye, (len(origins), 1))), dtype=bool)


def _crossings(edges: Edges) -> tuple[Whole, Floats]:
    """Where nearer outlines cross edges in the picture: numbers of the edges and shares of them."""
    flat = np.stack([edges.start[:, :2], edges.end[:, :2]], axis=1)
    outlines = np.flatnonzero(edges.contour)
    drawn = np.flatnonzero(edges.front)
    if not len(outlines) or not len(drawn):
        return np.zeros(0, dtype=np.int64), np.zeros(0)
    tree = shapely.STRtree(shapely.linestrings(flat[outlines]))
    crossed, by = tree.query(shapely.linestrings(flat[drawn]), predicate="intersects")
    crossed, by = drawn[crossed], outlines[by]
    a, b = flat[crossed, 0], flat[crossed, 1] - flat[crossed, 0]
    c, d = flat[by, 0], flat[by, 1] - flat[by, 0]
    across = b[:, 0] * d[:, 1] - b[:, 1] * d[:, 0]
    real = np.abs(across) > 1e-12
    crossed, by, a, b, c, d, across = (each[real] for each in (crossed, by, a, b, c, d, across))
    between = c - a
    t = (between[:, 0] * d[:, 1] - between[:, 1] * d[:, 0]) / across
    u = (between[:, 0] * b[:, 1] - between[:, 1] * b[:, 0]) / across
    depth = edges.start[crossed, 2] * (1 - t) + edges.end[crossed, 2] * t
    nearer = edges.start[by, 2] * (1 - u) + edges.end[by, 2] * u
    kept = (t > _LEAST) & (t < 1 - _LEAST) & (nearer < depth + 1e-6)
    return crossed[kept], t[kept]


def _piercings(scene: trimesh.Trimesh, edges: Edges) -> tuple[Whole, Floats]:
    """Where edges run through faces: numbers of the edges and shares of them."""
    drawn = np.flatnonzero(edges.front)
    way = edges.end[drawn] - edges.start[drawn]
    length = np.linalg.norm(way, axis=1)
    long = length > 1e-6
    drawn, way, length = drawn[long], way[long], length[long]
    if not len(drawn):
        return np.zeros(0, dtype=np.int64), np.zeros(0)
    ray: Any = scene.ray
    _, hit, places = ray.intersects_id(
        edges.start[drawn], way / length[:, None], multiple_hits=True, max_hits=12, return_locations=True
    )
    if not len(hit):
        return np.zeros(0, dtype=np.int64), np.zeros(0)
    share = np.linalg.norm(np.asarray(places) - edges.start[drawn[hit]], axis=1) / length[hit]
    kept = (share > _LEAST) & (share < 1 - _LEAST)
    return drawn[hit[kept]], share[kept]


def _split(count: int, edge: Whole, share: Floats) -> tuple[Whole, Floats, Floats]:
    """Edges cut at shares of them: edge, begin and end of each piece, in order."""
    number = np.concatenate([np.arange(count), np.arange(count), edge])
    at = np.concatenate([np.zeros(count), np.ones(count), share])
    order = np.lexsort((at, number))
    number, at = number[order], at[order]
    same = (number[1:] == number[:-1]) & (at[1:] - at[:-1] > _LEAST)
    return number[:-1][same], at[:-1][same], at[1:][same]
