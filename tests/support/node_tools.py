"""Programs for Node that check what we write. ``viz/page/package.json`` names them, ``npm install`` brings them."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[2] / "viz" / "page"


def node(script: str, *arguments: str) -> str:
    """What a script (CommonJS) prints. Where it can't be run: a failure if CI is set, else the test is passed over."""
    if shutil.which("node") is None or not (FOLDER / "node_modules").is_dir():
        wanted = "node and, in viz/page, npm install"
        if os.environ.get("CI"):
            pytest.fail(f"{wanted}: needed where CI is set")
        pytest.skip(f"not tried without {wanted}")
    done = subprocess.run(
        ["node", "-e", script, "--", *arguments], cwd=FOLDER, capture_output=True, text=True, timeout=300, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout
