"""``diagnose --ask``: through stdin of a process of its own, and as a loop that a fitter answers."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import tomllib
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
from fitter import typed
from ten_mistakes import MISTAKES
from typer.testing import CliRunner

from quillwise.kinematics.asking import standing
from quillwise.kinematics.assembly import Assembly
from quillwise.kinematics.candidates import candidates
from quillwise.kinematics.errors import RequestError, SceneError
from quillwise.kinematics.model import Engine
from quillwise.kinematics.readings import BreakReading, Proposal, Readings
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import parse_mistake
from quillwise.kinematics.timing import timing_table
from quillwise.scenes import library
from quillwise.scenes import readings as reader
from quillwise.scenes.answers import asked_for, head_text, table_text
from quillwise.scenes.judging import packaged as packaged_judgement
from quillwise.viz import asking, cli

JUDGEMENT = packaged_judgement()


@dataclass
class Fitter:
    """Hears a prompt and answers it. He is told the proposal by the loop that is tested, as a fitter reads it."""

    engine: Engine
    found: Assembly
    rng: np.random.Generator
    asked: list[Proposal] = field(default_factory=list)

    answers: int = 0

    def hear(self, _prompt: str) -> str:
        self.answers += 1
        assert self.answers <= len(self.asked), f"an answer was refused: {self.asked[-1].name}"
        return typed(self.engine, self.found, self.asked[-1], self.rng)


def loop(monkeypatch: pytest.MonkeyPatch, folder: Path, scene: str, mistake: str, until: float) -> asking.Asked:
    engine = library.engine(scene)
    fitter = Fitter(engine, play(engine, [parse_mistake(engine, mistake)]).as_set, np.random.default_rng(5))
    inner = asking._ask

    def told(notebook, now, proposal, *rest):
        fitter.asked.append(proposal)
        return inner(notebook, now, proposal, *rest)

    monkeypatch.setattr(asking, "_ask", told)
    path = folder / "as-found.toml"
    path.write_text(head_text(scene, disc_proved=True), encoding="utf-8")
    return asking.go_on(
        asking.Notebook(path=path, engine=engine, judgement=JUDGEMENT), until, lambda _text: None, fitter.hear
    )


@pytest.mark.parametrize(
    ("scene", "mistake", "named"),
    [pytest.param(*one, marks=() if number == 6 else pytest.mark.slow) for number, one in enumerate(MISTAKES)],
)
def test_ten_faults_are_found_with_fewer_readings_than_all(
    scene, mistake, named, tmp_path, monkeypatch, record_property
):
    """The fault is in the first place or in its tie, by half of the readings that the timing table has, or less."""
    asked = loop(monkeypatch, tmp_path, scene, mistake, until=0.9)
    every = len(timing_table(library.engine(scene), play(library.engine(scene)).as_set))
    record_property("readings", f"{asked.taken} of {every}")
    print(f"{scene} {mistake}: {asked.taken} readings of {every}, {asked.minutes:g} minutes, {asked.ending}")
    causes = asked.standing.diagnosis.causes
    leading = [cause.name for number, cause in enumerate(causes) if number == 0 or cause.tied]
    assert any(named in name for name in leading), leading
    assert asked.taken <= every / 2
    if asked.ending == "stands out":
        assert causes[0].probability >= 0.9


def command(folder: Path, *arguments: str, lines: str, engine: str = "slipway-six") -> subprocess.CompletedProcess[str]:
    """``diagnose --ask as-found.toml`` in a process of its own, with these lines on its stdin."""
    return subprocess.run(
        [sys.executable, "-m", "quillwise.viz.cli", "diagnose", "--ask", "as-found.toml", engine, *arguments],
        input=lines,
        capture_output=True,
        text=True,
        cwd=folder,
        check=False,
    )


def test_a_conversation_on_stdin(tmp_path):
    """Each answer is kept at once; wrong ones are asked again; what cannot be taken is not asked for any more."""
    path = tmp_path / "as-found.toml"
    first = command(tmp_path, lines="perhaps\nyes\n1\n99 BTCD\n21.5\nskip\ncannot\nstop\n")
    assert first.returncode == 1, first.stderr
    assert first.stderr == ""
    assert 'Expected "yes" or "no".' in first.stdout
    assert "expected degrees and BTDC, ATDC, BBDC or ABDC" in first.stdout
    assert "2 readings taken, 6.5 minutes of work. Stopped" in " ".join(first.stdout.split())
    kept = tomllib.loads(path.read_text(encoding="utf-8"))
    assert kept["engine"] == "slipway-six" and kept["disc_proved"] is True
    assert [row["kind"] for row in kept["sights"]] == ["leads as the chart"]
    assert [row["crank_deg"] for row in kept["points_breaks"]] == [21.5]
    (left_out,) = (row["reading"] for row in kept["left_out"])
    path.write_text("# his own remark\n" + path.read_text(encoding="utf-8"), encoding="utf-8")
    again = command(tmp_path, "--json", lines="")
    assert again.returncode == 1
    record = json.loads(again.stdout)
    assert record["asked"]["ended"] == "stopped" and record["asked"]["taken"] == 0
    assert record["readings"] == 2
    assert "Reading 3: " in again.stderr and left_out.lower() not in again.stderr.lower()
    assert path.read_text(encoding="utf-8").startswith("# his own remark\n")


def test_an_answer_that_contradicts_what_is_kept_is_not_kept(tmp_path):
    engine = library.engine("slipway-six")
    path = tmp_path / "as-found.toml"
    row = '[[points_breaks]]\nmagneto = "winch"\nfinger_on = "A1"\ncrank_deg = {}\nuncertainty_deg = 0.4\n'
    path.write_text(head_text("slipway-six", disc_proved=True) + row.format(100.0), encoding="utf-8")
    before = path.read_bytes()
    with pytest.raises(SceneError, match="is read twice"):
        asking.Notebook(path=path, engine=engine, judgement=JUDGEMENT).add(row.format(140.0))
    assert path.read_bytes() == before
    path.write_text('format = 1\nengine = "slipway-six"\nsights = []\n', encoding="utf-8")
    with pytest.raises(RequestError, match="write it as tables first"):
        asking.Notebook(path=path, engine=engine, judgement=JUDGEMENT).add(
            '[[sights]]\nkind = "lever at its stop"\nsubject = "winch"\n'
        )
    assert list(tmp_path.iterdir()) == [path], "no unfinished file is left"


def test_ctrl_c_leaves_the_file_whole_and_the_work_goes_on(tmp_path):
    path = tmp_path / "as-found.toml"
    path.write_text(head_text("slipway-six", disc_proved=True), encoding="utf-8")
    process = subprocess.Popen(
        [sys.executable, "-m", "quillwise.viz.cli", "diagnose", "--ask", "as-found.toml"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=tmp_path,
    )
    assert process.stdin and process.stdout
    process.stdin.write("1\n")
    process.stdin.flush()
    for line in process.stdout:
        if line.startswith("Reading 2: "):
            break
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=60)
    assert process.returncode == 130
    assert errors.splitlines()[-2:] == [
        "All readings are kept; to go on: quillwise diagnose --ask as-found.toml",
        "Interrupted.",
    ]
    assert [row["kind"] for row in tomllib.loads(path.read_text(encoding="utf-8"))["sights"]] == ["leads as the chart"]
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--until", "1.2"), "--until: expected a probability between 0 and 1, together with --ask, got 1.2"),
        (("slipway-six", "slipway-six"), "with --ask give the engine alone, got slipway-six before it"),
        (("no-such",), 'unknown engine "no-such"'),
        ((), "no answer: nothing is written"),
    ],
)
def test_wrong_requests_to_ask(arguments, message, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(cli.app, ["diagnose", "--ask", "as-found.toml", *arguments], prog_name="quillwise")
    assert result.exit_code == 2
    assert message in result.stderr
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("scene", library.names())
def test_every_kind_of_proposal_can_be_asked_and_answered(scene):
    """What a fitter types for each of them becomes a table that the reader takes, with the same subject."""
    engine = library.engine(scene)
    found = play(engine).as_set
    rng = np.random.default_rng(1)
    kinds = {}
    for one in candidates(engine, Readings()):
        kinds.setdefault((type(one.outcomes[0]), getattr(one.outcomes[0], "kind", "")), one)
    assert len(kinds) >= 10
    for one in kinds.values():
        proposal = Proposal(
            name=one.name, kind=one.kind, entry=one.outcomes[0], outcomes=one.outcomes, bits=1.0, minutes=1.0,
            tool=one.tool, destroys=one.destroys,
        )  # fmt: skip
        assert asked_for(engine, proposal)
        text = head_text(scene, disc_proved=False) + table_text(
            proposal, typed(engine, found, proposal, rng), 2.0, engine.sheet.length_unit
        )
        (entry,) = reader.readings(engine, reader.from_table(tomllib.loads(text), "x"), "x").entries
        assert type(entry) is type(one.outcomes[0])
        assert entry.name in {outcome.name for outcome in one.outcomes} | {one.name}
        for field_name in ("u_deg", "u_mm"):
            if hasattr(entry, field_name):
                assert getattr(entry, field_name) == pytest.approx(getattr(one.outcomes[0], field_name), abs=1e-5)


def test_a_cause_that_stands_out_ends_it():
    """By the stated probability: at once where it is passed already, not at all below it."""
    engine = library.engine("slipway-six")
    faulty = play(engine, [parse_mistake(engine, "exhaust-stroke:winch")]).as_set
    breaks = [event for event in timing_table(engine, faulty) if event.magneto][:3]
    entries = tuple(
        BreakReading(magneto=event.magneto, finger_on=event.cylinder, crank_deg=event.as_set_deg, u_deg=0.2)
        for event in breaks
    )
    readings = Readings(entries=entries, disc_proved=True)
    certain = standing(engine, readings, JUDGEMENT).diagnosis.causes[0].probability
    ends = standing(engine, readings, JUDGEMENT, until=certain - 0.01)
    goes_on = standing(engine, readings, JUDGEMENT, until=certain + (1 - certain) / 2)
    assert (ends.ending, ends.proposals) == ("stands out", ())
    assert goes_on.ending is None
    assert all(one.bits >= JUDGEMENT.worth_bits for one in goes_on.proposals)
    every = [one.name for one in candidates(engine, readings)]
    assert standing(engine, readings, JUDGEMENT, until=0.99999, left_out=every).ending == "nothing more"
