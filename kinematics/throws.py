"""Cylinders, their rods and crank pins: who shares a throw, what hangs on what, when each fires by its own top.

Cylinders of one number share a throw, unless each has a pin of its own (as in a boxer engine). A cylinder's firing
angle is that of its own top. With even firing the *pins* come under their banks at even intervals; a link piston's top
is then early or late by what ``articulated`` computes.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from quillwise.kinematics.angles import wrapped
from quillwise.kinematics.articulated import (
    DeadCentres,
    Linkage,
    LinkRod,
    dead_centres,
    height_mm,
    link_problems,
)
from quillwise.kinematics.cranks import crank_problems, firing_from_pins_deg, pin_conflicts, pin_turns_deg
from quillwise.kinematics.datasheet import VIEWED_FROM_WHEELCASE, BankData, DataSheet
from quillwise.kinematics.errors import Problem
from quillwise.kinematics.lengths import length, stated
from quillwise.kinematics.model import Cylinder

_LEAST_EYE = 0.07  # radius of a link rod's eye, by the bore
OWN_THROW = 0.56  # of the bore: room of a throw that bears one rod, with its webs and a journal
FIRST_THROW = 0.75  # of the bore: from x = 0 to the first throw's middle
_EVEN_DEG = 1e-9
_MIDDLE_DEG = 1e-6


def throw_problems(sheet: DataSheet) -> Iterator[Problem]:
    """Cranks and rods that cannot be or cannot turn, before anything is computed from them."""
    crank = sheet.crank
    for text in crank_problems(crank.stroke_mm / 2, crank.rod_length_mm, crank.gudgeon_offset_mm, sheet.length_unit):
        yield Problem("crank", text)
    own = crank.rods == "own-pins"
    count = sum(bank.cylinders for bank in sheet.banks) if own else max(bank.cylinders for bank in sheet.banks)
    if crank.pin_angles_deg is not None and len(crank.pin_angles_deg) != count:
        yield Problem(
            "crank.pin_angles_deg",
            f"expected an angle for each of the {count} throws, got {len(crank.pin_angles_deg)}",
        )
    most = max(sum(bank.cylinders >= number for bank in sheet.banks) for number in range(1, count + 1))
    if crank.rods == "fork-and-blade" and most > 2:
        yield Problem(
            "crank.rods",
            f'expected "side-by-side" or "articulated" for {most} rods on a throw, got "fork-and-blade" (for two)',
        )
    if crank.rods == "articulated":
        yield from _articulated_problems(sheet)
    if own:
        yield from _own_pin_problems(sheet)


def _own_pin_problems(sheet: DataSheet) -> Iterator[Problem]:
    """Between two throws there must be room for a pin's width and two webs."""
    if len(sheet.banks) > 2:
        yield Problem("crank.rods", f'expected one or two banks beside "own-pins", got {len(sheet.banks)}')
        return
    least = len(sheet.banks) * OWN_THROW * sheet.crank.bore_mm
    if bore_spacing_mm(sheet) < least:
        yield Problem(
            "geometry.bore_spacing",
            f'expected at least {length(least, sheet.length_unit, 1)} for the crank pins and webs of "own-pins", '
            f"got {stated(bore_spacing_mm(sheet), sheet.length_unit)}",
        )


def bore_spacing_mm(sheet: DataSheet) -> float:
    """From cylinder to cylinder along a bank [mm]."""
    return sheet.geometry.get("bore_spacing_mm", 1.28 * sheet.crank.bore_mm)


def _articulated_problems(sheet: DataSheet) -> Iterator[Problem]:
    crank, master = sheet.crank, master_bank(sheet)
    for bank in sheet.banks:
        if bank.cylinders > master.cylinders:
            yield Problem(
                "crank.master_bank",
                f"{bank.name}{bank.cylinders} has no master rod to hang on: the master bank {master.name} has "
                f"{master.cylinders} cylinders",
            )
    if not crank.wrist_pin_radius_mm > 0:
        yield Problem("crank.wrist_pin_radius", "must be more than 0 with articulated rods")
    elif eye_radius_mm(sheet) < _LEAST_EYE * crank.bore_mm:
        least = crank.wrist_pin_radius_mm + _LEAST_EYE * crank.bore_mm - eye_radius_mm(sheet)
        yield Problem(
            "crank.wrist_pin_radius",
            f"leaves no room for the link rods' eyes beside the crank pin: expected at least "
            f"{length(least, sheet.length_unit, 1)}, got {stated(crank.wrist_pin_radius_mm, sheet.length_unit)}",
        )
    elif not crank_problems(crank.stroke_mm / 2, crank.rod_length_mm, crank.gudgeon_offset_mm):
        for bank in sheet.banks:
            for text in link_problems(linkage_of(sheet, bank), sheet.length_unit):
                yield Problem("crank.link_rod_length", f"bank {bank.name}: {text}")


