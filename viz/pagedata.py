"""What the page's script plays: bodies, rig, lines and tables, assemblies, steps and close-ups, as plain data.

Two pieces: a record for JSON, and one packed block of numbers. The script does no mechanics: it evaluates the lines
and tables of ``kinematics.tables`` and multiplies the chains of ``kinematics.rig``, both computed here.

In the block all numbers lie one kind after another, least byte first; the record names places in it by index, not
by byte. Corners of a body are 16-bit shares of its box: 0.005 mm in a body of 300 mm.
"""

from __future__ import annotations

import base64
import hashlib
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import trimesh
from numpy.typing import NDArray

from quillwise.kinematics.angles import Floats
from quillwise.kinematics.assembly import Assembly, intended
from quillwise.kinematics.couplings import best
from quillwise.kinematics.joints import Chain, Fixed
from quillwise.kinematics.lengths import MM_PER_UNIT, THOUS
from quillwise.kinematics.magnetos import TOUCHING_MM
from quillwise.kinematics.model import Engine
from quillwise.kinematics.motion import motion
from quillwise.kinematics.parts import FOLLOWERS, Kind, Part
from quillwise.kinematics.poses import poses
from quillwise.kinematics.rig import Rig, quill_coordinate, rig, slide_coordinate
from quillwise.kinematics.steps import Step
from quillwise.kinematics.tables import Line, clearances_mm, lines, tables
from quillwise.meshes import dressing
from quillwise.meshes.build import index_mark, lobe_slice, mesh
from quillwise.viz import closeups, exhibit, palette, teeth
from quillwise.viz.cameras import VIEWS, Camera, Margins, box_corners, fit
from quillwise.viz.linked import Linked, linked
from quillwise.viz.magnifying import (
    blade_of_mm,
    breaker_cam,
    feeler,
    feeler_chains,
    gripped,
    magnified_rig,
    named_at_mm,
)
from quillwise.viz.part_words import part_figures
from quillwise.viz.playback import move_s
from quillwise.viz.touching import TAKEN_UP_MM, least_told_mm

Record = dict[str, Any]
FORMAT = 1
_SHARES = 65535
_ASPECT, _WHOLE_ASPECT = 1.25, 1.4  # width ÷ height of the close-ups and of the whole
_NEVER = None  # JSON has no infinity: a follower that is not fitted


@dataclass(frozen=True, slots=True)
class Packed:
    """The record (for JSON) and the block (base64 of deflated bytes)."""

    record: Record
    block: str


@dataclass(slots=True)
class _Packer:
    """Collects numbers by kind; equal bodies are stored once."""

    floats: list[NDArray[np.float32]] = field(default_factory=list)
    shares: list[NDArray[np.uint16]] = field(default_factory=list)
    corners: list[NDArray[np.uint32]] = field(default_factory=list)
    bodies: list[Record] = field(default_factory=list)
    known: dict[str, int] = field(default_factory=dict)

    def table(self, values: Floats) -> list[int]:
        """Puts values into the block: [place, count]."""
        at = sum(len(each) for each in self.floats)
        self.floats.append(np.asarray(values, dtype=np.float32))
        return [at, len(values)]

    def body(self, body: trimesh.Trimesh) -> int:
        """Puts a body into the block and returns its number."""
        points = np.asarray(body.vertices, dtype=float)
        low = points.min(axis=0)
        span = np.maximum(points.max(axis=0) - low, 1e-9)
        shares = np.round((points - low) / span * _SHARES).astype(np.uint16).ravel()
        corners = np.asarray(body.faces, dtype=np.uint32).ravel()
        key = hashlib.sha256(
            shares.tobytes() + corners.tobytes() + np.round(low, 6).tobytes() + np.round(span, 6).tobytes()
        ).hexdigest()
        if key not in self.known:
            self.known[key] = len(self.bodies)
            self.bodies.append(
                {
                    "v": [sum(len(each) for each in self.shares), len(shares)],
                    "f": [sum(len(each) for each in self.corners), len(corners)],
                    "low": _short(low, 5),
                    "span": _short(span, 5),
                }
            )
            self.shares.append(shares)
            self.corners.append(corners)
        return self.known[key]

    def block(self) -> tuple[list[int], str]:
        """How many floats, shares and corners there are, and all of them packed."""
        floats = np.concatenate(self.floats) if self.floats else np.zeros(0, np.float32)
        shares = np.concatenate(self.shares)
        shares = np.append(shares, np.zeros(len(shares) % 2, np.uint16))  # corners begin at a multiple of four bytes
        corners = np.concatenate(self.corners)
        raw = floats.astype("<f4").tobytes() + shares.astype("<u2").tobytes() + corners.astype("<u4").tobytes()
        return [len(floats), len(shares), len(corners)], base64.b64encode(zlib.compress(raw, 9)).decode("ascii")


