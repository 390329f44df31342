"""The whole text of what a wrong engine folder says: file, key path, what is allowed, what was found."""

import os
import sys
from pathlib import Path

import pytest

from quillwise.kinematics.errors import Problem, SceneError
from quillwise.scenes import reader
from quillwise.scenes.keys import CrankKeys, EngineKeys

CRANK_KEYS = ", ".join(CrankKeys.fields())
TOP_KEYS = ", ".join(EngineKeys.fields())
LAWS = '"harmonic", "cycloidal", "3-4-5", "4-5-6-7", "modified-sine" or "measured"'
EVENT = 'degrees and BTDC, ATDC, BBDC or ABDC, for example "22 BTDC"'

# what is replaced in engine.toml, by what, and the whole message without "engine.toml: "
WRONG_ENGINES = [
    (
        "driving_teeth = 17",
        'driving_teeth = "18"',
        'couplings.quill.driving_teeth: expected a whole number from 1 to 400, got "18"',
    ),
    (
        "driving_teeth = 17",
        "driving_teeth = true",
        "couplings.quill.driving_teeth: expected a whole number from 1 to 400, got true",
    ),
    (
        "driving_teeth = 17",
        "driving_teeth = 17.0",
        "couplings.quill.driving_teeth: expected a whole number from 1 to 400, got 17.0",
    ),
    (
        "driving_teeth = 17",
        "driving_teeth = 401",
        "couplings.quill.driving_teeth: expected a whole number from 1 to 400, got 401",
    ),
    (
        "driving_teeth = 17",
        "drivin_teeth = 17",
        'couplings.quill.drivin_teeth: unknown key "drivin_teeth"; defined: kind, driving_teeth, '
        "driven_teeth, free_play_driven_shaft_deg, tooth_phase_deg, hand, bank (did you mean driving_teeth?)",
    ),
    ("[crank]", "[krank]", f'krank: unknown key "krank"; defined: {TOP_KEYS} (did you mean crank?)'),
    (
        "bore = 100.0",
        "",
        "crank.bore: missing: expected a length from 20 to 500 mm: bore of the cylinders, for example bore = 118",
    ),
    ("bore = 100.0", "bore = nan", "crank.bore: expected a length from 20 to 500 mm, got nan"),
    ("bore = 100.0", "bore = -inf", "crank.bore: expected a length from 20 to 500 mm, got -inf"),
    ("bore = 100.0", "bore = 5e2001", "crank.bore: expected a length from 20 to 500 mm, got inf"),
    ("bore = 100.0", "bore = false", "crank.bore: expected a length from 20 to 500 mm, got false"),
    ("bore = 100.0", "bore = [100]", "crank.bore: expected a length from 20 to 500 mm, got an array of 1"),
    ("bore = 100.0", "bore = { mm = 100 }", "crank.bore: expected a length from 20 to 500 mm, got a table"),
    (
        "bore = 100.0",
        "bore = 1950-01-31",
        "crank.bore: expected a length from 20 to 500 mm, got the date or time 1950-01-31",
    ),
    (
        "bore = 100.0",
        "bore = 0x" + "f" * 9000,
        "crank.bore: expected a length from 20 to 500 mm, got a whole number of over 30 digits",
    ),
    # the wrong unit: beside the number, in the key, of a file in inches, of one in metres
    ("bore = 100.0", 'bore = "100 mm"', 'crank.bore: expected a length from 20 to 500 mm, got "100 mm"'),
    (
        "bore = 100.0",
        "bore_mm = 100.0",
        f'crank.bore_mm: unknown key "bore_mm"; defined: {CRANK_KEYS} (did you mean bore?)',
    ),
    ("bore = 100.0", "bore = 4.0", "crank.bore: expected a length from 20 to 500 mm, got 4.0"),
    ("bore = 100.0", "bore = 0.1", "crank.bore: expected a length from 20 to 500 mm, got 0.1"),
    (
        "rod_length = 200.0",
        "rod_length = 72",
        "crank.rod_length: expected over 0.6 times the stroke of 120, got 72",
    ),
    (
        "gudgeon_offset = 1.0",
        "gudgeon_offset = -30.5",
        "crank.gudgeon_offset: expected at most a quarter of the stroke of 120, got -30.5",
    ),
    (
        "gudgeon_offset = 1.0",
        "pin_angles_deg = [0, 999, 240]",
        "crank.pin_angles_deg[2]: expected a number from -360 to 360, got 999",
    ),
    ('"15 BTDC"', '"15 before"', f'valves.inlet.opens: expected {EVENT}, got "15 before"'),
    ('"15 BTDC"', "15", f"valves.inlet.opens: expected {EVENT}, got 15"),
    (
        '"15 BTDC"',
        '"190 BTDC"',
        'valves.inlet.opens: expected at most 180 degrees from the dead centre, got "190 BTDC"',
    ),
    (
        '"50 ABDC"',
        '"120 BBDC"',
        'valves.inlet.closes: expected from 90 to 400 degrees after opens, got "15 BTDC" to "120 BBDC", 75 degrees',
    ),
    (
        'opens = "15 BTDC"\ncloses = "50 ABDC"',
        'opens = "50 ABDC"\ncloses = "15 BTDC"',
        "valves.inlet.opens: expected it before and closes after the middle of its stroke, 90 ATDC, "
        'got "50 ABDC" to "15 BTDC": are they exchanged?',
    ),
    (
        'opens = "55 BBDC"\ncloses = "12 ATDC"',
        'opens = "12 ATDC"\ncloses = "55 BBDC"',
        "valves.exhaust.opens: expected it before and closes after the middle of its stroke, 90 ABDC, "
        'got "12 ATDC" to "55 BBDC": are they exchanged?',
    ),
    (
        "valve_lift = 10.0",
        "valve_lift = 10.0\nramp_top = 0.4",
        "valves.inlet.ramp_top: expected at least the checking clearance and less than the lift, got 0.4",
    ),
    (
        "valve_lift = 10.0",
        "valve_lift = 1.0\nchecking_clearance = 0.9",
        "valves.inlet.valve_lift: expected over 1.25 times the checking clearance, the top of the ramp, got 1.0",
    ),
    (
        "valve_lift = 10.0",
        'valve_lift = 10.0\nlaw = "harmonik"',
        f'valves.inlet.law: expected {LAWS}, got "harmonik" (did you mean harmonic?)',
    ),
    (
        '"A5", "A3"',
        '"A5", "A5"',
        "layout.firing_order: expected each of the 6 cylinders once, got missing: A3; more than once: A5",
    ),
    (
        '"A5", "A3"',
        '"A5", "C3"',
        "layout.firing_order: expected each of the 6 cylinders once, got missing: A3; not in the banks: C3",
    ),
    ('"right"', '"upright"', "layout.banks.A.angle_deg: expected 0 for an upright bank, got 10"),
    ('name = "A"', 'name = "A1"', 'layout.banks.A1.name: expected 1 to 3 letters, got "A1"'),
    (
        '"clockwise"',
        '"clockwis"',
        'layout.rotation: expected "clockwise" or "anticlockwise", got "clockwis" (did you mean clockwise?)',
    ),
    (
        'coupling = "quill"',
        'coupling = "quil"',
        'trains.camshaft A.stages[2].coupling: unknown coupling "quil"; defined: quill, sleeve (did you mean quill?)',
    ),
    (
        '{ coupling = "quill" }',
        '{ shaft = "cross shaft" }',
        "trains.camshaft A.stages[2]: expected one of spur, internal, bevel, idler and coupling, got none of them",
    ),
    (
        '{ coupling = "quill" }',
        '{ coupling = "quill", spur = { driving = 8, driven = 9 } }',
        "trains.camshaft A.stages[2]: expected one of spur, internal, bevel, idler and coupling, got spur and coupling",
    ),
    (
        "{ driving = 42, driven = 28 }",
        "{ driving = 42, driven = 7 }",
        "trains.left magneto.stages[1].spur.driven: expected a whole number from 8 to 400, got 7",
    ),
    (
        "{ driving = 42, driven = 28 }",
        "{ driving = 401, driven = 28 }",
        "trains.left magneto.stages[1].spur.driving: expected a whole number from 8 to 400, got 401",
    ),
    (
        "{ driving = 20, driven = 20 }",
        "{ driving = 20, driven = 2e2 }",
        "trains.camshaft A.stages[1].bevel.driven: expected a whole number from 8 to 400, got 200.0",
    ),
    ('{ coupling = "sleeve" }', "7", "trains.left magneto.stages[2]: expected a table, got 7"),
    (
        'drives = "left magneto"',
        'drives = "camshaft A"',
        'trains[2].drives: expected a name that stands once in trains, got "camshaft A" again',
    ),
    (
        'drives = "left magneto"',
        'drives = "left magneto"\nturns = "clockwise"',
        "trains.left magneto.seen_from: missing: expected together with turns",
    ),
    (
        '"30 BTDC"',
        '"95 BTDC"',
        'magnetos.left.points_break: expected from 90 BTDC to 30 ATDC, got "95 BTDC"',
    ),
    ("poles = 2", "poles = 3", "magnetos.left.poles: expected an even number, got 3"),
    (
        "poles = 2",
        "poles = 2\ndwell_magneto_rotor_deg = 180",
        "magnetos.left.dwell_magneto_rotor_deg: expected less than 180 (360 degrees over 2 lobes), got 180",
    ),
    (
        "e_gap_magneto_rotor_deg = 10",
        "e_gap_magneto_rotor_deg = 91",
        "magnetos.left.e_gap_magneto_rotor_deg: expected a number from 0 to 90, got 91",
    ),
    (
        "poles = 2",
        "poles = 2\nopen_ohm = 0.05",
        "magnetos.left.open_ohm: expected more than closed_ohm, 0.07, got 0.05",
    ),
    (
        "finger = { pinion = 20, wheel = 60 }",
        "",
        "magnetos.left.finger: missing: expected a table: gears from the rotor to the distributor finger",
    ),
    (
        '"Test six"',
        r'"Test\u202Esix"',
        "name: expected text without control, direction or invisible characters, got U+202E as character 5",
    ),
    (
        '"Test six"',
        r'"\u001b[31m"',
        "name: expected text without control, direction or invisible characters, got U+001B as character 1",
    ),
    (
        "[couplings.sleeve]",
        r'[couplings."sl\u200Beeve"]',
        r"couplings.sl\u200beeve: expected text without control, direction or invisible characters, "
        "got U+200B as character 3",
    ),
    ('"Test six"', '" Test six"', 'name: expected text without blanks at its ends, got " Test six"'),
    ('"Test six"', '""', "name: expected text of 1 to 80 characters, got 0"),
    ('"inlet side"', f'"{"x" * 201}"', "magnetos.left.plugs: expected text of 1 to 200 characters, got 201"),
    ('"Invented."', f'"{"x" * 2001}"', "about: expected text of 1 to 2000 characters, got 2001"),
    ("format = 1", "", "format: missing: expected 1"),
    ("format = 1", "format = 2", "format: expected 1, got 2"),
    ("format = 1", "format = true", "format: expected 1, got true"),
    ('"mm"', '"cm"', 'length_unit: expected "mm" or "in", got "cm"'),
    (
        "[couplings.quill]",
        "[geometry]\nbore_spacin = 140\n[couplings.quill]",
        'geometry.bore_spacin: unknown key "bore_spacin"; defined: bore_spacing, camshaft_height, '
        "wheelcase_shaft_height, gear_module, bevel_module, camshaft_bevel_module, inclined_shafts_ahead, "
        "magneto_distance, disc_radius (did you mean bore_spacing?)",
    ),
]

