"""The pages before the first step of a work-instruction pack: cover, cautions, rules, tools, plug leads."""

from __future__ import annotations

from collections.abc import Sequence

from quillwise.kinematics import wording
from quillwise.kinematics.model import Engine
from quillwise.viz import records, sheetwords
from quillwise.viz.sheetblocks import (
    PAGE,
    Block,
    caution,
    fields,
    figure,
    heading,
    height_mm,
    logo,
    table,
    text,
    together,
)
from quillwise.viz.sheetdata import GREATEST_MM, LEAST_MM, LEVELS, PAGE_MM, Figure, Sheet, Work, title

_LOGO_MM = 17.0
_ITEM_LINES_MM = 11.0  # of the item list below the figure: three lines


def cover(job: Work, sheet: Sheet, overview: Figure | None) -> list[Block]:
    """Title, applicability with all tooth counts, source data."""
    engine, data = job.engine, job.engine.sheet
    found: list[Block] = [logo(sheet.logo, f"Logo of {sheet.owner or 'the owner'}")] if sheet.logo else []
    found += [
        heading(1, title(job, sheet)),
        text(f"{wording.DISCLAIMER} {wording.FIRST_LINE}", strong=True),
        fields(["Legal owner" + _given(sheet.owner), "Created by", "Approved by", "Released for the job no."]),
    ]
    if overview:
        found.append(figure(overview.svg, overview.alt, overview.width_mm, overview.items))
    found += [
        heading(2, "Applicability"),
        table(
            ("", ""),
            [
                ("Engine", data.name),
                ("Scene", data.scene),
                ("Hand", data.hand or "not stated"),
                ("Crank turns", f"{data.rotation}, seen from the wheelcase end"),
                ("Firing order", " ".join(data.firing_order)),
            ],
            (1.7, 3.5),
            height_mm=0,
        )
        | {"head": ["Item", "Applies to"]},
        fields(["Serial number of the engine"]),
        *coupling_counts(engine),
        *wheel_counts(engine),
        together(
            [
                heading(2, "Source data"),
                text(sheetwords.SOURCE),
                table(("File", "SHA-256"), job.sources, (1, 3.4), small=True, height_mm=0),
            ]
        ),
    ]
    return found


def overview_mm(job: Work, sheet: Sheet) -> float:
    """Height of the figure of the whole engine that leaves the cover on one page."""
    others = sum(height_mm(block) for block in cover(job, sheet, None))
    room = PAGE_MM[sheet.paper] - others - (_LOGO_MM if sheet.logo else 0.0) - _ITEM_LINES_MM
    return min(GREATEST_MM, max(LEAST_MM, room))


def coupling_counts(engine: Engine) -> list[Block]:
    """Teeth, positions and step of every coupling."""
    rows = []
    for coupling in engine.couplings.values():
        record = records.vernier(engine, coupling)
        rows.append(
            (
                coupling.name,
                coupling.driven,
                str(record["driving_teeth"]),
                str(record["driven_teeth"]),
                str(record["positions"]),
                f"{record['step_crank_deg']:.3f}",
            )
        )
    heads = ("Coupling", "Drives", "Driving teeth", "Driven teeth", "Positions", "Step, crank deg")
    return (
        [table(heads, rows, (2, 2.4, 1.2, 1.2, 1.2, 1.3), right=(2, 3, 4, 5), small=True, height_mm=0)] if rows else []
    )


def wheel_counts(engine: Engine) -> list[Block]:
    """Teeth of every pair of wheels, two pairs a row."""
    pairs = [
        (mesh.name, str(engine.wheels[mesh.driving].teeth), str(engine.wheels[mesh.driven].teeth))
        for mesh in engine.meshes.values()
    ]
    half = (len(pairs) + 1) // 2
    rows = [(*pairs[n], *(pairs[half + n] if half + n < len(pairs) else ("—",) * 3)) for n in range(half)]
    heads = ("Pair of wheels", "Driving", "Driven") * 2
    return [table(heads, rows, (3.2, 0.9, 0.9) * 2, right=(1, 2, 4, 5), small=True, height_mm=0)] if rows else []


