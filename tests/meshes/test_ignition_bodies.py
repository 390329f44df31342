"""Bodies of magnetos of every kind, each one closed body with its true count of poles, lobes and segments."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import trimesh
from random_engines import in_line_six

from quillwise.kinematics.assembly import intended
from quillwise.kinematics.build import build
from quillwise.kinematics.datasheet import DataSheet, StageData
from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import rig
from quillwise.meshes.build import mesh

SIX = in_line_six()
KINDS = (
    Kind.ROTOR,
    Kind.POLE_SHOES,
    Kind.BREAKER_CAM,
    Kind.FIXED_POINT,
    Kind.MOVING_POINT,
    Kind.FINGER,
    Kind.SEGMENTS,
)


def engine_sheet(poles: int, stage: tuple[int, int], finger: tuple[int, int], **more: object) -> DataSheet:
    """The six with a magneto of so many poles behind one pair of wheels and the coupling that it had."""
    (old,) = SIX.magnetos
    data = replace(
        old,
        poles=poles,
        finger_teeth=finger,
        e_gap_deg=5.0,
        finger_width_deg=8.0,
        segment_width_deg=8.0,
        **{"lobes": poles, "dwell_deg": 180 / poles, **more},  # type: ignore[arg-type]
    )
    spur = StageData(kind="spur", driving_teeth=stage[0], driven_teeth=stage[1])
    trains = tuple(
        replace(
            train,
            from_shaft="crankshaft",
            stages=(spur, *(other for other in train.stages if other.kind == "coupling")),
        )
        if train.drives == f"{old.name} magneto"
        else train
        for train in SIX.trains
    )
    first = SIX.firing_order[0]
    setup = tuple(replace(job, cylinder=first) if job.do == "set-magneto" else job for job in SIX.setup)
    return replace(SIX, magnetos=(data,), trains=trains, setup=setup)


CASES = {
    "2 poles": engine_sheet(2, (42, 28), (20, 60)),
    "6 poles": engine_sheet(6, (24, 48), (30, 30)),
    "8 poles": engine_sheet(8, (24, 64), (40, 30)),
    "inductor": engine_sheet(4, (30, 40), (30, 45), kind="polar inductor"),
    "breaker at half speed": engine_sheet(2, (42, 28), (20, 60), lobes=6, breaker_on="finger", dwell_deg=90.0),
    "fires half": engine_sheet(4, (24, 64), (40, 30), fires=SIX.firing_order[::2]),
}


@pytest.mark.parametrize("name", CASES)
def test_bodies(name: str, one_body: Callable[[trimesh.Trimesh], None]) -> None:
    engine = build(CASES[name])
    (magneto,) = engine.magnetos.values()
    made = {kind: mesh(engine, Part(kind, magneto.name)) for kind in KINDS}
    for body in made.values():
        one_body(body)
    # a circle through the pole faces crosses each pole twice; the one through the lobes, half-way up, each lobe
    poles = _groups(made[Kind.ROTOR], 0.9 * magneto.radius_mm)
    assert poles == magneto.data.poles
    cam = np.hypot(*made[Kind.BREAKER_CAM].vertices[:, :2].T)
    lobes = _groups(made[Kind.BREAKER_CAM], (magneto.breaker_radius_mm + float(cam.max())) / 2)
    assert lobes == magneto.data.lobes


@pytest.mark.parametrize("name", CASES)
def test_the_rotor_stands_the_e_gap_past_neutral_when_the_points_break(name: str) -> None:
    """FAA text as given at flight-mechanic.com, "magnetic circuit" and "E-gap" (published): neutral lies half a pole
    pitch from full register (45° for four poles), and the points break the E-gap after it."""
    exact = tuple(replace(coupling, tooth_phase_deg=0.0) for coupling in CASES[name].couplings)
    engine = build(replace(CASES[name], couplings=exact))
    (magneto,) = engine.magnetos.values()
    poles, rotor = magneto.data.poles, engine.shafts[magneto.rotor]
    place = np.array([magneto.first_deg + magneto.data.break_deg])
    parts = rotor_part, shoes_part = Part(Kind.ROTOR, magneto.name), Part(Kind.POLE_SHOES, magneto.name)
    placed = poses(rig(engine), motion(engine, intended(engine), place), parts)
    shoes_from_rotor = np.linalg.inv(placed[shoes_part][0]) @ placed[rotor_part][0]
    faces = _at_radius(mesh(engine, rotor_part), 0.97 * magneto.radius_mm, 1.01 * magneto.radius_mm)
    turned = faces + np.degrees(np.arctan2(shoes_from_rotor[1, 0], shoes_from_rotor[0, 0]))
    # the two shoes stand a pitch apart about the middle of their body
    shoes = mesh(engine, shoes_part)
    bore = np.hypot(*shoes.vertices[:, :2].T).min()
    middle = float(np.degrees(np.angle(np.exp(1j * np.radians(_at_radius(shoes, 0.0, 1.001 * bore))).mean())))
    pole = float(np.degrees(np.angle(np.exp(1j * np.radians(poles * (turned - middle))).mean()))) / poles
    # at neutral a pole faces the middle between the shoes, half a pitch from both
    assert rotor.sense * pole == pytest.approx(magneto.data.e_gap_deg, abs=0.05)


def _at_radius(body: trimesh.Trimesh, low_mm: float, high_mm: float) -> np.ndarray:
    """Angles of the corners that lie so far from the axis [deg]."""
    x, y = body.vertices[:, 0], body.vertices[:, 1]
    radius = np.hypot(x, y)
    kept = (low_mm <= radius) & (radius <= high_mm)
    return np.asarray(np.degrees(np.arctan2(y[kept], x[kept])))


def _groups(body: trimesh.Trimesh, radius_mm: float) -> int:
    """How often a body stands outside a circle about its axis, in a plane near its middle."""
    low, high = body.bounds[:, 2]
    section = body.section((0, 0, 1), (0, 0, low + 0.47 * (high - low)))
    assert section is not None
    plane, _ = section.to_2D(to_2D=np.eye(4))
    ring = plane.polygons_full[0].exterior
    for other in plane.polygons_full[1:]:
        ring = other.exterior if other.area > plane.polygons_full[0].area else ring
    outside = np.hypot(*np.asarray(ring.coords)[:-1].T) > radius_mm
    return int(np.sum(outside & ~np.roll(outside, 1)))


def other_way(*stages: StageData, **more: object) -> DataSheet:
    """The six with its magneto driven by these stages from the crankshaft."""
    (old,) = SIX.magnetos
    name = next(s.coupling for t in SIX.trains if t.drives.endswith("magneto") for s in t.stages if s.coupling)
    made = tuple(replace(stage, coupling=name) if stage.kind == "coupling" else stage for stage in stages)
    trains = tuple(
        replace(train, from_shaft="crankshaft", stages=made) if train.drives.endswith("magneto") else train
        for train in SIX.trains
    )
    data = replace(old, poles=2, lobes=2, dwell_deg=90.0, finger_teeth=(20, 60), e_gap_deg=5.0)
    return replace(SIX, trains=trains, magnetos=(replace(data, **more),))  # type: ignore[arg-type]


COUPLED = StageData(kind="coupling")
WAYS = {
    "crank's end": other_way(COUPLED, poles=6, lobes=3, dwell_deg=60.0, finger_teeth=(24, 48)),
    "across": other_way(StageData(kind="bevel", driving_teeth=30, driven_teeth=20), COUPLED),
    "idler, spurs, bevels": other_way(
        StageData(kind="idler", driven_teeth=25),
        StageData(kind="spur", driving_teeth=30, driven_teeth=40),
        StageData(kind="bevel", driving_teeth=20, driven_teeth=20),
        COUPLED,
        StageData(kind="bevel", driving_teeth=40, driven_teeth=20),
    ),
}


@pytest.mark.parametrize("name", WAYS)
def test_every_body_of_a_drive(name: str, one_body: Callable[[trimesh.Trimesh], None]) -> None:
    engine = build(WAYS[name])
    kinds = (*KINDS, Kind.SHAFT, Kind.WHEEL, Kind.QUILL, Kind.SLEEVE, Kind.MATE)
    for part in engine.parts:
        if part.kind in kinds:
            one_body(mesh(engine, part))
    for shaft in engine.shafts.values():
        assert shaft.span_mm[1] > shaft.span_mm[0]
