"""Faults of an engine folder: read, listed, and told what is wrong with them."""

import pytest

from quillwise.kinematics.errors import RequestError, SceneError
from quillwise.scenes import faults, library

GOOD = 'format = 1\nname = "A tooth on"\nabout = "Counted wrong."\nmistakes = ["other-tooth:quill=+1"]\n'


@pytest.fixture
def folder(make_folder):
    made = make_folder()
    (made / "faults").mkdir()
    (made / "faults" / "one.toml").write_text(GOOD, encoding="utf-8")
    return made


def test_a_fault_is_read_and_found_in_the_engine(folder):
    assert faults.names(folder) == ("one",)
    assert faults.read(folder, "one") == faults.Fault(
        key="one", name="A tooth on", about="Counted wrong.", mistakes=("other-tooth:quill=+1",)
    )
    faults.check(folder, library.engine(str(folder)))


def test_a_folder_without_faults(make_folder):
    folder = make_folder()
    assert faults.names(folder) == ()
    faults.check(folder, library.engine(str(folder)))


@pytest.mark.parametrize("key", ["two", "../one", "one.toml", ""])
def test_an_unknown_fault(folder, key):
    with pytest.raises(RequestError) as caught:
        faults.read(folder, key)
    hint = " (did you mean one?)" if key == "../one" else ""
    assert str(caught.value) == f'unknown fault "{key}"; defined: one{hint}'


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (GOOD.replace("format = 1\n", ""), "faults/one.toml: format: missing: expected 1"),
        (GOOD.replace("format = 1", "format = 2"), "faults/one.toml: format: expected 1, got 2"),
        (GOOD.replace('"A tooth on"', "7"), "faults/one.toml: name: expected text, got 7"),
        (
            GOOD.replace("mistakes", "mistake"),
            'faults/one.toml: mistake: unknown key "mistake"; defined: format, name, about, mistakes '
            "(did you mean mistakes?)",
        ),
        (
            GOOD.replace('["other-tooth:quill=+1"]', "[]"),
            "faults/one.toml: mistakes: expected an array of 1 to 8, each text of 1 to 200 characters, "
            "got an array of 0",
        ),
        (
            GOOD.replace("quill=", "quil="),
            'faults/one.toml: mistakes: unknown coupling "quil"; defined: quill, sleeve (did you mean quill?)',
        ),
        ("name = ", "faults/one.toml: expected TOML: Invalid value (at end of document)"),
    ],
)
def test_a_wrong_fault(folder, text, expected):
    (folder / "faults" / "one.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SceneError) as caught:
        faults.check(folder, library.engine(str(folder)))
    assert str(caught.value) == expected
