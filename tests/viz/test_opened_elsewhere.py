"""A drawing opened in other programs that read SVG: it is as wide as its sheet, 297 mm for A4, and drawn to scale."""

from __future__ import annotations

import re
import shutil
import subprocess

import numpy as np
import pytest
from layouts import sheet_of
from PIL import Image

from quillwise.kinematics.build import build
from quillwise.kinematics.sequence import play
from quillwise.viz import lineart, paper
from quillwise.viz.pointing import Pointed
from quillwise.viz.standing import Store
from quillwise.viz.svg import svg

POINT_MM = 25.4 / 72  # of PDF
PIXEL_MM = 25.4 / 96  # of CSS


def needed(program):
    if shutil.which(program) is None:
        pytest.skip(f"no {program} on this machine: the drawing is not opened in it")


@pytest.fixture(scope="module")
def drawing(tmp_path_factory):
    engine = build(sheet_of(("A1", "A2"), {"A": (0, 2)}, "clockwise", "side-by-side", False))
    drawn = lineart.view_drawing(
        Store(engine), play(engine).as_set, 30.0, "three-quarter", paper.SHEETS["A4"], pointed=Pointed()
    )
    path = tmp_path_factory.mktemp("drawing") / "a4.svg"
    path.write_bytes(svg(drawn))
    return drawn, path


def test_librsvg_makes_a_page_of_297_mm(drawing):
    needed("rsvg-convert")
    needed("pdfinfo")
    _, path = drawing
    page = path.with_suffix(".pdf")
    subprocess.run(["rsvg-convert", "--format", "pdf", "--output", str(page), str(path)], check=True)
    told = subprocess.run(["pdfinfo", str(page)], check=True, capture_output=True, text=True).stdout
    width, height = (float(side) for side in re.search(r"Page size: +([\d.]+) x ([\d.]+) pts", told).groups())
    print(f"librsvg: {width} × {height} pt = {width * POINT_MM:.2f} × {height * POINT_MM:.2f} mm")
    assert width * POINT_MM == pytest.approx(297.0, abs=0.1)
    assert height * POINT_MM == pytest.approx(210.0, abs=0.1)


def test_librsvg_draws_the_dots_of_leaders_where_they_were_placed(drawing):
    needed("rsvg-convert")
    drawn, path = drawing
    picture = path.with_suffix(".png")
    subprocess.run(["rsvg-convert", "--dpi-x=254", "--dpi-y=254", "--output", str(picture), str(path)], check=True)
    with Image.open(picture) as opened:
        grey = np.asarray(opened.convert("L"))
    assert grey.shape == (2100, 2970), "ten pixels a millimetre"
    dots = [each for each in drawn.rounds if each.filled]
    assert len(dots) >= 5
    for dot in dots:
        x, y = (round(10 * place) for place in dot.at)
        assert grey[y - 2 : y + 3, x - 2 : x + 3].max() < 40


def test_chromium_shows_it_297_mm_wide(drawing, browser):
    _, path = drawing
    page = browser.new_page(viewport={"width": 1400, "height": 1000})
    try:
        page.goto(path.as_uri())
        box = page.evaluate("(({width, height}) => [width, height])(document.documentElement.getBoundingClientRect())")
        words = page.evaluate("document.querySelectorAll('text').length")
    finally:
        page.close()
    width, height = box
    print(f"Chromium: {width:.2f} × {height:.2f} px = {width * PIXEL_MM:.2f} × {height * PIXEL_MM:.2f} mm")
    assert width * PIXEL_MM == pytest.approx(297.0, abs=0.1)
    assert height * PIXEL_MM == pytest.approx(210.0, abs=0.1)
    assert words > 10, "text stays text"
