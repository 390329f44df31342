"""The browser and the pages that several tests of the briefing page share."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from page_tools import ARGUMENTS, BROWSER, Watched, settle, text_of
from viewer_window import display, opened

__all__ = ["display", "opened"]


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    if BROWSER is None:
        if os.environ.get("CI"):
            pytest.fail("chromium must be installed where CI is set")
        pytest.skip("no chromium on this machine: the page is not tried")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as player:
        started = player.chromium.launch(executable_path=BROWSER, args=ARGUMENTS)
        yield started
        started.close()


@pytest.fixture(scope="module")
def files(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("pages")
    for name in ("larkfell-port", "slipway-six"):
        (folder / f"{name}.html").write_text(text_of(name), encoding="utf-8", newline="\n")
    return folder


@pytest.fixture(scope="module")
def watched(browser, files) -> Iterator[Watched]:
    it = Watched(browser, files / "larkfell-port.html")
    it.open()
    yield it
    assert it.noise == []
    it.context.close()


@pytest.fixture
def page(watched) -> Any:
    watched.page.evaluate("document.querySelector('[data-view=start]').click(); quillwise.go(0)")
    settle(watched.page)
    return watched.page
