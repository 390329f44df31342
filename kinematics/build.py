"""From the data sheet to the engine: cylinders and pins, trains, valves, magnetos, marks, parts; all checks of the
mechanism, every problem at once."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from types import MappingProxyType

import numpy as np

from quillwise.kinematics.cams import curve_problems, lift_curve
from quillwise.kinematics.cranks import (
    crank_problems,
    pin_conflicts,
    pin_turns_deg,
    piston_height_mm,
    tdc_deg,
)
from quillwise.kinematics.datasheet import DataSheet, ValveData
from quillwise.kinematics.errors import Problem, SceneError
from quillwise.kinematics.gears import Vec3, angle_to_deg, driven_phase_deg, senses_agree
from quillwise.kinematics.lobes import (
    LOBE_WIDTH,
    STEM,
    FlatPlan,
    RockerPlan,
    follower_plan,
    lobe_problems,
    pad_radius_mm,
)
from quillwise.kinematics.magnetos import check_finger, speed_ratio_needed
from quillwise.kinematics.model import (
    CRANKSHAFT,
    RING_PLATE_FACES,
    Cylinder,
    Engine,
    GearMesh,
    Magneto,
    Mark,
    Shaft,
    Sizes,
    Valve,
    Wheel,
)
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.rig import bank_axes
from quillwise.kinematics.trains import Line, Tree, lay_out

HALF = Fraction(1, 2)
# by the bore: how far a cylinder's two valves stand from its middle along the crank, and the smallest valve
_ROCKER_SPREAD, _FLAT_SPREAD, _LEAST_HEAD = 0.10, 0.23, 0.10
_LEAST_STEM = 0.55  # by the bore: shorter there is no room for head, throat and spring
_SHAFT_CLEARS_MM = 1.0  # between a shaft and the tips of a wheel that it passes
_EXTRA_ROOM_MM = 6.0  # between valve heads and pistons at TDC in the picture, where the data are missing


def build(sheet: DataSheet) -> Engine:
    """The engine of a data sheet. Raises SceneError with every problem of the mechanism, by key path."""
    crank = sheet.crank
    sigma = 1 if sheet.rotation == "clockwise" else -1
    problems = [
        Problem("crank", text)
        for text in crank_problems(crank.stroke_mm / 2, crank.rod_length_mm, crank.gudgeon_offset_mm)
    ]
    if problems:
        raise SceneError(problems)
    cylinders = _cylinders(sheet, sigma)
    problems += _pin_problems(sheet, cylinders)
    problems += _valve_problems(sheet)
    if problems:
        raise SceneError(problems)
    sizes = _sizes(sheet, cylinders)
    first_bank = cylinders[sheet.firing_order[0]].bank_turn_deg
    lines = {
        CRANKSHAFT: Line(
            axis=(1, 0, 0), point=(0, 0, 0), zero=_vec(bank_axes(first_bank)[0]), seen_from="wheelcase end"
        )
    }
    for bank in sheet.banks:
        w, _ = bank_axes(bank.turn_deg)
        point = tuple(float(v) for v in w * sizes.camshaft_height_mm)
        lines[f"camshaft {bank.name}"] = Line(
            axis=(1, 0, 0), point=(point[0], point[1], point[2]), zero=_vec(w), seen_from="wheelcase end"
        )
    tree = lay_out(sheet, sigma, lines, front_mm=-0.12 * sheet.crank.bore_mm)
    problems += tree.problems
    problems += _speed_problems(sheet, tree)
    if problems:
        raise SceneError(problems)
    magnetos = {data.name: _magneto(tree, data.name) for data in sheet.magnetos}
    sizes = replace(sizes, disc_x_mm=tree.front_mm - 0.08 * sheet.crank.bore_mm)
    valves = {valve.name: valve for valve in _valves(sheet, cylinders, sizes)}
    shafts = {name: _spanned(tree, shaft, sizes, cylinders, valves, magnetos) for name, shaft in tree.shafts.items()}
    engine = Engine(
        sheet=sheet,
        sigma=sigma,
        cylinders=MappingProxyType(cylinders),
        shafts=MappingProxyType(shafts),
        wheels=MappingProxyType(tree.wheels),
        meshes=MappingProxyType(tree.meshes),
        couplings=MappingProxyType(tree.couplings),
        valves=MappingProxyType(valves),
        magnetos=MappingProxyType(magnetos),
        marks=tuple(_marks(sheet, cylinders)),
        sizes=sizes,
        parts=(),
    )
    return replace(engine, parts=tuple(_parts(engine)))


def _vec(values: object) -> Vec3:
    x, y, z = np.asarray(values, dtype=float)
    return float(x), float(y), float(z)


def _cylinders(sheet: DataSheet, sigma: int) -> dict[str, Cylinder]:
    crank = sheet.crank
    spacing = sheet.geometry.get("bore_spacing_mm", 1.28 * crank.bore_mm)
    width = _rod_width_mm(sheet)
    most = max(bank.cylinders for bank in sheet.banks)
    interval = 720.0 / len(sheet.firing_order)
    tdc = float(tdc_deg(crank.stroke_mm / 2, crank.rod_length_mm, crank.gudgeon_offset_mm))
    firing = {name: place * interval for place, name in enumerate(sheet.firing_order)}
    bank_of = {f"{b.name}{n}": b.turn_deg for b in sheet.banks for n in range(1, b.cylinders + 1)}
    turns = pin_turns_deg(
        [firing[name] for name in sheet.firing_order],
        [bank_of[name] for name in sheet.firing_order],
        tdc,
        sigma,
    )
    pins = dict(zip(sheet.firing_order, turns.tolist(), strict=True))
    cylinders = {}
    for place, bank in enumerate(sheet.banks):
        beside = 0.0 if crank.rods == "fork-and-blade" else width * (place - (len(sheet.banks) - 1) / 2)
        for number in range(1, bank.cylinders + 1):
            row = number - 1 if sheet.number_one_at == "wheelcase end" else most - number
            name = f"{bank.name}{number}"
            cylinders[name] = Cylinder(
                name=name,
                bank=bank.name,
                number=number,
                x_mm=0.75 * crank.bore_mm + row * spacing + beside,
                bank_turn_deg=bank.turn_deg,
                firing_deg=firing[name],
                pin_turn_deg=pins[name],
                tdc_pin_deg=tdc,
            )
    return cylinders


def _rod_width_mm(sheet: DataSheet) -> float:
    return (0.40 if sheet.crank.rods == "fork-and-blade" else 0.22) * sheet.crank.bore_mm


def _pin_problems(sheet: DataSheet, cylinders: dict[str, Cylinder]) -> Iterator[Problem]:
    """Cylinders of one number share a crank pin; rotation, banks and order must put it at one angle."""
    every = list(cylinders.values())
    conflicts = pin_conflicts([c.name for c in every], [c.number for c in every], [c.pin_turn_deg for c in every])
    if conflicts:
        listed = ", ".join(f"{first} and {second} by {apart:g}°" for first, second, apart in conflicts)
        yield Problem(
            "layout.firing_order",
            f"does not agree with the crank pins: {listed} (cylinders of one number share a pin; "
            f"{sheet.rotation} rotation seen from the wheelcase end)",
        )


def _valve_problems(sheet: DataSheet) -> Iterator[Problem]:
    for valve in (sheet.inlet, sheet.exhaust):
        found = list(curve_problems(valve))
        found += lobe_problems(valve, sheet.crank.bore_mm) if not found else []
        yield from (Problem(f"valves.{valve.kind}", text) for text in found)


def _speed_problems(sheet: DataSheet, tree: Tree) -> Iterator[Problem]:
    """Every camshaft at half speed, every magneto at the speed that fires all its cylinders, fingers at half."""
    if tree.problems:
        return
    for bank in sheet.banks:
        name = f"camshaft {bank.name}"
        if name not in tree.shafts:
            yield Problem("trains", f"no train drives {name}; each bank needs one")
        elif abs(tree.shafts[name].turns) != HALF:
            yield Problem(
                f"trains.{name}",
                f"turns at {abs(tree.shafts[name].turns)} of the crankshaft's speed, needed 1/2",
            )
    for data in sheet.magnetos:
        name = f"{data.name} magneto"
        needed = speed_ratio_needed(len(sheet.firing_order), data.lobes)
        if name not in tree.shafts:
            yield Problem("trains", f'no train drives the shaft "{name}"')
            continue
        turns = abs(tree.shafts[name].turns)
        if turns != needed:
            yield Problem(
                f"trains.{name}",
                f"turns at {turns} of the crankshaft's speed, needed {needed} "
                f"({len(sheet.firing_order)} cylinders, {data.lobes} sparks a turn)",
            )
            continue
        wrong = check_finger(data, turns)
        if wrong:
            yield Problem(f"magnetos.{data.name}.finger", wrong)


def _sizes(sheet: DataSheet, cylinders: dict[str, Cylinder]) -> Sizes:
    """Sizes of the picture from bore and stroke, where ``[geometry]`` does not give them."""
    bore, crank = sheet.crank.bore_mm, sheet.crank
    given = sheet.geometry
    crown = 0.36 * bore
    top = _crown_top_mm(sheet, cylinders, crown)
    room = max(_room_mm(sheet.inlet), _room_mm(sheet.exhaust))
    plans = [(valve, follower_plan(valve, bore, 1)) for valve in (sheet.inlet, sheet.exhaust)]
    rises = [_stem_tip_mm(valve, plan)[1] for valve, plan in plans]
    stems = [_stem_mm(valve, plan, bore) for valve, plan in plans]
    wanted = min(stem - rise for stem, rise in zip(stems, rises, strict=True))
    height = given.get("camshaft_height_mm", top + room + max(wanted, _LEAST_STEM * bore - min(rises)))
    return Sizes(
        bore_spacing_mm=given.get("bore_spacing_mm", 1.28 * bore),
        crown_mm=crown,
        camshaft_height_mm=height,
        disc_x_mm=0.0,
        disc_radius_mm=0.58 * bore,
        pointer_turn_deg=0.0,
        rod_width_mm=_rod_width_mm(sheet),
        main_radius_mm=0.20 * bore,
        pin_radius_mm=min(0.19 * bore, 0.5 * crank.stroke_mm),
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


def _crown_top_mm(sheet: DataSheet, cylinders: dict[str, Cylinder], crown_mm: float) -> float:
    crank = sheet.crank
    tdc = next(iter(cylinders.values())).tdc_pin_deg
    pin = piston_height_mm(tdc, crank.stroke_mm / 2, crank.rod_length_mm, crank.gudgeon_offset_mm)
    return float(pin) + crown_mm


def _valves(sheet: DataSheet, cylinders: dict[str, Cylinder], sizes: Sizes) -> Iterator[Valve]:
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


def _magneto(tree: Tree, name: str) -> Magneto:
    """Place a magneto along its rotor's line, with its finger on a shaft of its own above, geared to the rotor."""
    data = next(m for m in tree.sheet.magnetos if m.name == name)
    bore = tree.sheet.crank.bore_mm
    rotor = f"{name} magneto"
    shaft = tree.shafts[rotor]
    coupling = shaft.link if shaft.link in tree.couplings else ""
    start = max(tree.couplings[coupling].driven_mm) if coupling else 0.2 * bore
    rotor_mm = (start + 0.12 * bore, start + 0.58 * bore)
    gear_mm, finger_mm, breaker_mm = (rotor_mm[1] + step * bore for step in (0.10, 0.22, 0.32))
    _gear_finger(tree, name, gear_mm)
    base = 0.075 * bore
    arm = 0.30 * bore
    return Magneto(
        name=name,
        data=data,
        rotor=rotor,
        finger=f"{name} finger",
        rotor_mm=rotor_mm,
        breaker_mm=breaker_mm,
        finger_mm=-finger_mm,
        radius_mm=0.20 * bore,
        coupling=coupling if coupling and tree.couplings[coupling].data.kind == "sleeve" else "",
        breaker_radius_mm=base,
        lever_pivot_mm=(base + 0.035 * bore, -arm / 2),
        contact_arm_mm=arm,
    )


