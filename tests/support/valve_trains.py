"""Engines with two camshafts a bank and several valves a cylinder, made of the sheets of ``random_engines``."""

from __future__ import annotations

from dataclasses import replace

import hypothesis.strategies as st
import random_engines
from hypothesis import assume

from quillwise.kinematics.build import build
from quillwise.kinematics.datasheet import DataSheet, Follower, StageData, StepData, TrainData
from quillwise.kinematics.errors import SceneError
from quillwise.kinematics.lobes import lobe_problems
from quillwise.kinematics.model import Engine
from quillwise.kinematics.valvegear import as_placed

WAYS = ("direct", "idler", "own")


def with_valves(
    sheet: DataSheet, inlet: int, exhaust: int, follower: Follower | None = None, lean_deg: float | None = None
) -> DataSheet:
    """The sheet with so many valves a cylinder, and their follower and lean if given."""

    def of(data, count):  # type: ignore[no-untyped-def]
        more = {} if follower is None else {"follower": follower, "rocker_ratio": 1.0}
        more |= {} if lean_deg is None else {"angle_to_cylinder_deg": lean_deg}
        return replace(data, count=count, **more)

    return replace(sheet, inlet=of(sheet.inlet, inlet), exhaust=of(sheet.exhaust, exhaust))


def two_camshafts(sheet: DataSheet, way: str = "direct") -> DataSheet:
    """The sheet with two camshafts a bank. ``way``: the exhaust one driven from the inlet one by equal spur wheels,
    directly or through an idler, or by a train of its own with a coupling in it."""
    trains: list[TrainData] = []
    couplings = list(sheet.couplings)
    for train in sheet.trains:
        if not train.drives.startswith("camshaft "):
            trains.append(train)
            continue
        inlet, exhaust = f"{train.drives} inlet", f"{train.drives} exhaust"
        trains.append(replace(train, drives=inlet))
        if way == "own":
            own = f"quill-{train.drives[-1].lower()}2"
            first = next(c for c in sheet.couplings if any(stage.coupling == c.name for stage in train.stages))
            couplings.append(replace(first, name=own))
            trains.append(
                replace(
                    train, drives=exhaust, stages=tuple(_other(stage, own, n) for n, stage in enumerate(train.stages))
                )
            )
            continue
        wheels = [(30, 30)] if way == "direct" else [(30, 20), (20, 30)]
        trains.append(
            TrainData(drives=exhaust, from_shaft=inlet, stages=tuple(random_engines.spur(teeth) for teeth in wheels))
        )
    steps: list[StepData] = []
    for step in sheet.setup:
        if step.do != "set-camshaft":
            steps.append(step)
            continue
        steps.append(replace(step, camshaft=f"{step.camshaft} inlet", by="inlet opens"))
        steps.append(replace(step, camshaft=f"{step.camshaft} exhaust", by="exhaust closes"))
    return replace(sheet, trains=tuple(trains), couplings=tuple(couplings), setup=tuple(steps), camshafts_per_bank=2)


def _other(stage: StageData, coupling: str, number: int) -> StageData:
    """A stage of the exhaust camshaft's own train: with its own coupling, and its first bevel on the other side."""
    if stage.kind == "coupling":
        return replace(stage, coupling=coupling)
    return replace(stage, side="wheelcase") if stage.kind == "bevel" and number == 0 else stage


@st.composite
def valved_sheets(draw: st.DrawFn) -> DataSheet:
    """Sheets with two camshafts a bank (driven directly or through an idler) or one, and two to five valves."""
    sheet = draw(random_engines.sheets())
    twice = draw(st.booleans())
    flat = "flat" in (sheet.inlet.follower, sheet.exhaust.follower)
    most = 3 if not flat else (2 if twice else 1)  # pads in a row want more room than lobes
    sheet = with_valves(sheet, draw(st.integers(1, most)), draw(st.integers(1, min(most, 2))))
    sheet = two_camshafts(sheet, draw(st.sampled_from(("direct", "idler")))) if twice else sheet
    base_mm = 0.3 * sheet.crank.bore_mm  # the default takes long to find
    sheet = replace(
        sheet,
        inlet=replace(sheet.inlet, base_radius_mm=base_mm),
        exhaust=replace(sheet.exhaust, base_radius_mm=base_mm),
    )
    for data in (sheet.inlet, sheet.exhaust):
        assume(not lobe_problems(as_placed(data, sheet.camshafts_per_bank), sheet.crank.bore_mm))
    return sheet


@st.composite
def valved_engines(draw: st.DrawFn) -> Engine:
    """Valid engines with any valves and camshafts, built. Inlet camshafts of two banks stand nearer to each other than
    one in the middle: where their inclined shafts' pinions then touch on one bevel, another engine is drawn."""
    try:
        return build(draw(valved_sheets()))
    except SceneError as error:
        assume("the pinions of inclined shaft" not in str(error))
        raise