def master_bank(sheet: DataSheet) -> BankData:
    """The bank whose rods are the ordinary ones: that named, else the first."""
    return next((bank for bank in sheet.banks if bank.name == sheet.crank.master_bank), sheet.banks[0])


def linkage_of(sheet: DataSheet, bank: BankData) -> Linkage:
    """What moves the pistons of a bank."""
    crank, link = sheet.crank, None
    master = master_bank(sheet)
    if crank.rods == "articulated" and bank.name != master.name:
        between = float(wrapped(bank.turn_deg - master.turn_deg))
        link = LinkRod(
            bank_deg=between,
            wrist_deg=between if bank.wrist_pin_angle_deg is None else bank.wrist_pin_angle_deg,
            wrist_mm=crank.wrist_pin_radius_mm,
            length_mm=_link_length_mm(sheet),
        )
    return Linkage(
        radius_mm=crank.stroke_mm / 2, rod_mm=crank.rod_length_mm, offset_mm=crank.gudgeon_offset_mm, link=link
    )


def _link_length_mm(sheet: DataSheet) -> float:
    crank = sheet.crank
    given = crank.link_rod_length_mm
    return crank.rod_length_mm - crank.wrist_pin_radius_mm if given is None else given


def pin_radius_mm(sheet: DataSheet) -> float:
    """Radius of the crank pins [mm], of the picture."""
    return min(0.19 * sheet.crank.bore_mm, 0.5 * sheet.crank.stroke_mm)


def eye_radius_mm(sheet: DataSheet) -> float:
    """Outer radius of a link rod's eye [mm], of the picture: it stays clear of the crank pin's bearing."""
    bore = sheet.crank.bore_mm
    return min(0.125 * bore, sheet.crank.wrist_pin_radius_mm - pin_radius_mm(sheet) - 0.05 * bore)


def rod_width_mm(sheet: DataSheet) -> float:
    """Room of one rod on its pin, along the crank [mm]; side-by-side rods stand so far apart."""
    return (0.22 if sheet.crank.rods in ("side-by-side", "own-pins") else 0.40) * sheet.crank.bore_mm


def place_cylinders(sheet: DataSheet, sigma: int) -> tuple[dict[str, Cylinder], list[Problem]]:
    """All cylinders by name, bank by bank, and what is wrong with pins and firing order. The crank and the rods have
    no problems."""
    banks = {bank.name: bank for bank in sheet.banks}
    linkages = {name: linkage_of(sheet, bank) for name, bank in banks.items()}
    tops = {name: dead_centres(linkage) for name, linkage in linkages.items()}
    owners = {f"{bank.name}{n}": (bank, n) for bank in sheet.banks for n in range(1, bank.cylinders + 1)}
    firing, problems = _firing_deg(sheet, sigma, owners, tops)
    order = sheet.firing_order
    interval = 720.0 / len(order)
    turns = pin_turns_deg(
        [firing[name] for name in order],
        [owners[name][0].turn_deg for name in order],
        [tops[owners[name][0].name].tdc_deg for name in order],
        sigma,
    )
    pins = dict(zip(order, turns.tolist(), strict=True))
    most = max(bank.cylinders for bank in sheet.banks)
    spacing = bore_spacing_mm(sheet)
    own_pins = sheet.crank.rods == "own-pins"
    cylinders = {}
    for name, (bank, number) in owners.items():
        place = sheet.banks.index(bank)
        beside = rod_width_mm(sheet) * (place - (len(sheet.banks) - 1) / 2)
        row = number - 1 if sheet.number_one_at == "wheelcase end" else most - number
        throw = FIRST_THROW * sheet.crank.bore_mm + row * spacing
        if own_pins:
            throw += spacing * place / len(sheet.banks)
        centres = tops[bank.name]
        late = firing[name] - interval * order.index(name)
        cylinders[name] = Cylinder(
            name=name,
            bank=bank.name,
            number=number,
            x_mm=throw + (beside if sheet.crank.rods == "side-by-side" else 0.0),
            throw_mm=throw,
            bank_turn_deg=bank.turn_deg,
            towards=towards_middle(sheet, bank.turn_deg),
            firing_deg=firing[name],
            late_deg=late if abs(late) > _EVEN_DEG else 0.0,
            pin_turn_deg=pins[name],
            tdc_pin_deg=centres.tdc_deg,
            bdc_pin_deg=centres.bdc_deg,
            stroke_mm=centres.stroke_mm,
            top_mm=float(height_mm(linkages[bank.name], centres.tdc_deg)),
            linkage=linkages[bank.name],
        )
    return cylinders, [*problems, *_pin_problems(sheet, cylinders)]


