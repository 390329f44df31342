"""The command models: the engine's parts as files for other programs."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from quillwise.kinematics.errors import RequestError
from quillwise.viz.asked import (
    DEMONSTRATION,
    EngineName,
    MistakeTexts,
    check_degrees,
    find_step,
    format_of,
    open_engine,
    play_with,
)
from quillwise.viz.interrupts import load_bodies
from quillwise.viz.pictures import Force, Output, StepName
from quillwise.viz.writing import check_target, slug, write_whole

if TYPE_CHECKING:
    from quillwise.kinematics.assembly import Assembly
    from quillwise.kinematics.model import Engine
    from quillwise.kinematics.parts import Part
    from quillwise.viz.solidfiles import Named


class ModelFormat(StrEnum):
    """Formats of bodies: GLB moves, STL and 3MF stand."""

    GLB = "glb"
    STL = "stl"
    THREEMF = "3mf"


class Fineness(StrEnum):
    """How fine the bodies' round faces are."""

    COARSE = "coarse"
    FINE = "fine"


def register(app: typer.Typer) -> None:
    """Add the command of this module to the program."""
    app.command(epilog='Example: quillwise models larkfell-port --format stl --part "piston A1" --crank 22')(models)


def models(
    engine: EngineName = DEMONSTRATION,
    mistake: MistakeTexts = None,
    step: StepName = None,
    crank: Annotated[
        float | None, typer.Option("--crank", metavar="DEG", help="Crank angle at which STL and 3MF stand.")
    ] = None,
    part: Annotated[
        list[str] | None,
        typer.Option("--part", metavar="NAME", help='This part alone, such as "piston A1". Repeatable.'),
    ] = None,
    asked_format: Annotated[
        ModelFormat | None,
        typer.Option(
            "--format",
            help="glb moves: the cycle and each step; stl and 3mf stand still. Left out, as the output's name ends, "
            "or glb.",
        ),
    ] = None,
    detail: Annotated[Fineness, typer.Option("--detail", help="How fine the round faces are.")] = Fineness.COARSE,
    parts: Annotated[bool, typer.Option("--parts", help="List the names of all parts, and write nothing.")] = False,
    output: Output = None,
    force: Force = False,
) -> None:
    """The parts as GLB with the full cycle and every step as animations, or as STL or 3MF in place."""
    model = open_engine(engine)
    _, played = play_with(model, mistake)
    if parts:
        for each in model.parts:
            typer.echo(str(each))
        return
    file_format = format_of(asked_format, output, ModelFormat.GLB)
    if file_format is ModelFormat.GLB and crank is not None:
        raise RequestError("--crank is for stl and 3mf; a glb holds every angle of the cycle")
    if crank is not None:
        check_degrees("--crank", crank, 1e6)
    chosen = find_step(played, step) if step else None
    wanted = _parts(model, part)
    assembly = chosen.after if chosen else played.as_set
    path = output or Path(_file_name(model, wanted, chosen.key if chosen else "", file_format))
    check_target(path, force)
    load_bodies()
    if file_format is ModelFormat.GLB:
        from quillwise.viz.gltf import glb

        data = glb(model, assembly, played.steps, wanted, detail.value)
    else:
        from quillwise.kinematics.wording import DISCLAIMER
        from quillwise.viz.solidfiles import stl, threemf

        at = crank if crank is not None else (chosen.crank_deg[1] if chosen else 0.0)
        bodies = _standing(model, assembly, at, wanted, detail)
        if file_format is ModelFormat.STL:
            data = stl(bodies)
        else:
            data = threemf(bodies, model.sheet.name, f"{DISCLAIMER} {model.sheet.about}".strip())
    with write_whole(path, force) as unfinished:
        unfinished.write_bytes(data)
    typer.echo(f"{path}: {len(wanted)} part{'' if len(wanted) == 1 else 's'}, {len(data) / 1e6:.1f} MB")


def _parts(engine: Engine, names: Sequence[str] | None) -> tuple[Part, ...]:
    if not names:
        return engine.parts
    known = {str(part): part for part in engine.parts}
    for name in names:
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1)
            hint = f" (did you mean {near[0]}?)" if near else ""
            raise RequestError(f'unknown part "{name}"{hint}; --parts lists all {len(known)}')
    return tuple(known[name] for name in dict.fromkeys(names))


def _standing(
    engine: Engine, assembly: Assembly, crank_deg: float, parts: Sequence[Part], detail: Fineness
) -> list[Named]:
    """Bodies in the world's frame. Raises RequestError when none of the parts is fitted."""
    from quillwise.kinematics.motion import motion
    from quillwise.viz.standing import Store

    bodies = Store(engine, detail.value).standing(parts, assembly, motion(engine, assembly, crank_deg))
    if not bodies:
        raise RequestError(f"{parts[0]} is not fitted at this step: there is nothing to write")
    return list(bodies.items())


def _file_name(engine: Engine, parts: Sequence[Part], step: str, file_format: ModelFormat) -> str:
    pieces = [engine.sheet.scene, slug(str(parts[0])) if len(parts) == 1 else "", step]
    unit = "mm" if file_format is ModelFormat.STL else ""
    return f"{slug('-'.join(piece for piece in (*pieces, unit) if piece))}.{file_format}"
