"""Teeth sawn off for looking at end-on: one body each, volume against the plane figure's area by shapely."""

from __future__ import annotations

import numpy as np
import plane_figures
import pytest
from numpy.typing import NDArray
from shapely.geometry import Point, Polygon
from shapely.ops import unary_union

from quillwise.meshes import dogs, driveline, splines
from quillwise.scenes.library import engine


@pytest.mark.parametrize("teeth", [6, 17, 18, 41])
def test_a_splined_stub_is_one_body_of_the_quills_section(teeth: int) -> None:
    spline = splines.Spline(teeth=teeth, module_mm=1.1, phase_deg=7.0)
    length = 12.0
    body = splines.stub(spline, length, "fine")
    assert body.is_volume
    assert body.body_count == 1
    area = plane_figures.section(body).area
    # computed: an involute tooth as thick as its space on the pitch circle gives the pitch circle's area within the
    # difference between tip (module / 2 high) and root (3/4 module deep)
    pitch, low, high = spline.pitch_radius_mm, spline.external_minor_radius_mm, spline.external_major_radius_mm
    assert np.pi * low**2 < area < np.pi * high**2
    assert area == pytest.approx(np.pi * (pitch**2 + low**2 + high**2) / 3, rel=0.08)
    mark = splines.stub_index_patch(spline)
    assert body.volume == pytest.approx(area * length, rel=2e-3), "and a mark that is a few cubic millimetres at most"
    assert mark.bounds[1][2] <= 0.0


@pytest.mark.parametrize("rim", ["inside", "outside"])
@pytest.mark.parametrize("count", [2, 14, 15])
def test_a_ring_of_dogs_is_one_body_with_its_rim(count: int, rim: str) -> None:
    inner, outer, length, wide, play = 10.0, 16.0, 5.0, 3.0, 0.4
    part = dogs.Stub(
        dogs=dogs.Dogs(count=count, height_mm=6.0, phase_deg=11.0, play_deg=play),
        inner_radius_mm=inner,
        outer_radius_mm=outer,
        length_mm=length,
        rim_mm=wide,
        rim="inside" if rim == "inside" else "outside",
    )
    body = dogs.stub(part, "fine")
    assert body.is_volume
    assert body.body_count == 1
    half = np.radians((180 / count - play) / 2)
    wedges = []
    for k in range(count):
        turn = np.radians(11.0 + 360 / count * k) + np.linspace(-half, half, 90)
        wedges.append(
            Polygon(
                [
                    *[(outer * np.cos(a), outer * np.sin(a)) for a in turn],
                    *[(inner * np.cos(a), inner * np.sin(a)) for a in turn[::-1]],
                ]
            )
        )
    low, high = (inner - wide, inner) if rim == "inside" else (outer, outer + wide)
    annulus = Point(0, 0).buffer(high, 256).difference(Point(0, 0).buffer(low, 256))
    area = unary_union([*wedges, annulus]).area
    assert body.volume == pytest.approx(area * length, rel=5e-3)


def test_a_rim_that_leaves_no_opening_is_refused() -> None:
    part = dogs.Stub(
        dogs=dogs.Dogs(count=5, height_mm=4.0),
        inner_radius_mm=8.0,
        outer_radius_mm=12.0,
        length_mm=4.0,
        rim_mm=8.0,
        rim="inside",
    )
    with pytest.raises(ValueError, match="expected a rim between 0 and 8 mm, got 8 mm"):
        dogs.stub(part)


@pytest.mark.parametrize("name", ["larkfell-port", "larkfell-starboard"])
def test_ring_and_stub_go_together_when_in_line(name: str) -> None:
    """The plane figures do not overlap when the quill is in the mate's spaces, and do half a pitch on."""
    built = engine(name)
    for coupling in built.couplings.values():
        ring, _, stub, _ = driveline.end_on(built, coupling, "fine")
        sense = built.shafts[coupling.driven].sense
        count = coupling.data.driven_teeth
        in_line = -sense * coupling.data.tooth_phase_deg
        for extra, clear in ((0.0, True), (180.0 / count, False)):
            turned = stub.copy().apply_transform(_turn(in_line + extra))
            common = plane_figures.section(ring).intersection(plane_figures.section(turned)).area
            assert (common < 0.02) if clear else (common > 2.0), (coupling.name, extra, common)


def _turn(angle_deg: float) -> NDArray[np.float64]:
    matrix = np.eye(4)
    cosine, sine = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    matrix[:2, :2] = [[cosine, -sine], [sine, cosine]]
    return matrix
