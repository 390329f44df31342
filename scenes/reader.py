"""An engine folder to a ``DataSheet``: every problem of its files at once, or data that agree.

What needs the mechanism (ratios, crank pins, room) is checked afterwards by ``kinematics.build``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from types import MappingProxyType
from typing import TypeVar, get_args

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
    ToolsData,
    TrainData,
    ValveData,
    ValveKind,
    camshaft_name,
)
from quillwise.kinematics.errors import Problem, SceneError, unknown
from quillwise.scenes import library, sources
from quillwise.scenes.fields import Keys
from quillwise.scenes.keys import BankKeys, CrankKeys, EngineKeys, SetupKeys, StepKeys
from quillwise.scenes.lifts import check_measured, lift_of
from quillwise.scenes.magneto_keys import MagnetoKeys, Side
from quillwise.scenes.places import Layer, Place, printable, shown
from quillwise.scenes.train_keys import StageKeys
from quillwise.scenes.valve_keys import ExhaustKeys, InletKeys, ValvesKeys

K = TypeVar("K", bound=Keys)

_DEFAULT_DWELL = 0.55  # of the angle from lobe to lobe


def load(name_or_path: str) -> DataSheet:
    """The data sheet of a packaged engine, by name, or of an engine folder, by path. Degrees and mm, whatever unit the
    files are written in. Raises SceneError with every problem of the folder.

    >>> load("slipway-six").inlet.lift_mm > 5.0  # its file is in inches
    True
    """
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
        _check_rods(engine)
        _check_driven(engine)
        _check_couplings(engine)
        check_measured(engine)
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


def _check_rods(engine: EngineKeys) -> None:
    """Articulated rods have a master bank that exists, and hang in other banks."""
    if not engine.known("crank", "layout") or not engine.crank.known("rods") or not engine.layout.known("banks"):
        return
    banks, crank = engine.layout.banks, engine.crank
    articulated = crank.rods == "articulated"
    if articulated and len(banks) == 1:
        crank.wrong("rods", 'expected two banks or more beside "articulated", got one')
    for bank in banks:
        if bank.known("wrist_pin_angle_deg") and bank.wrist_pin_angle_deg is not None and not articulated:
            bank.wrong(
                "wrist_pin_angle_deg",
                f'expected only beside crank.rods = "articulated", got {shown(bank.raw["wrist_pin_angle_deg"])}',
            )
    names = [bank.name for bank in banks if bank.known("name")]
    named = crank.master_bank if crank.known("master_bank") and len(names) == len(banks) else None
    if named is not None and named not in names:
        crank.wrong("master_bank", unknown("bank", printable(named), names))


def _check_driven(engine: EngineKeys) -> None:
    """A shaft with the name of a camshaft or of a magneto's rotor is one: no train is left over from another engine."""
    magnetos = _names(engine, "magnetos", "name")
    banks = _names(engine.layout, "banks", "name") if engine.known("layout") else []
    per_bank = engine.valves.values.get("camshafts_per_bank") if engine.known("valves") else None
    kinds = get_args(ValveKind)
    camshafts = list(dict.fromkeys(camshaft_name(b, k, per_bank) for b in banks for k in kinds)) if per_bank else []
    for train in engine.trains if engine.known("trains") else ():
        name = train.drives if train.known("drives") else ""
        if camshafts and name.startswith("camshaft ") and name not in camshafts:
            train.wrong("drives", unknown("camshaft", printable(name), camshafts))
        elif magnetos and name.endswith(" magneto") and name.removesuffix(" magneto") not in magnetos:
            rotors = [printable(f"{magneto} magneto") for magneto in magnetos]
            train.wrong("drives", unknown("magneto", printable(name), rotors))


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
        elif not stage.place.is_full:
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
    _check_valve_numbers(setup, engine)
    if not engine.known("valves") or not engine.valves.known("camshafts_per_bank"):
        return
    for step in setup.steps:
        if step.known("camshaft") and step.known("cylinder") and step.values["cylinder"] in cylinders:
            _check_camshaft_of(step, engine.valves.camshafts_per_bank, camshafts)


