"""Where a cylinder's valves stand, under or beside their camshafts, and where those lie over the crank.

In the bank's plane (u to the right seen from the wheelcase end, w along the cylinder). Inlet valves stand towards the
middle of the engine. One camshaft lies over the middle of the bore, its rockers reach outwards, and a flat follower's
valve leans with its head outwards. Two camshafts lie outside of the valves, whose tips lean outwards: rockers reach
inwards from them, flat followers lie under them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from quillwise.kinematics.cams import Curve, lift_curve
from quillwise.kinematics.datasheet import DataSheet, ValveData, ValveKind, camshaft_name, valve_name
from quillwise.kinematics.errors import Problem
from quillwise.kinematics.lengths import length
from quillwise.kinematics.lobes import (
    STEM,
    FlatPlan,
    RockerPlan,
    base_radius_mm,
    follower_plan,
    pad_radius_mm,
    reach_mm,
)
from quillwise.kinematics.model import Cylinder, Sizes, Valve

# by the bore: how far a cylinder's two valves stand from its middle along the crank, and the smallest valve
_ROCKER_SPREAD, _FLAT_SPREAD, _LEAST_HEAD = 0.10, 0.23, 0.10
_INLET_HEAD, _EXHAUST_HEAD, _IN_BORE = 0.20, 0.185, 0.49
_LEAST_STEM = 0.55  # by the bore: shorter there is no room for head, throat and spring
_EXTRA_ROOM_MM = 6.0  # between valve heads and pistons at TDC in the picture, where the data are missing
# by the bore, where there are more than two valves or two camshafts: from lobe to lobe, between the rims of two
# heads (their seats), the smallest head, and how far from the middle one, two or three heads stand in a row
_LOBE_PITCH, _RIMS, _SMALLEST_HEAD = 0.15, 0.065, 0.07
_MIXED_ROCKER = 0.22  # by the bore: what a rocker takes in a row with flat followers
_HEADS_AT: Mapping[int, float] = {1: 0.23, 2: 0.21, 3: 0.19}
# by the bore: how far below the tip the spring's collar ends, and what its turns take; by the stem below: the spring
_COLLAR_UNDER, _SPRING_SHUT, _SPRING_SHARE, _GUIDE = 0.084, 0.13, 0.40, 0.06
_ROW_PITCH: Mapping[int, float] = {1: 0.0, 2: 0.42, 3: 0.30}
_BEVEL_MODULE, _CAMSHAFT = 0.024, 0.11  # by the bore: of the bevel on a camshaft; the camshaft's thickest place


@dataclass(frozen=True, kw_only=True, slots=True)
class ValveGear:
    """Followers and places of all valves, the same for every cylinder of a side. Keys (kind, towards): ``towards`` is
    +1 where the inlet valves stand to the right of the cylinder's axis, −1 to the left."""

    curves: Mapping[ValveKind, Curve]
    plans: Mapping[tuple[ValveKind, int], RockerPlan | FlatPlan]
    along_mm: Mapping[ValveKind, tuple[float, ...]]
    height_mm: float  # of the camshafts, as the followers want it
    apart_mm: float  # least distance between two camshafts of a bank


def as_placed(data: ValveData, camshafts_per_bank: int) -> ValveData:
    """A valve's data as its follower sees them: a rocker that reaches inwards has a leaning valve's tip nearer."""
    inwards = camshafts_per_bank == 2 and data.follower != "flat"
    return replace(data, angle_to_cylinder_deg=-data.angle_to_cylinder_deg) if inwards else data


def valve_gear(sheet: DataSheet, cylinders: Mapping[str, Cylinder], crown_mm: float) -> ValveGear:
    """The valve gear of a sheet whose lift curves and lobes have no problems."""
    bore = sheet.crank.bore_mm
    kinds = [as_placed(data, sheet.camshafts_per_bank) for data in (sheet.inlet, sheet.exhaust)]
    curves = {data.kind: lift_curve(data) for data in kinds}
    # the least base radius is searched for: once a kind, the sides are mirror images
    based = [replace(data, base_radius_mm=base_radius_mm(data, bore)) for data in kinds]
    plans = {
        (data.kind, towards): follower_plan(data, bore, _side(sheet, data, towards))
        for data in based
        for towards in (-1, 1)
    }
    room = max(_room_mm(sheet.inlet), _room_mm(sheet.exhaust))
    pairs = [(data, plans[data.kind, 1]) for data in kinds]
    rises = [_stem_tip_mm(data, plan)[1] for data, plan in pairs]
    two = sheet.camshafts_per_bank == 2
    stems = [STEM * bore if two else _stem_mm(data, plan, bore) for data, plan in pairs]
    wanted = min(stem - rise for stem, rise in zip(stems, rises, strict=True))
    return ValveGear(
        curves=curves,
        plans=plans,
        along_mm=_along_mm(sheet, {data.kind: _half_mm(plan, curves[data.kind], bore) for data, plan in pairs}),
        height_mm=_crown_top_mm(cylinders, crown_mm) + room + max(wanted, _LEAST_STEM * bore - min(rises)),
        apart_mm=_apart_mm(sheet, [(plan, curves[data.kind]) for data, plan in pairs]) if two else 0.0,
    )


