"""Steps: moves in time, frames, and mistakes by name."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from random_engines import in_line_six, setup_of

from quillwise.kinematics.assembly import intended
from quillwise.kinematics.build import build
from quillwise.kinematics.errors import RequestError
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import CRANK, Mistake, Move, Step, frame, parse_mistake
from quillwise.kinematics.wording import Text
from quillwise.scenes.library import engine as packaged

ENGINE = packaged("larkfell-port")


def step(*moves: Move) -> Step:
    assembly = intended(ENGINE)
    text = Text(title="Turn", do=("Turn.",))
    return Step(
        number=1,
        key="turn",
        job="turn",
        text=text,
        focus="whole",
        about=(),
        crank_deg=(10.0, 10.0),
        moves=moves,
        during=assembly,
        after=assembly,
    )


@given(
    st.floats(-500, 500),
    st.floats(-500, 500),
    st.floats(0, 0.5),
    st.floats(0.55, 1.0),
    st.floats(0, 1),
    st.floats(0, 1),
)
def test_move_goes_once_from_start_to_end(
    start: float, end: float, begin: float, until: float, one: float, other: float
) -> None:
    move = Move(coordinate="x", start=start, end=end, begin=begin, until=until)
    assert move.at(0.0) == start
    assert move.at(begin) == start
    assert move.at(until) == pytest.approx(end)
    assert move.at(1.0) == pytest.approx(end)
    early, late = move.at(min(one, other)), move.at(max(one, other))
    assert (late - early) * np.sign(end - start) >= -1e-9, "it never goes back"


def test_move_starts_and_stops_softly() -> None:
    move = Move(coordinate="x", start=0.0, end=1.0)
    assert move.at(0.5) == pytest.approx(0.5)
    assert move.at(0.01) < 1e-3 and 1 - move.at(0.99) < 1e-3


def test_move_of_no_length_jumps_at_its_time() -> None:
    move = Move(coordinate="x", start=0.0, end=1.0, begin=0.5, until=0.5)
    assert [move.at(fraction) for fraction in (0.0, 0.49, 0.5, 1.0)] == [0.0, 0.0, 1.0, 1.0]


def test_frame_takes_the_moves_of_one_coordinate_one_after_the_other() -> None:
    made = step(
        Move(coordinate="x", start=0.0, end=4.0, begin=0.0, until=0.4),
        Move(coordinate="x", start=4.0, end=6.0, begin=0.6, until=1.0),
        Move(coordinate="y", start=7.0, end=9.0, begin=0.5),
    )
    values = [frame(made, fraction).free["x"] for fraction in (0.0, 0.4, 0.5, 0.8, 1.0 - 1e-9)]
    assert values == pytest.approx([0.0, 4.0, 4.0, 5.0, 6.0])
    assert frame(made, 0.2).free["y"] == 7.0, "before its time a coordinate stands at its start"
    assert frame(made, 0.2).crank_deg == 10.0


def test_crank_is_not_a_free_coordinate() -> None:
    moment = frame(step(Move(coordinate=CRANK, start=10.0, end=50.0)), 1.0 - 1e-9)
    assert moment.crank_deg == pytest.approx(50.0)
    assert CRANK not in moment.free


@pytest.mark.parametrize(
    ("text", "mistake"),
    [
        ("other-tooth:quill-a=+2", Mistake(kind="other-tooth", at="quill-a", amount=2)),
        ("other-tooth:quill-a=-3", Mistake(kind="other-tooth", at="quill-a", amount=-3)),
        ("other-tooth:sleeve-inlet", Mistake(kind="other-tooth", at="sleeve-inlet", amount=1)),
        ("wrong-mark:camshaft B", Mistake(kind="wrong-mark", at="camshaft B")),
        (
            "wrong-mark:camshaft B=A1 inlet opens",
            Mistake(kind="wrong-mark", at="camshaft B", mark="A1 inlet opens"),
        ),
        ("exhaust-stroke: exhaust-side", Mistake(kind="exhaust-stroke", at="exhaust-side")),
    ],
)
def test_mistakes_are_read_and_written(text: str, mistake: Mistake) -> None:
    assert parse_mistake(ENGINE, text) == mistake
    assert parse_mistake(ENGINE, str(mistake)) == mistake


COUPLINGS = "quill-a, quill-b, sleeve-exhaust, sleeve-inlet"
MARKS = "B6 inlet opens, A1 exhaust-side points break, A1 inlet-side points break"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "other-tooh:quill-a",
            'unknown mistake "other-tooh"; defined: other-tooth, wrong-mark, exhaust-stroke '
            "(did you mean other-tooth?)",
        ),
        (
            "other-tooth:quil-a=+1",
            f'unknown coupling "quil-a"; defined: {COUPLINGS} (did you mean quill-a?)',
        ),
        ("other-tooth:quill-a=two", 'expected a whole number of teeth after "=", got "two"'),
        ("other-tooth:quill-a=34", "expected a number of teeth that is not a multiple of 17, got 34"),
        (
            "wrong-mark:camshaft C",
            'unknown camshaft or magneto "camshaft C"; defined: camshaft A, camshaft B, exhaust-side, inlet-side '
            "(did you mean camshaft B?)",
        ),
        ("wrong-mark:camshaft A=A2", f'unknown mark "A2"; defined: {MARKS}'),
        (
            "wrong-mark:camshaft A=A1 inlet opens",
            f'"A1 inlet opens" is the right mark for camshaft A; others: {MARKS}',
        ),
        ("exhaust-stroke:inlet-side=+2", 'expected nothing after "inlet-side", got "=+2"'),
        (
            "exhaust-stroke:camshaft A",
            'unknown magneto "camshaft A"; defined: exhaust-side, inlet-side',
        ),
    ],
)
def test_mistakes_that_cannot_be(text: str, message: str) -> None:
    with pytest.raises(RequestError) as caught:
        parse_mistake(ENGINE, text)
    assert str(caught.value) == message


def test_there_is_no_wrong_mark_on_a_disc_with_one() -> None:
    sheet = in_line_six()
    alone = replace(sheet, magnetos=(), couplings=sheet.couplings[:1], trains=sheet.trains[:2])
    engine = build(replace(alone, setup=setup_of([("A", "A1", "inlet opens")], [])))
    with pytest.raises(RequestError) as caught:
        parse_mistake(engine, "wrong-mark:camshaft A")
    assert str(caught.value) == (
        'the timing disc bears no mark but "A1 inlet opens": there is no wrong one to take for camshaft A'
    )


def test_there_is_no_wrong_mark_for_what_the_set_up_does_not_set() -> None:
    """A camshaft that is geared to the crank without a coupling needs no step of its own."""
    jobs = tuple(job for job in ENGINE.sheet.setup if job.camshaft != "camshaft B")
    engine = replace(ENGINE, sheet=replace(ENGINE.sheet, setup=jobs))
    with pytest.raises(RequestError) as caught:
        parse_mistake(engine, "wrong-mark:camshaft B")
    assert str(caught.value) == "no step of the set-up sets camshaft B: there is no mark to take a wrong one for"


def test_mistake_is_written_on_the_step_that_it_changes_and_on_no_other() -> None:
    steps = play(ENGINE, [parse_mistake(ENGINE, "other-tooth:quill-b=+2")]).steps
    assert [s.key for s in steps if s.mistake] == ["b-try"]
