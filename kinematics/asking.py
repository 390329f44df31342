"""Going on from reading to reading: how things stand after those that were taken, and whether to ask for another."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal

from quillwise.kinematics.diagnosis import diagnosis_of
from quillwise.kinematics.inquiry import next_reading
from quillwise.kinematics.judgement import Judgement
from quillwise.kinematics.model import Engine
from quillwise.kinematics.posterior import posterior, problem
from quillwise.kinematics.readings import Diagnosis, Proposal, Readings

Ending = Literal["stands out", "nothing more"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Standing:
    """How things stand. ``proposals``: the readings that are worth taking, the next first; none where asking ends.
    ``ending``: why it ends, None where it goes on."""

    diagnosis: Diagnosis
    proposals: tuple[Proposal, ...]
    ending: Ending | None


def standing(
    engine: Engine,
    readings: Readings,
    judgement: Judgement,
    until: float | None = None,
    left_out: Collection[str] = (),
) -> Standing:
    """How things stand after these readings. ``until``: the probability at which one cause stands out, the judgement's
    where it is None. ``left_out``: names of readings that are not to be asked for.

    Readings that destroy evidence are asked for only when no other tells anything. A cause stands out only where it
    fits: while nothing fits, readings are asked for as long as they tell something.
    """
    # one posterior serves the ranking and the information
    stated = problem(engine, readings, judgement)
    found = posterior(stated)
    diagnosis = diagnosis_of(stated, found)
    enough = judgement.stands_out if until is None else until
    if diagnosis.causes[0].probability >= enough and not diagnosis.misfit:
        return Standing(diagnosis=diagnosis, proposals=(), ending="stands out")
    proposals = next_reading(engine, readings, judgement, diagnosis=diagnosis, left_out=left_out, found=found)
    worth = tuple(one for one in proposals if one.bits >= judgement.worth_bits)
    return Standing(diagnosis=diagnosis, proposals=worth, ending=None if worth else "nothing more")
