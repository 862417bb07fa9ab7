"""Delimited text with one row a frame."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from itertools import chain
from typing import TYPE_CHECKING, Any, BinaryIO, Final

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow.arrow_columns import arrow_int64
from frametime.adapters.base import HEAD_BYTES, MAX_LISTED_ROWS, ParsedLog, ReadOptions
from frametime.adapters.clocks.time_values import TimeValues, times_of_numbers, times_of_texts
from frametime.adapters.clocks.timeline import Timeline
from frametime.adapters.columns.column_choice import choose_columns
from frametime.adapters.columns.column_facts import TIMED_ROLES, ColumnChoice, ColumnFacts, ColumnUse, column_facts
from frametime.adapters.columns.found_layout import found_layout
from frametime.adapters.columns.layout import Layout
from frametime.adapters.columns.remembered import remember, with_remembered
from frametime.adapters.columns.words import NANOSECOND
from frametime.adapters.frames.applications import chosen_stream, chosen_stream_of_texts, flags_of_texts, unnamed_stream
from frametime.adapters.frames.frame_assembly import ReadColumns, assemble
from frametime.adapters.frames.rejected import RejectedRows, reason_of
from frametime.adapters.result_tables import no_capture, writer_of_text
from frametime.adapters.stored_log import ARROW_HEADS
from frametime.adapters.text.cell_kind import CellKind, kind_of
from frametime.adapters.text.dialect import Dialect, detect_dialect
from frametime.adapters.text.number_style import NumberStyle, number_styles, told_style
from frametime.adapters.text.table_reader import (
    NotTypedError,
    TextTable,
    lines_of_records,
    read_in_its_encoding,
    read_texts,
    read_typed,
)
from frametime.adapters.text.text_faults import caveats_of_text, rows_of_no_frames, scan_rows, source_caveats
from frametime.adapters.text.text_rows import SAMPLE_ROWS, may_lack_digits
from frametime.adapters.text.text_source import TextSource, encoding_of, not_text
from frametime.caveats import Caveat
from frametime.errors import printable

if TYPE_CHECKING:
    import pyarrow as pa


_LONG_ROWS: Final = 1_000_000
_NO_CONTROLS: Final = {code: None for code in range(32) if chr(code) not in "\t\n\r\v\f\x1a"}


class FrameLogAdapter:
    """Reads delimited text with one row a frame."""

    name = "delimited-text"

    def recognizes(self, head: bytes) -> bool:
        """Whether the first bytes are text at all."""
        if not head or head.startswith(ARROW_HEADS) or not_text(head) is not None:
            return False
        encoding, bom, _ = encoding_of(head[:HEAD_BYTES], complete=False)
        text = head[bom:].rstrip(b"\0").decode(encoding, "replace")
        controls = len(text) - len(text.translate(_NO_CONTROLS))
        return controls * 100 <= len(text)

    def parse(self, log: BinaryIO, options: ReadOptions) -> ParsedLog:
        """Read the log.

        Raises
        ------
        ReadError
            If it is no frame log, or can be read only with a guess.
        """
        told = options.layout.encoding if options.layout is not None else None
        return read_in_its_encoding(log, options, told, lambda source: _parse(source, options))


def _parse(source: TextSource, options: ReadOptions) -> ParsedLog:
    if (command := writer_of_text(source.head)) is not None:
        raise no_capture(source.name, command)
    dialect = detect_dialect(source, options)
    remembers = options.remember
    options, remembered = with_remembered(source.name, dialect.names, dialect.n_columns, options)
    facts, choice = _chosen(source, dialect, options)
    if dialect.has_open_row and _ends_in_a_frame_time(dialect, facts, choice):
        dialect = detect_dialect(source, options, keeps_open_row=False)
        facts, choice = _chosen(source, dialect, options)
    scan = scan_rows(source, dialect)
    columns = _read_columns(source, dialect, facts, choice, options)
    layout, comments = found_layout(source, dialect, choice)
    parsed = assemble(
        source.name,
        facts,
        choice,
        columns,
        options,
        layout_toml=layout.to_toml(comments=comments),
        evidence=tuple(f"{key}: {text}" for key, text in comments.items()),
        caveats=(*remembered, *choice.caveats, *source_caveats(source, dialect, scan)),
        metadata=dialect.metadata,
    )
    if remembers:
        remember(source.name, dialect.names, dialect.n_columns, layout)
    read = partial(_read_other_columns, source, dialect, facts, columns.records, parsed.timeline, options)
    return replace(parsed.log, read_columns=read)


def _chosen(source: TextSource, dialect: Dialect, options: ReadOptions) -> tuple[tuple[ColumnFacts, ...], ColumnChoice]:
    """What is known of the columns, and which of them are read."""
    facts = column_facts(
        dialect.names,
        dialect.units_row,
        [row.cells for row in _sample(dialect)],
        dialect.n_columns,
        [row.cells for row in dialect.tail],
        units_place="the units row" if source.names is None else "the metadata of the column",
    )
    styles, why = _styles(dialect, facts, options.layout or Layout())
    choice = choose_columns(facts, styles, options, source.name)
    choice.evidence.setdefault("decimal", why)
    return facts, choice


def _ends_in_a_frame_time(dialect: Dialect, facts: Sequence[ColumnFacts], choice: ColumnChoice) -> bool:
    """Whether the last cell of a row is a frame time that may lack digits unseen; a timestamp would run backwards."""
    use = choice.frame_time
    return (
        choice.time is None
        and use is not None
        and use.position == dialect.n_columns - 1
        and may_lack_digits(facts[use.position].cells, choice.style.decimal)
    )


def _sample(dialect: Dialect) -> Sequence[Any]:
    """The first rows that have every cell."""
    return [row for row in dialect.sample if len(row.cells) >= dialect.n_columns][:SAMPLE_ROWS]


def _styles(dialect: Dialect, facts: Sequence[ColumnFacts], layout: Layout) -> tuple[tuple[NumberStyle, ...], str]:
    told = told_style(layout)
    if told is not None and layout.thousands is not None:
        return (told,), "as told"
    styles, why = number_styles(chain.from_iterable((*fact.cells, *fact.last_cells) for fact in facts if fact.numeric))
    if told is None:
        return styles, why
    # Digits may be in groups whose mark was not told.
    return (next((style for style in styles if style.decimal == told.decimal), told),), "as told"


def _read_columns(
    source: TextSource, dialect: Dialect, facts: Sequence[ColumnFacts], choice: ColumnChoice, options: ReadOptions
) -> ReadColumns:
    types = _types(facts, choice)
    if types is not None:
        try:
            columns = _typed(source, dialect, choice, types, options)
        except NotTypedError:
            columns = None
        if columns is not None:
            return columns
    return _careful(source, dialect, choice, options)


def _types(facts: Sequence[ColumnFacts], choice: ColumnChoice) -> dict[int, pa.DataType] | None:
    """Type of each column that is needed; ``None`` if one must be read as text."""
    import pyarrow as pa

    if choice.style.thousands:
        return None
    types: dict[int, pa.DataType] = {}
    timed = [choice.time, choice.frame_time, *(choice.others[r] for r in TIMED_ROLES if r in choice.others)]
    for use in timed:
        if use is None or use.unit is None:
            continue
        kinds = {kind_of(cell) for cell in facts[use.position].cells}
        if CellKind.WITH_UNIT in kinds:
            return None
        if use.unit.form in ("clock", "date"):
            types[use.position] = pa.string()
            continue
        cells = [cell.strip() for cell in facts[use.position].cells]
        whole = use.unit.form == "number" and all(cell.lstrip("+-").isdecimal() for cell in cells)
        timed_number = not whole and use.unit.ns is not None
        if timed_number and (np.abs(facts[use.position].ns(choice.style, use.unit)) >= 2.0**50).any():
            return None
        types[use.position] = pa.int64() if whole else pa.float64()
    if choice.number is not None:
        types.setdefault(choice.number.position, pa.int64())
    for role, use in choice.others.items():
        if role == "stream":
            types[use.position] = pa.dictionary(pa.int32(), pa.string())
        elif role in ("shown", "dropped"):
            types[use.position] = pa.bool_()
    return types


def _typed(
    source: TextSource,
    dialect: Dialect,
    choice: ColumnChoice,
    types: Mapping[int, pa.DataType],
    options: ReadOptions,
) -> ReadColumns | None:
    """Columns read with their types; ``None`` if a cell needs a closer look."""
    import pyarrow as pa

    read = read_typed(source, dialect, types, options, decimal=choice.style.decimal)

    def timed(use: ColumnUse) -> TimeValues | None:
        assert use.unit is not None
        column = read[use.position]
        if use.unit.form in ("clock", "date"):
            return times_of_texts(column, use.unit, choice.style, relative=True)
        return times_of_numbers(column, use.unit)

    values: dict[str, TimeValues] = {}
    main = {"time": choice.time, "frame_time": choice.frame_time}
    for role, use in (*main.items(), *choice.others.items()):
        if use is None or (role not in main and role not in TIMED_ROLES):
            continue
        found = timed(use)
        if found is None or (role in main and found.ok is not None):
            return None
        values[role] = found
    flags = {}
    for role in ("shown", "dropped"):
        if role in choice.others:
            column = read[choice.others[role].position]
            if column.null_count:
                return None
            flags[role] = (_bool_values(column), None)
    line_of = partial(_line_of_row, source, dialect, None)
    selected: NDArray[np.int64] | None = None
    caveats: tuple[Caveat, ...] = ()
    if "stream" in choice.others:
        selected, caveats = chosen_stream(read[choice.others["stream"].position], options.stream, source.name)
    else:
        caveats = unnamed_stream(options.stream)
    n_rows = len(next(iter(read.values())))
    number = None if choice.number is None else timed(choice.number)
    # The pool keeps what it gave: a long log would hold its columns twice from here on.
    read.clear()
    if n_rows > _LONG_ROWS:
        pa.default_memory_pool().release_unused()
    return ReadColumns(
        n_rows=n_rows,
        records=None,
        time=values.pop("time", None),
        frame_time=values.pop("frame_time", None),
        others=values,
        flags=flags,
        selected=selected,
        number=number,
        line_of=line_of,
        lines_of_records=partial(lines_of_records, source, dialect),
        rejected=RejectedRows(),
        caveats=caveats,
    )


def _bool_values(column: Any) -> NDArray[np.bool_]:
    parts = []
    for chunk in column.chunks:
        bits = np.frombuffer(chunk.buffers()[1], dtype=np.uint8)
        parts.append(np.unpackbits(bits, bitorder="little")[chunk.offset : chunk.offset + len(chunk)].astype(np.bool_))
    return np.concatenate(parts) if parts else np.empty(0, dtype=np.bool_)


def _line_of_row(source: TextSource, dialect: Dialect, records: NDArray[np.int64] | None, row: int) -> int:
    record = row if records is None else int(records[row])
    return lines_of_records(source, dialect, [record])[0]


def _careful(source: TextSource, dialect: Dialect, choice: ColumnChoice, options: ReadOptions) -> ReadColumns:
    """Columns read as texts, cell by cell accounted for."""
    positions = sorted(choice.used_positions())
    table = read_texts(source, dialect, positions, options, short_as_empty=True)
    main = choice.frame_time or choice.time
    assert main is not None
    table, rejected, caveats = _without_rows_of_no_frames(table, dialect, choice)
    values = {
        role: times_of_texts(table.columns[use.position], use.unit, choice.style, relative=True)
        for role, use in (("time", choice.time), ("frame_time", choice.frame_time), *choice.others.items())
        if use is not None and use.unit is not None
    }
    flags = {
        role: flags_of_texts(table.columns[choice.others[role].position])
        for role in ("shown", "dropped")
        if role in choice.others
    }
    selected = None
    if "stream" in choice.others:
        texts = table.columns[choice.others["stream"].position]
        lost = np.flatnonzero(np.isin(table.records, [number for number, _ in table.short]))
        selected, more = chosen_stream_of_texts(texts, options.stream, source.name, unknown=lost)
        caveats = (*caveats, *more)
    else:
        caveats = (*caveats, *unnamed_stream(options.stream))
    chosen = values["frame_time"] if choice.frame_time is not None else values["time"]
    bad = np.empty(0, dtype=np.int64) if chosen.ok is None else np.flatnonzero(~chosen.ok)
    if selected is not None and bad.size:
        bad = np.intersect1d(bad, selected)
    texts = table.columns[main.position]
    short = dict(table.short)
    for row in bad[:MAX_LISTED_ROWS].tolist():
        record = int(table.records[row])
        cut = f"too few cells: '{printable(short[record].strip(), limit=40)}'" if record in short else None
        unit = main.unit.name if main.unit else ""
        rejected.add(record, cut or reason_of(str(texts[row].as_py()), unit, choice.style))
    rejected.count_more(int(bad.size) - min(int(bad.size), MAX_LISTED_ROWS))
    return ReadColumns(
        n_rows=len(table.records),
        records=table.records,
        time=values.pop("time", None),
        frame_time=values.pop("frame_time", None),
        others=values,
        flags=flags,
        selected=selected,
        number=None
        if choice.number is None
        else times_of_texts(table.columns[choice.number.position], NANOSECOND, choice.style),
        line_of=partial(_line_of_row, source, dialect, table.records),
        lines_of_records=partial(lines_of_records, source, dialect),
        rejected=rejected,
        caveats=caveats,
    )


def _without_rows_of_no_frames(
    table: TextTable, dialect: Dialect, choice: ColumnChoice
) -> tuple[TextTable, RejectedRows, tuple[Caveat, ...]]:
    """Take out rows that are no frames: the header once more, and a second table with a header of its own."""
    rejected = RejectedRows()
    found = rows_of_no_frames(table, dialect, [use for use in (choice.time, choice.frame_time) if use is not None])
    caveats: list[Caveat] = []
    keep = np.ones(len(table.records), dtype=np.bool_)
    for row in found.headers:
        keep[row] = False
        rejected.add(int(table.records[row]), "the header again", is_row=False)
    end = len(table.records)
    if found.second_table is not None:
        end = found.second_table
        keep[end:] = False
    caveats.extend(caveats_of_text(table, len(table.records) - end))
    if keep.all():
        return table, rejected, tuple(caveats)
    indices = np.flatnonzero(keep)
    taken = arrow_int64(indices)
    columns = {position: column.take(taken) for position, column in table.columns.items()}
    return (
        TextTable(columns=columns, records=table.records[indices], short=table.short, long=table.long),
        rejected,
        tuple(caveats),
    )


def _read_other_columns(
    source: TextSource,
    dialect: Dialect,
    facts: Sequence[ColumnFacts],
    records: NDArray[np.int64] | None,
    timeline: Timeline,
    options: ReadOptions,
    names: Sequence[str],
) -> pa.Table:
    """Other columns as texts, one row for each timestamp; null where the log has no row."""
    import pyarrow as pa

    positions = [next(fact.position for fact in facts if fact.name == name) for name in names]
    table = read_texts(source, dialect, positions, options, short_as_empty=True)
    rows = timeline.row_of_each()
    if records is not None:
        # Rows that were taken out of the first table are still in this one.
        rows = np.where(rows >= 0, np.searchsorted(table.records, records[np.maximum(rows, 0)]), -1)
    taken = arrow_int64(np.maximum(rows, 0), rows >= 0)
    return pa.table({name: table.columns[p].take(taken) for name, p in zip(names, positions, strict=True)})