def _gear_finger(tree: Tree, name: str, gear_mm: float) -> None:
    """The finger's gears and shaft, seen from the distributor's face: its axis looks back at the engine."""
    data = next(m for m in tree.sheet.magnetos if m.name == name)
    rotor = tree.shafts[f"{name} magneto"]
    pinion_teeth, wheel_teeth = data.finger_teeth
    module = 0.80 * tree.sheet.crank.bore_mm / (pinion_teeth + wheel_teeth)
    centre = module * (pinion_teeth + wheel_teeth) / 2
    axis = _vec(-np.asarray(rotor.axis))
    point = _vec(np.add(rotor.point, (0.0, 0.0, centre)))
    at = np.asarray(rotor.axis) * gear_mm
    pitch_point = _vec(np.add(rotor.point, at) + (0.0, 0.0, module * pinion_teeth / 2))
    agree = senses_agree(rotor.axis, rotor.point, axis, point, pitch_point)
    phase = driven_phase_deg(
        pinion_teeth,
        0.0,
        angle_to_deg(rotor.axis, rotor.point, rotor.zero, pitch_point),
        wheel_teeth,
        angle_to_deg(axis, point, rotor.zero, pitch_point),
        agree,
    )
    finger = f"{name} finger"
    mesh = f"{rotor.name} to {finger}"
    for shaft, teeth, along, tooth_deg in (
        (rotor.name, pinion_teeth, gear_mm, 0.0),
        (finger, wheel_teeth, -gear_mm, phase),
    ):
        wheel = f"{shaft}, {teeth}-tooth spur"
        tree.wheels[wheel] = Wheel(
            name=wheel,
            shaft=shaft,
            kind="spur",
            teeth=teeth,
            module_mm=module,
            face_mm=0.07 * tree.sheet.crank.bore_mm,
            at_mm=along,
            side=0,
            mating_teeth=0,
            phase_deg=tooth_deg,
        )
    tree.meshes[mesh] = GearMesh(
        name=mesh,
        driving=f"{rotor.name}, {pinion_teeth}-tooth spur",
        driven=f"{finger}, {wheel_teeth}-tooth spur",
        pitch_point=pitch_point,
        agree=agree,
    )
    ratio = agree * Fraction(pinion_teeth, wheel_teeth)
    turns = ratio * rotor.turns
    tree.shafts[finger] = Shaft(
        name=finger,
        axis=axis,
        point=point,
        zero=rotor.zero,
        span_mm=(0.0, 0.0),
        radius_mm=0.05 * tree.sheet.crank.bore_mm,
        bore_mm=0.0,
        seen_from="distributor face",
        parent=rotor.name,
        link=mesh,
        ratio=ratio,
        turns=turns,
        sense=tree.sigma if turns > 0 else -tree.sigma,
    )


