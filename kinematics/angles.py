"""Angles: wrapping, and events as fitters write them ("22 BTDC").

A cylinder's *own angle* is 0 at its firing TDC and grows in the running direction:
power 0–180, exhaust 180–360, inlet 360–540, compression 540–720.
"""

from __future__ import annotations

import re
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

CYCLE_DEG = 720.0

Floats = NDArray[np.float64]

_EVENT = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(?:°|deg)?\s*(BTDC|ATDC|BBDC|ABDC)\s*", re.IGNORECASE)
_DEAD_CENTRES = {
    # own angle of the dead centre that each kind of event is written from
    "inlet opens": {"TDC": 360.0, "BDC": 540.0},
    "inlet closes": {"TDC": 720.0, "BDC": 540.0},
    "exhaust opens": {"TDC": 0.0, "BDC": 180.0},
    "exhaust closes": {"TDC": 360.0, "BDC": 180.0},
    "points break": {"TDC": 720.0, "BDC": 540.0},
}
EVENT_KINDS = tuple(_DEAD_CENTRES)


def wrapped(angle_deg: ArrayLike, period_deg: float = 360.0) -> Floats:
    """The angle wrapped to [−period/2, +period/2) [deg]. Shape kept."""
    angle = np.asarray(angle_deg, dtype=np.float64)
    half = period_deg / 2
    return np.asarray((angle + half) % period_deg - half)


def in_cycle(angle_deg: ArrayLike, period_deg: float = CYCLE_DEG) -> Floats:
    """The angle in [0, period) [deg]. A value that rounds up to the period becomes 0. Shape kept."""
    angle = np.asarray(angle_deg, dtype=np.float64) % period_deg
    return np.asarray(np.where(angle >= period_deg, 0.0, angle))


def parse_event(text: str, kind: str) -> float:
    """The own angle [deg] of an event such as ``"22 BTDC"``; kind is one of EVENT_KINDS.

    IO and EC refer to the TDC between the exhaust and inlet strokes, the spark to firing TDC. Raises ValueError (text
    for the user) when the text is not an event or lies over 180° from its dead centre.

    >>> parse_event("22 BTDC", "inlet opens"), parse_event("41 BTDC", "points break")
    (338.0, 679.0)
    """
    match = _EVENT.fullmatch(text)
    if not match:
        raise ValueError(f'expected degrees and BTDC, ATDC, BBDC or ABDC, for example "22 BTDC", got "{text}"')
    amount = float(match[1])
    if amount > 180:
        raise ValueError(f'expected at most 180 degrees from the dead centre, got "{text}"')
    side, centre = match[2].upper()[0], match[2].upper()[1:]
    return _DEAD_CENTRES[kind][centre] + (amount if side == "A" else -amount)


def format_event(own_angle_deg: float, decimals: int = 0) -> str:
    """The event at ``own_angle_deg`` [deg] as fitters write it, from the nearest dead centre, with so many
    ``decimals``.

    Exactly at a centre it reads "TDC" or "BDC"; half-way between two centres it is counted from TDC. Raises nothing for
    a number.

    >>> format_event(338.0), format_event(58.25 + 540.0, 2)
    ('22 BTDC', '58.25 ABDC')
    """
    angle = round(float(in_cycle(own_angle_deg)), decimals)
    nearest_tdc = float(wrapped(angle, 360.0))
    centre, off = ("TDC", nearest_tdc) if abs(nearest_tdc) <= 90 else ("BDC", float(wrapped(angle - 180, 360.0)))
    amount = f"{abs(off):.{decimals}f}"
    if float(amount) == 0:
        return centre
    return f"{amount} {'A' if off > 0 else 'B'}{centre}"


def format_crank(crank_deg: float, decimals: int = 1, period_deg: float = CYCLE_DEG) -> str:
    """Where the crank stands, in figures [deg of the cycle, or of the disc with ``period_deg`` 360], with so many
    ``decimals``. It is rounded first and wrapped then: just before the end of the cycle it is 0, never 720. Raises
    nothing for a number.

    >>> format_crank(719.97), format_crank(719.97, 2), format_crank(-0.4, 0), format_crank(719.7, 0, 360.0)
    ('0.0', '719.97', '0', '0')
    """
    rounded = round(float(in_cycle(crank_deg, period_deg)), decimals)
    return f"{float(in_cycle(rounded, period_deg)):.{decimals}f}"


def stroke(own_angle_deg: float) -> str:
    """The stroke that a cylinder is on at its own angle [deg, any real number]."""
    return ("power", "exhaust", "inlet", "compression")[int(float(in_cycle(own_angle_deg)) // 180)]


def array(value: Any) -> Floats:
    """A float array, at least one-dimensional: a single angle becomes shape (1,)."""
    return np.atleast_1d(np.asarray(value, dtype=np.float64))
