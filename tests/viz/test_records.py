"""Records of the figures: numbers of the trade, and what they are made of. Engines are invented."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from quillwise.kinematics.angles import wrapped
from quillwise.kinematics.assembly import move_teeth
from quillwise.kinematics.room import Room
from quillwise.kinematics.sequence import Played, play
from quillwise.kinematics.steps import parse_mistake
from quillwise.scenes import library
from quillwise.viz import folder_records, records

PORT, STARBOARD = "larkfell-port", "larkfell-starboard"


def port_but(tmp_path: Path, changes: str):
    """The port engine with some of its data replaced."""
    folder = tmp_path / "changed"
    folder.mkdir()
    text = f'format = 1\nlike = "larkfell-port"\nname = "Changed"\n{changes}'
    (folder / "engine.toml").write_text(text, encoding="utf-8")
    return library.engine(str(folder))


def quill_a(tmp_path: Path, driving: int, driven: int, **asked):
    engine = port_but(
        tmp_path,
        f"[couplings.quill-a]\ndriving_teeth = {driving}\ndriven_teeth = {driven}\ntooth_phase_deg = 0\n",
    )
    return records.vernier(engine, engine.coupling("quill-a"), **asked)


def by_name(record):
    return {event["name"]: event for event in record["events"]}


def events_of(engine, *mistakes: str):
    made = [parse_mistake(engine, text) for text in mistakes]
    return records.events(engine, play(engine, made), made)


@pytest.fixture(scope="module")
def port():
    return library.engine(PORT)


@pytest.fixture(scope="module")
def port_events(port):
    return events_of(port)


def test_fixed_figures_of_the_port_engine(port_events):
    """By hand from the scene: A1 360 − 22; B6 fires 60 after A1; A1's spark 720 − 41."""
    found = by_name(port_events)
    assert found["A1 inlet opens"]["crank_deg"] == 338
    assert found["B6 inlet opens"]["crank_deg"] == 398
    assert found["A1 exhaust-side points break"]["crank_deg"] == 679
    assert found["A1 inlet-side points break"]["crank_deg"] == 686
    assert found["A1 inlet opens"]["as_written"] == "22 BTDC"


def test_firing_interval(port_events):
    """720 / cylinders: TM 9-8000 p. 2-18 and para 15-13 (published)."""
    assert port_events["firing_interval_crank_deg"] == 60
    breaks = [event["crank_deg"] for event in port_events["events"] if event["magneto"] == "inlet-side"]
    assert np.diff(breaks) == pytest.approx(60)


def test_valve_overlap(tmp_path):
    """Opens 28 BTDC, exhaust closes 45 ATDC, overlap 73: TM 9-8000 pp. 2-35, 2-36 (published)."""
    engine = port_but(tmp_path, '[valves.inlet]\nopens = "28 BTDC"\n[valves.exhaust]\ncloses = "45 ATDC"\n')
    record = events_of(engine)
    assert record["valves"]["overlap_crank_deg"] == 73
    found = by_name(record)
    assert found["A1 exhaust closes"]["crank_deg"] - found["A1 inlet opens"]["crank_deg"] == 73


def test_inlet_open_for(tmp_path):
    """Opens 13 BTDC, open for 242, closes 49 ABDC: Korean state examination 2010-4, answer text (published)."""
    engine = port_but(tmp_path, '[valves.inlet]\nopens = "13 BTDC"\ncloses = "49 ABDC"\n')
    assert events_of(engine)["valves"]["inlet"]["open_for_crank_deg"] == 242


