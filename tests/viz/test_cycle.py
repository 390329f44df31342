"""The cycle strip: angles and places, and what is drawn where.

Fixed figures (computed from the demonstration's data by hand): A1's inlet opens at 360 − 22 = 338, B6's 60° later at
398; A1's exhaust-side points break at 720 − 41 = 679.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from valve_trains import with_valves

from quillwise.kinematics.assembly import Assembly, intended, open_at, with_clearances
from quillwise.kinematics.build import build
from quillwise.kinematics.model import Engine
from quillwise.kinematics.sequence import play
from quillwise.kinematics.timing import timing_table
from quillwise.scenes.library import engine
from quillwise.viz import cycle, palette
from quillwise.viz.fonts import font_of
from quillwise.viz.layout import layout

SIZE = (1400, 330)
ENGINES = ("larkfell-port", "slipway-six", "gantry-eight", "launch-inverted")
PORT = engine("larkfell-port")
SET = intended(PORT)  # valves at the checking clearance, at which the data are stated
STRIP = cycle.plan(PORT, SIZE)


def _row(picture: NDArray[np.uint8], cylinder: str, share: float) -> NDArray[np.uint8]:
    """A line of pixels through a cylinder's row, at a share of its height from the top."""
    number = STRIP.order.index(cylinder)
    line: NDArray[np.uint8] = picture[int(STRIP.top + (number + share) * STRIP.row_px)]
    return line


def _is(line: NDArray[np.uint8], crank_deg: float, colour: str) -> bool:
    x = round(cycle.x_of(STRIP, crank_deg))
    return bool((line[x] == palette.rgb(colour)).all())


@given(st.floats(0.0, 719.9), st.sampled_from([(300, 80), (691, 162), (1400, 330), (2560, 700)]))
def test_place_and_angle_are_inverse(angle: float, size: tuple[int, int]) -> None:
    strip = cycle.plan(PORT, size)
    assert cycle.crank_at(strip, cycle.x_of(strip, angle)) == pytest.approx(angle, abs=1e-9)
    assert cycle.x_of(strip, angle + 720.0) == pytest.approx(cycle.x_of(strip, angle), abs=1e-6)


def test_places_outside_are_those_of_the_border() -> None:
    assert cycle.crank_at(STRIP, -50.0) == 0.0
    assert cycle.crank_at(STRIP, 1e6) == 720.0
    assert STRIP.contains(STRIP.left, STRIP.top)
    assert not STRIP.contains(STRIP.left - 1, STRIP.top)
    assert not STRIP.contains(STRIP.left, STRIP.bottom + 1)


def test_rows_stand_in_firing_order_and_all_fit() -> None:
    assert STRIP.order == PORT.sheet.firing_order
    for size in ((240, 60), (691, 162), (1382, 324)):
        strip = cycle.plan(PORT, size)
        assert 0 < strip.left < strip.right < size[0]
        assert 0 < strip.top < strip.bottom < size[1]


def test_too_small_a_strip_is_refused() -> None:
    with pytest.raises(ValueError, match="expected at least 240 × 60 pixels, got 200 × 50"):
        cycle.plan(PORT, (200, 50))


def test_bars_begin_and_end_at_the_events() -> None:
    picture = cycle.draw(PORT, SET, SIZE)
    for cylinder, opens in (("A1", 338.0), ("B6", 398.0)):
        line = _row(picture, cylinder, 0.8)
        assert not _is(line, opens - 3.0, palette.INLET)
        assert _is(line, opens + 3.0, palette.INLET)
    line = _row(picture, "A1", 0.12)
    for before, within in ((180 - 64 - 3.0, 180 - 64 + 3.0), (360 + 18 + 4.0, 360 + 18 - 4.0)):
        assert not _is(line, before, palette.EXHAUST)
        assert _is(line, within, palette.EXHAUST)


