"""The briefing page in a real browser: every control, drawing, safety, access, print; and what it says without scripts.

Rules: WCAG 2.2 AA by axe-core (published rule set), Content Security Policy Level 3 (published).
"""

from __future__ import annotations

import html.parser
import io
import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import node_tools
import pikepdf
import pytest

from quillwise.kinematics.datasheet import DataSheet
from quillwise.kinematics.sequence import play
from quillwise.scenes import library, reader
from quillwise.viz import briefing, records

BROWSER = next((path for name in ("chromium", "chromium-browser") if (path := shutil.which(name))), None)
ARGUMENTS = ["--headless", "--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader"]
STEPS = play(library.engine("larkfell-port")).steps
NUMBER = {step.key: number for number, step in enumerate(STEPS)}


@cache
def text_of(name: str) -> str:
    return briefing.briefing(library.engine(name), briefing.first_fault(name), name == "slipway-six")


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


def test_all_views_are_drawn_and_nothing_is_when_drawing_is_stubbed_out(page):
    wanted = ["#whole", *(f"#close-{number} canvas" for number in range(4))]
    assert all(share(page, each) > 0.02 for each in wanted), [share(page, each) for each in wanted]
    page.evaluate(
        """() => {
          const gl = WebGL2RenderingContext.prototype;
          quillwise.kept = [gl.drawElements, gl.drawArrays];
          gl.drawElements = gl.drawArrays = () => {};
        }"""
    )
    blank = [share(page, each) for each in wanted]
    page.evaluate(
        "[WebGL2RenderingContext.prototype.drawElements, WebGL2RenderingContext.prototype.drawArrays] = quillwise.kept"
    )
    assert blank == [0.0] * len(wanted)
    assert share(page) > 0.02


def test_another_angle_is_another_picture_and_back_again(page):
    page.fill("#crank-number", "100")
    page.keyboard.press("Enter")
    settle(page)
    first = drawn(page)
    page.fill("#crank-number", "250")
    page.keyboard.press("Enter")
    settle(page)
    assert crank(page) == 250
    assert drawn(page) != first
    page.fill("#crank-number", "100")
    page.keyboard.press("Enter")
    settle(page)
    assert drawn(page) == first
    assert page.inner_text("#crank-told") == "100.0°"


def test_slider_by_key_and_by_mouse(page):
    page.focus("#crank")
    page.keyboard.press("Home")
    settle(page)
    assert crank(page) == 0
    page.keyboard.press("ArrowRight")
    settle(page)
    assert crank(page) == 0.5
    assert page.get_attribute("#crank", "aria-valuetext") == "0.5 degrees"
    page.locator("#strip").scroll_into_view_if_needed()
    box = page.locator("#strip").bounding_box()
    left, right = box["x"] + 34, box["x"] + box["width"] - 8
    page.mouse.click((left + right) / 2, box["y"] + 20)
    settle(page)
    assert crank(page) == pytest.approx(360.0, abs=1.0)


def test_steps_by_button_list_and_key(page):
    page.click("#after")
    settle(page)
    assert page.inner_text("#title") == f"2. {STEPS[1].text.title}"
    page.click(f'#step-list button[data-step="{NUMBER["b-mark"]}"]')
    settle(page)
    assert crank(page) == pytest.approx(STEPS[NUMBER["b-mark"]].crank_deg[1])
    assert page.get_attribute(f'#step-list button[data-step="{NUMBER["b-mark"]}"]', "aria-current") == "step"
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("n")
    settle(page)
    assert page.inner_text("#title").startswith(f"{NUMBER['b-mark'] + 2}.")
    page.click("#before")
    page.click("#start")
    settle(page)
    assert crank(page) == pytest.approx(STEPS[NUMBER["b-mark"]].crank_deg[0])
    page.click("#end")
    settle(page)
    assert crank(page) == pytest.approx(STEPS[NUMBER["b-mark"]].crank_deg[1])
    page.fill("#share", "50")
    settle(page)
    start, end = STEPS[NUMBER["b-mark"]].crank_deg
    assert crank(page) == pytest.approx((start + end) / 2)
    page.locator(f'.show-step[data-step="{NUMBER["a-nip"]}"]').click()
    settle(page)
    assert page.inner_text("#title").startswith(f"{NUMBER['a-nip'] + 1}.")


