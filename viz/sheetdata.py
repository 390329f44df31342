"""What goes into a work-instruction pack: its pages as blocks, all figures from the records that ``--json`` prints."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from quillwise.kinematics import wording
from quillwise.kinematics.angles import format_crank
from quillwise.kinematics.assembly import Engaged
from quillwise.kinematics.budget import acceptance_zone
from quillwise.kinematics.lengths import LengthUnit, length_figure
from quillwise.kinematics.model import Coupling, Engine
from quillwise.kinematics.sequence import Played
from quillwise.kinematics.steps import Step
from quillwise.scenes import sources
from quillwise.viz import records, sheetwords
from quillwise.viz.holdpoints import is_hold
from quillwise.viz.sheetblocks import (
    HAND_MM,
    PAGE,
    Block,
    caution,
    fields,
    figure,
    heading,
    height_mm,
    steps,
    table,
    text,
    together,
)
from quillwise.viz.tables import crank_words, room_words

Record = dict[str, Any]
PAGE_MM = {"a4": 268.0, "letter": 249.0}  # of blocks on a page, as ``height_mm`` reckons
_ITEMS_MM = 6.5  # the item list below a figure
_GOES_ON_MM = 23.0
_LAST = 8  # readings that go with the signatures, where these would have a page to themselves
_LONG = 14  # readings: a table of more goes over pages, in lower rows
LEAST_MM, GREATEST_MM = 52.0, 92.0  # height of a step's figure
LEVELS = ("WARNING", "CAUTION", "NOTE")


@dataclass(frozen=True, kw_only=True, slots=True)
class Sheet:
    """What the user says of the document. All may be empty: then the blank is filled in by hand."""

    title: str = ""
    document: str = ""
    revision: str = ""
    date: str = ""
    owner: str = ""
    logo: bytes = b""  # a PNG
    paper: str = "a4"


@dataclass(frozen=True, kw_only=True, slots=True)
class Figure:
    """A vector drawing. items: number and name of each callout."""

    svg: str
    alt: str
    width_mm: float
    items: tuple[tuple[int, str], ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Work:
    """An engine, its set-up as played and the records of both. sources: file and SHA-256 of each file of its folder."""

    engine: Engine
    played: Played
    events: Record
    rehearsal: Record
    sources: tuple[tuple[str, str], ...]

    @property
    def unit(self) -> LengthUnit:
        """Of the lengths that are printed."""
        return self.engine.sheet.length_unit

    @property
    def two_people(self) -> str:
        """Who signs: of the banks and magnetos that its jobs set."""
        jobs, engine = self.engine.sheet.setup, self.engine
        camshafts = {each.camshaft for each in jobs if each.do == "set-camshaft"}
        banks = {
            engine.cylinders[valve.cylinder].bank for valve in engine.valves.values() if valve.camshaft in camshafts
        }
        return sheetwords.two_people(len(banks), len({each.magneto for each in jobs if each.do == "set-magneto"}))


def work(engine: Engine, played: Played, folder: Path) -> Work:
    """All that a pack is made of. folder: the engine's."""
    return Work(
        engine=engine,
        played=played,
        events=records.events(engine, played),
        rehearsal=records.rehearsal(engine, played),
        sources=tuple(hashes(folder)),
    )


def hashes(folder: Path) -> Iterator[tuple[str, str]]:
    """Name and SHA-256 of each file that an engine folder is read from, those of ``like`` too."""
    for name in (sources.ENGINE, sources.SETUP):
        base = folder
        for layer in sources.chain(folder, name):
            prefix, _, file = layer.file.rpartition("/")
            if prefix.startswith("../"):
                base = base.parent / prefix.removeprefix("../")
            elif prefix:
                base = sources.packaged()[prefix]
            yield layer.file, hashlib.sha256((base / file).read_bytes()).hexdigest()


def title(job: Work, sheet: Sheet) -> str:
    """Title of the document: the user's, else the engine's."""
    return sheet.title or f"{job.engine.sheet.name}: set the timing"


