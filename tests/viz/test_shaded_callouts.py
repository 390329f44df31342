"""Callouts on shaded pictures: tips on the visible part, nothing covered, all inside, the same at every resolution."""

from __future__ import annotations

import itertools
import json

import numpy as np
import pytest
import shapely
from layouts import sheet_of
from PIL import Image
from typer.testing import CliRunner

from quillwise.kinematics.build import build
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import frame
from quillwise.scenes.library import engine as packaged
from quillwise.scenes.library import names as packaged_names
from quillwise.viz import callouts, cli, plates, shaded_callouts, still, turning
from quillwise.viz.cameras import VIEWS, fit, project, shifted
from quillwise.viz.captions import panel
from quillwise.viz.linework import in_picture
from quillwise.viz.linked import side
from quillwise.viz.paper import TEXT_MM, text_width_mm
from quillwise.viz.pointing import Pointed, Pointing
from quillwise.viz.standpoint import directions

MM = still.MM_PER_INCH
SIZE_MM = (330.0, 210.0)
RADIUS = callouts.balloon_radius_mm(TEXT_MM)
TWIN = "a twin"  # quick to draw
SCENES = [TWIN, *(pytest.param(name, marks=pytest.mark.slow) for name in packaged_names())]


@pytest.fixture(scope="module", params=SCENES)
def engine(request):
    if request.param == TWIN:
        return build(sheet_of(("A1", "A2"), {"A": (0, 2)}, "clockwise", "side by side", False))
    return packaged(request.param)


def boxes_of(words):
    """What lines of text take up on paper [mm], figures and letters from the base line to their full height."""
    starts = {"start": 0.0, "middle": 0.5, "end": 1.0}
    found = []
    for word in words:
        long = text_width_mm(word.text, word.height_mm)
        left = word.at[0] - starts[word.anchor] * long
        found.append(shapely.box(left, word.at[1] - word.height_mm, left + long, word.at[1]))
    return found


def assert_well_placed(called, width_mm, height_mm):
    """None over another, no leaders that cross, all inside."""
    paper = shapely.box(0, 0, width_mm, height_mm)
    circles = [shapely.Point(each.at).buffer(RADIUS) for each in called.pointed]
    lines = [shapely.LineString(points) for stroke in called.strokes for points in stroke.lines]
    listed = boxes_of(word for word in called.words if word.anchor != "middle")
    assert all(each.within(paper) for each in (*circles, *lines, *listed))
    for one, other in itertools.combinations(circles, 2):
        assert one.distance(other) > 0.5
    for one, other in itertools.combinations(lines, 2):
        assert not one.crosses(other)
    for circle, text in itertools.product(circles, listed):
        assert circle.distance(text) > 0.5
    for circle, (number, line) in itertools.product(circles, enumerate(lines)):
        assert circle is circles[number] or line.distance(circle) > 0


def masked(shape, size_px, dpi):
    """Pixels (H, W) whose middle lies in a shape on paper."""
    x, y = (np.arange(size_px[0]) + 0.5) / dpi * MM, (np.arange(size_px[1]) + 0.5) / dpi * MM
    shapely.prepare(shape)
    return shapely.contains_xy(shape, *np.meshgrid(x, y))


def test_on_a_step_the_tips_lie_on_their_parts_and_nothing_is_covered(engine, monkeypatch):
    """Which part is seen is asked of the graphics library, by flat colours, in the picture itself; the places were
    found by rays. At two resolutions they are the same."""
    steps = play(engine).steps
    step = next(step for step in steps if len(step.about) >= 3)
    moment = frame(step, 1.0)
    made = plates.exhibit.bodies(engine)
    monkeypatch.setattr(plates.exhibit, "bodies", lambda _: made)  # once is enough
    found = []
    for dpi in (50.0, 81.0):
        size_px = still.size_px(*SIZE_MM, dpi)
        pointing = Pointing(pointed=Pointed(), size_mm=SIZE_MM)
        with plates.Plates(engine, size_px, dpi, smooth=1, pointing=pointing) as drawing:
            drawing._draw_general(moment.assembly, plates.exhibit.state_at(engine, moment), step)
            numbers, keys = drawing._general.identify()
            called = drawing.called
        height, width = numbers.shape
        assert_well_placed(called, width / dpi * MM, height / dpi * MM)
        assert {each.name for each in called.pointed} <= {str(part) for part in step.about}
        for each in called.pointed:
            x, y = (int(place * dpi / MM) for place in each.tip)
            near = numbers[y - 1 : y + 2, x - 1 : x + 2].ravel()  # a pixel is coarser than the tip of a thin part
            assert each.name in {str(keys[number][0]) for number in near if number}
        listed = [word for word in called.words if word.anchor != "middle"]
        covering = [*(shapely.Point(each.at).buffer(RADIUS) for each in called.pointed), *boxes_of(listed)]
        assert not numbers[masked(shapely.union_all(covering), (width, height), dpi)].any()
        found.append(called)
    one, other = found
    assert one.pointed == other.pointed
    assert one.words == other.words
    assert len(one.pointed) >= 1


