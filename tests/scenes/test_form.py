"""A folder written out in full holds the engine that it was written from."""

import tomllib
from dataclasses import replace

import pytest

from quillwise.scenes import form, library, reader
from quillwise.scenes.toml_text import toml_rows, toml_value


def written(tmp_path, source, name="written", **options):
    folder = tmp_path / name
    folder.mkdir()
    for file, text in form.form(source, **{"invented": False, **options}).items():
        (folder / file).write_text(text, encoding="utf-8")
    return folder


@pytest.mark.parametrize("name", library.names())
def test_every_packaged_engine_comes_back(tmp_path, name):
    folder = written(tmp_path, library.find(name), invented=True)
    assert reader.read(folder) == replace(reader.load(name), scene="written")
    assert "like =" not in (folder / "engine.toml").read_text(encoding="utf-8")


def test_a_form_of_a_form_is_the_same(tmp_path):
    first = written(tmp_path, library.find("larkfell-port"))
    assert form.form(first, invented=False) == form.form(library.find("larkfell-port"), invented=False)


def test_other_units_and_views_of_a_chain_are_brought_to_those_of_the_folder(make_folder, write_folder, tmp_path):
    make_folder({"poles = 2": "poles = 2\npoints_gap = 0.4"})
    text = 'format = 1\nlike = "../six"\nlength_unit = "in"\n[layout]\nseen_from = "output end"\n[crank]\nbore = 4'
    source = write_folder("other", text)
    folder = written(tmp_path, source)
    table = tomllib.loads((folder / "engine.toml").read_text(encoding="utf-8"))
    assert (table["length_unit"], table["crank"]["bore"]) == ("in", 4)
    assert table["crank"]["stroke"] == pytest.approx(120 / 25.4)
    assert (table["layout"]["rotation"], table["layout"]["banks"][0]["side"]) == ("anticlockwise", "left")
    assert (table["crank"]["gudgeon_offset"], table["magnetos"][0]["stands"]) == (pytest.approx(-1 / 25.4), "right")
    was, now = reader.read(source), reader.read(folder)
    assert now.crank.stroke_mm == pytest.approx(was.crank.stroke_mm, rel=1e-11)
    assert now.magnetos[0].points_gap_mm == pytest.approx(0.4, rel=1e-11)
    assert (now.rotation, now.banks, now.trains, now.setup) == (was.rotation, was.banks, was.trains, was.setup)


def test_every_value_that_depends_on_the_view_is_turned_round(write_folder, tmp_path):
    first = """format = 1
like = "gantry-eight"
[layout]
banks = [
    { name = "A", angle_deg = 40, side = "left", cylinders = 4 },
    { name = "B", angle_deg = 50, side = "right", cylinders = 4, wrist_pin_angle_deg = 84 },
]
[crank]
gudgeon_offset = 2
pin_angles_deg = [0, 90, 270, 180]
"""
    write_folder("first", first)
    source = write_folder("second", 'format = 1\nlike = "../first"\n[layout]\nseen_from = "output end"\n')
    was = reader.read(source)
    assert was == replace(reader.read(tmp_path / "first"), scene="second")
    assert reader.read(written(tmp_path, source)) == replace(was, scene="written")


def test_keys_that_are_left_out_stand_there_as_remarks_that_the_reader_takes(tmp_path):
    """Every line "# key = …" made a key, the file is still valid TOML with known keys only."""
    text = form.form(library.find("larkfell-port"), invented=False)["engine.toml"]
    assert "# gudgeon_offset = 0.0\n" in text
    assert "# finger_width_deg = 14.0 " in text
    folder = written(tmp_path, library.find("larkfell-port"))
    for key, value in (("gudgeon_offset", 0.0), ("bore_spacing", 151.0), ("room", 1.5), ("open_ohm", 0.3)):
        text = text.replace(f"# {key} = ", f"{key} = ")
        assert f"\n{key} = {value}" in text
    (folder / "engine.toml").write_text(text, encoding="utf-8")
    assert reader.read(folder).geometry == {"bore_spacing_mm": 151.0}


def test_lengths_that_are_left_out_are_shown_in_the_unit_of_the_file(make_folder, write_folder):
    make_folder()
    source = write_folder("other", 'format = 1\nlike = "../six"\nlength_unit = "in"\n')
    text = form.form(source, invented=False)["engine.toml"]
    # 1.5 mm over 25.4 (computed)
    assert "# room = 0.0590551181102\n" in text
    assert "# bore_spacing = 5.94 " in text


def test_marks():
    source = library.find("larkfell-port")
    marked = form.form(source, invented=True)["engine.toml"]
    assert "bore = 118.0                        # (invented) bore of the cylinders" in marked
    assert marked.splitlines()[1] == "# Made from larkfell-port."
    assert form.INVENTED in marked.splitlines()[2]
    assert form.INVENTED not in form.form(source, invented=False)["engine.toml"]
    for key in ("format = 1", "length_unit = ", "seen_from = "):
        (line,) = [line for line in marked.splitlines() if line.startswith(key)]
        assert form.INVENTED not in line


def test_other_texts():
    files = form.form(library.find("larkfell-port"), invented=True, texts={"name": 'A "name"'})
    assert tomllib.loads(files["engine.toml"])["name"] == 'A "name"'


@pytest.mark.parametrize(
    "value",
    [1, -2.5, 1e-7, True, 'x\ty"z\\', [], [1, [2.0, "a b"]], {"a": 1, "b c": [False], "": "é"}, ["a, b"] * 40],
)
def test_values_come_back(value):
    assert tomllib.loads(f"x = {toml_value(value)}")["x"] == value
    if isinstance(value, list):
        assert tomllib.loads(f"x = {toml_rows(value)}")["x"] == value


def test_long_arrays_are_broken_between_entries():
    text = toml_rows([[float(angle), 0.25] for angle in range(60)])
    assert max(len(line) for line in text.splitlines()) <= 110
    assert len(text.splitlines()) > 5


def test_what_is_no_value_of_a_folder_is_refused():
    with pytest.raises(TypeError, match="not a value of an engine folder: NoneType"):
        toml_value(None)
