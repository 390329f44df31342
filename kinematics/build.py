"""From the data sheet to the engine: cylinders and pins, trains, valves, magnetos, marks, parts; all checks of the
mechanism, every problem at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from types import MappingProxyType

from quillwise.kinematics.cams import curve_problems
from quillwise.kinematics.datasheet import DataSheet, camshaft_name
from quillwise.kinematics.errors import Problem, SceneError
from quillwise.kinematics.ignition import fires_problems, magneto_problems, place_magneto, spark_problems
from quillwise.kinematics.lobes import RockerPlan, lobe_problems
from quillwise.kinematics.marks import disc_marks
from quillwise.kinematics.model import (
    CRANKSHAFT,
    Engine,
    Sizes,
)
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.preconditions import hand_problems, setup_problems
from quillwise.kinematics.rig import bank_axes
from quillwise.kinematics.shafts import spanned
from quillwise.kinematics.throws import (
    bore_spacing_mm,
    pin_radius_mm,
    place_cylinders,
    rod_width_mm,
    throw_problems,
    towards_middle,
)
from quillwise.kinematics.trains import Line, Tree, lay_out
from quillwise.kinematics.tree import vec
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
    """The engine of a data sheet, in degrees, mm and exact ratios. Raises SceneError with every problem of the
    mechanism, by key path."""
    crank = sheet.crank
    sigma = 1 if sheet.rotation == "clockwise" else -1
    problems = list(throw_problems(sheet))
    if problems:
        raise SceneError(problems)
    cylinders, problems = place_cylinders(sheet, sigma)
    wrong_fires = list(fires_problems(sheet))
    problems += spark_problems(sheet, cylinders) if not problems and not wrong_fires else wrong_fires
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
        CRANKSHAFT: Line(axis=(1, 0, 0), point=(0, 0, 0), zero=vec(bank_axes(first_bank)[0]), seen_from="wheelcase end")
    }
    for bank in sheet.banks:
        w, u = bank_axes(bank.turn_deg)
        for kind, out in camshaft_u_mm(sheet, gear, cylinders, sizes, towards_middle(sheet, bank.turn_deg)).items():
            lines[camshaft_name(bank.name, kind, sheet.camshafts_per_bank)] = Line(
                axis=(1, 0, 0),
                point=vec(w * sizes.camshaft_height_mm + u * out),
                zero=vec(w),
                seen_from="wheelcase end",
            )
    rear_mm = max(cylinder.x_mm for cylinder in cylinders.values()) + 0.75 * crank.bore_mm
    tree = lay_out(sheet, sigma, lines, front_mm=-0.12 * crank.bore_mm, rear_mm=rear_mm)
    problems += tree.problems
    problems += _speed_problems(sheet, tree)
    if problems:
        raise SceneError(problems)
    magnetos = {data.name: place_magneto(tree, data.name, cylinders) for data in sheet.magnetos}
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
        marks=(),
        sizes=sizes,
        parts=(),
    )
    problems += [*hand_problems(engine), *setup_problems(engine)]
    if problems:
        raise SceneError(problems)
    return replace(engine, marks=tuple(disc_marks(engine)), parts=tuple(_parts(engine)))


def _valve_problems(sheet: DataSheet) -> Iterator[Problem]:
    for valve in (sheet.inlet, sheet.exhaust):
        found = list(curve_problems(valve, sheet.length_unit))
        placed = as_placed(valve, sheet.camshafts_per_bank)
        found += lobe_problems(placed, sheet.crank.bore_mm, sheet.length_unit) if not found else []
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
    yield from magneto_problems(sheet, tree)


def _sizes(sheet: DataSheet, gear: ValveGear) -> Sizes:
    """Sizes of the picture from bore and stroke, where ``[geometry]`` does not give them."""
    bore = sheet.crank.bore_mm
    given = sheet.geometry
    height = given.get("camshaft_height_mm", gear.height_mm)
    return Sizes(
        bore_spacing_mm=bore_spacing_mm(sheet),
        crown_mm=CROWN * bore,
        camshaft_height_mm=height,
        disc_x_mm=0.0,
        disc_radius_mm=given.get("disc_radius_mm", 0.58 * bore),
        pointer_turn_deg=0.0,
        rod_width_mm=rod_width_mm(sheet),
        main_radius_mm=0.20 * bore,
        pin_radius_mm=pin_radius_mm(sheet),
    )


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
        yield Part(Kind.ROCKER if isinstance(valve.plan, RockerPlan) else Kind.TAPPET, name)
        yield Part(Kind.VALVE, name)
        yield Part(Kind.SEAT, name)
        yield Part(Kind.SPRING, name)
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
