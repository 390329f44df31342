"""Faults drawn from the stated priors, and the readings that a fitter would then write into a file.

The readings come from the timing table of the faulty assembly, at the clearances and gaps that it really has, off by
the pointer's slip and by noise of the stated uncertainties. The text of the file is all that leaves this module.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from quillwise.kinematics.angles import array, wrapped
from quillwise.kinematics.assembly import Assembly, Engaged, intended, move_teeth, with_mesh_teeth
from quillwise.kinematics.branches import coupling_turns, step_crank
from quillwise.kinematics.hypotheses import Hypothesis
from quillwise.kinematics.judgement import Judgement
from quillwise.kinematics.magnetos import finger_at
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import finger_running_deg, shaft_angles
from quillwise.kinematics.posterior import Key, Problem, problem
from quillwise.kinematics.readings import BreakReading, Readings, ValveReading
from quillwise.kinematics.timing import Event, timing_table

U_VALVE, U_BREAK, U_FINGER, U_GAP = 0.4, 0.2, 1.0, 0.02


@dataclass(frozen=True, kw_only=True, slots=True)
class Blind:
    """A drawn fault. ``engine``: with the tooth phases that its couplings really have; ``text``: the readings file."""

    key: Key
    names: tuple[str, ...]
    engine: Engine
    assembly: Assembly
    text: str


def chosen_readings(engine: Engine, rng: np.random.Generator, valves: int = 3, breaks: int = 2) -> Readings:
    """What will be read: so many valve events of every camshaft, so many breaks of every magneto; angles not yet."""
    entries: list[ValveReading | BreakReading] = []
    for camshaft in engine.camshafts:
        own = [valve for valve in engine.valves.values() if valve.camshaft == camshaft]
        pairs = [(valve, flank) for valve in own for flank in ("opens", "closes")]
        for at in rng.choice(len(pairs), size=valves, replace=False):
            valve, flank = pairs[int(at)]
            clearance = valve.data.checking_clearance_mm
            entries.append(
                ValveReading(valve=valve.name, flank=flank, crank_deg=0.0, clearance_mm=clearance, u_deg=U_VALVE)  # type: ignore[arg-type]
            )
    for magneto in engine.magnetos.values():
        for cylinder in rng.choice(list(magneto.fires), size=breaks, replace=False):
            entries.append(BreakReading(magneto=magneto.name, finger_on=str(cylinder), crank_deg=0.0, u_deg=U_BREAK))
    return Readings(engine=engine.sheet.scene, entries=tuple(entries), disc_proved=True)


def draw(engine: Engine, judgement: Judgement, rng: np.random.Generator) -> Blind:
    """A fault and its readings."""
    readings = chosen_readings(engine, rng)
    stated = problem(engine, readings, judgement)
    key = _draw_key(stated, rng)
    true_engine, assembly, text = _found(stated, readings, key, rng)
    names = tuple(part.name for part in stated.parts(key)) + (("pointer",) if ("pointer", 0) in key else ())
    return Blind(key=key, names=names, engine=true_engine, assembly=assembly, text=text)


def _draw_key(stated: Problem, rng: np.random.Generator) -> Key:
    """Which things are wrong, by their odds, nothing wrong at its own weight."""
    field = stated.field
    lists = [[one.odds for one in field.shared], [1.0, field.moved_odds]]
    lists += [[one.odds for one in hypotheses] for _, hypotheses in field.branches]
    whole = float(np.prod([sum(odds) for odds in lists]))
    if rng.random() < field.right_weight / (whole - 1.0 + field.right_weight):
        return ()
    names = ["shared", "pointer", *(branch.name for branch, _ in field.branches)]
    while True:
        drawn = [int(rng.choice(len(odds), p=np.array(odds) / sum(odds))) for odds in lists]
        if any(drawn):
            wrong = [(name, n - 1 if name == "pointer" else n) for name, n in zip(names, drawn, strict=True) if n]
            return tuple(sorted(wrong))


def _found(stated: Problem, readings: Readings, key: Key, rng: np.random.Generator) -> tuple[Engine, Assembly, str]:
    engine, judgement = stated.engine, stated.judgement
    parts = stated.parts(key)
    early = dict.fromkeys(engine.couplings, 0.0)
    for name in engine.couplings:
        half = step_crank(engine, name) / 2
        early[name] += rng.uniform(-half, half) + rng.normal(0.0, judgement.u_setting_deg)
    for part in parts:
        spoiled = {c.name: leaf for leaf in part.sites if (c := engine.coupling_upstream(leaf)) is not None}
        for name, leaf in spoiled.items():
            early[name] += part.early_deg[leaf] + rng.normal(0.0, part.spread_deg)
    couplings = {
        name: replace(one, data=replace(one.data, tooth_phase_deg=early[name] * coupling_turns(engine, name)))
        for name, one in engine.couplings.items()
    }
    true_engine = replace(engine, couplings=MappingProxyType(couplings))
    assembly = replace(
        intended(true_engine),
        engagements=MappingProxyType({name: Engaged(driving_teeth=0, driven_teeth=0) for name in couplings}),
        clearances_mm=MappingProxyType(_clearances(engine, judgement, parts, rng)),
        points_gaps_mm=MappingProxyType(_gaps(engine, judgement, parts, rng)),
    )
    for part in parts:
        for name, (driving, driven) in part.moves.items():
            assembly = move_teeth(assembly, name, driving, driven)
        for mesh, teeth in part.meshes.items():
            assembly = with_mesh_teeth(assembly, mesh, assembly.mesh_teeth.get(mesh, 0) + teeth)
    return true_engine, assembly, _file(stated, readings, key, true_engine, assembly, rng)


def _clearances(
    engine: Engine, judgement: Judgement, parts: Sequence[Hypothesis], rng: np.random.Generator
) -> dict[str, float]:
    wide = {name: sd for part in parts for name, sd in part.u_clearance_mm.items()}
    running = {name for part in parts for name in part.read_running}
    made = {}
    for name, valve in engine.valves.items():
        data = valve.data
        set_to = data.running_clearance_mm if name in running else data.checking_clearance_mm
        made[name] = max(0.02, set_to + rng.normal(0.0, wide.get(name, judgement.u_clearance_mm)))
    return made


def _gaps(
    engine: Engine, judgement: Judgement, parts: Sequence[Hypothesis], rng: np.random.Generator
) -> dict[str, float]:
    wide = {name: sd for part in parts for name, sd in part.u_gap_mm.items()}
    return {
        name: min(
            2.0, max(0.15, one.data.points_gap_mm / 0.3 + rng.normal(0.0, wide.get(name, judgement.u_gap_mm)) / 0.3)
        )
        * 0.3
        for name, one in engine.magnetos.items()
    }


def _file(
    stated: Problem, readings: Readings, key: Key, engine: Engine, assembly: Assembly, rng: np.random.Generator
) -> str:
    judgement, parts = stated.judgement, stated.parts(key)
    slip = rng.normal(0.0, judgement.u_pointer_deg)
    if ("pointer", 0) in key:
        slip = rng.normal(0.0, judgement.u_pointer_moved_deg) if rng.random() < 0.5 else rng.uniform(-180.0, 180.0)
    table = {event.name: event for event in timing_table(engine, assembly)}
    mirrored = {part.mirrored for part in parts}
    lines = ["format = 1", f'engine = "{readings.engine}"', "coverage_factor = 2"]
    lines += _sights(engine, judgement, parts, rng)
    late = dict.fromkeys(engine.magnetos, 0.0)
    for part in parts:
        for name, (mean, spread) in part.break_late_deg.items():
            late[name] += mean + rng.normal(0.0, spread)
    rows = {row.entry: row for row in stated.seen.rows if row.turns}
    for index, entry in enumerate(readings.entries):
        mirror = rows[index].own_mirror_deg or 0.0
        nominal = rows[index].predicted
        if isinstance(entry, ValveReading):
            event = next(
                table[name]
                for name in (entry.name, entry.name.replace(" 1 ", " "), _plain(entry.name))
                if name in table
            )
            assert event.as_set_deg is not None
            at = event.as_set_deg + sum(part.valve_late_deg.get((entry.valve, entry.flank), 0.0) for part in parts)
            seen = at + slip + rng.normal(0.0, U_VALVE)
            if index in mirrored:
                seen = nominal + mirror - float(wrapped(seen - nominal, 720.0))
            lines += ["[[valve_events]]", f'valve = "{entry.valve}"', f'event = "{entry.flank}"']
            lines += [f"clearance_mm = {entry.clearance_mm!r}", f"uncertainty_deg = {2 * U_VALVE}"]
        else:
            assert isinstance(entry, BreakReading)
            at, off = _break(engine, assembly, entry, late[entry.magneto], table)
            seen = at + slip + rng.normal(0.0, U_BREAK)
            if index in mirrored:
                seen = nominal + mirror - float(wrapped(seen - nominal, 720.0))
            gap = assembly.points_gaps_mm[entry.magneto] + rng.normal(0.0, U_GAP)
            lines += ["[[points_breaks]]", f'magneto = "{entry.magneto}"', f'finger_on = "{entry.finger_on}"']
            lines += [f"finger_off_deg = {off + rng.normal(0.0, U_FINGER)!r}", f"uncertainty_deg = {2 * U_BREAK}"]
            if entry.finger_on == _first_read(readings, entry.magneto):
                lines.append(f"points_gap_mm = {gap!r}")
        lines += [f"crank_deg = {seen % 720.0!r}", "disc_proved = true"]
    return "\n".join(lines) + "\n"


def _plain(name: str) -> str:
    """The table's name for a valve that stands for all of its kind: "A1 inlet 2 opens" is "A1 inlet opens"."""
    words = name.split()
    return " ".join([*words[:2], words[-1]])


