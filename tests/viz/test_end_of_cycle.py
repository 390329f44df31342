"""A crank that stands just before the end of the cycle is told to stand at 0, never at 720: by every kind of text that
tells a place of the crank."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from quillwise.kinematics import proofs, remedies, wording
from quillwise.kinematics.build import build
from quillwise.kinematics.disc import prove
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.sequence import Played, play
from quillwise.kinematics.steps import Frame
from quillwise.scenes import library
from quillwise.viz import board, cli, closeups, lesson, plate_words, records, sheetdata, sheets, tables, walk
from quillwise.viz.briefing import briefing
from quillwise.viz.part_words import now_of
from quillwise.viz.playback import Playback

SCENE = "slipway-six"
NEAR = (719.996, 1439.998, -0.004)  # it rounds to the end with two decimals, with one and with none
END = re.compile(r"(?<![\w.-])720(\.0+)?(?!\w)")
A_WAY = re.compile(r"720(\.0)?(°| degrees) to go|'degrees to go', '720°'")  # of two whole turns


def near_the_end() -> Engine:
    """Points that break where the cycle ends but for 0.004 degrees: their mark, step, event and readings lie there."""
    sheet = library.engine(SCENE).sheet
    return build(replace(sheet, magnetos=tuple(replace(one, break_deg=719.996) for one in sheet.magnetos)))


@pytest.fixture(scope="module")
def engine() -> Engine:
    return near_the_end()


@pytest.fixture(scope="module")
def played(engine: Engine) -> Played:
    return play(engine)


def texts(engine: Engine, played: Played) -> Iterator[tuple[str, str]]:
    """What is told of the engine: whose output it is, and its words."""
    events = records.events(engine, played)
    yield "events", tables.events_text(events)
    yield "round", walk.walk_text(walk.walk(events, 719.996))
    yield "rehearse", tables.rehearsal_text(records.rehearsal(engine, played))
    for step in played.steps:
        yield f"board of {step.key}", str(board.figures(step))
        yield f"plate of {step.key}", str(plate_words.figures(engine, step))
    for question in lesson.questions(engine, played.steps, 1):
        yield "lesson", question.why
    job = sheetdata.work(engine, played, library.find(SCENE))
    yield "pack", json.dumps(sheets.blocks(job, sheetdata.Sheet(), None, False, (), {}))
    yield "card", json.dumps(sheets.blocks(job, sheetdata.Sheet(), sheets.Card.MAGNETO, False, (), {}))
    page = re.sub(r"(?s)<(script|style)\b.*?</\1>", "", briefing(engine, None, with_figures=False))
    yield "page", re.sub(r"<[^>]*>", " | ", page)


def test_no_output_tells_the_end_of_the_cycle(engine: Engine, played: Played) -> None:
    told = dict(texts(engine, played))
    found = {name: match[0] for name, text in told.items() if (match := END.search(A_WAY.sub("", text)))}
    assert found == {}
    assert " 0.0 " in told["events"] and "0.00" in told["card"], "that place is told"


@pytest.mark.parametrize("crank", NEAR)
def test_no_words_tell_the_end_of_the_cycle(engine: Engine, played: Played, crank: float) -> None:
    camshaft, step = engine.camshafts[0], played.steps[-1]
    disc = crank % 720.0 - 360.0
    record = {"crank_from_deg": crank % 720, "crank_to_deg": crank % 720, "to_go_crank_deg": 0.0, "mark": ""}
    room = {**_ROOM, "crank_deg": crank % 720}
    frame = Frame(assembly=played.as_set, crank_deg=crank, free={})
    state = motion(engine, played.as_set, np.array([crank]))
    told = [
        str(wording.park(camshaft, crank, 3.0, True)),
        str(remedies.park_again(camshaft, crank, 3.0, True)),
        str(proofs.equal_lifts("A1 inlet", 2.0, disc, disc, disc)),
        tables.crank_words(record),
        tables.room_words(room, "mm"),
        board.state_words(Playback(), crank, "A1"),
        now_of(engine, Part(Kind.CRANKSHAFT), state),
        str(closeups.headline(engine, closeups.close_up(engine, "window"), frame, state)),
        str(plate_words.figures(engine, replace(step, crank_deg=(crank, crank)))),
        str(plate_words.figures(engine, replace(step, crank_deg=(crank, crank + 30.0)))),
        str(board.figures(replace(step, crank_deg=(crank, crank + 30.0)))),
    ]
    assert [text for text in told if END.search(text) or re.search(r"\b360(\.0+)?\b", text)] == []


_ROOM = {"room_mm": 2.0, "valve": "A1 inlet", "known": True, "strikes": False, "limit_mm": 1.5, "verdict": "accept"}


def test_a_disc_just_before_its_zero_reads_zero() -> None:
    off = -0.004 - prove(library.engine(SCENE), "A1", 324.0, 36.0).tdc_reads_deg
    stops = f"{324.0 + off:.6f},{36.0 + off:.6f}"
    told = CliRunner().invoke(cli.app, ["disc", stops, SCENE], prog_name="quillwise").stdout
    assert "TDC of A1 reads 0.00°" in told


def test_no_place_of_the_crank_is_printed_past_the_one_helper() -> None:
    """A figure that is wrapped and then rounded tells 720 for 719.97: ``format_crank`` is the way."""
    top = Path(sheets.__file__).parents[1]
    raw = re.compile(r"\{[^{}]*(% ?(720|360)(\.0)?|in_cycle\([^{}]*\))\)?:\.\d")
    files = [path for folder in ("kinematics", "scenes", "viz") for path in (top / folder).glob("*.py")]
    assert len(files) > 150
    found = [
        f"{path.name}: {line.strip()}"
        for path in files
        if path.name != "angles.py"
        for line in path.read_text("utf-8").splitlines()
        if raw.search(line)
    ]
    assert found == []
