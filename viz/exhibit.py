"""An engine on a stage: its parts made once, moved to any moment of the job."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING

import numpy as np
import trimesh
from numpy.typing import NDArray

from quillwise.kinematics.assembly import Assembly, is_fitted
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import State, motion
from quillwise.kinematics.parts import FOLLOWERS, Kind, Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import Rig
from quillwise.kinematics.steps import Frame
from quillwise.meshes import dressing
from quillwise.meshes.build import Made, index_mark, mesh
from quillwise.meshes.solids import Detail, together

if TYPE_CHECKING:
    from quillwise.viz.stage import Stage

# Liners would hide the pistons; they come on by choice.
HIDDEN = frozenset({Kind.CYLINDER})

_THIN = (Kind.SPRING, Kind.FEELER)

Body = tuple[trimesh.Trimesh, NDArray[np.bool_] | None]


def bodies(engine: Engine, parts: Collection[Part] | None = None, detail: Detail = "coarse") -> dict[Part, Body]:
    """Body of each part with its painted mark joined on, and which faces (F,) are paint (None: no mark). Parts of one
    shape share one body.

    Of the whole engine also the rocker shafts, which are no part of its list: they stand still in the world.
    """
    made: dict[Part, Body] = {}
    alike: Made = {}
    for part in engine.parts if parts is None else parts:
        body, paint = mesh(engine, part, detail, alike), index_mark(engine, part)
        made[part] = (body, None) if paint is None else painted(body, paint)
    if parts is None:
        made |= {part: (body, None) for part, body in dressing.rocker_shafts(engine, detail).items()}
    return made


def painted(body: trimesh.Trimesh, paint: trimesh.Trimesh) -> Body:
    """A body with the paint of its mark joined on, and which faces (F,) are paint."""
    faces = np.zeros(len(body.faces) + len(paint.faces), dtype=bool)
    faces[len(body.faces) :] = True
    return together(body, paint), faces


def furnish(stage: Stage, made: Mapping[Part, Body]) -> None:
    """Put parts on the stage as found; those of ``HIDDEN`` kinds are there but not shown."""
    for part, (body, marked) in made.items():
        # lines along thin wire or a thin blade would make it black
        stage.add(part, body, marked=marked, edges=part.kind not in _THIN)
        if part.kind in HIDDEN:
            stage.show(part, False)


def state_at(engine: Engine, frame: Frame) -> State:
    """The state at one moment of the job, arrays of one value."""
    return motion(engine, frame.assembly, frame.crank_deg, frame.free)


def place(stage: Stage, rig: Rig, state: State, parts: Collection[Part] | None = None) -> None:
    """Move the parts on the stage to a state of one value."""
    stage.move({part: pose[0] for part, pose in poses(rig, state, parts).items()})


def swept_by_crank(engine: Engine) -> NDArray[np.float64]:
    """Points (N, 3) round all that the throws of the crank sweep: a camera that holds them cuts no web at any angle."""
    crank = engine.sheet.crank
    radius = crank.stroke_mm / 2 + 0.32 * crank.bore_mm
    turn = np.radians(np.arange(0.0, 360.0, 15.0))
    round_about = np.column_stack([np.zeros_like(turn), radius * np.cos(turn), radius * np.sin(turn)])
    xs = [cylinder.x_mm for cylinder in engine.cylinders.values()]
    return np.vstack([round_about + (x, 0.0, 0.0) for x in (min(xs), max(xs))])


def fit_followers(stage: Stage, assembly: Assembly) -> None:
    """Show the rockers and tappets that are fitted, and no others."""
    for part, role in stage.keys():
        if part.kind in FOLLOWERS and role == "found":
            stage.show(part, is_fitted(assembly, part))