def _first_read(readings: Readings, magneto: str) -> str:
    return next(e.finger_on for e in readings.entries if isinstance(e, BreakReading) and e.magneto == magneto)


def _sights(engine: Engine, judgement: Judgement, parts: Sequence[Hypothesis], rng: np.random.Generator) -> list[str]:
    """Lever and plug leads of every magneto, looked at; now and then the eye is wrong."""
    tags = {tag for part in parts for tag in part.tags}
    lines = []
    for name in engine.magnetos:
        leads = ["leads as the chart", "two leads changed over", "leads one place round"]
        seen = 1 if ("two leads", name) in tags else 2 if ("leads round", name) in tags else 0
        lever = ["lever at its stop", "lever off its stop"]
        off = int(("lever", name) in tags)
        if rng.random() < judgement.sight_error:
            seen = (seen + int(rng.integers(1, 3))) % 3
        if rng.random() < judgement.sight_error:
            off = 1 - off
        for kind in (leads[seen], lever[off]):
            lines += ["[[sights]]", f'kind = "{kind}"', f'subject = "{name}"']
    return lines


def _break(
    engine: Engine, assembly: Assembly, entry: BreakReading, late_deg: float, table: Mapping[str, Event]
) -> tuple[float, float]:
    """θ of the break with the finger on the entry's cylinder, and how far the finger is off the middle there.
    ``late_deg``: by how much a lever off its stop makes it late."""
    magneto = engine.magnetos[entry.magneto]
    event = table[f"{entry.finger_on} {entry.magneto} points break"]
    assert event.as_set_deg is not None
    at = event.as_set_deg + late_deg
    angles = shaft_angles(engine, assembly, array(at))
    running = finger_running_deg(engine, magneto.name, angles[magneto.finger])
    return at, float(finger_at(magneto.data, magneto.fires, running).off_middle_deg[0])
