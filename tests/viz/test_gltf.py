"""The GLB read back: valid by the Khronos validator, its motions those of the mechanism, its sizes those of the bodies.

Rules: glTF 2.0 specification (published): metres, +Y up, linear interpolation, spherical for rotations.
"""

from __future__ import annotations

import io
import json
import struct
from dataclasses import dataclass
from functools import cache
from typing import Any

import node_tools
import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation, Slerp

from quillwise.kinematics.assembly import is_fitted
from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import FOLLOWERS, Kind, Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import rig
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import frame
from quillwise.meshes.build import mesh
from quillwise.scenes import library
from quillwise.viz import gltf

DEG_PER_S = 60.0
_VALIDATE = """
const { validateBytes } = require("gltf-validator");
const bytes = new Uint8Array(require("fs").readFileSync(process.argv[1]));
validateBytes(bytes, { maxIssues: 0 }).then((report) => console.log(JSON.stringify(report.issues)));
"""


@dataclass(frozen=True)
class File:
    """A GLB taken apart by the specification's own words, without the library that wrote it."""

    tree: dict[str, Any]
    data: bytes

    def values(self, accessor: int) -> np.ndarray:
        it = self.tree["accessors"][accessor]
        view = self.tree["bufferViews"][it["bufferView"]]
        width = {"SCALAR": 1, "VEC3": 3, "VEC4": 4}[it["type"]]
        assert it["componentType"] == 5126
        start = view.get("byteOffset", 0) + it.get("byteOffset", 0)
        read = np.frombuffer(self.data, "<f4", it["count"] * width, start)
        return read.reshape(it["count"], width).astype(float)

    def channels(self, name: str) -> dict[tuple[str, str], tuple[np.ndarray, np.ndarray]]:
        (found,) = [each for each in self.tree["animations"] if each["name"] == name]
        got = {}
        for channel in found["channels"]:
            sampler = found["samplers"][channel["sampler"]]
            node = self.tree["nodes"][channel["target"]["node"]]["name"]
            keys = self.values(sampler["input"])[:, 0]
            got[node, channel["target"]["path"]] = keys, self.values(sampler["output"])
        return got

    def pose(self, animation: str, part: Part, seconds: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Translation (N, 3) m and rotation (N, 3, 3) as a viewer computes them between the keys."""
        (node,) = [each for each in self.tree["nodes"] if each.get("name") == str(part)]
        channels = self.channels(animation)
        moved = np.tile(node["translation"], (len(seconds), 1))
        turned = Rotation.from_quat(np.tile(node["rotation"], (len(seconds), 1)))
        if (str(part), "translation") in channels:
            keys, values = channels[str(part), "translation"]
            moved = np.stack([np.interp(seconds, keys, values[:, axis]) for axis in range(3)], axis=1)
        if (str(part), "rotation") in channels:
            keys, values = channels[str(part), "rotation"]
            if len(keys) == 1:
                turned = Rotation.from_quat(np.tile(values[0], (len(seconds), 1)))
            else:
                turned = Slerp(keys, Rotation.from_quat(values))(np.clip(seconds, keys[0], keys[-1]))
        return moved, turned.as_matrix()


def read(data: bytes) -> File:
    magic, version, length = struct.unpack_from("<4sII", data)
    assert (magic, version, length) == (b"glTF", 2, len(data))
    size, kind = struct.unpack_from("<I4s", data, 12)
    assert kind == b"JSON"
    size_of_data, kind = struct.unpack_from("<I4s", data, 20 + size)
    assert kind == b"BIN\0"
    return File(json.loads(data[20 : 20 + size]), data[28 + size : 28 + size + size_of_data])


@cache
def made(name: str):
    engine = library.engine(name)
    played = play(engine)
    data = gltf.glb(engine, played.as_set, played.steps, engine.parts, "coarse")
    return engine, played, data, read(data)


@pytest.fixture(params=["slipway-six", pytest.param("larkfell-starboard", marks=pytest.mark.slow)])
def scene(request):
    return made(request.param)


def world(pose: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A world pose (N, 4, 4) in mm, z up, as glTF's: x, z, −y and metres."""
    up = np.array([[1.0, 0, 0], [0, 0, 1], [0, -1, 0]])
    return pose[:, :3, 3] @ up.T / 1000, up @ pose[:, :3, :3] @ up.T


def between_deg(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    return np.degrees(Rotation.from_matrix(np.swapaxes(one, 1, 2) @ other).magnitude())


@pytest.mark.slow
@pytest.mark.parametrize("name", ["slipway-six", "larkfell-port"])
def test_the_validator_has_nothing_to_say(name, tmp_path):
    path = tmp_path / "engine.glb"
    path.write_bytes(made(name)[2])
    issues = json.loads(node_tools.node(_VALIDATE, str(path)))
    assert (issues["numErrors"], issues["numWarnings"]) == (0, 0)


def test_one_named_node_for_every_part(scene):
    engine, played, _, file = scene
    names = [node["name"] for node in file.tree["nodes"]]
    assert len(names) == len(set(names))
    assert {str(part) for part in engine.parts} <= set(names)
    assert not any("matrix" in node for node in file.tree["nodes"])
    wanted = [gltf.FULL_CYCLE, *(f"{step.number} {step.key}" for step in played.steps)]
    assert set(wanted) >= {each["name"] for each in file.tree["animations"]}
    moving = {f"{step.number} {step.key}" for step in played.steps if step.moves}
    assert moving <= {each["name"] for each in file.tree["animations"]}
    assert file.tree["asset"]["extras"]["notice"] == "Briefing aid. Not approved data."


def test_keys_grow_and_stand_near_enough(scene):
    _, _, _, file = scene
    for animation in file.tree["animations"]:
        for (node, path), (keys, values) in file.channels(animation["name"]).items():
            assert (np.diff(keys) > 0).all(), (animation["name"], node)
            if path == "rotation" and len(keys) > 1:
                assert np.abs(np.linalg.norm(values, axis=1) - 1).max() < 1e-6
                turns = Rotation.from_quat(values)
                apart = np.degrees((turns[:-1].inv() * turns[1:]).magnitude())
                assert apart.max() <= 60.0 + 1e-3, (animation["name"], node)


def test_every_gear_ratio_is_found_in_the_file(scene):
    """The file sampled anew, finely, and each shaft's turn counted: ratio × the crank's, to 0.01°."""
    engine, _, _, file = scene
    seconds = np.arange(0.0, 720.0 + 0.5, 2.0) / DEG_PER_S
    crank_deg = seconds * DEG_PER_S
    for shaft in engine.shafts.values():
        carried = [part for part in engine.parts if part.kind in (Kind.SHAFT, Kind.CAMSHAFT) and part.of == shaft.name]
        carried += [
            part for part in engine.parts if part.kind is Kind.WHEEL and engine.wheels[part.of].shaft == shaft.name
        ]
        for part in carried[:1]:
            _, turned = file.pose(gltf.FULL_CYCLE, part, seconds)
            steps = Rotation.from_matrix(np.swapaxes(turned[:-1], 1, 2) @ turned[1:]).as_rotvec(degrees=True)
            own_axis = np.array([0.0, 1.0, 0.0])  # a shaft's z, in glTF's frame of the part
            walked = np.concatenate([[0.0], np.cumsum(steps @ own_axis)])
            expected = float(shaft.turns) * engine.sigma * crank_deg
            sideways = np.abs(np.cross(steps, own_axis)).max()
            assert np.abs(walked - expected).max() < 0.01, shaft.name
            assert sideways < 0.01, shaft.name


def test_parts_stand_where_the_mechanism_puts_them(scene):
    """Between the keys too: at angles that are no key, to 0.02 mm and 0.01° in the cycle and in every step."""
    engine, played, _, file = scene
    hung = rig(engine)
    crank_deg = np.random.default_rng(4).uniform(0.0, 720.0, 24)
    truth = poses(hung, motion(engine, played.as_set, crank_deg))
    for part in engine.parts:
        moved, turned = file.pose(gltf.FULL_CYCLE, part, crank_deg / DEG_PER_S)
        right, upright = world(truth[part])
        assert np.abs(moved - right).max() * 1000 < 0.02, part
        assert between_deg(turned, upright).max() < 0.01, part
    for step in played.steps:
        name = f"{step.number} {step.key}"
        if name not in {each["name"] for each in file.tree["animations"]} or not step.moves:
            continue
        length = max(keys[-1] for keys, _ in file.channels(name).values())
        for share in (0.31, 0.77):
            now = frame(step, share)
            truth = poses(hung, motion(engine, now.assembly, now.crank_deg, now.free))
            for part in engine.parts:
                moved, turned = file.pose(name, part, np.array([share * length]))
                right, upright = world(truth[part])
                assert np.abs(moved - right).max() * 1000 < 0.05, (name, part)
                assert between_deg(turned, upright).max() < 0.05, (name, part)


def node_matrix(file: File, name: str) -> np.ndarray:
    """A node's matrix in glTF's frame, as a viewer has it before an animation plays: translation · rotation · scale."""
    (node,) = [each for each in file.tree["nodes"] if each.get("name") == name]
    made = np.eye(4)
    made[:3, :3] = Rotation.from_quat(node.get("rotation", [0, 0, 0, 1])).as_matrix() * node.get("scale", [1, 1, 1])
    made[:3, 3] = node.get("translation", [0, 0, 0])
    return made


def test_before_an_animation_plays_all_stands_as_at_crank_0(scene):
    engine, played, _, file = scene
    state = motion(engine, played.as_set, 0.0)
    truth = poses(rig(engine), state)
    squeezed = 0
    for part in engine.parts:
        corners = mesh(engine, part, "coarse").vertices[::7]
        right = (corners @ truth[part][0, :3, :3].T + truth[part][0, :3, 3]) @ [[1, 0, 0], [0, 0, -1], [0, 1, 0]] / 1000
        shown = node_matrix(file, str(part))
        own = corners @ [[1, 0, 0], [0, 0, -1], [0, 1, 0]] / 1000
        assert np.abs(own @ shown[:3, :3].T + shown[:3, 3] - right).max() * 1000 < 0.01, part
        squeezed += part.kind is Kind.SPRING and float(state[f"valve {part.of}"][0]) > 0.5
    assert squeezed, "a valve is open at crank 0, so its spring is short"


def test_springs_are_as_long_as_the_valve_leaves_them(scene):
    engine, played, _, file = scene
    crank_deg = np.random.default_rng(5).uniform(0.0, 720.0, 40)
    state = motion(engine, played.as_set, crank_deg)
    for part in [each for each in engine.parts if each.kind is Kind.SPRING]:
        keys, values = file.channels(gltf.FULL_CYCLE)[str(part), "scale"]
        shown = np.interp(crank_deg / DEG_PER_S, keys, values[:, 0])
        foot, top = engine.valves[part.of].spring_mm
        assert shown * (top - foot) == pytest.approx(top - foot - state[f"valve {part.of}"], abs=0.03), part


def test_what_is_not_fitted_is_not_there_before_an_animation_plays():
    engine, played, _, _ = made("slipway-six")
    early = next(step for step in played.steps if step.trials).after
    file = read(gltf.glb(engine, early, played.steps[-1:], engine.parts, "coarse"))
    for part in [each for each in engine.parts if each.kind in FOLLOWERS]:
        (node,) = [each for each in file.tree["nodes"] if each.get("name") == str(part)]
        assert ("scale" in node and not any(node["scale"])) is not is_fitted(early, part), part
        last = file.tree["animations"][-1]["name"]
        scales = file.channels(last).get((str(part), "scale"), (None, np.array([node.get("scale", [1, 1, 1])])))[1]
        assert scales == pytest.approx(1.0), "at the last step all are fitted"


def test_rockers_turn_on_shafts():
    engine = library.engine("gantry-eight")
    rockers = [part for part in engine.parts if part.kind is Kind.ROCKER]
    steps = play(engine).steps[-1:]
    file = read(gltf.glb(engine, steps[-1].after, steps, rockers[:1], "coarse"))
    shafts = [node["name"] for node in file.tree["nodes"] if node["name"].startswith("rocker shaft")]
    assert len(shafts) == 1, "of the one rocker that was asked for"
    assert node_matrix(file, shafts[0]) == pytest.approx(np.eye(4)), "it stands still in the world"
    pivot = node_matrix(file, str(rockers[0]))[:3, 3]
    loaded = trimesh.load(io.BytesIO(gltf.glb(engine, steps[-1].after, steps, rockers[:1], "coarse")), file_type="glb")
    body = loaded.geometry[loaded.graph[shafts[0]][1]]
    assert body.contains([pivot]).all()


def test_sizes_agree_with_the_bodies(scene):
    engine, _, data, _ = scene
    loaded = trimesh.load(io.BytesIO(data), file_type="glb")
    for part in (engine.parts[0], next(p for p in engine.parts if p.kind is Kind.QUILL)):
        body = mesh(engine, part, "coarse")
        (_, geometry) = loaded.graph[str(part)]
        points = loaded.geometry[geometry].vertices * 1000
        x, y, z = body.bounds.T
        assert points.min(axis=0) == pytest.approx([x[0], z[0], -y[1]], abs=1e-3)
        assert points.max(axis=0) == pytest.approx([x[1], z[1], -y[0]], abs=1e-3)


def test_the_same_engine_gives_the_same_bytes():
    engine, played, data, _ = made("slipway-six")
    assert gltf.glb(engine, played.as_set, played.steps, engine.parts, "coarse") == data
