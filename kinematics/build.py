"""From the data sheet to the engine: cylinders and pins, trains, valves, magnetos, marks, parts; all checks of the
mechanism, every problem at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from types import MappingProxyType

import numpy as np

from quillwise.kinematics.cams import curve_problems
from quillwise.kinematics.cranks import (
    crank_problems,
    pin_conflicts,
    pin_turns_deg,
    tdc_deg,
)
from quillwise.kinematics.datasheet import DataSheet, camshaft_name
from quillwise.kinematics.errors import Problem, SceneError
from quillwise.kinematics.gears import Vec3, angle_to_deg, driven_phase_deg, senses_agree
from quillwise.kinematics.lobes import RockerPlan, lobe_problems
from quillwise.kinematics.magnetos import check_finger, speed_ratio_needed
from quillwise.kinematics.model import (
    CRANKSHAFT,
    Cylinder,
    Engine,
    GearMesh,
    Magneto,
    Mark,
    Shaft,
    Sizes,
    Wheel,
)
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.rig import bank_axes
from quillwise.kinematics.shafts import spanned
from quillwise.kinematics.trains import Line, Tree, lay_out
from quillwise.kinematics.valvegear import (
    ValveGear,
    as_placed,
    camshaft_u_mm,
    place_valves,
    valve_gear,
    valve_room_problems,
)

HALF = Fraction(1, 2)
CROWN = 0.36  # by the bore: from the gudgeon pin to the piston's crown


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
    gear = valve_gear(sheet, cylinders, CROWN * crank.bore_mm)
    sizes = _sizes(sheet, gear)
    problems += valve_room_problems(sheet, gear, cylinders, sizes)
    if problems:
        raise SceneError(problems)
    first_bank = cylinders[sheet.firing_order[0]].bank_turn_deg
    lines = {
        CRANKSHAFT: Line(
            axis=(1, 0, 0), point=(0, 0, 0), zero=_vec(bank_axes(first_bank)[0]), seen_from="wheelcase end"
        )
    }
    for bank in sheet.banks:
        w, u = bank_axes(bank.turn_deg)
        for kind, out in camshaft_u_mm(sheet, gear, cylinders, sizes, bank.turn_deg).items():
            lines[camshaft_name(bank.name, kind, sheet.camshafts_per_bank)] = Line(
                axis=(1, 0, 0),
                point=_vec(w * sizes.camshaft_height_mm + u * out),
                zero=_vec(w),
                seen_from="wheelcase end",
            )
    tree = lay_out(sheet, sigma, lines, front_mm=-0.12 * sheet.crank.bore_mm)
    problems += tree.problems
    problems += _speed_problems(sheet, tree)
    if problems:
        raise SceneError(problems)
    magnetos = {data.name: _magneto(tree, data.name) for data in sheet.magnetos}
    sizes = replace(sizes, disc_x_mm=tree.front_mm - 0.08 * sheet.crank.bore_mm)
    valves = {valve.name: valve for valve in place_valves(sheet, gear, cylinders, sizes)}
    shafts = {name: spanned(tree, shaft, sizes, cylinders, valves, magnetos) for name, shaft in tree.shafts.items()}
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
        placed = as_placed(valve, sheet.camshafts_per_bank)
        found += lobe_problems(placed, sheet.crank.bore_mm) if not found else []
        yield from (Problem(f"valves.{valve.kind}", text) for text in found)


def _speed_problems(sheet: DataSheet, tree: Tree) -> Iterator[Problem]:
    """Every camshaft at half speed, every magneto at the speed that fires all its cylinders, fingers at half."""
    if tree.problems:
        return
    for name in sheet.camshafts:
        if name not in tree.shafts:
            needs = "one" if sheet.camshafts_per_bank == 1 else "an inlet and an exhaust camshaft"
            yield Problem("trains", f"no train drives {name}; each bank needs {needs}")
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


def _sizes(sheet: DataSheet, gear: ValveGear) -> Sizes:
    """Sizes of the picture from bore and stroke, where ``[geometry]`` does not give them."""
    bore, crank = sheet.crank.bore_mm, sheet.crank
    given = sheet.geometry
    height = given.get("camshaft_height_mm", gear.height_mm)
    return Sizes(
        bore_spacing_mm=given.get("bore_spacing_mm", 1.28 * bore),
        crown_mm=CROWN * bore,
        camshaft_height_mm=height,
        disc_x_mm=0.0,
        disc_radius_mm=0.58 * bore,
        pointer_turn_deg=0.0,
        rod_width_mm=_rod_width_mm(sheet),
        main_radius_mm=0.20 * bore,
        pin_radius_mm=min(0.19 * bore, 0.5 * crank.stroke_mm),
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
