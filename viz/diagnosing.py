"""The command diagnose: readings in, ranked causes, what cures them and the next reading out."""

from __future__ import annotations

import shlex
import sys
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from quillwise.kinematics.errors import RequestError
from quillwise.scenes.places import printable
from quillwise.viz import completion
from quillwise.viz.asked import DEMONSTRATION, Manner, open_engine
from quillwise.viz.figures import CHECK_FAILED, AsJson, print_record
from quillwise.viz.pictures import Force
from quillwise.viz.writing import slug, write_whole

if TYPE_CHECKING:
    from quillwise.kinematics.judgement import Judgement
    from quillwise.kinematics.model import Engine
    from quillwise.kinematics.readings import Cause, Cure, Diagnosis, Proposal, Readings

Record = dict[str, Any]
FIRST = (
    "Before anything is drawn: take all readings, write them down, and mark the teeth of each coupling with paint at "
    "both ends. A quill that is drawn takes its evidence with it."
)
_PROPOSALS = 3
_RARER = 4  # named in the text; all are in the JSON
_NOTHING = "nothing wrong"


def register(app: typer.Typer) -> None:
    """Add the command of this module to the program."""
    app.command(epilog="Example: quillwise diagnose as-found.toml slipway-six")(diagnose)


def diagnose(
    ctx: typer.Context,
    readings: Annotated[
        Path | None, typer.Argument(metavar="[READINGS]", help="A readings file; --blank writes an empty one.")
    ] = None,
    engine: Annotated[
        str | None,
        typer.Argument(
            metavar="[ENGINE]",
            help="The engine; left out, the one that the file names.",
            autocompletion=completion.packaged,
        ),
    ] = None,
    blank: Annotated[
        bool, typer.Option("--blank", help="Write an empty readings file for the engine, with remarks.")
    ] = False,
    ask: Annotated[
        Path | None,
        typer.Option(
            "--ask", metavar="FILE", help="Ask for the readings one by one, the most telling first, and keep them here."
        ),
    ] = None,
    until: Annotated[
        float | None,
        typer.Option("--until", metavar="P", help="With --ask: the probability at which one cause stands out."),
    ] = None,
    judgement: Annotated[
        Path | None,
        typer.Option("--judgement", metavar="FILE", help="How often each cause occurs, and the minutes of a reading."),
    ] = None,
    draw: Annotated[
        Path | None,
        typer.Option("--draw", metavar="FILE.png", help="A picture of the first cause, as found beside as intended."),
    ] = None,
    next_readings: Annotated[
        bool, typer.Option("--next/--no-next", help="Tell which reading would tell most for its minutes.")
    ] = True,
    output: Annotated[Path | None, typer.Option("--output", "-o", metavar="PATH", help="Where --blank goes.")] = None,
    as_json: AsJson = False,
    force: Force = False,
) -> None:
    """What was done wrong, how sure that is, what cures it, and which reading to take next."""
    if blank:
        if engine and readings:
            if output is not None:
                raise RequestError(f'--blank writes one file: "{output}" or "{readings}", not both')
            output = readings
        _write_blank(engine or (str(readings) if readings else DEMONSTRATION), output, force)
        return
    if draw is not None and draw.suffix.lower() != ".png":
        raise RequestError(f"--draw: expected a name that ends with .png, got {printable(draw.name)}")
    if until is not None and not (ask and 0.0 < until < 1.0):
        raise RequestError(f"--until: expected a probability between 0 and 1, together with --ask, got {until:g}")
    if ask is not None:
        if engine is not None:
            raise RequestError(f"with --ask give the engine alone, got {printable(str(readings))} before it")
        found, model = _ask(ctx.obj, ask, str(readings) if readings else None, judged(judgement), until, as_json)
        _end(model, found, draw, force)
        return
    if readings is None:
        raise RequestError("give a readings file; --blank writes an empty one for an engine")
    from quillwise.scenes import readings as reader

    keys, label = reader.read(readings)
    name = engine or keys.engine
    if not name:
        raise RequestError(f"{label} names no engine: give it after the file")
    model = open_engine(name)
    chances = judged(judgement)
    stated = reader.readings(model, keys, label, chances)
    from quillwise.kinematics.diagnosis import diagnosis_of
    from quillwise.kinematics.inquiry import next_reading
    from quillwise.kinematics.posterior import posterior, problem

    # one posterior serves the ranking and the next reading
    asked_of = problem(model, stated, chances)
    believed = posterior(asked_of)
    found = diagnosis_of(asked_of, believed)
    manner: Manner = ctx.obj
    proposals = next_reading(model, stated, chances, diagnosis=found, found=believed) if next_readings else ()
    proposals = proposals[:_PROPOSALS]
    record = diagnosis_record(model, stated, found, proposals, chances)
    print_record(record, as_json, lambda: diagnosis_text(record, manner))
    _end(model, found, draw, force)


def judged(path: Path | None) -> Judgement:
    """The judgement of that file, laid over the packaged one. Raises SceneError with all that is wrong in it."""
    from quillwise.scenes import judging

    return judging.packaged() if path is None else judging.read(path)


