"""Who shares a throw, when each cylinder fires by its own top; what is refused, in whole messages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from layouts import (
    CROSS_FOUR_THROWS,
    FLAT_FOUR_THROWS,
    LAYOUTS,
    SIX_THROWS,
    articulated_eight,
    boxer_eight,
    even_order,
    flat_twelve,
    inverted_twelve,
    made,
    sheet_of,
    unequal,
    w_twelve,
)
from random_engines import in_line_six, v_eight

from quillwise.kinematics.angles import wrapped
from quillwise.kinematics.build import build
from quillwise.kinematics.cranks import pin_conflicts, pin_turns_deg
from quillwise.kinematics.datasheet import DataSheet, Rotation
from quillwise.kinematics.errors import SceneError
from quillwise.kinematics.throws import place_cylinders, towards_middle

ROTATIONS: tuple[Rotation, ...] = ("clockwise", "anticlockwise")


def problems(sheet: DataSheet) -> list[str]:
    with pytest.raises(SceneError) as caught:
        build(sheet)
    return str(caught.value).splitlines()


def with_crank(sheet: DataSheet, **changed: object) -> DataSheet:
    return replace(sheet, crank=replace(sheet.crank, **changed))  # type: ignore[arg-type]


@pytest.mark.parametrize("rotation", ROTATIONS)
@pytest.mark.parametrize("name", LAYOUTS)
def test_every_piston_is_at_its_top_when_it_fires(name: str, rotation: Rotation) -> None:
    sheet = LAYOUTS[name](rotation)
    cylinders, wrong = place_cylinders(sheet, 1 if rotation == "clockwise" else -1)
    assert wrong == []
    sigma = 1 if rotation == "clockwise" else -1
    first = cylinders[sheet.firing_order[0]]
    assert first.firing_deg == 0
    for cylinder in cylinders.values():
        crank = cylinder.pin_turn_deg + first.bank_turn_deg + sigma * cylinder.firing_deg
        assert wrapped(crank - cylinder.bank_turn_deg - cylinder.tdc_pin_deg) == pytest.approx(0.0, abs=1e-9)
    # one throw, one angle; and the cylinders fire in the order of the file
    for throw_mm in {cylinder.throw_mm for cylinder in cylinders.values()}:
        pins = [cylinder.pin_turn_deg for cylinder in cylinders.values() if cylinder.throw_mm == throw_mm]
        assert wrapped(np.array(pins) - pins[0]) == pytest.approx(np.zeros(len(pins)), abs=1e-9)
    firing = [cylinders[each].firing_deg for each in sheet.firing_order]
    assert firing == sorted(firing)
    assert firing[-1] < 720
    interval = 720.0 / len(firing)
    late = [cylinders[each].late_deg for each in sheet.firing_order]
    assert late == pytest.approx([at - place * interval for place, at in enumerate(firing)], abs=1e-9)


def test_a_link_rods_top_is_late_one_way_and_early_the_other() -> None:
    # computed: geometry of the closed chain; turned over, the engine comes to the same place of the crank from the
    # other side
    late = build(articulated_eight()).cylinders["B1"].late_deg
    early = build(articulated_eight("anticlockwise")).cylinders["B1"].late_deg
    assert late == pytest.approx(-early, abs=1e-9)
    assert 1.0 < late < 5.0
    every = build(articulated_eight()).cylinders.values()
    assert {round(c.late_deg, 9) for c in every if c.bank == "A"} == {0.0}
    assert {round(c.late_deg, 9) for c in every if c.bank == "B"} == {round(late, 9)}
    assert all(c.stroke_mm > 110.0 for c in every if c.bank == "B"), "its stroke is a little longer than the crank's"


def test_link_banks_on_either_side_are_late_and_early_by_the_same() -> None:
    # geometry: a W engine is symmetrical about its middle bank
    cylinders = build(w_twelve()).cylinders
    assert cylinders["A1"].firing_deg == 0.0, "the first cylinder hangs on a link rod, and counts from its own top"
    a, b, c = (cylinders[name].tdc_pin_deg for name in ("A1", "B1", "C1"))
    assert b == 0.0
    assert a == pytest.approx(-c, abs=1e-9)
    assert cylinders["B1"].late_deg == pytest.approx(-a, abs=1e-9)
    assert cylinders["C1"].late_deg == pytest.approx(-2 * a, abs=1e-9)


# --- firing orders


def alternate(cylinders: int) -> list[int]:
    """A single row of an odd number, every other one: 5 gives 1-3-5-2-4."""
    return [(2 * place) % cylinders + 1 for place in range(cylinders)]


def rows(cylinders: int, forward: int, back: int) -> list[int]:
    """Two rows: on by ``forward``, else back by ``back``."""
    order = [1]
    while len(order) < cylinders:
        on = order[-1] + forward
        order.append(on if on <= cylinders else order[-1] - back)
    return order


@pytest.mark.parametrize(
    ("cylinders", "order"), [(5, "1-3-5-2-4"), (7, "1-3-5-7-2-4-6"), (9, "1-3-5-7-9-2-4-6-8")], ids=["5", "7", "9"]
)
def test_banks_around_one_throw_fire_every_other_one(cylinders: int, order: str) -> None:
    """Banks of one cylinder all round one pin, at 360 degrees over their number: which of them fires when follows from
    pin and banks alone."""
    # published: aircraftsystemstech.com, after the FAA handbook: 5: 1-3-5-2-4, 7: 1-3-5-7-2-4-6, 9: 1-3-5-7-9-2-4-6-8
    expected = [int(number) for number in order.split("-")]
    assert alternate(cylinders) == expected
    banks = {"ABCDEFGHI"[n]: (round(n * 360 / cylinders, 9), 1) for n in range(cylinders)}
    names = [f"{'ABCDEFGHI'[number - 1]}1" for number in expected]
    sheet = with_crank(sheet_of(names, banks, "clockwise", "side-by-side", False), pin_angles_deg=None)  # type: ignore[arg-type]
    cylinders_of, wrong = place_cylinders(sheet, 1)
    assert wrong == []
    assert [c.late_deg for c in cylinders_of.values()] == pytest.approx([0.0] * cylinders, abs=1e-9)
    # any two changed over do not agree with the pin
    changed = [names[0], names[2], names[1], *names[3:]]
    _, wrong = place_cylinders(replace(sheet, firing_order=tuple(changed)), 1)
    assert [problem.path for problem in wrong] == ["layout.firing_order"]


@pytest.mark.parametrize(("cylinders", "forward", "back"), [(14, 9, 5), (18, 11, 7)])
def test_two_rows_around_two_throws(cylinders: int, forward: int, back: int) -> None:
    # published: aircraftsystemstech.com, after the FAA handbook: 14: +9/−5, 18: +11/−7, odd numbers in the rear row
    order = rows(cylinders, forward, back)
    assert sorted(order) == list(range(1, cylinders + 1))
    # bank n of a row stands at its share of the circle; the two throws are opposite: cylinders are numbered all round
    turn = {number: (number - 1) * 360.0 / cylinders for number in order}
    firing = np.arange(cylinders) * 720.0 / cylinders
    pins = pin_turns_deg(firing, [turn[number] for number in order])
    throws = [number % 2 for number in order]
    assert pin_conflicts([str(n) for n in order], throws, pins) == []
    by_throw = {throw: float(pins[throws.index(throw)]) for throw in (0, 1)}
    assert abs(float(wrapped(by_throw[1] - by_throw[0]))) == pytest.approx(180.0)


@pytest.mark.parametrize("count", range(1, 13))
def test_in_line_of_one_to_twelve(count: int) -> None:
    six = in_line_six()
    order = tuple(f"A{number}" for number in (alternate(count) if count % 2 else range(1, count + 1)))
    sheet = replace(six, firing_order=order, banks=(replace(six.banks[0], cylinders=count),))
    cylinders, wrong = place_cylinders(sheet, 1)
    assert wrong == []
    # published: TM 9-8000 p. 2-18: firing interval 720 / cylinders
    assert [cylinders[name].firing_deg for name in order] == pytest.approx([720.0 / count * n for n in range(count)])
    assert all(c.late_deg == 0 for c in cylinders.values())


@pytest.mark.parametrize("between", [45, 60, 72, 90, 120, 180])
def test_common_pins_fire_a_twelve_evenly_at_60_and_180_degrees_only(between: int) -> None:
    # secondary: Nunney, Light and Heavy Vehicle Technology pp. 13-14; recomputed for banks that hang down too
    for turns in ((-between / 2, between / 2), (180 - between / 2, 180 + between / 2)):
        base = inverted_twelve() if between == 60 else flat_twelve()
        banks = tuple(replace(bank, turn_deg=turn) for bank, turn in zip(base.banks, turns, strict=True))
        even = [
            not place_cylinders(replace(base, banks=banks, firing_order=order), 1)[1]
            for order in {inverted_twelve().firing_order, flat_twelve().firing_order, mirrored(turns, between)}
        ]
        assert any(even) == (between in (60, 180))


def mirrored(turns: Sequence[float], between: int) -> tuple[str, ...]:
    """The order for these very banks where there is one, else any."""
    whole = tuple(int(turn) for turn in turns)
    return even_order(whole, (6, 6), SIX_THROWS, 1) if between in (60, 180) else inverted_twelve().firing_order


# --- pins given


def test_pins_given_are_those_that_even_firing_needs() -> None:
    even = build(v_eight())
    turns = {c.number: c.pin_turn_deg for c in even.cylinders.values()}
    given = build(with_crank(v_eight(), pin_angles_deg=tuple(turns[n] for n in range(1, 5))))
    for name, cylinder in even.cylinders.items():
        assert given.cylinders[name].firing_deg == pytest.approx(cylinder.firing_deg, abs=1e-9)
        assert given.cylinders[name].late_deg == pytest.approx(0.0, abs=1e-9)


def test_a_vee_twin_on_one_pin_fires_unevenly() -> None:
    # geometry (computed): 45 degrees between the banks of one pin: 315 and 405 degrees from firing to firing
    sheet = sheet_of(("A1", "B1"), {"A": (-23, 1), "B": (22, 1)}, "clockwise", "fork-and-blade", False)
    twin, wrong = place_cylinders(with_crank(sheet, pin_angles_deg=(0.0,)), 1)
    assert wrong == []
    assert (twin["A1"].firing_deg, twin["B1"].firing_deg, twin["B1"].late_deg) == pytest.approx((0, 405, 45))
    other, _ = place_cylinders(with_crank(sheet, pin_angles_deg=(77.0,), rods="fork-and-blade"), -1)
    assert other["B1"].firing_deg == pytest.approx(315)
    assert "does not agree with the crank pins: A1 and B1 by 45°" in problems(sheet)[0]


def test_unequal_banks() -> None:
    for rotation in ROTATIONS:
        engine = build(unequal(rotation))
        assert set(engine.cylinders) == {"A1", "A2", "A3", "A4", "B1", "B2", "B3"}
        whole = build(v_eight(rotation))
        for name, cylinder in engine.cylinders.items():
            assert cylinder.firing_deg == pytest.approx(whole.cylinders[name].firing_deg), "as if B4 were there"
            assert cylinder.throw_mm == pytest.approx(whole.cylinders[name].number * 1.28 * 100 - 53.0)


def test_pins_that_do_not_fire_in_the_order_are_refused() -> None:
    crossed = with_crank(v_eight(), pin_angles_deg=(0.0, 180.0, 90.0, 270.0))
    assert problems(crossed) == [
        "layout.firing_order: the crank pins do not fire in this order: they pass TDC at "
        "0, 90, 90, 180, 270, 270, 360, 540 degrees"
    ]


def test_wrong_throws_in_whole_messages() -> None:
    assert problems(with_crank(v_eight(), pin_angles_deg=(0.0, 90.0, 270.0))) == [
        "crank.pin_angles_deg: expected an angle for each of the 4 throws, got 3"
    ]
    assert problems(w_twelve(rods="fork-and-blade")) == [
        'crank.rods: expected "side-by-side" or "articulated" for 3 rods on a throw, got "fork-and-blade" (for two)'
    ]
    assert problems(with_crank(articulated_eight(), wrist_pin_radius_mm=20.0)) == [
        "crank.wrist_pin_radius: leaves no room for the link rods' eyes beside the crank pin: "
        "expected at least 31.0 mm, got 20 mm"
    ]
    # by hand: the pin swings out by r = 55, the wrist pin against it by r · 42 / 210: 55 · √(1 + 0.2²) = 56.1
    assert problems(with_crank(articulated_eight(), link_rod_length_mm=45.0)) == [
        "crank.link_rod_length: bank B: the link rod (45 mm) must be longer than the 56.1 mm by which its wrist pin "
        "swings out, or the crank cannot turn"
    ]
    assert problems(with_crank(unequal(), rods="articulated", wrist_pin_radius_mm=42.0, master_bank="B")) == [
        "crank.master_bank: A4 has no master rod to hang on: the master bank B has 3 cylinders"
    ]


@pytest.mark.parametrize("rotation", ROTATIONS)
def test_a_boxer_has_a_throw_for_each_cylinder_and_its_pairs_stand_opposite(rotation: Rotation) -> None:
    """Both pistons of a pair come to their tops together, on opposite sides: their pins are half a turn apart."""
    cylinders, wrong = place_cylinders(boxer_eight(rotation), 1 if rotation == "clockwise" else -1)
    assert wrong == []
    places = sorted(cylinder.throw_mm for cylinder in cylinders.values())
    assert len(set(places)) == 8
    assert np.diff(places) == pytest.approx([64.0] * 7)  # half of 1.28 times the bore of 100
    for number in range(1, 5):
        one, other = cylinders[f"A{number}"], cylinders[f"B{number}"]
        assert abs(one.firing_deg - other.firing_deg) == pytest.approx(360.0)
        assert abs(wrapped(one.pin_turn_deg - other.pin_turn_deg)) == pytest.approx(180.0)


def test_pins_of_a_boxer_can_be_given_bank_by_bank() -> None:
    sheet = boxer_eight()
    plain, _ = place_cylinders(sheet, 1)
    given = tuple(plain[f"{bank}{n}"].pin_turn_deg + 17.0 for bank in "AB" for n in range(1, 5))
    cylinders, wrong = place_cylinders(with_crank(sheet, pin_angles_deg=given), 1)
    assert wrong == []
    for name, cylinder in cylinders.items():
        assert cylinder.firing_deg == pytest.approx(plain[name].firing_deg)
    assert problems(with_crank(sheet, pin_angles_deg=given[:4])) == [
        "crank.pin_angles_deg: expected an angle for each of the 8 throws, got 4"
    ]


def test_own_pins_need_room_along_the_crank() -> None:
    sheet = boxer_eight()
    assert problems(replace(sheet, geometry={"bore_spacing_mm": 105.0})) == [
        'geometry.bore_spacing: expected at least 112.0 mm for the crank pins and webs of "own-pins", got 105 mm'
    ]
    assert problems(w_twelve(rods="own-pins")) == ['crank.rods: expected one or two banks beside "own-pins", got 3']


def test_even_sparks_cannot_serve_an_engine_that_fires_unevenly() -> None:
    sheet = sheet_of(("A1", "B1"), {"A": (-23, 1), "B": (22, 1)}, "clockwise", "fork-and-blade", True)
    assert problems(with_crank(sheet, pin_angles_deg=(0.0,))) == [
        "crank.pin_angles_deg: an evenly lobed breaker cam sparks every 360 crank degrees, but B1 comes to its top "
        "45.0 crank degrees after that place; expected tops within 5 crank degrees of even places: look at the angles "
        "of the pins (magneto single)"
    ]


# --- places


@pytest.mark.parametrize(
    ("turns", "expected"),
    [
        ((-30, 30), (1, -1)),
        ((30, -30), (-1, 1)),
        ((0,), (1,)),
        ((180,), (1,)),
        ((-60, 0, 60), (1, 1, -1)),
        ((-90, 90), (1, -1)),
        # below the crank the middle of the engine lies the other way round
        ((-150, 150), (-1, 1)),
        ((120, -120), (1, -1)),
    ],
)
def test_inlet_valves_stand_towards_the_middle(turns: tuple[int, ...], expected: tuple[int, ...]) -> None:
    sheet = flat_twelve()
    bank = sheet.banks[0]
    leaning = replace(sheet, banks=tuple(replace(bank, turn_deg=float(turn)) for turn in turns))
    assert tuple(towards_middle(leaning, float(turn)) for turn in turns) == expected


def test_rods_of_three_banks_stand_side_by_side_about_their_throw() -> None:
    engine = build(w_twelve(rods="side-by-side"))
    places = [engine.cylinders[f"{bank}2"].x_mm - engine.cylinders["B2"].throw_mm for bank in "ABC"]
    width = engine.sizes.rod_width_mm
    assert places == pytest.approx([-width, 0.0, width])
    assert {c.x_mm - c.throw_mm for c in build(w_twelve()).cylinders.values()} == {0.0}, "articulated: in one plane"


def test_a_made_order_is_the_one_of_a_known_crank() -> None:
    # the search of the tests' own: an in-line four on a flat crank fires 1-2-4-3 or 1-3-4-2 (common practice)
    assert even_order((0,), (4,), FLAT_FOUR_THROWS, 1) == ("A1", "A2", "A4", "A3")
    assert len(set(made((-45, 45), (4, 4), CROSS_FOUR_THROWS).firing_order)) == 8
