"""Playing as arithmetic: keys, time and scrubbing, without a window. Expected values are computed from the steps."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import Step, frame
from quillwise.scenes.library import engine
from quillwise.viz import playback
from quillwise.viz.actions import BY_KEY
from quillwise.viz.playback import Playback

STEPS = play(engine("larkfell-port")).steps
NUMBER = {step.key: number for number, step in enumerate(STEPS)}

CRANKED = [step.key for step in STEPS if step.crank_deg[0] != step.crank_deg[1]]


def _at(key: str, at_s: float = 0.0, **more: object) -> Playback:
    return replace(Playback(step=NUMBER[key], at_s=at_s), **more)  # type: ignore[arg-type]


def _crank(now: Playback) -> float:
    return playback.moment(now, STEPS).crank_deg


def _press(now: Playback, *keys: str) -> Playback:
    for key in keys:
        now = playback.pressed(now, key, STEPS)
    return now


def test_space_plays_and_pauses_and_starts_again_at_the_end() -> None:
    assert _press(Playback(), "space").playing
    assert not _press(Playback(), "space", "space").playing
    last = len(STEPS) - 1
    over = Playback(step=last, at_s=playback.length_s(STEPS[last]))
    assert _press(over, "space") == Playback(step=0, playing=True)


def test_arrows_go_to_the_beginning_of_steps_and_stop_at_the_ends() -> None:
    assert _press(_at("a-mark", 2.0), "Right") == _at("a-nip")
    assert _press(_at("a-mark", 2.0), "Left") == _at("a-near")
    assert _press(Playback(), "Left").step == 0
    assert _press(Playback(), "End").step == len(STEPS) - 1
    assert _press(Playback(), "End", "Right").step == len(STEPS) - 1
    assert _press(_at("a-mark", 2.0, playing=True), "Home") == Playback(step=0, playing=True)


def test_speed_goes_up_and_down_within_its_bounds() -> None:
    assert _press(Playback(), "Up").speed == 2.0
    assert _press(Playback(), "Down").speed == 0.5
    assert _press(Playback(), *["Up"] * 20).speed == max(playback.SPEEDS)
    assert _press(Playback(), *["Down"] * 20).speed == min(playback.SPEEDS)


def test_other_keys_change_nothing() -> None:
    now = _at("a-mark", 1.0, playing=True)
    assert _press(now, "x", "F1", "", "Shift_L") == now


def test_time_goes_through_all_steps_whatever_the_beat() -> None:
    total = sum(playback.length_s(step) for step in STEPS)
    for beat in (0.03, 0.7, total + 1):
        now, seconds = Playback(playing=True, speed=2.0), 0.0
        while now.playing:
            now = playback.advance(now, beat, STEPS)
            seconds += beat
        assert now.step == len(STEPS) - 1
        assert playback.fraction(now, STEPS) == 1.0
        assert total / 2 - 1e-6 <= seconds <= total / 2 + beat + 1e-6
    assert playback.advance(_at("a-mark"), 100.0, STEPS) == _at("a-mark"), "paused: time does not move it"


def test_the_moment_is_a_function_of_the_time_in_the_step() -> None:
    step = STEPS[NUMBER["a-mark"]]
    assert _crank(_at("a-mark")) == step.crank_deg[0]
    assert _crank(_at("a-mark", playback.length_s(step))) == step.crank_deg[1]
    halfway = _at("a-mark", playback.LEAD_S + playback.move_s(step) / 2)
    assert _crank(halfway) == pytest.approx(frame(step, 0.5).crank_deg)
    one = playback.advance(_at("a-mark", playing=True), 1.5, STEPS)
    many = _at("a-mark", playing=True)
    for _ in range(150):
        many = playback.advance(many, 0.01, STEPS)
    assert _crank(many) == pytest.approx(_crank(one), abs=1e-9)


@given(
    share=st.floats(0.0, 1.0),
    key=st.sampled_from([step.key for step in STEPS if step.crank_deg[0] != step.crank_deg[1]]),
)
def test_scrubbing_on_the_steps_way_gives_that_angle(share: float, key: str) -> None:
    step = STEPS[NUMBER[key]]
    wanted = step.crank_deg[0] + share * (step.crank_deg[1] - step.crank_deg[0])
    now = playback.scrubbed(_at(key, playing=True), wanted, STEPS)
    assert not now.playing
    assert now.crank_deg is None
    assert _crank(now) == pytest.approx(wanted, abs=1e-6)


def test_comma_and_period_turn_the_crank_by_one_degree_and_page_keys_by_ten() -> None:
    start = playback.scrubbed(_at("a-mark"), 320.0, STEPS)
    for key, degrees in (("period", 1.0), ("comma", -1.0), ("Next", 10.0), ("Prior", -10.0)):
        assert _crank(_press(start, key)) == pytest.approx(320.0 + degrees, abs=1e-6)


def test_off_the_steps_way_only_the_crank_moves_and_space_goes_on_from_there() -> None:
    past = _press(playback.scrubbed(_at("a-mark"), 338.0, STEPS), "Next")
    assert past.crank_deg == pytest.approx(348.0)
    own = playback.moment(replace(past, crank_deg=None), STEPS)
    assert playback.moment(past, STEPS).assembly is STEPS[NUMBER["a-mark"]].after
    back = _press(past, "space")
    assert back.playing
    assert back.crank_deg is None
    assert _crank(back) == own.crank_deg

    still = _at("a-try", 3.0)
    turned = _press(still, "period")
    assert turned.crank_deg == pytest.approx(339.0)
    assert playback.moment(turned, STEPS).free == playback.moment(still, STEPS).free
    assert _press(turned, "comma") == still


def test_turning_by_hand_after_a_quill_is_home_turns_what_it_drives() -> None:
    home = _at("a-home", playback.length_s(STEPS[NUMBER["a-home"]]))
    assert playback.moment(_press(home, "Next"), STEPS).assembly is STEPS[NUMBER["a-home"]].after


def test_a_place_in_the_cycle_is_taken_on_the_steps_way_else_at_the_nearest_turn() -> None:
    turns = STEPS[NUMBER["two-turns"]]  # 686 to 1406
    now = playback.scrubbed_to_cycle(_at("two-turns"), 100.0, STEPS)
    assert turns.crank_deg[0] < 820.0 < turns.crank_deg[1]
    assert _crank(now) == pytest.approx(820.0, abs=1e-6)
    near = playback.scrubbed_to_cycle(_at("a-nip"), 10.0, STEPS)  # the crank stands at 338
    assert near.crank_deg == pytest.approx(10.0)
    over = playback.scrubbed_to_cycle(_at("inlet-side-try"), 5.0, STEPS)  # it stands at 686: 725 is nearer than 5
    assert over.crank_deg == pytest.approx(725.0)


def test_every_step_is_shown_long_enough_to_be_read_and_not_too_long() -> None:
    assert all(2.0 <= playback.length_s(step) <= 20.0 for step in STEPS)
    assert all(playback.move_s(step) > 0 for step in STEPS if _moves(step))
    assert all(playback.move_s(step) == 0 for step in STEPS if not _moves(step))


def test_every_key_stands_on_the_help_page() -> None:
    signs = {"Right": "→", "Left": "←", "Up": "↑", "Down": "↓", "period": ".", "comma": ","}
    signs |= {"Next": "Page Down", "Prior": "Page Up"}
    for key in playback.KEYS:
        assert BY_KEY[key].shown == signs.get(key, key), key


def _moves(step: Step) -> bool:
    return any(move.start != move.end for move in step.moves)
