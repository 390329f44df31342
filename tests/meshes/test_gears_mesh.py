"""Spur wheels, rings and bevels: true counts, volumes, and teeth that interleave at every angle."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import shapely
import trimesh
from numpy.typing import NDArray

from quillwise.kinematics.gears import cone_deg
from quillwise.meshes import gears, solids, teeth

Floats = NDArray[np.float64]
Shared = Callable[[solids.Solid, solids.Solid], float]

# what two meshing wheels may have in common, for module 1 and a face of 1 mm: a thousandth of a tooth
OVERLAP_MM3 = 0.001
# and what they must have in common when the driven one is half a tooth out of its place
CLASH_MM3 = 0.5
STEPS = 13  # over one whole pitch
SPUR_PAIRS = [(24, 36), (54, 24), (8, 40), (13, 60), (8, 8)]
INTERNAL_PAIRS = [(18, 54), (12, 48), (20, 60)]
BEVEL_PAIRS = [(36, 16), (16, 36), (14, 42), (20, 40), (20, 20)]


def posed(body: solids.Solid, turn_deg: float, x_mm: float = 0.0) -> solids.Solid:
    return solids.turned_about_z(body, turn_deg).translate((x_mm, 0.0, 0.0))


@pytest.mark.parametrize("detail", ["coarse", "fine"])
@pytest.mark.parametrize(("driving", "driven"), SPUR_PAIRS)
def test_spur_teeth_interleave(driving: int, driven: int, detail: solids.Detail, shared_mm3: Shared) -> None:
    module, face = 2.5, 20.0
    one = solids.solid(gears.spur(gears.Spur(teeth=driving, module_mm=module, face_mm=face), detail))
    other = solids.solid(gears.spur(gears.Spur(teeth=driven, module_mm=module, face_mm=face), detail))
    apart = module * (driving + driven) / 2
    for step in np.linspace(0, 1, STEPS):
        # a driving tooth on the line of centres stands in a space: the driven wheel's tooth is half a pitch away
        turned = posed(one, step * 360 / driving)
        right = 180 + 180 / driven - step * 360 / driven
        fits = shared_mm3(turned, posed(other, right, apart))
        clashes = shared_mm3(turned, posed(other, right + 180 / driven, apart))
        assert fits <= OVERLAP_MM3 * module**2 * face
        assert clashes > CLASH_MM3 * module**2 * face


@pytest.mark.parametrize("detail", ["coarse", "fine"])
@pytest.mark.parametrize(("pinion_teeth", "ring_teeth"), INTERNAL_PAIRS)
def test_internal_teeth_interleave(
    pinion_teeth: int, ring_teeth: int, detail: solids.Detail, shared_mm3: Shared
) -> None:
    module, face = 2.5, 20.0
    pinion = solids.solid(gears.spur(gears.Spur(teeth=pinion_teeth, module_mm=module, face_mm=face), detail))
    ring = solids.solid(gears.ring(gears.Ring(teeth=ring_teeth, module_mm=module, face_mm=face, rim_mm=6), detail))
    apart = module * (ring_teeth - pinion_teeth) / 2
    for step in np.linspace(0, 1, STEPS):
        turned = posed(pinion, step * 360 / pinion_teeth, apart)
        right = 180 / ring_teeth + step * 360 / ring_teeth  # both turn the same way
        assert shared_mm3(turned, posed(ring, right)) <= OVERLAP_MM3 * module**2 * face
        wrong = posed(ring, right + 180 / ring_teeth)
        assert shared_mm3(turned, wrong) > CLASH_MM3 * module**2 * face


@pytest.mark.parametrize("detail", ["coarse", "fine"])
@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize(("driving", "driven"), BEVEL_PAIRS)
def test_bevel_teeth_interleave(
    driving: int, driven: int, side: solids.Side, detail: solids.Detail, shared_mm3: Shared
) -> None:
    module, face = 2.5, 12.0
    own, partners = cone_deg(driving, driven), cone_deg(driven, driving)
    one = solids.solid(
        gears.bevel(
            gears.Bevel(
                teeth=driving, cone_angle_deg=own, module_mm=module, face_mm=face, bore_mm=12, hub_mm=5, side=side
            ),
            detail,
        )
    )
    other = solids.solid(
        gears.bevel(
            gears.Bevel(teeth=driven, cone_angle_deg=partners, module_mm=module, face_mm=face, bore_mm=12, hub_mm=5),
            detail,
        )
    )
    # the driven shaft lies along x; they meet in the plane of x and z, at the driving wheel's 0°
    laid = np.eye(4)
    laid[:3, 2] = (1, 0, 0)
    laid[:3, 0] = (0, 0, side)
    laid[:3, 1] = np.cross(laid[:3, 2], laid[:3, 0])
    for step in np.linspace(0, 1, STEPS):
        turned = posed(one, step * 360 / driving)
        # the pitch point has one velocity: + about z moves it to +y, as does −side about x
        right = 180 / driven - side * step * 360 / driven
        fits = shared_mm3(turned, solids.moved(posed(other, right), laid))
        clashes = shared_mm3(turned, solids.moved(posed(other, right + 180 / driven), laid))
        assert fits <= OVERLAP_MM3 * module**2 * face
        assert clashes > CLASH_MM3 * module**2 * face


@pytest.mark.parametrize("count", [8, 13, 24, 54])
@pytest.mark.parametrize("phase", [0.0, 23.7])
def test_spur_has_its_count_and_phase(
    count: int,
    phase: float,
    one_body: Callable[[trimesh.Trimesh], None],
    crossings: Callable[[trimesh.Trimesh, float, float], Floats],
) -> None:
    wheel = gears.Spur(teeth=count, module_mm=2.0, face_mm=10, phase_deg=phase)
    part = gears.spur(wheel)
    one_body(part)
    angles = crossings(part, wheel.pitch_radius_mm, 0.123)
    assert len(angles) == 2 * count
    middle = np.angle(np.exp(1j * count * angles).sum()) / count  # of the teeth, modulo the pitch
    off = (np.degrees(middle) - phase + 180 / count) % (360 / count) - 180 / count
    assert off == pytest.approx(0, abs=1e-6)
    assert len(part.faces) <= 60 * count + 400


def test_ring_has_its_count_and_phase(
    one_body: Callable[[trimesh.Trimesh], None],
    crossings: Callable[[trimesh.Trimesh, float, float], Floats],
) -> None:
    wheel = gears.Ring(teeth=54, module_mm=2.0, face_mm=10, rim_mm=6, phase_deg=11.0)
    part = gears.ring(wheel)
    one_body(part)
    angles = crossings(part, wheel.pitch_radius_mm, 0.123)
    assert len(angles) == 2 * 54
    # the teeth stand inwards: the middle of the metal between two crossings is a tooth
    middle = np.degrees(np.angle(np.exp(1j * 54 * angles).sum())) / 54
    assert min((middle - 11) % (360 / 54), (11 - middle) % (360 / 54)) == pytest.approx(0, abs=1e-6)
    thick = 2.0 * (np.pi / 2 - 2 * gears.THINNED)
    gaps = np.diff(angles) * wheel.pitch_radius_mm
    assert gaps.min() == pytest.approx(thick, rel=0.01)


@pytest.mark.parametrize(("count", "partner"), [(36, 16), (14, 42), (40, 20)])
@pytest.mark.parametrize("side", [-1, 1])
def test_bevel_has_its_count_and_phase(
    count: int,
    partner: int,
    side: solids.Side,
    one_body: Callable[[trimesh.Trimesh], None],
    crossings: Callable[[trimesh.Trimesh, float, float], Floats],
    volume_by_sections: Callable[[trimesh.Trimesh, int, int], float],
) -> None:
    cone = cone_deg(count, partner)
    wheel = gears.Bevel(
        teeth=count, cone_angle_deg=cone, module_mm=3.0, face_mm=14, bore_mm=14, hub_mm=6, side=side, phase_deg=7.0
    )
    part = gears.bevel(wheel)
    one_body(part)
    middle_of_face = (wheel.cone_distance_mm - 7) / wheel.cone_distance_mm
    height = side * wheel.pitch_radius_mm / np.tan(np.radians(cone)) * middle_of_face
    angles = crossings(part, wheel.pitch_radius_mm * middle_of_face, height)
    assert len(angles) == 2 * count
    middle = np.degrees(np.angle(np.exp(1j * count * angles).sum())) / count
    off = (middle - 7.0 + 180 / count) % (360 / count) - 180 / count
    assert off == pytest.approx(0, abs=1e-6)
    # second method; the sections are 0.3 mm apart or less
    assert part.volume == pytest.approx(volume_by_sections(part, 2, 80), rel=0.02)


def test_bevel_tooth_runs_straight_to_the_apex() -> None:
    wheel = gears.Bevel(teeth=20, cone_angle_deg=cone_deg(20, 40), module_mm=3.0, face_mm=20)
    part = gears.bevel(wheel)
    scale = 1 - 20 / wheel.cone_distance_mm
    flank = teeth.cut_flank(20 / np.cos(np.radians(wheel.cone_angle_deg)), 3.0, 0.12, "coarse", star_shaped=True)
    cone = np.radians(wheel.cone_angle_deg)
    tip = flank.radius_mm[-1]
    heel = np.array([tip * np.cos(cone), wheel.cone_distance_mm / np.cos(cone) - tip * np.sin(cone)])
    spots = np.column_stack([np.hypot(*part.vertices[:, :2].T), part.vertices[:, 2]])
    for at, count in ((heel, 40), (scale * heel, 40)):
        assert (np.linalg.norm(spots - at, axis=1) < 1e-6).sum() == count


@pytest.mark.parametrize("count", [8, 13, 24])
def test_spur_outline_is_what_a_rack_cuts(count: int) -> None:
    """Second method: a disc rolled past a rack cutter in small steps, by shapely."""
    module = 1.0
    pitch, thin = count / 2, 0.04
    tan = np.tan(np.radians(20.0))
    half = np.pi / 4 + thin  # of the cutter's tooth on its pitch line
    tooth = np.array(
        [[-1.25, half - 1.25 * tan], [1.2, half + 1.2 * tan], [1.2, -half - 1.2 * tan], [-1.25, 1.25 * tan - half]]
    )
    blank = shapely.Point(0, 0).buffer(pitch + 1.0, quad_segs=720)
    swept = []
    for roll in np.linspace(-4, 4, 601):  # mm along the pitch line, far enough to leave the blank
        cutter = shapely.Polygon(tooth + [pitch, roll])
        swept.append(shapely.affinity.rotate(cutter, -np.degrees(roll / pitch), origin=(0, 0)))
    space = shapely.union_all(swept)
    cut = blank.difference(
        shapely.union_all(
            [shapely.affinity.rotate(space, (number + 0.5) * 360 / count, origin=(0, 0)) for number in range(count)]
        )
    )
    flank = teeth.cut_flank(count, module, thin, "fine")
    corners = teeth.wheel_outline(flank, count, 0.0)
    # every corner of ours lies on the cut outline; between the corners there are chords
    assert shapely.distance(shapely.points(corners), cut.exterior).max() < 0.003
    assert shapely.Polygon(corners).symmetric_difference(cut).area / count < 0.03  # of 1.5 mm² that a tooth has
    part = gears.spur(gears.Spur(teeth=count, module_mm=module, face_mm=7, thinned_modules=thin, webbed=False), "fine")
    mark = 0.36 * 0.15 * (part.bounds[1, 0] - 0.5 - (pitch - 2.75))
    assert part.volume == pytest.approx(cut.area * 7 + mark, rel=0.005)


def test_span_over_teeth() -> None:
    # Span W = m cos α [π (k − 0.5) + z inv α]; formula of the gear handbooks, from memory
    count, module, over = 24, 3.0, 3
    alpha = np.radians(20.0)
    flank = teeth.cut_flank(count, module, 0.0, "fine")
    above_base = flank.radius_mm > count * module / 2 * np.cos(alpha)
    edge = (over - 1) / 2 * 2 * np.pi / count + flank.half_angle_rad[above_base]
    span = 2 * (flank.radius_mm[above_base] * np.sin(edge)).max()
    formula = module * np.cos(alpha) * (np.pi * (over - 0.5) + count * (np.tan(alpha) - alpha))
    assert span == pytest.approx(formula, rel=5e-4)


def test_index_marks_are_on_the_tooth_and_patches_stand_proud() -> None:
    wheel = gears.Spur(teeth=24, module_mm=3, face_mm=20, bore_mm=20, phase_deg=40.0)
    ring = gears.Ring(teeth=54, module_mm=3, face_mm=20, rim_mm=8, phase_deg=40.0)
    bevel = gears.Bevel(teeth=20, cone_angle_deg=26.565, module_mm=3, face_mm=20, phase_deg=40.0, side=-1)
    pairs = [
        (gears.spur(wheel), gears.spur_index_patch(wheel)),
        (gears.ring(ring), gears.ring_index_patch(ring)),
        (gears.bevel(bevel), gears.bevel_index_patch(bevel)),
    ]
    for part, patch in pairs:
        assert patch.is_volume
        x, y, _ = patch.center_mass
        assert np.degrees(np.arctan2(y, x)) == pytest.approx(40.0, abs=1e-6)
        body, paint = solids.solid(part), solids.solid(patch)
        assert (paint - body).volume() > 0  # seen from outside
        assert (paint ^ body).volume() > 0.3 * patch.volume  # and the bar is under it


def test_refusals() -> None:
    with pytest.raises(ValueError, match="at least 8 teeth, got 7"):
        gears.spur(gears.Spur(teeth=7, module_mm=2, face_mm=10))
    with pytest.raises(ValueError, match="a bore of 60 mm leaves no metal under 24 teeth"):
        gears.spur(gears.Spur(teeth=24, module_mm=2, face_mm=10, bore_mm=60))
    with pytest.raises(ValueError, match=r"a face of 80 mm is longer than the pitch cone \(67.1 mm\)"):
        gears.bevel(gears.Bevel(teeth=20, cone_angle_deg=26.56505, module_mm=3, face_mm=80))
