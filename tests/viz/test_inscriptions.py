"""What is engraved or measured stands in the window's close-ups and in line drawings, none of it over another."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from quillwise.kinematics.assembly import intended
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import State
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import points_in_world, poses
from quillwise.kinematics.rig import Rig, rig
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import Frame, frame
from quillwise.meshes.build import disc_degree_deg
from quillwise.scenes.library import engine as packaged
from quillwise.viz import captions, exhibit
from quillwise.viz.cameras import project
from quillwise.viz.closeups import close_up, close_up_bodies, close_up_camera, place_close_up
from quillwise.viz.engraving import Label, labels, most
from quillwise.viz.inscribed import Inscribed
from quillwise.viz.inscriptions import LINE, set_out
from quillwise.viz.layout import layout
from quillwise.viz.lineart import step_drawing
from quillwise.viz.linked import linked
from quillwise.viz.stage import Stage
from quillwise.viz.standing import Store

ENGINES = ("larkfell-port", "slipway-six", "gantry-eight", "launch-inverted")
FONT_PX = 12


@pytest.fixture(scope="module", params=ENGINES)
def engine(request: pytest.FixtureRequest) -> Engine:
    return packaged(request.param)


def _pane() -> tuple[int, int]:
    left, top, right, bottom = layout((1280, 720)).panes[0]
    return right - left, bottom - top


def test_no_word_stands_over_another_in_any_step(engine: Engine) -> None:
    hung, size, seen = rig(engine), _pane(), 0
    steps = play(engine).steps
    for step, view in list(zip(steps, linked(engine, steps), strict=True))[::2]:
        moment = frame(step, 1.0)
        state = exhibit.state_at(engine, moment)
        for subject in view.subjects:
            if subject is None:
                continue
            shown = close_up(engine, *subject)
            camera = close_up_camera(engine, hung, shown, state, size[0] / size[1])
            found = labels(engine, hung, shown, moment, state, step)
            words = set_out(found, camera, size, 0.73 * FONT_PX, lambda text: 0.6 * FONT_PX * len(text))
            seen += len(words)
            assert len(found) <= most(engine, shown)
            for word in words:
                for at, reach, end in zip(word.middle, word.size, size, strict=True):
                    assert at - reach / 2 >= 0 and at + reach / 2 <= end, (step.key, word.text)
            for one, other in itertools.combinations(words, 2):
                apart = [abs(a - b) for a, b in zip(one.middle, other.middle, strict=True)]
                wide, high = ((a + b) / 2 for a, b in zip(one.size, other.size, strict=True))
                assert apart[0] >= wide or apart[1] >= high, (step.key, one.text, other.text)
            if shown.kind == "valve":
                assert [word.text for word in words] == [label.text for label in found], "a feeler is always named"
    assert seen > 30


@pytest.mark.parametrize("name", ENGINES)
def test_the_window_has_as_many_words_as_is_said_at_the_most(name: str) -> None:
    """A multiple of five from every mark, four numbers stand in the window; a name takes the place of one or none."""
    engine, hung, shown = packaged(name), rig(packaged(name)), close_up(packaged(name), "window")
    counts = []
    for crank in range(0, 720, 5):
        moment = Frame(assembly=intended(engine), crank_deg=float(crank), free={})
        counts.append(len(labels(engine, hung, shown, moment, exhibit.state_at(engine, moment))))
    assert 4 <= max(counts) <= most(engine, shown) == 5


@pytest.mark.parametrize("name", ENGINES)
def test_the_name_of_a_mark_stands_within_the_opening_or_is_left_out(name: str) -> None:
    # the opening of the timing window goes 18 degrees to either side of its pointer
    engine = packaged(name)
    hung, size, shown = rig(engine), (300, 300), close_up(engine, "window")
    kept = 0
    for step in play(engine).steps:
        if not step.mark:
            continue
        moment = frame(step, 1.0)
        state = exhibit.state_at(engine, moment)
        camera = close_up_camera(engine, hung, shown, state, 1.0)
        found = labels(engine, hung, shown, moment, state, step)
        centre = np.array([[engine.sizes.disc_x_mm, 0.0, 0.0]])
        degree = engraved_at(engine, hung, moment, state)
        middle, pointer = project(camera, np.concatenate([centre, degree]), size)
        for height in (4.0, 9.0):
            words = set_out(found, camera, size, height, lambda text, high=height: 0.8 * high * len(text))
            named = [word for word in words if word.text == step.mark]
            kept += len(named)
            for word in named:
                for end in (-0.5, 0.5):
                    reach = np.array(word.middle) + [end * word.size[0], 0.0] - middle
                    across = reach[0] * (pointer - middle)[1] - reach[1] * (pointer - middle)[0]
                    turn = np.degrees(np.arctan2(across, reach @ (pointer - middle)))
                    assert abs(turn) <= 18.0, (step.key, height, turn)
    assert kept, "where it has room it is there"


def engraved_at(engine: Engine, hung: Rig, moment: Frame, state: State) -> np.ndarray:
    """The place (1, 3) of the disc that stands under the pointer."""
    pose = poses(hung, state, [Part(Kind.DISC)])[Part(Kind.DISC)]
    turn = np.radians(disc_degree_deg(engine, moment.crank_deg))
    rim = engine.sizes.disc_radius_mm
    return points_in_world(pose, np.array([[rim * np.cos(turn), rim * np.sin(turn), 0.0]]))[0]


def test_a_measured_figure_is_kept_and_moved_within_the_frame() -> None:
    engine = packaged("slipway-six")
    shown = close_up(engine, "window")
    state = exhibit.state_at(engine, frame(play(engine).steps[0], 1.0))
    camera = close_up_camera(engine, rig(engine), shown, state, 1.5)
    corner = (0.0, float(camera.focal[1]) + 4000.0, float(camera.focal[2]))
    middle = tuple(float(value) for value in camera.focal)
    crowd = [
        Label(text="10", at_mm=middle),  # type: ignore[arg-type]
        Label(text="3.56°", at_mm=corner, boxed=True),
        Label(text="A", at_mm=middle),  # type: ignore[arg-type]
    ]
    words = set_out(crowd, camera, (300, 200), 9.0, lambda text: 7.0 * len(text))
    assert [word.text for word in words] == ["3.56°", "10"], "the figure first, the word that would cover another not"
    assert project(camera, np.array([corner]), (300, 200))[0, 0] < 0 or words[0].middle[0] > 250
    assert words[0].middle[0] - words[0].size[0] / 2 > 0 and words[0].middle[0] + words[0].size[0] / 2 < 300


def test_a_name_without_room_in_a_line_takes_two() -> None:
    """Where two are allowed: the second below the first, which stays where a single one would be."""
    engine = packaged("slipway-six")
    shown = close_up(engine, "window")
    state = exhibit.state_at(engine, frame(play(engine).steps[0], 1.0))
    camera = close_up_camera(engine, rig(engine), shown, state, 1.5)
    x, y, z = (float(value) for value in camera.focal)
    name = Label(text="A1 inlet opens", at_mm=(x, y, z), between_mm=((x, y - 20.0, z), (x, y + 20.0, z)))
    (left, middle), (right, _) = project(camera, np.array(name.between_mm), (300, 200))
    room = abs(right - left) / len(name.text)
    for wide, lines in ((0.9 * room, ["A1 inlet opens"]), (1.4 * room, ["A1 inlet", "opens"])):
        (word,) = set_out([name], camera, (300, 200), 9.0, lambda text, wide=wide: wide * len(text), in_two=True)
        assert word.text.split("\n") == lines
        assert word.middle[1] - LINE * 9.0 * (len(lines) - 1) / 2 == pytest.approx(middle)
    assert set_out([name], camera, (300, 200), 9.0, lambda text: 1.4 * room * len(text)) == ()
    assert set_out([name], camera, (300, 200), 9.0, lambda text: 3.0 * room * len(text), in_two=True) == ()


@pytest.mark.parametrize("kind", ["window", "magneto"])
def test_the_window_s_close_ups_bear_the_words_where_they_belong(kind: str) -> None:
    """Of two pictures, with and without the words, only what is near the words' places differs."""
    engine = packaged("slipway-six")
    size = (400, 260)
    step = next(step for step in play(engine).steps if step.key == "winch-break")
    moment = frame(step, 1.0)
    state = exhibit.state_at(engine, moment)
    shown = close_up(engine, kind, "winch" if kind == "magneto" else "")  # type: ignore[arg-type]
    camera = close_up_camera(engine, rig(engine), shown, state, size[0] / size[1])
    with Stage(size) as stage:
        exhibit.furnish(stage, close_up_bodies(engine, shown))
        place_close_up(stage, engine, rig(engine), shown, moment, state, step)
        stage.look(camera)
        bare = stage.picture(1)
        found = labels(engine, rig(engine), shown, moment, state, step)
        words = Inscribed(stage.renderer, len(found))
        words.show(found, camera, size, FONT_PX)
        lettered = stage.picture(1)
        words.close()
        assert (stage.picture(1) == bare).all(), "taken off again"
    changed = np.argwhere((bare != lettered).any(axis=-1))[:, ::-1]
    places = project(camera, np.array([label.at_mm for label in found]), size)
    near = [np.abs(changed - place) for place in places]
    reach = 0.4 * FONT_PX * max(len(label.text) for label in found) + 3
    assert len(changed) > 30
    assert np.any([(each[:, 0] < reach) & (each[:, 1] < FONT_PX) for each in near], axis=0).all()
    assert sum(bool(((each[:, 0] < 8) & (each[:, 1] < 8)).any()) for each in near) >= 0.7 * len(found)


