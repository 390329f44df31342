"""A section is what the plane cuts of the bodies, hatched, and nothing else: measured back from the drawing.

Areas are held to trimesh's own sections (computed); hatching to the rules of ISO 128-3 as a secondary source gives
them: lines at 45°, evenly apart, adjoining parts in another direction or at another distance, solid shafts uncut.
"""

from __future__ import annotations

import io
import json
import xml.etree.ElementTree as ET
from itertools import combinations
from pathlib import Path

import numpy as np
import pikepdf
import pytest
import shapely
import shapely.affinity
import trimesh
from hypothesis import HealthCheck, given, settings
from random_engines import engines
from typer.testing import CliRunner

from quillwise.kinematics.parts import Kind
from quillwise.kinematics.sequence import play
from quillwise.scenes import library, reader
from quillwise.viz import cli
from quillwise.viz.drafting import LineFormat, rendered
from quillwise.viz.paper import sheet_mm
from quillwise.viz.sections import section

SVG = "{http://www.w3.org/2000/svg}"
COUPLINGS = [(name, coupling.name) for name in library.names() for coupling in reader.load(name).couplings]
QUICK = [("slipway-six", "quill"), ("launch-inverted", "sleeve-left")]
ALL = [each if each in QUICK else pytest.param(each, marks=pytest.mark.slow, id="-".join(each)) for each in COUPLINGS]


@pytest.fixture(scope="module", params=ALL)
def made(request):
    name, coupling = request.param
    engine = library.engine(name)
    return engine, section(engine, engine.coupling(coupling), play(engine).as_set, 0.0, sheet_mm("A4"))


def cut_by(body, origin, normal):
    """What a plane cuts of a body, by trimesh: its polygons in a plane of their own, and the way back."""
    found = body.section(plane_origin=origin, plane_normal=normal)
    if found is None:
        return [], np.eye(4)
    flat, back = found.to_2D()
    return list(flat.polygons_full), back


def in_frame(polygons, back, origin, right, up):
    """Polygons of a plane in another frame of it: x along right, y along up [mm]."""

    def ring(line):
        flat = np.asarray(line.coords)
        world = np.column_stack([flat, np.zeros(len(flat)), np.ones(len(flat))]) @ back.T
        off = world[:, :3] - origin
        return np.column_stack([off @ right, off @ up])

    return shapely.union_all(
        [shapely.Polygon(ring(each.exterior), [ring(hole) for hole in each.interiors]) for each in polygons]
    )


def before_the_plane(body, line, up):
    """The outline of what of a whole part lies before the plane, by trimesh, in the frame of the section."""
    towards = np.cross(line.along, up)
    front = trimesh.intersections.slice_mesh_plane(body, towards, line.origin)
    off = front.vertices - line.origin
    flat = np.column_stack([off @ line.along, off @ up])
    return shapely.union_all([shapely.Polygon(each).buffer(1e-7) for each in flat[front.faces]])


def strokes_of(drawing, name, kind):
    return [each for stroke in drawing.strokes if (stroke.part, stroke.kind) == (name, kind) for each in stroke.lines]


def total(lines):
    return sum(float(np.linalg.norm(line[-1] - line[0])) for line in lines)


def measured(lines):
    """Direction [deg, anticlockwise on paper, 0 to 180] and distance of hatching lines [mm]."""
    ways = np.array([line[-1] - line[0] for line in lines])
    long = ways[np.linalg.norm(ways, axis=1) > 0.5]
    angles = np.degrees(np.arctan2(-long[:, 1], long[:, 0])) % 180.0
    assert np.ptp(angles) < 1e-6
    turn = np.radians(angles[0])
    across = np.array([np.sin(turn), np.cos(turn)])
    at = np.unique(np.round([line[0] @ across for line in lines], 4))
    steps = np.diff(at)
    apart = float(steps[steps > 0.01].min())
    assert np.abs(steps / apart - np.round(steps / apart)).max() < 1e-3
    return float(angles[0]), apart


