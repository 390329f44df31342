"""What the commands say beside the figures: rows that were misread, figures that nobody replaced, the end from which
a side is seen, the other end of the advance range, what a list leaves out."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pytest
from layouts import boxer_eight
from random_engines import in_line_six
from typer.testing import CliRunner

from quillwise.kinematics import wording
from quillwise.kinematics.build import build
from quillwise.kinematics.cams import lift_curve, lift_mm
from quillwise.kinematics.datasheet import DataSheet
from quillwise.kinematics.errors import SceneError
from quillwise.kinematics.lengths import LengthUnit, length
from quillwise.kinematics.sequence import play
from quillwise.scenes import library
from quillwise.viz import folder_records, records, tables, validation
from quillwise.viz.cli import app


def flat(text: str) -> str:
    return " ".join(text.split())


def with_table(wrong_by_mm: float) -> DataSheet:
    """The six with a table of its inlet lift, whose row at 401 degrees is misread."""
    sheet = in_line_six()
    angle = np.arange(301.0, 636.0, 4.0)
    lift = lift_mm(lift_curve(sheet.inlet), angle) + np.random.default_rng(5).normal(0, 0.004, len(angle))
    lift[angle == 401.0] += wrong_by_mm
    table = tuple(zip(angle.tolist(), lift.tolist(), strict=True))
    return replace(sheet, inlet=replace(sheet.inlet, law="measured", lift_table=table, base_radius_mm=40.0))


def test_a_misread_row_is_named_by_validate_events_and_rehearse() -> None:
    engine = build(with_table(0.2))
    played = play(engine)
    record = folder_records.summary(engine, played)
    (found,) = record["measured_lifts"][0]["misread"]
    assert (found["row"], found["own_crank_deg"], found["cannot_be_right"]) == (26, 401.0, False)
    assert found["lift_mm"] - found["neighbours_lead_to_mm"] == pytest.approx(0.2, abs=0.02)
    assert not record["cannot_be_right"]
    said = (
        f"NOTE: valves.inlet.lift_table[26]: row 26 of the lift table, at 401 degrees, gives {found['lift_mm']:.2f} mm"
    )
    assert said in flat(validation.validation_text(record))
    for text in (
        tables.events_text(records.events(engine, played)),
        tables.rehearsal_text(records.rehearsal(engine, played)),
    ):
        assert f"CHECK: {flat(found['words'])}" in flat(text)


def test_a_row_far_off_cannot_be_right() -> None:
    engine = build(with_table(0.38))
    record = folder_records.summary(engine, play(engine))
    assert record["cannot_be_right"]
    text = flat(validation.validation_text(record))
    assert "is valid, but its data cannot be right: see CHECK." in text
    assert "it cannot be right. Read that row again." in text


def test_validate_counts_what_nobody_replaced_and_exits_zero(tmp_path, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    monkeypatch.chdir(tmp_path)
    run = CliRunner().invoke
    assert run(app, ["new", "mine"]).exit_code == 0
    told = run(app, ["validate", "./mine"])
    assert told.exit_code == 0
    assert "figures are still those of larkfell-port, which are invented" in flat(told.stdout)
    assert "room at TDC not of your engine: invented, of larkfell-port" in flat(told.stdout)
    left = json.loads(run(app, ["validate", "./mine", "--json"]).stdout)["left_over"]
    assert left["figures"] == left["of_figures"] == sum(line["figures"] for line in left["lines"]) > 60
    file = tmp_path / "mine" / "engine.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("bore = 118.0", "bore = 119.0"), encoding="utf-8")
    after = json.loads(run(app, ["validate", "./mine", "--json"]).stdout)["left_over"]
    assert after["figures"] == left["figures"] - 1


def folder_with(tmp_path, wrong_by_mm):  # type: ignore[no-untyped-def]
    """The packaged six with that table in place of its inlet's law, timed by the exhaust."""
    rows = ", ".join(f"[{angle:g}, {lift:.3f}]" for angle, lift in with_table(wrong_by_mm).inlet.lift_table)
    folder = tmp_path / "mine"
    CliRunner().invoke(app, ["new", str(folder), "--like", "larkfell-port"])
    file = folder / "engine.toml"
    text = file.read_text(encoding="utf-8")
    start, end = text.index("[valves.inlet]"), text.index("[valves.exhaust]")
    inlet = f'[valves.inlet]\nlaw = "measured"\nbase_radius = 40.0\nlift_table = [{rows}]\n'
    file.write_text(text[:start] + inlet + text[end:], encoding="utf-8")
    return folder


