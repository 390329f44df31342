"""Gear trains as a tree: ratios, senses, bevels that clear each other, and what is refused, in whole messages."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from random_engines import bevel, engines, in_line_six, internal, spur, through, v_eight

from quillwise.kinematics.build import build
from quillwise.kinematics.datasheet import DataSheet, StageData, TrainData
from quillwise.kinematics.errors import SceneError
from quillwise.kinematics.model import CRANKSHAFT, Engine
from quillwise.scenes.library import engine as packaged
from quillwise.scenes.reader import load

PORT, STARBOARD = load("larkfell-port"), load("larkfell-starboard")


def problems(sheet: DataSheet) -> str:
    with pytest.raises(SceneError) as caught:
        build(sheet)
    return str(caught.value)


def train(sheet: DataSheet, drives: str, **change: object) -> DataSheet:
    """The sheet with one train changed."""
    made = (replace(t, **change) if t.drives == drives else t for t in sheet.trains)  # type: ignore[arg-type]
    return replace(sheet, trains=tuple(made))


def stages(sheet: DataSheet, drives: str) -> tuple[StageData, ...]:
    return next(t.stages for t in sheet.trains if t.drives == drives)


def senses(sheet: DataSheet) -> dict[str, int]:
    return {name: shaft.sense for name, shaft in build(sheet).shafts.items()}


@pytest.mark.parametrize("sheet", [PORT, STARBOARD], ids=["port", "starboard"])
def test_both_camshafts_turn_alike(sheet: DataSheet) -> None:
    found = senses(sheet)
    assert found["camshaft A"] == found["camshaft B"]
    assert found["inclined shaft A, upper"] == found["inclined shaft B, upper"]
    assert found[CRANKSHAFT] == (1 if sheet.rotation == "clockwise" else -1)


def test_a_bevel_on_the_other_side_of_the_crossing_turns_its_shaft_the_other_way() -> None:
    lower, quill, upper = stages(PORT, "camshaft A")
    before = senses(PORT)
    for moved, changed in (
        ((replace(lower, side="wheelcase"), quill, upper), ("inclined shaft A, upper", "camshaft A")),
        ((lower, quill, replace(upper, side="wheelcase")), ("camshaft A",)),
        ((replace(lower, side="wheelcase"), quill, replace(upper, side="wheelcase")), ("inclined shaft A, upper",)),
    ):
        after = senses(train(PORT, "camshaft A", stages=moved))
        for name in ("inclined shaft A, upper", "camshaft A", "inclined shaft B, upper", "camshaft B"):
            assert after[name] == (-before[name] if name in changed else before[name]), (changed, name)


def test_speeds_of_the_port_engine_by_hand() -> None:
    # 24/36, 36/16, 14/42 and 54/24: 2/3, 3/2, 1/2 and 3/2 of the crank
    shafts = build(PORT).shafts
    speeds = {name: abs(shaft.turns) for name, shaft in shafts.items()}
    assert speeds["wheelcase shaft"] == Fraction(2, 3)
    assert speeds["inclined shaft A, lower"] == speeds["inclined shaft A, upper"] == Fraction(3, 2)
    assert speeds["camshaft B"] == Fraction(1, 2)
    # formula from memory: 12 cylinders, 4 poles: 12 / (2 x 4) = 1.5
    assert speeds["exhaust-side magneto"] == speeds["inlet-side magneto"] == Fraction(3, 2)
    assert speeds["exhaust-side finger"] == Fraction(1, 2)


def test_spur_and_internal_wheels_turn_as_they_must() -> None:
    sheet = v_eight()
    found = senses(sheet)
    assert found["drive of camshaft A, 1"] == -1, "an external mesh turns the other way"
    assert found["camshaft A"] == 1
    inside = train(sheet, "camshaft A", stages=(spur((20, 30)), through("quill-a"), internal((30, 40))))
    assert senses(inside)["camshaft A"] == -1, "an internal mesh keeps the sense"
    # a magneto stands behind its drive and is seen from the drive end: its axis looks back
    engine = build(sheet)
    assert engine.shafts["single magneto"].axis == (-1.0, 0.0, 0.0)
    assert engine.shafts["wheelcase shaft"].axis == (1.0, 0.0, 0.0)


@settings(max_examples=15, deadline=None)
@given(engines())
def test_tree_is_consistent(engine: Engine) -> None:
    for name, shaft in engine.shafts.items():
        assert np.linalg.norm(shaft.axis) == pytest.approx(1.0)
        assert np.dot(shaft.axis, shaft.zero) == pytest.approx(0.0, abs=1e-12)
        if name == CRANKSHAFT:
            continue
        assert shaft.turns == shaft.ratio * engine.shafts[shaft.parent].turns
        assert shaft.sense == engine.sigma * (1 if shaft.turns > 0 else -1)
        assert (shaft.link in engine.meshes) != (shaft.link in engine.couplings)
        if shaft.link in engine.meshes:
            mesh = engine.meshes[shaft.link]
            driving, driven = engine.wheels[mesh.driving], engine.wheels[mesh.driven]
            assert (driving.shaft, driven.shaft) == (shaft.parent, name)
            assert abs(shaft.ratio) == Fraction(driving.teeth, driven.teeth)
    for mesh in engine.meshes.values():
        # both pitch surfaces go through the pitch point: radius module · teeth / 2 about their own axes
        for wheel in (engine.wheels[mesh.driving], engine.wheels[mesh.driven]):
            shaft = engine.shafts[wheel.shaft]
            off = np.cross(np.subtract(mesh.pitch_point, shaft.point), shaft.axis)
            assert np.linalg.norm(off) == pytest.approx(wheel.module_mm * wheel.teeth / 2, rel=1e-9), wheel.name


@settings(max_examples=15, deadline=None)
@given(engines())
def test_inclined_shafts_stand_at_right_angles_to_both_that_they_join(engine: Engine) -> None:
    for mesh in engine.meshes.values():
        wheels = engine.wheels[mesh.driving], engine.wheels[mesh.driven]
        if wheels[0].kind == "bevel":
            first, second = (engine.shafts[wheel.shaft] for wheel in wheels)
            assert np.dot(first.axis, second.axis) == pytest.approx(0.0, abs=1e-12)
            between = np.dot(np.subtract(first.point, second.point), np.cross(first.axis, second.axis))
            assert between == pytest.approx(0.0, abs=1e-9), "their axes meet"


def test_pinions_on_one_bevel_must_clear_each_other() -> None:
    # computed from geometry: a 20/20 pinion has a pitch cone of 45 degrees, and its tips add atan(2/sqrt(800)) = 4.04
    engine = build(PORT)
    first, second = (np.asarray(engine.shafts[f"inclined shaft {bank}, lower"].axis) for bank in "AB")
    between = np.degrees(np.arccos(first @ second))  # from where the shafts stand: the counts do not change it
    assert 60 < between < 98, "20 to 20 needs 98.1"
    sheet = PORT
    for bank in "AB":
        name = f"camshaft {bank}"
        sheet = train(sheet, name, stages=(bevel((20, 20)), through(f"quill-{bank.lower()}"), bevel((18, 24))))
    assert problems(sheet) == (
        "trains.camshaft B.stages: the pinions of inclined shaft A, lower and inclined shaft B, lower on one 20-tooth "
        f"bevel would touch: their tip cones of 49.0° and 49.0° need more than the {between:.1f}° between the shafts; "
        "give the pinions fewer teeth (pitch cone now 45.0°), or set the driving bevels apart"
    )
    # 36 to 16 fits: 23.96 and its tips 2.91 are less than half of the angle
    assert np.degrees(np.arctan2(16, 36) + np.arctan2(2, np.hypot(16, 36))) < between / 2


def test_two_driving_bevels_set_apart_clear_each_other() -> None:
    # as above, but bank B's shaft starts from a bevel of another count: each has its own place on the shaft
    sheet = train(PORT, "camshaft A", stages=(bevel((20, 20)), through("quill-a"), bevel((18, 24))))
    engine = build(sheet)
    tops = [engine.shafts[f"inclined shaft {bank}, lower"].point[0] for bank in "AB"]
    assert abs(tops[0] - tops[1]) > 10


SIX = in_line_six()
WHEELCASE = next(t for t in PORT.trains if t.drives == "wheelcase shaft")
MESSAGES: dict[str, tuple[Callable[[], DataSheet], str]] = {
    "camshaft speed": (
        lambda: train(PORT, "camshaft A", stages=(bevel((36, 16)), through("quill-a"), bevel((15, 42)))),
        "trains.camshaft A: turns at 15/28 of the crankshaft's speed, needed 1/2",
    ),
    "magneto speed": (
        lambda: train(PORT, "exhaust-side magneto", stages=(spur((54, 25)), through("sleeve-exhaust"))),
        "trains.exhaust-side magneto: turns at 36/25 of the crankshaft's speed, needed 3/2 "
        "(12 cylinders, 4 sparks a turn)",
    ),
    "finger speed": (
        lambda: replace(SIX, magnetos=(replace(SIX.magnetos[0], finger_teeth=(12, 35)),)),
        "magnetos.single.finger: the distributor finger must turn at half crank speed: finger_teeth 12 to 35 give "
        "12/35 (0.3429) of a turn per magneto rotor turn, needed 1/3 (0.3333) at 3/2 (1.5) magneto rotor turns per "
        "crank turn",
    ),
    "unknown from": (
        lambda: train(SIX, "single magneto", from_shaft="wheelcase shft"),
        'trains.single magneto.from: unknown shaft "wheelcase shft"; defined: crankshaft, wheelcase shaft, '
        "inclined shaft A, lower, inclined shaft A, upper, camshaft A (did you mean wheelcase shaft?)",
    ),
    "unknown from, others hang on it": (
        lambda: train(SIX, "wheelcase shaft", from_shaft="crankshft"),
        'trains.wheelcase shaft.from: unknown shaft "crankshft"; defined: crankshaft (did you mean crankshaft?)',
    ),
    "others hang on one that cannot be laid": (
        lambda: replace(
            train(
                SIX,
                "wheelcase shaft",
                stages=(StageData(kind="internal", driving_teeth=30, driven_teeth=20),),
            ),
            setup=(),
        ),
        "trains.wheelcase shaft.stages[1].internal.driven: expected more than the 30 teeth of the wheel inside it, "
        "got 20",
    ),
    "circle": (
        lambda: train(PORT, "wheelcase shaft", from_shaft="camshaft A"),
        'trains.wheelcase shaft.from: "camshaft A" is not driven from the crankshaft: the trains go in a circle\n'
        'trains.camshaft A.from: "wheelcase shaft" is not driven from the crankshaft: the trains go in a circle',
    ),
    "circle of one": (
        lambda: train(PORT, "wheelcase shaft", from_shaft="wheelcase shaft"),
        'trains.wheelcase shaft.from: "wheelcase shaft" is not driven from the crankshaft: the trains go in a circle',
    ),
    "driven twice": (
        lambda: replace(PORT, trains=(*PORT.trains, WHEELCASE)),
        'trains.wheelcase shaft: the shaft "wheelcase shaft" is driven twice',
    ),
    "named twice": (
        lambda: train(
            PORT,
            "camshaft B",
            stages=(replace(bevel((36, 16)), shaft="camshaft A"), through("quill-b"), bevel((14, 42))),
        ),
        'trains.camshaft B: the shaft "camshaft A" is driven twice',
    ),
    "not driven": (
        lambda: replace(PORT, trains=tuple(t for t in PORT.trains if t.drives != "camshaft B")),
        "trains: no train drives camshaft B; each bank needs one",
    ),
    "magneto not driven": (
        lambda: replace(PORT, trains=PORT.trains[:4]),
        'trains: no train drives the shaft "inlet-side magneto"',
    ),
    "turns": (
        lambda: train(PORT, "camshaft A", turns="anticlockwise"),
        "trains.camshaft A.turns: given anticlockwise, but the train turns it clockwise, seen from the wheelcase end",
    ),
    "stages": (
        lambda: train(PORT, "camshaft A", stages=(bevel((36, 16)), through("quill-a"))),
        "trains.camshaft A.stages: cannot be laid out: an odd bevel too many or too few: the last shaft stands across "
        "camshaft A",
    ),
}


@pytest.mark.parametrize("name", MESSAGES)
def test_messages(name: str) -> None:
    make, message = MESSAGES[name]
    assert problems(make()) == message


def test_trains_may_come_in_any_order() -> None:
    turned = replace(PORT, trains=tuple(reversed(PORT.trains)))
    assert senses(turned) == senses(PORT)
    assert {n: s.turns for n, s in build(turned).shafts.items()} == {n: s.turns for n, s in build(PORT).shafts.items()}


def test_train_from_a_shaft_inside_another_train() -> None:
    # a second magneto-like shaft from the first stage's shaft, by the name that the file gave it
    named = (replace(spur((20, 30)), shaft="idler"), through("quill-a"), spur((30, 40)))
    sheet = train(v_eight(), "camshaft A", stages=named)
    taken = TrainData(drives="pump", from_shaft="idler", stages=(spur((20, 20)),))
    shafts = build(replace(sheet, trains=(taken, *sheet.trains))).shafts
    assert shafts["pump"].parent == "idler"
    assert shafts["pump"].turns == Fraction(2, 3)


@pytest.mark.parametrize("name", ["larkfell-port", "slipway-six", "gantry-eight", "launch-inverted"])
def test_the_end_that_an_inclined_shaft_is_seen_from_is_the_one_it_is_called(name: str) -> None:
    """Its axis points away from the viewer: down where it is seen from the upper end."""
    named = [shaft for shaft in packaged(name).shafts.values() if shaft.seen_from in ("upper end", "lower end")]
    assert named
    for shaft in named:
        assert (shaft.axis[2] < 0) == (shaft.seen_from == "upper end"), shaft.name
    assert {shaft.seen_from for shaft in named} == {"lower end" if name == "launch-inverted" else "upper end"}
