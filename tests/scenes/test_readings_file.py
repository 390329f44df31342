"""Readings files: what the reader says of wrong ones, whole; and that it reads what the program writes."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from quillwise.kinematics.angles import wrapped
from quillwise.kinematics.errors import SceneError
from quillwise.kinematics.motion import piston_drop_mm
from quillwise.kinematics.readings import BreakReading, GapReading, PointerReading, Sight, ValveReading
from quillwise.kinematics.sequence import play
from quillwise.kinematics.timing import timing_table
from quillwise.scenes import library, readings
from quillwise.scenes.blank_readings import blank_text
from quillwise.viz.readings import readings_text

HEAD = 'format = 1\nengine = "larkfell-port"\n'
VALVE = '[[valve_events]]\nvalve = "A1 inlet"\nevent = "opens"\nclearance_mm = 0.4\n'
BREAK = '[[points_breaks]]\nmagneto = "exhaust-side"\ncrank_deg = 679\nfinger_on = "A1"\n'


def read(tmp_path: Path, text: str, engine: str = "larkfell-port"):
    path = tmp_path / "as-found.toml"
    path.write_text(text, encoding="utf-8")
    keys, label = readings.read(path)
    return readings.readings(library.engine(engine), keys, label)


def test_what_the_program_writes_is_read_back(tmp_path):
    for name in ("larkfell-starboard", "slipway-six"):
        engine = library.engine(name)
        assembly = play(engine).as_set
        stated = read(tmp_path, readings_text(engine, assembly), name)
        assert stated.engine == name
        assert stated.disc_proved
        table = {event.name: event.as_set_deg for event in timing_table(engine, assembly)}
        valves = [each for each in stated.entries if isinstance(each, ValveReading)]
        breaks = [each for each in stated.entries if isinstance(each, BreakReading)]
        assert len(valves) + len(breaks) == len(table)
        for each in (*valves, *breaks):
            assert each.crank_deg == pytest.approx(table[each.name])
            assert each.u_deg in (0.4, 0.2)  # half of the expanded 0.8 and 0.4


def test_a_gap_beside_every_break_was_felt_once(tmp_path):
    breaks = "".join(BREAK.replace("679", str(679 + 120 * n)).replace("A1", on) for n, on in enumerate(("A1", "A2")))
    gaps = breaks.replace("crank_deg", "points_gap_mm = 0.3\ncrank_deg")
    own = '[[points_gaps]]\nmagneto = "exhaust-side"\ngap_mm = 0.3\n'
    stated = read(tmp_path, HEAD + gaps + own)
    felt = [each for each in stated.entries if isinstance(each, GapReading)]
    assert [each.gap_mm for each in felt] == [0.3, 0.3], "once beside the breaks, once by itself"
    assert stated.count == 3, "as many as the file has tables"
    other = read(tmp_path, HEAD + gaps.replace("points_gap_mm = 0.3", "points_gap_mm = 0.32", 1))
    assert [each.gap_mm for each in other.entries if isinstance(each, GapReading)] == [0.32, 0.3]


def test_as_written_stop_and_sight(tmp_path):
    stated = read(
        tmp_path,
        HEAD
        + VALVE
        + 'reading = "22 BTDC"\nturns_counted = false\n'
        + '[[stops]]\ncylinder = "A1"\nbefore_deg = 323.25\nafter_deg = 35.25\n'
        + '[[sights]]\nkind = "finger between"\nsubject = "exhaust-side"\ncylinders = ["A1", "B6"]\ncrank_deg = 20\n',
    )
    valve, stop, sight = stated.entries
    assert isinstance(valve, ValveReading)
    assert (valve.crank_deg, valve.period_deg) == (338.0, 360.0)
    assert isinstance(stop, PointerReading)
    assert stop.error_deg == pytest.approx(-0.75), "midway reads 0.75 too little"
    assert isinstance(sight, Sight)
    assert sight.name == "exhaust-side finger between A1 and B6"
    assert sight.period_deg == 720.0
    assert not stated.disc_proved


@pytest.mark.parametrize(
    ("text", "messages"),
    [
        (HEAD, ["as-found.toml: it holds no reading"]),
        (HEAD + VALVE, ["as-found.toml: valve_events[1]: give crank_deg or reading: where the crank stood"]),
        (
            HEAD + VALVE.replace("A1 inlet", "A1 inlt") + "crank_deg = 1\n",
            ['as-found.toml: valve_events[1]: unknown valve "A1 inlt"; defined: '],
        ),
        (
            HEAD + VALVE + 'reading = "22 BTCD"\n',
            [
                "as-found.toml: valve_events[1]: reading: expected degrees and BTDC, ATDC, BBDC or ABDC, for example "
                '"22 BTDC", got "22 BTCD"'
            ],
        ),
        (
            HEAD + VALVE + "crank_deg = 338\n" + VALVE + "crank_deg = 350\n",
            [
                "as-found.toml: A1 inlet opens is read twice, at 338° and at 350°: more than their uncertainties "
                "allow. Take it again, and leave out the wrong one"
            ],
        ),
        (
            HEAD + '[[points_breaks]]\nmagneto = "exhaust-side"\nreading = "41 BTDC"\n',
            [
                "as-found.toml: points_breaks[1]: give crank_deg, or finger_on with reading or piston_mm: from "
                "whose TDC the break was read"
            ],
        ),
        (
            HEAD + BREAK + 'advance_lever = "full retard"\n',
            [
                'as-found.toml: points_breaks[1]: advance_lever: expected "full advance", at which the break of '
                'exhaust-side is timed, got "full retard": move the lever there and read the break again'
            ],
        ),
        (
            HEAD + '[[sights]]\nkind = "rocking"\nsubject = "A6"\n',
            ["as-found.toml: sights[1]: give crank_deg: where the crank stood when A6 was seen"],
        ),
        (
            HEAD + '[[sights]]\nkind = "finger on"\nsubject = "exhaust-side"\ncrank_deg = 1\n',
            ["as-found.toml: sights[1]: cylinders: expected 1 for finger on, got 0"],
        ),
        (
            HEAD + '[[stops]]\ncylinder = "A1"\nbefore_deg = 10\nafter_deg = 10.5\n',
            ["as-found.toml: stops[1]: the readings 10° and 10.5° stand 0.5° apart in the running"],
        ),
    ],
)
def test_wrong_files(tmp_path, text, messages):
    with pytest.raises(SceneError) as caught:
        read(tmp_path, text)
    told = [str(problem) for problem in caught.value.problems]
    assert len(told) == len(messages)
    for one, message in zip(told, messages, strict=True):
        assert one.startswith(message), one


@pytest.mark.parametrize(
    ("row", "words"),
    [
        (VALVE.replace("0.4", '"0.4"') + "crank_deg = 1", 'clearance_mm: expected a number from 0.01 to 10, got "0.4"'),
        (VALVE.replace("opens", "opened") + "crank_deg = 1", 'event: expected "opens" or "closes", got "opened"'),
        (
            BREAK + 'advance_lever = "half way"',
            'advance_lever: expected "full advance" or "full retard", got "half way"',
        ),
        (VALVE + "crank_dge = 1", "crank_dge: unknown key"),
        (VALVE + "crank_deg = nan", "crank_deg: expected"),
        (VALVE + "crank_deg = 1\nuncertainty_deg = 0", "uncertainty_deg: expected a number from 0.01 to 30, got 0"),
    ],
)
def test_wrong_keys(tmp_path, row, words):
    with pytest.raises(SceneError) as caught:
        read(tmp_path, f"{HEAD}{row}\n")
    assert words in " | ".join(str(problem) for problem in caught.value.problems)


@pytest.mark.parametrize("name", library.names())
def test_the_blank_form_is_a_readings_file_when_its_remarks_go(name, tmp_path):
    text = blank_text(library.engine(name))
    with pytest.raises(SceneError, match="it holds no reading"):
        read(tmp_path, text, name)
    lines = [line.removeprefix("# ") for line in text.splitlines() if line.startswith("# [[valve_events]]")]
    assert lines
    first = text.split("# [[valve_events]]")[1].split("\n\n")[0]
    keys = [line.removeprefix("# ").split("#")[0] for line in first.splitlines()]
    filled = "[[valve_events]]\n" + "\n".join(
        line.replace("crank_deg =", "crank_deg = 12.5") if line.startswith("crank_deg") else line for line in keys
    )
    assert len(read(tmp_path, f"format = 1\n{filled}\n", name).entries) == 1


def test_readings_without_an_angle(tmp_path):
    """Feeler and finger alone: figures as typed, uncertainties for one standard deviation."""
    text = (
        HEAD
        + '[[fingers]]\nmagneto = "inlet-side"\noff_deg = -2.5\n'
        + '[[clearances]]\nvalve = "A1 inlet"\nclearance_mm = 0.45\nuncertainty_mm = 0.06\n'
        + '[[points_gaps]]\nmagneto = "exhaust-side"\ngap_mm = 0.27\n'
        + '[[sights]]\nkind = "rocking"\nsubject = "A6"\ncrank_deg = -10\nturns_counted = false\n'
        + '[[left_out]]\nreading = "true TDC of A1"\n'
    )
    finger, clearance, gap, sight = read(tmp_path, text).entries
    assert (finger.magneto, finger.off_deg, finger.u_deg) == ("inlet-side", -2.5, 1.0)
    assert (clearance.valve, clearance.clearance_mm, clearance.u_mm) == ("A1 inlet", 0.45, 0.03)
    assert (gap.magneto, gap.gap_mm, gap.u_mm) == ("exhaust-side", 0.27, 0.02)
    assert (sight.crank_deg, sight.period_deg) == (710.0, 360.0), "in the cycle, as every other angle"


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ('[[fingers]]\nmagneto = "inlet"\noff_deg = 1', 'fingers[1]: unknown magneto "inlet"'),
        ('[[clearances]]\nvalve = "A9 inlet"\nclearance_mm = 0.4', 'clearances[1]: unknown valve "A9 inlet"'),
        ('[[points_gaps]]\nmagneto = "inlet-side"\ngap_mm = -1', "gap_mm: expected a number from 0 to 5, got -1"),
    ],
)
def test_wrong_readings_without_an_angle(tmp_path, row, words):
    with pytest.raises(SceneError) as caught:
        read(tmp_path, f"{HEAD}{row}\n")
    assert words in " | ".join(str(problem) for problem in caught.value.problems)


def at(valve: str, event: str, place: str) -> str:
    return f'[[valve_events]]\nvalve = "{valve}"\nevent = "{event}"\nclearance_mm = 0.4\n{place}\n'


@pytest.mark.parametrize("name", library.names())
def test_a_place_by_the_piston_is_that_of_its_crank(name, tmp_path):
    """The distance that the slider-crank gives for the data's angle is read back as that angle, without the disc; the
    uncertainty is that of the gauge by how fast the piston moves there."""
    engine = library.engine(name)
    read_some = 0
    for valve in list(engine.valves.values())[:4]:
        for event, own in (("opens", valve.data.opens_deg), ("closes", valve.data.closes_deg)):
            drop, later = (
                float(piston_drop_mm(engine, engine.cylinders[valve.cylinder], own + by)) for by in (0, 1e-4)
            )
            speed = abs(later - drop) / 1e-4
            top = 360.0 * round(own / 360.0)
            if speed < 0.1:
                continue
            side = "before" if own < top else "after"
            place = f'piston_mm = {drop!r}\npiston_side = "{side} TDC"\npiston_uncertainty_mm = 0.1'
            (entry,) = read(tmp_path, "format = 1\n" + at(valve.name, event, place), name).entries
            wanted = engine.cylinders[valve.cylinder].firing_deg + own
            assert float(wrapped(entry.crank_deg - wanted, 720.0)) == pytest.approx(0.0, abs=1e-5)
            assert entry.by_piston
            assert entry.u_deg == pytest.approx(0.05 / speed, rel=0.02)
            read_some += 1
    assert read_some >= 4


def test_the_tool_is_the_uncertainty(tmp_path):
    """Halves of the expanded uncertainties of the judgement, whatever the file's own coverage factor."""
    for tool, wanted in (("degree disc", 0.25), ("degree ring", 0.4), ("flywheel marks", 0.75)):
        text = HEAD + "coverage_factor = 3\n" + at("A1 inlet", "opens", f'crank_deg = 338\ntool = "{tool}"')
        assert read(tmp_path, text).entries[0].u_deg == pytest.approx(wanted)
    both = at("A1 inlet", "opens", 'crank_deg = 338\ntool = "degree disc"\nuncertainty_deg = 0.9')
    assert read(tmp_path, HEAD + both).entries[0].u_deg == pytest.approx(0.45), "a stated uncertainty goes before it"


