"""The end of a text: a footer after the rows, and a last line that was cut off."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

from frametime.adapters.cells import CellKind, is_value, kind_of
from frametime.adapters.rows import SAMPLE_ROWS, Row, split_rows
from frametime.adapters.text_source import LINES, TextSource


class TextEnding(NamedTuple):
    """Where the rows end, and what stands there; the fields of `Dialect` say more."""

    sample: tuple[Row, ...]
    tail: tuple[Row, ...]
    data_end: int
    cut: str | None
    is_open: bool
    footer: tuple[str, ...]


def text_ending(
    source: TextSource,
    sample: tuple[Row, ...],
    data_start: int,
    delimiter: str,
    quote: str,
    spaced: bool,
    count: int,
    *,
    keeps_open_row: bool,
) -> TextEnding:
    """Take footer and a cut-off last line from the end of the data."""
    offset, text = source.tail()
    if offset < data_start:
        source.stream.seek(data_start)
        offset, text = data_start, source.stream.read(source.end - data_start).decode("utf-8", "surrogateescape")
    lines = re.findall(LINES, text)
    rows = split_rows(lines, delimiter, quote, spaced=spaced)
    numeric = [
        column
        for column in range(count)
        if sum(is_value(kind_of(row.cells[column])) for row in sample[:SAMPLE_ROWS] if len(row.cells) > column) * 2
        >= len(sample[:SAMPLE_ROWS])
    ]
    kept = len(rows)
    while kept and not _fits(rows[kept - 1].cells, numeric):
        kept -= 1
    # More lines than this are no footer: the table reader counts and lists them.
    footer_rows = rows[kept:] if len(rows) - kept <= 200 and kept else []
    if len(footer_rows) == 1 and not _is_footer(footer_rows[0], rows[kept - 1], count):
        footer_rows = []
    rows = rows[: len(rows) - len(footer_rows)]
    footer = tuple(
        line.rstrip("\r\n") for row in footer_rows for line in lines[row.line - 1 : row.next_line - 1] if line.strip()
    )
    cut, is_open = None, False
    last_line = lines[-1] if lines else ""
    if rows and not footer_rows and not last_line.endswith(("\n", "\r")) and source.nul_bytes == 0 and len(rows) > 1:
        known = [*sample[:SAMPLE_ROWS], *rows[:-1]] if offset > data_start else rows[:-1]
        last_row = "".join(lines[rows[-1].line - 1 :])
        n_quotes = last_row.count(quote) if quote else 0
        is_open = not (n_quotes and last_row.rstrip().endswith(quote))
        if n_quotes % 2 == 1 or (is_open and not keeps_open_row) or _is_cut(rows[-1].cells, known, count, numeric):
            cut, is_open = last_row, False
            footer_rows = [rows[-1]]
            rows = rows[:-1]
    end = source.end
    if footer_rows:
        end = offset + len("".join(lines[: footer_rows[0].line - 1]).encode("utf-8", "surrogateescape"))
    if offset == data_start and footer_rows:
        below = sample[0].line - 1 + footer_rows[0].line
        sample = tuple(row for row in sample if row.line < below)
    return TextEnding(sample=sample, tail=tuple(rows[-200:]), data_end=end, cut=cut, is_open=is_open, footer=footer)


def _fits(cells: Sequence[str], numeric: Sequence[int]) -> bool:
    """Whether a row looks like a row of frames: its first number column holds a number, or nothing."""
    if not numeric or len(cells) <= numeric[0]:
        return False
    return kind_of(cells[numeric[0]]) is not CellKind.TEXT


def _is_footer(row: Row, before: Row, count: int) -> bool:
    """One odd last line: a footer if a blank line stands before it, or it has words and another cell count."""
    return row.line > before.next_line or (
        len(row.cells) != count and not any(kind_of(c) is CellKind.NUMBER for c in row.cells[:1])
    )


def _is_cut(cells: Sequence[str], known: Sequence[Row], count: int, numeric: Sequence[int]) -> bool:
    if len(cells) < count and all(len(row.cells) >= count for row in known):
        return True
    last = len(cells) - 1
    if last not in numeric:
        return False
    others = [row.cells[last].strip() for row in known if len(row.cells) == len(cells)]
    others = [other for other in others if is_value(kind_of(other))]
    if not others:
        return False
    own = cells[last].strip()
    if not is_value(kind_of(own)):
        return False
    return _decimals(own) < min(map(_decimals, others)) or (
        _decimals(own) <= 0 and len(own) < min(map(len, others)) and all(_decimals(other) == 0 for other in others)
    )


def may_lack_digits(cells: Sequence[str], decimal: str) -> bool:
    """Whether one more number of this column could have lost digits at its end unseen.

    Not where all numbers have the same count of decimals, one or more.

    Examples
    --------
    >>> may_lack_digits(["16.68", "7.12"], "."), may_lack_digits(["16680", "7120"], ".")
    (False, True)
    """
    counts = {len(cell) - cell.rfind(decimal) - 1 if decimal in cell else 0 for cell in map(str.strip, cells) if cell}
    return len(counts) != 1 or counts == {0}


def _decimals(cell: str) -> int:
    """Digits after the decimal mark; -1 where the mark is the last character; a plain integer has none."""
    mark = max(cell.rfind("."), cell.rfind(","))
    return 0 if mark < 0 else len(cell) - mark - 1
