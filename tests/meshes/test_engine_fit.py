"""How the bodies of whole engines fit together in the poses: nothing cuts into anything, what should touch touches.

Engines: both packaged ones, an in-line six and a V-8 (90°, four throws, rods side by side, flat followers, other
tooth counts). Overlaps are volumes by manifold3d, gaps its least distances: computed here, no published figures.
Bodies are coarse, their round parts up to 0.3 mm inside the true circle, where only overlap counts, and fine
(0.02 mm) where a gap is measured.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import cache, lru_cache
from itertools import combinations

import numpy as np
import pytest
import random_engines
from numpy.typing import NDArray
from overlaps import overlapping, shaft_of, spread

from quillwise.kinematics.assembly import (
    Assembly,
    Engaged,
    intended,
    move_teeth,
    open_at,
    with_mesh_teeth,
)
from quillwise.kinematics.build import build
from quillwise.kinematics.lobes import FlatPlan, RockerPlan
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import State, cam_travel_mm, motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import rig
from quillwise.meshes import solids
from quillwise.meshes.build import mesh
from quillwise.meshes.ignition import segment_angles_deg
from quillwise.scenes.library import engine as packaged

Floats = NDArray[np.float64]

# what two meshing wheels may have in common per module² of face, and what they must have half a tooth out
OVERLAP_SHARE, CLASH_SHARE = 0.001, 0.3
# a joint of splines or dogs, by module² × engaged length: in place, and half a tooth out of line
SPLINE_OVERLAP_SHARE, SPLINE_CLASH_SHARE = 0.001, 0.3
TOUCH_MM = 0.05  # how near bodies must be that touch: facets of 0.02 mm on both
LOBE_OVERLAP_MM3 = 0.05  # a roller and a lobe whose flats stand off the law by 0.03 mm (coarse)

every_engine = pytest.mark.parametrize("name", ["larkfell-port", "larkfell-starboard", "six", "eight"])
rocker_engines = pytest.mark.parametrize("name", ["larkfell-port", "larkfell-starboard", "six"])


@lru_cache(maxsize=4)
def an_engine(name: str) -> Engine:
    """One of the four engines by name."""
    if name == "six":
        return build(random_engines.in_line_six("anticlockwise"))
    if name == "eight":
        sheet = random_engines.v_eight()
        flat = [replace(valve, follower="flat") for valve in (sheet.inlet, sheet.exhaust)]
        return build(replace(sheet, inlet=flat[0], exhaust=flat[1]))
    return packaged(name)


@cache
def body(name: str, part: Part, detail: solids.Detail = "coarse") -> solids.Solid:
    return solids.solid(mesh(an_engine(name), part, detail))


class Posed:
    """Bodies of an engine where they stand at some crank angles."""

    def __init__(self, name: str, assembly: Assembly, crank_deg: Floats, parts: Iterable[Part]) -> None:
        self.name, self.parts = name, tuple(parts)
        engine = an_engine(name)
        self.state: State = motion(engine, assembly, crank_deg)
        self.poses: Mapping[Part, Floats] = poses(rig(engine), self.state, self.parts)

    def at(self, part: Part, step: int, detail: solids.Detail = "coarse") -> solids.Solid:
        return solids.moved(body(self.name, part, detail), self.poses[part][step])

    def overlap_mm3(self, one: Part, other: Part, step: int, detail: solids.Detail = "coarse") -> float:
        return float((self.at(one, step, detail) ^ self.at(other, step, detail)).volume())

    def gap_mm(
        self, one: Part, other: Part, step: int, detail: solids.Detail = "fine", within_mm: float = 2.0
    ) -> float:
        """The least distance between two bodies, or ``within_mm`` when it is more."""
        return float(self.at(one, step, detail).min_gap(self.at(other, step, detail), within_mm))


def as_intended(name: str) -> Assembly:
    return intended(an_engine(name))


# --- wheels


def worst_mesh_overlap(name: str, assembly: Assembly, crank_deg: Floats) -> dict[str, float]:
    """Of each mesh: the greatest overlap at these angles, by module² × face."""
    engine = an_engine(name)
    wheels = [Part(Kind.WHEEL, wheel) for wheel in engine.wheels]
    posed = Posed(name, assembly, crank_deg, wheels)
    worst = {}
    for mesh_name, pair in engine.meshes.items():
        one, other = Part(Kind.WHEEL, pair.driving), Part(Kind.WHEEL, pair.driven)
        wheel = engine.wheels[pair.driving]
        most = max(posed.overlap_mm3(one, other, step) for step in range(len(crank_deg)))
        worst[mesh_name] = most / (wheel.module_mm**2 * wheel.face_mm)
    return worst


@every_engine
def test_meshing_teeth_interleave(name: str) -> None:
    worst = worst_mesh_overlap(name, as_intended(name), spread(12))
    assert set(worst) == set(an_engine(name).meshes)
    assert all(share <= OVERLAP_SHARE for share in worst.values()), worst


@every_engine
def test_meshing_teeth_interleave_after_a_wrong_tooth(name: str) -> None:
    wrong = as_intended(name)
    for number, coupling in enumerate(wrong.engagements):
        wrong = move_teeth(wrong, coupling, 1 + number, -2)
    for mesh_name in an_engine(name).meshes:  # an ordinary gear a whole tooth out interleaves too
        wrong = with_mesh_teeth(wrong, mesh_name, 1)
    worst = worst_mesh_overlap(name, wrong, spread(6))
    assert all(share <= OVERLAP_SHARE for share in worst.values()), worst


@every_engine
def test_a_tooth_on_a_tooth_would_show(name: str) -> None:
    engine = an_engine(name)
    posed = Posed(name, as_intended(name), spread(3), [Part(Kind.WHEEL, wheel) for wheel in engine.wheels])
    for pair in engine.meshes.values():
        one, other = Part(Kind.WHEEL, pair.driving), Part(Kind.WHEEL, pair.driven)
        wheel = engine.wheels[pair.driven]
        half_tooth = solids.turned_about_z(body(name, other), 180 / wheel.teeth)
        for step in range(3):
            clash = solids.moved(half_tooth, posed.poses[other][step]) ^ posed.at(one, step)
            assert clash.volume() > CLASH_SHARE * wheel.module_mm**2 * wheel.face_mm, pair.name


# --- couplings


def coupling_parts(name: str, coupling: str) -> tuple[Part, Part, Part]:
    """The quill or sleeve, its driving and its driven mate."""
    kind = Kind.QUILL if an_engine(name).couplings[coupling].data.kind == "quill" else Kind.SLEEVE
    return (Part(kind, coupling), Part(Kind.MATE, f"{coupling} driving"), Part(Kind.MATE, f"{coupling} driven"))


def joint_mm3(name: str, coupling: str) -> float:
    """module² × engaged length of a quill; of a sleeve the like: a dog's height × its pitch² of one tooth."""
    found = an_engine(name).couplings[coupling]
    return found.module_mm**2 * (found.driven_mm[1] - found.driven_mm[0])


