"""Lobes: envelopes against geometry, and followers that touch all round. Valve data are invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation
from shapely import LinearRing, Polygon, contains_xy, points

from quillwise.kinematics import cams, lobes
from quillwise.kinematics.datasheet import Follower, Law, ValveData

BORE = 118.0
TOUCH_MM = 0.02
VALVE = ValveData(
    kind="inlet",
    opens_deg=338,
    closes_deg=598,
    lift_mm=11,
    ramp_mm_per_crank_deg=0.025,
    checking_clearance_mm=0.40,
    running_clearance_mm=0.50,
)
EVERYWHERE = np.arange(0.0, 720.0, 1.7)


def towards(turn_deg: float) -> np.ndarray:
    return np.array([np.sin(np.radians(turn_deg)), np.cos(np.radians(turn_deg))])


def gaps_mm(
    plan: lobes.RockerPlan | lobes.FlatPlan,
    curve: cams.LiftCurve,
    outline: np.ndarray,
    firing: float,
    cam_turns: float,
) -> np.ndarray:
    """Room between follower and lobe at all crank angles, below 0 where the follower cuts in."""
    found = []
    for theta in EVERYWHERE:
        travel = cams.lift_mm(curve, theta - firing)
        here = lobes.turned(outline, cam_turns * theta)
        if isinstance(plan, lobes.FlatPlan):
            reach = (here @ towards(plan.follower_turn_deg)).max()
            found.append(plan.base_radius_mm + float(travel) - reach)
        else:
            centre = lobes.roller_centre_mm(plan, travel)
            away = LinearRing(here).distance(points(centre))
            inside = contains_xy(Polygon(here), *centre)
            found.append((-away if inside else away) - plan.roller_radius_mm)
    return np.array(found)


def test_flat_follower_of_a_textbook_is_an_eccentric_circle() -> None:
    # published problem, answer derived: th4.ilovetranslation.com: harmonic, lift 50, least radius 25, out and
    # back in one turn: the outline is a circle of radius 50, centre 25 off; the face is 50 wide
    turn = np.linspace(0, 2 * np.pi, 721)
    u = np.where(turn < np.pi, turn / np.pi, 2 - turn / np.pi)
    law = cams.LAWS["harmonic"]
    rate = 50 * law.velocity(u) / np.pi * np.where(turn < np.pi, 1, -1)
    outline, normal = lobes.flat_envelope(turn, 25 + 50 * law.position(u), rate)
    assert np.hypot(*(outline - (-25, 0)).T) == pytest.approx(np.full(721, 50.0), abs=1e-9)
    across = outline[:, 1] * normal[:, 0] - outline[:, 0] * normal[:, 1]
    assert np.ptp(across) == pytest.approx(50, abs=1e-9)


def test_roller_on_an_eccentric_circle() -> None:
    # geometry (computed): pitch radius 40, offset 10: greatest pressure angle asin(10/40) = 14.4775 deg
    turn = np.linspace(0, 2 * np.pi, 7201)
    path = 40 * np.stack([np.cos(turn), np.sin(turn)], axis=-1) + (10, 0)
    along = np.stack([-np.sin(turn), np.cos(turn)], axis=-1)
    outline, normal = lobes.roller_envelope(path, along, 12)
    assert np.hypot(*(outline - (10, 0)).T) == pytest.approx(np.full(7201, 28.0), abs=1e-9)
    radial = path / np.hypot(*path.T)[:, None]
    pressure = np.degrees(np.arccos(np.clip((radial * normal).sum(axis=1), -1, 1)))
    assert pressure.max() == pytest.approx(14.4775, abs=1e-4)


@pytest.mark.parametrize("law", cams.LAWS)
@pytest.mark.parametrize("follower", ["rocker", "flat"])
@pytest.mark.parametrize(("side", "cam_turns"), [(1, 0.5), (1, -0.5), (-1, 0.5), (-1, -0.5)])
def test_follower_touches_and_does_not_cut_in(law: Law, follower: Follower, side: int, cam_turns: float) -> None:
    data = replace(VALVE, law=law, follower=follower)
    curve, plan = cams.lift_curve(data), lobes.follower_plan(data, BORE, side)
    outline = lobes.outline(plan, curve, 60.0, cam_turns, samples=180)
    lobe = Polygon(outline)
    assert outline.shape == (180, 2)
    assert lobe.is_valid
    assert lobe.exterior.is_ccw
    assert np.abs(gaps_mm(plan, curve, outline, 60.0, cam_turns)).max() < TOUCH_MM
    # the check sees a lobe that is half a degree of the cam out of place
    wrong = gaps_mm(plan, curve, outline, 61.0, cam_turns)
    assert np.abs(wrong).max() > TOUCH_MM


@settings(max_examples=25, deadline=None)
@given(
    law=st.sampled_from(tuple(cams.LAWS)),
    follower=st.sampled_from(["rocker", "flat"]),
    lift=st.floats(6, 15),
    duration=st.floats(225, 300),
    ratio=st.floats(0.8, 1.7),
    lean=st.floats(-10, 40),
    bore=st.floats(70, 150),
    firing=st.floats(0, 720),
    side=st.sampled_from([1, -1]),
    cam_turns=st.sampled_from([0.5, -0.5]),
)
def test_other_engines(
    law: Law,
    follower: Follower,
    lift: float,
    duration: float,
    ratio: float,
    lean: float,
    bore: float,
    firing: float,
    side: int,
    cam_turns: float,
) -> None:
    data = replace(
        VALVE,
        law=law,
        follower=follower,
        lift_mm=lift,
        closes_deg=VALVE.opens_deg + duration,
        rocker_ratio=1.0 if follower == "flat" else ratio,
        angle_to_cylinder_deg=lean,
    )
    assume(cams.curve_problems(data) == [])
    assert lobes.lobe_problems(data, bore) == []
    curve, plan = cams.lift_curve(data), lobes.follower_plan(data, bore, side)
    assert plan.base_radius_mm >= 0.11 * bore
    assert lobes.nose_radius_mm(plan, curve) >= lobes.NOSE_RADIUS_MM
    outline = lobes.outline(plan, curve, firing, cam_turns)
    assert Polygon(outline).is_valid
    assert np.abs(gaps_mm(plan, curve, outline, firing, cam_turns)).max() < TOUCH_MM


@pytest.mark.parametrize("lean", [-10.0, 0.0, 25.0])
@pytest.mark.parametrize("ratio", [0.8, 1.0, 1.6])
def test_rocker_pushes_the_valve_down_its_own_axis(lean: float, ratio: float) -> None:
    data = replace(VALVE, rocker_ratio=ratio, angle_to_cylinder_deg=lean)
    travel = np.linspace(0, data.lift_mm, 23)
    right, left = lobes.rocker_plan(data, BORE, 1), lobes.rocker_plan(data, BORE, -1)
    for plan in (right, left):
        turn = lobes.rocker_angle_deg(plan, travel)
        assert turn[0] == 0
        assert np.all(np.diff(plan.side * turn) > 0)
        # in the world, by scipy: x along the crank, right seen from the wheelcase end is -y, z along the
        # cylinder
        arms = [np.subtract(end, plan.pivot_mm) for end in (plan.tip_mm, plan.roller_mm)]
        tip, roller = (
            Rotation.from_euler("x", turn[:, None], degrees=True).apply([0, -arm[0], arm[1]]) for arm in arms
        )
        valve_axis = np.array([0, -towards(plan.valve_turn_deg)[0], towards(plan.valve_turn_deg)[1]])
        assert (tip[0] - tip) @ valve_axis == pytest.approx(travel, abs=1e-12)
        centre = lobes.roller_centre_mm(plan, travel) - plan.pivot_mm
        assert np.stack([-roller[:, 1], roller[:, 2]], axis=-1) == pytest.approx(centre, abs=1e-12)
        assert np.all(np.diff(roller[:, 2]) > 0)
        assert np.hypot(*arms[1]) == pytest.approx(np.hypot(*arms[0]) / ratio, rel=1e-9)
        # the valve leans outwards with its tip, and both arms swing alike about half lift
        assert plan.side * plan.valve_turn_deg == lean
        assert abs(turn[-1]) < 60
        assert float(lobes.rocker_angle_deg(plan, data.lift_mm / 2)) == pytest.approx(turn[-1] / 2, abs=1e-9)
    assert np.multiply(left.tip_mm, (-1, 1)) == pytest.approx(right.tip_mm)
    assert lobes.rocker_angle_deg(left, travel) == pytest.approx(-lobes.rocker_angle_deg(right, travel))


def test_roller_rests_on_the_heel() -> None:
    plan = lobes.rocker_plan(VALVE, BORE, 1)
    assert np.hypot(*plan.roller_mm) == pytest.approx(plan.base_radius_mm + plan.roller_radius_mm)
    assert plan.roller_mm[0] < plan.pivot_mm[0] < plan.tip_mm[0]
    outline = lobes.outline(plan, cams.lift_curve(VALVE), 0.0)
    assert np.hypot(*outline.T).min() == pytest.approx(plan.base_radius_mm, abs=0.01)


@pytest.mark.parametrize("cam_turns", [0.5, -0.5])
def test_flat_lobe_points_at_its_follower_at_the_peak(cam_turns: float) -> None:
    data = replace(VALVE, follower="flat")
    curve, plan = cams.lift_curve(data), lobes.flat_plan(data, BORE, 1)
    outline = lobes.outline(plan, curve, 240.0, cam_turns)
    nose = lobes.turned(outline, cam_turns * (240.0 + curve.peak_deg))
    highest = nose[np.argmax(np.hypot(*nose.T))]
    direction = highest / np.hypot(*highest)
    assert direction @ towards(plan.follower_turn_deg) > 0.999
    assert np.hypot(*highest) == pytest.approx(plan.base_radius_mm + data.lift_mm, abs=0.01)


@pytest.mark.parametrize("follower", ["rocker", "flat"])
def test_base_radius_defaults_to_the_least_with_a_nose_of_3_mm(follower: Follower) -> None:
    data = replace(VALVE, law="4-5-6-7", follower=follower)
    curve, least = cams.lift_curve(data), lobes.least_base_radius_mm(data, BORE)
    # two searches from two beginnings, each to 0.001 mm from above
    assert lobes.base_radius_mm(data, BORE) == pytest.approx(least, abs=0.001)
    assert least > 0.11 * BORE
    for base, holds in ((least, True), (least - 0.01, False)):
        plan = lobes.follower_plan(replace(data, base_radius_mm=base), BORE, 1)
        assert (lobes.nose_radius_mm(plan, curve) >= 3.0) is holds
    assert lobes.base_radius_mm(replace(data, base_radius_mm=30.0), BORE) == 30.0


def test_nose_radius_of_a_flat_follower_by_its_formula() -> None:
    # computed by the second method: a support function h has the radius of curvature h + h''
    data = replace(VALVE, law="3-4-5", follower="flat", base_radius_mm=40.0)
    curve = cams.lift_curve(data)
    own = np.linspace(curve.flank_starts_deg, curve.flank_ends_deg, 100_001)
    step = 1e-4
    bend = (cams.velocity_mm_per_deg(curve, own + step) - cams.velocity_mm_per_deg(curve, own - step)) / (2 * step)
    by_cam = bend * (2 * 180 / np.pi) ** 2
    expected = (40.0 + cams.lift_mm(curve, own) + by_cam).min()
    plan = lobes.flat_plan(data, BORE, 1)
    assert lobes.nose_radius_mm(plan, curve) == pytest.approx(expected, abs=0.01)
    rate = np.abs(cams.velocity_mm_per_deg(curve, own)).max() * 2 * 180 / np.pi
    assert lobes.face_width_mm(plan, curve) == pytest.approx(2 * rate, abs=1e-3)


def curvature_by_circles(outline: np.ndarray) -> np.ndarray:
    """Signed radius of the circle through each corner and its neighbours, + where convex."""
    before, after = np.roll(outline, 1, axis=0) - outline, np.roll(outline, -1, axis=0) - outline
    cross = after[:, 0] * before[:, 1] - after[:, 1] * before[:, 0]
    sides = np.hypot(*before.T) * np.hypot(*after.T) * np.hypot(*(before - after).T)
    return np.asarray(sides / (2 * cross))


def test_nose_radius_of_a_rocker_by_circles_through_the_outline() -> None:
    # computed by the second method: from the finished polygon, without the envelope's normals
    plan, curve = lobes.rocker_plan(VALVE, BORE, 1), cams.lift_curve(VALVE)
    radius = curvature_by_circles(lobes.outline(plan, curve, 0.0, samples=400))
    assert radius[radius > 0].min() == pytest.approx(lobes.nose_radius_mm(plan, curve), rel=0.01)


def test_undercut_lobe_is_refused_and_says_what_would_do() -> None:
    flat = replace(VALVE, follower="flat", base_radius_mm=22.0)
    (message,) = lobes.lobe_problems(flat, BORE)
    assert message == (
        "the lobe is undercut with a base radius of 22 mm: the least that would do is 25.69 mm, "
        "and 28.69 mm keeps the radius of its nose at 3 mm"
    )
    plan, curve = lobes.flat_plan(flat, BORE, 1), cams.lift_curve(flat)
    assert gaps_mm(plan, curve, lobes.outline(plan, curve, 0.0), 0.0, 0.5).min() < -TOUCH_MM
    assert lobes.lobe_problems(replace(flat, base_radius_mm=25.69), BORE) == []
    assert len(lobes.lobe_problems(replace(flat, base_radius_mm=25.67), BORE)) == 1

    roller = replace(VALVE, law="4-5-6-7", base_radius_mm=3.0)
    (message,) = lobes.lobe_problems(roller, BORE)
    assert message.startswith("the lobe is undercut with a base radius of 3 mm: the least that would do is ")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"rocker_ratio": 0.0}, "the rocker ratio must be more than 0, got 0"),
        (
            {"follower": "flat", "rocker_ratio": 1.5},
            "a flat follower stands straight on its valve: its rocker ratio is 1, got 1.5",
        ),
        (
            {"angle_to_cylinder_deg": 75.0},
            "the valve may lean by 60 degrees at most from the cylinder, got 75",
        ),
        ({"base_radius_mm": -1.0}, "the base radius must be more than 0, got -1 mm"),
    ],
)
def test_impossible_followers_are_explained(change: dict[str, object], message: str) -> None:
    assert lobes.lobe_problems(replace(VALVE, **change), BORE) == [message]  # type: ignore[arg-type]


def test_lobe_problems_leave_the_curve_to_the_curve() -> None:
    assert lobes.lobe_problems(replace(VALVE, lift_mm=0.1, rocker_ratio=0), BORE) == []


def test_outline_refuses_what_is_not_a_camshaft() -> None:
    plan, curve = lobes.rocker_plan(VALVE, BORE, 1), cams.lift_curve(VALVE)
    with pytest.raises(ValueError, match="half a turn in a turn of the crank, not 1"):
        lobes.outline(plan, curve, 0.0, 1.0)
    with pytest.raises(ValueError, match="at least 24 corners, got 10"):
        lobes.outline(plan, curve, 0.0, samples=10)