def step_pages(job: Work, record: Record, drawn: Figure | None, paper: str = "a4") -> list[Block]:
    """The page of a step; where it takes two, its blanks are all on the second."""
    step = job.played.steps[record["number"] - 1]
    found: list[Block] = [PAGE, heading(2, f"Step {record['number']} of {len(job.played.steps)}: {record['title']}")]
    crank = f"Step {record['key']}. Crank {crank_words(record)}"
    if record["least_room"]:
        crank += f" Room: {room_words(record['least_room'], job.unit)}"
    found.append(text(crank))
    ordered = sorted(record["cautions"], key=lambda each: LEVELS.index(each["level"]))
    found += [caution(each["level"], each["text"]) for each in ordered]
    if step.trials or step.key.endswith("-home"):
        found.append(caution("NOTE", sheetwords.MODEL))
    found.append(steps(record["do"]))
    if drawn:
        found.append(figure(drawn.svg, drawn.alt, drawn.width_mm, drawn.items))
    if record["see"]:
        # here all readings are listed, not the furthest out alone
        left_out = f"The list shows {record['checks_are']}."
        rows = [(see["where"], see["what"]) for see in record["see"] if see["what"] != left_out]
        found.append(table(("Where to look", "What to see"), rows, (1, 4), height_mm=0))
    asked = _asked(job, step, record)
    signed = _signed(step, record)
    blanks = [*asked, *signed]
    if step.readings and _room_mm([*found, *blanks], paper) < LEAST_MM:
        # no page for the signatures alone: the last readings go with them
        blanks = _asked(job, step, record, [*signed[:-1], *signed[-1]["blocks"]])
    high = sum(height_mm(block) for block in (*found, *blanks))
    # a long round of readings fills what is left of the first page too
    apart = bool(asked) and not step.readings and high + LEAST_MM + _ITEMS_MM > PAGE_MM[paper]
    return [*found, *([PAGE] if apart else []), *blanks]


def figure_mm(job: Work, record: Record, paper: str) -> float:
    """Height of a step's figure that fills the page, or so much that a long table ends with the last of its pages."""
    blocks = step_pages(job, record, None, paper)
    first = blocks[: blocks.index(PAGE, 1)] if PAGE in blocks[1:] else blocks
    room = _room_mm(first, paper)
    return min(GREATEST_MM, room) if room >= LEAST_MM else GREATEST_MM


def _room_mm(blocks: Sequence[Block], paper: str) -> float:
    """What blocks leave for a figure on the fewest pages that hold them with one."""
    others = sum(height_mm(block) for block in blocks) + _ITEMS_MM
    pages = max(1, math.ceil(others / PAGE_MM[paper]))
    # a page that a table goes on to bears its head again and ends where no row fits; rows are reckoned without reserve
    return pages * PAGE_MM[paper] - (pages - 1) * _GOES_ON_MM - others


def _signed(step: Step, record: Record) -> list[Block]:
    """The lines for two people's initials, and how the engine is handed over."""
    found: list[Block] = []
    if is_hold(step.key):
        found.append(text(sheetwords.HOLD, strong=True))
    elif is_critical(step):
        found.append(text(sheetwords.CRITICAL, strong=True))
    heads = (f"Step {record['number']}", "Fitter", "Inspector", "Started, time", "Stopped, time")
    lines = table(
        heads, [("first", "", "", "", ""), ("repeat", "", "", "", "")], (1, 1.6, 1.6, 1.6, 1.6), height_mm=5.0
    )
    return [*found, together([lines, *hand_over(step)])]


def is_critical(step: Step) -> bool:
    """Whether two people sign it: what is read there is what the engine is timed by, or its clearance or earth."""
    return bool(is_hold(step.key) or step.checks or step.key in ("points", RUNNING, "earth-leads"))


_LOW_MM = 5.0  # of a blank for one word
_HELD = ("-nip", "-break", "-try")  # steps that end with the shaft of their job in somebody's hand
RUNNING = "running-clearance"  # that step's readings have a page of their own
_PARKED = ("-park", "-clearance", "-near", "-mark", *_HELD)  # that end with the crank where the next one needs it


def hand_over(step: Step) -> list[Block]:
    """How the engine stands when the step ends, and blanks for a stop before. What the set-up does not say is left to
    be filled in: no dash may pass for "nothing"."""
    home = [name for name, now in step.after.engagements.items() if isinstance(now, Engaged)]
    drawn = [name for name in step.after.engagements if name not in home]
    stands = (
        "At the end of the step",
        format_crank(step.crank_deg[1]),
        ", ".join(home) or "nothing",
        step.job if step.key.endswith(_HELD) else "",
        ", ".join(drawn) or "nothing",
        "crankshaft" if step.key.endswith(_PARKED) and step.key != RUNNING else "",
    )
    heads = ("Hand-over", "Crank, deg", "Coupled", "Held", "Open", "Do not turn")
    rows = [stands, ("Left at a stop", "", "", "", "", "")]
    return [table(heads, rows, (1.4, 0.95, 1.75, 1.2, 1.75, 1.2), small=True, height_mm=_LOW_MM)]


