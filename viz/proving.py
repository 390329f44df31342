"""The commands accuracy and disc: what the tools can tell, and the timing disc proved."""

from __future__ import annotations

import csv as comma
import io
from typing import TYPE_CHECKING, Annotated, Any

import typer

from quillwise.kinematics.errors import RequestError
from quillwise.kinematics.lengths import LengthUnit, length
from quillwise.viz.asked import DEMONSTRATION, EngineName, MistakeTexts, check_degrees, open_engine, play_with
from quillwise.viz.figures import AsJson, print_record

if TYPE_CHECKING:
    from quillwise.kinematics.accuracy import EventBudget, Told
    from quillwise.kinematics.disc import Proof
    from quillwise.kinematics.model import Engine

Record = dict[str, Any]
_DRAWS = (1_000, 5_000_000)
_NONE = "no position lies in the acceptance zone. The two nearest are told, and neither is good by these limits."


def register(app: typer.Typer) -> None:
    """Add the commands of this module to the program."""
    app.command(epilog="Example: quillwise accuracy slipway-six --json")(accuracy)
    app.command(epilog="Example: quillwise disc 323.25,35.25 larkfell-port --cylinder A1")(disc)


def accuracy(
    engine: EngineName = DEMONSTRATION,
    mistake: MistakeTexts = None,
    draws: Annotated[int | None, typer.Option("--draws", help="Draws of the Monte Carlo; left out, 200000.")] = None,
    seed: Annotated[int, typer.Option("--seed", help="Seed of the Monte Carlo.")] = 1,
    csv: Annotated[bool, typer.Option("--csv", help="The budgets as CSV.")] = False,
    as_json: AsJson = False,
) -> None:
    """The error budget of every event, and whether neighbouring positions of a coupling can be told apart."""
    if csv and as_json:
        raise RequestError("give --csv or --json, not both")
    if draws is not None and not _DRAWS[0] <= draws <= _DRAWS[1]:
        raise RequestError(f"--draws: expected {_DRAWS[0]} to {_DRAWS[1]}, got {draws}")
    if not 0 <= seed < 2**63:
        raise RequestError(f"--seed: expected a whole number from 0, got {seed}")
    model = open_engine(engine)
    _, played = play_with(model, mistake)
    from quillwise.kinematics.accuracy import PROBABILITY, budgets, told_apart
    from quillwise.kinematics.budget import draws_wanted
    from quillwise.viz.records import at_checking_clearance

    assembly = at_checking_clearance(model, played.as_set)
    found = budgets(model, assembly, draws, seed)
    record = accuracy_record(model, found, told_apart(model, assembly, found), draws or draws_wanted(PROBABILITY), seed)
    if csv:
        typer.echo(_csv(record), nl=False)
    else:
        print_record(record, as_json, lambda: accuracy_text(record))


