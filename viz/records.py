"""Plain records of the figures, for ``--json`` and for the tables: what is printed is what a program reads.

Every function is pure and returns a dict of str, int, float, bool, None, list and dict. Keys are stable; the unit is
in the key (``_crank_deg``: crank degrees, ``_shaft_deg``: degrees of the coupling's own shaft); numbers keep full
precision; exact ratios are texts such as "20/17". ``format`` grows when a key changes its meaning.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from quillwise.kinematics import wording
from quillwise.kinematics.angles import format_event, in_cycle
from quillwise.kinematics.assembly import Assembly, intended, with_clearances
from quillwise.kinematics.couplings import (
    Move,
    Trial,
    best,
    common_factor,
    equal_trials,
    largest_left_over_deg,
    move_for_shift,
    move_in_words,
    positions,
    shift_for_move,
    step_deg,
    step_with_cycles_deg,
    trials,
)
from quillwise.kinematics.datasheet import VIEWED_FROM_WHEELCASE, DataSheet, LimitsData
from quillwise.kinematics.magnetos import finger_holds, plug_lead_chart, segment_centres_deg
from quillwise.kinematics.measured import MeasuredCurve
from quillwise.kinematics.misread import misread_rows
from quillwise.kinematics.model import Coupling, Engine, Magneto, turning
from quillwise.kinematics.positions import reach, tried_again
from quillwise.kinematics.remarks import misread_words
from quillwise.kinematics.timing import Event, timing_table
from quillwise.kinematics.verdicts import Check, Verdict
from quillwise.viz.sparking import breaks_at_other_end

if TYPE_CHECKING:
    from quillwise.kinematics.recovery import Slip
    from quillwise.kinematics.room import Room
    from quillwise.kinematics.sequence import Played
    from quillwise.kinematics.steps import Mistake, Step

FORMAT = 1
COVERAGE_FACTOR = 2  # of every expanded uncertainty in the data

Record = dict[str, Any]


def at_checking_clearance(engine: Engine, assembly: Assembly) -> Assembly:
    """The assembly as it is read: every valve at its checking clearance, at which the data state the events."""
    return with_clearances(assembly, {name: valve.data.checking_clearance_mm for name, valve in engine.valves.items()})


def written(own_deg: float, decimals: int | None = None) -> str:
    """An event as fitters write it; ``decimals`` left out: as many as the angle needs, at most three."""
    if decimals is None:
        decimals = next((n for n in range(3) if abs(round(own_deg, n) - own_deg) < 1e-9), 3)
    return format_event(own_deg, decimals)


def room_verdict(room: Room, limit_mm: float) -> Verdict:
    """Reject below the limit, "not proved" where the room at TDC is not in the data but assumed to be nothing."""
    if not room.known:
        return "not proved"
    return "accept" if room.room_mm >= limit_mm else "reject"


def events(engine: Engine, played: Played | None, mistakes: Iterable[Mistake] = ()) -> Record:
    """The timing table by the data and as set by ``played``, read at the checking clearance; the plug-lead chart.

    ``played``: None for the table by the data alone; nothing is then told as set, and no verdict is counted.
    """
    sheet = engine.sheet
    as_set = intended(engine) if played is None else played.as_set
    table = timing_table(engine, at_checking_clearance(engine, as_set))
    following = [event.crank_deg for event in table[1:]] + [table[0].crank_deg + 720.0]
    return {
        **head(sheet, "events"),
        **rotation(sheet),
        "firing_order": list(sheet.firing_order),
        "firing_interval_crank_deg": engine.firing_interval_deg,
        "valves": {
            "inlet": _valve(sheet.inlet.opens_deg, sheet.inlet.closes_deg, sheet.inlet.checking_clearance_mm),
            "exhaust": _valve(sheet.exhaust.opens_deg, sheet.exhaust.closes_deg, sheet.exhaust.checking_clearance_mm),
            "overlap_crank_deg": sheet.exhaust.closes_deg - sheet.inlet.opens_deg,
        },
        "limits": limits(sheet.limits),
        "measured_lifts": measured_lifts(engine),
        "mistakes": [str(mistake) for mistake in mistakes],
        "tops": [
            {
                "cylinder": cylinder.name,
                "firing_crank_deg": cylinder.firing_deg,
                "after_even_interval_crank_deg": cylinder.late_deg,
                "stroke_mm": cylinder.stroke_mm,
            }
            for cylinder in (engine.cylinders[name] for name in sheet.firing_order)
        ],
        "events": [
            _event(event, next_deg, played is not None) for event, next_deg in zip(table, following, strict=True)
        ],
        "plug_leads": [_plug_leads(engine, magneto) for magneto in engine.magnetos.values()],
        **_tally([event.check.verdict for event in table if event.check and played is not None]),
    }


def limits(data: LimitsData) -> Record:
    """The [limits] of the data: allowed differences either way, and the expanded uncertainty of the reading."""
    return {
        "valve_event_crank_deg": data.valve_event_deg,
        "valve_event_uncertainty_crank_deg": data.valve_event_uncertainty_deg,
        "points_break_crank_deg": data.points_break_deg,
        "points_break_uncertainty_crank_deg": data.points_break_uncertainty_deg,
        "stagger_crank_deg": data.stagger_deg,
        "room_mm": data.room_mm,
        "coverage_factor": COVERAGE_FACTOR,
    }


def vernier(
    engine: Engine,
    coupling: Coupling,
    held_early_shaft_deg: float = 0.0,
    wanted_shift_crank_deg: float | None = None,
    move: tuple[int, int] | None = None,
) -> Record:
    """The vernier table of a coupling, the driven shaft held so much ahead of exact timing.

    ``wanted_shift_crank_deg``, + = early: the move with the fewest teeth for it. ``move``: teeth past the driving
    and past the driven mate, + in the running direction: the shift that it gives.
    """
    data, shaft = coupling.data, engine.shafts[coupling.driven]
    n1, n2 = data.driving_teeth, data.driven_teeth
    turns = abs(shaft.turns)
    step, cycle_step = step_deg(n1, n2), step_with_cycles_deg(n1, n2, 2 * turns)
    tried = trials(data, held_early_shaft_deg, turns)
    chosen = best(tried)
    shift = None
    if wanted_shift_crank_deg is not None:
        wanted = Fraction(wanted_shift_crank_deg) * turns
        found = _move(coupling, engine, move_for_shift((n1, n2), wanted, turns))
        nearest = reach(n1, n2, 2 * turns, wanted)
        with_cycles = {
            "cycles": nearest.cycles,
            "shift_crank_deg": float(nearest.shift_deg / turns),
            "left_over_crank_deg": nearest.left_over_deg / float(turns),
        }
        shift = {
            "wanted_crank_deg": wanted_shift_crank_deg,
            "wanted_shaft_deg": float(wanted),
            **found,
            "with_crank_cycles": with_cycles,
        }
    return {
        **head(engine.sheet, "vernier"),
        "coupling": coupling.name,
        "kind": data.kind,
        "driving_shaft": coupling.driving,
        "driven_shaft": coupling.driven,
        "driving_teeth": n1,
        "driven_teeth": n2,
        "turns": turning(shaft.sense),
        "seen_from": shaft.seen_from,
        "shaft_turns_per_crank_turn": float(turns),
        "shaft_turns_per_crank_turn_exact": str(turns),
        "positions": positions(n1, n2),
        "common_factor": common_factor(n1, n2),
        "equal_trials": equal_trials(tried),
        "step_shaft_deg": float(step),
        "step_shaft_deg_exact": str(step),
        "step_crank_deg": float(step / turns),
        "step_crank_deg_exact": str(step / turns),
        "largest_left_over_shaft_deg": float(largest_left_over_deg(n1, n2)),
        "largest_left_over_crank_deg": float(largest_left_over_deg(n1, n2) / turns),
        "step_with_crank_cycles_shaft_deg": float(cycle_step),
        "step_with_crank_cycles_shaft_deg_exact": str(cycle_step),
        "step_with_crank_cycles_crank_deg": float(cycle_step / turns),
        "positions_with_crank_cycles": int(360 / cycle_step),
        "best_after_crank_cycles": [
            {"cycles": again.cycles, **_trial(again.trial, again.trial)}
            for again in tried_again(data, held_early_shaft_deg, turns)
        ],
        "free_play_shaft_deg": data.free_play_driven_shaft_deg,
        "tooth_phase_shaft_deg": data.tooth_phase_deg,
        "held_early_shaft_deg": held_early_shaft_deg,
        "trials": [_trial(trial, chosen) for trial in tried],
        "best": {
            **_trial(chosen, chosen),
            "words": _words(coupling, engine, chosen.driving_tooth, chosen.driven_tooth),
        },
        "shift": shift,
        "move": None if move is None else _move(coupling, engine, shift_for_move((n1, n2), *move, turns)),
    }


def rehearsal(engine: Engine, played: Played, mistakes: Iterable[Mistake] = (), only: Step | None = None) -> Record:
    """The set-up as it was played. ``only``: leave out all other steps; the tally is of the whole set-up always."""
    limit_mm = engine.sheet.limits.room_mm
    every = [_step(step, limit_mm) for step in played.steps]
    verdicts = [check["verdict"] for step in every for check in step["checks"]]
    verdicts += [step["least_room"]["verdict"] for step in every if step["least_room"]]
    rejected = [
        {"step": step["number"], "what": what}
        for step in every
        for what, verdict in (
            *((check["what"], check["verdict"]) for check in step["checks"]),
            *([("room", step["least_room"]["verdict"])] if step["least_room"] else []),
        )
        if verdict == "reject"
    ]
    return {
        **head(engine.sheet, "rehearsal"),
        "levels": dict(wording.LEVELS),
        "limits": limits(engine.sheet.limits),
        "measured_lifts": measured_lifts(engine),
        "mistakes": [str(mistake) for mistake in mistakes],
        "step_count": len(every),
        "steps": every if only is None else [every[only.number - 1]],
        **_tally(verdicts),
        "rejected": rejected,
    }


def recovery(engine: Engine, step: Step, slip: Slip, back: Sequence[Step], mistakes: Iterable[Mistake] = ()) -> Record:
    """The way back from a slip at a step of the set-up: its steps, with the room on the way."""
    from quillwise.kinematics.recovery import PASSED_DEG  # with it comes all of the set-up, which most records need not

    limit_mm = engine.sheet.limits.room_mm
    steps = [_step(other, limit_mm) for other in back]
    verdicts = [check["verdict"] for found in steps for check in found["checks"]]
    verdicts += [found["least_room"]["verdict"] for found in steps if found["least_room"]]
    return {
        **head(engine.sheet, "recovery"),
        "levels": dict(wording.LEVELS),
        "mistakes": [str(mistake) for mistake in mistakes],
        "slip": slip,
        "at": {"number": step.number, "key": step.key, "title": step.text.title},
        "passed_crank_deg": PASSED_DEG if slip == "mark-passed" else None,
        "may_turn_back": engine.sheet.may_turn_back,
        "step_count": len(steps),
        "steps": steps,
        **_tally(verdicts),
    }


def _as_written_side(sheet: DataSheet, side: str) -> str:
    """Left or right as the file says it, which is written from either end."""
    other = "right" if side == "left" else "left"
    return side if sheet.written_from == VIEWED_FROM_WHEELCASE else other


def rotation(sheet: DataSheet) -> Record:
    """The crank's sense from the wheelcase end, and from the end that the file was written from."""
    other = "anticlockwise" if sheet.rotation == "clockwise" else "clockwise"
    from_wheelcase = sheet.written_from == VIEWED_FROM_WHEELCASE
    return {
        "rotation": sheet.rotation,
        "seen_from": VIEWED_FROM_WHEELCASE,
        "written": {"rotation": sheet.rotation if from_wheelcase else other, "seen_from": sheet.written_from},
    }


