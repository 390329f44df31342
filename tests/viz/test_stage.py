"""Pictures prove presence, place, framing and colour; angles are proved as numbers elsewhere."""

from __future__ import annotations

import gc
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from typing import Any, cast

import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray

from quillwise.kinematics.errors import GraphicsError
from quillwise.kinematics.parts import Kind, Part
from quillwise.viz import cameras, graphics, palette

SIZE = (320, 240)
WHEEL = Part(Kind.WHEEL, "on the crankshaft")
SHAFT = Part(Kind.SHAFT, "wheelcase shaft")
CASE = Part(Kind.CYLINDER, "A1")


@pytest.fixture(autouse=True)
def _opengl() -> None:
    try:
        graphics.probe()
    except GraphicsError as error:
        pytest.skip(str(error))


@pytest.fixture
def stage() -> Iterator[Any]:
    from quillwise.viz.stage import Stage

    with Stage(SIZE) as made:
        yield made


def _at(x: float, y: float, z: float) -> NDArray[np.float64]:
    pose = np.eye(4)
    pose[:3, 3] = x, y, z
    return pose


def _turned(angle_rad: float) -> NDArray[np.float64]:
    return np.array(cast(Any, trimesh.transformations).rotation_matrix(angle_rad, (1, 2, 3)))


def _from_the_end(half_height_mm: float) -> cameras.Camera:
    """Looks along +x, 100 mm off: +y is left, z is up."""
    return cameras.Camera(position=(-100, 0, 0), focal=(0, 0, 0), up=(0, 0, 1), parallel_half_height_mm=half_height_mm)


def _seen(stage: Any, ghosts: bool = False) -> dict[Any, int]:
    numbers, keys = stage.identify(ghosts)
    assert set(np.unique(numbers)) <= {0, *keys}
    return {key: int((numbers == number).sum()) for number, key in keys.items()}


def test_keys_are_what_was_added(stage: Any) -> None:
    box = trimesh.creation.box((10, 10, 10))
    stage.add(WHEEL, box)
    stage.add(WHEEL, box, "intended")
    stage.add(CASE, (box.vertices, box.faces), "ghost")
    assert stage.keys() == {(WHEEL, "found"), (WHEEL, "intended"), (CASE, "ghost")}
    with pytest.raises(ValueError, match="stands on the stage already as found"):
        stage.add(WHEEL, box)
    for call, arguments in (
        (stage.show, (SHAFT, True)),
        (stage.show, (CASE, True, "found")),
        (stage.emphasise, ({SHAFT},)),
        (stage.ghost, ({SHAFT},)),
    ):
        with pytest.raises(KeyError, match="does not stand on the stage"):
            call(*arguments)
    with pytest.raises(ValueError, match="expected vertices"):
        stage.add(SHAFT, (np.zeros((3, 2)), np.zeros((1, 3), int)))
    # Poses of parts that are not drawn are no error: the mechanism may have more parts than the picture.
    stage.move({SHAFT: np.eye(4)})


def test_the_area_drawn_is_the_area_of_the_part(stage: Any) -> None:
    stage.add(WHEEL, trimesh.creation.icosphere(subdivisions=4, radius=30))
    stage.look(_from_the_end(60))
    scale = SIZE[1] / 120
    # Area of a circle; the mesh lies inside its sphere by less than 1 %.
    assert _seen(stage)[WHEEL, "found"] == pytest.approx(np.pi * 30**2 * scale**2, rel=0.02)


def test_a_part_is_drawn_where_its_pose_puts_it(stage: Any) -> None:
    stage.add(WHEEL, trimesh.creation.icosphere(subdivisions=3, radius=6))
    camera = cameras.fit([(0, -90, -90), (0, 90, 90)], (1, 0.3, -0.2), (0, 0, 1), SIZE[0] / SIZE[1])
    stage.look(camera)
    for place in ((0.0, 60.0, 40.0), (30.0, -50.0, 10.0), (-20.0, 20.0, -60.0)):
        turned = _turned(1.0)
        turned[:3, 3] = place
        stage.move({WHEEL: turned})
        numbers, _ = stage.identify()
        rows, columns = np.nonzero(numbers)
        centre = columns.mean() + 0.5, rows.mean() + 0.5
        assert centre == pytest.approx(cameras.project(camera, [place], SIZE)[0], abs=0.5)
        np.testing.assert_allclose(stage.points().mean(axis=0), place, atol=1e-9)


