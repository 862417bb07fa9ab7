"""Tables of others in Arrow IPC or Parquet: the same evidence for their columns as in text, with exact types."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING, Any, BinaryIO, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.applications import chosen_stream, flags_of_texts, unnamed_stream
from frametime.adapters.arrow_columns import arrow_int64, compute
from frametime.adapters.arrow_sizes import arrow_bytes, decoded_bytes, parquet_bytes
from frametime.adapters.arrow_values import empty_column, is_readable, is_text, plain_column, rounding_caveats, times_of
from frametime.adapters.base import MAX_LISTED_ROWS, ParsedLog, ReadOptions
from frametime.adapters.column_choice import choose_columns
from frametime.adapters.column_facts import TIMED_ROLES, ColumnChoice, ColumnFacts, column_facts
from frametime.adapters.found_layout import found_columns
from frametime.adapters.frame_assembly import ReadColumns, assemble
from frametime.adapters.log_stream import KeptOpen, stream_name, stream_size
from frametime.adapters.number_style import POINT
from frametime.adapters.rejected import RejectedRows
from frametime.adapters.result_tables import METADATA_KEY, no_capture, writer_of_schema
from frametime.adapters.stored_log import check_unpacked_size
from frametime.adapters.time_units import NANOSECOND, unit_named
from frametime.adapters.time_values import TimeValues
from frametime.caveats import Caveat
from frametime.errors import ReadError, printable

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pyarrow as pa

_UNIT_KEY: Final = b"unit"
_SAMPLE: Final = 60


class ArrowSource(NamedTuple):
    """An opened table: its schema, and a way to read some of its columns."""

    name: str
    schema: pa.Schema
    stored_bytes: int
    read: Callable[[Sequence[int]], pa.Table]
    unpacked_bytes: Callable[[], int]


@contextmanager
def _refusing(name: str) -> Iterator[None]:
    """Turn whatever a damaged file makes Arrow raise into one line."""
    import pyarrow as pa

    try:
        yield
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
    import pyarrow as pa

    name = stream_name(log)
    size = stream_size(log)
    head = log.read(8)
    log.seek(0)
    with _refusing(name):
        if head.startswith(b"PAR1"):
            return _open_parquet(name, log, size)
        stream: Any = pa.PythonFile(KeptOpen(log), mode="r")
        if head.startswith(b"ARROW1"):
            schema = _legible(pa.ipc.open_file(stream).schema)

            def read_file(columns: Sequence[int]) -> pa.Table:
                wanted = pa.ipc.IpcReadOptions(included_fields=sorted(columns))
                return pa.ipc.open_file(stream, options=wanted).read_all()

            return ArrowSource(
                name=name,
                schema=schema,
                stored_bytes=size,
                read=read_file,
                unpacked_bytes=lambda: arrow_bytes(log),
            )
        schema = _legible(pa.ipc.open_stream(stream).schema)

        def read_stream(columns: Sequence[int]) -> pa.Table:
            log.seek(0)
            again: Any = pa.PythonFile(KeptOpen(log), mode="r")
            wanted = pa.ipc.IpcReadOptions(included_fields=sorted(columns))
            return pa.ipc.open_stream(again, options=wanted).read_all()

        return ArrowSource(
            name=name, schema=schema, stored_bytes=size, read=read_stream, unpacked_bytes=lambda: arrow_bytes(log)
        )


def _legible(schema: pa.Schema) -> pa.Schema:
    """The schema, once the names of its columns are known to be UTF-8: Arrow decodes each only when it is asked for.

    Raises
    ------
    UnicodeDecodeError
    """
    _ = schema.names
    return schema


def _open_parquet(name: str, log: BinaryIO, size: int) -> ArrowSource:
    import pyarrow as pa
    from pyarrow import parquet

    stream: Any = pa.PythonFile(KeptOpen(log), mode="r")
    schema = _legible(parquet.ParquetFile(stream).schema_arrow)
    # Texts stay as they are stored, each once with a number for each row: unpacked, a short file may be of any size.
    texts = [field.name for field in schema if is_text(field.type)]
    opened = parquet.ParquetFile(stream, read_dictionary=texts)

    def read(columns: Sequence[int]) -> pa.Table:
        wanted = sorted(columns)
        if len(set(schema.names)) < len(schema.names):
            return opened.read().select(wanted)
        return opened.read(columns=[schema.field(position).name for position in wanted])

    return ArrowSource(
        name=name,
        schema=schema,
        stored_bytes=size,
        read=read,
        unpacked_bytes=lambda: parquet_bytes(opened.metadata, schema),
    )


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
        columns=[(field.name, _unit_text(field)) for field in schema],
        is_capture=results_of is None and METADATA_KEY in (schema.metadata or {}),
        results_of=results_of,
    )


def _unit_text(field: Any) -> str:
    metadata = field.metadata or {}
    text = metadata.get(_UNIT_KEY, b"").decode("utf-8", "replace")
    return "" if text == "1" else text


def read_arrow(log: BinaryIO, options: ReadOptions) -> ParsedLog:
    """Read a table: a capture of this package as it was written, any other by the evidence of its columns.

    Raises
    ------
    ReadError
        If the file is damaged, or no column is known to be the time.
    """
    source = open_arrow(log)
    check_unpacked_size(source.unpacked_bytes(), source.name, source.stored_bytes, options)
    metadata = source.schema.metadata or {}
    if (command := writer_of_schema(metadata, source.schema.names)) is not None:
        raise no_capture(source.name, command)
    if METADATA_KEY in metadata and options.layout is None and options.time_column is None:
        from frametime.adapters.capture_file import stored_capture

        with _refusing(source.name):
            table = _checked(source.read(range(len(source.schema))))
        capture = stored_capture(table, metadata[METADATA_KEY], source.name)
        _refuse_unit(source.name, "the times of a stored capture are in ns", options.unit)
        capture = replace(capture, caveats=(*capture.caveats, *unnamed_stream(options.stream)))
        return ParsedLog(frames=capture.frames, rows_read=capture.frames.num_rows, capture=capture)
    if len(source.schema) > options.max_columns:
        raise ReadError.at(
            source.name,
            f"{len(source.schema)} columns, at most {options.max_columns} are read",
            helps="raise --max-columns if this is a frame log",
        )
    return _foreign(source, options)


def _refuse_unit(name: str, known: str, unit: str | None) -> None:
    """Refuse a unit that says something else than the file does."""
    if unit is not None and unit_named(unit) != NANOSECOND:
        raise ReadError.at(name, f"{known}, and the unit given is {unit}", helps="leave out the unit")


def _checked(table: pa.Table) -> pa.Table:
    table.validate(full=True)
    return table


def _foreign(source: ArrowSource, options: ReadOptions) -> ParsedLog:
    columns = _plain_columns(source, options)
    if not len(columns[0]):
        raise ReadError.at(source.name, "there is no frame (0 rows)", helps="record the run again")
    with _refusing(source.name):
        facts = _facts(source.schema, columns)
    choice = choose_columns(facts, (POINT,), options, source.name)
    for use in (choice.time, choice.frame_time):
        if use is not None and _has_unit(kind := source.schema.field(use.position).type):
            known = f"the type of column '{printable(str(use.ref), limit=40)}' is {kind}"
            _refuse_unit(source.name, known, None if use.unit is None else use.unit.name)
    with _refusing(source.name):
        read, caveats = _read_columns(source, columns, choice, options)
        read = _with_kind_of_time(read, choice, source.schema)
    layout, comments = found_columns(choice)
    parsed = assemble(
        source.name,
        facts,
        choice,
        read,
        options,
        layout_toml=layout.to_toml(comments=comments),
        evidence=tuple(f"{key}: {text}" for key, text in comments.items()),
        caveats=(*choice.caveats, *caveats),
        metadata={},
    )

    def read_columns(names: Sequence[str]) -> pa.Table:
        import pyarrow as pa

        each = parsed.timeline.row_of_each()
        rows = arrow_int64(np.maximum(each, 0), each >= 0)
        positions = [next(fact.position for fact in facts if fact.name == name) for name in names]
        texts = [compute().cast(columns[position].take(rows), pa.string()) for position in positions]
        return pa.table(dict(zip(names, texts, strict=True)))

    return replace(parsed.log, read_columns=read_columns)


def _plain_columns(source: ArrowSource, options: ReadOptions) -> list[Any]:
    """Each column as int64, float64, bool or text; times as int64 in ns; what cannot be one of these as null text.

    Raises
    ------
    ReadError
        If they are damaged, or unpack to more than the limits allow.
    """
    # Lists and the like are never used, and one row of them can be of any size: they are not read.
    readable = [position for position, field in enumerate(source.schema) if is_readable(field.type)]
    if not readable:
        raise ReadError.at(
            source.name, "no column holds numbers, times or texts", helps="give a table with one row a frame"
        )
    with _refusing(source.name):
        table = _checked(source.read(readable))
        size = sum(decoded_bytes(column) for column in table.columns)
    check_unpacked_size(size, source.name, source.stored_bytes, options)
    plain = dict(zip(readable, map(plain_column, table.columns), strict=True))
    return [plain.get(position, empty_column(table.num_rows)) for position in range(len(source.schema))]


def _facts(schema: pa.Schema, columns: Sequence[Any]) -> tuple[ColumnFacts, ...]:
    names = tuple(name.strip() for name in schema.names)
    units = tuple(_unit_of(field) for field in schema)
    heads = [_cells(column.slice(0, _SAMPLE)) for column in columns]
    tails = [_cells(column.slice(max(0, len(column) - _SAMPLE))) for column in columns]
    rows = [tuple(cells) for cells in zip(*heads, strict=True)]
    last = [tuple(cells) for cells in zip(*tails, strict=True)]
    facts = column_facts(names, units, rows, len(columns), last)
    facts = tuple(_by_type(fact, schema.field(fact.position).type) for fact in facts)
    return tuple(
        fact._replace(unit_from=fact.unit_from.replace("units row", "metadata of the column")) for fact in facts
    )


def _has_unit(kind: pa.DataType) -> bool:
    """Whether a type says by itself in which unit its times are."""
    import pyarrow as pa

    return pa.types.is_timestamp(kind) or pa.types.is_duration(kind) or pa.types.is_time(kind)


def _unit_of(field: Any) -> str:
    if _has_unit(field.type):
        # Its values were turned into ns.
        return "ns"
    return _unit_text(field)


def _by_type(fact: ColumnFacts, kind: pa.DataType) -> ColumnFacts:
    """A type of Arrow that says what a column is says more than its name."""
    import pyarrow as pa

    from frametime.adapters.header_words import Meaning

    if not _has_unit(kind):
        return fact
    span = pa.types.is_duration(kind)
    named = fact.meaning in (Meaning.GPU_WORK, Meaning.CPU_WORK) and span
    meaning = fact.meaning if named else Meaning.FRAME_TIME if span else Meaning.TIMESTAMP
    if fact.meaning is Meaning.TIMESTAMP and span:
        # Elapsed time is often stored as a duration.
        meaning = Meaning.TIMESTAMP
    said = fact.said._replace(meaning=meaning, unit=NANOSECOND)
    return fact._replace(said=said, unit=NANOSECOND, unit_from=f"the type of the column is {kind}")


def _cells(column: Any) -> list[str]:
    """The values of a few rows as they would stand in a text."""
    import pyarrow as pa

    if pa.types.is_boolean(column.type):
        return ["" if v is None else str(v).lower() for v in column.to_pylist()]
    return [
        "" if value is None else repr(value) if isinstance(value, float) else str(value) for value in column.to_pylist()
    ]


def _read_columns(
    source: ArrowSource, columns: Sequence[Any], choice: ColumnChoice, options: ReadOptions
) -> tuple[ReadColumns, tuple[Caveat, ...]]:
    import pyarrow as pa

    caveats: list[Caveat] = []
    values: dict[str, TimeValues] = {}
    uses = {"time": choice.time, "frame_time": choice.frame_time}
    for role, use in (*uses.items(), *choice.others.items()):
        if use is None or use.unit is None or (role not in uses and role not in TIMED_ROLES):
            continue
        column = columns[use.position]
        values[role] = times_of(column, use.unit)
        caveats += rounding_caveats(values[role], use, source.schema.field(use.position).type)
    flags = {}
    for role in ("shown", "dropped"):
        if role in choice.others:
            column = columns[choice.others[role].position]
            flags[role] = flags_of_texts(compute().cast(column, pa.string()))
    selected: NDArray[np.int64] | None = None
    if "stream" in choice.others:
        texts = compute().cast(columns[choice.others["stream"].position], pa.string())
        selected, more = chosen_stream(texts.dictionary_encode(), options.stream, source.name)
        caveats.extend(more)
    else:
        caveats.extend(unnamed_stream(options.stream))
    main = values["frame_time"] if choice.frame_time is not None else values["time"]
    rejected = RejectedRows()
    bad = np.empty(0, dtype=np.int64) if main.ok is None else np.flatnonzero(~main.ok)
    if selected is not None:
        bad = np.intersect1d(bad, selected)
    for row in bad[:MAX_LISTED_ROWS].tolist():
        rejected.add(row, "no value")
    rejected.count_more(int(bad.size) - min(int(bad.size), MAX_LISTED_ROWS))
    read = ReadColumns(
        n_rows=len(columns[0]) if columns else 0,
        records=None,
        time=values.pop("time", None),
        frame_time=values.pop("frame_time", None),
        others=values,
        flags=flags,
        selected=selected,
        line_of=lambda row: row + 1,
        lines_of_records=lambda records: [record + 1 for record in records],
        rejected=rejected,
        caveats=(),
    )
    return read, tuple(caveats)


def _with_kind_of_time(read: ReadColumns, choice: ColumnChoice, schema: pa.Schema) -> ReadColumns:
    """Say what the type of the time tells: a zone, a time of day, a counter that runs over."""
    import pyarrow as pa

    if choice.time is None or read.time is None:
        return read
    kind = schema.field(choice.time.position).type
    while pa.types.is_dictionary(kind) or pa.types.is_run_end_encoded(kind):
        kind = kind.value_type
    if pa.types.is_time(kind):
        return read._replace(time_of_day=True)
    if pa.types.is_integer(kind) and kind.bit_width < 64:
        return read._replace(counter_bits=kind.bit_width)
    if not pa.types.is_timestamp(kind):
        return read
    return read._replace(time=read.time._replace(zoned=kind.tz is not None))
