"""Tables in Arrow IPC and Parquet: captures of this package, and those of others by their columns' evidence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, BinaryIO, Final

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow.arrow_columns import arrow_int64, compute, numpy_of
from frametime.adapters.arrow.arrow_source import (
    ArrowSource,
    empty_column,
    is_readable,
    open_arrow,
    plain_column,
    refusing_damage,
    unit_text,
)
from frametime.adapters.arrow.capture_file import stored_capture
from frametime.adapters.base import MAX_LISTED_ROWS, ParsedLog, ReadOptions
from frametime.adapters.clocks.time_units import NANOSECOND, TimeUnit, unit_named
from frametime.adapters.clocks.time_values import TimeValues, times_of_texts, with_point
from frametime.adapters.columns.column_choice import choose_columns
from frametime.adapters.columns.column_facts import TIMED_ROLES, ColumnChoice, ColumnFacts, ColumnUse, column_facts
from frametime.adapters.columns.column_refusals import several_styles
from frametime.adapters.columns.found_layout import found_columns
from frametime.adapters.columns.header_words import Meaning
from frametime.adapters.columns.layout import Layout
from frametime.adapters.frames.applications import chosen_stream, flags_of_texts, unnamed_stream
from frametime.adapters.frames.frame_assembly import ReadColumns, assemble
from frametime.adapters.frames.rejected import RejectedRows, reason_of
from frametime.adapters.result_tables import METADATA_KEY, no_capture, writer_of_schema
from frametime.adapters.text.number_style import POINT, number_styles, told_style
from frametime.caveats import Caveat
from frametime.errors import ReadError, printable

if TYPE_CHECKING:
    import pyarrow as pa

_SAMPLE: Final = 60
_MAX_NS: Final = 9.2e18
_EXACT_ENOUGH_NS: Final = 50.0
"""Times that are kept less exactly than this are told (common practice, no source)."""


def read_arrow(log: BinaryIO, options: ReadOptions) -> ParsedLog:
    """Read a table: a capture of this package as it was written, any other by the evidence of its columns.

    Raises
    ------
    ReadError
        If the file is damaged, or no column is known to be the time.
    """
    source = open_arrow(log)
    metadata = source.schema.metadata or {}
    if (command := writer_of_schema(metadata, source.schema.names)) is not None:
        raise no_capture(source.name, command)
    if METADATA_KEY in metadata and options.layout is None and options.time_column is None:
        table = source.read(range(len(source.schema)), options)
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


def _foreign(source: ArrowSource, options: ReadOptions) -> ParsedLog:
    columns: Sequence[Any] = _plain_columns(source, options)
    if not len(columns[0]):
        raise ReadError.at(source.name, "there is no frame (0 rows)", helps="record the run again")
    columns, facts, choice = _chosen(source, columns, options)
    for use in (choice.time, choice.frame_time):
        if use is not None and _has_unit(kind := source.schema.field(use.position).type):
            known = f"the type of column '{printable(str(use.ref), limit=40)}' is {kind}"
            _refuse_unit(source.name, known, None if use.unit is None else use.unit.name)
    with refusing_damage(source.name):
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
    table = source.read(readable, options)
    plain = dict(zip(readable, map(plain_column, table.columns), strict=True))
    return [plain.get(position, empty_column(table.num_rows)) for position in range(len(source.schema))]


def _chosen(
    source: ArrowSource, columns: Sequence[Any], options: ReadOptions
) -> tuple[Sequence[Any], tuple[ColumnFacts, ...], ColumnChoice]:
    """The columns with texts of numbers written as numbers of other types are, what is known of them, the choice."""
    import pyarrow as pa

    with refusing_damage(source.name):
        facts = _facts(source.schema, columns)
    texts = [fact for fact in facts if fact.numeric and pa.types.is_string(columns[fact.position].type)]
    styles, _ = number_styles(cell for fact in texts for cell in (*fact.cells, *fact.last_cells))
    if (told := told_style(options.layout or Layout())) is not None:
        styles = (next((style for style in styles if style.decimal == told.decimal), told),)
    ways, refusals = [], []
    for style in styles:
        plain = list(columns)
        for fact in texts:
            plain[fact.position] = with_point(plain[fact.position], style)
        known = _facts(source.schema, plain)
        try:
            ways.append((plain, known, choose_columns(known, (POINT,), options, source.name)))
        except ReadError as error:
            refusals.append(error)
    if not ways:
        choose_columns(facts, styles, options, source.name)  # it refuses in words of the cells as they stand
        raise refusals[0]
    used = ways[0][2].used_positions()
    if len(ways) > 1 and any(fact.position in used for fact in texts):
        raise several_styles(source.name, texts, styles)
    return ways[0]


def _facts(schema: pa.Schema, columns: Sequence[Any]) -> tuple[ColumnFacts, ...]:
    names = tuple(name.strip() for name in schema.names)
    units = tuple(_unit_of(field) for field in schema)
    heads = [_cells(column.slice(0, _SAMPLE)) for column in columns]
    tails = [_cells(column.slice(max(0, len(column) - _SAMPLE))) for column in columns]
    rows = [tuple(cells) for cells in zip(*heads, strict=True)]
    last = [tuple(cells) for cells in zip(*tails, strict=True)]
    facts = column_facts(names, units, rows, len(columns), last, units_place="the metadata of the column")
    return tuple(_by_type(fact, schema.field(fact.position).type) for fact in facts)


def _has_unit(kind: pa.DataType) -> bool:
    """Whether a type says by itself in which unit its times are."""
    import pyarrow as pa

    return pa.types.is_timestamp(kind) or pa.types.is_duration(kind) or pa.types.is_time(kind)


def _unit_of(field: Any) -> str:
    if _has_unit(field.type):
        # Its values were turned into ns.
        return "ns"
    return unit_text(field)


def _by_type(fact: ColumnFacts, kind: pa.DataType) -> ColumnFacts:
    """A type of Arrow that says what a column is says more than its name."""
    import pyarrow as pa

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
        values[role] = _times_of(column, use.unit)
        caveats += _rounding_caveats(values[role], use, source.schema.field(use.position).type)
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
    main_use = choice.frame_time or choice.time
    assert main_use is not None and main_use.unit is not None
    rejected = RejectedRows()
    bad = np.empty(0, dtype=np.int64) if main.ok is None else np.flatnonzero(~main.ok)
    if selected is not None:
        bad = np.intersect1d(bad, selected)
    for row in bad[:MAX_LISTED_ROWS].tolist():
        cell = columns[main_use.position][row].as_py()
        rejected.add(row, reason_of("" if cell is None else str(cell), main_use.unit.name))
    rejected.count_more(int(bad.size) - min(int(bad.size), MAX_LISTED_ROWS))
    read = ReadColumns(
        n_rows=len(columns[0]) if columns else 0,
        records=None,
        time=values.pop("time", None),
        frame_time=values.pop("frame_time", None),
        others=values,
        flags=flags,
        selected=selected,
        number=None if choice.number is None else _times_of(columns[choice.number.position], NANOSECOND),
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


def _times_of(column: Any, unit: TimeUnit) -> TimeValues:
    """Times of a column that ``plain_column`` made, in ns; of rates, the times of the frames."""
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
    return TimeValues(ns=np.rint(scaled).astype(np.int64), ok=_both(ok, inside))


def _rounding_caveats(values: TimeValues, use: ColumnUse, kind: pa.DataType) -> tuple[Caveat, ...]:
    """A caveat where floating-point numbers are too large for the digits that times need."""
    import pyarrow as pa

    while pa.types.is_dictionary(kind) or pa.types.is_run_end_encoded(kind):
        kind = kind.value_type
    if not pa.types.is_floating(kind) or not values.ns.size or use.unit is None or use.unit.ns is None:
        return ()
    unit_ns = float(use.unit.ns)
    largest = np.array([float(np.abs(values.ns).max()) / unit_ns], dtype=f"f{kind.bit_width // 8}")
    exact_to_ns = float(np.spacing(largest)[0]) * unit_ns / 2
    if exact_to_ns < _EXACT_ENOUGH_NS:
        return ()
    return (
        Caveat(
            code="rounded-timestamps",
            message=f"Column '{printable(str(use.ref), limit=40)}' holds times as floating-point numbers that are "
            f"exact to {exact_to_ns:.0f} ns only.",
        ),
    )


def _both(ok: NDArray[np.bool_] | None, inside: NDArray[np.bool_]) -> NDArray[np.bool_] | None:
    both = inside if ok is None else ok & inside
    return None if both.all() else both
