"""The briefing page in a real browser: every control, by mouse, by touch and by key, and what it draws."""

from __future__ import annotations

import re

import pytest
from page_tools import NUMBER, STEPS, Watched, crank, drawn, settle, share, wait_for

from quillwise.scenes import library


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


@pytest.mark.slow
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


@pytest.mark.slow
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


_REDDISH = """() => {
  quillwise.draw();
  const canvas = document.querySelector("#close-0 canvas");
  const copy = document.createElement("canvas");
  [copy.width, copy.height] = [canvas.width, canvas.height];
  const pen = copy.getContext("2d", { willReadFrequently: true });
  pen.drawImage(canvas, 0, 0);
  const { data } = pen.getImageData(0, 0, copy.width, copy.height);
  let found = 0;
  for (let i = 0; i < data.length; i += 4) if (data[i] > data[i + 1] + 60 && data[i + 1] > data[i + 2] + 30) found += 1;
  return found;
}"""


def test_the_feeler_is_drawn_and_named_while_a_step_uses_it(page):
    """Its colour and its words stand in the valve's close-up at the nip, and go with it."""

    def open_at(key: str) -> str:
        page.click(f'#step-list button[data-step="{NUMBER[key]}"]')
        settle(page)
        return page.inner_text("#close-0 .reading")

    assert "feeler" not in open_at("a-mark")
    before = page.evaluate(_REDDISH)
    assert open_at("a-nip").endswith("; feeler 0.04 mm, nipped")
    assert page.evaluate(_REDDISH) > before + 40
    named = drawn(page, "#close-0 canvas")
    page.evaluate("quillwise.model.name = () => {}; quillwise.draw()")
    unnamed = drawn(page, "#close-0 canvas")
    page.evaluate("delete quillwise.model.name; quillwise.draw()")
    assert unnamed != named == drawn(page, "#close-0 canvas")
