"""Uncertainty by the rules of the GUM: combining components, intervals, guarded acceptance.

Sources: JCGM 100:2008 (combination), JCGM 101:2008 (Monte Carlo, probabilistically symmetric
interval), JCGM 106:2012 (guard band w = U, k = 2).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

COVERAGE_FACTOR = 2.0
_ROOT_3 = math.sqrt(3.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class Component:
    """One cause of error and what it does to the result. half_width: of a rectangular distribution, or standard
    uncertainty: of a normal one, in the result's unit."""

    name: str
    half_width: float
    shape: Literal["rectangular", "normal"] = "rectangular"

    @property
    def u(self) -> float:
        """Standard uncertainty."""
        return self.half_width / _ROOT_3 if self.shape == "rectangular" else self.half_width


class Interval(NamedTuple):
    """A coverage interval about the estimate."""

    low: float
    high: float


def combined(components: Sequence[Component]) -> float:
    """Combined standard uncertainty, root of the sum of squares (JCGM 100, 5.1.2)."""
    return math.sqrt(math.fsum(each.u**2 for each in components))


def worst_case(components: Sequence[Component]) -> float:
    """Sum of the half widths: all at their ends at once. Raises ValueError for a normal component: it has no end."""
    if any(each.shape != "rectangular" for each in components):
        raise ValueError("a normal component has no worst case")
    return math.fsum(each.half_width for each in components)


def draws_wanted(probability: float) -> int:
    """Fewest draws for an interval of that probability (JCGM 101, 7.2.2): 10⁴ / (1 − p)."""
    return math.ceil(1e4 / (1.0 - probability) - 1e-6)


def drawn(components: Sequence[Component], draws: int, seed: int) -> NDArray[np.float64]:
    """Errors of the result (draws,), sorted."""
    source = np.random.default_rng(seed)
    total = np.zeros(draws)
    for each in components:
        if each.shape == "rectangular":
            total += source.uniform(-each.half_width, each.half_width, draws)
        else:
            total += source.normal(0.0, each.half_width, draws)
    total.sort()
    return total


def symmetric_interval(sorted_values: NDArray[np.float64], probability: float) -> Interval:
    """Probabilistically symmetric interval: as much probability below as above it (JCGM 101, 7.7)."""
    count = len(sorted_values)
    inside = int(probability * count + 0.5)
    first = (count - inside) // 2
    return Interval(float(sorted_values[first]), float(sorted_values[min(first + inside, count - 1)]))


def acceptance_zone(limit: float, uncertainty: float) -> Interval | None:
    """Where a reading proves that the value is within ± limit, by the guard band (JCGM 106); None: nowhere."""
    half = limit - uncertainty
    return Interval(-half, half) if half >= 0 else None


def mistaken(step: float, u: float) -> float:
    """Probability that one of two values a step apart is taken for the other, the nearer to the reading being taken."""
    return 0.5 * math.erfc(step / 2 / u / math.sqrt(2.0)) if u > 0 else 0.0
