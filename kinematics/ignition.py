"""Magnetos on an engine: which cylinders each fires, the speed it needs, where it stands, and what is wrong with it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from fractions import Fraction
from types import MappingProxyType

import numpy as np

from quillwise.kinematics.datasheet import DataSheet, MagnetoData
from quillwise.kinematics.errors import Problem, unknown
from quillwise.kinematics.gears import angle_to_deg, driven_phase_deg, senses_agree
from quillwise.kinematics.magnetos import (
    check_finger,
    dwell_deg,
    finger_holds,
    finger_off_middle_deg,
    speed_ratio_needed,
)
from quillwise.kinematics.model import Cylinder, GearMesh, Magneto, Shaft, Wheel
from quillwise.kinematics.throws import upwards
from quillwise.kinematics.tree import Tree, vec

UNEVEN_SPARK_DEG = (
    5.0  # ours, no source: so far off the even interval an evenly lobed breaker cam still serves a cylinder
)


def fired(sheet: DataSheet, data: MagnetoData) -> tuple[str, ...]:
    """The cylinders that a magneto fires, in the firing order: those that it names, alone or by their bank."""
    if not data.fires:
        return sheet.firing_order
    return tuple(name for name in sheet.firing_order if name in data.fires or name.rstrip("0123456789") in data.fires)


def due_deg(cylinders: Mapping[str, Cylinder], names: tuple[str, ...]) -> dict[str, float]:
    """θ at which each cylinder that a magneto fires is due: at even intervals from the top of its first, because its
    breaker cam is lobed evenly, wherever the others have their own tops [deg, not wrapped]."""
    first = cylinders[names[0]].firing_deg
    return {name: first + 720.0 * place / len(names) for place, name in enumerate(names)}


def spark_problems(sheet: DataSheet, cylinders: Mapping[str, Cylinder]) -> Iterator[Problem]:
    """Magnetos whose evenly lobed breaker cam cannot serve the cylinders that they fire: those fire too unevenly."""
    told: dict[tuple[str, str], list[str]] = {}
    for data in sheet.magnetos:
        names = fired(sheet, data)
        if not names:
            continue
        late = {name: cylinders[name].firing_deg - due for name, due in due_deg(cylinders, names).items()}
        worst = max(late, key=lambda name: abs(late[name]))
        if abs(late[worst]) > UNEVEN_SPARK_DEG:
            way = "after" if late[worst] > 0 else "before"
            text = (
                f"an evenly lobed breaker cam sparks every {720 / len(names):g} crank degrees, but {worst} comes to "
                f"its top {abs(late[worst]):.1f} crank degrees {way} that place; expected tops within "
                f"{UNEVEN_SPARK_DEG:g} crank degrees of even places{_cause(sheet, cylinders[worst])}"
            )
            told.setdefault((text, _keys_of_tops(sheet, cylinders[worst])), []).append(data.name)
    for (text, keys), magnetos in told.items():
        path = keys or f"magnetos.{magnetos[0]}.fires"
        who = "" if not keys else f" (magneto{'s' if len(magnetos) > 1 else ''} {', '.join(magnetos)})"
        yield Problem(path, f"{text}{who}")


def _keys_of_tops(sheet: DataSheet, worst: Cylinder) -> str:
    """The keys that put a top where it is; empty where it is a matter of what a magneto fires."""
    if worst.linkage.link is not None:
        given = any(bank.wrist_pin_angle_deg is not None for bank in sheet.banks if bank.name == worst.bank)
        return f"layout.banks.{worst.bank}.wrist_pin_angle_deg" if given else "crank.wrist_pin_radius"
    return "crank.pin_angles_deg" if sheet.crank.pin_angles_deg is not None else ""


def _cause(sheet: DataSheet, worst: Cylinder) -> str:
    if worst.linkage.link is not None:
        return (
            f": {worst.name} hangs on a link rod, so look at crank.wrist_pin_radius, crank.link_rod_length and "
            f"wrist_pin_angle_deg of bank {worst.bank}"
        )
    return ": look at the angles of the pins" if sheet.crank.pin_angles_deg is not None else ""


def fires_problems(sheet: DataSheet) -> Iterator[Problem]:
    """Names that a magneto cannot fire, sparks that would not come evenly, and jobs at a cylinder that it leaves."""
    banks = [bank.name for bank in sheet.banks]
    for data in sheet.magnetos:
        path = f"magnetos.{data.name}.fires"
        wrong = [name for name in data.fires if name not in banks and name not in sheet.firing_order]
        yield from (Problem(path, unknown("bank or cylinder", name, (*banks, *sheet.firing_order))) for name in wrong)
        names = fired(sheet, data)
        if wrong or not names:
            continue
        places = [sheet.firing_order.index(name) for name in names]
        count = len(sheet.firing_order)
        following = places[1:] + places[:1]
        gaps = [(after - before) % count or count for before, after in zip(places, following, strict=True)]
        if len(set(gaps)) > 1:
            listed = ", ".join(f"{name} at {720 * place / count:g}" for name, place in zip(names, places, strict=True))
            yield Problem(path, f"expected cylinders that fire at even intervals, got {listed} crank degrees")
    for number, job in enumerate(sheet.setup, start=1):
        magneto = next((data for data in sheet.magnetos if job.magneto == data.name), None)
        if job.do != "set-magneto" or magneto is None:
            continue
        names = fired(sheet, magneto)
        if names and job.cylinder not in names:
            fires = ", ".join(names)
            yield Problem(
                f"steps[{number}].cylinder", f"{magneto.name} magneto does not fire {job.cylinder}; it fires {fires}"
            )


def magneto_problems(sheet: DataSheet, tree: Tree) -> Iterator[Problem]:
    """Every magneto at the speed that fires all its cylinders, its finger at half speed and on its segment at every
    break of the advance range, its points open and closed in every spark."""
    for data in sheet.magnetos:
        name, path = f"{data.name} magneto", f"magnetos.{data.name}"
        count = len(fired(sheet, data))
        sparks = data.sparks_per_turn
        needed = speed_ratio_needed(count, sparks)
        if name not in tree.shafts:
            yield Problem("trains", f'no train drives the shaft "{name}"')
            continue
        turns = abs(tree.shafts[name].turns)
        if turns != needed and data.breaker_on == "rotor":
            yield Problem(
                f"trains.{name}",
                f"turns at {turns} of the crankshaft's speed, needed {needed} "
                f"({count} cylinders, {sparks} sparks a turn)",
            )
            continue
        wrong = check_finger(data, turns)
        if wrong:
            yield Problem(f"{path}.finger", wrong)
            continue
        if data.breaker_on == "finger" and data.lobes != count:
            yield Problem(
                f"{path}.lobes",
                f"expected {count} on the half-speed shaft, one for each cylinder that it fires, got {data.lobes}",
            )
            continue
        if data.poles % sparks:
            yield Problem(
                f"{path}.lobes",
                f"{sparks} sparks in a turn of the rotor do not come at equal places of its {data.poles} poles: "
                f"at this speed expected {data.poles} sparks, or a divisor of it",
            )
            continue
        yield from _points_and_finger(data, count)


def _points_and_finger(data: MagnetoData, count: int) -> Iterator[Problem]:
    path = f"magnetos.{data.name}"
    try:
        dwell_deg(data)
    except ValueError as error:
        yield Problem(f"{path}.dwell_magneto_rotor_deg", str(error))
    half = float(finger_off_middle_deg(data.advance_range_deg / 2))
    reach = (data.finger_width_deg + data.segment_width_deg) / 2
    if not finger_holds(data).holds:
        yield Problem(
            f"{path}.advance_range_deg",
            f"the finger leaves its segment: at either end of {data.advance_range_deg:g} crank degrees it is "
            f"{half:g} degrees off the middle, and finger and segment face each other only within {reach:g}",
        )
    spacing = 360.0 / count
    if half + reach >= spacing and count > 1:
        yield Problem(
            f"{path}.segment_width_deg",
            f"the finger reaches the next segment: with the advance range it needs {half + reach:g} degrees, "
            f"and the segments of {count} cylinders are {spacing:g} apart",
        )


def place_magneto(tree: Tree, name: str, cylinders: Mapping[str, Cylinder]) -> Magneto:
    """Place a magneto along its rotor's line, away from what drives it, with its finger on a shaft of its own beside
    it, geared to the rotor."""
    data = next(m for m in tree.sheet.magnetos if m.name == name)
    bore = tree.sheet.crank.bore_mm
    rotor, finger = f"{name} magneto", f"{name} finger"
    shaft = tree.shafts[rotor]
    coupling = tree.couplings.get(shaft.link)
    outward = -1 if coupling is not None and coupling.driven_mm[0] < coupling.driving_mm[0] else 1
    start = 0.2 * bore
    if coupling is not None:
        start = max(outward * end for end in coupling.driven_mm)
    first, last = start + 0.12 * bore, start + 0.58 * bore
    _gear_finger(tree, data, outward, last + 0.10 * bore)
    on_rotor = data.breaker_on == "rotor"
    finger_mm, breaker_mm = (last + step * bore for step in ((0.22, 0.32) if on_rotor else (0.34, 0.21)))
    base, arm = 0.075 * bore, 0.30 * bore
    names = fired(tree.sheet, data)
    return Magneto(
        name=name,
        data=data,
        rotor=rotor,
        finger=finger,
        rotor_mm=(min(outward * first, outward * last), max(outward * first, outward * last)),
        breaker_mm=outward * breaker_mm if on_rotor else -breaker_mm,
        finger_mm=-finger_mm,
        radius_mm=0.20 * bore,
        coupling=coupling.name if coupling is not None and coupling.data.kind == "sleeve" else "",
        breaker_radius_mm=base,
        lever_pivot_mm=(base + 0.035 * bore, -arm / 2),
        contact_arm_mm=arm,
        breaker_shaft=rotor if on_rotor else finger,
        fires=names,
        due_deg=MappingProxyType(due_deg(cylinders, names)),
    )


def _gear_finger(tree: Tree, data: MagnetoData, outward: int, gear_mm: float) -> None:
    """The finger's gears and shaft, seen from the distributor's face: its axis looks back at the drive."""
    rotor = tree.shafts[f"{data.name} magneto"]
    pinion_teeth, wheel_teeth = data.finger_teeth
    module = 0.80 * tree.sheet.crank.bore_mm / (pinion_teeth + wheel_teeth)
    up = upwards(tree.sheet)
    centre = up * module * (pinion_teeth + wheel_teeth) / 2
    axis = vec(-outward * np.asarray(rotor.axis))
    point = vec(np.add(rotor.point, (0.0, 0.0, centre)))
    at = outward * np.asarray(rotor.axis) * gear_mm
    pitch_point = vec(np.add(rotor.point, at) + (0.0, 0.0, up * module * pinion_teeth / 2))
    agree = senses_agree(rotor.axis, rotor.point, axis, point, pitch_point)
    phase = driven_phase_deg(
        pinion_teeth,
        0.0,
        angle_to_deg(rotor.axis, rotor.point, rotor.zero, pitch_point),
        wheel_teeth,
        angle_to_deg(axis, point, rotor.zero, pitch_point),
        agree,
    )
    finger = f"{data.name} finger"
    names = []
    for shaft, teeth, along, tooth_deg in (
        (rotor.name, pinion_teeth, outward * gear_mm, 0.0),
        (finger, wheel_teeth, -gear_mm, phase),
    ):
        wheel = f"{shaft}, {teeth}-tooth spur"
        while wheel in tree.wheels:  # the wheel that drives the rotor may have as many teeth
            wheel += "'"
        names.append(wheel)
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
    mesh = f"{rotor.name} to {finger}"
    tree.meshes[mesh] = GearMesh(name=mesh, driving=names[0], driven=names[1], pitch_point=pitch_point, agree=agree)
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
