"""Bodies where a state puts them, in the world. Nothing here needs a window or OpenGL."""

from __future__ import annotations

from collections.abc import Collection

import trimesh

from quillwise.kinematics.angles import Floats
from quillwise.kinematics.assembly import Assembly, is_fitted
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import State
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import rig
from quillwise.meshes.blanks import blank
from quillwise.meshes.build import Made, mesh
from quillwise.meshes.solids import Detail

Bodies = dict[str, trimesh.Trimesh]
GROOVED = (Kind.PISTON, Kind.SPRING)  # round parts whose hulls are what they look like from afar


class Store:
    """The bodies of an engine, made once and stood where a state puts them."""

    def __init__(self, engine: Engine, detail: Detail = "coarse") -> None:
        self.engine = engine
        self._detail: Detail = detail
        self.rig = rig(engine)
        self._made: dict[tuple[Part, bool], trimesh.Trimesh] = {}
        self._alike: Made = {}

    def body(self, part: Part, simple: bool = False) -> trimesh.Trimesh:
        """A part's body in its own frame; simple: without its teeth, rings or coils."""
        if (part, simple) not in self._made:
            if not simple:
                made = mesh(self.engine, part, self._detail, self._alike)
            elif part.kind in GROOVED:
                made = self.body(part).convex_hull
            else:
                made = blank(self.body(part))
            self._made[part, simple] = made
        return self._made[part, simple]

    def standing(
        self, parts: Collection[Part], assembly: Assembly, state: State, simple: Collection[Part] = ()
    ) -> Bodies:
        """Bodies of parts in the world, by name, at a state of one value. simple: those drawn without their teeth,
        rings or coils. Parts that are not fitted are left out."""
        world = poses(self.rig, state, parts)
        return {
            str(part): moved(self.body(part, part in simple), world[part][0])
            for part in parts
            if is_fitted(assembly, part)
        }


def moved(body: trimesh.Trimesh, pose: Floats) -> trimesh.Trimesh:
    """A body from its own frame into the world."""
    return trimesh.Trimesh(body.vertices @ pose[:3, :3].T + pose[:3, 3], body.faces, process=False)
