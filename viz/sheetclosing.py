"""The last pages of a work-instruction pack, and its single cards: readings, clearances, serials, counts, sign-off."""

from __future__ import annotations

from collections import Counter

from quillwise.kinematics import wording
from quillwise.kinematics.angles import format_crank
from quillwise.kinematics.lengths import length_figure
from quillwise.kinematics.marks import timing_valve
from quillwise.viz import sheetwords
from quillwise.viz.sheetblocks import PAGE, Block, fields, heading, table, text, together
from quillwise.viz.sheetcover import plug_leads
from quillwise.viz.sheetdata import Work, hand_over, limits

_INITIALS = ("Fitter", "Inspector")
_LINES = 6  # of discrepancies


def closing(job: Work) -> list[Block]:
    """All pages after the last step."""
    return [
        *reading_form(job),
        PAGE,
        *clearances(job),
        *serials(job),
        *locking(job),
        *earths(job),
        *counts(job),
        *sign_off(job),
    ]


def reading_form(job: Work) -> list[Block]:
    """The readings that the diagnosis takes, by the names of its file, as blanks."""
    valve_rows, magneto_rows = [], []
    for each in job.engine.sheet.setup:
        if each.do == "set-camshaft":
            name = timing_valve(job.engine, each).name
            clearance = length_figure(timing_valve(job.engine, each).data.checking_clearance_mm, job.unit)
            valve_rows += [(name, event, clearance, "", "", "", "") for event in ("opens", "closes")]
        elif each.do == "set-magneto":
            magneto_rows.append((each.magneto, "", "", "", "", "", ""))
    first = job.engine.sheet.firing_order[0]
    turns = "turns_counted, true or false"
    angles = ("crank_deg", "uncertainty_deg", "approached", turns)
    found: list[Block] = [
        PAGE,
        heading(2, "Readings as found, for the diagnosis"),
        text(sheetwords.FORM),
        text(sheetwords.FORM_FILE),
        text(f"engine = {job.engine.sheet.scene}"),
        text("disc_proved, true or false ="),
    ]
    if valve_rows:
        heads = ("valve", "event", f"clearance_{job.unit}", *angles)
        rows = [*valve_rows, *[("",) * 7] * 4]
        found += [heading(3, "valve_events"), table(heads, rows, (1.5, 0.9, 1.3, 1.3, 1.4, 1.5, 1.4), small=True)]
    if magneto_rows:
        heads = ("magneto", "finger_on", f"points_gap_{job.unit}", *angles)
        rows = [*magneto_rows, *[("",) * 7] * 2]
        shown = table(heads, rows, (1.5, 0.9, 1.3, 1.3, 1.4, 1.5, 1.4), small=True)
        found.append(together([heading(3, "points_breaks"), shown]))
    stop_rows = [(first, "", "", ""), ("",) * 4]
    stops = table(("cylinder", "before_deg", "after_deg", "uncertainty_deg"), stop_rows, (1, 1.4, 1.4, 2), small=True)
    found.append(together([heading(3, "stops"), stops]))
    shown = table(("kind", "subject", "cylinders", "crank_deg"), [("",) * 4] * 4, (2, 1.6, 1.2, 1.2), small=True)
    return [*found, together([heading(3, "sights"), shown])]


def clearances(job: Work) -> list[Block]:
    """The running clearance of every valve."""
    rows = [
        (name, length_figure(valve.data.running_clearance_mm, job.unit), "", "", "", "")
        for name, valve in job.engine.valves.items()
    ]
    heads = ("Valve", f"Nominal, {job.unit}", "As found", "As left", *_INITIALS)
    return [
        heading(2, "Running clearances"),
        text(sheetwords.CLEARANCE),
        table(heads, rows, (2, 1.2, 1.2, 1.2, 1, 1), right=(1,), small=True, height_mm=5.0),
    ]


def serials(job: Work) -> list[Block]:
    """Serial numbers and hands of the parts that are made for a place."""
    rows = []
    for name in job.engine.magnetos:
        rows.append((f"{name} magneto", "not stated", "", "", ""))
    for name in job.engine.camshafts:
        rows.append((name, job.engine.sheet.hand or "not stated", "", "", ""))
    for name, coupling in job.engine.couplings.items():
        named = wording.coupling_words(name, coupling.data.kind)
        made_for = " ".join(word for word in (coupling.data.hand, coupling.data.bank and f"bank {coupling.data.bank}"))
        rows.append((named, made_for.strip() or "not stated", "", "", ""))
    heads = ("Part", "Hand by the data", "Hand as read", "Serial number", "Inspector")
    found = table(heads, rows, (2, 1.4, 1.4, 1.8, 1), small=True, height_mm=5.0)
    return [together([heading(2, "Serial numbers and hands"), text(sheetwords.HANDS), found])]


