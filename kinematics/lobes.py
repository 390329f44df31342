"""Cam followers, and the outline of a lobe as the envelope of its follower.

All in the bank's plane, seen from the wheelcase end, with the camshaft's axis as origin: u to the right, w
along the cylinder's axis away from the crank [mm]. Turns are about +x: clockwise as seen, from w towards u.
``side`` is +1 for a valve to the right of the camshaft, −1 to the left; the two sides are mirror images.

Followers:

- a rocker with a roller on top of the cam, or a pad of a large radius, and a ball on the valve's tip. The cam lifts
  the roller, the rocker
  turns outwards (about +x on the right), the ball pushes the valve down its own axis;
- a flat pad square to its own travel, straight on the valve, which lies on the far side of the cam from w.

Travel is that of a valve without clearance. A clearance c is a gap between ball and valve tip on the heel:
the follower keeps to the cam, the valve moves max(0, travel − c).
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from quillwise.kinematics.angles import CYCLE_DEG, Floats
from quillwise.kinematics.cams import (
    Curve,
    LiftCurve,
    curve_problems,
    heel_joints,
    lift_curve,
    lift_mm,
    velocity_mm_per_deg,
)
from quillwise.kinematics.datasheet import ValveData
from quillwise.kinematics.lengths import LengthUnit, length, stated

Point = tuple[float, float]

NOSE_RADIUS_MM = 3.0
LOBE_WIDTH = 0.12  # by the bore
CAM_TURNS = 0.5  # of a four-stroke engine's camshaft in a turn of the crank

# proportions of a rocker by the bore; the reach is two arms, which must let the rocker swing by the lift
_REACH, _ROLLER, _LEAST_BASE = 0.26, 0.07, 0.11
PAD_RADIUS = 0.5  # by the bore: of the pad on a rocker
STEM = 0.95  # by the bore: of a valve's length, what lies along the cylinder's axis
_BOSS = 0.032  # radius of the arms' roots at the pivot
_BESIDE = 0.08  # what the lobe must leave room for: the collar at the valve's tip, and air
_ARM_PER_LIFT = 1.2
_NODES = 2880
_KINK_NODES = 9


@dataclass(frozen=True, kw_only=True, slots=True)
class RockerPlan:
    """A rocker at rest, with the cam on its heel. Points are (u, w) from the camshaft's axis.

    pivot_mm: its shaft; roller_mm, tip_mm: centres of roller and of the ball of tip_radius_mm on the valve's
    tip; valve_turn_deg: direction from the valve's head to its tip, from w about +x; the valve opens against
    it. With a pad in place of the roller (``pad``), roller_mm and roller_radius_mm are those of its face's arc;
    arm_end_mm: middle of the arm's end, which carries roller or pad.
    """

    side: int
    base_radius_mm: float
    roller_radius_mm: float
    arm_end_mm: Point
    pad: bool = False
    pivot_mm: Point
    roller_mm: Point
    tip_mm: Point
    tip_radius_mm: float
    valve_turn_deg: float


@dataclass(frozen=True, kw_only=True, slots=True)
class FlatPlan:
    """A flat follower straight on the valve. Points are (u, w) from the camshaft's axis.

    follower_turn_deg: direction from the camshaft's axis to the pad, from w about +x: the way the valve
    opens; valve_turn_deg: opposite to it, from the valve's head to its tip; tip_mm: the pad's middle, cam on
    its heel.
    """

    side: int
    base_radius_mm: float
    follower_turn_deg: float
    tip_mm: Point
    valve_turn_deg: float


def _towards(turn_deg: float) -> Floats:
    """The unit vector (u, w) at a turn about +x from w."""
    turn = math.radians(turn_deg)
    return np.array([math.sin(turn), math.cos(turn)])


def turned(points: ArrayLike, turn_deg: ArrayLike) -> Floats:
    """Points (…, 2) turned about +x by turn_deg (…) [deg]: clockwise as seen from the wheelcase end."""
    p, turn = np.asarray(points, dtype=np.float64), np.radians(np.asarray(turn_deg, dtype=np.float64))
    sine, cosine = np.sin(turn), np.cos(turn)
    u, w = p[..., 0], p[..., 1]
    return np.stack([u * cosine + w * sine, w * cosine - u * sine], axis=-1)


def rocker_plan(valve: ValveData, bore_mm: float, side: int) -> RockerPlan:
    """The rocker of a valve, its proportions from the bore; base radius as given, or derived
    (``base_radius_mm``)."""
    return _rocker_plan(valve, bore_mm, side, base_radius_mm(valve, bore_mm))


def _rocker_plan(valve: ValveData, bore_mm: float, side: int, base_mm: float) -> RockerPlan:
    """Both arms stand square to their travel at half lift, so that they swing alike above and below it.

    The ball is as much thicker than the arm's root as the arm falls at rest: the arm's underside then lies square
    to the valve, and does not cut into the edge of its tip. The nose of the lobe passes beside the valve.
    """
    ratio, lift = valve.rocker_ratio, valve.lift_mm
    lean_rad = math.radians(valve.angle_to_cylinder_deg)
    leaned = (base_mm + _ROLLER * bore_mm + lift / ratio / 2) * math.sin(lean_rad)
    beside = (base_mm + lift / ratio + _BESIDE * bore_mm + leaned) / (math.cos(lean_rad) + ratio)
    # a leaning valve's tip stands further out, so that its head stays where that of an upright one is
    reach = (_REACH + STEM * math.tan(lean_rad)) * bore_mm / (1 + ratio * math.cos(lean_rad))
    cam_arm = max(reach, _ARM_PER_LIFT * lift / ratio, beside)
    pad = valve.follower == "pad-rocker"
    radius = pad_face_radius_mm(valve, bore_mm) if pad else _ROLLER * bore_mm
    end = np.array([0.0, base_mm + _ROLLER * bore_mm])
    pivot = np.add(end, (cam_arm, lift / ratio / 2))
    lean = valve.angle_to_cylinder_deg
    tip = pivot + ratio * cam_arm * _towards(lean + 90) + lift / 2 * _towards(lean)

    def placed(point: Floats) -> Point:
        return (side * float(point[0]), float(point[1]))

    return RockerPlan(
        side=side,
        base_radius_mm=base_mm,
        roller_radius_mm=radius,
        arm_end_mm=placed(end),
        pad=pad,
        pivot_mm=placed(pivot),
        roller_mm=placed(np.array([0.0, base_mm + radius])),
        tip_mm=placed(tip),
        tip_radius_mm=lift / 2 + _BOSS * bore_mm,
        valve_turn_deg=side * lean,
    )


def pad_face_radius_mm(valve: ValveData, bore_mm: float) -> float:
    """Radius of the face of the pad on a rocker [mm]: as in the data, or half the bore."""
    return PAD_RADIUS * bore_mm if valve.pad_radius_mm is None else valve.pad_radius_mm


def flat_plan(valve: ValveData, bore_mm: float, side: int) -> FlatPlan:
    """The flat follower of a valve; base radius as given, or derived (``base_radius_mm``)."""
    return _flat_plan(valve, side, base_radius_mm(valve, bore_mm))


def _flat_plan(valve: ValveData, side: int, base_mm: float) -> FlatPlan:
    follower_turn = 180.0 + side * valve.angle_to_cylinder_deg
    u, w = base_mm * _towards(follower_turn)
    return FlatPlan(
        side=side,
        base_radius_mm=base_mm,
        follower_turn_deg=follower_turn,
        tip_mm=(float(u), float(w)),
        valve_turn_deg=side * valve.angle_to_cylinder_deg,
    )


def follower_plan(valve: ValveData, bore_mm: float, side: int) -> RockerPlan | FlatPlan:
    """The follower that the data sheet asks for: ``rocker_plan`` or ``flat_plan``."""
    return (flat_plan if valve.follower == "flat" else rocker_plan)(valve, bore_mm, side)


def _swing(plan: RockerPlan, travel_mm: ArrayLike) -> tuple[Floats, Floats]:
    """The rocker's turn [rad about +x] and its rate [rad per mm of travel]."""
    pivot, tip = np.array(plan.pivot_mm), np.array(plan.tip_mm)
    arm, axis = tip - pivot, _towards(plan.valve_turn_deg)
    length, along = float(np.hypot(*arm)), float(arm @ axis)
    # height of the ball's centre over the pivot, along the valve's axis, as a sine of the arm's angle
    sine = (along - np.asarray(travel_mm, dtype=np.float64)) / length
    swing = np.arcsin(along / length) - np.arcsin(sine)
    return plan.side * swing + 0.0, plan.side / (length * np.sqrt(1 - sine**2))


