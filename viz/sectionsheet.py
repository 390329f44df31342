"""Where the views of a section stand on a sheet, at which scales, and what is broken out of the long one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from quillwise.kinematics.errors import RequestError
from quillwise.viz.breaks import Window
from quillwise.viz.lineart import fitted
from quillwise.viz.linedrawing import Word
from quillwise.viz.paper import LEAST_TEXT_MM, SMALL_TEXT_MM, text_width_mm
from quillwise.viz.scales import SCALES

BREAK_MM = 5.0  # between the two ends where a piece is broken out
_SIDE_MM = 10.0
_TOP_MM = 9.0
FOOT_MM = 17.0  # three lines of text
_BETWEEN_MM = 10.0
_OVER_MM = 3.0  # of centre lines beyond a section across
_LEAST = 1 / 5.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Room:
    """What has to go on a sheet. size, text: of paper [mm]. reach: from where to where the long section goes along the
    axis; plain: the piece of it that may be broken out, or None; radius: of the mates [mm of the model]. names: the
    width [mm of paper] without which the names do not go in a row."""

    size_mm: tuple[float, float]
    text_mm: float
    reach_mm: tuple[float, float]
    plain_mm: tuple[float, float] | None
    names_mm: float
    radius_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Layout:
    """Where all stands [mm of paper, y downwards]. origin: of the long section's frame; middles: of the sections
    across; taken: what is broken out of the model, from and to along the axis, or None. band: left and right of the
    long section's room."""

    scale: float
    across: float
    origin: tuple[float, float]
    middles: tuple[tuple[float, float], tuple[float, float]]
    reach_mm: tuple[float, float]
    taken_mm: tuple[float, float] | None
    radius_paper_mm: float
    label_mm: float
    band: tuple[float, float]

    @property
    def half_mm(self) -> float:
        """How far windows reach on either side of the axis."""
        return self.radius_paper_mm + 50.0

    @property
    def arrow_mm(self) -> float:
        """Length of the arrows at the cutting planes."""
        return min(7.5, 3.4 + 1.6 * self.scale)

    @property
    def shortened_mm(self) -> float:
        """How much is broken out [mm of the model]."""
        return 0.0 if self.taken_mm is None else self.taken_mm[1] - self.taken_mm[0]

    def windows(self, wavy: tuple[bool, bool]) -> tuple[Window, ...]:
        """What is shown along the axis, from its origin. wavy: whether the shafts go on beyond it."""
        low, high = (each * self.scale for each in self.reach_mm)
        low, high = low - (0.0 if wavy[0] else 0.5), high + (0.0 if wavy[1] else 0.5)
        if self.taken_mm is None:
            return (Window(low=low, high=high, wavy=wavy),)
        begin, end = (each * self.scale for each in self.taken_mm)
        return (
            Window(low=low, high=begin, wavy=(wavy[0], True)),
            Window(low=end, high=high, wavy=(True, wavy[1]), move=begin - end + BREAK_MM),
        )

    def at_x(self, along_mm: float) -> float:
        """Where a place of the model along the axis stands on the sheet; it must not be broken out."""
        x = self.origin[0] + along_mm * self.scale
        if self.taken_mm is not None and along_mm >= self.taken_mm[1]:
            x += BREAK_MM - self.shortened_mm * self.scale
        return x

    def tooth_x(self, tooth_mm: tuple[float, float]) -> tuple[float, float]:
        """Where the cutting planes across stand."""
        return self.at_x(tooth_mm[0]), self.at_x(tooth_mm[1])

    @property
    def low_x(self) -> float:
        return self.at_x(self.reach_mm[0])

    @property
    def high_x(self) -> float:
        return self.at_x(self.reach_mm[1])

    @property
    def middle_x(self) -> float:
        """Where the name of the quill or sleeve points: its middle, or beside the break."""
        if self.taken_mm is None:
            return (self.low_x + self.high_x) / 2
        return self.at_x(self.taken_mm[0]) - 5.0