def _check_camshaft_of(step: StepKeys, per_bank: int, camshafts: list[str]) -> None:
    """The cylinder of a step, and the event that it is set by, are of its camshaft's valves."""
    kind = step.valve_kind
    bank = step.values["cylinder"].rstrip("0123456789")
    own, found = camshaft_name(bank, kind, per_bank), step.values["camshaft"]
    if own == found or own not in camshafts or found not in camshafts:
        return
    if found == camshaft_name(bank, "inlet" if kind == "exhaust" else "exhaust", per_bank):
        step.wrong("by", f'expected an event of the valves that {printable(found)} works, got "{step.valve_words}"')
        return
    whose = "valves" if per_bank == 1 else f"{kind} valves"
    step.wrong(
        "cylinder",
        f"expected a cylinder of {printable(found)}, got {step.values['cylinder']}, whose {whose} {own} works",
    )


def _check_valve_numbers(setup: SetupKeys, engine: EngineKeys) -> None:
    """A step's valve is one that its cylinder has."""
    for step in setup.steps:
        if not step.known("valve") or ("by" in step.raw and not step.known("by")) or not engine.known("valves"):
            continue
        kind = step.valve_kind
        if not engine.valves.known(kind) or not engine.valves.values[kind].known("count"):
            continue
        count = engine.valves.values[kind].count
        if step.values["valve"] > count:
            has = "one" if count == 1 else f"{count}"
            step.wrong(
                "valve",
                f"expected the number of one of the {kind} valves of a cylinder, which has {has}, "
                f"got {step.values['valve']}",
            )


def _names(keys: Keys, key: str, label: str) -> list[str]:
    """The names of the entries of an array of tables; none if one of them is wrong."""
    if not keys.known(key):
        return []
    entries: tuple[Keys, ...] = keys.values[key]
    return [entry.values[label] for entry in entries] if all(e.known(label) for e in entries) else []


# The data sheet, from keys that are all right