def _asked(job: Work, step: Step, record: Record, signed: Sequence[Block] = ()) -> list[Block]:
    """The readings of a step, and the teeth of its coupling. signed: what stays on one page with the last readings."""
    found: list[Block] = []
    rows = list(_readings(job, step, record))
    if rows:
        heads = ("Reading", "Unit", "Nominal", "Limits", "Acceptance zone", "As found", "As left", "Inspector's own")
        blanks = ("Instrument serial no.", "Clearance used", "Direction approached", "Engine, °C")
        long = len(rows) > _LONG
        widths = (2.6, 1, 1, 1.6, 1.6, 1.1, 1.1, 1.1)
        high = _LOW_MM if long else HAND_MM
        parts = [rows[:-_LAST], rows[-_LAST:]] if signed and long else [rows]
        shown = [table(heads, part, widths, right=(2,), small=True, height_mm=high) for part in parts]
        group = [heading(3, "Readings"), *shown, fields(blanks), *signed]
        if not long:
            found.append(together(group))
        elif signed:
            found += [*group[:2], together(group[2:])]
        else:
            found += group
    couplings = job.engine.couplings
    if step.key == "safe" and couplings:
        found.append(together(teeth(list(couplings.values()), sheetwords.PAINT)))
    elif step.coupling and step.key.endswith("-home"):
        found.append(together(teeth([couplings[step.coupling]], sheetwords.PAINT_HOME)))
    elif step.coupling and step.trials:
        found.append(together(teeth([couplings[step.coupling]], sheetwords.PAINT_FITS)))
    return found


def teeth(couplings: Sequence[Coupling], told: str) -> list[Block]:
    """Blanks for the teeth by paint mark, at both ends of each coupling, a line each. told: when they are counted."""
    rows = [
        (each.name, str(each.data.driving_teeth), "", "", "", str(each.data.driven_teeth), "", "", "")
        for each in couplings
    ]
    blanks = ("As found", "As left", "Inspector's own")
    # not "teeth": beside readings with a nominal value that would be taken for the number to be counted
    heads = ("Coupling", "Its teeth, driving end", *blanks, "Its teeth, driven end", *blanks)
    widths = (1.7, 1.1, 1, 1, 1.2, 1.1, 1, 1, 1.2)
    shown = table(heads, rows, widths, right=(1, 5), small=True)
    return [heading(3, "Teeth by paint mark"), text(told), shown]


def _readings(job: Work, step: Step, record: Record) -> Iterator[tuple[str, ...]]:
    engine, unit = job.engine, job.unit
    if step.key == "tdc":
        for name in ("stop before TDC", "stop after TDC", "pointer set to"):
            yield _row(name, "deg")
    if step.key == "points":
        for magneto in engine.magnetos.values():
            yield _row(f"{magneto.name} points gap", unit, length_figure(magneto.data.points_gap_mm, unit))
    if step.key.endswith("-clearance") and step.key != RUNNING:
        yield _row(f"{step.valve} checking clearance", unit, length_figure(step.after.clearances_mm[step.valve], unit))
    if step.key.endswith("-break"):
        data = engine.magneto(step.magneto).data
        for name, ohm in (("points closed", data.closed_ohm), ("points open", data.open_ohm)):
            yield _row(name, "ohm", f"{ohm:.2f}")
    if step.readings:
        for event in job.events["events"]:
            if event["as_set"] is not None:
                yield _row(
                    event["name"],
                    "crank deg",
                    *limits(event["crank_deg"], event["limit_crank_deg"], event["uncertainty_crank_deg"]),
                )
        return
    for check in record["checks"]:
        wanted, limit, uncertainty = (check[f"{name}_crank_deg"] for name in ("wanted", "limit", "uncertainty"))
        yield _row(check["what"], check["unit"], *limits(wanted, limit, uncertainty, check["is_interval"]))


def limits(nominal: float, limit: float, uncertainty: float, is_interval: bool = False) -> tuple[str, str, str]:
    """Nominal value, limits and acceptance zone, as they are printed. A place of the crank just before the end of the
    cycle is told from its beginning, with its limits."""
    if not is_interval:
        nominal = float(format_crank(nominal, 2))
    zone = acceptance_zone(limit, uncertainty)
    shown = "none" if zone is None else f"{nominal + zone.low:.2f} to {nominal + zone.high:.2f}"
    return f"{nominal:.2f}", f"{nominal - limit:.2f} to {nominal + limit:.2f}", shown


def _row(name: str, unit: str, nominal: str = "—", allowed: str = "—", zone: str = "—") -> tuple[str, ...]:
    return name, unit, nominal, allowed, zone, "", "", ""


def document(sheet: Sheet, job: Work, blocks: Sequence[Block]) -> Mapping[str, Any]:
    """What the template sets."""
    shown = title(job, sheet)
    return {
        "title": shown,
        "about": f"{job.engine.sheet.name}. {wording.DISCLAIMER}",
        "paper": "us-letter" if sheet.paper == "letter" else sheet.paper,
        "head": [
            ["Document", sheet.document],
            ["Title", shown],
            ["Revision", sheet.revision],
            ["Date of issue", sheet.date],
        ],
        "status": wording.DISCLAIMER,
        "foot": f"Work instruction. Status: {sheetwords.IN_PREPARATION}. Language: en.",
        "blocks": list(blocks),
    }
