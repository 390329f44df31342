"""The rules of the project for step text (after Simplified Technical English, second hand), run over all text.

At most 20 words a sentence in a step, 25 in what is seen and in cautions; one instruction a sentence; imperative;
no "-ing" forms but technical names; a condition comes first, then a comma; figures, never "properly". Not tested:
three nouns in a row at most.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace

import pytest
from hypothesis import given, settings
from random_engines import engines, in_line_six, v_eight

from quillwise.kinematics import remedies, wording
from quillwise.kinematics.build import build
from quillwise.kinematics.datasheet import DataSheet
from quillwise.kinematics.model import Engine
from quillwise.kinematics.recovery import slips_at, way_back
from quillwise.kinematics.sequence import Played, play
from quillwise.kinematics.steps import Step, parse_mistake
from quillwise.kinematics.wording import Caution, Text
from quillwise.scenes.library import engine as packaged

TECHNICAL_NAMES = {
    "timing",
    "briefing",
    "running",
    "checking",
    "driving",
    "reading",
    "bearing",
    "casing",
    "coupling",
    "spring",
    "gearing",
}
PLAIN_WORDS = {"anything", "bring", "everything", "nothing", "something"}  # end in -ing without being a form of a verb
VAGUE = re.compile(
    r"\b(properly|correctly|as required|as necessary|if necessary|sufficient\w*|adequate\w*|appropriate\w*|"
    r"make sure|ensure|should|shall|may|might|etc)\b",
    re.IGNORECASE,
)
IMPERATIVES = {
    "ask",
    "assume",
    "blank",
    "bring",
    "call",
    "close",
    "come",
    "connect",
    "disconnect",
    "do",
    "drain",
    "draw",
    "examine",
    "find",
    "fit",
    "follow",
    "hold",
    "isolate",
    "keep",
    "leave",
    "let",
    "lock",
    "make",
    "move",
    "note",
    "offer",
    "paint",
    "park",
    "pass",
    "prove",
    "push",
    "put",
    "remove",
    "retain",
    "set",
    "stop",
    "take",
    "try",
    "turn",
    "uncouple",
    "ventilate",
    "write",
}
FIRST_WORDS = {"if", "when", "with", "after", "first", "then", "at", "before", "in", "until"}


def sentences(text: str) -> list[str]:
    """Split at full stops; one inside a figure ("0.40 mm") is none."""
    return [part.strip() for part in re.split(r"(?<=[.?!])\s+", text) if part.strip()]


def words(sentence: str) -> list[str]:
    return re.findall(r"[A-Za-z0-9°“”'.\-]*[A-Za-z0-9°][A-Za-z0-9°“”'.\-]*", sentence)


def changed(sheet: DataSheet) -> DataSheet:
    """The room not known, timed by a closing exhaust valve, a low bank."""
    inlet = replace(sheet.inlet, room_at_tdc_mm=None)
    banks = tuple(replace(bank, turn_deg=180.0) for bank in sheet.banks)
    by = tuple(replace(s, by="exhaust closes") if s.do == "set-camshaft" else s for s in sheet.setup)
    return replace(sheet, inlet=inlet, setup=by, banks=banks)


def everything_played() -> Iterator[Played]:
    for name in ("larkfell-port", "larkfell-starboard"):
        engine = packaged(name)
        yield play(engine)
        for mistake in (
            "other-tooth:quill-b=+6",
            "other-tooth:sleeve-inlet=2",
            "wrong-mark:camshaft B",
            "wrong-mark:exhaust-side=A1 inlet opens",
            "exhaust-stroke:exhaust-side",
        ):
            yield play(engine, [parse_mistake(engine, mistake)])
    for sheet in (in_line_six(), v_eight("anticlockwise"), changed(in_line_six()), *other_ways()):
        yield play(build(sheet))


def other_ways() -> Iterator[DataSheet]:
    """Timed by lobes and lifts, by the piston, by the plug hole, with nothing to move, with an impulse starter."""
    six = in_line_six()
    wide = replace(
        six, inlet=replace(six.inlet, opens_deg=325), exhaust=replace(six.exhaust, closes_deg=395), may_turn_back=True
    )
    prepare, camshaft, magneto, finish = six.setup
    for keys in (
        {"by": "lobe centre"},
        {"by": "lift at TDC"},
        {"by": "lift at TDC", "lobe": "exhaust"},
        {"crank_by": "piston"},
        {"by": "inlet closes", "crank_by": "piston"},
    ):
        yield replace(wide, setup=(prepare, replace(camshaft, **keys), magneto, finish))  # type: ignore[arg-type]
    by_hole = replace(magneto, prove_stroke="plug hole")
    yield replace(six, setup=(prepare, by_hole, camshaft, finish))
    impulse = replace(six.magnetos[0], impulse_lag_deg=20.0, timed_at="full retard")
    yield replace(six, magnetos=(impulse,), setup=(prepare, camshaft, by_hole, finish))
    trains = tuple(replace(t, stages=tuple(s for s in t.stages if not s.coupling)) for t in six.trains)
    yield replace(six, trains=trains, couplings=())


def every_way_back() -> Iterator[Step]:
    unknown_room = changed(in_line_six())
    for sheet in (in_line_six(), replace(in_line_six(), may_turn_back=True), unknown_room):
        engine = build(sheet)
        done = play(engine)
        for step in done.steps:
            for slip in slips_at(engine, step):
                yield from way_back(engine, done, step, slip)


TEXTS = [step.text for played in everything_played() for step in played.steps]
TEXTS += [step.text for step in every_way_back()]
CAUTIONS = [value for words in (wording, remedies) for value in vars(words).values() if isinstance(value, Caution)]


def unique(parts: Iterator[str]) -> list[str]:
    return sorted(set(parts))


DO = unique(sentence for text in TEXTS for line in text.do for sentence in sentences(line))
SEE = unique(sentence for text in TEXTS for _, line in text.see for sentence in sentences(line))
SAID = unique(sentence for caution in CAUTIONS for sentence in sentences(caution.text))
TITLES = unique(text.title for text in TEXTS)
LEGENDS = [*wording.LEVELS.values(), wording.DISCLAIMER, wording.FIRST_LINE]
ALL = [*DO, *SEE, *SAID, *TITLES, *LEGENDS]


def test_there_is_text_of_every_kind() -> None:
    assert len(DO) > 50 and len(SEE) > 40 and len(SAID) > 15 and len(TITLES) > 25


def faults(lines: list[str], wrong: object) -> list[str]:
    return [line for line in lines if wrong(line)]  # type: ignore[operator]


def test_a_step_has_20_words_a_sentence_at_most() -> None:
    assert faults([*DO, *TITLES], lambda line: len(words(line)) > 20) == []


def test_descriptions_and_cautions_have_25_words_a_sentence_at_most() -> None:
    assert faults([*SEE, *SAID, *LEGENDS], lambda line: len(words(line)) > 25) == []


def test_no_ing_forms_but_technical_names() -> None:
    allowed = TECHNICAL_NAMES | PLAIN_WORDS | {f"{name}s" for name in TECHNICAL_NAMES}
    forms = {word.lower() for line in ALL for word in re.findall(r"\b[A-Za-z]+ings?\b", line)}
    assert forms - allowed == set()


def test_no_vague_words() -> None:
    assert faults(ALL, VAGUE.search) == []


def test_every_instruction_starts_with_its_verb_or_with_its_condition() -> None:
    def wrong(line: str) -> bool:
        first = words(line)[0].lower()
        return first not in IMPERATIVES | FIRST_WORDS

    outcome = re.compile(r"The (quill|sleeve) goes in without a turn\.")
    assert faults([line for line in DO if not outcome.fullmatch(line)], wrong) == []


def test_one_instruction_a_sentence() -> None:
    second = re.compile(r"\band (?:then )?(" + "|".join(sorted(IMPERATIVES)) + r")\b")
    assert faults([*DO, *SAID], second.search) == []


def test_condition_comes_first_and_then_a_comma() -> None:
    assert faults([*DO, *SAID], re.compile(r"(?<!as)[ ,](if|when|unless)\b").search) == []
    opening = re.compile(r"(If|When|After|Before|With)\b[^,]*\.$")
    assert faults([*DO, *SAID], opening.match) == []


def test_sentences_end_and_start_as_sentences() -> None:
    assert faults([*DO, *SEE, *SAID, *LEGENDS], lambda line: not line.endswith(".")) == []
    assert faults([*DO, *SAID], lambda line: not line[0].isupper()) == []
    assert faults(TITLES, lambda line: line.endswith(".")) == []
    assert faults(ALL, re.compile(r"  |\bnan\b|\binf\b|None|\(\)|-0\.0").search) == []


def test_every_direction_names_the_end_it_is_seen_from() -> None:
    assert faults(ALL, re.compile(r"clockwise(?!, seen from the \w+ )").search) == []


def test_one_name_for_one_thing() -> None:
    # the two that are mixed up most: the magneto rotor and the distributor's; and leads against early
    assert faults(ALL, re.compile(r"(?<!magneto )\brotor\b").search) == []
    assert faults(ALL, re.compile(r"\b(lash|gap of the valve|contact breaker|distributor arm)\b").search) == []


def test_cautions_stand_in_order_of_their_weight() -> None:
    order = list(wording.LEVELS)
    assert order == ["WARNING", "CAUTION", "NOTE"]
    for text in TEXTS:
        levels = [order.index(caution.level) for caution in text.cautions]
        assert levels == sorted(levels), text.title


def test_low_cylinders_warn_of_oil() -> None:
    low = next(iter(play(build(changed(in_line_six()))).steps)).text
    upright = next(iter(play(build(in_line_six())).steps)).text
    assert wording.OIL_LOCK in low.cautions and wording.OIL_LOCK not in upright.cautions


def test_live_magneto_is_said_again_at_the_meter() -> None:
    for step in play(packaged("larkfell-port")).steps:
        if any("meter" in line for line in step.text.do):
            assert wording.LIVE in step.text.cautions, step.key


@pytest.mark.parametrize(("teeth", "words_of_it"), [(0, "without a turn"), (1, "1 tooth "), (5, "5 teeth ")])
def test_teeth_are_counted_in_words(teeth: int, words_of_it: str) -> None:
    first = wording.out_of_line_words(2.5, 1.25, "does not go in")
    taken = wording.out_of_line_words(-0.1, -0.05, "eased")
    text = wording.try_teeth("quill-a", "quill", teeth, 1, "upper end", first, taken, True, 1)
    assert any(words_of_it in line for line in text.do)
    assert ("quill", "At first try: out of line by 2.50 degrees (1.25 crank degrees), it does not go in.") in text.see


@pytest.mark.parametrize(
    ("teeth", "of", "said"),
    [
        (15, 17, "Turn it 15 teeth on, or 2 back: on is clockwise, seen from the upper end."),
        (9, 17, "Turn it 9 teeth on, or 8 back: on is clockwise, seen from the upper end."),
        (8, 17, "Turn it 8 teeth clockwise, seen from the upper end."),
        (8, 16, "Turn it 8 teeth clockwise, seen from the upper end."),
        (1, 17, "Turn it 1 tooth clockwise, seen from the upper end."),
    ],
)
def test_the_shorter_way_round_is_offered(teeth: int, of: int, said: str) -> None:
    text = wording.try_teeth("quill-a", "quill", teeth, 1, "upper end", "first", "taken", True, 1, of)
    assert text.do[-1] == said


def test_an_impulse_starter_is_warned_of_where_the_data_have_one() -> None:
    six = in_line_six()
    with_it = build(replace(six, magnetos=(replace(six.magnetos[0], impulse_lag_deg=20.0),)))
    for engine, said, not_said in (
        (with_it, wording.IMPULSE, wording.FALSE_BREAK),
        (build(six), wording.FALSE_BREAK, wording.IMPULSE),
    ):
        cautions = [step.text.cautions for step in play(engine).steps if step.key in ("points", "single-break")]
        assert len(cautions) == 2
        assert all(said in some and not_said not in some for some in cautions)


def test_each_lever_is_locked_where_its_magneto_is_timed() -> None:
    port = packaged("larkfell-port").sheet
    one = replace(port.magnetos[1], timed_at="full retard")
    points = play(build(replace(port, magnetos=(port.magnetos[0], one)))).steps[2].text.do
    assert points[2:] == (
        "Move the advance lever of the exhaust-side magneto to full advance.",
        "Move the advance lever of the inlet-side magneto to full retard.",
        "Lock the levers there.",
    )
    points = play(build(port)).steps[2].text.do
    assert points[2:] == ("Move the advance lever to full advance.", "Lock the lever there.")


def test_home_says_which_way_the_event_moved() -> None:
    def seen(crank_deg: float) -> str:
        text: Text = wording.home("quill-a", "quill", "camshaft A", crank_deg, "A1 inlet opens")
        return text.see[0][1]

    assert seen(0.33) == "The quill moved camshaft A by 0.33 crank degrees: A1 inlet opens is that much earlier."
    assert seen(-0.33).endswith("later.")
    assert seen(0.001) == "The quill went in and camshaft A did not move."


@settings(max_examples=10, deadline=None)
@given(engines())
def test_rules_hold_for_other_engines(engine: Engine) -> None:
    for step in play(engine).steps:
        for line in step.text.do:
            assert all(len(words(sentence)) <= 20 for sentence in sentences(line)), line
        for _, line in step.text.see:
            assert all(len(words(sentence)) <= 25 for sentence in sentences(line)), line


@pytest.mark.parametrize(
    ("unproved", "rejected", "told"),
    [
        (0, 0, "All 48 readings are inside their limits."),
        (0, 8, "Of 48 readings, 8 are outside the limit."),
        (1, 0, "Of 48 readings, 1 is not proved."),
        (2, 1, "Of 48 readings, 1 is outside the limit, and 2 are not proved."),
    ],
)
def test_the_readings_are_told_by_what_there_is(unproved: int, rejected: int, told: str) -> None:
    assert wording.two_turns(unproved, rejected, 48, 48).see == (("timing table", told),)
