"""Records of pictures that were drawn, for ``draw --json``: the file, its size on paper, and what it points at."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from quillwise.viz.linedrawing import Callout

Record = dict[str, Any]


def picture(
    path: Path,
    size_mm: tuple[float, float],
    pointed: Sequence[Callout] = (),
    items: Iterable[tuple[int, str]] = (),
    step: str | None = None,
) -> Record:
    """One picture. Places of callouts are in mm of paper from the upper left corner, y downwards; pointed and items:
    the same callouts by number."""
    names: Mapping[int, str] = dict(items)
    return {
        "file": str(path),
        "step": step,
        "size_mm": [round(side, 4) for side in size_mm],
        "callouts": [
            {
                "number": each.number,
                "name": names[each.number],
                "part": each.name,
                "tip_mm": [round(place, 4) for place in each.tip],
                "at_mm": [round(place, 4) for place in each.at],
            }
            for each in sorted(pointed, key=lambda each: each.number)
        ],
    }
