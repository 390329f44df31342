"""Steps of the magnetos: each bank with one of its own, none at all, and what the points show when their gap is set."""

from __future__ import annotations

from dataclasses import replace

import pytest
from magneto_counts import six_with

from quillwise.kinematics.angles import wrapped
from quillwise.kinematics.build import build
from quillwise.kinematics.motion import cam_travel_mm, motion
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import parse_mistake
from quillwise.kinematics.timing import timing_table
from quillwise.scenes.library import engine as packaged
from quillwise.scenes.library import names
from quillwise.scenes.reader import load


def test_two_magnetos_that_fire_a_bank_each_have_no_stagger_to_check() -> None:
    """A magneto of its own for each bank: it plays through, and no breaks of different cylinders are compared."""
    sheet = load("larkfell-port")
    halves = tuple(replace(data, fires=(bank,), lobes=2) for data, bank in zip(sheet.magnetos, ("A", "B"), strict=True))
    jobs = tuple(replace(job, cylinder="B6") if job.magneto == sheet.magnetos[1].name else job for job in sheet.setup)
    played = play(build(replace(sheet, magnetos=halves, setup=jobs)))
    assert not any(check.what == "between the two magnetos" for s in played.steps for check in s.checks)
    assert [s.key for s in played.steps].count(f"{sheet.magnetos[1].name}-home") == 1


def test_an_engine_without_magnetos_has_no_word_of_them() -> None:
    sheet = load("larkfell-port")
    trains = tuple(train for train in sheet.trains if not train.drives.endswith("magneto"))
    couplings = tuple(c for c in sheet.couplings if c.kind == "quill")
    jobs = tuple(job for job in sheet.setup if job.do != "set-magneto")
    played = play(build(replace(sheet, magnetos=(), trains=trains, couplings=couplings, setup=jobs)))
    words = " ".join(
        [*(t for s in played.steps for t in s.text.do), *(str(c) for s in played.steps for c in s.text.cautions)]
    )
    assert "magneto" not in words
    assert "earth lead" not in words


@pytest.mark.parametrize("name", names())
def test_points_stand_open_by_their_gap_when_it_is_set(name: str) -> None:
    """What the step says is what the close-up shows: a gap that can be measured."""
    engine = packaged(name)
    for step in play(engine).steps:
        if step.key == "points":
            state = motion(engine, step.during, step.crank_deg[1])
            for magneto in engine.magnetos.values():
                assert float(state[f"points {magneto.name}"][0]) == pytest.approx(magneto.data.points_gap_mm, abs=1e-9)


def test_three_magnetos_are_compared_each_with_each() -> None:
    """When the third is set, it is compared with both others, by name; the first is compared with none."""
    played = play(build(six_with(3)))
    between = {s.key: [check.what for check in s.checks if check.interval] for s in played.steps}
    assert {key: told for key, told in between.items() if told} == {
        "port-home": ["between the winch and port magnetos"],
        "upper-home": ["between the winch and upper magnetos", "between the port and upper magnetos"],
    }
    late = play(build(six_with(3)), (parse_mistake(build(six_with(3)), "other-tooth:sleeve-port=+5"),))
    off = {check.what: check.early for s in late.steps for check in s.checks if check.interval}
    assert abs(off["between the winch and upper magnetos"]) < 0.7 < abs(off["between the winch and port magnetos"])
    assert off["between the port and upper magnetos"] == pytest.approx(
        off["between the winch and upper magnetos"] - off["between the winch and port magnetos"]
    )


@pytest.mark.parametrize("mistakes", [(), ("other-tooth:sleeve-exhaust=+2",), ("other-tooth:sleeve-inlet=+3",)])
@pytest.mark.parametrize("name", ["larkfell-port", "larkfell-starboard"])
def test_what_lies_between_two_magnetos_is_the_way_between_their_breaks(name: str, mistakes: tuple[str, ...]) -> None:
    """From the break of the first to that of the second in one cylinder, as the table of the assembly has them, which
    is held against the points' own motion elsewhere; computed. Wide or narrow, not only by how much."""
    engine = packaged(name)
    played = play(engine, [parse_mistake(engine, mistake) for mistake in mistakes])
    first, second = engine.magnetos
    breaks = {(event.cylinder, event.magneto): event for event in timing_table(engine, played.as_set)}
    (check,) = (check for step in played.steps for check in step.checks if check.interval)
    for cylinder in engine.cylinders:
        one, other = breaks[cylinder, first].as_set_deg, breaks[cylinder, second].as_set_deg
        assert one is not None and other is not None
        assert check.as_set == pytest.approx(float(wrapped(other - one, 720.0)), abs=1e-9)
    assert check.early == pytest.approx(check.wanted - check.as_set)
    assert (abs(check.early) > 1.0) == bool(mistakes)


@pytest.mark.parametrize("count", [0, 1, 3])
def test_running_clearances_are_shown_at_a_cylinder_whose_cams_are_on_their_heels(count: int) -> None:
    engine = build(six_with(count))
    step = next(s for s in play(engine).steps if s.key == "running-clearance")
    state = motion(engine, step.after, step.crank_deg[1])
    cylinder = engine.valves[step.valve].cylinder
    assert [float(state[f"valve {name}"][0]) for name, v in engine.valves.items() if v.cylinder == cylinder] == [0, 0]
    travel = cam_travel_mm(engine, engine.valves[step.valve], state[engine.valves[step.valve].camshaft])
    assert float(travel[0]) == pytest.approx(0.0, abs=0.005), "else the feeler would read less than the clearance"
