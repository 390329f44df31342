"""No part floats: whatever should touch another one does, in every packaged engine, all round the cycle.

Distances are manifold3d's between the bodies that are drawn (coarse): computed, no published figures.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
import pytest
from neighbours import ON_THE_CASE, Pair, neighbours
from overlaps import overlapping, spread

from quillwise.kinematics.assembly import intended
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import rig
from quillwise.meshes import solids
from quillwise.meshes.build import mesh
from quillwise.meshes.dressing import rocker_shafts
from quillwise.scenes.library import engine as packaged

SCENES = ("larkfell-port", "larkfell-starboard", "slipway-six", "gantry-eight", "launch-inverted")
ANGLES = 24
_WITHIN_MM = 5.0


class Standing:
    """The bodies of an engine at some crank angles."""

    def __init__(self, engine: Engine, crank_deg: np.ndarray) -> None:
        self._engine = engine
        self._still = rocker_shafts(engine)
        self._posed = poses(rig(engine), motion(engine, intended(engine), crank_deg))

    @cache  # noqa: B019 - lives as long as a test
    def _body(self, part: Part) -> solids.Solid:
        return solids.solid(self._still[part] if part in self._still else mesh(self._engine, part))

    @cache  # noqa: B019
    def at(self, part: Part, step: int) -> solids.Solid:
        body = self._body(part)
        return body if part in self._still else solids.moved(body, self._posed[part][step])

    def gap_mm(self, one: Part, other: Part, step: int) -> float:
        return float(self.at(one, step).min_gap(self.at(other, step), _WITHIN_MM))


def floating(standing: Standing, pairs: Sequence[Pair], steps: Sequence[int]) -> list[str]:
    """The pairs that are apart at one of the angles. What is fixed on each other is measured once."""
    found = []
    for one, other, most_mm, moves in pairs:
        for step in steps if moves else steps[:1]:
            gap = standing.gap_mm(one, other, step)
            if gap > most_mm:
                found.append(f"{one} and {other} are {gap:.2f} mm apart, {most_mm:.2f} mm at most")
                break
    return found


@pytest.mark.parametrize("name", SCENES)
def test_every_kind_of_part_is_looked_at(name: str) -> None:
    """So that a kind that is added cannot float unseen: it touches something, or hangs on the case by name."""
    engine = packaged(name)
    touching = {part.kind for one, other, _, _ in neighbours(engine) for part in (one, other)}
    assert {part.kind for part in engine.parts} <= touching | ON_THE_CASE


@pytest.mark.parametrize("name", ["slipway-six", "gantry-eight"])
def test_what_should_touch_touches(name: str) -> None:
    """Of the first cylinder and the drive; all of all engines in the slow test."""
    engine = packaged(name)
    other_cylinders = set(list(engine.cylinders)[1:])
    pairs = [p for p in neighbours(engine) if not {part.of.split(" ")[0] for part in p[:2]} & other_cylinders]
    assert len(pairs) > 20
    assert floating(Standing(engine, spread(1)), pairs, [0]) == []


@pytest.mark.slow
@pytest.mark.parametrize("name", SCENES)
def test_what_should_touch_touches_all_round(name: str) -> None:
    """24 angles of the cycle; a cylinder's own parts at every fourth of them, another fourth for each cylinder."""
    engine = packaged(name)
    standing = Standing(engine, spread(ANGLES, 5.0))
    found: list[str] = []
    cylinders = list(engine.cylinders)
    for pair in neighbours(engine):
        own = next((cylinders.index(c) for part in pair[:2] if (c := part.of.split(" ")[0]) in cylinders), None)
        steps = range(ANGLES) if own is None else range(own % 4, ANGLES, 4)
        found += floating(standing, [pair], steps)
    assert found == []


@pytest.mark.slow
@pytest.mark.parametrize("name", ["slipway-six", "gantry-eight", "launch-inverted"])
def test_no_part_cuts_into_another_all_round(name: str) -> None:
    """As ``test_engine_fit`` for the others."""
    engine = packaged(name)
    posed = poses(rig(engine), motion(engine, intended(engine), spread(ANGLES, 11.0)))
    assert overlapping(engine, [solids.solid(mesh(engine, part)) for part in posed], posed) == {}


def test_a_part_that_is_moved_off_is_told() -> None:
    """The measure itself: a tappet a millimetre off its stem is found, and no other pair."""
    engine = packaged("slipway-six")
    standing = Standing(engine, spread(1))
    tappet = next(part for part in engine.parts if part.kind is Kind.TAPPET)
    pairs = [pair for pair in neighbours(engine) if tappet in pair[:2] and pair[1].kind is Kind.VALVE]
    assert floating(standing, pairs, [0]) == []
    standing.at = lambda part, step: Standing.at(standing, part, step).translate((0, 0, 1.0 * (part == tappet)))  # type: ignore[method-assign]
    assert len(floating(standing, pairs, [0])) == 1