def test_two_ways_of_writing_one_angle_may_agree(tmp_path):
    """The dead centre does not tell the turn: an inlet that opens one turn out is 22 before the other TDC."""
    for crank_deg in (338, 338.4, 338 - 360, 698):
        place = f'crank_deg = {crank_deg}\nreading = "22 BTDC"'
        (entry,) = read(tmp_path, HEAD + at("A1 inlet", "opens", place)).entries
        assert entry.crank_deg == pytest.approx(crank_deg % 720)


@pytest.mark.parametrize(
    ("head", "row", "period_deg"),
    [("", "", 720.0), ("", "turns_counted = false", 360.0), ("turn_proved = false\n", "", 360.0)],
)
def test_a_piston_tells_the_turn_only_where_it_was_counted_and_proved(tmp_path, head, row, period_deg):
    place = f'piston_mm = 4.85\npiston_side = "before TDC"\n{row}'
    (entry,) = read(tmp_path, HEAD + head + at("A1 inlet", "opens", place)).entries
    assert entry.period_deg == period_deg


@pytest.mark.parametrize(
    ("place", "message"),
    [
        (
            'crank_deg = 350\nreading = "22 BTDC"',
            "crank_deg 350 and reading “22 BTDC” of A1, 338°, are 12.0° apart: leave out the one that is wrong",
        ),
        (
            'crank_deg = 158\nreading = "22 BTDC"',
            "crank_deg 158 and reading “22 BTDC” of A1, 338°, are 180.0° apart: leave out the one that is wrong",
        ),
        ("piston_mm = 4.85", 'piston_mm: give piston_side too, "before TDC" or "after TDC"'),
        ('crank_deg = 338\npiston_side = "before TDC"', "piston_side: it stands beside piston_mm, which is missing"),
        (
            'piston_mm = 500\npiston_side = "before TDC"',
            "piston_mm: the piston of A1 never stands 500 mm below its TDC",
        ),
        ('piston_mm = 0.0\npiston_side = "before TDC"', "piston_mm: 0 mm below TDC the piston of A1 moves"),
        (
            'crank_deg = 338\npiston_mm = 5\npiston_side = "before TDC"',
            "give either piston_mm or the ring's degrees (crank_deg, reading): two readings are two rows",
        ),
    ],
)
def test_wrong_places_of_the_crank(tmp_path, place, message):
    with pytest.raises(SceneError) as caught:
        read(tmp_path, HEAD + at("A1 inlet", "opens", place))
    assert str(caught.value).startswith(f"as-found.toml: valve_events[1]: {message}")


