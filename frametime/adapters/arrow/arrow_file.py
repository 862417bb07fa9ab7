"""A capture as one Arrow IPC or Parquet file: its frames as the table, everything else as JSON in the metadata."""

from __future__ import annotations

import io
import json
import os
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, BinaryIO, Literal, NoReturn

import numpy as np

from frametime.adapters.arrow.arrow_columns import fault_of, numpy_of, pa, table_of
from frametime.adapters.arrow.arrow_source import open_arrow
from frametime.adapters.base import ParsedLog, ReadOptions
from frametime.adapters.columns.other_columns import unnamed_stream
from frametime.adapters.columns.words import NANOSECOND, unit_named
from frametime.adapters.file_kind import METADATA_KEY, no_capture, writer_of_names
from frametime.adapters.frames.frame_log import FrameLogAdapter
from frametime.adapters.stored_log import ARROW_HEADS, LogStream
from frametime.capture import FRAME_COLUMNS, SENSOR_COLUMNS, TIME_COLUMN, Capture, Conditions, Provenance, SensorTrace
from frametime.caveats import Caveat
from frametime.errors import OutputError, ReadError, printable


class ArrowFileAdapter:
    """Reads Arrow IPC files and streams, and Parquet: captures as they were written, other tables as text."""

    name = "arrow-file"

    def recognizes(self, head: bytes) -> bool:
        """Whether the first bytes are those of one of the three forms."""
        return head.startswith(ARROW_HEADS)

    def parse(self, log: BinaryIO, options: ReadOptions) -> ParsedLog:
        """Read the table.

        Raises
        ------
        ReadError
            If the file is damaged, or no column is known to be the time.
        """
        return _read_stored(log, options) or FrameLogAdapter().parse(log, options)


def write_capture(capture: Capture, path: str | os.PathLike[str], *, force: bool = False) -> None:
    """Write a capture as Arrow IPC (``.arrow``) or Parquet (``.parquet``), by the ending of ``path``.

    The file holds the frames with their units (field metadata ``unit``, in UCUM), and in the schema metadata key
    ``frametime`` a JSON text with provenance, layout, conditions, caveats and sensors: ``read_capture`` gives back an
    equal capture. It is written under a temporary name and renamed.

    Parameters
    ----------
    capture : Capture
    path : path
    force : bool
        Replace a file of that name.

    Raises
    ------
    OutputError
        If the ending is another, the file exists and ``force`` is not set, or it cannot be written.
    """
    from pathlib import Path

    from frametime.replacing import claiming, refuse_ending, replacing

    target = Path(path)
    name = os.fspath(path)
    refuse_ending(target, (".arrow", ".parquet"), "capture")
    table = _with_units(capture.frames, FRAME_COLUMNS)
    table = table.replace_schema_metadata({METADATA_KEY: _to_json(capture)})
    with claiming([target], force=force), replacing(target) as temporary:
        try:
            if target.suffix.casefold() == ".parquet":
                from pyarrow import parquet

                parquet.write_table(table, temporary, compression="zstd")
            else:
                with pa.OSFile(os.fspath(temporary), "wb") as sink, pa.ipc.new_file(sink, table.schema) as writer:
                    writer.write_table(table)
        except OSError as error:
            # Arrow puts its own sentence, with the temporary name, where the system's reason belongs.
            reason = os.strerror(error.errno) if error.errno else str(error)
            helps = "check the folder and the space left"
            raise OutputError.at(name, f"cannot be written ({reason})", helps=helps) from None


def _with_units(table: pa.Table, columns: Mapping[str, tuple[str, str, str]]) -> pa.Table:
    return table_of(dict(zip(table.column_names, table.columns, strict=True)), columns)


def _to_json(capture: Capture) -> bytes:
    import msgspec

    parts = ("provenance", "conditions", "caveats", "sensors")
    stored = {"version": 1, **{name: getattr(capture, name) for name in parts}}
    try:
        return msgspec.json.encode(stored, order="sorted", enc_hook=_plain)
    except UnicodeEncodeError:  # a name or an option that is no text: what cannot be written becomes a question mark
        plain = msgspec.to_builtins(stored, order="sorted", enc_hook=_plain)
        return json.dumps(plain, ensure_ascii=False, separators=(",", ":")).encode("utf-8", "replace")


