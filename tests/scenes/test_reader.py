"""Values of a folder as they come out: units, views, defaults, references."""

import re
from dataclasses import replace
from fractions import Fraction

import pytest

from quillwise.kinematics.datasheet import DataSheet, LimitsData
from quillwise.scenes import keys, reader
from quillwise.scenes.key_tables import key_rows

INCH_MM = 25.4  # exactly: international yard and pound agreement of 1959 (published)

LENGTHS_IN = {
    "bore = 100.0": "bore = 4.125",
    "stroke = 120": "stroke = 5",
    "rod_length = 200.0": "rod_length = 8.25",
    "gudgeon_offset = 1.0": "gudgeon_offset = 0.0625",
    "checking_clearance = 0.5": "checking_clearance = 0.020",
    "valve_lift = 10.0\nramp_per_crank_deg = 0.02": "valve_lift = 0.375\nramp_per_crank_deg = 0.001",
    "valve_lift = 9.5\nramp_per_crank_deg = 0.02": "valve_lift = 0.35\nramp_per_crank_deg = 0.001",
    "running_clearance = 0.4": "running_clearance = 0.016\nroom_at_tdc = 0.3\nbase_radius = 0.6\nramp_top = 0.03",
    "poles = 2": "poles = 2\npoints_gap = 0.012",
    "[couplings.quill]": "[limits]\nroom = 0.06\n[geometry]\nbore_spacing = 5.5\n[couplings.quill]",
}


def lengths_mm(sheet: DataSheet) -> list[float | None]:
    valves = [
        length
        for valve in (sheet.inlet, sheet.exhaust)
        for length in (
            valve.lift_mm,
            valve.ramp_mm_per_crank_deg,
            valve.checking_clearance_mm,
            valve.running_clearance_mm,
            valve.ramp_top_mm,
            valve.base_radius_mm,
            valve.room_at_tdc_mm,
        )
    ]
    crank = sheet.crank
    return [
        crank.bore_mm,
        crank.stroke_mm,
        crank.rod_length_mm,
        crank.gudgeon_offset_mm,
        *valves,
        sheet.magnetos[0].points_gap_mm,
        sheet.limits.room_mm,
        sheet.geometry["bore_spacing_mm"],
    ]


def test_inches_are_converted_everywhere(make_folder):
    sheet = reader.read(make_folder({'"mm"': '"in"', **LENGTHS_IN}))
    inches = [4.125, 5, 8.25, 0.0625, 0.375, 0.001, 0.02, 0.02, None, None, None]
    inches += [0.35, 0.001, 0.02, 0.016, 0.03, 0.6, 0.3, 0.012, 0.06, 5.5]
    assert lengths_mm(sheet) == [None if inch is None else inch * INCH_MM for inch in inches]
    assert sheet.length_unit == "in"


def test_a_default_length_is_no_inches(make_folder):
    lengths = {old: new for old, new in LENGTHS_IN.items() if "poles" not in old and "[coup" not in old}
    sheet = reader.read(make_folder({'"mm"': '"in"', **lengths}))
    assert (sheet.magnetos[0].points_gap_mm, sheet.limits) == (0.30, LimitsData())


def test_seen_from_the_other_end_it_is_the_same_engine(make_folder):
    mirrored = {
        'rotation = "clockwise"': 'rotation = "anticlockwise"',
        'seen_from = "wheelcase end"': 'seen_from = "output end"',
        'side = "right"': 'side = "left"',
        "gudgeon_offset = 1.0": "gudgeon_offset = -1.0",
        'stands = "left"': 'stands = "right"',
    }
    sheet = reader.read(make_folder())
    assert reader.read(make_folder(mirrored, name="mirrored")) == replace(sheet, scene="mirrored")


@pytest.mark.parametrize(
    ("side", "angle", "seen_from", "turn_deg"),
    [
        # right-handed about the axis that points away from the viewer: clockwise, + leans to the right
        ("right", 30, "wheelcase end", 30.0),
        ("left", 30, "wheelcase end", -30.0),
        ("right", 30, "output end", -30.0),
        ("left", 30, "output end", 30.0),
        ("upright", 0, "output end", 0.0),
        ("left", 180, "wheelcase end", -180.0),
    ],
)
def test_bank_turn(make_folder, side, angle, seen_from, turn_deg):
    edits = {
        'angle_deg = 10, side = "right"': f'angle_deg = {angle}, side = "{side}"',
        'seen_from = "wheelcase end"': f'seen_from = "{seen_from}"',
    }
    assert reader.read(make_folder(edits)).banks[0].turn_deg == turn_deg