WRONG_SETUPS = [
    (
        '"camshaft A"',
        '"camshaft B"',
        'steps[2].camshaft: unknown camshaft driven by a train "camshaft B"; defined: camshaft A '
        "(did you mean camshaft A?)",
    ),
    ('magneto = "left"', 'magneto = "right"', 'steps[3].magneto: unknown magneto "right"; defined: left'),
    (
        'magneto = "left", ',
        "",
        "steps[3].magneto: missing: expected text of 1 to 200 characters: the magneto to set, by name, for example "
        'magneto = "exhaust-side"; set-magneto needs it',
    ),
    (
        'magneto = "left", cylinder = "A1"',
        'magneto = "left", cylinder = "A7"',
        'steps[3].cylinder: unknown cylinder "A7"; defined: A1, A2, A3, A4, A5, A6',
    ),
    (
        'do = "set-magneto"',
        'do = "set-camshaft", camshaft = "camshaft A", cylinder = "A1" }, { do = "set-magneto"',
        "steps[3].camshaft: expected each camshaft once, got camshaft A a second time",
    ),
    (
        'do = "finish"',
        'do = "finish", cylinder = "A1"',
        'steps[4].cylinder: expected nothing beside do = "finish", got "A1"',
    ),
    (
        'do = "finish"',
        'do = "finnish"',
        'steps[4].do: expected "prepare", "set-camshaft", "set-magneto" or "finish", got "finnish" '
        "(did you mean finish?)",
    ),
    (
        '"exhaust closes"',
        '"exhaust close"',
        'steps[2].by: expected "inlet opens", "inlet closes", "exhaust opens", "exhaust closes", "lobe centre" or '
        '"lift at TDC", got "exhaust close" (did you mean exhaust closes?)',
    ),
]


