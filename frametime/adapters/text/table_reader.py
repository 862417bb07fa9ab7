"""The rows of a text as Arrow columns: typed and fast where every cell is clean, as texts where some are not."""

from __future__ import annotations

import codecs
import io
import os
import re
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, BinaryIO, Final, Literal, NamedTuple, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow.arrow_columns import arrow_int64, arrow_texts
from frametime.adapters.base import ReadOptions
from frametime.adapters.log_stream import BLOCK_BYTES, LogStream, Spool
from frametime.adapters.stored_log import long_line
from frametime.adapters.text.cell_kind import MISSING
from frametime.adapters.text.dialect import Dialect
from frametime.adapters.text.text_rows import split_rows
from frametime.adapters.text.text_source import TextPart, TextSource, open_text, single_byte_encoding
from frametime.errors import ReadError, printable

if TYPE_CHECKING:
    import pyarrow as pa

Read = TypeVar("Read")

_LARGE_BYTES: Final = 64 << 20
_LARGE_BLOCK: Final = 4 << 20
_NO_DELIMITER: Final = "\x1f"
_MAX_RAGGED: Final = 100_000


class NotTypedError(Exception):
    """The columns cannot be read with the types asked for: some cell is missing, broken or another kind of number."""


class NotUtf8Error(Exception):
    """A byte somewhere in the text is no UTF-8, so the text must be read in another encoding."""


def read_in_its_encoding(
    log: BinaryIO, options: ReadOptions, told: str | None, read: Callable[[TextSource], Read]
) -> Read:
    """What ``read`` makes of a log, in another encoding where a byte far below turns out to be no UTF-8.

    Raises
    ------
    ReadError
        If the log is said or marked to be UTF-8, and is not.
    """
    source = open_text(log, options, encoding=told)
    try:
        return read(source)
    except NotUtf8Error:
        if told is not None:
            raise ReadError.at(
                source.name, f"the text is not valid {told}", helps="remove encoding from the layout"
            ) from None
        again = open_text(log, options, encoding=single_byte_encoding(source.head.encode("utf-8")))
        try:
            return read(again)
        except NotUtf8Error:
            raise ReadError.at(
                source.name,
                "the file begins with the mark of UTF-8, and is not valid UTF-8",
                helps="save it as UTF-8, or give its encoding in a layout",
            ) from None


class _ValidUtf8(io.RawIOBase):
    """A stream that raises ``NotUtf8Error`` where its bytes are no UTF-8."""

    def __init__(self, inner: BinaryIO) -> None:
        self._inner = inner
        self._decoder = codecs.getincrementaldecoder("utf-8")("strict")

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1, /) -> bytes:
        block = self._inner.read(size)
        try:
            self._decoder.decode(block, final=not block)
        except UnicodeDecodeError:
            raise NotUtf8Error from None
        return block


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


def _column_names(count: int) -> list[str]:
    # The log's own names may be missing or double.
    return [f"c{position}" for position in range(count)]


def _is_ready(dialect: Dialect) -> bool:
    """Whether the table reader can take the rows as they are."""
    return dialect.delimiter != " " and not dialect.spaced_quotes


def _file_part(source: TextSource, dialect: Dialect) -> Any:
    """The data rows of a plain file, read without a step through Python; ``None`` where the log is no such file."""
    import pyarrow as pa

    log = source.stream
    if not _is_ready(dialect) or not isinstance(log, LogStream) or not log.state:
        return None
    try:
        name: Any = os.fsencode(log.name)  # bytes, because a name need not be text
        file: Any = pa.OSFile(name, "r")
    except OSError:
        return None
    return file.get_stream(dialect.data_start, dialect.data_end - dialect.data_start)


def _prepared(source: TextSource, dialect: Dialect) -> BinaryIO:
    """The data rows as a stream the table reader can take."""
    part = cast("BinaryIO", TextPart(source.stream, dialect.data_start, dialect.data_end))
    if _is_ready(dialect):
        return part
    held = Spool()
    carried = b""
    while True:
        block = part.read(BLOCK_BYTES)
        whole = carried + block
        cut = whole.rfind(b"\n") + 1 if block else len(whole)
        carried = whole[cut:]
        lines = whole[:cut]
        if dialect.delimiter == " ":
            lines = re.sub(rb"(?m)^[ \t]+|[ \t]+(?=[\r\n]|\Z)", b"", re.sub(rb"[ \t]+", b" ", lines))
        else:
            mark = re.escape(dialect.delimiter.encode())
            lines = re.sub(mark + rb' +(?=")', dialect.delimiter.encode(), lines)
        held.write(lines)
        if not block:
            break
    held.seek(0)
    return cast("BinaryIO", TextPart(cast("BinaryIO", held), 0, 1 << 62, owned=True))