def test_the_blank_form_has_a_row_of_every_table(tmp_path):
    """Filled in with one figure for every key that is left open, it is read whole."""
    text = blank_text(library.engine("larkfell-port"))
    rows = [part for part in text.split("\n\n") if part.startswith("# [[")]
    seen = set()
    for part in rows:
        lines = [
            line.removeprefix("# ").split("  #")[0].rstrip() for line in part.splitlines() if not line.startswith("#  ")
        ]
        table = lines[0].strip("[]")
        if table in seen:
            continue
        seen.add(table)
        figures = {
            "finger_on =": 'finger_on = "A1"',
            "before_deg =": "before_deg = 324.0",
            "after_deg =": "after_deg = 36.0",
        }
        filled = [figures.get(line, f"{line} 0.4" if line.endswith("=") else line) for line in lines]
        assert read(tmp_path, HEAD + "\n".join(filled) + "\n").entries, table
    assert seen == {"valve_events", "points_breaks", "clearances", "points_gaps", "fingers", "stops", "sights"}


def test_the_disc_and_the_piston_may_say_different_places(tmp_path):
    """That is how a pointer that moved shows; two readings by the piston that differ so are refused all the same."""
    disc = at("A1 inlet", "opens", "crank_deg = 344\nuncertainty_deg = 0.5")
    piston = at("A1 inlet", "opens", 'piston_mm = {}\npiston_side = "before TDC"')
    assert len(read(tmp_path, HEAD + disc + piston.format(6.06)).entries) == 2
    with pytest.raises(SceneError, match="A1 inlet opens is read twice"):
        read(tmp_path, HEAD + piston.format(6.06) + piston.format(9.0))


