"""Every part of whole engines: one closed body, its volume by a second method, true counts, index marks.

Engines: both packaged ones, an in-line six and a V-8 (90°, four throws, rods side by side, flat followers, other
tooth counts). All checks are computed here by other means than the builders use; no published figures.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from itertools import pairwise

import numpy as np
import pytest
import random_engines
import shapely
import trimesh
from numpy.typing import NDArray

from quillwise.kinematics.build import build
from quillwise.kinematics.lobes import LOBE_WIDTH, FlatPlan, outline
from quillwise.kinematics.model import Engine
from quillwise.kinematics.parts import Kind, Part
from quillwise.meshes import solids
from quillwise.meshes.build import Made, index_mark, mesh
from quillwise.scenes.library import engine as packaged

Floats = NDArray[np.float64]

MARKED = {
    Kind.WHEEL,
    Kind.QUILL,
    Kind.SLEEVE,
    Kind.MATE,
    Kind.ROTOR,
    Kind.BREAKER_CAM,
    Kind.FINGER,
    Kind.DISC,
}
VOLUME_SHARE = 1e-4  # plane sections against the closed surface: what is lost in steps that are left out
LEAST_STEP_MM = 1e-5
mesh_plane: Callable[..., tuple[Floats, NDArray[np.int64]]] = trimesh.intersections.mesh_plane


@lru_cache(maxsize=4)
def an_engine(name: str) -> Engine:
    """One of the four engines by name."""
    if name == "six":
        return build(random_engines.in_line_six("anticlockwise"))
    if name == "eight":
        sheet = random_engines.v_eight()
        flat = [replace(valve, follower="flat") for valve in (sheet.inlet, sheet.exhaust)]
        return build(replace(sheet, inlet=flat[0], exhaust=flat[1]))
    return packaged(name)


@lru_cache(maxsize=4)
def bodies(name: str) -> dict[Part, trimesh.Trimesh]:
    engine = an_engine(name)
    return {part: mesh(engine, part, "coarse") for part in engine.parts}


def distinct(name: str, kind: Kind) -> dict[Part, trimesh.Trimesh]:
    """One of each body of a kind: a valve is as its neighbour."""
    seen: dict[float, Part] = {}
    for part, body in bodies(name).items():
        if part.kind == kind:
            seen.setdefault(round(float(body.volume), 3), part)
    return {part: bodies(name)[part] for part in seen.values()}


every_engine = pytest.mark.parametrize("name", ["larkfell-port", "larkfell-starboard", "six", "eight"])


@every_engine
def test_every_part_of_the_engine_has_one_closed_body(name: str, one_body: Callable[[trimesh.Trimesh], None]) -> None:
    engine = an_engine(name)
    assert set(bodies(name)) == set(engine.parts)
    assert len(engine.parts) == len(set(engine.parts))
    for part, body in bodies(name).items():
        one_body(body)
        assert body.volume > 1.0, part


@pytest.mark.parametrize("name", ["larkfell-port", "gantry-eight", "launch-inverted", "six", "eight"])
def test_a_shared_body_is_the_one_that_each_of_its_parts_would_have_alone(name: str) -> None:
    """Built alone here, with nothing handed in. Forked, articulated and side-by-side rods, rockers and flat tappets."""
    engine = an_engine(name)
    made: Made = {}
    shared = {part: mesh(engine, part, "coarse", made) for part in engine.parts}
    for part, body in shared.items():
        alone = mesh(engine, part, "coarse")
        assert np.array_equal(body.vertices, alone.vertices), part
        assert np.array_equal(body.faces, alone.faces), part
    # inlet and exhaust, of two banks whose figures may differ in the last bit
    for kind, most in {Kind.PISTON: 2, Kind.ROD: 2, Kind.VALVE: 4, Kind.SPRING: 4, Kind.SEAT: 4}.items():
        found = [body for part, body in shared.items() if part.kind == kind]
        assert len({id(body) for body in found}) <= most, kind
        assert len(found) >= 6, kind
    piston = next(part for part in engine.parts if part.kind == Kind.PISTON)
    fine = mesh(engine, piston, "fine", made)
    assert len(fine.faces) > len(shared[piston].faces), "a finer body is not the coarse one again"


def section_area(part: trimesh.Trimesh, axis: int, place_mm: float) -> float:
    """Area of a plane section, by the divergence theorem in the plane: half the sum of r·n over its edges."""
    normal = np.eye(3)[axis]
    lines, faces = mesh_plane(part, normal, normal * place_mm, return_faces=True)
    others = [i for i in range(3) if i != axis]
    outward = part.face_normals[faces][:, others]
    outward = outward / np.linalg.norm(outward, axis=1, keepdims=True)
    ends = lines[:, :, others]
    length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    return float(np.sum(np.sum(ends.mean(axis=1) * outward, axis=1) * length) / 2)


def volume_between_levels(part: trimesh.Trimesh) -> float:
    """The volume by plane sections. Between two heights of corners the section of a body with flat faces is a
    quadratic of the height, so Gauss's rule with two places is exact there."""
    levels = [np.unique(part.vertices[:, axis].round(6)) for axis in range(3)]
    axis = int(np.argmin([len(each) for each in levels]))
    total = 0.0
    for low, high in pairwise(levels[axis]):
        middle, half = (low + high) / 2, (high - low) / 2
        if half > LEAST_STEP_MM:
            at = half / np.sqrt(3)
            total += half * (section_area(part, axis, middle - at) + section_area(part, axis, middle + at))
    return total


