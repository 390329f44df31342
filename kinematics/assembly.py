"""What is engaged where, and how it is set. A set-up step, a wrong tooth or a mistake is a function
``assembly -> assembly``; the solver has no flags.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from quillwise.kinematics.couplings import best, trials
from quillwise.kinematics.errors import RequestError, unknown
from quillwise.kinematics.model import Engine
from quillwise.kinematics.parts import FOLLOWERS, Part

ROCKERS_OFF = float("inf")  # clearance of a valve whose follower is not fitted: it never opens


@dataclass(frozen=True, kw_only=True, slots=True)
class Engaged:
    """A quill or sleeve that is home, moved by so many teeth past its driving and past its driven mate,
    + in its running direction."""

    driving_teeth: int
    driven_teeth: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Open:
    """A quill or sleeve that is drawn. ``driven_deg``: angle at which the driven shaft stands, about its own axis
    [deg, coordinate of the driven shaft]; ``driving_teeth``: how far the quill has been turned in the hand."""

    driven_deg: float
    driving_teeth: int = 0


Engagement = Engaged | Open


@dataclass(frozen=True, kw_only=True, slots=True)
class Assembly:
    """An engine as it is put together. Mappings by name: couplings, valves, magnetos, meshes.

    ``mesh_teeth``: ordinary gears meshed so many teeth out, + = the driven wheel early. ``clearances_mm``,
    ``points_gaps_mm``: as set [mm]; a clearance of ``ROCKERS_OFF``: the follower is not fitted.
    """

    engagements: Mapping[str, Engagement]
    clearances_mm: Mapping[str, float]
    points_gaps_mm: Mapping[str, float]
    mesh_teeth: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))


def intended(engine: Engine) -> Assembly:
    """Every coupling in its best position, timing valves at the checking clearance, points gaps as the data say."""
    chosen = {}
    for name, coupling in engine.couplings.items():
        trial = best(trials(coupling.data))
        chosen[name] = Engaged(driving_teeth=trial.driving_tooth, driven_teeth=trial.driven_tooth)
    return Assembly(
        engagements=MappingProxyType(chosen),
        clearances_mm=MappingProxyType(
            {name: valve.data.checking_clearance_mm for name, valve in engine.valves.items()}
        ),
        points_gaps_mm=MappingProxyType(
            {name: magneto.data.points_gap_mm for name, magneto in engine.magnetos.items()}
        ),
    )


def engage(assembly: Assembly, coupling: str, driving_teeth: int, driven_teeth: int) -> Assembly:
    """Put a quill or sleeve home at these teeth. Raises RequestError for a coupling that does not exist."""
    return _with(assembly, coupling, Engaged(driving_teeth=driving_teeth, driven_teeth=driven_teeth))


def open_at(assembly: Assembly, coupling: str, driven_deg: float, driving_teeth: int = 0) -> Assembly:
    """Draw a quill or sleeve; the driven shaft stands at ``driven_deg`` (its coordinate). Raises RequestError for a
    coupling that does not exist."""
    return _with(assembly, coupling, Open(driven_deg=driven_deg, driving_teeth=driving_teeth))


def move_teeth(assembly: Assembly, coupling: str, driving_teeth: int, driven_teeth: int) -> Assembly:
    """Move a quill that is home by so many teeth past each mate. Raises RequestError when it is drawn or does
    not exist."""
    if coupling not in assembly.engagements:
        raise RequestError(unknown("coupling", coupling, assembly.engagements))
    now = assembly.engagements[coupling]
    if isinstance(now, Open):
        raise RequestError(f"{coupling} is drawn: there are no teeth to move it from")
    return engage(assembly, coupling, now.driving_teeth + driving_teeth, now.driven_teeth + driven_teeth)


def with_clearances(assembly: Assembly, clearances_mm: Mapping[str, float]) -> Assembly:
    """Set the clearances of the valves that are named [mm]."""
    return replace(assembly, clearances_mm=MappingProxyType({**assembly.clearances_mm, **clearances_mm}))


def with_mesh_teeth(assembly: Assembly, mesh: str, teeth: int) -> Assembly:
    """Mesh an ordinary pair of gears ``teeth`` out, + = driven wheel early. A name that the engine has not moves
    nothing: the assembly does not know the gears."""
    return replace(assembly, mesh_teeth=MappingProxyType({**assembly.mesh_teeth, mesh: teeth}))


def is_fitted(assembly: Assembly, part: Part) -> bool:
    """Whether a part is on the engine: rockers and tappets are left off until their camshaft is set."""
    return part.kind not in FOLLOWERS or assembly.clearances_mm[part.of] < ROCKERS_OFF


def _with(assembly: Assembly, coupling: str, engagement: Engagement) -> Assembly:
    if coupling not in assembly.engagements:
        raise RequestError(unknown("coupling", coupling, assembly.engagements))
    return replace(assembly, engagements=MappingProxyType({**assembly.engagements, coupling: engagement}))