def _spanned(
    tree: Tree,
    shaft: Shaft,
    sizes: Sizes,
    cylinders: dict[str, Cylinder],
    valves: dict[str, Valve],
    magnetos: dict[str, Magneto],
) -> Shaft:
    """The shaft with the length that its wheels, couplings and lobes need, as thick as they leave room for."""
    bore = tree.sheet.crank.bore_mm
    reach: list[float] = []
    for wheel in tree.wheels.values():
        if wheel.shaft == shaft.name:
            reach += _wheel_reach(wheel, hollow=shaft.bore_mm > 0)
    for coupling in tree.couplings.values():
        if shaft.name == coupling.driving:
            reach += [coupling.driving_mm[1 if coupling.driven_mm[0] < coupling.driving_mm[0] else 0]]
        if shaft.name == coupling.driven:
            reach += [coupling.driven_mm[1 if coupling.driving_mm[0] < coupling.driven_mm[0] else 0]]
    last = max(c.x_mm for c in cylinders.values())
    if shaft.name == CRANKSHAFT:
        reach += [sizes.disc_x_mm, last + 0.75 * bore]
    lobes = [valve.x_mm for valve in valves.values() if valve.camshaft == shaft.name]
    if lobes:
        reach.append(max(last + 0.32 * bore, max(lobes) + LOBE_WIDTH * bore))
    radius = shaft.radius_mm
    for magneto in magnetos.values():
        if shaft.name == magneto.rotor:
            reach += [magneto.rotor_mm[0], magneto.breaker_mm]
            radius = 0.05 * bore
        if shaft.name == magneto.finger:
            reach.append(magneto.finger_mm)
    span = (min(reach), max(reach))
    radius = max(min(radius, _thickest_mm(tree, shaft, span)), 1.15 * shaft.bore_mm)
    return replace(shaft, span_mm=span, radius_mm=radius)


