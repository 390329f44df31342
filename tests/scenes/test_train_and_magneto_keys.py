"""Keys of trains and magnetos that are not plain: what they give, and the whole message of what is wrong."""

from fractions import Fraction

import pytest

from quillwise.kinematics.build import build
from quillwise.kinematics.errors import SceneError
from quillwise.scenes import reader

STAGES = 'stages = [{ spur = { driving = 42, driven = 28 } }, { coupling = "sleeve" }]'
POLES = "poles = 2"


def message(folder):
    with pytest.raises(SceneError) as caught:
        build(reader.load(str(folder)))
    return str(caught.value)


def test_idler_and_bevels_of_a_file(make_folder):
    stages = (
        "stages = [{ idler = 30 }, { spur = { driving = 42, driven = 28 } }, "
        '{ bevel = { driving = 20, driven = 20, set_apart = true } }, { coupling = "sleeve" }]'
    )
    sheet = reader.load(str(make_folder({STAGES: stages})))
    made = sheet.trains[-1].stages
    assert [stage.kind for stage in made] == ["idler", "spur", "bevel", "coupling"]
    assert made[0].driven_teeth == 30
    assert made[2].set_apart
    engine = build(sheet)
    assert abs(engine.shafts["left magneto"].turns) == Fraction(3, 2)
    assert engine.shafts["left magneto"].axis == pytest.approx((0, 1, 0)), "it stands across the engine"


def test_magneto_keys_of_a_file(make_folder):
    text = (
        'kind = "polar inductor"\nsparks_per_turn = 2\nbreaker_on = "finger"\nlobes = 6\nfires = ["A"]\n'
        "impulse_lag_deg = 25\ntrailing_electrode_deg = 12"
    )
    (data,) = reader.load(str(make_folder({POLES: text}))).magnetos
    assert (data.kind, data.poles, data.lobes, data.breaker_on) == ("polar inductor", 2, 6, "finger")
    assert data.sparks_per_turn == 2
    assert (data.fires, data.impulse_lag_deg, data.trailing_electrode_deg) == (("A",), 25, 12)


def test_lobes_at_half_speed_follow_from_the_poles(make_folder):
    (data,) = reader.load(str(make_folder({POLES: 'poles = 2\nbreaker_on = "finger"'}))).magnetos
    assert data.lobes == 6


def test_couplings_of_one_tooth_and_of_400(make_folder):
    folder = make_folder({"driving_teeth = 17": "driving_teeth = 1", "driven_teeth = 18": "driven_teeth = 400"})
    data = reader.load(str(folder)).couplings[0]
    assert (data.driving_teeth, data.driven_teeth) == (1, 400)


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (
            STAGES,
            'stages = [{ idler = 7 }, { spur = { driving = 42, driven = 28 } }, { coupling = "sleeve" }]',
            "engine.toml: trains.left magneto.stages[1].idler: expected a whole number from 8 to 400, got 7",
        ),
        (
            STAGES,
            'stages = [{ spur = { driving = 42, driven = 28 } }, { idler = 30 }, { coupling = "sleeve" }]',
            "trains.left magneto.stages: cannot be laid out: an idler stands between the wheels of the spur or "
            "internal stage after it",
        ),
        (
            STAGES,
            'stages = [{ idler = 30, spur = { driving = 42, driven = 28 } }, { coupling = "sleeve" }]',
            "engine.toml: trains.left magneto.stages[1]: expected one of spur, internal, bevel, idler and coupling, "
            "got spur and idler",
        ),
        (
            STAGES,
            'stages = [{ bevel = { driving = 42, driven = 28, set_apart = 1 } }, { coupling = "sleeve" }]',
            "engine.toml: trains.left magneto.stages[1].bevel.set_apart: expected true or false, got 1",
        ),
        (
            POLES,
            'kind = "polar inductor"\npoles = 2',
            'engine.toml: magnetos.left.poles: expected sparks_per_turn in its place beside kind = "polar inductor", '
            "got 2\nengine.toml: magnetos.left.sparks_per_turn: missing: expected a whole number from 2 to 16: "
            "sparks that the magnetism gives in a turn of the rotor, of a polar inductor, for example "
            "sparks_per_turn = 4",
        ),
        (
            POLES,
            "poles = 2\nsparks_per_turn = 2",
            "engine.toml: magnetos.left.sparks_per_turn: expected poles in its place beside "
            'kind = "rotating magnet", got 2',
        ),
        (
            POLES,
            'kind = "polar inductor"\nsparks_per_turn = 3',
            "engine.toml: magnetos.left.sparks_per_turn: expected an even number, got 3",
        ),
        (
            POLES,
            'poles = 2\nfires = ["A", 3]',
            "engine.toml: magnetos.left.fires[2]: expected text, got 3",
        ),
        (
            POLES,
            'poles = 2\nfires = "every"',
            'engine.toml: magnetos.left.fires: expected an array of 1 to 64, each text of 1 to 8 characters, or "all", '
            'got "every"',
        ),
        (
            POLES,
            'poles = 2\nfires = ["A7"]',
            'magnetos.left.fires: unknown bank or cylinder "A7"; defined: A, A1, A5, A3, A6, A2, A4 (did you mean A?)',
        ),
        (
            POLES,
            "poles = 2\nadvance_range_deg = 60\nfinger_width_deg = 8\nsegment_width_deg = 6",
            "magnetos.left.advance_range_deg: the finger leaves its segment: at either end of 60 crank degrees it is "
            "15 degrees off the middle, and finger and segment face each other only within 7",
        ),
        (
            POLES,
            'poles = 2\nbreaker_on = "finger"\ndwell_magneto_rotor_deg = 200',
            "magnetos.left.dwell_magneto_rotor_deg: left magneto: expected a dwell of more than 0 and less than 180 "
            "degrees for 2 sparks a turn, got 200",
        ),
    ],
)
def test_messages(make_folder, old, new, expected):
    assert message(make_folder({old: new})) == expected


def test_all_is_another_word_for_every_cylinder(make_folder):
    plain, named = make_folder(), make_folder({POLES: 'poles = 2\nfires = "all"'}, name="named")
    assert reader.read(named).magnetos == reader.read(plain).magnetos
