"""Magnetos of every kind: speed, cylinders fired, points, finger and advance; what is refused, in whole messages."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from random_engines import driven, in_line_six, v_eight

from quillwise.kinematics.angles import wrapped
from quillwise.kinematics.assembly import intended, with_mesh_teeth
from quillwise.kinematics.bench import _rotor_start_deg
from quillwise.kinematics.build import build
from quillwise.kinematics.datasheet import DataSheet, MagnetoData, StageData
from quillwise.kinematics.errors import SceneError
from quillwise.kinematics.ignition import fired
from quillwise.kinematics.magnetos import (
    break_shift_deg,
    finger_at,
    firing_interval_deg,
    points_opening_mm,
    speed_ratio_needed,
)
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import finger_running_deg, motion, rotor_running_deg, shaft_angles
from quillwise.kinematics.sequence import play
from quillwise.kinematics.timing import timing_table
from quillwise.scenes.reader import load

PORT = load("larkfell-port")
SIX, EIGHT = in_line_six(), v_eight()


def pair(driving: int, to: int) -> tuple[StageData, ...]:
    return (StageData(kind="spur", driving_teeth=driving, driven_teeth=to),)


def magneto(poles: int, finger: tuple[int, int], **more: object) -> MagnetoData:
    made: dict[str, object] = {
        "name": "left",
        "plugs": "inlet side",
        "break_deg": 690.0,
        "poles": poles,
        "e_gap_deg": 8.0,
        "lobes": poles,
        "dwell_deg": 0.5 * 360 / poles,
        "finger_teeth": finger,
        "finger_width_deg": 8.0,
        "segment_width_deg": 8.0,
    }
    return MagnetoData(**{**made, **more})  # type: ignore[arg-type]


def problems(sheet: DataSheet) -> str:
    with pytest.raises(SceneError) as caught:
        build(sheet)
    return str(caught.value)


def breaks_as_seen(engine: Engine, name: str) -> dict[str, float]:
    """Own angle of the break of every cylinder, found by watching points and finger while the crank turns."""
    theta = np.arange(0.0, 720.0, 0.25)
    state = motion(engine, intended(engine), theta)
    opening = state[f"points {name}"]
    one = engine.magnetos[name]
    finger = finger_at(one.data, one.fires, finger_running_deg(engine, name, state[one.finger]))
    opens = (np.roll(opening, 1) <= 1e-9) & (opening > 1e-9)
    found = {}
    for at in np.flatnonzero(opens):
        name_of = one.fires[int(finger.segment[at])]
        found[name_of] = float((theta[at] - engine.cylinders[name_of].firing_deg) % 720)
    return found


@pytest.mark.parametrize(
    ("cylinders", "poles", "ratio"),
    # cylinders / (2 x poles): principle Whitman, Tractor Principles p. 36 (published); formula from memory
    [
        (12, 4, Fraction(3, 2)),
        (9, 4, Fraction(9, 8)),
        (12, 2, Fraction(3)),
        (6, 6, Fraction(1, 2)),
        (8, 8, Fraction(1, 2)),
    ],
)
def test_speed_needed(cylinders: int, poles: int, ratio: Fraction) -> None:
    assert speed_ratio_needed(cylinders, poles) == ratio
    # TM 9-8000 p. 2-18 (published): the firing interval is 720 / cylinders
    assert firing_interval_deg(cylinders) == Fraction(720, cylinders)


CASES = {
    "six, 2 poles": (SIX, magneto(2, (20, 60)), pair(42, 28)),
    "six, 4 poles": (SIX, magneto(4, (30, 45)), pair(30, 40)),
    "six, 6 poles": (SIX, magneto(6, (30, 30)), pair(24, 48)),
    "eight, 8 poles": (EIGHT, magneto(8, (30, 30)), pair(24, 48)),
    "six, polar inductor": (SIX, magneto(4, (30, 45), kind="polar inductor"), pair(30, 40)),
    "six, breaker at half speed": (
        SIX,
        magneto(2, (20, 60), lobes=6, breaker_on="finger", dwell_deg=90.0),
        pair(42, 28),
    ),
    "six, three lobes on six poles, from the crank's end": (
        SIX,
        magneto(6, (24, 48), lobes=3, dwell_deg=60.0),
        (StageData(kind="coupling", coupling="sleeve"),),
    ),
    "six, across the engine": (
        SIX,
        magneto(2, (20, 60)),
        (StageData(kind="bevel", driving_teeth=30, driven_teeth=20), StageData(kind="coupling", coupling="sleeve")),
    ),
    "six, spurs and bevels, an idler": (
        SIX,
        magneto(2, (20, 60)),
        (
            StageData(kind="idler", driven_teeth=25),
            StageData(kind="spur", driving_teeth=30, driven_teeth=40),
            StageData(kind="bevel", driving_teeth=20, driven_teeth=20),
            StageData(kind="bevel", driving_teeth=40, driven_teeth=20),
        ),
    ),
}


@pytest.mark.parametrize("case", CASES.values(), ids=CASES.keys())
def test_every_cylinder_gets_its_spark(case: tuple[DataSheet, MagnetoData, tuple[StageData, ...]]) -> None:
    sheet, data, stages = case
    sleeve = sheet.couplings[-1].name
    stages = tuple(replace(stage, coupling=sleeve) if stage.kind == "coupling" else stage for stage in stages)
    made = driven(sheet, (data,), {"left": stages})
    exact = tuple(replace(coupling, tooth_phase_deg=0.0) for coupling in made.couplings)
    engine = build(replace(made, couplings=exact))
    found = breaks_as_seen(engine, "left")
    assert sorted(found) == sorted(sheet.firing_order)
    for own in found.values():
        assert own == pytest.approx(data.break_deg, abs=0.3)
    one = engine.magnetos["left"]
    for name in sheet.firing_order:
        angle = shaft_angles(engine, intended(engine), np.array([engine.cylinders[name].firing_deg + data.break_deg]))
        running = rotor_running_deg(engine, "left", angle[one.rotor])
        # one pole or another stands as the first one does at its break
        assert float(wrapped(running, 360.0 / data.poles)[0]) == pytest.approx(0.0, abs=1e-4)
    # TM 9-8000 para 15-13 (published): the distributor runs at half the crank's speed
    assert abs(engine.shafts[one.finger].turns) == Fraction(1, 2)
    # where a free rotor is left, its points stand open, so that their gap can be set
    place = engine.cylinders[one.fires[0]].firing_deg + data.break_deg - _rotor_start_deg(one)
    running = rotor_running_deg(engine, "left", shaft_angles(engine, intended(engine), np.array([place]))[one.rotor])
    assert float(points_opening_mm(data, running)[0]) > 0.5 * data.points_gap_mm


@pytest.mark.parametrize(("breaker_on", "lobes", "early_deg"), [("finger", 6, 12.0), ("rotor", 2, 0.0)])
def test_a_breaker_cam_on_the_finger_goes_with_a_finger_a_tooth_on(
    breaker_on: str, lobes: int, early_deg: float
) -> None:
    # one tooth of 60 is 6° of the finger, which turns at half the crank's speed (TM 9-8000 para 15-13, published)
    data = magneto(2, (20, 60), lobes=lobes, breaker_on=breaker_on, dwell_deg=90.0)
    engine = build(driven(SIX, (data,), {"left": pair(42, 28)}))
    one = engine.magnetos["left"]
    assembly = with_mesh_teeth(intended(engine), engine.shafts[one.finger].link, 1)
    breaks = [event for event in timing_table(engine, assembly) if event.magneto]
    assert [event.early_deg for event in breaks] == pytest.approx([early_deg] * 6)
    for event in breaks:
        assert event.as_set_deg is not None
        before, after = motion(engine, assembly, event.as_set_deg + np.array([-0.2, 0.2]))["points left"]
        assert before <= 1e-9 < after


@pytest.mark.parametrize(
    "data", [magneto(2, (20, 60)), magneto(2, (20, 60), lobes=6, breaker_on="finger", dwell_deg=70.0)]
)
def test_a_smaller_gap_retards_and_a_larger_one_advances(data: MagnetoData) -> None:
    # themagnetoguys.co.uk, "points gap" (published)
    assert break_shift_deg(data, 0.9 * data.points_gap_mm) < 0 < break_shift_deg(data, 1.1 * data.points_gap_mm)
    shift = break_shift_deg(data, 1.1 * data.points_gap_mm)
    assert points_opening_mm(data, -shift + 0.01, 1.1 * data.points_gap_mm) > 0
    assert points_opening_mm(data, -shift - 0.01, 1.1 * data.points_gap_mm) == 0


def bank_magnetos() -> DataSheet:
    """A V-8 of 90 degrees with a flat crank, whose banks fire by turns, and a magneto for each bank."""
    eight = replace(EIGHT, firing_order=("A1", "B1", "A3", "B3", "A4", "B4", "A2", "B2"))
    two = tuple(
        magneto(4, (24, 24), name=name, fires=(bank,), break_deg=690.0 - 3 * at)
        for at, (name, bank) in enumerate((("left", "A"), ("right", "B")))
    )
    return driven(eight, two, {"left": pair(24, 48), "right": pair(24, 48)})


def test_a_magneto_for_each_bank() -> None:
    sheet = bank_magnetos()
    engine = build(sheet)
    for name, bank in (("left", "A"), ("right", "B")):
        one = engine.magnetos[name]
        assert one.fires == tuple(cylinder for cylinder in sheet.firing_order if cylinder[0] == bank)
        found = breaks_as_seen(engine, name)
        assert sorted(found) == sorted(one.fires)
        assert all(own == pytest.approx(one.data.break_deg, abs=0.3) for own in found.values())
    table = [event for event in timing_table(engine, intended(engine)) if event.magneto]
    assert len(table) == 8
    assert all(event.cylinder[0] == ("A" if event.magneto == "left" else "B") for event in table)
    assert all(event.early_deg == pytest.approx(0.0, abs=1e-9) for event in table)


@pytest.mark.parametrize("stagger_deg", [-7.0, 0.0, 7.0])
def test_two_magnetos_with_any_stagger(stagger_deg: float) -> None:
    two = (magneto(2, (20, 60)), magneto(2, (20, 60), name="right", break_deg=690.0 + stagger_deg, stands="right"))
    engine = build(driven(SIX, two, {"left": pair(42, 28), "right": pair(42, 28)}))
    left, right = (breaks_as_seen(engine, name) for name in ("left", "right"))
    for cylinder in SIX.firing_order:
        assert right[cylinder] - left[cylinder] == pytest.approx(stagger_deg, abs=0.3)


def test_stagger_across_firing_dead_centre() -> None:
    # one breaks 2 BTDC, the other 3 ATDC
    two = (magneto(2, (20, 60), break_deg=718.0), magneto(2, (20, 60), name="right", break_deg=723.0, stands="right"))
    engine = build(driven(SIX, two, {"left": pair(42, 28), "right": pair(42, 28)}))
    checks = [check for step in play(engine).steps for check in step.checks if check.interval]
    assert [check.wanted for check in checks] == pytest.approx([5.0] * len(checks))
    assert checks


def test_an_engine_without_a_magneto() -> None:
    engine = build(driven(SIX, (), {}))
    assert not engine.magnetos
    assert {event.magneto for event in timing_table(engine, intended(engine))} == {""}


def test_fired_by_bank_or_by_cylinder() -> None:
    assert fired(PORT, magneto(4, (20, 60))) == PORT.firing_order
    assert fired(PORT, magneto(4, (20, 60), fires=("B", "A1")))[0] in ("A1", "B1")
    assert len(fired(PORT, magneto(4, (20, 60), fires=("B", "A1")))) == 7


MESSAGES = {
    "speed": (
        driven(SIX, (magneto(2, (20, 60)),), {"left": pair(40, 40)}),
        "trains.left magneto: turns at 1 of the crankshaft's speed, needed 3/2 (6 cylinders, 2 sparks a turn)",
    ),
    "speed of one that fires half": (
        driven(SIX, (magneto(4, (20, 60), fires=SIX.firing_order[::2]),), {"left": pair(40, 40)}),
        "trains.left magneto: turns at 1 of the crankshaft's speed, needed 3/8 (3 cylinders, 4 sparks a turn)",
    ),
    "lobes at half speed": (
        driven(SIX, (magneto(2, (20, 60), lobes=5, breaker_on="finger", dwell_deg=60.0),), {"left": pair(42, 28)}),
        "magnetos.left.lobes: expected 6 on the half-speed shaft, one for each cylinder that it fires, got 5",
    ),
    "lobes and poles": (
        driven(SIX, (magneto(4, (20, 40), lobes=3, dwell_deg=60.0),), {"left": pair(40, 40)}),
        "magnetos.left.lobes: 3 sparks in a turn of the rotor do not come at equal places of its 4 poles: at this "
        "speed expected 4 sparks, or a divisor of it",
    ),
    "finger leaves": (
        driven(SIX, (magneto(2, (20, 60), advance_range_deg=40.0),), {"left": pair(42, 28)}),
        "magnetos.left.advance_range_deg: the finger leaves its segment: at either end of 40 crank degrees it is "
        "10 degrees off the middle, and finger and segment face each other only within 8",
    ),
    "next segment": (
        driven(SIX, (magneto(2, (20, 60), segment_width_deg=84.0, advance_range_deg=60.0),), {"left": pair(42, 28)}),
        "magnetos.left.segment_width_deg: the finger reaches the next segment: with the advance range it needs 61 "
        "degrees, and the segments of 6 cylinders are 60 apart",
    ),
    "dwell": (
        driven(SIX, (magneto(2, (20, 60), dwell_deg=180.0),), {"left": pair(42, 28)}),
        "magnetos.left.dwell_magneto_rotor_deg: left magneto: expected a dwell of more than 0 and less than 180 "
        "degrees for 2 lobes, got 180",
    ),
    "uneven": (
        driven(EIGHT, (magneto(4, (20, 60), fires=EIGHT.firing_order[:3]),), {"left": pair(40, 40)}),
        f"magnetos.left.fires: expected cylinders that fire at even intervals, got {EIGHT.firing_order[0]} at 0, "
        f"{EIGHT.firing_order[1]} at 90, {EIGHT.firing_order[2]} at 180 crank degrees",
    ),
    "unknown": (
        driven(SIX, (magneto(2, (20, 60), fires=("B",)),), {"left": pair(42, 28)}),
        'magnetos.left.fires: unknown bank or cylinder "B"; defined: A, ' + ", ".join(SIX.firing_order),
    ),
}


@pytest.mark.parametrize(("sheet", "message"), MESSAGES.values(), ids=MESSAGES.keys())
def test_messages(sheet: DataSheet, message: str) -> None:
    assert problems(sheet) == message


def test_a_magneto_of_one_bank_follows_that_bank_however_the_other_stands() -> None:
    """A twelve of 30° between the banks on the pins of a 60° one: each bank fires evenly, bank B 30° before
    the even places. A magneto of its own serves each bank exactly: its breaks come break_deg before own TDC."""
    sheet = load("larkfell-port")
    banks = tuple(replace(bank, turn_deg=bank.turn_deg / 2) for bank in sheet.banks)
    pins = tuple(build(sheet).cylinders[f"A{n}"].pin_turn_deg for n in range(1, 7))
    halves = tuple(replace(data, fires=(bank,), lobes=2) for data, bank in zip(sheet.magnetos, ("A", "B"), strict=True))
    jobs = tuple(replace(j, cylinder="B6") if j.magneto == sheet.magnetos[1].name else j for j in sheet.setup)
    apart = tuple(
        replace(t, stages=(replace(t.stages[0], set_apart=True), *t.stages[1:])) if t.drives == "camshaft B" else t
        for t in sheet.trains
    )
    both = replace(sheet, banks=banks, crank=replace(sheet.crank, pin_angles_deg=pins), trains=apart)
    engine = build(replace(both, magnetos=halves, setup=jobs))
    assert engine.cylinders["B6"].late_deg == pytest.approx(-30.0)
    for event in timing_table(engine, intended(engine)):
        if event.kind == "points break":
            assert event.own_deg == pytest.approx(engine.magnetos[event.magneto].data.break_deg)
    with pytest.raises(SceneError) as caught:
        build(both)
    assert [p.message.split(", but ")[1] for p in caught.value.problems] == [
        "B6 comes to its top 30.0 crank degrees before that place; expected tops within 5 crank degrees of even "
        "places: look at the angles of the pins (magnetos exhaust-side, inlet-side)"
    ]
    assert caught.value.problems[0].path == "crank.pin_angles_deg"
