"""The columns of a frame log that are needed, as values: with their types where every cell fits, else as texts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow.arrow_columns import arrow_array, pa, pc
from frametime.adapters.base import MAX_LISTED_ROWS, ReadOptions
from frametime.adapters.columns import words as wording
from frametime.adapters.columns.column_facts import ColumnChoice, ColumnFacts, ColumnUse, plain_numbers
from frametime.adapters.columns.column_readings import middle
from frametime.adapters.columns.layout import FLAG_ROLES
from frametime.adapters.columns.other_columns import FALSE_WORDS, TRUE_WORDS, chosen_stream, coded, unnamed_stream
from frametime.adapters.text import cells as text_cells
from frametime.adapters.text import text_rows
from frametime.adapters.text.cells import CellKind, TimeValues, bools, clean_texts, is_value, kind_of, reason_of
from frametime.adapters.text.text_rows import Dialect, NotTypedError, TextTable, read_texts, read_typed
from frametime.adapters.text.text_source import TextSource, of_rows
from frametime.adapters.timeline import NO_ROWS, Ints
from frametime.capture import RejectedRow
from frametime.caveats import Caveat, Weight
from frametime.errors import printable
from frametime.words import counted

_LONG_ROWS: Final = 1_000_000
_LOOKED_AT: Final = 1000
_NEAR, _FEW = 60, 8
_ALIKE: Final = 2.0
"""Factor within which usual numbers above and below a row of words are of one table (common practice, no source)."""


class FrameText(NamedTuple):
    """A frame log as a text, and what is known of it before its rows are read."""

    source: TextSource
    dialect: Dialect
    facts: tuple[ColumnFacts, ...]
    choice: ColumnChoice
    options: ReadOptions

    @property
    def name(self) -> str:
        """Of the log, for messages."""
        return self.source.name

    def lines_of(self, records: Sequence[int]) -> list[int]:
        """Lines in the file of some records, for messages."""
        return text_rows.lines_of_records(self.source, self.dialect, records)


class ReadColumns(NamedTuple):
    """The columns that are needed, as values.

    Attributes
    ----------
    log : FrameText
    n_rows : int
        Rows of the table that was read.
    records : ndarray of int64 or None
        Number of each row among the records of the log; ``None`` where they are the same.
    times : Mapping
        Role (``time``, ``frame_time``, ``gpu_work``, ...) to times; ``number`` to the numbers of the frames.
    flags : Mapping
        Role (``shown``, ``dropped``) to truth values, and where there are any.
    selected : ndarray of int64 or None
        Rows of the stream that is read; ``None`` for all.
    rejected : RejectedRows
    caveats : list of Caveat
        Those of what comes after the columns are added.
    """

    log: FrameText
    n_rows: int
    records: Ints | None
    times: Mapping[str, TimeValues]

    flags: Mapping[str, tuple[NDArray[np.bool_], NDArray[np.bool_] | None]]
    selected: Ints | None
    rejected: RejectedRows
    caveats: list[Caveat]

    @property
    def rows(self) -> Ints:
        """The rows that are read."""
        return np.arange(self.n_rows, dtype=np.int64) if self.selected is None else self.selected

    def records_of(self, rows: Ints) -> Ints:
        """The records of some rows."""
        return rows if self.records is None else self.records[rows]

    def line_of(self, row: int) -> int:
        """The line of a row."""
        return self.log.lines_of(self.records_of(np.array([row])).tolist())[0]

    def tell(self, code: str, message: str, weight: Weight = Weight.CARE) -> None:
        """Add a caveat."""
        self.caveats.append(Caveat(code=code, message=message, weight=weight))


def read_columns(log: FrameText) -> ReadColumns:
    """Read the columns that are needed.

    Raises
    ------
    ReadError
        If the rows are no table, or the stream that was asked for is not there.
    """
    try:
        typed = read_typed(log.source, log.dialect, _types(log), log.options, decimal=log.choice.style.decimal)
        found = _values(log, typed)
    except NotTypedError:  # a cell needs a closer look
        return _careful(log)
    # The pool keeps what it gave: a long log would hold its columns twice from here on.
    typed.clear()
    if found.n_rows > _LONG_ROWS:
        pa.default_memory_pool().release_unused()
    return found


def _types(log: FrameText) -> dict[int, pa.DataType]:
    """Type of each column that is needed.

    Raises
    ------
    NotTypedError
        If one must be read as text.
    """
    choice = log.choice
    types: dict[int, pa.DataType] = {}
    for at, unit in choice.timed().values():
        fact = log.facts[at]
        if choice.style.thousands or CellKind.WITH_UNIT in map(kind_of, fact.cells):
            raise NotTypedError
        whole = unit.form == "number" and fact.is_whole
        if not whole and unit.ns is not None and (np.abs(fact.ns(unit)) >= 2.0**50).any():
            raise NotTypedError
        types.setdefault(at, pa.string() if unit.form in ("clock", "date") else pa.int64() if whole else pa.float64())
    words = pa.dictionary(pa.int32(), pa.string())
    return types | {choice.uses[role].position: words for role in (*FLAG_ROLES, "stream") if role in choice.uses}


def _values(log: FrameText, read: Mapping[int, Any], records: Ints | None = None, lost: Ints = NO_ROWS) -> ReadColumns:
    """Columns of types or of texts as values; ``lost`` are rows whose cell of the stream is not known.

    Raises
    ------
    NotTypedError
        If a column that has a type holds a cell that needs a closer look.
    """
    choice, wanted = log.choice, log.options.stream

    def timed(role: str, column: Any, unit: wording.Unit) -> TimeValues:
        if column.type == "string":
            found: TimeValues | None = text_cells.times_of_texts(column, unit, choice.style, relative=True)
        else:
            found = text_cells.times_of_numbers(column, unit)
        if found is None or (records is None and role in ("time", "frame_time") and not found.ok.all()):
            raise NotTypedError
        return found

    selected, caveats = None, unnamed_stream(wanted)
    if "stream" in choice.uses:
        selected, caveats = chosen_stream(read[choice.uses["stream"].position], wanted, log.name, unknown=lost)
    n_rows = len(next(iter(read.values())))
    times = {role: timed(role, read[at], unit) for role, (at, unit) in choice.timed().items()}
    flags = {role: _flags(read[choice.uses[role].position]) for role in FLAG_ROLES if role in choice.uses}
    return ReadColumns(log, n_rows, records, times, flags, selected, RejectedRows(), list(caveats))


def _flags(column: Any) -> tuple[NDArray[np.bool_], NDArray[np.bool_] | None]:
    """Truth values of a column, and where there is one; ``None``: everywhere."""
    words, codes = coded(column)
    yes, no = (np.isin([word.casefold() for word in words], these)[codes] for these in (TRUE_WORDS, FALSE_WORDS))
    return yes, None if (yes | no).all() else yes | no


def _careful(log: FrameText) -> ReadColumns:
    """Columns read as texts, cell by cell accounted for."""
    choice = log.choice
    used = choice.used_positions()
    # One more column of numbers tells a row of names from a word in the time of a frame.
    beside = [fact.position for fact in log.facts if fact.numeric and fact.position not in used][:1]
    table = read_texts(log.source, log.dialect, sorted((*used, *beside)), log.options, keep_short=True)
    uses = [choice.uses[role] for role in ("time", "frame_time") if role in choice.uses]
    # No frames: the header once more, and a second table with a header of its own.
    headers, end = _rows_of_no_frames(table, log, uses)
    told = table.caveats
    if after := len(table.records) - end:
        message = f"Another table with a header of its own follows the frames; its {after} rows were ignored."
        told = (*told, Caveat(code="second-table", message=message))
    kept = np.delete(np.arange(end, dtype=np.int64), headers)
    rejected = RejectedRows()
    if headers.size:
        message = f"{counted(headers.size, 'row is', 'rows are')} the header again, and left out."
        told = (*told, Caveat(code="footer", message=message, weight=Weight.NOTE))
    if kept.size < table.records.size:
        taken = {position: column.take(arrow_array(kept)) for position, column in table.columns.items()}
        table = table._replace(columns=taken, records=table.records[kept])
    short = dict(table.short)
    columns = _values(log, table.columns, table.records, np.flatnonzero(np.isin(table.records, list(short))))
    main, times = uses[-1], columns.times["frame_time" if "frame_time" in choice.uses else "time"]
    bad = np.flatnonzero(~times.ok)
    if columns.selected is not None:
        bad = np.intersect1d(bad, columns.selected)

    def reason(at: int) -> str:
        record = int(table.records[bad[at]])
        if record in short:
            return f"too few cells: '{printable(short[record].strip(), limit=40)}'"
        cell = str(table.columns[main.position][int(bad[at])].as_py())
        return reason_of(cell, main.unit.name if main.unit is not None else "", choice.style)

    rejected.add(table.records[bad], reason)
    return columns._replace(rejected=rejected, caveats=[*told, *columns.caveats])


def _rows_of_no_frames(table: TextTable, log: FrameText, uses: Sequence[ColumnUse]) -> tuple[Ints, int]:
    """Rows that repeat the header, and the row at which another table begins, or the table ends.

    Looked for among the rows whose time cells begin with a letter and are no word for a missing value, and those of
    words with too few cells.
    """
    short = np.isin(table.records, [number for number, _ in table.short])
    mark = log.dialect.marks.delimiter or None
    words = [number for number, text in table.short if {*map(kind_of, text.split(mark))} == {CellKind.TEXT}]
    columns = [clean_texts(table.columns[use.position]) for use in uses]
    named = bools(pc.match_substring_regex(columns[0], r"^\p{L}|^[-=_]{3}")) & ~text_cells.is_missing(columns[0])

    def begins_another(row: int) -> bool:
        if short[row]:
            return bool(short[row:].all())
        first = max(0, row - _NEAR)
        near = [[str(cell) for cell in column.slice(first, 2 * _NEAR).to_pylist()] for column in table.columns.values()]
        numbers = [plain_numbers(tuple(cells), log.choice.style) for cells in near]
        sides = [[half[np.isfinite(half)] for half in np.split(each, [row - first])] for each in numbers]
        rising = [side for side in sides if side[0].size >= _FEW and (np.diff(side[0]) > 0).all()]
        # What rises rises on; where nothing does, numbers are about as large.
        fits = [bool((np.diff([above[-1], *below]) > 0).all()) for above, below in rising]
        goes_on = fits or [_are_alike(above, below) for above, below in sides]
        return not any(is_value(kind_of(cells[row - first])) for cells in near) and not all(goes_on)

    rows = np.flatnonzero(named | np.isin(table.records, words))[:_LOOKED_AT].tolist()
    names = [log.dialect.names[use.position].strip() if log.dialect.names else "" for use in uses]
    pairs = {row: [*zip(names, (str(column[row]) for column in columns), strict=True)] for row in rows}
    headers = [at for at in rows if all(cell and name.startswith(cell.strip("-=_")) for name, cell in pairs[at])]
    end = next((row for row in rows if row not in headers and begins_another(row)), len(table.records))
    return np.array([row for row in headers if row < end], dtype=np.int64), end


def _are_alike(above: NDArray[np.float64], below: NDArray[np.float64]) -> bool:
    """Whether usual numbers above and below a row of words are of one table; a few say nothing."""
    usual = middle(above) if above.size >= _FEW and below.size else 0.0
    return usual <= 0 or usual / _ALIKE <= middle(below) <= usual * _ALIKE


def read_other_columns(
    log: FrameText, records: Ints | None, rows_of: Callable[[], Ints], names: Sequence[str]
) -> pa.Table:
    """Other columns as texts, one row for each of the rows that are told; null where that is negative."""
    rows = rows_of()

    positions = [next(fact.position for fact in log.facts if fact.name == name) for name in names]
    table = read_texts(log.source, log.dialect, positions, log.options, keep_short=True)
    taken = np.maximum(rows, 0)
    if records is not None:
        # Rows that were taken out of the first table are still in this one.
        taken = np.searchsorted(table.records, records[taken])
    indices = arrow_array(taken, rows >= 0)
    return pa.table({name: table.columns[p].take(indices) for name, p in zip(names, positions, strict=True)})


def rows_of_moments(
    text: TextSource, dialect: Dialect, facts: Sequence[ColumnFacts], options: ReadOptions, *, of_frames: bool
) -> TextSource | None:
    """Rows of one value each, beside the name of its quantity, as a row for each moment; ``None`` for any other log.

    The names must be those of sensors, or with ``of_frames`` one of them that of frame times or rates.
    """
    words = [f for f in facts if not f.numeric and (f.words == {"name"} or not f.names_cards)]
    are, unit = (all, wording.unit_of_text) if of_frames else (any, wording.other_unit)
    units = [fact for fact in words if are(map(unit, fact.cells))]
    cells = {f: (*f.cells, *f.last_cells * of_frames) for f in words if f not in units}
    named = [f for f, each in cells.items() if f.is_of_sensor or 1 < len({*each}) <= len(each) / 2]
    said = [wording.header_meaning(cell) for fact in named for cell in {*cells[fact]} if len(named) == 1]
    is_long = any(one.meaning in wording.FRAME_MEANINGS and not one.unknown for one in said)
    values = [*filter(_holds_any_quantity, facts)]
    if not (is_long if of_frames else any(f.is_of_sensor for f in named)) or len(values) != 1 or len(units) > 1:
        return None
    kinds = (wording.Meaning.TIMESTAMP, wording.Meaning.TIME, *([wording.Meaning.INDEX] * of_frames))
    kept = [f for f in facts if (f.unit in (wording.DATE, wording.CLOCK) or f.meaning in kinds) and f not in values]
    kept += [fact for fact in facts if fact.names_cards and fact not in (*words, *kept)]
    table = read_texts(text, dialect, range(dialect.n_columns), options)
    # A number of its own in each row is that of the row, and no frame's.
    kept = [f for f in kept if f.meaning != "index" or len(pc.unique(table.columns[f.position])) < len(table.records)]
    moments, seen = dict[object, dict[str, str]](), Counter[object]()
    for row in zip(*(clean_texts(table.columns[at]).to_pylist() for at in range(dialect.n_columns)), strict=True):
        moment = tuple((fact.name, row[fact.position]) for fact in kept)
        name = " ".join([row[fact.position] for fact in named] + [f"({row[unit.position]})" for unit in units])
        seen[moment, name] += 1
        moments.setdefault((moment, seen[moment, name]), dict(moment))[name] = row[values[0].position]
    wide = of_rows(text, iter(moments.values()), options, "rows are readings")
    return wide._replace(left_out=(*dict(table.short).values(),))


def _holds_any_quantity(fact: ColumnFacts) -> bool:
    """Whether a column holds numbers, and its name does not say of what."""
    one, is_time = wording.header_meaning(fact.name), fact.unit in (wording.DATE, wording.CLOCK)
    says = one.meaning is not wording.Meaning.OTHER or one.other_unit or wording.WORDS["sensor"] & fact.words
    return fact.numeric and not (is_time or says or fact.names_cards)


class RejectedRows:
    """Collects the records of rejected rows while a log is read."""

    def __init__(self) -> None:
        self._listed: list[tuple[int, str]] = []
        self.count = 0

    def add(self, records: Ints, reason: Callable[[int], str]) -> None:
        """Count records of the text; ``reason`` gives that of each of them, by its place."""
        self.count += records.size
        room = max(MAX_LISTED_ROWS - len(self._listed), 0)
        self._listed += [(record, reason(at)) for at, record in enumerate(records[:room].tolist())]

    def listed(self, lines_of: Callable[[Sequence[int]], list[int]]) -> tuple[RejectedRow, ...]:
        """The first rejected rows in the order of their lines."""
        ordered = sorted(self._listed)
        lines = lines_of([record for record, _ in ordered])
        return tuple(RejectedRow(line=line, reason=why) for line, (_, why) in zip(lines, ordered, strict=True))
