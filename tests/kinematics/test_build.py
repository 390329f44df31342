"""From the data sheet to the engine: cylinders, pins, marks and parts; what is refused, in whole messages."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from random_engines import engines, in_line_six, v_eight

from quillwise.kinematics.angles import wrapped
from quillwise.kinematics.build import build
from quillwise.kinematics.datasheet import DataSheet
from quillwise.kinematics.errors import RequestError, SceneError
from quillwise.kinematics.lobes import FlatPlan
from quillwise.kinematics.model import Engine, turning
from quillwise.kinematics.parts import Kind, Part
from quillwise.scenes.reader import load

PORT, STARBOARD = load("larkfell-port"), load("larkfell-starboard")
SIX_PAIRS = ", ".join(f"A{n} and B{n} by 120°" for n in range(1, 7))


def problems(sheet: DataSheet) -> list[str]:
    with pytest.raises(SceneError) as caught:
        build(sheet)
    return str(caught.value).splitlines()


@pytest.mark.parametrize(
    ("sheet", "other"), [(STARBOARD, "clockwise"), (PORT, "anticlockwise")], ids=["starboard", "port"]
)
def test_rotation_changed_alone_is_refused(sheet: DataSheet, other: str) -> None:
    turned = replace(sheet, rotation=other)  # type: ignore[arg-type]
    assert problems(turned) == [
        f"layout.firing_order: does not agree with the crank pins: {SIX_PAIRS} (cylinders of one number share a pin; "
        f"{other} rotation seen from the wheelcase end; even firing is assumed, crank.pin_angles_deg is for another, "
        'rods = "own-pins" for a pin each)'
    ]


@pytest.mark.parametrize("sheet", [PORT, STARBOARD], ids=["port", "starboard"])
def test_60_degree_v12_has_six_common_pins_and_fires_every_60_degrees(sheet: DataSheet) -> None:
    # secondary: Nunney, Light and Heavy Vehicle Technology pp. 13-14; published: TM 9-8000 p. 2-18: 720 / cylinders
    engine = build(sheet)
    assert engine.firing_interval_deg == 60.0
    assert sorted(c.firing_deg for c in engine.cylinders.values()) == [60.0 * n for n in range(12)]
    pins = {n: {round(engine.cylinders[f"{b}{n}"].pin_turn_deg % 360, 6) for b in "AB"} for n in range(1, 7)}
    assert all(len(turns) == 1 for turns in pins.values())
    # six throws in three pairs, 120 degrees apart
    assert sorted(Counter(next(iter(turns)) for turns in pins.values()).values()) == [2, 2, 2]


@pytest.mark.parametrize("between", [45.0, 90.0, 120.0])
def test_common_pins_need_60_or_180_degrees(between: float) -> None:
    # secondary: Nunney, as above: common pins fire evenly only at V = 60 or 180 degrees
    turned = tuple(replace(b, turn_deg=t) for b, t in zip(PORT.banks, (-between / 2, between / 2), strict=True))
    assert "does not agree with the crank pins" in problems(replace(PORT, banks=turned))[0]


def test_v8_has_four_throws_at_90_degrees() -> None:
    for rotation in ("clockwise", "anticlockwise"):
        engine = build(v_eight(rotation))
        turns = sorted({round(c.pin_turn_deg % 360, 6) % 360 for c in engine.cylinders.values()})
        assert turns == [0.0, 90.0, 180.0, 270.0]
        assert engine.firing_interval_deg == 90.0


def test_places_follow_number_one_and_the_rods() -> None:
    six = build(in_line_six())
    assert six.cylinders["A1"].x_mm > six.cylinders["A6"].x_mm, "number one stands at the output end"
    port = build(PORT)
    assert port.cylinders["A1"].x_mm < port.cylinders["A6"].x_mm
    assert port.cylinders["A2"].x_mm == port.cylinders["B2"].x_mm, "fork and blade: in one plane"
    eight = build(v_eight())
    beside = abs(eight.cylinders["A2"].x_mm - eight.cylinders["B2"].x_mm)
    assert beside == pytest.approx(eight.sizes.rod_width_mm), "side by side: a rod's width apart"


@settings(max_examples=20, deadline=None)
@given(engines())
def test_firing_angles_follow_the_order(engine: Engine) -> None:
    # published: TM 9-8000 p. 2-18: firing interval 720 / cylinders
    order = engine.sheet.firing_order
    assert set(engine.cylinders) == set(order)
    for place, name in enumerate(order):
        cylinder = engine.cylinders[name]
        assert cylinder.firing_deg - cylinder.late_deg == pytest.approx(720.0 * place / len(order))
        if engine.sheet.crank.rods != "articulated" and engine.sheet.crank.pin_angles_deg is None:
            assert cylinder.late_deg == 0
        # the pin points along the cylinder (but for the gudgeon offset) when the crank has turned by its firing angle
        first = engine.cylinders[order[0]].bank_turn_deg
        pin = cylinder.pin_turn_deg + first + engine.sigma * cylinder.firing_deg
        assert wrapped(pin - cylinder.bank_turn_deg) == pytest.approx(cylinder.tdc_pin_deg, abs=1e-9)
    assert len(engine.valves) == 2 * len(order)


@settings(max_examples=15, deadline=None)
@given(engines())
def test_one_part_for_each_thing(engine: Engine) -> None:
    count = Counter(part.kind for part in engine.parts)
    cylinders = len(engine.cylinders)
    for kind in (Kind.ROD, Kind.PISTON, Kind.CYLINDER):
        assert count[kind] == cylinders
    assert count[Kind.VALVE] == count[Kind.SEAT] == 2 * cylinders
    flat = sum(isinstance(valve.plan, FlatPlan) for valve in engine.valves.values())
    assert (count[Kind.ROCKER], count[Kind.TAPPET]) == (2 * cylinders - flat, flat)
    assert count[Kind.CAMSHAFT] == len(engine.sheet.banks)
    assert count[Kind.SHAFT] == len(engine.shafts) - 1 - len(engine.sheet.banks)
    assert count[Kind.WHEEL] == len(engine.wheels)
    assert count[Kind.QUILL] + count[Kind.SLEEVE] == len(engine.couplings)
    assert count[Kind.MATE] == 2 * len(engine.couplings)
    for kind in (Kind.ROTOR, Kind.BREAKER_CAM, Kind.FINGER, Kind.SEGMENTS, Kind.POLE_SHOES, Kind.MOVING_POINT):
        assert count[kind] == len(engine.magnetos)
    for kind in (Kind.CRANKSHAFT, Kind.DISC, Kind.WINDOW):
        assert [part for part in engine.parts if part.kind == kind] == [Part(kind)]


def test_marks_of_the_disc() -> None:
    marks = {mark.label: mark.crank_deg for mark in build(PORT).marks}
    # by hand: 338 for A1, B6 fires 60 after it, 720 - 41 and 720 - 34
    assert marks == {
        "A1 inlet opens": 338.0,
        "B6 inlet opens": 398.0,
        "A1 exhaust-side points break": 679.0,
        "A1 inlet-side points break": 686.0,
    }


def test_every_problem_of_crank_valves_and_trains_has_its_path() -> None:
    short = replace(PORT, crank=replace(PORT.crank, rod_length_mm=60.0))
    assert problems(short) == [
        "crank: the rod (60 mm) must be longer than half the stroke and the gudgeon offset together (66 mm), or the "
        "crank cannot turn"
    ]
    both = replace(
        PORT,
        inlet=replace(PORT.inlet, base_radius_mm=2.0),
        exhaust=replace(PORT.exhaust, rocker_ratio=0.0),
        firing_order=(*PORT.firing_order[1:], PORT.firing_order[0])[::-1],
    )
    paths = [line.partition(":")[0] for line in problems(both)]
    assert paths == ["layout.firing_order", "valves.inlet", "valves.exhaust"]


def test_names_are_looked_up_with_help() -> None:
    engine = build(in_line_six())
    assert engine.cylinder("A3").number == 3
    for look, message in (
        (lambda: engine.cylinder("A7"), 'unknown cylinder "A7"; defined: A1, A2, A3, A4, A5, A6'),
        (lambda: engine.coupling("quill"), 'unknown coupling "quill"; defined: quill-a, sleeve'),
        (lambda: engine.magneto("x"), 'unknown magneto "x"; defined: single'),
    ):
        with pytest.raises(RequestError) as caught:
            look()
        assert str(caught.value).startswith(message)


def test_coupling_upstream_is_the_nearest_on_the_way_back() -> None:
    engine = build(PORT)
    names = {shaft: engine.coupling_upstream(shaft) for shaft in engine.shafts}
    assert {shaft: coupling.name for shaft, coupling in names.items() if coupling} == {
        "inclined shaft A, upper": "quill-a",
        "camshaft A": "quill-a",
        "inclined shaft B, upper": "quill-b",
        "camshaft B": "quill-b",
        "exhaust-side magneto": "sleeve-exhaust",
        "exhaust-side finger": "sleeve-exhaust",
        "inlet-side magneto": "sleeve-inlet",
        "inlet-side finger": "sleeve-inlet",
    }


def test_geometry_in_the_file_is_taken_over_the_defaults() -> None:
    given = {"bore_spacing_mm": 200.0, "camshaft_height_mm": 520.0}
    engine = build(replace(in_line_six(), geometry=given))
    assert engine.cylinders["A5"].x_mm - engine.cylinders["A6"].x_mm == pytest.approx(200.0)
    assert np.linalg.norm(engine.shafts["camshaft A"].point) == pytest.approx(520.0)


def test_words_for_a_sense() -> None:
    assert (turning(1), turning(-1)) == ("clockwise", "anticlockwise")
