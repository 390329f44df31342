"""Lengths in words: the one place that turns millimetres into the unit of an engine's file, for people to read.
Everything else computes in millimetres.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal

LengthUnit = Literal["mm", "in"]
MM_PER_UNIT: Mapping[LengthUnit, float] = MappingProxyType({"mm": 1.0, "in": 25.4})  # the international inch, exactly
THOUS = 3  # decimals of an inch


def length_figure(value_mm: float, unit: LengthUnit = "mm", decimals: int = 2) -> str:
    """A length without its unit. ``decimals``: of millimetres; inches have thous at least, and one decimal more where
    the figure was given so."""
    value = value_mm / MM_PER_UNIT[unit]
    if unit == "mm":
        return f"{value:.{decimals}f}"
    thous = max(THOUS, decimals + 1)
    given = abs(round(value, thous + 1) - value) < 1e-7 < abs(round(value, thous) - value)
    return f"{value:.{thous + 1 if given else thous}f}"


def length(value_mm: float, unit: LengthUnit = "mm", decimals: int = 2) -> str:
    """A length with its unit, as ``length_figure`` has it: "0.40 mm", "0.016 in"."""
    return f"{length_figure(value_mm, unit, decimals)} {unit}"


def stated(value_mm: float, unit: LengthUnit = "mm") -> str:
    """A length of the data with its unit, no zeros at its end: "1.5 mm", "0.35 in". Inches have thous, or what
    ``length_figure`` adds to them; below a hundredth, four figures."""
    if unit == "mm":
        return f"{value_mm:g} mm"
    value = value_mm / MM_PER_UNIT[unit]
    return f"{value:.4g} in" if abs(value) < 0.01 else f"{float(length_figure(value_mm, unit)):g} in"