def test_ink_goes_where_it_was_placed_and_nowhere_else(engine):
    dpi = 90.0
    size_px = still.size_px(*SIZE_MM, dpi)
    as_set = play(engine).as_set
    moment = plates.Frame(assembly=as_set, crank_deg=30.0, free={})
    pointing = Pointing(pointed=Pointed(), size_mm=SIZE_MM)
    with plates.Plates(engine, size_px, dpi, smooth=1, pointing=pointing) as drawing:
        called = []
        inked = shaded_callouts.inked

        def kept(picture, drawn, at_dpi):
            called.append(picture)
            return inked(picture, drawn, at_dpi)

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(shaded_callouts, "inked", kept)
            whole = drawing.general(moment, "three-quarter")
        shown = drawing.called
    (plain,) = called
    over = whole[: plain.shape[0]]
    assert 6 <= len(shown.pointed) <= callouts.MOST
    assert_well_placed(shown, size_px[0] / dpi * MM, plain.shape[0] / dpi * MM)
    changed = (over != plain).any(axis=2)
    circles = [shapely.Point(each.at).buffer(RADIUS + 1) for each in shown.pointed]
    lines = [shapely.LineString(points).buffer(1.0) for stroke in shown.strokes for points in stroke.lines]
    words = [box.buffer(1.5) for box in boxes_of(shown.words)]
    allowed = masked(shapely.union_all([*circles, *lines, *words]), (plain.shape[1], plain.shape[0]), dpi)
    assert not (changed & ~allowed).any()
    for each in shown.pointed:
        turn = np.radians(np.arange(0, 360, 30))
        ring = np.array(each.at) + RADIUS * np.column_stack([np.cos(turn), np.sin(turn)])
        x, y = (ring * dpi / MM).astype(int).T
        # the line is thinner than a pixel and may fall between two: the darker of those next to it
        near = np.min([over[y + dy, x + dx].max(axis=1) for dy in (-1, 0, 1) for dx in (-1, 0, 1)], axis=0)
        assert (near < 160).all(), "a circle round the number"
        inside = masked(shapely.Point(each.at).buffer(RADIUS - 0.6), (plain.shape[1], plain.shape[0]), dpi)
        dark = (over.max(axis=2) < 128) & inside
        tall = np.ptp(np.nonzero(dark)[0]) + 1
        assert abs(tall / dpi * MM - TEXT_MM) < 0.45, "figures of 3.5 mm"


def test_a_camera_that_is_shifted_moves_the_picture_and_nothing_else():
    rng = np.random.default_rng(5)
    points = rng.uniform(-100, 100, (40, 3))
    camera = fit(points, (0.7, 0.6, -0.3), (0, 0, 1), 1.5)
    half = camera.parallel_half_height_mm
    before = project(camera, points, (300, 200))
    after = project(shifted(camera, 12.0, -7.0, 2 * half), points, (300, 200))
    # twice the height shows everything at half the size, about the middle that has moved
    scale = 100 / half
    expected = (before - (150, 100) - (12.0 * scale, 7.0 * scale)) / 2 + (150, 100)
    np.testing.assert_allclose(after, expected, atol=1e-6)
    with pytest.raises(ValueError, match="perspective"):
        shifted(fit(points, (1, 0, 0), (0, 0, 1), 1.5, parallel=False), 0, 0, 10)


def test_what_stands_at_a_place_on_paper_is_drawn_there_at_every_resolution(engine):
    """The layout maps by its own frame; the picture by the camera of a view of whole pixels."""
    moment = frame(play(engine).steps[0], 1.0)
    made = plates.exhibit.bodies(engine)
    place = shaded_callouts.plate_view(SIZE_MM, 0.36, 0.58)
    eye = VIEWS["three-quarter"].direction
    placed = shaded_callouts.placed(engine, plates.rig(engine), made, moment, eye, (0, 0, 1), place, Pointed())
    bodies = shaded_callouts.standing(engine, plates.rig(engine), made, moment)
    points = np.vstack([body.vertices[::50] for body in bodies.values()])
    on_paper = place.placed(placed.camera, in_picture(points, placed.camera))
    for size_px, dpi in (((401, 233), 47.0), ((1201, 700), 144.0)):
        drawn = project(shaded_callouts.camera_in(placed, size_px, dpi), points, size_px)
        np.testing.assert_allclose(drawn / dpi * MM, on_paper, atol=1e-6)


