"""The briefing page: one HTML file that needs nothing from outside. All of it can be read with scripts off; the script
only makes the model move.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from quillwise.kinematics import wording
from quillwise.kinematics.angles import format_crank
from quillwise.kinematics.lengths import LengthUnit, length, stated
from quillwise.kinematics.model import Engine
from quillwise.viz.cameras import VIEWS
from quillwise.viz.markup import Content, Markup, join, points, table, tag
from quillwise.viz.pagedata import Packed
from quillwise.viz.topics import cautions, topics

Record = Mapping[str, Any]
_SPEEDS = (0.25, 0.5, 1.0, 2.0, 4.0)
_GLOSSARY = (
    ("Quill shaft", "A shaft with splines at both ends, of different numbers. It couples two shafts."),
    ("Coupling sleeve", "A sleeve with face dogs at both ends. It couples a magneto to its drive."),
    ("Vernier", "Two sets of teeth of different number. One trial in a turn fits best."),
    ("Out of line", "The angle between a tooth that is offered and the space that it must go into."),
    ("Eased in", "The teeth go in by hand, and the free shaft moves by a small angle."),
    ("Checking clearance", "The valve clearance at which the timing is set. It is not the running clearance."),
    ("Running clearance", "The valve clearance of the engine at work. It is set after the timing."),
    ("Backlash", "The play of gear teeth. The last movement in the running direction takes it out."),
    ("Free play", "The play of splines or dogs in their mates."),
    ("Points break", "The moment at which the points open. The meter shows it."),
    ("E-gap", "The magneto rotor's angle past neutral at which the points break."),
    ("Distributor finger", "The part that leads the spark to a segment, and so to a plug."),
    ("Timing window", "The small hole with a pointer, through which the marks of the disc are seen."),
    ("Early, late", "Early: the event comes at a smaller crank angle than the data want. Late: at a larger one."),
)
_OF_MAGNETOS = ("Coupling sleeve", "Points break", "E-gap", "Distributor finger")


@dataclass(frozen=True, kw_only=True, slots=True)
class Told:
    """What the page tells: records as ``--json`` prints them, and a figure for each step by its key."""

    rehearsal: Record
    events: Record
    verniers: Sequence[Record]
    mistakes: Sequence[Record]
    figures: Mapping[str, Markup]
    found_words: str = ""


def page(engine: Engine, told: Told, packed: Packed) -> str:
    """The file's text. The same input gives the same text."""
    style = files("quillwise.viz").joinpath("page/page.css").read_text(encoding="utf-8")
    script = files("quillwise.viz").joinpath("page/bundle.js").read_text(encoding="utf-8")
    data = {**packed.record, "strip": _strip(engine, told.events), "found_words": told.found_words}
    policy = (
        f"default-src 'none'; script-src '{_hash(script)}'; style-src '{_hash(style)}'; img-src data:; "
        "base-uri 'none'; form-action 'none'; require-trusted-types-for 'script'; trusted-types 'none'"
    )
    title = f"{engine.sheet.name}: briefing"
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", http_equiv="Content-Security-Policy", content=policy),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("title", title),
        tag("style", Markup(style)),
    )
    body = tag(
        "body",
        tag("a", "To the steps", href="#steps", class_="skip"),
        _header(engine),
        tag("main", _player(told), _topics(engine, told), _steps(told, engine.sheet.length_unit), _reference(told)),
        tag("footer", tag("p", wording.DISCLAIMER)),
        tag("script", Markup(_json(data)), type="application/json", id="data"),
        tag("script", Markup(packed.block), type="application/octet-stream", id="block"),
        tag("script", Markup(script)),
    )
    return f"<!doctype html>\n{tag('html', head, body, lang='en')}\n"


def _hash(text: str) -> str:
    digest = base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
    return f"sha256-{digest}"


