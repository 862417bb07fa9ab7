"""Records of a text and their cells, and where the rows of numbers end."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from itertools import count
from types import MappingProxyType
from typing import Any, Final, NamedTuple

from frametime.adapters.text.cells import CellKind, is_value, kind_of
from frametime.adapters.text.text_source import ENCODING, ERRORS, TextSource, lines_of

WINDOW_ROWS: Final = 20
SAMPLE_ROWS: Final = 60
NO_DELIMITER: Final = "\x1f"
"""Stands for none: a byte that no text holds, so that a reader sees one cell in each line."""
_LAST_LINES: Final = 75
_PLAIN: Final = r"[+-]?[0-9]{1,30}+(?:\.[0-9]{1,30}+)?+"
"""A number that is one in every way of reading numbers."""
_MOST_FOOTER_ROWS: Final = 200


class Row(NamedTuple):
    """One record of the text: number of its first line, counted from 1, of the line after it, and its cells."""

    line: int
    next_line: int
    cells: tuple[str, ...]


class Marks(NamedTuple):
    """What parts the cells of a text.

    Attributes
    ----------
    delimiter : str
        Empty for a single column; a space stands for one or more spaces.
    quote : str
        Empty where cells are not quoted.
    spaced : bool
        Whether a space stands between delimiter and quote.
    """

    delimiter: str
    quote: str
    spaced: bool = False

    def plain_rows(self, text: str, n_columns: int, first_line: int = 1) -> tuple[Row, ...]:
        """The rows of a text where each line holds so many plain numbers; none where one line holds anything else.

        Examples
        --------
        >>> [row.cells for row in Marks(",", "").plain_rows("1,2.5\\n2,-3\\n", 2)]
        [('1', '2.5'), ('2', '-3')]
        >>> Marks(",", "").plain_rows("1,2.5\\n2,n/a\\n", 2)
        ()
        """
        row = rf"{_PLAIN}(?:{re.escape(self.delimiter)}{_PLAIN}){{{n_columns - 1}}}\r?\n"
        if self.delimiter[:1] in {"+", "-", "."} or not re.fullmatch(f"(?:{row})++", text):
            return ()
        cells = [tuple(line.split(self.delimiter or NO_DELIMITER)) for line in text.splitlines()]
        return tuple(map(Row, count(first_line), count(first_line + 1), cells))


class Dialect(NamedTuple):
    """How one text is laid out.

    Attributes
    ----------
    marks : Marks
    n_columns : int
    names, units_row : tuple of str
        One for each column; empty where there is none.
    data_start, data_end : int
        Bytes of the source between which the rows lie.
    sample : tuple of Row
        Rows from the start of the data.
    tail : tuple of Row
        Rows from the end; their line numbers count from the start of the tail.
    header_line, units_line : int
        Counted from 1; 0 where there is none.
    first_data_line : int
    multiline_cells : bool
        Whether quoted cells hold line ends.
    cut_last_line : str or None
        Text of a last line that was cut off, or may have been, left out of the data.
    has_open_row : bool
        Whether the last row of the data has no line end, nor a quote that closes its last cell.
    footer : tuple of str
        Lines after the data.
    metadata : Mapping
        Key and value pairs above the header.
    evidence : Mapping
        Layout key to a sentence.
    units_place : str
        Where ``units_row`` was found, for messages.
    lacks_a_name : bool
        Whether the header has one name less than rows have cells; here it is that of the last column.
    """

    marks: Marks
    n_columns: int
    names: tuple[str, ...]
    units_row: tuple[str, ...]
    data_start: int
    data_end: int
    sample: tuple[Row, ...]
    tail: tuple[Row, ...] = ()
    header_line: int = 0
    units_line: int = 0
    first_data_line: int = 1
    multiline_cells: bool = False
    cut_last_line: str | None = None
    has_open_row: bool = False
    footer: tuple[str, ...] = ()
    metadata: Mapping[str, str] = MappingProxyType({})
    evidence: Mapping[str, str] = MappingProxyType({})
    units_place: str = "the units row"
    lacks_a_name: bool = False


def split_rows(lines: Sequence[str], marks: Marks, first_line: int = 1) -> list[Row]:
    """Cells of each record that is not blank.

    A quote counts only where a cell begins with it: ``24" wide`` is a plain text.

    Examples
    --------
    >>> [row.cells for row in split_rows(['24" wide,1\\n', '\\n', '"a,b",2\\n'], Marks(",", '"'))]
    [('24" wide', '1'), ('a,b', '2')]
    """
    reader = reader_of(lines, marks)
    rows, line = [], first_line
    with suppress(csv.Error):  # a cell longer than any: what came before it still says how the text is laid out
        for cells in reader:
            before, line = line, first_line + reader.line_num
            if len(cells) > 1 or any(cells):
                rows.append(Row(before, line, tuple(cells)))
    return rows


def reader_of(lines: Iterable[str], marks: Marks) -> Any:
    """A reader of the module ``csv`` over lines whose cells these marks part."""
    plain = (" ".join(line.split()) + "\n" for line in lines) if marks.delimiter == " " else lines
    quotes: dict[str, Any] = {"quotechar": marks.quote} if marks.quote else {"quoting": csv.QUOTE_NONE}
    return csv.reader(plain, delimiter=marks.delimiter or NO_DELIMITER, skipinitialspace=marks.spaced, **quotes)


def with_ending(dialect: Dialect, source: TextSource, *, keeps_open_row: bool = True) -> Dialect:
    """The dialect with what stands at the end of the text: footer and a cut-off last line are taken from the data.

    A last row without a line end belongs to the data unless it is seen to be cut off; where its last number matters
    and may lack digits unseen, ``keeps_open_row=False`` leaves it out.
    """
    offset, text = source.tail()
    if offset < dialect.data_start:
        offset, text = dialect.data_start, source.part(dialect.data_start, source.end).read().decode(ENCODING, ERRORS)
    sample, n_columns, quote = dialect.sample, dialect.n_columns, dialect.marks.quote
    columns = ([row.cells[at] for row in sample[:WINDOW_ROWS] if len(row.cells) > at] for at in range(n_columns))
    numeric = next((at for at, cells in enumerate(columns) if _holds_values(cells)), n_columns)
    last_lines = "\n".join(text.rsplit("\n", _LAST_LINES + 1)[-_LAST_LINES - 1 :])
    tail = () if quote and quote in text else dialect.marks.plain_rows(last_lines, n_columns)
    if tail and numeric < n_columns:
        return dialect._replace(tail=tail, data_end=source.end)
    lines = lines_of(text)
    bare = kind_of("".join(sample[0].cells[numeric : numeric + 1])) is CellKind.NUMBER
    no_row = (CellKind.TEXT, CellKind.WITH_UNIT) if bare else (CellKind.TEXT,)
    # The last lines are enough where rows of frames stand among them, and no quote may be open before them.
    for first in (0 if quote and quote in text else max(0, len(lines) - _LAST_LINES), 0):
        rows = split_rows(lines[first:], dialect.marks, first + 1)
        kept = len(rows)
        # A row of frames holds a number, or nothing, in its first number column.
        while kept and (len(cells := rows[kept - 1].cells) <= numeric or kind_of(cells[numeric]) in no_row):
            kept -= 1
        if len(rows) - kept < _LAST_LINES // 3 or not first:
            break
    # More lines than this are no footer: the table reader counts and lists them.
    if not kept or len(rows) - kept > _MOST_FOOTER_ROWS:
        kept = len(rows)
    if len(rows) - kept == 1 and not _is_footer(rows[kept], rows[kept - 1], n_columns):
        kept = len(rows)
    below = (line.rstrip("\r\n") for row in rows[kept:] for line in lines[row.line - 1 : row.next_line - 1])
    footer = tuple(filter(str.strip, below))
    cut, is_open = None, False
    ends_open = bool(lines) and not lines[-1].endswith(("\n", "\r")) and source.nul_bytes == 0
    if ends_open and kept == len(rows) > 1:
        known = [*sample[:SAMPLE_ROWS], *rows[:-1]] if offset > dialect.data_start else rows[:-1]
        last = "".join(lines[rows[-1].line - 1 :])
        n_quotes = last.count(quote) if quote else 0
        is_open = not (n_quotes and last.rstrip().endswith(quote))
        if n_quotes % 2 == 1 or (is_open and not keeps_open_row) or _is_cut(rows[-1].cells, known, n_columns):
            cut, is_open, kept = last, False, kept - 1
    end = source.end
    if kept < len(rows):
        end = offset + len("".join(lines[: rows[kept].line - 1]).encode(ENCODING, ERRORS))
        if offset == dialect.data_start:
            first_below = sample[0].line - 1 + rows[kept].line
            sample = tuple(row for row in sample if row.line < first_below)
    dialect = dialect._replace(sample=sample, tail=tuple(rows[:kept][-200:]), data_end=end, footer=footer)
    return dialect._replace(cut_last_line=cut, has_open_row=is_open)


def _holds_values(cells: Sequence[str]) -> bool:
    """Whether half the cells of a column are values, or more."""
    return bool(cells) and sum(is_value(kind_of(cell)) for cell in cells) * 2 >= len(cells)


def _is_footer(row: Row, before: Row, count: int) -> bool:
    """One odd last line: a footer if a blank line stands before it, or it has words and another cell count."""
    has_words = not any(kind_of(cell) is CellKind.NUMBER for cell in row.cells[:1])
    return row.line > before.next_line or (len(row.cells) != count and has_words)


def _is_cut(cells: Sequence[str], known: Sequence[Row], count: int) -> bool:
    if len(cells) < count and all(len(row.cells) >= count for row in known):
        return True
    own, others = cells[-1].strip(), [row.cells[-1].strip() for row in known if len(row.cells) == len(cells)]
    if not _holds_values(others) or not is_value(kind_of(own)):
        return False
    others = [other for other in others if is_value(kind_of(other))]
    are_whole = _decimals(own) <= 0 and not any(map(_decimals, others))
    return _decimals(own) < min(map(_decimals, others)) or (are_whole and len(own) < min(map(len, others)))


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
