"""The whole text of what a folder says whose values are each allowed, but do not make an engine together."""

import pytest

from quillwise.kinematics.errors import SceneError
from quillwise.scenes import library


def message(folder):
    with pytest.raises(SceneError) as caught:
        library.engine(str(folder))
    return str(caught.value)


@pytest.mark.parametrize(
    ("edits", "expected"),
    [
        (
            {"driving = 18, driven = 36": "driving = 18, driven = 35"},
            "trains.camshaft A: turns at 18/35 of the crankshaft's speed, needed 1/2",
        ),
        (
            {"driving = 42, driven = 28": "driving = 42, driven = 30"},
            "trains.left magneto: turns at 7/5 of the crankshaft's speed, needed 3/2 (6 cylinders, 2 sparks a turn)",
        ),
        (
            {"poles = 2": "poles = 4"},
            "trains.left magneto: turns at 3/2 of the crankshaft's speed, needed 3/4 (6 cylinders, 4 sparks a turn)",
        ),
        (
            {'drives = "left magneto"': 'drives = "right magneto"'},
            'trains.right magneto.drives: unknown magneto "right magneto"; defined: left magneto '
            "(did you mean left magneto?)",
        ),
        (
            {'drives = "camshaft A"': 'drives = "camshaft B"'},
            'trains.camshaft B.drives: unknown camshaft "camshaft B"; defined: camshaft A (did you mean camshaft A?)\n'
            'setup.toml: steps[2].camshaft: unknown camshaft driven by a train "camshaft A"; defined: camshaft B '
            "(did you mean camshaft B?)",
        ),
        (
            {'drives = "left magneto"': 'drives = "left magnet"'},
            'trains: no train drives the shaft "left magneto"',
        ),
        (
            {'drives = "camshaft A"\nfrom = "crankshaft"': 'drives = "camshaft A"\nfrom = "crank shaft"'},
            'trains.camshaft A.from: unknown shaft "crank shaft"; defined: crankshaft, drive of left magneto, '
            "left magneto (did you mean crankshaft?)",
        ),
        (
            {
                'drives = "camshaft A"\nfrom = "crankshaft"': 'drives = "camshaft A"\nfrom = "left magneto"',
                'drives = "left magneto"\nfrom = "crankshaft"': 'drives = "left magneto"\nfrom = "camshaft A"',
            },
            'trains.camshaft A.from: "left magneto" is not driven from the crankshaft: the trains go in a circle\n'
            'engine.toml: trains.left magneto.from: "camshaft A" is not driven from the crankshaft: '
            "the trains go in a circle",
        ),
        (
            {'drives = "left magneto"': 'drives = "left magneto"\nturns = "anticlockwise"\nseen_from = "drive end"'},
            "trains.left magneto.turns: given anticlockwise, but the train turns it clockwise, seen from the drive end",
        ),
        (
            {"{ spur = { driving = 42, driven = 28 } }": "{ internal = { driving = 42, driven = 28 } }"},
            "trains.left magneto.stages[1].internal.driven: expected more than the 42 teeth of the wheel inside it, "
            "got 28",
        ),
        (
            {"ramp_per_crank_deg = 0.02\n\n[valves.exhaust]": "ramp_per_crank_deg = 0.001\n\n[valves.exhaust]"},
            "valves.inlet: the valve is open for 245 degrees, too short for its ramps: from the checking clearance "
            "to the top of a ramp it takes 125 degrees on each side",
        ),
        # it overlaps itself: 400 degrees open, and 0.5 mm of clearance over 0.003 mm a degree either side (by hand)
        (
            {
                'opens = "15 BTDC"\ncloses = "50 ABDC"\nvalve_lift = 10.0\nramp_per_crank_deg = 0.02': (
                    'opens = "60 BTDC"\ncloses = "160 ABDC"\nvalve_lift = 10.0\nramp_per_crank_deg = 0.003'
                )
            },
            "valves.inlet: the ramp is too shallow: with 0.003 mm per crank degree the lobe takes 733.333 crank "
            "degrees from ramp to ramp, more than the 720 of a cycle",
        ),
    ],
)
def test_wrong_mechanism(make_folder, edits, expected):
    assert message(make_folder(edits)) == f"engine.toml: {expected}"


