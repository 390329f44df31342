"""Hold points: the steps at whose end the work stops until it is agreed, of the pack as of the briefing."""

from __future__ import annotations


def is_hold(key: str) -> bool:
    """Whether the work stops at the end of the step of that key: the mark proved, a break held, a quill home, the
    locking."""
    return key in ("tdc", "inspection") or key.endswith(("-break", "-home"))
