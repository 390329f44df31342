"""The command sheets: a work-instruction pack as tagged PDF, or as a folder of drawings and data."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping, Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from quillwise.kinematics.errors import OutputError, RequestError
from quillwise.viz import completion
from quillwise.viz.asked import DEMONSTRATION, EngineName, check_format, find_step, open_engine, play_with
from quillwise.viz.interrupts import load_bodies
from quillwise.viz.pictures import Force, Output, Progress, progress_line
from quillwise.viz.working import MOST_JOBS, Hands, pack_figures
from quillwise.viz.writing import check_free, slug, write_whole, write_whole_folder

if TYPE_CHECKING:
    from quillwise.kinematics.steps import Step
    from quillwise.viz.linedrawing import LineDrawing
    from quillwise.viz.sheetblocks import Block
    from quillwise.viz.sheetdata import Figure, Sheet, Work
    from quillwise.viz.standing import Store

_TEMPLATE = Path(__file__).with_name("pack") / "pack.typ"
_LIMITS = {"title": 80, "document": 32, "revision": 16, "date": 24, "owner": 60}
_LARGEST_LOGO = 5_000_000
_LOGO_PX = 900


class Paper(StrEnum):
    """Sheets of the pack, standing."""

    A4 = "A4"
    LETTER = "letter"


class Card(StrEnum):
    """Single pages."""

    MAGNETO = "magneto"
    HANDOVER = "handover"
    CLOSING = "closing"


def register(app: typer.Typer) -> None:
    """Add the command of this module to the program."""
    app.command(epilog="Example: quillwise sheets larkfell-port --document WI-001 -o pack.pdf")(sheets)


def sheets(
    ctx: typer.Context,
    engine: EngineName = DEMONSTRATION,
    title: Annotated[str, typer.Option("--title", help="Title of the document; left out, the engine's.")] = "",
    document: Annotated[str, typer.Option("--document", metavar="ID", help="Its identification number.")] = "",
    revision: Annotated[str, typer.Option("--revision", help="Its revision.")] = "",
    date: Annotated[str, typer.Option("--date", help="Its date of issue, as it is printed.")] = "",
    owner: Annotated[str, typer.Option("--owner", help="Its legal owner.")] = "",
    logo_file: Annotated[
        Path | None, typer.Option("--logo", metavar="FILE", help="A PNG or JPEG of the owner's, for the cover.")
    ] = None,
    paper: Annotated[Paper, typer.Option("--paper", help="Sheet, standing.", case_sensitive=False)] = Paper.A4,
    only: Annotated[
        list[str] | None,
        typer.Option(
            "--only",
            metavar="N|KEY",
            help="Only the page of this step. Repeatable.",
            autocompletion=completion.steps,
        ),
    ] = None,
    card: Annotated[Card | None, typer.Option("--card", help="One card alone.")] = None,
    blank_form: Annotated[
        bool, typer.Option("--blank-form", help="The form for readings alone, which diagnose takes.")
    ] = False,
    as_folder: Annotated[
        bool, typer.Option("--folder", help="The drawings as SVG and the content as JSON, in a folder.")
    ] = False,
    jobs: Annotated[
        int, typer.Option("--jobs", metavar="N", min=1, max=MOST_JOBS, help="Draw the figures by N processes.")
    ] = 1,
    cluster: Annotated[
        str, typer.Option("--cluster", metavar="ADDRESS", help="Draw them on the workers of this dask scheduler.")
    ] = "",
    output: Output = None,
    force: Force = False,
) -> None:
    """A work-instruction pack: steps with figures, limits, blanks for readings and initials. PDF/UA-1, A4."""
    if cluster and jobs > 1:
        raise RequestError("give --jobs or --cluster, not both")
    if sum((card is not None, blank_form, bool(only))) > 1:
        raise RequestError("give one of --only, --card and --blank-form")
    from quillwise.scenes import library
    from quillwise.viz import sheetdata

    said = {"title": title, "document": document, "revision": revision, "date": date, "owner": owner}
    for option, value in said.items():
        if value:
            _check_text(option, value)
    sheet = sheetdata.Sheet(**said, logo=_logo(logo_file), paper=paper.value.lower())
    model = open_engine(engine)
    _, played = play_with(model, None)
    load_bodies()
    job = sheetdata.work(model, played, library.find(engine))
    chosen = [find_step(played, each) for each in only or ()]
    what = f"card-{card}" if card else "form" if blank_form else "steps" if chosen else "pack"
    base = f"{slug(model.sheet.scene)}-{what}"
    # what the font cannot print is told before the long work
    check_glyphs(sheetdata.document(sheet, job, blocks(job, sheet, card, blank_form, chosen, {})))
    if not as_folder:
        check_format(output, "pdf")
    path = output or Path(base if as_folder else f"{base}.pdf")

    def content() -> Mapping[str, Any]:
        drawn: dict[str, Figure] = {}
        if not (card or blank_form):
            with progress_line(ctx.obj, "figures") as progress:
                drawn = pack_figures(job, sheet, chosen, progress, Hands(jobs=jobs, cluster=cluster))
        made = sheetdata.document(sheet, job, blocks(job, sheet, card, blank_form, chosen, drawn))
        check_glyphs(made)
        return made

    # a place that cannot be written to is told before the long work too
    if as_folder:
        check_free(path)
        write_whole_folder(path, folder_files(content()))
    else:
        with write_whole(path, force) as unfinished:
            unfinished.write_bytes(pdf(content()))
    typer.echo(str(path))


def blocks(
    job: Work,
    sheet: Sheet,
    card: Card | None,
    blank_form: bool,
    chosen: Sequence[Step],
    drawn: Mapping[str, Figure],
) -> list[Block]:
    """The content in its order. drawn: figures by the key of their step, and the overview by an empty key."""
    from quillwise.viz import sheetblocks, sheetclosing, sheetcover, sheetdata

    head = sheetblocks.heading(1, sheetdata.title(job, sheet))
    if blank_form:
        return [head, *sheetclosing.reading_form(job)[1:]]
    if card is not None:
        made = {
            Card.MAGNETO: sheetclosing.magneto_card,
            Card.HANDOVER: sheetclosing.hand_over_card,
            Card.CLOSING: sheetclosing.closing_card,
        }[card](job)
        if not made:
            raise RequestError(f"--card {card}: this engine has no magneto")
        return [head, *made]
    wanted = {step.key for step in chosen}
    pages = [
        sheetdata.step_pages(job, record, drawn.get(record["key"]), sheet.paper)
        for record in job.rehearsal["steps"]
        if not wanted or record["key"] in wanted
    ]
    flat = [block for page in pages for block in page]
    if wanted:
        return [head, *flat[1:]]
    return [
        *sheetcover.cover(job, sheet, drawn.get("")),
        *sheetcover.definitions(job),
        *sheetcover.tools_and_leads(job, sheet.paper),
        *flat,
        *sheetclosing.closing(job),
    ]


def figures(
    job: Work, sheet: Sheet, chosen: Sequence[Step] = (), progress: Progress | None = None
) -> dict[str, Figure]:
    """A line drawing of each step, by its key; without a choice of steps the whole engine too, by an empty key."""
    from quillwise.viz.lineart import view_drawing
    from quillwise.viz.pointing import Pointed
    from quillwise.viz.sheetblocks import WIDTH_MM
    from quillwise.viz.sheetcover import overview_mm
    from quillwise.viz.sheetdata import figure_mm
    from quillwise.viz.standing import Store

    store, steps = Store(job.engine), job.played.steps
    found: dict[str, Figure] = {}
    asked = chosen or steps
    total = len(asked) + (not chosen)
    if not chosen:
        size_mm = (WIDTH_MM, overview_mm(job, sheet))
        drawing = view_drawing(store, job.played.as_set, 0.0, "three-quarter", size_mm, pointed=Pointed(listed=False))
        found[""] = _figure(drawing)
    for step in asked:
        size_mm = (WIDTH_MM, figure_mm(job, job.rehearsal["steps"][step.number - 1], sheet.paper))
        found[step.key] = step_figure(store, steps, step, size_mm)
        if progress is not None:
            progress(len(found), total)
    return found


def step_figure(store: Store, steps: Sequence[Step], step: Step, size_mm: tuple[float, float]) -> Figure:
    """The figure of a step, with callouts where these find room: without them it says less, but nothing wrong."""
    from quillwise.viz.lineart import step_drawing
    from quillwise.viz.pointing import Pointed

    try:
        return _figure(step_drawing(store, steps, step, size_mm, Pointed(listed=False)))
    except RequestError:
        return _figure(step_drawing(store, steps, step, size_mm))


def _figure(drawing: LineDrawing) -> Figure:
    from quillwise.viz.sheetdata import Figure
    from quillwise.viz.svg import svg

    items = "; ".join(f"{number}: {name}" for number, name in drawing.items)
    alt = f"{drawing.title}. {drawing.about}" + (f" Callouts: {items}." if items else "")
    return Figure(svg=svg(drawing).decode("utf-8"), alt=alt, width_mm=drawing.size_mm[0], items=tuple(drawing.items))


def pdf(content: Mapping[str, Any]) -> bytes:
    """The pack as PDF/UA-1: the same content gives the same bytes."""
    from tempfile import TemporaryDirectory

    import typst

    from quillwise.viz.fonts import font_file

    compiled: Any = typst.compile
    with TemporaryDirectory() as nothing:  # the compiler follows no link out of an empty folder
        made = compiled(
            _TEMPLATE.read_bytes(),
            root=nothing,
            format="pdf",
            sys_inputs={"data": json.dumps(content)},
            ignore_system_fonts=True,
            font_paths=[str(font_file().parent)],
            pdf_standards="ua-1",
            timestamp=0,
        )
    assert isinstance(made, bytes)
    return made


def folder_files(content: Mapping[str, Any]) -> dict[str, str]:
    """The same content as files: ``pack.json``, and each drawing as SVG under the name that stands in it."""
    files: dict[str, str] = {}
    shown = []
    for block in content["blocks"]:
        if block["kind"] == "figure":
            name = f"figure-{len(files) + 1:02}.svg"
            files[name] = block["svg"]
            block = {key: value for key, value in block.items() if key != "svg"} | {"file": name}
        shown.append(block)
    files["pack.json"] = json.dumps({**content, "blocks": shown}, indent=2, ensure_ascii=False) + "\n"
    return files


def check_glyphs(content: Mapping[str, Any]) -> None:
    """Raises OutputError that names the first sign that the font of the pack cannot print."""
    from quillwise.viz.captions import covered
    from quillwise.viz.sheetblocks import texts

    every = set().union(*(set(text) for text in texts(dict(content))))
    absent = sorted(sign for sign in every if not covered(sign))
    if absent:
        where = next(text for text in texts(dict(content)) if absent[0] in text)
        raise OutputError(
            f'the font of the pack, DejaVu Sans, has no sign for U+{ord(absent[0]):04X} in "{where[:60]}"'
        )


def _check_text(option: str, value: str) -> None:
    from quillwise.scenes.places import checked_text

    try:
        checked_text(value, _LIMITS[option])
    except ValueError as error:
        raise RequestError(f"--{option}: {error}") from None


def _logo(path: Path | None) -> bytes:
    """A picture file as PNG of a moderate size. Raises RequestError."""
    if path is None:
        return b""
    from PIL import Image

    try:
        if path.stat().st_size > _LARGEST_LOGO:
            raise RequestError(f"--logo: expected a file of at most {_LARGEST_LOGO / 1e6:g} MB, got {path}")
        with Image.open(path, formats=("PNG", "JPEG")) as picture:
            clear = picture.convert("RGBA")
    except (OSError, ValueError, Image.DecompressionBombError) as error:
        raise RequestError(f"--logo: expected a PNG or JPEG file, got {path}") from error
    made = Image.new("RGB", clear.size, "white")
    made.paste(clear, mask=clear)
    made.thumbnail((_LOGO_PX, _LOGO_PX))
    held = io.BytesIO()
    made.save(held, "PNG")
    return held.getvalue()
