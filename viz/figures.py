"""The commands that give figures: events, vernier, rehearse, validate, engines."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from quillwise.kinematics.errors import RequestError, SceneError
from quillwise.viz import completion
from quillwise.viz.asked import (
    DEMONSTRATION,
    EngineName,
    MistakeTexts,
    check_degrees,
    fault_of,
    find_step,
    open_engine,
    play_with,
)

if TYPE_CHECKING:
    from quillwise.kinematics.lengths import LengthUnit
    from quillwise.kinematics.model import Engine
    from quillwise.kinematics.sequence import Played
    from quillwise.kinematics.steps import Mistake, Step
    from quillwise.viz.records import Record

CHECK_FAILED = 1


class Units(StrEnum):
    """Units of the lengths that are printed."""

    MM = "mm"
    INCH = "in"


AsJson = Annotated[bool, typer.Option("--json", help="The figures as JSON, with full precision, lengths in mm.")]
LengthUnits = Annotated[
    Units | None, typer.Option("--units", help="Unit of the lengths that are printed; left out, that of the engine.")
]


def register(app: typer.Typer) -> None:
    """Add the commands of this module to the program."""
    for command, example in (
        (events, "quillwise events slipway-six --round --at 30"),
        (vernier, "quillwise vernier quill-a larkfell-port --shift 2.5"),
        (rehearse, "quillwise rehearse larkfell-port --mistake other-tooth:quill-b=-4 --step b-home"),
        (validate, "quillwise validate slipway-six"),
        (engines, "quillwise engines --json"),
    ):
        app.command(epilog=f"Example: {example}")(command)


def events(
    engine: EngineName = DEMONSTRATION,
    mistake: MistakeTexts = None,
    as_set: Annotated[
        bool, typer.Option("--as-set", help="Also the events as set by the set-up order; with --mistake always.")
    ] = False,
    as_round: Annotated[
        bool, typer.Option("--round", help="A round of readings: all events in one walk of two turns.")
    ] = False,
    at: Annotated[
        float | None, typer.Option("--at", metavar="DEG", help="Where the crank stands, for --round.")
    ] = None,
    csv: Annotated[bool, typer.Option("--csv", help="The timing table as CSV, lengths in mm.")] = False,
    as_json: AsJson = False,
    units: LengthUnits = None,
) -> None:
    """The timing table by crank angle, and the plug-lead charts."""
    if csv and as_json:
        raise RequestError("give --csv or --json, not both")
    if at is not None and not as_round:
        raise RequestError("--at is for --round")
    if as_round and csv:
        raise RequestError("give --round or --csv, not both")
    check_degrees("--at", at or 0.0, 1e6)
    model = open_engine(engine)
    with_as_set = as_set or bool(mistake)
    # a table by the data alone waits for no set-up to be played
    told_as_set = with_as_set or csv or as_json
    mistakes, played = play_with(model, mistake) if told_as_set else ((), None)
    from quillwise.viz import records, tables, walk

    record = records.events(model, played, mistakes)
    if as_round:
        on_foot = walk.walk(record, at or 0.0)
        print_record(on_foot, as_json, lambda: walk.walk_text(on_foot))
    elif csv:
        typer.echo(tables.events_csv(record), nl=False)
    else:
        print_record(record, as_json, lambda: tables.events_text(record, with_as_set, _unit(model, units)))
    if with_as_set:
        _fail_on_reject(record)


def vernier(
    coupling: Annotated[
        str, typer.Argument(help="A quill or sleeve of the engine.", autocompletion=completion.couplings)
    ],
    engine: EngineName = DEMONSTRATION,
    held: Annotated[
        float, typer.Option(metavar="DEG", help="The driven shaft is held so early [degrees of its shaft].")
    ] = 0.0,
    shift: Annotated[
        float | None, typer.Option(metavar="DEG", help="Wanted shift [crank degrees, + = early]: prints the move.")
    ] = None,
    move: Annotated[
        str | None,
        typer.Option(
            metavar="K,M",
            help="Teeth moved past the driving and the driven mate, + in the running direction: prints the shift.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """The vernier table of a coupling: step, trials, best tooth; moves and shifts."""
    check_degrees("--held", held, 360)
    if shift is not None:
        check_degrees("--shift", shift, 720)
    teeth = None if move is None else _teeth(move)
    model = open_engine(engine)
    item = model.coupling(coupling)
    from quillwise.viz import records, tables

    record = records.vernier(model, item, held, shift, teeth)
    print_record(record, as_json, lambda: tables.vernier_text(record))


def rehearse(
    ctx: typer.Context,
    engine: EngineName = DEMONSTRATION,
    mistake: MistakeTexts = None,
    fault: Annotated[
        str | None,
        typer.Option(
            "--fault",
            metavar="NAME",
            help="Play a fault that the engine folder describes.",
            autocompletion=completion.faults,
        ),
    ] = None,
    step: Annotated[
        str | None,
        typer.Option(
            metavar="N|KEY",
            help="Only this step, by number or key: the word in [ ] after its title.",
            autocompletion=completion.steps,
        ),
    ] = None,
    from_: Annotated[
        str | None,
        typer.Option(
            "--from",
            metavar="N|KEY",
            help="The way back from a slip at this step.",
            autocompletion=completion.steps,
        ),
    ] = None,
    slip: Annotated[
        str | None,
        typer.Option(
            metavar="SLIP", help="mark-passed, camshaft-rolled or quill-dropped; left out, the likeliest at that step."
        ),
    ] = None,
    readings: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the readings of the assembly that was made.")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Overwrite the readings file if it exists.")] = False,
    as_json: AsJson = False,
    units: LengthUnits = None,
) -> None:
    """Plays the set-up as figures, step by step; or the way back from a slip.

    The keys of the steps stand in [ ] after their titles; a key that does not exist, as in --step keys, lists them all.

    Exit code 1 if a check is "reject".
    """
    if slip is not None and from_ is None:
        raise RequestError("--slip: give the step at which it happens too, with --from")
    if from_ is not None and (step is not None or readings is not None):
        raise RequestError(f"give --from or {'--step' if step is not None else '--readings'}, not both")
    model = open_engine(engine)
    # the steps' sentences are written in the engine's unit
    model = replace(model, sheet=replace(model.sheet, length_unit=_unit(model, units)))
    described = None if fault is None else fault_of(engine, fault)
    mistakes, played = play_with(model, [*(described.mistakes if described else ()), *(mistake or ())])
    if from_ is not None:
        back = _way_back(model, mistakes, played, find_step(played, from_), slip)
        print_record(back, as_json, lambda: _recovery_text(back, model.sheet.length_unit))
        _fail_on_reject(back)
        return
    only = None if step is None else find_step(played, step)
    from quillwise.viz import records, tables

    record = records.rehearsal(model, played, mistakes, only)
    if described:
        record["fault"] = {"key": described.key, "name": described.name, "about": described.about}
    if readings is not None:
        from quillwise.viz.readings import write_readings

        count = write_readings(readings, model, records.at_checking_clearance(model, played.as_set), force)
        if not ctx.obj.quiet:
            typer.echo(f"{count} readings written to {readings}", err=True)
    print_record(record, as_json, lambda: tables.rehearsal_text(record, model.sheet.length_unit))
    _fail_on_reject(record)


def _way_back(engine: Engine, mistakes: Sequence[Mistake], played: Played, at: Step, slip: str | None) -> Record:
    from quillwise.kinematics.recovery import parse_slip, way_back
    from quillwise.viz import records

    found = parse_slip(engine, played, at, slip)
    return records.recovery(engine, at, found, way_back(engine, played, at, found), mistakes)


def _recovery_text(record: Record, unit: LengthUnit) -> str:
    from quillwise.viz import tables

    return tables.recovery_text(record, unit)


def validate(
    engine: Annotated[
        str,
        typer.Argument(help="A packaged engine, or an engine folder.", autocompletion=completion.packaged),
    ],
    as_json: AsJson = False,
) -> None:
    """Says that an engine folder is valid, or all its problems.

    Exit code 1 if it can be read and played but holds a reading that cannot be right, such as a row of a lift table
    far away from its neighbours. Notes, for example of figures that nobody has replaced, leave it 0.
    """
    from quillwise.scenes import faults, library
    from quillwise.scenes.leftover import leftover
    from quillwise.viz import folder_records, validation

    try:
        model = open_engine(engine)
        folder = library.find(engine)
        faults.check(folder, model)
    except SceneError as error:
        if as_json:
            typer.echo(_json(folder_records.problems(engine, ((item.path, item.message) for item in error.problems))))
        raise
    _, played = play_with(model, None)
    record = folder_records.summary(model, played, leftover(folder))
    print_record(record, as_json, lambda: validation.validation_text(record, model.sheet.length_unit))
    if record["cannot_be_right"]:
        raise typer.Exit(CHECK_FAILED)


def engines(as_json: AsJson = False) -> None:
    """The engines that come with the program."""
    from quillwise.scenes import library, reader
    from quillwise.viz import folder_records, tables

    record = folder_records.packaged(reader.load(name) for name in library.names())
    print_record(record, as_json, lambda: tables.packaged_text(record))


def _unit(engine: Engine, asked: Units | None) -> LengthUnit:
    """The unit asked for, else the engine's own."""
    if asked is None:
        return engine.sheet.length_unit
    return "in" if asked is Units.INCH else "mm"


def _teeth(text: str) -> tuple[int, int]:
    try:
        driving, driven = (int(part) for part in text.split(","))
    except ValueError:
        raise RequestError(f'--move: expected two whole numbers K,M, for example 3,-2, got "{text}"') from None
    if max(abs(driving), abs(driven)) > 10_000:
        raise RequestError(f"--move: expected at most 10000 teeth either way, got {text}")
    return driving, driven


def print_record(record: Record, as_json: bool, text: Callable[[], str]) -> None:
    """The record as JSON, or what a person reads of it."""
    typer.echo(_json(record) if as_json else text().rstrip("\n"))


def _json(record: Record) -> str:
    return json.dumps(record, indent=2, allow_nan=False)


def _fail_on_reject(record: Record) -> None:
    if record["tally"]["reject"]:
        raise typer.Exit(CHECK_FAILED)
