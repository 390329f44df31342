"""When a valve or a pair of points is told to be open, and when a clearance counts as taken up."""

from __future__ import annotations

from quillwise.kinematics.lengths import MM_PER_UNIT, THOUS, LengthUnit, length
from quillwise.kinematics.magnetos import TOUCHING_MM

TAKEN_UP_MM = 0.02  # of a clearance that is still there, or of a valve that is open already, where a feeler is nipped
_DECIMALS = {"mm": 2, "in": THOUS}  # of lengths as they are told


def least_told_mm(unit: LengthUnit) -> float:
    """The least length that is not told as nothing [mm]: half of the last decimal of its unit."""
    return 0.5 * 10.0 ** -_DECIMALS[unit] * MM_PER_UNIT[unit]


def is_open(lift_mm: float, unit: LengthUnit) -> bool:
    """Whether a valve is told to be open, as by more than "0.00 mm" or "0.000 in"."""
    return lift_mm >= least_told_mm(unit)


def valve_words(lift_mm: float, unit: LengthUnit) -> str:
    """How far a valve is open: "open by 0.41 mm" or "shut"."""
    return f"open by {length(lift_mm, unit)}" if is_open(lift_mm, unit) else "shut"


def points_words(gap_mm: float, unit: LengthUnit) -> str:
    """How far a pair of points is open: "open by 0.30 mm" or "shut"; "just open" where the meter sees more of it than
    a length tells."""
    if gap_mm <= TOUCHING_MM:
        return "shut"
    return f"open by {length(gap_mm, unit)}" if gap_mm >= least_told_mm(unit) else "just open"
