"""The learner's mode: what is asked of a step, and how a reply is marked. Pure; the answers are computed from the step.

Asked: the mark that has to stand under the pointer, the stroke of the cylinder there, the direction in which a shaft is
turned, the tooth at which a quill goes home.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Literal

from quillwise.kinematics.angles import format_crank, stroke
from quillwise.kinematics.couplings import best
from quillwise.kinematics.marks import timing_valve
from quillwise.kinematics.model import CRANKSHAFT, Engine, turning
from quillwise.kinematics.steps import CRANK, Step

About = Literal["mark", "stroke", "direction", "tooth"]
_MOST_CHOICES = 4
_AT_DEAD_CENTRE_DEG = 0.5
_STROKES = ("power", "exhaust", "inlet", "compression")


@dataclass(frozen=True, kw_only=True, slots=True)
class Question:
    """A question of a step. ``answer``: index of the right choice; ``why``: what makes it right."""

    step: int
    about: About
    text: str
    choices: tuple[str, ...]
    answer: int
    why: str

    @property
    def key(self) -> tuple[int, str]:
        return self.step, self.about


@dataclass(frozen=True, kw_only=True, slots=True)
class Lesson:
    """How a lesson goes: the reply (index of the choice) to each question asked so far, and the marks."""

    replies: Mapping[tuple[int, str], int] = field(default_factory=lambda: MappingProxyType({}))
    right: int = 0
    wrong: int = 0
    last: Question | None = None  # the question that was replied to last

    @property
    def last_reply(self) -> int | None:
        return None if self.last is None else self.replies[self.last.key]


def questions(engine: Engine, steps: Sequence[Step], number: int) -> tuple[Question, ...]:
    """What is asked of the step with that index, in order; empty where there is nothing to ask."""
    step = steps[number]
    found = (
        _mark(engine, step, number),
        _stroke(engine, step, number),
        _direction(engine, step, number),
        _tooth(step, number),
    )
    return tuple(question for question in found if question is not None)


def open_question(engine: Engine, steps: Sequence[Step], number: int, now: Lesson) -> Question | None:
    """The first question of a step that is not replied to yet."""
    return next((each for each in questions(engine, steps, number) if each.key not in now.replies), None)


def replied(now: Lesson, question: Question, choice: int) -> Lesson:
    """The lesson after a reply; one to a question that was replied to changes nothing."""
    if question.key in now.replies or not 0 <= choice < len(question.choices):
        return now
    good = choice == question.answer
    return replace(
        now,
        replies=MappingProxyType({**now.replies, question.key: choice}),
        right=now.right + good,
        wrong=now.wrong + (not good),
        last=question,
    )


def marked(question: Question, choice: int) -> tuple[str, str]:
    """The mark of a reply: a sign and a sentence."""
    if choice == question.answer:
        return "✓", f"Right: {question.choices[choice]}. {question.why}"
    return "✗", f"Wrong: {question.choices[choice]}. It is {question.choices[question.answer]}. {question.why}"


def _rotated(choices: Sequence[str], right: str, number: int) -> tuple[tuple[str, ...], int]:
    """At most four choices with the right one among them, begun at another place for each step, so that the place of
    the right one tells nothing."""
    others = [each for each in choices if each != right][: _MOST_CHOICES - 1]
    at = number % (len(others) + 1)
    return (*others[:at], right, *others[at:]), at


def _right_mark(engine: Engine, step: Step) -> str:
    """The mark of the step's job by the data, whatever mark the step took."""
    for job in engine.sheet.setup:
        if job.mark and step.job in (f"{job.magneto} magneto", _camshaft_of(engine, job.mark)):
            return job.mark
    return step.mark


def _camshaft_of(engine: Engine, mark: str) -> str:
    for job in engine.sheet.setup:
        if job.do == "set-camshaft" and job.mark == mark:
            return timing_valve(engine, job).camshaft
    return ""


def _mark(engine: Engine, step: Step, number: int) -> Question | None:
    labels = [mark.label for mark in engine.marks]
    right = _right_mark(engine, step)
    if not step.mark or len(labels) < 2 or right not in labels:
        return None
    choices, answer = _rotated(labels, right, number)
    degrees = next(mark.crank_deg for mark in engine.marks if mark.label == right)
    return Question(
        step=number,
        about="mark",
        text=f"To set {step.job}: which mark of the disc has to stand under the pointer?",
        choices=choices,
        answer=answer,
        why=f"It is the mark of this job in the data, at {format_crank(degrees, 0)}° of the cycle.",
    )


def _cylinder_of(engine: Engine, step: Step) -> str:
    for job in engine.sheet.setup:
        if job.mark and job.mark == _right_mark(engine, step):
            return job.cylinder
    return ""


def _stroke(engine: Engine, step: Step, number: int) -> Question | None:
    cylinder = _cylinder_of(engine, step) if step.mark else ""
    if not cylinder:
        return None
    mark = next(mark.crank_deg for mark in engine.marks if mark.label == _right_mark(engine, step))
    own = mark - engine.cylinders[cylinder].firing_deg
    if min(own % 180.0, -own % 180.0) < _AT_DEAD_CENTRE_DEG:
        return None  # between two strokes
    right = stroke(own)
    choices, answer = _rotated(_STROKES, right, number + 1)
    return Question(
        step=number,
        about="stroke",
        text=f"On which stroke of {cylinder} must the crank be when it comes to that mark?",
        choices=choices,
        answer=answer,
        why=f"The mark passes the pointer once a turn: only every second pass is the {right} stroke.",
    )


def _direction(engine: Engine, step: Step, number: int) -> Question | None:
    move = next((each for each in step.moves if each.start != each.end), None)
    if move is None or step.job == "prepare" or step.trials:
        return None  # TDC is proved from both sides; a quill that goes home moves its shaft by itself
    moved = CRANKSHAFT if move.coordinate == CRANK else move.coordinate
    if moved not in engine.shafts:
        return None
    forward = (move.end - move.start) * (1 if moved == CRANKSHAFT else engine.shafts[moved].sense) > 0
    # of a free shaft that drives a camshaft the camshaft itself is told, as the step's text does
    name = engine.valves[step.valve].camshaft if step.valve and moved != CRANKSHAFT else moved
    shaft = engine.shafts[name]
    right = turning(shaft.sense if forward else -shaft.sense)
    choices, answer = ("clockwise", "anticlockwise"), int(right == "anticlockwise")
    return Question(
        step=number,
        about="direction",
        text=f"In which direction do you turn the {name}, seen from the {shaft.seen_from}?",
        choices=choices,
        answer=answer,
        why="That is its running direction: the backlash stays on the right side.",
    )


def _tooth(step: Step, number: int) -> Question | None:
    if not step.trials or not step.key.endswith("-try"):
        return None
    chosen, count = best(step.trials).driving_tooth, len(step.trials)
    others = dict.fromkeys(tooth % count for tooth in (chosen + 2, chosen - 3, chosen + count // 2, 0, 1))
    named = [f"tooth {tooth}" for tooth in others if tooth != chosen]
    choices, answer = _rotated(named, f"tooth {chosen}", number + chosen)
    out = best(step.trials)
    return Question(
        step=number,
        about="tooth",
        text=f"Turned on by how many driving teeth does {step.coupling} go home best? Try it with t.",
        choices=choices,
        answer=answer,
        why=f"There it is only {abs(out.out_of_line_deg):.2f}° of its shaft out of line.",
    )