@every_engine
def test_volumes_by_plane_sections(name: str) -> None:
    for kind in {part.kind for part in an_engine(name).parts}:
        for part, body in distinct(name, kind).items():
            assert volume_between_levels(body) == pytest.approx(body.volume, rel=VOLUME_SHARE), part


@every_engine
def test_shafts_are_round_bars_and_tubes(name: str) -> None:
    engine = an_engine(name)
    for part, body in bodies(name).items():
        if part.kind != Kind.SHAFT:
            continue
        shaft = engine.shafts[part.of]
        round_area = np.pi * (shaft.radius_mm**2 - shaft.bore_mm**2)
        length = shaft.span_mm[1] - shaft.span_mm[0]
        # sixteen chords at least: the polygon in a circle has 0.974 of its area, the one around it 1.013
        most, least = np.pi * shaft.radius_mm**2, 0.974 * np.pi * shaft.radius_mm**2 - 1.013 * np.pi * shaft.bore_mm**2
        assert least <= body.volume / length <= (round_area if shaft.bore_mm else most), part


@every_engine
def test_camshafts_are_a_bar_with_lobes_and_journals(name: str) -> None:
    engine = an_engine(name)
    for camshaft in engine.camshafts:
        body, shaft = bodies(name)[Part(Kind.CAMSHAFT, camshaft)], engine.shafts[camshaft]
        turns = float(shaft.turns) * engine.sigma
        own = [valve for valve in engine.valves.values() if valve.camshaft == camshaft]
        width = LOBE_WIDTH * engine.sheet.crank.bore_mm
        for valve in own:
            # across the camshaft, in the middle of the lobe: the lobe of the lift law, and nothing else
            lines, _ = mesh_plane(body, (0, 0, 1), (0, 0, valve.x_mm), return_faces=True)
            section = shapely.unary_union(list(shapely.polygonize(shapely.linestrings(lines[:, :, :2].round(7))).geoms))
            firing = engine.cylinders[valve.cylinder].firing_deg
            lobe = shapely.Polygon(outline(valve.plan, valve.curve, firing, turns, 720)[:, ::-1])
            assert section.area == pytest.approx(lobe.area, rel=0.003)
            # none of it stands proud of the law by more than the flats' 0.03 mm
            assert section.difference(lobe.buffer(0.03)).area < 0.01
            assert lobe.difference(section.buffer(0.10)).area < 0.01
        bare = np.pi * shaft.radius_mm**2
        lobes = sum(shapely.Polygon(outline(v.plan, v.curve, 0.0, turns, 720)).area - bare for v in own) * width
        journals = body.volume - bare * (shaft.span_mm[1] - shaft.span_mm[0]) - lobes
        # a journal at each end of a cylinder at most, 1.25 × the shaft, each 0.08 bore wide
        one = bare * (1.25**2 - 1) * 0.08 * engine.sheet.crank.bore_mm
        places = len({valve.cylinder for valve in own}) + 1
        assert 0.8 * (places - 1) * one < journals + 0.03 * bare * (shaft.span_mm[1] - shaft.span_mm[0])
        assert journals < places * one


