"""Hidden lines: exact on simple bodies by hand-made geometry, and against another ray caster on whole engines."""

from __future__ import annotations

import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from itertools import pairwise

import numpy as np
import pytest
import trimesh
from trimesh.ray.ray_triangle import RayMeshIntersector

from quillwise.kinematics.errors import RequestError
from quillwise.kinematics.motion import motion
from quillwise.kinematics.sequence import play
from quillwise.meshes.blanks import blank
from quillwise.scenes import library
from quillwise.viz import hidden, lineart, linework, paper, standing, turning
from quillwise.viz.cameras import VIEWS, Camera, Margins, axes, fit
from quillwise.viz.chaining import chains
from quillwise.viz.linedrawing import Frame, LineDrawing, Stroke, Word, strokes
from quillwise.viz.svg import svg

FRONT = Camera(position=(0.0, 0.0, 100.0), focal=(0.0, 0.0, 0.0), up=(0.0, 1.0, 0.0), parallel_half_height_mm=10.0)
PAGE = Frame(left=0.0, top=0.0, width=20.0, height=20.0)  # 1 : 1, the middle at (10, 10), y downwards


def box(low, high) -> trimesh.Trimesh:
    low, high = np.array(low, dtype=float), np.array(high, dtype=float)
    made = trimesh.creation.box(high - low)
    made.apply_translation((low + high) / 2)
    return made


def drawn(bodies, camera=FRONT, page=PAGE, **options):
    found = {}
    for stroke in strokes(bodies, camera, page, **options):
        for line in stroke.lines:
            for a, b in pairwise(line):
                ends = sorted([tuple(np.round(a, 3)), tuple(np.round(b, 3))])
                found.setdefault((stroke.part, stroke.kind), set()).add(tuple(ends))
    return found


def edge(*ends):
    return tuple(sorted((float(x), float(y)) for x, y in ends))


def test_a_box_before_a_box():
    """The nearer box covers x from 0 to 4, y from −2 to 2: there the farther one's edges at y = ±1 are gone."""
    bodies = {"far": box((-5, -1, -3), (5, 1, -1)), "near": box((0, -2, 0), (4, 2, 1))}
    found = drawn(bodies)
    assert found["far", "wide"] == {
        edge((5, 11), (10, 11)), edge((14, 11), (15, 11)),
        edge((5, 9), (10, 9)), edge((14, 9), (15, 9)),
        edge((5, 9), (5, 11)), edge((15, 9), (15, 11)),
    }  # fmt: skip
    assert found["near", "wide"] == {
        edge((10, 8), (14, 8)), edge((14, 8), (14, 12)), edge((14, 12), (10, 12)), edge((10, 12), (10, 8)),
    }  # fmt: skip
    hidden_too = drawn(bodies, dashed={"far"})
    assert edge((10, 11), (14, 11)) in hidden_too["far", "hidden"]
    assert hidden_too["far", "wide"] == found["far", "wide"]


def test_a_box_through_a_box():
    """A bar runs through a plate's face at z = 1: its long edges, seen from the side, end there."""
    side = Camera(position=(100.0, 0.0, 0.0), focal=(0.0, 0.0, 0.0), up=(0.0, 1.0, 0.0), parallel_half_height_mm=10.0)
    bodies = {"plate": box((-4, -4, -1), (4, 4, 1)), "bar": box((-1, -1, -6), (1, 1, 6))}
    found = drawn(bodies, side)
    # to the right of the picture runs −z; the plate covers the bar from z = −1 to 1
    assert found["bar", "wide"] == {
        edge((4, 9), (9, 9)), edge((11, 9), (16, 9)), edge((4, 11), (9, 11)), edge((11, 11), (16, 11)),
        edge((4, 9), (4, 11)), edge((16, 9), (16, 11)),
    }  # fmt: skip
    oblique = fit(bodies["plate"].vertices, (-1.0, -0.7, -1.5), (0.0, 1.0, 0.0), 1.0, Margins(left=0.2, right=0.2))
    faces = linework.faces_of(bodies, oblique)
    edges = linework.edges_of(faces)
    cut = hidden.pieces_of(faces, edges)
    along = np.array([0.0, 0.0, 1.0]) @ axes(np.subtract(oblique.focal, oblique.position), oblique.up).T
    places = []
    for number in np.flatnonzero(edges.owner == 1):
        way = edges.end[number] - edges.start[number]
        if np.linalg.norm(np.cross(way / np.linalg.norm(way), along)) > 1e-6:
            continue
        z_at_start = -6.0 if way @ along > 0 else 6.0
        z = z_at_start + np.sign(way @ along) * 12.0 * np.concatenate([cut.until[cut.edge == number]])
        places += list(z)
    assert any(abs(z - 1.0) < 1e-4 for z in places), "cut where it runs through the face"


