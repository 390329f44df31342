"""From an engine and a part to its body: which builder, with which figures. Part frames are those of ``kinematics.rig``.

``mesh`` gives the body, ``index_mark`` the paint on it (None where a part bears none). Nothing here knows an angle
of the crank or what is engaged.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import trimesh

from quillwise.kinematics.gears import cone_deg
from quillwise.kinematics.lobes import RockerPlan, outline
from quillwise.kinematics.magnetos import cam_lift_mm, middle_of_range_deg
from quillwise.kinematics.model import CRANKSHAFT, Coupling, Engine, Magneto, Wheel
from quillwise.kinematics.parts import Kind, Part
from quillwise.meshes import camshafts, cranks, dials, dogs, gears, magnetos, solids, splines, valves
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
    pins: dict[int, list[tuple[float, float]]] = {}
    for cylinder in engine.cylinders.values():
        pins.setdefault(cylinder.number, []).append((cylinder.x_mm, cylinder.pin_turn_deg))
    throws = tuple(
        cranks.Throw(z_mm=float(np.mean([x for x, _ in at])), angle_deg=at[0][1])
        for at in sorted(pins.values(), key=lambda at: at[0][0])
    )
    across = 2 if engine.sheet.crank.rods == "side-by-side" and len(engine.sheet.banks) > 1 else 1
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


def _rod(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    bore, sizes, crank = engine.sheet.crank.bore_mm, engine.sizes, engine.sheet.crank
    banks = [bank.name for bank in engine.sheet.banks]
    forked = crank.rods == "fork-and-blade" and len(banks) > 1
    width = sizes.rod_width_mm
    kind: cranks.RodKind = "plain"
    if forked:
        kind = "fork" if engine.cylinders[part.of].bank == banks[0] else "blade"
    slot = 0.42 * width
    big = {"plain": 0.96 * width, "fork": 0.96 * width, "blade": 0.92 * slot}[kind]
    return cranks.rod(
        cranks.Rod(
            length_mm=crank.rod_length_mm,
            big_bore_radius_mm=sizes.pin_radius_mm + 0.1,
            big_radius_mm=sizes.pin_radius_mm + 0.09 * bore,
            big_width_mm=big,
            small_bore_radius_mm=0.115 * bore,
            small_radius_mm=0.18 * bore,
            small_width_mm=0.28 * bore,
            shank_width_mm=0.20 * bore,
            shank_depth_mm=0.12 * bore,
            kind=kind,
            slot_mm=slot if kind == "fork" else 0.0,
        ),
        detail,
    )


def _piston(engine: Engine, _part: Part, detail: Detail) -> trimesh.Trimesh:
    bore = engine.sheet.crank.bore_mm
    return cranks.piston(
        cranks.Piston(
            radius_mm=bore / 2 - 0.15,
            crown_mm=engine.sizes.crown_mm,
            skirt_mm=0.36 * bore,
            wall_mm=0.045 * bore,
            crown_thickness_mm=0.07 * bore,
            pin_radius_mm=0.114 * bore,
            small_end_mm=0.30 * bore,
            grooves=3,
        ),
        detail,
    )


def _liner(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    bore, crank = engine.sheet.crank.bore_mm, engine.sheet.crank
    crown = crank.rod_length_mm + crank.stroke_mm / 2 + engine.sizes.crown_mm
    outside = 0.0 if engine.cylinders[part.of].bank_turn_deg <= 0 else 180.0
    return cranks.liner(
        cranks.Liner(
            inner_radius_mm=bore / 2,
            wall_mm=0.05 * bore,
            bottom_mm=crown - crank.stroke_mm - 0.55 * bore,
            top_mm=crown + 0.04 * bore,
            cut_from_deg=90.0 + outside,
            cut_sweep_deg=180.0,
        ),
        detail,
    )


def _shaft(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    shaft = engine.shafts[part.of]
    body = solids.cylinder(shaft.radius_mm, *shaft.span_mm, detail)
    if shaft.bore_mm:
        low, high = shaft.span_mm
        body = solids.difference(body, solids.cylinder(shaft.bore_mm, low - 1, high + 1, detail, around=True))
    return solids.mesh(body)


def _wheel_plan(engine: Engine, wheel: Wheel) -> gears.Spur | gears.Ring | gears.Bevel:
    shaft = engine.shafts[wheel.shaft]
    # a hollow shaft ends at its pinion's back; a solid one goes through
    bore = 0.0 if shaft.bore_mm else 2 * shaft.radius_mm
    if wheel.kind == "spur":
        root = wheel.module_mm * (wheel.teeth / 2 - 1.25)
        return gears.Spur(
            teeth=wheel.teeth,
            module_mm=wheel.module_mm,
            face_mm=wheel.face_mm,
            bore_mm=min(bore, 1.4 * root),
            phase_deg=wheel.phase_deg,
            mark_side=_front(engine, wheel.shaft),
        )
    if wheel.kind == "internal":
        return gears.Ring(
            teeth=wheel.teeth,
            module_mm=wheel.module_mm,
            face_mm=wheel.face_mm,
            rim_mm=3 * wheel.module_mm,
            phase_deg=wheel.phase_deg,
            mark_side=_front(engine, wheel.shaft),
        )
    return gears.Bevel(
        teeth=wheel.teeth,
        cone_angle_deg=cone_deg(wheel.teeth, wheel.mating_teeth),
        module_mm=wheel.module_mm,
        face_mm=wheel.face_mm,
        side=1 if wheel.side > 0 else -1,
        bore_mm=bore,
        phase_deg=wheel.phase_deg,
    )


def _front(engine: Engine, shaft: str) -> solids.Side:
    """The face of a wheel that looks to the wheelcase end."""
    return -1 if engine.shafts[shaft].axis[0] > 0 else 1


def _wheel(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    plan = _wheel_plan(engine, engine.wheels[part.of])
    if isinstance(plan, gears.Spur):
        return gears.spur(plan, detail)
    return gears.ring(plan, detail) if isinstance(plan, gears.Ring) else gears.bevel(plan, detail)


def _wheel_mark(engine: Engine, part: Part) -> trimesh.Trimesh:
    plan = _wheel_plan(engine, engine.wheels[part.of])
    if isinstance(plan, gears.Spur):
        return gears.spur_index_patch(plan)
    return gears.ring_index_patch(plan) if isinstance(plan, gears.Ring) else gears.bevel_index_patch(plan)


def _driven_phase_deg(engine: Engine, coupling: Coupling) -> float:
    """Angle of a driven mate's tooth in its shaft's frame: opposite to the shaft's lead in trial 0."""
    return -engine.shafts[coupling.driven].sense * coupling.data.tooth_phase_deg


