"""Every action of the window by its key and by the mouse: the same comes of both. And where the buttons stand."""

from __future__ import annotations

import itertools
import json
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner
from viewer_window import SIZE, Window, told

from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import Mistake
from quillwise.scenes.library import engine
from quillwise.viz import board, buttons, palette, session
from quillwise.viz.actions import ACTIONS, MOUSE, NAMED
from quillwise.viz.buttons import Placed
from quillwise.viz.cli import app
from quillwise.viz.layout import layout
from quillwise.viz.leaf import Area
from quillwise.viz.panels import text_panel
from quillwise.viz.playback import Playback
from quillwise.viz.session import Session

PORT = engine("larkfell-port")
WORK = session.work(PORT, play(PORT))
NUMBER = {step.key: number for number, step in enumerate(WORK.steps)}
SIZES = [(640, 360), SIZE, (1920, 1080), (2560, 1440)]

# tells what is shown, a line each time that it has changed and then been still for three beats
_TRACE = """
import json, os, sys
from quillwise.kinematics.sequence import play
from quillwise.scenes.library import engine
from quillwise.viz.viewer import Viewer
trace = open(f"trace-{os.getpid()}", "w")

class Told(Viewer):
    last, still = "", 0

    def tick(self):
        super().tick()
        now, eye = self.session, self._overview.stage.camera()
        text = json.dumps({
            "step": now.playback.step, "playing": now.playback.playing, "speed": now.playback.speed,
            "crank": None if now.playback.playing else now.playback.crank_deg,
            "trial": repr(now.trial), "comparing": now.comparing,
            "lesson": None if now.lesson is None else [now.lesson.right, now.lesson.wrong],
            "picked": str(now.picked), "hidden": sorted(map(str, now.hidden)), "ghosts": sorted(map(str, now.ghosts)),
            "help": now.help, "note": now.note, "eye": [round(x, 2) for x in eye.position],
            "high": round(eye.parallel_half_height_mm, 2),
        })
        if text != getattr(self, "candidate", ""):
            self.candidate, self.still = text, 0
        self.still += 1
        if self.still == 3 and text != self.last:
            self.last = text
            print(json.dumps({"shown": json.loads(text), "buttons": self.lettering.buttons()}), file=trace, flush=True)

name, width, height, step = sys.argv[1], *map(int, sys.argv[2:5])
built = engine(name)
with Told(built, play(built), (width, height), step) as viewer:
    viewer.run()
"""
_PICK = (390, 210)  # in the view of the step at 1280 × 720: the bevel wheel at the end of camshaft A
_BESIDE = (30, 380)  # in the large view, where no part stands


def _buttons(now: Session, size: tuple[int, int], work=WORK) -> tuple[tuple[Placed, ...], tuple[Placed, ...]]:
    at = layout(size)
    bar = _px(at.bar)
    text = _px(at.text)
    _, in_bar = board.bar_of_buttons(bar, at.scale, False, (), ())
    _, in_text = text_panel(now, work, text, at.scale)
    return in_bar, in_text


def _px(area: Area) -> tuple[int, int]:
    left, top, right, bottom = area
    return right - left, bottom - top


def _sessions() -> Iterable[tuple[str, Session]]:
    for key in ("a-try", "a-nip", "exhaust-side-break"):
        now = Session(playback=Playback(step=NUMBER[key]))
        yield f"{key} trial", session.pressed(now, "t", WORK)
        yield f"{key} lesson", session.pressed(now, "l", WORK)
    yield "plain", Session()


def _apart(one: Area, other: Area) -> bool:
    return one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1]


@pytest.mark.parametrize("size", SIZES)
def test_buttons_stand_inside_and_do_not_overlap(size: tuple[int, int]) -> None:
    at = layout(size)
    for name, now in _sessions():
        for placed, area in zip(_buttons(now, size), (at.bar, at.text), strict=True):
            width, height = _px(area)
            for each in placed:
                left, top, right, bottom = each.area
                assert 0 <= left < right <= width, (name, each)
                assert 0 <= top < bottom <= height, (name, each)
            for one, other in itertools.combinations(placed, 2):
                assert _apart(one.area, other.area), (name, one, other)