def camshaft_u_mm(
    sheet: DataSheet, gear: ValveGear, cylinders: Mapping[str, Cylinder], sizes: Sizes, towards: int
) -> dict[ValveKind, float]:
    """Of a bank: u of the camshaft that works the valves of a kind [mm]; both are 0 where one works all."""
    if sheet.camshafts_per_bank == 1:
        return {"inlet": 0.0, "exhaust": 0.0}
    bore = sheet.crank.bore_mm
    top = _crown_top_mm(cylinders, sizes.crown_mm)
    found: dict[ValveKind, float] = {}
    tips = {}
    for data in (sheet.inlet, sheet.exhaust):
        plan = gear.plans[data.kind, towards]
        tip_u, tip_rise = _stem_tip_mm(data, plan)
        rise = sizes.camshaft_height_mm + tip_rise - top - _room_mm(data)
        out = towards if data.kind == "inlet" else -towards
        head_u = tip_u - rise * math.tan(math.radians(plan.valve_turn_deg))
        found[data.kind] = out * _HEADS_AT[data.count] * bore - head_u
        tips[data.kind] = found[data.kind] + tip_u
    # as far apart as lobes, wheels and what sits at the valves' tips need
    short = gear.apart_mm - towards * (found["inlet"] - found["exhaust"])
    around = sum(_about_tip_mm(gear.plans[kind, towards], gear.curves[kind], bore) for kind in found)
    short = max(short, around - towards * (tips["inlet"] - tips["exhaust"]), 0.0)
    return {
        "inlet": found["inlet"] + towards * short / 2,
        "exhaust": found["exhaust"] - towards * short / 2,
    }


def place_valves(sheet: DataSheet, gear: ValveGear, cylinders: Mapping[str, Cylinder], sizes: Sizes) -> Iterator[Valve]:
    """All valves, cylinder by cylinder: inlet valves towards the middle of the engine, exhaust valves outside."""
    stands = {
        towards: tuple(_stands(sheet, gear, cylinders, sizes, towards))
        for towards in {cylinder.towards for cylinder in cylinders.values()}
    }
    for cylinder in cylinders.values():
        for valve in stands[cylinder.towards]:
            count = valve.data.count
            yield replace(
                valve,
                name=valve_name(cylinder.name, valve.kind, valve.number, count),
                cylinder=cylinder.name,
                camshaft=camshaft_name(cylinder.bank, valve.kind, sheet.camshafts_per_bank),
                x_mm=cylinder.x_mm + valve.x_mm,
            )


def valve_room_problems(
    sheet: DataSheet, gear: ValveGear, cylinders: Mapping[str, Cylinder], sizes: Sizes
) -> Iterator[Problem]:
    """Followers that have no room beside each other under their camshaft, from one cylinder to the next."""
    if _is_plain(sheet):
        return
    bore = sheet.crank.bore_mm
    rows: dict[str, list[tuple[float, float]]] = {}
    for valve in _stands(sheet, gear, cylinders, sizes, 1):
        half = _half_mm(valve.plan, valve.curve, bore)
        row = "valves" if sheet.camshafts_per_bank == 1 else f"valves.{valve.kind}"
        rows.setdefault(row, []).append((valve.x_mm - half, valve.x_mm + half))
    for row, spans in rows.items():
        width = max(end for _, end in spans) - min(start for start, _ in spans)
        if width > sizes.bore_spacing_mm:
            more = "rockers, or two camshafts a bank" if sheet.camshafts_per_bank == 1 else "rockers"
            takes, has = (length(value, sheet.length_unit, 1) for value in (width, sizes.bore_spacing_mm))
            yield Problem(
                row,
                f"the followers of {len(spans)} valves a cylinder take {takes} of their camshaft, more than the "
                f"{has} from cylinder to cylinder; {more} would do",
            )


def _is_plain(sheet: DataSheet) -> bool:
    """One camshaft a bank and two valves a cylinder: there is always room."""
    return sheet.camshafts_per_bank == 1 and sheet.inlet.count == sheet.exhaust.count == 1


def _side(sheet: DataSheet, data: ValveData, towards: int) -> int:
    """On which side of its camshaft a follower stands. Under one camshaft a flat follower's stem points to it: the
    head stands on the other side of it."""
    out = towards if data.kind == "inlet" else -towards
    return -out if (data.follower == "flat") != (sheet.camshafts_per_bank == 2) else out


