"""Processes of the command line, by the processor time of importing what every one of them needs."""

from __future__ import annotations

from collections.abc import Iterator

from stopwatch import Figure, Python, children, compared

PROGRAM = ("-m", "quillwise.viz.start")
_EVENTS = (
    "typer's checking of options (pydantic) and numpy take two thirds of the target, see below; the rest are the "
    "program's data classes, the engine and the table"
)


def figures() -> Iterator[Figure]:
    """The help, the timing table, and what they cannot do without."""
    with Python() as python:
        typer = python.work("-c", "import typer")
        for name, arguments, most, remark in (
            ("quillwise --help", (*PROGRAM, "--help"), 3.0, ""),
            ("quillwise events larkfell-port", (*PROGRAM, "events", "larkfell-port"), 6.0, _EVENTS),
            ("  of it: typer's own checking", ("-c", "import typer, typer._adapters"), None, ""),
            ("  of it: numpy beside typer", ("-c", "import typer, numpy"), None, ""),
            ("python alone", ("-c", "pass"), None, ""),
        ):
            work = python.work(*arguments)
            yield compared(name, work, "import typer", typer, most, runs=9, clock=children, remark=remark)
