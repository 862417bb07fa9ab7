"""Rows of a text: records and their cells, where the rows of numbers end, and all of them as Arrow columns.

Columns are typed and fast where every cell is clean, and texts where some are not.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from types import MappingProxyType
from typing import Any, Final, Literal, NamedTuple, cast

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow.arrow_columns import arrow_array, arrow_texts, pa
from frametime.adapters.base import ReadOptions
from frametime.adapters.stored_log import long_line, new_spool
from frametime.adapters.text.cells import CellKind, is_value, kind_of
from frametime.adapters.text.text_source import ENCODING, ERRORS, NotUtf8Error, TextSource, lines_of
from frametime.caveats import Caveat, Weight
from frametime.errors import ReadError, printable
from frametime.words import counted

WINDOW_ROWS: Final = 20
SAMPLE_ROWS: Final = 60
NO_DELIMITER: Final = "\x1f"
"""Stands for none: a byte that no text holds, so that a reader sees one cell in each line."""
_LAST_LINES: Final = 75
_PLAIN: Final = r"[+-]?[0-9]{1,30}+(?:[.%s][0-9]{1,30}+)?+"
"""A number without groups: ``%s`` stands for a comma where that may be a decimal mark."""
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
        number = _PLAIN % ("," if self.delimiter in {";", "\t", "|"} else "")
        row = rf"{number}(?:{re.escape(self.delimiter)}{number}){{{n_columns - 1}}}\r?\n"
        if self.delimiter[:1] in {"+", "-", "."} or not re.fullmatch(f"(?:{row})++", text):
            return ()
        cells = (tuple(line.split(self.delimiter or NO_DELIMITER)) for line in text.splitlines())
        return tuple(Row(line, line + 1, each) for line, each in enumerate(cells, first_line))

    def plain_line(self, line: str) -> str:
        """A line with one space for several between its cells, or with none between a delimiter and a quote.

        Examples
        --------
        >>> Marks(" ", "").plain_line("  took   9.1 ms, gpu 7.2 ms ")
        'took 9.1 ms gpu 7.2 ms\\n'
        """
        if self.delimiter != " ":
            return re.sub(rf'{re.escape(self.delimiter)} +(?=")', self.delimiter, line)
        return re.sub("[,;]+(?= |$)", "", " ".join(line.split())) + "\n"


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
    plain = map(marks.plain_line, lines) if marks.delimiter == " " else lines
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
    filled = (at for at, cells in enumerate(columns) if _holds_values(cells))
    numeric = next(filled, n_columns)
    last_lines = "\n".join(text.rsplit("\n", _LAST_LINES + 1)[-_LAST_LINES - 1 :])
    tail = () if quote and quote in text else dialect.marks.plain_rows(last_lines, n_columns)
    if tail and numeric < n_columns:
        return dialect._replace(tail=tail, data_end=source.end)
    lines = lines_of(text)
    bare = kind_of("".join(sample[0].cells[numeric : numeric + 1])) is CellKind.NUMBER
    no_row = (CellKind.TEXT, CellKind.WITH_UNIT) if bare else (CellKind.TEXT,)
    rows = split_rows(lines, dialect.marks)
    kept, numbers = len(rows), [numeric, *filled]

    def words(cells: Sequence[str]) -> bool:
        n_words = [kind_of(cells[at]) for at in numbers if at < len(cells)].count(CellKind.TEXT)
        return n_words >= max(2, len(numbers) / 2)

    # A row of frames holds a number, or nothing, in its first number column, and no words in half of all.
    while kept and (words(cells := rows[kept - 1].cells) or len(cells) <= numeric or kind_of(cells[numeric]) in no_row):
        kept -= 1
    # Nor is the last one that lacks alone what all have, its time or its number.
    firsts = [kind_of(row.cells[numeric]) for row in (*sample[:WINDOW_ROWS], *rows[-1:]) if len(row.cells) > numeric]
    kept -= kept == len(rows) > 1 and firsts.count(CellKind.MISSING) == 1 and firsts[-1] is CellKind.MISSING
    # Nor one behind a blank line with a word that no row has, as a total.
    texts = [{cell for cell in row.cells if kind_of(cell) is CellKind.TEXT} for row in rows[-WINDOW_ROWS:]]
    kept -= kept == len(rows) > 1 and rows[-1].line > rows[-2].next_line and not texts[-1] <= set().union(*texts[:-1])
    # More lines than this are no footer: the table reader counts and lists them.
    is_row = kept == len(rows) - 1 > 0 and not (words(rows[-1].cells) or _is_footer(rows[-1], rows[-2], n_columns))
    if not kept or is_row or len(rows) - kept > _MOST_FOOTER_ROWS:
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
            sample = tuple(row for row in sample if row.line < sample[0].line - 1 + rows[kept].line)
    dialect = dialect._replace(sample=sample, tail=tuple(rows[:kept][-200:]), data_end=end, footer=footer)
    return dialect._replace(cut_last_line=cut, has_open_row=is_open)


def _holds_values(cells: Sequence[str]) -> bool:
    """Whether half the cells of a column are values, or more."""
    return bool(cells) and sum(is_value(kind_of(cell)) for cell in cells) * 2 >= len(cells)


def _is_footer(row: Row, before: Row, count: int) -> bool:
    """One odd last line: a footer if a blank line stands before it, or a word for its number, or for less cells."""
    has_words = not any(kind_of(cell) is CellKind.NUMBER for cell in row.cells[:1])
    holds_more = any(is_value(kind_of(cell)) for cell in row.cells[1:])
    return row.line > before.next_line or (has_words and (len(row.cells) != count or holds_more))


def _is_cut(cells: Sequence[str], known: Sequence[Row], count: int) -> bool:
    if len(cells) < count and all(len(row.cells) >= count for row in known):
        return True
    own, others = cells[-1].strip(), [row.cells[-1].strip() for row in known if len(row.cells) == len(cells)]
    if not _holds_values(others) or not is_value(kind_of(own)):
        return False
    others = [other for other in others if is_value(kind_of(other))]
    near = [(len(each), each) for each in others[-WINDOW_ROWS:]]
    least = near[-1][0] if near == sorted(near) else min(map(len, others))  # they rise, as those of a clock do
    are_whole = _decimals(own) <= 0 and not any(map(_decimals, others))
    return _decimals(own) < min(map(_decimals, others)) or (are_whole and len(own) < least)


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


_BLOCK: Final = 1 << 20
"""Larger ones were up to twice as slow: the memory of each is then asked from the system anew."""

_MAX_RAGGED: Final = 100_000


class NotTypedError(Exception):
    """The columns cannot be read with the types asked for: some cell is missing, broken or another kind of number."""


class TextTable(NamedTuple):
    """Columns as texts.

    Attributes
    ----------
    columns : Mapping of int to pyarrow.ChunkedArray
        By position.
    records : ndarray of int64, shape (n_rows,)
        Number of each row among the records of the data, counted from 0; blank lines are no records.
    short : tuple of (int, str)
        Records with too few cells: number, text.
    caveats : tuple of Caveat
        That records have too many cells, and are read without the surplus.
    """

    columns: Mapping[int, Any]
    records: NDArray[np.int64]
    short: tuple[tuple[int, str], ...]
    caveats: tuple[Caveat, ...]


def _prepared(source: TextSource, dialect: Dialect) -> Any:
    """The data rows as a stream that the table reader can take."""
    part = source.part(dialect.data_start, dialect.data_end)
    if dialect.marks.delimiter != " " and not dialect.marks.spaced:
        return part
    held = new_spool()
    for line in io.TextIOWrapper(part, encoding=ENCODING, errors=ERRORS, newline=""):
        held.write(dialect.marks.plain_line(line).encode(ENCODING, ERRORS))
    held.seek(0)
    return pa.PythonFile(cast("Any", held), mode="r")


def read_typed(
    source: TextSource,
    dialect: Dialect,
    types: Mapping[int, pa.DataType],
    options: ReadOptions,
    *,
    decimal: str = ".",
    on_bad_row: Callable[[Any], Literal["skip", "error"]] | None = None,
) -> dict[int, Any]:
    """Columns by position, each of its type.

    Parameters
    ----------
    source, dialect, options
    types : Mapping of int to pyarrow.DataType
        By position, counted from 0.
    decimal : str
    on_bad_row : callable, optional
        Told of each row with another number of cells.

    Raises
    ------
    NotTypedError
        If a cell does not fit its type, or a row has another number of cells and nothing is told of it.
    ReadError
        If a line is too long, or very many rows have another number of cells.
    """
    from pyarrow import csv

    if source.table is not None:
        from frametime.adapters.arrow.arrow_source import cells_as

        try:
            return {position: cells_as(source.table.column(position), kind) for position, kind in types.items()}
        except pa.ArrowException as error:
            raise NotTypedError(str(error)) from None
    # The log's own names may be missing or double.
    names = [f"c{position}" for position in range(dialect.n_columns)]
    block = max(_BLOCK, min(options.max_line_bytes, 1 << 30))
    # A single block is read by one thread anyway, and starting the others takes longer than a small log.
    use_threads = options.use_threads and on_bad_row is None and dialect.data_end - dialect.data_start > block
    read = csv.ReadOptions(use_threads=use_threads, block_size=block, column_names=names)
    parse = csv.ParseOptions(
        delimiter=dialect.marks.delimiter or NO_DELIMITER,
        quote_char=dialect.marks.quote or False,
        newlines_in_values=dialect.multiline_cells,
        invalid_row_handler=on_bad_row,
    )
    convert = csv.ConvertOptions(
        column_types={names[position]: kind for position, kind in types.items()},
        include_columns=[names[position] for position in types],
        null_values=[],
        decimal_point=decimal,
    )
    # Not closed here: after an error a thread of the reader may still be reading ahead, and closing under it crashes.
    stream = _prepared(source, dialect)
    try:
        table = csv.read_csv(stream, read_options=read, parse_options=parse, convert_options=convert)
    except (pa.ArrowInvalid, pa.ArrowKeyError, pa.ArrowNotImplementedError) as error:
        text = str(error)
        if "straddl" in text:
            raise long_line(source.name, options) from None
        if on_bad_row is None:
            raise NotTypedError(text) from None
        found = "the rows cannot be read as a table: " + printable(text.splitlines()[0], limit=120)
        raise ReadError.at(source.name, found, helps="describe the file with a column layout") from None
    return dict(zip(types, table.columns, strict=True))


def read_texts(
    source: TextSource, dialect: Dialect, positions: Sequence[int], options: ReadOptions, *, keep_short: bool = False
) -> TextTable:
    """Columns by position as texts, with every row accounted for.

    Parameters
    ----------
    source, dialect, options
    positions : sequence of int
        Columns, counted from 0.
    keep_short : bool
        Keep a row with too few cells in its place, with empty cells: its last cell may have been cut.

    Raises
    ------
    ReadError
        If there are very many rows with another number of cells, or a line is too long.
    """
    bad: list[tuple[int, int, str]] = []

    def on_bad_row(row: Any) -> Literal["skip", "error"]:
        if len(bad) >= _MAX_RAGGED:
            return "error"
        bad.append((int(row.number) - 1, int(row.actual_columns), str(row.text)))
        return "skip"

    columns = read_typed(source, dialect, dict.fromkeys(positions, pa.string()), options, on_bad_row=on_bad_row)
    records = np.delete(np.arange(len(next(iter(columns.values()))) + len(bad)), [number for number, _, _ in bad])
    long = [(number, text) for number, count, text in bad if count > dialect.n_columns]
    few = ((number, text) for number, count, text in bad if count < dialect.n_columns)
    short = tuple(each for each in few if not each[1].lstrip().startswith(("#", "//")))  # a comment is no row
    odd = [(number, row.cells) for number, text in long for row in split_rows([text + "\n"], dialect.marks)[:1]]
    if keep_short:
        odd += [(number, ()) for number, _ in short]
    if odd:
        columns, records = _with_odd_rows(columns, records, odd)
    caveats = []
    for line in lines_of_records(source, dialect, [number for number, _ in long[:1]]):
        found = f"{counted(len(long), 'row has', 'rows have')} more cells than the header, first in line {line}"
        message = f"{found}; the surplus was ignored. Does a decimal comma part a number there?"
        caveats.append(Caveat(code="surplus-cells", message=message))
    return TextTable(columns, records, short, tuple(caveats))


def _with_odd_rows(
    columns: Mapping[int, Any], records: NDArray[np.int64], odd: Sequence[tuple[int, tuple[str, ...]]]
) -> tuple[dict[int, Any], NDArray[np.int64]]:
    """Put rows with another number of cells back in their places, cells that are not there as empty texts."""
    numbers = np.concatenate([records, np.array([number for number, _ in odd], dtype=np.int64)])
    order = np.argsort(numbers, kind="stable")
    taken = arrow_array(order)
    merged = {}
    for position, column in columns.items():
        extra = arrow_texts([cells[position] if len(cells) > position else "" for _, cells in odd])
        merged[position] = pa.chunked_array([*column.chunks, extra], type=pa.string()).take(taken)
    return merged, numbers[order]


def lines_of_records(source: TextSource, dialect: Dialect, records: Sequence[int]) -> list[int]:
    """Line in the file, counted from 1, of each of a few records (given in rising order)."""
    if source.table is not None:
        return [record + 1 for record in records]
    found, wanted, record = dict[int, int](), {*records}, 0
    line, reader = dialect.first_data_line, reader_of(lines_of_rows(source, dialect), dialect.marks)
    with suppress(csv.Error, StopIteration):  # a cell longer than any
        while len(found) < len(wanted):
            if next(reader):
                found |= {record: line} if record in wanted else {}
                record += 1
            line = dialect.first_data_line + reader.line_num
    return [found.get(record, line) for record in records]


def lines_of_rows(source: TextSource, dialect: Dialect) -> Iterator[str]:
    """The lines from the first row of the data on, to the end of the text."""
    return io.TextIOWrapper(source.part(dialect.data_start, source.end), encoding=ENCODING, errors=ERRORS, newline="")


_SCANNED_BYTES: Final = 1 << 16
"""How much of the rows is looked at together: it stays in the processor's cache."""


