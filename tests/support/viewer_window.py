"""The viewer really opened under Xvfb, in a process of its own, worked by xdotool."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from quillwise.viz import graphics

SIZE = (1280, 720)

OPEN = """
import json, sys
from quillwise.kinematics.sequence import play
from quillwise.scenes.library import engine
from quillwise.viz.viewer import Viewer
name, width, height, step = sys.argv[1], *map(int, sys.argv[2:5])
built = engine(name)
with Viewer(built, play(built), (width, height), step) as viewer:
    viewer.run()
    now = viewer.playback
    print(json.dumps([now.step, now.at_s, now.playing, now.speed, now.crank_deg]))
"""


@dataclass(frozen=True, slots=True)
class Window:
    """A viewer in a process of its own, on a display of its own."""

    process: subprocess.Popen[str]
    display: str
    number: int

    def send(self, *words: str | int) -> None:
        subprocess.run(
            ["xdotool", *map(str, words)], env=os.environ | {"DISPLAY": self.display}, check=True, capture_output=True
        )

    def keys(self, *names: str) -> None:
        for name in names:
            self.send("key", name)
            time.sleep(0.12)

    def end(self) -> tuple[int, str, str]:
        out, err = self.process.communicate(timeout=30)
        return self.process.returncode, out, err


@pytest.fixture(scope="module")
def display(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A screen of 1280 × 720 without a window manager, on the first number that is free."""
    missing = [name for name in ("Xvfb", "xdotool") if shutil.which(name) is None]
    if missing:
        if os.environ.get("CI"):
            pytest.fail(f"{' and '.join(missing)} must be installed where CI is set")
        pytest.skip(f"no {' and no '.join(missing)} on this machine: the window is not tried")
    log = tmp_path_factory.mktemp("screen") / "xvfb.log"
    with log.open("w") as errors:
        server = subprocess.Popen(
            # -noreset: else it starts anew when a client leaves as the last, and drops one that comes just then
            ["Xvfb", "-displayfd", "1", "-screen", "0", "1280x720x24", "-nolisten", "tcp", "-noreset"],
            stdout=subprocess.PIPE,
            stderr=errors,
            text=True,
        )
    assert server.stdout is not None
    number = server.stdout.readline().strip()
    assert number, log.read_text()
    yield f":{number}"
    server.terminate()
    server.wait(timeout=20)
    server.stdout.close()


@pytest.fixture
def opened(display: str, tmp_path: Path) -> Iterator[Callable[..., Window]]:
    """Opens a viewer in the temporary folder and waits until its window is there."""
    started: list[subprocess.Popen[str]] = []

    def start(step: int = 0, name: str = "larkfell-port", script: str = OPEN) -> Window:
        process = subprocess.Popen(
            [sys.executable, "-c", script, name, *map(str, SIZE), str(step)],
            env=environment(display),
            cwd=tmp_path,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        started.append(process)
        for _ in range(300):
            found = subprocess.run(
                ["xdotool", "search", "--onlyvisible", "--name", "^Quillwise"],
                env=os.environ | {"DISPLAY": display},
                capture_output=True,
                text=True,
                check=False,
            )
            if found.stdout.strip():
                break
            assert process.poll() is None, process.communicate()
            time.sleep(0.1)
        window = Window(process, display, int(found.stdout.split()[0]))
        window.send("mousemove", 300, 200)  # without a window manager the keys go to the window under the mouse
        time.sleep(0.6)
        return window

    yield start
    for process in started:
        if process.poll() is None:
            process.kill()
            process.communicate()


def told(script: str, display: str, folder: Path, *arguments: str, timeout_s: float = 120) -> str:
    """What a script prints that opens a viewer of its own; it ends well and says nothing on stderr."""
    done = subprocess.run(
        [sys.executable, "-c", script, *arguments],
        env=environment(display),
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=timeout_s,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout


def environment(display: str) -> dict[str, str]:
    """Ours, with the display, and the choice of the window's class left to the program."""
    return {key: value for key, value in os.environ.items() if key != graphics.WINDOW_VARIABLE} | {"DISPLAY": display}
