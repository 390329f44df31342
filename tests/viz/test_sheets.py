"""The work-instruction pack, read back from its PDF: figures as --json gives them, tags, fonts, hostile text."""

from __future__ import annotations

import functools
import html
import io
import json
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import pikepdf
import pytest
from hypothesis import given, settings
from magneto_counts import six_with
from PIL import Image
from pypdf import PdfReader
from random_engines import engines, in_line_six, setup_of
from typer.testing import CliRunner

from quillwise.kinematics.build import build
from quillwise.kinematics.sequence import play
from quillwise.scenes.library import engine as packaged
from quillwise.scenes.library import find
from quillwise.scenes.library import names as packaged_names
from quillwise.scenes.reading_keys import BreakKeys, SightKeys, StopKeys, ValveEventKeys
from quillwise.viz import cli, sheetblocks, sheetcover, sheetdata, sheets, sheetwords
from quillwise.viz.briefing import briefing
from quillwise.viz.paper import text_width_mm
from quillwise.viz.standing import Store

ZERO_WIDTH = "\u200b"


@pytest.fixture(autouse=True)
def in_its_own_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def run(*arguments, code=0):
    result = CliRunner().invoke(cli.app, list(arguments), prog_name="quillwise")
    assert result.exit_code == code, result.output
    return (result.stderr if code else result.stdout).strip()


def pages_of(data: bytes) -> list[str]:
    """Text of each page, one space between words."""
    read = (page.extract_text().replace(ZERO_WIDTH, "") for page in PdfReader(io.BytesIO(data)).pages)
    return [re.sub(r"\s+", " ", text) for text in read]


def a_work(engine, name="slipway-six"):
    return sheetdata.work(engine, play(engine), find(name))


def without_figures(job, sheet=None, stand_in=None, **kind) -> bytes:
    sheet = sheet or sheetdata.Sheet()
    asked = {"card": None, "blank_form": False, "chosen": (), "drawn": stand_in or {}, **kind}
    return sheets.pdf(sheetdata.document(sheet, job, sheets.blocks(job, sheet, **asked)))


@functools.cache
def read_back(name):
    """Pages of a packaged engine's pack, without figures."""
    return tuple(
        pages_of(without_figures(a_work(packaged(name), name), sheetdata.Sheet(document="WI-31", date="1 May")))
    )


def page_of(pages, start):
    (found,) = [page for page in pages if start in page]
    return found


def test_readings_of_every_step_are_those_of_the_records():
    """Nominal, limits and zone of each reading (guard band of JCGM 106, worked out here) stand on the step's page."""
    told = json.loads(run("rehearse", "gantry-eight", "--json"))
    pages = read_back("gantry-eight")
    count = 0
    for step in told["steps"]:
        page = page_of(pages, f"Step {step['number']} of {told['step_count']}: ")
        for line in step["do"]:
            assert line in page
        for check in step["checks"]:
            if step["checks_of_readings"]:
                continue
            wanted, limit, u = (check[f"{key}_crank_deg"] for key in ("wanted", "limit", "uncertainty"))
            low, high = wanted - limit, wanted + limit
            row = f"{check['what']} crank deg {wanted:.2f} {low:.2f} to {high:.2f} {low + u:.2f} to {high - u:.2f}"
            assert row in page
            count += 1
        cautions = [each["level"] for each in step["cautions"]]
        order = [page.index(f"{level}: ") for level in ("WARNING", "CAUTION", "NOTE") if level in cautions]
        assert order == sorted(order)
        assert all(at < page.index(f"1. {step['do'][0]}") for at in order), "before the step, not in it"
    assert count >= 8


def test_the_round_of_readings_holds_every_event():
    told = json.loads(run("events", "gantry-eight", "--as-set", "--json"))
    text = " ".join(read_back("gantry-eight"))
    assert len(told["events"]) == 48
    for event in told["events"]:
        at, limit = event["crank_deg"], event["limit_crank_deg"]
        assert f"{event['name']} crank deg {at:.2f} {at - limit:.2f} to {at + limit:.2f}" in text


def test_the_hold_points_of_the_pack_are_those_of_the_briefing():
    engine = packaged("slipway-six")
    job = a_work(engine)
    held = [
        f"Step {record['number']}: {record['title']}."
        for record in job.rehearsal["steps"]
        if sheetwords.HOLD in str(sheetdata.step_pages(job, record, None))
    ]
    told = briefing(engine, None, with_figures=False)
    listed = told.split("Stop here until both people agree", 1)[1].split("</ul>", 1)[0]
    assert held and re.findall(r"<li>(.*?)</li>", listed) == [html.escape(each) for each in held]