@pytest.mark.parametrize("size", [SIZE, (2560, 1440)])
def test_the_words_of_a_panel_stand_over_its_buttons_and_all_of_them_fit(size: tuple[int, int]) -> None:
    at = layout(size)
    wrong = session.work(PORT, play(PORT, [Mistake(kind="other-tooth", at="quill-a", amount=4)]))
    cases = [(name, now, WORK) for name, now in _sessions() if name != "plain"]
    cases.append(("compared", session.pressed(Session(), "c", wrong), wrong))
    for name, now, work in cases:
        picture, placed = text_panel(now, work, _px(at.text), at.scale)
        assert placed, name
        below = min(each.area[1] for each in placed)
        ink = picture[:below].min(axis=-1) < 128
        assert ink.mean() > 0.01, name
        # a line left out would be marked in the lower right corner
        assert not ink[-round(8 * at.scale) :, -round(30 * at.scale) :].any(), f"{name}: not all of it fits"
        for each in placed:
            left, top, right, bottom = each.area
            inside = picture[top + 1 : bottom - 1, left + 1 : right - 1]
            assert (inside.min(axis=-1) < 100).any(), f"{name}: {each.button.words} is not lettered"
            edge = inside[:, [0, -1]].min(axis=-1)
            assert (edge > 128).all(), f"{name}: {each.button.words} is cut by its border"