def test_sparks_stand_where_the_points_break() -> None:
    dark = (cycle.draw(PORT, SET, SIZE) == 0).all(axis=-1)
    number = STRIP.order.index("A1")
    rows = slice(int(STRIP.top + number * STRIP.row_px) + 2, int(STRIP.top + (number + 1) * STRIP.row_px) - 3)
    columns = np.flatnonzero(dark[rows].any(axis=0))
    seen = [cycle.crank_at(STRIP, float(x)) for x in columns if x > cycle.x_of(STRIP, 600.0)]
    # exhaust-side at 41, inlet-side at 34 before TDC, each within its tick's width
    assert seen
    assert all(min(abs(angle - 679.0), abs(angle - 686.0)) < 3.0 for angle in seen)
    assert any(abs(angle - 679.0) < 1.0 for angle in seen)
    assert any(abs(angle - 686.0) < 1.0 for angle in seen)


def test_what_is_not_set_is_hollow() -> None:
    drawn = open_at(intended(PORT), "quill-a", 0.0)
    picture = cycle.draw(PORT, drawn, SIZE)
    assert not _is(_row(picture, "A1", 0.8), 420.0, palette.INLET), "bank A hangs on the drawn quill"
    assert _is(_row(picture, "B6", 0.8), 430.0, palette.INLET)
    table = cycle.by_name(timing_table(PORT, drawn))
    assert {bar.done for bar in cycle.bars(table, "A1")} == {False}
    assert {bar.done for bar in cycle.bars(table, "B1")} == {True}


def test_the_strip_follows_the_assembly() -> None:
    early = cycle.by_name(timing_table(PORT, SET))
    wrong = cycle.by_name(timing_table(PORT, play_wrong()))
    _, intends = cycle.bars(early, "A1")
    _, found = cycle.bars(wrong, "A1")
    assert abs(intends.opens_deg - found.opens_deg) > 0.5
    assert (cycle.draw(PORT, SET, SIZE) != cycle.draw(PORT, play_wrong(), SIZE)).any()


def play_wrong() -> Assembly:
    from quillwise.kinematics.steps import parse_mistake

    return play(PORT, [parse_mistake(PORT, "other-tooth:quill-a=+1")]).as_set


def two_inlets() -> tuple[Engine, Assembly]:
    """An engine with two inlet valves a cylinder, of which the second of A1 has a wider clearance: it opens later."""
    two = build(with_valves(PORT.sheet, 2, 1))
    wide = two.valves["A1 inlet 2"].data.checking_clearance_mm + 0.15
    return two, with_clearances(intended(two), {"A1 inlet 2": wide})


def test_two_inlet_valves_that_are_not_alike_have_a_bar_each() -> None:
    two, assembly = two_inlets()
    table = cycle.by_name(timing_table(two, assembly))
    exhaust, first, second = cycle.bars(table, "A1")
    assert (exhaust.kind, exhaust.valve, exhaust.share) == ("exhaust", 0, (0.0, 1.0))
    assert (first.valve, second.valve) == (1, 2)
    assert first.opens_deg == pytest.approx(338.0, abs=0.1) and second.opens_deg > first.opens_deg + 2.0
    assert (first.share, second.share) == ((0.0, 0.5), (0.5, 1.0))
    assert [bar.valve for bar in cycle.bars(table, "A2")] == [0, 0], "where they are alike, one bar"
    picture, between = cycle.draw(two, assembly, SIZE), (first.opens_deg + second.opens_deg) / 2
    assert _is(_row(picture, "A1", 0.5), between, palette.INLET), "the first one is open"
    assert not _is(_row(picture, "A1", 0.8), between, palette.INLET), "the second one not yet"
    assert _is(_row(picture, "A1", 0.8), second.opens_deg + 3.0, palette.INLET)


