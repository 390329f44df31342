"""Try it yourself: the user's own go at a quill, a sleeve, a free camshaft or a magneto, and what it would do.

Pure: a trial and a deed in, the next trial out; nothing here draws. The figures are those of the set-up's own step:
its trials, its coupling, its held shaft. What a choice does to the events is read off the timing table of the engine
coupled so.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal

import numpy as np

from quillwise.kinematics.assembly import ROCKERS_OFF, Assembly, Open, engage, open_at, with_clearances
from quillwise.kinematics.couplings import Trial, best, early_deg, trials
from quillwise.kinematics.datasheet import ValveKind
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import shaft_angles
from quillwise.kinematics.positions import couplings_upstream
from quillwise.kinematics.rig import slide_coordinate
from quillwise.kinematics.room import Room, least_room, path
from quillwise.kinematics.steps import Frame, Step
from quillwise.kinematics.timing import Event, timing_table
from quillwise.kinematics.verdicts import Verdict

COARSE_DEG, FINE_DEG = 4.0, 0.25  # crank degrees that a free shaft is turned by at once
TrialKind = Literal["teeth", "camshaft", "magneto"]
_HELD_STEPS = ("-nip", "-break")  # the steps at which a free shaft is turned to the place where it is held


@dataclass(frozen=True, kw_only=True, slots=True)
class BenchTrial:
    """How far the user has got at one step.

    kind: "teeth" tries a quill or sleeve, the others turn the free shaft behind it. ``driving_tooth``: how many
    driving teeth the quill is turned on; ``driven_tooth``: past how many teeth of its driven mate it is offered.
    ``home``: it is in, and the driven shaft moved by what was out of line. ``shaft_deg``: where the driven shaft is
    held [deg, its coordinate]. ``refused``: why the last deed was not done, else empty.
    """

    kind: TrialKind
    coupling: str
    driving_tooth: int = 0
    driven_tooth: int = 0
    home: bool = False
    shaft_deg: float
    refused: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Effect:
    """What a choice does to the events of ``whose``: a camshaft, a magneto, or several, in words. ``early_deg``: from
    the data, crank degrees, + = early, of the event that is furthest out; ``limit_deg``: what is allowed either way;
    ``verdict`` with the events' own guard band; ``count``: how many events there are."""

    whose: str
    early_deg: float
    limit_deg: float
    verdict: Verdict
    count: int


def begin(engine: Engine, step: Step) -> BenchTrial | None:
    """The trial of a step as it begins: quill drawn, shaft where the step finds it. None where there is none."""
    now = step.during.engagements.get(step.coupling)
    if not isinstance(now, Open):
        return None
    driven = engine.couplings[step.coupling].driven
    if step.trials:
        first = step.trials[0]
        return BenchTrial(
            kind="teeth", coupling=step.coupling, driven_tooth=first.driven_tooth, shaft_deg=now.driven_deg
        )
    moved = [move for move in step.moves if move.coordinate == driven]
    if not moved or not step.key.endswith(_HELD_STEPS):
        return None
    kind: TrialKind = "magneto" if step.magneto else "camshaft"
    return BenchTrial(kind=kind, coupling=step.coupling, shaft_deg=moved[0].start)


def offered(engine: Engine, step: Step, trial: BenchTrial) -> Trial:
    """The quill as it is offered: the trial of the step at that driving tooth, at the driven tooth that was chosen."""
    near = step.trials[trial.driving_tooth]
    beyond = trial.driven_tooth - near.driven_tooth
    if not beyond:
        return near
    own = engine.couplings[trial.coupling]
    out = near.out_of_line_deg - beyond * 360.0 / own.data.driven_teeth
    return replace(
        near,
        driven_tooth=trial.driven_tooth,
        out_of_line_deg=out,
        out_of_line_crank_deg=out / float(abs(engine.shafts[own.driven].turns)),
        early_deg=float(early_deg(own.data, trial.driving_tooth, trial.driven_tooth)),
        verdict="does not go in",
    )


def wanted_deg(engine: Engine, step: Step, trial: BenchTrial) -> float:
    """Where a free shaft is to be held by the step [deg, its coordinate]."""
    driven = engine.couplings[trial.coupling].driven
    return [move.end for move in step.moves if move.coordinate == driven][-1]


def ahead_crank_deg(engine: Engine, step: Step, trial: BenchTrial) -> float:
    """By how much a free shaft stands ahead of where the step holds it [crank deg, + = its events come early]."""
    driven = engine.shafts[engine.couplings[trial.coupling].driven]
    return driven.sense * (trial.shaft_deg - wanted_deg(engine, step, trial)) / float(abs(driven.turns))


