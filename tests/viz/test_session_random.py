"""Trials, questions, comparison and room of random engines: whatever keys are pressed, nothing breaks and no figure
lies."""

from __future__ import annotations

import pytest
import random_engines
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import motion
from quillwise.kinematics.room import room_in
from quillwise.kinematics.sequence import play
from quillwise.viz import bench_trial, lesson, part_words, room_view, session
from quillwise.viz.actions import ACTIONS
from quillwise.viz.captions import covered
from quillwise.viz.layout import layout
from quillwise.viz.panels import text_panel
from quillwise.viz.playback import Playback
from quillwise.viz.session import Session
from quillwise.viz.trial_words import told

_KEYS = [key for action in ACTIONS for key in action.keys[:1]] + ["1", "2", "3", "4"]


def _work_through(built: Engine, data: st.DataObject) -> None:
    work = session.work(built, play(built))
    at = layout((1280, 720))
    size = at.text[2] - at.text[0], at.text[3] - at.text[1]
    tried = [number for number, step in enumerate(work.steps) if bench_trial.begin(built, step) is not None]
    now = Session(playback=Playback(step=data.draw(st.sampled_from(tried or [0]))))
    for key in ["t", *data.draw(st.lists(st.sampled_from(_KEYS), max_size=14))]:
        now = session.pressed(now, key, work)
        now = session.advanced(now, 0.3, work)
        step = session.step_of(now, work)
        shown = session.moment(now, work)
        state = motion(built, shown.assembly, shown.crank_deg, shown.free)
        session.pressed_keys(now)
        assert "Right" in session.idle_keys(now, work) or now.playback.step < len(work.steps) - 1
        if now.trial is not None:
            says = told(built, step, now.trial)
            assert covered(" ".join(text for _, text in says.lines)), says
            if now.trial.kind == "camshaft":
                room = room_in(built, state, shown.crank_deg)
                begun = bench_trial.begin(built, step)
                assert begun is not None
                before = bench_trial.strike_ahead(built, step, begun, 0.0)
                assert room is None or not room.strikes or (before is not None and before.strikes)
        if now.comparing:
            session.wanted(now, work)
    space = room_view.space(built, shown, state, None, look_ahead=True)
    room_view.draw(space, (138, 144))
    text_panel(now, work, size, at.scale)
    for number in range(len(work.steps)):
        for question in lesson.questions(built, work.steps, number):
            assert 0 <= question.answer < len(question.choices) == len(set(question.choices))
    for part in built.parts:
        assert part_words.told(built, part, state)


@settings(max_examples=6, deadline=None, suppress_health_check=list(HealthCheck))
@given(random_engines.engines(), st.data())
def test_any_keys_at_any_engine(built: Engine, data: st.DataObject) -> None:
    _work_through(built, data)


@pytest.mark.slow
@settings(max_examples=120, deadline=None, suppress_health_check=list(HealthCheck))
@given(random_engines.engines(), st.data())
def test_any_keys_at_many_engines(built: Engine, data: st.DataObject) -> None:
    _work_through(built, data)