def test_a_low_strip_shows_the_wanted_cylinder_and_those_that_fire_next_to_it() -> None:
    """The order is A1 B6 A2 B5 A4 B3 A6 B1 A5 B2 A3 B4."""
    low = cycle.plan(PORT, (440, 58), ("A4",))
    assert low.order == tuple(name for name in PORT.sheet.firing_order if name in {"B5", "A4", "B3"})
    assert cycle.plan(PORT, (440, 58), ("A1",)).order == ("A1", "B6", "B4"), "round the end of the cycle"
    assert cycle.plan(PORT, (440, 200), ("A4",)).order == PORT.sheet.firing_order, "where there is room, all"
    assert any("3 of 12" in text for text, *_ in cycle.legend(low))
    picture = cycle.draw(PORT, SET, (440, 58), ("A4",))
    assert (picture == palette.rgb(palette.INLET)).all(axis=-1).any()


def test_the_heights_worth_having_hold_what_they_promise() -> None:
    for width in (295, 450, 690):
        whole, brief, least = cycle.heights_px(PORT, width)
        assert cycle.plan(PORT, (width, whole), ("B1",)).order == PORT.sheet.firing_order
        assert len(cycle.plan(PORT, (width, brief), ("B1",)).order) == 3
        assert "B1" in cycle.plan(PORT, (width, brief), ("B1",)).order
        assert cycle.plan(PORT, (width, least), ("B1",)).order == ("B1",)


def test_same_input_same_picture() -> None:
    assert (cycle.draw(PORT, SET, SIZE) == cycle.draw(PORT, SET, SIZE)).all()


def test_the_other_engine_and_small_sizes_are_drawn() -> None:
    starboard = engine("larkfell-starboard")
    for size in ((240, 60), (691, 162)):
        picture = cycle.draw(starboard, intended(starboard), size)
        assert picture.shape == (size[1], size[0], 3)
        assert picture.dtype == np.uint8


@pytest.mark.parametrize("name", ENGINES)
def test_no_letter_of_a_stroke_stands_on_a_border_of_the_cycle(name: str) -> None:
    """Nothing is drawn between the names of the cylinders and the first degree, nor beyond the last."""
    own = engine(name)
    picture, strip = cycle.draw(own, intended(own), SIZE), cycle.plan(own, SIZE)
    font = font_of(strip.font_px, bold=True)
    names = 3 + round(font.getlength(max(strip.order, key=len)))
    rows = picture[strip.top + 1 : strip.bottom - 1]
    assert (rows[:, names : strip.left - 1] == palette.rgb(palette.GROUND)).all()
    assert (rows[:, strip.right + 2 :] == palette.rgb(palette.GROUND)).all()


@pytest.mark.parametrize("window", [(1280, 720), (2560, 1440)])
@pytest.mark.parametrize("name", ENGINES)
def test_its_letters_are_legible_in_the_window(name: str, window: tuple[int, int]) -> None:
    """Capitals of 11 pixels in a window of 720 lines, and none of the lettering over another."""
    own = engine(name)
    left, top, right, bottom = layout(window).strip
    strip = cycle.plan(own, (right - left, bottom - top))
    font = font_of(strip.font_px, bold=True)
    capital = -font.getbbox("A", anchor="ls")[1]
    assert capital >= 11 * window[1] / 720
    assert strip.row_px >= 1.02 * capital, "names of cylinders stand one over the other"
    assert font.getlength(max(strip.order, key=len)) + 2 < strip.left - font.getlength("0°") / 2
    assert font.getlength("720°") < (strip.right - strip.left) / 8
    assert strip.right + font.getlength("720°") / 2 < strip.size_px[0] + 2
    boxes = [box for _, _, box in cycle.legend(strip)]
    assert strip.legend_px >= 11 * window[1] / 720
    for number, (x0, y0, x1, y1) in enumerate(boxes):
        assert x0 >= 0 and x1 <= strip.size_px[0] and y0 > strip.bottom and y1 <= strip.size_px[1]
        assert all(x1 <= a or c <= x0 or y1 <= b or d <= y0 for a, b, c, d in boxes[number + 1 :])
