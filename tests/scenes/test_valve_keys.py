"""Valves in engine folders: several a cylinder, two camshafts a bank, followers, measured lift; the whole messages.

The measured table is sampled from a law of ``cams``, so what it must come back to is known (computed).
"""

from pathlib import Path

import numpy as np
import pytest

from quillwise.kinematics import cams
from quillwise.kinematics.assembly import intended
from quillwise.kinematics.build import build
from quillwise.kinematics.cams import lift_curve
from quillwise.kinematics.datasheet import ValveData
from quillwise.kinematics.errors import SceneError
from quillwise.kinematics.model import Engine
from quillwise.kinematics.sequence import play
from quillwise.kinematics.timing import timing_table
from quillwise.scenes import reader

INLET_EVENTS = 'opens = "15 BTDC"\ncloses = "50 ABDC"\nvalve_lift = 10.0\nramp_per_crank_deg = 0.02'
EVENT = 'degrees and BTDC, ATDC, BBDC or ABDC, for example "22 BTDC"'
TABLE = "an array of 12 to 720 rows, each of degrees from -720 to 1440 and a lift from -1 to 40 mm"
DOHC_TRAINS = {
    'drives = "camshaft A"\n': 'drives = "camshaft A inlet"\n',
    '[[trains]]\ndrives = "left magneto"': '[[trains]]\ndrives = "camshaft A exhaust"\nfrom = "camshaft A inlet"\n'
    'stages = [{ spur = { driving = 30, driven = 30 } }]\n\n[[trains]]\ndrives = "left magneto"',
    "checking_clearance = 0.5\n": 'checking_clearance = 0.5\ncamshafts_per_bank = 2\nfollower = "rocker"\n',
}
DOHC_STEP = {
    'camshaft = "camshaft A", cylinder = "A1", by = "exhaust closes"': 'camshaft = "camshaft A inlet", cylinder = "A1"'
}


def rows(offset_deg: float = 0.0, unit_mm: float = 1.0, step_deg: float = 3.0) -> str:
    """A table of the six's inlet lift under a law, as it is typed."""
    data = ValveData(
        kind="inlet",
        opens_deg=345,
        closes_deg=590,
        lift_mm=10.0,
        ramp_mm_per_crank_deg=0.02,
        checking_clearance_mm=0.5,
        running_clearance_mm=0.5,
        law="3-4-5",
    )
    angle = np.arange(303.0, 633.0, step_deg)
    lift = cams.lift_mm(lift_curve(data), angle) / unit_mm
    return ", ".join(f"[{a + offset_deg:g}, {v:.5f}]" for a, v in zip(angle, lift, strict=True))


def message(folder: Path) -> str:
    with pytest.raises(SceneError) as caught:
        build(reader.read(folder))
    return str(caught.value)


def engine_of(folder: Path) -> Engine:
    return build(reader.read(folder))


# --- counts and camshafts


def test_two_camshafts_and_several_valves(make_folder):
    edits = {
        **DOHC_TRAINS,
        "[valves.inlet]\n": "[valves.inlet]\ncount = 2\n",
        "[valves.exhaust]\n": "[valves.exhaust]\ncount = 2\n",
    }
    step = {k: v + ", valve = 2" for k, v in DOHC_STEP.items()}
    engine = engine_of(make_folder(edits, step))
    assert engine.camshafts == ("camshaft A inlet", "camshaft A exhaust")
    assert [name for name in engine.valves if name.startswith("A3")] == [
        "A3 inlet 1",
        "A3 inlet 2",
        "A3 exhaust 1",
        "A3 exhaust 2",
    ]
    played = play(engine)
    nip = next(step for step in played.steps if step.key == "a-inlet-nip")
    assert nip.valve == "A1 inlet 2" and nip.job == "camshaft A inlet"
    assert played.failed == ()


def test_valve_is_named_by_its_kind_alone_where_there_is_one(make_folder):
    engine = engine_of(make_folder({"[valves.inlet]\n": "[valves.inlet]\ncount = 2\n"}))
    assert [name for name in engine.valves if name.startswith("A1")] == ["A1 inlet 1", "A1 inlet 2", "A1 exhaust"]
    assert engine.camshafts == ("camshaft A",)


