"""For all tests: random engines are the same ones in every CI run, so that a change is not refused by chance. On a
developer's machine the search goes on, and what it finds is mended there."""

from __future__ import annotations

import os

from hypothesis import settings

settings.register_profile("ci", derandomize=True, deadline=None)
if os.environ.get("CI"):
    settings.load_profile("ci")
