"""Records as text of 80 columns, or as CSV: what a command prints.

Nothing is computed here: every number printed is one of the record, rounded.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

from rich.console import RenderableType

from quillwise.kinematics import wording
from quillwise.kinematics.angles import format_crank
from quillwise.kinematics.lengths import LengthUnit, length, length_figure, stated
from quillwise.viz.records import Record
from quillwise.viz.typesetting import (
    WIDTH,
    columns,
    degrees,
    early_or_late,
    entry,
    event_off,
    indented,
    page,
    paragraph,
    rule,
    trimmed,
)
from quillwise.viz.validation import measured_words, rotation_words

_VERDICTS = (
    "accept: inside the limit by at least the uncertainty of the reading. not proved: inside the limit, but by less "
    "than that. reject: outside the limit."
)
_SLIP_WORDS = {
    "mark-passed": "The crank has passed the mark",
    "camshaft-rolled": "The valve springs have rolled the camshaft",
    "quill-dropped": "The quill or sleeve was dropped",
}
_CSV_COLUMNS = (
    "crank_deg",
    "to_next_crank_deg",
    "name",
    "cylinder",
    "magneto",
    "kind",
    "as_written",
    "piston_drop_mm",
    "limit_crank_deg",
    "uncertainty_crank_deg",
)
_CSV_AS_SET = ("crank_deg", "as_written", "early_crank_deg", "verdict")


def events_text(record: Record, as_set: bool = False, unit: LengthUnit = "mm") -> str:
    """The timing table with the plug-lead chart. ``as_set``: with the events as set in place of the piston's drop."""
    valves = record["valves"]
    clearances = ", ".join(
        f"{kind} {length(valves[kind]['checking_clearance_mm'], unit)}" for kind in ("inlet", "exhaust")
    )
    sheet = [
        paragraph(f"Timing table: {record['engine']} ({record['scene']})"),
        paragraph(
            f"Crank {rotation_words(record)}; 0 is firing TDC of "
            f"{record['firing_order'][0]}. Valves at the checking clearance ({clearances}). All angles in crank "
            f"degrees: overlap {degrees(valves['overlap_crank_deg'])}, from firing to firing "
            f"{degrees(record['firing_interval_crank_deg'])}."
        ),
        *_own_tops(record["tops"]),
        *measured_words(record["measured_lifts"], unit),
        *_mistakes(record),
        "",
        _events_as_set(record["events"]) if as_set else _events(record["events"], unit),
    ]
    if as_set:
        tally = record["tally"]
        sheet += [
            "",
            paragraph(
                f"As set: {tally['accept']} accept, {tally['not_proved']} not proved, {tally['reject']} reject. "
                + _limits(record["limits"])
            ),
            paragraph(_VERDICTS),
        ]
    for leads in record["plug_leads"]:
        sheet += ["", *_plug_leads(leads)]
    return page(sheet)


