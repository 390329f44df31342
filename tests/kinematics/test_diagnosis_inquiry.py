"""Which reading next: the order of the proposals, and that what is chosen tells more than what is picked at random."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from random_engines import in_line_six

from quillwise.kinematics.angles import wrapped
from quillwise.kinematics.assembly import Assembly, engage, intended, move_teeth, with_mesh_teeth
from quillwise.kinematics.build import build
from quillwise.kinematics.candidates import candidates
from quillwise.kinematics.diagnosis import diagnose
from quillwise.kinematics.inquiry import next_reading
from quillwise.kinematics.readings import BreakReading, Entry, LiftReading, Proposal, Readings, Sight, ValveReading
from quillwise.kinematics.timing import early_crank_deg, timing_table
from quillwise.scenes.judging import packaged as packaged_judgement

DEFAULT = packaged_judgement()

ENGINE = build(in_line_six())
NONE_YET = Readings(entries=(), disc_proved=True)
MESH = ENGINE.shafts["camshaft A"].link
QUILL, SLEEVE = "quill-a", "sleeve"
RIGHT = intended(ENGINE)
FAULTS: list[tuple[Assembly, str]] = [
    (move_teeth(RIGHT, QUILL, 1, 0), QUILL),
    (move_teeth(RIGHT, QUILL, 0, -1), QUILL),
    (move_teeth(RIGHT, SLEEVE, -1, 0), SLEEVE),
    (move_teeth(RIGHT, SLEEVE, 0, 1), SLEEVE),
    (with_mesh_teeth(RIGHT, MESH, 1), f"gears {MESH}"),
    (with_mesh_teeth(RIGHT, MESH, -1), f"gears {MESH}"),
]


def answered(proposal: Proposal, assembly: Assembly, rng: np.random.Generator) -> Entry:
    """What is read, of an assembly whose clearances, gaps, leads and lever are right."""
    entry = proposal.entry
    if isinstance(entry, ValveReading | BreakReading):
        name = entry.name
        event = next(event for event in timing_table(ENGINE, assembly) if event.name == name)
        assert event.as_set_deg is not None
        return replace(entry, crank_deg=event.as_set_deg + rng.normal(0.0, entry.u_deg))
    if isinstance(entry, Sight) and entry.crank_deg is not None:
        seen = [one for one in proposal.outcomes if isinstance(one, Sight) and _shows(one, assembly)]
        return seen[0] if seen else entry
    return proposal.outcomes[0]


def _shows(sight: Sight, assembly: Assembly) -> bool:
    assert sight.crank_deg is not None
    if sight.kind == "rocking":
        early = early_crank_deg(ENGINE, assembly, "camshaft A") or 0.0
        own = sight.crank_deg + early - ENGINE.cylinders[sight.subject].firing_deg
        return abs(float(wrapped(own - 360.0, 720.0))) < 90.0
    magneto = ENGINE.magnetos[sight.subject]
    early = early_crank_deg(ENGINE, assembly, magneto.rotor) or 0.0
    at = magneto.due_deg[sight.cylinders[0]] + magneto.data.break_deg
    return abs(float(wrapped(sight.crank_deg + early - at, 720.0))) <= 360.0 / len(magneto.fires)


def after(assembly: Assembly, named: str, minutes: float, rng: np.random.Generator, chosen: bool) -> float:
    """Probability of the true cause when so many minutes are spent on readings."""
    readings, left = NONE_YET, minutes
    while True:
        proposals = next_reading(ENGINE, readings, DEFAULT)
        can = [one for one in proposals if one.minutes <= left and not one.destroys]
        can = [one for one in can if not isinstance(one.entry, LiftReading)]
        if not can:
            break
        one = can[0] if chosen else can[int(rng.integers(len(can)))]
        assert one.bits_per_minute <= max(other.bits_per_minute for other in can)
        readings = replace(readings, entries=(*readings.entries, answered(one, assembly, rng)))
        left -= one.minutes
    found = diagnose(ENGINE, readings, DEFAULT)
    return sum(cause.probability for cause in found.causes if cause.name.startswith(named))


def test_the_order_of_the_proposals() -> None:
    proposals = next_reading(ENGINE, NONE_YET, DEFAULT)
    kept = [one.bits_per_minute for one in proposals if not one.destroys]
    assert kept == sorted(kept, reverse=True)
    assert all(one.destroys == (one.kind == "quill drawn") for one in proposals)
    assert [one.destroys for one in proposals] == sorted(one.destroys for one in proposals), "what destroys comes last"
    assert all(one.tool for one in proposals)
    for one in proposals:
        assert one.minutes == DEFAULT.minutes[one.kind]
        assert one.bits >= 0.0
        assert one.bits_per_minute == pytest.approx(one.bits / one.minutes)
    assert {one.kind for one in proposals} >= {"look", "points break", "valve event", "points gap", "true TDC"}


def test_what_was_read_is_not_proposed_again() -> None:
    first = next_reading(ENGINE, NONE_YET, DEFAULT)[0]
    taken = replace(NONE_YET, entries=(answered(first, RIGHT, np.random.default_rng(0)),))
    assert first.name not in {one.name for one in next_reading(ENGINE, taken, DEFAULT)}


def test_two_causes_that_a_reading_cannot_tell_apart_give_it_no_information() -> None:
    """Only the plug leads are in doubt: a look at them tells it, an event of a valve tells nothing."""
    only = replace(DEFAULT, classes={"two leads changed over": 1.0}, nothing_wrong=0.5)
    bits = {one.name: one.bits for one in next_reading(ENGINE, NONE_YET, judgement=only)}
    assert bits["A1 inlet opens"] == pytest.approx(0.0, abs=1e-9)
    assert bits["single plug leads"] > 0.8
    assert max(bits, key=lambda name: bits[name]) == "single plug leads"


def test_bits_are_those_of_readings_drawn_from_the_model() -> None:
    """The expected drop of the entropy of the causes over drawn readings is the information, within its error."""
    only = replace(DEFAULT, classes={"one crank turn out": 1.0, "wrong tooth": 2.0}, any_tooth=0.0)
    few = build(
        replace(
            in_line_six(),
            couplings=tuple(
                replace(one, driving_teeth=3, driven_teeth=4, tooth_phase_deg=0.0) for one in in_line_six().couplings
            ),
        )
    )
    before = diagnose(few, NONE_YET, only)
    proposal = next(one for one in next_reading(few, NONE_YET, only, diagnosis=before) if one.name == "A1 inlet opens")
    entry = proposal.entry
    assert isinstance(entry, ValveReading)
    rng = np.random.default_rng(11)
    lefts = []
    causes = [cause for cause in before.causes if cause.probability > 1e-3]
    shares = np.array([cause.probability for cause in causes])
    shifts = np.array([_early(few, cause.parts) for cause in causes])
    noise = (
        entry.u_deg**2 + only.u_pointer_deg**2 + _setting_variance(few, only) + (only.u_clearance_mm / 0.02) ** 2
    ) ** 0.5
    for _ in range(150):
        cause = int(rng.choice(len(causes), p=shares / shares.sum()))
        read = entry.crank_deg - shifts[cause] + rng.normal(0.0, noise)
        told = diagnose(few, replace(NONE_YET, entries=(replace(entry, crank_deg=read % 720.0),)), only)
        lefts.append(before.entropy_bits - told.entropy_bits)
    error = float(np.std(lefts)) / len(lefts) ** 0.5
    assert proposal.bits == pytest.approx(float(np.mean(lefts)), abs=4 * error + 0.01)


def _early(_engine: object, parts: tuple[str, ...]) -> float:
    """Crank degrees by which the camshaft is early, as the cause's name says."""
    total = 0.0
    for part in parts:
        if part.startswith("camshaft A one crank turn"):
            total += 360.0
        elif part.startswith("quill-a"):
            amount, way = part.rsplit(": ", 1)[1].split(" crank degrees ")
            total += float(amount) if way == "early" else -float(amount)
    return total


