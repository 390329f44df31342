"""The command line: its options for all commands, and the one place that turns an error into words and a code.

Exit codes: 0 done; 1 a check in the work itself failed; 2 bad input; 3 no graphics; 4 cannot write; 130 interrupted.
``COMMANDS`` tells which module a command stands in; libraries of numbers and pictures are imported in those.
"""

from __future__ import annotations

import copy
import errno
import importlib
import os
import sys
import traceback
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from typing import Annotated, Any

import typer
import typer.core

from quillwise.kinematics.errors import GraphicsError, OutputError, QuillwiseError, SceneError
from quillwise.scenes.places import printable
from quillwise.viz.asked import Manner
from quillwise.viz.start import INTERRUPTED

COMMANDS = {
    "figures": ("events", "vernier", "rehearse", "validate", "engines"),
    "folders": ("new",),
    "pictures": ("show", "draw", "film"),
    "modelling": ("models",),
    "briefing": ("brief",),
    "sheets": ("sheets",),
    "proving": ("accuracy", "disc"),
    "diagnosing": ("diagnose",),
}
"""The commands by the module of this package that they stand in, in the order in which ``--help`` lists them."""

# with any other option the other commands may be told of
_BEFORE_A_COMMAND = ("--quiet", "--debug")
_COMPLETES = "_QUILLWISE_COMPLETE"  # a shell asks for words, not for work
_UsageError: Any = typer.BadParameter.__base__


def exit_code(error: QuillwiseError) -> int:
    """The exit code of an error."""
    if isinstance(error, GraphicsError):
        return 3
    return 4 if isinstance(error, OutputError) else 2


def sentences(error: QuillwiseError) -> str:
    """What is told of an error: a line for each problem, characters that cannot be printed as escapes."""
    found = [str(problem) for problem in error.problems] if isinstance(error, SceneError) else [str(error)]
    return "\n".join(printable(text, len(text)) for text in found)


@contextmanager
def _shown_words() -> Iterator[None]:
    """A word of the command line that has no meaning is quoted with all that cannot be printed as escapes."""
    try:
        yield
    except _UsageError as error:
        error.message = "\n".join(printable(line, len(line)) for line in error.message.split("\n"))
        raise


class Program(typer.core.TyperGroup):
    """All commands; an error that a user can act on ends in its sentences on stderr and its exit code."""

    def make_context(self, *given: Any, **more: Any) -> Any:
        with _shown_words():
            return super().make_context(*given, **more)

    def invoke(self, ctx: Any) -> Any:
        with _shown_words():
            return self._invoke(ctx)

    def _invoke(self, ctx: Any) -> Any:
        try:
            result = super().invoke(ctx)
            sys.stdout.flush()
        except QuillwiseError as error:
            self._tell(ctx, sentences(error))
            raise typer.Exit(exit_code(error)) from None
        except KeyboardInterrupt:
            self._tell(ctx, "Interrupted.")
            raise typer.Exit(INTERRUPTED) from None
        except OSError as error:
            if error.errno not in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO) or error.filename is not None:
                raise
            self._tell(ctx, f"the output cannot be written: {os.strerror(error.errno).lower()}")
            # what is left in the buffer would fail again at the end of the process
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            raise typer.Exit(4) from None
        return result

    @staticmethod
    def _tell(ctx: Any, message: str) -> None:
        if ctx.params.get("debug"):
            traceback.print_exc()
        typer.echo(message, err=True)


_bare = typer.Typer(
    name="quillwise",
    cls=Program,
    help="Shows, computes and briefs the setting of camshafts and magnetos through vernier couplings.",
    epilog="Example: quillwise rehearse slipway-six\n\nAn example of each command: quillwise COMMAND --help\n\n"
    "Briefing aid. Not approved data.",
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80},
)


@_bare.callback(invoke_without_command=True)
def program(
    ctx: typer.Context,
    quiet: Annotated[bool, typer.Option("--quiet", help="No remarks and no progress on stderr.")] = False,
    debug: Annotated[bool, typer.Option("--debug", help="With an error, its traceback, for a report.")] = False,
    version: Annotated[bool, typer.Option("--version", help="The version, and no more.")] = False,
) -> None:
    """Shows, computes and briefs the setting of camshafts and magnetos through vernier couplings."""
    ctx.obj = Manner(quiet=quiet, debug=debug)
    if version:
        import importlib.metadata

        typer.echo(f"quillwise {importlib.metadata.version('quillwise')}")
        raise typer.Exit
    if ctx.invoked_subcommand is None:
        from quillwise.viz.pictures import show

        ctx.invoke(show, ctx)


def _with(modules: Iterable[str]) -> typer.Typer:
    made = copy.copy(_bare)
    made.registered_commands = []
    for module in modules:
        importlib.import_module(f"quillwise.viz.{module}").register(made)
    return made


@cache
def all_commands() -> typer.Typer:
    """The whole program."""
    return _with(COMMANDS)


def __getattr__(name: str) -> typer.Typer:
    """``app``, the whole program, made when somebody asks for it: the program itself seldom needs all of it."""
    if name == "app":
        return all_commands()
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def asked_alone(words: Sequence[str]) -> typer.Typer:
    """The program with no command but the one that the words ask for, all of it where they do not begin with a
    command: making a command out of its function takes a millisecond each, importing the modules of all as long."""
    command = next((word for word in words if word not in _BEFORE_A_COMMAND), "")
    module = next((module for module, commands in COMMANDS.items() if command in commands), None)
    if module is None or _COMPLETES in os.environ:
        return all_commands()
    alone = _with([module])
    alone.registered_commands = [
        each for each in alone.registered_commands if each.callback and each.callback.__name__ == command
    ]
    return alone


def main() -> None:
    """The program ``quillwise``."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            # a terminal that has no arrow gets a question mark, not a traceback
            stream.reconfigure(errors="replace")
    asked_alone(sys.argv[1:])(prog_name="quillwise")


if __name__ == "__main__":
    main()
