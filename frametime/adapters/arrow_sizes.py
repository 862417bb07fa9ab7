"""How large an Arrow or Parquet file says it is once unpacked, without unpacking it.

Each compressed buffer of Arrow IPC begins with its length unpacked; the place of each buffer stands in the header of
its message, a FlatBuffers table: "Serialization and Interprocess Communication" in
https://arrow.apache.org/docs/format/Columnar.html, with ``Message.fbs`` of the same format.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, BinaryIO, Final

import numpy as np

from frametime.adapters.arrow_columns import compute

if TYPE_CHECKING:
    import pyarrow as pa
    from pyarrow import parquet

_DICTIONARY_BATCH: Final = 2
_RECORD_BATCH: Final = 3
_LONGEST_HEADER: Final = 64 << 20
_FILE_MAGIC: Final = b"ARROW1\0\0"


def arrow_bytes(log: BinaryIO) -> int:
    """Bytes of all buffers of an Arrow IPC file or stream, unpacked, as far as its messages can be followed.

    What is damaged ends the count: reading it then says what is wrong.
    """
    log.seek(0)
    start = len(_FILE_MAGIC) if log.read(len(_FILE_MAGIC)) == _FILE_MAGIC else 0
    total = 0
    try:
        for size in _batch_sizes(log, start):
            total += size
    except (struct.error, OverflowError, ValueError):
        pass
    log.seek(0)
    return total


def parquet_bytes(metadata: parquet.FileMetaData, schema: pa.Schema) -> int:
    """Bytes of all columns of a Parquet file, decoded: a long run of equal values is stored as one."""
    n_columns = len(schema)
    encoded = sum(metadata.row_group(i).total_byte_size for i in range(metadata.num_row_groups))
    width = 0
    for field in schema:
        # Of texts each row has an offset; how long they are is seen when they are read (``decoded_bytes``).
        width += _width(field.type) or 4
    return max(int(encoded), int(metadata.num_rows) * max(width, n_columns))


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


def _batch_sizes(log: BinaryIO, at: int) -> Iterator[int]:
    while True:
        log.seek(at)
        (length,) = struct.unpack("<i", log.read(4))
        at += 4
        if length == -1:  # the mark of a message; before format 0.15 there was none
            (length,) = struct.unpack("<i", log.read(4))
            at += 4
        if not 0 < length <= _LONGEST_HEADER:
            return
        header = log.read(length)
        body = at + length
        message = _Table(header, struct.unpack_from("<I", header, 0)[0])
        body_length = message.int64(3)
        kind = message.uint8(1)
        if kind in (_DICTIONARY_BATCH, _RECORD_BATCH):
            content = message.table(2)
            batch = content.table(1) if kind == _DICTIONARY_BATCH and content is not None else content
            if batch is not None:
                yield _unpacked_size(log, batch, body, body_length)
        at = body + body_length
        if body_length < 0:
            return


def _unpacked_size(log: BinaryIO, batch: _Table, body: int, body_length: int) -> int:
    if batch.table(3) is None:  # not compressed
        return body_length
    total = 0
    for offset, length in batch.pairs(2):
        if length <= 0:
            continue
        log.seek(body + offset, os.SEEK_SET)
        (size,) = struct.unpack("<q", log.read(8))
        total += size if size >= 0 else length  # -1: this buffer alone is stored as it is
    return total


class _Table:
    """A table of FlatBuffers; fields by their position in the schema."""

    def __init__(self, content: bytes, at: int) -> None:
        self._content = content
        self._at = at
        self._places = at - struct.unpack_from("<i", content, at)[0]
        (self._size,) = struct.unpack_from("<H", content, self._places)

    def _place(self, field: int) -> int | None:
        entry = 4 + 2 * field
        if entry + 2 > self._size:
            return None
        (offset,) = struct.unpack_from("<H", self._content, self._places + entry)
        return self._at + offset if offset else None

    def uint8(self, field: int) -> int:
        place = self._place(field)
        return 0 if place is None else int(struct.unpack_from("<B", self._content, place)[0])

    def int64(self, field: int) -> int:
        place = self._place(field)
        return 0 if place is None else int(struct.unpack_from("<q", self._content, place)[0])

    def table(self, field: int) -> _Table | None:
        place = self._place(field)
        return None if place is None else _Table(self._content, place + self._offset(place))

    def pairs(self, field: int) -> Iterator[tuple[int, int]]:
        """A vector of structs of two int64."""
        place = self._place(field)
        if place is None:
            return
        vector = place + self._offset(place)
        (count,) = struct.unpack_from("<I", self._content, vector)
        for number in range(count):
            first, second = struct.unpack_from("<qq", self._content, vector + 4 + 16 * number)
            yield int(first), int(second)

    def _offset(self, place: int) -> int:
        return int(struct.unpack_from("<I", self._content, place)[0])