def test_a_cylinder_before_a_box():
    """An upright cylinder of radius 2 hides the box's edges between its two outlines, x = ±2."""
    cylinder = trimesh.creation.cylinder(2.0, 12.0, sections=360)
    cylinder.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, (1, 0, 0)))
    cylinder.apply_translation((0, 0, 5))
    found = drawn({"box": box((-6, -3, -2), (6, 3, 0)), "cylinder": cylinder})
    outline = {line for line in found["cylinder", "wide"] if abs(line[0][0] - line[1][0]) < 1e-6}
    assert sorted(line[0][0] for line in outline) == pytest.approx([8.0, 12.0], abs=1e-3)
    level = sorted(line for line in found["box", "wide"] if line[0][1] == line[1][1])
    assert [[x for x, _ in line] for line in level] == pytest.approx(
        np.array([[4, 8], [4, 8], [12, 16], [12, 16]]), abs=1e-3
    )


@pytest.mark.parametrize("name", ["slipway-six", pytest.param("launch-inverted", marks=pytest.mark.slow)])
def test_pieces_against_another_ray_caster(name):
    """3,000 pieces, seen and hidden, by the triangles' own ray test (no embree): 99.5 % agree."""
    engine = library.engine(name)
    store = standing.Store(engine)
    assembly = play(engine).as_set
    bodies = store.standing(lineart._shown(engine), assembly, motion(engine, assembly, 77.0))
    view = VIEWS["three-quarter"]
    camera = fit(np.vstack([body.vertices for body in bodies.values()]), view.direction, view.up, 1.4)
    faces = linework.faces_of(bodies, camera)
    edges = linework.edges_of(faces)
    cut = hidden.pieces_of(faces, edges)
    front = np.flatnonzero(edges.front[cut.edge] & (cut.until - cut.begin > 1e-3))
    chosen = np.random.default_rng(3).choice(front, 3000, replace=False)
    assert 300 < cut.seen[chosen].sum() < 2700
    middle = ((cut.begin + cut.until) / 2)[chosen, None]
    edge_of = cut.edge[chosen]
    places = edges.start[edge_of] * (1 - middle) + edges.end[edge_of] * middle
    eye = np.array([0.0, 0.0, -1.0])
    origins = places + hidden._OFF_MM * (edges.outward[edge_of] + eye)
    other = RayMeshIntersector(hidden.one_mesh(bodies, camera))
    with np.errstate(all="ignore"):  # of triangles on edge
        covered = other.intersects_any(origins, np.tile(eye, (len(origins), 1)))
    agree = (covered == ~cut.seen[chosen]).mean()
    assert agree >= 0.995, agree


def test_an_engine_is_drawn_without_opengl():
    code = """
import sys
from quillwise.kinematics.sequence import play
from quillwise.scenes.library import engine
from quillwise.viz.lineart import step_drawing
from quillwise.viz.standing import Store
from quillwise.viz.svg import svg
built = engine("slipway-six")
steps = play(built).steps
sys.stdout.write(svg(step_drawing(Store(built), steps, steps[7], (170.0, 95.0))).decode())
assert not {"pyvista", "vtkmodules", "vtk"} & set(sys.modules)
"""
    made = [subprocess.run([sys.executable, "-c", code], capture_output=True, check=True).stdout for _ in range(2)]
    assert made[0] == made[1], "the same bytes"
    assert len(made[0]) < 250_000