def _read(
    source: TextSource,
    dialect: Dialect,
    types: Mapping[int, pa.DataType],
    options: ReadOptions,
    *,
    threads: bool,
    on_bad_row: Callable[[Any], Literal["skip", "error"]] | None,
    as_text: bool,
    decimal: str = ".",
) -> pa.Table:
    import pyarrow as pa
    from pyarrow import csv

    names = _column_names(dialect.n_columns)
    size = dialect.data_end - dialect.data_start
    block = max(_LARGE_BLOCK if size > _LARGE_BYTES else 1 << 20, min(options.max_line_bytes, 1 << 30))
    # A single block is read by one thread anyway, and starting the others takes longer than a small log.
    read = csv.ReadOptions(use_threads=threads and size > block, block_size=block, column_names=names)
    parse = csv.ParseOptions(
        delimiter=dialect.delimiter or _NO_DELIMITER,
        quote_char=dialect.quote or False,
        newlines_in_values=dialect.multiline_cells,
        ignore_empty_lines=True,
        invalid_row_handler=on_bad_row,
    )
    convert = csv.ConvertOptions(
        column_types={names[position]: kind for position, kind in types.items()},
        include_columns=[names[position] for position in types],
        null_values=[] if as_text else _NULL_WORDS,
        strings_can_be_null=False,
        true_values=["1", "true", "True", "TRUE", "yes", "Yes", "YES", "y", "Y"],
        false_values=["0", "false", "False", "FALSE", "no", "No", "NO", "n", "N"],
        decimal_point=decimal,
    )
    # Not closed here: after an error a thread of the reader may still be reading ahead, and closing under it crashes.
    stream: Any = _file_part(source, dialect) if on_bad_row is None else None
    if stream is None:
        raw = _prepared(source, dialect)
        if on_bad_row is not None:
            # The reader hands a bad row over as text, and prints an error of its own where it is none.
            raw = cast("BinaryIO", _ValidUtf8(raw))
        stream = pa.PythonFile(cast("io.IOBase", raw), mode="r")
    try:
        return csv.read_csv(stream, read_options=read, parse_options=parse, convert_options=convert)
    except (pa.ArrowInvalid, pa.ArrowKeyError, pa.ArrowNotImplementedError) as error:
        text = str(error)
        if "straddl" in text:
            raise long_line(source.name, options) from None
        if "UTF8" in text:
            raise NotUtf8Error from None
        if as_text:
            raise ReadError.at(
                source.name,
                "the rows cannot be read as a table: " + printable(text.splitlines()[0], limit=120),
                helps="describe the file with --layout",
            ) from None
        raise NotTypedError(text) from None


_NULL_WORDS: Final = sorted({form for word in MISSING for form in (word, word.upper(), word.title())} | {"NaN", "N/a"})


def read_typed(
    source: TextSource, dialect: Dialect, types: Mapping[int, pa.DataType], options: ReadOptions, *, decimal: str
) -> dict[int, Any]:
    """Columns by position, each of its type.

    Raises
    ------
    NotTypedError
        If a cell does not fit its type, or a row has another number of cells.
    """
    table = _read(
        source,
        dialect,
        types,
        options,
        threads=options.use_threads,
        on_bad_row=None,
        as_text=False,
        decimal=decimal,
    )
    return {position: table.column(index) for index, position in enumerate(types)}


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

    types = {position: pa.string() for position in positions}
    table = _read(source, dialect, types, options, threads=False, on_bad_row=on_bad_row, as_text=True)
    columns = {position: table.column(index) for index, position in enumerate(types)}
    total = table.num_rows + len(bad)
    good = np.ones(total, dtype=bool)
    good[[number for number, _, _ in bad]] = False
    records = np.flatnonzero(good)
    long = [(number, text) for number, count, text in bad if count > dialect.n_columns]
    short = tuple((number, text) for number, count, text in bad if count < dialect.n_columns)
    odd = [(number, _cells_of(text, dialect)) for number, text in long]
    if short_as_empty:
        odd += [(number, ()) for number, _ in short]
    if odd:
        columns, records = _with_odd_rows(columns, records, odd)
    return TextTable(columns=columns, records=records, short=short, long=tuple(long))


