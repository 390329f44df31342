"""``diagnose --ask``: from reading to reading in the terminal, each kept at once in a readings file."""

from __future__ import annotations

import textwrap
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from quillwise.kinematics.errors import RequestError, SceneError
from quillwise.scenes.places import printable
from quillwise.viz.writing import write_whole

if TYPE_CHECKING:
    from quillwise.kinematics.asking import Standing
    from quillwise.kinematics.judgement import Judgement
    from quillwise.kinematics.model import Engine
    from quillwise.kinematics.readings import Proposal, Readings
    from quillwise.scenes.readings import ReadingsKeys

Say = Callable[[str], None]
Hear = Callable[[str], str]
"""Asks for a line with a prompt; EOFError when there is no more."""
_WORDS = "Or type skip (not now), cannot (it cannot be taken) or stop."


@dataclass(frozen=True, kw_only=True, slots=True)
class Asked:
    """How it ended. ``taken``: how many readings were answered; ``minutes``: of work that they stand for."""

    readings: Readings
    standing: Standing
    ending: str
    taken: int
    minutes: float


@dataclass(kw_only=True, slots=True)
class Notebook:
    """The readings file, read anew before each change: what is written into it by hand meanwhile is kept."""

    path: Path
    engine: Engine
    judgement: Judgement
    label: str = field(init=False)

    def __post_init__(self) -> None:
        self.label = printable(self.path.name)

    def read(self) -> tuple[ReadingsKeys, Readings]:
        """What it holds now. Raises SceneError with all that is wrong."""
        from quillwise.scenes import readings as reader

        keys, _ = reader.read(self.path)
        return keys, reader.readings(self.engine, keys, self.label, self.judgement, may_be_empty=True)

    def add(self, table: str) -> None:
        """Write a table at its end, whole or not at all. Raises SceneError where the file would then be wrong."""
        from quillwise.scenes import readings as reader

        before = self.path.read_text(encoding="utf-8-sig")
        text = (before if before.endswith("\n") else before + "\n") + table
        try:
            raw = tomllib.loads(text)
        except tomllib.TOMLDecodeError:
            raise RequestError(
                f"{self.label} holds a list in brackets where a table [[…]] is to be added: write it as tables first"
            ) from None
        reader.readings(self.engine, reader.from_table(raw, self.label), self.label, self.judgement, may_be_empty=True)
        with write_whole(self.path, force=True) as part:
            part.write_bytes(text.encode("utf-8"))


def begin(path: Path, engine_name: str, say: Say, hear: Hear) -> None:
    """Write the head of a new readings file, whether the disc was proved being asked for. Raises OutputError."""
    from quillwise.scenes.answers import head_text

    while True:
        answer = hear("Were TDC and the disc proved before? yes or no: ").strip().lower()
        if answer in ("yes", "y", "no", "n"):
            break
        say('Expected "yes" or "no".')
    with write_whole(path) as part:
        part.write_bytes(head_text(engine_name, answer.startswith("y")).encode("utf-8"))


def go_on(notebook: Notebook, until: float | None, say: Say, hear: Hear) -> Asked:
    """Ask until one cause stands out, nothing more can be learned, or the fitter stops."""
    from quillwise.kinematics.asking import standing

    skipped: list[str] = []
    taken, minutes = 0, 0.0
    while True:
        keys, readings = notebook.read()
        left_out = [row.reading for row in keys.left_out]
        now = standing(notebook.engine, readings, notebook.judgement, until, (*left_out, *skipped))
        ending: str = now.ending or "nothing more"
        for proposal in now.proposals:
            said = _ask(notebook, now, proposal, readings.count, keys.coverage_factor, say, hear)
            if said == "taken":
                taken, minutes = taken + 1, minutes + proposal.minutes
                break
            if said == "stop":
                ending = "stopped"
                break
            # what is skipped or cannot be taken tells nothing: the next one on the list stays the next
            skipped.append(proposal.name)
        else:
            said = ""
        if said != "taken":
            return Asked(readings=readings, standing=now, ending=ending, taken=taken, minutes=minutes)


def ended_words(asked: Asked, until: float) -> str:
    """Why it ended, in a sentence or two."""
    count = f"{asked.taken} reading{'' if asked.taken == 1 else 's'} taken, {asked.minutes:g} minutes of work. "
    if asked.ending == "stands out":
        return f"{count}One cause stands above {100 * until:g} %."
    if asked.ending == "stopped":
        return f"{count}Stopped before a cause stands above {100 * until:g} %."
    return f"{count}Nothing more can be learned: no reading that is left would tell the causes apart."


def _ask(
    notebook: Notebook,
    now: Standing,
    proposal: Proposal,
    before: int,
    coverage_factor: float,
    say: Say,
    hear: Hear,
) -> str:
    """One reading: "taken", "skip", "cannot" or "stop"."""
    from quillwise.scenes.answers import asked_for, choices, left_out_text, table_text

    first = now.diagnosis.causes[0]
    say("")
    say(textwrap.fill(f"Likeliest so far: {first.name} ({100 * first.probability:.1f} %).", 80))
    name = f"{proposal.name[:1].upper()}{proposal.name[1:]}"
    say(f"Reading {before + 1}: {name}")
    say(f"  With: {proposal.tool}. It tells {proposal.bits:.2f} bits in {proposal.minutes:g} minutes.")
    if proposal.destroys:
        say("  It destroys evidence: mark the teeth with paint at both ends first.")
    for number, words in enumerate(choices(proposal), 1):
        say(f"  {number}  {words}")
    say(textwrap.fill(f"{asked_for(notebook.engine, proposal)}. {_WORDS}", 80))
    while True:
        try:
            typed = hear("> ").strip()
        except EOFError:
            return "stop"
        word = typed.lower()
        if word in ("skip", "stop"):
            return word
        try:
            if word == "cannot":
                notebook.add(left_out_text(proposal.name))
                return "cannot"
            if typed:
                notebook.add(table_text(proposal, typed, coverage_factor, notebook.engine.sheet.length_unit))
                return "taken"
            say("Expected an answer, skip, cannot or stop.")
        except SceneError as error:
            for problem in error.problems:
                say(printable(str(problem), 1000))
        except RequestError as error:
            say(f"{str(error)[:1].upper()}{str(error)[1:]}.")