def pack(
    engine: Engine,
    steps: Sequence[Step],
    as_set: Assembly,
    found: Assembly | None,
    words: Callable[[Step], Record],
) -> Packed:
    """All that the script plays. ``found``: the assembly as found beside ``as_set``, if there is one. ``words``: what
    is told of a step beside its motion."""
    packer = _Packer()
    hung = rig(engine)
    chains: list[list[object]] = []
    chain_of: dict[int, int] = {}
    for chain in hung.chains.values():
        if id(chain) not in chain_of:
            chain_of[id(chain)] = len(chains)
            chains.append(_chain(chain))
    parts = [_part(engine, part, chain_of[id(hung.chains[part])], packer) for part in engine.parts]
    # the rockers' shafts stand still in the world: a chain without a joint
    shafts = dressing.rocker_shafts(engine, "coarse")
    parts += [_part(engine, part, len(chains), packer, body) for part, body in shafts.items()]
    chains.append([])
    made = _Assemblies(engine)
    views = linked(engine, steps)
    close = _close_ups(engine, views, packer, hung, chains)
    told_mm = least_told_mm(engine.sheet.length_unit)
    record: Record = {
        "format": FORMAT,
        "sigma": engine.sigma,
        "first": engine.sheet.firing_order[0],
        "chains": chains,
        "parts": parts,
        "tables": {
            name: {
                "driver": table.driver,
                "at": packer.table(table.values),
                "less": table.clearance_of,
                "arm": table.arm_mm,
            }
            for name, table in tables(engine).items()
        },
        "steps": [
            {
                "key": step.key,
                "title": f"{step.number}. {step.text.title}",
                "seconds": move_s(step),
                "crank": list(step.crank_deg),
                "moves": [[m.coordinate, m.start, m.end, m.begin, m.until] for m in step.moves],
                "during": made.number(step.during),
                "after": made.number(step.after),
                "about": [str(part) for part in step.about],
                "close": _subjects(view),
                "feeler": _feeler(engine, step, view, made),
                "trial": _trial(engine, step),
                **words(step),
            }
            for step, view in zip(steps, views, strict=True)
        ],
        "as_set": made.number(as_set),
        "as_found": None if found is None else made.number(found),
        "close": close,
        "unit": {"name": engine.sheet.length_unit, "mm": MM_PER_UNIT[engine.sheet.length_unit], "thous": THOUS},
        "told_mm": {"open": told_mm, "shut": TAKEN_UP_MM, "free": told_mm},
        "magnetos": {
            name: [each.data.closed_ohm, each.data.open_ohm, TOUCHING_MM] for name, each in engine.magnetos.items()
        },
        "views": {name: [list(view.direction), list(view.up)] for name, view in VIEWS.items()},
        "whole": _camera(_whole(engine, as_set), _WHOLE_ASPECT),
    }
    record["assemblies"] = made.records
    record["bodies"] = packer.bodies
    record["counts"], block = packer.block()
    return Packed(record, block)


