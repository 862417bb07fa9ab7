"""Arrow IPC files and streams, and Parquet: opened, and read part by part within the limits on what would be held."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, BinaryIO, Final, NamedTuple

import numpy as np

from frametime.adapters.arrow.arrow_columns import arrow_int64, compute
from frametime.adapters.base import ReadOptions
from frametime.adapters.log_stream import KeptOpen, stream_name, stream_size
from frametime.adapters.result_tables import METADATA_KEY, writer_of_schema
from frametime.adapters.stored_log import check_unpacked_size
from frametime.errors import ReadError, printable

if TYPE_CHECKING:
    import pyarrow as pa

_FILE_MAGIC_BYTES: Final = 8
"""An IPC file begins with a mark of that length; what follows is laid out as in a stream."""
_UNIT_KEY: Final = b"unit"


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
        The parts with some of the columns, one unpacked after the other.
    """

    name: str
    schema: pa.Schema
    stored_bytes: int
    announced: Callable[[], Iterator[tuple[int, int]]]
    parts: Callable[[Sequence[int]], Iterator[pa.Table]]

    def read(self, columns: Sequence[int], options: ReadOptions) -> pa.Table:
        """Some of the columns, checked; a file that would hold more than the limits allow is refused before it does.

        Raises
        ------
        ReadError
            If it is damaged, or beyond a limit.
        """
        import pyarrow as pa

        fields = [self.schema.field(position) for position in sorted(columns)]
        with refusing_damage(self.name):
            # Of texts each row has an offset; how long they are is seen when they are read.
            width = sum(_width(field.type) or 4 for field in fields)
            n_rows = unpacked = 0
            for more_rows, more_bytes in self.announced():
                n_rows, unpacked = n_rows + more_rows, unpacked + more_bytes
                check_unpacked_size(max(unpacked, n_rows * width), self.name, self.stored_bytes, options, n_rows=n_rows)
            parts = []
            held = _Held()
            for part in self.parts(columns):
                check_unpacked_size(held.with_part(part), self.name, self.stored_bytes, options)
                parts.append(part)
            table = pa.concat_tables(parts) if parts else pa.schema(fields).empty_table()
            table.validate(full=True)
            return table


class _Held:
    """Bytes that the parts of a table hold once each row has its own value; dictionaries are held once."""

    def __init__(self) -> None:
        self._bytes = 0
        self._dictionaries: dict[int, int] = {}

    def with_part(self, part: pa.Table) -> int:
        """The bytes so far, with one more part."""
        import pyarrow as pa

        for position, column in enumerate(part.columns):
            self._bytes += decoded_bytes(column) or column.nbytes
            if pa.types.is_dictionary(column.type):
                chunks: Sequence[Any] = column.chunks
                largest = max((chunk.dictionary.nbytes for chunk in chunks), default=0)
                self._dictionaries[position] = max(largest, self._dictionaries.get(position, 0))
        return self._bytes + sum(self._dictionaries.values())


@contextmanager
def refusing_damage(name: str) -> Iterator[None]:
    """Turn whatever a damaged file makes Arrow raise into one line; a lack of memory is no damage."""
    import pyarrow as pa

    try:
        yield
    except MemoryError:
        raise
    except (pa.ArrowException, OSError, ValueError, KeyError, TypeError, IndexError, EOFError, OverflowError) as error:
        reason = printable(str(error).splitlines()[0] if str(error) else type(error).__name__, limit=100)
        raise ReadError.at(
            name, f"the Arrow or Parquet data are damaged ({reason})", helps="write the file again"
        ) from None


def open_arrow(log: BinaryIO) -> ArrowSource:
    """Open an Arrow IPC file or stream, or a Parquet file.

    Raises
    ------
    ReadError
        If it is damaged.
    """
    name, size = stream_name(log), stream_size(log)
    head = log.read(8)
    log.seek(0)
    with refusing_damage(name):
        if head.startswith(b"PAR1"):
            return _open_parquet(name, log, size)
        return _open_ipc(name, log, size, is_file=head.startswith(b"ARROW1"))