def rocker_angle_deg(plan: RockerPlan, travel_mm: ArrayLike) -> Floats:
    """The rocker's turn about +x from rest [deg] for a travel at the valve [mm]. Shape of ``travel_mm``.

    Exact for a ball on a flat valve tip: the ball's centre falls along the valve's axis by the travel. + on
    the right side, − on the left. Travel from 0 to the valve's lift, for which the plan was made.
    """
    return np.degrees(_swing(plan, travel_mm)[0])


def roller_centre_mm(plan: RockerPlan, travel_mm: ArrayLike) -> Floats:
    """Where the roller's centre stands (…, 2) for a travel at the valve (…) [mm]."""
    arm = np.array(plan.roller_mm) - np.array(plan.pivot_mm)
    return np.array(plan.pivot_mm) + turned(arm, rocker_angle_deg(plan, travel_mm))


def roller_envelope(centres_mm: Floats, tangents: Floats, roller_radius_mm: float) -> tuple[Floats, Floats]:
    """Outline (N, 2) that a roller touches, and its outward unit normals (N, 2).

    centres_mm (N, 2): path of the roller's centre in the cam's frame, anticlockwise as seen; tangents (N, 2):
    along it, any length. The parallel curve, a roller's radius inside the path.
    """
    along = tangents / np.hypot(tangents[:, 0], tangents[:, 1])[:, None]
    outward = np.stack([along[:, 1], -along[:, 0]], axis=-1)
    return centres_mm - roller_radius_mm * outward, outward


