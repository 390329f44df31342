"""Trains of any stages: ratio, sense and place of every shaft against rules that do not use the code's own."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from numpy.random import Generator, default_rng

from quillwise.kinematics.build import build
from quillwise.kinematics.datasheet import CouplingData, DataSheet, StageData, TrainData
from quillwise.kinematics.errors import SceneError
from quillwise.kinematics.gears import cone_deg, hunting_turns
from quillwise.kinematics.model import CRANKSHAFT
from quillwise.kinematics.trains import Line, Tree, lay_out
from quillwise.scenes.reader import load

PORT = load("larkfell-port")
HEIGHT_MM = 430.0


def lines(sheet: DataSheet) -> dict[str, Line]:
    made = {CRANKSHAFT: Line(axis=(1, 0, 0), point=(0, 0, 0), zero=(0.0, 0.0, 1.0), seen_from="wheelcase end")}
    for bank in sheet.banks:
        turn = math.radians(bank.turn_deg)
        point = (0.0, -HEIGHT_MM * math.sin(turn), HEIGHT_MM * math.cos(turn))
        made[f"camshaft {bank.name}"] = Line(
            axis=(1, 0, 0), point=point, zero=(0.0, 0.0, 1.0), seen_from="wheelcase end"
        )
    return made


def laid(trains: tuple[TrainData, ...], couplings: int = 0, sigma: int = 1) -> Tree:
    made = tuple(
        CouplingData(name=f"c{n}", kind="quill" if n % 2 else "sleeve", driving_teeth=12, driven_teeth=11)
        for n in range(couplings)
    )
    sheet = replace(PORT, trains=trains, couplings=made)
    return lay_out(sheet, sigma, lines(sheet), front_mm=-14.0, rear_mm=900.0)


def random_stages(rng: Generator) -> Iterator[StageData]:
    """Any one to seven stages; an idler always with its pair after it."""
    couplings = 0
    for _ in range(int(rng.integers(1, 6))):
        kind = rng.choice(["spur", "internal", "bevel", "idler", "coupling"])
        teeth = [int(n) for n in rng.integers(8, 80, 2)]
        if kind == "coupling":
            yield StageData(kind="coupling", coupling=f"c{couplings}")
            couplings += 1
            continue
        if kind == "idler":
            for _ in range(int(rng.integers(1, 3))):
                yield StageData(kind="idler", driven_teeth=int(rng.integers(8, 60)))
        if kind == "internal":
            teeth = [min(teeth), max(teeth) + 9]
        side = rng.choice(["output", "wheelcase"]) if kind == "bevel" else None
        made = "spur" if kind == "idler" else kind
        yield StageData(kind=made, driving_teeth=teeth[0], driven_teeth=teeth[1], side=side)  # type: ignore[arg-type]


def velocity(tree: Tree, shaft: str, point: object) -> np.ndarray:
    """Velocity of a material point of a shaft, by central difference of its places [mm per radian of the crank]."""
    one = tree.shafts[shaft]
    step = 1e-3 / max(1.0, abs(float(one.turns)))
    arm = np.subtract(point, one.point)
    axis = np.asarray(one.axis)
    places = []
    for crank in (-step, step):
        turn = float(one.turns) * crank
        # Rodrigues' rotation formula
        places.append(
            arm * math.cos(turn)
            + np.cross(axis, arm) * math.sin(turn)
            + axis * np.dot(axis, arm) * (1 - math.cos(turn))
        )
    return np.asarray((places[1] - places[0]) / (2 * step))


def test_six_hundred_random_trains() -> None:
    rng = default_rng(20)
    tried = laid_out = bevels = 0
    refusals: set[str] = set()
    while laid_out < 600:
        tried += 1
        stages = tuple(random_stages(rng))
        drives = str(rng.choice(["camshaft A", "camshaft B", "cross shaft", "exhaust-side magneto"]))
        train = TrainData(drives=drives, from_shaft=CRANKSHAFT, stages=stages)
        tree = laid((train,), sum(stage.kind == "coupling" for stage in stages))
        if tree.problems:
            refusals |= {problem.message.split(":")[1].split(",")[0] for problem in tree.problems}
            assert all(problem.path.startswith(f"trains.{drives}") for problem in tree.problems)
            continue
        laid_out += 1
        ratio, sense, shaft = Fraction(1), 1, CRANKSHAFT
        made = [s for s in tree.shafts.values() if s.parent]
        assert len(made) == len(stages)
        for stage, after in zip(stages, made, strict=True):
            assert after.parent == shaft
            before, shaft = tree.shafts[shaft], after.name
            opposite = float(np.dot(before.axis, after.axis)) < -0.99
            if stage.kind == "coupling":
                assert after.turns == before.turns
                np.testing.assert_allclose(np.cross(np.subtract(after.point, before.point), after.axis), 0, atol=1e-9)
                continue
            if stage.kind == "idler":
                sense = -sense
                continue
            # teeth pass the pitch point in equal numbers, whatever stands between
            ratio *= Fraction(stage.driving_teeth, stage.driven_teeth)
            assert abs(after.turns) == ratio
            if stage.kind == "bevel":
                bevels += 1
                sense = 1 if after.turns > 0 else -1  # proved below by velocities
            else:
                # outside wheels turn against each other, in a ring they turn alike; seen along the first one's axis
                sense *= (-1 if stage.kind == "spur" else 1) * (-1 if opposite else 1)
            assert after.turns == sense * ratio, (stages, after.name)
        for mesh in tree.meshes.values():
            one, two = tree.wheels[mesh.driving], tree.wheels[mesh.driven]
            # wheels that mesh have one module, and their pitch circles meet at the pitch point
            assert one.module_mm == pytest.approx(two.module_mm)
            for wheel in (one, two):
                on = tree.shafts[wheel.shaft]
                off = np.subtract(mesh.pitch_point, on.point)
                radius = np.linalg.norm(off - np.dot(off, on.axis) * np.asarray(on.axis))
                assert radius == pytest.approx(wheel.module_mm * wheel.teeth / 2, rel=1e-9)
                along = float(np.dot(off, on.axis)) - wheel.at_mm
                wanted = 0.0 if wheel.kind != "bevel" else wheel.side * wheel.module_mm * wheel.mating_teeth / 2
                assert along == pytest.approx(wanted, abs=1e-6)
            first, second = (velocity(tree, wheel.shaft, mesh.pitch_point) for wheel in (one, two))
            np.testing.assert_allclose(first, second, rtol=1e-6, atol=1e-6)
        _no_common_axes(tree)
    assert bevels > 150, "bevels were among them"
    assert tried < 1300
    assert refusals == {
        " an odd bevel too many or too few",
        " couplings join shafts on one axis",
    }


def _no_common_axes(tree: Tree) -> None:
    """Shafts that no coupling joins stand on lines of their own."""
    shafts = list(tree.shafts.values())
    joined = {frozenset((c.driving, c.driven)) for c in tree.couplings.values()}
    for number, one in enumerate(shafts):
        for other in shafts[number + 1 :]:
            off = np.cross(np.subtract(other.point, one.point), one.axis)
            parallel = abs(float(np.dot(one.axis, other.axis))) > 0.999
            if parallel and float(np.linalg.norm(off)) < 0.1:
                chain = {one.name}
                for _ in tree.couplings:
                    chain |= {name for pair in joined if pair & chain for name in pair}
                assert other.name in chain, (one.name, other.name)


def test_an_idler_changes_the_sense_and_not_the_ratio() -> None:
    pair = StageData(kind="spur", driving_teeth=24, driven_teeth=48)
    idler = StageData(kind="idler", driven_teeth=30)
    for idlers in range(4):
        tree = laid((TrainData(drives="camshaft A", from_shaft=CRANKSHAFT, stages=(*(idler,) * idlers, pair)),))
        assert tree.problems == []
        assert tree.shafts["camshaft A"].turns == Fraction(-1, 2) * (-1) ** idlers
        # a wheel each, the idlers' among them, all in one plane
        assert len(tree.wheels) == 2 + idlers
        assert len({round(wheel.at_mm, 6) for wheel in tree.wheels.values()}) == 1


def test_two_pinions_on_one_bevel_or_on_two_set_apart() -> None:
    def both(apart: bool) -> Tree:
        across = StageData(kind="bevel", driving_teeth=36, driven_teeth=18, set_apart=apart)
        names = ("exhaust-side magneto", "inlet-side magneto")
        return laid(tuple(TrainData(drives=name, from_shaft=CRANKSHAFT, stages=(across,)) for name in names))

    shared, apart = both(False), both(True)
    assert sum(wheel.shaft == CRANKSHAFT for wheel in shared.wheels.values()) == 1
    on_crank = [wheel.at_mm for wheel in apart.wheels.values() if wheel.shaft == CRANKSHAFT]
    assert len(set(on_crank)) == 2
    for tree in (shared, apart):
        left, right = (tree.shafts[f"{name} magneto"] for name in ("exhaust-side", "inlet-side"))
        # across the engine, one to each side, each seen from its drive end
        assert left.axis == pytest.approx((0, 1, 0))
        assert right.axis == pytest.approx((0, -1, 0))
        # half a turn about the crank puts the one in the place of the other
        assert left.sense == right.sense
        assert abs(left.turns) == 2


def test_one_driving_bevel_turns_its_two_pinions_as_a_differential_does() -> None:
    # holooly.com p. 159410 (published): bevel 12 in 60, 1000 rpm, gives 200; with one wheel at 210 the other has 190
    case = Fraction(1000 * 12, 60)
    stage = StageData(kind="bevel", driving_teeth=12, driven_teeth=60)
    tree = laid((TrainData(drives="cross shaft", from_shaft=CRANKSHAFT, stages=(stage,)),))
    assert abs(tree.shafts["cross shaft"].turns) * 1000 == case
    assert 2 * case - 210 == 190


def test_straight_bevels_of_20_and_40_teeth() -> None:
    # geometry: cone angles of 26.565 and 63.435 degrees
    assert cone_deg(20, 40) == pytest.approx(26.565, abs=5e-4)
    assert cone_deg(40, 20) == pytest.approx(63.435, abs=5e-4)
    stage = StageData(kind="bevel", driving_teeth=20, driven_teeth=40)
    tree = laid((TrainData(drives="cross shaft", from_shaft=CRANKSHAFT, stages=(stage,)),))
    point = next(iter(tree.meshes.values())).pitch_point
    for wheel, wanted in zip(tree.wheels.values(), (26.565, 63.435), strict=True):
        shaft = tree.shafts[wheel.shaft]
        apex = np.asarray(shaft.point) + wheel.at_mm * np.asarray(shaft.axis)
        ray = np.subtract(point, apex)
        cosine = float(np.dot(ray, shaft.axis)) * wheel.side / float(np.linalg.norm(ray))
        assert math.degrees(math.acos(cosine)) == pytest.approx(wanted, abs=5e-4)


@pytest.mark.parametrize(("pinion", "gear", "turns"), [(11, 30, (30, 11)), (11, 31, (31, 11)), (10, 30, (3, 1))])
def test_the_same_teeth_meet_again(pinion: int, gear: int, turns: tuple[int, int]) -> None:
    # Gleason, Gear Technology Solutions p. 96 (published)
    assert hunting_turns(pinion, gear) == turns


def test_a_train_of_couplings_alone_keeps_the_axis() -> None:
    stages = (StageData(kind="coupling", coupling="c0"), StageData(kind="coupling", coupling="c1"))
    tree = laid((TrainData(drives="exhaust-side magneto", from_shaft=CRANKSHAFT, stages=stages),), couplings=2)
    assert tree.problems == []
    magneto = tree.shafts["exhaust-side magneto"]
    assert magneto.turns == 1
    assert magneto.axis == (1, 0, 0)
    places = [coupling.driving_mm + coupling.driven_mm for coupling in tree.couplings.values()]
    assert min(places[0]) > 900 and min(places[1]) > max(places[0]), "behind the engine, one after the other"


@pytest.mark.parametrize(
    ("stages", "message"),
    [
        (
            (StageData(kind="idler", driven_teeth=30), StageData(kind="bevel", driving_teeth=20, driven_teeth=20)),
            "trains.camshaft A.stages: cannot be laid out: an idler stands between the wheels of the spur or internal "
            "stage after it",
        ),
        (
            (StageData(kind="internal", driving_teeth=40, driven_teeth=40),),
            "trains.camshaft A.stages[1].internal.driven: expected more than the 40 teeth of the wheel inside it, "
            "got 40",
        ),
    ],
)
def test_messages(stages: tuple[StageData, ...], message: str) -> None:
    rest = tuple(train for train in PORT.trains if train.drives != "camshaft A")
    one = TrainData(drives="camshaft A", from_shaft=CRANKSHAFT, stages=stages)
    with pytest.raises(SceneError) as caught:
        build(replace(PORT, trains=(*rest, one), couplings=PORT.couplings))
    assert str(caught.value) == message
