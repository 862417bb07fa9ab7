"""Plain text of a terminal: wrapping and tables."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from frametime.errors import printable
from frametime.render.tables.table import Cell, Column, Strip, Table, line_text

WIDTH = 80
_TIED_PERCENT = "\N{NO-BREAK SPACE}%"


def wrapped(text: str, *, indent: int = 0, bullet: str = "", width: int = 80) -> str:
    """``text`` wrapped to ``width`` columns and indented; after a ``bullet`` the other lines are aligned with the text.

    A number and its percent sign stay on one line.

    Examples
    --------
    >>> print(wrapped("a gain of 4.8 %", indent=2, bullet="- ", width=17))
      - a gain of
        4.8 %
    """
    margin = " " * indent
    filled = textwrap.fill(
        text.replace(" %", _TIED_PERCENT),
        width,
        initial_indent=margin + bullet,
        subsequent_indent=margin + " " * len(bullet),
        break_on_hyphens=False,
    )
    return filled.replace(_TIED_PERCENT, " %")


def text_table(
    heading: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    right: frozenset[int] = frozenset(),
    indent: int = 0,
    rule: bool = False,
) -> str:
    """A table in aligned columns, two spaces apart; columns in ``right`` are flush right.

    Parameters
    ----------
    heading, rows : sequences of str
        One text a column.
    right : frozenset of int
        Places of the columns that are flush right.
    indent : int
        Spaces before each line.
    rule : bool
        Draw a line below the heading.

    Examples
    --------
    >>> print(text_table(["card", "fps"], [["amber", "9.5"], ["slate", "104.2"]], right=frozenset({1})))
    card     fps
    amber    9.5
    slate  104.2
    >>> print(text_table(["card"], [["amber"]], indent=2, rule=True))
      card
      -----
      amber
    """
    shown = [[printable(cell) for cell in row] for row in (heading, *rows)]
    widths = [max(len(row[i]) for row in shown) for i in range(len(heading))]
    if rule:
        shown.insert(1, ["-" * width for width in widths])
    lines = [
        "  ".join(
            cell.rjust(width) if i in right else cell.ljust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        )
        for row in shown
    ]
    return "\n".join((" " * indent + line).rstrip() for line in lines)


def table_text(table: Table, *, most: int | None = None) -> str:
    """The first rows of a table in lines of at most 80 columns: longer words of a cell are cut."""
    shown = [place for place, column in enumerate(table.columns) if column.kind != "strip"]
    rows = [[_cell_text(row.cells[place]) for place in shown] for row in table.rows[:most]]
    heading = [table.columns[place].heading for place in shown]
    right = frozenset(at for at, place in enumerate(shown) if _is_number(table.columns[place]))
    widths = [max(len(printable(row[at])) for row in (heading, *rows)) for at in range(len(shown))]
    over = sum(widths) + 2 * len(widths) - WIDTH
    while over > 0 and (widest := max(range(len(widths)), key=lambda at: (at not in right) * widths[at])) not in right:
        widths[widest] -= 1
        over -= 1
    cut = [[_cut(printable(text), width) for text, width in zip(row, widths, strict=True)] for row in (heading, *rows)]
    return text_table(cut[0], cut[1:], right=right, indent=2, rule=True)


def _is_number(column: Column) -> bool:
    return column.kind in {"number", "whole", "money"}


def _cell_text(cell: Cell) -> str:
    return line_text(tuple(part for part in cell.content if not isinstance(part, Strip)))


def _cut(text: str, width: int) -> str:
    return text if len(text) <= width else f"{text[: max(1, width - 2)]}.."
