"""Figures that a new folder brought with it are counted until they are replaced, whatever its remarks say."""

import re

import pytest

from quillwise.scenes import form, library
from quillwise.scenes.leftover import leftover


@pytest.fixture(params=library.names())
def template(request):
    return request.param


@pytest.fixture
def new_folder(tmp_path, template):
    return made_from(template, tmp_path)


def made_from(template, tmp_path):
    folder = tmp_path / "mine"
    folder.mkdir()
    for file, text in form.form(library.find(template), invented=True).items():
        (folder / file).write_text(text, encoding="utf-8")
    return folder


def edit(folder, change, file="engine.toml"):
    path = folder / file
    path.write_text(change(path.read_text(encoding="utf-8")), encoding="utf-8")


def paths(found):
    return {item.path for item in found.lines}


def test_all_figures_of_a_new_folder_are_left(new_folder, template):
    found = leftover(new_folder)
    assert found.template == template
    assert found.figures == found.of > 50
    assert {"crank.bore", "layout.banks", "valves.inlet.valve_lift"} <= paths(found)


def test_a_line_is_named_where_it_stands(new_folder):
    lines = (new_folder / "engine.toml").read_text(encoding="utf-8").splitlines()
    for item in leftover(new_folder).lines:
        if item.file == "engine.toml":
            assert lines[item.line - 1].startswith(f"{item.path.rpartition('.')[2]} = "), item


def test_a_figure_that_was_replaced_is_not_left_although_its_mark_is(new_folder):
    before = leftover(new_folder)
    edit(new_folder, lambda text: re.sub(r"(?m)^bore = [0-9.]+", "bore = 77.25", text))
    after = leftover(new_folder)
    assert before.figures - after.figures == 1
    assert "crank.bore" not in paths(after)


def test_a_figure_that_is_the_same_is_confirmed_by_taking_its_mark_away(new_folder):
    edit(new_folder, lambda text: re.sub(r"(?m)^(bore = [0-9.]+).*", r"\1  # from the sheet", text))
    assert "crank.bore" not in paths(leftover(new_folder))


def test_one_tooth_of_a_row_replaced_leaves_the_others(new_folder):
    before = next(item for item in leftover(new_folder).lines if item.path.startswith("layout.banks"))
    edit(new_folder, lambda text: re.sub(r"angle_deg = \d+", "angle_deg = 7", text, count=1))
    after = next(item for item in leftover(new_folder).lines if item.path.startswith("layout.banks"))
    assert after.figures == before.figures - 1


def test_a_copy_without_any_remark_is_known_by_its_figures(new_folder, template):
    edit(new_folder, lambda text: re.sub(r"(?m)#.*$", "", text))
    found = leftover(new_folder)
    assert found.template == template
    assert {"crank.bore", "layout.rotation"} <= paths(found)


def test_an_entry_that_was_taken_out_does_not_shift_the_others(tmp_path):
    folder = made_from("larkfell-port", tmp_path)
    edit(folder, lambda text: re.sub(r"(?ms)^\[couplings\.quill-b\].*?(?=^\[couplings)", "", text))
    found = leftover(folder)
    assert "couplings.sleeve-inlet.driven_teeth" in paths(found)
    assert not any("quill-b" in path for path in paths(found))


def test_packaged_engines_and_engines_of_ones_own_have_nothing_left(make_folder):
    for name in library.names():
        assert leftover(library.find(name)).figures == 0
    found = leftover(make_folder())
    assert (found.template, found.lines) == ("", ())


def test_what_like_takes_from_a_packaged_engine_is_named(write_folder):
    folder = write_folder("mine", 'format = 1\nlike = "slipway-six"\n[crank]\nbore = 99\n')
    assert leftover(folder).taken_from == ("slipway-six",)


def test_figures_of_an_engine_of_ones_own_that_happen_to_be_the_same_are_not_left(make_folder):
    """Its seven or so equal figures are chance: four poles and a finger of 20 and 60 teeth are common."""
    folder = make_folder()
    assert "{ pinion = 20, wheel = 60 }" in (folder / "engine.toml").read_text(encoding="utf-8")
    assert leftover(folder).figures == 0
