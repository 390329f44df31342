"""What is told of valves and points that are as good as shut, in millimetres and inches."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from quillwise.kinematics.assembly import intended
from quillwise.kinematics.build import build
from quillwise.kinematics.lengths import LengthUnit, length
from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.verdicts import Check, Verdict
from quillwise.scenes.library import engine
from quillwise.viz import part_words, plate_words, signs, touching, trial_words
from quillwise.viz.bench_trial import Effect

PORT = engine("larkfell-port")
VALVE = "A1 inlet"


@pytest.mark.parametrize("unit", ["mm", "in"])
@pytest.mark.parametrize("share", [0.01, 0.5, 0.98, 1.02, 2.0, 50.0])
def test_no_valve_is_told_to_be_open_by_nothing(unit: LengthUnit, share: float) -> None:
    lift = share * touching.least_told_mm(unit)
    said = touching.valve_words(lift, unit)
    assert said == (f"open by {length(lift, unit)}" if share > 1 else "shut")
    assert "0.00 mm" not in said and "0.000 in" not in said


@pytest.mark.parametrize("unit", ["mm", "in"])
def test_a_clicked_valve_or_point_is_not_open_by_nothing(unit: LengthUnit) -> None:
    built = build(replace(PORT.sheet, length_unit=unit))
    magneto = next(iter(built.magnetos))
    state = dict(motion(built, intended(built), np.array([0.0])))
    for kind in (Kind.VALVE, Kind.ROCKER):
        for lift, said in ((0.002, "shut"), (3.0, f"open by {length(3.0, unit)}")):
            state[f"valve {VALVE}"] = np.array([lift])
            assert part_words.now_of(built, Part(kind, VALVE), state) == said
    for gap, said in ((0.0, "shut"), (0.002, "just open"), (0.3, f"open by {length(0.3, unit)}")):
        state[f"points {magneto}"] = np.array([gap])
        assert part_words.now_of(built, Part(Kind.MOVING_POINT, magneto), state) == f"points {said}"


def test_a_verdict_has_one_sign_wherever_it_is_told() -> None:
    cases: tuple[tuple[Verdict, float], ...] = (("accept", 0.0), ("not proved", 2.0), ("reject", 9.0))
    for verdict, early in cases:
        sign = signs.SIGNS[verdict]
        check = Check(what="", unit="crank deg", wanted=0.0, as_set=-early, early=early, limit=2.0, uncertainty=0.5)
        assert check.verdict == verdict and plate_words.check_words(check).endswith(f"{verdict} {sign}")
        effect = Effect(whose="camshaft A", early_deg=0.4, limit_deg=2.0, verdict=verdict, count=3)
        assert trial_words.effect_line(effect, "Put home here")[0] == sign
    assert len(set(signs.SIGNS.values())) == 3
