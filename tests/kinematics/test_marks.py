"""What a job is timed by: lobe centres, lifts at TDC, events, and marks by the piston's distance below TDC."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from random_engines import engines, in_line_six, v_eight

from quillwise.kinematics.assembly import intended, open_at
from quillwise.kinematics.build import build
from quillwise.kinematics.datasheet import CrankData, DataSheet, StepData
from quillwise.kinematics.errors import SceneError
from quillwise.kinematics.marks import (
    drop_mm,
    equal_lifts_deg,
    feel,
    gauge_mm,
    greatest_lift_mm,
    job_check,
    lift_at_tdc_mm,
    mark_crank_deg,
    mark_own_deg,
    own_deg_at_drop,
    rises,
)
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import motion
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import Step, frame, parse_mistake


def timed(sheet: DataSheet, number: int = 1, **keys: object) -> DataSheet:
    """The sheet with other keys in a step of its set-up order (from 0)."""
    setup = list(sheet.setup)
    setup[number] = replace(setup[number], **keys)  # type: ignore[arg-type]
    return replace(sheet, setup=tuple(setup))


def wide(sheet: DataSheet) -> DataSheet:
    """With more overlap, so that both valves are well open at TDC."""
    return replace(sheet, inlet=replace(sheet.inlet, opens_deg=325), exhaust=replace(sheet.exhaust, closes_deg=395))


def job_of(engine: Engine, do: str = "set-camshaft") -> StepData:
    return next(job for job in engine.sheet.setup if job.do == do)


def step(engine: Engine, key: str, *mistakes: str) -> Step:
    steps = play(engine, [parse_mistake(engine, text) for text in mistakes]).steps
    return next(s for s in steps if s.key == key)


def valve_open_mm(engine: Engine, of: Step, crank_deg: float) -> float:
    """How far the step's valve is open, as left by the step, at a crank angle."""
    return float(motion(engine, of.after, crank_deg)[f"valve {of.valve}"][0])


# ----------------------------------------------------------------------------- the piston below TDC


def test_piston_below_tdc_by_a_worked_example() -> None:
    # secondary: calcady.com, ignition timing degrees to mm BTDC: stroke 54, rod 100, 22 degrees: 2.479 mm
    sheet = in_line_six()
    crank = CrankData(bore_mm=54.0, stroke_mm=54.0, rod_length_mm=100.0)
    small = replace(sheet.inlet, lift_mm=5.0, base_radius_mm=20.0, rocker_ratio=1.0)
    engine = build(
        replace(sheet, crank=crank, inlet=small, exhaust=replace(small, kind="exhaust", opens_deg=125, closes_deg=375))
    )
    assert drop_mm(engine, "A1", 720.0 - 22.0) == pytest.approx(2.479, abs=5e-4)
    assert own_deg_at_drop(engine, "A1", 2.479, 720.0 - 20.0) == pytest.approx(720.0 - 22.0, abs=0.005)
    assert own_deg_at_drop(engine, "A1", 2.479, 20.0) == pytest.approx(22.0, abs=0.005), "on the side that is asked for"
    assert own_deg_at_drop(engine, "A1", 54.0001, 20.0) is None
    assert own_deg_at_drop(engine, "A1", -0.1, 20.0) is None


@settings(max_examples=20, deadline=None)
@given(engines(), st.floats(0.5, 175.0), st.booleans(), st.sampled_from((0.0, 360.0, 720.0)))
def test_degrees_and_millimetres_are_each_the_inverse_of_the_other(
    engine: Engine, off: float, before: bool, top: float
) -> None:
    own = top - off if before else top + off
    name = engine.sheet.firing_order[0]
    # of a link rod with an offset pin the own BDC can come 15 degrees early: beyond it the piston rises again
    lowest = np.argmax([drop_mm(engine, name, top + (-by if before else by)) for by in range(181)])
    assume(off < lowest - 1)
    assert own_deg_at_drop(engine, name, drop_mm(engine, name, own), own) == pytest.approx(own, abs=1e-6)
    assert rises(engine, name, own) == before


def test_a_mark_by_the_piston_is_printed_in_both() -> None:
    engine = build(timed(in_line_six(), crank_by="piston"))
    mark = step(engine, "a-mark")
    drop = drop_mm(engine, "A1", 345.0)
    assert mark.crank_deg[1] % 720.0 == 345.0
    assert mark.text.do[:2] == ("Fit the dial gauge in the plug hole of A1.", "At TDC of A1, set the gauge to zero.")
    assert mark.text.do[2].startswith("Turn the crank ")
    assert mark.text.do[3] == f"When the piston is {drop:.2f} mm below TDC on its way up, stop."
    assert ("dial gauge", f"The piston of A1 is {drop:.2f} mm below TDC, which is 15.0 BTDC.") in mark.text.see


