"""draw --line: files in three formats, their sizes, the same bytes, wrong requests; no OpenGL is loaded."""

from __future__ import annotations

import io
import subprocess
import sys
from pathlib import Path

import pikepdf
import pytest
from PIL import Image
from typer.testing import CliRunner

from quillwise.viz import cli


@pytest.fixture(autouse=True)
def in_its_own_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def run(*arguments: str, code: int = 0) -> str:
    result = CliRunner().invoke(cli.app, ["draw", "slipway-six", "--line", *arguments], prog_name="quillwise")
    assert result.exit_code == code, result.output
    return (result.stderr if code else result.stdout).strip()


def test_three_formats():
    for kind in ("svg", "pdf", "png"):
        assert (
            run("--view", "wheelcase end", "--crank", "30", "--format", kind) == f"slipway-six-wheelcase-end-30.{kind}"
        )
    drawn = Path("slipway-six-wheelcase-end-30.svg").read_bytes()
    assert b'width="297mm" height="210mm"' in drawn
    with pikepdf.open("slipway-six-wheelcase-end-30.pdf") as pdf:
        (sheet,) = pdf.pages
        assert [float(side) / 72 * 25.4 for side in list(sheet.MediaBox)[2:]] == pytest.approx([297, 210], abs=0.2)
        assert any("DejaVuSans" in str(font.BaseFont) for font in _fonts(pdf))
        assert not _images(pdf), "no raster in a line drawing"
    with Image.open("slipway-six-wheelcase-end-30.png") as picture:
        assert picture.size == pytest.approx((297 / 25.4 * 110, 210 / 25.4 * 110), abs=2)


@pytest.mark.parametrize("name", ["one.svg", "one.PDF", "one.png", "one"])
def test_the_name_of_the_output_says_the_format(name):
    run("--view", "wheelcase end", "--paper", "60x40", "-o", name)
    starts = {".svg": b"<?xml", ".PDF": b"%PDF-", ".png": b"\x89PNG", "": b"<?xml"}[Path(name).suffix]
    assert Path(name).read_bytes().startswith(starts)


def _fonts(pdf):
    return [each for each in pdf.objects if isinstance(each, pikepdf.Dictionary) and "/BaseFont" in each]


def _images(pdf):
    return [each for each in pdf.objects if isinstance(each, pikepdf.Stream) and each.get("/Subtype") == "/Image"]


@pytest.mark.slow
def test_the_same_request_gives_the_same_bytes():
    for kind in ("svg", "pdf"):
        made = []
        for _ in range(2):
            run("--step", "8", "--format", kind, "--paper", "A5", "-o", "one", "--force")
            made.append(Path("one").read_bytes())
        assert made[0] == made[1]
    assert io.BytesIO(made[0]).read(5) == b"%PDF-"


def test_as_found_beside_as_intended():
    """Mistaken teeth: what stands elsewhere is there in phantom lines too; without a mistake nothing is."""
    right = Path(run("-o", "right.svg")).read_text()
    wrong = Path(run("-o", "wrong.svg", "--mistake", "other-tooth:quill=+4")).read_text()
    phantom = 'stroke-dasharray="6 0.75 0.125 0.75 0.125 0.75"'
    assert phantom not in right
    assert phantom in wrong


def test_no_opengl_is_loaded():
    code = "from quillwise.viz.cli import app\nimport sys\n"
    code += "app(['draw', 'slipway-six', '--line'], standalone_mode=False)\n"
    code += "assert not {'pyvista', 'vtkmodules', 'vtk'} & set(sys.modules)"
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--paper", "A9"), "--paper: expected A5, A4, A3, letter, or WxH in mm from 40 to 2000, got"),
        (("--view", "below"), 'unknown view "below"; defined: '),
        (
            ("--step", "8", "--hidden"),
            "--hidden and --perspective are for a view of the whole, not for a step's figure",
        ),
        (("-o", "a.png", "--format", "svg"), "a.png: the name ends with .png, and --format asks for svg"),
        (("-o", "a.gif"), "a.gif: the name ends with .gif; expected svg, pdf, png"),
        (("--step", "nip"), 'unknown step "nip"; defined: '),
    ],
)
def test_wrong_requests(arguments, message):
    assert run(*arguments, code=2).startswith(message)
    assert not list(Path().iterdir())


@pytest.mark.parametrize(
    ("given", "message"),
    [
        (("draw", "slipway-six", "--step", "1"), "a shaded picture is written as PNG; SVG and PDF are for --line"),
        (("film", "slipway-six"), "the name ends with .pdf; expected mp4, gif"),
        (("models", "slipway-six"), "the name ends with .pdf; expected glb, stl, 3mf"),
        (("brief", "slipway-six"), "the name ends with .pdf; expected html"),
    ],
)
def test_no_file_bears_the_name_of_another_format(given, message):
    result = CliRunner().invoke(cli.app, [*given, "-o", "one.pdf"])
    assert result.exit_code == 2
    assert result.stderr.strip().endswith(f"one.pdf: {message}")
    assert not Path("one.pdf").exists()