def outline(drawing, name):
    """The area within the closed wide outlines of a part in a section across."""
    rings = strokes_of(drawing, name, "wide")
    area = shapely.Polygon()
    for ring in rings:
        assert np.allclose(ring[0], ring[-1])
        area = shapely.symmetric_difference(area, shapely.Polygon(ring))
    return area


def test_what_is_cut_has_the_area_that_trimesh_finds(made):
    _, cut = made
    line = cut.line
    towards = np.cross(line.along, cut.up)
    assert set(cut.areas) | set(cut.whole) == set(line.five)
    assert {line.driving_mate, line.driven_mate} <= set(cut.areas)
    for part, area in cut.areas.items():
        polygons, _ = cut_by(line.bodies[part], line.origin, towards)
        assert area == pytest.approx(sum(each.area for each in polygons), rel=1e-5), part
    for at, end in zip(line.tooth_mm, cut.ends, strict=True):
        origin = line.origin + at * line.along
        for part in line.five:
            polygons, _ = cut_by(line.bodies[part], origin, line.along)
            assert end.get(part, 0.0) == pytest.approx(sum(each.area for each in polygons), rel=1e-5, abs=1e-6), part


def test_solid_shafts_and_quills_are_whole(made):
    engine, cut = made
    for part in cut.line.five:
        solid = part.kind is Kind.QUILL or (part.kind is Kind.SHAFT and engine.shafts[part.of].bore_mm == 0)
        assert (part in cut.whole) == solid
        assert bool(strokes_of(cut.drawing, str(part), "hatch")) != solid


def test_mates_and_sleeve_are_hatched_where_they_are_cut_and_seen(made):
    """The hatching of each lies in what trimesh cuts of it, less what stands before the plane, and fills it."""
    _, cut = made
    line, drawing = cut.line, cut.drawing
    cover = shapely.union_all([before_the_plane(line.bodies[part], line, cut.up) for part in cut.whole])
    ((axis, _),) = [np.asarray(each) for each in strokes_of(drawing, "centre line", "centre")]
    for part in set(cut.areas) & {line.driving_mate, line.middle, line.driven_mate}:
        polygons, back = cut_by(line.bodies[part], line.origin, np.cross(line.along, cut.up))
        seen = shapely.difference(in_frame(polygons, back, line.origin, line.along, cut.up), cover)
        assert cut.shown[part] == pytest.approx(seen.area, rel=2e-3)
        paper = shapely.affinity.scale(seen, cut.scale, -cut.scale, origin=(0.0, 0.0))
        # the cutting plane of the end that the part belongs to says where it stands
        end = 1 if part == line.driven_mate else 0
        (mark, _) = strokes_of(drawing, f"plane {'AB'[end]}–{'AB'[end]}", "arrow")
        paper = shapely.affinity.translate(paper, mark[0][0] - cut.scale * line.tooth_mm[end], float(axis[1]))
        lines = strokes_of(drawing, str(part), "hatch")
        around = paper.buffer(0.03)
        assert all(around.contains(shapely.LineString(each)) for each in lines)
        _, apart = measured(lines)
        assert total(lines) * apart == pytest.approx(paper.area, rel=0.04)
        # no place of it is further from a line than two lines are from each other
        bare = paper.buffer(-0.05).difference(shapely.MultiLineString(lines).buffer(apart * 0.75))
        assert bare.area < 0.02 * paper.area


def test_sections_across_are_hatched_all_over_and_only_there(made):
    _, cut = made
    for letter, end in zip("AB", cut.ends, strict=True):
        for part, area in end.items():
            name = f"{letter}–{letter}: {part}"
            paper = outline(cut.drawing, name)
            assert paper.area == pytest.approx(area * cut.across**2, rel=2e-3)
            lines = strokes_of(cut.drawing, name, "hatch")
            around = paper.buffer(0.02)
            assert all(around.contains(shapely.LineString(each)) for each in lines)
            _, apart = measured(lines)
            assert total(lines) * apart == pytest.approx(paper.area, rel=0.05)