def test_line_drawings_bear_them_too() -> None:
    engine = packaged("slipway-six")
    steps = play(engine).steps
    store = Store(engine)
    words = {}
    for step in steps:
        if step.key in ("a-mark", "a-nip", "winch-break"):
            words[step.key] = {word.text for word in step_drawing(store, steps, step, (297.0, 210.0)).words}
    assert set(engine.sheet.firing_order) <= words["winch-break"], "each segment by its cylinder"
    assert {"feeler 0.0015 in", "just let go"} <= words["a-nip"], "it is timed by a valve that closes"
    assert next(step.mark for step in steps if step.key == "a-mark") in words["a-mark"]


def test_words_that_come_in_lines_keep_them_in_every_kind_of_picture() -> None:
    """A feeler and how it stands: neither is broken in two where the picture is narrow."""
    two = "feeler 0.0015 in\njust let go"
    assert captions.tag_box((100.0, 50.0), two, 30, True, 40.0).text == two
    assert captions.tag_box((100.0, 50.0), two.replace("\n", " "), 30, True, 40.0).text.count("\n") == 1
    engine = packaged("slipway-six")
    step = next(step for step in play(engine).steps if step.key == "a-nip")
    moment = frame(step, 1.0)
    state, shown = exhibit.state_at(engine, moment), close_up(engine, "valve", step.valve)
    camera = close_up_camera(engine, rig(engine), shown, state, 1.25)
    found = labels(engine, rig(engine), shown, moment, state, step)
    (word,) = set_out(found, camera, (400, 320), 9.0, lambda text: 7.0 * len(text))
    assert word.text == two
    assert word.size[0] < 7.0 * len("feeler 0.0015 in") * 1.2 + 9.0, "as wide as its longer line"
    assert word.size[1] > 2 * 9.0, "and two lines high"
