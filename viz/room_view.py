"""The room between an open valve and its piston, drawn where it is least of all: along the valve's axis, to scale, with
the figure; and a warning, by word and shape, before a move that would strike.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from quillwise.kinematics.angles import format_crank
from quillwise.kinematics.lengths import LengthUnit, length
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import State
from quillwise.kinematics.room import Room, least_room, path, room_in
from quillwise.kinematics.steps import Frame
from quillwise.viz import palette
from quillwise.viz.fonts import font_of
from quillwise.viz.leaf import Area

Picture = NDArray[np.uint8]
Alarm = Literal["", "CAUTION", "WARNING"]
AHEAD_DEG = 10.0  # of the crank, either way: the largest turn by one key
_LEAST_PX = 4  # in the smallest window of all; 9 and more from 1280 × 720 on
_CAST = "#E2E2E2"
_MOST_ROOM_MM = 14.0  # what is drawn below a valve at full lift; more is cut off with a break line


@dataclass(frozen=True, kw_only=True, slots=True)
class Space:
    """The room now and on the way ahead, None where no valve is open. ``limit_mm``: the least that the data allow.
    ``unit``: of the words."""

    now: Room | None
    ahead: Room | None
    lift_mm: float
    most_lift_mm: float
    limit_mm: float
    unit: LengthUnit = "mm"

    @property
    def alarm(self) -> Alarm:
        """WARNING where a valve strikes, or would on the way ahead; CAUTION where there is less room than allowed."""
        rooms = [room for room in (self.now, self.ahead) if room is not None]
        if any(room.strikes for room in rooms):
            return "WARNING"
        return "CAUTION" if any(room.room_mm < self.limit_mm for room in rooms) else ""

    @property
    def words(self) -> tuple[str, str]:
        """Two short lines: the valve and its room; what lies ahead, if it is told."""
        if self.now is None:
            first = "all valves shut"
        else:
            room = length(max(self.now.room_mm, 0.0), self.unit, 1)
            first = f"{self.now.valve} {room}{'' if self.now.known else ' assumed'}"
        if not self.alarm:
            return first, ""
        worst = min((room for room in (self.now, self.ahead) if room is not None), key=lambda room: room.room_mm)
        where = f"at {format_crank(worst.crank_deg, 0)}°"
        if worst.strikes:
            return first, f"{worst.valve} {'strikes' if worst.known else 'may strike'} {where}"
        return first, f"{worst.valve} {length(worst.room_mm, self.unit, 1)} {where}"


def space(engine: Engine, shown: Frame, state: State, on_the_way: Room | None, look_ahead: bool) -> Space:
    """The room of a moment. on_the_way: the least room of the step's own move, while that is still to come.
    look_ahead: whether the crank may be turned by hand, either way."""
    now = room_in(engine, state, shown.crank_deg)
    coming = [on_the_way]
    if look_ahead:
        free = dict(shown.free)
        for way in (AHEAD_DEG, -AHEAD_DEG):
            coming.append(least_room(engine, shown.assembly, path(shown.crank_deg, shown.crank_deg + way), free))
    ahead = min((room for room in coming if room is not None), key=lambda room: room.room_mm, default=None)
    valve = None if now is None else engine.valves[now.valve]
    return Space(
        now=now,
        ahead=ahead,
        lift_mm=0.0 if valve is None else float(state[f"valve {valve.name}"][0]),
        most_lift_mm=max(engine.sheet.inlet.lift_mm, engine.sheet.exhaust.lift_mm),
        limit_mm=engine.sheet.limits.room_mm,
        unit=engine.sheet.length_unit,
    )


def draw(shown: Space, size_px: tuple[int, int]) -> tuple[Picture, dict[str, Area]]:
    """The picture (H, W, 3), and the rectangle of each line of text and of the drawing: none overlaps another."""
    width, height = size_px
    picture = Image.new("RGB", size_px, palette.GROUND)
    pencil = ImageDraw.Draw(picture)
    line = max(8, round(min(height / 9.5, width / 8.9)))
    boxes: dict[str, Area] = {}
    top = _text(pencil, boxes, "title", "Valve to piston", 1, line, width, True)
    alarm = shown.alarm
    first, second = shown.words
    bottom = height - 1
    if second:
        bottom -= line
        _text(pencil, boxes, "ahead", second, bottom, line, width, True)
    bottom -= line
    _text(pencil, boxes, "now", first, bottom, line, width, False)
    if alarm:
        bottom -= line
        _sign(pencil, boxes, alarm, bottom, line, width)
    boxes["drawing"] = (2, top, width - 2, bottom)
    _scheme(pencil, shown, boxes["drawing"])
    return np.asarray(picture), boxes


def _text(
    pencil: ImageDraw.ImageDraw,
    boxes: dict[str, Area],
    name: str,
    text: str,
    top: int,
    line: int,
    width: int,
    bold: bool,
) -> int:
    """A line of text in the largest size that fits; returns where the next line may begin."""
    size = max(_LEAST_PX, round(line * 0.74))
    while size > _LEAST_PX and font_of(size, bold).getlength(text) > width - 4:
        size -= 1
    pencil.text((width / 2, top + line / 2), text, font=font_of(size, bold), fill=palette.TEXT, anchor="mm")
    long = font_of(size, bold).getlength(text)
    boxes[name] = (int((width - long) / 2), top, int(np.ceil((width + long) / 2)), top + line)
    return top + line


def _sign(pencil: ImageDraw.ImageDraw, boxes: dict[str, Area], alarm: str, top: int, line: int, width: int) -> None:
    """A triangle with an exclamation mark and the word, in a heavy frame."""
    size = max(_LEAST_PX, round(line * 0.78))
    long = font_of(size, True).getlength(alarm)
    left = (width - long - 1.4 * line) / 2
    area = (int(left) - 2, top, int(np.ceil(left + long + 1.4 * line)) + 2, top + line)
    fill = palette.ORANGE if alarm == "WARNING" else palette.YELLOW
    pencil.rectangle((area[0], area[1], area[2] - 1, area[3] - 1), fill=fill, outline=palette.BLACK, width=2)
    x, y, half = left + 0.6 * line, top + line / 2, 0.36 * line
    pencil.polygon(
        [(x, y - half), (x - half, y + half), (x + half, y + half)], fill=palette.GROUND, outline=palette.BLACK
    )
    pencil.text(
        (x, y + 0.1 * line), "!", font=font_of(max(6, round(0.5 * line)), True), fill=palette.BLACK, anchor="mm"
    )
    pencil.text((left + 1.25 * line, y), alarm, font=font_of(size, True), fill=palette.BLACK, anchor="lm")
    boxes["alarm"] = area


def _scheme(pencil: ImageDraw.ImageDraw, shown: Space, area: Area) -> None:
    """Valve, seat and piston along the valve's axis; the room between them as a measure with two arrowheads."""
    left, top, right, bottom = area
    high, middle = bottom - top, (left + right) / 2
    if high < 20:
        return
    seat = top + 0.22 * high
    per_mm = (bottom - 4 - seat) / (shown.most_lift_mm + _MOST_ROOM_MM)
    half = min(0.30 * (right - left), 34 * per_mm)
    thick = max(2.0, 1.8 * per_mm)
    stem = max(2.0, 0.14 * half)
    edge = palette.EDGE
    for side in (-1, 1):  # the head of the cylinder, cut, with its seats
        out, inner = middle + side * 1.5 * half, middle + side * 0.9 * half
        xs = sorted((out, inner))
        pencil.rectangle((xs[0], seat - 0.16 * high, xs[1], seat), fill=_CAST, outline=edge)
    face = seat + shown.lift_mm * per_mm
    pencil.rectangle((middle - stem, top + 1, middle + stem, face - thick), fill=palette.GREEN, outline=edge)
    pencil.polygon(
        [
            (middle - half, face),
            (middle + half, face),
            (middle + 0.8 * half, face - thick),
            (middle - 0.8 * half, face - thick),
        ],
        fill=palette.GREEN,
        outline=edge,
    )
    room = None if shown.now is None else max(shown.now.room_mm, 0.0)
    crown = bottom - 3.0 if room is None else face + room * per_mm
    far = crown > bottom - 5
    crown = min(crown, bottom - 5)
    pencil.rectangle(
        (middle - 1.35 * half, crown, middle + 1.35 * half, bottom - 1), fill=palette.SKY_BLUE, outline=edge
    )
    if far:  # a break line: the piston stands lower than is drawn
        y = crown - 3
        points = [(middle + (at / 4 - 1) * 1.35 * half, y + (2 if at % 2 else -2)) for at in range(9)]
        pencil.line(points, fill=edge)
    if room is not None and crown - face > 6:
        x = middle + 0.45 * half
        pencil.line((x, face, x, crown), fill=palette.BLACK, width=max(1, round(high / 120)))
        for y, way in ((face, 1), (crown, -1)):
            pencil.polygon([(x, y), (x - 3, y + way * 5), (x + 3, y + way * 5)], fill=palette.BLACK)