def measured_lifts(engine: Engine) -> list[Record]:
    """Of every kind of valve with a lift table: what its curve was found to be, and the noise of the rows about it."""
    found = []
    for data in (engine.sheet.inlet, engine.sheet.exhaust):
        curve = next(valve.curve for valve in engine.valves.values() if valve.kind == data.kind)
        if isinstance(curve, MeasuredCurve):
            found.append(
                {
                    "valves": data.kind,
                    "rows": len(data.lift_table),
                    "noise_rms_mm": curve.noise_mm,
                    "greatest_lift_mm": curve.lift_mm,
                    "opens_own_crank_deg": data.opens_deg,
                    "closes_own_crank_deg": data.closes_deg,
                    "misread": [
                        {
                            "row": row.row,
                            "own_crank_deg": row.angle_deg,
                            "lift_mm": row.lift_mm,
                            "neighbours_lead_to_mm": row.expected_mm,
                            "noise_of_others_mm": row.noise_mm,
                            "cannot_be_right": row.gross,
                            "words": misread_words(row, engine.sheet.length_unit),
                        }
                        for row in misread_rows(data.lift_table)
                    ],
                }
            )
    return found


def head(sheet: DataSheet, record: str) -> Record:
    return {
        "format": FORMAT,
        "record": record,
        "scene": sheet.scene,
        "engine": sheet.name,
        "status": wording.DISCLAIMER,
    }


