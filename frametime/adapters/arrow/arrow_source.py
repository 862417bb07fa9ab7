"""Arrow IPC files and streams, and Parquet: opened, read within the limits, and their columns as cells."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, BinaryIO, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow.arrow_columns import arrow_texts, pa, pc
from frametime.adapters.base import ReadOptions
from frametime.adapters.stored_log import arrow_stream, check_unpacked_size, long_line, name_and_size
from frametime.errors import ReadError, printable

_FILE_MAGIC_BYTES: Final = 8
"""An IPC file begins with a mark of that length; what follows is laid out as in a stream."""
_FILE_END: Final = b"ARROW1"
_TEXTS: Final = frozenset(("string", "large_string", "string_view", "binary", "large_binary", "binary_view"))
"""Names of the types in which Arrow keeps texts; some writers do not mark them as such."""


class ArrowSource(NamedTuple):
    """An opened table.

    Attributes
    ----------
    name : str
    schema : pyarrow.Schema
    stored_bytes : int
    announced : callable
        Rows and bytes of each part, by what the file itself says and before it is unpacked.
    parts : callable
        The parts, one unpacked after the other.
    """

    name: str
    schema: pa.Schema
    stored_bytes: int
    announced: Callable[[], Iterator[tuple[int, int]]]
    parts: Callable[[], Iterator[pa.Table]]

    def read(self, options: ReadOptions) -> pa.Table:
        """The whole table; a file that would hold more than the limits allow is refused before it does.

        Raises
        ------
        ReadError
            If it is damaged, or beyond a limit.
        """
        n_rows = unpacked = held = 0
        parts: list[pa.Table] = []
        with refusing_damage(self.name):
            width = sum(_width(field.type) for field in self.schema)
            for more_rows, more_bytes in self.announced():
                n_rows, unpacked = n_rows + more_rows, unpacked + more_bytes
                check_unpacked_size(max(unpacked, n_rows * width), self.name, self.stored_bytes, options, n_rows=n_rows)
            for part in self.parts():
                check_unpacked_size(held + part.get_total_buffer_size(), self.name, self.stored_bytes, options)
                part.validate(full=True)
                # Many rows may share one text, and each can have its own.
                lengths = [each for column in part.columns for each in map(_text_lengths, column.chunks) if each.size]
                if max((int(each.max()) for each in lengths), default=0) > options.max_line_bytes:
                    raise long_line(self.name, options)
                held += max(part.get_total_buffer_size(), sum(int(each.sum()) for each in lengths))
                check_unpacked_size(held, self.name, self.stored_bytes, options)
                parts.append(part)
            return pa.concat_tables(parts) if parts else self.schema.empty_table()


@contextmanager
def refusing_damage(name: str) -> Iterator[None]:
    """Turn whatever a damaged file makes Arrow raise into one line; a lack of memory is no damage."""
    try:
        yield
    except MemoryError:
        raise
    except (pa.ArrowException, OSError, ValueError, KeyError, TypeError, IndexError, EOFError, OverflowError) as error:
        reason = printable(str(error).splitlines()[0] if str(error) else type(error).__name__, limit=100)
        found = f"the Arrow or Parquet data are damaged ({reason})"
        raise ReadError.at(name, found, helps="write the file again") from None


def open_arrow(log: BinaryIO) -> ArrowSource:
    """Open an Arrow IPC file or stream, or a Parquet file.

    Raises
    ------
    ReadError
        If it is damaged.
    """
    name, size = name_and_size(log)
    head = log.read(8)
    log.seek(0)
    with refusing_damage(name):
        is_file, is_parquet = map(head.startswith, (b"ARROW1", b"PAR1"))
        source = _open_parquet(name, log, size) if is_parquet else _open_ipc(name, log, size, is_file=is_file)
        _ = source.schema.names  # Arrow decodes each only when it is asked for: they must be UTF-8
        return source


def _open_ipc(name: str, log: BinaryIO, size: int, *, is_file: bool) -> ArrowSource:
    start = _FILE_MAGIC_BYTES if is_file else 0
    if is_file:
        log.seek(-len(_FILE_END), io.SEEK_END)
        if log.read() != _FILE_END:
            raise ValueError("its end is missing")

    def stream() -> Any:
        log.seek(start)
        return arrow_stream(log)

    def parts() -> Iterator[pa.Table]:
        return (pa.Table.from_batches([batch]) for batch in pa.ipc.open_stream(stream()))

    schema = pa.ipc.open_stream(stream()).schema
    return ArrowSource(name, schema, size, lambda: ((rows, 0) for rows in _batch_lengths(stream())), parts)


def _batch_lengths(stream: Any) -> Iterator[int]:
    """Rows of each batch, from its header: a batch read as one of no columns unpacks nothing."""
    nothing = pa.schema([])
    for message in pa.ipc.MessageReader.open_stream(stream):
        if message.type == "record batch":
            yield pa.ipc.read_record_batch(message, nothing).num_rows


def _open_parquet(name: str, log: BinaryIO, size: int) -> ArrowSource:
    from pyarrow import parquet

    stream = arrow_stream(log)
    schema = parquet.ParquetFile(stream).schema_arrow
    # Texts stay as they are stored, each once with a number for each row: unpacked, a short file may be of any size.
    texts = [field.name for field in schema if str(field.type) in _TEXTS]
    opened = parquet.ParquetFile(stream, read_dictionary=texts)
    groups = range(opened.metadata.num_row_groups)

    def announced() -> Iterator[tuple[int, int]]:
        return ((each.num_rows, each.total_byte_size) for each in map(opened.metadata.row_group, groups))

    return ArrowSource(name, schema, size, announced, lambda: map(opened.read_row_group, groups))


def unit_text(field: Any) -> str:
    """The unit that the metadata of a column state; empty where they state none."""
    text = (field.metadata or {}).get(b"unit", b"").decode("utf-8", "replace")
    return "" if text == "1" else text


def _width(kind: pa.DataType) -> int:
    """Bytes of one value; of a text each row has an offset, and how long it is is seen when it is read."""
    try:
        return max(1, kind.bit_width // 8)
    except ValueError:
        return 4


def _text_lengths(chunk: Any) -> NDArray[np.int64]:
    """Bytes of the text in each row that has one; none where a column holds no texts."""
    if pa.types.is_dictionary(chunk.type):
        words, rows = _text_lengths(chunk.dictionary.fill_null("")), chunk.indices.drop_null()
        return words[np.from_dlpack(rows)] if words.size and len(rows) else words[:0]
    if str(chunk.type).endswith("_view"):
        # A view is 16 bytes and begins with the length of its text.
        return np.frombuffer(chunk.buffers()[1] or b"", dtype=np.int32).reshape(-1, 4)[:, 0].astype(np.int64)
    if str(chunk.type) not in _TEXTS or not len(chunk):
        return np.empty(0, dtype=np.int64)
    return np.from_dlpack(pc.binary_length(chunk).fill_null(0)).astype(np.int64)


def cells_as(column: Any, kind: pa.DataType) -> Any:
    """A column with the type of its cells, as ``read_typed`` gives it: texts for a dictionary; null only among texts.

    Raises
    ------
    pyarrow.ArrowException
        If a cell does not fit.
    """
    texts = pa.types.is_dictionary(kind) or pa.types.is_string(kind)
    found = pc.cast(_cells(column), pa.string() if texts else kind)
    if found.null_count and not texts:
        raise pa.ArrowInvalid("a cell is empty")
    return found


def _cells(column: Any) -> Any:
    """A column as numbers, times and truth values where it has these, anything else as texts."""
    types, kind = pa.types, column.type
    try:
        if types.is_duration(kind):
            # With its unit in each cell: another one that is told contradicts it.
            numbers = pc.cast(pc.cast(column, pa.int64()), pa.string())
            return pc.binary_join_element_wise(numbers, arrow_texts([kind.unit])[0], " ")
        if types.is_floating(kind):
            # The digits of single precision, too, are written to the last.
            return pc.cast(column, pa.float64())
        if types.is_integer(kind) or types.is_boolean(kind) or types.is_temporal(kind):
            return column
        return pc.cast(column, pa.string())
    except pa.ArrowException:
        # Lists and the like, and bytes that are no text: no time of a frame is like that.
        return pa.chunked_array([pa.nulls(len(column))])
