"""What is judged beforehand of engines whose timing is off. None of it is measured, and none has a source.

The figures stand in one data file, ``scenes/judgement.toml``: here are only their names and what they mean.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

CLASSES = (
    "pointer or disc moved",
    "backlash on the wrong side",
    "checking and running clearance confused",
    "written wrong",
    "wrong tooth",
    "wrong mark or bank",
    "one crank turn out",
    "inside of the magneto",
    "two leads changed over",
    "all leads one place round",
    "ordinary gear a tooth out",
    "lever or impulse",
    "magnetos exchanged or at one mark",
    "part of the other hand",
    "wrong lobe or flank",
)
"""Classes of causes."""

KINDS = (
    "look",
    "points gap",
    "clearance",
    "points break",
    "valve event",
    "lift, first of a valve",
    "lift, next",
    "true TDC",
    "magneto off",
    "quill drawn",
)
"""Kinds of readings that take their time."""


TOOLS = ("degree disc", "degree ring", "flywheel marks")
"""What the crank's place is read with, where no uncertainty is stated."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Judgement:
    """What is judged beforehand.

    ``classes``: shares of the classes of causes among engines that come as "the timing is off" (any sum).
    ``minutes``: of work, by kind of reading. ``tools``: expanded uncertainty (k = 2) of a reading by each tool [crank
    deg]. ``nothing_wrong``: probability that nothing is wrong at all, against one thing wrong. ``another_fault``: how
    likely a second thing is wrong where one is. ``teeth_share``: of a tooth error by one tooth or trial more against
    one less; ``any_tooth``: share of tooth errors that are at any tooth. ``disc_proved_share``: what is left of
    "pointer or disc moved" when both were proved.

    ``u_pointer_deg``: of a pointer that was set with care; ``u_pointer_moved_deg``: of one that was moved, half of
    these, the rest stand anywhere. ``u_setting_deg``: feeler and hand when a shaft is set, besides half a step of the
    vernier. ``u_clearance_mm``, ``u_gap_mm``: set with care; ``…_wrong_mm``: set without. ``backlash_deg``,
    ``u_backlash_deg``: of a train, at the crank. ``lever_range_deg``: where the data give no range of advance.
    ``sight_error``: probability that the eye, or the pen, is wrong. ``u_sight_deg``: of what the eye sees by the crank
    [crank deg]. ``stands_out``: probability at which asking for readings ends. ``worth_bits``: a reading that tells
    less is not asked for. ``misfit_p``: residuals less likely than this fit nothing.
    """

    classes: Mapping[str, float]
    minutes: Mapping[str, float]
    tools: Mapping[str, float]
    nothing_wrong: float
    another_fault: float
    teeth_share: float
    any_tooth: float
    disc_proved_share: float
    u_pointer_deg: float
    u_pointer_moved_deg: float
    u_setting_deg: float
    u_clearance_mm: float
    u_clearance_wrong_mm: float
    u_gap_mm: float
    u_gap_wrong_mm: float
    backlash_deg: float
    u_backlash_deg: float
    lever_range_deg: float
    sight_error: float
    u_sight_deg: float
    stands_out: float
    worth_bits: float
    misfit_p: float
