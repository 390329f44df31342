"""A step of the set-up, the mistakes that can be made in it, and the frame between two of its positions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from quillwise.kinematics.assembly import Assembly
from quillwise.kinematics.couplings import Trial
from quillwise.kinematics.errors import RequestError, unknown
from quillwise.kinematics.model import Engine
from quillwise.kinematics.parts import Part
from quillwise.kinematics.room import Room
from quillwise.kinematics.verdicts import Check
from quillwise.kinematics.wording import Text

CRANK = "crank"
Focus = Literal["whole", "window", "valve", "coupling", "magneto"]
MISTAKES = ("other-tooth", "wrong-mark", "exhaust-stroke")


@dataclass(frozen=True, kw_only=True, slots=True)
class Move:
    """A coordinate (or ``CRANK``) that goes from start to end while the step goes from ``begin`` to ``until`` (0–1)."""

    coordinate: str
    start: float
    end: float
    begin: float = 0.0
    until: float = 1.0

    def at(self, fraction: float) -> float:
        """Value at a fraction of the step, with a soft start and stop (so that a viewer's eye can follow)."""
        span = self.until - self.begin
        u = min(1.0, max(0.0, (fraction - self.begin) / span)) if span > 0 else float(fraction >= self.until)
        return self.start + (self.end - self.start) * (3 - 2 * u) * u * u


@dataclass(frozen=True, kw_only=True, slots=True)
class Step:
    """A step as it was played. ``crank_deg``: unwrapped θ before and after. ``during``: the assembly while the
    moves run, ``after``: when it is done. ``about``: the parts in question. ``trials``: of the coupling tried.
    ``readings``: how many there are, where ``checks`` are only the furthest out of each kind, else 0."""

    number: int
    key: str
    job: str
    text: Text
    focus: Focus
    about: tuple[Part, ...]
    crank_deg: tuple[float, float]
    moves: tuple[Move, ...]
    during: Assembly
    after: Assembly
    checks: tuple[Check, ...] = ()
    readings: int = 0
    room: Room | None = None
    coupling: str = ""
    trials: tuple[Trial, ...] = ()
    chosen: Trial | None = None
    passes: int = 0
    mark: str = ""
    magneto: str = ""
    valve: str = ""
    mistake: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Frame:
    """One moment of the job: what ``motion`` needs."""

    assembly: Assembly
    crank_deg: float
    free: Mapping[str, float]


def frame(step: Step, fraction: float) -> Frame:
    """The moment at a ``fraction`` (0–1) of a step, with a soft start and stop: crank [deg, not wrapped] and the free
    coordinates [deg, mm]. Beyond 0–1 it is held at the end. Raises nothing."""
    if fraction >= 1.0:
        return Frame(assembly=step.after, crank_deg=step.crank_deg[1], free={})
    values = {move.coordinate: move.start for move in reversed(step.moves)}
    for move in step.moves:
        if fraction >= move.begin:
            values[move.coordinate] = move.at(fraction)
    crank = values.pop(CRANK, step.crank_deg[0])
    return Frame(assembly=step.during, crank_deg=crank, free=values)


@dataclass(frozen=True, kw_only=True, slots=True)
class Mistake:
    """A step done wrong on purpose. ``at``: the coupling, camshaft or magneto; ``amount``: teeth, for other-tooth;
    ``mark``: label of the mark that is taken instead, for wrong-mark (empty: the next one on the disc)."""

    kind: Literal["other-tooth", "wrong-mark", "exhaust-stroke"]
    at: str
    amount: int = 1
    mark: str = ""

    def __str__(self) -> str:
        extra = f"={self.amount:+d}" if self.kind == "other-tooth" else (f"={self.mark}" if self.mark else "")
        return f"{self.kind}:{self.at}{extra}"


def parse_mistake(engine: Engine, text: str) -> Mistake:
    """Read ``KIND:AT`` or ``KIND:AT=WHAT``: ``other-tooth:quill-a=+2`` (teeth on, − back), ``wrong-mark:camshaft B``,
    ``exhaust-stroke:exhaust-side``. Raises RequestError with what is allowed.

    >>> from quillwise.scenes.library import engine
    >>> str(parse_mistake(engine("larkfell-port"), "other-tooth:quill-b"))
    'other-tooth:quill-b=+1'
    """
    kind, _, rest = text.partition(":")
    at, _, what = rest.partition("=")
    at, what = at.strip(), what.strip()
    if kind == "other-tooth":
        if at not in engine.couplings:
            raise RequestError(unknown("coupling", at, engine.couplings))
        try:
            amount = int(what) if what else 1
        except ValueError:
            raise RequestError(f'expected a whole number of teeth after "=", got "{what}"') from None
        count = engine.couplings[at].data.driving_teeth
        if amount % count == 0:
            raise RequestError(f"expected a number of teeth that is not a multiple of {count}, got {amount}")
        return Mistake(kind="other-tooth", at=at, amount=amount)
    if kind == "wrong-mark":
        allowed = [*engine.camshafts, *engine.magnetos]
        if at not in allowed:
            raise RequestError(unknown("camshaft or magneto", at, allowed))
        right = _right_mark(engine, at)
        if not right:
            raise RequestError(f"no step of the set-up sets {at}: there is no mark to take a wrong one for")
        labels = [mark.label for mark in engine.marks if mark.label != right]
        if not labels:
            raise RequestError(f'the timing disc bears no mark but "{right}": there is no wrong one to take for {at}')
        if what == right:
            raise RequestError(f'"{what}" is the right mark for {at}; others: {", ".join(labels)}')
        if what and what not in labels:
            raise RequestError(unknown("mark", what, labels))
        return Mistake(kind="wrong-mark", at=at, mark=what)
    if kind == "exhaust-stroke":
        if at not in engine.magnetos:
            raise RequestError(unknown("magneto", at, engine.magnetos))
        if what:
            raise RequestError(f'expected nothing after "{at}", got "={what}"')
        return Mistake(kind="exhaust-stroke", at=at)
    raise RequestError(unknown("mistake", kind, MISTAKES))


def _right_mark(engine: Engine, at: str) -> str:
    """Label of the mark at which the scene sets a camshaft or a magneto, empty if it does not."""
    return next((job.mark for job in engine.sheet.setup if at in (job.camshaft, job.magneto)), "")