def events_csv(record: Record) -> str:
    """The events as CSV: a row each, lengths in mm, full precision; empty where an event does not happen as set."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([*_CSV_COLUMNS, *(key if key == "verdict" else f"as_set_{key}" for key in _CSV_AS_SET)])
    for event in record["events"]:
        as_set = event["as_set"] or {}
        writer.writerow([*(event[key] for key in _CSV_COLUMNS), *(as_set.get(key, "") for key in _CSV_AS_SET)])
    return out.getvalue()


def vernier_text(record: Record) -> str:
    """The vernier table of a coupling: what one step is, the trials, the best tooth, a shift and a move."""
    best, held = record["best"], record["held_early_shaft_deg"]
    where = f"{early_or_late(held, 3)} (degrees of this shaft)" if held else "at its exact place"
    sheet = [
        paragraph(f"Vernier table of {record['coupling']}: {record['engine']} ({record['scene']})"),
        paragraph(
            f"{record['kind'].capitalize()} with {record['driving_teeth']} teeth at the driving end "
            f"({record['driving_shaft']}) and {record['driven_teeth']} at the driven end ({record['driven_shaft']}). "
            f"It runs {record['turns']}, seen from the {record['seen_from']}, at "
            f"{trimmed(record['shaft_turns_per_crank_turn'])} times crank speed."
        ),
        paragraph(_step_words(record)),
        "",
        paragraph(
            f"Trials, the driven shaft held {where}. Teeth are counted in the running direction from the "
            f"{record['kind']} as it was drawn. Out of line: + = ahead (early)."
        ),
        _trials(record["trials"]),
        *_after_cycles(record["best_after_crank_cycles"]),
        "",
        paragraph(
            f"Best: tooth {best['driving_tooth']} at the driving end, out of line by "
            f"{best['out_of_line_shaft_deg']:+.3f} degrees ({best['out_of_line_crank_deg']:+.3f} crank degrees)."
        ),
        paragraph(best["words"]),
        paragraph(
            f"Tooth 0 is where these parts happen to stand ({record['tooth_phase_shaft_deg']:+.3f} degrees in the "
            "data). On a real engine nobody knows it beforehand."
        ),
    ]
    if record["shift"]:
        shift = record["shift"]
        sheet += [
            "",
            paragraph(
                f"Shift wanted, in crank degrees: {early_or_late(shift['wanted_crank_deg'], 3)}. "
                "The move with the fewest teeth:"
            ),
            paragraph(shift["words"], 2),
            paragraph(
                f"It gives {early_or_late(shift['shift_crank_deg'], 3)}; against what is wanted that is "
                f"{early_or_late(shift['left_over_crank_deg'], 3)}."
            ),
            *_with_cycles(shift),
        ]
    if record["move"]:
        move = record["move"]
        sheet += [
            "",
            paragraph(f"Move of {move['driving_teeth']:+d} and {move['driven_teeth']:+d} teeth:"),
            paragraph(move["words"], 2),
            paragraph(
                f"It shifts the driven shaft by {move['shift_shaft_deg']:+.3f} degrees of its own, in crank degrees "
                f"{early_or_late(move['shift_crank_deg'], 3)}."
            ),
        ]
    return page(sheet)


def _after_cycles(found: Sequence[Record]) -> list[RenderableType]:
    """The best trial after every number of whole cycles of the crank that opens further positions."""
    if len(found) < 2:
        return []
    rows = [
        (str(2 * item["cycles"]), str(item["driving_tooth"]), f"{item['out_of_line_shaft_deg']:+.3f}", item["fit"])
        for item in found
    ]
    return [
        "",
        paragraph("Turning the crank on by whole cycles opens further positions. The best tooth then:"),
        columns(("crank turns", "tooth", "out of line", "fit"), rows, right=(0, 1, 2)),
    ]


def _with_cycles(shift: Record) -> list[RenderableType]:
    """How near a wanted shift is come to when cycles of the crank are taken too."""
    nearest = shift["with_crank_cycles"]
    if not nearest["cycles"]:
        return []
    return [
        paragraph(
            f"With {2 * nearest['cycles']} more turns of the crank first, "
            f"{early_or_late(nearest['shift_crank_deg'], 3)} can be had; against what is wanted that is "
            f"{early_or_late(nearest['left_over_crank_deg'], 3)}."
        )
    ]


def rehearsal_text(record: Record, unit: LengthUnit = "mm") -> str:
    """The set-up step by step. ``unit``: of the room between valves and pistons."""
    alone = len(record["steps"]) < record["step_count"]
    sheet: list[RenderableType] = [
        paragraph(f"Set-up rehearsed: {record['engine']} ({record['scene']})"),
        paragraph(wording.FIRST_LINE),
        paragraph(" ".join(record["levels"].values())),
        *([paragraph(f"Fault: {record['fault']['name']}. {record['fault']['about']}")] if "fault" in record else []),
        *measured_words(record["measured_lifts"], unit),
        *_mistakes(record),
    ]
    for step in record["steps"]:
        sheet += ["", rule(), *_step(step, record["step_count"], unit, with_trials=alone)]
    tally = record["tally"]
    sheet += [
        "",
        rule(),
        paragraph(
            f"All checks{' of the whole set-up' if alone else ''}: {tally['accept']} accept, "
            f"{tally['not_proved']} not proved, {tally['reject']} reject."
        ),
        *(paragraph(f"Reject in step {item['step']}: {item['what']}", 2) for item in record["rejected"]),
        paragraph(_VERDICTS),
    ]
    return page(sheet)


def recovery_text(record: Record, unit: LengthUnit = "mm") -> str:
    """The way back from a slip, step by step. ``unit``: of the room between valves and pistons."""
    at, count = record["at"], record["step_count"]
    sheet: list[RenderableType] = [
        paragraph(f"Way back from a slip: {record['engine']} ({record['scene']})"),
        paragraph(wording.FIRST_LINE),
        paragraph(f"{_SLIP_WORDS[record['slip']]} in step {at['number']} [{at['key']}]: {at['title']}."),
    ]
    if record["passed_crank_deg"] is not None:
        turn = "allows" if record["may_turn_back"] else "does not allow"
        sheet.append(
            paragraph(
                f"Taken: {degrees(record['passed_crank_deg'])} crank degrees past it. By the data the maker {turn} to "
                "turn the crank back."
            )
        )
    sheet += [paragraph(" ".join(record["levels"].values())), *_mistakes(record)]
    for step in record["steps"]:
        sheet += ["", rule(), *_step(step, count, unit, with_trials=False)]
    tally = record["tally"]
    sheet += [
        "",
        rule(),
        paragraph(
            f"All checks of the way back: {tally['accept']} accept, {tally['not_proved']} not proved, "
            f"{tally['reject']} reject. Then go on after step {at['number']} [{at['key']}]."
        ),
        paragraph(_VERDICTS),
    ]
    return page(sheet)


def packaged_text(record: Record) -> str:
    """The packaged engines, what each is about."""
    rows = [(item["scene"], item["engine"], item["about"]) for item in record["engines"]]
    return page([columns(("engine folder", "engine", "about"), rows)])


def _own_tops(tops: Sequence[Record]) -> list[RenderableType]:
    """By how much tops are off the even interval: of link rods, and of cranks that fire unevenly."""
    groups: dict[str, list[str]] = {}
    for top in tops:
        after = round(top["after_even_interval_crank_deg"], 2)
        if after:
            amount = f"{abs(after):.2f} degrees {'after' if after > 0 else 'before'}"
            groups.setdefault(amount, []).append(top["cylinder"])
    return [
        paragraph(f"Own TDC of {', '.join(names)} is {amount} {'its' if len(names) == 1 else 'their'} even interval.")
        for amount, names in groups.items()
    ]


def _events(events: Sequence[Record], unit: LengthUnit) -> RenderableType:
    rows = [(*_by_the_data(event), length_figure(event["piston_drop_mm"], unit)) for event in events]
    return columns(("crank", "to next", "event", "by the data", f"piston below TDC, {unit}"), rows, right=(0, 1, 4))


def _events_as_set(events: Sequence[Record]) -> RenderableType:
    rows = []
    for event in events:
        found = event["as_set"]
        last = (
            (found["as_written"], event_off(found["early_crank_deg"]), found["verdict"]) if found else ("none", "", "")
        )
        rows.append((*_by_the_data(event), *last))
    heads = ("crank", "to next", "event", "by the data", "as set", "", "verdict")
    return columns(heads, rows, right=(0, 1), gap=1)


def _by_the_data(event: Record) -> tuple[str, str, str, str]:
    name = f"{event['cylinder']} {event['magneto']} break" if event["magneto"] else event["name"]
    return format_crank(event["crank_deg"]), degrees(event["to_next_crank_deg"]), name, event["as_written"]


def _starting(leads: Record) -> list[str]:
    """What a magneto has for starting: an impulse starter, a second electrode for a booster coil."""
    lag, trails = leads["impulse_lag_crank_deg"], leads["trailing_electrode_finger_deg"]
    told = []
    if lag:
        told.append(f"Its impulse starter holds the spark back by {trimmed(lag)} crank degrees. Turn past its click.")
    if trails:
        told.append(
            f"The trailing electrode of its booster coil follows {trimmed(trails)} degrees of the finger, "
            f"{trimmed(2 * trails)} crank degrees, behind."
        )
    return told


def _stands(leads: Record) -> str:
    """The side, first as the file says it."""
    here = f"{leads['stands']}, seen from the {leads['stands_seen_from']}"
    written = leads["stands_written"]
    if written["seen_from"] == leads["stands_seen_from"]:
        return here
    return f"{written['stands']}, seen from the {written['seen_from']} as the file is written: {here}"


def _other_end(leads: Record) -> list[RenderableType]:
    """Breaks with the lever at the end that the magneto is not timed at, with the finger off the middle there."""
    end = leads["other_end"]
    if end is None:
        return []
    as_timed, there = end["finger_off_middle_as_timed_finger_deg"], end["finger_off_middle_finger_deg"]
    groups: dict[str, list[str]] = {}
    for item in end["breaks"]:
        groups.setdefault(item["as_written"], []).append(item["cylinder"])
    breaks = (
        next(iter(groups))
        if len(groups) == 1
        else "; ".join(f"{written} in {' '.join(names)}" for written, names in groups.items())
    )
    return [
        paragraph(
            f"Timed at {leads['timed_at']}, the finger {_off_middle(as_timed)}. At {end['lever']} the points break at "
            f"{breaks}, the finger {_off_middle(there)}."
        )
    ]


def _off_middle(finger_deg: float) -> str:
    if not round(finger_deg, 1):
        return "on the middle of its segment"
    return f"{abs(finger_deg):.1f} degrees {'past' if finger_deg > 0 else 'short of'} the middle of its segment"


def _plug_leads(leads: Record) -> list[RenderableType]:
    holds = "stays" if leads["finger_holds_through_advance"] else "does NOT stay"
    lines: list[RenderableType] = [
        paragraph(f"Plug leads, {leads['magneto']} magneto (stands {_stands(leads)}; plugs: {leads['plugs']})"),
        paragraph(
            f"The distributor finger turns {leads['finger_turns']}, seen from the {leads['finger_seen_from']}. "
            f"It {holds} on its segment through the range of advance."
        ),
        *_other_end(leads),
        *(paragraph(told) for told in _starting(leads)),
    ]
    cell = 1 + max(len(str(len(leads["leads"]))), *(len(lead["cylinder"]) for lead in leads["leads"]))
    in_a_row = (WIDTH - len("segment ")) // cell
    for start in range(0, len(leads["leads"]), in_a_row):
        some = leads["leads"][start : start + in_a_row]
        lines += [
            paragraph("segment " + "".join(f"{lead['segment']:>{cell}}" for lead in some)),
            paragraph("plug of " + "".join(f"{lead['cylinder']:>{cell}}" for lead in some)),
        ]
    return lines


def _step_words(record: Record) -> str:
    factor = record["common_factor"]
    shared = (
        "The counts share no factor: every trial of a turn is different."
        if factor == 1
        else f"The counts share the factor {factor}: fewer positions, and {factor} equal trials in a turn."
    )
    words = (
        f"{record['positions']} positions. One step is {trimmed(record['step_shaft_deg'])} degrees of this shaft, "
        f"{trimmed(record['step_crank_deg'])} crank degrees. At the best tooth at most half a step is left: "
        f"{trimmed(record['largest_left_over_crank_deg'])} crank degrees. {shared}"
    )
    if record["step_with_crank_cycles_shaft_deg"] < record["step_shaft_deg"]:
        words += (
            " The driving end does not make whole turns in two turns of the crank: two more turns and another try "
            f"open further positions, {trimmed(record['step_with_crank_cycles_shaft_deg'])} degrees "
            f"({trimmed(record['step_with_crank_cycles_crank_deg'])} crank degrees) apart."
        )
    return words


def _trials(trials: Sequence[Record], taken: int | None = None) -> RenderableType:
    rows = []
    for trial in trials:
        remarks = ["best"] if trial["best"] else []
        remarks += ["taken"] if trial["driving_tooth"] == taken else []
        rows.append(
            (
                str(trial["driving_tooth"]),
                str(trial["driven_tooth"]),
                f"{trial['out_of_line_shaft_deg']:+.3f}",
                f"{trial['out_of_line_crank_deg']:+.3f}",
                trial["fit"],
                ", ".join(remarks),
            )
        )
    heads = ("driving tooth", "driven tooth", "out of line", "crank deg", "goes in", "")
    return columns(heads, rows, right=(0, 1, 2, 3))


def _step(step: Record, of: int, unit: LengthUnit, with_trials: bool) -> list[RenderableType]:
    lines = [paragraph(f"Step {step['number']} of {of}: {step['title']} [{step['key']}]")]
    lines += [paragraph(f"{caution['level']}: {caution['text']}", 2) for caution in step["cautions"]]
    lines += [paragraph(f"DONE WRONG ON PURPOSE: {step['mistake']}", 2)] if step["mistake"] else []
    lines += [entry(f"{number}.", text) for number, text in enumerate(step["do"], start=1)]
    lines += [entry("see", f"{sight['where']}: {sight['what']}") for sight in step["see"]]
    lines.append(entry("crank", crank_words(step)))
    if step["least_room"]:
        lines.append(entry("room", room_words(step["least_room"], unit)))
    if with_trials and step["trials"]:
        lines += [
            entry("trials", "out of line in degrees of this shaft and of the crank, + = ahead (early)"),
            indented(_trials(step["trials"], step["tooth_taken"])),
        ]
    if step["checks"]:
        lines.append(indented(_checks(step["checks"])))
    return lines


def crank_words(step: Record) -> str:
    """Where the crank goes in a step: from, to, how far; how often the mark passes."""
    if not step["to_go_crank_deg"]:
        return f"stays at {format_crank(step['crank_to_deg'])}."
    to_go = step["to_go_crank_deg"]
    words = (
        f"from {format_crank(step['crank_from_deg'])} to {format_crank(step['crank_to_deg'])}: "
        f"{degrees(abs(to_go))} degrees {'to go' if to_go > 0 else 'back'}"
    )
    if not step["mark"]:
        return f"{words}."
    times = "once" if step["mark_passes"] == 1 else f"{step['mark_passes']} times"
    return f"{words}, the mark passes {times}."


def room_words(room: Record, unit: LengthUnit) -> str:
    """The least room between valves and pistons in a step, with its verdict."""
    amount = length(room["room_mm"], unit)
    where = f"at {room['valve']}, crank at {format_crank(room['crank_deg'])}"
    if not room["known"]:
        would = f"it would be {amount}"
        if room["room_mm"] < 0:
            would = f"the valve would strike by {length(-room['room_mm'], unit)}"
        return f"not in the data; with none at TDC {would} {where}: {room['verdict']}."
    strikes = "THE VALVE STRIKES THE PISTON: " if room["strikes"] else ""
    limit = f"at least {stated(room['limit_mm'], unit)} wanted"
    return f"{strikes}least {amount} between valves and pistons, {where} ({limit}): {room['verdict']}."


def _checks(checks: Sequence[Record]) -> RenderableType:
    rows = []
    for check in checks:
        early = check["early_crank_deg"]
        wanted, as_set = check["wanted_crank_deg"], check["as_set_crank_deg"]
        rows.append(
            (
                check["what"],
                degrees(wanted) if check["is_interval"] else format_crank(wanted),
                f"{as_set:.2f}" if check["is_interval"] else format_crank(as_set, 2),
                f"{-early:+.2f}" if check["is_interval"] else event_off(early),
                f"±{check['limit_crank_deg']:g}",
                f"{check['uncertainty_crank_deg']:g}",
                check["verdict"],
            )
        )
    heads = ("check", "wanted", "as set", "off by", "limit", "uncert.", "verdict")
    return columns(heads, rows, right=(1, 2, 4, 5), gap=1)


def _limits(limits: Record) -> str:
    return (
        f"Limits: valves ±{limits['valve_event_crank_deg']:g} (uncertainty "
        f"{limits['valve_event_uncertainty_crank_deg']:g}), points break ±{limits['points_break_crank_deg']:g} "
        f"(uncertainty {limits['points_break_uncertainty_crank_deg']:g})."
    )


def _mistakes(record: Record) -> list[RenderableType]:
    return [paragraph(f"DONE WRONG ON PURPOSE: {', '.join(record['mistakes'])}")] if record["mistakes"] else []
