"""The teeth of a coupling's driven end, seen end-on: the mate's ring, the quill's or sleeve's teeth before it, and by
how much the two are out of line, drawn at one tooth.

Seen from the shaft's viewing end, so that + about the axis is clockwise in the picture. The drawn angle is true.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from quillwise.kinematics.angles import Floats, wrapped
from quillwise.kinematics.assembly import Assembly, Engaged
from quillwise.kinematics.couplings import Trial, trials
from quillwise.kinematics.model import Coupling, Engine
from quillwise.kinematics.motion import State
from quillwise.kinematics.parts import Kind, Part
from quillwise.kinematics.poses import points_in_world
from quillwise.kinematics.rig import quill_coordinate, shaft_frame, slide_coordinate
from quillwise.meshes import driveline
from quillwise.meshes.solids import Detail
from quillwise.viz.cameras import Camera, Margins, Vector, axes, fit
from quillwise.viz.exhibit import Body, painted

if TYPE_CHECKING:
    import trimesh

# How much of the ring is shown: so many teeth on either side of the one at the top.
_TEETH_SHOWN = 2.6
_ALIGNED_DEG = 0.05  # the driving end counts as on a tooth when it is turned to within this
_HOME_MM = 1e-6
# Of a picture about marks: tops that are tried, in teeth clockwise of the mate's mark, so that this stands to the left,
# where no angle is written; how many teeth from the top a mark is still seen, and keeps clear of the wedge.
_TOPS = np.array([2.0, 1.5, 1.0, 2.5, 3.0, 0.5, -1.0, -1.5, -2.0, -2.5, -3.0])
_MARK_SEEN, _MARK_CLEAR = 3.2, 0.9
_VERDICTS = {"free": "goes in free", "eased": "eases in", "does not go in": "does not go in"}
ARC_POINTS = 12
_ARC_SHARE, _ARC_DEG = 0.74, 55.0  # of the arrow of a turn: of the wedge's inner radius; to either side of the top


@dataclass(frozen=True, kw_only=True, slots=True)
class Offer:
    """How a quill or sleeve stands to its mates now.

    ``tooth``: driving teeth that it is turned on from where it was drawn, to the nearest; ``between``: it is being
    turned and stands between two of them. ``trial``: what happens if it is offered up here. ``home``: it is in.
    """

    tooth: int
    between: bool
    trial: Trial
    home: bool


def offer(engine: Engine, assembly: Assembly, coupling: str, state: State) -> Offer:
    """Reads off a state of one value how the teeth of a coupling stand."""
    own = engine.couplings[coupling]
    driven = engine.shafts[own.driven]
    quill = float(state[quill_coordinate(coupling)][0])
    turned = driven.sense * (quill - float(state[own.driving][0]))
    pitch = 360.0 / own.data.driving_teeth
    ahead = driven.sense * (float(state[own.driven][0]) - quill)
    return Offer(
        tooth=round(turned / pitch) % own.data.driving_teeth,
        between=abs(float(wrapped(turned, pitch))) > _ALIGNED_DEG,
        trial=trials(own.data, ahead, abs(driven.turns))[0],
        home=isinstance(assembly.engagements[coupling], Engaged)
        or abs(float(state[slide_coordinate(coupling)][0])) < _HOME_MM,
    )


def reading(engine: Engine, assembly: Assembly, coupling: str, state: State) -> tuple[str, str]:
    """Two short lines: which tooth is offered and whether it goes in; the amount out of line."""
    now = offer(engine, assembly, coupling, state)
    if now.home:
        return f"{coupling}: home", "splines in line" if _is_quill(engine, coupling) else "dogs in line"
    where = "between two teeth" if now.between else f"tooth {now.tooth}, {_VERDICTS[now.trial.verdict]}"
    amount = f"{abs(now.trial.out_of_line_deg):.2f}° shaft, {abs(now.trial.out_of_line_crank_deg):.2f}° crank"
    return f"{coupling}: {where}", f"out of line {amount}"


def tried(now: Offer) -> str:
    """A try in one short line: the tooth where it was turned, the amount out of line, what came of it."""
    amount = f"{abs(now.trial.out_of_line_deg):.2f}° out of line"
    if now.between:
        return f"between two teeth: {amount}"
    tooth = f"tooth {now.tooth}" if now.tooth else "as drawn"
    return f"{tooth}: {amount}, {_VERDICTS[now.trial.verdict]}"


def parts(engine: Engine, coupling: str) -> tuple[Part, Part]:
    """The two parts that are shown: the driven mate and the quill or sleeve."""
    kind = Kind.QUILL if _is_quill(engine, coupling) else Kind.SLEEVE
    return Part(Kind.MATE, f"{coupling} driven"), Part(kind, coupling)


def bodies(engine: Engine, coupling: str, detail: Detail = "fine") -> dict[Part, Body]:
    """The ring and the stub in their parts' frames, with the faces (F,) that are paint."""
    ring, ring_paint, stub, stub_paint = driveline.end_on(engine, engine.couplings[coupling], detail)
    mate, quill = parts(engine, coupling)
    return {mate: painted(ring, ring_paint), quill: painted(stub, stub_paint)}


