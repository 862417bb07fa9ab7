"""Tables of others in Arrow IPC or Parquet: the same evidence for their columns as in text, with exact types."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING, Any, BinaryIO, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow_columns import arrow_int64, compute, numpy_of
from frametime.adapters.arrow_sizes import arrow_bytes, parquet_bytes
from frametime.adapters.base import MAX_LISTED_ROWS, ParsedLog, ReadOptions
from frametime.adapters.column_choice import TIMED_ROLES, ColumnChoice
from frametime.adapters.column_evidence import ColumnFacts, column_facts
from frametime.adapters.columns import choose_columns
from frametime.adapters.found_layout import found_columns
from frametime.adapters.frame_assembly import ReadColumns, assemble
from frametime.adapters.log_stream import KeptOpen, stream_name, stream_size
from frametime.adapters.number_style import POINT
from frametime.adapters.numbers import EXACT_FLOAT_NS, TimeValues, times_of_texts
from frametime.adapters.rejected import RejectedRows
from frametime.adapters.stored_log import check_unpacked_size
from frametime.adapters.streams import chosen_stream, flags_of_texts
from frametime.adapters.time_units import NANOSECOND, TimeUnit
from frametime.caveats import Caveat
from frametime.errors import ReadError, printable

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pyarrow as pa

METADATA_KEY: Final = b"frametime"
_UNIT_KEY: Final = b"unit"
_SAMPLE: Final = 60
_MAX_NS: Final = 9.2e18


class ArrowSource(NamedTuple):
    """An opened table: its schema, and a way to read some of its columns."""

    name: str
    schema: pa.Schema
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
    log.seek(0)
    head = log.read(8)
    log.seek(0)
    with _refusing(name):
        if head.startswith(b"PAR1"):
            return _open_parquet(name, log)
        stream: Any = pa.PythonFile(KeptOpen(log), mode="r")
        if head.startswith(b"ARROW1"):
            reader = pa.ipc.open_file(stream)

            def read_file(columns: Sequence[int]) -> pa.Table:
                wanted = pa.ipc.IpcReadOptions(included_fields=sorted(columns))
                return pa.ipc.open_file(stream, options=wanted).read_all()

            return ArrowSource(name=name, schema=reader.schema, read=read_file, unpacked_bytes=lambda: arrow_bytes(log))
        schema = pa.ipc.open_stream(stream).schema

        def read_stream(columns: Sequence[int]) -> pa.Table:
            log.seek(0)
            again: Any = pa.PythonFile(KeptOpen(log), mode="r")
            wanted = pa.ipc.IpcReadOptions(included_fields=sorted(columns))
            return pa.ipc.open_stream(again, options=wanted).read_all()

        return ArrowSource(name=name, schema=schema, read=read_stream, unpacked_bytes=lambda: arrow_bytes(log))


def _open_parquet(name: str, log: BinaryIO) -> ArrowSource:
    import pyarrow as pa
    from pyarrow import parquet

    stream: Any = pa.PythonFile(KeptOpen(log), mode="r")
    opened = parquet.ParquetFile(stream)
    schema = opened.schema_arrow

    def read(columns: Sequence[int]) -> pa.Table:
        names = [schema.field(position).name for position in sorted(columns)]
        if len(set(schema.names)) < len(schema.names):
            return opened.read().select(sorted(columns))
        return opened.read(columns=names)

    return ArrowSource(
        name=name, schema=schema, read=read, unpacked_bytes=lambda: parquet_bytes(opened.metadata, schema)
    )


def schema_names(stored: BinaryIO) -> tuple[list[tuple[str, str]], bool]:
    """Name and unit of each column, and whether this package wrote the file."""
    source = open_arrow(stored)
    own = source.schema.metadata is not None and METADATA_KEY in source.schema.metadata
    return [(field.name, _unit_text(field)) for field in source.schema], own


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
    check_unpacked_size(source.unpacked_bytes(), source.name, stream_size(log), options)
    metadata = source.schema.metadata or {}
    if METADATA_KEY in metadata and options.layout is None and options.time_column is None:
        from frametime.adapters.capture_file import stored_capture

        with _refusing(source.name):
            table = _checked(source.read(range(len(source.schema))))
        capture = stored_capture(table, metadata[METADATA_KEY], source.name)
        return ParsedLog(frames=capture.frames, rows_read=capture.frames.num_rows, capture=capture)
    if len(source.schema) > options.max_columns:
        raise ReadError.at(
            source.name,
            f"{len(source.schema)} columns, at most {options.max_columns} are read",
            helps="raise --max-columns if this is a frame log",
        )
    return _foreign(source, options)


def _checked(table: pa.Table) -> pa.Table:
    table.validate(full=True)
    return table


def _foreign(source: ArrowSource, options: ReadOptions) -> ParsedLog:
    with _refusing(source.name):
        table = _checked(source.read(range(len(source.schema))))
        columns = [_plain(table.column(i)) for i in range(table.num_columns)]
        facts = _facts(source.schema, columns)
    choice = choose_columns(facts, (POINT,), options, source.name)
    with _refusing(source.name):
        read, caveats = _read_columns(source.name, columns, choice, options)
        read = _with_zone(read, choice, source.schema)
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


# -- types to plain columns --------------------------------------------------------------------------------------------


def _plain(column: Any) -> Any:
    """A column as int64, float64, bool or text; times as int64 in ns. What cannot be one of these is all null text."""
    import pyarrow as pa

    pc = compute()
    kind = column.type
    if pa.types.is_dictionary(kind):
        column = pc.cast(column, kind.value_type)
        kind = column.type
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
    if pa.types.is_decimal(kind) or pa.types.is_large_string(kind) or pa.types.is_string(kind):
        return pc.cast(column, pa.string())
    return pa.chunked_array([pa.nulls(len(column), pa.string())])


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


def _unit_of(field: Any) -> str:
    import pyarrow as pa

    kind = field.type
    if pa.types.is_timestamp(kind) or pa.types.is_duration(kind) or pa.types.is_time(kind):
        # Its values were turned into ns.
        return "ns"
    return _unit_text(field)


def _by_type(fact: ColumnFacts, kind: pa.DataType) -> ColumnFacts:
    """A type of Arrow that says what a column is says more than its name."""
    import pyarrow as pa

    from frametime.adapters.header_words import Meaning

    if not (pa.types.is_timestamp(kind) or pa.types.is_duration(kind) or pa.types.is_time(kind)):
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
    name: str, columns: Sequence[Any], choice: ColumnChoice, options: ReadOptions
) -> tuple[ReadColumns, tuple[Caveat, ...]]:
    import pyarrow as pa

    caveats: list[Caveat] = []
    values: dict[str, TimeValues] = {}
    uses = {"time": choice.time, "frame_time": choice.frame_time}
    for role, use in (*uses.items(), *choice.others.items()):
        if use is None or use.unit is None or (role not in uses and role not in TIMED_ROLES):
            continue
        values[role] = _times(columns[use.position], use.unit, caveats, name=str(use.ref))
    flags = {}
    for role in ("shown", "dropped"):
        if role in choice.others:
            column = columns[choice.others[role].position]
            flags[role] = flags_of_texts(compute().cast(column, pa.string()))
    selected: NDArray[np.int64] | None = None
    if "stream" in choice.others:
        texts = compute().cast(columns[choice.others["stream"].position], pa.string())
        selected, more = chosen_stream(texts.dictionary_encode(), options.stream, name)
        caveats.extend(more)
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


def _with_zone(read: ReadColumns, choice: ColumnChoice, schema: pa.Schema) -> ReadColumns:
    """Say of absolute times whether their type names a zone."""
    import pyarrow as pa

    if choice.time is None or read.time is None:
        return read
    kind = schema.field(choice.time.position).type
    if not pa.types.is_timestamp(kind):
        return read
    return read._replace(time=read.time._replace(zoned=kind.tz is not None))


def _times(column: Any, unit: TimeUnit, caveats: list[Caveat], *, name: str) -> TimeValues:
    import pyarrow as pa

    if pa.types.is_string(column.type) or pa.types.is_boolean(column.type):
        return times_of_texts(compute().cast(column, pa.string()), unit, POINT)
    ok = None
    if column.null_count:
        valid = numpy_of(compute().cast(column.is_valid(), pa.uint8()))
        ok = np.asarray(valid, dtype=np.bool_)
        zero = compute().cast(arrow_int64(np.zeros(1, dtype=np.int64)), column.type)[0]
        column = compute().fill_null(column, zero)
    numbers = numpy_of(column)
    if not numbers.size:
        return TimeValues(ns=np.empty(0, dtype=np.int64), ok=ok)
    if unit.ns is not None and numbers.dtype == np.int64 and unit.ns.denominator == 1:
        factor = int(unit.ns)
        limit = (2**63 - 1) // factor
        inside = (numbers <= limit) & (numbers >= -limit)
        ns = np.where(inside, numbers, 0) * factor
        return TimeValues(ns=ns, ok=_both(ok, inside))
    with np.errstate(all="ignore"):
        scaled = 1e9 / numbers if unit.ns is None else numbers * float(unit.ns)
    inside = np.isfinite(scaled) & (np.abs(scaled) < _MAX_NS)
    if unit.ns is None:
        inside &= numbers > 0
    scaled = np.where(inside, scaled, 0.0)
    largest = float(np.abs(scaled).max())
    if largest >= EXACT_FLOAT_NS:
        caveats.append(
            Caveat(
                code="rounded-timestamps",
                message=f"Column '{printable(name, limit=40)}' holds times as floating-point numbers that are exact to "
                f"{np.spacing(largest) / 2:.0f} ns only.",
            )
        )
    return TimeValues(ns=np.rint(scaled).astype(np.int64), ok=_both(ok, inside))


def _both(ok: NDArray[np.bool_] | None, inside: NDArray[np.bool_]) -> NDArray[np.bool_] | None:
    both = inside if ok is None else ok & inside
    return None if both.all() else both
