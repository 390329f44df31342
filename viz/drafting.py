"""Line drawings as files: SVG as it is, PDF and PNG through typst. No OpenGL."""

from __future__ import annotations

import json
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quillwise.kinematics.errors import RequestError
from quillwise.viz.writing import check_target, slug, write_whole

if TYPE_CHECKING:
    from quillwise.kinematics.assembly import Assembly
    from quillwise.kinematics.model import Engine
    from quillwise.kinematics.sequence import Played
    from quillwise.kinematics.steps import Step
    from quillwise.viz.linedrawing import LineDrawing

# Data come in beside the template, never in it: no text of a file can become an instruction.
_TEMPLATE = """\
#let d = json(bytes(sys.inputs.data))
#set document(title: d.title, date: none)
#set page(width: d.width * 1mm, height: d.height * 1mm, margin: 0mm)
#set text(lang: "en", font: "DejaVu Sans")
#image(bytes(d.svg), format: "svg", width: d.width * 1mm, alt: d.about)
"""


class LineFormat(StrEnum):
    """Formats of a line drawing."""

    SVG = "svg"
    PDF = "pdf"
    PNG = "png"


def draft(
    engine: Engine,
    played: Played,
    intended: Assembly | None,
    *,
    step: Step | None,
    crank_deg: float,
    view: str,
    paper: str,
    hidden: bool,
    perspective: bool,
    kind: LineFormat,
    dpi: float,
    output: Path | None,
    force: bool,
    callouts: str | None = None,
    labels: bool = False,
    coupling: str | None = None,
    detail: str | None = None,
) -> tuple[Path, LineDrawing]:
    """Writes one drawing, of a step or of the whole engine, and returns its path and what it shows. intended: drawn in
    phantom lines where it differs. Raises RequestError for a sheet or a view that does not exist, OutputError when it
    cannot be written."""
    from quillwise.viz import cameras
    from quillwise.viz.lineart import step_drawing, view_drawing
    from quillwise.viz.paper import sheet_mm
    from quillwise.viz.pointing import Pointed
    from quillwise.viz.standing import Store

    size_mm = sheet_mm(paper)
    cameras.view(view)
    if step is not None and (hidden or perspective):
        raise RequestError("--hidden and --perspective are for a view of the whole, not for a step's figure")
    if coupling is not None and (hidden or perspective or callouts is not None):
        raise RequestError("--hidden, --perspective and --callouts are not for --coupling")
    if detail is not None and (step is not None or coupling is not None or perspective):
        raise RequestError("--detail is for a parallel view of the whole, without --step, --coupling and --perspective")
    pointed = None if callouts is None else Pointed(request=callouts, labels=labels)
    at_crank = f"{crank_deg % 720:g}"
    what = step.key if step is not None else f"{view}-{at_crank}"
    if coupling is not None:
        what = f"{coupling}-{step.key if step is not None else at_crank}"
    path = output or Path(f"{slug(engine.sheet.scene)}-{slug(what)}.{kind}")
    check_target(path, force)
    store = Store(engine)
    if coupling is not None:
        from quillwise.kinematics.steps import Frame, frame
        from quillwise.viz.positions_drawn import coupling_drawing

        at = frame(step, 0.999) if step else Frame(assembly=played.as_set, crank_deg=crank_deg, free={})
        drawing = coupling_drawing(store, engine.coupling(coupling), at, size_mm, None if step else intended)
    elif step is not None:
        drawing = step_drawing(store, played.steps, step, size_mm, pointed)
    else:
        names = [str(part) for part in engine.parts] if hidden else []
        drawing = view_drawing(
            store,
            played.as_set,
            crank_deg,
            view,
            size_mm,
            hidden=names,
            intended=intended,
            perspective=perspective,
            pointed=pointed,
            detail=detail,
        )
    data = rendered(drawing, kind, dpi)
    with write_whole(path, force) as unfinished:
        unfinished.write_bytes(data)
    return path, drawing


def rendered(drawing: LineDrawing, kind: LineFormat, dpi: float = 110.0) -> bytes:
    """The drawing in a format; dpi: pixels an inch of a PNG. The same drawing gives the same bytes. Raises RequestError
    as ``svg`` does."""
    from quillwise.viz.svg import svg

    vector = svg(drawing)
    if kind is LineFormat.SVG:
        return vector
    from tempfile import TemporaryDirectory

    import typst

    from quillwise.viz.fonts import font_file

    width, height = drawing.size_mm
    data = json.dumps(
        {
            "svg": vector.decode("utf-8"),
            "width": width,
            "height": height,
            "title": drawing.title,
            "about": drawing.about,
        }
    )
    with TemporaryDirectory() as nothing:  # the compiler follows no link out of an empty folder
        compiled: Any = typst.compile
        made = compiled(
            _TEMPLATE.encode("utf-8"),
            root=nothing,
            format="pdf" if kind is LineFormat.PDF else "png",
            ppi=dpi,
            sys_inputs={"data": data},
            ignore_system_fonts=True,
            font_paths=[str(font_file().parent)],
            timestamp=0,
        )
    assert isinstance(made, bytes)
    return made
