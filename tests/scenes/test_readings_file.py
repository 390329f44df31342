"""Readings files: what the reader says of wrong ones, whole; and that it reads what the program writes."""

from __future__ import annotations

from pathlib import Path

import pytest

from quillwise.kinematics.errors import SceneError
from quillwise.kinematics.readings import BreakReading, PointerReading, Sight, ValveReading
from quillwise.kinematics.sequence import play
from quillwise.kinematics.timing import timing_table
from quillwise.scenes import library, readings
from quillwise.scenes.blank_readings import blank_text
from quillwise.viz.readings import readings_text

HEAD = 'format = 1\nengine = "larkfell-port"\n'
VALVE = '[[valve_events]]\nvalve = "A1 inlet"\nevent = "opens"\nclearance_mm = 0.4\n'


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
                "as-found.toml: points_breaks[1]: give crank_deg, or finger_on with reading: from whose TDC the "
                "break was read"
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
