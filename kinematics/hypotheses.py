"""What can have gone wrong with an engine's timing: every hypothesis of a branch, and those that branches share.

A hypothesis says by how much each leaf becomes early [crank deg, + = early], or what else it does to what is read. Its
weight is its odds against "right": the share of its class (a judgement), split over the members of the class:

- wrong tooth: alike for every coupling; within one, a position that takes one slip more, a tooth at either end or a
  trial, is ``teeth_share`` times as likely, and ``any_tooth`` of the class is spread evenly, for a count that was lost;
- an ordinary gear: alike for every mesh, two teeth a quarter as likely as one;
- all others: alike for every place where it can happen, and within a place alike for every way, unless said.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any, Literal

import numpy as np

from quillwise.kinematics.angles import wrapped
from quillwise.kinematics.assembly import Assembly, move_teeth, with_mesh_teeth
from quillwise.kinematics.branches import (
    Branch,
    branches,
    coupling_turns,
    job_of,
    leaf_words,
    leaves_behind,
    tooth_crank_deg,
)
from quillwise.kinematics.cams import events_at
from quillwise.kinematics.couplings import positions, teeth_words
from quillwise.kinematics.judgement import Judgement
from quillwise.kinematics.marks import mark_crank_deg, timing_valve
from quillwise.kinematics.missetting import missettings
from quillwise.kinematics.model import Engine, Valve

Tag = Literal["lever", "two leads", "leads round", "teeth", "inside"]
_SAME_DEG = 1e-6


_NOTHING: Mapping[Any, Any] = MappingProxyType({})


def _nothing() -> Mapping[Any, Any]:
    # one for all: there are as many hypotheses as vernier positions
    return _NOTHING


@dataclass(frozen=True, kw_only=True, slots=True)
class Hypothesis:
    """One thing that is wrong, or nothing. ``odds``: against "right". ``early_deg``: by leaf.

    ``spread_deg``: standard deviation of what it does to its leaves, the same for all of them. ``valve_late_deg``: own
    angle by which an event of a valve, (valve, flank), comes later. ``finger_past_deg``: of a magneto's finger.
    ``break_late_deg``: mean and standard deviation by which a magneto's break is read late, the finger past its middle
    by half of it. ``read_running``: valves were read at the running clearance, whatever was written.
    ``u_clearance_mm``, ``u_gap_mm``: of a valve or points that were set without care. ``mirrored``: the entry that was
    written on the wrong side of its dead centre. ``moves``, ``meshes``: teeth that made it."""

    kind: str
    name: str
    odds: float = 1.0
    early_deg: Mapping[str, float] = field(default_factory=_nothing)
    spread_deg: float = 0.0
    valve_late_deg: Mapping[tuple[str, str], float] = field(default_factory=_nothing)
    finger_past_deg: Mapping[str, float] = field(default_factory=_nothing)
    break_late_deg: Mapping[str, tuple[float, float]] = field(default_factory=_nothing)
    read_running: frozenset[str] = frozenset()
    u_clearance_mm: Mapping[str, float] = field(default_factory=_nothing)
    u_gap_mm: Mapping[str, float] = field(default_factory=_nothing)
    mirrored: int | None = None
    moves: Mapping[str, tuple[int, int]] = field(default_factory=_nothing)
    meshes: Mapping[str, int] = field(default_factory=_nothing)
    sites: tuple[str, ...] = ()  # leaves whose set-up it spoils
    tags: frozenset[tuple[Tag, str]] = frozenset()

    @property
    def only_early(self) -> bool:
        """Whether all that it does is to make leaves early by a figure."""
        more = self.valve_late_deg or self.finger_past_deg or self.break_late_deg or self.read_running
        loose = self.u_clearance_mm or self.u_gap_mm or self.spread_deg
        return not (more or loose) and self.mirrored is None


RIGHT = Hypothesis(kind="right", name="nothing wrong")


def acted(assembly: Assembly, hypothesis: Hypothesis) -> Assembly:
    """The assembly as the hypothesis made it, of those that move teeth. Raises RequestError for an open coupling."""
    for coupling, (driving, driven) in hypothesis.moves.items():
        assembly = move_teeth(assembly, coupling, driving, driven)
    for mesh, teeth in hypothesis.meshes.items():
        assembly = with_mesh_teeth(assembly, mesh, assembly.mesh_teeth.get(mesh, 0) + teeth)
    return assembly


@dataclass(frozen=True, kw_only=True, slots=True)
class Field:
    """All hypotheses of an engine: by branch (the first is "right"), and shared by branches (the first is "right").
    ``moved_odds``: that pointer or disc moved, against not. ``right_weight``: of nothing wrong at all."""

    branches: tuple[tuple[Branch, tuple[Hypothesis, ...]], ...]
    shared: tuple[Hypothesis, ...]
    moved_odds: float
    right_weight: float


def field_of(engine: Engine, judgement: Judgement, disc_proved: bool, entries: Iterable[tuple[int, str, str]]) -> Field:
    """All hypotheses. ``entries``: (index, leaf, name) of the readings that can have been written on the wrong side."""
    made: list[tuple[str, Hypothesis]] = []  # ("" shared or a branch's name, with relative weight in its class)
    groups = branches(engine)
    made += _teeth(engine, groups, judgement)
    made += _gears(engine, groups)
    made += _set_up(engine, groups, judgement)
    made += _magnetos(engine, groups, judgement)
    made += _valves(engine, groups, judgement)
    made += _written(groups, entries)
    made += _everything(engine)
    shares = dict(judgement.classes)
    if disc_proved:
        shares[MOVED] = shares.get(MOVED, 0.0) * judgement.disc_proved_share
    weights: dict[str, float] = {MOVED: 1.0}
    for _, one in made:
        weights[one.kind] = weights.get(one.kind, 0.0) + one.odds
    whole = sum(shares.get(kind, 0.0) for kind in weights)
    second = 2.0 * judgement.another_fault
    of_class = {
        kind: second * shares.get(kind, 0.0) / whole / weight for kind, weight in weights.items() if whole * weight > 0
    }
    placed: dict[str, list[Hypothesis]] = {"": [RIGHT], **{branch.name: [RIGHT] for branch in groups}}
    for place, one in made:
        odds = one.odds * of_class.get(one.kind, 0.0)
        if odds > 0:
            placed[place].append(replace(one, odds=odds))
    nothing = judgement.nothing_wrong
    return Field(
        branches=tuple((branch, tuple(placed[branch.name])) for branch in groups),
        shared=tuple(placed[""]),
        moved_odds=of_class.get(MOVED, 0.0),
        right_weight=second * nothing / (1.0 - nothing),
    )


MOVED = "pointer or disc moved"
_Made = list[tuple[str, Hypothesis]]


def _place(groups: tuple[Branch, ...], leaves: Iterable[str]) -> str | None:
    """The branch that all of these leaves belong to, "" if they belong to several, None if there are none."""
    homes = {branch.name for branch in groups if set(branch.leaves) & set(leaves)}
    return None if not homes else homes.pop() if len(homes) == 1 else ""


def _early(leaves: Iterable[str], by_deg: float) -> Mapping[str, float]:
    return MappingProxyType(dict.fromkeys(leaves, by_deg))


def _way(by_deg: float) -> str:
    return f"{abs(by_deg):.1f} crank degrees {'early' if by_deg > 0 else 'late'}"


def _teeth(engine: Engine, groups: tuple[Branch, ...], judgement: Judgement) -> _Made:
    made: _Made = []
    for name, coupling in engine.couplings.items():
        behind = leaves_behind(engine, name)
        place = _place(groups, behind)
        if place is None:
            continue
        n1, n2 = coupling.data.driving_teeth, coupling.data.driven_teeth
        turns, moves = coupling_turns(engine, name), all_moves(n1, n2)
        weights = [judgement.teeth_share ** (slips - 1) for _, _, slips in moves]
        whole = sum(weights)
        for (k, m, _), weight in zip(moves, weights, strict=True):
            early = 360.0 * (k * n2 - m * n1) / (n1 * n2) / turns
            words = f"{name} {_moved(k, m)}: {_way(early)}"
            made.append(
                (
                    place,
                    Hypothesis(
                        kind="wrong tooth",
                        name=words,
                        odds=(1 - judgement.any_tooth) * weight / whole + judgement.any_tooth / len(moves),
                        early_deg=_early(behind, early),
                        moves=MappingProxyType({name: (k, m)}),
                        tags=frozenset({("teeth", name)}),
                    ),
                )
            )
    return made


def all_moves(n1: int, n2: int) -> list[tuple[int, int, int]]:
    """The move (k, m) with the fewest teeth to every position but the one it starts from, within half a turn, and how
    many slips make it: teeth, or trials. A trial is a tooth at the driving end, home at the nearest of the driven end.
    """
    count = positions(n1, n2)
    a, b = count // n2, count // n1  # a tooth at the driving end is b steps of the vernier, one at the driven end a
    k, m = (grid.ravel() for grid in np.meshgrid(np.arange(-n1, n1 + 1), np.arange(-n2, n2 + 1), indexing="ij"))
    steps, teeth = k * b - m * a, np.abs(k) + np.abs(m)
    inside = (steps != 0) & (steps >= -((count - 1) // 2)) & (steps <= count // 2)
    k, m, steps, teeth = k[inside], m[inside], steps[inside], teeth[inside]
    slips = np.where(m == np.rint(k * n2 / n1), np.abs(k), teeth)
    order = np.lexsort((-k, np.abs(k), teeth, steps))
    _, first = np.unique(steps[order], return_index=True)
    fewest = np.minimum.reduceat(slips[order], first)
    return [(int(k[at]), int(m[at]), int(few)) for at, few in zip(order[first], fewest, strict=True)]


def _moved(driving: int, driven: int) -> str:
    ends = [
        f"{teeth_words(teeth)} {'on' if teeth > 0 else 'back'} at its {end} end"
        for teeth, end in ((driving, "driving"), (driven, "driven"))
        if teeth
    ]
    return " and ".join(ends)


def _gears(engine: Engine, groups: tuple[Branch, ...]) -> _Made:
    made: _Made = []
    for mesh in engine.meshes:
        behind = leaves_behind(engine, mesh)
        place = _place(groups, behind)
        if place is None:
            continue
        one = tooth_crank_deg(engine, mesh)
        for teeth, weight in ((1, 1.0), (-1, 1.0), (2, 0.25), (-2, 0.25)):
            made.append(
                (
                    place,
                    Hypothesis(
                        kind="ordinary gear a tooth out",
                        name=f"gears {mesh} {teeth_words(teeth)} {'on' if teeth > 0 else 'back'}: {_way(teeth * one)}",
                        odds=weight,
                        early_deg=_early(behind, teeth * one),
                        meshes=MappingProxyType({mesh: teeth}),
                    ),
                )
            )
    return made


def _set_up(engine: Engine, groups: tuple[Branch, ...], judgement: Judgement) -> _Made:
    """Everything that spoils the set-up of one branch by way of its job: marks, lobes, writing, turns, backlash."""
    made: _Made = []
    for branch in groups:
        for leaf in branch.leaves:
            job = job_of(engine, leaf)
            coupling = engine.coupling_upstream(leaf)
            if job is None or coupling is None:
                continue
            behind = leaves_behind(engine, coupling.name)
            words = leaf_words(engine, leaf)
            for kind, said, early, weight, spread in missettings(engine, job, leaf, judgement):
                made.append(
                    (
                        branch.name,
                        Hypothesis(
                            kind=kind,
                            name=f"{words} {said}",
                            odds=weight,
                            early_deg=_early(behind, early),
                            spread_deg=spread,
                            sites=behind,
                        ),
                    )
                )
    return made


def _magnetos(engine: Engine, groups: tuple[Branch, ...], judgement: Judgement) -> _Made:
    made: _Made = []
    for magneto in engine.magnetos.values():
        place, name = _place(groups, (magneto.rotor,)), magneto.name
        assert place is not None
        data = magneto.data
        inside: frozenset[tuple[Tag, str]] = frozenset({("inside", name)})
        wheel = 360.0 / data.finger_teeth[1]
        # a breaker cam on the finger's shaft goes with it, at half the crank's speed
        breaks_late = -2.0 * wheel if data.breaker_on == "finger" else 0.0
        for teeth, weight in ((1, 1.0), (-1, 1.0), (2, 0.25), (-2, 0.25)):
            made.append(
                (
                    place,
                    Hypothesis(
                        kind="inside of the magneto",
                        name=f"{name} distributor finger {teeth_words(teeth)} "
                        f"{'on' if teeth > 0 else 'back'} in its gear",
                        odds=weight,
                        finger_past_deg=MappingProxyType({name: teeth * wheel}),
                        break_late_deg=MappingProxyType({name: (teeth * breaks_late, 0.0)} if breaks_late else {}),
                        meshes=MappingProxyType({engine.shafts[magneto.finger].link: teeth}),
                        tags=inside,
                    ),
                )
            )
        made.append(
            (
                place,
                Hypothesis(
                    kind="inside of the magneto",
                    name=f"{name} points gap wrong",
                    odds=2.5,
                    u_gap_mm=MappingProxyType({name: judgement.u_gap_wrong_mm}),
                    tags=inside,
                ),
            )
        )
        reach = data.advance_range_deg or judgement.lever_range_deg
        sign = -1.0 if data.timed_at == "full retard" else 1.0
        lags = [("lever now off its stop", sign * reach / 2, reach / 12**0.5)]
        if data.impulse_lag_deg:
            lags.append(("read with the impulse starter not past its click", data.impulse_lag_deg, 0.0))
        off_stop: frozenset[tuple[Tag, str]] = frozenset({("lever", name)})
        for words, late, spread in lags:
            made.append(
                (
                    place,
                    Hypothesis(
                        kind="lever or impulse",
                        name=f"{name} magneto {words}",
                        break_late_deg=MappingProxyType({name: (late, spread)}),
                        tags=off_stop if spread else frozenset(),
                    ),
                )
            )
        leads: tuple[tuple[str, str, Tag], ...] = (
            ("two leads changed over", "two plug leads changed over", "two leads"),
            ("all leads one place round", "all plug leads one place round", "leads round"),
        )
        for kind, words, tag in leads:
            made.append((place, Hypothesis(kind=kind, name=f"{name} {words}", tags=frozenset({(tag, name)}))))
    return made


def _valves(engine: Engine, groups: tuple[Branch, ...], judgement: Judgement) -> _Made:
    made: _Made = []
    share = 1.0 / max(1, len(engine.valves))
    for valve in engine.valves.values():
        place = _place(groups, (valve.camshaft,))
        assert place is not None
        wrong = MappingProxyType({valve.name: judgement.u_clearance_wrong_mm})
        made.append(
            (
                place,
                Hypothesis(
                    kind="checking and running clearance confused",
                    name=f"{valve.name} clearance wrong",
                    odds=len(groups) * share,
                    u_clearance_mm=wrong,
                ),
            )
        )
    for branch in groups:
        cams = [leaf for leaf in branch.leaves if leaf in engine.camshafts]
        for camshaft in cams:
            job = job_of(engine, camshaft)
            valves = [valve for valve in engine.valves.values() if valve.camshaft == camshaft]
            if not valves:
                continue
            by = valves[0] if job is None else timing_valve(engine, job)
            flank = "closes" if job is not None and job.by.endswith("closes") else "opens"
            made.append(
                (
                    branch.name,
                    Hypothesis(
                        kind="part of the other hand",
                        name=f"{camshaft} of the other hand",
                        valve_late_deg=_mirrored_cam(engine, valves, by, flank),
                    ),
                )
            )
    if len(engine.valves):
        made.append(
            (
                "" if len(groups) > 1 else groups[0].name,
                Hypothesis(
                    kind="checking and running clearance confused",
                    name="all valves read at the running clearance",
                    odds=float(len(groups)),
                    read_running=frozenset(engine.valves),
                ),
            )
        )
    return made


def _mirrored_cam(engine: Engine, valves: list[Valve], by: Valve, flank: str) -> Mapping[tuple[str, str], float]:
    """By how much each event comes later when the camshaft's lobes follow each other the other way round, and it was
    set by a flank of one of them all the same."""

    def places(valve: Valve) -> tuple[float, float]:
        found = events_at(valve.curve, valve.data.checking_clearance_mm) or (0.0, 0.0)
        firing = engine.cylinders[valve.cylinder].firing_deg
        return firing + found[0], firing + found[1]

    twice_axis = sum(places(by))  # in the mirror the flank that was set stays where it was
    late = {}
    for valve in valves:
        opens, closes = places(valve)
        late[valve.name, "opens"] = float(wrapped(twice_axis - closes - opens, 720.0))
        late[valve.name, "closes"] = float(wrapped(twice_axis - opens - closes, 720.0))
    assert abs(late[by.name, flank]) < _SAME_DEG
    return MappingProxyType(late)


def _written(groups: tuple[Branch, ...], entries: Iterable[tuple[int, str, str]]) -> _Made:
    found = [(index, _place(groups, (leaf,)), name) for index, leaf, name in entries]
    made: _Made = []
    for index, place, name in found:
        if place is not None:
            words = f"the reading of {name} written on the wrong side of the dead centre"
            one = Hypothesis(kind="written wrong", name=words, odds=len(groups) / len(found), mirrored=index)
            made.append((place, one))
    return made


def _everything(engine: Engine) -> _Made:
    """What exchanges two branches: pairs of magnetos, and pairs of camshafts set by each other's marks."""
    made: _Made = []
    magnetos = list(engine.magnetos.values())
    for at, one in enumerate(magnetos):
        for other in magnetos[at + 1 :]:
            if one.fires != other.fires:
                continue
            apart = one.data.break_deg - other.data.break_deg
            if abs(apart) > _SAME_DEG:
                made.append(
                    (
                        "",
                        Hypothesis(
                            kind="magnetos exchanged or at one mark",
                            name=f"{one.name} and {other.name} magneto exchanged",
                            odds=2.0,
                            early_deg=MappingProxyType({one.rotor: apart, other.rotor: -apart}),
                            sites=(one.rotor, other.rotor),
                        ),
                    )
                )
    jobs = {leaf: job for leaf in engine.camshafts if (job := job_of(engine, leaf)) is not None}
    pairs = [(a, b) for at, a in enumerate(jobs) for b in list(jobs)[at + 1 :]]
    for a, b in pairs:
        upstream = engine.coupling_upstream(a), engine.coupling_upstream(b)
        if None in upstream or upstream[0] == upstream[1]:
            continue
        apart = float(wrapped(mark_crank_deg(engine, jobs[a]) - mark_crank_deg(engine, jobs[b]), 720.0))
        if abs(apart) > _SAME_DEG:
            first, second = (leaves_behind(engine, c.name) for c in upstream if c is not None)
            early = {**_early(first, apart), **_early(second, -apart)}
            if set(first) & set(second):
                continue
            made.append(
                (
                    "",
                    Hypothesis(
                        kind="wrong mark or bank",
                        name=f"{a} and {b} set at each other's marks",
                        early_deg=MappingProxyType(early),
                        sites=(*first, *second),
                    ),
                )
            )
    return made