def _tally(verdicts: Sequence[Verdict]) -> Record:
    counts = {kind: verdicts.count(kind) for kind in ("accept", "not proved", "reject")}
    return {"tally": {key.replace(" ", "_"): count for key, count in counts.items()}}


def _valve(opens_deg: float, closes_deg: float, clearance_mm: float) -> Record:
    return {"open_for_crank_deg": closes_deg - opens_deg, "checking_clearance_mm": clearance_mm}


def _event(event: Event, next_deg: float, told_as_set: bool) -> Record:
    as_set = None
    if told_as_set and event.check is not None and event.early_deg is not None:
        as_set = {
            "crank_deg": event.as_set_deg,
            "as_written": written(event.own_deg - event.early_deg, 1),
            "early_crank_deg": event.early_deg + 0.0,
            "verdict": event.check.verdict,
        }
    return {
        "name": event.name,
        "cylinder": event.cylinder,
        "magneto": event.magneto,
        "kind": event.kind,
        "crank_deg": event.crank_deg,
        "to_next_crank_deg": next_deg - event.crank_deg,
        "as_written": written(event.own_deg),
        "own_crank_deg": event.own_deg,
        "piston_drop_mm": event.piston_drop_mm,
        "limit_crank_deg": event.limit_deg,
        "uncertainty_crank_deg": event.uncertainty_deg,
        "as_set": as_set,
    }