def test_cover_and_charts_are_those_of_the_records():
    engine = packaged("gantry-eight")
    pages = pages_of(without_figures(a_work(engine, "gantry-eight"), sheetdata.Sheet(document="WI-31", date="1 May")))
    for name, coupling in engine.couplings.items():
        told = json.loads(run("vernier", name, "gantry-eight", "--json"))
        row = f"{coupling.data.driving_teeth} {coupling.data.driven_teeth} {told['positions']} "
        assert row + f"{told['step_crank_deg']:.3f}" in pages[0]
    for wheel in engine.wheels.values():
        assert f" {wheel.teeth} " in pages[0]
    told = json.loads(run("events", "gantry-eight", "--json"))
    for leads in told["plug_leads"]:
        page = page_of(pages, f"Plug leads, {leads['magneto']} magneto")
        chart = " ".join(f"{each['segment']} {each['finger_deg']:.1f} {each['cylinder']}" for each in leads["leads"])
        assert chart in page
    for number, page in enumerate(pages, start=1):
        assert f"Page {number} of {len(pages)}" in page
        assert "WI-31" in page
        assert "Briefing aid. Not approved data." in page
    assert all(valve in " ".join(pages[-4:]) for valve in engine.valves)


def test_the_hashes_are_those_of_the_files():
    """Of the chain of folders too: larkfell-starboard is larkfell-port, but."""
    import hashlib

    found = dict(sheetdata.hashes(find("larkfell-starboard")))
    assert set(found) >= {"engine.toml", "larkfell-port/engine.toml"}
    for name, told in found.items():
        folder = find("larkfell-port") if "/" in name else find("larkfell-starboard")
        assert told == hashlib.sha256((folder / name.rpartition("/")[2]).read_bytes()).hexdigest()


QUICK = ("slipway-six",)


@pytest.mark.parametrize(
    "name", [name if name in QUICK else pytest.param(name, marks=pytest.mark.slow) for name in packaged_names()]
)
def test_a_step_stands_on_one_page(name):
    """With a figure of the height that it gets, on A4; on letter a few take two: then all blanks are on the second."""
    job = a_work(packaged(name), name)
    for paper in ("a4", "letter"):
        stand_in = {}
        for record in job.rehearsal["steps"]:
            high = sheetdata.figure_mm(job, record, paper)
            assert sheetdata.LEAST_MM <= high <= sheetdata.GREATEST_MM
            drawn = f'<svg xmlns="http://www.w3.org/2000/svg" width="180mm" height="{high}mm"/>'
            items = ((1, "connecting rod (12 off)"),) * 4
            stand_in[record["key"]] = sheetdata.Figure(svg=drawn, alt="none", width_mm=180.0, items=items)
        sheet = sheetdata.Sheet(paper=paper)
        high = sheetcover.overview_mm(job, sheet)
        drawn = f'<svg xmlns="http://www.w3.org/2000/svg" width="180mm" height="{high}mm"/>'
        items = ((1, "distributor segments (2 off)"),) * 12
        stand_in[""] = sheetdata.Figure(svg=drawn, alt="none", width_mm=180.0, items=items)
        pages = pages_of(without_figures(job, sheet, stand_in=stand_in))
        assert paper == "letter" or all(told[:30] in pages[0] for _, told in job.sources), "the cover is one page"
        longer = []
        for record in job.rehearsal["steps"]:
            signed = page_of(pages, f"Step {record['number']} Fitter")
            assert "Left at a stop" in signed
            if f"Step {record['number']} of {len(job.played.steps)}: " in signed:
                continue
            longer.append(record["key"])
            if record["key"] == "two-turns":
                assert "Acceptance zone" in signed, "no page for the signatures alone"
            if record["key"] != "two-turns":
                told = pages[pages.index(signed) - 1]
                assert f"Step {record['number']} of " in told
                assert "Teeth by paint mark" not in told
                assert "Nominal" not in told
        if paper == "a4":
            assert set(longer) <= {"two-turns"}
        assert len(longer) <= 0.4 * len(job.rehearsal["steps"])


