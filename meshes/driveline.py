"""The drive from an engine: which body for its shafts, wheels, quills, sleeves and mates, with which figures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import trimesh

from quillwise.kinematics.gears import cone_deg
from quillwise.kinematics.model import RING_PLATE_FACES, Coupling, Engine, Wheel
from quillwise.kinematics.parts import Part
from quillwise.meshes import dogs, gears, solids, splines
from quillwise.meshes.solids import Detail

# in modules: how far a quill's ends lie inside its mates
_QUILL_SHORT = 0.3


def shaft(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    shaft = engine.shafts[part.of]
    body = solids.cylinder(shaft.radius_mm, *shaft.span_mm, detail)
    if shaft.bore_mm:
        low, high = shaft.span_mm
        body = solids.difference(body, solids.cylinder(shaft.bore_mm, low - 1, high + 1, detail, around=True))
    return solids.mesh(body)


def _front(engine: Engine, shaft: str) -> solids.Side:
    """The face of a wheel that looks to the wheelcase end."""
    return -1 if engine.shafts[shaft].axis[0] > 0 else 1


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


def wheel(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    plan = _wheel_plan(engine, engine.wheels[part.of])
    if isinstance(plan, gears.Spur):
        return gears.spur(plan, detail)
    return _ring(plan, detail) if isinstance(plan, gears.Ring) else gears.bevel(plan, detail)


def _ring(plan: gears.Ring, detail: Detail) -> trimesh.Trimesh:
    """The ring with the plate that joins it to its shaft, just clear of the pinion inside."""
    inner, outer = plan.root_radius_mm + 0.4 * plan.rim_mm, plan.root_radius_mm + 0.99 * plan.rim_mm
    low, high = (share * plan.face_mm for share in RING_PLATE_FACES)
    rim = solids.difference(
        solids.cylinder(outer, 0.3 * plan.face_mm, high, detail),
        solids.cylinder(inner, 0.0, low + 1, detail, around=True),
    )
    plate = solids.cylinder(outer, low, high, detail)
    return solids.mesh(solids.union(solids.solid(gears.ring(plan, detail)), rim, plate))


def wheel_mark(engine: Engine, part: Part) -> trimesh.Trimesh:
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
    short = _short_mm(coupling)
    return splines.Quill(
        length_mm=spans[high][1] - spans[low][0] - 2 * short,
        driving=toothed[low],
        driving_length_mm=spans[low][1] - spans[low][0] - short,
        driven=toothed[high],
        driven_length_mm=spans[high][1] - spans[high][0] - short,
        waist_radius_mm=0.82 * least,
    )


def _short_mm(coupling: Coupling) -> float:
    """By how much a quill ends inside its mates, so that the marks on its ends clear the shafts."""
    return _QUILL_SHORT * coupling.module_mm


def quill(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    body = splines.quill(_quill_plan(engine, part), detail)
    return solids.shifted(body, (0.0, 0.0, _short_mm(engine.couplings[part.of])))


def quill_mark(engine: Engine, part: Part) -> trimesh.Trimesh:
    plan = _quill_plan(engine, part)
    marks = solids.together(splines.quill_index_patch(plan, "driving"), splines.quill_index_patch(plan, "driven"))
    return solids.shifted(marks, (0.0, 0.0, _short_mm(engine.couplings[part.of])))


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
    toothed = {
        "driving": _dogs(coupling, "driving", dogs.engaged_phase_deg(0.0, data.driving_teeth)),
        "driven": _dogs(coupling, "driven", dogs.engaged_phase_deg(0.0, data.driven_teeth)),
    }
    low, high = ("driving", "driven") if _driving_is_low(coupling) else ("driven", "driving")
    ends = coupling.driving_mm + coupling.driven_mm
    return dogs.Sleeve(
        length_mm=max(ends) - min(ends),
        inner_radius_mm=inner,
        outer_radius_mm=outer,
        driving=toothed[low],
        driven=toothed[high],
    )


def _driving_is_low(coupling: Coupling) -> bool:
    """Whether the driving end lies at the lower end along the axis."""
    return coupling.driving_mm[0] < coupling.driven_mm[0]


def sleeve(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    return dogs.sleeve(_sleeve_plan(engine, part), detail)


def sleeve_mark(engine: Engine, part: Part) -> trimesh.Trimesh:
    plan = _sleeve_plan(engine, part)
    return solids.together(dogs.sleeve_index_patch(plan, "driving"), dogs.sleeve_index_patch(plan, "driven"))


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
    low = (end == "driving") == _driving_is_low(coupling)
    flange = dogs.Flange(
        dogs=_dogs(coupling, end, phase),
        inner_radius_mm=inner,
        outer_radius_mm=outer,
        thickness_mm=0.05 * bore,
        side=1 if low else -1,
    )
    return flange, 0.0 if low else span[1] - span[0]


def mate(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    plan, along = _mate_plan(engine, part)
    body = splines.mate(plan, detail) if isinstance(plan, splines.Mate) else dogs.flange(plan, detail)
    return solids.shifted(body, (0.0, 0.0, along))


def whole_mate(engine: Engine, part: Part, detail: Detail) -> trimesh.Trimesh:
    """The mate without the opening that other pictures look through, for a drawing that cuts it itself."""
    plan, along = _mate_plan(engine, part)
    if isinstance(plan, dogs.Flange):
        return mate(engine, part, detail)
    return solids.shifted(splines.mate(replace(plan, cut_sweep_deg=0.0), detail), (0.0, 0.0, along))


def mate_mark(engine: Engine, part: Part) -> trimesh.Trimesh:
    plan, along = _mate_plan(engine, part)
    mark = splines.mate_index_patch(plan) if isinstance(plan, splines.Mate) else dogs.flange_index_patch(plan)
    return solids.shifted(mark, (0.0, 0.0, along))


def end_on(
    engine: Engine, coupling: Coupling, detail: Detail
) -> tuple[trimesh.Trimesh, trimesh.Trimesh, trimesh.Trimesh, trimesh.Trimesh]:
    """The teeth of a coupling's driven end for looking at along the axis: the mate's ring, whole and without a floor,
    and the quill's or sleeve's teeth sawn off, each with the paint on its mark.

    Returns (ring, its paint, stub, its paint). The ring lies in the frame of the driven mate; the stub in that of the
    quill or sleeve, but moved along the axis towards the viewer, so that it stands before the ring however far it is
    drawn. Lengths along the axis are not true.
    """
    data = coupling.data
    start = min(coupling.driving_mm[0], coupling.driven_mm[0])
    length = coupling.driven_mm[1] - coupling.driven_mm[0]
    before = coupling.driven_mm[0] - start - 1.1 * abs(coupling.drawn_mm) - 1.5 * length
    own = _driven_phase_deg(engine, coupling)
    if data.kind == "quill":
        ring = splines.Mate(
            spline=_spline(coupling, "driven", own),
            length_mm=length,
            outer_radius_mm=0.155 * engine.sheet.crank.bore_mm,
        )
        inner = _spline(coupling, "driven", splines.engaged_phase_deg(0.0, data.driven_teeth))
        made = (splines.mate(ring, detail), splines.mate_index_patch(ring))
        stub = (splines.stub(inner, length, detail), splines.stub_index_patch(inner))
    else:
        low, high = _dog_radii(coupling)
        outside = dogs.Stub(
            dogs=_dogs(coupling, "driven", own),
            inner_radius_mm=low,
            outer_radius_mm=high,
            length_mm=length,
            rim_mm=0.2 * high,
            rim="outside",
        )
        inside = dogs.Stub(
            dogs=_dogs(coupling, "driven", dogs.engaged_phase_deg(0.0, data.driven_teeth)),
            inner_radius_mm=low,
            outer_radius_mm=high,
            length_mm=length,
            rim_mm=0.3 * low,
            rim="inside",
        )
        made = (dogs.stub(outside, detail), dogs.stub_index_patch(outside))
        stub = (dogs.stub(inside, detail), dogs.stub_index_patch(inside))
    body, paint = (solids.shifted(each, (0.0, 0.0, before)) for each in stub)
    return (*made, body, paint)