def _given(value: str) -> str:
    return f": {value}" if value else ""


def definitions(job: Work) -> list[Block]:
    """Words of caution, all cautions of the set-up, and how the blanks are filled in."""
    found: list[Block] = [PAGE, heading(2, "Definitions, and all cautions of this work")]
    found.append(table(("Word", "Definition"), list(wording.LEVELS.items()), (1, 5), height_mm=0))
    for level in LEVELS:
        said = dict.fromkeys(c["text"] for s in job.rehearsal["steps"] for c in s["cautions"] if c["level"] == level)
        found += [caution(level, words) for words in said]
    rules = (
        job.two_people,
        sheetwords.NUMBERS,
        sheetwords.OWN_READING,
        sheetwords.REPEATED,
        sheetwords.ZONE,
        sheetwords.NOT_PROVED,
    )
    return [*found, heading(2, "Rules for the blanks"), *(text(rule) for rule in rules)]


def tools(job: Work) -> list[Block]:
    """The tools that the steps use, with blanks for calibration and for counting."""
    spoken = " ".join(" ".join(s["do"]) + " ".join(w["what"] for w in s["see"]) for s in job.rehearsal["steps"]).lower()
    known = (
        ("timing disc", "timing disc with its pointer"),
        ("piston stop", "piston stop"),
        ("dial gauge", "dial gauge"),
        ("feeler", "feelers"),
        ("low-resistance meter", "low-resistance meter"),
        ("plug holes", f"plug-hole blanks ({len(job.engine.cylinders)} cylinders)"),
    )
    rows = [(words, "", "", "", "") for word, words in known if word in spoken or word == "timing disc"]
    heads = ("Tool", "Serial number", "Calibration due", "Counted out", "Counted in")
    blanks = [("", "", "", "", "")] * 3
    return [
        heading(2, "Tools"),
        text(sheetwords.TOOLS),
        table(heads, [*rows, *blanks], (2.6, 1.6, 1.6, 1.1, 1.1)),
    ]


def plug_leads(job: Work, magnetos: Sequence[str] = ()) -> list[Block]:
    """The plug-lead chart of each magneto, with blanks for both ends."""
    found: list[Block] = []
    for leads in job.events["plug_leads"]:
        if magnetos and leads["magneto"] not in magnetos:
            continue
        about = (
            f"The distributor finger turns {leads['finger_turns']}, seen from the {leads['finger_seen_from']}. "
            f"The magneto stands {leads['stands']}, seen from the {leads['stands_seen_from']}. Plugs: {leads['plugs']}."
        )
        rows = [
            (str(lead["segment"]), f"{lead['finger_deg']:.1f}", lead["cylinder"], "", "", "") for lead in leads["leads"]
        ]
        heads = ("Segment", "Finger, deg", "Plug of", "Ohm", "Rung out, distributor end", "Rung out, plug end")
        found.append(
            together(
                [
                    heading(2, f"Plug leads, {leads['magneto']} magneto"),
                    text(about),
                    text(sheetwords.LEADS),
                    table(heads, rows, (1, 1.2, 1, 1.2, 2, 2), right=(0, 1), height_mm=5.0),
                ]
            )
        )
    return [PAGE, *found] if found else []


def tools_and_leads(job: Work, paper: str) -> list[Block]:
    """The tools, then the plug-lead charts on a page of their own; on one page where both find room there."""
    tool, leads = tools(job), plug_leads(job)
    on_one = bool(leads) and sum(height_mm(block) for block in (*tool, *leads)) <= PAGE_MM[paper]
    return [PAGE, *tool, *leads[1:]] if on_one else [*tool, *leads]
