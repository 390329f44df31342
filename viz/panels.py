"""What stands in the text's rectangle: the step, the trial with its buttons, or the question with its choices."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from quillwise.kinematics.steps import Step
from quillwise.viz import board, lesson
from quillwise.viz.actions import NAMED
from quillwise.viz.bench_trial import COARSE_DEG, FINE_DEG, BenchTrial
from quillwise.viz.board import Paragraph
from quillwise.viz.buttons import Button, Placed
from quillwise.viz.lesson import Lesson, Question
from quillwise.viz.session import Session, Work, asked, step_of
from quillwise.viz.trial_words import compared, told

Picture = NDArray[np.uint8]
_TITLE = 1.15


def text_panel(now: Session, job: Work, size_px: tuple[int, int], scale: float) -> tuple[Picture, tuple[Placed, ...]]:
    """The picture for the text's rectangle (H, W, 3), and the buttons in it."""
    step = step_of(now, job)
    if now.comparing and now.trial is None:
        return _compared(job, size_px, scale)
    if now.trial is not None:
        return _trial(job, step, now.trial, size_px, scale)
    question = asked(now, job)
    if question is not None:
        assert now.lesson is not None
        return _question(question, now.lesson, size_px, scale)
    if now.lesson is not None:
        return _answered(now.lesson, job, step, size_px, scale)
    return board.step_panel(step, len(job.steps), size_px, scale, job.engine.sheet.length_unit), ()


def panel_key(now: Session) -> object:
    """What the panel depends on: the same, and it need not be drawn again."""
    return now.playback.step, now.trial, now.lesson, now.comparing


def _button(name: str, words: str) -> Button:
    action = NAMED[name]
    return Button(key=action.keys[0], words=words, hint=action.shown)


def _trial(
    job: Work, step: Step, trial: BenchTrial, size_px: tuple[int, int], scale: float
) -> tuple[Picture, tuple[Placed, ...]]:
    says = told(job.engine, step, trial)
    paragraphs = [Paragraph(says.title, size=_TITLE, bold=True)]
    paragraphs += [Paragraph(text, lead=sign or "•") for sign, text in says.lines]
    if trial.kind == "teeth":
        rows = [
            [
                _button("driving back", "Driving end: tooth back"),
                _button("driving on", "tooth on"),
                _button("driven back", "Driven end: tooth back"),
                _button("driven on", "tooth on"),
            ],
            [
                _button("draw", "Draw it"),
                _button("home", "Put it home"),
                _button("let go", "Let the shaft turn, push home"),
                _button("try", "Leave"),
            ],
        ]
    else:
        rows = [
            [
                _button("driving back", f"{COARSE_DEG:g}° back"),
                _button("driven back", f"{FINE_DEG:g}° back"),
                _button("driven on", f"{FINE_DEG:g}° on"),
                _button("driving on", f"{COARSE_DEG:g}° on"),
                _button("try", "Leave"),
            ]
        ]
    return board.panel(paragraphs, rows, size_px, scale)


def _compared(job: Work, size_px: tuple[int, int], scale: float) -> tuple[Picture, tuple[Placed, ...]]:
    says = compared(job.engine, job.played.as_set, job.fault)
    paragraphs = [Paragraph(says.title, size=_TITLE, bold=True)]
    paragraphs += [Paragraph(text, lead=sign or "•") for sign, text in says.lines]
    rows = [
        [
            _button("crank -10", "Crank 10° back"),
            _button("crank +10", "Crank 10° on"),
            _button("compare", "Leave"),
        ]
    ]
    return board.panel(paragraphs, rows, size_px, scale)


def _question(
    question: Question, now: Lesson, size_px: tuple[int, int], scale: float
) -> tuple[Picture, tuple[Placed, ...]]:
    paragraphs = [
        Paragraph(f"Step {question.step + 1}: what do you do?", size=_TITLE, bold=True),
        *_last(now, question.step),
        Paragraph(question.text, size=1.1),
        Paragraph(_score(now)),
    ]
    rows = [[Button(key=str(at), words=choice, hint=str(at))] for at, choice in enumerate(question.choices, start=1)]
    return board.panel(paragraphs, rows, size_px, scale)


def _answered(
    now: Lesson, job: Work, step: Step, size_px: tuple[int, int], scale: float
) -> tuple[Picture, tuple[Placed, ...]]:
    """The step's own text, the marks of its last reply over it."""
    number = step.number - 1
    paragraphs = [
        *_last(now, number),
        Paragraph(_score(now)),
        *board.step_paragraphs(step, len(job.steps), job.engine.sheet.length_unit),
    ]
    rows = [[Button(key="space", words="Play the step", hint="space"), Button(key="Right", words="Next", hint="→")]]
    return board.panel(paragraphs, rows, size_px, scale)


def _last(now: Lesson, step: int) -> list[Paragraph]:
    if now.last is None or now.last.step != step or now.last_reply is None:
        return []
    sign, text = lesson.marked(now.last, now.last_reply)
    return [Paragraph(text, lead=sign)]


def _score(now: Lesson) -> str:
    return f"So far: {now.right} right, {now.wrong} wrong."