def flat_envelope(normal_rad: Floats, distance_mm: Floats, rate_mm_per_rad: Floats) -> tuple[Floats, Floats]:
    """Outline (N, 2) that a flat follower touches, and its outward unit normals (N, 2).

    normal_rad (N,): direction of the follower in the cam's frame, anticlockwise from u; distance_mm (N,): of
    its face from the cam's axis, and its rate by ``normal_rad``. The curve with this support function: p =
    h·n + h′·n′.
    """
    normal = np.stack([np.cos(normal_rad), np.sin(normal_rad)], axis=-1)
    along = np.stack([-normal[:, 1], normal[:, 0]], axis=-1)
    return distance_mm[:, None] * normal + rate_mm_per_rad[:, None] * along, normal


@functools.lru_cache(maxsize=4)  # the search for a base radius asks for those of one curve twenty times
def _nodes(curve: Curve) -> tuple[Floats, Floats, Floats]:
    """Once round, from the middle of the heel: distance from the peak [crank deg], travel, and its rate; not to be
    written to.

    Where a ramp meets the heel the rate jumps: several nodes at that place take it over in small shares,
    which lays the facet (flat follower) or the arc in which the roller sits (rocker) into the outline.
    """
    (leaves, opening), (meets, closing) = heel_joints(curve)
    flanks = [-curve.flank_deg, curve.flank_deg] if isinstance(curve, LiftCurve) else []
    even = np.linspace(-CYCLE_DEG / 2, CYCLE_DEG / 2, _NODES, endpoint=False)
    places = np.sort(np.concatenate([even, [leaves, meets], flanks]))
    places = places[np.diff(places, prepend=-np.inf) > 0]  # np.unique loads masked arrays, which takes longer than this
    kink = (places == leaves) | (places == meets)
    x = np.repeat(places, np.where(kink, _KINK_NODES, 1))
    rate = velocity_mm_per_deg(curve, curve.peak_deg + x)
    rate[x == leaves] = np.linspace(0.0, opening, _KINK_NODES)
    rate[x == meets] = np.linspace(closing, 0.0, _KINK_NODES)
    found = x, lift_mm(curve, curve.peak_deg + x), rate
    for values in found:
        values.setflags(write=False)
    return found


def _envelope(
    plan: RockerPlan | FlatPlan, curve: Curve, cam_at_peak_deg: float, cam_turns: float
) -> tuple[Floats, Floats]:
    """The outline at all nodes, anticlockwise, with its outward normals; cam_at_peak_deg: q at the peak."""
    x, travel, rate = _nodes(curve)
    if cam_turns < 0:
        x, travel, rate = x[::-1], travel[::-1], rate[::-1]
    cam_deg = cam_at_peak_deg + cam_turns * x
    rate_by_cam = np.degrees(rate) / cam_turns  # mm per radian of the cam, signed
    if isinstance(plan, FlatPlan):
        # seen from the cam, the follower goes round the other way: its direction is that of the rising normal
        normal = np.radians(90 - plan.follower_turn_deg + cam_deg)
        return flat_envelope(normal, plan.base_radius_mm + travel, rate_by_cam)
    centre = roller_centre_mm(plan, travel)
    from_pivot = centre - np.array(plan.pivot_mm)
    swing_rate = _swing(plan, travel)[1] * rate_by_cam
    # d/dq of R(−q)·C, turned back by q; a turn about +x takes (u, w) to its derivative (w, −u)
    moved = np.stack([from_pivot[:, 1], -from_pivot[:, 0]], axis=-1) * swing_rate[:, None]
    carried = np.stack([-centre[:, 1], centre[:, 0]], axis=-1)
    return roller_envelope(turned(centre, -cam_deg), turned(moved + carried, -cam_deg), plan.roller_radius_mm)