def _spline(coupling: Coupling, end: str, phase_deg: float) -> splines.Spline:
    data = coupling.data
    teeth = data.driving_teeth if end == "driving" else data.driven_teeth
    play = 0.02 * coupling.module_mm
    if end == "driven":
        play += np.radians(data.free_play_driven_shaft_deg) * teeth * coupling.module_mm / 2
    return splines.Spline(teeth=teeth, module_mm=coupling.module_mm, phase_deg=phase_deg, play_mm=float(play) / 2)


def _quill_plan(engine: Engine, part: Part) -> splines.Quill:
    coupling = engine.couplings[part.of]
    data = coupling.data
    toothed = {
        "driving": _spline(coupling, "driving", splines.engaged_phase_deg(0.0, data.driving_teeth)),
        "driven": _spline(coupling, "driven", splines.engaged_phase_deg(0.0, data.driven_teeth)),
    }
    spans = {"driving": coupling.driving_mm, "driven": coupling.driven_mm}
    low, high = sorted(spans, key=lambda end: spans[end][0])
    least = min(spline.external_minor_radius_mm for spline in toothed.values())
    return splines.Quill(
        length_mm=spans[high][1] - spans[low][0],
        driving=toothed[low],
        driving_length_mm=spans[low][1] - spans[low][0],
        driven=toothed[high],
        driven_length_mm=spans[high][1] - spans[high][0],
        waist_radius_mm=0.82 * least,
    )