def test_what_a_real_page_holds():
    """Tags and fonts by PDF/UA-1 (ISO 14289-1), vectors only, the same bytes twice."""
    run("sheets", "slipway-six", "--only", "a-park", "-o", "one.pdf")
    run("sheets", "slipway-six", "--only", "a-park", "-o", "two.pdf")
    data = Path("one.pdf").read_bytes()
    assert data == Path("two.pdf").read_bytes()
    with pikepdf.open("one.pdf") as pdf:
        assert pdf.Root.MarkInfo.Marked
        assert str(pdf.Root.Lang) == "en"
        assert pdf.Root.ViewerPreferences.DisplayDocTitle
        assert "pdfuaid:part" in pdf.Root.Metadata.read_bytes().decode()
        kinds, alts = [], []
        for each in pdf.objects:
            if isinstance(each, pikepdf.Dictionary) and each.get("/S") is not None and "/P" in each:
                kinds.append(str(each.S))
                alts += [str(each.Alt)] if "/Alt" in each else []
        assert {"/H1", "/H2", "/Table", "/TH", "/TD", "/Figure", "/L"} <= set(kinds)
        assert len(alts) == kinds.count("/Figure") == 1
        assert all("Slipway six" in alt and "Callouts: 1: " in alt for alt in alts)
        fonts = [each for each in pdf.objects if isinstance(each, pikepdf.Dictionary) and "/FontName" in each]
        assert fonts
        assert all("/FontFile2" in font or "/FontFile3" in font for font in fonts)
        streams = [each for each in pdf.objects if isinstance(each, pikepdf.Stream)]
        assert not [each for each in streams if each.get("/Subtype") == "/Image"], "no raster"
    told = json.loads(run("rehearse", "slipway-six", "--json", "--step", "a-park"))["steps"][0]
    (park,) = (alt for alt in alts if alt.startswith(f"Step {told['number']}:"))
    assert f"crank at {told['crank_to_deg']:.1f} degrees" in park


HOSTILE = '#eval("1+1") $x^2$ *b* _i_ <a> @b \\ `c` // "q" \' & [k] {l} = h - i + j ~ 100%'


def test_hostile_text_is_printed_as_it_stands():
    engine = packaged("slipway-six")
    engine = build(replace(engine.sheet, name=HOSTILE, about=HOSTILE))
    sheet = sheetdata.Sheet(title=HOSTILE[:80], document="#panic()", owner="$ & <b>", revision="@x", date="*d*")
    data = without_figures(a_work(engine), sheet)
    first = pages_of(data)[0]
    for text in (HOSTILE, HOSTILE[:80], "#panic()", "$ & <b>", "@x", "*d*"):
        assert text in first
    with pikepdf.open(io.BytesIO(data)) as pdf:
        assert str(pdf.docinfo.Title) == HOSTILE[:80]


def test_long_words_and_right_to_left_stay_on_the_page():
    word = "W" * 60
    hebrew = "\u05d0\u05d1\u05d2"
    engine = packaged("slipway-six")
    engine = build(replace(engine.sheet, name=word * 3))
    data = without_figures(a_work(engine), sheetdata.Sheet(title=word, document="D" * 32, owner=hebrew))
    reader = PdfReader(io.BytesIO(data))
    reach = []

    def told(text, cm, tm, _, size):
        for line in text.replace(ZERO_WIDTH, "").splitlines():
            # a capital is 0.729 of the font's size; the page's own matrix brings points to points
            reach.append(cm[4] + tm[4] * cm[0] + text_width_mm(line.strip(), 0.729 * size) * abs(cm[0] * tm[0]))

    reader.pages[0].extract_text(visitor_text=told)
    assert 500 < max(reach) < 595.3 - 25
    joined = "".join(pages_of(data)[0].split())
    assert word * 3 in joined
    assert hebrew in joined or hebrew[::-1] in joined


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (
            ("--title", "a\x07b"),
            2,
            "--title: expected text without control, direction or invisible characters, got U+0007",
        ),
        (("--owner", "a\u202eb"), 2, "--owner: expected text without control, direction or invisible"),
        (("--document", "x" * 500), 2, "--document: expected text of 1 to 32 characters, got 500"),
        (("--owner", "\u9593"), 4, "the font of the pack, DejaVu Sans, has no sign for U+9593 in"),
        (("--only", "nip"), 2, 'unknown step "nip"'),
        (("--only", "1", "--blank-form"), 2, "give one of --only, --card and --blank-form"),
        (("--logo", "absent.png"), 2, "--logo: expected a PNG or JPEG file, got absent.png"),
        (("--card", "closing", "-o", "no/such.pdf"), 4, "no/such.pdf cannot be written: there is no folder no"),
    ],
)
def test_what_cannot_be_printed_is_refused_and_nothing_is_left(arguments, code, message):
    assert run("sheets", "slipway-six", *arguments, code=code).startswith(message)
    assert not list(Path().iterdir())