def _part(engine: Engine, part: Part, chain: int, packer: _Packer, body: trimesh.Trimesh | None = None) -> Record:
    paint = index_mark(engine, part)
    return {
        "name": str(part),
        "kind": str(part.kind),
        "of": part.of,
        "chain": chain,
        "body": packer.body(mesh(engine, part, "coarse") if body is None else body),
        "mark": None if paint is None else packer.body(paint),
        "quiet": palette.quiet(part.kind),
        "strong": palette.strong(part.kind),
        "shown": part.kind not in exhibit.HIDDEN,
        "figures": part_figures(engine, part),
        "fitted_by": part.of if part.kind in FOLLOWERS else "",
    }


def _chain(chain: Chain) -> list[object]:
    """Frames as 12 numbers (three rows of four), joints as [kind, axis, coordinate, ratio]."""
    found: list[object] = []
    for element in chain:
        if isinstance(element, Fixed):
            found.append(_short(element.matrix[:3].ravel(), 9))
        else:
            found.append([element.kind, list(element.axis), element.coordinate, element.ratio])
    return found


class _Assemblies:
    """Assemblies by number; after the first only what differs from it is told."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._made: list[Assembly] = []
        self._first: tuple[dict[str, Line], dict[str, float]] | None = None
        self.records: list[Record] = []

    def number(self, assembly: Assembly) -> int:
        for number, known in enumerate(self._made):
            if known is assembly or known == assembly:
                return number
        now = lines(self._engine, assembly), clearances_mm(self._engine, assembly)
        first = self._first = self._first or now
        whole = not self.records
        self.records.append(
            {
                "lines": {
                    name: [line.parent, line.ratio, line.offset]
                    for name, line in now[0].items()
                    if whole or first[0][name] != line
                },
                "less": {
                    name: value if np.isfinite(value) else _NEVER
                    for name, value in now[1].items()
                    if whole or first[1][name] != value
                },
            }
        )
        self._made.append(assembly)
        return len(self._made) - 1


def _subjects(view: Linked) -> list[str | None]:
    return [
        None if subject is None else " ".join(subject).strip()
        for subject in (view.valve, view.teeth, view.magneto, ("window", ""))
    ]


def _close_ups(
    engine: Engine, views: Sequence[Linked], packer: _Packer, hung: Rig, chains: list[list[object]]
) -> dict[str, Record]:
    """Each close-up: its parts, with bodies, marks and chains of its own where it has them, its camera, what it
    magnifies and reads. Chains that magnify are added to the page's."""
    still = motion(engine, intended(engine), 0.0)
    found: dict[str, Record] = {}
    for view in views:
        for subject in (view.valve, view.teeth, view.magneto, ("window", "")):
            if subject is None or " ".join(subject).strip() in found:
                continue
            kind, of = subject
            shown = closeups.close_up(engine, kind, of)
            record: Record = {
                "kind": kind,
                "of": of,
                "title": shown.title,
                "parts": [],
                "camera": _camera(closeups.close_up_camera(engine, hung, shown, still, _ASPECT), _ASPECT),
                "factor": shown.factor,
            }
            own = teeth.bodies(engine, of, "coarse") if kind == "teeth" else {}
            larger = magnified_rig(hung, shown)
            for part in shown.parts:
                body = mark = chain = None
                if part in own:
                    body = packer.body(own[part][0])
                elif part.kind is Kind.CAMSHAFT:
                    body = packer.body(lobe_slice(engine, of, "coarse"))
                elif part.kind is Kind.BREAKER_CAM and kind == "magneto":
                    body, paint = packer.body(breaker_cam(engine, of, shown.factor, "coarse")), index_mark(engine, part)
                    mark = None if paint is None else packer.body(paint)
                if part in larger.chains and larger.chains[part] is not hung.chains[part]:
                    chain = len(chains)
                    chains.append(_chain(larger.chains[part]))
                record["parts"].append([str(part), body, mark, chain])
            shaft = dressing.rocker_shaft_of(engine, of) if kind == "valve" else None
            if shaft is not None:
                record["parts"].append([str(shaft), None, None, None])
            if kind == "valve":
                record["feeler"] = _blade(engine, shown, larger, packer, chains)
            if kind == "teeth":
                record["out"] = _out_of_line(engine, of)
            found[" ".join(subject).strip()] = record
    return found


