"""Where things stand in the window: rectangles in pixels, from the size of the window alone."""

from __future__ import annotations

from dataclasses import dataclass

from quillwise.viz.leaf import Area

LEAST_PX = (640, 360)
_LINES = 720.0  # lines of the window for which the heights of lettering are meant
_LEFT_SHARE = 0.54
_STRIP_SHARE, _TEXT_SHARE, _ROOM_SHARE = 0.28, 0.42, 0.20  # of the height, the height, the left part's width
_STATE_PX, _FOOT_PX, _HEAD_PX, _CAPTION_PX = 22, 18, 34, 24
_BAR_ROW_PX = 23
BAR_ROWS = 3
PANES = 4


@dataclass(frozen=True, kw_only=True, slots=True)
class Layout:
    """The rectangles of a window: (left, top, right, bottom), none overlapping. ``heads`` stand over ``panes``,
    ``caption`` over the large view; ``room`` stands beside the cycle strip, ``bar`` holds the buttons."""

    size_px: tuple[int, int]
    scale: float
    caption: Area
    general: Area
    state: Area
    strip: Area
    room: Area
    bar: Area
    foot: Area
    text: Area
    heads: tuple[Area, ...]
    panes: tuple[Area, ...]


def layout(size_px: tuple[int, int]) -> Layout:
    """At the left a caption over the large view, the state line, the cycle strip beside the room, the buttons; at the
    right text over two by two close-ups; the foot below.

    The shares stay as they are in every size; lettering grows with the smaller of the two sides.
    """
    width, height = size_px
    scale = max(0.5, min(width / (_LINES * 16 / 9), height / _LINES))
    foot = height - round(_FOOT_PX * scale)
    bar = foot - round(BAR_ROWS * _BAR_ROW_PX * scale)
    strip = bar - round(_STRIP_SHARE * height)
    state = strip - round(_STATE_PX * scale)
    split = round(_LEFT_SHARE * width)
    rule = max(1, round(scale))
    caption = round(_CAPTION_PX * scale)
    room = split - round(_ROOM_SHARE * split)
    text = round(_TEXT_SHARE * height)
    head = round(_HEAD_PX * scale)
    middle_x = split + (width - split) // 2
    middle_y = text + (foot - text) // 2
    heads, panes = [], []
    for top, bottom in ((text, middle_y), (middle_y, foot)):
        for left, right in ((split, middle_x), (middle_x, width)):
            heads.append((left + rule, top + rule, right, top + head))
            panes.append((left + rule, top + head, right, bottom))
    return Layout(
        size_px=size_px,
        scale=scale,
        caption=(0, 0, split, caption),
        general=(0, caption, split, state),
        state=(0, state + rule, split, strip),
        strip=(0, strip, room, bar),
        room=(room + rule, strip, split, bar),
        bar=(0, bar + rule, split, foot),
        foot=(0, foot + rule, width, height),
        text=(split + rule, 0, width, text),
        heads=tuple(heads),
        panes=tuple(panes),
    )
