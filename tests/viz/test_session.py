"""What the keys do to what the window shows, the lesson, and the words of a comparison; without a window."""

from __future__ import annotations

import re

import numpy as np
import pytest

from quillwise.kinematics.angles import stroke
from quillwise.kinematics.assembly import Open
from quillwise.kinematics.couplings import best
from quillwise.kinematics.model import turning
from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import Mistake, parse_mistake
from quillwise.kinematics.timing import early_crank_deg
from quillwise.scenes.library import engine
from quillwise.viz import lesson, playback, session
from quillwise.viz.actions import ACTIONS, BY_KEY
from quillwise.viz.captions import covered
from quillwise.viz.lesson import Lesson
from quillwise.viz.playback import Playback
from quillwise.viz.session import Session
from quillwise.viz.trial_words import compared

SCENES = ("larkfell-port", "larkfell-starboard", "slipway-six", "gantry-eight", "launch-inverted")
# two of them in every run, the others with the slow tests
_QUICK = ("larkfell-port", "slipway-six")
_SOME = [pytest.param(name, marks=() if name in _QUICK else pytest.mark.slow) for name in SCENES]
PORT = engine("larkfell-port")
WORK = session.work(PORT, play(PORT))
NUMBER = {step.key: number for number, step in enumerate(WORK.steps)}


def _at(key: str) -> Session:
    return Session(playback=Playback(step=NUMBER[key]))


def _press(now: Session, *keys: str, work=WORK) -> Session:
    for key in keys:
        now = session.pressed(now, key, work)
    return now


def test_no_key_stands_for_two_actions_and_every_action_of_the_playing_is_known() -> None:
    keys = [key for action in ACTIONS for key in action.keys]
    assert len(keys) == len(set(keys))
    assert {action.keys[0] for action in ACTIONS if action.where == "play"} == set(playback.KEYS)
    assert all(covered(f"{action.shown} {action.button} {action.what}") for action in ACTIONS)


def test_a_trial_begins_with_t_goes_home_and_is_left() -> None:
    now = _press(_at("a-try"), "t")
    assert now.trial is not None
    assert isinstance(session.moment(now, WORK).assembly.engagements["quill-a"], Open)
    step = session.step_of(now, WORK)
    now = _press(now, *["k"] * best(step.trials).driving_tooth, "Return")
    assert now.trial is not None
    assert now.trial.home
    slides, places = [], []
    for _ in range(8):
        shown = session.moment(now, WORK)
        state = motion(PORT, shown.assembly, shown.crank_deg, shown.free)
        slides.append(float(state["quill-a drawn"][0]))
        places.append(float(state["inclined shaft A, upper"][0]))
        now = session.advanced(now, 0.1, WORK)
    assert slides[0] == PORT.couplings["quill-a"].drawn_mm
    assert slides[-1] == 0.0
    assert len(set(slides)) == 6, "it slides home in half a second, and stays"
    assert np.ptp(places) == pytest.approx(abs(best(step.trials).out_of_line_deg), abs=1e-9)
    drawn = _press(now, "d")
    assert "held where it was" in drawn.note
    for _ in range(8):
        drawn = session.advanced(drawn, 0.1, WORK)
    assert session.moment(drawn, WORK).free == {}
    assert drawn.drawn_share == 1.0
    assert early_crank_deg(PORT, session.moment(now, WORK).assembly, "camshaft A") == pytest.approx(0.01, abs=0.005)
    held = _press(now, "period")
    assert held.playback == now.playback
    assert "crank is held" in held.note
    assert session.scrubbed(now, 100.0, WORK).playback == now.playback
    assert _press(now, "Right").trial is None
    assert _press(now, "t").trial is None


def test_where_nothing_can_be_tried_the_next_step_that_can_is_named() -> None:
    now = _press(_at("safe"), "t")
    assert now.trial is None
    assert now.note == f"Nothing to try at this step: go to step {NUMBER['a-nip'] + 1}."
    assert "t" in session.idle_keys(now, WORK)
    assert "Nothing is being tried" in _press(now, "k").note


def test_a_wrong_choice_stands_beside_the_right_one_by_as_many_crank_degrees_as_it_is_out() -> None:
    now = _press(_at("a-try"), "t", "k", "k", "k", "c")
    assert now.comparing
    one = early_crank_deg(PORT, session.found(now, WORK), "camshaft A")
    other = early_crank_deg(PORT, session.wanted(now, WORK), "camshaft A")
    assert one is not None
    assert other is not None
    step = session.step_of(now, WORK)
    out = step.trials[3].out_of_line_crank_deg - best(step.trials).out_of_line_crank_deg
    assert one - other == pytest.approx(out, abs=1e-6)


def test_a_wrong_tooth_is_opened_beside_the_intended_one() -> None:
    played = play(PORT, [Mistake(kind="other-tooth", at="quill-a", amount=4)])
    work = session.work(PORT, played)
    assert work.fault == "quill-a put home 4 teeth on"
    now = _press(Session(), "c", work=work)
    assert now.comparing
    shown = session.moment(now, work)
    assert shown.assembly is played.as_set
    assert session.wanted(now, work) == play(PORT).as_set
    turned = _press(now, "Next", "Next", work=work)
    assert session.moment(turned, work).crank_deg == pytest.approx(shown.crank_deg + 20.0)
    told = compared(PORT, played.as_set, work.fault)
    wrong = [text for sign, text in told.lines if sign == "✗"]
    assert len(wrong) == 1
    assert "camshaft A" in wrong[0]
    assert sum(sign in "✓?" for sign, _ in told.lines if sign) == 3, "camshaft B and two magnetos as they should be"
    assert "Nothing was done wrong" in _press(Session(), "c").note


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("other-tooth:quill-a=-1", "quill-a put home 1 tooth back"),
        ("wrong-mark:camshaft A=B6 inlet opens", "camshaft A set at the mark “B6 inlet opens”"),
        ("wrong-mark:inlet-side", "inlet-side magneto set at another mark"),
        ("exhaust-stroke:exhaust-side", "exhaust-side magneto set on the exhaust stroke"),
    ],
)
def test_a_mistake_is_told_in_words(text: str, words: str) -> None:
    work = session.work(PORT, play(PORT, [parse_mistake(PORT, text)]))
    assert work.fault == words
    assert work.intended == WORK.played.as_set
    assert work.played.as_set != work.intended


