"""The one identifier of a part: the same in model, rig, poses, meshes, actors, callouts and exports."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Kind(StrEnum):
    """Kinds of part, in the order in which lists print them. One mesh builder each."""

    CRANKSHAFT = "crankshaft"
    ROD = "connecting rod"
    PISTON = "piston"
    CYLINDER = "cylinder"
    SHAFT = "shaft"
    WHEEL = "wheel"
    QUILL = "quill shaft"
    SLEEVE = "coupling sleeve"
    MATE = "coupling mate"
    CAMSHAFT = "camshaft"
    ROCKER = "rocker"
    TAPPET = "flat tappet"
    VALVE = "valve"
    SEAT = "valve seat"
    SPRING = "valve spring"
    ROTOR = "magneto rotor"
    POLE_SHOES = "pole shoes"
    BREAKER_CAM = "breaker cam"
    FIXED_POINT = "fixed point"
    MOVING_POINT = "breaker lever"
    FINGER = "distributor finger"
    SEGMENTS = "distributor segments"
    DISC = "timing disc"
    WINDOW = "timing window"
    ROCKER_SHAFT = "rocker shaft"  # dresses the picture: no part of any list
    FEELER = "feeler"  # a tool: shown in close-ups, no part of any engine


FOLLOWERS = (Kind.ROCKER, Kind.TAPPET)  # what runs on a lobe: fitted when its camshaft is set


_COUPLING = (Kind.QUILL, Kind.SLEEVE)  # often named by what they are: "quill-a"


@dataclass(frozen=True, slots=True, order=True)
class Part:
    """One part of the engine.

    kind: what it is. of: which one, in the trade's words and unique within its kind: the cylinder (``"A1"``),
    the valve (``"A1 inlet"``), the shaft, the coupling or the magneto; empty where there is one only.
    """

    kind: Kind
    of: str = ""

    def __str__(self) -> str:
        return f"{self.kind} {self.of}".strip()

    @property
    def words(self) -> str:
        """Its name where people read it: its kind is not said twice, as in "crankshaft crankshaft", "quill shaft quill"
        or "coupling sleeve sleeve-m1"."""
        kind = self.kind.value
        if f"{self.of} ".startswith(f"{kind} "):
            return self.of
        if self.of in kind.split():
            return kind
        named = self.kind in _COUPLING and any(self.of.startswith(f"{word}-") for word in kind.split())
        return self.of if named else str(self)
