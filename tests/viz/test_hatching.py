"""Hatching and breaks of plane figures, against shapely's own areas and lengths (computed)."""

from __future__ import annotations

import hypothesis.strategies as st
import numpy as np
import pytest
import shapely
from hypothesis import given, settings

from quillwise.viz import hatching
from quillwise.viz.breaks import Window, area_windowed, areal, break_lines, edged, region, windowed


@st.composite
def figures(draw):
    """A polygon with a hole, somewhere on a sheet."""
    count = draw(st.integers(3, 14))
    radius = np.array(draw(st.lists(st.floats(15.0, 40.0), min_size=count, max_size=count)))
    turn = 2 * np.pi * np.arange(count) / count
    at = np.array(draw(st.tuples(st.floats(-50.0, 250.0), st.floats(-50.0, 250.0))))
    whole = shapely.Polygon(at + np.column_stack([radius * np.cos(turn), radius * np.sin(turn)])).buffer(0)
    return shapely.difference(whole, whole.centroid.buffer(draw(st.floats(1.0, 6.0))))


@settings(max_examples=30, deadline=None)
@given(figures(), st.sampled_from(hatching.patterns(2.0)))
def test_lines_lie_in_the_figure_and_fill_it(figure, hatch):
    lines = hatching.lines(figure, hatch)
    whole = shapely.MultiLineString(lines)
    assert figure.buffer(1e-6).contains(whole)
    assert shapely.length(whole) * hatch.apart_mm == pytest.approx(figure.area, rel=0.15)
    assert figure.buffer(-0.01).difference(whole.buffer(0.75 * hatch.apart_mm)).area < 0.03 * figure.area
    for line in lines:
        way = line[-1] - line[0]
        # y runs downwards on paper
        assert np.degrees(np.arctan2(-way[1], way[0])) % 180.0 == pytest.approx(hatch.angle_deg, abs=1e-6)


@settings(max_examples=30, deadline=None)
@given(figures())
def test_pieces_of_one_part_match(figure):
    """Cut in two, a figure has the same hatching as whole."""
    hatch = hatching.patterns(2.0)[0]
    left, top, right, bottom = figure.bounds
    middle = (left + right) / 2
    boxes = (shapely.box(left, top, middle, bottom), shapely.box(middle, top, right, bottom))
    halves = [shapely.intersection(figure, box) for box in boxes]
    pieces = shapely.union_all([shapely.MultiLineString(hatching.lines(half, hatch)) for half in halves])
    whole = shapely.MultiLineString(hatching.lines(figure, hatch))
    # but for the specks that are left out where it is cut
    assert shapely.hausdorff_distance(pieces, whole) < 0.025


def test_adjoining_parts_differ_and_a_part_is_alike_in_all_views():
    """Four quarters of a square that all meet in the middle need four hatchings; far parts may share one."""
    corners = {"a": (0, 0), "b": (10, 0), "c": (0, 10), "d": (10, 10)}
    quarters = {name: shapely.box(x, y, x + 10, y + 10) for name, (x, y) in corners.items()}
    other_view = {"e": shapely.box(50, 0, 60, 10), "a": shapely.box(60.2, 0, 70, 10)}
    found = hatching.chosen([quarters, other_view], "abcde", 2.0)
    assert len({found[name] for name in "abcd"}) == 4
    assert found["e"] != found["a"]
    apart = {name: shapely.box(20 * n, 0, 20 * n + 10, 10) for n, name in enumerate("abc")}
    assert len(set(hatching.chosen([apart], "abc", 2.0).values())) == 1


def test_a_break_takes_out_what_lies_between_and_joins_the_rest():
    bar = shapely.box(0.0, -5.0, 100.0, 5.0)
    windows = (
        Window(low=-10.0, high=30.0, wavy=(False, True)),
        Window(low=70.0, high=110.0, wavy=(True, False), move=-36.0),
    )
    short = area_windowed(bar, windows, 50.0, 0.7)
    # both ends have the same wave, so their gap is as wide everywhere
    assert short.area == pytest.approx(600.0, rel=1e-3)
    assert short.bounds == pytest.approx((0.0, -5.0, 64.0, 5.0))
    for y in (-4.0, 0.3, 2.9):
        left, right = shapely.get_parts(shapely.intersection(short, shapely.LineString([[-1.0, y], [99.0, y]])))
        assert shapely.distance(left, right) == pytest.approx(4.0, abs=1e-6)
    lines = windowed([np.array(bar.exterior.coords)], windows, 50.0, 0.7)
    assert sum(shapely.length(shapely.LineString(line)) for line in lines) == pytest.approx(2 * 60 + 20, abs=0.5)
    waves = break_lines(bar, windows, 50.0, 0.7)
    assert len(waves) == 2
    for wave in waves:
        # on the border of what is left, a little beyond it
        assert shapely.difference(shapely.LineString(wave), short.boundary.buffer(0.75)).is_empty
        assert np.ptp(wave[:, 1]) == pytest.approx(11.2, abs=0.2)
    assert region(windows[0], 50.0, 0.7).is_valid


def test_lines_on_the_outline_are_wide():
    square = shapely.box(0.0, 0.0, 10.0, 10.0)
    across = np.array([[0.0, 10.0], [10.0, 10.0], [0.0, 0.0]])
    found = dict(edged([across], square.boundary))
    assert shapely.length(shapely.MultiLineString(found["wide"])) == pytest.approx(10.0, abs=0.2)
    assert shapely.length(shapely.MultiLineString(found["narrow"])) == pytest.approx(200**0.5, abs=0.2)


def test_figures_that_touch_leave_areas_only():
    """The intersection of these is a square and a line."""
    one = shapely.Polygon([(0, 0), (4, 0), (4, 1), (1, 1), (1, 2), (0, 2)])
    other = shapely.Polygon([(0, 1), (4, 1), (4, 3), (0, 3)])
    both = shapely.intersection(one, other)
    assert both.geom_type == "GeometryCollection"
    assert areal(both).equals(shapely.box(0, 1, 1, 2))
    assert areal(shapely.Point(1, 1)).is_empty
