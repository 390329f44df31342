"""Every letter against the ground it stands on, as drawn: 4.5 : 1 (WCAG 2.2, 1.4.3), and 3 : 1 for what is no text.

The drawing itself is watched: of each call that sets text, the pixels that its letters cover are taken before they are
set. So a colour that is new, or a word that slides onto another ground, is found.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from PIL import Image, ImageColor, ImageDraw

from quillwise.kinematics.parts import Kind
from quillwise.kinematics.rig import rig
from quillwise.kinematics.room import Room
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import frame
from quillwise.scenes.library import engine as packaged
from quillwise.viz import board, captions, cycle, engraving, exhibit, palette, room_view
from quillwise.viz.actions import ACTIONS
from quillwise.viz.cameras import project
from quillwise.viz.closeups import close_up, close_up_bodies, close_up_camera, place_close_up
from quillwise.viz.layout import layout
from quillwise.viz.plates import text_of
from quillwise.viz.stage import Stage

ENGINES = ("larkfell-port", "slipway-six", "gantry-eight", "launch-inverted")
_MOST = 0.08  # of the letters: what a fine line or the seam of two grounds takes up


def _hex(colour: Any) -> str:
    red, green, blue = (colour if not isinstance(colour, str) else ImageColor.getrgb(colour))[:3]
    return f"#{int(red):02X}{int(green):02X}{int(blue):02X}"


@pytest.fixture
def faint(monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[list[str], set[tuple[str, str]]]]:
    """What text was set without contrast, and the pairs of colours that were met."""
    found: list[str] = []
    pairs: set[tuple[str, str]] = set()
    really = ImageDraw.ImageDraw.text

    def text(pencil: Any, xy: Any, words: str, *given: Any, **more: Any) -> None:
        left, top, right, bottom = pencil.textbbox(xy, words, font=more["font"], anchor=more.get("anchor"))
        box = int(left) - 1, int(top) - 1, int(right) + 2, int(bottom) + 2
        ground = np.asarray(pencil._image.crop(box).convert("RGB"))
        really(pencil, xy, words, *given, **more)
        mask = Image.new("L", (box[2] - box[0], box[3] - box[1]))
        really(ImageDraw.Draw(mask), (xy[0] - box[0], xy[1] - box[1]), words, *given, **(more | {"fill": 255}))
        under = ground[np.asarray(mask) > 128]
        colour = _hex(more["fill"])
        kinds, counts = np.unique(under, axis=0, return_counts=True) if len(under) else (under, np.array([]))
        poor = 0.0
        for kind, count in zip(kinds, counts, strict=True):
            pairs.add((colour, _hex(kind)))
            poor += count * (palette.contrast(colour, _hex(kind)) < palette.MIN_TEXT)
        if len(under) and poor > _MOST * len(under):
            found.append(f"{words!r} in {colour}: {poor / len(under):.0%} of it without contrast")

    monkeypatch.setattr(ImageDraw.ImageDraw, "text", text)
    yield found, pairs


@pytest.mark.parametrize("name", ENGINES)
def test_text_of_the_cycle_strip(name: str, faint: tuple[list[str], set[tuple[str, str]]]) -> None:
    engine = packaged(name)
    steps = play(engine).steps
    for size in ((1280, 720), (1920, 1080)):
        left, top, right, bottom = layout(size).strip
        for step in (steps[0], steps[len(steps) // 2], steps[-1]):
            cycle.draw(engine, step.after, (right - left, bottom - top))
    found, pairs = faint
    assert found == []
    assert len(pairs) >= 4


def test_text_of_panels_buttons_alarms_and_plates(faint: tuple[list[str], set[tuple[str, str]]]) -> None:
    engine = packaged("larkfell-port")
    steps, at = play(engine).steps, layout((1280, 720))
    left, top, right, bottom = at.text
    for step in steps[::9]:
        board.step_panel(step, len(steps), (right - left, bottom - top), at.scale)
        lines, figures = text_of(engine, step)
        captions.compose(np.full((90, 90, 3), 255, np.uint8), step.text.title, lines, figures, (1600, 1000), 110, 0.36)
    left, top, right, bottom = at.bar
    keys = {action.keys[0] for action in ACTIONS}
    for pressed, idle in (((), ()), (keys, ()), ((), keys)):
        board.bar_of_buttons((right - left, bottom - top), at.scale, False, pressed, idle)
    left, top, right, bottom = at.room
    for room_mm in (9.0, 1.0, -0.2):
        now = Room(room_mm=room_mm, valve="A1 inlet", crank_deg=371.0, known=True)
        space = room_view.Space(now=now, ahead=now, lift_mm=4.0, most_lift_mm=10.0, limit_mm=1.5)
        room_view.draw(space, (right - left, bottom - top))
    found, pairs = faint
    assert found == []
    assert {ink for ink, _ in pairs} >= {palette.TEXT, palette.FAINT_TEXT, palette.GROUND, palette.RULE}


@pytest.mark.parametrize("kind", ["window", "magneto"])
@pytest.mark.parametrize("asked", [False, True])
def test_what_is_engraved_reads_on_the_part_it_stands_on(kind: Any, asked: bool) -> None:
    """On the very pixels of the picture, light and shade and all."""
    engine = packaged("slipway-six")
    size = (400, 300)
    moment = frame(next(step for step in play(engine).steps if step.key == "winch-break"), 1.0)
    state, hung = exhibit.state_at(engine, moment), rig(engine)
    shown = close_up(engine, kind, "winch" if kind == "magneto" else "")
    camera = close_up_camera(engine, hung, shown, state, size[0] / size[1])
    with Stage(size) as stage:
        exhibit.furnish(stage, close_up_bodies(engine, shown))
        place_close_up(stage, engine, hung, shown, moment, state, None)
        stage.look(camera)
        stage.emphasise([part for part, _ in stage.keys()] if asked else [])
        picture = stage.picture(1)
    words = engraving.labels(engine, hung, shown, moment, state)
    assert words
    for label, (x, y) in zip(words, project(camera, np.array([each.at_mm for each in words]), size), strict=True):
        patch = picture[round(y) - 4 : round(y) + 5, round(x) - 5 : round(x) + 6].reshape(-1, 3)
        ground = _hex(np.median(patch, axis=0))
        assert palette.contrast(palette.TEXT, ground) >= palette.MIN_TEXT, (label.text, ground)


def test_bars_sparks_edges_and_feelers_stand_out() -> None:
    for ground in (palette.GROUND, *cycle.STROKES.values()):
        for colour in (palette.INLET, palette.EXHAUST, palette.RULE, palette.BLACK, palette.FAINT_TEXT):
            assert palette.contrast(colour, ground) >= palette.MIN_GRAPHICS, (colour, ground)
    assert palette.contrast(palette.strong(Kind.FEELER)) >= palette.MIN_GRAPHICS, "it is drawn without edges"