@every_engine
def test_couplings_are_home_without_cutting_in(name: str) -> None:
    for assembly in (as_intended(name), moved_on(name)):
        for coupling in an_engine(name).couplings:
            middle, driving, driven = coupling_parts(name, coupling)
            posed = Posed(name, assembly, spread(4), (middle, driving, driven))
            for step in range(4):
                for mate in (driving, driven):
                    shared = posed.overlap_mm3(middle, mate, step)
                    assert shared <= SPLINE_OVERLAP_SHARE * joint_mm3(name, coupling), (mate, shared)


def moved_on(name: str) -> Assembly:
    """The intended assembly with every coupling moved on, three driving and two driven teeth."""
    moved = as_intended(name)
    for coupling in moved.engagements:
        moved = move_teeth(moved, coupling, 3, 2)
    return moved


@every_engine
def test_half_a_tooth_out_of_line_cuts_in(name: str) -> None:
    engine = an_engine(name)
    for coupling, found in engine.couplings.items():
        middle, driving, driven = coupling_parts(name, coupling)
        posed = Posed(name, as_intended(name), spread(2), (middle, driving, driven))
        for mate, teeth in ((driving, found.data.driving_teeth), (driven, found.data.driven_teeth)):
            for way in (-1, 1):
                out = solids.turned_about_z(body(name, mate), way * 180 / teeth)
                clash = solids.moved(out, posed.poses[mate][0]) ^ posed.at(middle, 0)
                assert clash.volume() > SPLINE_CLASH_SHARE * joint_mm3(name, coupling), mate


