"""A sensor log in Parquet or one of the formats of Arrow, as delimited text."""

from __future__ import annotations

import io
from typing import Any, BinaryIO, Final, cast

from frametime.adapters.arrow.arrow_file import ARROW_HEADS
from frametime.adapters.log_stream import LogStream, stream_name
from frametime.errors import SensorError, printable

_MAX_TABLE_ROWS: Final = 5_000_000


def as_text(log: BinaryIO, *, text_encoding: str | None) -> tuple[BinaryIO, str | None]:
    """A log in Arrow's formats or Parquet as delimited text, and its encoding; any other log as it is.

    Raises
    ------
    SensorError
        If it is damaged, or holds more rows than a sensor log does.
    """
    head = log.read(8)
    log.seek(0)
    if not head.startswith(ARROW_HEADS):
        return log, text_encoding
    import pyarrow as pa
    import pyarrow.csv

    name = stream_name(log)
    try:
        table = _stored_table(log, name)
        plain = [at for at, field in enumerate(table.schema) if not pa.types.is_nested(field.type)]
        table = table.select(plain)
        for at, field in enumerate(table.schema):
            if pa.types.is_dictionary(field.type):
                table = table.set_column(at, field.name, table.column(at).cast(field.type.value_type))
        held = io.BytesIO()
        pyarrow.csv.write_csv(table, held)
    except (pa.ArrowException, OSError, ValueError) as error:
        raise SensorError.at(name, f"the table cannot be read ({printable(str(error), limit=100)})") from error
    return cast("BinaryIO", LogStream(io.BytesIO(held.getvalue()), name=name, size=held.tell())), "utf-8"


def _stored_table(log: BinaryIO, name: str) -> Any:
    import pyarrow as pa

    if log.read(4) == b"PAR1":
        import pyarrow.parquet as pq

        log.seek(0)
        # Not read_table, which imports pandas wherever that is installed.
        with pq.ParquetFile(io.BytesIO(log.read())) as file:
            if file.metadata.num_rows > _MAX_TABLE_ROWS:
                found = f"the table holds {file.metadata.num_rows} rows; a sensor log has at most {_MAX_TABLE_ROWS}"
                raise SensorError.at(name, found)
            return file.read()
    log.seek(0)
    held = pa.py_buffer(log.read())
    with pa.ipc.open_file(held) if held[:6].to_pybytes() == b"ARROW1" else pa.ipc.open_stream(held) as reader:
        return reader.read_all()
