"""Articulated rods: the plain slider-crank as a limit, a computed example, MuJoCo's forward kinematics, extremes."""

from __future__ import annotations

import hypothesis.strategies as st
import mujoco
import numpy as np
import pytest
from hypothesis import given, settings
from layouts import articulated_eight, w_twelve
from scipy.optimize import minimize_scalar, root
from scipy.spatial.transform import Rotation

from quillwise.kinematics import articulated, cranks
from quillwise.kinematics.articulated import Linkage, LinkRod
from quillwise.kinematics.assembly import intended
from quillwise.kinematics.build import build
from quillwise.kinematics.datasheet import DataSheet
from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import rig

ALL_ROUND = np.arange(0.0, 360.0, 0.25)


def linkage(
    wrist: float, bank: float, link: float, *, radius: float = 1.0, rod: float = 3.5, offset: float = 0.0
) -> Linkage:
    hung = LinkRod(bank_deg=bank, wrist_deg=bank, wrist_mm=wrist, length_mm=link)
    return Linkage(radius_mm=radius, rod_mm=rod, offset_mm=offset, link=hung)


@st.composite
def linkages(draw: st.DrawFn) -> Linkage:
    radius = draw(st.floats(30, 80))
    rod = radius * draw(st.floats(3.2, 4.6))
    wrist = radius * draw(st.floats(0.5, 0.95))
    bank = draw(st.floats(-180, 180))
    hung = LinkRod(
        bank_deg=bank,
        wrist_deg=bank + draw(st.floats(-12, 12)),
        wrist_mm=wrist,
        length_mm=(rod - wrist) * draw(st.floats(0.97, 1.03)),
    )
    return Linkage(radius_mm=radius, rod_mm=rod, offset_mm=draw(st.sampled_from((0.0, 3.0, -2.0))), link=hung)


def test_computed_example() -> None:
    # computed from the geometry of the closed chain: crank 1, rod 3.5, wrist pin 0.8 at 60 degrees, link 2.7,
    # bank at 60 degrees
    top, bottom, stroke = articulated.dead_centres(linkage(0.8, 60.0, 2.7))
    assert top + 60 == pytest.approx(61.6503, abs=5e-5)
    assert bottom + 60 == pytest.approx(237.2811, abs=5e-5)
    assert stroke == pytest.approx(2.00137, abs=5e-6)


@pytest.mark.parametrize("bank", [-180.0, -60.0, 0.0, 45.0, 60.0, 90.0, 180.0])
@pytest.mark.parametrize("offset", [0.0, 0.05])
def test_a_vanishing_wrist_radius_gives_the_plain_crank_shifted_by_the_bank(bank: float, offset: float) -> None:
    # geometry (computed): with its wrist pin in the crank pin's middle, a link rod is an ordinary rod
    vanished = linkage(0.0, bank, 3.5, offset=offset)
    plain = (1.0, 3.5, offset)
    assert articulated.height_mm(vanished, ALL_ROUND) == pytest.approx(
        cranks.piston_height_mm(ALL_ROUND, *plain), abs=1e-12
    )
    lean = cranks.rod_angle_deg(ALL_ROUND, *plain)
    assert articulated.lean_deg(vanished, ALL_ROUND) == pytest.approx(lean, abs=1e-10)
    top, bottom, stroke = articulated.dead_centres(vanished)
    assert (top, bottom) == pytest.approx((cranks.tdc_deg(*plain), cranks.bdc_deg(*plain)), abs=1e-10)
    assert stroke == pytest.approx(cranks.stroke_mm(*plain), abs=1e-12)


def test_link_in_line_with_its_master_rod_is_the_plain_crank() -> None:
    # geometry (computed): a wrist pin on the master rod's own axis and the same bank: both pistons move alike
    hung = linkage(0.8, 0.0, 2.7)
    assert articulated.height_mm(hung, ALL_ROUND) == pytest.approx(
        cranks.piston_height_mm(ALL_ROUND, 1.0, 3.5), abs=1e-12
    )


@settings(deadline=None, max_examples=40)
@given(linkages())
def test_own_dead_centres_are_the_extremes(hung: Linkage) -> None:
    # reference library: scipy's bounded minimiser on the height alone
    top, bottom, stroke = articulated.dead_centres(hung)
    heights = articulated.height_mm(hung, ALL_ROUND)
    for at, sign in ((top, -1.0), (bottom, 1.0)):
        near = float(ALL_ROUND[np.argmin(sign * heights)])
        found = minimize_scalar(
            lambda angle, sign=sign: sign * float(articulated.height_mm(hung, angle)),
            bounds=(near - 1, near + 1),
            method="bounded",
            options={"xatol": 1e-9},
        )
        # an extreme is flat: its place is known to the root of the rounding only
        assert (found.x - at + 180) % 360 - 180 == pytest.approx(0.0, abs=1e-4)
        assert sign * found.fun == pytest.approx(float(articulated.height_mm(hung, at)), abs=1e-9)
    assert stroke == pytest.approx(float(heights.max() - heights.min()), abs=1e-2)
    assert top < bottom < top + 360
    drop = articulated.drop_mm(hung, top, ALL_ROUND, 1)
    assert drop.min() == pytest.approx(0.0, abs=1e-9)