@pytest.mark.parametrize("dpi", [40.0, 72.0, 110.0, 300.0])
def test_the_view_of_a_plate_on_paper_is_that_in_pixels(dpi):
    place = shaded_callouts.plate_view(SIZE_MM, 0.36, 0.58)
    view = panel(still.size_px(*SIZE_MM, dpi), dpi, 0.36).view
    width, height = view.size_px
    assert place.left + place.width <= width / dpi * MM
    assert place.top + place.height <= 0.58 * height / dpi * MM
    assert place.width > 0.97 * width / dpi * MM
    assert place.height > 0.55 * height / dpi * MM


def run(*arguments, code=0, scene="slipway-six"):
    result = CliRunner().invoke(cli.app, ["draw", scene, *arguments], prog_name="quillwise")
    assert result.exit_code == code, result.output
    return (result.stderr if code else result.stdout).strip()


def test_the_record_has_the_items_and_the_file_its_size(tmp_path):
    path = tmp_path / "d.png"
    parts = [str(part) for part in packaged("slipway-six").parts]
    wheel = next(name for name in parts if name.startswith("wheel") and "," in name)
    told = json.loads(
        run(
            *("--view", "left", "--width-mm", "200", "--height-mm", "120", "--dpi", "60"),
            *("--callouts", f"piston A2, {wheel}, timing disc", "--json", "-o", str(path)),
        )
    )
    (record,) = told["pictures"]
    assert record["file"] == str(path)
    assert record["size_mm"] == [200, 120]
    assert {each["part"] for each in record["callouts"]} == {"piston A2", wheel, "timing disc"}
    assert [each["number"] for each in record["callouts"]] == [1, 2, 3]
    with Image.open(path) as picture:
        assert picture.size == still.size_px(200, 120, 60)
    for each in record["callouts"]:
        for place in (each["tip_mm"], each["at_mm"]):
            assert 0 < place[0] < 200
            assert 0 < place[1] < 120


def test_labels_stand_inside_and_apart(engine):
    moment = frame(play(engine).steps[0], 1.0)
    made = plates.exhibit.bodies(engine)
    place = shaded_callouts.single_view((297.0, 210.0))
    view = VIEWS["right"]
    placed = shaded_callouts.placed(
        engine, plates.rig(engine), made, moment, view.direction, view.up, place, Pointed(labels=True)
    )
    boxes = boxes_of(placed.called.words)
    assert len(boxes) >= 6
    paper = shapely.box(0, 0, 297, 210)
    assert all(box.within(paper) for box in boxes)
    assert all(one.distance(other) > 0.5 for one, other in itertools.combinations(boxes, 2))


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--view", "left", "--callouts", "quil"), '--callouts: unknown part "quil"; name a kind (crankshaft, '),
        (("--view", "left", "--callouts", " , "), "--callouts: expected names of parts parted by commas"),
        (("--labels",), "--labels is for --callouts"),
        (
            ("--view", "output end", "--callouts", "timing window"),
            "--callouts: nothing is seen of the timing window in this view",
        ),
        (("--view", "left", "--callouts", "usual", "--size", "300x150"), "--callouts: no room for the view"),
    ],
)
def test_wrong_requests_are_told(tmp_path, arguments, message):
    assert run(*arguments, "-o", str(tmp_path / "d.png"), code=2).startswith(message)
    assert not list(tmp_path.iterdir())


def test_every_step_finds_places_for_its_callouts(engine):
    made, on = plates.exhibit.bodies(engine), plates.rig(engine)
    place = shaded_callouts.plate_view(SIZE_MM, 0.36, 0.58)
    counts = []
    for step in play(engine).steps:
        eye, arrows = directions(side(engine, step))[0], turning.arrows(engine, step)
        placed = shaded_callouts.placed(
            engine, on, made, frame(step, 1.0), eye, (0, 0, 1), place, Pointed(), step.about, arrows
        )
        called = placed.called
        assert_well_placed(called, place.left + place.width, place.top + place.height)
        assert {each.name for each in called.pointed} <= {str(part) for part in step.about}
        counts.append(len(called.pointed))
    assert max(counts) <= callouts.MOST
    assert sum(count > 0 for count in counts) > 0.9 * len(counts)
