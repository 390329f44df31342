"""The briefing in the order of a ten-minute talk to three people: at the crank, at camshaft and magneto, at the
readings. Every figure comes from the records that ``--json`` prints.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from quillwise.kinematics import wording
from quillwise.kinematics.angles import format_crank
from quillwise.kinematics.lengths import LengthUnit, length, stated
from quillwise.kinematics.model import Engine, turning
from quillwise.viz.holdpoints import is_hold
from quillwise.viz.markup import Content, Markup, join, points, table, tag

Record = Mapping[str, Any]
Figures = Mapping[str, Markup]
ROOM = "what can strike"  # key of the figure of the least room
_FAILS = 2  # trials that do not go in are shown beside the one that does


def topics(
    engine: Engine, rehearsal: Record, verniers: Sequence[Record], mistakes: Sequence[Record], figures: Figures
) -> Markup:
    """All topics. mistakes: rehearsals with one mistake each; figures: by the key of a step."""
    steps = rehearsal["steps"]
    made = (
        _job(engine, steps),
        _hazards(steps, figures, engine.sheet.length_unit),
        _drive(engine, verniers),
        _marks(steps, figures),
        _vernier(steps, verniers, figures),
        _holding(engine, steps, figures),
        _mistakes(mistakes),
        _limits(rehearsal, engine.sheet.length_unit, len(engine.magnetos)),
    )
    return join([_topic(number, title, content) for number, (title, content) in enumerate(made, start=1)])


def _topic(number: int, title: str, content: Content) -> Markup:
    return tag(
        "section", tag("h2", f"{number}. {title}", id=f"topic-{number}"), content, data_topic=True, class_="topic"
    )


def _job(engine: Engine, steps: Sequence[Record]) -> tuple[str, Content]:
    sheet = engine.sheet
    jobs = list(dict.fromkeys(step["job"] for step in steps if step["job"] not in ("prepare", "finish")))
    banks = ", ".join(f"{bank.name} ({bank.cylinders} cylinders)" for bank in sheet.banks)
    rows = [
        ("Engine", sheet.name),
        ("Crankshaft turns", wording.turn_words(engine.sigma, "wheelcase end")),
        ("Banks", banks),
        ("Firing order", " ".join(sheet.firing_order)),
        ("Set in this order", ", ".join(jobs)),
    ]
    where = "the camshaft or the magneto" if engine.magnetos else "the camshaft"
    return "The job, the engine, and who says “turn”", [
        table(("What", "Which"), rows, "The job"),
        points(
            [
                f"Three people do the job: one at the crank, one at {where}, one who reads.",
                f"The person at {where} says “turn” and “stop”. Nobody else gives a call.",
                "The person at the crank repeats the call, then turns.",
                "The reader writes each reading down at once.",
            ]
        ),
    ]


def _hazards(steps: Sequence[Record], figures: Figures, unit: LengthUnit) -> tuple[str, Content]:
    told: dict[tuple[str, str], None] = {}
    for step in steps:
        for caution in step["cautions"]:
            told.setdefault((caution["level"], caution["text"]), None)
    order = list(wording.LEVELS)
    ranked = sorted(told, key=lambda each: order.index(each[0]))
    rooms = [step for step in steps if step["least_room"]]
    tightest = min(rooms, key=lambda step: step["least_room"]["room_mm"], default=None)
    strike: Content = None
    if tightest is not None:
        room = tightest["least_room"]
        assumed = "" if room["known"] else " This is assumed: the data give no room at TDC."
        strike = [
            tag("h3", "What can strike"),
            tag(
                "p",
                f"The least room of the whole set-up is {length(room['room_mm'], unit, 1)}, at {room['valve']}, "
                f"in step {tightest['number']}. The limit is {stated(room['limit_mm'], unit)}.{assumed}",
            ),
            figures.get(ROOM),
        ]
    return "Warnings, and what can strike", [
        tag("p", " ".join(wording.LEVELS.values())),
        cautions({"level": level, "text": text} for level, text in ranked),
        strike,
    ]


def cautions(told: Iterable[Record]) -> Markup:
    """Boxes, one a caution: the word always stands beside the colour and the shape."""
    return join(
        [
            tag("p", tag("strong", f"{each['level']}: "), each["text"], class_=f"caution {each['level'].lower()}")
            for each in told
        ]
    )


def _drive(engine: Engine, verniers: Sequence[Record]) -> tuple[str, Content]:
    rows = [
        (
            each["coupling"],
            each["kind"],
            f"{each['driving_shaft']} → {each['driven_shaft']}",
            f"{each['driving_teeth']} / {each['driven_teeth']}",
            f"{each['positions']}",
            f"{each['step_crank_deg']:.2f}°",
            f"{each['turns']}, seen from the {each['seen_from']}",
        )
        for each in verniers
    ]
    shafts = [
        (shaft.name, f"{turning(shaft.sense)}, seen from its {shaft.seen_from}", f"{abs(shaft.turns)}")
        for shaft in engine.shafts.values()
    ]
    return "The drive, its couplings and their teeth", [
        table(
            ("Coupling", "Kind", "From → to", "Teeth", "Positions", "Step (crank)", "Turns"),
            rows,
            "Couplings: teeth at the driving end / at the driven end",
        ),
        table(("Shaft", "Turns", "Turns for one of the crank"), shafts, "Shafts"),
    ]


def _marks(steps: Sequence[Record], figures: Figures) -> tuple[str, Content]:
    marked = [step for step in steps if step["mark"]]
    rows = [
        (
            step["mark"],
            f"{format_crank(step['crank_to_deg'])}°",
            f"{step['to_go_crank_deg']:.1f}°",
            f"{step['mark_passes']}",
            f"step {step['number']}",
        )
        for step in marked
    ]
    return "The marks in the order met", [
        table(
            ("Mark", "Crank angle", "Degrees to go", "Passes", "Where"),
            rows,
            "Marks of the timing disc, seen through its window",
        ),
        points(
            [
                "The last movement to a mark is in the running direction.",
                "A mark can pass on the other stroke too. The step says what the valves do at the right pass.",
            ]
        ),
        figures.get(marked[0]["key"]) if marked else None,
    ]


def _vernier(steps: Sequence[Record], verniers: Sequence[Record], figures: Figures) -> tuple[str, Content]:
    tried = next((step for step in steps if step["trials"]), None)
    if tried is None:
        return "The vernier", tag("p", "No coupling is tried in this set-up.")
    vernier = next(each for each in verniers if each["coupling"] == tried["coupling"])
    right = next(trial for trial in tried["trials"] if trial["best"])
    count = len(tried["trials"])
    near = sorted(
        (trial for trial in tried["trials"] if trial["fit"] == "does not go in"),
        key=lambda trial: min(way * (trial["driving_tooth"] - right["driving_tooth"]) % count for way in (1, -1)),
    )[:_FAILS]
    rows = [
        (
            f"tooth {trial['driving_tooth']}",
            f"{trial['out_of_line_shaft_deg']:+.2f}°",
            f"{trial['out_of_line_crank_deg']:+.2f}°",
            trial["fit"] if trial["fit"] == "does not go in" else f"goes home, {trial['fit']}",
        )
        for trial in [*near, right]
    ]
    return "The vernier: which tooth goes home", [
        tag(
            "p",
            f"{vernier['coupling']} has {vernier['driving_teeth']} teeth at its driving end and "
            f"{vernier['driven_teeth']} at its driven end. Turned by one tooth at its driving end, it stands "
            f"{360 / vernier['driving_teeth']:.2f}° further. "
            f"The teeth of its other end are {360 / vernier['driven_teeth']:.2f}° "
            f"apart. So each trial offers other teeth to the driven part, and one trial fits.",
        ),
        table(
            ("Trial", "Out of line (shaft)", "Crank degrees", "What it does"),
            rows,
            f"Trials of {tried['coupling']}",
        ),
        tag(
            "p",
            f"One step of the vernier is {vernier['step_crank_deg']:.2f} crank degrees. "
            f"At the best tooth at most {vernier['largest_left_over_crank_deg']:.2f} crank degrees are left over.",
        ),
        figures.get(tried["key"]),
    ]


def _holding(engine: Engine, steps: Sequence[Record], figures: Figures) -> tuple[str, Content]:
    nip = next((step for step in steps if step["key"].endswith("-nip")), None)
    held = next((step for step in steps if step["key"].endswith("-break")), None)
    content: list[Content] = []
    for step in (nip, held):
        if step is None:
            continue
        content += [
            tag("h3", step["title"]),
            points(step["do"]),
            points([f"{see['where']}: {see['what']}" for see in step["see"]]),
            figures.get(step["key"]),
        ]
    content.append(
        points(
            [
                "The backlash is taken out when the last movement is in the running direction.",
                "The valve springs turn a camshaft by themselves: hold it until its quill is home.",
                *(
                    f"{name} magneto: the meter reads {each.data.closed_ohm:.2f} Ω before the break (points closed), "
                    f"{each.data.open_ohm:.2f} Ω after it (points open)."
                    for name, each in engine.magnetos.items()
                ),
            ]
        )
    )
    return "Nipping the valve" + (", and the moment of the break" if held else ""), content


def _mistakes(mistakes: Sequence[Record]) -> tuple[str, Content]:
    rows = []
    for each in mistakes:
        seen = each["rejected"][:3]
        looks = "; ".join(f"{found['what']} is out of its limits (step {found['step']})" for found in seen)
        rows.append((each["told"], looks or "All readings stay inside their limits: it can be missed."))
    return "The commonest mistakes, and how each looks", table(
        ("Mistake", "How it looks"), rows, "Mistakes, played with this engine's figures"
    )


def _magneto_limits(limits: Record, magnetos: int) -> Iterator[tuple[str, str, str]]:
    if magnetos:
        allowed, uncertainty = limits["points_break_crank_deg"], limits["points_break_uncertainty_crank_deg"]
        yield "Points break", f"± {allowed:g}°", f"{uncertainty:g}°"
    if magnetos > 1:
        yield "Between the magnetos", f"± {limits['stagger_crank_deg']:g}°", ""


def _limits(rehearsal: Record, unit: LengthUnit, magnetos: int) -> tuple[str, Content]:
    limits = rehearsal["limits"]
    rows = [
        ("Valve event", f"± {limits['valve_event_crank_deg']:g}°", f"{limits['valve_event_uncertainty_crank_deg']:g}°"),
        *_magneto_limits(limits, magnetos),
        ("Room between valve and piston", f"{stated(limits['room_mm'], unit)} or more", ""),
    ]
    holds = [f"Step {step['number']}: {step['title']}." for step in rehearsal["steps"] if is_hold(step["key"])]
    return "Limits, hold points, and what to do when unsure", [
        table(("What", "Allowed", "Uncertainty of the reading (k = 2)"), rows, "Limits, crank degrees"),
        tag("h3", "Stop here until both people agree"),
        points(holds),
        tag("h3", "When you are unsure"),
        points(
            [
                "Stop. Do not turn the crank.",
                "Write down the crank angle, what is coupled, what is held, and what is open.",
                "Take the readings again, and mark the teeth with paint before you draw anything.",
                "Ask a person authorised to release the work. The maker's approved data prevail.",
            ]
        ),
    ]