@pytest.mark.parametrize(
    ("edits", "setup", "expected"),
    [
        (
            {"[valves.inlet]\n": "[valves.inlet]\ncount = 4\n"},
            {},
            "engine.toml: valves.inlet.count: expected a whole number from 1 to 3, got 4",
        ),
        (
            {"[valves.exhaust]\n": "[valves.exhaust]\ncount = 3\n"},
            {},
            "engine.toml: valves.exhaust.count: expected a whole number from 1 to 2, got 3",
        ),
        (
            {"checking_clearance = 0.5\n": "checking_clearance = 0.5\ncamshafts_per_bank = 3\n"},
            {},
            "engine.toml: valves.camshafts_per_bank: expected a whole number from 1 to 2, got 3",
        ),
        (
            {},
            {'by = "exhaust closes"': 'by = "exhaust closes", valve = 2'},
            "setup.toml: steps[2].valve: expected the number of one of the exhaust valves of a cylinder, which has "
            "one, got 2",
        ),
        (
            {"[valves.exhaust]\n": "[valves.exhaust]\ncount = 2\n"},
            {'by = "exhaust closes"': 'by = "exhaust closes", valve = 3'},
            "setup.toml: steps[2].valve: expected the number of one of the exhaust valves of a cylinder, which has 2, "
            "got 3",
        ),
        (
            {},
            {'magneto = "left", cylinder = "A1"': 'magneto = "left", cylinder = "A1", valve = 1'},
            "setup.toml: steps[3].valve: expected only magneto, cylinder, crank_by, below_tdc, prove_stroke beside "
            'do = "set-magneto", got 1',
        ),
        (
            DOHC_TRAINS,
            {},
            'setup.toml: steps[2].camshaft: unknown camshaft driven by a train "camshaft A"; defined: '
            "camshaft A inlet, camshaft A exhaust (did you mean camshaft A inlet?)",
        ),
        (
            DOHC_TRAINS,
            {"camshaft A": "camshaft A inlet"},
            "setup.toml: steps[2].by: expected an event of the valves that camshaft A inlet works, got "
            '"exhaust closes"',
        ),
        (
            {k: v for k, v in DOHC_TRAINS.items() if "[[trains]]" not in k},
            DOHC_STEP,
            "trains: no train drives camshaft A exhaust; each bank needs an inlet and an exhaust camshaft",
        ),
        (
            {old: new.replace("driven = 30", "driven = 31") for old, new in DOHC_TRAINS.items()},
            DOHC_STEP,
            "trains.camshaft A exhaust: turns at 15/31 of the crankshaft's speed, needed 1/2",
        ),
        (
            {
                "[valves.inlet]\n": '[valves.inlet]\ncount = 2\nfollower = "flat"\n',
                "[valves.exhaust]\n": '[valves.exhaust]\ncount = 2\nfollower = "flat"\n',
            },
            {},
            "valves: the followers of 4 valves a cylinder take 136.0 mm of their camshaft, more than the 128.0 mm from "
            "cylinder to cylinder; rockers, or two camshafts a bank would do",
        ),
    ],
)
def test_wrong_counts_and_camshafts(make_folder, edits, setup, expected):
    assert message(make_folder(edits, setup)) == expected


# --- followers


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        (
            'follower = "bucket"',
            'engine.toml: valves.inlet.follower: expected "flat", "rocker" or "pad-rocker", got "bucket"',
        ),
        (
            "pad_radius = 60",
            'engine.toml: valves.inlet.pad_radius: expected only with follower = "pad-rocker", got it with "rocker"',
        ),
        (
            'follower = "pad-rocker"\npad_radius = 4',
            "engine.toml: valves.inlet.pad_radius: expected a length from 5 to 2000 mm, got 4",
        ),
        (
            'follower = "flat"\nrocker_ratio = 1.5',
            "valves.inlet: a flat follower stands straight on its valve: its rocker ratio is 1, got 1.5",
        ),
    ],
)
def test_wrong_followers(make_folder, lines, expected):
    assert message(make_folder({"[valves.inlet]\n": f"[valves.inlet]\n{lines}\n"})) == expected


@pytest.mark.parametrize("follower", ["flat", "rocker", "pad-rocker"])
def test_undercut_names_the_lobe_and_a_base_radius_that_would_do(make_folder, follower):
    """The least radius that is named does it; a hundredth less does not."""
    head = f'[valves.exhaust]\nfollower = "{follower}"\n'
    if follower == "rocker":
        head += 'law = "4-5-6-7"\n'  # a small roller is undercut by a sharp nose only
    told = message(make_folder({"[valves.exhaust]\n": f"{head}base_radius = 6\n"}))
    start = "valves.exhaust: the lobe is undercut with a base radius of 6 mm: the least that would do is "
    assert told.startswith(start)
    least, good = told.removeprefix(start).split(" mm, and ")
    assert good == f"{good.split()[0]} mm keeps the radius of its nose at 3 mm"
    assert float(good.split()[0]) > float(least)
    name = f"{follower} that does"
    assert engine_of(make_folder({"[valves.exhaust]\n": f"{head}base_radius = {least}\n"}, name=name))
    less = float(least) - 0.02
    told = message(make_folder({"[valves.exhaust]\n": f"{head}base_radius = {less:.2f}\n"}, name=f"{follower} less"))
    assert told == (
        f"valves.exhaust: the lobe is undercut with a base radius of {less:g} mm: the least that would do is "
        f"{least} mm, and {good}"
    )


