"""An exploded view, measured back from the drawing: parts apart, in order on one axis, joined by the centre line."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from itertools import combinations, pairwise
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from random_engines import engines
from typer.testing import CliRunner

from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import Kind
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import rig
from quillwise.kinematics.sequence import play
from quillwise.meshes.build import mesh
from quillwise.scenes import library, reader
from quillwise.viz import cli
from quillwise.viz.drafting import LineFormat, rendered
from quillwise.viz.exploded import OFF_DEG, exploded
from quillwise.viz.paper import sheet_mm, text_width_mm

SVG = "{http://www.w3.org/2000/svg}"
COUPLINGS = [(name, coupling.name) for name in library.names() for coupling in reader.load(name).couplings]
QUICK = [("slipway-six", "quill"), ("gantry-eight", "sleeve-right")]
ALL = [each if each in QUICK else pytest.param(each, marks=pytest.mark.slow, id="-".join(each)) for each in COUPLINGS]


@pytest.fixture(scope="module", params=ALL)
def made(request):
    name, coupling = request.param
    engine = library.engine(name)
    return engine, exploded(engine, engine.coupling(coupling), play(engine).as_set, 0.0, sheet_mm("A4"))


def lines_of(apart, name):
    return [line for stroke in apart.drawing.strokes if stroke.part == name for line in stroke.lines]


def hulls(apart):
    """Of all that is drawn of each part, in order."""
    return [shapely.MultiPoint(np.vstack(lines_of(apart, str(piece.part)))).convex_hull for piece in apart.pieces]


def axis_of(apart):
    """A point on the axis on the sheet, and its direction from the driving to the driven end."""
    lines = lines_of(apart, "centre line")
    begin, end = lines[0][0], lines[-1][-1]
    return begin, (end - begin) / np.linalg.norm(end - begin)


def word_box(word):
    width = text_width_mm(word.text, word.height_mm)
    left = word.at[0] - {"start": 0.0, "middle": width / 2, "end": width}[word.anchor]
    return shapely.box(left, word.at[1] - word.height_mm, left + width, word.at[1])


def test_no_two_parts_overlap_in_the_picture(made):
    _, apart = made
    assert len(apart.pieces) >= 5
    for one, other in combinations(hulls(apart), 2):
        assert shapely.distance(one, other) > 3.0


def test_the_parts_lie_apart_on_the_axis_in_the_order_of_the_engine(made):
    engine, apart = made
    for one, other in pairwise(apart.pieces):
        assert one.along_mm[0] < one.along_mm[1] < other.along_mm[0] < other.along_mm[1]
    world = poses(rig(engine), motion(engine, play(engine).as_set, 0.0), [piece.part for piece in apart.pieces])
    along = apart.line.along
    middles = []
    for piece in apart.pieces:
        reach = (mesh(engine, piece.part, "coarse").vertices @ world[piece.part][0][:3, :3].T) @ along
        reach += world[piece.part][0][:3, 3] @ along
        middles.append((reach.min() + reach.max()) / 2)
    assert middles == sorted(middles)
    # on the sheet too: the middles of what is drawn, along the axis
    begin, way = axis_of(apart)
    drawn = [(np.asarray(hull.centroid.coords[0]) - begin) @ way for hull in hulls(apart)]
    assert drawn == sorted(drawn)


def test_the_centre_line_passes_through_all_parts_and_joins_them(made):
    _, apart = made
    lines = lines_of(apart, "centre line")
    begin, way = axis_of(apart)
    for line in lines:
        off = line - begin
        assert np.abs(off[:, 0] * way[1] - off[:, 1] * way[0]).max() < 1e-6, "one straight line"
    assert np.degrees(np.arctan2(-way[1], way[0])) == pytest.approx(apart.rises_deg)
    assert len(lines) == len(apart.pieces) + 1
    shapes = hulls(apart)
    far = shapely.LineString([begin - 500 * way, begin + 900 * way])
    for number, hull in enumerate(shapes):
        inside = shapely.intersection(far, hull)
        assert shapely.length(inside) > 1.0
        middle = np.asarray(hull.centroid.coords[0]) - begin
        assert abs(middle[0] * way[1] - middle[1] * way[0]) < 0.12 * np.sqrt(hull.area), "the axis is its middle"
        # it comes to the near end of the part and goes on behind it
        assert shapely.distance(hull, shapely.LineString(lines[number])) < 0.1
        assert shapely.distance(hull, shapely.LineString(lines[number + 1])) < 0.1
    for line, (one, other) in zip(lines[1:-1], pairwise(shapes), strict=True):
        gap = shapely.difference(shapely.LineString(line), shapely.union(one, other))
        assert shapely.length(gap) > 2.0


def test_the_scale_is_true(made):
    """Round plain shafts: the radius across the axis, the length along it as the view shortens it, and the rest."""
    _, apart = made
    line = apart.line
    begin, way = axis_of(apart)
    off = np.radians(OFF_DEG)
    for piece in apart.pieces:
        if piece.part.kind is not Kind.SHAFT:
            continue
        points = np.vstack(lines_of(apart, str(piece.part))) - begin
        across = points @ np.array([-way[1], way[0]])
        radius = line.radius_mm(piece.part)
        # break lines go on a little beyond the outline
        assert np.ptp(across) == pytest.approx(2 * radius * apart.scale, abs=1.6 if piece.out_mm else 0.05)
        low, high = line.spans[piece.part]
        long = (high - low - piece.out_mm) * np.cos(off) + 2 * radius * np.sin(off)
        broken = 3.0 if piece.out_mm else 0.0
        assert np.ptp(points @ way) == pytest.approx(long * apart.scale + broken, abs=0.05)


def test_each_part_has_its_name_where_nothing_is_in_the_way(made):
    engine, apart = made
    shapes = hulls(apart)
    sheet = shapely.box(0.0, 0.0, *apart.drawing.size_mm)
    boxes = [word_box(word) for word in apart.drawing.words]
    for one, other in combinations(boxes, 2):
        assert not one.intersects(other)
    for box in boxes:
        assert sheet.contains(box)
        assert all(shapely.distance(box, piece.outline) > 1.0 for piece in apart.pieces)
    for piece, hull in zip(apart.pieces, shapes, strict=True):
        (leader,) = lines_of(apart, f"name: {piece.part}")
        assert hull.contains(shapely.Point(leader[0]))
        assert all(
            not shapely.LineString(leader).intersects(other.outline) for other in apart.pieces if other is not piece
        )
    data = apart.line.coupling.data
    words = [word.text for word in apart.drawing.words]
    teeth = "splines" if data.kind == "quill" else "dogs"
    assert f"driving mate, {data.driving_teeth} {teeth}" in words
    assert f"driven mate, {data.driven_teeth} {teeth}" in words
    assert any(each.endswith(f"{data.driving_teeth} and {data.driven_teeth} {teeth}") for each in words)
    for piece in apart.pieces:
        if piece.part.kind is Kind.WHEEL:
            assert any(f"{engine.wheels[piece.part.of].teeth} teeth" in each for each in words)


def test_files_and_record(made, tmp_path, monkeypatch):
    """The record says what is drawn; the file holds it as named groups and text; another run gives the same bytes."""
    monkeypatch.chdir(tmp_path)
    engine, apart = made
    coupling = apart.line.coupling
    command = ["draw", engine.sheet.scene, "--line", "--exploded", coupling.name, "--json", "-o", "one.svg"]
    result = CliRunner().invoke(cli.app, command, prog_name="quillwise")
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert (told["drawing"], told["coupling"]) == ("exploded", coupling.name)
    assert (told["driving_teeth"], told["driven_teeth"]) == (coupling.data.driving_teeth, coupling.data.driven_teeth)
    assert told["axis_scale_ratio"] == pytest.approx(told["scale_ratio"] * np.cos(np.radians(OFF_DEG)))
    for one, other in pairwise(told["parts"]):
        assert one["to_mm"] < other["from_mm"]
    data = Path("one.svg").read_bytes()
    assert data == rendered(apart.drawing, LineFormat.SVG)
    root = ET.fromstring(data)
    assert not list(root.iter(f"{SVG}image"))
    groups = [group[0].text for group in root.iter(f"{SVG}g")]
    assert len(groups) == len(set(groups))
    assert {part["part"] for part in told["parts"]} | {"centre line"} <= set(groups)
    words = {each.text for each in root.iter(f"{SVG}text")}
    assert {part["name"] for part in told["parts"]} <= words
    assert any(f"({told['scale']})" in each for each in words)


@pytest.mark.slow
@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much])
@given(engines())
def test_random_engines(engine):
    assembly = play(engine).as_set
    for coupling in list(engine.couplings.values())[:2]:
        apart = exploded(engine, coupling, assembly, 0.0, sheet_mm("A4"))
        test_no_two_parts_overlap_in_the_picture((engine, apart))
        test_the_centre_line_passes_through_all_parts_and_joins_them((engine, apart))
        test_each_part_has_its_name_where_nothing_is_in_the_way((engine, apart))
