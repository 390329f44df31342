"""GLB: the engine's parts as named nodes, its full cycle and each step of the set-up as named animations.

glTF wants metres, +Y up, right-handed: (x, y, z) mm with z up becomes (x, z, −y) / 1000, bodies and poses alike, so
that no node carries a scale. Between two keys a viewer goes the straight way (and the short way round): keys stand
close enough that this is within ``_NEAR_MM`` and ``_NEAR_DEG`` of the truth and never over 60° apart.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import trimesh
from scipy.spatial.transform import Rotation, Slerp

from quillwise.kinematics.angles import Floats
from quillwise.kinematics.assembly import Assembly, is_fitted
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import Rig, rig
from quillwise.kinematics.steps import Step, frame
from quillwise.kinematics.wording import DISCLAIMER
from quillwise.meshes.build import Made, index_mark, mesh
from quillwise.meshes.dressing import rocker_shafts
from quillwise.meshes.solids import Detail
from quillwise.viz import palette
from quillwise.viz.playback import move_s

GENERATOR = "Quillwise"
FULL_CYCLE = "full cycle"
DEG_PER_S = 60.0  # of the crank, in the full cycle
_CYCLE_SAMPLES = 721
_STEP_SPANS = 240
_FASTEST = 1.5  # a soft start and stop go this much faster in the middle than on the average
_NEAR_MM, _NEAR_DEG = 0.01, 0.005
_WIDEST_DEG = 60.0
_SAME_SCALE = 1e-9
Rest = tuple[Floats, Floats, Floats]  # translation m, rotation xyzw, scale of a node without an animation
_MM_PER_M = 1000.0
_FLOAT, _TARGETS = 5126, {"translation": "VEC3", "rotation": "VEC4", "scale": "VEC3"}
# (x, y, z) -> (x, z, -y)
_Y_UP = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]])


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """Poses of parts over a span of time. seconds (N,) from 0, growing; translation (N, 3) m and rotation (N, 4) xyzw
    of each part in glTF's frame; ``stretched``: scale (N, 3) of the springs; ``absent``: parts that the
    assembly has not fitted."""

    name: str
    seconds: Floats
    placed: Mapping[Part, tuple[Floats, Floats]]
    stretched: Mapping[Part, Floats]
    absent: frozenset[Part]


def glb(engine: Engine, assembly: Assembly, steps: Sequence[Step], parts: Sequence[Part], detail: Detail) -> bytes:
    """The file, in metres as glTF wants it. At rest the parts stand as ``assembly`` leaves them at crank angle 0; it is
    also what the full cycle shows. The same input gives the same bytes. Raises KeyError for a part that the engine has
    not.
    """
    hung = rig(engine)
    cycle = _cycle(engine, hung, assembly, parts)
    motions = [cycle, *(_of_step(engine, hung, step, parts) for step in steps)]
    rest = {part: (moved[0], turned[0], _scale(cycle, part)[0]) for part, (moved, turned) in cycle.placed.items()}
    scene = _scene(engine, parts, rest, detail)

    def animated(buffers: dict[str, bytes], tree: dict[str, Any]) -> None:
        _tell(tree, engine, parts, rest)
        tree["animations"] = [_animation(each, rest, tree, buffers) for each in motions]
        tree["animations"] = [each for each in tree["animations"] if each["channels"]]

    exchange: Any = trimesh.exchange.gltf
    made: bytes = exchange.export_glb(scene, include_normals=False, buffer_postprocessor=animated)
    return made


def _scale(shown: Motion, part: Part) -> Floats:
    """Scale of a part (N, 3), or (1, 3) where it does not change: of what is not fitted 0."""
    if part in shown.absent:
        return np.zeros((1, 3))
    return shown.stretched.get(part, np.ones((1, 3)))


def _scene(engine: Engine, parts: Sequence[Part], rest: Mapping[Part, Rest], detail: Detail) -> Any:
    """Nodes by part, the paint of an index mark as a node below its part's; equal bodies are stored once. The shafts
    of the rockers stand still among them."""
    scene: Any = trimesh.Scene(base_frame="engine")
    visual: Any = trimesh.visual
    known: dict[str, str] = {}
    alike: Made = {}

    def add(name: str, body: trimesh.Trimesh, colour: str, parent: str, matrix: Floats) -> None:
        points = np.asarray(body.vertices) @ _Y_UP.T / _MM_PER_M
        key = hashlib.sha256(points.tobytes() + np.asarray(body.faces).tobytes() + colour.encode()).hexdigest()
        if key not in known:
            known[key] = name
            plain = trimesh.Trimesh(points, body.faces, process=False)
            red, green, blue = palette.unit_rgb(colour)
            plain.visual = visual.TextureVisuals(
                material=visual.material.PBRMaterial(
                    name=colour, baseColorFactor=[red, green, blue, 1.0], metallicFactor=0.0, roughnessFactor=0.8
                )
            )
            scene.add_geometry(plain, node_name=name, geom_name=name, parent_node_name=parent, transform=matrix)
        else:
            scene.graph.update(frame_from=parent, frame_to=name, matrix=matrix, geometry=known[key])

    for part in parts:
        moved, turned, _ = rest[part]
        matrix = np.eye(4)
        matrix[:3, :3], matrix[:3, 3] = Rotation.from_quat(turned).as_matrix(), moved
        add(str(part), mesh(engine, part, detail, alike), palette.quiet(part.kind), "engine", matrix)
        paint = index_mark(engine, part)
        if paint is not None:
            add(f"{part}, index mark", paint, palette.INDEX_MARK, str(part), np.eye(4))
    wanted = frozenset(part.of for part in parts if part.kind is Kind.ROCKER)
    for part, body in rocker_shafts(engine, detail, wanted).items():
        add(str(part), body, palette.quiet(part.kind), "engine", np.eye(4))
    return scene


def _tell(tree: dict[str, Any], engine: Engine, parts: Iterable[Part], rest: Mapping[Part, Rest]) -> None:
    """Who made it and what it is; and poses as translation, rotation and scale, which alone can be animated."""
    tree["asset"]["generator"] = GENERATOR
    tree["asset"]["extras"] = {"notice": DISCLAIMER, "engine": engine.sheet.name, "about": engine.sheet.about}
    by_name = {str(part): part for part in parts}
    for node in tree["nodes"]:
        node.pop("matrix", None)
        part = by_name.get(node.get("name", ""))
        if part is not None:
            moved, turned, scale = rest[part]
            node["translation"], node["rotation"] = moved.tolist(), turned.tolist()
            if np.abs(scale - 1.0).max() > _SAME_SCALE:
                node["scale"] = scale.tolist()


def _cycle(engine: Engine, hung: Rig, assembly: Assembly, parts: Sequence[Part]) -> Motion:
    crank = np.linspace(0.0, 720.0, _CYCLE_SAMPLES)
    world = poses(hung, motion(engine, assembly, crank), parts)
    return Motion(FULL_CYCLE, crank / DEG_PER_S, _placed(world), _stretched(world), _absent(assembly, parts))


def _of_step(engine: Engine, hung: Rig, step: Step, parts: Sequence[Part]) -> Motion:
    """The moves of a step, at the pace of the viewer; a step in which nothing moves is one moment."""
    length = move_s(step)
    turned = abs(step.crank_deg[1] - step.crank_deg[0])  # no more than about a degree of it from sample to sample
    spans = _STEP_SPANS * max(1, math.ceil(_FASTEST * turned / _STEP_SPANS))
    samples = np.linspace(0.0, 1.0, spans + 1) if length else np.array([1.0])
    crank: list[float] = []
    free: dict[str, list[float]] = {}
    for share in samples:
        # the last moment belongs to the moves too: what they end in, before the next assembly is taken
        now = frame(step, min(share, np.nextafter(1.0, 0.0)) if length else share)
        crank.append(now.crank_deg)
        for name, value in now.free.items():
            free.setdefault(name, []).append(value)
    assembly = step.during if length else step.after
    whole = {name: np.array(values) for name, values in free.items() if len(values) == len(samples)}
    world = poses(hung, motion(engine, assembly, np.array(crank), whole), parts)
    absent = _absent(assembly, parts)
    return Motion(f"{step.number} {step.key}", samples * length, _placed(world), _stretched(world), absent)


def _absent(assembly: Assembly, parts: Iterable[Part]) -> frozenset[Part]:
    """Followers, rockers or tappets, that are not fitted."""
    return frozenset(part for part in parts if not is_fitted(assembly, part))


def _placed(world_from_part: Mapping[Part, Floats]) -> dict[Part, tuple[Floats, Floats]]:
    """Translations (N, 3) m and rotations (N, 4) xyzw in glTF's frame; the sign of a rotation does not jump."""
    placed: dict[Part, tuple[Floats, Floats]] = {}
    for part, pose in world_from_part.items():
        axes = pose[:, :3, :3] / np.linalg.norm(pose[:, :3, :3], axis=1, keepdims=True)
        turned = Rotation.from_matrix(_Y_UP @ axes @ _Y_UP.T).as_quat()
        jumps = np.sum(turned[1:] * turned[:-1], axis=1) < 0.0
        turned[1:] *= np.where(np.cumsum(jumps) % 2, -1.0, 1.0)[:, None]
        placed[part] = (pose[:, :3, 3] @ _Y_UP.T / _MM_PER_M, turned)
    return placed


