"""Callouts: none overlap, no leaders cross, tips lie on what is seen, all stands inside the frame; every engine."""

from __future__ import annotations

import itertools
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from trimesh.ray.ray_triangle import RayMeshIntersector  # its other ray caster, without embree
from typer.testing import CliRunner

from quillwise.kinematics.errors import RequestError
from quillwise.kinematics.motion import motion
from quillwise.kinematics.sequence import play
from quillwise.scenes.library import engine as packaged
from quillwise.scenes.library import names as packaged_names
from quillwise.viz import callouts, cli, lineart
from quillwise.viz.linedrawing import Frame
from quillwise.viz.linework import in_picture
from quillwise.viz.paper import text_width_mm
from quillwise.viz.standing import Store

SHEET = Frame(left=0.0, top=0.0, width=200.0, height=150.0)
INNER = (20.0, 20.0, 180.0, 130.0)
places = st.tuples(st.floats(21.0, 179.0), st.floats(21.0, 129.0))


def leaders(found, radius):
    """The leaders as they are drawn: from the edge of the balloon."""
    lines = []
    for each in found:
        at, tip = np.array(each.at), np.array(each.tip)
        lines.append(shapely.LineString([at + (tip - at) * radius / np.linalg.norm(tip - at), tip]))
    return lines


@settings(max_examples=60, deadline=None)
@given(st.lists(places, min_size=1, max_size=callouts.MOST, unique=True), st.sampled_from([2.5, 3.5]))
def test_balloons_keep_apart_and_leaders_do_not_cross(tips, text_mm):
    named = {f"part {n}": at for n, at in enumerate(tips)}
    radius = callouts.balloon_radius_mm(text_mm)
    found = callouts.arranged(named, INNER, SHEET, text_mm)
    assert sorted(each.number for each in found) == list(range(1, len(tips) + 1))
    assert {each.name: each.tip for each in found} == named
    circles = [shapely.Point(each.at).buffer(radius) for each in found]
    paper = shapely.box(0, 0, SHEET.width, SHEET.height)
    outline = shapely.box(*INNER)
    lines = leaders(found, radius)
    for circle in circles:
        assert circle.within(paper.buffer(1e-6))
        assert circle.distance(outline) > 0
    for (circle, line), (other_circle, other_line) in itertools.combinations(zip(circles, lines, strict=True), 2):
        assert circle.distance(other_circle) > 0
        assert not line.crosses(other_line)
        assert line.distance(other_circle) > 0
        assert other_line.distance(circle) > 0


def test_balloons_are_numbered_clockwise_from_the_upper_left():
    tips = {"right": (170.0, 70.0), "bottom": (100.0, 120.0), "left": (30.0, 75.0), "top": (100.0, 30.0)}
    found = callouts.arranged(tips, INNER, SHEET, 3.5)
    assert [each.name for each in sorted(found, key=lambda each: each.number)] == ["top", "right", "bottom", "left"]


def test_more_than_find_a_place_are_refused():
    tips = {f"part {n}": (30.0 + n * 0.1, 50.0) for n in range(200)}
    with pytest.raises(RequestError, match="--callouts: 200 find no place"):
        callouts.arranged(tips, INNER, SHEET, 3.5)


QUICK = ("slipway-six",)


