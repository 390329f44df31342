"""The mechanism stands on numpy, scipy and the standard library alone."""

from __future__ import annotations

import json
import pkgutil
import subprocess
import sys
from pathlib import Path

import quillwise.kinematics

HEAVY = (
    "vtk",
    "vtkmodules",
    "pyvista",
    "trimesh",
    "manifold3d",
    "shapely",
    "matplotlib",
    "PIL",
    "av",
    "typer",
    "quillwise.meshes",
    "quillwise.viz",
    "quillwise.scenes",
)


def modules() -> list[str]:
    return [f"quillwise.kinematics.{found.name}" for found in pkgutil.iter_modules(quillwise.kinematics.__path__)]


def test_a_fresh_process_that_imports_the_mechanism_has_no_graphics_in_it() -> None:
    names = modules()
    assert "quillwise.kinematics.sequence" in names and len(names) > 15
    code = "import importlib, json, sys\nfor name in json.loads(sys.argv[1]): importlib.import_module(name)\n"
    code += "print(json.dumps(sorted(sys.modules)))"
    run = subprocess.run([sys.executable, "-c", code, json.dumps(names)], capture_output=True, text=True, check=True)
    loaded = set(json.loads(run.stdout))
    assert loaded >= {"numpy", "quillwise.kinematics.build"}
    assert [name for name in HEAVY if name in loaded or any(m.startswith(f"{name}.") for m in loaded)] == []


def test_third_party_packages_are_numpy_and_scipy_only() -> None:
    code = "import importlib, json, sys\nbefore = set(sys.modules)\n"
    code += "for name in json.loads(sys.argv[1]): importlib.import_module(name)\n"
    code += "tops = {m.partition('.')[0] for m in set(sys.modules) - before}\n"
    code += "print(json.dumps(sorted(t for t in tops if t not in sys.stdlib_module_names)))"
    run = subprocess.run(
        [sys.executable, "-c", code, json.dumps(modules())], capture_output=True, text=True, check=True
    )
    # names that start with an underscore belong to the machinery of numpy, scipy or of an editable install
    found = {name for name in json.loads(run.stdout) if not name.startswith("_")}
    assert found <= {"numpy", "scipy", "quillwise", "cython_runtime"}
    assert {"numpy", "quillwise"} <= found


def test_modules_are_small() -> None:
    folder = Path(next(iter(quillwise.kinematics.__path__)))
    long = {path.name: len(path.read_text("utf-8").splitlines()) for path in folder.glob("*.py")}
    assert {name: lines for name, lines in long.items() if lines > 600} == {}
