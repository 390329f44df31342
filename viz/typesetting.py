"""Text set in 80 columns, readable without colour: paragraphs, labelled entries, tables; numbers as they are printed.

Names come from files of strangers, so they are printed as they stand (no markup), and a character that cannot be
printed is shown as an escape.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rich import box
from rich.cells import cell_len
from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from quillwise.kinematics import wording
from quillwise.scenes.places import printable

WIDTH = 80
_LABEL_WIDTH = 6
_ABOUT_A_TURN_DEG = 350.0


def page(sheet: Iterable[RenderableType]) -> str:
    """The sheet as text, no line over 80 columns, the disclaimer last."""
    out = io.StringIO()
    console = Console(
        file=out,
        width=WIDTH,
        color_system=None,
        force_terminal=False,
        force_interactive=False,
        force_jupyter=False,
        legacy_windows=False,
        markup=False,
        highlight=False,
        emoji=False,
    )
    for piece in (*sheet, "", paragraph(wording.DISCLAIMER)):
        console.print(piece)
    return "".join(line.rstrip() + "\n" for line in out.getvalue().splitlines())


def literal(text: str) -> Text:
    """The text as it stands, whatever it holds."""
    return Text(printable(text, len(text)), overflow="fold")


def paragraph(text: str, indent: int = 0) -> RenderableType:
    """A paragraph, wrapped."""
    return Padding(literal(text), (0, 0, 0, indent)) if indent else literal(text)


def rule() -> RenderableType:
    """A line across the page."""
    return Text("─" * WIDTH)


def entry(label: str, text: str) -> RenderableType:
    """A short label with its text beside it, indented."""
    table = Table.grid(padding=(0, 2, 0, 0))
    table.add_column(width=_LABEL_WIDTH)
    table.add_column()
    table.add_row(literal(label), literal(text))
    return Padding(table, (0, 0, 0, 2))


def facts(pairs: Iterable[tuple[str, str]]) -> RenderableType:
    """Names and values in two columns."""
    table = Table.grid(padding=(0, 2, 0, 0))
    table.add_column(no_wrap=True)
    table.add_column()
    for name, value in pairs:
        table.add_row(literal(name), literal(value))
    return table


def columns(heads: Sequence[str], rows: Iterable[Sequence[str]], right: Sequence[int] = (), gap: int = 2) -> Columns:
    """A table. ``right``: columns set to the right; ``gap``: blanks between columns, at least 1."""
    shown = [[printable(cell, len(cell)) for cell in row] for row in (heads, *rows)]
    return Columns(rows=shown, right=frozenset(right), gap=gap)


@dataclass(frozen=True, kw_only=True, slots=True)
class Columns:
    """A table that is as wide as its cells where there is room for them, and is folded by rich where there is not:
    rich measures and pads every cell several times over, which for a timing table takes as long as the table."""

    rows: Sequence[Sequence[str]]
    right: frozenset[int]
    gap: int

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        widths = [max(map(cell_len, cells)) for cells in zip(*self.rows, strict=True)]
        width = sum(widths) + self.gap * (len(widths) - 1)
        if width > options.max_width:
            yield self.folded()
            return
        lines = [self._line(row, widths) for row in self.rows]
        yield Text("\n".join([lines[0], "─" * width, *lines[1:]]), no_wrap=True, overflow="ignore")

    def folded(self) -> Table:
        """The table as rich sets it."""
        table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, self.gap - 1, 0, 0))
        for place, head in enumerate(self.rows[0]):
            table.add_column(
                Text(head, overflow="fold"), justify="right" if place in self.right else "left", overflow="fold"
            )
        for row in self.rows[1:]:
            table.add_row(*(Text(cell, overflow="fold") for cell in row))
        return table

    def _line(self, row: Sequence[str], widths: Sequence[int]) -> str:
        cells = []
        for place, (cell, width) in enumerate(zip(row, widths, strict=True)):
            said = cell.rstrip() if place in self.right else cell
            blank = " " * (width - cell_len(said))
            cells.append(blank + said if place in self.right else said + blank)
        return (" " * self.gap).join(cells)


def indented(table: RenderableType, indent: int = 2) -> RenderableType:
    """Anything, moved to the right."""
    return Padding(table, (0, 0, 0, indent))


def degrees(value: float) -> str:
    """Degrees with one decimal."""
    return f"{value:.1f}"


def trimmed(value: float) -> str:
    """At most four decimals, no zeros at the end."""
    return f"{value:.4f}".rstrip("0").rstrip(".")


def early_or_late(early_deg: float, decimals: int = 2) -> str:
    """The sign in words: "0.33 early", "0.25 late" or "exact". Over 100 degrees one decimal is enough."""
    amount = f"{abs(early_deg):.{min(decimals, 1) if abs(early_deg) >= 100 else decimals}f}"
    if float(amount) == 0:
        return "exact"
    return f"{amount} {'early' if early_deg > 0 else 'late'}"


def event_off(early_deg: float) -> str:
    """By how much an event is early or late; near a whole turn of the crank neither word helps: "1 turn out"."""
    return "1 turn out" if abs(early_deg) >= _ABOUT_A_TURN_DEG else early_or_late(early_deg)