def _wheel_reach(wheel: Wheel, *, hollow: bool) -> list[float]:
    """How far the shaft goes into a wheel, from and to along the axis [mm]. A hollow one ends in the web of its
    bevel, so that it does not stand among the teeth."""
    if wheel.kind == "internal":  # in the plate beside the ring, not across the pinion
        return [wheel.at_mm + RING_PLATE_FACES[0] * wheel.face_mm, wheel.at_mm + RING_PLATE_FACES[1] * wheel.face_mm]
    if wheel.kind != "bevel":
        return [wheel.at_mm - wheel.face_mm / 2, wheel.at_mm + wheel.face_mm / 2]
    out = wheel.module_mm * wheel.mating_teeth / 2
    cone = wheel.module_mm * float(np.hypot(wheel.teeth, wheel.mating_teeth)) / 2
    if hollow:
        # past the roots of the large end by half the web's least thickness
        return [wheel.at_mm + wheel.side * (out + 1.25 * wheel.module_mm * wheel.teeth * wheel.module_mm / (2 * cone))]
    return [wheel.at_mm + wheel.side * out, wheel.at_mm + wheel.side * out * (1 - wheel.face_mm / cone)]


def _thickest_mm(tree: Tree, shaft: Shaft, span_mm: tuple[float, float]) -> float:
    """The greatest radius [mm] at which the shaft stays under the roots of its own spur wheels and clears the wheels
    of parallel shafts that it passes."""
    most = math.inf
    low, high = (shaft.point[0] + shaft.axis[0] * along for along in sorted(span_mm, key=lambda z: z * shaft.axis[0]))
    for wheel in tree.wheels.values():
        if wheel.kind != "spur":
            continue
        if wheel.shaft == shaft.name:
            most = min(most, 0.7 * wheel.module_mm * (wheel.teeth / 2 - 1.25))
            continue
        other = tree.shafts[wheel.shaft]
        x_mm = other.point[0] + other.axis[0] * wheel.at_mm
        passed = low < x_mm + wheel.face_mm / 2 and x_mm - wheel.face_mm / 2 < high
        if passed and abs(shaft.axis[0]) == abs(other.axis[0]) == 1.0:
            apart = math.hypot(shaft.point[1] - other.point[1], shaft.point[2] - other.point[2])
            room = apart - wheel.module_mm * (wheel.teeth / 2 + 1) - _SHAFT_CLEARS_MM
            most = min(most, room) if room > 0 else most
    return most