def message(folder: Path) -> str:
    with pytest.raises(SceneError) as caught:
        reader.read(folder)
    return str(caught.value)


@pytest.mark.parametrize(("old", "new", "expected"), WRONG_ENGINES)
def test_wrong_engine(make_folder, old, new, expected):
    assert message(make_folder({old: new})) == f"engine.toml: {expected}"


@pytest.mark.parametrize(("old", "new", "expected"), WRONG_SETUPS)
def test_wrong_setup(make_folder, old, new, expected):
    assert message(make_folder({}, {old: new})) == f"setup.toml: {expected}"


def test_every_problem_of_both_files_at_once_in_the_order_of_the_file(make_folder):
    folder = make_folder(
        {
            '"clockwise"': '"round"',
            "bore = 100.0": "bore = 10",
            "stroke = 120": "",
            '"12 ATDC"': '"12"',
            "driven_teeth = 15": "driven_teeth = 1.5",
            'from = "crankshaft"\nstages = [{ spur': 'form = "crankshaft"\nstages = [{ spur',
            "poles = 2": "poles = 5",
        },
        {'cylinder = "A1" }': 'cylinder = "B1" }', "format = 1": "form = 1"},
    )
    assert message(folder).splitlines() == [
        'engine.toml: layout.rotation: expected "clockwise" or "anticlockwise", got "round"',
        "engine.toml: crank.bore: expected a length from 20 to 500 mm, got 10",
        "engine.toml: crank.stroke: missing: expected a length from 20 to 500 mm: twice the throw of the crank, for "
        "example stroke = 132",
        f'engine.toml: valves.exhaust.closes: expected {EVENT}, got "12"',
        "engine.toml: couplings.sleeve.driven_teeth: expected a whole number from 1 to 400, got 1.5",
        'engine.toml: trains.left magneto.form: unknown key "form"; defined: drives, from, stages, turns, '
        "seen_from, hand (did you mean from?)",
        "engine.toml: magnetos.left.poles: expected an even number, got 5",
        "setup.toml: format: missing: expected 1",
        'setup.toml: form: unknown key "form"; defined: format, like, may_turn_back, steps (did you mean format?)',
        'setup.toml: steps[3].cylinder: unknown cylinder "B1"; defined: A1, A2, A3, A4, A5, A6',
    ]