def test_lengths_in_inches_are_those_in_mm(tmp_path):
    """Every key of a length, as typed in one unit and in the other: the same readings, 25.4 mm to the inch."""
    rows = (
        '[[valve_events]]\nvalve = "A1 inlet"\nevent = "opens"\nclearance_UNIT = {0.508}\npiston_UNIT = {6.35}\n'
        'piston_side = "before TDC"\npiston_uncertainty_UNIT = {0.0508}\n'
        '[[lifts]]\nvalve = "A1 inlet"\nevent = "closes"\nlift_UNIT = {2.54}\nclearance_UNIT = {0.508}\n'
        "uncertainty_UNIT = {0.0254}\ncrank_deg = 560\n"
        '[[points_breaks]]\nmagneto = "exhaust-side"\nfinger_on = "A1"\npoints_gap_UNIT = {0.3048}\ncrank_deg = 680\n'
        '[[clearances]]\nvalve = "A1 inlet"\nclearance_UNIT = {0.4572}\nuncertainty_UNIT = {0.0508}\n'
        '[[points_gaps]]\nmagneto = "inlet-side"\ngap_UNIT = {0.2794}\n'
    )

    def typed(unit: str, per: float) -> str:
        figures = re.sub(r"\{([\d.]+)\}", lambda found: f"{float(found[1]) / per:.6g}", rows)
        return HEAD + figures.replace("UNIT", unit)

    millimetres, inches = (read(tmp_path, typed(unit, per)).entries for unit, per in (("mm", 1.0), ("in", 25.4)))
    assert len(inches) == 6
    for one, other in zip(millimetres, inches, strict=True):
        for key in one.__dataclass_fields__:
            value = getattr(one, key)
            assert getattr(other, key) == (pytest.approx(value, rel=1e-9) if isinstance(value, float) else value), key


