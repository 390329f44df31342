"""Wrong files by the thousand: each is taken, or refused in plain sentences, in no time. See tests/fuzz/run.py."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from random import Random

import pytest
import trial

FILES = 2_000
EVERY = 100  # so many go through the whole command, which takes ten times as long as reading


@pytest.mark.parametrize("part", range(4))
def test_a_wrong_file_is_taken_or_refused(tmp_path: Path, part: int) -> None:
    trial.warm()
    ends: Counter[str] = Counter()
    for number in range(FILES // 4):
        case = trial.case(Random(f"{part}:{number}"))
        with trial.time_limit(5):
            try:
                ends[trial.judged(case, tmp_path, whole=number % EVERY == 0)] += 1
            except Exception as error:
                error.add_note(f"file {part}:{number}: {case.told}")
                raise
    # a search that never gets past the reader, or never stumbles, searches nothing
    assert ends["taken"] > FILES // 100
    assert ends["refused"] > FILES // 10
