"""Sections and exploded views of couplings as files, and the record of what they show."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from quillwise.kinematics.errors import RequestError
from quillwise.viz.writing import check_target, slug, write_whole

if TYPE_CHECKING:
    from quillwise.kinematics.assembly import Assembly
    from quillwise.kinematics.model import Engine
    from quillwise.viz.coupled import Line
    from quillwise.viz.drafting import LineFormat
    from quillwise.viz.exploded import Exploded
    from quillwise.viz.records import Record
    from quillwise.viz.sections import Section

ViewKind = Literal["section", "exploded"]


def only_with(kind: ViewKind, line: bool, others: dict[str, bool]) -> None:
    """Holds that the view is asked for alone. others: options that do not go with it, and whether they are given.
    Raises RequestError."""
    if not line:
        raise RequestError(f"--{kind} is for --line")
    given = [option for option, there in others.items() if there]
    if given:
        raise RequestError(f"--{kind} shows a coupling alone, as it is set: it does not go with {', '.join(given)}")


def draft_view(
    engine: Engine,
    assembly: Assembly,
    kind: ViewKind,
    coupling: str,
    *,
    crank_deg: float,
    paper: str,
    file_format: LineFormat,
    dpi: float,
    output: Path | None,
    force: bool,
) -> tuple[Path, Record]:
    """Writes the view of a coupling; returns its path and its record. Raises RequestError for a sheet or a coupling
    that does not exist and a sheet that is too small, OutputError when it cannot be written."""
    from quillwise.viz.drafting import rendered
    from quillwise.viz.exploded import exploded
    from quillwise.viz.paper import sheet_mm
    from quillwise.viz.sections import section

    own, size_mm = engine.coupling(coupling), sheet_mm(paper)
    path = output or Path(f"{slug(engine.sheet.scene)}-{slug(coupling)}-{kind}.{file_format}")
    check_target(path, force)
    if kind == "section":
        cut = section(engine, own, assembly, crank_deg, size_mm)
        drawing, told = cut.drawing, _of_section(engine, cut)
        line = cut.line
    else:
        apart = exploded(engine, own, assembly, crank_deg, size_mm)
        drawing, told = apart.drawing, _of_exploded(engine, apart)
        line = apart.line
    data = rendered(drawing, file_format, dpi)
    with write_whole(path, force) as unfinished:
        unfinished.write_bytes(data)
    return path, {**_head(engine, line, kind, crank_deg, size_mm, path), **told}


def _head(
    engine: Engine, line: Line, kind: ViewKind, crank_deg: float, size_mm: tuple[float, float], path: Path
) -> Record:
    from quillwise.viz.records import head

    data = line.coupling.data
    return {
        **head(engine.sheet, "drawing"),
        "drawing": kind,
        "coupling": line.coupling.name,
        "crank_deg": crank_deg % 720.0,
        "file": str(path),
        "sheet_mm": list(size_mm),
        "teeth": "splines" if data.kind == "quill" else "dogs",
        "driving_teeth": data.driving_teeth,
        "driven_teeth": data.driven_teeth,
    }


def _of_section(engine: Engine, cut: Section) -> Record:
    """Scale, the plane's angle, and for each part whether it is cut, its hatching and areas."""
    from quillwise.viz.coupled import named
    from quillwise.viz.scales import in_words

    line = cut.line
    parts = []
    for part in line.five:
        hatch = cut.hatch.get(part)
        parts.append(
            {
                "part": str(part),
                "name": named(engine, line, part),
                "cut": part in cut.areas,
                "cut_mm2": cut.areas.get(part, 0.0),
                "hatched_mm2": cut.shown.get(part, 0.0),
                "hatch_deg": None if hatch is None else hatch.angle_deg,
                "hatch_apart_mm": None if hatch is None else hatch.apart_mm,
            }
        )
    data = line.coupling.data
    across = [
        {
            "plane": f"{letter}–{letter}",
            "scale": in_words(cut.across),
            "scale_ratio": cut.across,
            "teeth": count,
            "along_mm": at,
            "parts": [{"part": str(part), "cut_mm2": area} for part, area in areas.items()],
        }
        for letter, count, at, areas in zip(
            "AB", (data.driving_teeth, data.driven_teeth), line.tooth_mm, cut.ends, strict=True
        )
    ]
    x, y = line.driving_frame[:, 0], line.driving_frame[:, 1]
    return {
        "scale": in_words(cut.scale),
        "scale_ratio": cut.scale,
        "cut_driving_shaft_deg": float(np.degrees(np.arctan2(cut.up @ y, cut.up @ x)) % 360.0),
        "broken_out_mm": cut.shortened_mm,
        "parts": parts,
        "across": across,
    }


def _of_exploded(engine: Engine, apart: Exploded) -> Record:
    """Scale, how the axis lies, and for each part in order where it is drawn along the axis."""
    from quillwise.viz.coupled import named
    from quillwise.viz.exploded import OFF_DEG
    from quillwise.viz.scales import in_words

    return {
        "scale": in_words(apart.scale),
        "scale_ratio": apart.scale,
        "axis_scale_ratio": apart.scale * apart.shortened,
        "axis_off_picture_deg": OFF_DEG,
        "axis_rises_deg": apart.rises_deg,
        "parts": [
            {
                "part": str(piece.part),
                "name": named(engine, apart.line, piece.part),
                "from_mm": piece.along_mm[0],
                "to_mm": piece.along_mm[1],
                "moved_mm": piece.moved_mm,
                "broken_out_mm": piece.out_mm,
            }
            for piece in apart.pieces
        ],
    }
