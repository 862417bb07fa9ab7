"""The rows of a text as Arrow columns: typed and fast where every cell is clean, as texts where some are not."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple, cast

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow.arrow_columns import arrow_array, arrow_texts
from frametime.adapters.base import ReadOptions
from frametime.adapters.log_stream import BLOCK_BYTES, Spool
from frametime.adapters.stored_log import long_line
from frametime.adapters.text.text_rows import NO_DELIMITER, Dialect, split_rows
from frametime.adapters.text.text_source import ENCODING, ERRORS, TextSource
from frametime.errors import ReadError, printable

if TYPE_CHECKING:
    import pyarrow as pa

_LARGE_BYTES: Final = 64 << 20
_LARGE_BLOCK: Final = 4 << 20
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
    long : tuple of (int, str)
        Records with too many cells, read without the surplus.
    """

    columns: Mapping[int, Any]
    records: NDArray[np.int64]
    short: tuple[tuple[int, str], ...]
    long: tuple[tuple[int, str], ...]


def _prepared(source: TextSource, dialect: Dialect) -> Any:
    """The data rows as a stream that the table reader can take."""
    import pyarrow as pa

    part = source.part(dialect.data_start, dialect.data_end)
    if dialect.marks.delimiter != " " and not dialect.marks.spaced:
        return part
    held = Spool()
    mark = re.escape(dialect.marks.delimiter.encode())
    carried = b""
    while block := part.read(BLOCK_BYTES):
        whole, _, carried = (carried + block).rpartition(b"\n")
        held.write(_with_plain_marks(whole + b"\n", mark))
    held.write(_with_plain_marks(carried, mark))
    held.seek(0)
    return pa.PythonFile(cast("Any", held), mode="r")


def _with_plain_marks(lines: bytes, mark: bytes) -> bytes:
    """One space for several between the cells, or none between a delimiter and a quote."""
    if mark != rb"\ ":
        return re.sub(mark + rb' +(?=")', mark[-1:], lines)
    return re.sub(rb"(?m)^[ \t]+|[ \t]+(?=[\r\n]|\Z)", b"", re.sub(rb"[ \t]+", b" ", lines))


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
    import pyarrow as pa
    from pyarrow import csv

    # The log's own names may be missing or double.
    names = [f"c{position}" for position in range(dialect.n_columns)]
    size = dialect.data_end - dialect.data_start
    block = max(_LARGE_BLOCK if size > _LARGE_BYTES else 1 << 20, min(options.max_line_bytes, 1 << 30))
    # A single block is read by one thread anyway, and starting the others takes longer than a small log.
    read = csv.ReadOptions(
        use_threads=options.use_threads and on_bad_row is None and size > block, block_size=block, column_names=names
    )
    parse = csv.ParseOptions(
        delimiter=dialect.marks.delimiter or NO_DELIMITER,
        quote_char=dialect.marks.quote or False,
        newlines_in_values=dialect.multiline_cells,
        ignore_empty_lines=True,
        invalid_row_handler=on_bad_row,
    )
    convert = csv.ConvertOptions(
        column_types={names[position]: kind for position, kind in types.items()},
        include_columns=[names[position] for position in types],
        null_values=[],
        strings_can_be_null=False,
        true_values=["1", "true", "True", "TRUE", "yes", "Yes", "YES", "y", "Y"],
        false_values=["0", "false", "False", "FALSE", "no", "No", "NO", "n", "N"],
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
        raise ReadError.at(source.name, found, helps="describe the file with --layout") from None
    return dict(zip(types, table.columns, strict=True))


def read_texts(
    source: TextSource,
    dialect: Dialect,
    positions: Sequence[int],
    options: ReadOptions,
    *,
    short_as_empty: bool = False,
) -> TextTable:
    """Columns by position as texts, with every row accounted for.

    Parameters
    ----------
    source, dialect, options
    positions : sequence of int
        Columns, counted from 0.
    short_as_empty : bool
        Keep a row with too few cells in its place, with empty cells: its last cell may have been cut.

    Raises
    ------
    ReadError
        If there are very many rows with another number of cells, or a line is too long.
    """
    import pyarrow as pa

    bad: list[tuple[int, int, str]] = []

    def on_bad_row(row: Any) -> Literal["skip", "error"]:
        if len(bad) >= _MAX_RAGGED:
            return "error"
        bad.append((int(row.number) - 1, int(row.actual_columns), str(row.text)))
        return "skip"

    columns = read_typed(source, dialect, dict.fromkeys(positions, pa.string()), options, on_bad_row=on_bad_row)
    total = len(next(iter(columns.values()))) + len(bad)
    good = np.ones(total, dtype=bool)
    good[[number for number, _, _ in bad]] = False
    records = np.flatnonzero(good)
    long = [(number, text) for number, count, text in bad if count > dialect.n_columns]
    short = tuple((number, text) for number, count, text in bad if count < dialect.n_columns)
    odd = [(number, row.cells) for number, text in long for row in split_rows([text + "\n"], dialect.marks)[:1]]
    if short_as_empty:
        odd += [(number, ()) for number, _ in short]
    if odd:
        columns, records = _with_odd_rows(columns, records, odd)
    return TextTable(columns=columns, records=records, short=short, long=tuple(long))


def _with_odd_rows(
    columns: Mapping[int, Any], records: NDArray[np.int64], odd: Sequence[tuple[int, tuple[str, ...]]]
) -> tuple[dict[int, Any], NDArray[np.int64]]:
    """Put rows with another number of cells back in their places, cells that are not there as empty texts."""
    import pyarrow as pa

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
    if not records:
        return []
    wanted = iter(records)
    next_wanted = next(wanted, None)
    found: list[int] = []
    record, line, is_open = -1, dialect.first_data_line, False
    for line, text in enumerate(lines_of_rows(source, dialect), dialect.first_data_line):
        if next_wanted is None:
            break
        if not is_open and text.strip("\r\n"):
            record += 1
            if record == next_wanted:
                found.append(line)
                next_wanted = next(wanted, None)
        if dialect.multiline_cells:
            is_open ^= text.count(dialect.marks.quote) % 2 == 1
    return found + [line] * (len(records) - len(found))


def lines_of_rows(source: TextSource, dialect: Dialect) -> Iterator[str]:
    """The lines from the first row of the data on, to the end of the text."""
    part = source.part(dialect.data_start, source.end)
    return io.TextIOWrapper(part, encoding=ENCODING, errors=ERRORS, newline="")
