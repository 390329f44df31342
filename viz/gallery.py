"""Pictures and films into files: the stills of steps, one view, the film; each written whole."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from quillwise.kinematics.assembly import Assembly
from quillwise.kinematics.errors import RequestError
from quillwise.kinematics.model import Engine
from quillwise.kinematics.steps import Frame, Step, frame
from quillwise.viz import graphics
from quillwise.viz.cameras import view
from quillwise.viz.film import Kind, write_film
from quillwise.viz.reel import cycle_frames, frame_counts, sequence_frames
from quillwise.viz.still import save_png
from quillwise.viz.subtitles import cycle_cues, step_cues, webvtt
from quillwise.viz.writing import check_target, write_whole

if TYPE_CHECKING:
    from quillwise.viz.callouts import Drawn
    from quillwise.viz.plates import Plates
    from quillwise.viz.pointing import Pointing

Progress = Callable[[int, int], None]

PLATE_PX, PLATE_DPI = (1600, 1000), 110.0
PREVIEW_PX, PREVIEW_FPS, PREVIEW_SECONDS = (854, 480), 15, 40.0
SCREEN_DPI = 72.0
_SIZE = re.compile(r"(\d{2,5})\s*[x×]\s*(\d{2,5})")
_MOST_PX = 12_000


def _plates(
    engine: Engine, size_px: tuple[int, int], dpi: float, smooth: int = 2, pointing: Pointing | None = None
) -> Plates:
    """Plates, once a child has shown that the graphics library can be loaded: one that crashes ends the process."""
    graphics.probe()
    graphics.load()
    from quillwise.viz.plates import Plates

    return Plates(engine, size_px, dpi, smooth, pointing)


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
    pointing: Pointing | None = None,
) -> list[tuple[Path, Drawn]]:
    """A plate of each step into the folder, which exists. Returns the files in order, with the callouts of each."""
    made = []
    with _plates(engine, size_px, dpi, pointing=pointing) as plates:
        for number, step in enumerate(steps, start=1):
            path = folder / step_file(engine.sheet.scene, step)
            made.append((path, _draw_step(plates, step, of, path, dpi, force)))
            if progress:
                progress(number, len(steps))
    return made


def draw_one(
    engine: Engine,
    step: Step,
    of: int,
    path: Path,
    size_px: tuple[int, int],
    dpi: float,
    force: bool = False,
    pointing: Pointing | None = None,
) -> Drawn:
    """The plate of one step into a file, PNG. size_px: width and height; dpi: for its lettering and as its resolution.
    Returns its callouts.

    Raises OutputError where the file cannot be written, GraphicsError where there is no OpenGL.
    """
    check_target(path, force)
    with _plates(engine, size_px, dpi, pointing=pointing) as plates:
        return _draw_step(plates, step, of, path, dpi, force)


def _draw_step(plates: Plates, step: Step, of: int, path: Path, dpi: float, force: bool) -> Drawn:
    with write_whole(path, force) as part:
        save_png(part, plates.plate(step, 1.0, of), dpi)
    return plates.called


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
    pointing: Pointing | None = None,
) -> Drawn:
    """The whole mechanism alone, from a named view, at a crank angle ``crank_deg`` [deg] or at the end of a step, as
    PNG of size_px, width and height, at dpi. The line that it is no approved data stands in the picture, in its lowest
    rows. Returns its callouts.

    Raises RequestError for an unknown view, OutputError where the file cannot be written, GraphicsError without OpenGL.
    """
    view(view_name)  # a wrong name is told before anything is drawn
    moment = frame(step, 1.0) if step else Frame(assembly=assembly, crank_deg=crank_deg, free={})
    with write_whole(path, force) as part, _plates(engine, size_px, dpi, pointing=pointing) as plates:
        save_png(part, plates.general(moment, view_name, step.about if step else (), transparent), dpi)
        return plates.called


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
    """A film of the steps into a file, its captions beside it; returns the number of pictures.

    size_px: width and height; fps: pictures a second; seconds: of the whole film; smooth: pictures are drawn so many
    times larger and made smaller. Raises RequestError for a film that no player takes, OutputError where the file
    cannot be written, GraphicsError without OpenGL.
    """
    words = webvtt(step_cues(steps, frame_counts(steps, seconds, fps), of, fps))
    with _captioned(path, words, force) as part, _plates(engine, size_px, SCREEN_DPI, smooth) as plates:
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
    """A film of one full cycle of an assembly into a file, its captions beside it; returns the number of pictures.

    size_px, fps, seconds, smooth and what it raises: as ``film_sequence``.
    """
    count = max(2, round(seconds * fps))
    words = webvtt(cycle_cues(engine, count, fps))
    with _captioned(path, words, force) as part, _plates(engine, size_px, SCREEN_DPI, smooth) as plates:
        return write_film(part, cycle_frames(plates, assembly, 0.0, count, progress), fps, size_px, kind)


def captions_file(film: Path) -> Path:
    """The file of a film's captions: beside it, with another suffix."""
    return film.with_suffix(".vtt") if film.suffix.lower() != ".vtt" else film.with_name(f"{film.name}.vtt")


@contextmanager
def _captioned(path: Path, words: str, force: bool) -> Iterator[Path]:
    """A film to be written, and then its captions. Where either cannot go is told before anything is drawn."""
    beside = captions_file(path)
    check_target(path, force)
    check_target(beside, force)
    with write_whole(path, force) as part:
        yield part
    with write_whole(beside, force) as unfinished:
        unfinished.write_bytes(words.encode("utf-8"))