def _plug_leads(engine: Engine, magneto: Magneto) -> Record:
    order = magneto.fires
    finger = engine.shafts[magneto.finger]
    hold = finger_holds(magneto.data)
    return {
        "magneto": magneto.name,
        "plugs": magneto.data.plugs,
        "stands": magneto.data.stands,
        "stands_seen_from": VIEWED_FROM_WHEELCASE,
        "stands_written": {
            "stands": _as_written_side(engine.sheet, magneto.data.stands),
            "seen_from": engine.sheet.written_from,
        },
        "finger_turns": turning(finger.sense),
        "finger_seen_from": finger.seen_from,
        "finger_holds_through_advance": hold.holds,
        "least_overlap_finger_deg": hold.least_overlap_deg,
        "fires_all": len(order) == len(engine.cylinders),
        "timed_at": magneto.data.timed_at,
        "advance_range_crank_deg": magneto.data.advance_range_deg,
        "impulse_lag_crank_deg": magneto.data.impulse_lag_deg,
        "trailing_electrode_finger_deg": magneto.data.trailing_electrode_deg,
        "other_end": breaks_at_other_end(engine, magneto),
        "leads": [
            {"segment": segment, "finger_deg": float(middle), "cylinder": cylinder}
            for (segment, cylinder), middle in zip(plug_lead_chart(order), segment_centres_deg(order), strict=True)
        ],
    }