@pytest.mark.parametrize(("wrong_by_mm", "code"), [(0.0, 0), (0.2, 0), (0.38, 1), (1.0, 2)])
def test_exit_code_of_validate_by_how_wrong_a_row_is(tmp_path, wrong_by_mm, code) -> None:  # type: ignore[no-untyped-def]
    told = CliRunner().invoke(app, ["validate", str(folder_with(tmp_path, wrong_by_mm))])
    assert told.exit_code == code, told.output
    assert ("valves.inlet.lift_table[26]: row 26 of the lift table" in flat(told.output)) is (
        wrong_by_mm in (0.2, 0.38)
    )
    if code == 2:  # a peak too many is an error, and the row that makes it is named
        assert isinstance(told.exception, SceneError) or "row 26 at 401 gives" in flat(told.output)
        assert "row 26 at 401 gives" in f"{flat(told.output)} {told.exception}"


@pytest.mark.parametrize("name", library.names())
def test_the_two_turns_say_how_many_of_all_readings_they_list(name: str) -> None:
    engine = library.engine(name)
    played = play(engine)
    record = records.rehearsal(engine, played)
    step = next(step for step in record["steps"] if step["key"] == "two-turns")
    readings = len(records.events(engine, played)["events"])
    assert step["checks_of_readings"] == readings > len(step["checks"])
    said = f"{len(step['checks'])} of {readings} readings, the furthest out of each kind"
    assert step["checks_are"] == said
    assert f"The list shows {said}." in flat(tables.rehearsal_text(record))


def test_a_list_of_all_readings_leaves_nothing_out() -> None:
    assert wording.selection(4, 4) == ""


def test_sides_and_senses_are_told_from_the_end_that_the_file_is_written_from() -> None:
    sheet = replace(boxer_eight(), written_from="output end")
    engine = build(sheet)
    text = flat(tables.events_text(records.events(engine, play(engine))))
    assert (
        "Crank anticlockwise, seen from the output end as the file is written (clockwise, seen from the wheelcase end)"
        in text
    )
    assert "stands right, seen from the output end as the file is written: left, seen from the wheelcase end" in text
    plain = build(boxer_eight())
    assert "as the file is written" not in tables.events_text(records.events(plain, play(plain)))


@pytest.mark.parametrize(("timed_at", "later"), [("full advance", 18.0), ("full retard", -18.0)])
def test_the_other_end_of_the_advance_range_is_told(timed_at: str, later: float) -> None:
    """The finger turns at half crank speed and stays geared to the rotor: 18 crank degrees of range are 9 degrees of
    the finger, 4.5 either side of the middle (computed)."""
    six = in_line_six()
    magneto = replace(six.magnetos[0], advance_range_deg=18.0, timed_at=timed_at)
    engine = build(replace(six, magnetos=(magneto,)))
    record = records.events(engine, play(engine))
    end = record["plug_leads"][0]["other_end"]
    assert end["lever"] != timed_at
    assert end["later_crank_deg"] == later
    sign = 1 if later > 0 else -1
    assert end["finger_off_middle_as_timed_finger_deg"] == pytest.approx(-4.5 * sign)
    assert end["finger_off_middle_finger_deg"] == pytest.approx(4.5 * sign)
    by_data = {e["cylinder"]: e["own_crank_deg"] for e in record["events"] if e["magneto"]}
    assert len(end["breaks"]) == 6
    for item in end["breaks"]:
        assert item["own_crank_deg"] - by_data[item["cylinder"]] == pytest.approx(later)
    assert f"At {end['lever']} the points break at {end['breaks'][0]['as_written']}, the finger 4.5 degrees " in flat(
        tables.events_text(record)
    )


def test_without_a_range_there_is_no_other_end() -> None:
    engine = build(in_line_six())
    assert records.events(engine, play(engine))["plug_leads"][0]["other_end"] is None


def test_an_inch_engine_has_its_sentences_in_inches() -> None:
    """No length in mm is left in any sentence, and the clearance is the one of the data over 25.4."""
    sheet = replace(in_line_six(), length_unit="in")
    for engine, unit in ((build(sheet), "in"), (build(in_line_six()), "mm")):
        said = [
            line
            for step in play(engine).steps
            for line in (*step.text.do, *(what for _, what in step.text.see), step.text.title)
        ]
        other = "mm" if unit == "in" else "in"
        assert not [line for line in said if re.search(rf"[0-9] {other}\b", line)]
        clearance = length(sheet.inlet.checking_clearance_mm, unit)
        assert any(f"to {clearance}." in line for line in said)


