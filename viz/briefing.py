"""The command brief: the briefing as one HTML file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from quillwise.viz import completion
from quillwise.viz.asked import DEMONSTRATION, EngineName, check_format, fault_of, open_engine, play_with
from quillwise.viz.interrupts import load_bodies
from quillwise.viz.pictures import Force, Output, Progress, progress_line
from quillwise.viz.writing import check_target, slug, write_whole

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from quillwise.kinematics.model import Engine
    from quillwise.kinematics.steps import Step
    from quillwise.scenes.faults import Fault
    from quillwise.viz.linedrawing import LineDrawing
    from quillwise.viz.markup import Markup

_FIGURE_MM, _ROOM_MM = (170.0, 95.0), (110.0, 80.0)


def register(app: typer.Typer) -> None:
    """Add the command of this module to the program."""
    app.command(epilog="Example: quillwise brief larkfell-port -o briefing.html")(brief)


def brief(
    ctx: typer.Context,
    engine: EngineName = DEMONSTRATION,
    fault: Annotated[
        str | None,
        typer.Option(
            "--fault",
            metavar="NAME",
            help="The fault shown as found; left out: the engine's first.",
            autocompletion=completion.faults,
        ),
    ] = None,
    without_figures: Annotated[
        bool, typer.Option("--without-figures", help="Leave out the line drawings of the steps: quicker, smaller.")
    ] = False,
    output: Output = None,
    force: Force = False,
) -> None:
    """The briefing as one HTML page: topics, steps, tables, and the moving model. It needs no network."""
    model = open_engine(engine)
    described = fault_of(engine, fault)
    check_format(output, "html")
    path = output or Path(f"{slug(model.sheet.scene)}-briefing.html")
    check_target(path, force)
    load_bodies()
    with progress_line(ctx.obj, "figures") as progress:
        text = briefing(model, described, not without_figures, progress)
    with write_whole(path, force) as unfinished:
        unfinished.write_bytes(text.encode("utf-8"))
    typer.echo(f"{path}: {len(text.encode()) / 1e6:.1f} MB")


def briefing(
    engine: Engine, described: Fault | None, with_figures: bool = True, progress: Progress | None = None
) -> str:
    """The page of an engine as HTML, with a fault as found if one is given. with_figures: a line drawing of each step.
    progress: told how many figures are done, of how many. Raises RequestError for a fault that the set-up cannot make.
    """
    from quillwise.kinematics.sequence import play
    from quillwise.viz import pagedata, records
    from quillwise.viz.briefpage import Told, page

    played = play(engine)
    found, words = None, ""
    if described is not None:
        _, with_fault = play_with(engine, described.mistakes)
        found, words = with_fault.as_set, described.name
    told = Told(
        rehearsal=records.rehearsal(engine, played),
        events=records.events(engine, played),
        verniers=[records.vernier(engine, coupling) for coupling in engine.couplings.values()],
        mistakes=list(_mistakes(engine)),
        figures=_figures(engine, played.steps, progress) if with_figures else {},
        found_words=words,
    )
    packed = pagedata.pack(engine, played.steps, played.as_set, found, lambda _step: {})
    return page(engine, told, packed)


def _figures(engine: Engine, steps: Sequence[Step], progress: Progress | None) -> dict[str, Markup]:
    """A line drawing of every step as an image of the page, by the step's key."""
    from urllib.parse import quote

    from quillwise.viz.lineart import room_drawing, step_drawing
    from quillwise.viz.markup import tag
    from quillwise.viz.standing import Store
    from quillwise.viz.svg import svg
    from quillwise.viz.topics import ROOM

    def image(drawing: LineDrawing) -> Markup:
        # a third shorter than base64: hardly anything in a path needs an escape
        source = f"data:image/svg+xml,{quote(svg(drawing).decode('utf-8'), safe=' =:/,;()-.')}"
        return tag("div", tag("img", src=source, alt=f"{drawing.title}. {drawing.about}"), class_="figure")

    store = Store(engine)
    found = {}
    for number, step in enumerate(steps):
        found[step.key] = image(step_drawing(store, steps, step, _FIGURE_MM))
        if progress is not None:
            progress(number + 1, len(steps))
    rooms = [(step.room.room_mm, step.number, step) for step in steps if step.room is not None]
    if rooms:
        found[ROOM] = image(room_drawing(store, min(rooms)[2], _ROOM_MM))
    return found


def _mistakes(engine: Engine) -> Iterator[dict[str, Any]]:
    """The commonest mistakes that this set-up can make, played: a wrong tooth, a wrong mark, a wrong stroke."""
    from quillwise.kinematics import wording
    from quillwise.kinematics.errors import RequestError
    from quillwise.viz import records

    tries = []
    if engine.couplings:
        name, coupling = next(iter(engine.couplings.items()))
        named = wording.coupling_words(name, coupling.data.kind)
        tries.append((f"other-tooth:{name}=+3", f"{named[:1].upper()}{named[1:]} goes home three teeth on"))
    camshaft = next(iter(engine.camshafts), "")
    tries.append((f"wrong-mark:{camshaft}", f"{camshaft[:1].upper()}{camshaft[1:]} is set at another mark of the disc"))
    if engine.magnetos:
        name = next(iter(engine.magnetos))
        tries.append((f"exhaust-stroke:{name}", f"The {name} magneto is set one crank turn out"))
    for text, told in tries:
        try:
            made, played = play_with(engine, [text])
        except RequestError:
            continue  # a set-up that has no such step cannot make that mistake
        yield {**records.rehearsal(engine, played, made), "told": told}
