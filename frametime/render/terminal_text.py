"""Plain text of a terminal: wrapping and tables."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator, Sequence
from itertools import zip_longest

from frametime.errors import printable
from frametime.render.tables.table import Inline, Table, line_text, plain_text
from frametime.words import COMMAND

WIDTH = 80
_LEAST = 10
"""Columns of a word that is cut."""
_TIED_PERCENT, _TIED_DEGREES = "\N{NO-BREAK SPACE}%", "\N{NO-BREAK SPACE}°C"


def wrapped(text: str, *, indent: int = 0, bullet: str = "", width: int = 80) -> str:
    """``text`` wrapped to ``width`` columns and indented; after a ``bullet`` the other lines are aligned with the text.

    A number stays on one line with its percent sign or degrees. A command, which double spaces part from the text, has
    a line of its own, however long, so that it can be pasted.

    Examples
    --------
    >>> print(wrapped("a gain of 4.8 %", indent=2, bullet="- ", width=17))
      - a gain of
        4.8 %
    >>> print(wrapped("settle it with  frametime check 'run 1.csv' --unit ms  (60 fps)", width=20))
    settle it with
    frametime check 'run 1.csv' --unit ms
    (60 fps)
    >>> print(wrapped("limits      85 °C  or less"))
    limits      85 °C  or less
    """
    lines: list[str] = []
    tied = text.replace(" %", _TIED_PERCENT).replace(" °C", _TIED_DEGREES)
    for at, part in enumerate(map(str.strip, COMMAND.split(tied))):
        start = " " * indent + (" " * len(bullet) if lines else bullet)
        wide = max(width, len(start + part)) if at % 2 else width  # every other part is a command
        rest = " " * len(start)
        lines.append(textwrap.fill(part, wide, initial_indent=start, subsequent_indent=rest, break_on_hyphens=False))
    return "\n".join(filter(None, lines)).replace(_TIED_PERCENT, " %").replace(_TIED_DEGREES, " °C")


def text_table(heading: Sequence[str], rows: Sequence[Sequence[str]], *, right: frozenset[int] = frozenset()) -> str:
    """A table in aligned columns, two spaces apart, below a rule; columns in ``right`` are flush right.

    Examples
    --------
    >>> print(text_table(["card", "fps"], [["amber", "9.5"], ["slate", "104.2"]], right=frozenset({1})))
      card     fps
      -----  -----
      amber    9.5
      slate  104.2
    """
    shown = [[printable(cell) for cell in row] for row in (heading, *rows)]
    widths = [max(map(len, column)) for column in zip(*shown, strict=True)]
    shown.insert(1, ["-" * width for width in widths])
    lines = (
        [
            cell.rjust(width) if i in right else cell.ljust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        for row in shown
    )
    return "\n".join(f"  {'  '.join(line)}".rstrip() for line in lines)


def table_text(table: Table, *, most: int | None = None, write: Callable[[Inline], str] = plain_text) -> str:
    """A table in lines of at most 80 columns, or its first rows, each in one line.

    A text that is too long goes on below, or is cut where a row has one line; a number never is.
    """
    shown = [(place, column) for place, column in enumerate(table.columns) if column.kind != "strip"]
    rows = [[printable(line_text(row.cells[place].content, write)) for place, _ in shown] for row in table.rows[:most]]
    lines = [[printable(column.heading) for _, column in shown], *rows]
    widths = [max(map(len, texts)) for texts in zip(*lines, strict=True)]
    least = [
        _LEAST if column.kind == "text" else max(min(len(column.heading), _LEAST), *map(len, texts))
        for (_, column), texts in zip(shown, zip(*rows, strict=True), strict=False)
    ] or widths
    over = sum(widths) + 2 * len(widths) - WIDTH
    while over > 0 and (wide := [at for at, width in enumerate(widths) if width > least[at]]):
        widths[max(wide, key=widths.__getitem__)] -= 1
        over -= 1
    heading = [_cut(text, width) for text, width in zip(lines[0], widths, strict=True)]
    kept = [line for row in rows for line in _lines_of(row, widths, is_folded=most is None)]
    right = frozenset(at for at, (_, column) in enumerate(shown) if column.kind in {"number", "whole", "money"})
    return text_table(heading, kept, right=right)


def _lines_of(row: Sequence[str], widths: Sequence[int], *, is_folded: bool) -> Iterator[list[str]]:
    parts = [
        textwrap.wrap(text, width, break_long_words=False, break_on_hyphens=False) if is_folded else [text]
        for text, width in zip(row, widths, strict=True)
    ]
    for line in zip_longest(*parts, fillvalue=""):
        yield [_cut(text, width) for text, width in zip(line, widths, strict=True)]


def _cut(text: str, width: int) -> str:
    return text if len(text) <= width else f"{text[: max(1, width - 2)]}.."