def outline(
    plan: RockerPlan | FlatPlan,
    curve: Curve,
    firing_deg: float,
    cam_turns_per_crank_turn: float = CAM_TURNS,
    samples: int = 360,
) -> Floats:
    """The lobe's outline (samples, 2): a polygon, anticlockwise as seen, first point not repeated, starting
    mid-heel.

    In the cam's frame: (u, w) as they are when the camshaft's coordinate q is 0, which is at θ = 0; at θ the
    outline is ``turned(outline, q)`` with q = cam_turns · θ. The cylinder's own angle is θ − firing_deg.
    cam_turns_per_crank_turn: ±1/2, + when the camshaft turns clockwise as seen while the crank runs in its
    direction. The corners are spread so that every chord leaves the curve by about the same amount.
    Raises ValueError when cam_turns is not ±1/2 or samples is less than 24.
    """
    if abs(cam_turns_per_crank_turn) != CAM_TURNS:
        raise ValueError(f"a camshaft makes half a turn in a turn of the crank, not {cam_turns_per_crank_turn:g}")
    if samples < 24:
        raise ValueError(f"an outline needs at least 24 corners, got {samples}")
    at_peak = cam_turns_per_crank_turn * (firing_deg + curve.peak_deg)
    points, normals = _envelope(plan, curve, at_peak, cam_turns_per_crank_turn)
    points, normals = np.vstack([points, points[:1]]), np.vstack([normals, normals[:1]])
    length = np.hypot(*np.diff(points, axis=0).T)
    bend = np.hypot(*np.diff(normals, axis=0).T)
    # a chord leaves an arc by bend · length / 8; the small second term keeps the ends of straight pieces
    share = np.sqrt(bend * length) + 0.02 * length
    place = np.concatenate([[0.0], np.cumsum(share)])
    wanted = np.linspace(0.0, place[-1], samples, endpoint=False)
    return np.stack([np.interp(wanted, place, points[:, i]) for i in range(2)], axis=-1)


@functools.lru_cache(maxsize=16)  # few lobes of an engine differ, and many parts are made by them
def reach_mm(plan: RockerPlan | FlatPlan, curve: Curve) -> float:
    """How far a lobe reaches from the camshaft's axis [mm]: the greatest radius of its outline."""
    return float(np.hypot(*outline(plan, curve, 0.0).T).max())


def nose_radius_mm(plan: RockerPlan | FlatPlan, curve: Curve) -> float:
    """Least radius of curvature of the outline where it is convex [mm]; below 0 the outline is undercut.

    By differences over the envelope at quarter crank degrees: way along the outline ÷ turn of its normal. An
    undercut outline runs backwards, so that its radius comes out negative. The same for both senses of the
    camshaft.
    """
    points, normals = _envelope(plan, curve, 0.0, CAM_TURNS)
    points, normals = np.vstack([points, points[:1]]), np.vstack([normals, normals[:1]])
    step, middle = np.diff(points, axis=0), normals[1:] + normals[:-1]
    way = (step[:, 1] * middle[:, 0] - step[:, 0] * middle[:, 1]) / np.hypot(middle[:, 0], middle[:, 1])
    turn = normals[:-1, 0] * normals[1:, 1] - normals[:-1, 1] * normals[1:, 0]
    convex = turn > 1e-9
    return float(np.min(way[convex] / np.arcsin(turn[convex])))


def face_width_mm(plan: FlatPlan, curve: Curve) -> float:
    """Width of pad that the contact of a flat follower sweeps [mm]: twice the greatest rate of lift by cam
    angle.

    Independent of the base radius; ``plan`` says only that the follower is flat.
    """
    points, normals = _envelope(plan, curve, 0.0, CAM_TURNS)
    across = points[:, 1] * normals[:, 0] - points[:, 0] * normals[:, 1]
    return float(2 * np.max(np.abs(across)))


