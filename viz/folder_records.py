"""Records of engine folders: what ``validate`` and ``engines`` tell. See ``records`` for the rules."""

from __future__ import annotations

from collections.abc import Iterable

from quillwise.kinematics import wording
from quillwise.kinematics.couplings import step_deg
from quillwise.kinematics.datasheet import DataSheet
from quillwise.kinematics.model import Engine
from quillwise.kinematics.remarks import remarks
from quillwise.kinematics.sequence import Played
from quillwise.scenes.leftover import Leftover
from quillwise.viz.gearing import hunting, positions_of_shafts
from quillwise.viz.records import FORMAT, Record, head, measured_lifts, rotation


def summary(engine: Engine, played: Played, left: Leftover | None = None) -> Record:
    """What ``validate`` says of an engine folder that is right. ``left``: what it still has of a packaged engine."""
    sheet = engine.sheet
    found = remarks(engine)
    return {
        **head(sheet, "validation"),
        "about": sheet.about,
        "valid": True,
        "problems": [],
        "cannot_be_right": any(remark.fails for remark in found),
        "remarks": [{"path": item.path, "text": item.text, "cannot_be_right": item.fails} for item in found],
        "left_over": _left_over(left) if left else None,
        "cylinders": len(engine.cylinders),
        "banks": [bank.name for bank in sheet.banks],
        **rotation(sheet),
        "firing_order": list(sheet.firing_order),
        "couplings": [
            {
                "name": name,
                "kind": item.data.kind,
                "driving_teeth": item.data.driving_teeth,
                "driven_teeth": item.data.driven_teeth,
                "step_crank_deg": float(
                    step_deg(item.data.driving_teeth, item.data.driven_teeth) / abs(engine.shafts[item.driven].turns)
                ),
            }
            for name, item in engine.couplings.items()
        ],
        "positions_of_shafts": positions_of_shafts(engine),
        "hunting": hunting(engine),
        "magnetos": list(engine.magnetos),
        "camshafts": list(engine.camshafts),
        "valves_per_cylinder": {"inlet": sheet.inlet.count, "exhaust": sheet.exhaust.count},
        "measured_lifts": measured_lifts(engine),
        "room_at_tdc_known": None not in (sheet.inlet.room_at_tdc_mm, sheet.exhaust.room_at_tdc_mm),
        "step_count": len(played.steps),
    }


def _left_over(left: Leftover) -> Record:
    """The invented figures of a packaged engine that nobody has replaced, by file and line."""
    return {
        "of_engine": left.template,
        "figures": left.figures,
        "of_figures": left.of,
        "lines": [
            {"file": item.file, "line": item.line, "path": item.path, "figures": item.figures} for item in left.lines
        ],
        "taken_from": list(left.taken_from),
    }


def problems(scene: str, found: Iterable[tuple[str, str]]) -> Record:
    """What ``validate`` says of an engine folder that is wrong: (key path, message) of each problem."""
    return {
        "format": FORMAT,
        "record": "validation",
        "scene": scene,
        "valid": False,
        "problems": [{"path": path, "message": message} for path, message in found],
        "status": wording.DISCLAIMER,
    }


def packaged(sheets: Iterable[DataSheet]) -> Record:
    """The packaged engines."""
    return {
        "format": FORMAT,
        "record": "engines",
        "engines": [{"scene": sheet.scene, "engine": sheet.name, "about": sheet.about} for sheet in sheets],
        "status": wording.DISCLAIMER,
    }