def test_a_coupling_in_two_places_and_one_in_none(make_folder):
    assert message(make_folder({'coupling = "sleeve"': 'coupling = "quill"'})).splitlines() == [
        "engine.toml: couplings.quill: expected one place in the trains, "
        "got trains.camshaft A.stages[2] and trains.left magneto.stages[2]",
        "engine.toml: couplings.sleeve: expected one place in the trains, got none",
    ]


def test_a_missing_clearance_is_told_for_both_kinds_of_valve(make_folder):
    assert message(make_folder({"checking_clearance = 0.5": ""})).splitlines() == [
        *(
            f"engine.toml: valves.{kind}.checking_clearance: missing: expected a length from 0.01 to 3 mm, here or in "
            "valves: valve clearance at which the events are given and the timing is checked, engine cold, for example "
            "checking_clearance = 0.4"
            for kind in ("inlet", "exhaust")
        ),
    ]


def test_ranges_are_told_in_the_unit_of_the_file(make_folder):
    text = message(make_folder({'"mm"': '"in"'}))
    assert text.splitlines()[0] == (
        "engine.toml: crank.bore: expected a length from 0.7874 to 19.69 in, got 100.0: as mm it would do, but lengths "
        "in this file are in inches"
    )


def test_the_problem_carries_file_and_key_path(make_folder):
    folder = make_folder({"driven_teeth = 18": "driven_teeth = 0"})
    with pytest.raises(SceneError) as caught:
        reader.read(folder)
    assert caught.value.problems == (
        Problem("engine.toml: couplings.quill.driven_teeth", "expected a whole number from 1 to 400, got 0"),
    )


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"format = 1\nname = Test\n", "expected TOML: Invalid value (at line 2, column 8)"),
        (b"format = 1\nformat = 1\n", "expected TOML: Cannot overwrite a value (at line 2, column 11)"),
        (b'format = 1\nname = "caf\xe9"\n', "expected UTF-8 text, got the byte 0xe9 in line 2"),
        ("format = 1\n".encode("utf-16"), "expected UTF-8 text, got the byte 0xff in line 1"),
        (b"a = " + b"[" * 5000, "expected a few levels of brackets, got too many inside each other"),
        (b"a = " + b"{a=" * 5000, "expected a few levels of brackets, got too many inside each other"),
        (b"a = " + b"9" * 5000, "expected shorter numbers, got one of thousands of digits"),
        (b"#" * 1_000_001, "expected a file of at most 1000000 bytes, got a larger one"),
    ],
)
def test_a_file_that_is_no_toml(make_folder, data, expected):
    folder = make_folder()
    (folder / "engine.toml").write_bytes(data)
    assert message(folder) == f"engine.toml: {expected}"


