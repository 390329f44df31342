"""Try it yourself: the state of a trial, against exact fractions, the set-up played with the same mistake, and the
state of the mechanism."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quillwise.kinematics.assembly import Open
from quillwise.kinematics.couplings import best
from quillwise.kinematics.motion import motion
from quillwise.kinematics.room import least_room
from quillwise.kinematics.sequence import play
from quillwise.kinematics.steps import Mistake
from quillwise.kinematics.timing import early_crank_deg, timing_table
from quillwise.scenes.library import engine
from quillwise.viz import bench_trial
from quillwise.viz.bench_trial import BenchTrial
from quillwise.viz.captions import covered
from quillwise.viz.trial_words import told

SCENES = ("larkfell-port", "larkfell-starboard", "slipway-six", "gantry-eight", "launch-inverted")
# two of them in every run, the others with the slow tests
_QUICK = ("larkfell-port", "slipway-six")
_SOME = [pytest.param(name, marks=() if name in _QUICK else pytest.mark.slow) for name in SCENES]
ENGINES = {name: engine(name) for name in SCENES}
STEPS = {name: play(each).steps for name, each in ENGINES.items()}


def _trials(kind: str):
    found = []
    for name in SCENES:
        for step in STEPS[name]:
            trial = bench_trial.begin(ENGINES[name], step)
            # a home step is tried as its try step
            again = step.key.endswith("-home")
            if trial is not None and not again and (trial.kind == "teeth") == (kind == "teeth"):
                marks = () if name in _QUICK else pytest.mark.slow
                found.append(pytest.param(ENGINES[name], step, trial, id=f"{name} {step.key}", marks=marks))
    return found


def _do(engine, step, trial: BenchTrial, *deeds: str) -> BenchTrial:
    for deed in deeds:
        trial = bench_trial.acted(engine, step, trial, deed)
    return trial


def test_every_try_home_nip_and_break_can_be_tried_and_no_other() -> None:
    for name in SCENES:
        for step in STEPS[name]:
            tried = bench_trial.begin(ENGINES[name], step) is not None
            assert tried == step.key.endswith(("-try", "-home", "-nip", "-break")), (name, step.key)


@pytest.mark.parametrize(("engine", "step", "trial"), _trials("teeth"))
@settings(max_examples=5, deadline=None)
@given(deeds=st.lists(st.sampled_from(["driving on", "driving back", "driven on", "driven back"]), max_size=9))
def test_out_of_line_is_that_of_the_teeth_counted_exactly(engine, step, trial, deeds) -> None:
    """Computed: out = phase + k·360/N₁ − m·360/N₂ − held, in exact fractions of the counts."""
    trial = _do(engine, step, trial, *deeds)
    own = engine.couplings[trial.coupling]
    driven = engine.shafts[own.driven]
    state = motion(engine, step.during, step.crank_deg[0])
    held = driven.sense * (trial.shaft_deg - float(state[own.driving][0]))
    teeth = Fraction(360 * trial.driving_tooth, own.data.driving_teeth) - Fraction(
        360 * trial.driven_tooth, own.data.driven_teeth
    )
    exact = own.data.tooth_phase_deg + float(teeth) - held
    now = bench_trial.offered(engine, step, trial)
    assert now.out_of_line_deg == pytest.approx(exact, abs=1e-6)
    assert now.out_of_line_crank_deg == pytest.approx(exact / abs(float(driven.turns)), abs=1e-6)
    half = 180 / own.data.driven_teeth
    assert (now.verdict == "does not go in") or abs(now.out_of_line_deg) <= half + 1e-9


@pytest.mark.parametrize(("engine", "step", "trial"), _trials("teeth"))
def test_it_goes_home_at_the_best_tooth_and_the_shaft_gives_by_what_was_out_of_line(engine, step, trial) -> None:
    chosen = best(step.trials)
    trial = _do(engine, step, trial, *["driving on"] * chosen.driving_tooth)
    before = motion(engine, bench_trial.moment(engine, step, trial).assembly, step.crank_deg[0])
    home = _do(engine, step, trial, "home")
    assert (home.home, home.refused) == (True, "")
    after = motion(engine, bench_trial.moment(engine, step, home).assembly, step.crank_deg[0])
    own = engine.couplings[trial.coupling]
    moved = engine.shafts[own.driven].sense * (after[own.driven] - before[own.driven])
    assert float(moved[0]) == pytest.approx(chosen.out_of_line_deg, abs=1e-6)
    assert float(after[f"{own.name} drawn"][0]) == 0.0
    assert float(before[f"{own.name} drawn"][0]) == own.drawn_mm


@pytest.mark.parametrize("name", _SOME)
def test_a_wrong_tooth_does_to_the_events_what_the_set_up_with_that_mistake_does(name) -> None:
    built = ENGINES[name]
    for step in STEPS[name]:
        if not step.key.endswith("-try"):
            continue
        wrong = (best(step.trials).driving_tooth + 2) % len(step.trials)
        trial = bench_trial.begin(built, step)
        assert trial is not None
        trial = _do(built, step, trial, *["driving on"] * wrong)
        found = bench_trial.effects(built, step, trial)
        played = play(built, [Mistake(kind="other-tooth", at=step.coupling, amount=2)])
        for effect in found:
            shaft = effect.whose.removesuffix(" magneto")
            shaft = built.magnetos[shaft].rotor if shaft in built.magnetos else shaft
            expected = early_crank_deg(built, played.as_set, shaft)
            assert expected is not None
            assert effect.early_deg == pytest.approx(expected, abs=0.02), (step.key, effect)
            assert abs(effect.early_deg) > effect.limit_deg or effect.verdict != "reject"
        assert found


@pytest.mark.parametrize(("engine", "step", "trial"), _trials("turn"))
def test_a_free_shaft_turned_to_its_place_sets_the_events_right(engine, step, trial) -> None:
    start = bench_trial.ahead_crank_deg(engine, step, trial)
    assert start < -10
    early = bench_trial.effects(engine, step, trial)
    coarse = int(-start // bench_trial.COARSE_DEG)
    trial = _do(engine, step, trial, *["driving on"] * coarse)
    assert not trial.refused
    left = bench_trial.ahead_crank_deg(engine, step, trial)
    trial = _do(engine, step, trial, *["driven on"] * round(-left / bench_trial.FINE_DEG))
    assert abs(bench_trial.ahead_crank_deg(engine, step, trial)) <= bench_trial.FINE_DEG
    for before, after in zip(early, bench_trial.effects(engine, step, trial), strict=True):
        # nearer by all that it was turned, but for what the teeth leave over (half a step at most, both times)
        assert after.early_deg - before.early_deg == pytest.approx(-start, abs=1.5)
        assert after.verdict != "reject"
    sign = next(text for sign, text in told(engine, step, trial).lines if sign == "✓")
    assert sign == "Held at its place."


# one at which a whole turn strikes, and one magneto, in every run
@pytest.mark.parametrize(
    ("engine", "step", "trial"),
    [
        pytest.param(*each.values, id=each.id, marks=() if str(each.id).startswith("slipway") else pytest.mark.slow)
        for each in _trials("turn")
    ],
)
def test_turning_stops_before_a_valve_strikes(engine, step, trial) -> None:
    driven = engine.couplings[trial.coupling].driven
    refused = 0
    for _ in range(180 if engine.couplings[trial.coupling].data.kind == "quill" else 3):
        before = trial
        trial = bench_trial.acted(engine, step, trial, "driving on")
        room = least_room(engine, step.during, step.crank_deg[0], {driven: trial.shaft_deg})
        assert room is None or not room.strikes
        if trial.refused:
            refused += 1
            assert trial.shaft_deg == before.shaft_deg
            assert "would strike its piston" in trial.refused
            break
    if trial.kind == "magneto":
        assert not refused, "a magneto opens no valve"
        return
    every = np.linspace(0.0, 720.0, 721) * abs(float(engine.shafts[driven].turns))
    whole = least_room(engine, step.during, np.full(721, step.crank_deg[0]), {driven: every})
    assert bool(refused) == (whole is not None and whole.strikes)


def test_what_cannot_be_done_is_refused_in_words_and_changes_nothing() -> None:
    built, step = ENGINES["larkfell-port"], next(s for s in STEPS["larkfell-port"] if s.key == "a-try")
    trial = bench_trial.begin(built, step)
    assert trial is not None
    assert _do(built, step, trial, "draw").refused == "The quill is drawn already."
    tight = next(each for each in step.trials if each.verdict == "does not go in")
    trial = _do(built, step, trial, *["driving on"] * tight.driving_tooth)
    refused = _do(built, step, trial, "home")
    assert not refused.home
    assert refused.refused.startswith("The quill does not go in.")
    assert told(built, step, refused).lines[0] == ("!", refused.refused)
    forced = _do(built, step, refused, "let go")
    assert (forced.home, forced.refused) == (True, "")
    assert isinstance(bench_trial.moment(built, step, trial).assembly.engagements["quill-a"], Open)
    turned = _do(built, step, forced, "driving on")
    assert turned.driving_tooth == forced.driving_tooth
    assert turned.refused == "The quill is home: draw it first."
    drawn = _do(built, step, turned, "draw")
    assert not drawn.home
    table = timing_table(built, bench_trial.coupled(built, step, forced))
    inlet = next(event for event in table if event.name == "A1 inlet opens")
    assert inlet.early_deg == pytest.approx(bench_trial.effects(built, step, forced)[0].early_deg, abs=0.01)


def test_another_tooth_of_the_driven_mate_is_a_whole_pitch_further_out() -> None:
    for param in _trials("teeth"):
        built, step, trial = param.values
        pitch = 360 / built.couplings[trial.coupling].data.driven_teeth
        on = _do(built, step, trial, "driven on")
        gone = bench_trial.offered(built, step, trial).out_of_line_deg
        assert bench_trial.offered(built, step, on).out_of_line_deg == pytest.approx(gone - pitch)
        assert bench_trial.offered(built, step, _do(built, step, on, "driven back")) == step.trials[0]


@pytest.mark.parametrize("kind", ["teeth", "turn"])
def test_what_is_told_can_be_lettered_and_ends_in_the_crank_degrees_of_the_events(kind) -> None:
    for param in _trials(kind)[::2]:
        says = told(*param.values)
        text = " ".join((says.title, *(sign + line for sign, line in says.lines)))
        assert covered(text), text
        assert "crank degrees" in says.lines[-1][1] or "WARNING" in says.lines[-1][1]


@pytest.mark.parametrize("name", ["larkfell-port", "gantry-eight"])
def test_once_round_the_driven_mate_is_the_same_place(name: str) -> None:
    """Even and odd counts of driven teeth: every tooth once, then the first again; what goes in is the same there."""
    built = engine(name)
    for step in play(built).steps:
        if not step.key.endswith("-try"):
            continue
        count = built.couplings[step.coupling].data.driven_teeth
        trial = first = bench_trial.begin(built, step)
        seen = set()
        for _ in range(count):
            seen.add(trial.driven_tooth % count)
            trial = _do(built, step, trial, "driven on")
        assert seen == set(range(count))
        assert trial == first


def test_what_is_offered_is_early_by_what_the_events_are() -> None:
    """The coupling's own count against the timing table, a tooth of the driven mate on either side."""
    for name in ("larkfell-port", "larkfell-starboard"):
        built = engine(name)
        step = next(step for step in play(built).steps if step.key == "a-try")
        trial = bench_trial.begin(built, step)
        turns = float(abs(built.shafts[built.couplings[trial.coupling].driven].turns))
        before = bench_trial.offered(built, step, trial), bench_trial.effects(built, step, trial)[0]
        for deed in ("driven on", "driven back"):
            other = _do(built, step, trial, deed)
            after = bench_trial.offered(built, step, other), bench_trial.effects(built, step, other)[0]
            told = (after[0].early_deg - before[0].early_deg) / turns
            assert told == pytest.approx(after[1].early_deg - before[1].early_deg, abs=0.05)
