"""Pictures and films as files, by the commands that a user types."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import av
import pytest
from PIL import Image
from typer.testing import CliRunner

from quillwise.kinematics.errors import GraphicsError, RequestError
from quillwise.kinematics.sequence import play
from quillwise.scenes.library import engine as packaged
from quillwise.viz import gallery, graphics
from quillwise.viz.cli import app
from quillwise.viz.reel import frame_counts

runner = CliRunner()


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(*arguments: str) -> tuple[int, str, str]:
    result = runner.invoke(app, list(arguments))
    return result.exit_code, result.stdout, result.stderr


def test_draw_one_step_with_its_resolution(elsewhere: Path) -> None:
    code, out, _ = run("draw", "--step", "a-nip", "--size", "900x560", "--dpi", "60")
    assert (code, out) == (0, "larkfell-port-08-a-nip.png\n")
    with Image.open(elsewhere / "larkfell-port-08-a-nip.png") as picture:
        assert picture.size == (900, 560)
        assert picture.info["dpi"] == pytest.approx((60, 60), abs=0.01)


def test_sizes_in_millimetres(elsewhere: Path) -> None:
    code, _, _ = run(
        "draw", "--view", "left", "--width-mm", "127", "--height-mm", "76.2", "--dpi", "100", "-o", "x.png"
    )
    assert code == 0
    with Image.open(elsewhere / "x.png") as picture:
        assert picture.size == (500, 300)  # 5 × 3 inches of 25.4 mm


@pytest.mark.slow
def test_transparent_ground(elsewhere: Path) -> None:
    code, _, _ = run("draw", "--crank", "100", "--transparent", "--size", "400x300", "-o", "x.png")
    assert code == 0
    with Image.open(elsewhere / "x.png") as picture:
        assert picture.mode == "RGBA"
        assert picture.getpixel((0, 0))[3] == 0
        assert picture.getextrema()[3] == (0, 255)


def test_the_same_command_gives_the_same_bytes(elsewhere: Path) -> None:
    for name in ("x.png", "y.png"):
        assert run("draw", "--step", "b-try", "--size", "800x500", "--dpi", "55", "-o", name)[0] == 0
    assert (elsewhere / "x.png").read_bytes() == (elsewhere / "y.png").read_bytes()


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("draw", "--size", "10x10"), "expected sides from 64 to 12000 pixels, got 10 × 10"),
        (("draw", "--size", "big"), 'expected a size such as 1600x1000, got "big"'),
        (("draw", "--dpi", "5"), "--dpi: expected a number from 30 to 1200, got 5"),
        (("draw", "--width-mm", "100"), "give --width-mm and --height-mm together"),
        (("draw", "--step", "1", "--crank", "3"), "give --step or --crank, not both"),
        (("draw", "--line", "--step", "1", "--crank", "3"), "give --step or --crank, not both"),
        (("draw", "--format", "pdf"), "--format is for --line; a shaded picture is written as PNG"),
        (
            ("draw", "--line", "--transparent"),
            "--transparent, --width-mm and --height-mm are not for --line; --paper gives its size",
        ),
        (
            ("draw", "--line", "--width-mm", "90", "--height-mm", "60"),
            "--transparent, --width-mm and --height-mm are not for --line; --paper gives its size",
        ),
        (("draw", "--crank", "nan"), "--crank: expected degrees from -1e+06 to 1e+06, got nan"),
        (
            ("draw", "--view", "rigth"),
            'unknown view "rigth"; defined: wheelcase end, output end, left, right, top, three-quarter '
            "(did you mean right?)",
        ),
        (("film", "--fps", "0"), "--fps: expected a number from 1 to 60, got 0"),
        (("film", "--seconds", "0"), "--seconds: expected a number from 1 to 600, got 0"),
        (("film", "--cycle", "--step", "1"), "give --step or --cycle, not both"),
    ],
)
def test_bad_input_is_one_sentence_and_nothing_written(
    arguments: tuple[str, ...], sentence: str, elsewhere: Path
) -> None:
    code, out, err = run(*arguments)
    assert (code, out, err) == (2, "", f"{sentence}\n")
    assert list(elsewhere.iterdir()) == []


def test_nothing_is_overwritten_without_force(elsewhere: Path) -> None:
    (elsewhere / "x.png").write_text("mine")
    code, _, err = run("draw", "--step", "1", "-o", "x.png")
    assert (code, err) == (4, "x.png exists; --force overwrites it\n")
    assert (elsewhere / "x.png").read_text() == "mine"
    assert [path.name for path in elsewhere.iterdir()] == ["x.png"]


def test_film_of_a_step(elsewhere: Path) -> None:
    code, out, _ = run("film", "--step", "a-home", "--seconds", "2", "--fps", "10", "--size", "480x270")
    assert (code, out) == (0, "larkfell-port-a-home.mp4: 20 pictures, 2.0 s\n")
    with av.open(str(elsewhere / "larkfell-port-a-home.mp4")) as film:
        frames = [frame.to_ndarray(format="rgb24") for frame in film.decode(video=0)]
    assert (elsewhere / "larkfell-port-a-home.vtt").read_text().startswith("WEBVTT\n")
    assert sorted(path.suffix for path in elsewhere.iterdir()) == [".mp4", ".vtt"]
    assert len(frames) == 20
    assert frames[0].shape == (270, 480, 3)
    assert abs(frames[0].astype(int) - frames[-1].astype(int)).max() > 60


def test_gif_of_a_cycle(elsewhere: Path) -> None:
    code, out, _ = run(
        "film", "--cycle", "--format", "gif", "--seconds", "1.2", "--fps", "10", "--size", "320x200", "-o", "c.gif"
    )
    assert (code, out) == (0, "c.gif: 12 pictures, 1.2 s\n")
    with Image.open(elsewhere / "c.gif") as film:
        assert film.n_frames == 12
        assert film.info["duration"] == 100


@pytest.mark.slow
def test_a_gif_of_a_full_cycle_is_small_enough_to_send(elsewhere: Path) -> None:
    """72 pictures of 640 × 360 in less than 8 MB."""
    code, _, err = run(
        "film", "--cycle", "--format", "gif", "--seconds", "6", "--fps", "12", "--size", "640x360", "-o", "c.gif"
    )
    assert code == 0, err
    with Image.open(elsewhere / "c.gif") as film:
        assert (film.n_frames, film.size) == (72, (640, 360))
    assert (elsewhere / "c.gif").stat().st_size < 8_000_000


def test_captions_that_stand_there_stop_a_film_before_it_is_drawn(elsewhere: Path) -> None:
    (elsewhere / "x.vtt").write_text("mine")
    code, _, err = run("film", "--step", "1", "-o", "x.mp4")
    assert (code, err) == (4, "x.vtt exists; --force overwrites it\n")
    assert [path.name for path in elsewhere.iterdir()] == ["x.vtt"]


def test_frame_counts_fill_the_time() -> None:
    steps = play(packaged("larkfell-port")).steps
    counts = frame_counts(steps, 40.0, 15)
    assert sum(counts) == 600
    assert min(counts) >= 1
    assert min(frame_counts(steps, 0.1, 1)) == 1, "every step is seen, however short the film"


def test_size_parser() -> None:
    assert gallery.parse_size("1600x1000") == gallery.parse_size("1600 × 1000") == (1600, 1000)
    with pytest.raises(RequestError):
        gallery.parse_size("1e9x4")


@pytest.mark.slow
def test_show_without_a_display_writes_pictures_and_film_and_numbers_the_folder(elsewhere: Path) -> None:
    environment = {name: value for name, value in os.environ.items() if name != "DISPLAY"}
    for folder in ("larkfell-port-steps", "larkfell-port-steps-2"):
        done = subprocess.run(
            [sys.executable, "-m", "quillwise.viz.cli", "show"],
            cwd=elsewhere,
            env=environment,
            capture_output=True,
            text=True,
            timeout=400,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        assert done.stderr.startswith("There is no display")
        files = sorted(path.name for path in (elsewhere / folder).iterdir())
        assert len([name for name in files if name.endswith(".png")]) == 29
        assert "larkfell-port-preview.mp4" in files
        assert "larkfell-port-briefing.html" in files
    with av.open(str(elsewhere / "larkfell-port-steps" / "larkfell-port-preview.mp4")) as film:
        stream = film.streams.video[0]
        assert (stream.width, stream.height, stream.frames, stream.average_rate) == (854, 480, 600, 15)


@pytest.mark.slow
def test_show_without_opengl_writes_the_page_and_line_drawings(
    elsewhere: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The probe answers as it does on a machine that has no OpenGL library; all else is real."""

    def none() -> None:
        raise GraphicsError(graphics.NO_OPENGL)

    monkeypatch.setattr(graphics, "probe", none)
    result = CliRunner().invoke(app, ["show", "slipway-six"], prog_name="quillwise")
    assert result.exit_code == 0, result.output
    assert result.stderr.startswith("No OpenGL library works here")
    assert "libosmesa6" in result.stderr
    folder = elsewhere / "slipway-six-steps"
    steps = play(packaged("slipway-six")).steps
    assert len(list(folder.glob("*.svg"))) == len(steps)
    assert (folder / "slipway-six-briefing.html").read_text().startswith("<!doctype html>")
