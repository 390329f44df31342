"""Quills and their mates: published proportions, true counts at both ends, engagement."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray

from quillwise.meshes import solids, splines

Floats = NDArray[np.float64]
Crossings = Callable[[trimesh.Trimesh, float, float], Floats]


def a_quill(driving: int, driven: int, module: float = 1.5, play: float = 0.0) -> splines.Quill:
    return splines.Quill(
        length_mm=110,
        driving=splines.Spline(teeth=driving, module_mm=module, phase_deg=10.0, play_mm=play),
        driving_length_mm=24,
        driven=splines.Spline(teeth=driven, module_mm=module, phase_deg=-35.0, play_mm=play),
        driven_length_mm=26,
        waist_radius_mm=0.6 * module * min(driving, driven) / 2,
    )


def corner_radii(part: trimesh.Trimesh, z_mm: float) -> Floats:
    on_face = part.vertices[np.abs(part.vertices[:, 2] - z_mm) < 1e-6]
    return np.asarray(np.hypot(on_face[:, 0], on_face[:, 1]))


@pytest.mark.parametrize(("driving", "driven"), [(17, 18), (19, 18), (14, 15), (7, 40)])
def test_counts_and_phases_at_both_ends(
    driving: int, driven: int, one_body: Callable[[trimesh.Trimesh], None], crossings: Crossings
) -> None:
    shaft = a_quill(driving, driven)
    part = splines.quill(shaft)
    one_body(part)
    for spline, height in ((shaft.driving, 11.3), (shaft.driven, 98.7)):
        # a little outside the pitch circle, on which tooth and space are alike
        angles = crossings(part, 1.01 * spline.pitch_radius_mm, height)
        assert len(angles) == 2 * spline.teeth
        middle = np.degrees(np.angle(np.exp(1j * spline.teeth * angles).sum())) / spline.teeth
        pitch = 360 / spline.teeth
        assert (middle - spline.phase_deg + pitch / 2) % pitch - pitch / 2 == pytest.approx(0, abs=1e-6)
    # the waist is bare
    assert len(crossings(part, spline.pitch_radius_mm, 55.1)) == 0
    assert len(part.faces) <= 2000


def test_metric_proportions(crossings: Crossings) -> None:
    # ANSI metric table of the 30° flat-root spline, published in a CAD vendor's help (check value 39):
    # m 2, Z 20: pitch 40, base 34.641, internal major 43, external major 42, external minor 37 mm
    spline = splines.Spline(teeth=20, module_mm=2.0)
    assert 2 * spline.pitch_radius_mm == 40
    assert 2 * spline.base_radius_mm == pytest.approx(34.641, abs=5e-4)
    shaft = splines.Quill(
        length_mm=100, driving=spline, driving_length_mm=30, driven=spline, driven_length_mm=30, waist_radius_mm=14
    )
    face = corner_radii(splines.quill(shaft), 0.0)
    assert 2 * face.max() == pytest.approx(42, abs=1e-6)
    assert 2 * face[face > 18].min() == pytest.approx(37, abs=1e-6)  # the mark's corners lie further in
    hub = splines.mate(splines.Mate(spline=spline, length_mm=20, outer_radius_mm=30))
    bore = corner_radii(hub, 20.0)
    assert 2 * bore[bore < 25].max() == pytest.approx(43, abs=1e-6)
    assert len(crossings(hub, 20.0, 5.3)) == 40


def test_inch_proportions(crossings: Crossings) -> None:
    # ANSI B92.1-1970 (R1993) as tabled at engineersedge.com, published formulas (check value 38), 12/24, N = 24, in
    # inches: D 2.0000, Db 1.7321, p .2618, space and tooth .1309, external major 2.0833, internal minor 1.9167.
    # Not compared: its internal major and external minor (N ± 1.35); ours are those of the metric table (± 1.5).
    inch = 25.4
    spline = splines.Spline(teeth=24, module_mm=inch / 12)
    assert 2 * spline.pitch_radius_mm / inch == pytest.approx(2.0000, abs=5e-5)
    assert 2 * spline.base_radius_mm / inch == pytest.approx(1.7321, abs=5e-5)
    assert 2 * spline.external_major_radius_mm / inch == pytest.approx(2.0833, abs=5e-5)
    assert 2 * spline.internal_minor_radius_mm / inch == pytest.approx(1.9167, abs=5e-5)
    hub = splines.mate(splines.Mate(spline=spline, length_mm=20, outer_radius_mm=40))
    assert 2 * corner_radii(hub, 20.0).min() / inch == pytest.approx(1.9167, abs=5e-5)
    angles = crossings(hub, spline.pitch_radius_mm, 5.3)
    arcs = np.diff(angles) * spline.pitch_radius_mm / inch
    assert arcs == pytest.approx(0.1309, abs=5e-5)
    assert arcs[:2].sum() == pytest.approx(0.2618, abs=5e-5)


@pytest.mark.parametrize("detail", ["coarse", "fine"])
@pytest.mark.parametrize("count", [8, 17, 18, 40])
def test_engaged_and_half_a_tooth_out(
    count: int, detail: solids.Detail, shared_mm3: Callable[[solids.Solid, solids.Solid], float]
) -> None:
    module, length, play = 1.5, 20.0, 0.04
    shaft = solids.solid(splines.quill(a_quill(count, count, module, play), detail))
    phase = splines.engaged_phase_deg(10.0, count)
    part = splines.Mate(
        spline=splines.Spline(teeth=count, module_mm=module, phase_deg=phase), length_mm=length, outer_radius_mm=60
    )
    hub = solids.solid(splines.mate(part, detail)).translate((0.0, 0.0, 2.0))
    free_deg = np.degrees(play / (module * count / 2)) / 2
    # 1e-4 mm³ a tooth is allowed where flats of both lie on each other
    for turn in (0.0, 0.95 * free_deg, -0.95 * free_deg, 360 / count, 3 * 360 / count):
        assert shared_mm3(shaft, solids.turned_about_z(hub, turn)) < 1e-4 * count
    assert shared_mm3(shaft, solids.turned_about_z(hub, 2 * free_deg)) > 0.01 * count
    assert shared_mm3(shaft, solids.turned_about_z(hub, 180 / count)) > 0.5 * module**2 * length * count / 2


def test_volume_of_the_quill(volume_by_sections: Callable[[trimesh.Trimesh, int, int], float]) -> None:
    part = splines.quill(a_quill(17, 18), "fine")
    assert part.volume == pytest.approx(volume_by_sections(part, 2, 300), rel=0.004)


def test_mate_volume_and_quarter_cut(one_body: Callable[[trimesh.Trimesh], None]) -> None:
    spline = splines.Spline(teeth=16, module_mm=2.0, phase_deg=0.0)
    whole = splines.mate(splines.Mate(spline=spline, length_mm=20, outer_radius_mm=26), "fine")
    one_body(whole)
    # second method: ring less sixteen spaces, each ∫ 2 γ(r) r dr of the involute space, cos φ = r_b / r
    radius = np.linspace(spline.internal_minor_radius_mm, spline.internal_major_radius_mm, 2001)
    phi = np.arccos(np.minimum(spline.base_radius_mm / radius, 1))
    alpha = np.pi / 6
    gamma = np.pi / 32 + (np.tan(alpha) - alpha) - (np.tan(phi) - phi)
    hole = np.pi * spline.internal_minor_radius_mm**2 + 16 * np.trapezoid(2 * gamma * radius, radius)
    mark = splines.mate_index(splines.Mate(spline=spline, length_mm=20, outer_radius_mm=26))
    proud = mark.length_mm * mark.width_mm * mark.height_mm
    assert whole.volume == pytest.approx(20 * (np.pi * 26**2 - hole) + proud, rel=0.004)
    # a quarter between the middles of two teeth takes away a quarter of the metal
    cut = splines.mate(
        splines.Mate(spline=spline, length_mm=20, outer_radius_mm=26, cut_from_deg=45, cut_sweep_deg=90), "fine"
    )
    one_body(cut)
    assert cut.volume - proud == pytest.approx(0.75 * (whole.volume - proud), rel=1e-3)


def test_a_floor_closes_the_mate(one_body: Callable[[trimesh.Trimesh], None]) -> None:
    spline = splines.Spline(teeth=17, module_mm=1.5)
    open_one = splines.mate(splines.Mate(spline=spline, length_mm=20, outer_radius_mm=18))
    closed = splines.mate(splines.Mate(spline=spline, length_mm=20, outer_radius_mm=18, floor_mm=4))
    one_body(closed)
    assert open_one.euler_number == 0  # a ring
    assert closed.euler_number == 2  # a cup
    for sweep in (90.0, 180.0, 270.0):
        part = splines.Mate(
            spline=spline, length_mm=20, outer_radius_mm=18, floor_mm=4, cut_from_deg=37.0, cut_sweep_deg=sweep
        )
        one_body(splines.mate(part))


def test_index_patches() -> None:
    shaft = a_quill(17, 18)
    ends: tuple[Literal["driving", "driven"], ...] = ("driving", "driven")
    for end, spline in zip(ends, (shaft.driving, shaft.driven), strict=True):
        patch = splines.quill_index_patch(shaft, end)
        x, y, _ = patch.center_mass
        assert np.degrees(np.arctan2(y, x)) == pytest.approx(spline.phase_deg)
    part = splines.Mate(spline=shaft.driving, length_mm=20, outer_radius_mm=20, mark_side=1)
    assert splines.mate_index_patch(part).bounds[0, 2] == pytest.approx(20)


def test_refusals() -> None:
    spline = splines.Spline(teeth=17, module_mm=1.5)
    with pytest.raises(ValueError, match="the splines take up more than the quill's 40 mm"):
        splines.quill(
            splines.Quill(
                length_mm=40,
                driving=spline,
                driving_length_mm=20,
                driven=spline,
                driven_length_mm=20,
                waist_radius_mm=8,
            )
        )
    with pytest.raises(ValueError, match=r"expected an outer radius over 13\.875 mm"):
        splines.mate(splines.Mate(spline=spline, length_mm=20, outer_radius_mm=13))
    few = splines.Spline(teeth=5, module_mm=1.5)
    with pytest.raises(ValueError, match="at least 6 spline teeth, got 5"):
        splines.mate(splines.Mate(spline=few, length_mm=20, outer_radius_mm=13))