def test_adjoining_parts_are_hatched_differently(made):
    _, cut = made
    names = {stroke.part for stroke in cut.drawing.strokes if stroke.kind == "hatch"}
    shown = {name: measured(strokes_of(cut.drawing, name, "hatch")) for name in names}
    assert all(angle in (pytest.approx(45.0), pytest.approx(135.0)) for angle, _ in shown.values())
    near = 0
    for one, other in combinations(sorted(names), 2):
        a, b = (shapely.MultiLineString(strokes_of(cut.drawing, each, "hatch")) for each in (one, other))
        if shapely.distance(a, b) < 1.0:
            near += 1
            (turned, apart), (turned_too, apart_too) = shown[one], shown[other]
            assert abs(turned - turned_too) > 1.0 or abs(apart - apart_too) > 0.3, (one, other)
        if one.split(": ")[-1] == other.split(": ")[-1]:  # the same part in two views
            assert shown[one] == pytest.approx(shown[other])
    assert near >= 3


def test_every_tooth_is_drawn_across(made):
    """Splines: the outline crosses the pitch circle twice a tooth. Dogs: a piece for each."""
    _, cut = made
    data, line = cut.line.coupling.data, cut.line
    for letter, count in zip("AB", (data.driving_teeth, data.driven_teeth), strict=True):
        area = outline(cut.drawing, f"{letter}–{letter}: {line.middle}")
        if data.kind == "sleeve":
            assert len(shapely.get_parts(area)) == count
            continue
        centre = area.centroid
        circle = centre.buffer(count * line.coupling.module_mm / 2 * cut.across, quad_segs=200).exterior
        assert len(shapely.get_parts(shapely.intersection(area.exterior, circle))) == 2 * count
    words = " ".join(word.text for word in cut.drawing.words)
    for text in ("A–A (", "B–B (", f", {data.driving_teeth} ", f", {data.driven_teeth} "):
        assert text in words


def test_the_scale_is_true(made):
    _, cut = made
    line = cut.line
    for part in (line.driving_mate, line.driven_mate):
        drawn = np.vstack(strokes_of(cut.drawing, str(part), "wide"))
        polygons, back = cut_by(line.bodies[part], line.origin, np.cross(line.along, cut.up))
        _, bottom, _, top = in_frame(polygons, back, line.origin, line.along, cut.up).bounds
        assert np.ptp(drawn[:, 1]) == pytest.approx((top - bottom) * cut.scale, abs=0.06)
        drawn = np.vstack([*strokes_of(cut.drawing, str(part), "wide"), *strokes_of(cut.drawing, str(part), "narrow")])
        low, high = line.spans[part]
        assert np.ptp(drawn[:, 0]) == pytest.approx((high - low) * cut.scale, abs=0.6)
    a, b = (strokes_of(cut.drawing, f"plane {each}–{each}", "arrow")[0][0][0] for each in "AB")
    between = (line.tooth_mm[1] - line.tooth_mm[0] - cut.shortened_mm) * cut.scale
    assert b - a == pytest.approx(between + (5.0 if cut.shortened_mm else 0.0), abs=0.01)


def test_all_stands_on_the_sheet_and_no_words_overlap(made):
    _, cut = made
    sheet = shapely.box(0.0, 0.0, *cut.drawing.size_mm)
    for stroke in cut.drawing.strokes:
        for each in stroke.lines:
            assert sheet.contains(shapely.LineString(each)), stroke.part
    boxes = [word_box(word) for word in cut.drawing.words]
    for one, other in combinations(boxes, 2):
        assert not one.intersects(other)
    hatched = shapely.union_all(
        [shapely.LineString(each) for s in cut.drawing.strokes if s.kind == "hatch" for each in s.lines]
    )
    assert all(shapely.distance(box, hatched) > 0.3 for box in boxes)


def word_box(word):
    from quillwise.viz.paper import text_width_mm

    width = text_width_mm(word.text, word.height_mm)
    left = word.at[0] - {"start": 0.0, "middle": width / 2, "end": width}[word.anchor]
    return shapely.box(left, word.at[1] - word.height_mm, left + width, word.at[1])


