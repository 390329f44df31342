"""Steps of the magnetos: each bank with one of its own, none at all, and what the points show when their gap is set."""

from __future__ import annotations

from dataclasses import replace

import pytest

from quillwise.kinematics.build import build
from quillwise.kinematics.motion import motion
from quillwise.kinematics.sequence import play
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
