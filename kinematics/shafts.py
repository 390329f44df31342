"""How long and how thick the shafts of an engine are, from what stands on them and what they pass."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from quillwise.kinematics.lobes import LOBE_WIDTH
from quillwise.kinematics.model import (
    CRANKSHAFT,
    RING_PLATE_FACES,
    Cylinder,
    Magneto,
    Shaft,
    Sizes,
    Valve,
    Wheel,
)
from quillwise.kinematics.trains import Tree

_SHAFT_CLEARS_MM = 1.0  # between a shaft and the tips of a wheel that it passes


def spanned(
    tree: Tree,
    shaft: Shaft,
    sizes: Sizes,
    cylinders: Mapping[str, Cylinder],
    valves: Mapping[str, Valve],
    magnetos: Mapping[str, Magneto],
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
        first = min(c.x_mm for c in cylinders.values())
        reach.append(max(last + 0.32 * bore, max(lobes) + LOBE_WIDTH * bore))
        reach.append(min(first - 0.32 * bore, min(lobes) - LOBE_WIDTH * bore))
    radius = shaft.radius_mm
    for magneto in magnetos.values():
        if shaft.name == magneto.rotor:
            reach += magneto.rotor_mm
            radius = 0.05 * bore
        if shaft.name == magneto.finger:
            reach.append(magneto.finger_mm)
        if shaft.name == magneto.breaker_shaft:
            reach.append(magneto.breaker_mm)
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