def scan_rows(source: TextSource, dialect: Dialect) -> tuple[Caveat, ...]:
    """Look once over the bytes of the rows: zero bytes among them, and padding, a footer or a cut last line at the end.

    Raises
    ------
    NotUtf8Error
    ReadError
        If a cell opens a quote and rows of the table lie between it and the next one: the message names the line.
    """
    if source.table is not None:
        return _caveats_of_end(source, dialect)
    zeros, may_swallow, quote = 0, dialect.multiline_cells, dialect.marks.quote
    part = source.part(dialect.data_start, source.end)
    try:
        for text in codecs.iterdecode(iter(lambda: part.read(_SCANNED_BYTES), b""), ENCODING):
            zeros += text.count("\0") if "\0" in text else 0  # to look is three times as fast as to count
            may_swallow |= quote != "" and quote in text
    except UnicodeDecodeError:
        raise NotUtf8Error.of(source.name) from None
    if may_swallow and (line := _swallowing_line(source, dialect)) is not None:
        found = "a cell opens a quote that is not closed before the next row"
        helps = 'repair that line, or give quote = "none" in a layout if quotes mean nothing in this log'
        raise ReadError.at(source.name, found, line=line, helps=helps)
    at_end = _caveats_of_end(source, dialect)
    if not zeros:
        return at_end
    first, part = dialect.first_data_line, source.part(dialect.data_start, source.end)
    while block := part.read(_SCANNED_BYTES):
        before = block.partition(b"\0")[0]  # a line of zeros may be of any length: it is not held
        first += before.count(b"\n") or before.count(b"\r")
        if len(before) < len(block):
            break
    found = f"{counted(zeros, 'zero byte stands', 'zero bytes stand')} among the rows, from line {first} on"
    message = f"{found}, as after a loss of power: rows may be missing there."
    return (Caveat(code="zero-bytes-inside", message=message), *at_end)