def _data_sheet(engine: EngineKeys, setup: SetupKeys, scene: str) -> DataSheet:
    layout = engine.layout
    rotation = layout.rotation
    if _from_output(layout, "rotation"):
        rotation = _other_sense(rotation)
    mirrored_banks = _from_output(layout, "banks")
    geometry = {f"{key}_mm": float(value) for key, value in engine.geometry.values.items() if value is not None}
    return DataSheet(
        name=engine.name,
        about=engine.about,
        scene=scene,
        rotation=rotation,
        number_one_at=layout.number_one_at,
        firing_order=layout.firing_order,
        banks=tuple(
            BankData(
                name=bank.name,
                turn_deg=_turn_deg(bank, mirrored_banks),
                cylinders=bank.cylinders,
                wrist_pin_angle_deg=_mirrored(bank.wrist_pin_angle_deg, mirrored_banks),
            )
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
                hand=keys.hand or "",
                bank=keys.bank or "",
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
                hand=train.hand or "",
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
        tools=ToolsData(
            feeler_mm=engine.tools.feeler,
            ring_deg=engine.tools.ring_deg,
            zero_deg=engine.tools.zero_deg,
            meter_deg=engine.tools.meter_deg,
            backlash_deg=engine.tools.backlash_deg,
            tooth_error_deg=engine.tools.tooth_error_deg,
        ),
        geometry=MappingProxyType(geometry),
        setup=tuple(_step(step) for step in setup.steps),
        hand=layout.hand or "",
        may_turn_back=setup.may_turn_back,
        written_from=layout.seen_from,
        length_unit=engine.length_unit,
        camshafts_per_bank=engine.valves.camshafts_per_bank,
    )


def _from_output(keys: Keys, key: str) -> bool:
    """Whether the file that gives this key describes the engine as seen from the output end."""
    return keys.place.at(key).layer.seen_from == VIEWED_FROM_OUTPUT


def _other_sense(rotation: Rotation) -> Rotation:
    return "anticlockwise" if rotation == "clockwise" else "clockwise"


def _mirrored(angle_deg: float | None, mirrored: bool) -> float | None:
    return -angle_deg if angle_deg and mirrored else angle_deg


def _turn_deg(bank: BankKeys, mirrored: bool) -> float:
    if bank.angle_deg == 0:
        return 0.0
    return bank.angle_deg if (bank.side == "right") != mirrored else -bank.angle_deg


def _crank(crank: CrankKeys) -> CrankData:
    offset, pins = crank.gudgeon_offset, crank.pin_angles_deg
    mirrored = _from_output(crank, "pin_angles_deg")
    return CrankData(
        bore_mm=crank.bore,
        stroke_mm=crank.stroke,
        rod_length_mm=crank.rod_length,
        rods=crank.rods,
        gudgeon_offset_mm=-offset if offset and _from_output(crank, "gudgeon_offset") else offset,
        pin_angles_deg=None if pins is None else tuple(-pin if pin and mirrored else pin for pin in pins),
        master_bank=crank.master_bank or "",
        wrist_pin_radius_mm=crank.wrist_pin_radius or 0.0,
        link_rod_length_mm=crank.link_rod_length,
    )


def _valve(kind: ValveKind, valve: InletKeys | ExhaustKeys, valves: ValvesKeys) -> ValveData:
    checking = valve.checking_clearance or valves.checking_clearance or 0.0
    lift = lift_of(valve, checking)
    running = valve.running_clearance if valve.running_clearance is not None else valves.running_clearance
    return ValveData(
        kind=kind,
        opens_deg=lift.opens_deg,
        closes_deg=lift.closes_deg,
        lift_mm=lift.lift_mm,
        ramp_mm_per_crank_deg=lift.ramp_mm_per_crank_deg,
        lift_table=lift.table,
        count=valve.count,
        pad_radius_mm=valve.pad_radius,
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
    if stage.idler is not None:
        return StageData(kind="idler", driven_teeth=stage.idler, shaft=stage.shaft)
    if stage.bevel is not None:
        bevel = stage.bevel
        return StageData(
            kind="bevel",
            driving_teeth=bevel.driving,
            driven_teeth=bevel.driven,
            side=bevel.side,
            shaft=stage.shaft,
            set_apart=bevel.set_apart,
        )
    kind: StageKind = "spur" if stage.spur is not None else "internal"
    gears = stage.spur or stage.internal
    assert gears is not None
    return StageData(kind=kind, driving_teeth=gears.driving, driven_teeth=gears.driven, shaft=stage.shaft)


def _magneto(magneto: MagnetoKeys, number: int, mirrored: bool) -> MagnetoData:
    poles = magneto.poles or magneto.sparks_per_turn or 0
    pinion, wheel = magneto.finger.pinion, magneto.finger.wheel
    on_finger = magneto.breaker_on == "finger"
    lobes = magneto.lobes or (poles * wheel // pinion if on_finger else poles)
    sparks_per_turn = lobes * pinion / wheel if on_finger else lobes
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
        poles=poles,
        e_gap_deg=magneto.e_gap_magneto_rotor_deg,
        lobes=lobes,
        dwell_deg=magneto.dwell_magneto_rotor_deg or _DEFAULT_DWELL * 360 / sparks_per_turn,
        points_gap_mm=magneto.points_gap,
        closed_ohm=magneto.closed_ohm,
        open_ohm=magneto.open_ohm,
        finger_teeth=(pinion, wheel),
        finger_width_deg=magneto.finger_width_deg,
        segment_width_deg=magneto.segment_width_deg,
        stands=stands,
        kind=magneto.kind,
        breaker_on=magneto.breaker_on,
        fires=magneto.fires or (),
        impulse_lag_deg=magneto.impulse_lag_deg,
        trailing_electrode_deg=magneto.trailing_electrode_deg,
    )


def _step(step: StepKeys) -> StepData:
    return StepData(
        do=step.do,
        camshaft=step.camshaft or "",
        magneto=step.magneto or "",
        cylinder=step.cylinder or "",
        by=step.by or "inlet opens",
        valve=step.valve or 1,
        lobe=step.lobe or "inlet",
        lift_mm=step.lift,
        crank_by=step.crank_by or "ring",
        below_tdc_mm=step.below_tdc,
        prove_stroke=step.prove_stroke or "valves",
    )
