"""Pieces joined to lines, against shapely, which nodes, merges, thins and clips geometries one by one."""

from __future__ import annotations

import re
from itertools import pairwise

import numpy as np
import pytest
import shapely
import trimesh
from trimesh.ray.ray_triangle import RayMeshIntersector  # its other ray caster, without embree

from quillwise.kinematics.motion import motion
from quillwise.kinematics.sequence import play
from quillwise.scenes import library
from quillwise.viz import hidden, lineart, linework, standing
from quillwise.viz.cameras import VIEWS, Camera, fit
from quillwise.viz.chaining import chains, clipped
from quillwise.viz.linedrawing import LineDrawing, Stroke
from quillwise.viz.nearby import near_pairs
from quillwise.viz.svg import svg

EYE = np.array([0.0, 0.0, -1.0])


def lattice(seed: int, count: int = 300) -> np.ndarray:
    """Upright and level pieces between whole millimetres: many run together, in part or wholly."""
    random = np.random.default_rng(seed)
    start = random.integers(0, 12, (count, 2))
    way = np.where(random.random((count, 1)) < 0.5, [1, 0], [0, 1]) * random.integers(-5, 6, (count, 1))
    return np.stack([start, start + way], axis=1).astype(np.float64)


def joined(pieces: np.ndarray, group: np.ndarray | None = None) -> dict[int, tuple[np.ndarray, ...]]:
    group = np.zeros(len(pieces), dtype=np.int64) if group is None else group
    return chains(pieces, group, np.zeros(len(pieces), dtype=np.int64))


def length(lines: tuple[np.ndarray, ...]) -> float:
    return float(sum(np.linalg.norm(np.diff(line, axis=0), axis=1).sum() for line in lines))


@pytest.mark.parametrize("seed", range(4))
def test_each_place_is_drawn_once(seed: int) -> None:
    pieces = lattice(seed)
    pieces = pieces[(pieces[:, 0] != pieces[:, 1]).any(axis=1)]
    whole = shapely.union_all(shapely.linestrings(pieces))
    lines = joined(pieces)[0]
    assert length(lines) == pytest.approx(whole.length, abs=1e-6)
    assert shapely.union_all(shapely.linestrings(pieces)).symmetric_difference(
        shapely.union_all([shapely.linestrings(line) for line in lines])
    ).length == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_what_lies_under_the_lesser_group_is_left_out_and_nothing_else(seed: int) -> None:
    pieces = lattice(seed, 120)
    pieces = pieces[(pieces[:, 0] != pieces[:, 1]).any(axis=1)]
    group = np.arange(len(pieces)) % 3
    turn = 0.3 + seed  # a lattice turned no more lies on whole thousandths
    found = joined(pieces @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]), group)
    over = shapely.MultiLineString()
    for number in range(3):
        mine = shapely.union_all(shapely.linestrings(pieces[group == number]))
        assert length(found[number]) == pytest.approx(mine.difference(over).length, abs=0.1)
        over = over.union(mine)


