"""The words of ``engraving`` set in a picture: where each stands, none over another. ``inscribed`` draws them in a
window, ``lineart`` on paper; step pictures set theirs by ``tags``."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from quillwise.viz import captions
from quillwise.viz.cameras import Camera, project
from quillwise.viz.engraving import Label

_BOLD_WIDER = 1.12
_APART = 0.3  # least gap between two words in one line ÷ their height
LINE = 1.7  # pitch of the lines of one word ÷ height of a capital
_BORDER = 0.25  # of a boxed word, round about ÷ its height


@dataclass(frozen=True, kw_only=True, slots=True)
class Inscription:
    """A word, of one line or more, about its middle, from the left and top border; ``size``: width and height, with its
    border if boxed."""

    text: str
    middle: tuple[float, float]
    size: tuple[float, float]
    boxed: bool

    def overlaps(self, other: Inscription) -> bool:
        """Whether two words stand one over the other, or run into each other."""
        apart = [abs(a - b) for a, b in zip(self.middle, other.middle, strict=True)]
        reach = [(a + b) / 2 for a, b in zip(self.size, other.size, strict=True)]
        reach[0] += _APART * min(self.size[1], other.size[1])
        return apart[0] < reach[0] and apart[1] < reach[1]


def set_out(
    labels: Sequence[Label],
    camera: Camera,
    size_px: tuple[int, int],
    height: float,
    width_of: Callable[[str], float],
    in_two: bool = False,
) -> tuple[Inscription, ...]:
    """Where the words stand in a picture of that size. height: of a capital; width_of: how long a text is.

    Measured figures first; a word that would stand over one of these or of those before it is left out, and so is one
    that does not stand between its own places, or that the frame cuts, unless it is boxed: that one is moved within.
    in_two: what has no room between its places in one line is set in two, the second below.
    """
    found: list[Inscription] = []
    if not labels:
        return ()
    places = project(camera, np.array([label.at_mm for label in labels]), size_px)
    for number in sorted(range(len(labels)), key=lambda n: not labels[n].boxed):
        label, (x, y) = labels[number], places[number]
        border = 2 * _BORDER * height if label.boxed else 0.0
        low, up_to = _between(label, camera, size_px)
        text = label.text
        if in_two and "\n" not in text and width_of(text) / 2 > min(x - low, up_to - x):
            text = captions.halved(text, width_of)
            y += height * LINE / 2
        lines = text.split("\n")
        wide = max(map(width_of, lines)) * (_BOLD_WIDER if label.boxed else 1.0) + border
        high = height * (1 + LINE * (len(lines) - 1)) + border
        if label.boxed:
            x = np.clip(x, wide / 2 + 1, max(wide / 2 + 1, size_px[0] - wide / 2 - 1))
            y = np.clip(y, high / 2 + 1, max(high / 2 + 1, size_px[1] - high / 2 - 1))
        one = Inscription(text=text, middle=(float(x), float(y)), size=(wide, high), boxed=label.boxed)
        edges = zip(one.middle, one.size, size_px, strict=True)
        within = low <= one.middle[0] - wide / 2 and one.middle[0] + wide / 2 <= up_to
        within &= all(at - reach / 2 >= 0 and at + reach / 2 <= end for at, reach, end in edges)
        if within and not any(one.overlaps(other) for other in found):
            found.append(one)
    return tuple(found)


def _between(label: Label, camera: Camera, size_px: tuple[int, int]) -> tuple[float, float]:
    """From where to where a word may reach, across [pixels]."""
    if label.between_mm is None:
        return -np.inf, np.inf
    across = project(camera, np.array(label.between_mm), size_px)[:, 0]
    return float(across.min()), float(across.max())