@every_engine
def test_a_tooth_more_or_less_is_felt_at_the_driven_end_only_when_it_is_out_of_line(name: str) -> None:
    """The driven shaft turned by the whole step of the vernier does not go in; by its free play it does."""
    for coupling, found in an_engine(name).couplings.items():
        middle, _, driven = coupling_parts(name, coupling)
        posed = Posed(name, as_intended(name), spread(1), (middle, driven))
        play, pitch = found.data.free_play_driven_shaft_deg, 360 / found.data.driven_teeth
        shared = []
        for out_deg in (0.45 * play, 0.5 * play + 0.2 * pitch):
            turned = solids.turned_about_z(body(name, driven), out_deg)
            shared.append(float((solids.moved(turned, posed.poses[driven][0]) ^ posed.at(middle, 0)).volume()))
        assert shared[0] <= SPLINE_OVERLAP_SHARE * joint_mm3(name, coupling), (coupling, shared)
        assert shared[1] > 20 * SPLINE_OVERLAP_SHARE * joint_mm3(name, coupling), (coupling, shared)


@every_engine
def test_a_drawn_quill_or_sleeve_is_clear_of_its_mates_and_shafts(name: str) -> None:
    engine = an_engine(name)
    shafts = [p for p in engine.parts if p.kind in (Kind.SHAFT, Kind.CAMSHAFT, Kind.CRANKSHAFT)]
    wheels = [p for p in engine.parts if p.kind == Kind.WHEEL]
    for coupling in engine.couplings:
        parts = coupling_parts(name, coupling)
        drawn = open_at(as_intended(name), coupling, 11.3, driving_teeth=2)
        posed = Posed(name, drawn, spread(2), (*parts, *shafts, *wheels))
        for step in range(2):
            assert posed.overlap_mm3(parts[0], parts[1], step) == pytest.approx(0.0, abs=1e-6)
            assert posed.overlap_mm3(parts[0], parts[2], step) == pytest.approx(0.0, abs=1e-6)
            for other in (*shafts, *wheels):
                assert posed.overlap_mm3(parts[0], other, step) == pytest.approx(0.0, abs=1e-6), (coupling, other)


# --- valve gear


def valves_to_look_at(name: str) -> list[str]:
    """An inlet and an exhaust valve of each bank: the others are the same in another place of the cycle."""
    engine = an_engine(name)
    first = {bank.name: f"{bank.name}{bank.cylinders}" for bank in engine.sheet.banks}
    return [f"{cylinder} {kind}" for cylinder in first.values() for kind in ("inlet", "exhaust")]


def follower(name: str, valve: str) -> Part:
    """What the lobe touches: the rocker or the flat tappet."""
    rocker = isinstance(an_engine(name).valves[valve].plan, RockerPlan)
    return Part(Kind.ROCKER if rocker else Kind.TAPPET, valve)


@every_engine
def test_followers_touch_their_lobes_and_do_not_cut_in(name: str) -> None:
    engine = an_engine(name)
    for valve in valves_to_look_at(name):
        own = engine.valves[valve]
        # 24 camshaft angles, from the middle of this lobe, denser where it lifts
        cam = np.concatenate([np.linspace(-70, 70, 17), np.linspace(82, 275, 7)])
        theta = engine.cylinders[own.cylinder].firing_deg + own.curve.peak_deg + 2 * cam
        lobe, touched = Part(Kind.CAMSHAFT, own.camshaft), follower(name, valve)
        posed = Posed(name, as_intended(name), theta, (lobe, touched))
        piece = lobe_only(name, valve)
        off = np.zeros(len(theta))
        if isinstance(own.plan, FlatPlan):  # the pad sits on the valve: the clearance lies between lobe and pad
            travel = cam_travel_mm(engine, own, posed.state[own.camshaft])
            off = np.maximum(0.0, own.data.checking_clearance_mm - travel)
        for step in range(len(theta)):
            there = solids.moved(piece, posed.poses[lobe][step])
            rests = posed.at(touched, step, "fine")
            assert (there ^ rests).volume() <= LOBE_OVERLAP_MM3, (valve, cam[step])
            assert there.min_gap(rests, 1.0) == pytest.approx(off[step], abs=TOUCH_MM), (valve, cam[step])


