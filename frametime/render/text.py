"""Plain text of a terminal: wrapping and tables."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence


def wrapped(text: str, *, indent: int = 0, width: int = 80) -> str:
    """``text`` wrapped to ``width`` columns, each line indented."""
    margin = " " * indent
    return textwrap.fill(text, width, initial_indent=margin, subsequent_indent=margin)


def text_table(header: Sequence[str], rows: Sequence[Sequence[str]], *, right: frozenset[int] = frozenset()) -> str:
    """A table in aligned columns, two spaces apart; columns in ``right`` are flush right.

    Examples
    --------
    >>> print(text_table(["card", "fps"], [["amber", "9.5"], ["slate", "104.2"]], right=frozenset({1})))
    card     fps
    amber    9.5
    slate  104.2
    """
    widths = [max(len(row[i]) for row in (header, *rows)) for i in range(len(header))]
    lines = [
        "  ".join(
            cell.rjust(width) if i in right else cell.ljust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in (header, *rows)
    ]
    return "\n".join(lines)