def _cells_of(text: str, dialect: Dialect) -> tuple[str, ...]:

    rows = split_rows([text + "\n"], dialect.delimiter, dialect.quote, spaced=dialect.spaced_quotes)
    return rows[0].cells if rows else ()


def _with_odd_rows(
    columns: Mapping[int, Any], records: NDArray[np.int64], odd: Sequence[tuple[int, tuple[str, ...]]]
) -> tuple[dict[int, Any], NDArray[np.int64]]:
    """Put rows with another number of cells back in their places, cells that are not there as empty texts."""
    import pyarrow as pa

    numbers = np.concatenate([records, np.array([number for number, _ in odd], dtype=np.int64)])
    order = np.argsort(numbers, kind="stable")
    taken = arrow_int64(order)
    merged = {}
    for position, column in columns.items():
        extra = arrow_texts([cells[position] if len(cells) > position else "" for _, cells in odd])
        merged[position] = pa.chunked_array([*column.chunks, extra], type=pa.string()).take(taken)
    return merged, numbers[order]


def lines_of_records(source: TextSource, dialect: Dialect, records: Sequence[int]) -> list[int]:
    """Line in the file, counted from 1, of each of a few records (given in rising order)."""
    if not records:
        return []
    wanted = np.asarray(records, dtype=np.int64)
    found: list[int] = []
    part = TextPart(source.stream, dialect.data_start, dialect.data_end)
    line, record, carried = dialect.first_data_line, 0, b""
    quote = ord(dialect.quote) if dialect.quote and dialect.multiline_cells else None
    while len(found) < len(records):
        block = part.read(BLOCK_BYTES)
        whole = carried + block
        starts, lines, used = _record_starts(whole, quote, final=not block)
        inside = wanted[(wanted >= record) & (wanted < record + len(starts))] - record
        found.extend((lines[inside] + line).tolist())
        record += len(starts)
        line += _line_ends(whole[:used]).size
        carried = whole[used:]
        if not block:
            break
    return [int(value) for value in found] + [line] * (len(records) - len(found))


def _line_ends(block: bytes) -> NDArray[np.int64]:
    """Offsets just after each line end; CR LF counts once."""
    raw = np.frombuffer(block, dtype=np.uint8)
    ends = (raw == 10) | (raw == 13)
    if raw.size > 1:
        ends[:-1] &= ~((raw[:-1] == 13) & (raw[1:] == 10))
    return np.flatnonzero(ends) + 1


def _record_starts(block: bytes, quote: int | None, *, final: bool) -> tuple[NDArray[np.int64], NDArray[np.int64], int]:
    """Start offset and line (from 0) of each whole record in a block, and the number of bytes they take."""
    if not final and block.endswith(b"\r"):
        # Its line feed may come with the next block.
        block = block[:-1]
    ends = _line_ends(block)
    if final and (not ends.size or ends[-1] < len(block)):
        ends = np.append(ends, len(block))
    raw = np.frombuffer(block, dtype=np.uint8)
    starts = np.concatenate([[0], ends[:-1]]) if ends.size else np.empty(0, dtype=np.int64)
    lines = np.arange(ends.size)
    used = int(ends[-1]) if ends.size else 0
    if quote is not None and ends.size:
        parity = np.concatenate([[0], np.cumsum(raw == quote)]) % 2
        closed = parity[ends] == 0
        opens = np.concatenate([[True], closed[:-1]])
        if not final and closed.any():
            used = int(ends[np.flatnonzero(closed)[-1]])
        keep = opens & (starts < used)
        starts, lines = starts[keep], lines[keep]
    filled = _is_filled(raw, starts)
    return starts[filled], lines[filled], used


def _is_filled(raw: NDArray[np.uint8], starts: NDArray[np.int64]) -> NDArray[np.bool_]:
    if not starts.size:
        return np.empty(0, dtype=bool)
    inside = starts < raw.size
    first = raw[np.where(inside, starts, 0)]
    return np.asarray(inside & (first != 10) & (first != 13), dtype=np.bool_)