def _swallowing_line(source: TextSource, dialect: Dialect) -> int | None:
    """Line of the first cell that holds whole rows; several lines of a text that look like no row are a text."""
    held: list[str] = []

    def lines() -> Iterator[str]:
        for line in lines_of_rows(source, dialect):
            held.append(line)
            yield line

    usual = Counter(_values(row.cells) for row in dialect.sample if len(row.cells) == dialect.n_columns)
    least = max(1, usual.most_common(1)[0][0]) if usual else 1
    before = 0
    try:
        for cells in reader_of(lines(), dialect.marks):
            if len(held) > 1 and _holds_rows(cells, held, dialect, least):
                return dialect.first_data_line + before
            before += len(held)
            held.clear()
    except csv.Error:
        return dialect.first_data_line + before  # a cell longer than any
    return None


def _holds_rows(cells: Sequence[str], lines: Sequence[str], dialect: Dialect, least: int) -> bool:
    """Whether a row of the table stands inside a quoted cell, or begins there."""
    delimiter = dialect.marks.delimiter or NO_DELIMITER
    inside = [line for cell in cells if "\n" in cell or "\r" in cell for line in lines_of(cell)]
    # A row that holds the closing quote is parted by it.
    inside += [line for line in lines[1:] if delimiter in line.partition(dialect.marks.quote)[0]]
    for line in inside:
        parts = line.rstrip("\r\n").split(delimiter)
        if len(parts) >= dialect.n_columns and _values(parts[: dialect.n_columns]) >= least:
            return True
    return False


def _values(cells: Sequence[str]) -> int:
    return sum(is_value(kind_of(cell.strip("\"' "))) for cell in cells)


def _caveats_of_end(source: TextSource, dialect: Dialect) -> tuple[Caveat, ...]:
    caveats = []
    if source.nul_bytes:
        message = f"Left out at the end: {counted(source.nul_bytes, 'zero byte')}, as after a loss of power."
        caveats.append(Caveat(code="zero-bytes-at-end", message=message))
    if dialect.cut_last_line is not None:
        shown = printable(dialect.cut_last_line, limit=40)
        what = "object" if shown[:1] in "{[" else "line"
        message = f"The last {what} ('{shown}') has no end, so it may be cut off, and is left out."
        caveats.append(Caveat(code="cut-last-line", message=message, weight=Weight.NOTE))
    if dialect.footer:
        where = "after" if source.table is None else "beside"
        lines_are = counted(len(dialect.footer), f"line {where} the rows is", f"lines {where} the rows are")
        message = f"{lines_are} none of them and left out, from '{printable(dialect.footer[0], limit=40)}' on."
        caveats.append(Caveat(code="footer", message=message, weight=Weight.NOTE))
    return tuple(caveats)
