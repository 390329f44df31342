"""What the window shows, as plain data: where the playing stands, the trial, the comparison, the parts picked and put
away, the lesson. A key in, the next session out; a button presses its key. Nothing here draws.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from quillwise.kinematics.assembly import Assembly
from quillwise.kinematics.couplings import best
from quillwise.kinematics.model import Engine
from quillwise.kinematics.parts import Part
from quillwise.kinematics.sequence import Played, play
from quillwise.kinematics.steps import Frame, Mistake, Step, parse_mistake
from quillwise.viz import bench_trial, lesson, playback
from quillwise.viz.actions import BY_KEY
from quillwise.viz.bench_trial import BenchTrial
from quillwise.viz.lesson import Lesson
from quillwise.viz.playback import Playback

SLIDE_S = 0.5
_ARRIVED = 1e-9
_CRANK = ("crank -10", "crank -1", "crank +1", "crank +10")


@dataclass(frozen=True, kw_only=True, slots=True)
class Work:
    """What the window is about: an engine, its set-up as played, and the assembly that is intended. ``fault``: what was
    done wrong on purpose, in words, else empty."""

    engine: Engine
    played: Played
    intended: Assembly
    fault: str = ""

    @property
    def steps(self) -> tuple[Step, ...]:
        return self.played.steps


def work(engine: Engine, played: Played, fault: str = "") -> Work:
    """The work at an engine. Without a word for its fault, the mistakes that its steps made are named."""
    made = [parse_mistake(engine, step.mistake) for step in played.steps if step.mistake]
    intended = play(engine).as_set if made else played.as_set
    words = "; ".join(mistake_words(engine, mistake) for mistake in made)
    return Work(engine=engine, played=played, intended=intended, fault=fault or words)


def mistake_words(engine: Engine, mistake: Mistake) -> str:
    """What a mistake is, in words."""
    if mistake.kind == "other-tooth":
        count = abs(mistake.amount)
        teeth = "1 tooth" if count == 1 else f"{count} teeth"
        return f"{mistake.at} put home {teeth} {'on' if mistake.amount > 0 else 'back'}"
    what = f"{mistake.at} magneto" if mistake.at in engine.magnetos else mistake.at
    if mistake.kind == "exhaust-stroke":
        return f"{what} set on the exhaust stroke"
    return f"{what} set at the mark “{mistake.mark}”" if mistake.mark else f"{what} set at another mark"


@dataclass(frozen=True, kw_only=True, slots=True)
class Session:
    """Where the user has got to. ``note``: what is told in the state line once. ``ghosts``: see-through by choice.
    ``drawn_share``: how far the quill of the trial is drawn now, 0 (home) to 1: it slides there in ``SLIDE_S``."""

    playback: Playback = field(default_factory=Playback)
    trial: BenchTrial | None = None
    drawn_share: float = 1.0
    comparing: bool = False
    lesson: Lesson | None = None
    picked: Part | None = None
    hidden: frozenset[Part] = frozenset()
    ghosts: frozenset[Part] = frozenset()
    help: bool = False
    note: str = ""


def step_of(now: Session, job: Work) -> Step:
    """The step that is shown."""
    return job.steps[now.playback.step]


def moment(now: Session, job: Work) -> Frame:
    """The moment that is shown: of the trial, of the engine as found, or of the set-up."""
    step = step_of(now, job)
    if now.comparing:
        return Frame(assembly=found(now, job), crank_deg=_crank(now, job), free={})
    if now.trial is not None:
        return bench_trial.moment(job.engine, step, now.trial, now.drawn_share)
    return playback.moment(now.playback, job.steps)


def found(now: Session, job: Work) -> Assembly:
    """The assembly "as found": coupled by the user's own choice at a trial, else as the set-up left it."""
    if now.trial is not None:
        return bench_trial.coupled(job.engine, step_of(now, job), now.trial)
    return job.played.as_set


