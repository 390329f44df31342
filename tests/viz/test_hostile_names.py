"""Names that are markup somewhere, through every output: they are shown as they are typed, and nothing obeys them."""

from __future__ import annotations

import copy
import json
import struct
import zipfile
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import mutations
import pikepdf
import pytest
import trial

from quillwise.scenes import library

# closes a script, an attribute and a CDATA section; commands of Rich, Typst, a shell, a format string
NAME = '</script><img src=x onerror=a()>"\'&]]>[red]x[/red]#eval("1")$(ls){0}%s\\n--><b>'
SHORT = "<i>&\"'[b]q[/b]"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The slipway six with such names wherever a name is free."""
    trees = copy.deepcopy(dict(mutations.donor(library.find("slipway-six"), trial.SCENE_FILES).files))
    engine, setup = trees["engine.toml"], trees["setup.toml"]
    engine["name"], engine["about"] = NAME[:80], NAME * 3
    engine["couplings"] = {f"{name} {SHORT}": value for name, value in engine["couplings"].items()}
    for train in engine["trains"]:
        if train["drives"] == "winch magneto":
            train["drives"] = f"{SHORT} magneto"
        for stage in train["stages"]:
            if "coupling" in stage:
                stage["coupling"] += f" {SHORT}"
    engine["magnetos"][0] |= {"name": SHORT, "plugs": SHORT}
    for step in setup["steps"]:
        if "magneto" in step:
            step["magneto"] = SHORT
    made = tmp_path_factory.mktemp("names") / "a & b <i> 'c'"
    made.mkdir()
    for name, tree in trees.items():
        (made / name).write_text(mutations.written(tree), "utf-8")
    return made


def done(*given: str) -> str:
    code, out, errors = trial.run("--quiet", *given)
    assert (code, errors) == (0, "")
    return out


def test_the_terminal(folder: Path) -> None:
    told = done("validate", str(folder))
    assert "[red]x[/red]" in told and f"quill {SHORT} 22/23" in told
    assert SHORT in done("events", str(folder))
    assert f"quill {SHORT}" in done("vernier", f"quill {SHORT}", str(folder))
    assert SHORT in done("rehearse", str(folder))


def test_json(folder: Path) -> None:
    found = json.loads(done("validate", str(folder), "--json"))
    assert found["engine"] == NAME[:80]
    assert found["magnetos"] == [SHORT]
    assert [each["name"] for each in found["couplings"]] == [f"quill {SHORT}", f"sleeve {SHORT}"]


class _Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: set[str] = set()
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes |= {name for name, _ in attrs}

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def _page(engine: str, path: Path) -> _Tags:
    done("brief", engine, "--without-figures", "-o", str(path))
    parser = _Tags()
    parser.feed(path.read_text("utf-8"))
    return parser


def test_html(folder: Path, tmp_path: Path) -> None:
    hostile, plain = _page(str(folder), tmp_path / "a.html"), _page("slipway-six", tmp_path / "b.html")
    for tag in ("script", "img", "i", "b"):
        assert hostile.tags.count(tag) == plain.tags.count(tag)
    assert not any(name.startswith("on") for name in hostile.attributes - plain.attributes)
    assert any(NAME[:80] in text for text in hostile.text)
    assert any(SHORT in text for text in hostile.text)


def test_svg_and_pdf(folder: Path, tmp_path: Path) -> None:
    steps = json.loads(done("rehearse", str(folder), "--json"))["steps"]
    step = str(next(each["number"] for each in steps if each["title"].startswith("Hold the")))
    done("draw", str(folder), "--line", "--step", step, "-o", str(tmp_path / "a.svg"))
    root = ElementTree.fromstring((tmp_path / "a.svg").read_bytes())
    assert not {"script", "a", "image", "foreignObject", "i", "b"} & {each.tag.split("}")[1] for each in root.iter()}
    assert not any(name.startswith("on") or "href" in name for each in root.iter() for name in each.attrib)
    assert SHORT in "".join(root.itertext())
    done("draw", str(folder), "--line", "--step", step, "--format", "pdf", "-o", str(tmp_path / "a.pdf"))
    with pikepdf.open(tmp_path / "a.pdf") as document:
        assert str(document.docinfo["/Title"]) == root[0].text
        assert "/OpenAction" not in document.Root and "/AA" not in document.Root and "/Names" not in document.Root
        assert all("/Annots" not in page for page in document.pages)


def test_models(folder: Path, tmp_path: Path) -> None:
    part = next(line for line in done("models", str(folder), "--parts").splitlines() if SHORT in line)
    done("models", str(folder), "--part", part, "-o", str(tmp_path / "a.glb"))
    data = (tmp_path / "a.glb").read_bytes()
    (length,) = struct.unpack_from("<I", data, 12)
    assert part in {node.get("name") for node in json.loads(data[20 : 20 + length])["nodes"]}
    done("models", str(folder), "--part", part, "--format", "3mf", "-o", str(tmp_path / "a.3mf"))
    with zipfile.ZipFile(tmp_path / "a.3mf") as archive:
        model = ElementTree.fromstring(archive.read(next(n for n in archive.namelist() if n.endswith(".model"))))
    assert NAME[:80] in {each.text for each in model.iter()}


ESCAPES = "\x1b]0;owned\x07\x1b[2J\u202e"


@pytest.mark.parametrize(
    "given",
    [
        ["validate", ESCAPES],
        ["validate", f"./{ESCAPES}"],
        ["vernier", ESCAPES],
        ["rehearse", "slipway-six", "--step", ESCAPES],
        ["rehearse", "slipway-six", "--fault", ESCAPES],
        ["events", "slipway-six", "--mistake", ESCAPES],
        ["draw", "slipway-six", "--view", ESCAPES],
        ["draw", "slipway-six", "--line", "--paper", ESCAPES],
        ["draw", "slipway-six", "--size", ESCAPES],
        ["draw", "slipway-six", "--size", "640x480", "--dpi", "50", "-o", ESCAPES],
        ["models", "slipway-six", "--part", ESCAPES],
        ["models", "slipway-six", "--part", "piston A1", "--format", "stl", "-o", ESCAPES],
        ["diagnose", ESCAPES],
        ["diagnose", "--blank", "slipway-six", "-o", ESCAPES],
        ["new", ESCAPES],
        [ESCAPES],
        ["events", f"--{ESCAPES}"],
        ["draw", "--format", ESCAPES],
        ["film", "--fps", ESCAPES],
    ],
    ids=lambda given: " ".join(word for word in given if word.isprintable()) or "none",
)
def test_escape_sequences_are_shown_and_not_obeyed(
    given: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    code, out, errors = trial.run("--quiet", *given)
    assert code in (2, 4)
    assert not [char for char in out + errors if not (char.isprintable() or char == "\n")]
    assert list(tmp_path.iterdir()) == []