@pytest.mark.parametrize(
    "name", [name if name in QUICK else pytest.param(name, marks=pytest.mark.slow) for name in packaged_names()]
)
def test_tips_lie_on_what_is_seen(name):
    """Against trimesh's own ray caster, at the tip itself."""
    engine = packaged(name)
    store, assembly = Store(engine), play(engine).as_set
    shown = [part for part in engine.parts if part.kind.value != "cylinder"]
    state = motion(engine, assembly, 30.0)
    frame = Frame(left=12.0, top=12.0, width=270.0, height=180.0)
    camera = lineart._whole_camera(store, state, "three-quarter", frame.aspect, False)
    bodies = store.standing(shown, assembly, state)
    view = callouts.seen(bodies, camera, frame)
    names = callouts.chosen(callouts.USUAL, shown, view)
    assert 6 <= len(names) <= callouts.MOST
    mesh = callouts.one_mesh(bodies, camera)
    # that caster divides by a triangle's area: what Boolean operations left without one is not given to it
    (wide,) = np.nonzero(mesh.area_faces > 1e-9)
    caster = RayMeshIntersector(trimesh.Trimesh(mesh.vertices, mesh.faces[wide], process=False))
    ends = np.cumsum([len(body.faces) for body in bodies.values()])
    scale = frame.scale(camera)
    for each in names:
        x, y = callouts.tip(view, each)
        origin = ((x - frame.left - frame.width / 2) / scale, -(y - frame.top - frame.height / 2) / scale, -1e5)
        (hit,) = caster.intersects_first(np.array([origin]), np.array([(0.0, 0.0, 1.0)]))
        face = wide[hit]
        assert list(bodies)[int(np.searchsorted(ends, face, side="right"))] == each
        # and in the middle of the outline as it is drawn: the tip is one of the places its vertices surround
        flat = frame.placed(camera, in_picture(bodies[each].vertices, camera))
        assert (flat.min(axis=0) - 1e-6 <= (x, y)).all() and ((x, y) <= flat.max(axis=0) + 1e-6).all()


def run(*arguments, code=0):
    result = CliRunner().invoke(cli.app, ["draw", "slipway-six", "--line", *arguments], prog_name="quillwise")
    assert result.exit_code == code, result.output
    return (result.stderr if code else result.stdout).strip()


def texts(path):
    found = ET.parse(path).getroot().iter("{http://www.w3.org/2000/svg}text")
    return [(each.text, float(each.get("x")), float(each.get("y")), each.get("text-anchor")) for each in found]


def test_the_item_list_says_what_the_numbers_are(tmp_path):
    path = tmp_path / "d.svg"
    run("--callouts", "quill, piston, timing disc", "-o", str(path))
    said = [text for text, *_ in texts(path)]
    drawing = path.read_text()
    assert len(re.findall(r"<circle [^>]*stroke=", drawing)) == 3
    pairs = dict(itertools.pairwise(said))
    groups = dict(re.findall(r"<title>callout (\d): ([^<]+)</title>", drawing))
    # the quill of this engine is called quill: that is not said twice
    assert sorted(groups.values()) == ["piston (6 off)", "quill shaft", "timing disc"]
    assert all(pairs[number] in (name, number) or name in said for number, name in groups.items())
    assert [said.count(str(number)) for number in (1, 2, 3)] == [2, 2, 2], "in the balloon and in the list"


@pytest.mark.parametrize("paper", ["A5", pytest.param("A3", marks=pytest.mark.slow)])
def test_labels_stand_inside_the_sheet_and_apart(tmp_path, paper):
    path = tmp_path / "d.svg"
    run("--callouts", "usual", "--labels", "--paper", paper, "-o", str(path))
    root = ET.parse(path).getroot()
    width = float(root.get("width").removesuffix("mm"))
    boxes = []
    for text, x, y, anchor in texts(path):
        if text.startswith("Briefing aid"):
            continue
        long = text_width_mm(text, 3.5)
        left = x - long if anchor == "end" else x
        boxes.append(shapely.box(left, y - 3.5, left + long, y))
        assert left >= 0
        assert left + long <= width
    assert len(boxes) >= 6
    assert all(one.distance(other) > 0.5 for one, other in itertools.combinations(boxes, 2))


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--callouts", "quil"), '--callouts: unknown part "quil"; name a kind (crankshaft, '),
        (("--callouts", ","), "--callouts: expected names of parts parted by commas"),
        (("--labels",), "--labels is for --callouts"),
        (("--callouts", "timing window", "--view", "output end"), "--callouts: nothing is seen of the timing window"),
        (("--callouts", "usual", "--paper", "60x50"), "--callouts: no room for the view"),
    ],
)
def test_wrong_requests_are_told(tmp_path, arguments, message):
    assert run(*arguments, "-o", str(tmp_path / "d.svg"), code=2).startswith(message)
    assert not list(Path(tmp_path).iterdir())