def _json(data: Record) -> str:
    """JSON that cannot end its element, whatever a name holds."""
    text = json.dumps(data, ensure_ascii=True, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _header(engine: Engine) -> Markup:
    return tag(
        "header",
        tag("p", wording.DISCLAIMER, class_="notice"),
        tag("h1", engine.sheet.name),
        tag("p", engine.sheet.about),
        tag("p", f"{wording.FIRST_LINE} Local rules and the person authorised to release the work decide."),
        tag(
            "p",
            f"The crankshaft turns {wording.turn_words(engine.sigma, 'wheelcase end')}. "
            f"Firing order: {' '.join(engine.sheet.firing_order)}.",
        ),
        tag("button", "Start the talk", id="talk", type="button", hidden=True),
        tag(
            "div",
            tag("button", "Back", id="talk-back", type="button"),
            tag("span", "", id="talk-place", role="status"),
            tag("button", "On", id="talk-on", type="button"),
            tag("button", "End the talk", id="talk-end", type="button"),
            id="talk-bar",
            hidden=True,
            data_talk=True,
        ),
    )


def _player(told: Told) -> Markup:
    steps = told.rehearsal["steps"]
    close = [
        tag(
            "figure",
            tag("figcaption", tag("strong", "", class_="what"), tag("span", "", class_="reading")),
            tag("canvas", role="img", aria_label=label),
            id=f"close-{number}",
        )
        for number, label in enumerate(
            (
                "Close-up of the timing valve",
                "Teeth of the coupling, end-on",
                "Close-up of the magneto",
                "Timing window",
            )
        )
    ]
    views = [tag("button", "start", type="button", data_view="start")]
    views += [tag("button", name, type="button", data_view=name) for name in VIEWS]
    found: Content = None
    if told.found_words:
        found = tag(
            "fieldset",
            tag("legend", "As found beside as intended"),
            tag("label", tag("input", type="checkbox", id="found"), " as found"),
            tag("label", tag("input", type="checkbox", id="compare", checked=True), " as intended, in blue lines"),
        )
    model = tag(
        "section",
        tag("h2", "The engine, moving"),
        tag("h3", "", id="title", tabindex="-1"),
        tag("p", "", id="status", role="status", class_="unseen"),
        tag(
            "div",
            tag(
                "canvas",
                id="whole",
                role="img",
                tabindex="0",
                aria_label="The engine. Drag, or press the arrow keys, to look from elsewhere. Press + or - to zoom.",
            ),
            tag("div", close, class_="closes"),
            class_="views",
        ),
        tag(
            "div",
            tag(
                "canvas",
                id="strip",
                role="img",
                aria_label="The cycle of all cylinders; the crank slider moves its cursor",
            ),
            tag(
                "p",
                "Upper bars: exhaust valve open. Lower bars: inlet valve open."
                + (" Diamonds: sparks." if told.events["plug_leads"] else ""),
                class_="legend",
            ),
            class_="strip",
        ),
        tag(
            "div",
            tag("label", "Crank angle", for_="crank"),
            tag("input", type="range", id="crank", min="0", max="720", step="0.5", value="0"),
            tag("output", "", id="crank-told", for_="crank", aria_live="off"),
            tag("label", "in degrees", for_="crank-number"),
            tag("input", type="number", id="crank-number", min="0", max="720", step="0.5", value="0"),
            tag("label", "Share of the step", for_="share"),
            tag("input", type="range", id="share", min="0", max="100", step="0.1", value="100"),
            class_="controls",
        ),
        tag(
            "div",
            tag("button", "Step before", id="before", type="button"),
            tag("button", "Next step", id="after", type="button"),
            tag("button", "Play the step", id="play-step", type="button", aria_pressed="false"),
            tag("button", "Turn the crank", id="play-cycle", type="button", aria_pressed="false"),
            tag("button", "Start position", id="start", type="button"),
            tag("button", "End position", id="end", type="button"),
            tag("label", "Speed", for_="speed"),
            tag(
                "select",
                [tag("option", f"× {speed:g}", value=f"{speed:g}", selected=speed == 1.0) for speed in _SPEEDS],
                id="speed",
            ),
            class_="controls",
        ),
        tag(
            "div",
            tag("h4", "Try the teeth yourself"),
            tag("p", "", id="tooth"),
            tag("p", "", id="trial-says", role="status"),
            tag("button", "Draw it out", id="draw-out", type="button"),
            tag("button", "One tooth back", id="tooth-back", type="button"),
            tag("button", "One tooth on", id="tooth-on", type="button"),
            tag("button", "Put it home", id="go-home", type="button"),
            id="trial",
            class_="controls",
            hidden=True,
        ),
        tag("div", tag("span", "Look from:", class_="lead"), views, class_="controls"),
        tag(
            "div",
            tag("label", "Part", for_="part-list"),
            tag("select", tag("option", "none", value=""), id="part-list"),
            tag("span", "", id="part-told", role="status"),
            tag("button", "Hide this part", id="hide-part", type="button", disabled=True),
            tag("button", "Show all parts", id="all-parts", type="button"),
            tag("label", tag("input", type="checkbox", id="faint"), " other parts as ghosts"),
            class_="controls",
        ),
        found,
        tag(
            "nav",
            tag(
                "ol",
                [
                    tag("li", tag("button", step["title"], type="button", data_step=number))
                    for number, step in enumerate(steps)
                ],
                id="step-list",
            ),
            aria_label="Steps in the model",
        ),
        id="player",
        class_="screen",
        hidden=True,
    )
    without = tag(
        "section",
        tag("h2", "The moving model is not shown"),
        tag(
            "p",
            "This device or its browser draws nothing in 3D. "
            "The briefing, the figures and the tables below are complete. ",
            tag("span", "", id="no-model-why"),
        ),
        id="no-model",
        class_="screen",
        hidden=True,
    )
    return join([without, model])


def _topics(engine: Engine, told: Told) -> Markup:
    return tag(
        "section",
        tag("h2", "The briefing", class_="part"),
        topics(engine, told.rehearsal, told.verniers, told.mistakes, told.figures),
        id="briefing",
    )


def _steps(told: Told, unit: LengthUnit) -> Markup:
    steps = told.rehearsal["steps"]
    return tag(
        "section",
        tag("h2", "The steps", class_="part"),
        tag("p", " ".join(wording.LEVELS.values())),
        [_step(step, len(steps), told.figures.get(step["key"]), unit) for step in steps],
        id="steps",
    )


def _step(step: Record, count: int, figure: Markup | None, unit: LengthUnit) -> Markup:
    rows = []
    if step["to_go_crank_deg"]:
        start, end = (format_crank(step[f"crank_{each}_deg"]) for each in ("from", "to"))
        rows.append(("Crank", f"{start}° to {end}°, {step['to_go_crank_deg']:.1f}° to go"))
    if step["mark"]:
        rows.append(("Mark", f"{step['mark']}; it passes {step['mark_passes']} × on the way"))
    if step["least_room"]:
        room = step["least_room"]
        assumed = "" if room["known"] else ", assumed"
        least, limit = length(room["room_mm"], unit, 1), stated(room["limit_mm"], unit)
        rows.append(("Least room", f"{least} at {room['valve']}{assumed} (limit {limit})"))
    checks = [
        (
            check["what"],
            _number(check, "wanted"),
            _number(check, "as_set"),
            f"± {_number(check, 'limit')}",
            check["verdict"],
        )
        for check in step["checks"]
    ]
    return tag(
        "article",
        tag("h3", f"Step {step['number']} of {count}: {step['title']}"),
        tag(
            "button",
            "Show it in the model",
            class_="show-step screen",
            type="button",
            data_step=step["number"] - 1,
            hidden=True,
        ),
        cautions(step["cautions"]),
        figure,
        points(step["do"], ordered=True),
        tag("h4", "What to see") if step["see"] else None,
        points([f"{see['where']}: {see['what']}" for see in step["see"]]) if step["see"] else None,
        table(("Figure", "Value"), rows, f"Figures of step {step['number']}") if rows else None,
        table(("Check", "Wanted", "As set", "Limit", "Verdict"), checks, f"Checks of step {step['number']}")
        if checks
        else None,
        id=f"step-{step['number']}",
        class_="step",
    )


def _number(check: Record, key: str) -> str:
    value = check[f"{key}_crank_deg"]
    return f"{value:.2f}°" if key == "limit" or check["is_interval"] else f"{format_crank(value, 2)}°"


def _reference(told: Told) -> Markup:
    events = [
        (
            event["name"],
            f"{format_crank(event['crank_deg'])}°",
            event["as_written"],
            f"± {event['limit_crank_deg']:g}°",
            "" if event["as_set"] is None else f"{event['as_set']['early_crank_deg']:+.2f}°",
            "" if event["as_set"] is None else event["as_set"]["verdict"],
        )
        for event in told.events["events"]
    ]
    leads = [
        table(
            ("Segment", "Cylinder", "Finger"),
            [(lead["segment"], lead["cylinder"], f"{lead['finger_deg']:.1f}°") for lead in magneto["leads"]],
            f"Plug leads of the {magneto['magneto']} magneto ({magneto['plugs']}); its finger turns "
            f"{magneto['finger_turns']}, seen from the {magneto['finger_seen_from']}",
        )
        for magneto in told.events["plug_leads"]
    ]
    trials = [
        table(
            ("Tooth", "Out of line (shaft)", "Crank degrees", "Fit"),
            [
                (
                    f"{trial['driving_tooth']}{' (best)' if trial['best'] else ''}",
                    f"{trial['out_of_line_shaft_deg']:+.2f}°",
                    f"{trial['out_of_line_crank_deg']:+.2f}°",
                    trial["fit"],
                )
                for trial in vernier["trials"]
            ],
            f"{vernier['coupling']}: {vernier['driving_teeth']} teeth driving, {vernier['driven_teeth']} driven",
        )
        for vernier in told.verniers
    ]
    glossary = [pair for pair in _GLOSSARY if leads or pair[0] not in _OF_MAGNETOS]
    limits = told.rehearsal["limits"]
    tools = [
        ("Timing disc or degree ring", f"reads to ± {limits['valve_event_uncertainty_crank_deg']:g}° (k = 2)"),
        ("Piston stop or dial gauge", "for TDC, from both sides"),
        ("Feeler gauges", "for the checking clearances and the thinnest blade"),
        *([("Low-resistance meter", "for the points break")] if leads else []),
        ("Paint", "to mark the teeth before anything is drawn"),
    ]
    return tag(
        "section",
        tag("h2", "Reference", class_="part"),
        tag("h3", "Tools"),
        table(("Tool", "Use"), tools, "Tools"),
        tag("h3", "Timing table"),
        table(
            ("Event", "Crank", "As written", "Limit", "As set", "Verdict"), events, "All events in order of crank angle"
        ),
        [tag("h3", "Plug-lead chart"), leads] if leads else None,
        [tag("h3", "Vernier tables"), trials] if trials else None,
        tag("h3", "Words of the trade"),
        tag("dl", [[tag("dt", word), tag("dd", meaning)] for word, meaning in glossary]),
        id="reference",
    )


def _strip(engine: Engine, events: Record) -> list[list[object]]:
    """A row for each cylinder in firing order: its valves' openings and its sparks as set, in crank degrees."""
    rows: dict[str, list[Any]] = {name: [name, [], []] for name in engine.sheet.firing_order}
    opened: dict[tuple[str, str], float] = {}
    closed: dict[tuple[str, str], float] = {}
    for event in events["events"]:
        at = event["crank_deg"] if event["as_set"] is None else event["as_set"]["crank_deg"]
        if event["magneto"]:
            rows[event["cylinder"]][2].append(round(at, 2))
            continue
        valve, _, what = event["kind"].rpartition(" ")
        (opened if what == "opens" else closed)[event["cylinder"], valve] = at
    for (cylinder, valve), start in opened.items():
        end = start + (closed[cylinder, valve] - start) % 720.0
        rows[cylinder][1].append([round(start, 2), round(end, 2), valve.split(" ")[0]])
    return list(rows.values())
