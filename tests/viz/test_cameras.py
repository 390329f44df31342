"""Framing and projection, checked against VTK's own transformation of the same camera."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quillwise.kinematics.errors import GraphicsError, RequestError
from quillwise.viz import cameras, graphics
from quillwise.viz.cameras import Camera, Margins

SIZE = (854, 480)
ENGINE = (-60.0, 1240.0, -420.0, 380.0, -210.0, 640.0)


def _cloud(seed: int, count: int = 60) -> cameras.Floats:
    random = np.random.default_rng(seed)
    return random.normal(size=(count, 3)) * [500.0, 200.0, 300.0] + [600.0, -40.0, 150.0]


@pytest.mark.parametrize("parallel", [True, False])
@pytest.mark.parametrize("name", list(cameras.VIEWS))
def test_projection_equals_vtk(name: str, parallel: bool) -> None:
    try:
        graphics.probe()
    except GraphicsError as error:
        pytest.skip(str(error))
    from quillwise.viz.stage import Stage

    points = _cloud(1)
    camera = cameras.fit_view(name, points, SIZE[0] / SIZE[1], Margins(left=0.1, top=0.2), parallel)
    with Stage(SIZE) as stage:
        stage.look(camera)
        stage.render()
        shown = []
        for point in points:
            stage.renderer.SetWorldPoint(*point, 1.0)
            stage.renderer.WorldToDisplay()
            x, y, _ = stage.renderer.GetDisplayPoint()
            shown.append((x, SIZE[1] - y))
    np.testing.assert_allclose(cameras.project(camera, points, SIZE), shown, atol=0.5)


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    count=st.integers(1, 30),
    direction=st.tuples(*[st.floats(-1, 1)] * 2),
    aspect=st.floats(0.3, 3.0),
    margins=st.tuples(*[st.floats(0, 0.45)] * 4),
    parallel=st.booleans(),
)
def test_every_point_lies_inside_the_margins(
    seed: int,
    count: int,
    direction: tuple[float, float],
    aspect: float,
    margins: tuple[float, float, float, float],
    parallel: bool,
) -> None:
    points = _cloud(seed, count)
    keep = Margins(left=margins[0], right=margins[1], top=margins[2], bottom=margins[3])
    camera = cameras.fit(points, (1.0, *direction), (0, 0, 1), aspect, keep, parallel)
    width, height = 1000 * aspect, 1000.0
    x, y = (cameras.project(camera, points, (1, 1)) * [1, 1]).T
    # project() takes whole pixels; a frame of 1 × 1 has the vertical scale, the horizontal one follows from aspect.
    x = 500 * aspect + (x - 0.5) * height
    y = y * height
    tight = 1e-6 * height
    assert (x >= keep.left * width - tight).all() and (x <= (1 - keep.right) * width + tight).all()
    assert (y >= keep.top * height - tight).all() and (y <= (1 - keep.bottom) * height + tight).all()
    if count > 3:
        filled = max(
            np.ptp(x) / (width * (1 - keep.left - keep.right)), np.ptp(y) / (height * (1 - keep.top - keep.bottom))
        )
        # A perspective view may touch two borders at different depths and still not fill the room on one of them.
        assert filled > (0.999 if parallel else 0.6)


def test_a_parallel_view_is_centred() -> None:
    camera = cameras.fit_view("left", ENGINE, 16 / 9)
    pixels = cameras.project(camera, cameras.box_corners(ENGINE), (1600, 900))
    assert (pixels.min(axis=0) + pixels.max(axis=0)) / 2 == pytest.approx([800, 450])


def test_seen_from_the_wheelcase_end_plus_y_is_left_and_z_is_up() -> None:
    for name, left, up in (
        ("wheelcase end", (0, 1, 0), (0, 0, 1)),
        ("output end", (0, -1, 0), (0, 0, 1)),
        ("left", (1, 0, 0), (0, 0, 1)),
        ("right", (-1, 0, 0), (0, 0, 1)),
        ("top", (-1, 0, 0), (0, 1, 0)),
    ):
        camera = cameras.fit_view(name, ENGINE, 1.5)
        middle, to_left, to_up = cameras.project(
            camera, np.array([(0, 0, 0), np.multiply(left, 10), np.multiply(up, 10)]), (900, 600)
        )
        assert to_left[0] < middle[0] - 1 and to_left[1] == pytest.approx(middle[1]), name
        assert to_up[1] < middle[1] - 1 and to_up[0] == pytest.approx(middle[0]), name


def test_the_eye_stands_at_the_end_that_the_view_is_named_after() -> None:
    centre = np.array([590.0, -20.0, 215.0])
    for name, axis, sign in (
        ("wheelcase end", 0, -1),
        ("output end", 0, 1),
        ("left", 1, 1),
        ("right", 1, -1),
        ("top", 2, 1),
    ):
        for parallel in (True, False):
            camera = cameras.fit_view(name, ENGINE, 1.5, parallel=parallel)
            assert sign * (camera.position[axis] - centre[axis]) > 0, name


def test_a_known_perspective() -> None:
    # Eye 100 mm away, whole angle 90°: the upper border stands 100 mm above the axis (geometry).
    camera = Camera(position=(-100, 0, 0), focal=(0, 0, 0), up=(0, 0, 1), view_angle_deg=90)
    pixels = cameras.project(camera, [(0, 0, 100), (0, 100, 0), (0, 0, 0), (-200, 0, 0)], (400, 200))
    np.testing.assert_allclose(pixels[:3], [(200, 0), (100, 100), (200, 100)], atol=1e-9)
    assert np.isnan(pixels[3]).all()


def test_scale_of_a_parallel_view() -> None:
    camera = Camera(position=(-100, 0, 0), focal=(0, 0, 0), up=(0, 0, 1), parallel_half_height_mm=50)
    assert cameras.px_per_mm(camera, (400, 200)) == 2.0
    ends = cameras.project(camera, [(0, 10, 0), (0, -10, 0)], (400, 200))
    assert np.linalg.norm(ends[1] - ends[0]) == pytest.approx(20 * 2.0)
    with pytest.raises(ValueError, match="no one scale"):
        cameras.px_per_mm(Camera(position=(-1, 0, 0), focal=(0, 0, 0), up=(0, 0, 1)), (400, 200))


def test_what_cannot_be_framed() -> None:
    with pytest.raises(ValueError, match="nothing to look at"):
        cameras.fit(np.empty((0, 3)), (1, 0, 0), (0, 0, 1), 1.5)
    with pytest.raises(ValueError, match="nothing to look at"):
        cameras.fit([(0, np.nan, 0)], (1, 0, 0), (0, 0, 1), 1.5)
    with pytest.raises(ValueError, match="no room"):
        cameras.fit([(0, 0, 0)], (1, 0, 0), (0, 0, 1), 1.5, Margins(left=0.6, right=0.4))
    with pytest.raises(ValueError, match="do not span"):
        cameras.fit([(0, 0, 0)], (0, 0, 2), (0, 0, 1), 1.5)


def test_a_view_that_does_not_exist() -> None:
    with pytest.raises(RequestError) as caught:
        cameras.view("wheel case end")
    assert str(caught.value) == (
        'unknown view "wheel case end"; defined: wheelcase end, output end, left, right, top, three-quarter '
        "(did you mean wheelcase end?)"
    )