def test_a_file_of_100_megabytes_is_not_read(make_folder):
    folder = make_folder()
    with (folder / "engine.toml").open("ab") as file:
        file.truncate(100_000_000)  # sparse: it takes no room on the disk
    assert message(folder) == "engine.toml: expected a file of at most 1000000 bytes, got a larger one"


@pytest.mark.parametrize("byte", [0x00, 0x07, 0x1B, 0x7F])
def test_control_characters_in_the_file_are_no_toml(make_folder, byte):
    # TOML 1.0 (published): control characters other than tab are not permitted in strings
    folder = make_folder()
    text = (folder / "engine.toml").read_bytes().replace(b"Test six", b"Test" + bytes([byte]) + b"six")
    (folder / "engine.toml").write_bytes(text)
    assert message(folder) == (f"engine.toml: expected TOML: Illegal character '\\x{byte:02x}' (at line 2, column 13)")


def test_lone_surrogates_are_no_toml(make_folder):
    # TOML 1.0 (published): escapes must be Unicode scalar values, which surrogates are not
    text = message(make_folder({'"Test six"': r'"\ud800"'}))
    assert text == (
        "engine.toml: expected TOML: Escaped character is not a Unicode scalar value (at line 2, column 15)"
    )


def test_a_thousand_dotted_levels_are_no_key(make_folder):
    folder = make_folder({"format = 1": "format = 1\n" + ".".join("x" * 1000) + " = 1"})
    assert message(folder) == "engine.toml: expected keys of at most 20 parts between dots, got a longer one"


def test_an_empty_folder(write_folder):
    assert message(write_folder("empty", None)) == (
        "engine.toml: missing: expected a file in the engine folder, as `quillwise new` writes it"
    )


def test_a_setup_file_is_needed_where_there_is_no_like(make_folder):
    folder = make_folder()
    (folder / "setup.toml").unlink()
    assert message(folder) == "setup.toml: missing: expected a file in the engine folder, as `quillwise new` writes it"


def test_a_folder_in_place_of_a_file(make_folder):
    folder = make_folder()
    (folder / "engine.toml").unlink()
    (folder / "engine.toml").mkdir()
    assert message(folder) == "engine.toml: expected a file, got something else"


@pytest.mark.skipif(sys.platform == "win32", reason="no named pipes in folders there")
def test_a_pipe_in_place_of_a_file_is_not_waited_for(make_folder):
    folder = make_folder()
    (folder / "setup.toml").unlink()
    os.mkfifo(folder / "setup.toml")
    assert message(folder) == "setup.toml: expected a file, got something else"