def _marks(sheet: DataSheet, cylinders: dict[str, Cylinder]) -> Iterator[Mark]:
    """A mark of the timing disc for every job of the set-up order that meets one."""
    seen = set()
    for step in sheet.setup:
        firing = cylinders[step.cylinder].firing_deg if step.cylinder else 0.0
        if step.do == "set-camshaft":
            valve = sheet.inlet if step.by.startswith("inlet") else sheet.exhaust
            own = valve.opens_deg if step.by.endswith("opens") else valve.closes_deg
            label = f"{step.cylinder} {step.by}"
        elif step.do == "set-magneto":
            own = next(m for m in sheet.magnetos if m.name == step.magneto).break_deg
            label = f"{step.cylinder} {step.magneto} points break"
        else:
            continue
        if label not in seen:
            seen.add(label)
            yield Mark(label=label, crank_deg=(firing + own) % 720.0)


def _parts(engine: Engine) -> Iterator[Part]:
    """Every part of the engine, in the order in which lists print them."""
    yield Part(Kind.CRANKSHAFT)
    for kind in (Kind.ROD, Kind.PISTON, Kind.CYLINDER):
        yield from (Part(kind, name) for name in engine.cylinders)
    for name in engine.shafts:
        if name != CRANKSHAFT and name not in engine.camshafts:
            yield Part(Kind.SHAFT, name)
    yield from (Part(Kind.WHEEL, name) for name in engine.wheels)
    for name, coupling in engine.couplings.items():
        yield Part(Kind.QUILL if coupling.data.kind == "quill" else Kind.SLEEVE, name)
        yield Part(Kind.MATE, f"{name} driving")
        yield Part(Kind.MATE, f"{name} driven")
    yield from (Part(Kind.CAMSHAFT, name) for name in engine.camshafts)
    for name, valve in engine.valves.items():
        if isinstance(valve.plan, RockerPlan):
            yield Part(Kind.ROCKER, name)
        yield Part(Kind.VALVE, name)
        yield Part(Kind.SEAT, name)
    for name in engine.magnetos:
        yield Part(Kind.ROTOR, name)
        yield Part(Kind.POLE_SHOES, name)
        yield Part(Kind.BREAKER_CAM, name)
        yield Part(Kind.FIXED_POINT, name)
        yield Part(Kind.MOVING_POINT, name)
        yield Part(Kind.FINGER, name)
        yield Part(Kind.SEGMENTS, name)
    yield Part(Kind.DISC)
    yield Part(Kind.WINDOW)
