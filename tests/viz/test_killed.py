"""Killed and interrupted at random moments: the named output is whole and old, or whole and new."""

from __future__ import annotations

import functools
import os
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from random import Random

import pytest

from quillwise.viz.interrupts import held
from quillwise.viz.writing import PART_SUFFIX

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals are POSIX's")

COMMANDS = {
    "models": ["models", "slipway-six", "--format", "stl", "--part", "piston A1"],
    "models glb": ["models", "slipway-six", "--part", "piston A1"],
    "draw --line": ["draw", "slipway-six", "--line", "--step", "1"],
    "draw": ["draw", "slipway-six", "--step", "1", "--size", "900x600"],
    "film": ["film", "slipway-six", "--cycle", "--seconds", "1", "--size", "320x240"],
    "sheets": ["sheets", "slipway-six", "--only", "safe"],
    # a worker that outlived the program would hold its streams open, and the wait for these would fail
    "sheets by two": ["sheets", "slipway-six", "--only", "safe", "--only", "tdc", "--jobs", "2"],
    "brief": ["brief", "slipway-six", "--without-figures"],
}
TIMES = 25
_WAIT_S = 120


@dataclass(frozen=True, kw_only=True, slots=True)
class Calm:
    """A run that nothing disturbs: how long it takes, and what it writes."""

    seconds: float
    data: bytes


def started(command: str, folder: Path) -> subprocess.Popen[str]:
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
    environment.pop("DISPLAY", None)
    return subprocess.Popen(
        [sys.executable, "-P", "-m", "quillwise.viz.start", "--quiet", *COMMANDS[command], "-o", "out", "--force"],
        cwd=folder,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # what runs in the background is made to ignore interrupts, and hands that on
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )


@functools.cache
def calm(command: str, folder: Path) -> Calm:
    begun = time.monotonic()
    child = started(command, folder)
    _, errors = child.communicate(timeout=_WAIT_S)
    assert child.returncode == 0, errors
    found = Calm(seconds=time.monotonic() - begun, data=(folder / "out").read_bytes())
    (folder / "out").unlink()
    return found


def disturb(command: str, folder: Path, sent: signal.Signals, random: Random) -> str:
    """One run with a signal at a random moment; half of them once it has begun to write. What became of it."""
    whole = calm(command, folder)
    (folder / "out").write_bytes(b"old")
    child = started(command, folder)
    if random.random() < 0.5:
        time.sleep(0.1 + random.random() * whole.seconds)
    else:
        until = time.monotonic() + _WAIT_S
        while child.poll() is None and time.monotonic() < until:
            if any(path.suffix == PART_SUFFIX for path in folder.iterdir()):
                break
            time.sleep(0.001)
        time.sleep(random.random() * 0.2 * random.random())
    child.send_signal(sent)
    _, errors = child.communicate(timeout=_WAIT_S)
    names = {path.name for path in folder.iterdir()} - {"out", "out.vtt"}
    data = (folder / "out").read_bytes()
    assert data in (b"old", whole.data), f"{len(data)} bytes, neither old nor new"
    assert len(names) <= 1 and all(name.startswith(".out.") and name.endswith(PART_SUFFIX) for name in names)
    if sent is signal.SIGINT:
        if child.returncode == 0:
            assert errors == ""
        elif child.returncode == 1:  # met while Python itself was starting, which then ends with this line
            assert errors.startswith("Fatal Python error: init_"), errors
        else:  # before the program's first line, and after its last, Python itself ends by the signal; a library
            # that is met in the middle of a picture may crash: the output is whole all the same
            assert child.returncode in (130, -signal.SIGINT, -signal.SIGABRT, -signal.SIGSEGV), errors
            assert errors in ("", "Interrupted.\n") or "viz/start.py" not in errors
    for name in names:
        (folder / name).unlink()
    return "new" if data == whole.data else "old"


def some(command: str, folder: Path, sent: signal.Signals, times: int) -> None:
    random = Random(f"{command} {sent}")
    ends = [disturb(command, folder, sent, random) for _ in range(times)]
    assert times < TIMES or "old" in ends, "the signal always came too late"


@pytest.mark.parametrize("sent", [signal.SIGKILL, signal.SIGINT])
def test_the_output_is_old_or_new(tmp_path: Path, sent: signal.Signals) -> None:
    some("models", tmp_path, sent, 2)


# threads are waited for after the last line of the program, as Python's pools of threads do it
_LINGERS = """
import sys, threading, time
threading.Thread(target=lambda: (time.sleep(1.5), print("ends", flush=True), time.sleep(0.7))).start()
sys.argv = ["quillwise", "--version"]
from quillwise.viz import start
start.main()
"""


def test_an_interrupt_after_the_work_says_nothing(tmp_path: Path) -> None:
    child = subprocess.Popen(
        [sys.executable, "-P", "-c", _LINGERS],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    assert child.stdout is not None
    assert "quillwise" in child.stdout.readline()  # all is told; what is left is Python's own end
    assert child.stdout.readline() == "ends\n"
    child.send_signal(signal.SIGINT)
    _, errors = child.communicate(timeout=_WAIT_S)
    assert (child.returncode, errors) == (0, "")


@pytest.mark.slow
@pytest.mark.parametrize("sent", [signal.SIGKILL, signal.SIGINT])
@pytest.mark.parametrize("command", COMMANDS)
def test_the_output_is_old_or_new_at_many_moments(tmp_path: Path, command: str, sent: signal.Signals) -> None:
    some(command, tmp_path, sent, TIMES)


def test_an_interrupt_waits_while_a_library_is_loaded() -> None:
    done = []
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        with pytest.raises(KeyboardInterrupt), held():
            signal.raise_signal(signal.SIGINT)
            time.sleep(0.01)
            done.append("loaded")
        assert done == ["loaded"]
        assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
        with held():
            done.append("nothing came")
    finally:
        signal.signal(signal.SIGINT, before)
    assert done == ["loaded", "nothing came"]
