"""setup.toml: what a job may be timed by, preconditions, and handed parts: the whole message, as a fitter reads it."""

from collections.abc import Callable
from pathlib import Path

import pytest

from quillwise.kinematics.datasheet import StepData
from quillwise.kinematics.errors import SceneError
from quillwise.scenes import library, reader

MakeFolder = Callable[..., Path]

CAMSHAFT = '{ do = "set-camshaft", camshaft = "camshaft A", cylinder = "A1", by = "exhaust closes" }'
MAGNETO = '{ do = "set-magneto", magneto = "left", cylinder = "A1" }'
PREPARE, FINISH = '{ do = "prepare" }', '{ do = "finish" }'


def order(*steps: str, head: str = "") -> str:
    listed = "".join(f"    {step},\n" for step in steps)
    return f"format = 1\n{head}steps = [\n{listed}]\n"


def camshaft(keys: str) -> str:
    return CAMSHAFT.replace('by = "exhaust closes"', keys)


def magneto(keys: str) -> str:
    return MAGNETO.replace(" }", f", {keys} }}")


@pytest.fixture
def with_order(make_folder: MakeFolder) -> Callable[[str], Path]:
    """``with_order(setup)``: the six with this set-up order."""

    def make(setup: str) -> Path:
        folder = make_folder()
        (folder / "setup.toml").write_text(setup, encoding="utf-8")
        return folder

    return make


def message(folder: Path) -> str:
    with pytest.raises(SceneError) as caught:
        library.engine(str(folder))
    return str(caught.value)


def test_everything_that_a_job_may_be_timed_by_is_read(with_order: Callable[[str], Path]) -> None:
    by_lobe = camshaft('by = "lobe centre", lobe = "exhaust", lift = 2.5, crank_by = "piston", below_tdc = 80')
    by_hole = magneto('prove_stroke = "plug hole", crank_by = "ring"')
    text = order(PREPARE, by_hole, by_lobe, FINISH, head="may_turn_back = true\n")
    sheet = reader.read(with_order(text))
    assert sheet.may_turn_back is True
    assert sheet.setup[1:3] == (
        StepData(do="set-magneto", magneto="left", cylinder="A1", prove_stroke="plug hole"),
        StepData(
            do="set-camshaft",
            camshaft="camshaft A",
            cylinder="A1",
            by="lobe centre",
            lobe="exhaust",
            lift_mm=2.5,
            crank_by="piston",
            below_tdc_mm=80.0,
        ),
    )


def test_what_is_left_out(with_order: Callable[[str], Path]) -> None:
    sheet = reader.read(with_order(order(PREPARE, camshaft("valve = 1"), MAGNETO, FINISH)))
    assert sheet.may_turn_back is False and sheet.hand == ""
    assert sheet.setup[1] == StepData(do="set-camshaft", camshaft="camshaft A", cylinder="A1")


BY = '"inlet opens", "inlet closes", "exhaust opens", "exhaust closes", "lobe centre" or "lift at TDC"'


