"""All timings as ratios to a reference of the same run:
``python tests/benchmarks/run.py [--only NAME…] [--plots FOLDER]``.

Each module of ``MODULES`` yields its figures. Nothing here is asserted by the suite: the machine may be busy, which
the heading of the table shows.
"""

from __future__ import annotations

import argparse
import importlib
import importlib.util
import os
import platform
import sys
from collections.abc import Iterable
from datetime import date
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent / "support")]

from rich.console import Console  # noqa: E402
from rich.table import Table  # noqa: E402
from stopwatch import Figure  # noqa: E402

# modules with figures() for the table, in its order
MODULES = (
    "positions_of_parts",
    "blocks",
    "command_line",
    "diagnoses",
    "briefing_page",
    "frames",
    "shared_work",
    "growth",
)
# modules that print ratios of their own by main()
PRINTING = ("line_drawing", "pack")


def heading() -> str:
    """When and on what machine."""
    load = ", ".join(f"{value:.1f}" for value in os.getloadavg())
    return (
        f"{date.today().isoformat()}, {os.cpu_count()} cores, Python {platform.python_version()}, "
        f"{platform.machine()}, load average {load}"
    )


def _seconds(value: float | None) -> str:
    if value is None:
        return ""
    return f"{value:.2f} s" if value >= 1 else f"{value * 1e3:.2f} ms" if value >= 1e-3 else f"{value * 1e6:.1f} µs"


def table(figures: Iterable[Figure]) -> Table:
    """The figures, a row each, remarks where a target is missed."""
    made = Table(title=heading(), show_lines=False)
    for name in ("figure", "took", "reference", "took", "ratio", "target", "met"):
        made.add_column(name, justify="left" if name in ("figure", "reference", "met") else "right", overflow="fold")
    for one in figures:
        met = {None: "", True: "yes", False: "NO"}[one.met]
        target = "" if one.most is None else f"≤ {one.most:g}"
        made.add_row(
            one.name, _seconds(one.took), one.reference, _seconds(one.reference_took), f"{one.ratio:.2f}", target, met
        )
        if one.remark and one.met is not True:
            made.add_row(f"  {one.remark}", *[""] * 6)
    return made


def measured(only: Iterable[str] = (), plots: Path | None = None) -> list[Figure]:
    """The figures of the modules of these names, of all when there are none. plots: folder for the growth as SVG."""
    wanted = tuple(only) or MODULES
    found = []
    for name in MODULES:
        if name not in wanted:
            continue
        sys.stderr.write(f"{name} …\n")
        module = importlib.import_module(name)
        for one in module.figures(plots) if name == "growth" else module.figures():
            sys.stderr.write(f"  {one.name}: {one.ratio:.2f}\n")  # a run that is broken off has told what it knew
            found.append(one)
    return found


def main() -> None:
    """Measure and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    every = (*MODULES, *PRINTING)
    parser.add_argument("--only", nargs="+", choices=every, default=[], metavar="NAME", help=", ".join(every))
    parser.add_argument("--plots", type=Path, metavar="FOLDER", help="draw the growth as SVG into this folder")
    asked = parser.parse_args()
    console = Console(width=max(Console().width, 118))
    found = [name for name in asked.only if name in MODULES] or not asked.only
    if found:
        console.print(table(measured(asked.only, asked.plots)), highlight=False, markup=False)
    for name in PRINTING:
        if asked.only and name not in asked.only:
            continue
        if importlib.util.find_spec(name) is None:
            console.print(f"{name}: left out, tests/benchmarks/{name}.py is not there")
            continue
        console.print(f"\n{name}")
        sys.argv = [name]  # its own arguments are not ours
        importlib.import_module(name).main()


if __name__ == "__main__":
    main()
