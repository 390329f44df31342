"""Articulated rods: the link rod of a second bank hangs on a wrist pin that is fixed in the master rod.

Seen from the wheelcase end, as in ``cranks``, angles + about +x: clockwise as seen. The master rod and its piston are
the ordinary slider-crank; ``bank_deg`` is the link's bank as it stands from the master's, ``wrist_deg`` the wrist
pin's direction from the big end as it stands from the master rod's own. A link piston's dead centres and stroke follow
from the closed chain: its top is not where the crank pin points along its cylinder.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from quillwise.kinematics.angles import Floats, wrapped
from quillwise.kinematics.cranks import bdc_deg, piston_height_mm, rod_angle_deg, stroke_mm, tdc_deg
from quillwise.kinematics.lengths import LengthUnit, length, stated

_SEARCH_DEG = 1.0


@dataclass(frozen=True, kw_only=True, slots=True)
class LinkRod:
    """A link rod: ``bank_deg`` and ``wrist_deg`` as in the module's head; ``wrist_mm`` from the crank pin's middle to
    the wrist pin's; ``length_mm`` from wrist pin to gudgeon pin."""

    bank_deg: float
    wrist_deg: float
    wrist_mm: float
    length_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Linkage:
    """What moves a piston: crank radius, the rod on the crank pin, gudgeon offset (of both pistons), and the link rod
    where the cylinder has one; ``rod_mm`` is then the master rod's."""

    radius_mm: float
    rod_mm: float
    offset_mm: float = 0.0
    link: LinkRod | None = None

    @property
    def own_rod_mm(self) -> float:
        """Length of the rod that hangs on the cylinder's own gudgeon pin [mm]."""
        return self.rod_mm if self.link is None else self.link.length_mm


class DeadCentres(NamedTuple):
    """Own dead centres: the crank pin's angle from the cylinder's axis at the piston's highest (−180 ≤ t < 180) and at
    its lowest after that (t < b < t + 360) [deg], and the travel between them [mm]."""

    tdc_deg: float
    bdc_deg: float
    stroke_mm: float


def height_mm(linkage: Linkage, angle_deg: ArrayLike) -> Floats:
    """Height of the gudgeon pin above the crank axis along its own cylinder [mm].

    angle_deg: of the crank pin from the cylinder's own axis [deg]. Shape kept. Of a link rod
    h = W + √(L² − (e − U)²), U and W being the wrist pin's place across and along the cylinder: the closed triangle.
    """
    if linkage.link is None:
        return piston_height_mm(angle_deg, linkage.radius_mm, linkage.rod_mm, linkage.offset_mm)
    wrist, _ = _wrist_in_cylinder(linkage, linkage.link, angle_deg)
    return np.asarray(wrist[1] + _reach(linkage, linkage.link, wrist[0]))


def lean_deg(linkage: Linkage, angle_deg: ArrayLike) -> Floats:
    """Lean of the rod on the gudgeon pin from its cylinder's axis [deg], as ``cranks.rod_angle_deg``; of a link rod,
    from wrist pin to gudgeon pin. Shape of ``angle_deg``."""
    if linkage.link is None:
        return rod_angle_deg(angle_deg, linkage.radius_mm, linkage.rod_mm, linkage.offset_mm)
    wrist, _ = _wrist_in_cylinder(linkage, linkage.link, angle_deg)
    return np.asarray(np.degrees(np.arctan2(linkage.offset_mm - wrist[0], _reach(linkage, linkage.link, wrist[0]))))


def drop_mm(linkage: Linkage, top_deg: float, own_deg: ArrayLike, sigma: int) -> Floats:
    """How far the piston stands below its own top [mm] at the cylinder's own angle [deg, 0 = TDC, in the running
    direction]. top_deg: the crank pin's angle at own TDC; sigma: +1 clockwise seen from the wheelcase end, else −1.
    Shape of ``own_deg``."""
    angle = top_deg + sigma * np.asarray(own_deg, dtype=np.float64)
    return np.asarray(height_mm(linkage, top_deg) - height_mm(linkage, angle))