def test_advanced_cam(tmp_path):
    """20-60/60-20: open for 260; advanced 5 crank degrees it reads 25-55/65-15 and the overlap stays 40: ausmini.com
    topic 237565 (secondary)."""
    engine = port_but(
        tmp_path,
        '[valves.inlet]\nopens = "20 BTDC"\ncloses = "60 ABDC"\n'
        '[valves.exhaust]\nopens = "60 BBDC"\ncloses = "20 ATDC"\n'
        # at 1.5 × crank speed one tooth of 48, 7.5° of the quill, is 5° of the crank
        "[couplings.quill-a]\ndriving_teeth = 48\ndriven_teeth = 47\ntooth_phase_deg = 0\n",
    )
    move = records.vernier(engine, engine.coupling("quill-a"), move=(1, 0))["move"]
    assert move["shift_crank_deg"] == 5
    as_set = play(engine).as_set
    moved = Played(steps=(), as_set=move_teeth(as_set, "quill-a", 1, 0), crank_deg=0.0)
    record = records.events(engine, moved)
    assert record["valves"]["overlap_crank_deg"] == 40
    assert record["valves"]["inlet"]["open_for_crank_deg"] == 260
    found = by_name(record)
    names = ("A1 inlet opens", "A1 inlet closes", "A1 exhaust opens", "A1 exhaust closes")
    assert [found[name]["as_set"]["as_written"] for name in names] == [
        "25.0 BTDC",
        "55.0 ABDC",
        "65.0 BBDC",
        "15.0 ATDC",
    ]


def test_piston_below_tdc(tmp_path):
    """Stroke 54, rod 100, 22° BTDC: 2.479 mm (calcady.com, ignition timing degrees to mm BTDC: secondary)."""
    engine = port_but(tmp_path, "[crank]\nbore = 60\nstroke = 54\nrod_length = 100\n[geometry]\n")
    drop = by_name(events_of(engine))["A1 inlet opens"]["piston_drop_mm"]
    assert drop == pytest.approx(2.479, abs=5e-4)


def test_to_go_adds_up_to_the_cycle(port_events):
    to_go = [event["to_next_crank_deg"] for event in port_events["events"]]
    assert min(to_go) >= 0
    assert sum(to_go) == pytest.approx(720, abs=1e-9)
    assert len(to_go) == 12 * 6


def test_as_set_agrees_with_the_data_and_the_difference(port_events):
    for event in port_events["events"]:
        as_set = event["as_set"]
        apart = wrapped(event["crank_deg"] - as_set["early_crank_deg"] - as_set["crank_deg"], 720.0)
        assert float(apart) == pytest.approx(0, abs=1e-9)


def test_a_perfect_set_up_leaves_half_a_step_at_most(port_events):
    """Half of 360 / lcm, ÷ 1.5 for crank degrees (number theory, computed)."""
    half_step = {"A": 120 / 306, "B": 120 / 342, "exhaust-side": 120 / 210, "inlet-side": 120 / 240}
    for event in port_events["events"]:
        coupling = event["magneto"] or event["cylinder"][0]
        assert abs(event["as_set"]["early_crank_deg"]) <= half_step[coupling] + 1e-9


def test_a_mistake_moves_one_bank_and_is_told(port, port_events):
    """One driving tooth on, the driven mate a tooth too: 360/17 − 360/18 of the quill, ÷ 1.5 (computed)."""
    record = events_of(port, "other-tooth:quill-a=-2")
    before, after = by_name(port_events), by_name(record)
    assert record["mistakes"] == ["other-tooth:quill-a=-2"]
    step = (360 / 17 - 360 / 18) / 1.5
    for name, event in after.items():
        moved = event["as_set"]["early_crank_deg"] - before[name]["as_set"]["early_crank_deg"]
        on_bank_a = event["cylinder"].startswith("A") and not event["magneto"]
        assert moved == pytest.approx(-2 * step if on_bank_a else 0, abs=1e-9)


@pytest.mark.parametrize("kind", ["valve_event", "points_break"])
def test_verdicts_follow_the_limits_with_a_guard_band(port, kind):
    """Accept inside the limit less U, reject outside the limit, else not proved: JCGM 106:2012 (rule, published)."""
    record = events_of(port, "other-tooth:quill-a=-2", "other-tooth:sleeve-inlet=+2")
    limit, uncertainty = (record["limits"][f"{kind}{end}_crank_deg"] for end in ("", "_uncertainty"))
    seen = set()
    for event in record["events"]:
        if (event["kind"] == "points break") != (kind == "points_break"):
            continue
        off, verdict = abs(event["as_set"]["early_crank_deg"]), event["as_set"]["verdict"]
        assert (event["limit_crank_deg"], event["uncertainty_crank_deg"]) == (limit, uncertainty)
        wanted = "reject" if off > limit else "accept" if off <= limit - uncertainty else "not proved"
        assert verdict == wanted
        seen.add(verdict)
    assert len(seen) >= 2