def _quill(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    return splines.quill(_quill_plan(engine, part), detail)


def _quill_mark(engine: Engine, part: Part) -> trimesh.Trimesh:
    plan = _quill_plan(engine, part)
    return trimesh.util.concatenate([splines.quill_index_patch(plan, end) for end in ("driving", "driven")])


def _dog_radii(coupling: Coupling) -> tuple[float, float]:
    most = max(coupling.data.driving_teeth, coupling.data.driven_teeth)
    outer = coupling.module_mm * most / 2
    return 0.62 * outer, outer


def _dogs(coupling: Coupling, end: str, phase_deg: float) -> dogs.Dogs:
    span = coupling.driving_mm if end == "driving" else coupling.driven_mm
    count = coupling.data.driving_teeth if end == "driving" else coupling.data.driven_teeth
    play = 0.1 + (coupling.data.free_play_driven_shaft_deg if end == "driven" else 0.0)
    return dogs.Dogs(count=count, height_mm=span[1] - span[0], phase_deg=phase_deg, play_deg=play / 2)


def _sleeve_plan(engine: Engine, part: Part) -> dogs.Sleeve:
    coupling = engine.couplings[part.of]
    inner, outer = _dog_radii(coupling)
    data = coupling.data
    return dogs.Sleeve(
        length_mm=max(coupling.driven_mm) - min(coupling.driving_mm),
        inner_radius_mm=inner,
        outer_radius_mm=outer,
        driving=_dogs(coupling, "driving", dogs.engaged_phase_deg(0.0, data.driving_teeth)),
        driven=_dogs(coupling, "driven", dogs.engaged_phase_deg(0.0, data.driven_teeth)),
    )


def _sleeve(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    return dogs.sleeve(_sleeve_plan(engine, part), detail)


def _sleeve_mark(engine: Engine, part: Part) -> trimesh.Trimesh:
    return dogs.sleeve_index_patch(_sleeve_plan(engine, part))


def _mate_plan(engine: Engine, part: Part) -> tuple[splines.Mate | dogs.Flange, float]:
    """The mate, and how far its builder's frame lies along the axis from the part's frame [mm]."""
    name, end = part.of.rsplit(" ", 1)
    coupling = engine.couplings[name]
    bore = engine.sheet.crank.bore_mm
    phase = 0.0 if end == "driving" else _driven_phase_deg(engine, coupling)
    span = coupling.driving_mm if end == "driving" else coupling.driven_mm
    if coupling.data.kind == "quill":
        mate = splines.Mate(
            spline=_spline(coupling, end, phase),
            length_mm=span[1] - span[0],
            outer_radius_mm=0.155 * bore,
            cut_from_deg=-135.0,
            cut_sweep_deg=90.0,
        )
        return mate, 0.0
    inner, outer = _dog_radii(coupling)
    driving = end == "driving"
    flange = dogs.Flange(
        dogs=_dogs(coupling, end, phase),
        inner_radius_mm=inner,
        outer_radius_mm=outer,
        thickness_mm=0.05 * bore,
        side=1 if driving else -1,
    )
    return flange, 0.0 if driving else span[1] - span[0]


def _mate(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    plan, along = _mate_plan(engine, part)
    body = splines.mate(plan, detail) if isinstance(plan, splines.Mate) else dogs.flange(plan, detail)
    return _along(body, along)


def _mate_mark(engine: Engine, part: Part) -> trimesh.Trimesh:
    plan, along = _mate_plan(engine, part)
    mark = splines.mate_index_patch(plan) if isinstance(plan, splines.Mate) else dogs.flange_index_patch(plan)
    return _along(mark, along)


def _along(body: trimesh.Trimesh, z_mm: float) -> trimesh.Trimesh:
    return body.apply_translation((0.0, 0.0, z_mm)) if z_mm else body


def _camshaft(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    bore, shaft = engine.sheet.crank.bore_mm, engine.shafts[part.of]
    turns = float(shaft.turns) * engine.sigma
    lobes, xs = [], []
    for valve in engine.valves.values():
        if valve.camshaft != part.of:
            continue
        firing = engine.cylinders[valve.cylinder].firing_deg
        shape = outline(valve.plan, valve.curve, firing, turns, 120 if detail == "coarse" else 360)
        # the lobe's plane is (u, w), the shaft's frame has w along x and u along y
        lobes.append(camshafts.Lobe(outline_mm=shape[::-1, ::-1], z_mm=valve.x_mm, width_mm=0.12 * bore))
        xs.append(engine.cylinders[valve.cylinder].x_mm)
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
    (pu, pw), (ru, rw), (tu, tw) = plan.pivot_mm, plan.roller_mm, plan.tip_mm
    return valves.rocker(
        valves.Rocker(
            roller_centre_mm=(rw - pw, ru - pu),
            roller_radius_mm=plan.roller_radius_mm,
            tip_centre_mm=(tw - pw, tu - pu),
            tip_radius_mm=plan.tip_radius_mm,
            pivot_radius_mm=0.07 * bore,
            bore_radius_mm=0.04 * bore,
            width_mm=0.09 * bore,
            roller_width_mm=0.11 * bore,
        ),
        detail,
    )


def _valve_plan(engine: Engine, part: Part) -> valves.Valve:
    bore, valve = engine.sheet.crank.bore_mm, engine.valves[part.of]
    return valves.Valve(
        length_mm=valve.length_mm,
        stem_radius_mm=0.04 * bore,
        head_radius_mm=valve.head_radius_mm,
        margin_mm=0.018 * bore,
        seat_width_mm=0.03 * bore,
        collar_radius_mm=0.10 * bore,
    )


def _valve(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    valve = engine.valves[part.of]
    body = valves.valve(_valve_plan(engine, part), detail)
    if isinstance(valve.plan, RockerPlan):
        return body
    bore = engine.sheet.crank.bore_mm
    bucket = valves.bucket(
        valves.Bucket(
            radius_mm=0.16 * bore,
            height_mm=0.18 * bore,
            face_thickness_mm=0.04 * bore,
            wall_mm=0.025 * bore,
            face_at_mm=0.0,
        ),
        detail,
    )
    return solids.mesh(solids.union(solids.solid(body), solids.solid(bucket)))


def _seat(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    body = valves.seat(_valve_plan(engine, part), 0.03 * engine.sheet.crank.bore_mm, detail)
    # the builder's frame is the valve's tip, the seat's own is at the valve's head
    return body.apply_translation((engine.valves[part.of].length_mm, 0.0, 0.0))


def _rotor_plan(engine: Engine, magneto: Magneto) -> magnetos.Rotor:
    rotor, data = engine.shafts[magneto.rotor], magneto.data
    # when the points break the rotor stands the E-gap past neutral, where a pole faces the middle between the shoes
    at_break = rotor.sense * abs(float(rotor.turns)) * data.break_deg
    return magnetos.Rotor(
        poles=data.poles,
        radius_mm=magneto.radius_mm,
        length_mm=magneto.rotor_mm[1] - magneto.rotor_mm[0],
        hub_radius_mm=0.6 * magneto.radius_mm,
        shaft_radius_mm=rotor.radius_mm,
        phase_deg=(_SHOES_DEG + rotor.sense * data.e_gap_deg - at_break) % (360.0 / data.poles),
        mark_side=1,
    )


_SHOES_DEG = 180.0  # the pole shoes' core lies below the rotor: the finger is above


def _rotor(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    return magnetos.rotor(_rotor_plan(engine, engine.magnetos[part.of]), detail)


def _rotor_mark(engine: Engine, part: Part) -> trimesh.Trimesh:
    return magnetos.rotor_index_patch(_rotor_plan(engine, engine.magnetos[part.of]))


def _pole_shoes(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    magneto, bore = engine.magnetos[part.of], engine.sheet.crank.bore_mm
    return magnetos.pole_shoes(
        magnetos.PoleShoes(
            poles=magneto.data.poles,
            rotor_radius_mm=magneto.radius_mm,
            gap_mm=0.4,
            thickness_mm=0.06 * bore,
            length_mm=magneto.rotor_mm[1] - magneto.rotor_mm[0],
            core_at_mm=1.6 * magneto.radius_mm,
            middle_deg=_SHOES_DEG,
        ),
        detail,
    )


def _breaker_cam_plan(engine: Engine, magneto: Magneto) -> magnetos.BreakerCam:
    """The cam as its heel sees it: on the cam's angle a the heel stands at rotor angle −a, half-way along the lever."""
    rotor, data = engine.shafts[magneto.rotor], magneto.data
    around = np.arange(0.0, 360.0, 1.0)
    running = -rotor.sense * around - abs(float(rotor.turns)) * data.break_deg
    radius = magneto.breaker_radius_mm + cam_lift_mm(data, running) / 2
    angle = np.radians(around)
    return magnetos.BreakerCam(
        outline_mm=np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]),
        width_mm=0.06 * engine.sheet.crank.bore_mm,
        phase_deg=float(around[int(np.argmax(radius))]),
        mark_side=1,
    )


def _breaker_cam(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    return magnetos.breaker_cam(_breaker_cam_plan(engine, engine.magnetos[part.of]), detail)


def _breaker_cam_mark(engine: Engine, part: Part) -> trimesh.Trimesh:
    return magnetos.breaker_cam_index_patch(_breaker_cam_plan(engine, engine.magnetos[part.of]))


def _breaker_lever(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    magneto, bore = engine.magnetos[part.of], engine.sheet.crank.bore_mm
    data = magneto.data
    peak = float(np.max(cam_lift_mm(data, np.linspace(0.0, 360.0 / data.lobes, 721))))
    # the heel rests where the cam, less the gap, takes the lever up
    heel_x = magneto.breaker_radius_mm + (peak - data.points_gap_mm) / 2 - magneto.lever_pivot_mm[0]
    return magnetos.breaker_lever(
        magnetos.BreakerLever(
            heel_mm=(heel_x, magneto.contact_arm_mm / 2),
            contact_mm=(0.0, magneto.contact_arm_mm),
            contact_facing_deg=180.0,
            arm_width_mm=0.035 * bore,
            thickness_mm=0.05 * bore,
            pivot_radius_mm=0.045 * bore,
            bore_radius_mm=0.02 * bore,
            contact_radius_mm=0.022 * bore,
        ),
        detail,
    )


def _fixed_contact(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    magneto, bore = engine.magnetos[part.of], engine.sheet.crank.bore_mm
    x_mm, y_mm = magneto.lever_pivot_mm
    body = magnetos.fixed_contact(
        magnetos.FixedContact(contact_radius_mm=0.022 * bore, width_mm=0.06 * bore, foot_mm=0.05 * bore), detail
    )
    return body.apply_translation((x_mm, y_mm + magneto.contact_arm_mm, 0.0))


def _finger_plan(engine: Engine, _magneto: Magneto) -> magnetos.Finger:
    bore = engine.sheet.crank.bore_mm
    return magnetos.Finger(
        radius_mm=0.20 * bore,
        hub_radius_mm=0.07 * bore,
        thickness_mm=0.05 * bore,
        tip_width_deg=_magneto.data.finger_width_deg,
        mark_side=-1,
    )


def _finger(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    return magnetos.finger(_finger_plan(engine, engine.magnetos[part.of]), detail)


def _finger_mark(engine: Engine, part: Part) -> trimesh.Trimesh:
    return magnetos.finger_index_patch(_finger_plan(engine, engine.magnetos[part.of]))


def segment_angles_deg(engine: Engine, magneto: Magneto) -> tuple[float, ...]:
    """Where the middle of each cylinder's segment stands in the finger's frame [deg], in firing order: where the
    finger is when that cylinder's spark is due, at the middle of the advance range."""
    finger = engine.shafts[magneto.finger]
    half = abs(float(finger.turns))
    due = [engine.cylinders[name].firing_deg + middle_of_range_deg(magneto.data) for name in engine.sheet.firing_order]
    return tuple(float(finger.sense * half * angle % 360.0) for angle in due)


def _segments_plan(engine: Engine, magneto: Magneto) -> magnetos.Segments:
    bore = engine.sheet.crank.bore_mm
    return magnetos.Segments(
        angles_deg=segment_angles_deg(engine, magneto),
        segment_width_deg=magneto.data.segment_width_deg,
        stud_radius_mm=0.205 * bore,
        ring_inner_mm=0.245 * bore,
        ring_outer_mm=0.275 * bore,
        thickness_mm=0.05 * bore,
        mark_side=-1,
    )


def _segments(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    return magnetos.segments(_segments_plan(engine, engine.magnetos[part.of]), detail)


def _segments_mark(engine: Engine, part: Part) -> trimesh.Trimesh:
    return magnetos.segments_index_patch(_segments_plan(engine, engine.magnetos[part.of]))


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
    return _along(dials.disc(_disc_plan(engine), detail), engine.sizes.disc_x_mm)


def _disc_mark(engine: Engine, _part: Part) -> trimesh.Trimesh:
    plan = _disc_plan(engine)
    paint = [dials.disc_index_patch(plan), *dials.disc_mark_patches(plan)]
    return _along(trimesh.util.concatenate(paint), engine.sizes.disc_x_mm)


def _window(engine: Engine, _part: Part, detail: Detail) -> trimesh.Trimesh:
    radius = engine.sizes.disc_radius_mm
    return dials.window(
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
    ).apply_translation((0.0, 0.0, -0.09 * radius))


_BODIES: dict[Kind, Callable[[Engine, Part, Detail], trimesh.Trimesh]] = {
    Kind.CRANKSHAFT: _crankshaft,
    Kind.ROD: _rod,
    Kind.PISTON: _piston,
    Kind.CYLINDER: _liner,
    Kind.SHAFT: _shaft,
    Kind.WHEEL: _wheel,
    Kind.QUILL: _quill,
    Kind.SLEEVE: _sleeve,
    Kind.MATE: _mate,
    Kind.CAMSHAFT: _camshaft,
    Kind.ROCKER: _rocker,
    Kind.VALVE: _valve,
    Kind.SEAT: _seat,
    Kind.ROTOR: _rotor,
    Kind.POLE_SHOES: _pole_shoes,
    Kind.BREAKER_CAM: _breaker_cam,
    Kind.FIXED_POINT: _fixed_contact,
    Kind.MOVING_POINT: _breaker_lever,
    Kind.FINGER: _finger,
    Kind.SEGMENTS: _segments,
    Kind.DISC: _disc,
    Kind.WINDOW: _window,
}

_MARKS: dict[Kind, Callable[[Engine, Part], trimesh.Trimesh]] = {
    Kind.WHEEL: _wheel_mark,
    Kind.QUILL: _quill_mark,
    Kind.SLEEVE: _sleeve_mark,
    Kind.MATE: _mate_mark,
    Kind.ROTOR: _rotor_mark,
    Kind.BREAKER_CAM: _breaker_cam_mark,
    Kind.FINGER: _finger_mark,
    Kind.SEGMENTS: _segments_mark,
    Kind.DISC: _disc_mark,
}