def _stands(
    sheet: DataSheet, gear: ValveGear, cylinders: Mapping[str, Cylinder], sizes: Sizes, towards: int
) -> Iterator[Valve]:
    """The valves of a cylinder without a name: ``x_mm`` from its middle."""
    bore = sheet.crank.bore_mm
    top = _crown_top_mm(cylinders, sizes.crown_mm)
    camshafts = camshaft_u_mm(sheet, gear, cylinders, sizes, towards)
    made: list[Valve] = []
    rises: list[float] = []
    for data in (sheet.inlet, sheet.exhaust):
        plan = gear.plans[data.kind, towards]
        tip_u, tip_rise = _stem_tip_mm(data, plan)
        tip_w = sizes.camshaft_height_mm + tip_rise
        rise = tip_w - top - _room_mm(data)
        for number, along in enumerate(gear.along_mm[data.kind], 1):
            rises.append(rise)
            made.append(
                Valve(
                    name="",
                    cylinder="",
                    kind=data.kind,
                    camshaft="",
                    data=data,
                    curve=gear.curves[data.kind],
                    plan=plan,
                    x_mm=along,
                    tip_u_mm=camshafts[data.kind] + tip_u,
                    tip_w_mm=tip_w,
                    length_mm=0.0,
                    head_radius_mm=0.0,
                    side=plan.side,
                    number=number,
                    camshaft_u_mm=camshafts[data.kind],
                )
            )
    heads = _heads_mm(sheet, made, rises, bore)
    for valve, rise in zip(made, rises, strict=True):
        # the head stays within the bore, and its lowest edge keeps the room over the piston
        lean, head = math.radians(valve.plan.valve_turn_deg), heads[valve.kind]
        length = (rise - head * abs(math.sin(lean))) / math.cos(lean)
        spring = _spring_mm(length, head, valve.data.lift_mm, bore)
        yield replace(valve, head_radius_mm=head, length_mm=length, spring_mm=spring)


def _spring_mm(length_mm: float, head_mm: float, lift_mm: float, bore_mm: float) -> tuple[float, float]:
    """Foot and end of a valve's spring from the tip of its stem: its turns keep room at full lift."""
    end = -_COLLAR_UNDER * bore_mm
    wanted = _SPRING_SHARE * (length_mm + end)
    wanted = max(wanted, 1.15 * lift_mm + _SPRING_SHUT * bore_mm)
    # below it the valve's neck, about as high as the head's radius, and the guide
    free = length_mm + end - head_mm - _GUIDE * bore_mm
    return end - max(min(wanted, free), 1.15 * lift_mm + 0.2 * _SPRING_SHUT * bore_mm), end


def _heads_mm(sheet: DataSheet, valves: list[Valve], rises: list[float], bore_mm: float) -> dict[ValveKind, float]:
    """Radius of the heads of each kind: a share of the bore, or what the bore and the heads beside it leave."""
    at = {
        (valve.kind, valve.number): (
            valve.tip_u_mm - rise * math.tan(math.radians(valve.plan.valve_turn_deg)),
            valve.x_mm,
        )
        for valve, rise in zip(valves, rises, strict=True)
    }
    heads: dict[ValveKind, float] = {"inlet": _INLET_HEAD * bore_mm, "exhaust": _EXHAUST_HEAD * bore_mm}
    least = (_LEAST_HEAD if _is_plain(sheet) else _SMALLEST_HEAD) * bore_mm
    for (kind, _), place in at.items():
        heads[kind] = max(min(heads[kind], _IN_BORE * bore_mm - math.hypot(*place)), least)
    if _is_plain(sheet):
        return heads
    places = list(at.items())
    for number, ((kind, _), place) in enumerate(places):
        for (other, _), beside in places[number + 1 :]:
            free = math.dist(place, beside) - _RIMS * bore_mm
            share = free / (heads[kind] + heads[other])
            if share < 1:
                heads |= {each: heads[each] * share for each in {kind, other}}
    return heads


def _half_mm(plan: RockerPlan | FlatPlan, curve: Curve, bore_mm: float) -> float:
    """Half of what a follower needs along the camshaft [mm]."""
    if isinstance(plan, RockerPlan):
        return _LOBE_PITCH / 2 * bore_mm
    return pad_radius_mm(plan, curve, bore_mm) + 0.01 * bore_mm


