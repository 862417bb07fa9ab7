"""Records of a text and their cells: where the rows of numbers begin, and how they end."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Final, NamedTuple

from frametime.adapters.text.cell_kind import CellKind, is_value, kind_of
from frametime.adapters.text.text_source import TextSource, lines_of

WINDOW_ROWS: Final = 20
SAMPLE_ROWS: Final = 60
_LAST_LINES: Final = 75


class Row(NamedTuple):
    """One record of the text: number of its first line, counted from 1, of the line after it, and its cells."""

    line: int
    next_line: int
    cells: tuple[str, ...]


def split_rows(
    lines: Sequence[str], delimiter: str, quote: str, *, spaced: bool = False, first_line: int = 1
) -> list[Row]:
    """Cells of each record that is not blank.

    A quote counts only where a cell begins with it: ``24" wide`` is a plain text.

    Examples
    --------
    >>> [row.cells for row in split_rows(['24" wide,1\\n', '\\n', '"a,b",2\\n'], ",", '"')]
    [('24" wide', '1'), ('a,b', '2')]
    """
    if delimiter == "":
        # A byte that no text holds: the reader then sees one cell in each line.
        delimiter = "\x1f"
    prepared: Iterable[str] = lines
    if delimiter == " ":
        prepared = (" ".join(line.split()) + "\n" for line in lines)
    reader = csv.reader(
        prepared,
        delimiter=delimiter,
        quotechar=quote or None,
        quoting=csv.QUOTE_MINIMAL if quote else csv.QUOTE_NONE,
        skipinitialspace=spaced,
    )
    rows = []
    before = 0
    try:
        for cells in reader:
            if any(cells) or len(cells) > 1:
                rows.append(Row(first_line + before, first_line + reader.line_num, tuple(cells)))
            before = reader.line_num
    except csv.Error:
        # A cell that is longer than any: what came before it still says how the text is laid out.
        return rows
    return rows


def modal_count(rows: Sequence[Row]) -> int:
    """The number of cells that most rows have."""
    return Counter(len(row.cells) for row in rows).most_common(1)[0][0]


def first_data_row(rows: Sequence[Row], limit: int = 1 << 30) -> int | None:
    """Index of the first row from which on rows have equal cell counts and the same columns of numbers."""
    kinds: dict[int, tuple[CellKind, ...]] = {}
    for index in range(min(len(rows), limit)):
        own = tuple(kind_of(cell) for cell in rows[index].cells)
        if not any(is_value(kind) for kind in own):
            continue
        kinds[index] = own
        window = range(index, min(index + WINDOW_ROWS, len(rows)))
        count = modal_count([rows[i] for i in window])
        if len(rows[index].cells) != count:
            continue
        fitting = [i for i in window if len(rows[i].cells) == count]
        if len(fitting) * 10 < len(window) * 8:
            continue
        for i in fitting:
            if i not in kinds:
                kinds[i] = tuple(kind_of(cell) for cell in rows[i].cells)
        if _is_data(kinds[index], [kinds[i] for i in fitting]):
            return index
    return None


def _is_data(first: Sequence[CellKind], window: Sequence[Sequence[CellKind]]) -> bool:
    numeric = 0
    for column, kind in enumerate(first):
        values = sum(is_value(kinds[column]) for kinds in window)
        missing = sum(kinds[column] is CellKind.MISSING for kinds in window)
        if values and (values + missing) * 10 >= len(window) * 8 and values * 2 >= len(window):
            if kind is CellKind.TEXT:
                return False
            numeric += is_value(kind)
    return numeric > 0


def filled_count(cells: Sequence[str]) -> int:
    """Number of cells up to the last one that is not empty."""
    count = len(cells)
    while count and not cells[count - 1].strip():
        count -= 1
    return count


def is_header(cells: Sequence[str]) -> bool:
    """Whether cells may be names: texts, and no value among them."""
    kinds = [kind_of(cell) for cell in cells]
    texts = sum(kind is CellKind.TEXT for kind in kinds)
    return texts > 0 and not any(is_value(kind) for kind in kinds)


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
    lines = lines_of(text)
    some = sample[:WINDOW_ROWS]
    numeric = [
        column
        for column in range(count)
        if sum(is_value(kind_of(row.cells[column])) for row in some if len(row.cells) > column) * 2 >= len(some)
    ]
    # The last lines are enough where rows of frames stand among them, and no quote may be open before them.
    for least in (0 if quote and quote in text else -_LAST_LINES, 0):
        first = max(0, len(lines) + least) if least else 0
        rows = split_rows(lines[first:], delimiter, quote, spaced=spaced, first_line=first + 1)
        kept = len(rows)
        while kept and not _fits(rows[kept - 1].cells, numeric):
            kept -= 1
        if len(rows) - kept < _LAST_LINES // 3 or not first:
            break
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