def test_cards_and_the_blank_form_are_single_documents():
    engine = packaged("slipway-six")
    for card, wanted in (
        ("magneto", "Magneto card: winch"),
        ("handover", "Hand-over card"),
        ("closing", "Final sign-off"),
    ):
        path = run("sheets", "slipway-six", "--card", card)
        (page,) = pages_of(Path(path).read_bytes())
        assert wanted in page
    path = run("sheets", "slipway-six", "--blank-form", "--paper", "letter")
    (page,) = pages_of(Path(path).read_bytes())
    assert [float(side) for side in PdfReader(path).pages[0].mediabox[2:]] == pytest.approx([612, 792])
    # every column has the name of a key of its table of the file
    form = sheets.blocks(a_work(engine), sheetdata.Sheet(), None, True, (), {})
    tables = [inner for block in form for inner in (block, *block.get("blocks", ())) if inner["kind"] == "table"]
    of_table = {
        "valve_events": ValveEventKeys, "points_breaks": BreakKeys, "stops": StopKeys, "sights": SightKeys
    }  # fmt: skip
    assert len(tables) == len(of_table)
    for each, keys in zip(tables, of_table.values(), strict=True):
        # a length may be given in inches too, under a name that ends so
        heads = {re.sub("_in$", "_mm", head.split(",")[0]) for head in each["head"]}
        assert heads <= set(keys.fields())
    assert run("sheets", "slipway-six", "--blank-form", "-o", path, code=4) == f"{path} exists; --force overwrites it"


def test_the_logo_is_the_only_raster():
    Image.new("RGB", (60, 30), "#0072B2").save("logo.png")
    logo = sheets._logo(Path("logo.png"))
    with pikepdf.open(io.BytesIO(without_figures(a_work(packaged("slipway-six")), sheetdata.Sheet(logo=logo)))) as pdf:
        images = [each for each in pdf.objects if isinstance(each, pikepdf.Stream) and each.get("/Subtype") == "/Image"]
        assert [(int(each.Width), int(each.Height)) for each in images] == [(60, 30)]


def test_the_folder_holds_the_same():
    run("sheets", "slipway-six", "--only", "a-home", "--folder", "-o", "parts")
    told = json.loads(Path("parts/pack.json").read_text())
    (figure,) = [block for block in told["blocks"] if block["kind"] == "figure"]
    root = ET.fromstring(Path("parts", figure["file"]).read_bytes())
    assert root.get("width") == f"{figure['width']:g}mm"
    groups = [title.text for title in root.iter("{http://www.w3.org/2000/svg}title")]
    for number, name in figure["items"]:
        assert f"callout {number}: {name}" in groups
    assert run("sheets", "slipway-six", "--only", "a-home", "--folder", "-o", "parts", code=4).startswith(
        "parts exists"
    )


def test_a_figure_too_small_for_callouts_is_drawn_without():
    engine = packaged("slipway-six")
    steps = play(engine).steps
    figure = sheets.step_figure(Store(engine), steps, steps[1], (90.0, 40.0))
    assert not figure.items
    assert "piston A1" in figure.alt
    assert 'width="90mm" height="40mm"' in figure.svg


def test_the_packs_own_sentences_keep_the_rules():
    """At most 20 words a sentence; no form in -ing but names; nothing vague."""
    names = {"ring", "reading", "locking", "running", "timing", "coupling"}
    for text in sheetwords.SENTENCES:
        for sentence in re.split(r"(?<=[.:”])\s+(?=[A-Z])", text):
            words = re.findall(r"[\w’'-]+", sentence)
            assert len(words) <= 20, sentence
            assert all(word.lower() in names for word in words if word.endswith("ing")), sentence
            assert not re.search(r"\b(properly|as required|make sure|ensure|should|may|etc)\b", sentence), sentence


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_short_list_of_readings_stands_with_the_signatures(paper):
    """In-line three without a magneto: the last round has so few readings that they are not parted."""
    six = in_line_six()
    three = replace(
        six,
        firing_order=("A1", "A2", "A3"),
        banks=(replace(six.banks[0], cylinders=3),),
        couplings=six.couplings[:1],
        trains=six.trains[:2],
        magnetos=(),
        setup=setup_of([("A", "A1", "inlet opens")], []),
    )
    job = a_work(build(three))
    pages = pages_of(without_figures(job, sheetdata.Sheet(paper=paper)))
    step = next(each for each in job.played.steps if each.readings)
    signed = page_of(pages, f"Step {step.number} Fitter")
    assert signed.count("Acceptance zone") == 1, "one table"
    assert "Left at a stop" in signed


