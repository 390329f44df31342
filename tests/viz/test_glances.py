"""The close-ups that stand beside a step show what the step is about: the gap set, both clearances, both passes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from quillwise.kinematics.bench import one_sided_top
from quillwise.kinematics.build import build
from quillwise.kinematics.model import Engine
from quillwise.kinematics.parts import Kind
from quillwise.kinematics.rig import bank_axes
from quillwise.kinematics.rig import rig as rig_of
from quillwise.kinematics.sequence import Played, play
from quillwise.kinematics.steps import Step, frame
from quillwise.scenes.library import engine as packaged
from quillwise.viz import closeups, plate_words
from quillwise.viz.exhibit import state_at
from quillwise.viz.glances import Columns, glances

SCENES = ("larkfell-port", "slipway-six", "gantry-eight", "launch-inverted")


@pytest.fixture(scope="module", params=SCENES)
def engine(request: pytest.FixtureRequest) -> Engine:
    return packaged(request.param)


@pytest.fixture(scope="module")
def played(engine: Engine) -> Played:
    return play(engine)


def _step(played: Played, key: str) -> Step:
    return next(step for step in played.steps if step.key == key)


def _line(engine: Engine, step: Step, columns: Columns, column: int, row: int = 0) -> str:
    glance = columns[column][row]
    moment = glance.moment or frame(step, 1.0)
    return plate_words.line_over(engine, glance, moment, state_at(engine, moment))


def test_the_gap_of_every_magneto_is_shown_where_it_is_set(engine: Engine, played: Played) -> None:
    step = _step(played, "points")
    columns = glances(engine, step, still=True)
    gaps = [column for column, stack in enumerate(columns) if stack[0].kind == "gap"]
    assert [columns[column][0].of for column in gaps] == list(engine.magnetos)
    for column, (name, magneto) in zip(gaps, engine.magnetos.items(), strict=True):
        line = _line(engine, step, columns, column)
        assert line.startswith(f"{name} magneto: points ")
        unit = 25.4 if engine.sheet.length_unit == "in" else 1.0
        told = float(line.split("points ")[1].split()[0]) * unit
        assert told == pytest.approx(magneto.data.points_gap_mm, abs=0.006)


def test_quills_and_sleeves_are_drawn_before_the_work_and_home_at_the_inspection(
    engine: Engine, played: Played
) -> None:
    for key, word in (("safe", "drawn"), ("inspection", "home")):
        step = _step(played, key)
        columns = glances(engine, step, still=True)
        kinds = {engine.couplings[stack[0].of].data.kind for stack in columns}
        assert kinds == {coupling.data.kind for coupling in engine.couplings.values()}
        for column in range(len(columns)):
            assert f", {word}: " in _line(engine, step, columns, column)


def test_both_running_clearances_are_shown(engine: Engine, played: Played) -> None:
    step = _step(played, "running-clearance")
    columns = glances(engine, step, still=True)
    valves = [engine.valves[stack[0].of] for stack in columns]
    assert {valve.kind for valve in valves} == {"inlet", "exhaust"}
    assert len({valve.cylinder for valve in valves}) == 1


def test_the_earth_leads_are_those_of_the_magnetos(engine: Engine, played: Played) -> None:
    step = _step(played, "earth-leads")
    assert [(s[0].kind, s[0].of) for s in glances(engine, step, still=True)] == [
        ("magneto", m) for m in engine.magnetos
    ]


def test_the_piston_whose_top_is_proved_is_shown_at_the_stop(engine: Engine, played: Played) -> None:
    step = _step(played, "tdc")
    piston = next(part.of for part in step.about if part.kind is Kind.PISTON)
    columns = glances(engine, step, still=True)
    assert (columns[0][0].kind, columns[0][0].of) == ("piston", piston)
    told = "at TDC" if one_sided_top(engine, piston) else "at the stop, here 20° before TDC"
    assert _line(engine, step, columns, 0) == f"piston of {piston}: {told}"
    film = glances(engine, step, still=False)
    assert _line(engine, step, film, 0) == f"piston of {piston}: at TDC"


def test_where_the_crank_is_parked_the_least_room_is_shown(engine: Engine, played: Played) -> None:
    parked = [step for step in played.steps if step.key.endswith("-park")]
    assert parked
    for step in parked:
        columns = glances(engine, step, still=True)
        assert columns[0][0].kind == "room"
        told = _line(engine, step, columns, 0).split("full open: ")[1].removesuffix(" to the piston")
        assert any(told in words for where, words in step.text.see if where == "room"), (told, step.text.see)


def test_the_exhaust_valve_is_shut_at_this_pass_of_a_spark_mark_and_open_at_the_other(
    engine: Engine, played: Played
) -> None:
    for job in engine.sheet.setup:
        if job.do != "set-magneto":
            continue
        step = _step(played, f"{job.magneto}-mark")
        columns = glances(engine, step, still=True)
        assert len(columns[0]) == 2
        lifts = []
        for glance in columns[0]:
            assert glance.of == engine.valve(job.cylinder, "exhaust").name
            assert glance.moment is not None
            assert (glance.moment.crank_deg - step.crank_deg[1]) % 360.0 == 0.0
            lifts.append(float(state_at(engine, glance.moment)[f"valve {glance.of}"][0]))
        assert lifts[0] == 0.0
        assert lifts[1] > 0.3
        assert _line(engine, step, columns, 0, 0).endswith("shut")
        assert "open by" in _line(engine, step, columns, 0, 1)


def test_points_held_at_their_break_are_said_to_break_and_a_little_off_not(engine: Engine, played: Played) -> None:
    for name in engine.magnetos:
        step = _step(played, f"{name}-break")
        columns = glances(engine, step, still=True)
        assert "points just break" in _line(engine, step, columns, 0)
        assert "points shut" in _line(engine, step, columns, 1, 0)
        assert "points 0.0" in _line(engine, step, columns, 1, 1)


def test_what_is_above_in_the_engine_is_above_in_the_picture_of_a_valve(engine: Engine) -> None:
    """From the valve's tip to its camshaft: up in the picture as in the world, also in an inverted bank."""
    the_rig = rig_of(engine)
    for cylinder in engine.cylinders.values():
        valve = engine.valve(cylinder.name, "inlet")
        shown = closeups.close_up(engine, "valve", valve.name)
        camera = closeups.close_up_camera(engine, the_rig, shown, {}, 4 / 3)
        along, _ = bank_axes(cylinder.bank_turn_deg)
        assert float(np.dot(camera.up, along)) * np.sign(along[2]) > 0.99
        assert camera.up[2] > 0


@pytest.mark.parametrize("by", ["inlet opens", "lobe centre", "lift at TDC"])
@pytest.mark.parametrize("count", [1, 2])
def test_every_close_up_of_every_step_can_be_told(by: str, count: int) -> None:
    """However the camshaft is timed, and with two inlet valves, which have names with a number."""
    sheet = packaged("slipway-six").sheet
    jobs = tuple(
        replace(job, by=by, lift_mm=1.0 if by == "lift at TDC" else None) if job.do == "set-camshaft" else job
        for job in sheet.setup
    )
    made = build(replace(sheet, inlet=replace(sheet.inlet, count=count), setup=jobs))
    for step in play(made).steps:
        columns = glances(made, step, still=True)
        for column, stack in enumerate(columns):
            for row in range(len(stack)):
                assert _line(made, step, columns, column, row), step.key