def test_hidden_parts_have_no_pixel(stage: Any) -> None:
    stage.add(WHEEL, trimesh.creation.box((10, 40, 40)))
    stage.add(SHAFT, trimesh.creation.box((10, 20, 20)))
    stage.move({WHEEL: _at(0, 0, 0), SHAFT: _at(50, 0, 0)})
    stage.look(_from_the_end(40))
    scale = SIZE[1] / 80
    assert _seen(stage) == {(WHEEL, "found"): (40 * scale) ** 2, (SHAFT, "found"): 0}
    stage.show(WHEEL, False)
    assert _seen(stage) == {(WHEEL, "found"): 0, (SHAFT, "found"): (20 * scale) ** 2}
    stage.show(WHEEL, True)
    stage.ghost({WHEEL})
    assert _seen(stage) == {(WHEEL, "found"): 0, (SHAFT, "found"): (20 * scale) ** 2}
    assert _seen(stage, ghosts=True)[WHEEL, "found"] == (40 * scale) ** 2
    assert len(stage.points()) == 16
    stage.show(WHEEL, False)
    np.testing.assert_allclose(stage.points().mean(axis=0), (50, 0, 0))
    assert len(stage.points({WHEEL})) == 8


def test_more_parts_than_one_byte_can_number(stage: Any) -> None:
    box = trimesh.creation.box((2, 2, 2))
    places = {}
    for number in range(300):
        part = Part(Kind.SEGMENTS, str(number))
        stage.add(part, box)
        places[part] = _at(0, number % 20 * 4 - 38, number // 20 * 4 - 28)
    stage.move(places)
    stage.look(_from_the_end(32))
    seen = _seen(stage)
    assert len(seen) == 300
    # 7.5 pixels wide: 7 or 8 pixel centres fall on it.
    assert set(seen.values()) <= {49, 56, 64}
    # Row by row each number stands where its part was put.
    numbers, keys = stage.identify()
    camera = _from_the_end(32)
    for number, (part, _) in keys.items():
        x, y = cameras.project(camera, [places[part][:3, 3]], SIZE)[0]
        assert numbers[int(y), int(x)] == number


def test_identify_leaves_the_picture_as_it_was(stage: Any) -> None:
    stage.add(WHEEL, trimesh.creation.icosphere(subdivisions=3, radius=20), outline=True)
    stage.add(CASE, trimesh.creation.box((50, 50, 50)), "ghost")
    stage.look(_from_the_end(40))
    before = stage.picture()
    stage.identify()
    assert (stage.picture() == before).all()


def test_a_picture_is_new_after_a_move_and_the_same_without(stage: Any) -> None:
    stage.add(WHEEL, trimesh.creation.box((10, 20, 20)))
    stage.look(_from_the_end(40))
    first = stage.picture()
    assert first.shape == (SIZE[1], SIZE[0], 3)
    assert (stage.picture() == first).all()
    stage.move({WHEEL: _at(0, 30, 0)})
    moved = stage.picture()
    assert (moved != first).any()
    ground = palette.rgb(palette.GROUND)
    assert tuple(first[SIZE[1] // 2, SIZE[0] // 2]) != ground
    assert tuple(moved[SIZE[1] // 2, SIZE[0] // 2]) == ground


def test_emphasis_is_strong_colour_and_the_rest_quiet(stage: Any) -> None:
    box = trimesh.creation.box((10, 30, 30))
    quill = Part(Kind.QUILL, "quill-a")
    for part, y in ((quill, 40.0), (WHEEL, 0.0), (CASE, -40.0)):
        stage.add(part, box)
        stage.move({part: _at(0, y, 0)})
    stage.look(_from_the_end(50))

    def colours() -> list[NDArray[np.float64]]:
        picture = stage.picture().astype(float)
        centres = cameras.project(_from_the_end(50), [(0, 40, 0), (0, 0, 0), (0, -40, 0)], SIZE).astype(int)
        return [picture[y - 8 : y + 8, x - 8 : x + 8].mean(axis=(0, 1)) for x, y in centres]

    def colourful(rgb: NDArray[np.float64]) -> bool:
        return bool(np.ptp(rgb) > 100)

    stage.ghost({CASE})
    assert [colourful(rgb) for rgb in colours()] == [False, False, False]
    assert colours()[2].min() > 235, "a ghost is faint"
    stage.emphasise({quill})
    assert [colourful(rgb) for rgb in colours()] == [True, False, False]
    # The hue is that of the palette: the light may dim it, never turn it.
    drawn = colours()[0]
    wanted = np.array(palette.rgb(palette.strong(Kind.QUILL)), dtype=float)
    assert drawn / drawn.max() == pytest.approx(wanted / wanted.max(), abs=0.05)
    stage.emphasise({WHEEL})
    assert [colourful(rgb) for rgb in colours()] == [False, True, False]
    stage.emphasise({CASE})
    assert [colourful(rgb) for rgb in colours()] == [False, False, True]
    stage.emphasise(set())
    assert colours()[2].min() > 235, "a ghost that was emphasised is a ghost again"
    stage.colour(WHEEL, palette.VERMILLION)
    assert colourful(colours()[1])
    stage.colour(WHEEL)
    assert not colourful(colours()[1])


def test_edges_are_drawn_but_not_through_the_part(stage: Any) -> None:
    stage.add(WHEEL, trimesh.creation.box((10, 40, 40)))
    stage.emphasise({WHEEL})
    stage.look(_from_the_end(40))
    scale = SIZE[1] / 80
    left, top = SIZE[0] / 2 - 20 * scale, SIZE[1] / 2 - 20 * scale
    picture = stage.picture().max(axis=-1)
    middle = picture[SIZE[1] // 2]
    assert middle[int(left) - 2 : int(left) + 3].min() < 110, "the left edge"
    assert picture[int(top) - 2 : int(top) + 3, SIZE[0] // 2].min() < 110, "the top edge"
    inside = picture[int(top) + 4 : -int(top) - 4, int(left) + 4 : -int(left) - 4]
    assert np.ptp(inside) <= 2, "no edge of the back shows"


@pytest.mark.parametrize("parallel", [True, False])
@pytest.mark.parametrize("turn", [0.0, 2.0])
def test_an_outline_is_drawn_round_what_has_no_edges(stage: Any, parallel: bool, turn: float) -> None:
    """The rim of a ball is dark all round, in both kinds of view; without outline it is not.

    Unturned, faces stand exactly edge-on in the parallel view: no hole there either.
    """
    ball = trimesh.creation.icosphere(subdivisions=4, radius=20)
    stage.add(WHEEL, ball)
    stage.add(SHAFT, ball, outline=True)
    turned = _turned(turn)
    stage.move({WHEEL: _at(0, 25, 0), SHAFT: _at(0, -25, 0) @ turned})
    stage.emphasise({WHEEL, SHAFT})
    camera = cameras.fit(stage.points(), (1, 0, 0), (0, 0, 1), SIZE[0] / SIZE[1], parallel=parallel)
    stage.look(camera)
    numbers, keys = stage.identify()
    picture = stage.picture().max(axis=-1)

    def darkest_at_the_rim(part: Part) -> list[int]:
        """The darkest pixel within two pixels of each place of the part's rim."""
        inside = numbers == next(number for number, key in keys.items() if key == (part, "found"))
        core = inside[1:-1, 1:-1] & inside[:-2, 1:-1] & inside[2:, 1:-1] & inside[1:-1, :-2] & inside[1:-1, 2:]
        rim = np.argwhere(inside[1:-1, 1:-1] & ~core) + 1
        assert len(rim) > 200
        return [int(picture[row - 2 : row + 3, column - 2 : column + 3].min()) for row, column in rim]

    assert np.mean(np.array(darkest_at_the_rim(SHAFT)) < 135) > 0.9
    assert not (np.array(darkest_at_the_rim(WHEEL)) < 135).any()


def test_round_parts_are_shaded_without_facets(stage: Any) -> None:
    stage.add(SHAFT, trimesh.creation.cylinder(radius=30, height=60, sections=32), edges=False)
    stage.look(_from_the_end(40))
    row = stage.picture(scale=1)[SIZE[1] // 2, :, 1].astype(int)
    inside = row[np.flatnonzero(row < 255)[4] : np.flatnonzero(row < 255)[-4]]
    # 32 facets in plain shading jump by 5 and more from one to the next.
    assert np.ptp(inside) > 30
    assert np.abs(np.diff(inside[8:-8])).max() <= 3


def test_an_index_mark_is_painted(stage: Any) -> None:
    wheel = trimesh.creation.cylinder(radius=30, height=10, sections=48)
    marked = (wheel.triangles_center[:, 1] > 27) & (np.abs(wheel.triangles_center[:, 0]) < 4)
    assert 0 < marked.sum() < 20
    stage.add(WHEEL, wheel, marked=marked)
    turn = np.array([[0, 0, -1.0, 0], [1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 0, 1]])
    stage.move({WHEEL: turn})
    stage.look(cameras.Camera(position=(0, 0, 100), focal=(0, 0, 0), up=(1, 0, 0), parallel_half_height_mm=40))
    picture = stage.picture(scale=1).astype(int)
    painted = np.abs(picture - palette.rgb(palette.INDEX_MARK)).max(axis=-1) < 12
    assert 20 < painted.sum() < 3000
    assert _seen(stage)[WHEEL, "found"] > painted.sum()


def test_transparent_ground(stage: Any) -> None:
    stage.add(WHEEL, trimesh.creation.box((10, 30, 30)))
    stage.add(CASE, trimesh.creation.box((10, 60, 60)), "ghost", edges=False)
    stage.look(_from_the_end(40))
    opaque = stage.picture().astype(float)
    clear = stage.picture(transparent=True)
    assert clear.shape == (SIZE[1], SIZE[0], 4)
    middle, beside, corner = (SIZE[1] // 2, SIZE[0] // 2), (SIZE[1] // 2 - 65, SIZE[0] // 2), (3, 3)
    assert clear[corner][3] == 0
    assert clear[middle][3] == 255
    assert 10 < clear[beside][3] < 80
    # Laid over white it is the picture on white again.
    share = clear[..., 3:] / 255.0
    laid = clear[..., :3] * share + 255.0 * (1 - share)
    for place in (middle, beside, corner):
        assert laid[place] == pytest.approx(opaque[place], abs=2)
    assert np.abs(laid - opaque).mean() < 1
    assert (stage.picture() == opaque).all()


def test_two_viewports_of_one_window() -> None:
    import pyvista as pv

    from quillwise.viz.stage import Stage

    plotter = pv.Plotter(off_screen=True, shape=(1, 2), window_size=[400, 200], lighting="none", border=False)
    left, right = Stage.on(plotter, 0, 0), Stage.on(plotter, 0, 1)
    assert left.size_px == right.size_px == (200, 200)
    left.add(WHEEL, trimesh.creation.box((10, 40, 40)))
    right.add(WHEEL, trimesh.creation.box((10, 20, 20)))
    for stage in (left, right):
        stage.look(_from_the_end(40))
    assert _seen(left) == {(WHEEL, "found"): 100**2}
    assert _seen(right) == {(WHEEL, "found"): 50**2}
    for scale in (2, 1, 2):
        assert left.picture(scale).shape == right.picture(scale).shape == (200, 200, 3)
    assert tuple(left.picture()[60, 60]) != (255, 255, 255)
    assert tuple(right.picture()[60, 60]) == (255, 255, 255)
    left.close()
    assert right.is_open
    assert _seen(right) == {(WHEEL, "found"): 50**2}
    right.close()
    plotter.close()


def test_after_closing_it_says_so_and_nothing_is_left_alive() -> None:
    from vtkmodules.vtkRenderingCore import vtkActor, vtkRenderWindow

    from quillwise.viz.stage import Stage

    def alive() -> int:
        gc.collect()
        # by its type: a library's weak reference to a thing that is gone answers no question
        return sum(issubclass(type(thing), (vtkActor, vtkRenderWindow)) for thing in gc.get_objects())

    before = alive()
    for _ in range(3):
        stage = Stage((64, 48))
        stage.add(WHEEL, trimesh.creation.box((10, 10, 10)), outline=True)
        stage.look(_from_the_end(20))
        stage.picture()
        stage.close()
        stage.close()
        assert not stage.is_open
        for call in (stage.render, stage.picture, stage.identify):
            with pytest.raises(GraphicsError, match="The window is closed"):
                call()
        del stage, call
    assert alive() <= before


_WINDOW = """
import sys
import trimesh
from quillwise.kinematics.errors import GraphicsError
from quillwise.kinematics.parts import Kind, Part
from quillwise.viz import cameras
from quillwise.viz.stage import Stage
try:
    stage = Stage((320, 240), window=True)
except GraphicsError as error:
    print(error)
    sys.exit(3)
wheel = Part(Kind.WHEEL, "w")
stage.add(wheel, trimesh.creation.box((10, 40, 40)))
stage.look(cameras.fit(stage.points(), (1, 0, 0), (0, 0, 1), 4 / 3))
stage.plotter.show(interactive_update=True, auto_close=False)
stage.render()
picture = stage.picture()
numbers, keys = stage.identify()
print(picture.shape, (numbers > 0).mean() > 0.3, picture[120, 160].max() < 255)
stage.close()
stage.close()
"""


def _in_a_process(*before: str) -> subprocess.CompletedProcess[str]:
    clean = {k: v for k, v in os.environ.items() if k not in ("DISPLAY", graphics.WINDOW_VARIABLE)}
    return subprocess.run(
        [*before, sys.executable, "-c", _WINDOW],
        env=clean,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


@pytest.mark.skipif(shutil.which("xvfb-run") is None, reason="xvfb-run is not installed")
def test_a_window_on_a_display_opens_and_closes_cleanly() -> None:
    done = _in_a_process("xvfb-run", "-a")
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "(240, 320, 3) True True"
    assert "Traceback" not in done.stderr


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere a display is given")
def test_a_window_without_a_display_is_refused() -> None:
    done = _in_a_process()
    assert done.returncode == 3, done.stderr
    assert done.stdout.strip() == "There is no display that a window could be opened on."
