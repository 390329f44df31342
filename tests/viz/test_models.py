"""The command models: three formats of one engine, read back by others, agree in sizes; bad requests are told."""

from __future__ import annotations

import io
import xml.etree.ElementTree as ElementTree
import zipfile
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
import trimesh
from typer.testing import CliRunner

from quillwise.kinematics.assembly import Engaged
from quillwise.kinematics.couplings import early_deg
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import parse_mistake
from quillwise.scenes import library
from quillwise.viz import cli

CORE = "{http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"
ENGINE = "slipway-six"


@pytest.fixture(autouse=True)
def in_its_own_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def run(*arguments: str, code: int = 0) -> str:
    result = CliRunner().invoke(cli.app, ["models", *arguments], prog_name="quillwise")
    assert result.exit_code == code, result.output
    return result.stderr if code else result.stdout


def objects(data: bytes) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Corners (V, 3) and triangles (F, 3) by name, by the 3MF core specification."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        assert archive.testzip() is None
        root = ElementTree.fromstring(archive.read("3D/3dmodel.model"))
    assert root.get("unit") == "millimeter"
    found = {}
    for each in root.iter(f"{CORE}object"):
        corners = [[float(v.get(axis)) for axis in "xyz"] for v in each.iter(f"{CORE}vertex")]
        faces = [[int(t.get(f"v{i}")) for i in (1, 2, 3)] for t in each.iter(f"{CORE}triangle")]
        found[each.get("name")] = np.array(corners), np.array(faces)
    built = [int(item.get("objectid")) for item in root.iter(f"{CORE}item")]
    assert built == list(range(1, len(found) + 1))
    return found


@pytest.mark.slow
def test_three_formats_agree_in_size(tmp_path):
    for kind in ("glb", "stl", "3mf"):
        run(ENGINE, "--format", kind)
    stl = trimesh.load(tmp_path / "slipway-six-mm.stl")
    bodies = objects((tmp_path / "slipway-six.3mf").read_bytes())
    glb = trimesh.load(tmp_path / "slipway-six.glb")
    assert set(bodies) == {str(part) for part in library.engine(ENGINE).parts}
    corners = np.vstack([points for points, _ in bodies.values()])
    low, high = corners.min(axis=0), corners.max(axis=0)
    assert stl.bounds == pytest.approx(np.array([low, high]), abs=1e-3)
    glb_low, glb_high = glb.bounds * 1000  # metres, +Y up: (x, z, −y)
    paint_mm = 1.0  # index marks stand proud, and are in the GLB alone
    assert glb_low == pytest.approx([low[0], low[2], -high[1]], abs=paint_mm)
    assert glb_high == pytest.approx([high[0], high[2], -low[1]], abs=paint_mm)


def test_each_edge_of_a_3mf_body_has_two_triangles():
    run(ENGINE, "--format", "3mf", "--output", "six.3mf")
    for name, (_, faces) in objects(Path("six.3mf").read_bytes()).items():
        edges = Counter(tuple(sorted((f[i], f[(i + 1) % 3]))) for f in faces.tolist() for i in range(3))
        assert set(edges.values()) == {2}, name


def test_a_part_stands_where_the_crank_puts_it():
    """Slider-crank x = r cos θ + √(l² − r² sin² θ) (vcalc.com, "position of the piston", published)."""
    engine = library.engine("larkfell-port")
    crank = engine.sheet.crank
    assert crank.gudgeon_offset_mm == 0.0
    assert engine.sheet.firing_order[0] == "A1"
    middle = {}
    for angle in ("0", "90"):
        name = f"{angle}.stl"
        run("larkfell-port", "--format", "stl", "--part", "piston A1", "--crank", angle, "-o", name)
        middle[angle] = trimesh.load(name).vertices.mean(axis=0)
    radius, rod = crank.stroke_mm / 2, crank.rod_length_mm
    moved = np.linalg.norm(middle["0"] - middle["90"])
    assert moved == pytest.approx(radius + rod - np.sqrt(rod**2 - radius**2), abs=1e-3)


def test_a_wrong_tooth_is_in_the_file_by_its_angle():
    engine = library.engine(ENGINE)
    coupling = next(iter(engine.couplings.values()))
    mistake = f"other-tooth:{coupling.name}=+2"
    mate = f"coupling mate {coupling.name} driven"
    run(ENGINE, "--format", "stl", "--part", mate, "-o", "right.stl")
    run(ENGINE, "--format", "stl", "--part", mate, "--mistake", mistake, "-o", "wrong.stl")
    shaft = engine.shafts[coupling.driven]
    axes = np.stack([shaft.zero, np.cross(shaft.axis, shaft.zero)])
    one, other = ((trimesh.load(name).vertices - shaft.point) @ axes.T @ [1, 1j] for name in ("right.stl", "wrong.stl"))
    turned = np.degrees(np.angle(np.sum(other * one.conj())))
    early = []
    for mistakes in ((), (parse_mistake(engine, mistake),)):
        now = play(engine, mistakes).as_set.engagements[coupling.name]
        assert isinstance(now, Engaged)
        early.append(float(early_deg(coupling.data, now.driving_teeth, now.driven_teeth)))
    assert abs(early[1] - early[0]) > 0.1
    assert turned == pytest.approx(shaft.sense * (early[1] - early[0]), abs=0.01)


def test_the_same_request_gives_the_same_bytes(tmp_path):
    for kind in ("stl", "3mf"):
        for name in ("one", "two"):
            run(ENGINE, "--format", kind, "--part", "piston A1", "-o", name, "--force")
        assert (tmp_path / "one").read_bytes() == (tmp_path / "two").read_bytes()


def test_parts_are_listed():
    listed = run(ENGINE, "--parts").splitlines()
    assert listed == [str(part) for part in library.engine(ENGINE).parts]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--part", "piston A9"), 'unknown part "piston A9" (did you mean piston A6?); --parts lists all '),
        (("--crank", "20"), "--crank is for stl and 3mf; a glb holds every angle of the cycle"),
        (("--crank", "nan", "--format", "stl"), "--crank: expected degrees from -1e+06 to 1e+06, got nan"),
    ],
)
def test_bad_requests(arguments, message, tmp_path):
    assert run(ENGINE, *arguments, code=2).startswith(message)
    assert not list(tmp_path.iterdir())


def test_nothing_is_overwritten_unasked(tmp_path):
    kept = tmp_path / "mine.stl"
    kept.write_text("kept")
    asked = (ENGINE, "--format", "stl", "--part", "piston A1", "-o", "mine.stl")
    assert "exists; --force overwrites it" in run(*asked, code=4)
    assert kept.read_text() == "kept"
    run(*asked, "--force")
    assert trimesh.load(kept).volume > 0