def test_plug_leads(port_events):
    """Segments in firing order; the finger turns half a turn for a turn of the crank: TM 9-8000 (published)."""
    for leads in port_events["plug_leads"]:
        assert [lead["cylinder"] for lead in leads["leads"]] == port_events["firing_order"]
        assert [lead["segment"] for lead in leads["leads"]] == list(range(1, 13))
        assert [lead["finger_deg"] for lead in leads["leads"]] == pytest.approx([30 * n for n in range(12)])


def test_vernier_of_20_and_19(tmp_path):
    """Smallest step 1/380 turn (0.947°); to advance, the disc between goes back *against* the rotation:
    da7c.co.uk, technical articles, "Magneto coupling" (published)."""
    record = quill_a(tmp_path, 20, 19, wanted_shift_crank_deg=360 / 380 / 1.5)
    assert record["positions"] == 380
    assert record["step_shaft_deg"] == pytest.approx(0.947, abs=5e-4)
    assert record["step_shaft_deg_exact"] == "18/19"
    assert record["shift"]["driving_teeth"] < 0
    assert record["shift"]["shift_shaft_deg_exact"] == "18/19"
    against = "clockwise" if record["turns"] == "anticlockwise" else "anticlockwise"
    assert f"1 tooth {against} at its driving end" in record["shift"]["words"]


def test_vernier_of_6_and_7(tmp_path):
    """360/42 = 8.57°: mechanisms.co, "Differential angular adjustment 1" (published)."""
    record = quill_a(tmp_path, 6, 7)
    assert record["positions"] == 42
    assert record["step_shaft_deg"] == pytest.approx(8.57, abs=5e-3)


def test_vernier_with_a_common_factor(tmp_path):
    """44 and 40: one tooth each way is 0.82° = 360/440, not 360/1760: type2.com library (secondary)."""
    record = quill_a(tmp_path, 44, 40, move=(-1, -1))
    assert (record["positions"], record["common_factor"], record["equal_trials"]) == (440, 4, 4)
    assert abs(record["move"]["shift_shaft_deg"]) == pytest.approx(0.82, abs=5e-3)
    assert record["step_shaft_deg"] == pytest.approx(360 / 440)


def test_move_and_shift_are_each_other(port):
    """k·360/17 − m·360/18 of the quill, ÷ 1.5 (definition)."""
    coupling = port.coupling("quill-a")
    wanted = (3 * 360 / 17 + 2 * 360 / 18) / 1.5
    record = records.vernier(port, coupling, wanted_shift_crank_deg=wanted, move=(3, -2))
    assert record["move"]["shift_crank_deg"] == pytest.approx(wanted, abs=1e-12)
    shift = record["shift"]
    assert (shift["driving_teeth"], shift["driven_teeth"]) == (3, -2)
    assert abs(shift["left_over_crank_deg"]) < 1e-9


def test_trials_by_brute_force(port):
    """Each trial's nearest driven tooth, found by trying all of them; held 0.7° early."""
    coupling = port.coupling("quill-b")
    record = records.vernier(port, coupling, held_early_shaft_deg=0.7)
    assert len(record["trials"]) == 19
    for trial in record["trials"]:
        every = [-1.61 - 0.7 + trial["driving_tooth"] * 360 / 19 - m * 360 / 18 for m in range(-2, 22)]
        assert trial["out_of_line_shaft_deg"] == pytest.approx(min(every, key=abs), abs=1e-9)
        assert trial["out_of_line_crank_deg"] == pytest.approx(trial["out_of_line_shaft_deg"] / 1.5)
    marked = [trial for trial in record["trials"] if trial["best"]]
    least = min(abs(trial["out_of_line_shaft_deg"]) for trial in record["trials"])
    assert [abs(trial["out_of_line_shaft_deg"]) for trial in marked] == [least]
    assert marked[0]["driving_tooth"] == record["best"]["driving_tooth"]