def _open_ipc(name: str, log: BinaryIO, size: int, *, is_file: bool) -> ArrowSource:
    import pyarrow as pa

    def opened(columns: Sequence[int] = ()) -> Any:
        log.seek(0)
        stream: Any = pa.PythonFile(KeptOpen(log), mode="r")
        wanted = pa.ipc.IpcReadOptions(included_fields=sorted(columns))
        new = pa.ipc.open_file if is_file else pa.ipc.open_stream
        return new(stream, options=wanted)

    def announced() -> Iterator[tuple[int, int]]:
        if not is_file:
            log.seek(0)
            yield from ((rows, 0) for rows in _batch_lengths(log))
            return
        n_batches = opened().num_record_batches
        log.seek(_FILE_MAGIC_BYTES)
        for _, rows in zip(range(n_batches), _batch_lengths(log), strict=False):
            n_batches -= 1
            yield rows, 0
        if n_batches:
            raise ValueError("its batches do not lie one after the other")

    def parts(columns: Sequence[int]) -> Iterator[pa.Table]:
        reader = opened(columns)
        batches = map(reader.get_batch, range(reader.num_record_batches)) if is_file else reader
        return (pa.Table.from_batches([batch]) for batch in batches)

    return ArrowSource(name, _legible(opened().schema), size, announced, parts)


def _batch_lengths(log: BinaryIO) -> Iterator[int]:
    """Rows of each batch, from its header: a batch read as one of no columns unpacks nothing."""
    import pyarrow as pa

    nothing = pa.schema([])
    stream: Any = pa.PythonFile(KeptOpen(log), mode="r")
    for message in pa.ipc.MessageReader.open_stream(stream):
        if message.type == "record batch":
            yield pa.ipc.read_record_batch(message, nothing).num_rows


def _open_parquet(name: str, log: BinaryIO, size: int) -> ArrowSource:
    import pyarrow as pa
    from pyarrow import parquet

    stream: Any = pa.PythonFile(KeptOpen(log), mode="r")
    schema = _legible(parquet.ParquetFile(stream).schema_arrow)
    # Texts stay as they are stored, each once with a number for each row: unpacked, a short file may be of any size.
    texts = [field.name for field in schema if is_text(field.type)]
    opened = parquet.ParquetFile(stream, read_dictionary=texts)
    groups = range(opened.metadata.num_row_groups)

    def announced() -> Iterator[tuple[int, int]]:
        described = map(opened.metadata.row_group, groups)
        return ((group.num_rows, group.total_byte_size) for group in described)

    def parts(columns: Sequence[int]) -> Iterator[pa.Table]:
        wanted = sorted(columns)
        if len(set(schema.names)) < len(schema.names):
            return (opened.read_row_group(group).select(wanted) for group in groups)
        names = [schema.field(position).name for position in wanted]
        return (opened.read_row_group(group, columns=names) for group in groups)

    return ArrowSource(name, schema, size, announced, parts)


def _legible(schema: pa.Schema) -> pa.Schema:
    """The schema, once the names of its columns are known to be UTF-8: Arrow decodes each only when it is asked for.

    Raises
    ------
    UnicodeDecodeError
    """
    _ = schema.names
    return schema


class SchemaNames(NamedTuple):
    """What the schema of a table says: name and unit of each column, and whether this package wrote it."""

    columns: list[tuple[str, str]]
    is_capture: bool
    results_of: str | None
    """The command that wrote this table of results, where it is one."""


def schema_names(stored: BinaryIO) -> SchemaNames:
    """What the schema of a table says, without reading its rows."""
    schema = open_arrow(stored).schema
    results_of = writer_of_schema(schema.metadata, schema.names)
    return SchemaNames(
        columns=[(field.name, unit_text(field)) for field in schema],
        is_capture=results_of is None and METADATA_KEY in (schema.metadata or {}),
        results_of=results_of,
    )


def unit_text(field: Any) -> str:
    metadata = field.metadata or {}
    text = metadata.get(_UNIT_KEY, b"").decode("utf-8", "replace")
    return "" if text == "1" else text


