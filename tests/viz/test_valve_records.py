"""What ``validate``, ``events`` and the readings say of measured lifts and of several valves (computed)."""

import json
from dataclasses import replace

import numpy as np
import pytest
import random_engines
from valve_trains import two_camshafts, with_valves

from quillwise.kinematics.build import build
from quillwise.kinematics.cams import lift_curve, lift_mm
from quillwise.kinematics.datasheet import DataSheet
from quillwise.kinematics.sequence import play
from quillwise.viz import folder_records, validation
from quillwise.viz.linked import linked

NOISE_MM = 0.02


def measured_six() -> DataSheet:
    """The six with a noisy table of its inlet lift in place of the law."""
    sheet = random_engines.in_line_six()
    angle = np.arange(301.0, 636.0, 2.0)
    noise = np.random.default_rng(11).normal(0, NOISE_MM, len(angle))
    lift = lift_mm(lift_curve(sheet.inlet), angle) + noise
    table = tuple(zip(angle.tolist(), lift.tolist(), strict=True))
    return replace(sheet, inlet=replace(sheet.inlet, law="measured", lift_table=table, base_radius_mm=30.0))


def test_noise_of_a_measured_lift_is_reported() -> None:
    engine = build(measured_six())
    record = folder_records.summary(engine, play(engine))
    (found,) = record["measured_lifts"]
    assert found["valves"] == "inlet" and found["rows"] == 168
    assert found["noise_rms_mm"] == pytest.approx(NOISE_MM, rel=0.2)
    assert found["greatest_lift_mm"] == pytest.approx(9.0, abs=0.02)
    assert json.loads(json.dumps(record)) == record
    text = " ".join(validation.validation_text(record).split())
    assert f"inlet lift measured in 168 rows, noise {found['noise_rms_mm']:.3f} mm; opens 15.0 BTDC" in text


def test_no_measured_lift_no_words_of_it() -> None:
    engine = build(random_engines.in_line_six())
    record = folder_records.summary(engine, play(engine))
    assert record["measured_lifts"] == []
    assert "measured" not in validation.validation_text(record)


def test_camshafts_and_valves_are_counted() -> None:
    engine = build(two_camshafts(with_valves(random_engines.in_line_six(), 3, 2)))
    record = folder_records.summary(engine, play(engine))
    assert record["camshafts"] == ["camshaft A inlet", "camshaft A exhaust"]
    assert record["valves_per_cylinder"] == {"inlet": 3, "exhaust": 2}


def test_close_ups_of_a_job_are_those_of_its_valve() -> None:
    engine = build(two_camshafts(with_valves(random_engines.in_line_six(), 2, 2), "own"))
    steps = play(engine).steps
    by_key = {step.key: found for step, found in zip(steps, linked(engine, steps), strict=True)}
    assert by_key["a-inlet-park"].valve == ("valve", "A1 inlet 1")
    assert by_key["a-exhaust-mark"].valve == ("valve", "A1 exhaust 1")
    assert by_key["a-exhaust-try"].teeth == ("teeth", "quill-a2")