def towards_middle(sheet: DataSheet, bank_turn_deg: float) -> int:
    """On which side of a cylinder the middle of the engine lies: +1 to the right seen from the wheelcase end, −1 to the
    left. The middle is half-way between the banks; of two opposite banks it is upright, and of a bank in the middle it
    lies to the right."""
    turns = np.radians([bank.turn_deg for bank in sheet.banks])
    right, up = float(np.sin(turns).sum()), float(np.cos(turns).sum())
    middle = float(np.degrees(np.arctan2(right, up))) if np.hypot(right, up) > _MIDDLE_DEG else 0.0
    return -1 if float(wrapped(middle - bank_turn_deg)) < -_MIDDLE_DEG else 1


def upwards(sheet: DataSheet) -> int:
    """On which side of the crank wheelcase shaft and distributors stand: +1 above it, −1 below it where the banks
    hang down, so that no shaft to a camshaft crosses the crankshaft."""
    return -1 if float(np.cos(np.radians([bank.turn_deg for bank in sheet.banks])).sum()) < -_MIDDLE_DEG else 1


def _firing_deg(
    sheet: DataSheet, sigma: int, owners: dict[str, tuple[BankData, int]], tops: dict[str, DeadCentres]
) -> tuple[dict[str, float], list[Problem]]:
    """θ of every cylinder's own firing top, the first of the order at 0, by name in firing order."""
    order = sheet.firing_order
    banks = [owners[name][0] for name in order]
    own = np.array([tops[bank.name].tdc_deg for bank in banks])
    even = np.arange(len(order)) * 720.0 / len(order)
    plain = tops[master_bank(sheet).name].tdc_deg
    # where the pins come under the banks evenly, a top that is not the master's is early or late by its own
    firing = even + sigma * ((own - plain) - (own[0] - plain))
    problems = []
    if sheet.crank.pin_angles_deg is not None:
        place = {name: owners[name][1] - 1 for name in order}
        if sheet.crank.rods == "own-pins":
            place = {name: number for number, name in enumerate(owners)}
        pins = [sheet.crank.pin_angles_deg[place[name]] for name in order]
        try:
            firing = firing_from_pins_deg(pins, [bank.turn_deg for bank in banks], own, sigma)
        except ValueError as error:
            problems.append(Problem("layout.firing_order", str(error)))
    return dict(zip(order, firing.tolist(), strict=True)), problems


def _rotation_words(sheet: DataSheet) -> str:
    """The crank's sense from the end that the file is written from."""
    sense = sheet.rotation
    if sheet.written_from != VIEWED_FROM_WHEELCASE:
        sense = "anticlockwise" if sense == "clockwise" else "clockwise"
    return f"{sense} rotation seen from the {sheet.written_from}"


def _pin_problems(sheet: DataSheet, cylinders: dict[str, Cylinder]) -> Iterator[Problem]:
    """Cylinders of one number share a crank pin; rotation, banks and order must put it at one angle."""
    if sheet.crank.pin_angles_deg is not None or sheet.crank.rods == "own-pins":
        return
    every = list(cylinders.values())
    conflicts = pin_conflicts([c.name for c in every], [c.number for c in every], [c.pin_turn_deg for c in every])
    if conflicts:
        listed = ", ".join(f"{first} and {second} by {apart:g}°" for first, second, apart in conflicts)
        yield Problem(
            "layout.firing_order",
            f"does not agree with the crank pins: {listed} (cylinders of one number share a pin; "
            f"{_rotation_words(sheet)}; even firing is assumed, "
            f'crank.pin_angles_deg is for another, rods = "own-pins" for a pin each)',
        )
