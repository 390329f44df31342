"""What hangs on the crankshaft independently of the rest: its camshafts and magnetos, by the couplings that they share.

A *leaf* is a camshaft or a magneto rotor, by the name of its shaft. A *branch* is all leaves that share a coupling: an
error made at one branch says nothing about another. Ordinary gears before several branches are shared by them.
"""

from __future__ import annotations

from dataclasses import dataclass

from quillwise.kinematics.couplings import step_deg
from quillwise.kinematics.datasheet import StepData
from quillwise.kinematics.marks import timing_valve
from quillwise.kinematics.model import CRANKSHAFT, Engine
from quillwise.kinematics.positions import couplings_upstream


@dataclass(frozen=True, kw_only=True, slots=True)
class Branch:
    """A branch. ``name``: its leaves in the trade's words; ``couplings``: those on the way to its leaves."""

    name: str
    leaves: tuple[str, ...]
    couplings: tuple[str, ...]


def magneto_of_leaf(engine: Engine, leaf: str) -> str:
    """The magneto whose rotor a leaf is, "" for a camshaft."""
    return next((magneto.name for magneto in engine.magnetos.values() if magneto.rotor == leaf), "")


def leaf_words(engine: Engine, leaf: str) -> str:
    """The trade's word for a leaf: "camshaft A" or "exhaust-side magneto"."""
    magneto = magneto_of_leaf(engine, leaf)
    return f"{magneto} magneto" if magneto else leaf


def leaves(engine: Engine) -> tuple[str, ...]:
    """All camshafts, then all magneto rotors."""
    return (*engine.camshafts, *(magneto.rotor for magneto in engine.magnetos.values()))


def branches(engine: Engine) -> tuple[Branch, ...]:
    """The branches, in the order of the leaves."""
    groups: list[tuple[set[str], list[str]]] = []
    for leaf in leaves(engine):
        couplings = set(couplings_upstream(engine, leaf))
        mine = [group for group in groups if couplings & group[0]]
        members = [member for group in mine for member in group[1]]
        joined = (couplings.union(*(group[0] for group in mine)), [*members, leaf])
        groups = [group for group in groups if group not in mine] + [joined]
    return tuple(
        Branch(
            name=" and ".join(leaf_words(engine, leaf) for leaf in hanging),
            leaves=tuple(hanging),
            couplings=tuple(name for name in engine.couplings if name in shared),
        )
        for shared, hanging in groups
    )


def links_upstream(engine: Engine, leaf: str) -> tuple[str, ...]:
    """Couplings and meshes on the way from the crankshaft to a leaf."""
    found = []
    while leaf != CRANKSHAFT:
        here = engine.shafts[leaf]
        found.append(here.link)
        leaf = here.parent
    return tuple(reversed(found))


def leaves_behind(engine: Engine, link: str) -> tuple[str, ...]:
    """All leaves that a coupling or a mesh drives."""
    return tuple(leaf for leaf in leaves(engine) if link in links_upstream(engine, leaf))


def tooth_crank_deg(engine: Engine, mesh: str) -> float:
    """Crank degrees by which one tooth of an ordinary pair of gears, driven wheel ahead, makes its leaves early."""
    wheel = engine.wheels[engine.meshes[mesh].driven]
    return 360.0 / wheel.teeth / abs(float(engine.shafts[wheel.shaft].turns))


def coupling_turns(engine: Engine, coupling: str) -> float:
    """Turns of a coupling's shaft in a turn of the crank, without sign."""
    return abs(float(engine.shafts[engine.couplings[coupling].driven].turns))


def step_crank(engine: Engine, coupling: str) -> float:
    """Smallest step of a coupling [crank deg]."""
    data = engine.couplings[coupling].data
    return float(step_deg(data.driving_teeth, data.driven_teeth)) / coupling_turns(engine, coupling)


def job_of(engine: Engine, leaf: str) -> StepData | None:
    """The job of the set-up by which a leaf is timed; None where the order has none."""
    magneto = magneto_of_leaf(engine, leaf)
    for job in engine.sheet.setup:
        if magneto and job.do == "set-magneto" and job.magneto == magneto:
            return job
        if not magneto and job.do == "set-camshaft" and timing_valve(engine, job).camshaft == leaf:
            return job
    return None
