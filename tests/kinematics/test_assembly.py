"""Assemblies as data: functions that give a new one, and leave the old one as it was."""

from __future__ import annotations

import dataclasses

import pytest
from random_engines import in_line_six, v_eight

from quillwise.kinematics.assembly import (
    Engaged,
    Open,
    engage,
    intended,
    move_teeth,
    open_at,
    with_clearances,
    with_mesh_teeth,
)
from quillwise.kinematics.build import build
from quillwise.kinematics.couplings import early_deg, step_deg
from quillwise.kinematics.errors import RequestError

ENGINE = build(v_eight())


def test_intended_is_within_half_a_step_everywhere() -> None:
    assembly = intended(ENGINE)
    assert list(assembly.engagements) == list(ENGINE.couplings)
    for name, coupling in ENGINE.couplings.items():
        now = assembly.engagements[name]
        assert isinstance(now, Engaged)
        early = float(early_deg(coupling.data, now.driving_teeth, now.driven_teeth))
        half = float(step_deg(coupling.data.driving_teeth, coupling.data.driven_teeth)) / 2
        assert abs(early) <= half + 1e-9
    assert set(assembly.clearances_mm) == set(ENGINE.valves)
    assert set(assembly.clearances_mm.values()) == {0.40}
    assert dict(assembly.points_gaps_mm) == {"single": 0.30}


def test_every_change_leaves_the_old_assembly_alone() -> None:
    before = intended(ENGINE)
    kept = dict(before.engagements), dict(before.clearances_mm), dict(before.mesh_teeth)
    now = before.engagements["quill-a"]
    assert isinstance(now, Engaged)
    moved = move_teeth(before, "quill-a", 2, -1)
    assert moved.engagements["quill-a"] == Engaged(
        driving_teeth=now.driving_teeth + 2, driven_teeth=now.driven_teeth - 1
    )
    assert open_at(before, "sleeve", 12.0, 3).engagements["sleeve"] == Open(driven_deg=12.0, driving_teeth=3)
    assert engage(before, "quill-b", 4, 5).engagements["quill-b"] == Engaged(driving_teeth=4, driven_teeth=5)
    assert with_clearances(before, {"A1 inlet": 0.3}).clearances_mm["A1 inlet"] == 0.3
    mesh = next(iter(ENGINE.meshes))
    assert with_mesh_teeth(before, mesh, -1).mesh_teeth[mesh] == -1
    assert kept == (dict(before.engagements), dict(before.clearances_mm), dict(before.mesh_teeth))
    with pytest.raises(TypeError):
        before.engagements["quill-a"] = Open(driven_deg=0.0)  # type: ignore[index]
    with pytest.raises(dataclasses.FrozenInstanceError):
        before.engagements = {}  # type: ignore[misc]


def test_names_and_drawn_quills_are_checked() -> None:
    assembly = intended(build(in_line_six()))
    with pytest.raises(RequestError) as caught:
        engage(assembly, "quil-a", 0, 0)
    assert str(caught.value) == 'unknown coupling "quil-a"; defined: quill-a, sleeve (did you mean quill-a?)'
    with pytest.raises(RequestError) as caught:
        move_teeth(open_at(assembly, "sleeve", 0.0), "sleeve", 1, 0)
    assert str(caught.value) == "sleeve is drawn: there are no teeth to move it from"
