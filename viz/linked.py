"""Which close-ups stand beside which step: its valve, its coupling, its magneto; where it names none, its job's."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from quillwise.kinematics.marks import timing_valve
from quillwise.kinematics.model import Engine
from quillwise.kinematics.parts import Kind
from quillwise.kinematics.steps import Step
from quillwise.viz.closeups import CloseUpKind

Subject = tuple[CloseUpKind, str]


@dataclass(frozen=True, kw_only=True, slots=True)
class Linked:
    """The four close-ups of a step, each (kind, of) or None where the engine has none of that kind."""

    valve: Subject | None
    teeth: Subject | None
    magneto: Subject | None
    fourth: Subject

    @property
    def subjects(self) -> tuple[Subject | None, ...]:
        """In the order in which they stand in the window."""
        return self.valve, self.teeth, self.magneto, self.fourth


def linked(engine: Engine, steps: Sequence[Step]) -> tuple[Linked, ...]:
    """The close-ups of every step. The fourth is the timing window, or at a coupling the coupling from its side."""
    valves = _followed(steps, lambda step: step.valve or _job_valve(engine, step), tuple(engine.valves))
    couplings = _followed(steps, lambda step: step.coupling, tuple(engine.couplings))
    magnetos = _followed(steps, lambda step: step.magneto or _job_magneto(engine, step), tuple(engine.magnetos))
    found = []
    for step, valve, coupling, magneto in zip(steps, valves, couplings, magnetos, strict=True):
        at_coupling = step.focus == "coupling" and bool(coupling)
        found.append(
            Linked(
                valve=("valve", valve) if valve else None,
                teeth=("teeth", coupling) if coupling else None,
                magneto=("magneto", magneto) if magneto else None,
                fourth=("coupling", coupling) if at_coupling else ("window", ""),
            )
        )
    return tuple(found)


def _followed(steps: Sequence[Step], named: Callable[[Step], str], names: tuple[str, ...]) -> list[str]:
    """A name for each step: its own, that of a later step of its job, of an earlier step, or the first of the engine
    that the set-up names."""
    own = [named(step) for step in steps]
    of_job: dict[str, str] = {}
    for step, name in zip(steps, own, strict=True):
        if name:
            of_job.setdefault(step.job, name)
    last = next((name for name in own if name), names[0] if names else "")
    found = []
    for step, name in zip(steps, own, strict=True):
        last = name or of_job.get(step.job, last)
        found.append(last)
    return found


def _job_valve(engine: Engine, step: Step) -> str:
    """The valve that a camshaft's job times by; for a magneto the inlet valve of its cylinder: it proves the stroke."""
    for job in engine.sheet.setup:
        if job.do == "set-camshaft" and step.job == timing_valve(engine, job).camshaft:
            return timing_valve(engine, job).name
        if job.do == "set-magneto" and step.job == f"{job.magneto} magneto":
            return engine.valve(job.cylinder, "inlet").name
    return ""


def _job_magneto(engine: Engine, step: Step) -> str:
    return next((name for name in engine.magnetos if step.job == f"{name} magneto"), "")


def side(engine: Engine, step: Step) -> int:
    """−1 when the step is about the left of the engine seen from the wheelcase end, else +1."""
    magneto = _job_magneto(engine, step)
    if magneto:
        return -1 if engine.shafts[engine.magnetos[magneto].rotor].point[1] > 0 else 1
    pistons = (part.of for part in step.about if part.kind is Kind.PISTON)
    on_it = (valve.cylinder for valve in engine.valves.values() if valve.camshaft == step.job)
    cylinder = next(on_it, next(pistons, None))
    return -1 if cylinder is not None and engine.cylinders[cylinder].bank_turn_deg < 0 else 1