def moment(engine: Engine, step: Step, trial: BenchTrial, drawn_share: float | None = None) -> Frame:
    """The moment of the trial: what ``motion`` needs. The crank stands where the step has it.

    drawn_share: how far the quill is drawn on its way home or out, 0 (home) to 1; its shaft turns with it by what is
    out of line. None: it has arrived.
    """
    if trial.kind == "teeth" and drawn_share is not None and drawn_share != float(not trial.home):
        own = engine.couplings[trial.coupling]
        out = engine.shafts[own.driven].sense * offered(engine, step, trial).out_of_line_deg
        free = {
            slide_coordinate(own.name): drawn_share * own.drawn_mm,
            own.driven: trial.shaft_deg + (1.0 - drawn_share) * out,
        }
        drawn = open_at(step.during, own.name, trial.shaft_deg, trial.driving_tooth)
        return Frame(assembly=drawn, crank_deg=step.crank_deg[0], free=free)
    if trial.kind == "teeth" and trial.home:
        return Frame(assembly=coupled(engine, step, trial), crank_deg=step.crank_deg[0], free={})
    drawn = open_at(step.during, trial.coupling, trial.shaft_deg, trial.driving_tooth)
    return Frame(assembly=drawn, crank_deg=step.crank_deg[0], free={})


def coupled(engine: Engine, step: Step, trial: BenchTrial) -> Assembly:
    """The engine coupled by this choice, the followers behind it fitted: at the teeth that are offered, or with a free
    shaft held where it stands at the best tooth for that."""
    k, m = trial.driving_tooth, trial.driven_tooth
    if trial.kind != "teeth":
        own = engine.couplings[trial.coupling]
        driven = engine.shafts[own.driven]
        drive = shaft_angles(engine, step.during, np.array([step.crank_deg[0]]))[own.driving][0]
        held = driven.sense * (trial.shaft_deg - float(drive))
        chosen = best(trials(own.data, held, abs(driven.turns)))
        k, m = chosen.driving_tooth, chosen.driven_tooth
    home = engage(step.during, trial.coupling, k, m)
    off = {
        name: engine.valves[name].data.checking_clearance_mm
        for name, clearance in home.clearances_mm.items()
        if clearance == ROCKERS_OFF and trial.coupling in couplings_upstream(engine, engine.valves[name].camshaft)
    }
    return with_clearances(home, off)


def effects(engine: Engine, step: Step, trial: BenchTrial) -> tuple[Effect, ...]:
    """What the choice does to the events of each camshaft and magneto behind the coupling, if it is left so."""
    return effects_of(engine, coupled(engine, step, trial), trial.coupling)


def effects_of(engine: Engine, assembly: Assembly, coupling: str = "") -> tuple[Effect, ...]:
    """How the events of each camshaft and magneto stand, as assembled, read at the checking clearances; of those
    behind a coupling, where one is named."""
    read_at = {name: valve.data.checking_clearance_mm for name, valve in engine.valves.items()}
    groups: dict[str, list[Event]] = {}
    for event in timing_table(engine, assembly, read_at):
        if event.magneto:
            shaft, label = engine.magnetos[event.magneto].rotor, f"{event.magneto} magneto"
        else:
            kind: ValveKind = "inlet" if event.kind.startswith("inlet") else "exhaust"
            shaft = label = engine.valve(event.cylinder, kind, max(event.valve, 1)).camshaft
        if event.early_deg is not None and (not coupling or coupling in couplings_upstream(engine, shaft)):
            groups.setdefault(label, []).append(event)
    found = []
    for label, events in groups.items():
        worst = max(events, key=lambda event: (abs(event.early_deg or 0.0) / max(event.limit_deg, 1e-9), event.name))
        assert worst.early_deg is not None and worst.check is not None
        found.append(
            Effect(
                whose=label,
                early_deg=worst.early_deg,
                limit_deg=worst.limit_deg,
                verdict=worst.check.verdict,
                count=len(events),
            )
        )
    return tuple(found)


def strike_ahead(engine: Engine, step: Step, trial: BenchTrial, by_deg: float = COARSE_DEG) -> Room | None:
    """The least room while a free shaft is turned on by so many crank degrees; None where no valve opens on the way."""
    return _on_the_way(engine, step, trial, trial.shaft_deg + _shaft_deg(engine, trial, by_deg))


def acted(engine: Engine, step: Step, trial: BenchTrial, deed: str) -> BenchTrial:
    """The trial after a deed of ``DEEDS``; one that cannot be done leaves it as it was and says why in ``refused``."""
    return DEEDS[deed](engine, step, replace(trial, refused=""))


Deed = Callable[[Engine, Step, BenchTrial], BenchTrial]