def test_a_mark_that_is_given_in_millimetres_is_where_the_piston_is() -> None:
    sheet = in_line_six()
    given_mm = drop_mm(build(sheet), "A1", 345.0) + 0.2
    engine = build(timed(sheet, crank_by="piston", below_tdc_mm=given_mm))
    job = job_of(engine)
    assert drop_mm(engine, "A1", mark_own_deg(engine, job)) == pytest.approx(given_mm, abs=1e-9)
    assert 343.0 < mark_own_deg(engine, job) < 345.0, "lower down is further before TDC"
    home = step(engine, "a-home")
    # the crank stood early by so much at the nip, so the valve opens early by it
    assert home.checks[0].early == pytest.approx(345.0 - mark_own_deg(engine, job) + step_left_over(home), abs=1e-6)


def step_left_over(home: Step) -> float:
    assert home.chosen is not None
    return home.chosen.out_of_line_crank_deg


def test_a_magneto_by_the_piston() -> None:
    engine = build(timed(in_line_six(), 2, crank_by="piston"))
    mark = step(engine, "single-mark")
    assert mark.crank_deg[1] % 720.0 == 685.0
    assert any("35.0 BTDC" in what for where, what in mark.text.see if where == "dial gauge")


def test_a_wrong_mark_has_no_reading_of_the_right_one() -> None:
    engine = build(timed(in_line_six(), crank_by="piston"))
    wrong = step(engine, "a-mark", "wrong-mark:camshaft A")
    assert "dial gauge" not in [where for where, _ in wrong.text.see]


# --------------------------------------------------------------------------------- the lobe's centre


@pytest.mark.parametrize("lobe", ["inlet", "exhaust"])
@pytest.mark.parametrize("sheet", [in_line_six(), in_line_six("anticlockwise"), v_eight()])
def test_lobe_centre_by_equal_lifts(sheet: DataSheet, lobe: str) -> None:
    engine = build(timed(sheet, by="lobe centre", lobe=lobe))
    job = job_of(engine)
    data = engine.sheet.inlet if lobe == "inlet" else engine.sheet.exhaust
    assert job.mark == f"A1 {lobe} lobe centre"
    # by hand: a curve of a law is symmetrical, so its centre is half-way between the events of the data
    assert mark_own_deg(engine, job) == pytest.approx((data.opens_deg + data.closes_deg) / 2, abs=1e-9)
    held = step(engine, "a-nip")
    now = frame(held, 1.0)
    opening = [
        motion(engine, now.assembly, now.crank_deg, {engine.couplings["quill-a"].driven: at})[f"valve A1 {lobe}"][0]
        for at in held.moves[0].end + np.array([-3.0, 0.0, 3.0])
    ]
    assert opening[1] == pytest.approx(greatest_lift_mm(engine.valves[f"A1 {lobe}"]))
    assert opening[0] == pytest.approx(opening[2], abs=1e-9) and opening[0] < opening[1]


def test_lobe_centre_is_proved_by_what_the_gauge_and_the_disc_read() -> None:
    engine = build(timed(in_line_six(), by="lobe centre", lift_mm=2.0))
    job, proof = job_of(engine), step(engine, "a-centre")
    home = step(engine, "a-home")
    readings = [float(what.split()[-2]) for _, what in proof.text.see[:2]]
    falls, rising = readings
    assert "On the way down the disc reads" in proof.text.see[0][1]
    # what the mechanism really gives at these readings, as assembled
    for reading in (falls, rising):
        lifts = [valve_open_mm(engine, proof, reading + turn) for turn in (0.0, 360.0)]
        assert min(abs(lift - 2.0) for lift in lifts) < 0.03, "the disc is printed to a tenth of a degree"
    assert proof.crank_deg[1] > proof.crank_deg[0]
    assert valve_open_mm(engine, proof, proof.crank_deg[1]) == pytest.approx(2.0, abs=1e-9)
    assert rising < falls
    assert proof.checks[0].as_set % 360.0 == pytest.approx((rising + falls) / 2, abs=0.1)
    assert proof.checks == home.checks
    assert proof.checks[0].early == pytest.approx(step_left_over(home), abs=1e-9)
    assert [c.verdict for c in proof.checks] == ["accept"]
    assert gauge_mm(engine, job) == 2.0


@pytest.mark.parametrize("by", ["lobe centre", "lift at TDC"])
@pytest.mark.parametrize("lobe", ["inlet", "exhaust"])
def test_the_gauge_is_set_to_zero_while_the_valve_is_shut(by: str, lobe: str) -> None:
    engine = build(timed(wide(in_line_six()), by=by, lobe=lobe))
    near = step(engine, "a-near")
    assert near.text.do[:2] == (f"Put the dial gauge on A1 {lobe}.", "With the valve shut, set the gauge to zero.")
    start = frame(near, 0.0)
    assert motion(engine, start.assembly, start.crank_deg, start.free)[f"valve A1 {lobe}"][0] == 0.0