def up_by_marks(engine: Engine, coupling: str, states: Sequence[State]) -> Vector:
    """What is up in a picture of the teeth that is to show their index marks, the mate's and that of the quill or
    sleeve in each state: as many as can be stand near the top, and none at it, where the wedge lies.

    states: of one value each; in all of them the driven shaft stands as in the first.
    """
    own = engine.couplings[coupling]
    driven, pitch = engine.shafts[own.driven], 360.0 / own.data.driven_teeth
    _, ring, _, stub = driveline.end_on(engine, own, "coarse")
    mate_mark = _turn_deg(ring) + float(states[0][own.driven][0])
    marks = [mate_mark, *(_turn_deg(stub) + float(state[quill_coordinate(coupling)][0]) for state in states)]
    tops = mate_mark + pitch * _TOPS
    beside = np.abs(wrapped(np.asarray(marks) - tops[:, None], 360.0)) / pitch
    near = (beside <= _MARK_SEEN).sum(axis=1)
    clear = np.minimum(beside.min(axis=1), _MARK_CLEAR)
    best = max(range(len(tops)), key=lambda n: (near[n], round(float(clear[n]), 6), -n))
    turn = np.radians(tops[best])
    x, y, z = (shaft_frame(driven).matrix[:3, :2] @ (np.cos(turn), np.sin(turn))).tolist()
    return x, y, z


def _turn_deg(mark: trimesh.Trimesh) -> float:
    """Angle about z of the middle of a mark [deg]."""
    x, y = mark.bounds.mean(axis=0)[:2]
    return float(np.degrees(np.arctan2(y, x)))


def camera(engine: Engine, coupling: str, aspect: float, whole: bool = False, upward: Vector | None = None) -> Camera:
    """Along the axis from the shaft's viewing end; the teeth at the top of the ring fill the frame, or (whole) all of
    them, to be counted from the index mark. upward: what is up, square to the axis; None: as in ``look_and_up``."""
    own = engine.couplings[coupling]
    look, up = look_and_up(engine, own, upward)
    right, above, _ = axes(look, up)
    centre = np.asarray(engine.shafts[own.driven].point)
    inner, outer = gauge_radii_mm(engine, own)
    shown_deg = 180.0 if whole else min(90.0, _TEETH_SHOWN * 360.0 / own.data.driven_teeth)
    reach = np.radians(shown_deg)
    points = [
        centre + radius * (np.sin(turn) * right + np.cos(turn) * above)
        for radius in (inner, outer)
        for turn in np.linspace(-reach, reach, 17)
    ]
    # the eye stands before the wedge too: what is behind it is not drawn
    points.append(centre + look * wedge_at_mm(own))
    return fit(points, look, up, aspect, Margins(left=0.02, right=0.02, top=0.04, bottom=0.02))


