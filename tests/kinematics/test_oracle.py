"""Crank, rod and piston against an independent engine: MuJoCo's forward kinematics, its loop closed by scipy.

The model is written from the data sheet alone: a hinge for the crank, a slide for the piston, a hinge for the rod.
MuJoCo's own loop constraint is soft (millimetres off), so scipy finds slide and rod angle where the big end meets
the pin.
"""

from __future__ import annotations

from dataclasses import replace

import mujoco
import numpy as np
import pytest
from random_engines import in_line_six, v_eight
from scipy.optimize import root

from quillwise.kinematics.assembly import intended
from quillwise.kinematics.build import build
from quillwise.kinematics.datasheet import DataSheet
from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import rig
from quillwise.scenes.reader import load


def with_offset(sheet: DataSheet, offset_mm: float) -> DataSheet:
    return replace(sheet, crank=replace(sheet.crank, gudgeon_offset_mm=offset_mm))


SHEETS = {
    "V-12, clockwise": (load("larkfell-port"), "B3"),
    "V-12, anticlockwise, offset": (with_offset(load("larkfell-starboard"), 3.5), "A5"),
    "in-line six, clockwise, offset": (in_line_six(), "A4"),
    "V-8, anticlockwise, plain": (v_eight("anticlockwise"), "B2"),
}


def towards(turn_deg: float) -> np.ndarray:
    """Direction at an angle from upright, clockwise seen from the wheelcase end (world: x away, z up)."""
    turn = np.radians(turn_deg)
    return np.array([0.0, -np.sin(turn), np.cos(turn)])


def mjcf(sheet: DataSheet, cylinder: str, x_mm: float) -> str:
    """The loop of one cylinder, cut at the crank pin, with the crank at its place for θ = 0."""
    crank = sheet.crank
    radius, rod, offset = crank.stroke_mm / 2, crank.rod_length_mm, crank.gudgeon_offset_mm
    bank = {b.name: b.turn_deg for b in sheet.banks}[cylinder[0]]
    sigma = 1 if sheet.rotation == "clockwise" else -1
    firing = 720.0 / len(sheet.firing_order) * sheet.firing_order.index(cylinder)
    # at own TDC crank and rod lie in one line from the crank axis to the gudgeon pin
    tdc = np.degrees(np.arcsin(offset / (radius + rod)))
    pin = towards(bank + tdc - sigma * firing) * radius + (x_mm, 0, 0)
    axis, right = towards(bank), towards(bank + 90.0)
    inertial = '<inertial pos="0 0 0" mass="1" diaginertia="1 1 1"/>'

    def text(values: np.ndarray) -> str:
        return " ".join(repr(float(value)) for value in values)

    return f"""
    <mujoco>
      <compiler angle="radian" autolimits="true"/>
      <worldbody>
        <body name="crank">{inertial}
          <joint name="crank" type="hinge" axis="1 0 0"/>
          <site name="pin" pos="{text(pin)}"/>
        </body>
        <body name="piston" pos="{text(right * offset + (x_mm, 0, 0))}">{inertial}
          <joint name="slide" type="slide" axis="{text(axis)}"/>
          <body name="rod">{inertial}
            <joint name="rod" type="hinge" axis="1 0 0"/>
            <site name="big end" pos="{text(-rod * axis)}"/>
          </body>
        </body>
      </worldbody>
    </mujoco>"""


@pytest.mark.parametrize("name", SHEETS)
def test_crank_rod_and_piston_at_a_thousand_angles(name: str) -> None:
    sheet, cylinder = SHEETS[name]
    engine = build(sheet)
    model = mujoco.MjModel.from_xml_string(mjcf(sheet, cylinder, engine.cylinders[cylinder].x_mm))
    data = mujoco.MjData(model)
    pin, big_end = data.site("pin"), data.site("big end")

    def gap(closing: np.ndarray) -> np.ndarray:
        data.qpos[1:] = closing[0] * sheet.crank.rod_length_mm, closing[1]
        mujoco.mj_kinematics(model, data)
        return np.asarray((big_end.xpos - pin.xpos)[1:] / sheet.crank.rod_length_mm)

    crank_deg = np.linspace(-360.0, 720.0, 1000)
    sigma = 1 if sheet.rotation == "clockwise" else -1
    placed = poses(rig(engine), motion(engine, intended(engine), crank_deg))
    expected: dict[str, list[np.ndarray]] = {"pin": [], "piston": [], "rod": [], "big end": []}
    closing = np.array([1.0, 0.0])
    for theta in crank_deg:
        data.qpos[0] = np.radians(sigma * theta)
        closing = root(gap, closing, tol=1e-15).x
        assert np.max(np.abs(gap(closing))) * sheet.crank.rod_length_mm < 1e-10, "the loop is closed"
        expected["pin"].append(pin.xpos.copy())
        expected["big end"].append(big_end.xpos.copy())
        expected["piston"].append(data.body("piston").xpos.copy())
        expected["rod"].append(data.body("rod").xmat.reshape(3, 3) @ towards_bank(sheet, cylinder))
    assert np.min(np.array(expected["piston"]) @ towards_bank(sheet, cylinder)) > 0, "the piston is on its own side"

    turn = np.radians(engine.cylinders[cylinder].pin_turn_deg)
    p_crankshaft = np.array([np.cos(turn), np.sin(turn), 0.0]) * sheet.crank.stroke_mm / 2
    p_crankshaft[2] = engine.cylinders[cylinder].x_mm
    crankshaft = placed[Part(Kind.CRANKSHAFT)]
    rod = placed[Part(Kind.ROD, cylinder)]
    ours = {
        "pin": crankshaft[:, :3, :3] @ p_crankshaft + crankshaft[:, :3, 3],
        "piston": placed[Part(Kind.PISTON, cylinder)][:, :3, 3],
        "rod": rod[:, :3, 0],
        "big end": rod[:, :3, 3] - sheet.crank.rod_length_mm * rod[:, :3, 0],
    }
    for what, theirs in expected.items():
        assert np.max(np.abs(ours[what] - np.array(theirs))) < 1e-9, what


def towards_bank(sheet: DataSheet, cylinder: str) -> np.ndarray:
    return towards({bank.name: bank.turn_deg for bank in sheet.banks}[cylinder[0]])
