"""Set-up orders that cannot be worked through, and parts of the other hand: the whole sentence of each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given, settings
from random_engines import in_line_six, sheets, spur, v_eight

from quillwise.kinematics.build import build
from quillwise.kinematics.datasheet import DataSheet, StepData
from quillwise.kinematics.errors import SceneError
from quillwise.kinematics.sequence import play

PREPARE, FINISH = StepData(do="prepare"), StepData(do="finish")
CAM_A = StepData(do="set-camshaft", camshaft="camshaft A", cylinder="A1")
CAM_B = StepData(do="set-camshaft", camshaft="camshaft B", cylinder="B1")
MAGNETO = StepData(do="set-magneto", magneto="single", cylinder="A1")
BY_HOLE = replace(MAGNETO, prove_stroke="plug hole")


def ordered(sheet: DataSheet, *steps: StepData) -> DataSheet:
    return replace(sheet, setup=steps)


def problems(sheet: DataSheet) -> list[str]:
    with pytest.raises(SceneError) as caught:
        build(sheet)
    return [str(problem) for problem in caught.value.problems]


ORDERS: Sequence[tuple[tuple[StepData, ...], list[str]]] = [
    (
        (PREPARE, MAGNETO, CAM_A, CAM_B, FINISH),
        [
            "setup.steps[2]: set-magneto of the single magneto has no step before it that sets camshaft A, so the "
            "valves of A1 cannot prove its compression: missing: set-camshaft of camshaft A, or "
            'prove_stroke = "plug hole" here'
        ],
    ),
    (
        (PREPARE, CAM_A, replace(MAGNETO, cylinder="B1"), CAM_B, FINISH),
        [
            "setup.steps[3]: set-magneto of the single magneto has no step before it that sets camshaft B, so the "
            "valves of B1 cannot prove its compression: missing: set-camshaft of camshaft B, or "
            'prove_stroke = "plug hole" here'
        ],
    ),
    (
        (CAM_A, PREPARE, CAM_B, MAGNETO, FINISH),
        [
            "setup.steps[1]: set-camshaft of camshaft A has no step before it that proves TDC and the disc: missing: "
            '{ do = "prepare" }'
        ],
    ),
    (
        (PREPARE, CAM_A, CAM_B, FINISH, MAGNETO),
        ["setup.steps[4]: finish is not the last step: set-magneto of the single magneto comes after it"],
    ),
    (
        (PREPARE, CAM_A, CAM_B, MAGNETO),
        ['setup.steps: the last step is set-magneto of the single magneto: missing: { do = "finish" } after it'],
    ),
    (
        (PREPARE, CAM_A, MAGNETO, FINISH),
        [
            "setup.steps: camshaft B is never set, though quill-b stands in its train: missing: set-camshaft of "
            "camshaft B"
        ],
    ),
    (
        (PREPARE, CAM_A, CAM_B, FINISH),
        [
            "setup.steps: the single magneto is never set, though sleeve stands in its train: missing: set-magneto of "
            "the single magneto"
        ],
    ),
    (
        (CAM_B, FINISH, MAGNETO),
        [
            "setup.steps[1]: set-camshaft of camshaft B has no step before it that proves TDC and the disc: missing: "
            '{ do = "prepare" }',
            "setup.steps[2]: finish is not the last step: set-magneto of the single magneto comes after it",
            "setup.steps[3]: set-magneto of the single magneto has no step before it that proves TDC and the disc: "
            'missing: { do = "prepare" }',
            "setup.steps[3]: set-magneto of the single magneto has no step before it that sets camshaft A, so the "
            "valves of A1 cannot prove its compression: missing: set-camshaft of camshaft A, or "
            'prove_stroke = "plug hole" here',
            "setup.steps: camshaft A is never set, though quill-a stands in its train: missing: set-camshaft of "
            "camshaft A",
        ],
    ),
]


@pytest.mark.parametrize(("order", "expected"), ORDERS)
def test_orders_that_cannot_be_worked_through(order: tuple[StepData, ...], expected: list[str]) -> None:
    assert problems(ordered(v_eight(), *order)) == expected


@pytest.mark.parametrize(
    "order",
    [
        (PREPARE, CAM_B, CAM_A, MAGNETO, FINISH),
        (PREPARE, CAM_B, replace(MAGNETO, cylinder="B2"), CAM_A, FINISH),
        (PREPARE, BY_HOLE, CAM_B, CAM_A, FINISH),
        (PREPARE, CAM_A, BY_HOLE, CAM_B, FINISH),
    ],
)
def test_any_order_that_can_be_worked_through_sets_the_engine(order: tuple[StepData, ...]) -> None:
    played = play(build(ordered(v_eight(), *order)))
    assert played.failed == ()
    homes = [s.key.removesuffix("-home") for s in played.steps if s.key.endswith("-home")]
    slugs = {"camshaft A": "a", "camshaft B": "b", "": "single"}
    assert homes == [slugs[job.camshaft] for job in order[1:-1]]


def test_the_plug_hole_proves_the_stroke_where_valves_cannot() -> None:
    first = play(build(ordered(v_eight(), PREPARE, BY_HOLE, CAM_A, CAM_B, FINISH))).steps
    seen = [what for s in first if s.key == "single-mark" for where, what in s.text.see if where == "plug hole"]
    assert seen == [
        "The valves of A1 do not move yet, so each stroke up pushes air out.",
        "From here on, count this stroke as the compression of A1.",
    ]
    last = play(build(ordered(v_eight(), PREPARE, CAM_A, CAM_B, BY_HOLE, FINISH))).steps
    seen = [what for s in last if s.key == "single-mark" for where, what in s.text.see if where == "plug hole"]
    assert seen == [
        "Before the right pass, air pushes out of the plug hole of A1.",
        "Before the other pass, no air pushes out.",
    ]


def test_an_engine_without_a_set_up_order_is_one() -> None:
    assert play(build(replace(v_eight(), setup=()))).steps == ()


@settings(max_examples=15, deadline=None)
@given(sheets())
def test_a_job_left_out_is_always_named(sheet: DataSheet) -> None:
    for left_out in sheet.setup[1:-1]:
        found = problems(replace(sheet, setup=tuple(job for job in sheet.setup if job != left_out)))
        name = left_out.camshaft or f"the {left_out.magneto} magneto"
        assert any(f"{name} is never set" in text for text in found), found


# ------------------------------------------------------------------------------ nothing that can be moved


def without_couplings(sheet: DataSheet, *names: str) -> DataSheet:
    """The sheet with these couplings taken out of their trains."""
    trains = tuple(
        replace(train, stages=tuple(stage for stage in train.stages if stage.coupling not in names))
        for train in sheet.trains
    )
    return replace(sheet, trains=trains, couplings=tuple(c for c in sheet.couplings if c.name not in names))


def test_a_camshaft_that_no_coupling_drives_is_read_only() -> None:
    engine = build(without_couplings(v_eight(), "quill-a"))
    steps = {s.key: s for s in play(engine).steps}
    assert [key for key in steps if key.startswith("a-")] == ["a-clearance", "a-mark", "a-read"]
    read = steps["a-read"]
    assert read.crank_deg[0] == read.crank_deg[1] and read.during == read.after and not read.moves
    assert [(c.what, c.verdict) for c in read.checks] == [("A1 inlet opens", "accept")]
    # by hand: 30:40 behind 20:30, so one tooth of the 40 is 9 degrees of the camshaft, 18 of the crank; one of the 30
    # is 12 degrees of a shaft at 2/3 crank speed, also 18
    assert read.text.see == (
        ("gear train", "No coupling drives camshaft A. You can move it only by a tooth of an ordinary gear."),
        ("gear train", "The least tooth moves camshaft A by 18.0 crank degrees."),
    )
    assert play(engine).failed == ()


def test_a_camshaft_that_no_job_reads_gets_its_rockers_in_the_end() -> None:
    sheet = without_couplings(v_eight(), "quill-a")
    by_b = replace(MAGNETO, cylinder="B1")
    steps = play(build(ordered(sheet, PREPARE, CAM_B, by_b, FINISH))).steps
    assert [s.key for s in steps if s.key.startswith("a-")] == ["a-clearance"]
    assert any(c.what.startswith("A") for s in steps if s.key == "two-turns" for c in s.checks)
    assert problems(ordered(sheet, PREPARE, CAM_B, MAGNETO, FINISH))[0].startswith(
        "setup.steps[3]: set-magneto of the single magneto has no step before it that sets camshaft A"
    ), "its rockers are off"


def test_a_magneto_that_no_coupling_drives_is_read_only() -> None:
    engine = build(without_couplings(in_line_six(), "sleeve"))
    steps = {s.key: s for s in play(engine).steps}
    assert [key for key in steps if key.startswith("single")] == ["single-mark", "single-read"]
    assert [(c.what, c.verdict) for c in steps["single-read"].checks] == [("A1 single points break", "accept")]
    assert steps["single-read"].text.see[0][1].startswith("No coupling drives single magneto.")


def test_a_tooth_of_the_gear_is_told_where_nothing_else_can_move() -> None:
    sheet = without_couplings(in_line_six(), "quill-a")
    stages = (spur((20, 40)),)
    trains = (sheet.trains[0], replace(sheet.trains[1], from_shaft="crankshaft", stages=stages), *sheet.trains[2:])
    steps = play(build(replace(sheet, trains=trains))).steps
    read = next(s for s in steps if s.key == "a-read")
    # by hand: a tooth of the 40 is 9 degrees of the camshaft, 18 of the crank
    assert read.text.see[1][1] == "The least tooth moves camshaft A by 18.0 crank degrees."


# -------------------------------------------------------------------------------------- lifts and pistons


@pytest.mark.parametrize(
    ("keys", "expected"),
    [
        (
            {"by": "lobe centre", "lift_mm": 8.6},
            "lift: expected from 0.05 mm to less than 8.60 mm, what the gauge reads at the top of the lobe of A1 "
            "inlet, got 8.6 mm",
        ),
        (
            {"by": "lift at TDC", "lobe": "exhaust", "lift_mm": 12.5},
            "lift: expected from 0.05 mm to less than 8.60 mm, what the gauge reads at the top of the lobe of A1 "
            "exhaust, got 12.5 mm",
        ),
        (
            {"crank_by": "piston", "by": "lift at TDC", "lift_mm": 0.5},
            "the piston of A1 moves only 0.000 mm a crank degree at TDC, less than 0.05 mm: expected crank_by = "
            '"ring" there',
        ),
        (
            {"crank_by": "piston", "below_tdc_mm": 9.0},
            "below_tdc: expected 2.62 mm (15.0 BTDC) within 2 crank degrees, got 9 mm (28.1 BTDC)",
        ),
        (
            {"crank_by": "piston", "below_tdc_mm": 150.0},
            "below_tdc: expected 2.62 mm (15.0 BTDC), got 150 mm, more than the stroke",
        ),
    ],
)
def test_lifts_and_distances_that_cannot_be(keys: dict[str, object], expected: str) -> None:
    # by hand, the small gudgeon offset left out: 60(1 - cos 15) + 210 - sqrt(210² - (60 sin 15)²) = 2.62
    sheet = in_line_six()
    setup = list(sheet.setup)
    setup[1] = replace(setup[1], **keys)  # type: ignore[arg-type]
    assert problems(replace(sheet, setup=tuple(setup))) == [f"setup.steps[2]: {expected}"]


def test_a_valve_that_is_shut_at_tdc_times_nothing() -> None:
    sheet = in_line_six()
    late = replace(sheet.inlet, opens_deg=372, closes_deg=600)
    setup = (sheet.setup[0], replace(sheet.setup[1], by="lift at TDC"), *sheet.setup[2:])
    assert problems(replace(sheet, inlet=late, setup=setup)) == [
        "setup.steps[2]: A1 inlet has no lift at TDC between exhaust and inlet at its checking clearance, by its lobe: "
        "a camshaft cannot be timed by it"
    ]


# ------------------------------------------------------------------------------------------ handed parts


def handed(coupling: str, sheet: DataSheet, **keys: str) -> DataSheet:
    changed = tuple(replace(c, **keys) if c.name == coupling else c for c in sheet.couplings)  # type: ignore[arg-type]
    return replace(sheet, couplings=changed)


def test_a_part_of_the_other_hand_is_refused_by_name() -> None:
    port = replace(v_eight(), hand="port")
    assert problems(handed("quill-b", port, hand="starboard")) == [
        "couplings.quill-b.hand: quill-b is of the starboard hand, but the engine is of the port hand"
    ]
    assert problems(handed("quill-b", v_eight(), hand="starboard")) == [
        "couplings.quill-b.hand: quill-b is of the starboard hand, but the engine states no hand: layout.hand"
    ]
    trains = (replace(port.trains[0], hand="starboard"), *port.trains[1:])
    assert problems(replace(port, trains=trains)) == [
        "trains.wheelcase shaft.hand: the train of wheelcase shaft is of the starboard hand, but the engine is of the "
        "port hand"
    ]
    assert build(handed("quill-b", port, hand="port")).sheet.hand == "port"


def test_a_part_of_the_other_bank_is_refused_by_name() -> None:
    sheet = v_eight()
    assert problems(handed("quill-b", sheet, bank="A")) == [
        "couplings.quill-b.bank: quill-b is made for bank A, but it stands in the train of bank B"
    ]
    assert problems(handed("sleeve", sheet, bank="A")) == [
        "couplings.sleeve.bank: sleeve is made for bank A, but it drives no camshaft where it stands"
    ]
    assert problems(handed("quill-a", sheet, bank="C")) == ['couplings.quill-a.bank: unknown bank "C"; defined: A, B']
    both = handed("quill-b", handed("quill-a", sheet, bank="B"), bank="A")
    assert [text.split(":")[0] for text in problems(both)] == ["couplings.quill-a.bank", "couplings.quill-b.bank"]
    assert build(handed("quill-b", sheet, bank="B"))
