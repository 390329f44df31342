"""From an engine and a part to its body: which builder, with which figures. Frames are those of ``kinematics.rig``.

``mesh`` gives the body, ``index_mark`` the paint on it (None where a part bears none). Nothing here knows an angle
of the crank or what is engaged.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable
from typing import NamedTuple

import trimesh

from quillwise.kinematics.lobes import (
    LOBE_WIDTH,
    FlatPlan,
    RockerPlan,
    outline,
    pad_half_width_mm,
    pad_radius_mm,
    reach_mm,
)
from quillwise.kinematics.model import CRANKSHAFT, Engine, Valve
from quillwise.kinematics.parts import Kind, Part
from quillwise.meshes import camshafts, cranks, dials, driveline, ignition, rods, solids, springs, valves
from quillwise.meshes.solids import Detail


class Recipe(NamedTuple):
    """How a body is made: parts whose recipes are equal have one shape. figures: all that ``make`` needs, before the
    detail."""

    make: Callable[..., trimesh.Trimesh]
    figures: tuple[Hashable, ...]


Made = dict[tuple[Recipe, Detail], trimesh.Trimesh]


def mesh(engine: Engine, part: Part, detail: Detail = "coarse", made: Made | None = None) -> trimesh.Trimesh:
    """The body of a part, one closed volume in the part's own frame [mm]. Tooth counts are true at every detail.

    made: bodies that this function gave before; one of the same shape is given again, the same object, and what is
    made is added. Whoever hands it in changes none of the bodies.

    Raises KeyError for a part that the engine has not; ValueError where its sizes make no body.
    """
    if part.kind in _OF_ITS_OWN:
        return _OF_ITS_OWN[part.kind](engine, part, detail)
    recipe = _RECIPES[part.kind](engine, part)
    known = {} if made is None else made
    if (recipe, detail) not in known:
        known[recipe, detail] = recipe.make(*recipe.figures, detail)
    return known[recipe, detail]


def index_mark(engine: Engine, part: Part) -> trimesh.Trimesh | None:
    """The paint on a part's index mark, slightly proud, in the part's own frame [mm]; None where it bears none. Raises
    KeyError for a part that the engine has not."""
    maker = _MARKS.get(part.kind)
    return None if maker is None else maker(engine, part)


def _crankshaft(engine: Engine, _part: Part, detail: Detail) -> trimesh.Trimesh:
    bore, sizes, shaft = engine.sheet.crank.bore_mm, engine.sizes, engine.shafts[CRANKSHAFT]
    pins = {cylinder.throw_mm: cylinder.pin_turn_deg for cylinder in engine.cylinders.values()}
    throws = tuple(cranks.Throw(z_mm=z, angle_deg=pins[z]) for z in sorted(pins))
    across = len(engine.sheet.banks) if engine.sheet.crank.rods == "side-by-side" else 1
    return cranks.crankshaft(
        cranks.Crankshaft(
            throws=throws,
            throw_mm=engine.sheet.crank.stroke_mm / 2,
            main_radius_mm=sizes.main_radius_mm,
            pin_radius_mm=sizes.pin_radius_mm,
            pin_width_mm=across * sizes.rod_width_mm + 0.02 * bore,
            web_mm=0.13 * bore,
            nose_radius_mm=shaft.radius_mm,
            nose_end_mm=shaft.span_mm[0],
            flange_radius_mm=0.38 * bore,
            flange_mm=0.12 * bore,
            flange_end_mm=shaft.span_mm[1],
        ),
        detail,
    )


def crown_mm(engine: Engine, cylinder: str) -> float:
    """From a piston's gudgeon pin up to its crown [mm]: all crowns come up to one height under their heads, whatever
    rod they hang on."""
    highest = max(each.top_mm for each in engine.cylinders.values())
    return engine.sizes.crown_mm + highest - engine.cylinders[cylinder].top_mm


def _piston(engine: Engine, part: Part) -> Recipe:
    bore, offset = engine.sheet.crank.bore_mm, engine.sheet.crank.gudgeon_offset_mm
    plan = cranks.Piston(
        radius_mm=bore / 2 - 0.15,
        crown_mm=crown_mm(engine, part.of),
        skirt_mm=0.36 * bore,
        wall_mm=0.045 * bore,
        crown_thickness_mm=0.07 * bore,
        pin_radius_mm=0.114 * bore,
        small_end_mm=0.30 * bore,
        grooves=3,
    )
    return Recipe(_piston_body, (plan, offset))


def _piston_body(plan: cranks.Piston, offset: float, detail: Detail) -> trimesh.Trimesh:
    centred = cranks.piston(plan, detail)
    if not offset:
        return centred
    # the frame is the gudgeon pin's, the skirt keeps to the bore: the pin is moved across within its bosses
    body = solids.solid(solids.shifted(centred, (0.0, -offset, 0.0)))
    gap, reach = plan.small_end_mm / 2, plan.radius_mm - plan.wall_mm - abs(offset)
    between = solids.cylinder(plan.pin_radius_mm, -gap, gap, detail, centre_mm=(0.0, -offset), around=True)
    pin = solids.cylinder(plan.pin_radius_mm, -reach, reach, detail)
    return solids.mesh(solids.union(solids.difference(body, between), pin))


def _liner(engine: Engine, part: Part) -> Recipe:
    bore, crank = engine.sheet.crank.bore_mm, engine.sheet.crank
    crown = max(cylinder.top_mm for cylinder in engine.cylinders.values()) + engine.sizes.crown_mm
    outer, bottom = 0.55 * bore, crown - crank.stroke_mm - 0.55 * bore
    own = engine.cylinders[part.of].bank_turn_deg
    for bank in engine.sheet.banks:
        apart = abs((bank.turn_deg - own + 180.0) % 360.0 - 180.0)
        if apart > 0:  # not down to where the other bank's liners stand
            bottom = max(bottom, outer / math.tan(math.radians(apart / 2)) + 0.01 * bore)
    bottom = min(bottom, crown - 0.4 * bore)  # of banks too near for their bores, a ring is left to be seen
    cut_outs = [_valve_cut_out(engine, valve) for valve in engine.valves.values() if valve.cylinder == part.of]
    outside = 0.0 if engine.cylinders[part.of].towards > 0 else 180.0
    plan = cranks.Liner(
        inner_radius_mm=bore / 2,
        wall_mm=outer - bore / 2,
        bottom_mm=bottom,
        top_mm=crown + 0.04 * bore,
        cut_from_deg=90.0 + outside,
        cut_sweep_deg=180.0,
    )
    return Recipe(_liner_body, (plan, tuple(each for each in cut_outs if each is not None)))


class _CutOut(NamedTuple):
    """Room in a liner for a valve: a round hole from the valve's tip down, in the frame of the liner."""

    radius_mm: float
    lowest_mm: float
    lean_deg: float
    tip_mm: tuple[float, float, float]


