"""The command diagnose: readings in, ranked causes, what cures them and the next reading out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from quillwise.kinematics.errors import RequestError
from quillwise.viz.asked import DEMONSTRATION, Manner, open_engine
from quillwise.viz.figures import CHECK_FAILED, AsJson, print_record
from quillwise.viz.pictures import Force
from quillwise.viz.writing import slug, write_whole

if TYPE_CHECKING:
    from quillwise.kinematics.model import Engine
    from quillwise.kinematics.readings import Cause, Cure, Diagnosis, Proposal, Readings

Record = dict[str, Any]
FIRST = (
    "Before anything is drawn: take all readings, write them down, and mark the teeth of each coupling with paint at "
    "both ends. A quill that is drawn takes its evidence with it."
)
_PROPOSALS = 3
_NOTHING = "nothing wrong"
_STANDS_OUT = 0.8  # below it the first cause is told with a warning


def register(app: typer.Typer) -> None:
    """Add the command of this module to the program."""
    app.command(epilog="Example: quillwise diagnose readings.toml slipway-six")(diagnose)


def diagnose(
    ctx: typer.Context,
    readings: Annotated[
        Path | None, typer.Argument(metavar="[READINGS]", help="A readings file; --blank writes an empty one.")
    ] = None,
    engine: Annotated[
        str | None, typer.Argument(metavar="[ENGINE]", help="The engine; left out, the one that the file names.")
    ] = None,
    blank: Annotated[
        bool, typer.Option("--blank", help="Write an empty readings file for the engine, with remarks.")
    ] = False,
    next_readings: Annotated[
        bool, typer.Option("--next/--no-next", help="Tell which reading would tell most for its minutes.")
    ] = True,
    output: Annotated[Path | None, typer.Option("--output", "-o", metavar="PATH", help="Where --blank goes.")] = None,
    as_json: AsJson = False,
    force: Force = False,
) -> None:
    """What was done wrong, how sure that is, what cures it, and which reading to take next."""
    if blank:
        _write_blank(engine or (str(readings) if readings else DEMONSTRATION), output, force)
        return
    if readings is None:
        raise RequestError("give a readings file; --blank writes an empty one for an engine")
    from quillwise.scenes import readings as reader

    keys, label = reader.read(readings)
    name = engine or keys.engine
    if not name:
        raise RequestError(f"{label} names no engine: give it after the file")
    model = open_engine(name)
    stated = reader.readings(model, keys, label)
    from quillwise.kinematics.diagnosis import diagnose as diagnosed
    from quillwise.kinematics.inquiry import next_reading

    found = diagnosed(model, stated)
    manner: Manner = ctx.obj
    proposals = next_reading(model, stated, found)[:_PROPOSALS] if next_readings else ()
    record = diagnosis_record(model, stated, found, proposals)
    print_record(record, as_json, lambda: diagnosis_text(record, manner))
    if not any(cause.name == _NOTHING and (cause.tied or cause is found.causes[0]) for cause in found.causes):
        raise typer.Exit(CHECK_FAILED)


def diagnosis_record(engine: Engine, stated: Readings, found: Diagnosis, proposals: tuple[Proposal, ...]) -> Record:
    """The diagnosis, for JSON."""
    from quillwise.viz.records import head

    return {
        **head(engine.sheet, "diagnosis"),
        "first": FIRST,
        "readings": len(stated.entries),
        "disc_proved": stated.disc_proved,
        "causes": [_cause(cause) for cause in found.causes],
        "three_or_more_probability": found.rest,
        "tie": found.tie,
        "misfit": found.misfit,
        "entropy_bits": found.entropy_bits,
        "pointer_shows_too_much_crank_deg": found.pointer_deg,
        "pointer_u_crank_deg": found.u_pointer_deg,
        "next_readings": [
            {
                "name": each.name,
                "tool": each.tool,
                "bits": each.bits,
                "minutes": each.minutes,
                "bits_per_minute": each.bits_per_minute,
                "destroys_evidence": each.destroys,
            }
            for each in proposals
        ],
    }


def _cause(cause: Cause) -> Record:
    return {
        "name": cause.name,
        "kinds": list(cause.kinds),
        "probability": cause.probability,
        "tied_with_the_first": cause.tied,
        "residuals": [
            {
                "name": each.name,
                "unit": each.unit,
                "read": each.read,
                "predicted": each.predicted,
                "sd": each.sd,
                "explained": each.explained,
            }
            for each in cause.residuals
        ],
        "cure": None if cause.cure is None else _cure(cause.cure),
    }


def _cure(cure: Cure) -> Record:
    return {
        "do": list(cure.do),
        "repeat": list(cure.repeat),
        "teeth": {name: {"driving": k, "driven": m} for name, (k, m) in cure.moves.items()},
        "shift_crank_deg": dict(cure.shift_deg),
        "mesh_teeth": dict(cure.meshes),
        "clearances_mm": dict(cure.clearances_mm),
        "gaps_mm": dict(cure.gaps_mm),
        "extra_cycles": cure.cycles,
    }


def diagnosis_text(record: Record, manner: Manner) -> str:
    """The diagnosis in 80 columns. manner: quiet leaves out the residuals of the first cause."""
    from quillwise.viz.typesetting import columns, indented, page, paragraph, rule

    blocks: list[Any] = [paragraph(record["first"]), rule()]
    blocks.append(paragraph(f"{record['engine']}: {record['readings']} readings, {_disc(record)}"))
    if record["misfit"]:
        blocks.append(paragraph(record["misfit"]))
    causes = [cause for cause in record["causes"] if cause["probability"] >= 0.01][:8] or record["causes"][:1]
    rows = [(f"{100 * cause['probability']:.1f} %", _sentence(cause["name"])) for cause in causes]
    rest = record["three_or_more_probability"]
    rows.append((f"{100 * rest:.1f} %", "Three things wrong, or more."))
    hidden = 1.0 - rest - sum(cause["probability"] for cause in causes)
    if hidden >= 0.0005:
        rows.append((f"{100 * hidden:.1f} %", "Other causes, each less likely than those above."))
    blocks.append(columns(("probability", "cause"), rows, right=(0,)))
    if record["tie"]:
        blocks.append(paragraph(record["tie"]))
    elif record["causes"][0]["probability"] < _STANDS_OUT:
        blocks.append(paragraph("No cause stands out yet. Take the next reading before anything is drawn."))
    first = record["causes"][0]
    odd = [each for each in first["residuals"] if not each["explained"]]
    if odd and not manner.quiet:
        told = ", ".join(f"{each['name']} ({each['sd']:+.1f} sd)" for each in odd[:6])
        blocks.append(paragraph(f"The first cause does not explain: {told}."))
    if first["cure"] is not None and first["cure"]["do"]:
        blocks += [rule(), paragraph("If the first cause is right:")]
        blocks += [indented(paragraph(f"{number}. {text}")) for number, text in enumerate(first["cure"]["do"], 1)]
        if first["cure"]["extra_cycles"]:
            blocks.append(paragraph(f"The position needs {first['cure']['extra_cycles']} more cycles of the crank."))
        if first["cure"]["repeat"]:
            blocks.append(paragraph("Then do again:"))
            blocks += [indented(paragraph(f"• {text}")) for text in first["cure"]["repeat"]]
    if record["next_readings"]:
        lines = [
            (
                _sentence(each["name"]) + (" It destroys evidence." if each["destroys_evidence"] else ""),
                each["tool"],
                f"{each['bits']:.2f}",
                f"{each['minutes']:g}",
            )
            for each in record["next_readings"]
        ]
        blocks += [
            rule(),
            paragraph("The reading that would tell most for its minutes:"),
            columns(("reading", "with", "bits", "min"), lines, right=(2, 3)),
        ]
    blocks.append(paragraph("Probabilities rest on a judgement of how often each cause occurs: it has no source."))
    return page(blocks)


def _disc(record: Record) -> str:
    return "the disc proved." if record["disc_proved"] else "the disc not proved: its zero is taken as unknown."


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}." if text and not text.endswith(".") else text


def _write_blank(engine: str, output: Path | None, force: bool) -> None:
    from quillwise.scenes.blank_readings import blank_text

    model = open_engine(engine)
    path = output or Path(f"{slug(model.sheet.scene)}-readings.toml")
    text = blank_text(model)
    with write_whole(path, force) as unfinished:
        unfinished.write_bytes(text.encode("utf-8"))
    typer.echo(f"{path}: an empty form; fill it in, then: quillwise diagnose {path}")
