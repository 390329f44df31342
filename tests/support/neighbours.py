"""Which parts of an engine should touch which, and how near they then are, facets and running play allowed for."""

from __future__ import annotations

from collections.abc import Iterator

from overlaps import shaft_of

from quillwise.kinematics.model import Engine
from quillwise.kinematics.parts import FOLLOWERS, Kind, Part
from quillwise.meshes.dressing import rocker_shaft_of

# What hangs on the case, which is not drawn: it stands still in the world and touches nothing that is drawn.
ON_THE_CASE = frozenset(
    {Kind.CYLINDER, Kind.POLE_SHOES, Kind.FIXED_POINT, Kind.SEGMENTS, Kind.WINDOW, Kind.ROCKER_SHAFT}
)
FACETS_MM = 0.3  # a coarse round part lies so far within its true circle
OIL_MM = 0.2  # with the facets of the eye round a pin

Pair = tuple[Part, Part, float, bool]


def neighbours(engine: Engine) -> Iterator[Pair]:
    """Pairs that touch: one, other, greatest distance [mm], and whether they move against each other."""
    crank = Part(Kind.CRANKSHAFT)
    bore = engine.sheet.crank.bore_mm
    for name in engine.cylinders:
        rod = Part(Kind.ROD, name)
        yield Part(Kind.PISTON, name), rod, FACETS_MM + OIL_MM, True
        yield rod, _big_end(engine, name), FACETS_MM + OIL_MM, True
    for name, valve in engine.valves.items():
        stem, seat, spring = (Part(kind, name) for kind in (Kind.VALVE, Kind.SEAT, Kind.SPRING))
        yield stem, seat, 0.0035 * bore + FACETS_MM, True  # the guide's bore is a tenth wider than the stem
        yield spring, seat, FACETS_MM, True  # the wire has five corners
        yield spring, stem, FACETS_MM, True
        (follower,) = [Part(kind, name) for kind in FOLLOWERS if Part(kind, name) in engine.parts]
        clearance = valve.data.checking_clearance_mm
        yield follower, Part(Kind.CAMSHAFT, valve.camshaft), FACETS_MM + clearance, True
        yield follower, stem, 0.05 + (clearance if follower.kind is Kind.ROCKER else 0.0), True
        shaft = rocker_shaft_of(engine, name)
        if shaft is not None:
            yield follower, shaft, 0.01 * bore, True
    for name, coupling in engine.couplings.items():
        quill = Part(Kind.QUILL if coupling.data.kind == "quill" else Kind.SLEEVE, name)
        for end in ("driving", "driven"):
            yield quill, Part(Kind.MATE, f"{name} {end}"), 0.15 * coupling.module_mm, True
    for pair in engine.meshes.values():
        module = engine.wheels[pair.driving].module_mm
        yield Part(Kind.WHEEL, pair.driving), Part(Kind.WHEEL, pair.driven), 0.2 * module, True
    for name in engine.magnetos:
        cam, lever, fixed = (Part(k, name) for k in (Kind.BREAKER_CAM, Kind.MOVING_POINT, Kind.FIXED_POINT))
        gap = engine.magnetos[name].data.points_gap_mm
        yield lever, cam, FACETS_MM + gap, True  # the heel is off the cam while the points are shut
        yield lever, fixed, 0.05 + gap, True
    for part in engine.parts:
        shaft = shaft_of(engine, part)
        if shaft not in engine.shafts:
            continue
        bar = next(p for p in (Part(Kind.SHAFT, shaft), Part(Kind.CAMSHAFT, shaft), crank) if p in engine.parts)
        if part != bar:
            yield part, bar, FACETS_MM, False


def _big_end(engine: Engine, cylinder: str) -> Part:
    """What a rod's big end turns on: the crank, or the rod that bears its wrist pin."""
    if engine.cylinders[cylinder].linkage.link is None:
        return Part(Kind.CRANKSHAFT)
    own = engine.cylinders[cylinder]
    master = next(
        other.name
        for other in engine.cylinders.values()
        if other.throw_mm == own.throw_mm and other.linkage.link is None
    )
    return Part(Kind.ROD, master)