@every_engine
def test_wheels_have_their_true_number_of_teeth(
    name: str, crossings: Callable[[trimesh.Trimesh, float, float], Floats]
) -> None:
    engine = an_engine(name)
    for wheel in engine.wheels.values():
        body = bodies(name)[Part(Kind.WHEEL, wheel.name)]
        radius, height = wheel.module_mm * wheel.teeth / 2, 0.011 * wheel.face_mm
        if wheel.kind == "bevel":
            # half-way down the face, on the pitch cone
            cone = wheel.module_mm * float(np.hypot(wheel.teeth, wheel.mating_teeth)) / 2
            share = 1 - wheel.face_mm / 2 / cone
            radius, height = share * radius, share * wheel.side * wheel.module_mm * wheel.mating_teeth / 2
        assert len(crossings(body, radius, height)) == 2 * wheel.teeth, wheel.name


@every_engine
def test_quills_and_sleeves_have_their_true_numbers_of_teeth(
    name: str, crossings: Callable[[trimesh.Trimesh, float, float], Floats]
) -> None:
    engine = an_engine(name)
    for coupling in engine.couplings.values():
        kind = Kind.QUILL if coupling.data.kind == "quill" else Kind.SLEEVE
        body = bodies(name)[Part(kind, coupling.name)]
        start = min(coupling.driving_mm + coupling.driven_mm)
        for teeth, span in (
            (coupling.data.driving_teeth, coupling.driving_mm),
            (coupling.data.driven_teeth, coupling.driven_mm),
        ):
            radius = coupling.module_mm * teeth / 2
            if kind == Kind.SLEEVE:
                radius = 0.8 * coupling.module_mm * max(coupling.data.driving_teeth, coupling.data.driven_teeth) / 2
            middle = (span[0] + span[1]) / 2 - start
            assert len(crossings(body, radius, middle)) == 2 * teeth, coupling.name


@every_engine
def test_rotors_and_segments_have_their_true_counts(
    name: str, crossings: Callable[[trimesh.Trimesh, float, float], Floats]
) -> None:
    engine = an_engine(name)
    for magneto in engine.magnetos.values():
        rotor = bodies(name)[Part(Kind.ROTOR, magneto.name)]
        assert len(crossings(rotor, 0.97 * magneto.radius_mm, 0.0)) == 2 * magneto.data.poles
        ring = bodies(name)[Part(Kind.SEGMENTS, magneto.name)]
        studs = 0.225 * engine.sheet.crank.bore_mm
        assert len(crossings(ring, studs, 0.0)) == 2 * len(engine.cylinders)


@every_engine
def test_index_marks_lie_on_their_parts(name: str) -> None:
    engine = an_engine(name)
    assert {part.kind for part in engine.parts} >= MARKED
    for part, body in bodies(name).items():
        paint = index_mark(engine, part)
        if part.kind in MARKED:
            assert paint is not None, part
        if paint is None:
            continue
        for patch in paint.split(only_watertight=False):
            assert patch.is_volume
            mark, own = solids.solid(patch), solids.solid(body)
            if part.kind == Kind.DISC:  # the paint fills engraved slots
                assert mark.min_gap(own, 1.0) < 1e-6
            else:
                assert (mark ^ own).volume() > 0.2 * patch.volume, part


def test_flat_followers_and_rockers_are_both_there() -> None:
    assert all(isinstance(valve.plan, FlatPlan) for valve in an_engine("eight").valves.values())
    kinds = {part.kind for part in an_engine("eight").parts}
    assert Kind.ROCKER not in kinds and Kind.TAPPET in kinds
    assert Kind.ROCKER in {part.kind for part in an_engine("six").parts}


@every_engine
def test_quills_and_sleeves_are_painted_at_both_ends(name: str) -> None:
    """Teeth are counted from the paint at both ends: it lies within the teeth of each."""
    engine = an_engine(name)
    for coupling in engine.couplings.values():
        kind = Kind.QUILL if coupling.data.kind == "quill" else Kind.SLEEVE
        part = Part(kind, coupling.name)
        painted = index_mark(engine, part)
        assert painted is not None
        start = min(coupling.driving_mm + coupling.driven_mm)
        along = painted.vertices[:, 2] + start
        for low, high in (coupling.driving_mm, coupling.driven_mm):
            assert ((along > low) & (along < high)).any(), coupling.name