def test_a_camshaft_that_no_train_reaches(make_folder):
    folder = make_folder({'drives = "camshaft A"': 'drives = "cam shaft A"'}, {'"camshaft A"': '"cam shaft A"'})
    assert message(folder) == "engine.toml: trains: no train drives camshaft A; each bank needs one"


def test_a_lobe_that_is_undercut_names_a_base_radius_that_would_do(make_folder):
    edits = {"valve_lift = 10.0": 'valve_lift = 40.0\nfollower = "flat"\nbase_radius = 20'}
    text = message(make_folder(edits))
    told, least = text.split(": the least that would do is ")
    assert told == "engine.toml: valves.inlet: the lobe is undercut with a base radius of 20 mm"
    least_mm = float(least.split(" mm")[0])
    assert 20 < least_mm < 200


PINS = "layout.firing_order: does not agree with the crank pins: "
SHARED = (
    "(cylinders of one number share a pin; clockwise rotation seen from the wheelcase end"
    "; even firing is assumed, crank.pin_angles_deg is for another, "
    'rods = "own-pins" for a pin each)'
)


@pytest.mark.parametrize(
    ("layout", "expected"),
    [
        # B5 and B6 exchanged: each fires where the other's pin, 120 degrees on, is at the top (by hand)
        (
            'firing_order = ["A1", "B5", "A2", "B6", "A4", "B3", "A6", "B1", "A5", "B2", "A3", "B4"]',
            f"{PINS}A5 and B5 by 120°, A6 and B6 by 120° {SHARED}",
        ),
        # a V of 60 degrees made one of 50: each bank leans 5 degrees less, so the pins are 10 apart (by hand)
        (
            'banks = [{ name = "A", angle_deg = 25, side = "left", cylinders = 6 }, '
            '{ name = "B", angle_deg = 25, side = "right", cylinders = 6 }]',
            f"{PINS}{', '.join(f'A{n} and B{n} by 10°' for n in range(1, 7))} {SHARED}",
        ),
        # the other way round, the bank that comes 60 degrees after comes 60 before: 120 apart (by hand)
        (
            'rotation = "anticlockwise"',
            f"{PINS}{', '.join(f'A{n} and B{n} by 120°' for n in range(1, 7))} "
            f"{SHARED.replace('clockwise', 'anticlockwise')}",
        ),
    ],
)
def test_firing_order_and_crank_pins_that_disagree(write_folder, layout, expected):
    folder = write_folder("twelve", f'format = 1\nlike = "larkfell-port"\n[layout]\n{layout}\n')
    assert message(folder) == f"engine.toml: {expected}"


def test_the_pins_are_told_from_the_end_that_the_file_is_written_from(write_folder):
    """The twelve with its banks exchanged by the view alone: the same engine, so the sense is named from that end."""
    layout = 'seen_from = "output end"\nrotation = "clockwise"'
    folder = write_folder("twelve", f'format = 1\nlike = "larkfell-port"\n[layout]\n{layout}\n')
    assert "; clockwise rotation seen from the output end; even firing is assumed" in message(folder)


def test_a_finger_at_another_speed(make_folder):
    text = message(make_folder({"pinion = 20, wheel = 60": "pinion = 20, wheel = 61"}))
    assert text.startswith("engine.toml: magnetos.left.finger: the distributor finger must turn at half crank speed: ")
    assert "20/61" in text and "needed 1/3" in text


def test_a_finger_that_leaves_its_segment(make_folder):
    # 60 crank degrees are 30 of the finger, 15 either side; finger and segment of 1 and 16 degrees reach 8.5 (by hand)
    edits = {
        "e_gap_magneto_rotor_deg = 10": "e_gap_magneto_rotor_deg = 10\nfinger_width_deg = 1\nadvance_range_deg = 60"
    }
    assert message(make_folder(edits)) == (
        "engine.toml: magnetos.left.advance_range_deg: the finger leaves its segment: at either end of 60 crank "
        "degrees it is 15 degrees off the middle, and finger and segment face each other only within 8.5"
    )
