"""One engine "as another, but": merged key by key, each file in its own unit and view."""

from dataclasses import replace

import pytest

from quillwise.kinematics.errors import SceneError
from quillwise.scenes import reader


def message(folder):
    with pytest.raises(SceneError) as caught:
        reader.read(folder)
    return str(caught.value)


def test_as_another_but(make_folder, write_folder):
    base = reader.read(make_folder())
    sheet = reader.read(write_folder("other", 'format = 1\nlike = "../six"\nname = "Other"\n[crank]\nbore = 90'))
    assert sheet == replace(base, name="Other", scene="other", crank=replace(base.crank, bore_mm=90.0))


def test_arrays_are_replaced_whole(make_folder, write_folder):
    make_folder()
    order = '["A1", "A2"]'
    text = f'format = 1\nlike = "../six"\n[layout]\nfiring_order = {order}\n'
    text += 'banks = [{ name = "A", angle_deg = 0, side = "upright", cylinders = 2 }]'
    sheet = reader.read(write_folder("two", text))
    assert sheet.firing_order == ("A1", "A2")
    assert [(bank.name, bank.turn_deg, bank.cylinders) for bank in sheet.banks] == [("A", 0.0, 2)]


def test_the_starboard_engine_is_the_port_engine_but():
    port, starboard = reader.load("larkfell-port"), reader.load("larkfell-starboard")
    assert starboard == replace(
        port,
        scene="larkfell-starboard",
        name="Larkfell 24, starboard",
        about=starboard.about,
        rotation="anticlockwise",
        firing_order=("A1", "B5", "A2", "B3", "A4", "B1", "A6", "B2", "A5", "B4", "A3", "B6"),
        setup=(*port.setup[:2], replace(port.setup[2], cylinder="B5"), *port.setup[3:]),
    )


def test_a_packaged_engine_by_name_with_its_setup(write_folder):
    sheet = reader.read(write_folder("mine", 'format = 1\nlike = "larkfell-port"\n'))
    assert sheet == replace(reader.load("larkfell-port"), scene="mine")


def test_setup_may_be_like_another(make_folder, write_folder):
    base = reader.read(make_folder())
    engine = 'format = 1\nlike = "../six"\n'
    assert reader.read(write_folder("a", engine, engine)) == replace(base, scene="a")
    own = 'format = 1\nsteps = [{ do = "prepare" }]'
    assert reader.read(write_folder("b", engine, own)) == replace(base, scene="b", setup=base.setup[:1])
    assert reader.read(write_folder("c", 'format = 1\nlike = "../b"')).setup == base.setup[:1]


def test_each_file_keeps_its_own_unit(make_folder, write_folder):
    base = reader.read(make_folder())
    text = 'format = 1\nlike = "../six"\nlength_unit = "in"\n[crank]\nbore = 4.0'
    sheet = reader.read(write_folder("inches", text))
    # the inch is 25.4 mm exactly: international yard and pound agreement of 1959 (published)
    assert sheet.crank == replace(base.crank, bore_mm=4 * 25.4)
    assert (sheet.length_unit, sheet.inlet) == ("in", base.inlet)


def test_each_file_keeps_its_own_view(make_folder, write_folder):
    base = reader.read(make_folder())
    text = 'format = 1\nlike = "../six"\n[layout]\nseen_from = "output end"\n'
    assert reader.read(write_folder("looked", text)) == replace(base, scene="looked")
    sheet = reader.read(write_folder("turned", text + 'rotation = "clockwise"'))
    assert sheet == replace(base, scene="turned", rotation="anticlockwise")


def test_a_problem_names_the_file_that_it_stands_in(make_folder, write_folder):
    make_folder({"bore = 100.0": "bore = 1"})
    text = 'format = 1\nlike = "../six"\n[crank]\nstroke = 2\n[couplings.quill]\ndriving_teeth = 500'
    assert sorted(message(write_folder("other", text)).splitlines()) == [
        "../six/engine.toml: crank.bore: expected a length from 20 to 500 mm, got 1",
        "engine.toml: couplings.quill.driving_teeth: expected a whole number from 1 to 400, got 500",
        "engine.toml: crank.stroke: expected a length from 20 to 500 mm, got 2",
    ]


def test_every_file_of_a_chain_states_its_format(make_folder, write_folder):
    make_folder()
    assert message(write_folder("x", 'like = "../six"')) == "engine.toml: format: missing: expected 1"


ALLOWED = 'expected the name of a packaged engine or "../name" of letters, digits, - and _'


@pytest.mark.parametrize(
    ("like", "expected"),
    [
        ('"../../six"', f'{ALLOWED}, got "../../six"'),
        ('"/etc"', f'{ALLOWED}, got "/etc"'),
        ('"../.."', f'{ALLOWED}, got "../.."'),
        ('"../six\\n"', f'{ALLOWED}, got "../six\\u000a"'),
        ("7", f"{ALLOWED}, got 7"),
        ('"../sixx"', 'expected a folder beside this one, got "../sixx": there is none'),
        (
            '"larkfell-prot"',
            'unknown packaged engine "larkfell-prot"; defined: gantry-eight, larkfell-port, larkfell-starboard, '
            "launch-inverted, slipway-six "
            '(did you mean larkfell-port?); a folder beside this one is written "../larkfell-prot"',
        ),
        ('"../other"', "expected a folder that does not lead back here, got a circle"),
    ],
)
def test_wrong_like(make_folder, write_folder, like, expected):
    make_folder()
    folder = write_folder("other", f"format = 1\nlike = {like}\n", "format = 1\nsteps = [{ do = 'prepare' }]")
    assert message(folder) == f"engine.toml: like: {expected}"


def test_a_circle_of_three(write_folder):
    for name, like in (("a", "b"), ("b", "c"), ("c", "a")):
        folder = write_folder(name, f'format = 1\nlike = "../{like}"\n')
    assert message(folder) == ("../b/engine.toml: like: expected a folder that does not lead back here, got a circle")


def test_a_chain_of_five_and_not_of_six(make_folder, write_folder):
    make_folder(name="f0")
    for number in range(1, 7):
        folder = write_folder(f"f{number}", f'format = 1\nlike = "../f{number - 1}"\n')
        if number <= 5:
            assert reader.read(folder).name == "Test six"
    assert message(folder) == "../f1/engine.toml: like: expected a chain of at most 5, got a longer one"


def test_a_link_out_of_the_parent_folder_is_not_followed(make_folder, write_folder, tmp_path):
    make_folder()
    (tmp_path / "inner").mkdir()
    (tmp_path / "inner" / "six").symlink_to(tmp_path / "six")
    folder = write_folder("inner/other", 'format = 1\nlike = "../six"\n')
    assert message(folder) == (
        'engine.toml: like: expected a folder beside this one, got "../six": a link to elsewhere'
    )