def _along_mm(sheet: DataSheet, half_mm: Mapping[ValveKind, float]) -> dict[ValveKind, tuple[float, ...]]:
    """Stations of a cylinder's valves along the crank, from its middle [mm], by kind."""
    bore = sheet.crank.bore_mm
    counts: dict[ValveKind, int] = {"inlet": sheet.inlet.count, "exhaust": sheet.exhaust.count}
    flat = {data.kind: data.follower == "flat" for data in (sheet.inlet, sheet.exhaust)}
    if sheet.camshafts_per_bank == 2:
        pitch = {kind: max(_ROW_PITCH[n] * bore, 2 * half_mm[kind] * (n > 1)) for kind, n in counts.items()}
        return {kind: _row(counts[kind], pitch[kind]) for kind in counts}
    if _is_plain(sheet):
        spread = {k: max(_FLAT_SPREAD * bore, half_mm[k]) if flat[k] else _ROCKER_SPREAD * bore for k in counts}
        return {"inlet": (-spread["inlet"],), "exhaust": (spread["exhaust"],)}
    if not any(flat.values()):
        # those of a kind stand two lobes apart, those of the other kind between them
        moved = dict.fromkeys(counts, 0.0)
        if (counts["inlet"] - counts["exhaust"]) % 2 == 0:
            alike = counts["inlet"] == counts["exhaust"]
            moved = {"inlet": -_LOBE_PITCH / 2 * bore * alike, "exhaust": _LOBE_PITCH * bore * (1 - alike / 2)}
        return {kind: tuple(x + moved[kind] for x in _row(n, 2 * _LOBE_PITCH * bore)) for kind, n in counts.items()}
    # all in one row under the camshaft, inlet and exhaust mixed evenly
    order = sorted(((k + 0.5) / n, kind == "exhaust", kind) for kind, n in counts.items() for k in range(n))
    found: dict[ValveKind, list[float]] = {"inlet": [], "exhaust": []}
    half = {kind: half_mm[kind] if flat[kind] else _MIXED_ROCKER / 2 * bore for kind in counts}
    edge = -sum(half[kind] for *_, kind in order)
    for *_, kind in order:
        found[kind].append(edge + half[kind])
        edge += 2 * half[kind]
    return {kind: tuple(places) for kind, places in found.items()}


def _row(count: int, pitch_mm: float) -> tuple[float, ...]:
    return tuple((k - (count - 1) / 2) * pitch_mm for k in range(count))


def _apart_mm(sheet: DataSheet, followers: list[tuple[RockerPlan | FlatPlan, Curve]]) -> float:
    """Least distance between the two camshafts of a bank [mm]: lobe clear of lobe, and each of the other's bevel."""
    bore = sheet.crank.bore_mm
    lobes = [reach_mm(plan, curve) for plan, curve in followers]
    bevels = [
        _BEVEL_MODULE * bore * (train.stages[-1].driven_teeth / 2 + 1)
        for train in sheet.trains
        if train.drives in sheet.camshafts and train.stages[-1].kind == "bevel"
    ]
    return max(sum(lobes) + 0.03 * bore, max(bevels, default=0.0) + (_CAMSHAFT + 0.03) * bore)


def _about_tip_mm(plan: RockerPlan | FlatPlan, curve: Curve, bore_mm: float) -> float:
    """Radius about a valve's tip that must be clear of the other kind's [mm]: of the pad, or of ball and collar."""
    if isinstance(plan, FlatPlan):
        return pad_radius_mm(plan, curve, bore_mm) + 0.01 * bore_mm
    return max(plan.tip_radius_mm, 0.07 * bore_mm) + 0.02 * bore_mm


def _room_mm(valve: ValveData) -> float:
    return _EXTRA_ROOM_MM if valve.room_at_tdc_mm is None else valve.room_at_tdc_mm


def _stem_tip_mm(valve: ValveData, plan: RockerPlan | FlatPlan) -> tuple[float, float]:
    """Where the shut valve's tip stands from the camshaft's axis (u, w), a checking clearance off its follower."""
    off = valve.checking_clearance_mm + (plan.tip_radius_mm if isinstance(plan, RockerPlan) else 0.0)
    turn = np.radians(plan.valve_turn_deg)
    return plan.tip_mm[0] - off * float(np.sin(turn)), plan.tip_mm[1] - off * float(np.cos(turn))


def _stem_mm(valve: ValveData, plan: RockerPlan | FlatPlan, bore_mm: float) -> float:
    """Of a valve's length, what should lie along the cylinder's axis [mm]: less where a valve under the camshaft leans,
    so that its head does not leave the bore."""
    lean = math.radians(abs(valve.angle_to_cylinder_deg))
    if isinstance(plan, RockerPlan) or not lean:
        return STEM * bore_mm
    return min(STEM * bore_mm, 0.28 * bore_mm / math.tan(lean) - plan.base_radius_mm * math.cos(lean))


def _crown_top_mm(cylinders: Mapping[str, Cylinder], crown_mm: float) -> float:
    return max(cylinder.top_mm for cylinder in cylinders.values()) + crown_mm
