"""A round of readings: every event in one walk of two turns from where the crank stands, with degrees to go to each."""

from __future__ import annotations

from quillwise.kinematics.angles import format_crank
from quillwise.viz.records import Record
from quillwise.viz.typesetting import columns, degrees, page, paragraph

CYCLE_DEG = 720.0


def walk(record: Record, at_deg: float) -> Record:
    """The timing table as a walk. record: of ``records.events``; at_deg: where the crank stands in the cycle."""
    start = at_deg % CYCLE_DEG
    ahead = sorted(record["events"], key=lambda event: (event["crank_deg"] - start) % CYCLE_DEG)
    stops = []
    walked = 0.0
    for event in ahead:
        whole = (event["crank_deg"] - start) % CYCLE_DEG
        stops.append(
            {
                "name": event["name"],
                "crank_deg": event["crank_deg"],
                "as_written": event["as_written"],
                "to_go_crank_deg": whole - walked,
                "walked_crank_deg": whole,
                "piston_drop_mm": event["piston_drop_mm"],
                "limit_crank_deg": event["limit_crank_deg"],
            }
        )
        walked = whole
    return {**record, "record": "round", "at_crank_deg": start, "events": stops}


def walk_text(record: Record) -> str:
    """The walk in 80 columns, with a blank for each reading."""
    rows = [
        (
            degrees(stop["to_go_crank_deg"]),
            format_crank(stop["crank_deg"]),
            stop["name"],
            stop["as_written"],
            f"±{stop['limit_crank_deg']:g}",
            "________",
        )
        for stop in record["events"]
    ]
    heads = ("to go", "crank", "event", "written", "limit", "reading")
    return page(
        [
            paragraph(
                f"{record['engine']}: a round of readings from {format_crank(record['at_crank_deg'])}°. Turn in the "
                f"running direction only: {record['rotation']}, seen from the {record['seen_from']}."
            ),
            columns(heads, rows, right=(0, 1, 4)),
        ]
    )