def _plain(value: Any) -> Any:
    """The samples of sensors as an Arrow IPC stream, and any mapping as a plain one."""
    if not isinstance(value, pa.Table):
        return dict(value)
    table = _with_units(value, SENSOR_COLUMNS)
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, table.schema) as writer:
        writer.write_table(table)
    return sink.getvalue().to_pybytes()


def _refuse(name: str, what: str) -> NoReturn:
    helps = "convert the log again, or update this program"
    raise ReadError.at(name, f"the stored capture is damaged: {what}", helps=helps)


def _checked(table: pa.Table, columns: Mapping[str, tuple[str, str, str]], name: str) -> pa.Table:
    """A table of a capture, with units; refused where it is not as one is written."""
    if (fault := fault_of(table, columns)) is not None:
        _refuse(name, f"it holds {fault}")
    return _with_units(table, columns)


def _sensors(stored: Any, name: str, options: ReadOptions) -> SensorTrace:
    import msgspec

    samples: Any = LogStream(io.BytesIO(stored.samples), name=f"{name}, its sensors", size=len(stored.samples))
    checked = _checked(open_arrow(samples).read(options), SENSOR_COLUMNS, name)
    caveats = _printable(stored.caveats)
    return SensorTrace(**{**msgspec.structs.asdict(stored), "samples": checked, "caveats": caveats})


def _printable(caveats: tuple[Caveat, ...]) -> tuple[Caveat, ...]:
    return tuple(replace(caveat, message=printable(caveat.message, limit=2000)) for caveat in caveats)


def _read_stored(log: BinaryIO, options: ReadOptions) -> ParsedLog | None:
    """The capture that a table holds; ``None`` for a table of others, and where its columns are told.

    Raises
    ------
    ReadError
        If it is damaged, a table of results, or read in another unit.
    """

    source = open_arrow(log)
    metadata = source.schema.metadata or {}
    if (command := writer_of_names(source.schema.names)) is not None:
        raise no_capture(source.name, command)
    if METADATA_KEY not in metadata or options.layout is not None or options.time_column is not None:
        return None
    capture = _stored_capture(source.read(options), metadata[METADATA_KEY], source.name, options)
    if options.unit is not None and unit_named(options.unit) != NANOSECOND:
        found = f"the times of a stored capture are in ns, and the unit given is {options.unit}"
        raise ReadError.at(source.name, found, helps="leave out the unit")
    capture = replace(capture, caveats=(*capture.caveats, *unnamed_stream(options.stream)))
    return ParsedLog(frames=capture.frames, rows_read=capture.frames.num_rows, capture=capture)


def _stored_capture(table: pa.Table, metadata: bytes, name: str, options: ReadOptions) -> Capture:
    """The capture that ``write_capture`` stored; a part that is not as it was written is refused by name."""
    import msgspec

    # All of a capture but its frames, as it stands in the JSON; the samples of sensors are an Arrow IPC stream.
    whence, told = ("provenance", Provenance), ("caveats", tuple[Caveat, ...])
    counts, doubt = ("missing_counts", dict[str, int]), ("clock_doubt_s", float, 0.0)
    sensors = msgspec.defstruct("Sensors", [("samples", bytes), ("alignment", str), whence, counts, told, doubt])
    parts = [("version", Literal[1]), whence, ("conditions", Conditions), told, ("sensors", sensors | None)]
    try:
        stored: Any = msgspec.json.decode(metadata, type=msgspec.defstruct("Stored", parts))
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        _refuse(name, f"its metadata cannot be read ({printable(str(error), limit=100)})")
    frames = _checked(table, FRAME_COLUMNS, name)
    if table.num_rows < 3:
        raise ReadError.at(name, "there is less than two frames", helps="record the run again")
    span = np.asarray(numpy_of(table.column(TIME_COLUMN)), dtype=np.float64)
    if float(span[-1] - span[0]) > 2.0**62:
        _refuse(name, f"{TIME_COLUMN} spans more than 146 years")
    own = None if stored.sensors is None else _sensors(stored.sensors, name, options)
    conditions, about, caveats = stored.conditions, stored.provenance, _printable(stored.caveats)
    return Capture(frames=frames, conditions=conditions, provenance=about, sensors=own, caveats=caveats)