def _end(engine: Engine, found: Diagnosis, draw: Path | None, force: bool) -> None:
    """The picture, where it is asked for, and the exit code: 1 unless all may be right."""
    if draw is not None:
        from quillwise.viz import graphics

        graphics.probe()
        graphics.load()
        from quillwise.viz import found as picture

        first = found.causes[0]
        drawn = picture.draw(engine, first, draw, force)
        typer.echo(str(draw) if drawn else f"Nothing is drawn: “{first.name}” moves no part.", err=True)
    if not any(cause.name == _NOTHING and (cause.tied or cause is found.causes[0]) for cause in found.causes):
        raise typer.Exit(CHECK_FAILED)


def _ask(
    manner: Manner, path: Path, engine: str | None, judgement: Judgement, until: float | None, as_json: bool
) -> tuple[Diagnosis, Engine]:
    """The conversation; its end is told as a diagnosis of the file is. With --json only that end is on stdout."""
    from quillwise.scenes import readings as reader
    from quillwise.viz.asking import Notebook, begin, ended_words, go_on

    def say(text: str) -> None:
        typer.echo(text, err=as_json)

    def hear(prompt: str) -> str:
        typer.echo(prompt, nl=False, err=as_json)
        line = sys.stdin.readline()
        if not line:
            say("")
            raise EOFError
        return line

    say(textwrap.fill(FIRST, 80))
    if path.exists():
        keys, label = reader.read(path)
        name = engine or keys.engine
        if not name:
            raise RequestError(f"{label} names no engine: give it before --ask")
        model = open_engine(name)
    else:
        name = engine or DEMONSTRATION
        model = open_engine(name)
        try:
            begin(path, name, say, hear)
        except EOFError:
            raise RequestError("no answer: nothing is written") from None
    try:
        asked = go_on(Notebook(path=path, engine=model, judgement=judgement), until, say, hear)
    except KeyboardInterrupt:
        typer.echo(f"\nAll readings are kept; to go on: quillwise diagnose --ask {shlex.quote(str(path))}", err=True)
        raise
    ended = ended_words(asked, judgement.stands_out if until is None else until)
    found = asked.standing.diagnosis
    record = diagnosis_record(model, asked.readings, found, (), judgement)
    record["asked"] = {
        "ended": asked.ending,
        "taken": asked.taken,
        "minutes": asked.minutes,
        "until": judgement.stands_out if until is None else until,
        "told": ended,
    }
    print_record(record, as_json, lambda: diagnosis_text(record, manner))
    return found, model


def diagnosis_record(
    engine: Engine, stated: Readings, found: Diagnosis, proposals: tuple[Proposal, ...], judgement: Judgement
) -> Record:
    """The diagnosis, for JSON."""
    from quillwise.viz.records import head

    return {
        **head(engine.sheet, "diagnosis"),
        "first": FIRST,
        "readings": stated.count,
        "disc_proved": stated.disc_proved,
        "stands_out": judgement.stands_out,
        "causes": [_cause(cause) for cause in found.causes],
        "three_or_more_probability": found.rest,
        "tie": found.tie,
        "as_good_but_rarer": list(found.alike),
        "plug_leads_not_looked_at": list(stated.leads_not_looked_at(engine.magnetos)),
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

    asked = record.get("asked")
    # where readings were asked for, it was said before the first of them
    blocks: list[Any] = [rule()] if asked else [paragraph(record["first"]), rule()]
    blocks.append(
        paragraph(
            f"{record['engine']}: {record['readings']} reading{'' if record['readings'] == 1 else 's'}, {_disc(record)}"
        )
    )
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
    if asked:
        blocks.append(paragraph(asked["told"]))
    if record["tie"]:
        blocks.append(paragraph(record["tie"]))
    elif record["causes"][0]["probability"] < record["stands_out"] and not asked:
        blocks.append(paragraph("No cause stands out yet. Take the next reading before anything is drawn."))
    if rarer := record["as_good_but_rarer"]:
        more = f"; and {len(rarer) - _RARER} more" if len(rarer) > _RARER else ""
        told = "; ".join(rarer[:_RARER]) + more
        blocks.append(paragraph(f"These are rarer, but the readings speak for them as much as for the first: {told}."))
    if unseen := record["plug_leads_not_looked_at"]:
        named = f"{', '.join(unseen[:-1])} and {unseen[-1]}" if len(unseen) > 1 else unseen[0]
        magnetos = f"{named} magneto{'s' if len(unseen) > 1 else ''}"
        told = f"Nobody has looked at the plug leads of the {magnetos}: no other reading shows a lead in a wrong place."
        blocks.append(paragraph(told))
    first = record["causes"][0]
    odd = [each for each in first["residuals"] if not each["explained"]]
    if odd and not manner.quiet:
        told = ", ".join(f"{each['name']} ({each['sd']:+.1f} sd)" for each in odd[:6])
        blocks.append(paragraph(f"The first cause does not explain: {told}."))
    # a cause that is unlikely yet is not to be worked on where more readings can be taken
    early = asked is not None and asked["ended"] == "stopped" and first["probability"] < 0.5
    if first["cure"] is not None and first["cure"]["do"] and not early:
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
    typer.echo(f"{path}: an empty form; fill it in, then: quillwise diagnose {shlex.quote(str(path))}")