@pytest.mark.slow
def test_playing_and_pausing(page):
    assert page.evaluate("quillwise.now.playing") == "", "nothing plays by itself"
    page.click("#play-cycle")
    wait_for(page, "quillwise.model.now.crank > 20")
    assert page.inner_text("#play-cycle") == "Pause"
    page.click("#play-cycle")
    settle(page)
    stands = crank(page)
    page.wait_for_timeout(200)
    assert crank(page) == stands
    page.click(f'#step-list button[data-step="{NUMBER["a-mark"]}"]')
    page.select_option("#speed", "4")
    page.click("#play-step")
    wait_for(page, "quillwise.now.share > 0.99 && quillwise.now.playing === ''")
    assert crank(page) == pytest.approx(STEPS[NUMBER["a-mark"]].crank_deg[1])
    page.select_option("#speed", "1")


@pytest.mark.slow
def test_the_vernier_by_hand(page):
    """Each tooth says what the vernier's table says; home, the shaft has moved by what was out of line."""
    step = STEPS[NUMBER["b-try"]]
    engine = library.engine("larkfell-port")
    page.click(f'#step-list button[data-step="{NUMBER["b-try"]}"]')
    settle(page)
    assert page.is_visible("#trial")
    pictures = set()
    for _ in range(len(step.trials)):
        page.click("#tooth-on")
        settle(page)
        tooth = page.evaluate("quillwise.now.tooth")
        trial = step.trials[tooth]
        says = page.inner_text("#trial-says")
        assert f"{abs(trial.out_of_line_deg):.2f}° of the shaft" in says
        assert f"{abs(trial.out_of_line_crank_deg):.2f} crank degrees" in says
        assert page.is_disabled("#go-home") == (trial.verdict == "does not go in")
        reading = page.inner_text("#close-1 .reading")
        assert f"tooth {tooth}: out of line {trial.out_of_line_deg:.2f}°" in reading
        pictures.add(drawn(page, "#close-1 canvas"))
    assert len(pictures) > len(step.trials) / 2
    fits = next(t for t in step.trials if t.verdict == "eased" and t is not step.chosen)
    while page.evaluate("quillwise.now.tooth") != fits.driving_tooth:
        page.click("#tooth-back")
        settle(page)
    driven = engine.couplings[step.coupling].driven
    before = page.evaluate("(name) => quillwise.model.state[name]", driven)
    page.click("#go-home")
    settle(page)
    moved = page.evaluate("(name) => quillwise.model.state[name]", driven) - before
    assert moved * engine.shafts[driven].sense == pytest.approx(fits.out_of_line_deg, abs=1e-6)
    assert page.inner_text("#close-1 .reading") == "home"
    page.click("#draw-out")
    settle(page)
    assert page.evaluate("(name) => quillwise.model.state[name]", driven) == pytest.approx(before)


def test_the_meter_as_the_magneto_is_turned(page):
    engine = library.engine("larkfell-port")
    key = next(step.key for step in STEPS if step.key.endswith("-break"))
    data = engine.magnetos[STEPS[NUMBER[key]].magneto].data
    page.click(f'#step-list button[data-step="{NUMBER[key]}"]')
    read = set()
    for at in (*range(0, 100, 4), 100):
        page.fill("#share", str(at))
        settle(page)
        read.add(re.search(r"meter ([0-9.]+) Ω", page.inner_text("#close-2 .reading")).group(1))
    assert read == {f"{data.closed_ohm:.2f}", f"{data.open_ohm:.2f}"}


def test_views_orbit_zoom_parts_and_ghosts(page):
    at_start = drawn(page)
    for name in ("wheelcase end", "output end", "left", "right", "top"):
        page.click(f'[data-view="{name}"]')
        settle(page)
        assert drawn(page) != at_start
    page.click('[data-view="start"]')
    settle(page)
    assert drawn(page) == at_start
    page.locator("#whole").scroll_into_view_if_needed()
    box = page.locator("#whole").bounding_box()
    middle = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(*middle)
    page.mouse.down()
    page.mouse.move(middle[0] + 60, middle[1] + 10)
    page.mouse.up()
    settle(page)
    turned = drawn(page)
    assert turned != at_start
    page.mouse.wheel(0, -300)
    settle(page)
    assert drawn(page) != turned
    page.focus("#whole")
    before = drawn(page)
    page.keyboard.press("ArrowLeft")
    settle(page)
    assert drawn(page) != before
    page.click('[data-view="start"]')
    page.locator("#whole").scroll_into_view_if_needed()
    box = page.locator("#whole").bounding_box()
    middle = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.click(*middle)
    settle(page)
    told = page.inner_text("#part-told")
    assert any(told.startswith(str(part)) for part in library.engine("larkfell-port").parts)
    pointed = drawn(page)
    page.click("#hide-part")
    settle(page)
    assert drawn(page) != pointed
    page.click("#all-parts")
    settle(page)
    assert drawn(page) == at_start
    page.select_option("#part-list", "quill shaft quill-a")
    settle(page)
    assert "17 teeth at the driving end, 18 at the driven end" in page.inner_text("#part-told")
    page.click("#all-parts")
    page.check("#faint")
    settle(page)
    assert drawn(page) != at_start
    page.uncheck("#faint")


