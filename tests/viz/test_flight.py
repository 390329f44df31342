"""Camera flights, the angle drawn between found and intended, and what is told of a clicked part."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation, Slerp

from quillwise.kinematics.assembly import intended, move_teeth
from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.timing import early_crank_deg
from quillwise.scenes.library import engine
from quillwise.viz.angle_mark import Between, between, sector
from quillwise.viz.cameras import VIEWS, Camera, axes, fit
from quillwise.viz.captions import covered
from quillwise.viz.flight import FLIGHT_S, Flight
from quillwise.viz.flight import between as camera_between
from quillwise.viz.part_words import told

SCENES = ("larkfell-port", "larkfell-starboard", "slipway-six", "gantry-eight", "launch-inverted")
# two of them in every run, the others with the slow tests
_QUICK = ("larkfell-port", "slipway-six")
_SOME = [pytest.param(name, marks=() if name in _QUICK else pytest.mark.slow) for name in SCENES]
_BOX = np.array([(x, y, z) for x in (0, 400) for y in (-90, 90) for z in (-50, 200)], dtype=float)


def _camera(name: str, points=_BOX) -> Camera:
    return fit(points, VIEWS[name].direction, VIEWS[name].up, 1.5)


def _frame(camera: Camera):
    """Right, up and backwards: a right-handed frame, which forwards would not be."""
    return axes(np.asarray(camera.focal) - np.asarray(camera.position), camera.up) * [[1], [1], [-1]]


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(sorted(VIEWS)), st.sampled_from(sorted(VIEWS)), st.floats(0, 1))
def test_a_flight_turns_the_camera_as_spherical_interpolation_does(one: str, other: str, share: float) -> None:
    """Reference: scipy's Slerp between the two orientations. Half turns have no one way: only their length counts."""
    start, end = _camera(one), _camera(other, _BOX / 5 + 30)
    now = camera_between(start, end, share)
    turn = Rotation.from_matrix(np.stack([_frame(start).T, _frame(end).T]))
    soft = (3 - 2 * share) * share * share
    whole = (turn[0].inv() * turn[1]).magnitude()
    gone = (turn[0].inv() * Rotation.from_matrix(_frame(now).T)).magnitude()
    assert gone == pytest.approx(soft * whole, abs=1e-5)
    if whole < np.pi - 1e-3:
        expected = Slerp([0, 1], turn)([soft])[0]
        assert (expected.inv() * Rotation.from_matrix(_frame(now).T)).magnitude() == pytest.approx(0, abs=1e-5)
    low, high = sorted((start.parallel_half_height_mm, end.parallel_half_height_mm))
    assert low - 1e-9 <= now.parallel_half_height_mm <= high + 1e-9


def test_a_flight_begins_and_ends_exactly_and_in_its_time() -> None:
    start, end = _camera("left"), _camera("top")
    assert Flight(start=start, end=end).camera == start
    there = Flight(start=start, end=end, at_s=FLIGHT_S)
    assert there.over
    assert there.camera == end
    with pytest.raises(ValueError, match="parallel"):
        camera_between(start, fit(_BOX, (1, 0, 0), (0, 0, 1), 1.5, parallel=False), 0.5)


@pytest.mark.parametrize("off", [0.0, 1e-12, 1e-9, 1e-8, 1e-6, 1e-4])
def test_a_flight_between_views_that_hardly_differ_keeps_to_them(off: float) -> None:
    """As rounding leaves them: the turn between the two has no axis, or one of tiny numbers."""
    start = _camera("three-quarter")
    x, y, z = VIEWS["three-quarter"].direction
    end = fit(_BOX, (x, y + off, z - off), (0.0, 0.0, 1.0), 1.5)
    for share in (0.1, 0.5, 0.9):
        now = camera_between(start, end, share)
        assert np.isfinite([*now.position, *now.focal, *now.up]).all()
        assert np.allclose(_frame(now), _frame(start), atol=max(2 * off, 1e-6))