def test_lobe_centre_without_a_lift_takes_half_of_the_greatest() -> None:
    engine = build(timed(in_line_six(), by="lobe centre"))
    job = job_of(engine)
    # by hand: lift 9.0 at the valve, less the checking clearance of 0.4, halved
    assert gauge_mm(engine, job) == pytest.approx((9.0 - 0.4) / 2)
    opens, closes = equal_lifts_deg(engine, job)
    assert engine.sheet.inlet.opens_deg < opens < closes < engine.sheet.inlet.closes_deg


def test_a_wrong_tooth_shows_in_the_lobe_centre() -> None:
    engine = build(timed(in_line_six(), by="lobe centre"))
    right, wrong = step(engine, "a-centre"), step(engine, "a-centre", "other-tooth:quill-a=+6")
    taken = step(engine, "a-home", "other-tooth:quill-a=+6")
    assert wrong.checks[0].early == pytest.approx(step_left_over(taken), abs=1e-9)
    assert abs(wrong.checks[0].early) > abs(right.checks[0].early)
    assert wrong.checks[0].verdict == "reject"


# ------------------------------------------------------------------------------------- lift at TDC


@pytest.mark.parametrize("lobe", ["inlet", "exhaust"])
def test_lift_at_tdc_is_that_of_the_valve_at_tdc(lobe: str) -> None:
    engine = build(timed(wide(in_line_six()), by="lift at TDC", lobe=lobe))
    job = job_of(engine)
    assert feel(job) == ("rises" if lobe == "inlet" else "falls")
    assert mark_crank_deg(engine, job) == 360.0, "A1's TDC between exhaust and inlet"
    held = step(engine, "a-nip")
    exact = motion(engine, intended(engine), 360.0)[f"valve A1 {lobe}"][0]
    now = motion(engine, held.after, held.crank_deg[1])[f"valve A1 {lobe}"][0]
    assert now == pytest.approx(gauge_mm(engine, job), abs=1e-9)
    assert exact == pytest.approx(now, abs=0.2), "within the vernier's step of the intended assembly"
    assert any(f"open by {now:.2f} mm" in what for _, what in held.text.see) or any(
        f"reads {now:.2f} mm" in what for _, what in held.text.see
    )


@pytest.mark.parametrize(("lobe", "more_is_early"), [("inlet", True), ("exhaust", False)])
def test_a_given_lift_puts_the_camshaft_where_the_lobe_has_it(lobe: str, more_is_early: bool) -> None:
    sheet = timed(wide(in_line_six()), by="lift at TDC", lobe=lobe)
    by_curve = gauge_mm(build(sheet), job_of(build(sheet)))
    engine = build(timed(sheet, lift_mm=by_curve + 0.3))
    job, home = job_of(engine), step(engine, "a-home")
    held = step(engine, "a-nip")
    assert motion(engine, held.after, held.crank_deg[1])[f"valve A1 {lobe}"][0] == pytest.approx(by_curve + 0.3)
    # set to its own lift: the job's check is the vernier's left-over only
    assert home.checks[0].what == f"A1 {lobe} lift at TDC"
    assert home.checks[0].early == pytest.approx(step_left_over(home), abs=1e-6)
    # against the events of the data the camshaft is early when more inlet lift was wanted, late for the exhaust
    event = f"A1 {lobe} opens"
    early = job_check(engine, home.after, replace(job, by=event.removeprefix("A1 ")))
    assert early is not None
    assert (early.early > 0) == more_is_early
    as_set = lift_at_tdc_mm(engine, home.after, job)
    assert as_set is not None
    said = f"At TDC A1 {lobe} is open by {as_set:.2f} mm, against {by_curve + 0.3:.2f} mm in the data."
    assert ("dial gauge", said) in home.text.see
    assert as_set == pytest.approx(valve_open_mm_at_tdc(engine, home, lobe), abs=1e-9)


def valve_open_mm_at_tdc(engine: Engine, home: Step, lobe: str) -> float:
    return float(motion(engine, home.after, 360.0)[f"valve A1 {lobe}"][0])


def test_nothing_is_checked_behind_an_open_coupling() -> None:
    for by in ("lobe centre", "lift at TDC", "inlet opens"):
        engine = build(timed(wide(in_line_six()), by=by))
        drawn = open_at(intended(engine), "quill-a", 0.0)
        assert job_check(engine, drawn, job_of(engine)) is None
    assert lift_at_tdc_mm(engine, drawn, job_of(engine)) is None


@settings(max_examples=15, deadline=None)
@given(engines(), st.sampled_from(("lobe centre", "lift at TDC")), st.sampled_from(("inlet", "exhaust")))
def test_any_engine_is_set_by_its_lobes_within_half_a_step(engine: Engine, by: str, lobe: str) -> None:
    sheet = wide(engine.sheet)
    setup = tuple(replace(j, by=by, lobe=lobe) if j.do == "set-camshaft" else j for j in sheet.setup)
    try:
        other = build(replace(sheet, setup=setup))
    except SceneError:  # with more overlap not every lobe can be made
        assume(False)
    for s in play(other).steps:
        if s.key.endswith("-home") and s.checks:
            assert s.checks[0].early == pytest.approx(step_left_over(s), abs=1e-6)