def _liner_body(plan: cranks.Liner, cut_outs: tuple[_CutOut, ...], detail: Detail) -> trimesh.Trimesh:
    cutters = []
    for each in cut_outs:
        room = solids.cylinder(each.radius_mm, each.lowest_mm, 0.0, detail, around=True)
        upright = solids.turned_about_z(solids.z_laid_along_x(room), each.lean_deg)
        cutters.append(upright.translate(each.tip_mm))
    return solids.mesh(solids.difference(solids.solid(cranks.liner(plan, detail)), *cutters))


def _valve_cut_out(engine: Engine, valve: Valve) -> _CutOut | None:
    """Room for a valve that stands near or over the liner's edge; None where it keeps well within the bore."""
    bore, lean = engine.sheet.crank.bore_mm, valve.plan.valve_turn_deg
    radius, lowest = valve.head_radius_mm + 0.035 * bore, valve.length_mm + valve.data.lift_mm
    across = valve.x_mm - engine.cylinders[valve.cylinder].x_mm
    head_u = valve.tip_u_mm - lowest * math.sin(math.radians(lean))
    if math.hypot(head_u, across) + valve.head_radius_mm < 0.495 * bore:
        return None
    return _CutOut(radius, -lowest - 0.01 * bore, lean, (valve.tip_w_mm, valve.tip_u_mm, across))