def test_events_are_own_angles(make_folder):
    sheet = reader.read(make_folder())
    # by hand from the strokes: firing TDC 0, BDC 180, TDC 360, BDC 540, firing TDC 720 (computed)
    assert (sheet.inlet.opens_deg, sheet.inlet.closes_deg) == (345, 590)
    assert (sheet.exhaust.opens_deg, sheet.exhaust.closes_deg) == (125, 372)
    assert sheet.magnetos[0].break_deg == 690


def test_values_shared_by_the_valves_and_their_own(make_folder):
    edits = {
        "checking_clearance = 0.5": 'checking_clearance = 0.5\nlaw = "cycloidal"\nrocker_ratio = 1.5',
        "running_clearance = 0.4": 'running_clearance = 0.4\nchecking_clearance = 0.6\nlaw = "3-4-5"',
    }
    sheet = reader.read(make_folder(edits))
    assert (sheet.inlet.checking_clearance_mm, sheet.inlet.running_clearance_mm) == (0.5, 0.5)
    assert (sheet.exhaust.checking_clearance_mm, sheet.exhaust.running_clearance_mm) == (0.6, 0.4)
    assert (sheet.inlet.law, sheet.exhaust.law) == ("cycloidal", "3-4-5")
    assert (sheet.inlet.rocker_ratio, sheet.exhaust.rocker_ratio) == (1.5, 1.5)


def test_running_clearance_of_zero_is_not_left_out(make_folder):
    sheet = reader.read(make_folder({"running_clearance = 0.4": "running_clearance = 0"}))
    assert sheet.exhaust.running_clearance_mm == 0


def test_magneto_defaults(make_folder):
    magneto = reader.read(make_folder({'stands = "left"': ""})).magnetos[0]
    assert (magneto.lobes, magneto.dwell_deg, magneto.finger_teeth) == (2, 0.55 * 360 / 2, (20, 60))
    assert (magneto.timed_at, magneto.stands) == ("full advance", "left")


def test_stages(make_folder):
    edits = {
        "driven = 20 } }": 'driven = 20, side = "output" }, shaft = "cross shaft" }',
        "{ spur = { driving = 42, driven = 28 } }": "{ internal = { driving = 42, driven = 28 } }",
    }
    camshaft, magneto = reader.read(make_folder(edits)).trains
    assert [(s.kind, s.driving_teeth, s.driven_teeth, s.coupling, s.side, s.shaft) for s in camshaft.stages] == [
        ("bevel", 20, 20, "", "output", "cross shaft"),
        ("coupling", 0, 0, "quill", None, None),
        ("bevel", 18, 36, "", None, None),
    ]
    assert (magneto.stages[0].kind, magneto.from_shaft) == ("internal", "crankshaft")


def test_a_byte_order_mark_and_carriage_returns_do_no_harm(make_folder):
    folder = make_folder()
    sheet = reader.read(folder)
    file = folder / "engine.toml"
    file.write_bytes(b"\xef\xbb\xbf" + file.read_bytes().replace(b"\n", b"\r\n"))
    assert reader.read(folder) == sheet


def test_the_packaged_speeds_suit_the_events():
    """Camshafts at half speed; a magneto of 4 poles that fires all 12 at 12/(2 × 4) (computed)."""
    sheet = reader.load("larkfell-port")
    speed = {"crankshaft": Fraction(1)}
    for train in sheet.trains:
        ratio = speed[train.from_shaft]
        for stage in train.stages:
            if stage.kind != "coupling":
                ratio *= Fraction(stage.driving_teeth, stage.driven_teeth)
        speed[train.drives] = ratio
    assert speed["camshaft A"] == speed["camshaft B"] == Fraction(1, 2)
    assert speed["exhaust-side magneto"] == speed["inlet-side magneto"] == Fraction(12, 2 * 4)
    finger = Fraction(*sheet.magnetos[0].finger_teeth)
    assert speed["exhaust-side magneto"] * finger == Fraction(1, 2)


def test_no_two_couplings_of_the_packaged_engine_are_alike():
    couplings = reader.load("larkfell-port").couplings
    assert len({(c.driving_teeth, c.driven_teeth) for c in couplings}) == len(couplings) == 4


def test_all_keys_can_be_listed():
    rows = {path: (allowed, default) for path, allowed, default in key_rows(keys.EngineKeys)}
    assert rows["crank.bore"] == ("a length from 20 to 500 mm", "required")
    assert rows["trains[].from"] == ("text of 1 to 200 characters", "required")
    assert rows["couplings.<name>.tooth_phase_deg"] == ("a number from -360 to 360", "default 0.0")
    assert rows["valves.inlet.law"][1] == "may be left out"
    assert rows["geometry.bore_spacing"] == ("a length from 0.1 to 5000 mm", "may be left out")
    assert all(re.fullmatch(r"[a-z_<>\[\].]+", path) for path in rows)
