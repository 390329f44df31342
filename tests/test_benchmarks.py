"""The benchmarks: their list is complete, and a figure can be made. No time is asserted."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

FOLDER = Path(__file__).parent / "benchmarks"
SHARED = {"run", "stopwatch"}  # no figures of their own


@pytest.fixture
def listed(monkeypatch: pytest.MonkeyPatch) -> tuple[set[str], set[str]]:
    """The modules that ``run.py`` knows: with figures, and with a table of their own."""
    monkeypatch.syspath_prepend(str(FOLDER))
    monkeypatch.setattr(sys, "path", list(sys.path))
    import run

    return set(run.MODULES), set(run.PRINTING)


def test_every_module_is_in_the_list(listed: tuple[set[str], set[str]]) -> None:
    tables, printing = listed
    there = {path.stem for path in FOLDER.glob("*.py")} - SHARED
    assert tables <= there
    assert there <= tables | printing


@pytest.mark.usefixtures("listed")
def test_a_slope_is_the_power_of_the_size() -> None:
    from stopwatch import slope

    assert slope([1, 10, 100], [3.0, 30.0, 300.0]) == pytest.approx(1.0)
    assert slope([2, 4, 16], [5 * 2**1.5, 5 * 4**1.5, 5 * 16**1.5]) == pytest.approx(1.5)


@pytest.mark.usefixtures("listed")
def test_a_figure_is_the_least_time_by_its_reference() -> None:
    from stopwatch import compared

    times = iter([4.0, 9.0, 2.0, 6.0])  # reference, work, reference, work
    found = compared("f", lambda: None, "r", lambda: None, 2.0, times=2, runs=2, clock=lambda _: next(times))
    assert (found.took, found.reference_took, found.ratio, found.met) == (6.0, 4.0, 1.5, True)


def test_a_small_figure_runs() -> None:
    script = "import run, diagnoses; print(len(run.table([next(diagnoses.figures())]).rows))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, cwd=FOLDER)
    assert (done.returncode, done.stderr) == (0, "")
    assert int(done.stdout) >= 1


@pytest.mark.usefixtures("listed")
def test_a_plot_is_the_same_twice(tmp_path: Path) -> None:
    import growth

    curve = growth.Curve(name="work", by="teeth", sizes=(1, 10), times=(0.1, 1.0))
    for name in ("one.svg", "two.svg"):
        growth.draw([curve], tmp_path / name)
    assert (tmp_path / "one.svg").read_bytes() == (tmp_path / "two.svg").read_bytes()
    assert "work: slope 1.00" in (tmp_path / "one.svg").read_text(encoding="utf-8")