# --- measured lift


def test_measured_lift_gives_its_events(make_folder):
    engine = engine_of(make_folder({INLET_EVENTS: f'law = "measured"\nlift_table = [{rows()}]'}))
    inlet = engine.sheet.inlet
    assert (inlet.opens_deg, inlet.closes_deg) == pytest.approx((345, 590), abs=0.05)
    assert inlet.lift_mm == pytest.approx(10.0, abs=0.002)
    assert inlet.ramp_mm_per_crank_deg == pytest.approx(0.02, abs=0.002)
    table = {event.name: event for event in timing_table(engine, intended(engine))}
    assert table["A1 inlet opens"].own_deg == inlet.opens_deg
    assert play(engine).failed == ()


def test_a_table_may_be_typed_a_cycle_off_and_in_inches(make_folder):
    edits = {INLET_EVENTS: f'law = "measured"\nlift_table = [{rows(offset_deg=-720)}]'}
    off = engine_of(make_folder(edits, name="off")).sheet.inlet
    assert (off.opens_deg, off.closes_deg) == pytest.approx((345, 590), abs=0.05)
    inches = {
        'length_unit = "mm"': 'length_unit = "in"',
        "bore = 100.0\nstroke = 120\nrod_length = 200.0\ngudgeon_offset = 1.0": "bore = 4\nstroke = 5\nrod_length = 8",
        "checking_clearance = 0.5\n": "checking_clearance = 0.019685\n",
        INLET_EVENTS: f'law = "measured"\nlift_table = [{rows(unit_mm=25.4)}]',
        "valve_lift = 9.5\nramp_per_crank_deg = 0.02\nrunning_clearance = 0.4": "valve_lift = 0.37\n"
        "ramp_per_crank_deg = 0.0008",
    }
    inlet = engine_of(make_folder(inches, name="inches")).sheet.inlet
    assert inlet.lift_mm == pytest.approx(10.0, abs=0.003)
    assert (inlet.opens_deg, inlet.closes_deg) == pytest.approx((345, 590), abs=0.1)


def test_events_beside_a_table_are_checked_within_the_limit(make_folder):
    near = 'opens = "16.5 BTDC"\ncloses = "48.5 ABDC"\nlaw = "measured"'
    inlet = engine_of(make_folder({INLET_EVENTS: f"{near}\nlift_table = [{rows()}]"})).sheet.inlet
    assert inlet.opens_deg == pytest.approx(345, abs=0.05), "the curve's, not the one that was typed"


MINE = 'format = 1\nlike = "../six"\n[valves.inlet]\n'


def test_the_other_engine_s_events_are_not_held_against_a_table_of_its_own(make_folder, write_folder):
    make_folder()
    for name, own in (("none", ""), ("one", 'opens = "31 BTDC"\n')):
        table = f'law = "measured"\nlift_table = [{rows(offset_deg=-16)}]\n'
        inlet = reader.read(write_folder(name, MINE + table + own)).inlet
        assert (inlet.opens_deg, inlet.closes_deg) == pytest.approx((329, 574), abs=0.05)


@pytest.mark.parametrize(
    ("own", "told"),
    [
        (
            'opens = "19 BTDC"\n',
            "engine.toml: valves.inlet.opens: expected within 2 degrees of 15.0 BTDC, where the lift table passes "
            '0.5 mm, got "19 BTDC", 4.0 degrees earlier',
        ),
        (
            "valve_lift = 12\n",
            'engine.toml: valves.inlet.valve_lift: expected none beside law = "measured", whose table gives it, '
            "got 12: take one of the two out",
        ),
    ],
)
def test_an_event_or_lift_typed_over_another_engine_s_table_is_not_ignored(make_folder, write_folder, own, told):
    make_folder({INLET_EVENTS: f'law = "measured"\nlift_table = [{rows()}]'})
    assert reader.read(write_folder("same", MINE + 'opens = "15 BTDC"\n')).inlet.opens_deg == pytest.approx(
        345, abs=0.05
    )
    with pytest.raises(SceneError) as caught:
        reader.read(write_folder("mine", MINE + own))
    assert str(caught.value) == told