@pytest.fixture
def in_its_own_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def run(*arguments, code=0, name="slipway-six"):
    result = CliRunner().invoke(cli.app, ["draw", name, *arguments], prog_name="quillwise")
    assert result.exit_code == code, result.output
    return (result.stderr if code else result.stdout).strip()


@pytest.mark.usefixtures("in_its_own_folder")
def test_files_and_record(made):
    """The record says what is drawn; the file holds it as named groups and text; another run gives the same bytes."""
    engine, cut = made
    coupling = cut.line.coupling
    told = json.loads(run("--line", "--section", coupling.name, "--json", "-o", "one.svg", name=engine.sheet.scene))
    assert (told["record"], told["drawing"], told["scene"]) == ("drawing", "section", engine.sheet.scene)
    assert told["file"] == "one.svg"
    data = Path("one.svg").read_bytes()
    assert data == rendered(cut.drawing, LineFormat.SVG)
    root = ET.fromstring(data)
    assert not list(root.iter(f"{SVG}image"))
    assert root[0].tag == f"{SVG}title" and root[1].tag == f"{SVG}desc"
    groups = [group[0].text for group in root.iter(f"{SVG}g")]
    assert len(groups) == len(set(groups))
    assert {part["part"] for part in told["parts"]} <= set(groups)
    words = [each.text for each in root.iter(f"{SVG}text")]
    assert any(f"({told['scale']})" in each for each in words)
    assert {part["name"] for part in told["parts"]} <= set(words)
    assert [each["teeth"] for each in told["across"]] == [coupling.data.driving_teeth, coupling.data.driven_teeth]
    # the angle of the plane: half a tooth of the driving mate off its shaft's angle 0, or more by whole teeth
    pitch = 360.0 / coupling.data.driving_teeth
    assert told["cut_driving_shaft_deg"] % pitch == pytest.approx(pitch / 2, abs=1e-6)
    pdf = rendered(cut.drawing, LineFormat.PDF)
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        images = [
            each for each in opened.objects if isinstance(each, pikepdf.Stream) and each.get("/Subtype") == "/Image"
        ]
        assert not images
        assert len(opened.pages) == 1


@pytest.mark.usefixtures("in_its_own_folder")
@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--line", "--section", "quil"), 'unknown coupling "quil"; defined: quill, sleeve (did you mean quill?)'),
        (("--section", "quill"), "--section is for --line"),
        (("--exploded", "quill"), "--exploded is for --line"),
        (("--line", "--exploded", "quil"), 'unknown coupling "quil"'),
        (("--line", "--section", "quill", "--exploded", "quill"), "--section shows a coupling alone"),
        (("--line", "--exploded", "quill", "--step", "2"), "--exploded shows a coupling alone, as it is set: it does"),
        (("--line", "--section", "quill", "--view", "left"), "--section shows a coupling alone"),
        (("--line", "--section", "quill", "--detail", "quill"), "--section shows a coupling alone"),
        (("--line", "--section", "quill", "--paper", "60x50"), "--section: this sheet is too small"),
        (("--line", "--exploded", "quill", "--paper", "60x50"), "--exploded: this sheet is too small"),
    ],
)
def test_wrong_requests_are_told(arguments, message):
    assert run(*arguments, code=2).startswith(message)
    assert not list(Path().iterdir())


@pytest.mark.slow
@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much])
@given(engines())
def test_random_engines(engine):
    assembly = play(engine).as_set
    for coupling in list(engine.couplings.values())[:2]:
        cut = section(engine, coupling, assembly, 0.0, sheet_mm("A4"))
        towards = np.cross(cut.line.along, cut.up)
        for part, area in cut.areas.items():
            polygons, _ = cut_by(cut.line.bodies[part], cut.line.origin, towards)
            assert area == pytest.approx(sum(each.area for each in polygons), rel=1e-4)
        test_adjoining_parts_are_hatched_differently((engine, cut))
        test_all_stands_on_the_sheet_and_no_words_overlap((engine, cut))