def _blade(engine: Engine, shown: closeups.CloseUp, larger: Rig, packer: _Packer, chains: list[list[object]]) -> Record:
    """The feeler of a valve's close-up: its blade and holder, and where its words stand in the holder's frame [mm]."""
    hung, parts = feeler_chains(larger, shown), []
    for part, body in feeler(engine, shown).items():
        parts.append([str(part), packer.body(body), len(chains)])
        chains.append(_chain(hung[part]))
    at = _short(named_at_mm(engine, shown.of), 4)
    return {"colour": palette.strong(Kind.FEELER), "parts": parts, "named_at": at}


def _feeler(engine: Engine, step: Step, view: Linked, made: _Assemblies) -> Record | None:
    """How thick a feeler the step puts into the clearance of its close-up's valve [mm], by the assembly's number."""
    if view.valve is None:
        return None
    _, of = view.valve
    thick = {made.number(each): blade_of_mm(engine, each, of, step) for each in (step.during, step.after)}
    return {"of": of, "thick": thick, "gripped": gripped(engine, step)} if any(thick.values()) else None


def _out_of_line(engine: Engine, coupling: str) -> Record:
    """By how much the driven end is out of line, as a sum of coordinates wrapped to a tooth's pitch [deg of its
    shaft]; ÷ ``turns`` for crank degrees."""
    own = engine.couplings[coupling]
    driven = engine.shafts[own.driven]
    return {
        "quill": quill_coordinate(coupling),
        "driving": own.driving,
        "driven": own.driven,
        "slide": slide_coordinate(coupling),
        "sense": driven.sense,
        "phase": own.data.tooth_phase_deg,
        "pitch": 360.0 / own.data.driven_teeth,
        "tooth": 360.0 / own.data.driving_teeth,
        "count": own.data.driving_teeth,
        "turns": abs(float(driven.turns)),
    }


def _trial(engine: Engine, step: Step) -> Record | None:
    """All trials of a try step, so that the reader can turn the quill a tooth at a time himself."""
    if not step.trials or not step.coupling:
        return None
    own = engine.couplings[step.coupling]
    chosen = step.chosen or best(step.trials)
    return {
        "coupling": step.coupling,
        "kind": own.data.kind,
        "drawn_mm": own.drawn_mm,
        "best": chosen.driving_tooth,
        "trials": [
            [trial.driving_tooth, trial.out_of_line_deg, trial.out_of_line_crank_deg, trial.verdict]
            for trial in step.trials
        ],
    }


def _whole(engine: Engine, assembly: Assembly) -> Camera:
    """A camera that holds the whole engine, from three quarters."""
    world = poses(rig(engine), motion(engine, assembly, 0.0), engine.parts)
    clouds = [exhibit.swept_by_crank(engine)]
    for part in engine.parts:
        if part.kind in exhibit.HIDDEN:
            continue
        corners = box_corners(mesh(engine, part, "coarse").bounds.T.ravel())
        pose = world[part][0]
        clouds.append(corners @ pose[:3, :3].T + pose[:3, 3])
    view = VIEWS["three-quarter"]
    return fit(np.vstack(clouds), view.direction, view.up, _WHOLE_ASPECT, Margins())


def _camera(camera: Camera, aspect: float) -> Record:
    """aspect: width ÷ height of the frame that it was made for; in a narrower one the script steps back."""
    return {
        "aspect": aspect,
        "from": _short(camera.position, 3),
        "at": _short(camera.focal, 3),
        "up": _short(camera.up, 6),
        "half": camera.parallel_half_height_mm,
    }


def _short(values: object, decimals: int) -> list[float]:
    return [round(float(value), decimals) + 0.0 for value in np.asarray(values).ravel()]