def test_a_flight_that_does_not_turn_at_all_has_no_axis_and_needs_none() -> None:
    random = np.random.default_rng(4)
    for direction in random.normal(size=(200, 3)):
        start, end = (fit(points, direction, (0.0, 0.0, 1.0), 1.5) for points in (_BOX, _BOX / 5 + 30))
        now = camera_between(start, end, 0.5)
        assert np.allclose(_frame(now), _frame(start), atol=1e-9)


def _wrong(name: str, teeth: int):
    built = engine(name)
    right = intended(built)
    coupling = next(iter(built.couplings))
    return built, move_teeth(right, coupling, teeth, 0), right


@pytest.mark.parametrize("name", _SOME)
@pytest.mark.parametrize("teeth", [-3, 1])
def test_the_angle_between_found_and_intended_is_that_of_the_teeth(name: str, teeth: int) -> None:
    built, found, right = _wrong(name, teeth)
    mark = between(built, found, right)
    assert mark is not None
    coupling = next(iter(built.couplings.values()))
    # computed: k·360/N₁ of the coupling's shaft, by the ratio between that shaft and the crank
    expected = teeth * 360 / coupling.data.driving_teeth / abs(float(built.shafts[coupling.driven].turns))
    assert mark.early_crank_deg == pytest.approx(expected, abs=1e-6)
    shaft = built.shafts[mark.shaft]
    assert mark.turned_deg == pytest.approx(expected * float(shaft.turns) * built.sigma, abs=1e-6)
    assert early_crank_deg(built, found, mark.shaft) is not None
    assert between(built, right, right) is None
    assert covered(mark.words + mark.label)
    assert ("earlier than intended" in mark.words) == (teeth > 0)


@pytest.mark.parametrize("name", _SOME)
def test_the_drawn_angle_is_the_true_one_times_the_factor_that_is_printed(name: str) -> None:
    built, found, right = _wrong(name, 1)
    other = motion(built, right, 50.0)
    mark = between(built, found, right)
    assert mark is not None
    points = sector(built, mark, other)
    first, centre, last = points[:3]
    axis = np.asarray(built.shafts[mark.shaft].axis)
    drawn = np.degrees(
        np.arctan2(np.dot(np.cross(first - centre, last - centre), axis), np.dot(first - centre, last - centre))
    )
    assert drawn == pytest.approx((mark.turned_deg * mark.factor + 180) % 360 - 180, abs=1e-6)
    assert abs(mark.turned_deg * mark.factor) >= 18
    assert mark.factor == 1 or f"× {mark.factor}" in mark.label
    radii = np.linalg.norm(points[3:] - centre, axis=1)
    assert np.allclose(radii, radii[0])
    # the first radius stands at the index of the shaft as intended: its zero, turned by its angle
    zero = np.asarray(built.shafts[mark.shaft].zero)
    turned = Rotation.from_rotvec(np.radians(other[mark.shaft][0]) * axis).apply(zero)
    assert np.allclose((first - centre) / np.linalg.norm(first - centre), turned, atol=1e-6)


def test_a_large_angle_is_drawn_as_it_is() -> None:
    mark = Between(shaft="camshaft A", turned_deg=-40.0, early_crank_deg=80.0)
    assert mark.factor == 1
    assert mark.label == "40.00° = 80.00° crank early"


@pytest.mark.parametrize("name", _SOME)
def test_every_part_has_words_and_its_figures_are_those_of_the_engine(name: str) -> None:
    built = engine(name)
    state = motion(built, intended(built), 400.0)
    for part in built.parts:
        text = told(built, part, state)
        assert text.startswith(part.words)
        assert covered(text), text
    wheel = next(part for part in built.parts if part.kind is Kind.WHEEL)
    assert f"{built.wheels[wheel.of].teeth} teeth" in told(built, wheel, state)
    valve = next(each for each in built.valves.values() if float(state[f"valve {each.name}"][0]) > 0.1)
    lift = float(state[f"valve {valve.name}"][0])
    said = f"{lift:.2f} mm" if built.sheet.length_unit == "mm" else f"{lift / 25.4:.3f} in"
    assert f"open by {said}" in told(built, Part(Kind.VALVE, valve.name), state)
