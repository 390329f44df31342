"""The timing table: fixed figures of the port engine, and what moves an event early or late."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from random_engines import engines, in_line_six

from quillwise.kinematics.assembly import ROCKERS_OFF, intended, move_teeth, open_at, with_clearances
from quillwise.kinematics.build import build
from quillwise.kinematics.couplings import shift_deg, step_deg
from quillwise.kinematics.model import Engine
from quillwise.kinematics.sequence import play
from quillwise.kinematics.timing import Event, early_crank_deg, timing_table
from quillwise.scenes.library import engine as packaged

PORT = packaged("larkfell-port")


def table_of(engine: Engine, assembly: object = None) -> dict[str, Event]:
    events = timing_table(engine, intended(engine) if assembly is None else assembly)  # type: ignore[arg-type]
    return {event.name: event for event in events}


@pytest.mark.parametrize(
    ("name", "crank_deg"),
    [
        # by hand from the firing order: 22 BTDC is 338, B6 fires 60 after A1, 41 BTDC is 679, 34 BTDC is 686
        ("A1 inlet opens", 338.0),
        ("B6 inlet opens", 398.0),
        ("A1 exhaust-side points break", 679.0),
        ("A1 inlet-side points break", 686.0),
        ("A1 exhaust opens", 116.0),
        ("A1 exhaust closes", 378.0),
        ("A6 inlet opens", 698.0),
        ("A6 exhaust-side points break", 319.0),
        ("B4 inlet closes", 538.0),
    ],
)
def test_fixed_figures_of_the_port_engine(name: str, crank_deg: float) -> None:
    assert table_of(PORT)[name].crank_deg == pytest.approx(crank_deg)


def test_table_is_whole_and_in_order() -> None:
    events = timing_table(PORT, intended(PORT))
    assert len(events) == 12 * 4 + 12 * 2
    assert [event.crank_deg for event in events] == sorted(event.crank_deg for event in events)
    assert len({event.name for event in events}) == len(events)


@settings(max_examples=15, deadline=None)
@given(engines())
def test_perfect_set_up_leaves_every_event_within_half_a_step(engine: Engine) -> None:
    played = play(engine)
    checking = {name: valve.data.checking_clearance_mm for name, valve in engine.valves.items()}
    for event in timing_table(engine, played.as_set, checking):
        bank = engine.cylinders[event.cylinder].bank
        shaft = engine.magnetos[event.magneto].rotor if event.magneto else f"camshaft {bank}"
        coupling = engine.coupling_upstream(shaft)
        assert coupling is not None and event.early_deg is not None
        step = step_deg(coupling.data.driving_teeth, coupling.data.driven_teeth)
        half = float(step / abs(engine.shafts[coupling.driven].turns)) / 2
        assert abs(event.early_deg) <= half + 1e-6, event.name


@pytest.mark.parametrize(("k", "m"), [(1, 0), (0, 1), (-2, -3), (16, 17)])
def test_teeth_moved_shift_all_events_of_the_bank_and_no_other(k: int, m: int) -> None:
    before, after = table_of(PORT), table_of(PORT, move_teeth(intended(PORT), "quill-a", k, m))
    # the quill of bank A turns 3/2 to a turn of the crank
    shift = float(shift_deg((17, 18), k, m)) / 1.5
    for name, event in after.items():
        was = before[name].early_deg
        assert was is not None and event.early_deg is not None
        own = name.startswith("A") and not event.magneto
        assert event.early_deg - was == pytest.approx(shift if own else 0.0, abs=1e-9)


def test_quill_a_whole_turn_out_is_a_third_of_a_turn_of_its_camshaft() -> None:
    # the quill's driven end past all 18 teeth: 360 degrees of it are 120 of the camshaft, 240 of the crank
    after = table_of(PORT, move_teeth(intended(PORT), "quill-a", 0, 18))
    early = after["A1 inlet opens"].early_deg
    assert early == pytest.approx(-240.0, abs=1.0)


def test_early_event_comes_at_a_smaller_crank_angle() -> None:
    assembly = move_teeth(intended(PORT), "quill-a", 1, 1)  # 21.18 - 20 degrees ahead
    event = table_of(PORT, assembly)["A1 inlet opens"]
    assert event.early_deg is not None and event.as_set_deg is not None and event.check is not None
    assert event.early_deg > 0.5
    assert event.as_set_deg == pytest.approx(338.0 - event.early_deg)
    assert event.check.early == event.early_deg


def test_excess_clearance_opens_late_and_closes_early() -> None:
    # secondary: tildentechnologies.com: excess valve clearance opens late and closes early; on the ramp by the
    # change over the ramp's velocity: 0.05 mm / 0.025 mm per degree = 2 degrees
    wide = with_clearances(intended(PORT), dict.fromkeys(PORT.valves, 0.45))
    before, after = table_of(PORT), table_of(PORT, wide)
    for word, shift in (("opens", -2.0), ("closes", 2.0)):
        was, now = before[f"B2 inlet {word}"].early_deg, after[f"B2 inlet {word}"].early_deg
        assert was is not None and now is not None
        assert now - was == pytest.approx(shift, abs=1e-6)
    read = {event.name: event for event in timing_table(PORT, wide, dict.fromkeys(PORT.valves, 0.40))}
    assert read["B2 inlet opens"].early_deg == before["B2 inlet opens"].early_deg, "read at the checking clearance"


def test_advanced_cams() -> None:
    # secondary: ausmini.com topic 237565: 20-60/60-20, cams advanced 5 degrees: 25-55/65-15, overlap stays 40
    sheet = in_line_six()
    coupling = replace(sheet.couplings[0], driving_teeth=24, driven_teeth=24, tooth_phase_deg=0.0)
    sheet = replace(
        sheet,
        inlet=replace(sheet.inlet, opens_deg=340, closes_deg=600),
        exhaust=replace(sheet.exhaust, opens_deg=120, closes_deg=380),
        couplings=(coupling, sheet.couplings[1]),
    )
    engine = build(sheet)
    inclined = abs(engine.shafts[engine.couplings["quill-a"].driven].turns)
    assert inclined == 1  # so that 5 crank degrees are 5 of the quill, 1/3 of its 15 degree tooth: as a tooth phase
    shifted = build(replace(sheet, couplings=(replace(coupling, tooth_phase_deg=5.0), sheet.couplings[1])))
    events = table_of(shifted)
    as_set = [
        events[f"A1 {name}"].as_set_deg for name in ("inlet opens", "inlet closes", "exhaust opens", "exhaust closes")
    ]
    assert as_set == pytest.approx([360 - 25, 540 + 55, 180 - 65, 360 + 15])
    assert as_set[3] - as_set[0] == pytest.approx(40.0)  # type: ignore[operator]


def test_nothing_happens_behind_a_drawn_quill_or_at_a_valve_without_its_rocker() -> None:
    opened = open_at(intended(PORT), "quill-b", 10.0)
    events = table_of(PORT, opened)
    assert events["B1 inlet opens"].early_deg is None
    assert events["B1 inlet opens"].as_set_deg is None and events["B1 inlet opens"].check is None
    assert events["A1 inlet opens"].early_deg is not None
    assert early_crank_deg(PORT, opened, "camshaft B") is None
    bare = table_of(PORT, with_clearances(intended(PORT), {"A1 inlet": ROCKERS_OFF}))
    assert bare["A1 inlet opens"].early_deg is None and bare["A1 exhaust opens"].early_deg is not None


def test_piston_drop_beside_the_degrees() -> None:
    # published formula: vcalc.com, "position of the piston": r + l - (r cos a + sqrt(l^2 - r^2 sin^2 a)) at 22
    r, rod = 66.0, 236.0
    cosine, sine = 0.9271838545667874, 0.374606593415912
    expected = r + rod - (r * cosine + (rod**2 - (r * sine) ** 2) ** 0.5)
    assert table_of(PORT)["A1 inlet opens"].piston_drop_mm == pytest.approx(expected, abs=1e-9)