def lobe_slice(engine: Engine, valve: str, detail: Detail = "fine") -> trimesh.Trimesh:
    """A short piece of the camshaft with one valve's lobe, in the camshaft's frame: for a close-up along the shaft."""
    bore = engine.sheet.crank.bore_mm
    shaft = engine.shafts[engine.valves[valve].camshaft]
    lobe = _lobe(engine, engine.valves[valve], detail)
    return camshafts.camshaft(
        camshafts.Camshaft(
            start_mm=lobe.z_mm - 0.12 * bore,
            end_mm=lobe.z_mm + 0.12 * bore,
            shaft_radius_mm=shaft.radius_mm,
            lobes=(lobe,),
        ),
        detail,
    )


def _lobe(engine: Engine, valve: Valve, detail: Detail) -> camshafts.Lobe:
    turns = float(engine.shafts[valve.camshaft].turns) * engine.sigma
    firing = engine.cylinders[valve.cylinder].firing_deg
    shape = outline(valve.plan, valve.curve, firing, turns, 120 if detail == "coarse" else 360)
    # the lobe's plane is (u, w), the shaft's frame has w along x and u along y
    width = LOBE_WIDTH * engine.sheet.crank.bore_mm
    return camshafts.Lobe(outline_mm=shape[::-1, ::-1], z_mm=valve.x_mm, width_mm=width)


