"""Sizes given in [geometry] are the sizes of the engine; those left out follow from bore and stroke."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

from quillwise.kinematics.build import build
from quillwise.kinematics.errors import SceneError
from quillwise.kinematics.model import Engine
from quillwise.kinematics.sequence import play
from quillwise.scenes.reader import load


def port(**given: float) -> Engine:
    return build(replace(load("larkfell-port"), geometry=MappingProxyType(given)))


def wheel(engine: Engine, shaft: str, teeth: int) -> float:
    return next(w.module_mm for w in engine.wheels.values() if (w.shaft, w.teeth) == (shaft, teeth))


def test_bore_spacing() -> None:
    engine = port(bore_spacing_mm=170.0)
    assert engine.cylinders["A2"].x_mm - engine.cylinders["A1"].x_mm == pytest.approx(170.0)


def test_camshaft_height() -> None:
    point = port(camshaft_height_mm=470.0).shafts["camshaft A"].point
    assert np.hypot(point[1], point[2]) == pytest.approx(470.0)


def test_wheelcase_shaft_height_sizes_its_wheels() -> None:
    engine = port(wheelcase_shaft_height_mm=150.0)
    assert engine.shafts["wheelcase shaft"].point[2] == pytest.approx(150.0)
    assert wheel(engine, "wheelcase shaft", 36) == pytest.approx(2 * 150.0 / (24 + 36))  # a = m (N₁ + N₂)/2


def test_modules() -> None:
    engine = port(gear_module_mm=3.5, bevel_module_mm=2.8, camshaft_bevel_module_mm=2.6)
    assert wheel(engine, "crankshaft", 24) == 3.5
    assert wheel(engine, "wheelcase shaft", 54) == 3.5
    assert wheel(engine, "inclined shaft A, lower", 16) == 2.8
    assert wheel(engine, "camshaft B", 42) == 2.6


def test_magneto_distance() -> None:
    engine = port(magneto_distance_mm=140.0)
    driving, rotor = (np.array(engine.shafts[n].point[1:]) for n in ("wheelcase shaft", "exhaust-side magneto"))
    assert np.linalg.norm(rotor - driving) == pytest.approx(140.0)


def test_inclined_shafts_ahead() -> None:
    engine = port(inclined_shafts_ahead_mm=200.0)
    for bank in "AB":
        x_mm = engine.shafts[f"inclined shaft {bank}, lower"].point[0]
        assert engine.cylinders["A1"].x_mm - x_mm == pytest.approx(200.0)


def test_inclined_shafts_too_near_are_refused_with_the_least() -> None:
    with pytest.raises(SceneError) as caught:
        port(inclined_shafts_ahead_mm=120.0)
    (problem,) = caught.value.problems
    assert problem.path == "geometry.inclined_shafts_ahead"
    least = float(problem.message.split()[3])
    assert problem.message == (
        f"expected at least {least:.1f} mm, got 120 mm: other wheels stand nearer to the first cylinder"
    )
    assert port(inclined_shafts_ahead_mm=least + 0.1)


def test_disc_radius() -> None:
    assert port(disc_radius_mm=55.0).sizes.disc_radius_mm == 55.0


def test_sizes_of_the_picture_do_not_touch_the_timing() -> None:
    plain, sized = port(), port(bore_spacing_mm=170.0, gear_module_mm=3.5, magneto_distance_mm=140.0)
    first, second = play(plain), play(sized)
    assert [s.crank_deg for s in first.steps] == [s.crank_deg for s in second.steps]
    assert [c.early for s in first.steps for c in s.checks] == [c.early for s in second.steps for c in s.checks]