def wanted(now: Session, job: Work) -> Assembly:
    """The assembly "as intended" that is compared with ``found``."""
    if now.trial is None:
        return job.intended
    step = step_of(now, job)
    if now.trial.kind != "teeth":
        held = replace(now.trial, shaft_deg=bench_trial.wanted_deg(job.engine, step, now.trial))
        return bench_trial.coupled(job.engine, step, held)
    chosen = best(step.trials)
    right = replace(now.trial, driving_tooth=chosen.driving_tooth, driven_tooth=chosen.driven_tooth)
    return bench_trial.coupled(job.engine, step, right)


def out_of_line_deg(now: Session, job: Work) -> float | None:
    """By how much the quill of a trial is out of line at the teeth that the user chose [deg of its shaft]; None where
    the nearest teeth tell it."""
    if now.trial is None or now.trial.kind != "teeth" or now.trial.home or now.comparing:
        return None
    return bench_trial.offered(job.engine, step_of(now, job), now.trial).out_of_line_deg


def asked(now: Session, job: Work) -> lesson.Question | None:
    """The question that waits for its reply, if one does."""
    return None if now.lesson is None else lesson.open_question(job.engine, job.steps, now.playback.step, now.lesson)


def replies(now: Session, key: str, job: Work) -> bool:
    """Whether a key replies to the question that waits, so that it does nothing else."""
    question = asked(now, job)
    return question is not None and key.isdigit() and 1 <= int(key) <= len(question.choices)


def pressed(now: Session, key: str, job: Work) -> Session:
    """What a key does to what is shown. Keys that save, look from elsewhere or close are the window's own."""
    now = replace(now, note="")
    if replies(now, key, job):
        question = asked(now, job)
        assert now.lesson is not None and question is not None
        return replace(now, lesson=lesson.replied(now.lesson, question, int(key) - 1))
    action = BY_KEY.get(key)
    if action is None:
        return now
    if action.where == "trial":
        return _tried(now, action.name, job)
    if action.where == "play":
        return _played(now, action.name, action.keys[0], job)
    does = _OWN.get(action.name)
    return now if does is None else does(now, job)


def advanced(now: Session, seconds: float, job: Work) -> Session:
    """The session after a span of time. A question stops the playing where its step begins."""
    if now.trial is not None:
        return _slid(now, now.trial, seconds)
    if not now.playback.playing:
        return now
    before = now.playback.step
    later = replace(now, playback=playback.advance(now.playback, seconds, job.steps))
    if later.playback.step != before and asked(later, job) is not None:
        start = playback.at_step(later.playback, later.playback.step)
        return replace(later, playback=replace(start, playing=False))
    return later


def scrubbed(now: Session, cycle_deg: float, job: Work) -> Session:
    """The crank turned by hand to an angle of the cycle. At a trial it stays: the shaft is held against it."""
    if now.trial is not None and not now.comparing:
        return replace(now, note="The crank is held: leave the trial first (t).")
    return replace(now, note="", playback=playback.scrubbed_to_cycle(now.playback, cycle_deg, job.steps))


def picked(now: Session, part: Part | None) -> Session:
    """A part clicked, or none."""
    return replace(now, picked=part, note="")


def pressed_keys(now: Session) -> frozenset[str]:
    """Keys whose button is down: what is switched on."""
    on = {
        "space": now.playback.playing,
        "t": now.trial is not None,
        "c": now.comparing,
        "l": now.lesson is not None,
        "h": now.help,
        "g": now.picked is not None and now.picked in now.ghosts,
    }
    return frozenset(key for key, down in on.items() if down)


def idle_keys(now: Session, job: Work) -> frozenset[str]:
    """Keys whose button would do nothing now."""
    step = step_of(now, job)
    off = {
        "t": now.trial is None and bench_trial.begin(job.engine, step) is None,
        "c": not now.comparing and now.trial is None and not job.fault,
        "z": now.picked is None,
        "x": now.picked is None,
        "g": now.picked is None,
        "u": not (now.hidden or now.ghosts),
        "Left": now.playback.step == 0,
        "Right": now.playback.step == len(job.steps) - 1,
    }
    return frozenset(key for key, nothing in off.items() if nothing)


