"""What ``validate`` prints of a folder that is right, with what is worth a second look; and words that others share.

Nothing is computed here: every number printed is one of the record, rounded.
"""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import RenderableType

from quillwise.kinematics.angles import format_event
from quillwise.kinematics.lengths import LengthUnit, length
from quillwise.viz.records import Record
from quillwise.viz.typesetting import facts, page, paragraph, trimmed

_LEFT_LINES = 12  # of a file: so many keys that nobody has replaced are named on the page


def validation_text(record: Record, unit: LengthUnit = "mm") -> str:
    """What ``validate`` prints of an engine folder that is right. ``unit``: of the lengths."""
    couplings = "; ".join(
        f"{item['name']} {item['driving_teeth']}/{item['driven_teeth']}, step {trimmed(item['step_crank_deg'])}"
        for item in record["couplings"]
    )
    measured = tuple(
        (
            f"{item['valves']} lift",
            f"measured in {item['rows']} rows, noise {length(item['noise_rms_mm'], unit, 3)}; opens "
            f"{format_event(item['opens_own_crank_deg'], 1)}, closes {format_event(item['closes_own_crank_deg'], 1)}",
        )
        for item in record["measured_lifts"]
    )
    pairs = (
        ("engine", record["engine"]),
        ("about", record["about"]),
        ("cylinders", f"{record['cylinders']}, banks {', '.join(record['banks'])}"),
        ("crank turns", rotation_words(record)),
        ("firing order", " ".join(record["firing_order"])),
        ("couplings", f"{couplings} (crank degrees)" if couplings else "none"),
        ("hunting", _hunting_words(record["hunting"])),
        ("magnetos", ", ".join(record["magnetos"]) or "none"),
        (
            "room at TDC",
            _room_words(record),
        ),
        *measured,
        ("set-up", f"{record['step_count']} steps"),
    )
    head = f"{record['scene']} is valid"
    head += ", but its data cannot be right: see CHECK." if record["cannot_be_right"] else "."
    told = [
        paragraph(f"{'CHECK' if item['cannot_be_right'] else 'NOTE'}: {_remark(item)}") for item in record["remarks"]
    ]
    return page([paragraph(head), facts(pairs), *([""] if told else []), *told, *_left_over(record["left_over"])])


def _room_words(record: Record) -> str:
    if not record["room_at_tdc_known"]:
        return "not given: the valves are assumed to strike the pistons"
    left = record["left_over"]
    if left and any(item["path"].endswith(".room_at_tdc") for item in left["lines"]):
        return f"not of your engine: invented, of {left['of_engine']}"
    return "given"


def _hunting_words(pairs: Sequence[Record]) -> str:
    """Teeth of the pairs of wheels, alike ones once, with the crank turns until the same two teeth meet again."""
    told = [f"{pair['driving_teeth']}/{pair['driven_teeth']} in {pair['crank_turns']}" for pair in pairs]
    return f"{'; '.join(dict.fromkeys(told))} (crank turns)" if told else "no gears"


def _remark(item: Record) -> str:
    return f"{item['path']}: {item['text']}"


def _left_over(left: Record | None) -> list[RenderableType]:
    """The figures that a form brought and nobody has replaced, by line."""
    if left is None:
        return []
    told: list[RenderableType] = []
    if left["figures"]:
        told += [
            "",
            paragraph(
                f"NOTE: {left['figures']} of {left['of_figures']} figures are still those of {left['of_engine']}, "
                "which are invented, not data of your engine. Replace them, or take the mark (invented) away where "
                "yours is the same:"
            ),
        ]
        for file in dict.fromkeys(item["file"] for item in left["lines"]):
            named = [f"{item['path']} (line {item['line']})" for item in left["lines"] if item["file"] == file]
            more = len(named) - _LEFT_LINES
            rest = f", and {more} more, which --json lists" if more > 0 else ""
            told.append(paragraph(f"{file}: {', '.join(named[:_LEFT_LINES])}{rest}.", 2))
    for name in left["taken_from"]:
        told += ["", paragraph(f"NOTE: what this folder leaves out is taken from {name}, whose figures are invented.")]
    return told


def rotation_words(record: Record) -> str:
    """The crank's sense, first as the file is written, then from the wheelcase end, from which all else is seen."""
    here = f"{record['rotation']}, seen from the {record['seen_from']}"
    written = record["written"]
    if written["seen_from"] == record["seen_from"]:
        return here
    return f"{written['rotation']}, seen from the {written['seen_from']} as the file is written ({here})"


def measured_words(lifts: Sequence[Record], unit: LengthUnit) -> list[RenderableType]:
    """What the noise of measured lifts is, and which rows look misread."""
    return [
        paragraph(
            f"{item['valves'].capitalize()} lift measured in {item['rows']} rows, "
            f"noise {length(item['noise_rms_mm'], unit, 3)}."
            + "".join(f" CHECK: {row['words']}" for row in item["misread"])
        )
        for item in lifts
    ]