def pad_half_width_mm(plan: RockerPlan, curve: Curve) -> float:
    """How far from the middle of a rocker's pad its lobe touches it at most [mm], along the face."""
    x, travel, _ = _nodes(curve)
    normals = turned(_envelope(plan, curve, 0.0, CAM_TURNS)[1], CAM_TURNS * x)
    in_rocker = turned(normals, -rocker_angle_deg(plan, travel))
    return float(plan.roller_radius_mm * np.max(np.abs(in_rocker[:, 0])))


def least_base_radius_mm(
    valve: ValveData, bore_mm: float, nose_mm: float = NOSE_RADIUS_MM, from_mm: float = 0.0
) -> float:
    """Least base radius, from ``from_mm`` on, that keeps the outline's radius at nose_mm or more wherever it is
    convex [mm].

    ``nose_mm=0`` gives the least that is not undercut. By bisection to 0.001 mm, from above; the outline's
    curvature as in ``nose_radius_mm``. ``base_radius_mm`` in the data is not looked at. Raises ValueError
    when the data give no lift curve.
    """
    curve = lift_curve(valve)

    def will_do(base_mm: float) -> bool:
        plan: RockerPlan | FlatPlan
        flat = valve.follower == "flat"
        plan = _flat_plan(valve, 1, base_mm) if flat else _rocker_plan(valve, bore_mm, 1, base_mm)
        return nose_radius_mm(plan, curve) >= nose_mm

    low = high = max(nose_mm, from_mm, 0.01)  # most engines: no search
    while not will_do(high):
        low, high = high, 2 * high
    while high - low > 0.001:
        middle = (low + high) / 2
        low, high = (low, middle) if will_do(middle) else (middle, high)
    return high


def base_radius_mm(valve: ValveData, bore_mm: float) -> float:
    """The base radius in the data, or the default: ``least_base_radius_mm``, and not under 0.11 bore [mm]."""
    if valve.base_radius_mm is not None:
        return valve.base_radius_mm
    return least_base_radius_mm(valve, bore_mm, from_mm=_LEAST_BASE * bore_mm)


def pad_radius_mm(plan: FlatPlan, curve: Curve, bore_mm: float) -> float:
    """Radius of a flat follower's round pad [mm]: the line in which the lobe touches it stays on it to its ends."""
    swept = math.hypot(face_width_mm(plan, curve), LOBE_WIDTH * bore_mm) / 2
    return max(0.16 * bore_mm, swept + 0.005 * bore_mm)


def lobe_problems(valve: ValveData, bore_mm: float, unit: LengthUnit = "mm") -> list[str]:
    """Plain sentences on why no lobe and follower can do this lift; empty when they can.

    Those of ``curve_problems`` are not repeated: when there are any, this list is empty.
    """
    if curve_problems(valve):
        return []
    if not (valve.rocker_ratio > 0 and math.isfinite(valve.rocker_ratio)):
        return [f"the rocker ratio must be more than 0, got {valve.rocker_ratio:g}"]
    if valve.follower == "flat" and valve.rocker_ratio != 1:
        return [f"a flat follower stands straight on its valve: its rocker ratio is 1, got {valve.rocker_ratio:g}"]
    if valve.follower == "pad-rocker" and not pad_face_radius_mm(valve, bore_mm) > 0:
        return [f"the radius of the pad must be more than 0, got {stated(pad_face_radius_mm(valve, bore_mm), unit)}"]
    if abs(valve.angle_to_cylinder_deg) > 60:
        return [f"the valve may lean by 60 degrees at most from the cylinder, got {valve.angle_to_cylinder_deg:g}"]
    if valve.base_radius_mm is None:
        return []
    if not (valve.base_radius_mm > 0 and math.isfinite(valve.base_radius_mm)):
        return [f"the base radius must be more than 0, got {stated(valve.base_radius_mm, unit)}"]
    if nose_radius_mm(follower_plan(valve, bore_mm, 1), lift_curve(valve)) > 0:
        return []
    least, good = (math.ceil(100 * least_base_radius_mm(valve, bore_mm, nose)) / 100 for nose in (0.0, NOSE_RADIUS_MM))
    nose = stated(NOSE_RADIUS_MM, unit)
    return [
        f"the lobe is undercut with a base radius of {stated(valve.base_radius_mm, unit)}: the least that would do is "
        f"{length(least, unit)}, and {length(good, unit)} keeps the radius of its nose at {nose}"
    ]