def test_every_action_has_a_button_and_a_line_in_the_help() -> None:
    found = {each.button.key for _, now in _sessions() for placed in _buttons(now, SIZE) for each in placed}
    assert {action.keys[0] for action in ACTIONS} <= found
    assert {"1", "2"} <= found, "replies of a lesson"
    page = board.help_page(_px(layout(SIZE).general))
    ink = page.min(axis=-1) < 128
    lines = np.flatnonzero(np.diff(np.concatenate([[0], ink[:, : page.shape[1] // 3].any(axis=1).astype(int)])) == 1)
    assert len(lines) >= (len(ACTIONS) + len(MOUSE)) // 2
    assert not ink[:, -3:].any()
    assert not ink[-3:].any(), "nothing is cut at the border"


class _Traced:
    """A window that tells what it shows."""

    def __init__(self, window: Window, folder: Path) -> None:
        self.window = window
        self._trace = folder / f"trace-{window.process.pid}"
        self._read = 0
        self.told = self.line()

    def line(self) -> dict[str, Any]:
        """The next line that the window told, within half a minute."""
        for _ in range(1500):
            lines = self._trace.read_text().splitlines(keepends=True) if self._trace.exists() else []
            if len(lines) > self._read and lines[self._read].endswith("\n"):
                found: dict[str, Any] = json.loads(lines[self._read])
                self._read += 1
                return found
            time.sleep(0.02)
        raise AssertionError(f"nothing changed after {self.told['shown'] if self._read else 'it was opened'}")

    def do(self, action: str, by: str) -> dict[str, Any]:
        """Does an action by "key" or "mouse", and waits until the window shows something else."""
        if action.startswith("click "):
            x, y = _PICK if action == "click part" else _BESIDE
            self.window.send("mousemove", x, y, "click", 1)
        else:
            key = action.removeprefix("reply ") if action.startswith("reply ") else NAMED[action].keys[0]
            if by == "key":
                self.window.send("key", key)
            else:
                x, y = self.told["buttons"][key]
                self.window.send("mousemove", x, y, "click", 1, "mousemove", *_BESIDE)
        self.told = self.line()
        shown: dict[str, Any] = self.told["shown"]
        return shown


# each changes what is shown; between them every action but the picture and the close
_SCENARIO = (
    *("crank -10", "crank +10", "crank -1", "crank +1", "faster", "slower", "play", "play"),
    *("output end", "left", "right", "top", "three-quarter", "wheelcase end", "step view"),
    *(
        "click part",
        "ghost",
        "hide",
        "all",
        "step view",
        "click part",
        "top",
        "zoom",
        "three-quarter",
        "click beside",
        "step view",
    ),
    *("help", "help", "try", "driving on", "driving back", "driven on", "driven back", "home", "let go", "draw"),
    *("compare", "compare", "try", "learn", "reply 1", "learn", "on", "back", "first", "last"),
)


@pytest.mark.slow
def test_every_action_does_the_same_by_key_and_by_mouse(opened: Callable[..., Window], tmp_path: Path) -> None:
    shown: dict[str, list[dict[str, Any]]] = {"key": [], "mouse": []}
    for by, states in shown.items():
        traced = _Traced(opened(step=NUMBER["a-try"], script=_TRACE), tmp_path)
        for action in _SCENARIO:
            states.append(traced.do(action, by))
        if by == "key":
            traced.window.send("key", "p")
        else:
            traced.window.send("mousemove", *traced.told["buttons"]["p"], "click", 1)
        assert "saved quillwise-" in traced.line()["shown"]["note"]
        if by == "key":
            traced.window.send("key", "q")
        else:
            traced.window.send("mousemove", *traced.told["buttons"]["q"], "click", 1)
        code, _, err = traced.window.end()
        assert (code, err) == (0, "")
    assert sorted(path.name for path in tmp_path.glob("*.png")) == ["quillwise-1.png", "quillwise-2.png"]
    done = {action for action in _SCENARIO if action in NAMED} | {"picture", "close"}
    assert done == set(NAMED)
    for action, one, other in zip(_SCENARIO, shown["key"], shown["mouse"], strict=True):
        assert one == other, action
    wheel = str(Part(Kind.WHEEL, "camshaft A, 42-tooth bevel"))
    by_action = dict(zip(_SCENARIO, shown["key"], strict=True))
    assert by_action["ghost"]["ghosts"] == [wheel]
    assert by_action["hide"]["hidden"] == [wheel]
    assert by_action["zoom"]["picked"] == wheel
    assert by_action["zoom"]["high"] < 0.6 * by_action["top"]["high"]
    assert by_action["click beside"]["picked"] == "None"
    assert by_action["reply 1"]["lesson"] in ([0, 1], [1, 0])


@pytest.mark.slow
def test_it_closes_in_the_middle_of_a_flight_and_of_a_trial(opened: Callable[..., Window]) -> None:
    for keys in (("t", "k", "q"), ("t", "k", "c", "Escape")):
        window = opened(step=NUMBER["a-try"])
        window.send("mousemove", *_PICK, "click", 1)
        window.keys(*keys)
        code, _, err = window.end()
        assert (code, err) == (0, "")


_FLIES = """
import json, sys
from quillwise.kinematics.sequence import play
from quillwise.scenes.library import engine
from quillwise.viz.viewer import Viewer
now = 0.0
built = engine("larkfell-port")
viewer = Viewer(built, play(built), (1280, 720), 8, clock=lambda: now)
viewer.tick()
high = []
def beats(count):
    global now
    for _ in range(count):
        high.append(viewer._overview.stage.camera().parallel_half_height_mm)
        now += 0.05
        viewer.tick()
viewer.pick(int(sys.argv[1]), 720 - 1 - int(sys.argv[2]))
beats(20)
print(json.dumps([high, str(viewer.session.picked)]))
viewer.close()
"""


@pytest.mark.slow
def test_the_camera_flies_to_a_clicked_part_and_does_not_jump(display: str, tmp_path: Path) -> None:
    printed = told(_FLIES, display, tmp_path, *map(str, _PICK), timeout_s=60)
    high, picked = json.loads(printed)
    assert picked == "wheel camshaft A, 42-tooth bevel"
    assert high[-1] == high[-2], "it has arrived"
    assert high[-1] < 0.5 * high[0]
    assert len(set(high)) > 8
    assert high == sorted(high, reverse=True), "nearer all the way"
    assert max(one / other for one, other in itertools.pairwise(high)) < 1.6


_FAULT = """
import sys
from quillwise.viz.cli import app
app(["show", sys.argv[1], *sys.argv[5:]], prog_name="quillwise")
"""


@pytest.mark.slow
def test_a_fault_opens_as_found_beside_as_intended(opened: Callable[..., Window], tmp_path: Path) -> None:
    blue = []
    for more in ("['--fault', 'quill-four-on']", "['--mistake', 'other-tooth:quill=+4', '--step', 'a-try']"):
        window = opened(name="slipway-six", script=_FAULT.replace("*sys.argv[5:]", f"*{more}"))
        time.sleep(1.0)
        window.keys("p", "q")
        code, _, err = window.end()
        assert (code, err) == (0, "")
        picture = np.asarray(Image.open(tmp_path / f"quillwise-{len(blue) + 1}.png").convert("RGB")).astype(int)
        left, top, right, bottom = layout(SIZE).general
        off = np.abs(picture[top:bottom, left:right] - palette.rgb(palette.INTENDED)).max(axis=-1)
        blue.append(int((off < 12).sum()))
    assert blue[0] > 200, "the phantom's edges and the radius as intended"
    assert blue[1] == 0, "a step was asked for: it opens on that"


def test_a_fault_that_is_not_there_is_told_in_a_sentence() -> None:
    result = CliRunner().invoke(app, ["show", "slipway-six", "--fault", "nothing"], prog_name="quillwise")
    assert result.exit_code == 2
    assert 'unknown fault "nothing"; defined: quill-four-on' in result.output


_LABEL = """
import json, sys
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import parse_mistake
from quillwise.scenes.library import engine
from quillwise.viz.viewer import Viewer
now, found = 0.0, []
for name, mistake in (("slipway-six", "other-tooth:quill=+4"), ("gantry-eight", "other-tooth:sleeve-left=-3")):
    built = engine(name)
    viewer = Viewer(built, play(built, [parse_mistake(built, mistake)]), (1280, 720), 12, clock=lambda: now)
    viewer.press("c")
    for view in ("", "1", "2", "3", "4", "5", "6", "r"):
        viewer.press(view)
        for _ in range(14):
            now += 0.1
            viewer.tick()
        label, stage = viewer._overview._mark._label, viewer._overview.stage
        box = [0.0] * 4
        label.GetBoundingBox(stage.renderer, box)
        x, y = label.GetPosition()
        area = [x + box[0], x + box[1], y + box[2], y + box[3]]
        found.append([name, view, area, list(stage.size_px), label.GetVisibility()])
    viewer.close()
print(json.dumps(found))
"""


@pytest.mark.slow
def test_the_label_of_the_angle_stands_whole_in_the_view_from_everywhere(display: str, tmp_path: Path) -> None:
    printed = told(_LABEL, display, tmp_path, timeout_s=85)
    for name, view, (left, right, bottom, top), (width, height), visible in json.loads(printed):
        assert visible, (name, view)
        assert right - left > 100, (name, view)
        assert 0 <= left < right <= width, (name, view)
        assert 0 <= bottom < top <= height, (name, view)


def test_letters_and_frames_of_the_buttons_stand_out() -> None:
    """WCAG 2.2, 1.4.3 and 1.4.11: text 4.5 : 1, what tells a control 3 : 1. What would do nothing now needs neither."""
    for ink, ground in (
        (palette.TEXT, buttons.FACE),
        (palette.FAINT_TEXT, buttons.FACE),
        (palette.GROUND, buttons.PRESSED),
    ):
        assert palette.contrast(ink, ground) >= palette.MIN_TEXT
    assert palette.contrast(palette.RULE, palette.GROUND) >= palette.MIN_GRAPHICS
    assert palette.contrast(buttons.PRESSED, buttons.FACE) >= palette.MIN_GRAPHICS, "down and up are told apart"
