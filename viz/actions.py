"""Everything that can be done in the window: its key, its button, its words in the help. One table for all three, so
that each action has a key and a mouse way, and the help leaves none out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

Where = Literal["play", "view", "do", "trial", "answer", "close"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Action:
    """keys: names as X gives them; a click on the button presses the first. ``shown``: the keys as they are printed.
    ``button``: the words on the button. ``what``: what it does, for the help. ``where``: the row of its button."""

    name: str
    keys: tuple[str, ...]
    shown: str
    button: str
    what: str
    where: Where


def _actions() -> tuple[Action, ...]:
    made = []
    for where, name, keys, shown, button, what in (
        ("play", "first", "Home", "Home", "First", "the first step"),
        ("play", "back", "Left", "←", "◀ Step", "the step before"),
        ("play", "play", "space", "space", "Play", "play, pause"),
        ("play", "on", "Right", "→", "Step ▶", "the next step"),
        ("play", "last", "End", "End", "Last", "the last step"),
        ("play", "slower", "Down", "↓", "Slower", "play slower"),
        ("play", "faster", "Up", "↑", "Faster", "play faster"),
        ("play", "crank -10", "Prior", "Page Up", "−10°", "turn the crank 10° back"),
        ("play", "crank -1", "comma", ",", "−1°", "turn the crank 1° back"),
        ("play", "crank +1", "period", ".", "+1°", "turn the crank 1° on"),
        ("play", "crank +10", "Next", "Page Down", "+10°", "turn the crank 10° on"),
        ("view", "wheelcase end", "1", "1", "Front", "look from the wheelcase end"),
        ("view", "output end", "2", "2", "Rear", "look from the output end"),
        ("view", "left", "3", "3", "Left", "look from the left"),
        ("view", "right", "4", "4", "Right", "look from the right"),
        ("view", "top", "5", "5", "Top", "look from above"),
        ("view", "three-quarter", "6", "6", "3/4", "look from three quarters"),
        ("view", "step view", "r R", "r", "Step's view", "the view of the step again"),
        ("view", "zoom", "z Z", "z", "Zoom", "zoom to the part that was clicked"),
        ("view", "hide", "x X", "x", "Hide", "hide the part that was clicked"),
        ("view", "ghost", "g G", "g", "Ghost", "make it see-through, or solid again"),
        ("view", "all", "u U", "u", "All back", "show all parts again, solid"),
        ("do", "try", "t T", "t", "Try it yourself", "try the step's quill or shaft yourself, or leave it"),
        ("do", "compare", "c C", "c", "Compare", "as found (solid) beside as intended (see-through)"),
        ("do", "learn", "l L", "l", "Learn", "the answer hidden, a question for each step"),
        ("do", "picture", "p P", "p", "Picture", "save a picture in the current folder"),
        ("do", "help", "h H", "h", "Help", "this help on, off"),
        ("do", "close", "q Q Escape", "q, Escape", "Close", "close the window"),
        ("trial", "driving back", "j J", "j", "", "trial: a tooth back at the driving end (shaft: 4° back)"),
        ("trial", "driving on", "k K", "k", "", "trial: a tooth on at the driving end (shaft: 4° on)"),
        ("trial", "driven back", "n N", "n", "", "trial: a tooth back at the driven end (shaft: ¼° back)"),
        ("trial", "driven on", "m M", "m", "", "trial: a tooth on at the driven end (shaft: ¼° on)"),
        ("trial", "draw", "d D", "d", "Draw it", "trial: draw the quill or sleeve"),
        ("trial", "home", "Return KP_Enter", "Enter", "Put it home", "trial: put it home, if it goes in"),
        (
            "trial",
            "let go",
            "f F",
            "f",
            "Let the shaft turn",
            "trial: let the held shaft turn to meet it, push home",
        ),
    ):
        made.append(
            Action(name=name, keys=tuple(keys.split()), shown=shown, button=button, what=what, where=where)  # type: ignore[arg-type]
        )
    return tuple(made)


ACTIONS: tuple[Action, ...] = _actions()
BY_KEY: Mapping[str, Action] = MappingProxyType({key: each for each in ACTIONS for key in each.keys})
NAMED: Mapping[str, Action] = MappingProxyType({each.name: each for each in ACTIONS})
BAR: tuple[Where, ...] = ("play", "view", "do")
# what the mouse does beside the buttons: (mouse, what)
MOUSE: tuple[tuple[str, str], ...] = (
    ("drag in the large view", "look from elsewhere; wheel: zoom; middle button: shift"),
    ("click on a part", "its name and figures; the view zooms to it"),
    ("click beside the parts", "no part any more"),
    ("drag on the strip", "turn the crank to that place of the cycle"),
    ("1 to 4, or click", "reply, while a question is asked"),
)
