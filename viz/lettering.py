"""All that is lettered in the window: caption, state line, strip, room, buttons, foot, the panel of text, the help.

Each is a picture made elsewhere, put up again only when what it depends on has changed.
"""

from __future__ import annotations

from vtkmodules.vtkRenderingCore import vtkRenderer, vtkRenderWindow

from quillwise.kinematics.motion import State
from quillwise.kinematics.steps import Frame, Step
from quillwise.viz import board, captions, cycle, part_words, playback, room_view
from quillwise.viz.angle_mark import Between
from quillwise.viz.bench_trial import COARSE_DEG, strike_ahead
from quillwise.viz.buttons import Placed, hit
from quillwise.viz.layout import Layout
from quillwise.viz.leaf import Leaf, place
from quillwise.viz.panels import panel_key, text_panel
from quillwise.viz.session import Session, Work, idle_keys, pressed_keys

_NAMES = ("caption", "state", "strip", "room", "bar", "foot", "text", "help")


class Lettering:
    """The leaves of a window about one work."""

    def __init__(self, window: vtkRenderWindow, work: Work) -> None:
        self._work = work
        self._leaves = {name: Leaf(window) for name in _NAMES}
        self._seen: dict[str, object] = {}
        self._buttons: dict[str, tuple[Placed, ...]] = {"bar": (), "text": ()}
        self._at: Layout | None = None
        self._strip: cycle.Strip | None = None

    @property
    def help(self) -> vtkRenderer:
        """What stands in the place of the large view while the help is on."""
        return self._leaves["help"].renderer

    def arrange(self, at: Layout) -> None:
        """Gives every leaf its place, and forgets what was drawn."""
        self._at = at
        self._seen.clear()
        for name, leaf in self._leaves.items():
            leaf.area = at.general if name == "help" else getattr(at, name)
            place(leaf.renderer, leaf.area, at.size_px)
            leaf.renderer.SetDraw(False)
        self._leaves["strip"].forget_cursor()
        self._strip = cycle.plan(self._work.engine, self._leaves["strip"].size_px)

    def key_at(self, x_px: int, y_px: int) -> str | None:
        """The key of the button at a place of the window, from its upper left corner."""
        for name, placed in self._buttons.items():
            left, top, right, bottom = self._leaves[name].area
            if left <= x_px < right and top <= y_px < bottom:
                return hit(placed, x_px - left, y_px - top)
        return None

    def buttons(self) -> dict[str, tuple[int, int]]:
        """The middle of each button in the window, by its key, from the upper left corner."""
        found: dict[str, tuple[int, int]] = {}
        for name, placed in self._buttons.items():
            left, top, *_ = self._leaves[name].area
            for each in placed:
                x0, y0, x1, y1 = each.area
                found.setdefault(each.button.key, (left + (x0 + x1) // 2, top + (y0 + y1) // 2))
        return found

    def crank_at(self, x_px: int, y_px: int, dragging: bool) -> float | None:
        """The crank angle at a place of the window on the strip, else None; while dragging, wherever it is."""
        assert self._strip is not None, "arranged before it is used"
        left, top, *_ = self._leaves["strip"].area
        if not dragging and not self._strip.contains(x_px - left, y_px - top):
            return None
        return cycle.crank_at(self._strip, x_px - left)

    def write(
        self, now: Session, step: Step, shown: Frame, state: State, compared: Between | None
    ) -> list[vtkRenderer]:
        """Brings all of it up to date; returns what has to be drawn. The help is drawn by whoever shows it."""
        assert self._at is not None, "arranged before it is drawn"
        work, leaves, scale = self._work, self._leaves, self._at.scale
        engine = work.engine
        if self._differs("text", panel_key(now)):
            picture, self._buttons["text"] = text_panel(now, work, leaves["text"].size_px, scale)
            leaves["text"].put(picture)
        buttons = now.playback.playing, pressed_keys(now), idle_keys(now, work)
        if self._differs("bar", buttons):
            picture, self._buttons["bar"] = board.bar_of_buttons(leaves["bar"].size_px, scale, *buttons)
            leaves["bar"].put(picture)
        if self._differs("foot", True):
            leaves["foot"].put(board.bar(captions.FOOTER, engine.sheet.name, leaves["foot"].size_px))
        caption = self._caption(now, state, compared)
        if self._differs("caption", caption):
            leaves["caption"].put(board.bar(*caption, leaves["caption"].size_px, bold=True))
        first = engine.sheet.firing_order[0]
        words = (board.state_words(now.playback, shown.crank_deg, first), now.note)
        if self._differs("state", words):
            leaves["state"].put(board.bar(*words, leaves["state"].size_px, bold=True))
        self._write_strip(now, step, shown)
        self._write_room(now, step, shown, state)
        if now.help and self._differs("help", True):
            leaves["help"].put(board.help_page(leaves["help"].size_px))
        drawn = [leaf.renderer for name, leaf in leaves.items() if leaf.changed and name != "help"]
        for leaf in leaves.values():
            leaf.changed = False
        return drawn

    def close(self) -> None:
        """Takes the leaves out of the window."""
        for leaf in self._leaves.values():
            leaf.close()

    def _caption(self, now: Session, state: State, compared: Between | None) -> tuple[str, str]:
        if now.picked is not None:
            return part_words.told(self._work.engine, now.picked, state), ""
        if now.comparing:
            if compared is None:
                return "As found stands as intended.", ""
            return f"Solid: found. Blue: intended. {compared.words}", ""
        if now.trial is not None:
            return "Your own try: the view shows what you did", ""
        if self._work.fault:
            return f"Set up wrong on purpose: {self._work.fault}", "c: compare"
        return self._work.engine.sheet.name, "click a part for its figures"

    def _write_strip(self, now: Session, step: Step, shown: Frame) -> None:
        leaf, strip = self._leaves["strip"], self._strip
        assert strip is not None
        own = now.trial is None and not now.comparing
        at_end = own and playback.fraction(now.playback, self._work.steps) >= 1.0
        assembly = step.after if at_end else shown.assembly
        # what a free shaft's angle is does not show in the strip: only whether it is coupled, and how
        key = (assembly.engagements, assembly.clearances_mm) if now.trial else id(assembly)
        if self._differs("strip", key):
            leaf.put(cycle.draw(self._work.engine, assembly, leaf.size_px))
        if self._differs("cursor", shown.crank_deg):
            height = leaf.size_px[1]
            x = cycle.x_of(strip, shown.crank_deg)
            leaf.point_at(x, height - strip.bottom, height - strip.top + 2)

    def _write_room(self, now: Session, step: Step, shown: Frame, state: State) -> None:
        leaf = self._leaves["room"]
        own = now.trial is None and not now.comparing
        to_come = own and playback.fraction(now.playback, self._work.steps) < 1.0 and now.playback.crank_deg is None
        key = (shown.crank_deg, tuple(shown.free.items()), id(shown.assembly), to_come, now.playback.playing)
        if not self._differs("room", key):
            return
        coming = step.room if to_come else None
        if now.trial is not None and now.trial.kind == "camshaft" and not now.comparing:
            ways = (strike_ahead(self._work.engine, step, now.trial, way) for way in (COARSE_DEG, -COARSE_DEG))
            coming = min((way for way in ways if way), key=lambda way: way.room_mm, default=None)
        by_hand = not now.playback.playing and now.trial is None
        space = room_view.space(self._work.engine, shown, state, coming, by_hand)
        if self._differs("space", space):
            leaf.put(room_view.draw(space, leaf.size_px)[0])

    def _differs(self, name: str, value: object) -> bool:
        """Whether a thing has another value than when it was last drawn; it is then taken as drawn."""
        if name in self._seen and self._seen[name] == value:
            return False
        self._seen[name] = value
        return True
