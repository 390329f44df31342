"""Contrast against the published formula, and what our colours may be used for."""

from __future__ import annotations

import pytest

from quillwise.kinematics.parts import Kind
from quillwise.viz import palette

# Published formula: WCAG 2.2, "relative luminance" and "contrast ratio". The colours are those of Okabe and Ito,
# "Color Universal Design", 2008. Ratios computed from both, to the digits given.
ON_WHITE = {
    "#000000": 21.0,
    "#0072B2": 5.19,
    "#D55E00": 3.87,
    "#009E73": 3.42,
    "#CC79A7": 3.06,
}


@pytest.mark.parametrize(("colour", "ratio"), ON_WHITE.items())
def test_contrast_on_white(colour: str, ratio: float) -> None:
    assert colour in palette.OKABE_ITO.values()
    assert palette.contrast(colour, "#FFFFFF") == pytest.approx(ratio, abs=0.005)
    assert palette.contrast("#FFFFFF", colour) == palette.contrast(colour, "#FFFFFF")


def test_grey_that_just_passes_for_text() -> None:
    # Secondary: WebAIM's contrast page and many style guides give #767676 as the lightest grey for text, 4.54 : 1.
    assert palette.contrast("#767676") == pytest.approx(4.54, abs=0.005)
    assert "text" in palette.uses("#767676")
    assert "text" not in palette.uses("#777777")


def test_uses_follow_the_limits() -> None:
    # WCAG 2.2, success criteria 1.4.3 (4.5 : 1) and 1.4.11 (3 : 1).
    assert palette.uses(palette.BLACK) == {"text", "line", "fill"}
    assert palette.uses(palette.BLUE) == {"text", "line", "fill"}
    for colour in (palette.VERMILLION, palette.GREEN, palette.PURPLE):
        assert palette.uses(colour) == {"line", "fill"}
    for colour in (palette.SKY_BLUE, palette.ORANGE, palette.YELLOW):
        assert palette.uses(colour) == {"fill"}


def test_what_we_write_and_draw_is_allowed() -> None:
    for text in (palette.TEXT, palette.FAINT_TEXT):
        assert "text" in palette.uses(text)
    for line in (palette.EDGE, palette.RULE, palette.INDEX_MARK, palette.INTENDED, palette.SPARK):
        assert "line" in palette.uses(line)


@pytest.mark.parametrize("kind", list(Kind))
def test_every_kind_has_a_quiet_and_a_strong_colour(kind: Kind) -> None:
    quiet, strong = palette.quiet(kind), palette.strong(kind)
    # Dark edges are what bounds a part: they must stand out from both.
    assert palette.contrast(palette.EDGE, quiet) >= palette.MIN_GRAPHICS
    assert palette.contrast(palette.EDGE, strong) >= palette.MIN_GRAPHICS
    red, green, blue = palette.rgb(quiet)
    assert max(red, green, blue) - min(red, green, blue) <= 30, "a quiet tone is nearly grey"
    assert quiet != strong


def test_colours_as_numbers() -> None:
    assert palette.rgb("#0072B2") == (0, 0x72, 0xB2)
    assert palette.unit_rgb("#FF0000") == (1.0, 0.0, 0.0)
    assert palette.mixed("#000000", "#FFFFFF", 0.0) == "#000000"
    assert palette.mixed("#000000", "#FFFFFF", 1.0) == "#FFFFFF"
    assert palette.mixed("#102030", "#304050", 0.5) == "#203040"
    with pytest.raises(ValueError, match='got "blue"'):
        palette.rgb("blue")