def laid_out(room: Room) -> Layout:
    """The largest scales at which all goes on the sheet: the sections across below the long one or beside it. Raises
    RequestError when it is too small."""
    best: tuple[tuple[float, float, float, bool], Layout] | None = None
    for scale in SCALES:
        for across in SCALES:
            for beside in (False, True):
                rank = (min(scale, across), scale + across, across, not beside)  # teeth are counted in those across
                if min(scale, across) < _LEAST or (best is not None and rank <= best[0]):
                    continue
                made = _tried(room, scale, across, beside)
                if made is not None:
                    best = (rank, made)
    if best is None:
        raise RequestError("--section: this sheet is too small; take a larger one with --paper")
    return best[1]


def _tried(room: Room, scale: float, across: float, beside: bool) -> Layout | None:
    """The layout at these scales, or None where it has no room."""
    text = room.text_mm
    label = 9.5 + 1.6 * text
    radius, ring = room.radius_mm * scale, room.radius_mm * across
    long_high = 2 * (radius + label + 1.4 * text)
    ring_high = 2 * (ring + _OVER_MM) + 2.4 * text
    width = room.size_mm[0] - 2 * _SIDE_MM
    height = room.size_mm[1] - _TOP_MM - FOOT_MM
    aside = 2 * (ring + _OVER_MM) + _BETWEEN_MM if beside else 0.0
    if beside:
        if 2 * ring_high > height or long_high > height:
            return None
    elif long_high + ring_high > height or 2 * (ring + _OVER_MM) + _BETWEEN_MM > width / 2:
        return None
    band = width - aside
    if band < room.names_mm:
        return None
    low, high = room.reach_mm
    taken: tuple[float, float] | None = None
    long = (high - low) * scale
    if long > band:
        if room.plain_mm is None:
            return None
        begin, end = room.plain_mm
        out = high - low - (band - BREAK_MM) / scale
        if out > end - begin:
            return None
        middle = (begin + end) / 2
        taken = (middle - out / 2, middle + out / 2)
        long = band
    left = _SIDE_MM + (band - long) / 2
    if beside:
        top = _TOP_MM + (height - long_high) / 2
        x = room.size_mm[0] - _SIDE_MM - ring - _OVER_MM
        spare = (height - 2 * ring_high) / 3
        ys = [_TOP_MM + spare * (n + 1) + ring_high * n + 2.4 * text + ring + _OVER_MM for n in range(2)]
        middles = ((x, ys[0]), (x, ys[1]))
    else:
        spare = (height - long_high - ring_high) / 3
        top = _TOP_MM + spare
        y = top + long_high + spare + 2.4 * text + ring + _OVER_MM
        middles = ((_SIDE_MM + 0.25 * width, y), (_SIDE_MM + 0.75 * width, y))
    return Layout(
        scale=scale,
        across=across,
        origin=(left - low * scale, top + long_high / 2),
        middles=middles,
        reach_mm=room.reach_mm,
        taken_mm=taken,
        radius_paper_mm=radius,
        label_mm=label,
        band=(_SIDE_MM, _SIDE_MM + band),
    )


def heading(title: str, told: Sequence[str], size_mm: tuple[float, float], text_mm: float) -> tuple[Word, ...]:
    """The title of a sheet at its top, and lines of text at its foot: all in one height, cut where too long."""
    width = size_mm[0] - 2 * _SIDE_MM
    height = SMALL_TEXT_MM if all(text_width_mm(text, SMALL_TEXT_MM) <= width for text in told) else LEAST_TEXT_MM
    lines = [
        fitted(text, (_SIDE_MM, size_mm[1] - 3.5 - 1.9 * (len(told) - 1 - n) * SMALL_TEXT_MM), width, (0.0, 0.0))
        for n, text in enumerate(told)
    ]
    return (
        Word(text=title, at=(_SIDE_MM, 5.0 + text_mm), height_mm=text_mm, bold=True),
        *(replace(line, height_mm=min(line.height_mm, height)) for line in lines),
    )
