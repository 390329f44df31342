"""Engines of many layouts, made by hand: W, flat, inverted, unequal banks, articulated rods. Every figure is invented.

The firing order follows from crank, banks and rotation by ``even_order``: a brute search that knows nothing of the
project's own arithmetic of pins.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

from random_engines import EXHAUST, INLET, bevel, magneto_data, magneto_train, setup_of, spur, through, v_eight

from quillwise.kinematics.datasheet import (
    BankData,
    CouplingData,
    CrankData,
    DataSheet,
    MagnetoData,
    Rods,
    Rotation,
    StageData,
    TrainData,
)

SIX_THROWS = (0, 120, 240, 240, 120, 0)
FLAT_FOUR_THROWS = (0, 180, 180, 0)
CROSS_FOUR_THROWS = (0, 90, 270, 180)


def even_order(turns: Sequence[int], each: Sequence[int], throws: Sequence[int], sigma: int) -> tuple[str, ...]:
    """A firing order for banks A, B, C … at these turns [deg], with so many cylinders each, on a crank whose throws
    stand at these angles (about +x): every cylinder in one of the slots in which its piston is at its top."""
    names = [(letter, n) for letter, count in zip("ABCD", each, strict=False) for n in range(count)]
    interval = Fraction(720, len(names))
    slots: dict[int, str] = {}
    start = turns[0] - throws[0]
    for letter, number in names:
        top = sigma * (turns["ABCD".index(letter)] - throws[number] - start) % 360
        free = [at // interval for at in (top, top + 360) if at % interval == 0 and at // interval not in slots]
        assert free, f"{letter}{number + 1} cannot fire evenly"
        slots[int(free[0])] = f"{letter}{number + 1}"
    return tuple(slots[slot] for slot in range(len(names)))


def made(
    turns: Sequence[int],
    each: Sequence[int],
    throws: Sequence[int],
    rotation: Rotation = "clockwise",
    *,
    rods: Rods = "fork-and-blade",
    sparks: bool = True,
) -> DataSheet:
    """An engine of evenly firing banks, its camshafts over inclined shafts from a wheelcase shaft, with one magneto."""
    letters = "ABCD"[: len(turns)]
    order = even_order(turns, each, throws, 1 if rotation == "clockwise" else -1)
    return sheet_of(order, dict(zip(letters, zip(turns, each, strict=True), strict=True)), rotation, rods, sparks)


def sheet_of(
    order: Sequence[str], banks: dict[str, tuple[int, int]], rotation: Rotation, rods: Rods, sparks: bool
) -> DataSheet:
    """A sheet for a firing order. ``banks``: turn [deg] and cylinders by letter."""
    lobes = 4 if len(order) % 4 == 0 or len(order) < 8 else 2
    magnetos: tuple[MagnetoData, ...] = ()
    quills = tuple(
        CouplingData(
            name=f"quill-{b.lower()}", kind="quill", driving_teeth=17, driven_teeth=18, tooth_phase_deg=2.1 * n
        )
        for n, b in enumerate(banks)
    )
    sleeves: tuple[CouplingData, ...] = ()
    trains = [TrainData(drives="wheelcase shaft", from_shaft="crankshaft", stages=(spur((24, 36)),))]
    for letter in banks:
        stages: tuple[StageData, ...] = (bevel((36, 16)), through(f"quill-{letter.lower()}"), bevel((14, 42)))
        trains.append(TrainData(drives=f"camshaft {letter}", from_shaft="wheelcase shaft", stages=stages))
    if sparks:
        magnetos = (magneto_data("single", len(order), lobes, 685.0, "left"),)
        sleeves = (CouplingData(name="sleeve", kind="sleeve", driving_teeth=20, driven_teeth=21, tooth_phase_deg=-3.3),)
        trains.append(magneto_train(magnetos[0], len(order), Fraction(2, 3), "sleeve"))
    return DataSheet(
        name="Test layout",
        about="Invented.",
        scene="test-layout",
        rotation=rotation,
        number_one_at="wheelcase end",
        firing_order=tuple(order),
        banks=tuple(BankData(name=name, turn_deg=turn, cylinders=count) for name, (turn, count) in banks.items()),
        crank=CrankData(
            bore_mm=100.0,
            stroke_mm=110.0,
            rod_length_mm=210.0,
            rods=rods,
            wrist_pin_radius_mm=42.0 if rods == "articulated" else 0.0,
        ),
        inlet=INLET,
        exhaust=EXHAUST,
        couplings=(*quills, *sleeves),
        trains=tuple(trains),
        magnetos=magnetos,
        setup=setup_of([(name, f"{name}1", "inlet opens") for name in banks], [(m.name, order[0]) for m in magnetos]),
    )


def w_twelve(rotation: Rotation = "clockwise", rods: Rods = "articulated") -> DataSheet:
    """A W-12 of 60° on a crank with four throws in one plane; the middle bank bears the master rods."""
    sheet = made((-60, 0, 60), (4, 4, 4), FLAT_FOUR_THROWS, rotation, rods=rods)
    return replace(sheet, crank=replace(sheet.crank, master_bank="B" if rods == "articulated" else ""))


def flat_twelve(rotation: Rotation = "clockwise", rods: Rods = "fork-and-blade") -> DataSheet:
    """Two opposite banks of six."""
    return made((-90, 90), (6, 6), SIX_THROWS, rotation, rods=rods)


def inverted_twelve(rotation: Rotation = "clockwise", rods: Rods = "fork-and-blade") -> DataSheet:
    """A V-12 of 60° that hangs down."""
    return made((-150, 150), (6, 6), SIX_THROWS, rotation, rods=rods)


def inverted_six(rotation: Rotation = "clockwise") -> DataSheet:
    """An in-line six that hangs down."""
    return made((180,), (6,), SIX_THROWS, rotation)


def articulated_eight(rotation: Rotation = "clockwise") -> DataSheet:
    """A V-8 of 90° with link rods in bank B."""
    return sheet_of(v_eight(rotation).firing_order, {"A": (-45, 4), "B": (45, 4)}, rotation, "articulated", True)


def boxer_eight(rotation: Rotation = "clockwise") -> DataSheet:
    """Two opposite banks of four, a crank pin for each cylinder; the two of a pair come to their tops together."""
    order = ("A1", "A3", "B2", "B4", "B1", "B3", "A2", "A4")
    return sheet_of(order, {"A": (-90, 4), "B": (90, 4)}, rotation, "own-pins", True)


def unequal(rotation: Rotation = "clockwise", rods: Rods = "side-by-side") -> DataSheet:
    """Four cylinders in bank A, three in B: a V-8's crank with one cylinder left out, so it fires unevenly."""
    order = [name for name in v_eight(rotation).firing_order if name != "B4"]
    sheet = sheet_of(order, {"A": (-45, 4), "B": (45, 3)}, rotation, rods, sparks=False)
    return replace(sheet, crank=replace(sheet.crank, pin_angles_deg=CROSS_FOUR_THROWS))


LAYOUTS = {
    "boxer eight": boxer_eight,
    "W-12, articulated": w_twelve,
    "flat twelve": flat_twelve,
    "inverted V-12": inverted_twelve,
    "inverted six": inverted_six,
    "V-8, articulated": articulated_eight,
    "unequal banks": unequal,
}