@pytest.mark.parametrize("seed", range(4))
def test_chains_are_those_that_merging_gives(seed: int) -> None:
    """Random edges of a grid of points, none on another: lines end where other than two meet; rings stay whole."""
    random = np.random.default_rng(seed)
    at = random.permutation(144)
    places = np.stack([at % 12, at // 12], axis=1) + 0.3 * random.random((144, 2))
    order = np.argsort(at)
    pairs = [(order[n], order[n + 1]) for n in range(143) if n % 12 < 11 and random.random() < 0.6]
    pairs += [(order[n], order[n + 12]) for n in range(132) if random.random() < 0.6]
    pieces = np.round(places[np.array(pairs)], 3)
    pieces = np.where(random.random((len(pieces), 1, 1)) < 0.5, pieces, pieces[:, ::-1])
    merged = shapely.get_parts(shapely.line_merge(shapely.multilinestrings(pieces)))
    found = joined(pieces)[0]
    assert len(found) == len(merged)
    rings = [line for line in found if np.array_equal(line[0], line[-1])]
    assert len(rings) == sum(each.is_ring for each in merged)
    ends = sorted(tuple(sorted(map(tuple, line[[0, -1]]))) for line in found)
    theirs = sorted(
        tuple(sorted(map(tuple, np.round(shapely.get_coordinates(each)[[0, -1]], 3))))
        for each in merged
        if not each.is_ring
    )
    mine = [each for each in ends if each[0] != each[1]]
    assert np.array(mine) == pytest.approx(np.array([each for each in theirs if each[0] != each[1]]))
    assert length(found) == pytest.approx(sum(each.length for each in merged), rel=1e-4)


def test_the_order_of_the_pieces_says_nothing() -> None:
    pieces = lattice(7)
    random = np.random.default_rng(1)
    shuffled = random.permutation(pieces)
    shuffled = np.where(random.random((len(pieces), 1, 1)) < 0.5, shuffled, shuffled[:, ::-1])
    one, other = joined(pieces)[0], joined(shuffled)[0]
    assert [line.tobytes() for line in one] == [line.tobytes() for line in other]


def test_points_that_say_nothing_are_left_out() -> None:
    """A circle of radius 20 in steps of a degree: as many as shapely's simplify keeps, within 0.015 mm of all."""
    turn = np.radians(np.arange(0, 301))
    curve = np.round(20.0 * np.stack([np.cos(turn), np.sin(turn)], axis=1), 3)
    (found,) = joined(np.stack([curve[:-1], curve[1:]], axis=1))[0]
    wanted = shapely.get_coordinates(shapely.simplify(shapely.linestrings(curve), 0.015, preserve_topology=False))
    assert len(found) == pytest.approx(len(wanted), abs=1)
    assert len(found) < 120
    assert shapely.hausdorff_distance(shapely.linestrings(found), shapely.linestrings(curve), 0.1) < 0.016


def test_pieces_are_cut_at_the_sides_of_the_frame() -> None:
    random = np.random.default_rng(2)
    ends = random.uniform(-10, 20, (400, 2, 2))
    ends[:40, 1, 0] = ends[:40, 0, 0]
    found, within = clipped(ends, np.array([0.0, 2.0]), np.array([10.0, 8.0]))
    wanted = shapely.intersection(shapely.linestrings(ends), shapely.box(0.0, 2.0, 10.0, 8.0))
    assert (within == (shapely.length(wanted) > 0)).all()
    assert 20 < within.sum() < 380
    assert np.linalg.norm(found[within, 1] - found[within, 0], axis=1) == pytest.approx(shapely.length(wanted)[within])
    assert shapely.distance(shapely.linestrings(found[within]), wanted[within]) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("whole", [True, False], ids=["on the lines of the grid", "anywhere"])
def test_all_that_touch_are_near(whole: bool) -> None:
    random = np.random.default_rng(3)
    corner = random.uniform(0, 256, (900, 1, 2))
    lines = np.concatenate([corner, corner + random.normal(0, 12, (900, 1, 2))], axis=1).clip(0, 256)
    lines = np.round(lines) if whole else lines
    lines[0] = [[0, 0], [256, 256]]
    ours, theirs = lines[:500], lines[500:]
    numbers = np.array([0, 1, 65536])  # of these the first and the last share their slots
    group, other = numbers[random.integers(0, 3, 500)], numbers[random.integers(0, 3, 400)]
    one, two = shapely.STRtree(shapely.linestrings(theirs)).query(shapely.linestrings(ours), predicate="intersects")
    touching = set(zip(one.tolist(), two.tolist(), strict=True))
    near = {pair for block in near_pairs(ours, theirs) for pair in zip(*(each.tolist() for each in block), strict=True)}
    assert len(touching) > 300
    assert touching <= near
    assert len(near) < 10 * len(touching)
    grouped = {
        pair
        for block in near_pairs(ours, theirs, group, other)
        for pair in zip(*(each.tolist() for each in block), strict=True)
    }
    assert {pair for pair in touching if group[pair[0]] == other[pair[1]]} <= grouped
    assert all(group[a] == other[b] for a, b in grouped)


def test_a_fold_inwards_is_hidden_by_its_own_body() -> None:
    """An angle bar, seen so that one face of its inner corner is turned away: that edge is no line to be seen."""
    profile = shapely.Polygon([(0, 0), (10, 0), (10, 2), (2, 2), (2, 10), (0, 10)])
    bar = trimesh.creation.extrude_polygon(profile, 20.0)
    for direction, is_front in (((-1.0, -1.0, -0.3), True), ((-1.0, 0.4, -0.3), False)):
        camera = fit(bar.vertices, direction, (0.0, 0.0, 1.0), 1.0)
        faces = linework.faces_of({"bar": bar}, camera)
        edges = linework.edges_of(faces)
        corner = linework.in_picture(np.array([[2.0, 2.0, 0.0], [2.0, 2.0, 20.0]]), camera)
        mine = [
            number
            for number in range(len(edges))
            if min(
                np.abs(np.stack([edges.start[number], edges.end[number]]) - ends).max()
                for ends in (corner, corner[::-1])
            )
            < 1e-6
        ]
        assert [bool(edges.front[number]) for number in mine] == [is_front]
        cut = hidden.pieces_of(faces, edges)
        assert [bool(seen) for seen in cut.seen[cut.edge == mine[0]]] == [is_front]


@pytest.mark.parametrize("name", ["slipway-six", pytest.param("larkfell-port", marks=pytest.mark.slow)])
@pytest.mark.parametrize("view", ["top", pytest.param("three-quarter", marks=pytest.mark.slow)])
def test_places_on_edges_against_another_ray_caster(name: str, view: str) -> None:
    """1,500 places, anywhere on edges of which a face looks at the viewer, by the triangles' own ray test over all
    triangles: 99.5 % agree. So no cut is missing, and no fold is left out that is seen."""
    engine = library.engine(name)
    store, assembly = standing.Store(engine), play(engine).as_set
    bodies = store.standing(lineart._shown(engine), assembly, motion(engine, assembly, 77.0))
    chosen = VIEWS[view]
    camera = fit(np.vstack([body.vertices for body in bodies.values()]), chosen.direction, chosen.up, 1.4)
    faces = linework.faces_of(bodies, camera)
    edges = linework.edges_of(faces)
    cut = hidden.pieces_of(faces, edges)
    size = np.linalg.norm((edges.end - edges.start)[cut.edge], axis=1) * (cut.until - cut.begin)
    size = np.where(edges.front[cut.edge] | edges.contour[cut.edge], size, 0.0)
    random = np.random.default_rng(5)
    number = random.choice(len(size), 1500, p=size / size.sum())
    edge = cut.edge[number]
    share = cut.begin[number] + random.random(1500) * (cut.until - cut.begin)[number]
    places = edges.start[edge] + (edges.end - edges.start)[edge] * share[:, None]
    origins = places + hidden._OFF_MM * (edges.outward[edge] + EYE)
    other = RayMeshIntersector(hidden.one_mesh(bodies, camera))
    with np.errstate(all="ignore"):  # of triangles on edge
        covered = other.intersects_any(origins, np.tile(EYE, (1500, 1)))
    assert 200 < cut.seen[number].sum() < 1300
    agree = (covered == ~cut.seen[number]).mean()
    assert agree >= 0.995, agree


def test_a_plate_with_a_hole_is_open_to_both_sides() -> None:
    """A single sheet of triangles has no inside: also where its back is seen it hides what is behind it."""
    sheet = trimesh.Trimesh([[-4, -4, 0], [4, -4, 0], [4, 4, 0], [-4, 4, 0]], [[0, 1, 2], [0, 2, 3]], process=False)
    rod = trimesh.creation.box((20.0, 1.0, 1.0))
    rod.apply_translation((0, 0, -5))
    for up in (1.0, -1.0):
        camera = Camera(position=(0, 0, 100.0 * up), focal=(0, 0, 0), up=(0, 1, 0), parallel_half_height_mm=12.0)
        rod.vertices[:, 2] = np.abs(rod.vertices[:, 2]) * -up
        faces = linework.faces_of({"sheet": sheet, "rod": rod}, camera)
        edges = linework.edges_of(faces)
        cut = hidden.pieces_of(faces, edges)
        x = edges.point(cut.edge, (cut.begin + cut.until) / 2)[:, 0]
        mine = (edges.owner[cut.edge] == 1) & edges.front[cut.edge]
        assert set(cut.seen[mine & (np.abs(x) < 4)]) == {False}
        assert set(cut.seen[mine & (np.abs(x) > 4)]) == {True}


def test_a_path_reads_back() -> None:
    random = np.random.default_rng(4)
    lines = tuple(random.uniform(-3, 300, (count, 2)).cumsum(axis=0) / 9 for count in (2, 3, 40, 2))
    stroke = Stroke(part="p", kind="wide", lines=lines)
    made = svg(
        LineDrawing(size_mm=(300, 200), title="t", about="a", wide_mm=0.5, narrow_mm=0.25, strokes=(stroke,))
    ).decode()
    (path,) = re.findall(r' d="([^"]*)"', made)
    found = [each for each in re.split("M", path) if each]
    assert len(found) == len(lines)
    for text, line in zip(found, lines, strict=True):
        assert re.fullmatch(r"[-\d.,e]+l[-\d.,e]+", text)
        numbers = [float(each) for each in re.findall(r"-?(?:\d+\.?\d*|\.\d+)(?:e[-+]?\d+)?", text)]
        read = np.cumsum(np.reshape(numbers, (-1, 2)), axis=0)
        assert read == pytest.approx(line, abs=0.0051)
        assert all((a != b).any() for a, b in pairwise(read))
