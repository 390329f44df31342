"""Which parts of an engine have a volume in common, where they stand. Volumes by manifold3d."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from quillwise.kinematics.angles import Floats
from quillwise.kinematics.model import CRANKSHAFT, Engine
from quillwise.kinematics.parts import Kind, Part
from quillwise.meshes import solids

PAIR_OVERLAP_MM3 = 0.05  # two parts anywhere in the engine that do not belong to one shaft
GOLDEN = (np.sqrt(5) - 1) / 2


def spread(count: int, start_deg: float = 37.0) -> Floats:
    """Crank angles over the cycle at the golden section: no two in the same place of any tooth."""
    return np.asarray(start_deg + 720.0 * GOLDEN * np.arange(count))


def shaft_of(engine: Engine, part: Part) -> str:
    """The shaft that a part is fixed on, or the part's own name: parts of one shaft sit on each other."""
    match part.kind:
        case Kind.SHAFT | Kind.CAMSHAFT:
            return part.of
        case Kind.CRANKSHAFT | Kind.DISC:
            return CRANKSHAFT
        case Kind.WHEEL:
            return engine.wheels[part.of].shaft
        case Kind.MATE:
            name, end = part.of.rsplit(" ", 1)
            return engine.couplings[name].driving if end == "driving" else engine.couplings[name].driven
        case Kind.ROTOR | Kind.BREAKER_CAM:
            return engine.magnetos[part.of].rotor
        case Kind.FINGER:
            return engine.magnetos[part.of].finger
    return str(part)


def overlapping(
    engine: Engine, bodies: Sequence[solids.Solid], placed: Mapping[Part, Floats]
) -> dict[tuple[Part, Part], float]:
    """Every pair of parts of different shafts that has a volume in common at one of the poses [mm³]. bodies: one a
    part of ``placed``, each in its own frame; placed: poses (N, 4, 4)."""
    parts = tuple(placed)
    owner = [shaft_of(engine, part) for part in parts]
    apart = np.array([[one != other for other in owner] for one in owner])
    found: dict[tuple[Part, Part], float] = {}
    for step in range(len(placed[parts[0]])):
        there = [solids.moved(body, placed[part][step]) for body, part in zip(bodies, parts, strict=True)]
        bounds = np.array([each.bounding_box() for each in there])
        near = np.all(bounds[:, None, :3] < bounds[None, :, 3:], axis=2)
        for i, j in np.argwhere(np.triu(near & near.T & apart, 1)):
            shared = float((there[i] ^ there[j]).volume())
            if shared > found.get((parts[i], parts[j]), PAIR_OVERLAP_MM3):
                found[parts[i], parts[j]] = shared
    return found
