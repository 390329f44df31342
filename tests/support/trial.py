"""One wrong file, handed to what reads it: a folder as ``validate`` reads it, or readings as ``diagnose`` does."""

from __future__ import annotations

import functools
import io
import shutil
import signal
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

import mutations
import typer.main

from quillwise.kinematics.errors import SceneError
from quillwise.kinematics.model import Engine
from quillwise.scenes import library, reader, readings, sources
from quillwise.viz import cli

SCENE_FILES = (sources.ENGINE, sources.SETUP)


@dataclass(frozen=True, kw_only=True, slots=True)
class Case:
    """Files to try. kind: "folder", or the engine whose readings they are."""

    kind: str
    files: dict[str, bytes]
    told: list[str]

    def write(self, folder: Path) -> None:
        """Puts the files there; what was there goes."""
        shutil.rmtree(folder, ignore_errors=True)
        for name, data in self.files.items():
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)


@functools.cache
def scenes() -> tuple[mutations.Donor, ...]:
    """All packaged engines with their faults, and each once more with measured lifts."""
    folders = [library.find(name) for name in library.names()]
    plain = [
        mutations.donor(folder, (*SCENE_FILES, *(f"faults/{path.name}" for path in (folder / "faults").glob("*.toml"))))
        for folder in folders
    ]
    measured = [mutations.with_lift_table(each) for each in plain if "valves" in each.files[sources.ENGINE]]
    return (*plain, *measured)


@functools.cache
def stated() -> tuple[mutations.Donor, ...]:
    """The readings of all packaged engines."""
    paths = [path for name in library.names() for path in (library.find(name) / "readings").glob("*.toml")]
    return tuple(mutations.donor(path.parent, (path.name,)) for path in paths)


@functools.cache
def _engine(name: str) -> Engine:
    return library.engine(name)


@functools.cache
def _program() -> Any:
    """The program, put together once: Typer does it anew for each call, which takes longer than most files."""
    return typer.main.get_command(cli.app)


@functools.cache
def _streams() -> tuple[io.StringIO, io.StringIO]:
    """Ever the same two: Typer keeps each stream that it wrote to, and 200,000 runs would seem to eat memory."""
    return io.StringIO(), io.StringIO()


def run(*given: str) -> tuple[int, str, str]:
    """The program in this process: exit code, stdout, stderr. An error that it does not catch is raised."""
    out, errors = _streams()
    for stream in (out, errors):
        stream.seek(0)
        stream.truncate()
    with redirect_stdout(out), redirect_stderr(errors):
        try:
            code = _program().main(args=list(given), prog_name="quillwise")
        except SystemExit as ended:
            code = ended.code
    return int(code or 0), out.getvalue(), errors.getvalue()


def warm() -> None:
    """Imports what is imported late, so that no file is charged with it."""
    for name in library.names():
        _engine(name)
        run("validate", name)


def case(random: Random) -> Case:
    """Something to try. Measured lifts take longest to read: one file in fifty has them."""
    if random.random() < 0.15:
        files, told = mutations.mutant(random, stated())
        return Case(kind="readings", files=files, told=told)
    measured = random.random() < 0.02
    files, told = mutations.mutant(random, [each for each in scenes() if each.is_measured == measured])
    return Case(kind="folder", files=files, told=told)


def judged(case: Case, folder: Path, whole: bool = True) -> str:
    """What became of it: "taken", "doubted" or "refused". Raises whatever is raised besides.

    whole: by the command, which puts the engine together and plays its set-up; else by the reader alone.
    """
    case.write(folder / "six")
    if case.kind == "readings":
        return "taken" if _read(folder / "six") else "refused"
    if not whole:
        try:
            reader.read(folder / "six")
        except SceneError as error:
            _check_plain(cli.sentences(error))
            return "refused"
        return "taken"
    code, _, errors = run("validate", str(folder / "six"), "--json")
    if code not in (0, 1, 2):
        raise AssertionError(f"exit code {code}: {errors}")
    if code == 2:
        _check_plain(errors)
    return ("taken", "doubted", "refused")[code]


def _check_plain(text: str) -> None:
    lines = text.rstrip("\n").split("\n")
    if not all(line and line.isprintable() for line in lines):
        raise AssertionError(f"refused in other words than plain ones: {text[:500]!r}")


def _read(folder: Path) -> bool:
    for path in folder.glob("*.toml"):
        try:
            keys, label = readings.read(path)
            name = keys.engine if keys.engine in library.names() else library.names()[0]
            readings.readings(_engine(name), keys, label)
        except SceneError:
            return False
    return True


@contextmanager
def time_limit(seconds: float) -> Iterator[None]:
    """Raises TimeoutError in the block when it takes longer, in time of the processor: other programs do not count."""

    def over(_number: int, _frame: object) -> None:
        raise TimeoutError(f"over {seconds:g} s")

    before = signal.signal(signal.SIGPROF, over)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)