def _crank(now: Session, job: Work) -> float:
    return playback.moment(now.playback, job.steps).crank_deg


def _played(now: Session, name: str, key: str, job: Work) -> Session:
    if name in _CRANK and now.trial is not None and not now.comparing:
        return replace(now, note="The crank is held: leave the trial first (t).")
    question = asked(now, job)
    if name == "play" and question is not None:
        return replace(now, note="First reply to the question.")
    later = replace(now, playback=playback.pressed(now.playback, key, job.steps))
    if name in _CRANK:
        return later
    # to another step, or on with this one: what was tried or compared is over
    return replace(later, trial=None, comparing=False) if name not in ("slower", "faster") else later


def _tried(now: Session, deed: str, job: Work) -> Session:
    if now.trial is None:
        return replace(now, note="Nothing is being tried: press t at a step that can be tried.")
    trial = bench_trial.acted(job.engine, step_of(now, job), now.trial, deed)
    note = ""
    if now.trial.home and not trial.home:
        note = "Drawn. The shaft is held where it was at first."
    return replace(now, trial=trial, note=note)


def _slid(now: Session, trial: BenchTrial, seconds: float) -> Session:
    """The quill of a trial on its way home or out."""
    to = 0.0 if trial.home else 1.0
    if now.drawn_share == to:
        return now
    far = seconds / SLIDE_S
    share = max(to, now.drawn_share - far) if trial.home else min(to, now.drawn_share + far)
    return replace(now, drawn_share=to if abs(share - to) < _ARRIVED else share)


def _try(now: Session, job: Work) -> Session:
    if now.trial is not None:
        return replace(now, trial=None, comparing=False)
    trial = bench_trial.begin(job.engine, step_of(now, job))
    if trial is None:
        near = _next_trial(now, job)
        where = f": go to step {near}" if near else ""
        return replace(now, note=f"Nothing to try at this step{where}.")
    still = playback.at_step(replace(now.playback, playing=False), now.playback.step)
    return replace(now, trial=trial, drawn_share=1.0, comparing=False, playback=still)


def _next_trial(now: Session, job: Work) -> int:
    """Number of the next step at which something can be tried; 0 when there is none."""
    for step in (*job.steps[now.playback.step :], *job.steps):
        if bench_trial.begin(job.engine, step) is not None:
            return step.number
    return 0


def _compare(now: Session, job: Work) -> Session:
    if now.comparing:
        return replace(now, comparing=False)
    if now.trial is None and not job.fault:
        return replace(now, note="Nothing was done wrong: open with --fault or --mistake, or compare your own trial.")
    return replace(now, comparing=True, playback=replace(now.playback, playing=False))


def _learn(now: Session, _job: Work) -> Session:
    if now.lesson is not None:
        return replace(now, lesson=None, note=f"Lesson over: {now.lesson.right} right, {now.lesson.wrong} wrong.")
    start = playback.at_step(replace(now.playback, playing=False), now.playback.step)
    return replace(now, lesson=Lesson(), trial=None, comparing=False, playback=start)


def _hide(now: Session, _job: Work) -> Session:
    if now.picked is None:
        return replace(now, note="First click on a part.")
    return replace(now, hidden=now.hidden | {now.picked}, picked=None)


def _ghost(now: Session, _job: Work) -> Session:
    if now.picked is None:
        return replace(now, note="First click on a part.")
    return replace(now, ghosts=now.ghosts ^ {now.picked})


def _all_back(now: Session, _job: Work) -> Session:
    return replace(now, hidden=frozenset(), ghosts=frozenset())


def _help(now: Session, _job: Work) -> Session:
    return replace(now, help=not now.help)


_OWN: Mapping[str, Callable[[Session, Work], Session]] = MappingProxyType(
    {
        "try": _try,
        "compare": _compare,
        "learn": _learn,
        "hide": _hide,
        "ghost": _ghost,
        "all": _all_back,
        "help": _help,
    }
)