def wedge(
    engine: Engine,
    coupling: str,
    state: State,
    out_of_line_deg: float | None = None,
    upward: Vector | None = None,
) -> tuple[Floats, float]:
    """The angle out of line at the tooth nearest to the top of the picture, for a state of one value.

    Returns points (2 K, 3) [mm] in the world, alternately on the inner and the outer arc, from the middle of the
    ring's space to the middle of the tooth that is offered to it; and the angle, about the driven shaft's axis [deg].
    out_of_line_deg: of the tooth that is to go into that space, + = ahead; None: of the nearest. upward: of the camera.
    """
    own = engine.couplings[coupling]
    driven = engine.shafts[own.driven]
    count = own.data.driven_teeth
    ahead = driven.sense * (float(state[own.driven][0]) - float(state[quill_coordinate(coupling)][0]))
    out = trials(own.data, ahead)[0].out_of_line_deg if out_of_line_deg is None else out_of_line_deg
    out *= driven.sense
    frame = shaft_frame(driven).matrix
    look, up = look_and_up(engine, own, upward)
    x, y = frame[:3, :2].T @ axes(look, up)[1]
    top = float(np.degrees(np.arctan2(y, x)))
    mate_tooth = -driven.sense * own.data.tooth_phase_deg + float(state[own.driven][0])
    space = mate_tooth + 180.0 / count
    space += round((top - space) * count / 360.0) * 360.0 / count
    inner, outer = gauge_radii_mm(engine, own)
    turn = np.radians(space + np.linspace(0.0, out, ARC_POINTS))
    plane = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    flat = np.stack([inner * plane, outer * plane], axis=1).reshape(-1, 2)
    local = np.column_stack([flat, np.full(len(flat), wedge_at_mm(own))])
    return points_in_world(frame[None], local)[0], out


def turn_arc(engine: Engine, coupling: str, sign: int, upward: Vector | None = None) -> tuple[Floats, Floats]:
    """Points (N, 3) [mm] of an arc before the quill or sleeve, in the order of its turn, and the place (3,) for its
    words, below it. sign: + about the shaft's axis, which is clockwise in the picture. upward: of the camera."""
    own = engine.couplings[coupling]
    look, up = look_and_up(engine, own, upward)
    right, above, _ = axes(look, up)
    middle = np.asarray(engine.shafts[own.driven].point) + look * wedge_at_mm(own)
    radius = _ARC_SHARE * gauge_radii_mm(engine, own)[0]
    turn = np.radians(sign * np.linspace(-_ARC_DEG, _ARC_DEG, 3 * ARC_POINTS))
    points: Floats = middle + radius * (np.sin(turn)[:, None] * right + np.cos(turn)[:, None] * above)
    return points, np.asarray(middle + 0.5 * radius * above)


def _is_quill(engine: Engine, coupling: str) -> bool:
    return engine.couplings[coupling].data.kind == "quill"


def look_and_up(engine: Engine, own: Coupling, upward: Vector | None = None) -> tuple[Floats, Floats]:
    """Direction of view along the axis, and what is up: what is asked for, else z, or across the crank where the axis
    itself stands upright."""
    look = np.asarray(engine.shafts[own.driven].axis)
    if upward is not None:
        return look, np.asarray(upward)
    upright = np.array([0.0, 0.0, 1.0])
    return look, upright if abs(look[2]) < 0.98 else np.array([0.0, 1.0, 0.0])


def wedge_at_mm(own: Coupling) -> float:
    """Where the wedge lies along the axis: before the ring and the teeth, wherever these are drawn to."""
    return min(*own.driving_mm, *own.driven_mm) - 4 * abs(own.drawn_mm) - 40 * own.module_mm


def gauge_radii_mm(engine: Engine, own: Coupling) -> tuple[float, float]:
    """Where the wedge is drawn: from within the teeth to beyond them."""
    if own.data.kind == "quill":
        pitch = own.data.driven_teeth * own.module_mm / 2
        return pitch - 2.6 * own.module_mm, min(pitch + 3.2 * own.module_mm, 0.155 * engine.sheet.crank.bore_mm)
    outer = max(own.data.driving_teeth, own.data.driven_teeth) * own.module_mm / 2
    return 0.55 * outer, 1.18 * outer