def _setting_variance(_engine: object, _judgement: object) -> float:
    step = 360.0 / 12 / (0.5 * 36 / 18)  # 12 positions of a shaft that makes one turn in a turn of the crank
    return step**2 / 12 + DEFAULT.u_setting_deg**2


def test_engaging_is_what_the_faults_of_this_file_do() -> None:
    for assembly, named in FAULTS:
        moved = [abs(event.early_deg or 0.0) for event in timing_table(ENGINE, assembly)]
        assert max(moved) > 3.0, named
    assert engage(RIGHT, QUILL, 0, 0).engagements[QUILL] != move_teeth(RIGHT, QUILL, 1, 0).engagements[QUILL]


@pytest.mark.slow
def test_chosen_readings_tell_more_than_random_ones() -> None:
    """Over the same 25 minutes, the mean probability of the true cause."""
    rng = np.random.default_rng(7)
    chosen = [after(assembly, named, 25.0, rng, True) for assembly, named in FAULTS]
    random = [after(assembly, named, 25.0, rng, False) for _ in range(2) for assembly, named in FAULTS]
    assert np.mean(chosen) > np.mean(random) + 0.1, (chosen, random)


def test_what_cannot_be_taken_is_not_proposed() -> None:
    every = [one.name for one in candidates(ENGINE, NONE_YET)]
    assert [one.name for one in next_reading(ENGINE, NONE_YET, DEFAULT, left_out=every[1:])] == every[:1]


def test_a_reading_tells_the_same_whatever_is_proposed_beside_it() -> None:
    """A camshaft and a magneto were read: each further reading is worked out by itself and among all others."""
    rng = np.random.default_rng(2)
    every = {one.name: one for one in next_reading(ENGINE, NONE_YET, DEFAULT)}
    first = ("A1 inlet opens", "A1 single points break", "A2 single points break", "A3 exhaust closes")
    taken = replace(NONE_YET, entries=tuple(answered(every[name], RIGHT, rng) for name in first))
    together = {one.name: one.bits for one in next_reading(ENGINE, taken, DEFAULT)}
    for name in ("A4 single points break", "A6 exhaust opens", "true TDC of A1", "A1 inlet clearance"):
        alone = next_reading(ENGINE, taken, DEFAULT, left_out=set(together) - {name})
        assert [one.name for one in alone] == [name]
        assert alone[0].bits == pytest.approx(together[name], rel=1e-9, abs=1e-12)