@settings(deadline=None, max_examples=40)
@given(linkages())
def test_link_rod_reaches_from_wrist_pin_to_gudgeon(hung: Linkage) -> None:
    """In the master's plane, right and up, turned by scipy: crank pin, master rod, wrist pin, link rod, gudgeon."""
    link = hung.link
    assert link is not None
    up = np.array([0.0, 0.0, 1.0])

    def turned(angle: np.ndarray, length: float) -> np.ndarray:
        return Rotation.from_euler("x", np.atleast_1d(angle)[:, None], degrees=True).apply(length * up)

    pin = turned(ALL_ROUND, hung.radius_mm)
    lean = cranks.rod_angle_deg(ALL_ROUND, hung.radius_mm, hung.rod_mm, hung.offset_mm)
    wrist = pin + turned(lean + link.wrist_deg, link.wrist_mm)
    own = articulated.lean_deg(hung, ALL_ROUND - link.bank_deg)
    gudgeon = wrist + turned(own + link.bank_deg, link.length_mm)
    along, right = turned(np.array([link.bank_deg]), 1.0)[0], turned(np.array([link.bank_deg + 90.0]), 1.0)[0]
    assert gudgeon @ right == pytest.approx(np.full(ALL_ROUND.size, hung.offset_mm), abs=1e-9)
    assert gudgeon @ along == pytest.approx(articulated.height_mm(hung, ALL_ROUND - link.bank_deg), abs=1e-9)
    in_cylinder = articulated.wrist_pin_mm(hung, ALL_ROUND - link.bank_deg)
    assert in_cylinder == pytest.approx(np.stack([wrist @ right, wrist @ along]), abs=1e-9)


def test_a_link_rod_that_is_too_short_is_explained() -> None:
    assert articulated.link_problems(linkage(0.8, 60.0, 2.7)) == []
    assert articulated.link_problems(Linkage(radius_mm=1, rod_mm=3.5)) == []
    # by hand: across a bank at 90 degrees the pin swings by 1 and the wrist pin by 0.8 / 3.5: √(1 + 0.2286²) = 1.026
    assert articulated.link_problems(linkage(80, 90.0, 102, radius=100, rod=350)) == [
        "the link rod (102 mm) must be longer than the 102.6 mm by which its wrist pin swings out, or "
        "the crank cannot turn"
    ]
    with pytest.raises(ValueError, match="an ordinary rod has no wrist pin"):
        articulated.wrist_pin_mm(Linkage(radius_mm=1, rod_mm=3.5), 0.0)


# --- MuJoCo


def towards(turn_deg: float) -> np.ndarray:
    """Direction at an angle from upright, clockwise seen from the wheelcase end (world: x away, z up)."""
    turn = np.radians(turn_deg)
    return np.array([0.0, -np.sin(turn), np.cos(turn)])


def mjcf(sheet: DataSheet, master: float, bank: float, pin_deg: float, x_mm: float) -> str:
    """Crank, master piston with its rod and wrist pin, link piston with its rod. Two loops are cut: at the crank pin
    and at the wrist pin. Angles in the world [deg], the crank at its place for θ = 0."""
    crank = sheet.crank
    link = crank.rod_length_mm - crank.wrist_pin_radius_mm
    inertial = '<inertial pos="0 0 0" mass="1" diaginertia="1 1 1"/>'
    wrist = -crank.rod_length_mm * towards(master) + crank.wrist_pin_radius_mm * towards(bank)

    def text(values: np.ndarray) -> str:
        return " ".join(repr(float(value)) for value in values)

    def piston(name: str, turn: float, rod: float, more: str = "") -> str:
        return f"""
        <body name="{name} piston" pos="{x_mm!r} 0 0">{inertial}
          <joint name="{name} slide" type="slide" axis="{text(towards(turn))}"/>
          <body name="{name} rod">{inertial}
            <joint name="{name} rod" type="hinge" axis="1 0 0"/>
            <site name="{name} end" pos="{text(-rod * towards(turn))}"/>{more}
          </body>
        </body>"""

    pin = crank.stroke_mm / 2 * towards(pin_deg)
    return f"""
    <mujoco>
      <compiler angle="radian" autolimits="true"/>
      <worldbody>
        <body name="crank" pos="{x_mm!r} 0 0">{inertial}
          <joint name="crank" type="hinge" axis="1 0 0"/>
          <site name="pin" pos="{text(pin)}"/>
        </body>
        {piston("master", master, crank.rod_length_mm, f'<site name="wrist" pos="{text(wrist)}"/>')}
        {piston("link", bank, link)}
      </worldbody>
    </mujoco>"""


