"""Wrist pins: the lugs on a master rod that carry the link rods, with the pin fixed in them.

In the frame of the master rod: origin at its gudgeon pin, x from its big end to its small end, z along the pins.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import trimesh

from quillwise.meshes.cranks import Rod
from quillwise.meshes.solids import (
    Detail,
    Outline,
    circle,
    cylinder,
    difference,
    extruded,
    hull,
    mesh,
    on_circle,
    solid,
    union,
)


@dataclass(frozen=True, kw_only=True, slots=True)
class WristPin:
    """A wrist pin, ``wrist_mm`` from the middle of the big end in the direction ``angle_deg`` from the rod's own.

    eye_radius_mm: of the link rod's eye, which turns between the two lugs, ``slot_mm`` apart; swing_deg: from and to
    which direction the link rod stands, from the master rod's own; shank_half_mm: half of what it is wide there.
    """

    wrist_mm: float
    angle_deg: float
    pin_radius_mm: float
    eye_radius_mm: float
    slot_mm: float
    swing_deg: tuple[float, float]
    shank_half_mm: float
    clear_mm: float


def with_wrist_pins(
    rod: trimesh.Trimesh, part: Rod, pins: tuple[WristPin, ...], detail: Detail = "coarse"
) -> trimesh.Trimesh:
    """The master rod with a pair of lugs and a pin for every link rod, one body; the bore of its big end is kept."""
    half, reach = part.big_width_mm / 2, 2 * part.big_width_mm
    middle = (-part.length_mm, 0.0)
    foot = circle(part.big_radius_mm, detail, centre_mm=middle)
    lugs = union(
        solid(rod),
        *(
            extruded(hull(foot, circle(pin.eye_radius_mm, detail, centre_mm=_at(part, pin))), -half, half)
            for pin in pins
        ),
    )
    bore = cylinder(part.big_bore_radius_mm, -reach, reach, detail, centre_mm=middle, around=True)
    slots = [extruded(_slot(part, pin, detail), -pin.slot_mm / 2, pin.slot_mm / 2) for pin in pins]
    bars = [cylinder(pin.pin_radius_mm, -half, half, detail, centre_mm=_at(part, pin)) for pin in pins]
    return mesh(union(difference(lugs, bore, *slots), *bars))


def _at(part: Rod, pin: WristPin) -> tuple[float, float]:
    x, y = on_circle(pin.wrist_mm, pin.angle_deg)
    return x - part.length_mm, y


def _slot(part: Rod, pin: WristPin, detail: Detail) -> Outline:
    """Room for the eye and, wherever it swings, for the link rod's shank."""
    x, y = _at(part, pin)
    far, wide = 6 * pin.eye_radius_mm, pin.shank_half_mm + pin.clear_mm
    ends = []
    for direction in np.linspace(*pin.swing_deg, 5):
        out_x, out_y = on_circle(far, float(direction))
        ends.append(circle(wide, "coarse", centre_mm=(x + out_x, y + out_y), around=True))
    shank = hull(circle(wide, "coarse", centre_mm=(x, y), around=True), *ends)
    return circle(pin.eye_radius_mm + pin.clear_mm, detail, centre_mm=(x, y), around=True) + shank
