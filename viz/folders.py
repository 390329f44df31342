"""The command that makes an engine folder to be filled in: new."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Annotated

import typer

from quillwise.kinematics.errors import OutputError
from quillwise.viz import completion
from quillwise.viz.asked import DEMONSTRATION, open_engine
from quillwise.viz.writing import write_whole_folder

_ABOUT = (
    "Every figure is invented until it is replaced. "
    "Write here what engine this is, and where its approved data come from."
)


def register(app: typer.Typer) -> None:
    """Add the command of this module to the program."""
    app.command(epilog="Example: quillwise new my-engine --like slipway-six")(new)


def new(
    ctx: typer.Context,
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The folder to make; it must not exist.")],
    like: Annotated[
        str | None,
        typer.Option(
            "--like",
            metavar="SCENE",
            help="Start from a packaged engine, or an engine folder.",
            autocompletion=completion.packaged,
        ),
    ] = None,
) -> None:
    """Makes an engine folder to be filled in: valid, with a remark at every key.

    Its figures are those of a packaged engine or of the folder given, to be replaced by those of yours.
    """
    from quillwise.scenes import form, library, sources
    from quillwise.scenes.places import TEXT_LIMIT, checked_text

    name = Path(folder).absolute().name
    try:
        checked_text(name, TEXT_LIMIT)
    except ValueError as error:
        raise OutputError(f"name of the engine folder: {error}") from None
    source = library.find(like or DEMONSTRATION)
    open_engine(str(source))  # what is wrong there is told there, not in the copy
    invented = source in sources.packaged().values()
    texts = None if like else {"name": f"{name[:40]} (figures not replaced yet)", "about": _ABOUT}
    write_whole_folder(folder, form.form(source, invented=invented, texts=texts))
    if not ctx.obj.quiet:
        # a bare name could be that of a packaged engine
        shown = shlex.quote(f"./{folder}" if len(folder.parts) == 1 else str(folder))
        typer.echo(f"{folder} has been made from {source.name}.", err=True)
        typer.echo(f"Fill in engine.toml and setup.toml, then: quillwise validate {shown}", err=True)