def _stretched(world_from_part: Mapping[Part, Floats]) -> dict[Part, Floats]:
    """Scale (N, 3) of the parts that are not rigid, along the axes of their own frames in glTF's; others are left out.
    A spring is stretched along its x, which is x there too."""
    scales = {part: np.linalg.norm(pose[:, :3, :3], axis=1) for part, pose in world_from_part.items()}
    return {part: scale @ np.abs(_Y_UP).T for part, scale in scales.items() if np.abs(scale - 1.0).max() > _SAME_SCALE}


def _animation(
    shown: Motion,
    rest: Mapping[Part, Rest],
    tree: dict[str, Any],
    buffers: dict[str, bytes],
) -> dict[str, Any]:
    """Channels of all that leaves its place at rest, each with as few keys as hold it to its way."""
    nodes = {node.get("name"): number for number, node in enumerate(tree["nodes"])}
    channels: list[dict[str, Any]] = []
    samplers: list[dict[str, Any]] = []

    def add(part: Part, path: str, keys: Floats, values: Floats) -> None:
        samplers.append(
            {
                "input": _accessor(keys[:, None], "SCALAR", tree, buffers),
                "output": _accessor(values, _TARGETS[path], tree, buffers),
                "interpolation": "LINEAR",
            }
        )
        channels.append({"sampler": len(samplers) - 1, "target": {"node": nodes[str(part)], "path": path}})

    for part, (moved, turned) in shown.placed.items():
        if np.abs(moved - rest[part][0]).max() * _MM_PER_M > 1e-6:
            keys = _keys_of_way(moved)
            add(part, "translation", shown.seconds[keys], moved[keys])
        if _between_deg(turned, rest[part][1][None]).max() > 1e-6:
            keys = _keys_of_turn(turned)
            add(part, "rotation", shown.seconds[keys], turned[keys])
        scale = _scale(shown, part)
        if np.abs(scale - rest[part][2]).max() > _SAME_SCALE:
            keys = _keys_of_way(scale)
            add(part, "scale", shown.seconds[keys], scale[keys])
    return {"name": shown.name, "channels": channels, "samplers": samplers}