def _trial(trial: Trial, chosen: Trial) -> Record:
    return {
        "driving_tooth": trial.driving_tooth,
        "driven_tooth": trial.driven_tooth,
        "out_of_line_shaft_deg": trial.out_of_line_deg + 0.0,
        "out_of_line_crank_deg": trial.out_of_line_crank_deg + 0.0,
        "early_shaft_deg": trial.early_deg + 0.0,
        "fit": trial.verdict,
        "best": trial.driving_tooth == chosen.driving_tooth,
    }


def _move(coupling: Coupling, engine: Engine, move: Move) -> Record:
    return {
        "driving_teeth": move.driving_teeth,
        "driven_teeth": move.driven_teeth,
        "shift_shaft_deg": float(move.shift_deg),
        "shift_shaft_deg_exact": str(move.shift_deg),
        "shift_crank_deg": float(move.shift_crank_deg),
        "shift_crank_deg_exact": str(move.shift_crank_deg),
        "left_over_shaft_deg": move.left_over_deg + 0.0,
        "left_over_crank_deg": move.left_over_crank_deg + 0.0,
        "words": _words(coupling, engine, move.driving_teeth, move.driven_teeth),
    }


def _words(coupling: Coupling, engine: Engine, k: int, m: int) -> str:
    shaft = engine.shafts[coupling.driven]
    return move_in_words(k, m, coupling.data.kind, turning(shaft.sense), shaft.seen_from)


def _step(step: Step, limit_mm: float) -> Record:
    start, end = step.crank_deg
    return {
        "number": step.number,
        "key": step.key,
        "job": step.job,
        "title": step.text.title,
        "cautions": [{"level": caution.level, "text": caution.text} for caution in step.text.cautions],
        "do": list(step.text.do),
        "see": [{"where": where, "what": what} for where, what in step.text.see],
        "mistake": step.mistake,
        "crank_from_deg": float(in_cycle(start)),
        "crank_to_deg": float(in_cycle(end)),
        "time_line_from_crank_deg": start,
        "time_line_to_crank_deg": end,
        "to_go_crank_deg": end - start,
        "mark": step.mark,
        "mark_passes": step.passes,
        "least_room": None if step.room is None else _room(step.room, limit_mm),
        "coupling": step.coupling,
        "trials": [_trial(trial, best(step.trials)) for trial in step.trials],
        "tooth_taken": None if step.chosen is None else step.chosen.driving_tooth,
        "checks": [_check(check) for check in step.checks],
        "checks_of_readings": step.readings or None,
        "checks_are": wording.selection(step.readings, len(step.checks)) or None,
    }


def _room(room: Room, limit_mm: float) -> Record:
    return {
        "room_mm": room.room_mm,
        "valve": room.valve,
        "crank_deg": float(in_cycle(room.crank_deg)),
        "known": room.known,
        "strikes": room.strikes,
        "limit_mm": limit_mm,
        "verdict": room_verdict(room, limit_mm),
    }


def _check(check: Check) -> Record:
    values: Mapping[str, float] = {
        "wanted": check.wanted,
        "as_set": check.as_set,
        "early": check.early + 0.0,
        "limit": check.limit,
        "uncertainty": check.uncertainty,
    }
    return {
        "what": check.what,
        "unit": check.unit,
        **{f"{key}_crank_deg": value for key, value in values.items()},
        "is_interval": check.interval,
        "verdict": check.verdict,
    }