@cache
def lobe_only(name: str, valve: str) -> solids.Solid:
    """The camshaft with fine lobes, from a lobe's one side to its other."""
    engine = an_engine(name)
    own, bore = engine.valves[valve], engine.sheet.crank.bore_mm
    whole = body(name, Part(Kind.CAMSHAFT, own.camshaft), "fine")
    reach, half = 2 * bore, 0.07 * bore
    return whole ^ solids.box((-reach, -reach, own.x_mm - half), (reach, reach, own.x_mm + half))


@every_engine
def test_clearance_is_the_gap_at_the_valve(name: str) -> None:
    engine = an_engine(name)
    for valve in valves_to_look_at(name):
        own = engine.valves[valve]
        clearance = own.data.checking_clearance_mm
        cam = np.concatenate([np.linspace(-75, 75, 15), [100.0, 180.0, 240.0]])
        theta = engine.cylinders[own.cylinder].firing_deg + own.curve.peak_deg + 2 * cam
        stem, touching = Part(Kind.VALVE, valve), follower(name, valve)
        lobe = Part(Kind.CAMSHAFT, own.camshaft)
        posed = Posed(name, as_intended(name), theta, (stem, touching, lobe))
        travel = cam_travel_mm(engine, own, posed.state[own.camshaft])
        wanted = np.maximum(0.0, clearance - travel)
        assert wanted.max() == pytest.approx(clearance)
        assert wanted.min() == 0.0
        for step in range(len(theta)):
            if isinstance(own.plan, FlatPlan):  # the clearance then lies between lobe and pad
                one = solids.moved(lobe_only(name, valve), posed.poses[lobe][step])
            else:
                one = posed.at(touching, step, "fine")
            other = posed.at(touching if isinstance(own.plan, FlatPlan) else stem, step, "fine")
            assert (one ^ other).volume() <= LOBE_OVERLAP_MM3, (valve, cam[step])
            assert one.min_gap(other, 1.0) == pytest.approx(wanted[step], abs=TOUCH_MM), (valve, cam[step])


@every_engine
def test_valves_sit_on_their_seats_and_open_clear_of_them(name: str) -> None:
    engine = an_engine(name)
    for valve in valves_to_look_at(name):
        own = engine.valves[valve]
        theta = engine.cylinders[own.cylinder].firing_deg + own.curve.peak_deg + np.linspace(-180, 180, 13)
        stem, seat = Part(Kind.VALVE, valve), Part(Kind.SEAT, valve)
        posed = Posed(name, as_intended(name), theta, (stem, seat))
        lift = posed.state[f"valve {valve}"]
        assert lift.min() == 0.0
        assert lift.max() > own.data.lift_mm - 2 * own.data.checking_clearance_mm
        in_guide = posed.gap_mm(stem, seat, int(np.argmax(lift)), "coarse")
        assert in_guide > 0.2
        for step in range(len(theta)):
            for detail in ("coarse", "fine"):
                assert posed.overlap_mm3(stem, seat, step, detail) <= 1e-6
            gap = posed.gap_mm(stem, seat, step, "coarse")
            # a seat of 45° opens by lift · sin 45°
            assert gap == pytest.approx(min(lift[step] * np.sin(np.pi / 4), in_guide), abs=0.02), (valve, lift[step])


# --- running gear


