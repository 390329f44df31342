"""What no part list names, but without which parts would float: the shafts that rockers turn on."""

from __future__ import annotations

from collections.abc import Collection

import trimesh

from quillwise.kinematics.lobes import RockerPlan
from quillwise.kinematics.model import Engine, Valve
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.rig import bank_frame
from quillwise.meshes.solids import Detail, cylinder, mesh, shifted

_PINS = 0.0215  # radius of a rocker shaft ÷ bore: it turns in a hole of 0.022


def rocker_shafts(
    engine: Engine, detail: Detail = "coarse", valves: Collection[str] | None = None
) -> dict[Part, trimesh.Trimesh]:
    """A shaft for each row of rockers of a bank, in the world, named by its camshaft and the kind of its valves.

    valves: the rows of these alone (all when left out).
    """
    bore = engine.sheet.crank.bore_mm
    rows: dict[str, list[Valve]] = {}
    for valve in engine.valves.values():
        if isinstance(valve.plan, RockerPlan):
            kind = valve.name.removeprefix(f"{valve.cylinder} ")
            rows.setdefault(f"{valve.camshaft} {kind}", []).append(valve)
    return {
        Part(Kind.ROCKER_SHAFT, name): _pin(engine, row[0], [valve.x_mm for valve in row], 0.10 * bore, detail)
        for name, row in rows.items()
        if valves is None or any(valve.name in valves for valve in row)
    }


def rocker_shaft_of(engine: Engine, valve: str) -> Part | None:
    """The shaft that a valve's rocker turns on; None for a flat follower."""
    return next(iter(rocker_shafts(engine, "coarse", [valve])), None)


def rocker_pin(engine: Engine, valve: str, detail: Detail = "fine") -> trimesh.Trimesh:
    """A short piece of the shaft on which one rocker turns, in the world. Raises ValueError for a flat follower."""
    own = engine.valves[valve]
    return _pin(engine, own, [own.x_mm], 0.06 * engine.sheet.crank.bore_mm, detail)


def _pin(engine: Engine, valve: Valve, xs_mm: list[float], beyond_mm: float, detail: Detail) -> trimesh.Trimesh:
    if not isinstance(valve.plan, RockerPlan):
        raise ValueError(f"{valve.name} has no rocker")
    pivot_u, pivot_w = valve.plan.pivot_mm
    radius = _PINS * engine.sheet.crank.bore_mm
    low, high = min(xs_mm) - beyond_mm, max(xs_mm) + beyond_mm
    body = mesh(cylinder(radius, low, high, detail))
    body = shifted(body, (engine.sizes.camshaft_height_mm + pivot_w, valve.camshaft_u_mm + pivot_u, 0.0))
    body.apply_transform(bank_frame(engine.cylinders[valve.cylinder].bank_turn_deg, 0.0).matrix)
    return body
