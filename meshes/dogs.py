"""Coupling sleeves with face dogs of different counts at both ends, and the flanges that mate with them.

A dog takes up half its pitch, less play. Angles about z, right-handed; ``phase_deg``: centre of one dog of
the part.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import trimesh

from quillwise.meshes.solids import (
    Detail,
    IndexBar,
    Outline,
    Side,
    bar_along,
    circle,
    cylinder,
    difference,
    extruded,
    index_patch,
    joined_outlines,
    mesh,
    on_circle,
    radial_bar,
    raised,
    sector,
    union,
)

LEAST_DOGS = 2
_MARK_HEIGHT = 0.1  # of the dog's height


@dataclass(frozen=True, kw_only=True, slots=True)
class Dogs:
    """A ring of face dogs. ``play_deg``: free play that this part leaves; a joint's is the sum over its two
    parts."""

    count: int
    height_mm: float
    phase_deg: float = 0.0
    play_deg: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Sleeve:
    """A sleeve along z from 0 to ``length_mm``, dogs included: the driving end's dogs have their tips at z
    = 0, the driven end's at the other end. Each end bears a mark, on the outside along its dog at
    ``phase_deg``."""

    length_mm: float
    inner_radius_mm: float
    outer_radius_mm: float
    driving: Dogs
    driven: Dogs


@dataclass(frozen=True, kw_only=True, slots=True)
class Stub:
    """A ring of dogs alone, sawn through below their tips, along z from 0 to ``length_mm``. So that they are one body
    they stand on a rim of ``rim_mm``, inside or outside of them: the ring of a sleeve goes into that of its flange."""

    dogs: Dogs
    inner_radius_mm: float
    outer_radius_mm: float
    length_mm: float
    rim_mm: float
    rim: Literal["inside", "outside"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Flange:
    """A flange whose dogs stand on z = 0 and point along ``side``; the plate lies behind. The mark is on
    the outside, along its dog at ``phase_deg``. bore_mm: diameter, 0 = solid."""

    dogs: Dogs
    inner_radius_mm: float
    outer_radius_mm: float
    thickness_mm: float
    side: Side = 1
    bore_mm: float = 0.0


def engaged_phase_deg(phase_deg: float, count: int) -> float:
    """The phase of the partner [deg] in whose space the dog at ``phase_deg`` stands in the middle, and back
    again."""
    return phase_deg + 180 / count


def sleeve(part: Sleeve, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The dog sleeve. Raises ValueError when no ring is left between the dogs."""
    bottom, top = part.driving.height_mm, part.length_mm - part.driven.height_mm
    if bottom >= top:
        raise ValueError(f"the dogs take up more than the sleeve's {part.length_mm:g} mm")
    ring = circle(part.outer_radius_mm, detail) - circle(part.inner_radius_mm, detail, around=True)
    into = (top - bottom) / 2  # dogs and ring share metal, so that they are one body
    lower = extruded(_dogs_of(part.driving, ring, part.outer_radius_mm), 0.0, bottom + into)
    upper = extruded(_dogs_of(part.driven, ring, part.outer_radius_mm), top - into, part.length_mm)
    marks = (raised(sleeve_index(part, end)) for end in ("driving", "driven"))
    return mesh(union(extruded(ring, bottom, top), lower, upper, *marks))


def sleeve_index(part: Sleeve, end: Literal["driving", "driven"] = "driving") -> IndexBar:
    """Where the sleeve bears its mark at one end: on the outside, along its dog at ``phase_deg``."""
    if end == "driving":
        return _outside_bar(part.driving, part.outer_radius_mm, 0.0, part.driving.height_mm)
    return _outside_bar(part.driven, part.outer_radius_mm, part.length_mm - part.driven.height_mm, part.length_mm)


def sleeve_index_patch(part: Sleeve, end: Literal["driving", "driven"] = "driving") -> trimesh.Trimesh:
    """The paint on the sleeve's mark at one end."""
    return index_patch(sleeve_index(part, end))