def test_parts_are_hidden_made_faint_and_brought_back() -> None:
    valve, disc = Part(Kind.VALVE, "A1 inlet"), Part(Kind.DISC)
    now = session.picked(Session(), valve)
    now = _press(now, "g")
    assert now.ghosts == {valve}
    assert _press(now, "g").ghosts == frozenset()
    now = _press(session.picked(now, disc), "x")
    assert (now.hidden, now.picked) == ({disc}, None)
    assert _press(now, "x").note == "First click on a part."
    now = _press(now, "u")
    assert not now.hidden
    assert not now.ghosts


def test_a_lesson_stops_the_playing_and_marks_the_replies() -> None:
    now = _press(_at("a-mark"), "l")
    question = session.asked(now, WORK)
    assert question is not None
    assert question.about == "mark"
    assert question.choices[question.answer] == "A1 inlet opens"
    assert "First reply" in _press(now, "space").note
    assert session.replies(now, "2", WORK)
    assert not session.replies(now, str(len(question.choices) + 1), WORK), "a key for a view still"
    wrong = next(at for at in range(len(question.choices)) if at != question.answer)
    now = _press(now, str(wrong + 1))
    assert now.lesson is not None
    assert (now.lesson.right, now.lesson.wrong) == (0, 1)
    assert lesson.marked(question, wrong)[0] == "✗"
    while (question := session.asked(now, WORK)) is not None:
        now = _press(now, str(question.answer + 1))
    assert now.lesson is not None
    assert (now.lesson.right, now.lesson.wrong) == (2, 1), "stroke and direction"
    playing = _press(now, "space")
    assert playing.playback.playing
    for _ in range(400):
        playing = session.advanced(playing, 0.1, WORK)
    assert playing.playback.step == NUMBER["a-nip"], "it stops where the next step asks"
    assert not playing.playback.playing
    assert "2 right, 1 wrong" in _press(playing, "l").note


@pytest.mark.parametrize("name", _SOME)
def test_the_answers_are_those_of_the_data(name: str) -> None:
    built = engine(name)
    steps = play(built).steps
    about = {"mark": 0, "stroke": 0, "direction": 0, "tooth": 0}
    places = set()
    for number, step in enumerate(steps):
        for question in lesson.questions(built, steps, number):
            about[question.about] += 1
            right = question.choices[question.answer]
            assert len(set(question.choices)) == len(question.choices) >= 2
            assert covered(" ".join((question.text, question.why, *question.choices)))
            if question.about == "mark":
                mark = next(each for each in built.marks if each.label == right)
                # the step's crank ends there
                assert (step.crank_deg[1] - mark.crank_deg + 180) % 360 - 180 == pytest.approx(0, abs=1e-6)
            elif question.about == "stroke":
                cylinder = next(job.cylinder for job in built.sheet.setup if job.mark == step.mark)
                assert right == stroke(step.crank_deg[1] - built.cylinders[cylinder].firing_deg)
            elif question.about == "tooth":
                places.add(question.answer)
                out = [abs(each.out_of_line_deg) for each in step.trials]
                assert right == f"tooth {out.index(min(out))}"
            else:
                said = set(re.findall(r"\b(?:anti)?clockwise\b", " ".join(step.text.do)))
                # a turn of the crank to degrees, or of two turns, is "on": in its running direction
                assert said in ({right}, set()), (step.key, right)
                assert said or right == turning(built.sigma), (step.key, right)
    assert all(about[each] for each in ("stroke", "direction", "tooth")), about
    assert len(places) > 1, "the right tooth does not always stand at the same place"


def test_the_direction_does_not_turn_with_the_other_sense() -> None:
    """An engine that runs the other way: every answer the other one."""
    mirror = engine("larkfell-starboard")
    steps = play(mirror).steps
    for number, step in enumerate(WORK.steps):
        ours = [each for each in lesson.questions(PORT, WORK.steps, number) if each.about == "direction"]
        theirs = [each for each in lesson.questions(mirror, steps, number) if each.about == "direction"]
        assert len(ours) == len(theirs), step.key
        for one, other in zip(ours, theirs, strict=True):
            assert one.choices[one.answer] != other.choices[other.answer], step.key
    assert turning(1) == "clockwise"


def test_a_reply_is_marked_once() -> None:
    question = lesson.questions(PORT, WORK.steps, NUMBER["a-mark"])[0]
    once = lesson.replied(Lesson(), question, question.answer)
    assert lesson.replied(once, question, 1 - question.answer) is once
    assert lesson.replied(Lesson(), question, 9) == Lesson()


def test_every_button_of_the_help_has_a_key_and_every_key_an_action() -> None:
    for key in ("space", "t", "T", "Return", "KP_Enter", "Escape", "1", "6"):
        assert key in BY_KEY