def test_as_found_beside_as_intended(browser, files):
    it = Watched(browser, files / "slipway-six.html")
    page = it.open()
    page.check("#found")
    settle(page)
    both = drawn(page)
    page.uncheck("#compare")
    settle(page)
    assert drawn(page) != both, "blue lines are off"
    assert page.inner_text("#title").startswith("As found: ")
    page.uncheck("#found")
    settle(page)
    assert page.inner_text("#title").startswith("1. ")
    assert it.noise == []
    it.context.close()


CONTROLS = [
    ("#after", 0),
    ("#before", 5),
    ("#start", 6),
    ("#end", 6),
    ("#play-cycle", 3),
    ("#play-step", 6),
    ('#step-list button[data-step="4"]', 0),
    ("#tooth-on", NUMBER["a-try"]),
    ("#tooth-back", NUMBER["a-try"]),
    ("#draw-out", NUMBER["a-try"]),
    ("#go-home", NUMBER["a-try"]),
    ('[data-view="top"]', 0),
    ("#faint", NUMBER["a-nip"]),
    ("#all-parts", 0),
    ('.show-step[data-step="7"]', 0),
]
_SHOWN = """() => JSON.stringify([{ ...quillwise.now, crank: quillwise.now.playing ? 0 : quillwise.now.crank,
  share: quillwise.now.playing ? 0 : quillwise.now.share }, document.getElementById("faint").checked,
  quillwise.now.playing ? "" : document.getElementById("whole").toDataURL().length])"""


@pytest.mark.slow
def test_every_control_by_mouse_by_touch_and_by_key(browser, files):
    """One effect, whichever way it is asked for; and each control can be reached and told by its name."""
    it = Watched(browser, files / "larkfell-port.html", (820, 1180), has_touch=True, is_mobile=False)
    page = it.open()
    for selector, step in CONTROLS:
        effects = []
        for way in ("mouse", "touch", "key"):
            page.evaluate("(step) => { quillwise.now.playing = ''; quillwise.go(step); }", step)
            if page.is_checked("#faint"):
                page.uncheck("#faint")
            page.click('[data-view="start"]')
            settle(page)
            control = page.locator(selector).first
            control.scroll_into_view_if_needed()
            if way == "mouse":
                control.click()
            elif way == "touch":
                control.tap()
            else:
                control.focus()
                page.keyboard.press("Space")
            settle(page)
            effects.append(page.evaluate(_SHOWN))
        assert effects[0] == effects[1] == effects[2], selector
        name = page.evaluate(
            "(s) => document.querySelector(s).closest('label')?.innerText || document.querySelector(s).innerText",
            selector,
        )
        assert name.strip(), selector
    page.evaluate("quillwise.now.playing = ''")
    for selector, keys, wanted in (("#speed", "ArrowDown", "2"), ("#part-list", "ArrowDown", "crankshaft")):
        page.focus(selector)
        page.keyboard.press(keys)
        assert page.input_value(selector) == wanted
    assert it.noise == []
    it.context.close()


@pytest.mark.slow
def test_touch(browser, files):
    it = Watched(browser, files / "slipway-six.html", (360, 800), has_touch=True, is_mobile=True)
    page = it.open()
    page.tap("#after")
    settle(page)
    assert page.inner_text("#title").startswith("2.")
    page.locator("#whole").scroll_into_view_if_needed()
    box = page.locator("#whole").bounding_box()
    before = drawn(page)
    session = it.context.new_cdp_session(page)
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    session.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]})
    session.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [{"x": x + 50, "y": y}]})
    session.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    settle(page)
    assert drawn(page) != before
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    small = page.evaluate(
        """() => [...document.querySelectorAll("button, select, input:not([type=checkbox])")]
          .filter((each) => each.offsetParent && (each.offsetHeight < 44 || each.offsetWidth < 44))
          .map((each) => each.id)"""
    )
    assert small == []
    assert it.noise == []
    it.context.close()


@pytest.mark.parametrize("scheme", ["light", pytest.param("dark", marks=pytest.mark.slow)])
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
    assert briefing.briefing(library.engine("slipway-six"), briefing.first_fault("slipway-six")) == text_of(
        "slipway-six"
    )
