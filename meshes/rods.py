"""The connecting rods of an engine: fork and blade, side by side, master and link rods, with their figures."""

from __future__ import annotations

import numpy as np
import trimesh

from quillwise.kinematics.articulated import LinkRod, lean_deg
from quillwise.kinematics.model import Cylinder, Engine
from quillwise.kinematics.parts import Part
from quillwise.kinematics.throws import eye_radius_mm
from quillwise.meshes import cranks, wrist_pins
from quillwise.meshes.solids import Detail

_WRIST_PIN = 0.58  # of the eye's radius
_SLOT, _IN_SLOT = 0.42, 0.92  # of the rods' width: the slot for a blade or an eye, and what fills it
_SHANK, _SHANK_FOOT = 0.20, 1.15  # a shank's width by the bore, and how it widens towards the big end


Pins = tuple[wrist_pins.WristPin, ...]


def figures(engine: Engine, part: Part) -> tuple[cranks.Rod, Pins]:
    """The figures of a cylinder's rod, and of the wrist pins that it bears: a master rod those of the link rods on
    its throw, any other none. Raises KeyError for a cylinder that the engine has not."""
    cylinder = engine.cylinders[part.of]
    if cylinder.linkage.link:
        return _plan(engine, cylinder), ()
    beside = (other for other in engine.cylinders.values() if other.number == cylinder.number)
    pins = (_wrist_pin(engine, cylinder, other, link) for other in beside if (link := other.linkage.link))
    return _plan(engine, cylinder), tuple(pins)


def body(plan: cranks.Rod, pins: Pins, detail: Detail) -> trimesh.Trimesh:
    """A rod with its wrist pins, if it bears any [mm], in the rod's own frame."""
    plain = cranks.rod(plan, detail)
    return wrist_pins.with_wrist_pins(plain, plan, pins, detail) if pins else plain


def _plan(engine: Engine, cylinder: Cylinder) -> cranks.Rod:
    bore, sizes, rods = engine.sheet.crank.bore_mm, engine.sizes, engine.sheet.crank.rods
    banks = [bank.name for bank in engine.sheet.banks]
    width = sizes.rod_width_mm
    slot = _SLOT * width
    big_bore, big_radius = sizes.pin_radius_mm + 0.1, sizes.pin_radius_mm + 0.09 * bore
    kind: cranks.RodKind = "plain"
    big_width = 0.96 * width
    if rods == "fork-and-blade" and len(banks) > 1:
        kind = "fork" if cylinder.bank == banks[0] else "blade"
        big_width = big_width if kind == "fork" else _IN_SLOT * slot
    if cylinder.linkage.link:
        big_radius = eye_radius_mm(engine.sheet)
        big_bore, big_width = _WRIST_PIN * big_radius + 0.1, _IN_SLOT * slot
    return cranks.Rod(
        length_mm=cylinder.linkage.own_rod_mm,
        big_bore_radius_mm=big_bore,
        big_radius_mm=big_radius,
        big_width_mm=big_width,
        small_bore_radius_mm=0.115 * bore,
        small_radius_mm=0.18 * bore,
        small_width_mm=0.28 * bore,
        shank_width_mm=_SHANK * bore,
        shank_depth_mm=0.12 * bore,
        kind=kind,
        slot_mm=slot if kind == "fork" else 0.0,
    )


def _wrist_pin(engine: Engine, master: Cylinder, cylinder: Cylinder, link: LinkRod) -> wrist_pins.WristPin:
    bore, eye = engine.sheet.crank.bore_mm, eye_radius_mm(engine.sheet)
    around = np.arange(0.0, 360.0, 1.0)
    swing = link.bank_deg + lean_deg(cylinder.linkage, around - link.bank_deg) - lean_deg(master.linkage, around)
    return wrist_pins.WristPin(
        wrist_mm=link.wrist_mm,
        angle_deg=link.wrist_deg,
        pin_radius_mm=_WRIST_PIN * eye,
        eye_radius_mm=eye,
        slot_mm=_SLOT * engine.sizes.rod_width_mm,
        swing_deg=(float(swing.min()), float(swing.max())),
        shank_half_mm=_SHANK_FOOT * _SHANK * bore / 2,
        clear_mm=0.02 * bore,
    )