@pytest.mark.parametrize(
    "name",
    [name if name == "slipway-six" else pytest.param(name, marks=pytest.mark.slow) for name in library.names()],
)
def test_figures_of_steps(name):
    """Each names its parts, keeps inside its sheet, and says what is turned with the end that it is seen from."""
    engine = library.engine(name)
    store = standing.Store(engine)
    steps = play(engine).steps
    keys = [next(i for i, s in enumerate(steps) if s.key.endswith(end)) for end in ("-mark", "-nip", "-try", "-break")]
    for step in (steps[number] for number in keys):
        made = lineart.step_drawing(store, steps, step, (170.0, 95.0))
        named = {stroke.part for stroke in made.strokes}
        about = [str(part) for part in step.about]
        shown = [part for part in about if part in named]
        assert len(shown) >= len(about) / 2, (step.key, set(about) - named)
        for stroke in made.strokes:
            for line in stroke.lines:
                assert line.min() >= -6.0
                assert line[:, 0].max() <= 176.0
                assert line[:, 1].max() <= 101.0
        for word in made.words:
            assert word.at[0] + paper.text_width_mm(word.text, word.height_mm) <= 170.5
        arrows = [stroke for stroke in made.strokes if stroke.kind == "arrow"]
        assert len(arrows) == len(made.heads)
        if any(move.coordinate == "crank" for move in step.moves):
            assert arrows
            assert "seen from the wheelcase end" in made.about


def test_a_rocker_is_drawn_on_its_shaft():
    engine = library.engine("gantry-eight")
    steps = play(engine).steps
    step = next(step for step in steps if step.key == "a-nip")
    made = lineart.step_drawing(standing.Store(engine), steps, step, (170.0, 95.0))
    named = {stroke.part for stroke in made.strokes}
    assert {"rocker A1 inlet", "rocker shaft A1 inlet", "valve spring A1 inlet"} <= named


@pytest.mark.parametrize("sign", [1, -1])
def test_an_arrow_turns_as_it_says(sign):
    """Seen along a shaft's axis an arc with sign +1 runs clockwise on paper: y is downwards, so it grows."""
    engine = library.engine("larkfell-port")
    camera = fit(engine.sizes.disc_radius_mm * np.eye(3), (1.0, 0.0, 0.0), (0.0, 0.0, 1.0), 1.0)
    turn = turning.Turn(name="crankshaft", shaft="crankshaft", sign=sign, at_mm=engine.sizes.disc_x_mm)
    line, head = lineart._headed(turning.arc(engine, turn), camera, PAGE)
    middle = PAGE.placed(camera, linework.in_picture(np.zeros((1, 3)), camera))[0]
    angle = np.unwrap(np.arctan2(line[:, 1] - middle[1], line[:, 0] - middle[0]))
    assert np.sign(angle[-1] - angle[0]) == sign
    assert np.linalg.norm(head[0] - line[0]) > np.linalg.norm(head[0] - line[-1])


def test_svg_is_in_millimetres_and_names_its_parts():
    engine = library.engine("slipway-six")
    made = lineart.view_drawing(standing.Store(engine), play(engine).as_set, 30.0, "wheelcase end", (297.0, 210.0))
    root = ElementTree.fromstring(svg(made))
    space = "{http://www.w3.org/2000/svg}"
    assert root.get("width") == "297mm"
    assert root.get("viewBox") == "0 0 297 210"
    assert root.get("role") == "img"
    assert root[0].tag == f"{space}title"
    assert root[1].tag == f"{space}desc"
    assert {root[0].get("id"), root[1].get("id")} == set(root.get("aria-labelledby").split())
    titles = {group.find(f"{space}title").text for group in root.iter(f"{space}g")}
    assert titles <= {str(part) for part in engine.parts}
    assert len(titles) > 20
    assert any("Briefing aid. Not approved data." in (text.text or "") for text in root.iter(f"{space}text"))


