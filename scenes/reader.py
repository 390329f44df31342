"""An engine folder to a ``DataSheet``: every problem of its files at once, or data that agree.

What needs the mechanism (ratios, crank pins, room) is checked afterwards by ``kinematics.build``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from types import MappingProxyType
from typing import TypeVar

from quillwise.kinematics.datasheet import (
    VIEWED_FROM_OUTPUT,
    BankData,
    CouplingData,
    CrankData,
    DataSheet,
    LimitsData,
    MagnetoData,
    Rotation,
    StageData,
    StageKind,
    StepData,
    TrainData,
    ValveData,
    ValveKind,
)
from quillwise.kinematics.errors import Problem, SceneError, unknown
from quillwise.scenes import library, sources
from quillwise.scenes.fields import Keys
from quillwise.scenes.keys import (
    BankKeys,
    CrankKeys,
    EngineKeys,
    ExhaustKeys,
    InletKeys,
    MagnetoKeys,
    SetupKeys,
    Side,
    StageKeys,
    StepKeys,
    ValvesKeys,
)
from quillwise.scenes.places import Layer, Place, printable

K = TypeVar("K", bound=Keys)

_DEFAULT_DWELL = 0.55  # of the angle from lobe to lobe


def load(name_or_path: str) -> DataSheet:
    """The data sheet of a packaged engine, by name, or of an engine folder, by path. Raises SceneError."""
    return read(library.find(name_or_path))


def read(folder: Path) -> DataSheet:
    """The data sheet of an engine folder: degrees, mm, senses and sides as seen from the wheelcase end.

    Raises SceneError with every problem found, ``Problem.path`` being "engine.toml: couplings.quill-a.kind".
    """
    folder = library.as_folder(folder)
    problems: list[Problem] = []
    engine_layers = _layers(folder, sources.ENGINE, problems)
    setup_layers = _layers(folder, sources.SETUP, problems)
    engine = _read_keys(EngineKeys, engine_layers, problems)
    if engine:
        _check_firing_order(engine)
        _check_couplings(engine)
    setup = _read_keys(SetupKeys, setup_layers, problems)
    if engine and setup:
        _check_setup(setup, engine)
    if problems or not engine or not setup:
        raise SceneError(problems)
    return _data_sheet(engine, setup, folder.name)


def _layers(folder: Path, name: str, problems: list[Problem]) -> tuple[Layer, ...]:
    try:
        return sources.chain(folder, name)
    except SceneError as error:
        problems += [problem for problem in error.problems if problem not in problems]
        return ()


def _read_keys(keys: type[K], layers: tuple[Layer, ...], problems: list[Problem]) -> K | None:
    if not layers:
        return None
    for layer in layers:
        if "format" not in layer.table:
            problems.append(Problem(f"{layer.file}: format", f"missing: expected {sources.FORMAT}"))
    return keys(sources.merged(layers), Place(layers=layers, problems=problems))


# Checks between tables


def cylinder_names(banks: Iterable[BankKeys]) -> list[str]:
    """A1, A2, …, B1, …: bank and number."""
    return [f"{bank.name}{number}" for bank in banks for number in range(1, bank.cylinders + 1)]


def _known_cylinders(engine: EngineKeys) -> list[str]:
    """The cylinders of all banks; none if a bank is wrong, for then nothing can be said about them."""
    if not engine.known("layout") or not engine.layout.known("banks"):
        return []
    banks = engine.layout.banks
    return cylinder_names(banks) if all(bank.known("name", "cylinders") for bank in banks) else []


def _check_firing_order(engine: EngineKeys) -> None:
    cylinders = _known_cylinders(engine)
    if not cylinders or not engine.layout.known("firing_order"):
        return
    counts = Counter(engine.layout.firing_order)
    wrong = {
        "missing": [name for name in cylinders if name not in counts],
        "more than once": [name for name, count in counts.items() if count > 1 and name in cylinders],
        "not in the banks": [name for name in counts if name not in cylinders],
    }
    told = [f"{words}: {', '.join(names)}" for words, names in wrong.items() if names]
    if told:
        engine.layout.wrong(
            "firing_order", f"expected each of the {len(cylinders)} cylinders once, got {'; '.join(told)}"
        )


def _check_couplings(engine: EngineKeys) -> None:
    """Every coupling that is named exists, and each stands in one place."""
    if not engine.known("couplings", "trains"):
        return
    uses: dict[str, list[str]] = {name: [] for name in engine.couplings}
    all_readable = all(train.known("stages") for train in engine.trains)
    for stage in [stage for train in engine.trains if train.known("stages") for stage in train.stages]:
        if not stage.known("coupling"):
            all_readable = all_readable and stage.is_mesh
            continue
        name = stage.coupling or ""
        if name in uses:
            uses[name].append(stage.place.path)
        else:
            all_readable = False  # it may stand for one that would then seem to be used nowhere
            stage.wrong("coupling", unknown("coupling", name, engine.couplings))
    for name, places in uses.items():
        if len(places) > 1 or (not places and all_readable):
            found = " and ".join(places) or "none"
            engine.couplings[name].place.report(f"expected one place in the trains, got {found}")


def _check_setup(setup: SetupKeys, engine: EngineKeys) -> None:
    if not setup.known("steps"):
        return
    cylinders = _known_cylinders(engine)
    magnetos = _names(engine, "magnetos", "name")
    rotors = {f"{name} magneto" for name in magnetos}
    camshafts = [name for name in _names(engine, "trains", "drives") if name not in rotors]
    for step in setup.steps:
        for key, kind, defined in (
            ("cylinder", "cylinder", cylinders),
            ("magneto", "magneto", magnetos),
            ("camshaft", "camshaft driven by a train", camshafts),
        ):
            if defined and step.known(key) and step.values[key] not in defined:
                step.wrong(key, unknown(kind, printable(step.values[key]), defined))
    for key in ("camshaft", "magneto"):
        set_already: set[str] = set()
        for step in setup.steps:
            if not step.known(key):
                continue
            name = step.values[key]
            if name in set_already:
                step.wrong(key, f"expected each {key} once, got {printable(name)} a second time")
            set_already.add(name)
    for step in setup.steps:
        if step.known("camshaft") and step.known("cylinder") and step.values["cylinder"] in cylinders:
            own = f"camshaft {step.values['cylinder'].rstrip('0123456789')}"
            if own in camshafts and step.values["camshaft"] in camshafts and step.values["camshaft"] != own:
                step.wrong(
                    "cylinder",
                    f"expected a cylinder of {printable(step.values['camshaft'])}, "
                    f"got {step.values['cylinder']}, whose valves {own} works",
                )


def _names(engine: EngineKeys, key: str, label: str) -> list[str]:
    """The names of the entries of an array of tables; none if one of them is wrong."""
    if not engine.known(key):
        return []
    entries: tuple[Keys, ...] = engine.values[key]
    return [entry.values[label] for entry in entries] if all(e.known(label) for e in entries) else []


# The data sheet, from keys that are all right


def _data_sheet(engine: EngineKeys, setup: SetupKeys, scene: str) -> DataSheet:
    layout = engine.layout
    rotation = layout.rotation
    if _from_output(layout, "rotation"):
        rotation = _other_sense(rotation)
    mirrored_banks = _from_output(layout, "banks")
    geometry = {
        key if key.endswith("_deg") else f"{key}_mm": float(value)
        for key, value in engine.geometry.values.items()
        if value is not None
    }
    return DataSheet(
        name=engine.name,
        about=engine.about,
        scene=scene,
        rotation=rotation,
        number_one_at=layout.number_one_at,
        firing_order=layout.firing_order,
        banks=tuple(
            BankData(name=bank.name, turn_deg=_turn_deg(bank, mirrored_banks), cylinders=bank.cylinders)
            for bank in layout.banks
        ),
        crank=_crank(engine.crank),
        inlet=_valve("inlet", engine.valves.inlet, engine.valves),
        exhaust=_valve("exhaust", engine.valves.exhaust, engine.valves),
        couplings=tuple(
            CouplingData(
                name=name,
                kind=keys.kind,
                driving_teeth=keys.driving_teeth,
                driven_teeth=keys.driven_teeth,
                free_play_driven_shaft_deg=keys.free_play_driven_shaft_deg,
                tooth_phase_deg=keys.tooth_phase_deg,
            )
            for name, keys in engine.couplings.items()
        ),
        trains=tuple(
            TrainData(
                drives=train.drives,
                from_shaft=train.from_,
                stages=tuple(_stage(stage) for stage in train.stages),
                turns=train.turns,
                seen_from=train.seen_from,
            )
            for train in engine.trains
        ),
        magnetos=tuple(
            _magneto(magneto, number, _from_output(engine, "magnetos"))
            for number, magneto in enumerate(engine.magnetos)
        ),
        limits=LimitsData(
            valve_event_deg=engine.limits.valve_event_deg,
            valve_event_uncertainty_deg=engine.limits.valve_event_uncertainty_deg,
            points_break_deg=engine.limits.points_break_deg,
            points_break_uncertainty_deg=engine.limits.points_break_uncertainty_deg,
            stagger_deg=engine.limits.stagger_deg,
            room_mm=engine.limits.room,
        ),
        geometry=MappingProxyType(geometry),
        setup=tuple(_step(step) for step in setup.steps),
        length_unit=engine.length_unit,
    )


def _from_output(keys: Keys, key: str) -> bool:
    """Whether the file that gives this key describes the engine as seen from the output end."""
    return keys.place.at(key).layer.seen_from == VIEWED_FROM_OUTPUT


def _other_sense(rotation: Rotation) -> Rotation:
    return "anticlockwise" if rotation == "clockwise" else "clockwise"


def _turn_deg(bank: BankKeys, mirrored: bool) -> float:
    if bank.angle_deg == 0:
        return 0.0
    return bank.angle_deg if (bank.side == "right") != mirrored else -bank.angle_deg


def _crank(crank: CrankKeys) -> CrankData:
    offset = crank.gudgeon_offset
    return CrankData(
        bore_mm=crank.bore,
        stroke_mm=crank.stroke,
        rod_length_mm=crank.rod_length,
        rods=crank.rods,
        gudgeon_offset_mm=-offset if offset and _from_output(crank, "gudgeon_offset") else offset,
        pin_angles_deg=crank.pin_angles_deg,
    )


def _valve(kind: ValveKind, valve: InletKeys | ExhaustKeys, valves: ValvesKeys) -> ValveData:
    checking = valve.checking_clearance or valves.checking_clearance or 0.0
    running = valve.running_clearance if valve.running_clearance is not None else valves.running_clearance
    return ValveData(
        kind=kind,
        opens_deg=valve.opens,
        closes_deg=valve.closes,
        lift_mm=valve.valve_lift,
        ramp_mm_per_crank_deg=valve.ramp_per_crank_deg,
        checking_clearance_mm=checking,
        running_clearance_mm=checking if running is None else running,
        law=valve.law or valves.law or "harmonic",
        follower=valve.follower or valves.follower or "rocker",
        rocker_ratio=valve.rocker_ratio or valves.rocker_ratio or 1.0,
        ramp_top_mm=valve.ramp_top,
        base_radius_mm=valve.base_radius,
        room_at_tdc_mm=valve.room_at_tdc,
        angle_to_cylinder_deg=valve.angle_to_cylinder_deg,
    )


def _stage(stage: StageKeys) -> StageData:
    if stage.coupling is not None:
        return StageData(kind="coupling", coupling=stage.coupling, shaft=stage.shaft)
    if stage.bevel is not None:
        bevel = stage.bevel
        return StageData(
            kind="bevel",
            driving_teeth=bevel.driving,
            driven_teeth=bevel.driven,
            side=bevel.side,
            shaft=stage.shaft,
        )
    kind: StageKind = "spur" if stage.spur is not None else "internal"
    gears = stage.spur or stage.internal
    assert gears is not None
    return StageData(kind=kind, driving_teeth=gears.driving, driven_teeth=gears.driven, shaft=stage.shaft)


def _magneto(magneto: MagnetoKeys, number: int, mirrored: bool) -> MagnetoData:
    lobes = magneto.lobes or magneto.poles
    usual: tuple[Side, Side] = ("left", "right")
    stands = magneto.stands
    if stands is None:
        stands = usual[number % 2]
    elif mirrored:
        stands = "left" if stands == "right" else "right"
    return MagnetoData(
        name=magneto.name,
        plugs=magneto.plugs,
        break_deg=magneto.points_break,
        timed_at=magneto.timed_at,
        advance_range_deg=magneto.advance_range_deg,
        poles=magneto.poles,
        e_gap_deg=magneto.e_gap_magneto_rotor_deg,
        lobes=lobes,
        dwell_deg=magneto.dwell_magneto_rotor_deg or _DEFAULT_DWELL * 360 / lobes,
        points_gap_mm=magneto.points_gap,
        closed_ohm=magneto.closed_ohm,
        open_ohm=magneto.open_ohm,
        finger_teeth=(magneto.finger.pinion, magneto.finger.wheel),
        finger_width_deg=magneto.finger_width_deg,
        segment_width_deg=magneto.segment_width_deg,
        stands=stands,
    )


def _step(step: StepKeys) -> StepData:
    return StepData(
        do=step.do,
        camshaft=step.camshaft or "",
        magneto=step.magneto or "",
        cylinder=step.cylinder or "",
        by=step.by or "inlet opens",
    )
