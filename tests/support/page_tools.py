"""The briefing page in a browser: opening it, watching what it complains of, reading what it draws."""

from __future__ import annotations

import shutil
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from quillwise.kinematics.sequence import play
from quillwise.scenes import library
from quillwise.viz import asked, briefing

BROWSER = next((path for name in ("chromium", "chromium-browser") if (path := shutil.which(name))), None)
ARGUMENTS = ["--headless", "--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader"]
STEPS = play(library.engine("larkfell-port")).steps
NUMBER = {step.key: number for number, step in enumerate(STEPS)}


@cache
def text_of(name: str) -> str:
    return briefing.briefing(library.engine(name), asked.fault_of(name), name == "slipway-six")


class Watched:
    """A page with all that it complains of and asks for."""

    def __init__(self, browser: Any, path: Path, size: tuple[int, int] = (1280, 900), **options: Any) -> None:
        self.context = browser.new_context(viewport={"width": size[0], "height": size[1]}, **options)
        self.page = self.context.new_page()
        self.noise: list[str] = []
        self.page.on("console", lambda message: self.noise.append(f"{message.type}: {message.text}"))
        self.page.on("pageerror", lambda error: self.noise.append(str(error)))
        self.page.on("request", self._asked)
        self.path = path

    def _asked(self, request: Any) -> None:
        if not request.url.startswith("data:") and request.url != self.path.as_uri():
            self.noise.append(f"asked for {request.url}")

    def open(self, fragment: str = "plain") -> Any:
        self.page.goto(f"{self.path.as_uri()}#{fragment}")
        self.page.wait_for_selector("#player[data-ready]", timeout=60_000)
        return self.page


def settle(page: Any) -> None:
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")


def drawn(page: Any, selector: str = "#whole") -> str:
    return page.evaluate("(selector) => document.querySelector(selector).toDataURL()", selector)


def share(page: Any, selector: str = "#whole") -> float:
    """How much of a canvas is not white, read in the task that draws it."""
    return page.evaluate(
        """(selector) => {
          quillwise.draw();
          const canvas = document.querySelector(selector);
          const copy = document.createElement("canvas");
          [copy.width, copy.height] = [canvas.width, canvas.height];
          const pen = copy.getContext("2d", { willReadFrequently: true });
          pen.drawImage(canvas, 0, 0);
          const { data } = pen.getImageData(0, 0, copy.width, copy.height);
          let marked = 0;
          for (let i = 0; i < data.length; i += 4) if (data[i] + data[i + 1] + data[i + 2] < 740) marked += 1;
          return marked / (data.length / 4);
        }""",
        selector,
    )


def wait_for(page: Any, condition: str) -> None:
    """Asks until it holds, for a minute; playwright's own way to wait is against the page's policy."""
    for _ in range(600):
        if page.evaluate(condition):
            return
        page.wait_for_timeout(100)
    pytest.fail(f"not in a minute: {condition}")


def crank(page: Any) -> float:
    return page.evaluate("quillwise.model.now.crank")