def test_lines_by_the_conventions():
    """ISO 128-2 (as secondary sources give it): wide twice the narrow; dashes in multiples of the line's width."""
    assert paper.WIDE_MM == 2 * paper.NARROW_MM
    assert paper.dashes_mm("hidden", 0.25) == (3.0, 0.75)
    assert paper.dashes_mm("centre", 0.25) == (6.0, 0.75, 0.125, 0.75)
    assert paper.dashes_mm("phantom", 0.25) == (6.0, 0.75, 0.125, 0.75, 0.125, 0.75)
    assert paper.dashes_mm("wide", 0.5) == ()
    lines = (np.array([[1.0, 1.0], [9.0, 1.0]]),)
    made = LineDrawing(
        size_mm=(20.0, 10.0),
        title="a <b> & c",
        about="x",
        wide_mm=0.5,
        narrow_mm=0.25,
        strokes=(Stroke(part='"&<', kind="hidden", lines=lines), Stroke(part="w", kind="wide", lines=lines)),
        words=(Word(text="</text><script>", at=(1.0, 5.0), height_mm=3.5),),
    )
    root = ElementTree.fromstring(svg(made))
    paths = list(root.iter("{http://www.w3.org/2000/svg}path"))
    assert [each.get("stroke-width") for each in paths] == ["0.25", "0.5"]
    assert paths[0].get("stroke-dasharray") == "3 0.75"
    assert paths[0].get("stroke-linecap") == "butt"
    assert root[0].text == "a <b> & c"
    assert [each.text for each in root.iter("{http://www.w3.org/2000/svg}text")] == ["</text><script>"]
    with pytest.raises(RequestError, match=r"U\+0007"):
        svg(LineDrawing(size_mm=(20, 10), title="\a", about="", wide_mm=0.5, narrow_mm=0.25, strokes=()))


@pytest.mark.parametrize(
    ("text", "size"),
    [("A4", (297.0, 210.0)), ("A3", (420.0, 297.0)), ("100x80", (100.0, 80.0)), ("90.5×60", (90.5, 60.0))],
)
def test_sheets(text, size):
    assert paper.sheet_mm(text) == size


@pytest.mark.parametrize("text", ["A9", "10x10", "9999x20", "1e3x50", ""])
def test_wrong_sheets(text):
    with pytest.raises(RequestError, match="--paper: expected A5, A4, A3, letter, or WxH in mm from 40 to 2000, got"):
        paper.sheet_mm(text)


def test_a_blank_is_the_body_without_its_teeth():
    """A square bar of side 2 within a collar of radius 5: at each height the farthest corner, and nothing beyond."""
    bar = box((-1, -1, 0), (1, 1, 10))
    collar = trimesh.creation.cylinder(5.0, 2.0, sections=64)
    collar.apply_translation((0, 0, 5))
    made = blank(trimesh.util.concatenate([bar, collar]))
    assert made.is_watertight
    assert made.bounds[:, 2] == pytest.approx([0, 10])
    wanted = np.pi * (5.0**2 * 2 + 2 * 8)  # a corner of the bar stands √2 from the axis
    assert made.volume == pytest.approx(wanted, rel=0.01)


def test_what_can_strike_is_drawn_with_its_figure():
    engine = library.engine("slipway-six")
    step = min((s for s in play(engine).steps if s.room), key=lambda s: s.room.room_mm)
    made = lineart.room_drawing(standing.Store(engine), step, (110.0, 80.0))
    wide = {stroke.part for stroke in made.strokes if stroke.kind == "wide"}
    cylinder = engine.valves[step.room.valve].cylinder
    assert wide == {f"piston {cylinder}", f"valve {step.room.valve}", f"valve seat {step.room.valve}"}
    assert any(f"Least room {step.room.room_mm / 25.4:.3f} in" in word.text for word in made.words)
    with pytest.raises(ValueError, match="asks for no room"):
        lineart.room_drawing(standing.Store(engine), play(engine).steps[0], (110.0, 80.0))


def test_a_line_under_another_is_left_out_where_the_two_run_together_and_not_where_they_cross():
    """By hand: of 0–10 along y = 0 the stretch 2–5 lies under the other line; one across at x = 7 takes nothing."""
    under = np.array([[[0.0, 0.0], [10.0, 0.0]], [[-3.0, -3.0], [-3.0, 3.0]]])
    over = [
        np.array([[2.0, 0.0], [5.0, 0.0]]),
        np.array([[7.0, -2.0], [7.0, 2.0]]),
        np.array([[-3.0, -3.0], [-3.0, 3.0]]),
    ]

    def left(pieces, lines):
        upper = [np.stack([line[:-1], line[1:]], axis=1) for line in lines]
        group = np.repeat([0, 1], [sum(map(len, upper)), len(pieces)])
        return chains(np.concatenate([*upper, pieces]), group, np.zeros(len(group), dtype=np.int64)).get(1, ())

    found = left(under, over)
    assert sorted((float(line[0][0]), float(line[-1][0])) for line in found) == [(0.0, 2.0), (5.0, 10.0)]
    assert left(under[:1], [np.array([[-1.0, 0.0], [11.0, 0.0]])]) == (), "all of it"
