"""What is fitted to prove TDC is what is removed: a stop, or where the top is one-sided a dial gauge."""

from __future__ import annotations

import pytest

from quillwise.kinematics.wording import prove_tdc


@pytest.mark.parametrize(
    ("offset", "link", "tool"), [(False, False, "stop"), (True, False, "gauge"), (False, True, "gauge")]
)
def test_only_the_tool_that_was_used_is_removed(offset: bool, link: bool, tool: str) -> None:
    do = prove_tdc("A1", offset, link).do
    assert do[-1] == f"Remove the {'stop' if tool == 'stop' else 'dial gauge'}."
    assert any("pointer" in sentence for sentence in do)
    assert any("Fit the piston stop" in sentence for sentence in do) == (tool == "stop")