@pytest.mark.parametrize(
    ("steps", "expected"),
    [
        (
            (PREPARE, camshaft('by = "lobe center"'), MAGNETO, FINISH),
            f'steps[2].by: expected {BY}, got "lobe center" (did you mean lobe centre?)',
        ),
        (
            (PREPARE, camshaft('lobe = "exhaust"'), MAGNETO, FINISH),
            'steps[2].lobe: expected only beside by = "lobe centre" or "lift at TDC", got "exhaust"',
        ),
        (
            (PREPARE, camshaft('by = "inlet closes", lift = 2.0'), MAGNETO, FINISH),
            'steps[2].lift: expected only beside by = "lobe centre" or "lift at TDC", got 2.0',
        ),
        (
            (PREPARE, camshaft('by = "lobe centre", lobe = "intake"'), MAGNETO, FINISH),
            'steps[2].lobe: expected "inlet" or "exhaust", got "intake"',
        ),
        (
            (PREPARE, camshaft('by = "lobe centre", lift = 0.01'), MAGNETO, FINISH),
            "steps[2].lift: expected a length from 0.05 to 40 mm, got 0.01",
        ),
        (
            (PREPARE, camshaft("below_tdc = 3"), MAGNETO, FINISH),
            'steps[2].below_tdc: expected only beside crank_by = "piston", got 3',
        ),
        (
            (PREPARE, CAMSHAFT, magneto('crank_by = "ring", below_tdc = 3.5'), FINISH),
            'steps[3].below_tdc: expected only beside crank_by = "piston", got 3.5',
        ),
        (
            (PREPARE, CAMSHAFT, magneto('crank_by = "pistons"'), FINISH),
            'steps[3].crank_by: expected "ring" or "piston", got "pistons" (did you mean piston?)',
        ),
        (
            (PREPARE, CAMSHAFT, magneto('prove_stroke = "plug"'), FINISH),
            'steps[3].prove_stroke: expected "valves" or "plug hole", got "plug" (did you mean plug hole?)',
        ),
        (
            (PREPARE, camshaft('prove_stroke = "plug hole"'), MAGNETO, FINISH),
            "steps[2].prove_stroke: expected only camshaft, cylinder, by, valve, lobe, lift, crank_by, below_tdc "
            'beside do = "set-camshaft", got "plug hole"',
        ),
        (
            (PREPARE, MAGNETO, CAMSHAFT, FINISH),
            "steps[2]: set-magneto of the left magneto has no step before it that sets camshaft A, so the valves of A1 "
            'cannot prove its compression: missing: set-camshaft of camshaft A, or prove_stroke = "plug hole" here',
        ),
        (
            (CAMSHAFT, MAGNETO, FINISH),
            "steps[1]: set-camshaft of camshaft A has no step before it that proves TDC and the disc: missing: "
            '{ do = "prepare" }\n'
            "setup.toml: steps[2]: set-magneto of the left magneto has no step before it that proves TDC and the disc: "
            'missing: { do = "prepare" }',
        ),
        (
            (PREPARE, CAMSHAFT, FINISH),
            "steps: the left magneto is never set, though sleeve stands in its train: missing: set-magneto of the left "
            "magneto",
        ),
        (
            (PREPARE, CAMSHAFT, FINISH, MAGNETO),
            "steps[3]: finish is not the last step: set-magneto of the left magneto comes after it",
        ),
        (
            (PREPARE, camshaft('by = "lobe centre", lift = 9.5'), MAGNETO, FINISH),
            "steps[2]: lift: expected from 0.05 mm to less than 9.50 mm, what the gauge reads at the top of the lobe "
            "of A1 inlet, got 9.5 mm",
        ),
        (
            (PREPARE, CAMSHAFT, magneto('crank_by = "piston", below_tdc = 4'), FINISH),
            "steps[3]: below_tdc: expected 10.31 mm (30.0 BTDC) within 1 crank degrees, got 4 mm (18.5 BTDC)",
        ),
    ],
)
def test_wrong_set_up(with_order: Callable[[str], Path], steps: tuple[str, ...], expected: str) -> None:
    assert message(with_order(order(*steps))) == f"setup.toml: {expected}"


def test_may_turn_back_is_true_or_false(with_order: Callable[[str], Path]) -> None:
    text = order(PREPARE, CAMSHAFT, MAGNETO, FINISH, head='may_turn_back = "yes"\n')
    assert message(with_order(text)) == 'setup.toml: may_turn_back: expected true or false, got "yes"'


@pytest.mark.parametrize(
    ("edits", "expected"),
    [
        (
            {"[crank]": 'hand = "port"\n[crank]', "driven_teeth = 18": 'driven_teeth = 18\nhand = "starboard"'},
            "couplings.quill.hand: quill is of the starboard hand, but the engine is of the port hand",
        ),
        (
            {"driven_teeth = 18": 'driven_teeth = 18\nhand = "port"'},
            "couplings.quill.hand: quill is of the port hand, but the engine states no hand: layout.hand",
        ),
        (
            {"driven_teeth = 18": 'driven_teeth = 18\nbank = "B"'},
            'couplings.quill.bank: unknown bank "B"; defined: A',
        ),
        (
            {"driven_teeth = 15": 'driven_teeth = 15\nbank = "A"'},
            "couplings.sleeve.bank: sleeve is made for bank A, but it drives no camshaft where it stands",
        ),
        (
            {
                "[crank]": 'hand = "port"\n[crank]',
                'drives = "left magneto"': 'drives = "left magneto"\nhand = "starboard"',
            },
            "trains.left magneto.hand: the train of left magneto is of the starboard hand, but the engine is of the "
            "port hand",
        ),
    ],
)
def test_parts_of_the_other_hand_or_bank(make_folder: MakeFolder, edits: dict[str, str], expected: str) -> None:
    assert message(make_folder(edits)) == f"engine.toml: {expected}"


def test_handed_parts_where_they_belong(make_folder: MakeFolder) -> None:
    keys = 'driven_teeth = 18\nhand = "port"\nbank = "A"'
    engine = library.engine(str(make_folder({"[crank]": 'hand = "port"\n[crank]', "driven_teeth = 18": keys})))
    assert (engine.sheet.hand, engine.couplings["quill"].data.hand, engine.couplings["quill"].data.bank) == (
        "port",
        "port",
        "A",
    )