@pytest.mark.parametrize(
    ("mm", "unit", "decimals", "said"),
    [
        (0.4, "mm", 2, "0.40 mm"),
        (25.4, "in", 2, "1.000 in"),
        (0.4064, "in", 2, "0.016 in"),
        (0.3175, "in", 2, "0.0125 in"),  # an eightieth, as it was typed
        (0.3176, "in", 2, "0.013 in"),
        (12.7, "in", 1, "0.500 in"),
    ],
)
def test_lengths_in_words(mm: float, unit: LengthUnit, decimals: int, said: str) -> None:
    assert length(mm, unit, decimals) == said


def test_units_of_the_command_line_rule_the_sentences_too() -> None:
    run = CliRunner().invoke
    told = flat(run(app, ["rehearse", "larkfell-port", "--units", "in", "--step", "a-nip"]).stdout)
    assert "The clearance of 0.016 in is just taken up at A1 inlet." in told
    plain = flat(run(app, ["rehearse", "larkfell-port", "--step", "a-nip"]).stdout)
    assert "The clearance of 0.40 mm is just taken up at A1 inlet." in plain
    own = flat(run(app, ["rehearse", "slipway-six", "--step", "a-clearance"]).stdout)
    assert " in feeler slides at " in own


def test_starting_devices_have_their_words_in_the_steps() -> None:
    six = in_line_six()
    data = replace(six.magnetos[0], impulse_lag_deg=20.0, trailing_electrode_deg=15.0)
    steps = {step.key: step.text for step in play(build(replace(six, magnetos=(data,)))).steps}
    assert "Isolate the booster coil." in steps["safe"].do
    step = steps[f"{data.name}-break"]
    assert step.do[0] == "Isolate the booster coil."
    assert any(line.endswith("past the click of its impulse starter.") for line in step.do)
    seen = [what for _, what in step.see]
    assert "The trailing electrode of the booster coil stands 15 degrees of the finger behind." in seen
    assert "A setting by it is 30 crank degrees wrong." in seen
    assert "Before the click the break comes 20 crank degrees late: that is a false break." in seen
    assert wording.BOOSTER in step.cautions
    plain = play(build(six)).steps
    assert not any("booster" in line for item in plain for line in (*item.text.do, *(w for _, w in item.text.see)))


@pytest.mark.parametrize(
    ("fit", "said"),
    [
        (0, "Of all 18 trials, none goes in: the one that is taken is the least out of line."),
        (1, "Of all 18 trials, 1 goes in: that is the one to take."),
        (2, "Of all 18 trials, 2 go in: of these, take the one that is least out of line."),
    ],
)
def test_how_many_trials_fit_ends_in_what_to_do(fit: int, said: str) -> None:
    text = wording.try_teeth("quill-a", "quill", 2, 1, "upper end", "first", "taken", fit > 0, fit, 18)
    assert text.see[-1] == ("quill", said)


@pytest.mark.parametrize("name", library.names())
def test_limits_are_those_of_the_engines_data_and_the_maker_prevails(name: str) -> None:
    """Published: FAA AC 43.13-1B, paragraphs 8-1 and 8-19, give no general limit of a timing: the maker's publications
    rule. So a verdict follows the engine's [limits] alone, and the page says who prevails."""
    sheet = library.engine(name).sheet
    verdicts = {}
    for limit in (0.1, 30.0):
        limits = replace(sheet.limits, valve_event_deg=limit, valve_event_uncertainty_deg=0.0)
        engine = build(replace(sheet, limits=limits))
        played = play(engine)
        record = records.events(engine, played)
        off = {event["name"]: event["as_set"] for event in record["events"] if not event["magneto"]}
        for found in off.values():
            assert (found["verdict"] == "accept") is (abs(found["early_crank_deg"]) <= limit)
        verdicts[limit] = {found["verdict"] for found in off.values()}
        assert wording.FIRST_LINE in tables.rehearsal_text(records.rehearsal(engine, played))
        assert f"valves ±{limit:g}" in flat(tables.events_text(record, as_set=True))
    assert verdicts[30.0] == {"accept"}
