"""The first cause as a picture: what is drawn is what the cause's cure would bring back."""

from __future__ import annotations

import json

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from quillwise.kinematics.angles import wrapped
from quillwise.kinematics.assembly import intended
from quillwise.kinematics.branches import leaves_behind
from quillwise.kinematics.cures import cured, uncured
from quillwise.kinematics.errors import GraphicsError
from quillwise.kinematics.motion import motion
from quillwise.kinematics.poses import poses
from quillwise.kinematics.readings import Cause, Cure
from quillwise.kinematics.rig import rig
from quillwise.kinematics.timing import early_crank_deg
from quillwise.scenes.library import engine as packaged
from quillwise.scenes.library import names
from quillwise.viz import cli, found, graphics, palette

SCENES = {name: packaged(name) for name in names()}


def cause(**what) -> Cause:
    return Cause(
        name="a cause made by hand", parts=("one",), kinds=("wrong tooth",), probability=0.5, cure=Cure(do=(), **what)
    )


@pytest.mark.parametrize("scene", SCENES)
def test_the_cure_of_what_is_drawn_gives_the_intended_assembly(scene):
    engine = SCENES[scene]
    coupling, mesh = next(iter(engine.couplings)), next(iter(engine.meshes))
    valve, magneto = next(iter(engine.valves)), next(iter(engine.magnetos))
    clearance, gap = engine.valves[valve].data.checking_clearance_mm, engine.magnetos[magneto].data.points_gap_mm
    cure = Cure(
        do=(),
        moves={coupling: (2, -1)},
        meshes={mesh: 1},
        clearances_mm={valve: clearance},
        gaps_mm={magneto: gap},
        found_mm={valve: 0.11, magneto: 0.22},
    )
    as_found = uncured(engine, cure)
    assert as_found.clearances_mm[valve] == 0.11 and as_found.points_gaps_mm[magneto] == 0.22
    back, right = cured(engine, as_found, cure), intended(engine)
    assert back.engagements == right.engagements
    assert back.clearances_mm == right.clearances_mm and back.points_gaps_mm == right.points_gaps_mm
    assert set(back.mesh_teeth.values()) <= {0}


@pytest.mark.parametrize("scene", SCENES)
@pytest.mark.parametrize("teeth", [(1, 0), (0, 3), (-2, -2)])
def test_the_angle_that_is_drawn_is_that_between_the_poses(scene, teeth):
    """Of every coupling: the part's matrix as found is that as intended, turned about its shaft by the stated angle."""
    engine = SCENES[scene]
    chains = rig(engine)
    for name in engine.couplings:
        of = cause(moves={name: teeth})
        drawn = found.aspects(engine, of)
        assert len(drawn) >= 1
        for aspect in drawn:
            assert aspect.turned is not None
            part, shaft, angle = aspect.turned
            states = [
                motion(engine, assembly, aspect.crank_deg[0])
                for assembly in (uncured(engine, of.cure), intended(engine))
            ]
            there, right = (poses(chains, state, [part])[part][0] for state in states)
            turn = there[:3, :3] @ right[:3, :3].T
            axis = np.asarray(engine.shafts[shaft].axis)
            sine = np.array([turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]]) @ axis / 2
            seen = float(np.degrees(np.arctan2(sine, (np.trace(turn) - 1) / 2)))
            assert float(wrapped(seen - angle)) == pytest.approx(0.0, abs=1e-6)
        leaf = leaves_behind(engine, name)[0]
        early = early_crank_deg(engine, uncured(engine, of.cure), leaf) - early_crank_deg(
            engine, intended(engine), leaf
        )
        assert f"{abs(early):.1f} crank degrees {'early' if early > 0 else 'late'}" in drawn[0].words


def near(picture, colour: str):
    """Share of the pixels that are nearly of a colour."""
    away = np.abs(picture.astype(int) - np.array(palette.rgb(colour))).max(axis=-1)
    return float((away < 40).mean())


def test_as_found_in_orange_beside_as_intended_in_blue(tmp_path):
    path = tmp_path / "found.png"
    assert found.draw(SCENES["gantry-eight"], cause(moves={"sleeve-left": (1, 0)}), path)
    with Image.open(path) as opened:
        picture = np.asarray(opened)
    rows = picture[: found.ROW_PX]
    left, right = rows[:, : found.WIDTH_PX // 2], rows[:, found.WIDTH_PX // 2 :]
    assert near(left, palette.ORANGE) > 0.01 > 10 * near(right, palette.ORANGE)
    assert near(right, palette.SKY_BLUE) > 0.01 > 10 * near(left, palette.SKY_BLUE)
    assert near(left, palette.INTENDED) > 0.0002, "the line to where the part should point"
    text = picture[found.ROW_PX :]
    assert (text < 128).all(axis=-1).mean() > 0.01


def test_what_moves_no_part_is_not_drawn(tmp_path):
    assert found.aspects(SCENES["slipway-six"], cause()) == ()
    assert not found.draw(SCENES["slipway-six"], cause(), tmp_path / "none.png")
    assert not list(tmp_path.iterdir())


def run(*arguments: str, code: int):
    result = CliRunner().invoke(cli.app, ["--quiet", *arguments], prog_name="quillwise")
    assert result.exit_code == code, result.output
    return result


def test_the_command_draws_and_says_what_it_cannot(tmp_path, monkeypatch):
    readings, path = tmp_path / "r.toml", tmp_path / "first.png"
    run("rehearse", "slipway-six", "--fault", "quill-four-on", "--readings", str(readings), code=1)
    common = ("diagnose", str(readings), "--no-next", "--json")
    result = run(*common, "--draw", str(path), code=1)
    assert json.loads(result.stdout)["causes"], "the figures stand alone on stdout"
    assert result.stderr == f"{path}\n"
    with Image.open(path) as picture:
        assert picture.size[0] == found.WIDTH_PX
    assert "exists; --force overwrites it" in run(*common, "--draw", str(path), code=4).stderr
    assert run(*common, "--draw", "first.svg", code=2).stderr.startswith("--draw: expected a name that ends with .png")

    def none():
        raise GraphicsError(graphics.NO_OPENGL)

    monkeypatch.setattr(graphics, "probe", none)
    other = tmp_path / "other.png"
    assert run(*common, "--draw", str(other), code=3).stderr.startswith("No OpenGL library works here")
    assert not other.exists()
