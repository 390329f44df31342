"""An engine folder to break: an in-line six, every figure invented."""

from collections.abc import Callable
from pathlib import Path

import pytest

ENGINE = """\
format = 1
name = "Test six"
about = "Invented."
length_unit = "mm"

[layout]
rotation = "clockwise"
seen_from = "wheelcase end"
number_one_at = "wheelcase end"
firing_order = ["A1", "A5", "A3", "A6", "A2", "A4"]
banks = [{ name = "A", angle_deg = 10, side = "right", cylinders = 6 }]

[crank]
bore = 100.0
stroke = 120
rod_length = 200.0
gudgeon_offset = 1.0

[valves]
checking_clearance = 0.5

[valves.inlet]
opens = "15 BTDC"
closes = "50 ABDC"
valve_lift = 10.0
ramp_per_crank_deg = 0.02

[valves.exhaust]
opens = "55 BBDC"
closes = "12 ATDC"
valve_lift = 9.5
ramp_per_crank_deg = 0.02
running_clearance = 0.4

[couplings.quill]
kind = "quill"
driving_teeth = 17
driven_teeth = 18

[couplings.sleeve]
kind = "sleeve"
driving_teeth = 14
driven_teeth = 15

[[trains]]
drives = "camshaft A"
from = "crankshaft"
stages = [
    { bevel = { driving = 20, driven = 20 } },
    { coupling = "quill" },
    { bevel = { driving = 18, driven = 36 } },
]

[[trains]]
drives = "left magneto"
from = "crankshaft"
stages = [{ spur = { driving = 42, driven = 28 } }, { coupling = "sleeve" }]

[[magnetos]]
name = "left"
plugs = "inlet side"
points_break = "30 BTDC"
poles = 2
e_gap_magneto_rotor_deg = 10
finger = { pinion = 20, wheel = 60 }
stands = "left"
"""

SETUP = """\
format = 1
steps = [
    { do = "prepare" },
    { do = "set-camshaft", camshaft = "camshaft A", cylinder = "A1", by = "exhaust closes" },
    { do = "set-magneto", magneto = "left", cylinder = "A1" },
    { do = "finish" },
]
"""

Edits = dict[str, str]
MakeFolder = Callable[..., Path]


def edited(text: str, edits: Edits) -> str:
    """The text with every key of the edits, which must stand there once, replaced by its value."""
    for old, new in edits.items():
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times"
        text = text.replace(old, new)
    return text


@pytest.fixture
def make_folder(tmp_path: Path) -> MakeFolder:
    """``make_folder(engine_edits, setup_edits, name)``: the six, with some of its text replaced."""

    def make(engine: Edits | None = None, setup: Edits | None = None, name: str = "six") -> Path:
        folder = tmp_path / name
        folder.mkdir()
        (folder / "engine.toml").write_text(edited(ENGINE, engine or {}), encoding="utf-8")
        (folder / "setup.toml").write_text(edited(SETUP, setup or {}), encoding="utf-8")
        return folder

    return make


@pytest.fixture
def write_folder(tmp_path: Path) -> MakeFolder:
    """``write_folder(name, engine, setup)``: a folder beside the others with these texts, None: no file."""

    def write(name: str, engine: str | None, setup: str | None = None) -> Path:
        folder = tmp_path / name
        folder.mkdir()
        for file, text in (("engine.toml", engine), ("setup.toml", setup)):
            if text is not None:
                (folder / file).write_text(text, encoding="utf-8")
        return folder

    return write