@pytest.mark.slow
@settings(max_examples=6, deadline=None)
@given(engines())
def test_the_pack_of_any_engine_can_be_set(engine):
    pages = pages_of(without_figures(a_work(engine)))
    text = " ".join(pages)
    for name, coupling in engine.couplings.items():
        assert f"{coupling.data.driving_teeth} {coupling.data.driven_teeth}" in text, name
    for step in play(engine).steps:
        assert f"Step {step.number} of " in text


@pytest.mark.parametrize("name", packaged_names())
def test_who_takes_over_is_told_what_is_held(name):
    """From where a shaft is at its place until its quill or sleeve is home, it is held and the crank is not turned;
    elsewhere the cells are left to be filled: no dash may pass for "nothing is held"."""
    steps = play(packaged(name)).steps
    by_job = {}
    for step in steps:
        by_job.setdefault(step.job, []).append(step.key)
    seen = 0
    for step in steps:
        _, _, _, held, _, still = sheetdata.hand_over(step)[0]["rows"][0]
        keys = by_job[step.job]
        set_at = next((n for n, key in enumerate(keys) if key.endswith(("-nip", "-break"))), None)
        home_at = next((n for n, key in enumerate(keys) if key.endswith("-home")), None)
        between = set_at is not None and set_at <= keys.index(step.key) < home_at
        assert held == (step.job if between else ""), step.key
        assert still == "crankshaft" or not between, step.key
        assert not still or step.job != "finish", "the crank goes from valve to valve there"
        seen += between
    assert seen >= 4


@pytest.mark.parametrize("name", packaged_names())
def test_teeth_are_counted_when_they_can_be_seen(name):
    """Before the coupling is drawn in the first step, at the tooth that fits where it is tried, and when it is home."""
    found, key = {}, ""
    for page in read_back(name):
        key = next(iter(re.findall(r"Step (\S+)\. Crank", page)), key)  # a step may take a second page
        for told in (sheetwords.PAINT, sheetwords.PAINT_FITS, sheetwords.PAINT_HOME):
            if told in page:
                found.setdefault(told, []).append(key)
    keys = [step.key for step in play(packaged(name)).steps]
    assert found[sheetwords.PAINT] == ["safe"]
    assert found[sheetwords.PAINT_FITS] == [key for key in keys if key.endswith("-try")]
    assert found[sheetwords.PAINT_HOME] == [key for key in keys if key.endswith("-home")]


@pytest.mark.parametrize("count", [0, 1, 3])
def test_the_pack_tells_only_of_what_the_engine_has(count):
    """In line: no banks to part; magnetos, their leads and sleeves as many as there are; no word said twice."""
    job = a_work(build(six_with(count)))
    asked = {"blank_form": False, "chosen": (), "drawn": {}}
    made = sheets.blocks(job, sheetdata.Sheet(), card=None, **asked)
    texts = [
        *sheetblocks.texts(made),
        *sheetblocks.texts(sheets.blocks(job, sheetdata.Sheet(), card="closing", **asked)),
    ]
    told = "\n".join(texts)
    parted = [found for text in texts for found in re.findall(r"Different people set the [^.]+\.", text)]
    assert set(parted) == ({"Different people set the three magnetos."} if count == 3 else set())
    assert not re.search(r"\b(\w+) \1\b", told), re.findall(r"\b(\w+) \1\b", told)
    of_magnetos = re.compile("magneto|plug leads|and leads|points|spark|sleeve|earth|switch", re.IGNORECASE)
    if count == 0:
        assert not [text for text in texts if of_magnetos.search(text)]
        assert "quills, 1 in all" in texts
    else:
        assert f"quills and sleeves, {count + 1} in all" in texts
        assert "plug leads rung out, both ends" in texts


@pytest.mark.parametrize("count", [0, 1, 2, 3])
def test_the_briefing_tells_only_of_what_the_engine_has(count):
    text = briefing(build(six_with(count)), None, with_figures=False)
    told = re.sub(r"<style>.*?</style>|<script.*?</script>|<[^>]+>", "\n", text, flags=re.DOTALL)
    assert ("Between the magnetos" in told) == (count > 1)
    wanted = ("Plug-lead chart", "Low-resistance meter", "sparks", "Distributor finger", "magneto")
    assert [word in told for word in wanted] == [count > 0] * len(wanted)
