"""From an engine and a part to its body: which builder, with which figures. Frames are those of ``kinematics.rig``.

``mesh`` gives the body, ``index_mark`` the paint on it (None where a part bears none). Nothing here knows an angle
of the crank or what is engaged.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import trimesh

from quillwise.kinematics.lobes import LOBE_WIDTH, RockerPlan, outline, pad_half_width_mm, pad_radius_mm
from quillwise.kinematics.model import CRANKSHAFT, Engine, Valve
from quillwise.kinematics.parts import Kind, Part
from quillwise.meshes import camshafts, cranks, dials, driveline, ignition, rods, solids, valves
from quillwise.meshes.solids import Detail


def mesh(engine: Engine, part: Part, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The body of a part, one closed volume in the part's own frame [mm]. Tooth counts are true at every detail."""
    return _BODIES[part.kind](engine, part, detail)


def index_mark(engine: Engine, part: Part) -> trimesh.Trimesh | None:
    """The paint on a part's index mark, slightly proud, in the part's own frame; None where it bears none."""
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


def _piston(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    bore, offset = engine.sheet.crank.bore_mm, engine.sheet.crank.gudgeon_offset_mm
    highest = max(cylinder.top_mm for cylinder in engine.cylinders.values())
    plan = cranks.Piston(
        radius_mm=bore / 2 - 0.15,
        # all crowns come up to one height under their heads, whatever rod they hang on
        crown_mm=engine.sizes.crown_mm + highest - engine.cylinders[part.of].top_mm,
        skirt_mm=0.36 * bore,
        wall_mm=0.045 * bore,
        crown_thickness_mm=0.07 * bore,
        pin_radius_mm=0.114 * bore,
        small_end_mm=0.30 * bore,
        grooves=3,
    )
    centred = cranks.piston(plan, detail)
    if not offset:
        return centred
    # the frame is the gudgeon pin's, the skirt keeps to the bore: the pin is moved across within its bosses
    body = solids.solid(solids.shifted(centred, (0.0, -offset, 0.0)))
    gap, reach = plan.small_end_mm / 2, plan.radius_mm - plan.wall_mm - abs(offset)
    between = solids.cylinder(plan.pin_radius_mm, -gap, gap, detail, centre_mm=(0.0, -offset), around=True)
    pin = solids.cylinder(plan.pin_radius_mm, -reach, reach, detail)
    return solids.mesh(solids.union(solids.difference(body, between), pin))


def _liner(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    bore, crank = engine.sheet.crank.bore_mm, engine.sheet.crank
    crown = max(cylinder.top_mm for cylinder in engine.cylinders.values()) + engine.sizes.crown_mm
    outer, bottom = 0.55 * bore, crown - crank.stroke_mm - 0.55 * bore
    own = engine.cylinders[part.of].bank_turn_deg
    for bank in engine.sheet.banks:
        apart = abs((bank.turn_deg - own + 180.0) % 360.0 - 180.0)
        if apart > 0:  # not down to where the other bank's liners stand
            bottom = max(bottom, outer / math.tan(math.radians(apart / 2)) + 0.01 * bore)
    bottom = min(bottom, crown - 0.4 * bore)  # of banks too near for their bores, a ring is left to be seen
    cut_outs = [_valve_cut_out(engine, valve, detail) for valve in engine.valves.values() if valve.cylinder == part.of]
    outside = 0.0 if engine.cylinders[part.of].towards > 0 else 180.0
    whole = cranks.liner(
        cranks.Liner(
            inner_radius_mm=bore / 2,
            wall_mm=outer - bore / 2,
            bottom_mm=bottom,
            top_mm=crown + 0.04 * bore,
            cut_from_deg=90.0 + outside,
            cut_sweep_deg=180.0,
        ),
        detail,
    )
    return solids.mesh(solids.difference(solids.solid(whole), *(each for each in cut_outs if each is not None)))


def _valve_cut_out(engine: Engine, valve: Valve, detail: Detail) -> solids.Solid | None:
    """Room in the liner for a valve that stands near or over its edge, in the frame of the liner; None where the
    valve keeps well within the bore."""
    bore, lean = engine.sheet.crank.bore_mm, valve.plan.valve_turn_deg
    radius, lowest = valve.head_radius_mm + 0.035 * bore, valve.length_mm + valve.data.lift_mm
    across = valve.x_mm - engine.cylinders[valve.cylinder].x_mm
    head_u = valve.tip_u_mm - lowest * math.sin(math.radians(lean))
    if math.hypot(head_u, across) + valve.head_radius_mm < 0.495 * bore:
        return None
    room = solids.cylinder(radius, -lowest - 0.01 * bore, 0.0, detail, around=True)
    upright = solids.turned_about_z(solids.z_laid_along_x(room), lean)
    return upright.translate((valve.tip_w_mm, valve.tip_u_mm, across))


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


def _rocker(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
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
    return valves.rocker(
        valves.Rocker(
            roller_centre_mm=(aw - pw, au - pu),
            roller_radius_mm=aw - plan.base_radius_mm,
            pad=pad,
            tip_centre_mm=(tw - pw, tu - pu),
            tip_radius_mm=plan.tip_radius_mm,
            pivot_radius_mm=0.04 * bore,
            bore_radius_mm=0.022 * bore,
            width_mm=0.09 * bore,
            roller_width_mm=0.11 * bore,
        ),
        detail,
    )


def _valve_plan(engine: Engine, part: Part) -> valves.Valve:
    bore, valve = engine.sheet.crank.bore_mm, engine.valves[part.of]
    return valves.Valve(
        length_mm=valve.length_mm,
        stem_radius_mm=0.035 * bore,
        head_radius_mm=valve.head_radius_mm,
        margin_mm=0.018 * bore,
        seat_width_mm=0.03 * bore,
        collar_radius_mm=0.07 * bore,
    )


def _valve(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    valve = engine.valves[part.of]
    body = valves.valve(_valve_plan(engine, part), detail)
    if isinstance(valve.plan, RockerPlan):
        return body
    bore = engine.sheet.crank.bore_mm
    bucket = valves.bucket(
        valves.Bucket(
            radius_mm=pad_radius_mm(valve.plan, valve.curve, bore),
            height_mm=0.18 * bore,
            face_thickness_mm=0.04 * bore,
            wall_mm=0.025 * bore,
            face_at_mm=0.0,
        ),
        detail,
    )
    return solids.mesh(solids.union(solids.solid(body), solids.solid(bucket)))


def _seat(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    plan = _valve_plan(engine, part)
    ring = solids.solid(valves.seat(plan, 0.03 * engine.sheet.crank.bore_mm, detail))
    # ground in with its valve: the two have facets of different sizes
    body = solids.mesh(solids.difference(ring, solids.solid(valves.valve(plan, detail))))
    # the builder's frame is the valve's tip, the seat's own is at the valve's head
    return solids.shifted(body, (engine.valves[part.of].length_mm, 0.0, 0.0))


def _pointer_deg(engine: Engine) -> float:
    """The pointer's direction in the crankshaft's frame at θ = 0 [deg]."""
    first_bank = engine.cylinders[engine.sheet.firing_order[0]].bank_turn_deg
    return engine.sizes.pointer_turn_deg - first_bank


def _disc_plan(engine: Engine) -> dials.Disc:
    pointer = _pointer_deg(engine)
    bore = engine.sheet.crank.bore_mm
    return dials.Disc(
        radius_mm=engine.sizes.disc_radius_mm,
        thickness_mm=0.035 * bore,
        bore_mm=2 * engine.shafts[CRANKSHAFT].radius_mm,
        zero_deg=pointer,
        marks_deg=tuple((pointer - engine.sigma * mark.crank_deg) % 360.0 for mark in engine.marks),
    )


def _disc(engine: Engine, _part: Part, detail: Detail) -> trimesh.Trimesh:
    return solids.shifted(dials.disc(_disc_plan(engine), detail), (0.0, 0.0, engine.sizes.disc_x_mm))


def _disc_mark(engine: Engine, _part: Part) -> trimesh.Trimesh:
    plan = _disc_plan(engine)
    paint = [dials.disc_index_patch(plan), *dials.disc_mark_patches(plan)]
    return solids.shifted(solids.together(*paint), (0.0, 0.0, engine.sizes.disc_x_mm))


def _window(engine: Engine, _part: Part, detail: Detail) -> trimesh.Trimesh:
    radius = engine.sizes.disc_radius_mm
    plate = dials.window(
        dials.Window(
            pointer_deg=_pointer_deg(engine),
            pointer_radius_mm=0.93 * radius,
            opening_inner_mm=0.62 * radius,
            opening_outer_mm=1.10 * radius,
            opening_deg=36.0,
            frame_mm=0.10 * radius,
            thickness_mm=0.05 * radius,
        ),
        detail,
    )
    return solids.shifted(plate, (0.0, 0.0, -0.09 * radius))


_BODIES: dict[Kind, Callable[[Engine, Part, Detail], trimesh.Trimesh]] = {
    Kind.CRANKSHAFT: _crankshaft,
    Kind.ROD: rods.rod,
    Kind.PISTON: _piston,
    Kind.CYLINDER: _liner,
    Kind.SHAFT: driveline.shaft,
    Kind.WHEEL: driveline.wheel,
    Kind.QUILL: driveline.quill,
    Kind.SLEEVE: driveline.sleeve,
    Kind.MATE: driveline.mate,
    Kind.CAMSHAFT: _camshaft,
    Kind.ROCKER: _rocker,
    Kind.VALVE: _valve,
    Kind.SEAT: _seat,
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
