"""The briefing page with a drawing of every step, by line drawings of the whole engine."""

from __future__ import annotations

from collections.abc import Iterator

from stopwatch import Figure, compared

from quillwise.kinematics.sequence import play
from quillwise.scenes.library import engine as packaged
from quillwise.viz.briefing import briefing
from quillwise.viz.lineart import view_drawing
from quillwise.viz.paper import SHEETS
from quillwise.viz.standing import Store
from quillwise.viz.svg import svg

BESIDE = 5  # the rest of the page may take as long as so many drawings


def figures() -> Iterator[Figure]:
    """The page's text, by one drawing for each of its steps and five more; a drawing makes its bodies itself, as
    ``draw --line`` does, and again from bodies that stand already."""
    engine = packaged("larkfell-port")
    played = play(engine)
    count = len(played.steps)
    store = Store(engine)
    for name, made in (("line drawing", lambda: Store(engine)), ("  the same, bodies at hand", lambda: store)):

        def drawn(made=made) -> None:  # type: ignore[no-untyped-def]
            svg(view_drawing(made(), played.as_set, 0.0, "three-quarter", SHEETS["A4"]))

        drawn()
        yield compared(
            f"page of {count} steps",
            lambda: briefing(engine, None),
            f"{name} × (steps + {BESIDE})",
            drawn,
            1.0,
            times=count + BESIDE,
            runs=3,
        )
