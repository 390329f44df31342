"""The magnetos from an engine: which body for rotor, shoes, breaker, points, finger and segments."""

from __future__ import annotations

import numpy as np
import trimesh

from quillwise.kinematics.magnetos import cam_lift_mm, middle_of_range_deg
from quillwise.kinematics.model import Engine, Magneto
from quillwise.kinematics.parts import Part
from quillwise.meshes import magnetos, solids
from quillwise.meshes.solids import Detail

_HEEL_NOSE = 0.15  # radius of the breaker lever's rubbing block, by the width of its arm
_MAGNET_SHARE, _INDUCTOR_SHARE = 0.6, 0.45  # of its pitch that a pole takes up
_SHOES_DEG = 180.0  # the pole shoes' core lies below the rotor: the finger is above


def _rotor_plan(engine: Engine, magneto: Magneto) -> magnetos.Rotor:
    rotor, data = engine.shafts[magneto.rotor], magneto.data
    # when the points break the rotor stands the E-gap past neutral, where a pole faces the middle between the shoes
    at_break = rotor.sense * abs(float(rotor.turns)) * (magneto.first_deg + data.break_deg)
    return magnetos.Rotor(
        poles=data.poles,
        radius_mm=magneto.radius_mm,
        length_mm=magneto.rotor_mm[1] - magneto.rotor_mm[0],
        hub_radius_mm=0.6 * magneto.radius_mm,
        shaft_radius_mm=rotor.radius_mm,
        pole_share=_INDUCTOR_SHARE if data.kind == "polar inductor" else _MAGNET_SHARE,
        phase_deg=(_SHOES_DEG + rotor.sense * data.e_gap_deg - at_break) % (360.0 / data.poles),
        mark_side=1,
    )


def rotor(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    return magnetos.rotor(_rotor_plan(engine, engine.magnetos[part.of]), detail)


def rotor_mark(engine: Engine, part: Part) -> trimesh.Trimesh:
    return magnetos.rotor_index_patch(_rotor_plan(engine, engine.magnetos[part.of]))


def pole_shoes(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
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


def _peak_mm(magneto: Magneto) -> float:
    """What the cam lifts the contact by in all."""
    pitch = 360.0 / float(magneto.data.sparks_per_turn)
    return float(np.max(cam_lift_mm(magneto.data, np.linspace(0.0, pitch, 721))))


def _breaker_cam_plan(engine: Engine, magneto: Magneto, factor: float = 1.0) -> magnetos.BreakerCam:
    """The cam as its heel sees it: on the cam's angle a the heel stands at its shaft's angle −a, half-way along the
    lever. factor: of what it lifts above the place where the points break, and falls below it."""
    rotor, own, data = engine.shafts[magneto.rotor], engine.shafts[magneto.breaker_shaft], magneto.data
    quicker = abs(float(rotor.turns / own.turns))
    around = np.arange(0.0, 360.0, 1.0)
    running = -own.sense * quicker * around - abs(float(rotor.turns)) * (magneto.first_deg + data.break_deg)
    at_break = _peak_mm(magneto) - data.points_gap_mm
    lift = at_break + factor * (cam_lift_mm(data, running) - at_break)
    # so much that the cam would be cut through is not drawn: the heel is off it there
    radius = np.maximum(magneto.breaker_radius_mm + lift / 2, 0.8 * magneto.breaker_radius_mm)
    angle = np.radians(around)
    return magnetos.BreakerCam(
        outline_mm=np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]),
        width_mm=0.06 * engine.sheet.crank.bore_mm,
        phase_deg=float(around[int(np.argmax(radius))]),
        mark_side=1,
    )


def breaker_cam(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    return magnetos.breaker_cam(_breaker_cam_plan(engine, engine.magnetos[part.of]), detail)


def breaker_cam_drawn_larger(engine: Engine, part: Part, factor: float, detail: Detail) -> trimesh.Trimesh:
    """The breaker cam for a lever that is drawn turning ``factor`` times as far: its heel rides on this one."""
    return magnetos.breaker_cam(_breaker_cam_plan(engine, engine.magnetos[part.of], factor), detail)


def breaker_cam_mark(engine: Engine, part: Part) -> trimesh.Trimesh:
    return magnetos.breaker_cam_index_patch(_breaker_cam_plan(engine, engine.magnetos[part.of]))


def breaker_lever(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    magneto, bore = engine.magnetos[part.of], engine.sheet.crank.bore_mm
    data = magneto.data
    # the heel rests where the cam, less the gap, takes the lever up; its round nose touches the cam from the side
    touch_x = magneto.breaker_radius_mm + (_peak_mm(magneto) - data.points_gap_mm) / 2 - magneto.lever_pivot_mm[0]
    arm = 0.035 * bore
    nose = _HEEL_NOSE * arm
    centre = np.array([touch_x + nose, magneto.contact_arm_mm / 2])
    heel = centre * (1 + nose / float(np.hypot(*centre)))
    return magnetos.breaker_lever(
        magnetos.BreakerLever(
            heel_mm=(float(heel[0]), float(heel[1])),
            contact_mm=(0.0, magneto.contact_arm_mm),
            contact_facing_deg=180.0,
            arm_width_mm=arm,
            thickness_mm=0.05 * bore,
            pivot_radius_mm=0.045 * bore,
            bore_radius_mm=0.02 * bore,
            contact_radius_mm=0.022 * bore,
        ),
        detail,
    )


def fixed_contact(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    magneto, bore = engine.magnetos[part.of], engine.sheet.crank.bore_mm
    x_mm, y_mm = magneto.lever_pivot_mm
    body = magnetos.fixed_contact(
        magnetos.FixedContact(contact_radius_mm=0.022 * bore, width_mm=0.06 * bore, foot_mm=0.05 * bore), detail
    )
    return solids.shifted(body, (x_mm, y_mm + magneto.contact_arm_mm, 0.0))


def _finger_plan(engine: Engine, magneto: Magneto) -> magnetos.Finger:
    bore = engine.sheet.crank.bore_mm
    return magnetos.Finger(
        radius_mm=0.20 * bore,
        hub_radius_mm=0.07 * bore,
        thickness_mm=0.05 * bore,
        tip_width_deg=magneto.data.finger_width_deg,
        mark_side=-1,
    )


def finger(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    return magnetos.finger(_finger_plan(engine, engine.magnetos[part.of]), detail)


def finger_mark(engine: Engine, part: Part) -> trimesh.Trimesh:
    return magnetos.finger_index_patch(_finger_plan(engine, engine.magnetos[part.of]))


def segment_angles_deg(engine: Engine, magneto: Magneto) -> tuple[float, ...]:
    """Where the middle of each cylinder's segment stands in the finger's frame [deg], in firing order: where the
    finger is when that cylinder's spark is due, at the middle of the advance range."""
    finger = engine.shafts[magneto.finger]
    half = abs(float(finger.turns))
    due = [magneto.due_deg[name] + middle_of_range_deg(magneto.data) for name in magneto.fires]
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


def segments(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    return magnetos.segments(_segments_plan(engine, engine.magnetos[part.of]), detail)


def segments_mark(engine: Engine, part: Part) -> trimesh.Trimesh:
    return magnetos.segments_index_patch(_segments_plan(engine, engine.magnetos[part.of]))
