"""What cures a cause, in bench words and as a function ``Assembly -> Assembly``.

A shaft that was set wrong is brought back through its vernier: by the move with the fewest teeth whose shift is nearest
to minus what the readings make of it, not of what the cause alone says. Then it stands within half a step.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from quillwise.kinematics.assembly import Assembly, Open, intended, move_teeth, with_clearances, with_mesh_teeth
from quillwise.kinematics.branches import coupling_turns, job_of, leaf_words, leaves_behind, magneto_of_leaf
from quillwise.kinematics.couplings import move_for_shift, move_in_words, teeth_words
from quillwise.kinematics.errors import RequestError
from quillwise.kinematics.explained import Explained
from quillwise.kinematics.hypotheses import Hypothesis
from quillwise.kinematics.lengths import length
from quillwise.kinematics.model import Engine, turning
from quillwise.kinematics.positions import reach, sets_of_positions
from quillwise.kinematics.readings import Cure
from quillwise.kinematics.wording import STRIKE, force

_WORTH_DEG = 0.05  # a position that is nearer by less is not worth a cycle of the crank


@dataclass(kw_only=True, slots=True)
class _Draft:
    do: list[str] = field(default_factory=list)
    repeat: list[str] = field(default_factory=list)
    moves: dict[str, tuple[int, int]] = field(default_factory=dict)
    shift_deg: dict[str, float] = field(default_factory=dict)
    meshes: dict[str, int] = field(default_factory=dict)
    clearances_mm: dict[str, float] = field(default_factory=dict)
    gaps_mm: dict[str, float] = field(default_factory=dict)
    found_mm: dict[str, float] = field(default_factory=dict)
    cycles: int = 0


def cure(engine: Engine, parts: Iterable[Hypothesis], moved: bool, told: Explained) -> Cure:
    """What cures a cause of these parts. ``moved``: pointer or disc moved; ``told``: what the readings make of it."""
    draft = _Draft()
    if moved:
        way = "much" if told.slip_deg > 0 else "little"
        draft.do += [
            f"The pointer shows {abs(told.slip_deg):.1f} crank degrees too {way}.",
            "Prove TDC again and set the pointer.",
            "Then take all readings again.",
        ]
        draft.repeat += ["Prove TDC and the timing disc."]
    geared: dict[str, float] = {}  # what gears put back take off each leaf
    for part in parts:
        if part.meshes:
            _gears(engine, draft, part, geared)
    for part in parts:
        if not part.meshes:
            _part(engine, draft, part, told, geared)
    if not draft.do:
        draft.do.append("Nothing is to be moved.")
    return Cure(
        do=tuple(draft.do),
        repeat=tuple(dict.fromkeys(draft.repeat)),
        moves=MappingProxyType(draft.moves),
        shift_deg=MappingProxyType(draft.shift_deg),
        meshes=MappingProxyType(draft.meshes),
        clearances_mm=MappingProxyType(draft.clearances_mm),
        gaps_mm=MappingProxyType(draft.gaps_mm),
        found_mm=MappingProxyType(draft.found_mm),
        pointer_deg=told.slip_deg if moved else 0.0,
        cycles=draft.cycles,
    )


def cured(engine: Engine, assembly: Assembly, what: Cure) -> Assembly:
    """The assembly after the cure. Raises RequestError where a coupling that is to be moved is open."""
    for coupling, (driving, driven) in what.moves.items():
        if isinstance(assembly.engagements[engine.coupling(coupling).name], Open):
            raise RequestError(f"{coupling} is drawn: put it home before it is cured")
        assembly = move_teeth(assembly, coupling, driving, driven)
    for mesh, teeth in what.meshes.items():
        assembly = with_mesh_teeth(assembly, mesh, assembly.mesh_teeth.get(mesh, 0) + teeth)
    gaps = MappingProxyType({**assembly.points_gaps_mm, **what.gaps_mm})
    return replace(with_clearances(assembly, what.clearances_mm), points_gaps_mm=gaps)


def uncured(engine: Engine, what: Cure) -> Assembly:
    """The assembly as found, if the cause of this cure is right: what the cure would bring to ``intended``."""
    assembly = intended(engine)
    for coupling, (driving, driven) in what.moves.items():
        assembly = move_teeth(assembly, coupling, -driving, -driven)
    for mesh, teeth in what.meshes.items():
        assembly = with_mesh_teeth(assembly, mesh, -teeth)
    gaps = {name: what.found_mm[name] for name in what.gaps_mm}
    clearances = {name: what.found_mm[name] for name in what.clearances_mm}
    return replace(
        with_clearances(assembly, clearances),
        points_gaps_mm=MappingProxyType({**assembly.points_gaps_mm, **gaps}),
    )


def _gears(engine: Engine, draft: _Draft, part: Hypothesis, geared: dict[str, float]) -> None:
    for mesh, teeth in part.meshes.items():
        wheel = engine.wheels[engine.meshes[mesh].driven]
        shaft = engine.shafts[wheel.shaft]
        way = turning(shaft.sense if teeth < 0 else -shaft.sense)
        draft.do += [
            f"Take the gears {mesh} out of mesh.",
            f"Turn {shaft.name} {teeth_words(teeth)} {way}, seen from the {shaft.seen_from}.",
            "Mesh the gears again, by their painted index marks.",
        ]
        draft.meshes[mesh] = draft.meshes.get(mesh, 0) - teeth
        draft.repeat.append("Take all readings behind these gears again.")
    for leaf, early in part.early_deg.items():
        geared[leaf] = geared.get(leaf, 0.0) + early


def _part(engine: Engine, draft: _Draft, part: Hypothesis, told: Explained, geared: dict[str, float]) -> None:
    if part.early_deg:
        couplings: dict[str, str] = {name: leaves_behind(engine, name)[0] for name in part.moves}
        for leaf in part.sites:
            upstream = engine.coupling_upstream(leaf)
            if upstream is not None and not part.moves:
                couplings.setdefault(upstream.name, leaf)
        for coupling, leaf in couplings.items():
            if coupling not in draft.moves:
                cause_teeth = part.moves.get(coupling, (0, 0))[0]
                _vernier(engine, draft, coupling, leaf, -(told.early_deg[leaf] - geared.get(leaf, 0.0)), cause_teeth)
        return
    unit = engine.sheet.length_unit
    for name in part.u_clearance_mm:
        clearance = engine.valves[name].data.checking_clearance_mm
        draft.clearances_mm[name] = clearance
        draft.found_mm[name] = max(0.0, clearance + told.latent.get(("clearance", name), 0.0))
        draft.do.append(f"With its cam on the heel and the engine cold, set {name} to {length(clearance, unit)}.")
        draft.repeat.append(f"Read {name} again.")
    for name in part.u_gap_mm:
        gap = engine.magnetos[name].data.points_gap_mm
        draft.gaps_mm[name] = gap
        draft.found_mm[name] = max(0.0, gap + told.latent.get(("gap", name), 0.0))
        draft.do.append(f"Set the points gap of the {name} magneto to {length(gap, unit)}.")
        draft.repeat.append(f"Read the points break of the {name} magneto again.")
    for name, (_, spread) in part.break_late_deg.items():
        if spread:
            place = engine.magnetos[name].data.timed_at
            draft.do += [f"Move the advance lever of the {name} magneto to {place}.", "Lock the lever there."]
        elif not part.meshes:  # else the break came with the gear
            draft.do.append(f"Turn the crank on until the impulse starter of the {name} magneto has clicked.")
        draft.repeat.append(f"Read the points break of the {name} magneto again.")
    if part.mirrored is not None:
        draft.do.append("Take that reading again. Write down the side of the dead centre. Nothing is to be moved.")
    if part.read_running:
        draft.do.append("Set all valves to the checking clearance. Then read all valve events again.")
        draft.repeat.append("At the end, set the running clearances again.")
    for tag, name in part.tags:
        if tag in ("two leads", "leads round"):
            way = "Change the two leads over" if tag == "two leads" else "Move all leads back by one place"
            draft.do.append(f"{way} at the {name} magneto, by its plug-lead chart.")
            draft.repeat.append("Examine every lead from segment to plug.")
    if part.valve_late_deg:
        draft.do.append("Fit the camshaft that is made for this bank and this running direction. Then set it again.")
        draft.repeat.append("Set the camshaft again, all its steps.")


def _vernier(engine: Engine, draft: _Draft, name: str, leaf: str, wanted_crank_deg: float, cause_teeth: int) -> None:
    """Bring a shaft back by its coupling. ``wanted_crank_deg``: how much earlier it shall stand; ``cause_teeth``: how
    far on its driving end stands if the cause alone is right, 0 where the cause names no tooth."""
    coupling = engine.couplings[name]
    data, driven = coupling.data, engine.shafts[coupling.driven]
    turns = coupling_turns(engine, name)
    wanted = wanted_crank_deg * turns
    # whole turns of the driven shaft are no teeth: it comes to its place while it is free
    whole = round(wanted / 360.0)
    move = move_for_shift(data, wanted - 360.0 * whole)
    k, m = move.driving_teeth, move.driven_teeth
    shift = (float(move.shift_deg) + 360.0 * whole) / turns
    draft.moves[name] = (k, m - whole * data.driven_teeth)
    draft.shift_deg[name] = shift
    words, job = leaf_words(engine, leaf), job_of(engine, leaf)
    quill = "quill" if data.kind == "quill" else "sleeve"
    if (k, m, whole) == (0, 0, 0):
        draft.do.append(f"{words[0].upper()}{words[1:]} is as near as its {quill} can bring it. Leave it.")
        return
    magneto = magneto_of_leaf(engine, leaf)
    draft.do.append(
        f"Turn the crank to the mark “{job.mark}”, the last movement in the running direction."
        if job
        else "Turn the crank to the mark, the last movement in the running direction."
    )
    draft.do.append(f"Draw {name}.")
    way = turning(driven.sense if shift > 0 else -driven.sense)
    turned = abs(shift) * turns
    place = "its points just break, with the finger on its segment" if magneto else "the timing valve is at its place"
    if job is not None and job.do == "set-camshaft":
        place = f"the feeler or the gauge shows {job.mark}"
    if not magneto:
        draft.do.append(str(STRIKE))
    draft.do.append(f"Turn {driven.name} {turned:.1f} degrees {way}, seen from the {driven.seen_from}, until {place}.")
    draft.do.append("Hold it there.")
    if cause_teeth and k != -cause_teeth:
        draft.do.append(
            f"NOTE: The cause says {teeth_words(cause_teeth)}, but the readings are nearest to the next line. "
            "Go by that."
        )
    draft.do += move_in_words(k, m, data.kind, turning(driven.sense), driven.seen_from).replace(". ", ".\n").split("\n")
    draft.do.append(str(force(quill)))
    later = "earlier" if shift > 0 else "later"
    draft.do.append(f"{words[0].upper()}{words[1:]} is then {abs(shift):.1f} crank degrees {later}.")
    per_cycle = 2 * abs(driven.turns)
    if sets_of_positions(data.driving_teeth, data.driven_teeth, per_cycle) > 1:
        nearer = reach(data.driving_teeth, data.driven_teeth, per_cycle, wanted)
        if abs(nearer.left_over_deg) / turns < abs(move.left_over_deg) / turns - _WORTH_DEG:
            draft.cycles = max(draft.cycles, nearer.cycles)
            many = "1 more cycle" if nearer.cycles == 1 else f"{nearer.cycles} more cycles"
            draft.do.append(f"After {many} of the crank, two turns each, it can come nearer still.")
    draft.repeat += [
        f"Set {words} again from its mark: hold it, try {name}, put it home.",
        f"Read all events of {words} again.",
        "Turn the crank two full turns and read everything.",
        *(() if magneto else ("At the end, set the running clearances again.",)),
    ]
