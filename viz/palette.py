"""Colours: the Okabe–Ito set, which stays apart for colour-blind eyes, and quiet tones for what is not in question.

A colour is text of the form ``"#RRGGBB"``. What a colour may be used for follows from its contrast.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import Literal

from quillwise.kinematics.parts import Kind

BLACK = "#000000"
WHITE = "#FFFFFF"
ORANGE = "#E69F00"
SKY_BLUE = "#56B4E9"
GREEN = "#009E73"
YELLOW = "#F0E442"
BLUE = "#0072B2"
VERMILLION = "#D55E00"
PURPLE = "#CC79A7"

OKABE_ITO = MappingProxyType(
    {
        "black": BLACK,
        "orange": ORANGE,
        "sky blue": SKY_BLUE,
        "bluish green": GREEN,
        "yellow": YELLOW,
        "blue": BLUE,
        "vermillion": VERMILLION,
        "reddish purple": PURPLE,
    }
)

GROUND = WHITE
TEXT = BLACK
EDGE = "#222222"  # drawn edges: softer than black, still over 15 : 1 on white
FAINT_TEXT = "#595959"  # 7.0 : 1 on white
RULE = "#767676"  # dividing lines: the lightest grey that has 4.5 : 1 on white
INDEX_MARK = VERMILLION
INTENDED = BLUE  # where a part should stand, beside where it was found
INLET = BLUE
EXHAUST = VERMILLION
SPARK = PURPLE

MIN_TEXT = 4.5
MIN_GRAPHICS = 3.0

Use = Literal["text", "line", "fill"]

_QUIET_DEFAULT = "#D2D4D6"
_QUIET = MappingProxyType(
    {
        Kind.CRANKSHAFT: "#B9BEC3",
        Kind.ROD: "#D3D6D9",
        Kind.PISTON: "#E3E4E4",
        Kind.CYLINDER: "#EEEEEE",
        Kind.SHAFT: "#C6CBD0",
        Kind.WHEEL: "#C9C6BC",
        Kind.QUILL: "#D9CDBC",
        Kind.SLEEVE: "#D9CDBC",
        Kind.MATE: "#CCD2CB",
        Kind.CAMSHAFT: "#BCC8D1",
        Kind.ROCKER: "#D7DADD",
        Kind.TAPPET: "#D7DADD",
        Kind.VALVE: "#CFD8DD",
        Kind.SEAT: "#E2E2E2",
        Kind.ROCKER_SHAFT: "#C6CBD0",
        Kind.SPRING: "#8A97A1",
        Kind.ROTOR: "#D6CAD1",
        Kind.POLE_SHOES: "#D5D5D5",
        Kind.BREAKER_CAM: "#D0D2C4",
        Kind.FIXED_POINT: "#D8D8D8",
        Kind.MOVING_POINT: "#D8D8D8",
        Kind.FINGER: "#D9D2BE",
        Kind.SEGMENTS: "#E0DCCF",
        Kind.DISC: "#F4F4F2",
        Kind.WINDOW: "#E6E6E6",
    }
)
_STRONG_DEFAULT = SKY_BLUE
_STRONG = MappingProxyType(
    {
        Kind.CRANKSHAFT: SKY_BLUE,
        Kind.ROD: SKY_BLUE,
        Kind.PISTON: SKY_BLUE,
        Kind.WHEEL: YELLOW,
        Kind.SHAFT: YELLOW,
        Kind.QUILL: ORANGE,
        Kind.SLEEVE: ORANGE,
        Kind.MATE: GREEN,
        Kind.CAMSHAFT: SKY_BLUE,
        Kind.ROCKER: YELLOW,
        Kind.TAPPET: YELLOW,
        Kind.VALVE: GREEN,
        Kind.ROTOR: PURPLE,
        Kind.BREAKER_CAM: GREEN,
        Kind.FIXED_POINT: ORANGE,
        Kind.MOVING_POINT: ORANGE,
        Kind.FINGER: GREEN,
        Kind.SEGMENTS: YELLOW,
        Kind.DISC: "#FFF8C2",
        Kind.FEELER: VERMILLION,
        Kind.WINDOW: YELLOW,
    }
)


def quiet(kind: Kind) -> str:
    """The tone of a part that is not in question: light, so that edges and strong parts stand out from it."""
    return _QUIET.get(kind, _QUIET_DEFAULT)


def strong(kind: Kind) -> str:
    """The colour of a part that the step is about. Always drawn with dark edges: never colour alone."""
    return _STRONG.get(kind, _STRONG_DEFAULT)


def rgb(colour: str) -> tuple[int, int, int]:
    """``"#RRGGBB"`` as three numbers from 0 to 255. Raises ValueError on any other text."""
    if len(colour) != 7 or colour[0] != "#":
        raise ValueError(f'expected a colour such as "#0072B2", got "{colour}"')
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def unit_rgb(colour: str) -> tuple[float, float, float]:
    """``"#RRGGBB"`` as three numbers from 0 to 1."""
    red, green, blue = rgb(colour)
    return red / 255, green / 255, blue / 255


def mixed(colour: str, other: str, share: float) -> str:
    """The colour with ``share`` (0 to 1) of the other one in it, mixed in sRGB values."""
    pairs = zip(rgb(colour), rgb(other), strict=True)
    return "#" + "".join(f"{round(a + (b - a) * share):02X}" for a, b in pairs)


def luminance(colour: str) -> float:
    """Relative luminance, 0 black to 1 white. WCAG 2.2, definition of "relative luminance"."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in unit_rgb(colour)]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(colour: str, ground: str = GROUND) -> float:
    """Contrast of two colours, 1 to 21, whichever is the lighter. WCAG 2.2, definition of "contrast ratio"."""
    light, dark = sorted((luminance(colour), luminance(ground)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def uses(colour: str, ground: str = GROUND) -> frozenset[Use]:
    """What the colour may be used for on the ground: text needs 4.5 : 1, lines 3 : 1 (WCAG 2.2, 1.4.3 and 1.4.11).

    A colour that allows "fill" only needs a dark outline.
    """
    ratio = contrast(colour, ground)
    allowed: set[Use] = {"fill"}
    if ratio >= MIN_GRAPHICS:
        allowed.add("line")
    if ratio >= MIN_TEXT:
        allowed.add("text")
    return frozenset(allowed)