def stub(part: Stub, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The ring of dogs, seen end-on: its face at z = 0 bears the mark. Raises ValueError for a rim of no thickness, or
    one that leaves no opening."""
    if part.rim_mm <= 0 or (part.rim == "inside" and part.rim_mm >= part.inner_radius_mm):
        raise ValueError(f"expected a rim between 0 and {part.inner_radius_mm:g} mm, got {part.rim_mm:g} mm")
    low, high = _with_rim(part)
    whole = circle(high, detail) - circle(low, detail, around=True)
    if part.rim == "inside":
        rim = circle(part.inner_radius_mm, detail) ^ whole
    else:
        rim = whole - circle(part.outer_radius_mm, detail, around=True)
    # the dogs run through the rim, so that they share metal with it
    toothed = _dogs_of(part.dogs, whole, high)
    reach = circle(part.outer_radius_mm, detail) if part.rim == "inside" else whole
    open_mm = low if part.rim == "inside" else part.inner_radius_mm
    figure = rim + ((toothed ^ reach) - circle(open_mm, detail, around=True))
    return mesh(union(extruded(figure, 0.0, part.length_mm), raised(stub_index(part))))


def stub_index(part: Stub) -> IndexBar:
    """Where a stub bears its mark: across its dog at ``phase_deg``, on the face at z = 0."""
    wide = part.outer_radius_mm - part.inner_radius_mm
    return radial_bar(
        phase_deg=part.dogs.phase_deg,
        inner_mm=part.inner_radius_mm + 0.15 * wide,
        outer_mm=part.outer_radius_mm - 0.15 * wide,
        width_mm=float(0.25 * np.pi / part.dogs.count * part.inner_radius_mm),
        height_mm=_MARK_HEIGHT * part.dogs.height_mm,
        z_mm=0.0,
        side=-1,
    )


def stub_index_patch(part: Stub) -> trimesh.Trimesh:
    """The paint on a stub's mark."""
    return index_patch(stub_index(part))


def flange(part: Flange, detail: Detail = "coarse") -> trimesh.Trimesh:
    """The flange with its dogs. Raises ValueError when the bore reaches the dogs."""
    if part.bore_mm / 2 > part.inner_radius_mm:
        raise ValueError(f"a bore of {part.bore_mm:g} mm reaches the dogs")
    ring = circle(part.outer_radius_mm, detail) - circle(part.inner_radius_mm, detail, around=True)
    plate = cylinder(part.outer_radius_mm, -part.thickness_mm, 0.0, detail)
    dogs = extruded(_dogs_of(part.dogs, ring, part.outer_radius_mm), -part.thickness_mm / 2, part.dogs.height_mm)
    upright = union(plate, dogs, raised(_upright_flange_index(part)))
    if part.bore_mm > 0:
        bore = cylinder(part.bore_mm / 2, -part.thickness_mm - 1, 1.0, detail, around=True)
        upright = difference(upright, bore)
    return mesh(upright if part.side > 0 else upright.mirror((0.0, 0.0, 1.0)))


def flange_index(part: Flange) -> IndexBar:
    """Where the flange bears its mark: on the outside, along its dog at ``phase_deg``."""
    low, high = -part.thickness_mm, part.dogs.height_mm
    if part.side < 0:
        low, high = -high, -low
    return _outside_bar(part.dogs, part.outer_radius_mm, low, high)


def flange_index_patch(part: Flange) -> trimesh.Trimesh:
    """The paint on the flange's mark."""
    return index_patch(flange_index(part))


def _with_rim(part: Stub) -> tuple[float, float]:
    """Inner and outer radius of a stub, rim included [mm]."""
    if part.rim == "inside":
        return part.inner_radius_mm - part.rim_mm, part.outer_radius_mm
    return part.inner_radius_mm, part.outer_radius_mm + part.rim_mm


def _upright_flange_index(part: Flange) -> IndexBar:
    return _outside_bar(part.dogs, part.outer_radius_mm, -part.thickness_mm, part.dogs.height_mm)


def _dogs_of(dogs: Dogs, ring: Outline, outer_radius_mm: float) -> Outline:
    """The dogs' plane figure, cut out of the ring so that they have its outside."""
    if dogs.count < LEAST_DOGS:
        raise ValueError(f"expected at least {LEAST_DOGS} dogs, got {dogs.count}")
    half = (180 / dogs.count - dogs.play_deg) / 2
    if half <= 0:
        raise ValueError(f"a play of {dogs.play_deg:g} degrees leaves nothing of {dogs.count} dogs")
    centres = dogs.phase_deg + 360 / dogs.count * np.arange(dogs.count)
    # far outside the ring a chord of the wedge cannot cut into it
    wedges = [sector(3 * outer_radius_mm, centre - half, centre + half, "coarse") for centre in centres]
    return joined_outlines(*wedges) ^ ring


def _outside_bar(dogs: Dogs, outer_radius_mm: float, low_mm: float, high_mm: float) -> IndexBar:
    height = _MARK_HEIGHT * dogs.height_mm
    width = min(0.25 * np.pi / dogs.count * outer_radius_mm, 0.5 * dogs.height_mm)
    x, y = on_circle(1.0, dogs.phase_deg)
    middle = np.array([x * outer_radius_mm, y * outer_radius_mm, (low_mm + high_mm) / 2])
    return bar_along(
        middle_mm=middle,
        along=(0.0, 0.0, 1.0),
        out=(x, y, 0.0),
        length_mm=0.8 * (high_mm - low_mm),
        width_mm=float(width),
        height_mm=height,
    )
