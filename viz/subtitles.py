"""The captions of a film as a WebVTT file: for who cannot see the pictures' text, or plays the film small.

Format: W3C, WebVTT: The Web Video Text Tracks Format.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from quillwise.kinematics.angles import format_crank
from quillwise.kinematics.model import Engine
from quillwise.kinematics.steps import Step
from quillwise.kinematics.wording import DISCLAIMER


@dataclass(frozen=True, kw_only=True, slots=True)
class Cue:
    """Lines that are shown from start to end [s]."""

    start_s: float
    end_s: float
    lines: tuple[str, ...]


def step_cues(steps: Sequence[Step], counts: Sequence[int], of: int, fps: int) -> tuple[Cue, ...]:
    """A cue a step: its number and title, its cautions, what is done and what is seen. counts: pictures of each."""
    cues = []
    begun = 0
    for step, count in zip(steps, counts, strict=True):
        cautions = [str(caution) for caution in step.text.cautions if caution.level != "NOTE"]
        seen = [f"{where}: {what}" for where, what in step.text.see]
        lines = (f"{step.number} / {of} {step.text.title}", *cautions, *step.text.do, *seen)
        cues.append(Cue(start_s=begun / fps, end_s=(begun + count) / fps, lines=lines))
        begun += count
    return tuple(cues)


def cycle_cues(engine: Engine, count: int, fps: int) -> tuple[Cue, ...]:
    """A cue from each firing TDC to the next, for a film of a full cycle from crank angle 0 in ``count`` pictures."""
    length = count / fps
    firing = sorted((cylinder.firing_deg % 720.0, name) for name, cylinder in engine.cylinders.items())
    ends = [angle for angle, _ in firing] + [720.0 + firing[0][0]]
    cues = []
    for (start, end), (_, name) in zip(pairwise(ends), firing, strict=True):
        line = f"From {format_crank(start, 0)} degrees: power stroke of {name}."
        cues.append(Cue(start_s=start / 720.0 * length, end_s=min(end, 720.0) / 720.0 * length, lines=(line,)))
    return tuple(cues)


def webvtt(cues: Sequence[Cue]) -> str:
    """The file. Every line is text: signs that would be markup are written as character references."""
    blocks = ["WEBVTT", f"NOTE {DISCLAIMER}"]
    for number, cue in enumerate(cues, start=1):
        text = "\n".join(_plain(line) for line in cue.lines)
        blocks.append(f"{number}\n{_time(cue.start_s)} --> {_time(cue.end_s)}\n{text}")
    return "\n\n".join(blocks) + "\n"


def _plain(line: str) -> str:
    one = " ".join(line.split())
    return one.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _time(seconds: float) -> str:
    whole = round(1000 * seconds)
    minutes, ms = divmod(whole, 60_000)
    hours, minutes = divmod(minutes, 60)
    return f"{hours:02d}:{minutes:02d}:{ms // 1000:02d}.{ms % 1000:03d}"
