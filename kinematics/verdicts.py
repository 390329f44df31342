"""Verdicts of three kinds with a guard band, and the check that carries one.

JCGM 106:2012: with expanded uncertainty U (k = 2) as guard band, accept inside the tolerance less U, reject
outside the tolerance, and between the two nothing is proved.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Verdict = Literal["accept", "not proved", "reject"]


def verdict(difference: float, limit: float, uncertainty: float) -> Verdict:
    """The verdict on a difference from the data, allowed ± limit, read with expanded uncertainty (same unit)."""
    off = abs(difference)
    if off > limit:
        return "reject"
    return "accept" if off <= limit - uncertainty else "not proved"


@dataclass(frozen=True, kw_only=True, slots=True)
class Check:
    """One thing that is checked. ``early``: as set against data, + = earlier.
    ``interval``: between two events, so it is wide or narrow, not early or late."""

    what: str
    unit: Literal["crank deg"]
    wanted: float
    as_set: float
    early: float
    limit: float
    uncertainty: float
    interval: bool = False

    @property
    def verdict(self) -> Verdict:
        """Accept, not proved or reject."""
        return verdict(self.early, self.limit, self.uncertainty)


def worst_first(checks: Iterable[Check]) -> list[Check]:
    """The checks by how much of its limit each takes up, the most first: where there is no room for all, none that is
    rejected is left out for one that is accepted."""
    return sorted(checks, key=lambda check: abs(check.early) / max(check.limit, 1e-9), reverse=True)