@pytest.mark.parametrize(
    ("row", "words"),
    [
        (
            "clearance_in = 0.4\nclearance_mm = 0.4\ncrank_deg = 1",
            "clearance_in: give clearance_in or clearance_mm",
        ),
        ("clearance_in = 40\ncrank_deg = 1", "clearance_in: expected a number from 0.0003937 to 0.3937, got 40"),
        ('clearance_in = "0.4"\ncrank_deg = 1', 'clearance_in: expected a number from 0.0003937 to 0.3937, got "0.4"'),
        ("crank_deg = 1", "clearance_mm = 0.40, or clearance_in in inches"),
        ("clearance_mm = 0.4\npiston_in = 0.2", 'piston_in: give piston_side too, "before TDC" or "after TDC"'),
    ],
)
def test_wrong_lengths_in_inches(tmp_path, row, words):
    text = f'{HEAD}[[valve_events]]\nvalve = "A1 inlet"\nevent = "opens"\n{row}\n'
    with pytest.raises(SceneError) as caught:
        read(tmp_path, text)
    assert words in " | ".join(str(problem) for problem in caught.value.problems)


@pytest.mark.parametrize(
    ("row", "words"),
    [
        # 22 BTDC of which cylinder? with the ring's figure alone nobody knows
        (
            '[[points_breaks]]\nmagneto = "exhaust-side"\ncrank_deg = 80\nreading = "41 BTDC"\n',
            "points_breaks[1]: give crank_deg, or finger_on with reading",
        ),
        (
            '[[sights]]\nkind = "finger between"\nsubject = "exhaust-side"\ncylinders = ["A1", "A1"]\ncrank_deg = 1\n',
            "sights[1]: cylinders: expected two that follow each other as exhaust-side fires them",
        ),
        (
            '[[sights]]\nkind = "finger between"\nsubject = "exhaust-side"\ncylinders = ["A1", "A2"]\ncrank_deg = 1\n',
            "sights[1]: cylinders: expected two that follow each other as exhaust-side fires them",
        ),
    ],
)
def test_readings_that_could_be_of_something_else(tmp_path, row, words):
    with pytest.raises(SceneError) as caught:
        read(tmp_path, HEAD + row)
    assert str(caught.value).startswith(f"as-found.toml: {words}")


@pytest.mark.parametrize("pair", [("A1", "B6"), ("B6", "A1"), ("A1", "B4")])
def test_a_finger_between_two_that_follow_each_other(tmp_path, pair):
    """Round the end of the firing order too: B4 fires before A1."""
    text = f'[[sights]]\nkind = "finger between"\nsubject = "exhaust-side"\ncylinders = {list(pair)}\ncrank_deg = 1\n'
    (sight,) = read(tmp_path, HEAD + text).entries
    assert sight.cylinders == pair
