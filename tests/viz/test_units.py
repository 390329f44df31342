"""An engine whose file is in inches is told in inches by every command, page, picture, window and drawing; one whose
file is in mm, in mm. What is of paper (sizes of a sheet, bars of a scale) is always in mm and is not told here."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import cache

import pytest
from random_engines import in_line_six
from typer.testing import CliRunner

from quillwise.kinematics.build import build
from quillwise.kinematics.candidates import candidates
from quillwise.kinematics.errors import SceneError
from quillwise.kinematics.lengths import LengthUnit
from quillwise.kinematics.model import Engine
from quillwise.kinematics.readings import Proposal, Readings
from quillwise.kinematics.rig import rig
from quillwise.kinematics.sequence import Played, play
from quillwise.kinematics.steps import frame
from quillwise.scenes import answers, library
from quillwise.scenes.blank_readings import blank_text
from quillwise.viz import (
    bench_trial,
    board,
    briefing,
    cli,
    engraving,
    exhibit,
    lesson,
    lineart,
    part_words,
    plate_words,
    room_view,
    sheetblocks,
    sheetdata,
    sheets,
    trial_words,
)
from quillwise.viz.closeups import close_up, headline
from quillwise.viz.glances import glances
from quillwise.viz.linked import linked
from quillwise.viz.readings import readings_text
from quillwise.viz.standing import Store

SCENE = "slipway-six"
MM, INCH = re.compile(r"\d\s*mm\b|, mm\b|\bin mm\b"), re.compile(r"\d in\b(?! all)")


@cache
def engine(unit: LengthUnit) -> Engine:
    """The packaged engine in inches, and the same one as if its file were in mm."""
    own = library.engine(SCENE)
    assert own.sheet.length_unit == "in"
    return replace(own, sheet=replace(own.sheet, length_unit=unit))


@cache
def played(unit: LengthUnit) -> Played:
    return play(engine(unit))


def wrong(texts: Iterable[str], unit: LengthUnit = "in") -> list[str]:
    """The lines that tell a length in the other unit; there must be some that tell one in this."""
    lines = [line for text in texts for line in text.splitlines()]
    this, other = (INCH, MM) if unit == "in" else (MM, INCH)
    assert any(this.search(line) for line in lines), "nothing here tells a length"
    return [line for line in lines if other.search(line)]


UNITS = pytest.mark.parametrize("unit", ["in", "mm"])


@pytest.mark.parametrize(
    "arguments",
    [
        ("rehearse", SCENE),
        ("rehearse", SCENE, "--mistake", "other-tooth:quill=+4"),
        ("rehearse", SCENE, "--from", "a-mark", "--slip", "mark-passed"),
        ("events", SCENE),
        ("events", SCENE, "--as-set"),
        ("disc", "323.25,35.25", SCENE),
    ],
    ids=" ".join,
)
def test_what_a_command_prints(arguments: tuple[str, ...]) -> None:
    printed = CliRunner().invoke(cli.app, list(arguments), prog_name="quillwise").output
    assert wrong([printed]) == []
    if arguments[0] != "disc":
        in_mm = CliRunner().invoke(cli.app, [*arguments, "--units", "mm"], prog_name="quillwise").output
        assert wrong([in_mm], "mm") == []


@pytest.mark.parametrize(
    "command", [("vernier", "quill", SCENE), ("accuracy", SCENE), ("validate", SCENE), ("engines",)]
)
def test_commands_that_tell_no_length_tell_none_in_mm(command: tuple[str, ...]) -> None:
    printed = CliRunner().invoke(cli.app, list(command), prog_name="quillwise").output
    assert printed and not MM.search(printed)


def test_a_diagnosis(tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    text = readings_text(engine("in"), played("in").as_set)
    cut = text.split("\n\n")
    (tmp_path / "found.toml").write_text("\n\n".join([cut[0].replace("disc_proved = true\n", ""), *cut[1:4]]), "utf-8")
    printed = CliRunner().invoke(cli.app, ["diagnose", "found.toml", SCENE], prog_name="quillwise").output
    assert "The reading that would tell most" in printed
    assert not MM.search(printed)


@UNITS
def test_files_of_readings_and_what_is_asked_for(unit: LengthUnit) -> None:
    built = engine(unit)
    asked = [
        answers.asked_for(built, Proposal(name=one.name, kind=one.kind, entry=one.outcomes[0], outcomes=one.outcomes,
                                          bits=1.0, minutes=1.0, tool=one.tool, destroys=one.destroys))
        for one in candidates(built, Readings())
    ]  # fmt: skip
    names = [one.name for one in candidates(built, Readings())]
    assert wrong([*asked, *names], unit) == []
    for text in (blank_text(built), readings_text(built, played(unit).as_set)):
        keys = re.findall(r"^(?:# )?(?:#\s+or: )?(\w+_(?:mm|in)) =", text, re.MULTILINE)
        assert keys and all(key.endswith(f"_{unit}") for key in keys)


def _step_words(built: Engine, whole: Played) -> Iterator[str]:
    """All that window, step pictures and films tell of each step."""
    unit, hung = built.sheet.length_unit, rig(built)
    for step, view in zip(whole.steps, linked(built, whole.steps), strict=True):
        yield from (f"{line.lead} {line.text}" for line in board.step_paragraphs(step, len(whole.steps), unit))
        yield from plate_words.lines(step)
        yield from (": ".join(pair) for pair in plate_words.figures(built, step))
        for share in (0.0, 0.6, 1.0):
            moment = frame(step, share)
            state = exhibit.state_at(built, moment)
            for column in glances(built, step, still=True):
                for glance in column:
                    own = glance.moment or moment
                    yield plate_words.line_over(built, glance, own, exhibit.state_at(built, own))
            for subject in (each for each in view.subjects if each is not None):
                shown = close_up(built, *subject)
                yield " ".join(headline(built, shown, moment, state))
                yield from (each.text for each in engraving.labels(built, hung, shown, moment, state, step))
            yield " ".join(room_view.space(built, moment, state, step.room, False).words)
            yield from (part_words.told(built, part, state) for part in built.parts)
        for question in lesson.questions(built, whole.steps, step.number - 1):
            yield from (question.text, *question.choices)
        trial = bench_trial.begin(built, step)
        if trial is not None:
            for line in trial_words.told(built, step, trial).lines:
                yield line[1]


@UNITS
def test_window_and_step_pictures(unit: LengthUnit) -> None:
    assert wrong(_step_words(engine(unit), played(unit)), unit) == []


@UNITS
def test_the_pack(unit: LengthUnit) -> None:
    """Every text of it; its form of readings names the keys of the file in the engine's unit."""
    job = sheetdata.work(engine(unit), played(unit), library.find(SCENE))
    sheet = sheetdata.Sheet()
    for asked in ({"card": None, "blank_form": False}, {"card": None, "blank_form": True}):
        made = sheets.blocks(job, sheet, chosen=(), drawn={}, **asked)
        texts = list(sheetblocks.texts(made))
        assert [text for text in texts if (MM if unit == "in" else INCH).search(text)] == []
        assert f"clearance_{unit}" in texts
    for card in ("magneto", "handover", "closing"):
        texts = list(sheetblocks.texts(sheets.blocks(job, sheet, card=card, blank_form=False, chosen=(), drawn={})))
        other = "mm" if unit == "in" else "in"
        assert other not in texts and not [text for text in texts if (MM if unit == "in" else INCH).search(text)]