def test_further_positions_after_crank_cycles(tmp_path):
    """Shaft turns per cycle a/b: true step 360 / lcm(N₁, N₂, b) (group theory, as for rings 12 and 15: computed)."""
    port = (library.find(PORT) / "engine.toml").read_text(encoding="utf-8")
    trains = port[port.index("[[trains]]") : port.index("[[magnetos]]")]
    trains = trains.replace("driven = 16", "driven = 20", 1).replace(
        "{ bevel = { driving = 14, driven = 42 } }", "{ bevel = { driving = 15, driven = 36 } }", 1
    )
    engine = port_but(tmp_path, trains)
    record = records.vernier(engine, engine.coupling("quill-a"))
    assert record["shaft_turns_per_crank_turn_exact"] == "6/5"
    assert record["step_with_crank_cycles_shaft_deg"] == pytest.approx(360 / math.lcm(17, 18, 5))
    assert record["step_with_crank_cycles_shaft_deg"] < record["step_shaft_deg"]


def test_rehearsal_of_the_port_engine(port):
    """A1's spark 281° after B6's inlet opening (679 − 398); its mark passes once, at 679, since 319 is behind."""
    played = play(port)
    record = records.rehearsal(port, played)
    steps = {step["key"]: step for step in record["steps"]}
    spark = steps["exhaust-side-mark"]
    assert (spark["crank_from_deg"], spark["crank_to_deg"], spark["to_go_crank_deg"]) == (398, 679, 281)
    assert spark["mark_passes"] == 1
    assert steps["two-turns"]["to_go_crank_deg"] == 720
    assert record["tally"]["reject"] == 0 and record["rejected"] == []
    assert all(0 <= step["crank_to_deg"] < 720 for step in record["steps"])
    assert [step["number"] for step in record["steps"]] == list(range(1, record["step_count"] + 1))


def test_rehearsal_carries_the_cautions_before_the_step(port):
    steps = records.rehearsal(port, play(port))["steps"]
    levels = {step["key"]: [caution["level"] for caution in step["cautions"]] for step in steps}
    assert levels["safe"].count("WARNING") >= 3
    assert "CAUTION" in levels["a-park"] and "CAUTION" in levels["a-try"]
    assert "WARNING" in levels["exhaust-side-break"]


def test_an_interval_is_not_early_or_late(port):
    steps = records.rehearsal(port, play(port))["steps"]
    checks = [check for step in steps for check in step["checks"]]
    assert {check["what"] for check in checks if check["is_interval"]} == {"between the two magnetos"}


def test_rehearsal_of_one_step_tallies_the_whole(port):
    mistake = parse_mistake(port, "other-tooth:quill-a=-3")
    played = play(port, [mistake])
    whole = records.rehearsal(port, played, [mistake])
    one = records.rehearsal(port, played, [mistake], played.steps[8])
    assert [step["number"] for step in one["steps"]] == [9]
    assert one["tally"] == whole["tally"] and one["rejected"] == whole["rejected"]
    (taken,) = [trial for trial in one["steps"][0]["trials"] if trial["best"]]
    assert (taken["driving_tooth"] - 3) % 17 == one["steps"][0]["tooth_taken"]


@pytest.mark.parametrize(
    ("room_mm", "known", "verdict"),
    [(1.5, True, "accept"), (1.49, True, "reject"), (-0.1, True, "reject"), (9.0, False, "not proved")],
)
def test_room_verdict(room_mm, known, verdict):
    room = Room(room_mm=room_mm, valve="A1 inlet", crank_deg=0.0, known=known)
    assert records.room_verdict(room, 1.5) == verdict


def test_records_are_plain_json_with_numbers_that_exist():
    """Every record survives strict JSON (RFC 8259: no NaN, no infinity) unchanged, so no array or tuple is left."""
    for name in (PORT, STARBOARD):
        engine = library.engine(name)
        played = play(engine)
        for record in (
            records.events(engine, played),
            records.rehearsal(engine, played),
            folder_records.summary(engine, played),
            *(records.vernier(engine, coupling, 0.1, -2.0, (1, -1)) for coupling in engine.couplings.values()),
        ):
            assert json.loads(json.dumps(record, allow_nan=False)) == record
            assert record["format"] == 1
            assert record["scene"] == name
            assert record["status"] == "Briefing aid. Not approved data."


def test_senses_of_handed_engines_are_opposite():
    """Port and starboard are handed: every shaft turns the other way (by their data)."""
    port, starboard = (library.engine(name) for name in (PORT, STARBOARD))
    for name in port.couplings:
        here, there = (records.vernier(e, e.coupling(name))["turns"] for e in (port, starboard))
        assert here != there