def _draw(engine: Engine, _step: Step, trial: BenchTrial) -> BenchTrial:
    if trial.kind != "teeth":
        return replace(trial, refused=f"The {_noun(engine, trial)} is drawn already: turn the free shaft.")
    if not trial.home:
        return replace(trial, refused=f"The {_noun(engine, trial)} is drawn already.")
    return replace(trial, home=False)


def _home(engine: Engine, step: Step, trial: BenchTrial) -> BenchTrial:
    noun = _noun(engine, trial)
    if trial.kind != "teeth":
        return replace(trial, refused=f"First turn the free shaft to its place; the {noun} is the next step.")
    if trial.home:
        return replace(trial, refused=f"The {noun} is home already.")
    if offered(engine, step, trial).verdict == "does not go in":
        return replace(trial, refused=f"The {noun} does not go in. Do not force it: try the next tooth.")
    return replace(trial, home=True)


def _let_go(engine: Engine, step: Step, trial: BenchTrial) -> BenchTrial:
    """Lets the held shaft turn to meet the teeth, and puts the quill home whatever was out of line."""
    if trial.kind != "teeth" or trial.home:
        return _home(engine, step, trial)
    shifted = (
        engine.shafts[engine.couplings[trial.coupling].driven].sense * offered(engine, step, trial).out_of_line_deg
    )
    way = _on_the_way(engine, step, trial, trial.shaft_deg + shifted)
    if way is not None and way.strikes:
        return replace(trial, refused=_strikes(way))
    return replace(trial, home=True)


def _by_teeth(by: int, free_deg: float, turned: Deed) -> Deed:
    """The quill turned at one of its ends; a step without one turns its free shaft by so many crank degrees."""

    def deed(engine: Engine, step: Step, trial: BenchTrial) -> BenchTrial:
        if trial.kind != "teeth":
            return _turned(engine, step, trial, by * free_deg)
        if trial.home:
            return replace(trial, refused=f"The {_noun(engine, trial)} is home: draw it first.")
        return turned(engine, step, trial)

    return deed


def _driving(by: int) -> Deed:
    def turned(_engine: Engine, step: Step, trial: BenchTrial) -> BenchTrial:
        tooth = (trial.driving_tooth + by) % len(step.trials)
        return replace(trial, driving_tooth=tooth, driven_tooth=step.trials[tooth].driven_tooth)

    return _by_teeth(by, COARSE_DEG, turned)


def _driven(by: int) -> Deed:
    def turned(engine: Engine, step: Step, trial: BenchTrial) -> BenchTrial:
        near = step.trials[trial.driving_tooth].driven_tooth
        tooth = trial.driven_tooth + by
        count = engine.couplings[trial.coupling].data.driven_teeth
        # once round the mate is the same place again
        return replace(trial, driven_tooth=near + (tooth - near + count // 2) % count - count // 2)

    return _by_teeth(by, FINE_DEG, turned)


DEEDS: Mapping[str, Deed] = MappingProxyType(
    {
        "draw": _draw,
        "home": _home,
        "let go": _let_go,
        "driving back": _driving(-1),
        "driving on": _driving(1),
        "driven back": _driven(-1),
        "driven on": _driven(1),
    }
)


def _turned(engine: Engine, step: Step, trial: BenchTrial, by_deg: float) -> BenchTrial:
    """A free shaft turned by crank degrees; it stops where a valve would strike a piston on the way."""
    to = trial.shaft_deg + _shaft_deg(engine, trial, by_deg)
    way = _on_the_way(engine, step, trial, to)
    here = _on_the_way(engine, step, trial, trial.shaft_deg)
    if way is not None and way.strikes and (here is None or way.room_mm < here.room_mm):
        return replace(trial, refused=_strikes(way))
    return replace(trial, shaft_deg=to)


def _on_the_way(engine: Engine, step: Step, trial: BenchTrial, to_deg: float) -> Room | None:
    way = path(trial.shaft_deg, to_deg)
    driven = engine.couplings[trial.coupling].driven
    return least_room(engine, step.during, np.full(way.shape, step.crank_deg[0]), {driven: way})


def _shaft_deg(engine: Engine, trial: BenchTrial, crank_deg: float) -> float:
    """Crank degrees on, in degrees of the driven shaft about its axis."""
    driven = engine.shafts[engine.couplings[trial.coupling].driven]
    return driven.sense * float(abs(driven.turns)) * crank_deg


def _strikes(room: Room) -> str:
    surely = "" if room.known else " (the data give no room at TDC: assume it)"
    return f"STOP: valve {room.valve} would strike its piston{surely}."


def _noun(engine: Engine, trial: BenchTrial) -> str:
    return engine.couplings[trial.coupling].data.kind