@UNITS
def test_line_drawings_of_steps(unit: LengthUnit) -> None:
    built, steps = engine(unit), played(unit).steps
    store = Store(built)
    said = []
    for step in steps:
        if step.key in ("points", "a-clearance", "winch-break", "running-clearance"):
            drawing = lineart.step_drawing(store, steps, step, (297.0, 210.0))
            said += [word.text for word in drawing.words] + [drawing.title, drawing.about]
    tightest = min((step for step in steps if step.room is not None), key=lambda step: step.room.room_mm)
    drawing = lineart.room_drawing(store, tightest, (120.0, 80.0))
    said += [word.text for word in drawing.words] + [drawing.about]
    assert wrong(said, unit) == []


@UNITS
def test_the_briefing_page(unit: LengthUnit) -> None:
    """All of its file but style and script: tables, topics, and what the script tells of parts."""
    text = briefing.briefing(engine(unit), None, with_figures=False)
    told = re.sub(r"<style>.*?</style>|<script>.*?</script>", "", text, flags=re.DOTALL)
    assert wrong(re.split(r"[<>\",{}]", told), unit) == []


@UNITS
def test_what_is_wrong_with_an_engine(unit: LengthUnit) -> None:
    """Messages of the mechanism, of the set-up and of readings that cannot be."""
    sheet = replace(in_line_six(), length_unit=unit)
    inlet, (_, camshaft, magneto, _) = sheet.inlet, sheet.setup
    wrong_camshaft = (
        replace(camshaft, by="lift at TDC", crank_by="piston"),
        replace(camshaft, by="lift at TDC", lift_mm=30.0),
    )
    wrong_magneto = [replace(magneto, crank_by="piston", below_tdc_mm=each) for each in (4.0, 900.0)]
    bad = [
        replace(sheet, inlet=replace(inlet, lift_mm=0.3)),
        replace(sheet, inlet=replace(inlet, ramp_mm_per_crank_deg=0.3)),
        replace(sheet, inlet=replace(inlet, ramp_mm_per_crank_deg=0.0005)),
        replace(sheet, inlet=replace(inlet, base_radius_mm=4.0)),
        replace(sheet, crank=replace(sheet.crank, rod_length_mm=20.0)),
        *(replace(sheet, setup=(*sheet.setup[:1], job, *sheet.setup[2:])) for job in wrong_camshaft),
        *(replace(sheet, setup=(*sheet.setup[:2], job, *sheet.setup[3:])) for job in wrong_magneto),
    ]
    said = []
    for each in bad:
        with pytest.raises(SceneError) as caught:
            build(each)
        said += [str(problem) for problem in caught.value.problems]
    assert len(said) >= len(bad)
    assert wrong(said, unit) == []
