"""Engines by name and by path."""

import pytest

from quillwise.kinematics.errors import SceneError
from quillwise.scenes import library, reader


def message(name_or_path: str) -> str:
    with pytest.raises(SceneError) as caught:
        library.find(name_or_path)
    return str(caught.value)


def test_names():
    assert library.names() == (
        "gantry-eight",
        "larkfell-port",
        "larkfell-starboard",
        "launch-inverted",
        "slipway-six",
    )


@pytest.mark.parametrize("name", library.names())
def test_a_packaged_engine_loads_and_says_that_it_is_invented(name):
    sheet = reader.load(name)
    assert sheet.scene == name
    assert sheet.about.endswith("Invented for demonstration. Not data for any real engine.")


def test_a_folder_by_path(make_folder, monkeypatch):
    folder = make_folder()
    monkeypatch.chdir(folder)
    assert library.find(".") == library.find(str(folder)) == folder.resolve()
    assert reader.load("../six").scene == "six"


def test_a_packaged_name_wins_over_a_folder_here(make_folder, monkeypatch, tmp_path):
    folder = make_folder(name="larkfell-port")
    monkeypatch.chdir(tmp_path)
    assert reader.load("larkfell-port").name == "Larkfell 24, port"
    assert library.find("./larkfell-port") == folder.resolve()


def test_what_is_no_engine_folder(make_folder, tmp_path, monkeypatch):
    folder = make_folder()
    monkeypatch.chdir(tmp_path)
    assert message("larkfell-prot") == (
        'unknown engine "larkfell-prot"; defined: gantry-eight, larkfell-port, larkfell-starboard, '
        "launch-inverted, slipway-six (did you mean larkfell-port?); there is no folder of that name here either"
    )
    own = folder.rename(tmp_path / "two-stroke-barge")
    assert message("two-stroke-brage").endswith("of that name here either (did you mean ./two-stroke-barge?)")
    folder = own.rename(folder)
    assert message("./none") == 'expected an engine folder, got nothing, "none"'
    assert message(str(folder / "engine.toml")) == (
        f'expected an engine folder, got a file, "{folder / "engine.toml"}": give the folder that it is in'
    )
    assert message("a/\0") == 'expected an engine folder, got nothing, "a/\\u0000"'
    assert message("a/" + "b" * 300) == f'expected an engine folder, got nothing, "a/{"b" * 198}…"'
    assert message("./caf\udce9") == 'expected an engine folder, got nothing, "caf\\udce9"'


def test_a_folder_whose_name_cannot_be_shown(make_folder):
    assert message(str(make_folder(name="six\u202e"))) == (
        "name of the engine folder: expected text without control, direction or invisible characters, "
        "got U+202E as character 4"
    )


def test_problems_of_the_mechanism_name_the_file(make_folder):
    """A camshaft that does not run at half speed is told by the mechanism, with the file in front."""
    folder = make_folder({"{ driving = 18, driven = 36 }": "{ driving = 18, driven = 35 }"})
    with pytest.raises(SceneError) as caught:
        library.engine(str(folder))
    assert [problem.path for problem in caught.value.problems] == ["engine.toml: trains.camshaft A"]


def test_the_port_engine_turned_the_other_way_alone_is_refused(write_folder):
    """Sides kept, sense mirrored: each pair on a pin is out by twice the bank angle of 60° (computed)."""
    text = 'format = 1\nlike = "larkfell-port"\n[layout]\nrotation = "anticlockwise"'
    with pytest.raises(SceneError) as caught:
        library.engine(str(write_folder("turned", text)))
    (problem,) = caught.value.problems
    assert problem.path == "engine.toml: layout.firing_order"
    for number in range(1, 7):
        assert f"A{number} and B{number} by 120°" in problem.message
