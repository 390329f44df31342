"""Where a cylinder's valves stand, under or beside their camshaft, and how high that camshaft lies over the crank."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

import numpy as np

from quillwise.kinematics.cams import lift_curve
from quillwise.kinematics.cranks import piston_height_mm
from quillwise.kinematics.datasheet import DataSheet, ValveData
from quillwise.kinematics.lobes import STEM, FlatPlan, RockerPlan, follower_plan, pad_radius_mm
from quillwise.kinematics.model import Cylinder, Sizes, Valve

# by the bore: how far a cylinder's two valves stand from its middle along the crank, and the smallest valve
_ROCKER_SPREAD, _FLAT_SPREAD, _LEAST_HEAD = 0.10, 0.23, 0.10
_LEAST_STEM = 0.55  # by the bore: shorter there is no room for head, throat and spring
_EXTRA_ROOM_MM = 6.0  # between valve heads and pistons at TDC in the picture, where the data are missing


def camshaft_height_mm(sheet: DataSheet, cylinders: Mapping[str, Cylinder], crown_mm: float) -> float:
    """Height of a camshaft over the crank along the bank [mm], so that both kinds of valve have a fair length."""
    bore = sheet.crank.bore_mm
    top = _crown_top_mm(sheet, cylinders, crown_mm)
    room = max(_room_mm(sheet.inlet), _room_mm(sheet.exhaust))
    plans = [(valve, follower_plan(valve, bore, 1)) for valve in (sheet.inlet, sheet.exhaust)]
    rises = [_stem_tip_mm(valve, plan)[1] for valve, plan in plans]
    stems = [_stem_mm(valve, plan, bore) for valve, plan in plans]
    wanted = min(stem - rise for stem, rise in zip(stems, rises, strict=True))
    return top + room + max(wanted, _LEAST_STEM * bore - min(rises))


def place_valves(sheet: DataSheet, cylinders: Mapping[str, Cylinder], sizes: Sizes) -> Iterator[Valve]:
    """Inlet valves towards the middle of the engine, exhaust valves outside; one of each a cylinder."""
    bore = sheet.crank.bore_mm
    top = _crown_top_mm(sheet, cylinders, sizes.crown_mm)
    curves = {data.kind: lift_curve(data) for data in (sheet.inlet, sheet.exhaust)}
    # the least base radius is searched for: once a kind and side, not once a valve
    plans = {
        (data.kind, side): follower_plan(data, bore, side) for data in (sheet.inlet, sheet.exhaust) for side in (-1, 1)
    }
    for cylinder in cylinders.values():
        inward = -1 if cylinder.bank_turn_deg > 0 else 1
        for data in (sheet.inlet, sheet.exhaust):
            inlet = data.kind == "inlet"
            side = inward if inlet else -inward
            if data.follower == "flat":
                side = -side  # its stem points to the camshaft: the head stands on the other side of it
            plan = plans[data.kind, side]
            tip_u, tip_rise = _stem_tip_mm(data, plan)
            tip_w = sizes.camshaft_height_mm + tip_rise
            spread = _ROCKER_SPREAD * bore
            if isinstance(plan, FlatPlan):
                spread = max(_FLAT_SPREAD * bore, pad_radius_mm(plan, curves[data.kind], bore) + 0.01 * bore)
            along = -spread if inlet else spread
            lean = math.radians(data.angle_to_cylinder_deg)
            rise = tip_w - top - _room_mm(data)
            # the head stays within the bore, and its lowest edge keeps the room over the piston
            off = math.hypot(tip_u - plan.side * rise * math.tan(lean), along)
            head = max(min((0.20 if inlet else 0.185) * bore, 0.49 * bore - off), _LEAST_HEAD * bore)
            length = (rise - head * abs(math.sin(lean))) / math.cos(lean)
            yield Valve(
                name=f"{cylinder.name} {data.kind}",
                cylinder=cylinder.name,
                kind=data.kind,
                camshaft=f"camshaft {cylinder.bank}",
                data=data,
                curve=curves[data.kind],
                plan=plan,
                x_mm=cylinder.x_mm + along,
                tip_u_mm=tip_u,
                tip_w_mm=tip_w,
                length_mm=length,
                head_radius_mm=head,
                side=side,
            )


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


def _crown_top_mm(sheet: DataSheet, cylinders: Mapping[str, Cylinder], crown_mm: float) -> float:
    crank = sheet.crank
    tdc = next(iter(cylinders.values())).tdc_pin_deg
    pin = piston_height_mm(tdc, crank.stroke_mm / 2, crank.rod_length_mm, crank.gudgeon_offset_mm)
    return float(pin) + crown_mm
