"""The briefing page for everybody: access, the talk, without scripts or 3D, printed; and safe with hostile names.

Rules: WCAG 2.2 AA by axe-core (published rule set), Content Security Policy Level 3 (published).
"""

from __future__ import annotations

import html.parser
import io
import re
import subprocess
from functools import cache

import node_tools
import pikepdf
import pytest
from page_tools import STEPS, Watched, text_of

from quillwise.kinematics.datasheet import DataSheet
from quillwise.kinematics.sequence import play
from quillwise.scenes import library, reader
from quillwise.viz import asked, briefing, records


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_access(browser, files, scheme):
    """axe-core finds nothing, in light and in dark, and at 200 % text."""
    node_tools.node("")  # the rules come with npm install
    it = Watched(browser, files / "slipway-six.html", (1280, 900), color_scheme=scheme, bypass_csp=True)
    page = it.open()
    page.add_script_tag(content=(node_tools.FOLDER / "node_modules/axe-core/axe.min.js").read_text())
    rules = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    for size in ("100%", "200%"):
        page.evaluate("(size) => { document.documentElement.style.fontSize = size; }", size)
        found = page.evaluate("(tags) => axe.run(document, { runOnly: tags })", rules)
        told = [(each["id"], [node["html"][:90] for node in each["nodes"]][:3]) for each in found["violations"]]
        assert told == []
        assert page.evaluate("document.documentElement.scrollWidth") <= 1280
    it.context.close()


def test_talk_mode(page):
    page.click("#talk")
    assert page.inner_text("#talk-place") == "1 of 8"
    seen = [page.inner_text(".topic.now h2")]
    for _ in range(7):
        page.keyboard.press("ArrowRight")
        seen.append(page.inner_text(".topic.now h2"))
    assert [title.split(".")[0] for title in seen] == [str(number) for number in range(1, 9)]
    assert page.is_disabled("#talk-on")
    assert page.locator(".topic:visible").count() == 1
    page.click("#talk-back")
    page.keyboard.press("Escape")
    assert not page.is_visible("#talk-bar")
    assert page.locator(".topic:visible").count() == 8


def test_without_scripts_all_of_it_is_there(browser, files):
    it = Watched(browser, files / "larkfell-port.html", java_script_enabled=False)
    page = it.page
    page.goto(it.path.as_uri())
    shown = page.inner_text("body")
    record = records.rehearsal(library.engine("larkfell-port"), play(library.engine("larkfell-port")))
    for step in record["steps"]:
        assert f"Step {step['number']} of {len(STEPS)}: {step['title']}" in shown
        for sentence in (*step["do"], *(each["what"] for each in step["see"]), *(c["text"] for c in step["cautions"])):
            assert sentence in shown
    for event in records.events(library.engine("larkfell-port"), play(library.engine("larkfell-port")))["events"]:
        assert f"{event['name']}\t{event['crank_deg']:.1f}°" in shown
    assert not page.is_visible("#player")
    assert not page.is_visible("#talk")
    assert it.noise == []
    it.context.close()


def test_without_webgl_a_sentence_and_the_static_page(browser, files):
    it = Watched(browser, files / "slipway-six.html")
    it.page.add_init_script("HTMLCanvasElement.prototype.getContext = () => null")
    it.page.goto(it.path.as_uri())
    it.page.wait_for_selector("#no-model:not([hidden])")
    assert it.page.is_visible("#step-1")
    it.context.close()


def test_print(browser, files):
    """A4, a step a page, the notice and the number on each, no table row cut."""
    it = Watched(browser, files / "slipway-six.html", java_script_enabled=False)
    it.page.goto(it.path.as_uri())
    data = it.page.pdf(prefer_css_page_size=True)
    it.context.close()
    with pikepdf.open(io.BytesIO(data)) as pdf:
        count = len(pdf.pages)
        for sheet in pdf.pages:
            box = [float(value) for value in sheet.MediaBox]
            assert box == pytest.approx([0, 0, 595, 842], abs=1.0)
    told = subprocess.run(
        ["pdftotext", "-layout", "-", "-"], input=data, capture_output=True, check=True
    ).stdout.decode()
    sheets = told.split("\f")[:-1]
    assert len(sheets) == count
    steps = len(play(library.engine("slipway-six")).steps)
    for number, sheet in enumerate(sheets, start=1):
        assert "Briefing aid. Not approved data." in sheet
        assert f"{number} / {count}" in sheet
        assert len(re.findall(rf"Step \d+ of {steps}: ", sheet)) <= 1


HOSTILE = "</script><img src=x onerror=alert(1)>\"'&<b>#"


class Elements(html.parser.HTMLParser):
    """Names of all elements, and what stands in attributes of events."""

    def __init__(self) -> None:
        super().__init__()
        self.names: list[str] = []
        self.events: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names.append(tag)
        self.events += [name for name, _ in attrs if name.startswith("on")]


@cache
def hostile() -> str:
    from dataclasses import replace

    from quillwise.kinematics.build import build

    sheet: DataSheet = reader.load("slipway-six")
    return briefing.briefing(build(replace(sheet, name=HOSTILE, about=HOSTILE)), None, False)


def test_a_hostile_name_stays_text(browser, tmp_path):
    plain, marked = Elements(), Elements()
    plain.feed(text_of("slipway-six"))
    marked.feed(hostile())
    assert plain.names.count("img") > 0
    assert marked.names.count("img") == 0, "that page has no figures, and the name makes none"
    assert marked.events == []
    assert marked.names.count("script") == plain.names.count("script") == 3
    path = tmp_path / "hostile.html"
    path.write_text(hostile(), encoding="utf-8")
    it = Watched(browser, path)
    page = it.open()
    assert page.inner_text("h1") == HOSTILE
    assert page.title() == f"{HOSTILE}: briefing"
    assert it.noise == []
    it.context.close()


def test_the_policy_holds(browser, files):
    """Script or style that is put in does not run, and is told as a violation."""
    it = Watched(browser, files / "slipway-six.html")
    page = it.open()
    told = page.evaluate(
        """() => new Promise((done) => {
          addEventListener("securitypolicyviolation", (event) => done(event.effectiveDirective), { once: true });
          const script = document.createElement("script");
          try { script.textContent = "window.ran = true"; } catch (error) { done("require-trusted-types-for"); return; }
          document.body.append(script);
          setTimeout(() => done("none"), 1000);
        })"""
    )
    assert told != "none"
    assert page.evaluate("window.ran") is None
    it.context.close()


def test_sizes():
    assert len(text_of("larkfell-port").encode()) < 8e6


def test_the_bundle_is_what_its_sources_make(tmp_path):
    node_tools.node("")
    made = tmp_path / "bundle.js"
    subprocess.run([str(node_tools.FOLDER / "build.sh"), str(made)], check=True)
    assert made.read_bytes() == (node_tools.FOLDER / "bundle.js").read_bytes()


@pytest.mark.slow
def test_the_same_engine_gives_the_same_page():
    assert briefing.briefing(library.engine("slipway-six"), asked.fault_of("slipway-six")) == text_of("slipway-six")