def locking(job: Work) -> list[Block]:
    """Locking parts of every coupling."""
    if not job.engine.couplings:
        return []
    rows = [(name, "", "", "", "") for name in job.engine.couplings]
    heads = ("Coupling", "Locking parts fitted", "Left over", *_INITIALS)
    shown = table(heads, rows, (2, 1.4, 1.2, 1, 1), small=True)
    return [together([heading(2, "Locking parts"), text(sheetwords.LOCKING), shown])]


def earths(job: Work) -> list[Block]:
    """The earth of every magneto."""
    if not job.engine.magnetos:
        return []
    rows = [(f"{name} magneto", "", "", "", "") for name in job.engine.magnetos]
    heads = ("Earth proved", "Switch at OFF, ohm", "Switch at ON, ohm", *_INITIALS)
    shown = table(heads, rows, (2, 1.4, 1.4, 1, 1), small=True)
    return [together([heading(2, "Earth leads"), text(sheetwords.EARTH), shown])]


def counts(job: Work) -> list[Block]:
    """Blanks and tools, counted out and in."""
    engine = job.engine
    kinds = Counter(coupling.data.kind for coupling in engine.couplings.values())
    counted = ["plug-hole blanks", "tools"]
    if kinds:
        counted.append(f"{' and '.join(f'{kind}s' for kind in kinds)}, {kinds.total()} in all")
    if engine.magnetos:
        counted.append("plug leads rung out, both ends")
    rows = [(what, "", "", "", "") for what in counted]
    shown = table(("Counted", "Out", "In", *_INITIALS), rows, (2.6, 1, 1, 1, 1), small=True)
    return [together([heading(2, "Counts"), text(sheetwords.last_look(bool(engine.magnetos))), shown])]


def sign_off(job: Work) -> list[Block]:
    """Discrepancy lines and the final signatures, apart from all others."""
    lines = table(
        ("No.", "Step", "Discrepancy, or “not proved” item", "Decision", "Name"),
        [(str(number), "", "", "", "") for number in range(1, _LINES + 1)],
        (0.5, 0.7, 3, 2, 1.6),
        small=True,
        height_mm=7.0,
    )
    final = table(
        ("Final sign-off", "Name", "Signature", "Date and time"),
        [("Fitter", "", "", ""), ("Inspector, independent", "", "", ""), ("Authorised release", "", "", "")],
        (1.8, 2, 2, 1.5),
        height_mm=9.0,
    )
    return [
        together([heading(2, "Discrepancies"), text(sheetwords.NOT_PROVED), lines]),
        together([heading(2, "Final sign-off"), text(sheetwords.SIGN_OFF), text(job.two_people), final]),
    ]


def magneto_card(job: Work) -> list[Block]:
    """What a magneto is set and checked by, and its plug leads: a page for each."""
    found: list[Block] = []
    for number, (name, magneto) in enumerate(job.engine.magnetos.items()):
        found += [PAGE] if number else []
        rows = [
            ("points gap", job.unit, length_figure(magneto.data.points_gap_mm, job.unit), "—", "—", "", "", ""),
            ("points closed", "ohm", f"{magneto.data.closed_ohm:.2f}", "—", "—", "", "", ""),
            ("points open", "ohm", f"{magneto.data.open_ohm:.2f}", "—", "—", "", "", ""),
        ]
        for event in job.events["events"]:
            if event["magneto"] == name and event["limit_crank_deg"] is not None:
                shown = limits(event["crank_deg"], event["limit_crank_deg"], event["uncertainty_crank_deg"])
                rows.append((event["name"], "crank deg", *shown, "", "", ""))
        heads = ("Reading", "Unit", "Nominal", "Limits", "Acceptance zone", "As found", "As left", "Inspector's own")
        found += [
            heading(2, f"Magneto card: {name}"),
            fields(("Serial number", "Hand", "Instrument serial no.", "Fitter", "Inspector")),
            table(heads, rows, (2.3, 1.1, 1, 1.6, 1.6, 1.1, 1.1, 1.3), right=(2,), small=True, height_mm=5.0),
            *[block for block in plug_leads(job, [name]) if block is not PAGE],
        ]
    return found


def hand_over_card(job: Work) -> list[Block]:
    """How the engine stands, told to the person who continues."""
    steps = job.played.steps
    rows = [(step.key, format_crank(step.crank_deg[1]), "", "", "") for step in steps]
    heads = ("Step", "Crank at its end, deg", "Completed, time", *_INITIALS)
    lines = [block | {"rows": [block["rows"][1]] * 3} for block in hand_over(steps[0])]
    return [
        heading(2, "Hand-over card"),
        text(sheetwords.HAND_OVER),
        *lines,
        table(heads, rows, (2, 1.4, 1.6, 1, 1), right=(1,), small=True, height_mm=3.5),
        together([heading(3, "Signatures"), fields(("Handed over by", "Taken over by", "Date and time"), 9.0)]),
    ]


def closing_card(job: Work) -> list[Block]:
    """Counts, discrepancies and the final sign-off."""
    return [*locking(job), *earths(job), *counts(job), *sign_off(job)]
