"""Pictures and films into files: the stills of steps, one view, the film; each written whole."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from pathlib import Path

from quillwise.kinematics.assembly import Assembly
from quillwise.kinematics.errors import RequestError
from quillwise.kinematics.model import Engine
from quillwise.kinematics.steps import Frame, Step, frame
from quillwise.viz.cameras import view
from quillwise.viz.film import Kind, write_film
from quillwise.viz.plates import Plates
from quillwise.viz.reel import cycle_frames, sequence_frames
from quillwise.viz.still import save_png
from quillwise.viz.writing import write_whole

Progress = Callable[[int, int], None]

PLATE_PX, PLATE_DPI = (1600, 1000), 110.0
PREVIEW_PX, PREVIEW_FPS, PREVIEW_SECONDS = (854, 480), 15, 40.0
SCREEN_DPI = 72.0
_SIZE = re.compile(r"(\d{2,5})\s*[x×]\s*(\d{2,5})")
_MOST_PX = 12_000


def parse_size(text: str) -> tuple[int, int]:
    """Read ``1600x1000``. Raises RequestError with what is allowed."""
    match = _SIZE.fullmatch(text.strip())
    if not match:
        raise RequestError(f'expected a size such as 1600x1000, got "{text}"')
    return checked_size((int(match[1]), int(match[2])))


def checked_size(size: tuple[int, int]) -> tuple[int, int]:
    """The size [pixels], if it is one that can be drawn. Raises RequestError with what is allowed."""
    if not all(64 <= side <= _MOST_PX for side in size):
        raise RequestError(f"expected sides from 64 to {_MOST_PX} pixels, got {size[0]} × {size[1]}")
    return size


def step_file(scene: str, step: Step) -> str:
    """Name of a step's picture."""
    return f"{scene}-{step.number:02d}-{step.key}.png"


def draw_steps(
    engine: Engine,
    steps: Sequence[Step],
    of: int,
    folder: Path,
    size_px: tuple[int, int],
    dpi: float,
    force: bool = False,
    progress: Progress | None = None,
) -> list[Path]:
    """A plate of each step into the folder, which exists. Returns the files in order."""
    paths = []
    with Plates(engine, size_px, dpi) as plates:
        for number, step in enumerate(steps, start=1):
            path = folder / step_file(engine.sheet.scene, step)
            _draw_step(plates, step, of, path, dpi, force)
            paths.append(path)
            if progress:
                progress(number, len(steps))
    return paths


def draw_one(
    engine: Engine, step: Step, of: int, path: Path, size_px: tuple[int, int], dpi: float, force: bool = False
) -> None:
    """The plate of one step into a file."""
    with Plates(engine, size_px, dpi) as plates:
        _draw_step(plates, step, of, path, dpi, force)


def _draw_step(plates: Plates, step: Step, of: int, path: Path, dpi: float, force: bool) -> None:
    with write_whole(path, force) as part:
        save_png(part, plates.plate(step, 1.0, of), dpi)


def draw_view(
    engine: Engine,
    assembly: Assembly,
    crank_deg: float,
    view_name: str,
    path: Path,
    size_px: tuple[int, int],
    dpi: float,
    *,
    step: Step | None = None,
    transparent: bool = False,
    force: bool = False,
) -> None:
    """The whole mechanism alone, from a named view, at a crank angle or at the end of a step. The line that it is
    no approved data stands in the picture, in its lowest rows."""
    view(view_name)  # a wrong name is told before anything is drawn
    moment = frame(step, 1.0) if step else Frame(assembly=assembly, crank_deg=crank_deg, free={})
    with write_whole(path, force) as part, Plates(engine, size_px, dpi) as plates:
        save_png(part, plates.general(moment, view_name, step.about if step else (), transparent), dpi)


def film_sequence(
    engine: Engine,
    steps: Sequence[Step],
    of: int,
    path: Path,
    *,
    size_px: tuple[int, int] = PREVIEW_PX,
    fps: int = PREVIEW_FPS,
    seconds: float = PREVIEW_SECONDS,
    kind: Kind = "mp4",
    smooth: int = 2,
    force: bool = False,
    progress: Progress | None = None,
) -> int:
    """A film of the steps into a file; returns the number of pictures."""
    with write_whole(path, force) as part, Plates(engine, size_px, SCREEN_DPI, smooth) as plates:
        return write_film(part, sequence_frames(plates, steps, of, seconds, fps, progress), fps, size_px, kind)


def film_cycle(
    engine: Engine,
    assembly: Assembly,
    path: Path,
    *,
    size_px: tuple[int, int] = PREVIEW_PX,
    fps: int = PREVIEW_FPS,
    seconds: float = 12.0,
    kind: Kind = "mp4",
    smooth: int = 2,
    force: bool = False,
    progress: Progress | None = None,
) -> int:
    """A film of one full cycle of an assembly into a file; returns the number of pictures."""
    count = max(2, round(seconds * fps))
    with write_whole(path, force) as part, Plates(engine, size_px, SCREEN_DPI, smooth) as plates:
        return write_film(part, cycle_frames(plates, assembly, 0.0, count, progress), fps, size_px, kind)