FAR = 'opens = "19 BTDC"\ncloses = "45 ABDC"\nlaw = "measured"'
RISING = "[" + ", ".join(f"[{300 + 10 * k}, {0.1 * k * (24 - k):.2f}]" for k in range(25)) + "]"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            f"{FAR}\nlift_table = [{rows()}]",
            "engine.toml: valves.inlet.opens: expected within 2 degrees of 15.0 BTDC, where the lift table passes "
            '0.5 mm, got "19 BTDC", 4.0 degrees earlier\n'
            "engine.toml: valves.inlet.closes: expected within 2 degrees of 50.0 ABDC, where the lift table passes "
            '0.5 mm, got "45 ABDC", 5.0 degrees earlier',
        ),
        (
            'law = "measured"',
            f"engine.toml: valves.inlet.lift_table: missing: expected {TABLE}: measured lift at the valve without "
            "clearance, over crank degrees after the cylinder's firing TDC, for example lift_table = [[326, 0.0], "
            "[330, 0.09], [334, 0.21]]",
        ),
        (
            f"{INLET_EVENTS}\nlift_table = {RISING}",
            'engine.toml: valves.inlet.lift_table: expected only with law = "measured", got it with "harmonic"',
        ),
        (
            'closes = "50 ABDC"\nramp_per_crank_deg = 0.02',
            f"engine.toml: valves.inlet.opens: missing: expected {EVENT}: where the inlet valve starts to lift at the "
            'checking clearance, for example opens = "22 BTDC"\n'
            "engine.toml: valves.inlet.valve_lift: missing: expected a length from 1 to 40 mm: full lift at the valve, "
            "without clearance, for example valve_lift = 11",
        ),
        (
            f'law = "measured"\nlift_table = {RISING}\nvalve_lift = 14.4\nramp_per_crank_deg = 0.02',
            'engine.toml: valves.inlet.valve_lift: expected none beside law = "measured", whose table gives it, '
            "got 14.4: take one of the two out\n"
            'engine.toml: valves.inlet.ramp_per_crank_deg: expected none beside law = "measured", whose table gives '
            "it, got 0.02: take one of the two out",
        ),
        (
            'law = "measured"\nlift_table = [[300, 0], [310, 1]]',
            f"engine.toml: valves.inlet.lift_table: expected {TABLE}, got an array of 2",
        ),
        (
            'law = "measured"\nlift_table = ' + RISING.replace("[310, 2.30]", "[310]"),
            "engine.toml: valves.inlet.lift_table[2]: expected a row of degrees and lift, got an array of 1",
        ),
        (
            'law = "measured"\nlift_table = ' + RISING.replace("[310, 2.30]", '["310", 2.30]'),
            'engine.toml: valves.inlet.lift_table[2]: expected a number from -720 to 1440, got "310"',
        ),
        (
            'law = "measured"\nlift_table = ' + RISING.replace("[310, 2.30]", "[310, 41]"),
            "engine.toml: valves.inlet.lift_table[2]: expected a length from -1 to 40 mm, got 41",
        ),
        (
            'law = "measured"\nlift_table = ' + RISING.replace("[310,", "[299,"),
            "engine.toml: valves.inlet.lift_table: expected angles that grow, got 299 in row 2 after 300",
        ),
        (
            'law = "measured"\nlift_table = ' + RISING.replace("[420, 14.40]", "[420, 2.00]"),
            "engine.toml: valves.inlet.lift_table: expected one peak, got a lift that falls by 12.300 mm at 420 "
            "and rises again; row 13 at 420 gives 2.00 mm, its neighbours lead to 14.40 mm: read again",
        ),
        (
            'law = "measured"\nlift_table = ' + RISING.replace("[540, 0.00]", "[540, 1.00]"),
            "engine.toml: valves.inlet.lift_table: expected at most 0.288 mm of lift in the last row, got 1 mm",
        ),
        (
            f'law = "measured"\nlift_table = [{rows(offset_deg=-460)}]',
            "engine.toml: valves.inlet.lift_table: expected the greatest lift on the inlet stroke, from 360 to 540 "
            "degrees after firing TDC, got it at 7.3",
        ),
    ],
)
def test_wrong_lift(make_folder, text, expected):
    assert message(make_folder({INLET_EVENTS: text})) == expected


def test_a_lift_that_never_passes_the_clearance(make_folder):
    low = ", ".join(f"[{360 + 10 * k}, {0.003 * k * (20 - k):.3f}]" for k in range(21))
    folder = make_folder({INLET_EVENTS: f'law = "measured"\nlift_table = [{low}]'})
    assert message(folder) == (
        "engine.toml: valves.inlet.lift_table: expected more than the checking clearance of 0.5 mm, got 0.30 mm at most"
    )