def _accessor(values: Floats, kind: str, tree: dict[str, Any], buffers: dict[str, bytes]) -> int:
    """Stores values once, however often they are wanted, and returns the number of their accessor."""
    data = np.ascontiguousarray(values, dtype="<f4")
    key = hashlib.sha256(kind.encode() + data.tobytes()).hexdigest()
    accessors = tree["accessors"]
    if key not in accessors:
        view = f"{key} values"
        buffers[view] = data.tobytes()
        accessors[key] = {
            "bufferView": list(buffers).index(view),
            "componentType": _FLOAT,
            "count": len(data),
            "type": kind,
            "min": data.min(axis=0).tolist(),
            "max": data.max(axis=0).tolist(),
        }
    return list(accessors).index(key)


def _keys_of_way(moved: Floats) -> list[int]:
    """Fewest evenly spaced samples between which a straight way is within _NEAR_MM of the way (N, 3) m."""
    count = len(moved)
    if np.abs(moved - moved[0]).max() * _MM_PER_M <= 1e-6:
        return [0]
    at = np.arange(count)
    for stride in _strides(count):
        keys = np.arange(0, count, stride)
        straight = np.stack([np.interp(at, keys, moved[keys, axis]) for axis in range(3)], axis=1)
        if np.abs(straight - moved).max() * _MM_PER_M <= _NEAR_MM:
            return [int(key) for key in keys]
    return list(range(count))


def _keys_of_turn(turned: Floats) -> list[int]:
    """As ``_keys_of_way``, of rotations (N, 4): within _NEAR_DEG, and keys no more than 60° apart."""
    count = len(turned)
    if _between_deg(turned, turned[:1]).max() <= 1e-6:
        return [0]
    walked = np.concatenate([[0.0], np.cumsum(_between_deg(turned[1:], turned[:-1]))])
    for stride in _strides(count):
        keys = np.arange(0, count, stride)
        if np.diff(walked[keys]).max() > _WIDEST_DEG:
            continue
        between = Slerp(keys, Rotation.from_quat(turned[keys]))(np.arange(count)).as_quat()
        if _between_deg(between, turned).max() <= _NEAR_DEG:
            return [int(key) for key in keys]
    return list(range(count))


def _strides(count: int) -> list[int]:
    """Distances of keys that end on the last sample, widest first."""
    return [stride for stride in range(count - 1, 1, -1) if (count - 1) % stride == 0]


def _between_deg(one: Floats, other: Floats) -> Floats:
    """Angle between rotations (N, 4) xyzw [deg]; exact near 0, where an arc cosine is not."""
    sign = np.where(np.sum(one * other, axis=-1) < 0.0, -1.0, 1.0)[..., None]
    return np.asarray(np.degrees(4.0 * np.arcsin(np.minimum(1.0, np.linalg.norm(one - sign * other, axis=-1) / 2))))