@pytest.mark.parametrize(
    ("sheet", "cylinder", "master"),
    [
        (articulated_eight(), "B2", "A2"),
        (articulated_eight("anticlockwise"), "B3", "A3"),
        (w_twelve(), "A4", "B4"),
        (w_twelve("anticlockwise"), "C2", "B2"),
    ],
    ids=["V-8", "V-8 anticlockwise", "W-12, first bank", "W-12 anticlockwise, third bank"],
)
def test_pistons_and_rods_by_an_independent_engine(sheet: DataSheet, cylinder: str, master: str) -> None:
    # reference library: MuJoCo's forward kinematics, the two loops closed by scipy
    engine = build(sheet)
    ours, theirs = engine.cylinders[cylinder], engine.cylinders[master]
    sigma = 1 if sheet.rotation == "clockwise" else -1
    even = 720.0 / len(sheet.firing_order)
    # the throw comes under the master's bank when its own piston is at its top, evenly but for what the first
    # cylinder's own top is off
    first = engine.cylinders[sheet.firing_order[0]]
    shift = sigma * first.tdc_pin_deg
    pin_deg = theirs.bank_turn_deg - sigma * (even * sheet.firing_order.index(master) - shift)
    model = mujoco.MjModel.from_xml_string(mjcf(sheet, theirs.bank_turn_deg, ours.bank_turn_deg, pin_deg, ours.x_mm))
    data = mujoco.MjData(model)
    pairs = (("master end", "pin"), ("link end", "wrist"))
    scale = sheet.crank.rod_length_mm

    def gap(closing: np.ndarray) -> np.ndarray:
        data.qpos[1:] = closing[0] * scale, closing[1], closing[2] * scale, closing[3]
        mujoco.mj_kinematics(model, data)
        return np.concatenate([(data.site(a).xpos - data.site(b).xpos)[1:] for a, b in pairs]) / scale

    crank_deg = np.linspace(-90.0, 720.0, 400)
    placed = poses(rig(engine), motion(engine, intended(engine), crank_deg))
    expected: dict[str, list[np.ndarray]] = {"piston": [], "wrist": [], "rod": []}
    closing = np.array([1.0, 0.0, 1.0, 0.0])
    for theta in crank_deg:
        data.qpos[0] = np.radians(sigma * theta)
        closing = root(gap, closing, tol=1e-15).x
        assert np.max(np.abs(gap(closing))) * scale < 1e-10, "the loops are closed"
        expected["piston"].append(data.body("link piston").xpos.copy())
        expected["wrist"].append(data.site("wrist").xpos.copy())
        expected["rod"].append(data.body("link rod").xmat.reshape(3, 3) @ towards(ours.bank_turn_deg))
    assert np.min(np.array(expected["piston"]) @ towards(ours.bank_turn_deg)) > 0, "the piston is on its own side"
    rod, length = placed[Part(Kind.ROD, cylinder)], scale - sheet.crank.wrist_pin_radius_mm
    carrier = placed[Part(Kind.ROD, master)]
    wrist = np.radians(ours.bank_turn_deg - theirs.bank_turn_deg)
    p_master = np.array([np.cos(wrist), np.sin(wrist), 0.0]) * sheet.crank.wrist_pin_radius_mm - (scale, 0.0, 0.0)
    found = {
        "piston": placed[Part(Kind.PISTON, cylinder)][:, :3, 3],
        "rod": rod[:, :3, 0],
        "wrist": rod[:, :3, 3] - length * rod[:, :3, 0],
    }
    for what, there in expected.items():
        assert np.max(np.abs(found[what] - np.array(there))) < 1e-9, what
    on_master = carrier[:, :3, :3] @ p_master + carrier[:, :3, 3]
    assert np.max(np.abs(on_master - np.array(expected["wrist"]))) < 1e-9, "the wrist pin is fixed in the master rod"
    # its own top, found on the independent mechanism: the highest piston near the firing angle
    heights = np.array(expected["piston"]) @ towards(ours.bank_turn_deg)
    at = crank_deg[np.argmax(np.where(np.abs(crank_deg - ours.firing_deg) < 60, heights, -np.inf))]
    assert at == pytest.approx(ours.firing_deg, abs=crank_deg[1] - crank_deg[0])
