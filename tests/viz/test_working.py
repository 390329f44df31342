"""Work that is shared out: what goes to another process arrives whole, and many hands draw what one draws."""

from __future__ import annotations

import hashlib
import pickle
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import MappingProxyType

import pytest
from two_workers import two_workers

from quillwise.kinematics.errors import RequestError
from quillwise.kinematics.sequence import play
from quillwise.kinematics.timing import timing_table
from quillwise.scenes import library
from quillwise.viz import sheetdata, working


@pytest.mark.parametrize("name", library.names())
def test_a_pack_arrives_whole_in_another_process(name: str) -> None:
    engine = library.engine(name)
    job = sheetdata.work(engine, play(engine), library.find(name))
    # dask sends by pickle
    there = pickle.loads(pickle.dumps(job))
    assert isinstance(there.engine.shafts, MappingProxyType)
    assert there.engine.sheet == engine.sheet
    assert there.played == job.played
    assert (there.events, there.rehearsal, there.sources) == (job.events, job.rehearsal, job.sources)
    assert timing_table(there.engine, there.played.as_set) == timing_table(engine, job.played.as_set)


def test_one_hand_needs_no_other_process(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("quillwise.viz.sheets.figures", lambda *given: given)
    assert working.pack_figures("job", "sheet", ("step",)) == ("job", "sheet", ("step",), None)  # type: ignore


def test_a_cluster_that_does_not_answer_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr(working, "_ANSWER_S", 0.2)
    with (
        pytest.raises(RequestError, match=r"no dask scheduler answers at tcp://127\.0\.0\.1:1$"),
        working.at_work(working.Hands(cluster="tcp://127.0.0.1:1")),
    ):
        pass


def test_a_cluster_without_its_package_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with (
        pytest.raises(RequestError, match=r'pip install "quillwise\[cluster\]"'),
        working.at_work(working.Hands(cluster="tcp://127.0.0.1:1")),
    ):
        pass


@pytest.fixture(scope="module")
def cluster() -> Iterator[str]:
    """The address of a cluster of two workers."""
    pytest.importorskip("distributed")
    with two_workers() as address:
        yield address


def pack(path: Path, *hands: str) -> str:
    """SHA-256 of a pack of three steps, drawn by these hands."""
    steps = ("--only", "3", "--only", "1", "--only", "6")
    command = [sys.executable, "-m", "quillwise.viz.start", "sheets", "launch-inverted", *steps, "-o", str(path)]
    done = subprocess.run([*command, *hands], capture_output=True, text=True, cwd=path.parent)
    assert (done.returncode, done.stderr) == (0, "")
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.slow
def test_many_hands_make_the_same_bytes(tmp_path: Path, cluster: str) -> None:
    alone = pack(tmp_path / "alone.pdf")
    assert pack(tmp_path / "two.pdf", "--jobs", "2") == alone
    assert pack(tmp_path / "cluster.pdf", "--cluster", cluster) == alone
