"""The commands that give pictures: show, draw, film."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from quillwise.kinematics.errors import GraphicsError, RequestError
from quillwise.viz import completion
from quillwise.viz.asked import (
    DEMONSTRATION,
    EngineName,
    Manner,
    MistakeTexts,
    check_degrees,
    check_format,
    fault_of,
    find_step,
    format_of,
    open_engine,
    play_with,
)
from quillwise.viz.drafting import LineFormat, draft
from quillwise.viz.interrupts import load_bodies
from quillwise.viz.writing import numbered_folder, numbered_whole_folder, slug

if TYPE_CHECKING:
    from quillwise.kinematics.model import Engine
    from quillwise.kinematics.sequence import Played
    from quillwise.viz.coupling_views import ViewKind

Progress = Callable[[int, int], None]

_SECONDS = (1.0, 600.0)
_FPS = (1, 60)
_DPI = (30.0, 1200.0)


class FilmFormat(StrEnum):
    """Formats of a film."""

    MP4 = "mp4"
    GIF = "gif"


Output = Annotated[Path | None, typer.Option("--output", "-o", metavar="PATH", help="Where the result goes.")]
Force = Annotated[bool, typer.Option("--force", help="Overwrite what exists.")]
StepName = Annotated[
    str | None,
    typer.Option("--step", metavar="N|KEY", help="A step, by number or key.", autocompletion=completion.steps),
]
Size = Annotated[str, typer.Option("--size", metavar="WxH", help="Size in pixels.")]
ViewName = Annotated[
    str | None,
    typer.Option(
        "--view",
        metavar="NAME",
        help="The mechanism alone, seen from: wheelcase end, output end, left, right, top, three-quarter.",
    ),
]
CrankAngle = Annotated[
    float | None, typer.Option("--crank", metavar="DEG", help="The engine as it is set, at this crank angle.")
]


def register(app: typer.Typer) -> None:
    """Add the commands of this module to the program."""
    for command, example in (
        (show, "quillwise show slipway-six --fault quill-four-on"),
        (draw, "quillwise draw larkfell-port --line --coupling quill-a -o teeth.svg"),
        (film, "quillwise film slipway-six --step a-home --seconds 5 -o home.mp4"),
    ):
        app.command(epilog=f"Example: {example}")(command)


def show(
    ctx: typer.Context,
    engine: EngineName = DEMONSTRATION,
    mistake: MistakeTexts = None,
    fault: Annotated[
        str | None,
        typer.Option(
            "--fault",
            metavar="NAME",
            help="A fault of the engine's folder, beside what is intended.",
            autocompletion=completion.faults,
        ),
    ] = None,
    step: StepName = None,
    crank: CrankAngle = None,
    view: ViewName = None,
    size: Size = "1280x720",
    output: Output = None,
) -> None:
    """Opens the viewer. Without a display: pictures of the steps, a film and the briefing page, in a folder of their
    own. Without OpenGL: the page, and a line drawing of each step."""
    if crank is not None:
        check_degrees("--crank", crank, 1e6)
    _begin_graphics()
    model = open_engine(engine)
    described = None if fault is None else fault_of(engine, fault)
    made, played = play_with(model, [*(mistake or ()), *(described.mistakes if described else ())])
    load_bodies()
    from quillwise.viz import cameras, gallery, graphics

    size_px = gallery.parse_size(size)
    if view is not None:
        cameras.view(view)  # a wrong name is told before anything opens
    # the engine as it is set, when an angle is asked for and no step
    last = len(played.steps) - 1 if crank is not None else 0
    start = find_step(played, step).number - 1 if step else last
    manner: Manner = ctx.obj
    try:
        found = graphics.probe()
    except GraphicsError as error:
        typer.echo(f"{error} The briefing page and line drawings are written instead.", err=True)
        _without_opengl(manner, model, engine, played, _step_folder(model, output))
        return
    if found.display and output is None:
        graphics.load("quillwise.viz.viewer")
        from quillwise.viz import viewer

        wrong = described.name if described else ""
        # a wrong assembly opens on what is wrong with it, unless a step is asked for
        comparing = bool(made) and step is None
        if comparing:
            start = next(each.number for each in played.steps if each.mistake) - 1
        viewer.show(model, played, size_px, start, crank, view, wrong, comparing)
        return
    if not found.display:
        typer.echo(
            f"{graphics.NO_DISPLAY} Pictures of the steps, a film and the briefing page are written instead.", err=True
        )
    folder = _step_folder(model, output)
    with progress_line(manner, "pictures") as progress:
        gallery.draw_steps(
            model, played.steps, len(played.steps), folder, gallery.PLATE_PX, gallery.PLATE_DPI, progress=progress
        )
    typer.echo(f"{folder}: {len(played.steps)} pictures")
    path = folder / f"{model.sheet.scene}-preview.mp4"
    with progress_line(manner, "film") as progress:
        gallery.film_sequence(model, played.steps, len(played.steps), path, smooth=1, progress=progress)
    typer.echo(f"{path}: {gallery.PREVIEW_SECONDS:g} s")
    _write_page(manner, model, engine, folder)


def _begin_graphics() -> None:
    """Lets a child process try OpenGL while the engine is read and its set-up played."""
    from quillwise.viz import graphics

    graphics.begin()


def _without_opengl(manner: Manner, model: Engine, name: str, played: Played, folder: Path) -> None:
    """The page and a line drawing of each step, into a folder."""
    from quillwise.viz.drafting import rendered
    from quillwise.viz.gallery import step_file
    from quillwise.viz.lineart import step_drawing
    from quillwise.viz.paper import sheet_mm
    from quillwise.viz.standing import Store
    from quillwise.viz.writing import write_whole

    store = Store(model)
    with progress_line(manner, "drawings") as progress:
        for number, step in enumerate(played.steps, start=1):
            drawing = step_drawing(store, played.steps, step, sheet_mm("A4"))
            path = (folder / step_file(slug(model.sheet.scene), step)).with_suffix(".svg")
            with write_whole(path) as unfinished:
                unfinished.write_bytes(rendered(drawing, LineFormat.SVG))
            if progress is not None:
                progress(number, len(played.steps))
    typer.echo(f"{folder}: {len(played.steps)} line drawings")
    _write_page(manner, model, name, folder)


def _write_page(manner: Manner, model: Engine, name: str, folder: Path) -> None:
    from quillwise.viz.briefing import briefing
    from quillwise.viz.writing import write_whole

    path = folder / f"{slug(model.sheet.scene)}-briefing.html"
    with progress_line(manner, "briefing page") as progress:
        text = briefing(model, fault_of(name), progress=progress)
    with write_whole(path) as unfinished:
        unfinished.write_bytes(text.encode("utf-8"))
    typer.echo(f"{path}: the briefing, for a browser")


def draw(
    ctx: typer.Context,
    engine: EngineName = DEMONSTRATION,
    mistake: MistakeTexts = None,
    step: StepName = None,
    crank: CrankAngle = None,
    view: ViewName = None,
    size: Size = "1600x1000",
    width_mm: Annotated[float | None, typer.Option("--width-mm", help="Width on paper; with --height-mm.")] = None,
    height_mm: Annotated[float | None, typer.Option("--height-mm", help="Height on paper; with --width-mm.")] = None,
    dpi: Annotated[float, typer.Option("--dpi", help="Pixels per inch: of lettering, and of sizes in mm.")] = 110.0,
    transparent: Annotated[bool, typer.Option("--transparent", help="No ground; for a single view.")] = False,
    line: Annotated[
        bool, typer.Option("--line", help="A line drawing, hidden lines removed: the step, or the whole by --view.")
    ] = False,
    line_format: Annotated[
        LineFormat | None,
        typer.Option("--format", help="Of a line drawing; left out, as the output's name ends, or svg."),
    ] = None,
    paper: Annotated[str, typer.Option("--paper", metavar="NAME|WxH", help="Sheet of a line drawing, lying.")] = "A4",
    hidden: Annotated[bool, typer.Option("--hidden", help="Hidden lines too, dashed; of a view of the whole.")] = False,
    perspective: Annotated[bool, typer.Option("--perspective", help="As the eye sees it, not parallel.")] = False,
    callouts: Annotated[
        str | None,
        typer.Option(
            "--callouts",
            metavar="PART,…",
            help='Numbered callouts at these parts, or kinds of part; "usual": the best seen, at most 12.',
        ),
    ] = None,
    labels: Annotated[bool, typer.Option("--labels", help="Callouts with names, not with numbers.")] = False,
    detail: Annotated[
        str | None,
        typer.Option("--detail", metavar="PART", help="With --line: this part enlarged beside the view."),
    ] = None,
    coupling: Annotated[
        str | None,
        typer.Option(
            "--coupling",
            metavar="NAME",
            help="With --line: the teeth of this coupling end-on, and the angle out of line or off its intended place.",
            autocompletion=completion.couplings,
        ),
    ] = None,
    section: Annotated[
        str | None,
        typer.Option(
            "--section", metavar="COUPLING", help="With --line: this coupling cut along its axis and across its ends."
        ),
    ] = None,
    exploded: Annotated[
        str | None,
        typer.Option(
            "--exploded", metavar="COUPLING", help="With --line: the parts of this coupling apart along their axis."
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="What was drawn as JSON: files, sizes, callouts.")] = False,
    output: Output = None,
    force: Force = False,
) -> None:
    """Illustrations: shaded as PNG, all steps, one step or a view; with --line as SVG, PDF or PNG of lines."""
    if not line:
        _begin_graphics()
    model = open_engine(engine)
    _, played = play_with(model, mistake)
    _check_range("--dpi", dpi, *_DPI)
    load_bodies()
    if detail is not None and not line:
        raise RequestError("--detail is for --line")
    if coupling is not None and not line:
        raise RequestError("--coupling is for --line")
    if labels and callouts is None:
        raise RequestError("--labels is for --callouts")
    if section is not None or exploded is not None:
        others = {
            "--exploded": section is not None and exploded is not None,
            "--step": step is not None,
            "--view": view is not None,
            "--hidden": hidden,
            "--perspective": perspective,
            "--callouts": callouts is not None,
            "--detail": detail is not None,
            "--coupling": coupling is not None,
            "--transparent": transparent,
        }
        from quillwise.viz.coupling_views import draft_view, only_with
        from quillwise.viz.figures import print_record

        shown: ViewKind = "section" if section is not None else "exploded"
        only_with(shown, line, others)
        if crank is not None:
            check_degrees("--crank", crank, 1e6)
        path, record = draft_view(
            model,
            played.as_set,
            shown,
            section if section is not None else exploded or "",
            crank_deg=crank or 0.0,
            paper=paper,
            file_format=format_of(line_format, output, LineFormat.SVG),
            dpi=dpi,
            output=output,
            force=force,
        )
        print_record(record, as_json, lambda: str(path))
        return
    from quillwise.viz.picture_records import picture

    if callouts is not None:
        from quillwise.viz.callouts import asked_for

        asked_for(callouts, model.parts)  # a name that does not exist is told before the long work
    if crank is not None and step is not None:
        raise RequestError("give --step or --crank, not both")
    if line:
        if transparent or width_mm is not None or height_mm is not None:
            raise RequestError("--transparent, --width-mm and --height-mm are not for --line; --paper gives its size")
        if crank is not None:
            check_degrees("--crank", crank, 1e6)
        found = find_step(played, step) if step else None
        intended = play_with(model, None)[1].as_set if mistake else None
        path, drawing = draft(
            model,
            played,
            intended,
            step=found,
            crank_deg=crank or 0.0,
            view=view or "three-quarter",
            paper=paper,
            hidden=hidden,
            perspective=perspective,
            kind=format_of(line_format, output, LineFormat.SVG),
            dpi=dpi,
            output=output,
            force=force,
            callouts=callouts,
            labels=labels,
            coupling=coupling,
            detail=detail,
        )
        _tell([picture(path, drawing.size_mm, drawing.pointed, drawing.items, found.key if found else None)], as_json)
        return
    if hidden or perspective:
        raise RequestError("--hidden and --perspective are for --line")
    if line_format is not None:
        raise RequestError("--format is for --line; a shaded picture is written as PNG")
    if output is not None and output.suffix.lower() in (".svg", ".pdf"):
        raise RequestError(f"{output}: a shaded picture is written as PNG; SVG and PDF are for --line")
    check_format(output, "png")
    from quillwise.viz import gallery, still

    if (width_mm is None) != (height_mm is None):
        raise RequestError("give --width-mm and --height-mm together")
    size_px = (
        gallery.parse_size(size)
        if width_mm is None or height_mm is None
        else gallery.checked_size(still.size_px(width_mm, height_mm, dpi))
    )
    if crank is not None:
        check_degrees("--crank", crank, 1e6)
    chosen = find_step(played, step) if step else None
    size_mm = (size_px[0] / dpi * still.MM_PER_INCH, size_px[1] / dpi * still.MM_PER_INCH)
    if width_mm is not None and height_mm is not None:
        size_mm = (width_mm, height_mm)
    pointing = None
    if callouts is not None:
        from quillwise.viz.pointing import Pointed, Pointing

        pointing = Pointing(pointed=Pointed(request=callouts, labels=labels), size_mm=size_mm)
    single = view is not None or crank is not None or transparent
    name = slug(model.sheet.scene)
    if single:
        at = chosen.key if chosen else f"{(crank or 0.0) % 720:g}"
        path = output or Path(f"{name}-{slug(view or 'three-quarter')}-{at}.png")
        called = gallery.draw_view(
            model,
            played.as_set,
            crank or 0.0,
            view or "three-quarter",
            path,
            size_px,
            dpi,
            step=chosen,
            transparent=transparent,
            force=force,
            pointing=pointing,
        )
        _tell([picture(path, size_mm, called.pointed, called.items, chosen.key if chosen else None)], as_json)
    elif chosen is not None:
        path = output or Path(gallery.step_file(name, chosen))
        called = gallery.draw_one(model, chosen, len(played.steps), path, size_px, dpi, force, pointing)
        _tell([picture(path, size_mm, called.pointed, called.items, chosen.key)], as_json)
    else:
        with (
            numbered_whole_folder(output or Path(f"{name}-steps")) as made,
            progress_line(ctx.obj, "pictures") as progress,
        ):
            drawn = gallery.draw_steps(
                model, played.steps, len(played.steps), made.part, size_px, dpi, force, progress, pointing
            )
        if not as_json:
            typer.echo(f"{made.path}: {len(drawn)} pictures")
            return
        told = [
            picture(made.path / path.name, size_mm, called.pointed, called.items, each.key)
            for (path, called), each in zip(drawn, played.steps, strict=True)
        ]
        _tell(told, as_json)


def _tell(pictures: Sequence[dict[str, Any]], as_json: bool) -> None:
    """What was drawn: one JSON object, or the names of the files."""
    if as_json:
        typer.echo(json.dumps({"pictures": list(pictures)}, indent=2, allow_nan=False))
        return
    for each in pictures:
        typer.echo(each["file"])


def film(
    ctx: typer.Context,
    engine: EngineName = DEMONSTRATION,
    mistake: MistakeTexts = None,
    step: StepName = None,
    cycle: Annotated[bool, typer.Option("--cycle", help="A full cycle of the engine as set, not the set-up.")] = False,
    asked_format: Annotated[
        FilmFormat | None, typer.Option("--format", help="Left out, as the output's name ends, or mp4.")
    ] = None,
    seconds: Annotated[float | None, typer.Option("--seconds", help="Length of the film.")] = None,
    fps: Annotated[int, typer.Option("--fps", help="Pictures a second.")] = 15,
    size: Size = "854x480",
    output: Output = None,
    force: Force = False,
) -> None:
    """A film of the set-up, of one step, or of a full cycle."""
    _begin_graphics()
    model = open_engine(engine)
    _, played = play_with(model, mistake)
    load_bodies()
    from quillwise.viz import gallery

    size_px = gallery.parse_size(size)
    _check_range("--fps", fps, *_FPS)
    if cycle and step:
        raise RequestError("give --step or --cycle, not both")
    chosen = [find_step(played, step)] if step else list(played.steps)
    what = "cycle" if cycle else (chosen[0].key if step else "set-up")
    usual = {"cycle": 12.0, "set-up": 2.6 * len(chosen)}.get(what, 6.0)
    length = usual if seconds is None else seconds
    _check_range("--seconds", length, *_SECONDS)
    file_format = format_of(asked_format, output, FilmFormat.MP4)
    path = output or Path(f"{slug(model.sheet.scene)}-{what}.{file_format}")
    with progress_line(ctx.obj, "film") as progress:
        if cycle:
            count = gallery.film_cycle(
                model,
                played.as_set,
                path,
                size_px=size_px,
                fps=fps,
                seconds=length,
                kind=file_format.value,
                force=force,
                progress=progress,
            )
        else:
            count = gallery.film_sequence(
                model,
                chosen,
                len(played.steps),
                path,
                size_px=size_px,
                fps=fps,
                seconds=length,
                kind=file_format.value,
                force=force,
                progress=progress,
            )
    typer.echo(f"{path}: {count} pictures, {count / fps:.1f} s")


def _check_range(option: str, value: float, least: float, most: float) -> None:
    if not least <= value <= most:
        raise RequestError(f"{option}: expected a number from {least:g} to {most:g}, got {value:g}")


def _step_folder(engine: Engine, output: Path | None) -> Path:
    return numbered_folder(output or Path(f"{slug(engine.sheet.scene)}-steps"))


@contextmanager
def progress_line(manner: Manner, what: str) -> Iterator[Progress | None]:
    """A line of progress on stderr while long work goes on; none when quiet or not on a terminal."""
    from rich.console import Console
    from rich.progress import Progress as Bar

    console = Console(stderr=True)
    if manner.quiet or not console.is_terminal:
        yield None
        return
    with Bar(console=console, transient=True) as bar:
        task = bar.add_task(what, total=None)

        def told(done: int, total: int) -> None:
            bar.update(task, completed=done, total=total)

        yield told