@every_engine
def test_running_gear_clears_itself(name: str) -> None:
    engine = an_engine(name)
    crank = Part(Kind.CRANKSHAFT)
    theta = spread(24)
    numbers: dict[int, list[str]] = {}
    for cylinder in engine.cylinders.values():
        numbers.setdefault(cylinder.number, []).append(cylinder.name)
    for number in (min(numbers), max(numbers)):
        own = numbers[number]
        parts = [Part(kind, c) for c in own for kind in (Kind.ROD, Kind.PISTON, Kind.CYLINDER)]
        valves = [Part(kind, v) for v, one in engine.valves.items() if one.cylinder in own for kind in (Kind.VALVE,)]
        posed = Posed(name, as_intended(name), theta, (crank, *parts, *valves))
        for step in range(len(theta)):
            for one, other in combinations((crank, *parts, *valves), 2):
                if {one.kind, other.kind} == {Kind.VALVE}:
                    continue
                assert posed.overlap_mm3(one, other, step) <= 1e-6, (one, other, theta[step])


@every_engine
def test_big_ends_lie_around_their_pins_and_small_ends_around_theirs(name: str) -> None:
    engine = an_engine(name)
    crank = Part(Kind.CRANKSHAFT)
    theta = spread(3)
    for cylinder in list(engine.cylinders)[:: len(engine.cylinders) // 2]:
        rod, piston = Part(Kind.ROD, cylinder), Part(Kind.PISTON, cylinder)
        posed = Posed(name, as_intended(name), theta, (crank, rod, piston))
        for step in range(len(theta)):
            # 0.1 mm of oil, and the facets of both
            assert posed.gap_mm(crank, rod, step) <= 0.15
            assert posed.gap_mm(piston, rod, step) <= 0.2
            # around, not beside: the middle of the pin lies in the middle of the rod's eye
            eye = posed.poses[rod][step] @ np.array([-engine.sheet.crank.rod_length_mm, 0.0, 0.0, 1.0])
            pin = np.deg2rad(engine.cylinders[cylinder].pin_turn_deg)
            radius = engine.sheet.crank.stroke_mm / 2
            in_crank = np.array([radius * np.cos(pin), radius * np.sin(pin), engine.cylinders[cylinder].x_mm, 1.0])
            assert posed.poses[crank][step] @ in_crank == pytest.approx(eye, abs=1e-6)


# --- magnetos


@every_engine
def test_breaker_heel_rides_on_its_cam_and_contacts_open_by_what_the_state_says(name: str) -> None:
    engine = an_engine(name)
    for magneto in engine.magnetos.values():
        kinds = (Kind.BREAKER_CAM, Kind.MOVING_POINT, Kind.FIXED_POINT)
        cam, lever, fixed = (Part(kind, magneto.name) for kind in kinds)
        rotor_turns = abs(float(engine.shafts[magneto.rotor].turns))
        theta = 3.0 + np.arange(48) * 360.0 / rotor_turns / 48
        posed = Posed(name, as_intended(name), theta, (cam, lever, fixed))
        opening = posed.state[f"points {magneto.name}"]
        assert opening.min() == 0.0
        assert opening.max() > 0.9 * magneto.data.points_gap_mm
        radius = 0.022 * engine.sheet.crank.bore_mm
        for step in range(len(theta)):
            assert posed.overlap_mm3(cam, lever, step, "fine") <= 0.02
            assert posed.overlap_mm3(fixed, lever, step, "fine") <= 0.01
            gap = posed.gap_mm(cam, lever, step)
            if opening[step] > 0:
                assert gap <= TOUCH_MM, (theta[step], gap)
            else:
                # what is left of the cam's lift, at the heel half-way along the lever
                assert gap < magneto.data.points_gap_mm
            # the lever turns about its pivot: the near edge of the contact opens a little less than its middle
            near = opening[step] * (1 - radius / magneto.contact_arm_mm)
            assert posed.gap_mm(fixed, lever, step) == pytest.approx(near, abs=0.02)


@every_engine
def test_rotor_and_finger_run_clear(name: str) -> None:
    engine = an_engine(name)
    for magneto in engine.magnetos.values():
        kinds = (Kind.ROTOR, Kind.POLE_SHOES, Kind.FINGER, Kind.SEGMENTS)
        rotor, shoes, finger, ring = (Part(kind, magneto.name) for kind in kinds)
        breaks = np.array([c.firing_deg + magneto.data.break_deg for c in engine.cylinders.values()])
        posed = Posed(name, as_intended(name), np.concatenate([spread(12), breaks]), (rotor, shoes, finger, ring))
        for step in range(12 + len(breaks)):
            assert posed.overlap_mm3(rotor, shoes, step) == 0.0
            assert posed.overlap_mm3(finger, ring, step) == 0.0
        for step in range(12, 12 + len(breaks)):
            assert 0.1 < posed.gap_mm(finger, ring, step) < 1.0
            assert 0.1 < posed.gap_mm(rotor, shoes, step) < 0.6


@every_engine
def test_the_finger_points_to_the_cylinder_that_is_due(name: str) -> None:
    engine = an_engine(name)
    for magneto in engine.magnetos.values():
        finger, ring = Part(Kind.FINGER, magneto.name), Part(Kind.SEGMENTS, magneto.name)
        middles = dict(zip(engine.sheet.firing_order, segment_angles_deg(engine, magneto), strict=True))
        for cylinder in engine.cylinders.values():
            theta = np.array([cylinder.firing_deg + magneto.data.break_deg])
            posed = Posed(name, as_intended(name), theta, (finger, ring))
            # where the finger's arm stands in the frame of the ring
            tip = np.linalg.inv(posed.poses[ring][0]) @ posed.poses[finger][0] @ np.array([1.0, 0.0, 0.0, 0.0])
            pointing = float(np.degrees(np.arctan2(tip[1], tip[0])))
            off = (pointing - middles[cylinder.name] + 180) % 360 - 180
            assert abs(off) < magneto.data.segment_width_deg / 2, cylinder.name
            others = [abs((pointing - at + 180) % 360 - 180) for n, at in middles.items() if n != cylinder.name]
            assert min(others) > magneto.data.segment_width_deg / 2


# --- everything against everything


def overlapping_pairs(name: str, assembly: Assembly, crank_deg: Floats) -> dict[tuple[Part, Part], float]:
    """Every pair of parts of different shafts that has a volume in common at one of the angles [mm³]."""
    engine = an_engine(name)
    posed = Posed(name, assembly, crank_deg, engine.parts)
    return overlapping(engine, [body(name, part) for part in engine.parts], posed.poses)


@every_engine
def test_no_part_cuts_into_another(name: str) -> None:
    assert overlapping_pairs(name, as_intended(name), spread(3)) == {}


@pytest.mark.slow
@every_engine
def test_no_part_cuts_into_another_all_round(name: str) -> None:
    assert overlapping_pairs(name, as_intended(name), spread(24, 11.0)) == {}


@every_engine
def test_no_part_cuts_into_another_with_every_quill_and_sleeve_drawn(name: str) -> None:
    engine, theta = an_engine(name), spread(1)
    drawn = as_intended(name)
    now = motion(engine, drawn, theta)
    for coupling, found in engine.couplings.items():  # the driven shafts stay where they are
        drawn = open_at(drawn, coupling, float(now[found.driven][0]), driving_teeth=1)
    assert overlapping_pairs(name, drawn, theta) == {}


@every_engine
def test_what_is_fixed_on_a_shaft_sits_on_it(name: str) -> None:
    """No wheel, mate, rotor, cam or finger floats: each is joined to its shaft, by metal or face to face."""
    engine = an_engine(name)
    posed = Posed(name, as_intended(name), spread(1), engine.parts)
    for part in engine.parts:
        shaft = shaft_of(engine, part)
        bars = [Part(Kind.SHAFT, shaft), Part(Kind.CAMSHAFT, shaft)]
        bar = next((each for each in bars if each in posed.poses), Part(Kind.CRANKSHAFT))
        if shaft != str(part) and part != bar:
            assert posed.gap_mm(part, bar, 0, "coarse") <= 0.3, part  # a bore's facets


def test_intended_is_engaged_everywhere() -> None:
    for name in ("larkfell-port", "six"):
        assert all(isinstance(each, Engaged) for each in as_intended(name).engagements.values())
