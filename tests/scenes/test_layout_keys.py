"""Keys of banks, rods and crank pins: values as they come out, seen from either end, and whole messages."""

from dataclasses import replace

import pytest

from quillwise.kinematics.errors import SceneError
from quillwise.scenes import reader

SIX = '["A1", "A5", "A3", "A6", "A2", "A4"]\nbanks = [{ name = "A", angle_deg = 10, side = "right", cylinders = 6 }]'
VEE = """["A1", "B1", "A2", "B2", "A3", "B3"]
banks = [
    { name = "A", angle_deg = 45, side = "left", cylinders = 3 },
    { name = "B", angle_deg = 45, side = "right", cylinders = 3, wrist_pin_angle_deg = 88.5 },
]"""
RODS = 'rods = "articulated"\nmaster_bank = "A"\nwrist_pin_radius = 42\nlink_rod_length = 157.5'
HUNG = {SIX: VEE, "gudgeon_offset = 1.0": f"gudgeon_offset = 1.0\npin_angles_deg = [0, 120, 240]\n{RODS}"}


def message(folder) -> str:
    with pytest.raises(SceneError) as caught:
        reader.read(folder)
    return str(caught.value)


def test_articulated_rods_and_pins(make_folder):
    sheet = reader.read(make_folder(HUNG))
    crank = sheet.crank
    assert (crank.rods, crank.master_bank) == ("articulated", "A")
    assert (crank.wrist_pin_radius_mm, crank.link_rod_length_mm) == (42.0, 157.5)
    assert crank.pin_angles_deg == (0, 120, 240)
    assert [bank.wrist_pin_angle_deg for bank in sheet.banks] == [None, 88.5]


def test_left_out_they_are_not_given(make_folder):
    crank = reader.read(make_folder()).crank
    assert (crank.master_bank, crank.wrist_pin_radius_mm, crank.link_rod_length_mm) == ("", 0.0, None)
    assert crank.pin_angles_deg is None


def test_seen_from_the_other_end_rods_and_pins_are_the_same(make_folder):
    mirrored = {
        **HUNG,
        SIX: VEE.replace("left", "?").replace("right", "left").replace("?", "right").replace("88.5", "-88.5"),
        "gudgeon_offset = 1.0": f"gudgeon_offset = -1.0\npin_angles_deg = [0, -120, -240]\n{RODS}",
        'rotation = "clockwise"': 'rotation = "anticlockwise"',
        'seen_from = "wheelcase end"': 'seen_from = "output end"',
        'stands = "left"': 'stands = "right"',
    }
    sheet = reader.read(make_folder(HUNG))
    assert reader.read(make_folder(mirrored, name="mirrored")) == replace(sheet, scene="mirrored")


def test_lengths_of_rods_in_inches(make_folder):
    inches = {
        '"mm"': '"in"',
        SIX: VEE,
        "bore = 100.0": "bore = 4.0",
        "stroke = 120": "stroke = 5",
        "rod_length = 200.0": "rod_length = 8.25",
        "gudgeon_offset = 1.0": 'rods = "articulated"\nwrist_pin_radius = 1.75\nlink_rod_length = 6.5',
        "checking_clearance = 0.5": "checking_clearance = 0.020",
        "valve_lift = 10.0\nramp_per_crank_deg = 0.02": "valve_lift = 0.375\nramp_per_crank_deg = 0.001",
        "valve_lift = 9.5\nramp_per_crank_deg = 0.02": "valve_lift = 0.35\nramp_per_crank_deg = 0.001",
        "running_clearance = 0.4": "running_clearance = 0.016",
    }
    crank = reader.read(make_folder(inches)).crank
    # exactly 25.4: international yard and pound agreement of 1959 (published)
    assert (crank.wrist_pin_radius_mm, crank.link_rod_length_mm) == pytest.approx((1.75 * 25.4, 6.5 * 25.4))


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (
            {'master_bank = "A"': 'master_bank = "C"'},
            'crank.master_bank: unknown bank "C"; defined: A, B',
        ),
        (
            {"wrist_pin_radius = 42\n": ""},
            "crank.wrist_pin_radius: missing: expected a length from 5 to 500 mm: articulated: from the crank pin's "
            "middle to the wrist pin's, for example wrist_pin_radius = 52; articulated rods need it",
        ),
        (
            {"wrist_pin_radius = 42\n": "wrist_pin_radius = 100\n"},
            "crank.wrist_pin_radius: expected less than half the rod length of 200.0, got 100",
        ),
        (
            {"wrist_pin_radius = 42\n": "wrist_pin_radius = 4\n"},
            "crank.wrist_pin_radius: expected a length from 5 to 500 mm, got 4",
        ),
        (
            {'rods = "articulated"\n': 'rods = "articulate"\n'},
            'crank.rods: expected "fork-and-blade", "side-by-side", "articulated" or "own-pins", got "articulate" '
            "(did you mean articulated?)",
        ),
        (
            {"[0, 120, 240]": '[0, 120, "240"]'},
            'crank.pin_angles_deg[3]: expected a number from -360 to 360, got "240"',
        ),
        (
            {"88.5": "200"},
            "layout.banks.B.wrist_pin_angle_deg: expected a number from -180 to 180, got 200",
        ),
    ],
)
def test_one_wrong_key(make_folder, change, expected):
    edits = {}
    for old, new in HUNG.items():
        for text, other in change.items():
            new = new.replace(text, other)
        edits[old] = new
    assert message(make_folder(edits)) == f"engine.toml: {expected}"


def test_keys_of_articulated_rods_beside_others(make_folder):
    edits = {**HUNG, "gudgeon_offset = 1.0": HUNG["gudgeon_offset = 1.0"].replace("articulated", "side-by-side")}
    assert message(make_folder(edits)).splitlines() == [
        'engine.toml: crank.master_bank: expected only beside rods = "articulated", got "A"',
        'engine.toml: crank.wrist_pin_radius: expected only beside rods = "articulated", got 42',
        'engine.toml: crank.link_rod_length: expected only beside rods = "articulated", got 157.5',
        'engine.toml: layout.banks.B.wrist_pin_angle_deg: expected only beside crank.rods = "articulated", got 88.5',
    ]


def test_articulated_rods_in_a_single_bank(make_folder):
    alone = {"gudgeon_offset = 1.0": 'rods = "articulated"\nwrist_pin_radius = 42'}
    assert message(make_folder(alone)) == (
        'engine.toml: crank.rods: expected two banks or more beside "articulated", got one'
    )
