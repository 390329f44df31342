"""``rehearse --from``: the way back from a slip, as text and as JSON, and what it says when there is none."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from quillwise.kinematics.recovery import PASSED_DEG, way_back
from quillwise.kinematics.sequence import play
from quillwise.scenes import library
from quillwise.viz import cli

LAST_LINE = "Briefing aid. Not approved data."


def run(*arguments: str):
    return CliRunner().invoke(cli.app, ["rehearse", *arguments], prog_name="quillwise")


def record(*arguments: str):
    result = run(*arguments, "--json")
    assert (result.exit_code, result.stderr) == (0, "")
    return json.loads(result.stdout)


@pytest.mark.parametrize(
    "arguments",
    [
        ("--from", "a-mark"),
        ("--from", "15", "--slip", "camshaft-rolled"),
        ("larkfell-starboard", "--from", "a-home"),
        ("--from", "exhaust-side-mark", "--units", "in"),
    ],
)
def test_text_fits_80_columns_and_says_the_same_as_the_json(arguments: tuple[str, ...]) -> None:
    result, found = run(*arguments), record(*arguments)
    lines = result.stdout.splitlines()
    assert (result.exit_code, result.stderr) == (0, "")
    assert max(map(len, lines)) <= 80
    assert lines[-1] == LAST_LINE
    heads = [line for line in lines if line.startswith("Step ")]
    assert [head.split(":")[0] for head in heads] == [
        f"Step {step['number']} of {found['step_count']}" for step in found["steps"]
    ]
    for step in found["steps"]:
        assert any(f"[{step['key']}]" in line for line in lines)
    tally = found["tally"]
    told = " ".join(lines)
    assert f"{tally['accept']} accept, {tally['not_proved']} not proved, {tally['reject']} reject." in told
    assert f"[{found['at']['key']}]" in told


def test_json_holds_the_way_back_with_its_room() -> None:
    engine = library.engine("larkfell-port")
    played = play(engine)
    at = next(step for step in played.steps if step.key == "a-mark")
    found = record("--from", "a-mark")
    assert found["record"] == "recovery" and found["format"] == 1
    assert (found["slip"], found["passed_crank_deg"], found["may_turn_back"]) == ("mark-passed", PASSED_DEG, False)
    assert found["at"] == {"number": at.number, "key": "a-mark", "title": at.text.title}
    (expected,) = way_back(engine, played, at, "mark-passed")
    (step,) = found["steps"]
    assert expected.room is not None
    assert step["least_room"]["room_mm"] == expected.room.room_mm
    assert (step["time_line_from_crank_deg"], step["time_line_to_crank_deg"]) == (343.0, 338.0 + 720.0)
    assert step["do"] == list(expected.text.do)
    assert record("--from", "a-nip")["passed_crank_deg"] is None


def test_the_way_back_by_a_quarter_turn_where_the_maker_allows_it(tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    folder.mkdir()
    (folder / "engine.toml").write_text('format = 1\nlike = "larkfell-port"\nname = "Mine"\n', encoding="utf-8")
    (folder / "setup.toml").write_text('format = 1\nlike = "larkfell-port"\nmay_turn_back = true\n', encoding="utf-8")
    found = record(str(folder), "--from", "exhaust-side-mark")
    # by hand: 679 + 5 passed, back to 679 - 90, on again to 679
    assert [step["to_go_crank_deg"] for step in found["steps"]] == [-95.0, 90.0]
    told = run(str(folder), "--from", "exhaust-side-mark").stdout
    assert "By the data the maker allows to turn" in " ".join(told.split("\n"))
    assert "95.0 degrees back" in told


def test_after_a_mistake_the_way_back_is_that_of_what_was_done() -> None:
    found = record("--mistake", "exhaust-stroke:exhaust-side", "--from", "exhaust-side-try")
    assert found["mistakes"] == ["exhaust-stroke:exhaust-side"]
    assert [step["key"] for step in found["steps"]] == ["exhaust-side-hold", "exhaust-side-try"]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (
            ("--from", "a-nipp"),
            'unknown step "a-nipp"; defined: ',
        ),
        (
            ("--from", "a-nip", "--slip", "quill-dropped"),
            "quill-dropped cannot happen at step a-nip; steps at which it can: a-try, a-home, b-try, b-home, "
            "exhaust-side-try, exhaust-side-home, inlet-side-try, inlet-side-home",
        ),
        (
            ("--from", "inspection", "--slip", "mark-passed"),
            "mark-passed cannot happen at step inspection; steps at which it can: a-mark, b-mark, exhaust-side-mark, "
            "inlet-side-mark",
        ),
        (
            ("--from", "a-try", "--slip", "quill-droped"),
            'unknown slip "quill-droped"; defined: mark-passed, camshaft-rolled, quill-dropped '
            "(did you mean quill-dropped?)",
        ),
        (("--slip", "quill-dropped"), "--slip: give the step at which it happens too, with --from"),
        (("--from", "a-try", "--step", "3"), "give --from or --step, not both"),
        (("--from", "a-try", "--readings", "r.toml"), "give --from or --readings, not both"),
    ],
)
def test_a_way_back_that_cannot_be_asked_for(arguments: tuple[str, ...], message: str) -> None:
    result = run(*arguments)
    assert result.exit_code == 2
    assert result.stdout == ""
    text = result.stderr.strip().removeprefix("quillwise: ").removeprefix("error: ")
    assert text.startswith(message) if message.endswith("defined: ") else text == message