def decoded_bytes(column: Any) -> int:
    """Bytes of a column once each row holds its own value, where many rows may share one; 0 where none do."""
    import pyarrow as pa

    kind = column.type
    if pa.types.is_dictionary(kind):
        return sum(_decoded_dictionary(chunk) for chunk in column.chunks)
    if pa.types.is_run_end_encoded(kind):
        return sum(_decoded_runs(chunk) for chunk in column.chunks)
    if pa.types.is_string_view(kind) or pa.types.is_binary_view(kind):
        return sum(_decoded_views(chunk) for chunk in column.chunks)
    return 0


def _decoded_views(chunk: Any) -> int:
    # A view is 16 bytes and begins with the length of its text.
    views = np.frombuffer(chunk.buffers()[1] or b"", dtype=np.int32).reshape(-1, 4)
    lengths = views[chunk.offset : chunk.offset + len(chunk), 0]
    return int(np.maximum(lengths, 0).sum(dtype=np.int64)) + 4 * len(chunk)


def _decoded_dictionary(chunk: Any) -> int:
    width = _width(chunk.dictionary.type)
    if width is not None:
        return len(chunk) * width
    lengths = compute().binary_length(chunk.dictionary)
    return _total(compute().take(lengths, chunk.indices)) + 4 * len(chunk)


def _decoded_runs(chunk: Any) -> int:
    width = _width(chunk.values.type)
    if width is not None:
        return len(chunk) * width
    # The longest text stands for all: runs of unequal length are not told apart.
    longest = compute().max(compute().binary_length(chunk.values)).as_py() or 0
    return len(chunk) * (int(longest) + 4)


def _width(kind: pa.DataType) -> int | None:
    """Bytes of one value; ``None`` for texts, which have no width of their own."""
    try:
        return max(1, kind.bit_width // 8)
    except ValueError:
        return None


def _total(lengths: Any) -> int:
    found = compute().sum(lengths).as_py()
    return 0 if found is None else int(found)


def is_readable(kind: pa.DataType) -> bool:
    """Whether a column of that type can hold numbers, times, truth values or texts."""
    import pyarrow as pa

    if pa.types.is_dictionary(kind) or pa.types.is_run_end_encoded(kind):
        return is_readable(kind.value_type)
    return not (pa.types.is_nested(kind) or pa.types.is_null(kind))


def is_text(kind: pa.DataType) -> bool:
    """Whether a type is one of the forms in which Arrow keeps texts."""
    import pyarrow as pa

    types = pa.types
    named = types.is_string(kind) or types.is_large_string(kind) or types.is_string_view(kind)
    # Some writers do not mark texts as such.
    return named or types.is_binary(kind) or types.is_large_binary(kind) or types.is_binary_view(kind)


def empty_column(n_rows: int) -> Any:
    """A column of texts without any."""
    import pyarrow as pa

    return pa.chunked_array([pa.nulls(n_rows, pa.string())])


def plain_column(column: Any) -> Any:
    """A column as int64, float64, bool or text; times as int64 in ns; what cannot be one of these as null text."""
    import pyarrow as pa

    kind = column.type
    try:
        if pa.types.is_dictionary(kind):
            return _plain_values(compute().cast(column, kind.value_type))
        return _plain_values(compute().run_end_decode(column) if pa.types.is_run_end_encoded(kind) else column)
    except pa.ArrowException:
        # Numbers beyond int64, dates beyond what ns can count, bytes that are no text: no time of a frame is like that.
        return empty_column(len(column))


def _plain_values(column: Any) -> Any:
    import pyarrow as pa

    pc, kind = compute(), column.type
    if pa.types.is_timestamp(kind) or pa.types.is_duration(kind) or pa.types.is_time(kind):
        bits = pa.int32() if pa.types.is_time32(kind) else pa.int64()
        numbers = pc.cast(pc.cast(column, bits), pa.int64())
        factor = {"s": 10**9, "ms": 10**6, "us": 10**3, "ns": 1}[kind.unit]
        return pc.multiply_checked(numbers, arrow_int64(np.array([factor], dtype=np.int64))[0])
    if pa.types.is_integer(kind):
        return pc.cast(column, pa.int64())
    if pa.types.is_floating(kind):
        return pc.cast(column, pa.float64())
    if pa.types.is_boolean(kind):
        return column
    if pa.types.is_decimal(kind) or is_text(kind):
        return pc.cast(column, pa.string())
    return empty_column(len(column))