def _camshaft(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    bore, shaft = engine.sheet.crank.bore_mm, engine.shafts[part.of]
    own = [valve for valve in engine.valves.values() if valve.camshaft == part.of]
    lobes = [_lobe(engine, valve, detail) for valve in own]
    xs = [engine.cylinders[valve.cylinder].x_mm for valve in own]
    half = engine.sizes.bore_spacing_mm / 2
    places = sorted({x - half for x in xs} | {max(xs) + 0.28 * bore})
    journals = tuple(
        camshafts.Journal(z_mm=z, width_mm=0.08 * bore, radius_mm=1.25 * shaft.radius_mm)
        for z in places
        if shaft.span_mm[0] + 0.3 * bore < z < shaft.span_mm[1]
    )
    return camshafts.camshaft(
        camshafts.Camshaft(
            start_mm=shaft.span_mm[0],
            end_mm=shaft.span_mm[1],
            shaft_radius_mm=shaft.radius_mm,
            lobes=tuple(lobes),
            journals=journals,
        ),
        detail,
    )


def _rocker(engine: Engine, part: Part) -> Recipe:
    bore, plan = engine.sheet.crank.bore_mm, engine.valves[part.of].plan
    assert isinstance(plan, RockerPlan)
    (pu, pw), (au, aw), (fu, fw), (tu, tw) = plan.pivot_mm, plan.arm_end_mm, plan.roller_mm, plan.tip_mm
    pad = None
    if plan.pad:
        pad = valves.Pad(
            centre_mm=(fw - pw, fu - pu),
            radius_mm=plan.roller_radius_mm,
            half_width_mm=pad_half_width_mm(plan, engine.valves[part.of].curve) + 0.02 * bore,
        )
    figures = valves.Rocker(
        roller_centre_mm=(aw - pw, au - pu),
        roller_radius_mm=aw - plan.base_radius_mm,
        pad=pad,
        tip_centre_mm=(tw - pw, tu - pu),
        tip_radius_mm=plan.tip_radius_mm,
        pivot_radius_mm=0.04 * bore,
        bore_radius_mm=0.022 * bore,
        width_mm=0.09 * bore,
        roller_width_mm=0.11 * bore,
    )
    return Recipe(valves.rocker, (figures,))


def _bucket_plan(engine: Engine, valve: Valve, plan: FlatPlan) -> valves.Bucket:
    bore = engine.sheet.crank.bore_mm
    return valves.Bucket(
        radius_mm=pad_radius_mm(plan, valve.curve, bore),
        height_mm=0.18 * bore,
        face_thickness_mm=0.04 * bore,
        wall_mm=0.025 * bore,
        face_at_mm=0.0,
    )


def _collar_mm(engine: Engine, valve: Valve) -> float:
    """Radius of the collar that holds the spring: wide where the heads, the nose of the lobe or the bucket over it
    leave room for it."""
    bore, plan = engine.sheet.crank.bore_mm, valve.plan
    wide = max(0.07 * bore, 0.48 * valve.head_radius_mm)
    if not isinstance(plan, RockerPlan):
        bucket = _bucket_plan(engine, valve, plan)
        return min(wide, bucket.radius_mm - bucket.wall_mm - 0.005 * bore)
    lean = math.radians(plan.valve_turn_deg)
    across, up = valve.tip_u_mm - valve.camshaft_u_mm, valve.tip_w_mm - engine.sizes.camshaft_height_mm
    beside = abs(across * math.cos(lean) - up * math.sin(lean))
    return min(wide, max(beside - reach_mm(plan, valve.curve) - 0.005 * bore, 0.055 * bore))


def _valve_plan(engine: Engine, part: Part) -> valves.Valve:
    bore, valve = engine.sheet.crank.bore_mm, engine.valves[part.of]
    under = 0.0
    if not isinstance(valve.plan, RockerPlan):
        bucket = _bucket_plan(engine, valve, valve.plan)
        under = bucket.face_at_mm - bucket.face_thickness_mm
    return valves.Valve(
        length_mm=valve.length_mm,
        stem_radius_mm=0.035 * bore,
        head_radius_mm=valve.head_radius_mm,
        margin_mm=0.018 * bore,
        seat_width_mm=0.03 * bore,
        collar_radius_mm=_collar_mm(engine, valve),
        tip_mm=under,
    )


def _valve(engine: Engine, part: Part) -> Recipe:
    return Recipe(valves.valve, (_valve_plan(engine, part),))


def _tappet(engine: Engine, part: Part) -> Recipe:
    valve = engine.valves[part.of]
    assert not isinstance(valve.plan, RockerPlan)
    return Recipe(valves.bucket, (_bucket_plan(engine, valve, valve.plan),))


def _seat(engine: Engine, part: Part) -> Recipe:
    plan, bore, valve = _valve_plan(engine, part), engine.sheet.crank.bore_mm, engine.valves[part.of]
    piece = springs.HeadPiece(
        wall_mm=0.03 * bore,
        guide_wall_mm=0.018 * bore,
        foot_mm=valve.spring_mm[0],
        flange_mm=_collar_mm(engine, valve),
    )
    return Recipe(_seat_body, (plan, piece))


def _seat_body(plan: valves.Valve, piece: springs.HeadPiece, detail: Detail) -> trimesh.Trimesh:
    # the builder's frame is the valve's tip, the seat's own is at the valve's head
    return solids.shifted(springs.head_piece(plan, piece, detail), (plan.length_mm, 0.0, 0.0))


def _spring(engine: Engine, part: Part) -> Recipe:
    bore, valve = engine.sheet.crank.bore_mm, engine.valves[part.of]
    foot, end = valve.spring_mm
    collar = _collar_mm(engine, valve)
    widest = min(0.024 * bore, collar - 0.043 * bore)  # it stays off the stem
    figures = springs.Spring(
        length_mm=end - foot,
        radius_mm=collar - 0.004 * bore,
        wire_mm=min(widest, 0.85 * (end - foot - valve.data.lift_mm) / 7.5),
    )
    return Recipe(springs.spring, (figures,))


def _pointer_deg(engine: Engine) -> float:
    """The pointer's direction in the crankshaft's frame at θ = 0 [deg]."""
    first_bank = engine.cylinders[engine.sheet.firing_order[0]].bank_turn_deg
    return engine.sizes.pointer_turn_deg - first_bank


def disc_degree_deg(engine: Engine, crank_deg: float) -> float:
    """Where a degree of the crank is engraved on the disc: the angle in the crankshaft's frame [deg]."""
    return (_pointer_deg(engine) - engine.sigma * crank_deg) % 360.0


def _disc_plan(engine: Engine) -> dials.Disc:
    pointer = _pointer_deg(engine)
    bore = engine.sheet.crank.bore_mm
    return dials.Disc(
        radius_mm=engine.sizes.disc_radius_mm,
        thickness_mm=0.035 * bore,
        bore_mm=2 * engine.shafts[CRANKSHAFT].radius_mm,
        zero_deg=pointer,
        marks_deg=tuple(disc_degree_deg(engine, mark.crank_deg) for mark in engine.marks),
    )


def _disc(engine: Engine, _part: Part, detail: Detail) -> trimesh.Trimesh:
    return solids.shifted(dials.disc(_disc_plan(engine), detail), (0.0, 0.0, engine.sizes.disc_x_mm))


def _disc_mark(engine: Engine, _part: Part) -> trimesh.Trimesh:
    plan = _disc_plan(engine)
    paint = [dials.disc_index_patch(plan), *dials.disc_mark_patches(plan)]
    return solids.shifted(solids.together(*paint), (0.0, 0.0, engine.sizes.disc_x_mm))


_OPENING_INNER, _WINDOW_FRAME = 0.62, 0.10
WINDOW_BAND = _OPENING_INNER - _WINDOW_FRAME / 2  # of the disc's radius: the middle of the frame below the opening


def _window(engine: Engine, _part: Part, detail: Detail) -> trimesh.Trimesh:
    radius = engine.sizes.disc_radius_mm
    plate = dials.window(
        dials.Window(
            pointer_deg=_pointer_deg(engine),
            pointer_radius_mm=0.93 * radius,
            opening_inner_mm=_OPENING_INNER * radius,
            opening_outer_mm=1.10 * radius,
            opening_deg=36.0,
            frame_mm=_WINDOW_FRAME * radius,
            thickness_mm=0.05 * radius,
        ),
        detail,
    )
    return solids.shifted(plate, (0.0, 0.0, -0.09 * radius))


# of these one shape serves many parts
_RECIPES: dict[Kind, Callable[[Engine, Part], Recipe]] = {
    Kind.ROD: lambda engine, part: Recipe(rods.body, rods.figures(engine, part)),
    Kind.PISTON: _piston,
    Kind.CYLINDER: _liner,
    Kind.ROCKER: _rocker,
    Kind.TAPPET: _tappet,
    Kind.VALVE: _valve,
    Kind.SEAT: _seat,
    Kind.SPRING: _spring,
}

_OF_ITS_OWN: dict[Kind, Callable[[Engine, Part, Detail], trimesh.Trimesh]] = {
    Kind.CRANKSHAFT: _crankshaft,
    Kind.SHAFT: driveline.shaft,
    Kind.WHEEL: driveline.wheel,
    Kind.QUILL: driveline.quill,
    Kind.SLEEVE: driveline.sleeve,
    Kind.MATE: driveline.mate,
    Kind.CAMSHAFT: _camshaft,
    Kind.ROTOR: ignition.rotor,
    Kind.POLE_SHOES: ignition.pole_shoes,
    Kind.BREAKER_CAM: ignition.breaker_cam,
    Kind.FIXED_POINT: ignition.fixed_contact,
    Kind.MOVING_POINT: ignition.breaker_lever,
    Kind.FINGER: ignition.finger,
    Kind.SEGMENTS: ignition.segments,
    Kind.DISC: _disc,
    Kind.WINDOW: _window,
}

_MARKS: dict[Kind, Callable[[Engine, Part], trimesh.Trimesh]] = {
    Kind.WHEEL: driveline.wheel_mark,
    Kind.QUILL: driveline.quill_mark,
    Kind.SLEEVE: driveline.sleeve_mark,
    Kind.MATE: driveline.mate_mark,
    Kind.ROTOR: ignition.rotor_mark,
    Kind.BREAKER_CAM: ignition.breaker_cam_mark,
    Kind.FINGER: ignition.finger_mark,
    Kind.SEGMENTS: ignition.segments_mark,
    Kind.DISC: _disc_mark,
}
