"""A sensor log read as delimited text: its time column, its quantities, and the rows of one card."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import replace
from functools import partial
from typing import BinaryIO, Final, NamedTuple, TypeAlias, cast

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow.arrow_columns import arrow_array, pc
from frametime.adapters.base import ReadOptions
from frametime.adapters.capture_start import ClockKind, clock_of
from frametime.adapters.columns.column_facts import ColumnFacts, Course, column_named, layout_choice
from frametime.adapters.columns.column_readings import middle, styles_of
from frametime.adapters.columns.other_columns import coded, word_asked
from frametime.adapters.columns.words import CLOCK, DATE, Meaning, Unit, unit_named
from frametime.adapters.frames.frame_columns import RejectedRows, rows_of_moments
from frametime.adapters.sensors import sensor_log as log
from frametime.adapters.sensors.sensor_log import QUANTITIES, SensorColumn, SensorLayout, SensorOptions, sensor_caveat
from frametime.adapters.stored_log import OpenedLog, Source, opened_log
from frametime.adapters.text import text_rows
from frametime.adapters.text.cells import DAY_NS, CellKind, clean_texts, kind_of, times_of_texts
from frametime.adapters.text.dialect import detect_dialect, facts_of, uneven_header
from frametime.adapters.text.text_rows import Dialect, TextTable, read_texts, scan_rows
from frametime.adapters.text.text_source import TextSource, read_in_its_encoding
from frametime.adapters.timeline import gone_on
from frametime.capture import Provenance
from frametime.caveats import Caveat, Weight
from frametime.errors import SensorError, printable
from frametime.words import counted, joined

_DAY: Final = (
    r"\d{1,2}[-/. ]+[^\W\d_]{3,}[-/. ]+\d{2,4}|\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.](?:\d{2}){1,2}"
)
_STEP_S: Final = (0.09, 30.0)
"""How far apart samples come in a time without a unit: less than a factor of 1000 (common practice, no source)."""
_MOST_LISTED: Final = 16

Readings: TypeAlias = Mapping[str, NDArray[np.float64]]
"""Quantity to one reading a sample, NaN where there is none."""


class SensorSamples(NamedTuple):
    """The samples of one card: as they stand in a log, on the log's own clock, and later on that of a capture.

    Attributes
    ----------
    ns : ndarray of int64
        One time for each sample, in the order of the rows. ``absolute``: ns since 1970 in UTC. ``zoneless``: the same
        as if the dates were UTC, although they name no zone. ``time of day``: ns since midnight of a day that is not
        named. ``elapsed``: ns on a clock of its own.
    kind : str
    column : str
        Name of the time column.
    other_ns : ndarray of int64 or None
        The times with day and month the other way round, where nothing in the log tells which is which.
    values : Mapping of str to ndarray of float64
        Quantity to readings, NaN where a cell could not be used.
    provenance : Provenance
    caveats : tuple of Caveat
    back_line : int or None
        Line after the largest step back of the clock.
    words : str
        How the clock was brought together with that of a capture; empty where it was not.
    zero_ns : int or None
        When the capture's clock stood at 0, on the log's clock, for messages; ``None`` where both are taken to have
        started together, which nothing in the logs says.
    doubt_s : float
        How far off the samples may lie.
    """

    ns: NDArray[np.int64]
    kind: ClockKind
    column: str
    other_ns: NDArray[np.int64] | None
    values: Readings
    provenance: Provenance
    caveats: tuple[Caveat, ...]
    back_line: int | None
    words: str = ""
    zero_ns: int | None = None
    doubt_s: float = 0.0

    def told(self, code: str, message: str, weight: Weight = Weight.CARE) -> SensorSamples:
        """The same, with one caveat more."""
        return self._replace(caveats=(*self.caveats, sensor_caveat(code, message, weight)))

    @property
    def name(self) -> str:
        """Of the log, for messages."""
        return self.provenance.file_name


class _SensorLog:
    """One sensor log being read."""

    def __init__(self, text: TextSource, opened: OpenedLog, options: SensorOptions, read: ReadOptions) -> None:
        self._text, self._opened, self._options, self._read = text, opened, options, read
        self._layout = options.layout or SensorLayout()
        self._dialect = _dialect(text, read)
        self._scan = scan_rows(text, self._dialect)
        if (wide := rows_of_moments(text, self._dialect, facts_of(self._dialect), read, of_frames=False)) is not None:
            self._text, self._dialect = wide, detect_dialect(wide, read)
            self._scan += scan_rows(self._text, self._dialect)
        facts = facts_of(self._dialect)
        styles, why = styles_of(facts, self._layout.text)
        if len(styles) > 1:
            marks = ((each.decimal, f' with thousands = "{each.thousands}"' * bool(each.thousands)) for each in styles)
            ways = " or ".join(f'decimal = "{decimal}"{grouped}' for decimal, grouped in marks)
            raise SensorError.at(text.name, why, helps=f"say which in a sensor layout: {ways}")
        self._facts = tuple(fact._replace(style=styles[0]) for fact in facts)
        self._evidence = [f"compression: {opened.compression}"] if opened.compression else []
        self._caveats: list[Caveat] = []

    def samples(self, *, wants_absolute: bool) -> SensorSamples:
        """The samples of one card.

        Raises
        ------
        SensorError
            If there is no time or no quantity, or several cards and none was chosen.
        """
        time, unit = self._time_column(wants_absolute=wants_absolute)
        self._evidence += [f"time: column {time.shown}, in {unit.name} ({time.unit_from}; a sensor layout overrides)"]
        chosen = self._quantities(time)
        device = self._device_column({time.position, *(column.fact.position for column in chosen)})
        days = [fact for fact in self._facts if fact.cells and all(re.fullmatch(_DAY, c.strip()) for c in fact.cells)]
        day = days[0].position if unit is CLOCK and len(days) == 1 else None
        needed = {time.position, day, device, *(column.fact.position for column in chosen)} - {None}
        table = read_texts(self._text, self._dialect, sorted(cast("set[int]", needed)), self._read)
        rows = self._rows_of_device(table, device)
        texts = clean_texts(table.columns[time.position].take(arrow_array(rows)))
        if day is not None:
            dates = clean_texts(table.columns[day].take(arrow_array(rows)))
            texts = pc.binary_join_element_wise(dates, texts, " ")
        found = times_of_texts(texts, unit if day is None else DATE, time.style)
        ns, timed = found.ns[found.ok], rows[found.ok]
        rejected = self._rejected(table, rows[~found.ok], time)
        if timed.size < 2:
            raise self._error(f"{timed.size} rows have a time, two are needed", helps="give the whole log")
        told = (*self._scan, *table.caveats)
        self._caveats += [sensor_caveat(f"sensor-{c.code}", f"Sensor log: {c.message}", c.weight) for c in told]
        # Times of day go on after midnight; hours that were counted on need not.
        if unit is CLOCK and int(ns.max()) < DAY_NS and (longer := gone_on(ns, DAY_NS, DAY_NS / 2)) is not None:
            message = "The time of day passed midnight within the sensor log; later samples are of the next day."
            self._caveats.append(sensor_caveat("sensor-midnight", message))
            ns = longer
        kind, why = clock_of(unit, found.zoned, int(ns[0]))
        self._evidence += [f"time: {why}"] if kind == "absolute" else []
        values = {}
        for column in chosen:
            cells = table.columns[column.fact.position].take(arrow_array(timed))
            values[column.quantity], caveats = log.readings(cells, column)
            self._caveats += caveats
        layout = replace(
            self._layout,
            text=replace(self._layout.text, time_column=time.ref, unit=unit.name, encoding=self._text.encoding),
            device_column=None if device is None else self._facts[device].ref,
            columns={column.quantity: column.fact.ref for column in chosen},
            units={column.quantity: column.unit.name for column in chosen if column.unit is not None},
        )
        steps = np.diff(ns)
        back = [int(table.records[timed][int(np.argmin(steps)) + 1])] if (steps < 0).any() else []
        lines_of = partial(text_rows.lines_of_records, self._text, self._dialect)
        listed, evidence = rejected.listed(lines_of), tuple(self._evidence)
        counts = {"rows_read": int(timed.size), "rows_rejected": rejected.count, "rejected_rows": listed}
        about = {**self._opened.about(), **counts, "layout_toml": layout.to_toml(), "metadata": self._dialect.metadata}
        provenance = Provenance(adapter="sensor-text", evidence=evidence, **about)
        back_line = next(iter(lines_of(back)), None)
        return SensorSamples(ns, kind, time.name, found.other_ns, values, provenance, tuple(self._caveats), back_line)

    def _time_column(self, *, wants_absolute: bool) -> tuple[ColumnFacts, Unit]:
        """The time column and its unit; an absolute or an elapsed one where the log has both."""
        told, name = self._layout.text, self._text.name
        if told.time_column is not None:
            found = [column_named(self._facts, told.time_column, key="time_column", name=name)]
        else:
            timed = [self._with_unit(fact) for fact in self._facts if self._may_be_time(fact)]
            clocks = [fact for fact in timed if fact.course() is not Course.VARIES]
            fitting = [fact for fact in clocks if "core" not in fact.words] or clocks or timed
            fitting = [fact for fact in fitting if _is_absolute(fact) == wants_absolute] or fitting
            found = [fact for fact in fitting if fact.unit is not DATE] or fitting  # a count from 1970 needs no zone
        if not found:
            shown = ", ".join(fact.shown for fact in self._facts[:12])
            helps = 'name it in a sensor layout, two lines: time_column = "NAME" and unit = "s"; dates are written as '
            helps += "2026-11-25T09:00:00, times of day as 09:00:00"
            raise self._error(f"no time column is found among {shown}", helps=helps)
        if len(found) > 1:
            helps = f"settle it in a sensor layout: time_column = {layout_choice(found)}"
            raise self._error(f"{joined([fact.shown for fact in found])} may each be the time", helps=helps)
        (time,) = found
        if told.unit is not None:
            time = time._replace(unit=unit_named(told.unit), unit_from="as told")
        elif time.unit is not None and self._facts[time.position].unit is None:
            read = f"states no unit; it is read in {time.unit.name}, {time.unit_from} (sensor layout overrides: unit)."
            self._caveats.append(sensor_caveat("sensor-unit-inferred", f"Column {time.shown} {read}", Weight.NOTE))
        if time.unit is None or time.unit.form == "rate":
            lines = f'time_column = "{printable(time.name, limit=60)}" and unit = "s" (or "ms", "us", "ns")'
            helps = f"give it in a sensor layout, two lines: {lines}"
            raise self._error("the time has no unit", column=time.name, helps=helps)
        return time, time.unit

    def _with_unit(self, fact: ColumnFacts) -> ColumnFacts:
        """A time that states no unit in the only one in which samples come as those of sensors do."""
        if fact.unit is not None or fact.counts_ticks:
            return fact
        step = middle(np.diff(np.unique(fact.known_ns()))) / 1e9
        fitting = [unit for unit in fact.usual_units if _STEP_S[0] <= step * float(unit.ns or 0) < _STEP_S[1]]
        if len(fitting) != 1:
            return fact
        only = f"the only unit in which samples come {_STEP_S[0]:g} to {_STEP_S[1]:g} s apart"
        return fact._replace(unit=fitting[0], unit_from=only)

    def _may_be_time(self, fact: ColumnFacts) -> bool:
        if fact.unit in (DATE, CLOCK):
            # An address on a bus looks like a time of day.
            return not fact.names_cards
        # Several cards in one log share their times, so a step may be 0; a clock that goes back is refused later.
        named = fact.numeric and fact.meaning in (Meaning.TIMESTAMP, Meaning.TIME)
        return named and np.unique(fact.known_ns()).size > 1

    def _quantities(self, time: ColumnFacts) -> tuple[SensorColumn, ...]:
        told = [self._told(quantity, time) for quantity in QUANTITIES if quantity in self._layout.columns]
        used = {time.position, *(column.fact.position for column in told)}
        free = [fact for fact in self._facts if fact.position not in used]
        quantities = {column.quantity for column in told}
        found, caveats = log.choose_sensor_columns(free, device=self._options.device, told=quantities)
        chosen = (*told, *found)
        self._caveats += caveats
        self._evidence += [column.evidence for column in chosen]
        if not chosen:
            reasons = " ".join(caveat.message for caveat in caveats)
            none = "no column is found that holds power, temperature, a clock, load, fan, voltage or memory"
            helps = 'name one in a sensor layout, for example power_w = "NAME" and power_w_unit = "W"'
            raise self._error(none + (f" ({reasons})" if reasons else ""), helps=helps)
        return chosen

    def _told(self, quantity: str, time: ColumnFacts) -> SensorColumn:
        fact = column_named(self._facts, self._layout.columns[quantity], key=quantity, name=self._text.name)
        unit, told = fact.said.other_unit, self._layout.units.get(quantity)
        if fact.position == time.position:
            raise self._error("the column is the time", column=fact.name, helps=f"name another one for {quantity}")
        if told is None and fact.other_unit is None:
            helps = f'add to the sensor layout: {quantity}_unit = "{QUANTITIES[quantity].unit}"'
            raise self._error(f"no unit is known for {quantity}", column=fact.name, helps=helps)
        if told is not None and (unit is None or told != unit.name):
            unit = Unit(told, None, "other")
        return SensorColumn(fact, quantity, unit, f"{quantity}: column {fact.shown}, as told")

    def _device_column(self, used: Collection[int]) -> int | None:
        """Position of the column that names the card of each row: of several the one that tells most apart."""
        if (told := self._layout.device_column) is not None:
            return column_named(self._facts, told, key="device_column", name=self._text.name).position
        found: dict[int, int] = {}
        for fact in self._facts:
            # An address on a bus looks like a time of day.
            timed = fact.unit not in (None, CLOCK) or fact.said.other_unit is not None
            if fact.position in used or timed or not fact.names_cards:
                continue
            cells = Counter(cell.strip() for cell in fact.cells if kind_of(cell) is not CellKind.MISSING)
            if cells and sum(cells.values()) >= 2 * len(cells):
                found[fact.position] = len(cells)
        return max(found, key=lambda position: (found[position], -position), default=None)

    def _rows_of_device(self, table: TextTable, device: int | None) -> NDArray[np.int64]:
        wanted, every = self._options.device, np.arange(table.records.size, dtype=np.int64)
        if device is None:
            if wanted is not None and not any(log.names_device(fact.name, wanted) for fact in self._facts):
                found = f"nothing in the log names a card '{printable(wanted, limit=40)}'"
                layout = 'name the column of the cards in a sensor layout: device_column = "NAME"'
                raise self._error(found, helps=f"leave out --sensor-device, or {layout}")
            return every
        names, codes = coded(clean_texts(table.columns[device]))
        listed = ", ".join(f"'{printable(each, limit=40)}'" for each in names[:_MOST_LISTED])
        if wanted is None and len(names) == 1:
            return every
        if (card := word_asked(names, wanted or "")) is None:
            found = "" if wanted is None else f"there is no card '{printable(wanted, limit=40)}': "
            found += f"the log holds {counted(len(names), 'card')}: {listed}"
            raise self._error(found, column=self._facts[device].name, helps="choose one with --sensor-device")
        self._evidence.append(f"card: '{printable(card)}' of {len(names)}, chosen with --sensor-device")
        return np.flatnonzero(codes == names.index(card))

    def _rejected(self, table: TextTable, untimed: NDArray[np.int64], time: ColumnFacts) -> RejectedRows:
        short = {number for number, _ in table.short}
        bad = np.union1d(table.records[untimed], np.array(sorted(short), dtype=np.int64))
        total = int(table.records.size) + len(short)
        if 2 * bad.size > total:
            raise self._error(f"{bad.size} of {total} rows have no readable time", column=time.name)
        if bad.size:
            message = f"{bad.size} of {total} rows of the sensor log have no readable time or too few cells."
            weight = Weight.CARE if bad.size > 0.01 * total else Weight.NOTE
            self._caveats.append(sensor_caveat("sensor-rows-rejected", message, weight))
        reasons = f"the time in {time.shown} cannot be read", "the row has too few cells"
        rejected = RejectedRows()
        rejected.add(bad, lambda at: reasons[int(bad[at]) in short])
        return rejected

    def _error(self, found: str, *, helps: str | None = None, column: str | None = None) -> SensorError:
        return SensorError.at(self._text.name, found, column=column or None, helps=helps)


def _is_absolute(time: ColumnFacts) -> bool:
    """Whether a time is a date, or counts since 1970."""
    return clock_of(time.unit, time.unit is DATE or None, int(max(time.known_ns()[:1], default=0)))[0] == "absolute"


def read_sensor_text(source: Source, options: SensorOptions, *, wants_absolute: bool) -> SensorSamples:
    """Read one sensor log; that which was read last is at hand until its file changes, for many runs share it.

    Parameters
    ----------
    source : path, '-' or binary stream
        Delimited text, or a table in Parquet or one of the formats of Arrow.
    options : SensorOptions
    wants_absolute : bool
        Which clock is preferred where the log has an absolute and an elapsed one.

    Raises
    ------
    SensorError, ReadError
    """
    read = ReadOptions(layout=options.layout.text if options.layout else None)
    with opened_log(source, read, use_threads=False) as opened:
        asked = (opened.stored.name, opened.stored.state, options.layout, options.device, wants_absolute)
        if _LAST.get("asked") != asked or not opened.stored.state:

            def samples(text: TextSource) -> SensorSamples:
                return _SensorLog(text, opened, options, read).samples(wants_absolute=wants_absolute)

            _LAST.update(asked=asked, samples=read_in_its_encoding(cast("BinaryIO", opened.log), read, samples))
    return cast("SensorSamples", _LAST["samples"])


_LAST: Final[dict[str, object]] = {}
"""The samples that `read_sensor_text` gave last, and for what it was asked."""


def _dialect(text: TextSource, read: ReadOptions) -> Dialect:
    """How the text is laid out, without a last row whose last number may lack digits.

    Raises
    ------
    SensorError
        If there is one row, or one column: no sensor log, whatever its names say.
    """
    dialect = detect_dialect(text, read)
    if dialect.lacks_a_name:
        raise uneven_header(text.name, dialect.n_columns - 1, dialect.header_line, dialect.n_columns)
    last = dialect.n_columns - 1
    cells = [row.cells[last] for row in dialect.sample if len(row.cells) > last]
    if dialect.has_open_row and all(text_rows.may_lack_digits(cells, mark) for mark in ".,"):
        dialect = text_rows.with_ending(dialect, text, keeps_open_row=False)
    if dialect.n_columns == 1:
        above = f", although the line above them is '{printable(dialect.names[0], limit=60)}'" if dialect.names else ""
        found = f"no delimiter parts the rows into a time and readings{above}"
        helps = 'see whether the rows are cut off, or give delimiter = ";" or another in a sensor layout'
        raise SensorError.at(text.name, found, helps=helps)
    if len(dialect.sample) == 1 and dialect.data_end == text.end:
        raise SensorError.at(text.name, "there is one row of readings, two are needed", helps="give the whole log")
    return dialect