def disc(
    readings: Annotated[
        str,
        typer.Argument(
            metavar="BEFORE,AFTER", help="Disc readings [degrees] at the stop, before the top and after it."
        ),
    ],
    engine: EngineName = DEMONSTRATION,
    cylinder: Annotated[
        str | None, typer.Option("--cylinder", help="The cylinder with the stop; left out, the first that fires.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Proves the disc: two piston-stop readings in, own TDC and the pointer's correction out."""
    first, second = _pair(readings)
    model = open_engine(engine)
    from quillwise.kinematics.disc import prove

    proof = prove(model, cylinder or model.sheet.firing_order[0], first, second)
    record = disc_record(model, proof, first, second)
    print_record(record, as_json, lambda: disc_text(record, model.sheet.length_unit))


def accuracy_record(
    engine: Engine, found: tuple[EventBudget, ...], told: tuple[Told, ...], draws: int, seed: int
) -> Record:
    """The budgets and what can be told apart, for JSON."""
    from quillwise.kinematics.accuracy import PROBABILITY
    from quillwise.viz.records import head

    return {
        **head(engine.sheet, "accuracy"),
        "monte_carlo": {"draws": draws, "seed": seed, "probability": PROBABILITY, "interval": "symmetric"},
        "coverage_factor": 2,
        "events": [
            {
                "name": each.event.name,
                "crank_deg": each.event.crank_deg,
                "early_crank_deg": each.event.early_deg,
                "limit_crank_deg": each.event.limit_deg,
                "reading_half_widths_crank_deg": {part.name: part.half_width for part in each.reading},
                "setting_half_widths_crank_deg": {part.name: part.half_width for part in each.setting},
                "worst_case_crank_deg": each.worst,
                "expanded_crank_deg": each.expanded,
                "reading_expanded_crank_deg": each.reading_expanded,
                "interval_crank_deg": list(each.interval),
                "verdict": each.verdict,
            }
            for each in found
        ],
        "couplings": [
            {
                "coupling": each.coupling,
                "step_crank_deg": each.step_deg,
                "governing_event": each.event,
                "acceptance_zone_crank_deg": None if each.zone is None else list(each.zone),
                "positions_in_zone": each.inside,
                "nearest": [
                    {"steps": place.steps, "early_crank_deg": place.early_deg, "verdict": place.verdict}
                    for place in each.nearest
                ],
                "probability_of_mistaking_for_the_next": each.mistaken,
            }
            for each in told
        ],
    }


def accuracy_text(record: Record) -> str:
    """The budgets in 80 columns: events that have the same budget stand in one row."""
    from quillwise.viz.typesetting import columns, early_or_late, indented, page, paragraph, rule

    groups: dict[tuple[object, ...], list[Record]] = {}
    for event in record["events"]:
        parts = {**event["reading_half_widths_crank_deg"], **event["setting_half_widths_crank_deg"]}
        key = (*((name, round(value, 6)) for name, value in parts.items()), event["limit_crank_deg"])
        groups.setdefault(key, []).append(event)
    blocks: list[Any] = [paragraph(f"{record['engine']}: error budget, crank degrees, either way.")]
    for events in groups.values():
        first = events[0]
        names = sorted({" ".join(event["name"].split()[1:]) for event in events})
        how_many = f"{len(events)} event{'s' if len(events) > 1 else ''}"
        rows = [
            (name, f"{value:.3f}")
            for name, value in (
                *first["reading_half_widths_crank_deg"].items(),
                *first["setting_half_widths_crank_deg"].items(),
            )
        ]
        low, high = first["interval_crank_deg"]
        rows += [
            ("worst case", f"{first['worst_case_crank_deg']:.2f}"),
            ("root of squares, k = 2", f"{first['expanded_crank_deg']:.2f}"),
            ("Monte Carlo, 95 %", f"{low:+.2f} to {high:+.2f}"),
            ("of the reading alone, k = 2: guard band", f"{first['reading_expanded_crank_deg']:.2f}"),
            ("limit", f"{first['limit_crank_deg']:g}"),
            ("verdicts", _verdicts(events)),
        ]
        blocks += [
            rule(),
            paragraph(f"{', '.join(names)} ({how_many})"),
            indented(columns(("cause", "±"), rows, right=(1,))),
        ]
    blocks += [rule(), paragraph("What can be told apart, by coupling")]
    lines = []
    for each in record["couplings"]:
        zone = each["acceptance_zone_crank_deg"]
        near = ", ".join(f"{early_or_late(place['early_crank_deg'])} ({place['verdict']})" for place in each["nearest"])
        lines.append(
            (
                each["coupling"],
                f"{each['step_crank_deg']:.2f}",
                "none" if zone is None else f"±{zone[1]:.2f}",
                str(each["positions_in_zone"]),
                near,
                f"{100 * each['probability_of_mistaking_for_the_next']:.0f} %",
            )
        )
    heads = ("coupling", "step", "zone", "inside", "two nearest", "mistaken")
    blocks.append(columns(heads, lines, right=(1, 2, 3, 5), gap=1))
    none = [each["coupling"] for each in record["couplings"] if not each["positions_in_zone"]]
    if none:
        blocks += [rule(), paragraph(f"{', '.join(none)}: {_NONE}")]
    drawn = record["monte_carlo"]
    blocks.append(
        paragraph(
            "inside: positions of the coupling in the acceptance zone. mistaken: how often one reading makes a "
            f"position look like the next. Monte Carlo: {drawn['draws']} draws, seed {drawn['seed']}."
        )
    )
    return page(blocks)


def disc_record(engine: Engine, proof: Proof, first_deg: float, second_deg: float) -> Record:
    """The proof, for JSON."""
    from quillwise.viz.records import head

    return {
        **head(engine.sheet, "disc"),
        "cylinder": proof.cylinder,
        "stop_readings_crank_deg": [first_deg, second_deg],
        "own_tdc_reads_crank_deg": proof.tdc_reads_deg,
        "midway_crank_deg": proof.midway_deg,
        "own_tdc_after_midway_crank_deg": proof.top_from_midway_deg,
        "correction_crank_deg": proof.correction_deg,
        "uncertainty_crank_deg": proof.uncertainty_deg,
        "stop_before_tdc_crank_deg": -proof.before_deg,
        "stop_after_tdc_crank_deg": proof.after_deg,
        "stop_below_top_mm": proof.stop_mm,
        "coverage_factor": 2,
    }


def disc_text(record: Record, unit: LengthUnit = "mm") -> str:
    """The proof in plain sentences. ``unit``: of the stop's distance."""
    from quillwise.kinematics.angles import format_crank
    from quillwise.viz.typesetting import page, paragraph

    reads = format_crank(record["own_tdc_reads_crank_deg"], 2, 360.0)
    off = record["own_tdc_after_midway_crank_deg"]
    midway = "" if abs(off) < 0.005 else f" That is {abs(off):.2f}° {'after' if off > 0 else 'before'} midway."
    correction = record["correction_crank_deg"]
    if abs(correction) < 0.005:
        told = "The disc needs no correction."
    else:
        told = f"Add {correction:+.2f}° to each reading, or turn the disc on the crank until TDC reads right."
    return page(
        [
            paragraph(
                f"{record['engine']}: TDC of {record['cylinder']} reads {reads}° "
                f"(± {record['uncertainty_crank_deg']:.2f}°, k = 2).{midway}"
            ),
            paragraph(told),
            paragraph(
                f"The stop met the piston {length(record['stop_below_top_mm'], unit)} below its top, "
                f"{record['stop_before_tdc_crank_deg']:.2f}° before it and "
                f"{record['stop_after_tdc_crank_deg']:.2f}° after it."
            ),
        ]
    )


def _verdicts(events: list[Record]) -> str:
    kinds = [event["verdict"] or "open" for event in events]
    return ", ".join(f"{kinds.count(kind)} {kind}" for kind in dict.fromkeys(kinds))


def _csv(record: Record) -> str:
    out = io.StringIO()
    writer = comma.writer(out, lineterminator="\n")
    writer.writerow(("name", "cause", "half_width_crank_deg", "part_of"))
    for event in record["events"]:
        for part in ("reading", "setting"):
            for cause, width in event[f"{part}_half_widths_crank_deg"].items():
                writer.writerow((event["name"], cause, width, part))
    return out.getvalue()


def _pair(text: str) -> tuple[float, float]:
    pieces = text.split(",")
    try:
        first, second = (float(piece) for piece in pieces)
    except ValueError:
        raise RequestError(f'expected two readings with a comma, such as 323.25,35.25, got "{text}"') from None
    for value in (first, second):
        check_degrees("a stop reading", value, 1e4)
    return first, second