def dead_centres(linkage: Linkage) -> DeadCentres:
    """Own dead centres and stroke. In closed form without a link rod; with one, the zeros of the piston's velocity
    (Brent's method, to the rounding of a double). The crank must be able to turn: see ``link_problems``."""
    if linkage.link is None:
        sizes = (linkage.radius_mm, linkage.rod_mm, linkage.offset_mm)
        return DeadCentres(tdc_deg(*sizes), bdc_deg(*sizes), stroke_mm(*sizes))
    from scipy.optimize import brentq  # takes a while to import, and most engines have no link rods

    link = linkage.link
    around = np.arange(0.0, 360.0, _SEARCH_DEG)
    heights = height_mm(linkage, around)
    top, bottom = (
        float(
            brentq(
                lambda at: float(_rate(linkage, link, at)),
                around[place] - _SEARCH_DEG,
                around[place] + _SEARCH_DEG,
                xtol=1e-12,
            )
        )
        for place in (int(np.argmax(heights)), int(np.argmin(heights)))
    )
    high, low = height_mm(linkage, top), height_mm(linkage, bottom)
    top = float(wrapped(top))
    return DeadCentres(top, top + (bottom - top) % 360.0, float(high - low))


def link_problems(linkage: Linkage, unit: LengthUnit = "mm") -> list[str]:
    """Plain sentences on why a link rod cannot turn with the crank; empty when it can, and without a link rod."""
    if linkage.link is None:
        return []
    wrist, _ = _wrist_in_cylinder(linkage, linkage.link, np.arange(0.0, 360.0, 0.25))
    needed = float(np.max(np.abs(linkage.offset_mm - wrist[0])))
    if linkage.link.length_mm > needed:
        return []
    rod, least = stated(linkage.link.length_mm, unit), length(needed, unit, 1)
    return [
        f"the link rod ({rod}) must be longer than the {least} by which its wrist pin swings out, or the crank cannot "
        "turn"
    ]


def wrist_pin_mm(linkage: Linkage, angle_deg: ArrayLike) -> Floats:
    """The wrist pin across (+ to the right) and along its own cylinder, from the crank axis [mm]: (2, …).

    angle_deg: of the crank pin from that cylinder's axis [deg]. Raises ValueError without a link rod.
    """
    if linkage.link is None:
        raise ValueError("an ordinary rod has no wrist pin")
    return _wrist_in_cylinder(linkage, linkage.link, angle_deg)[0]


def _reach(linkage: Linkage, link: LinkRod, across: Floats) -> Floats:
    """The link rod along the cylinder [mm]."""
    lever = linkage.offset_mm - across
    return np.asarray(np.sqrt((link.length_mm - lever) * (link.length_mm + lever)))


def _wrist_in_cylinder(linkage: Linkage, link: LinkRod, angle_deg: ArrayLike) -> tuple[Floats, Floats]:
    """The wrist pin across and along the link's cylinder [mm], and the rate of both by the crank's angle [mm per
    radian]: each (2, …)."""
    own = np.asarray(angle_deg, dtype=np.float64)
    sizes = (linkage.radius_mm, linkage.rod_mm, linkage.offset_mm)
    # all from the link's own axis: there the master's leans the other way by the angle between the banks
    lean = rod_angle_deg(own + link.bank_deg, *sizes)
    master, pin = np.radians(own + link.bank_deg), np.radians(own)
    wrist = np.radians(lean + link.wrist_deg - link.bank_deg)
    lean_rate = -linkage.radius_mm * np.cos(master) / (linkage.rod_mm * np.cos(np.radians(lean)))
    place = np.stack(
        [
            linkage.radius_mm * np.sin(pin) + link.wrist_mm * np.sin(wrist),
            linkage.radius_mm * np.cos(pin) + link.wrist_mm * np.cos(wrist),
        ]
    )
    rate = np.stack(
        [
            linkage.radius_mm * np.cos(pin) + link.wrist_mm * np.cos(wrist) * lean_rate,
            -linkage.radius_mm * np.sin(pin) - link.wrist_mm * np.sin(wrist) * lean_rate,
        ]
    )
    return place, rate


def _rate(linkage: Linkage, link: LinkRod, angle_deg: ArrayLike) -> Floats:
    """Velocity of the link's piston up its cylinder [mm per radian of the crank, + clockwise]."""
    place, rate = _wrist_in_cylinder(linkage, link, angle_deg)
    lever = linkage.offset_mm - place[0]
    return np.asarray(rate[1] + lever * rate[0] / _reach(linkage, link, place[0]))
