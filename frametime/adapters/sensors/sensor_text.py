"""A sensor log as text: its dialect, its time column, its quantities, and the rows of one card."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, BinaryIO, Final, cast

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow.arrow_columns import arrow_int64, compute
from frametime.adapters.base import MAX_LISTED_ROWS, ReadOptions
from frametime.adapters.clocks.sensor_clock import SensorTimes
from frametime.adapters.clocks.time_units import CLOCK, DATE, TimeUnit
from frametime.adapters.clocks.time_values import clean_texts, dates_in_both_orders, times_of_texts
from frametime.adapters.columns.column_facts import ColumnFacts, column_facts
from frametime.adapters.columns.layout import ColumnRef
from frametime.adapters.sensors.sensor_cards import device_column, names_device, rows_of_device
from frametime.adapters.sensors.sensor_columns import (
    NamedColumn,
    SensorColumn,
    choose_sensor_columns,
)
from frametime.adapters.sensors.sensor_layout import QUANTITIES, SensorLayout
from frametime.adapters.sensors.sensor_log import SENSOR_METRICS, SensorOptions, SensorSamples
from frametime.adapters.sensors.sensor_readings import reading_caveats, readings, sensor_number_style
from frametime.adapters.sensors.sensor_time_column import column_named, day_column, find_time_column, is_absolute
from frametime.adapters.stored_log import StoredHash, kept_unchanged, open_stored, unpacked
from frametime.adapters.text.dialect import Dialect, detect_dialect
from frametime.adapters.text.table_reader import TextTable, lines_of_records, read_in_its_encoding, read_texts
from frametime.adapters.text.text_faults import scan_rows, sensor_text_caveats
from frametime.adapters.text.text_rows import may_lack_digits
from frametime.adapters.text.text_source import TextSource
from frametime.capture import SENSOR_COLUMNS, Provenance, RejectedRow
from frametime.caveats import Caveat, Weight
from frametime.errors import SensorError, printable

_DAY_NS: Final = 86_400 * 10**9


def read_sensor_text(
    source: str | os.PathLike[str] | BinaryIO, options: SensorOptions, *, wants_absolute: bool
) -> SensorSamples:
    """Read one sensor log.

    Parameters
    ----------
    source : path, '-' or binary stream
    options : SensorOptions
    wants_absolute : bool
        Which clock is preferred where the log has an absolute and an elapsed one.

    Raises
    ------
    SensorError, ReadError
    """
    layout = options.layout or SensorLayout()
    read = ReadOptions(layout=layout.text)
    stored, again = open_stored(source)
    with stored, kept_unchanged(stored):
        digest = StoredHash(again, size=stored.size, threaded=False)
        log, compression = unpacked(stored, read)
        with log:

            def samples_of(text: TextSource) -> SensorSamples:
                reader = _SensorReader(text, _dialect(text, read), layout, options, read)
                return reader.samples(wants_absolute=wants_absolute)

            samples = read_in_its_encoding(cast("BinaryIO", log), read, layout.text.encoding, samples_of)
        return _with_origin(samples, stored.size, digest.hexdigest(), compression)


def _dialect(text: TextSource, read: ReadOptions) -> Dialect:
    """How the text is laid out, without a last row whose last number may lack digits."""
    dialect = detect_dialect(text, read)
    last = dialect.n_columns - 1
    cells = [row.cells[last] for row in dialect.sample if len(row.cells) > last]
    if dialect.has_open_row and all(may_lack_digits(cells, mark) for mark in ".,"):
        return detect_dialect(text, read, keeps_open_row=False)
    return dialect


def _with_origin(samples: SensorSamples, size: int, sha256: str, compression: str | None) -> SensorSamples:
    evidence = samples.provenance.evidence
    if compression is not None:
        evidence = (f"compression: {compression}", *evidence)
    return replace(samples, provenance=replace(samples.provenance, sha256=sha256, size_bytes=size, evidence=evidence))


class _SensorReader:
    """One sensor log being read."""

    def __init__(
        self, text: TextSource, dialect: Dialect, layout: SensorLayout, options: SensorOptions, read: ReadOptions
    ) -> None:
        self._text = text
        self._dialect = dialect
        self._layout = layout
        self._options = options
        self._read = read
        self._name = text.name
        self._facts = column_facts(
            dialect.names, dialect.units_row, [row.cells for row in dialect.sample], dialect.n_columns
        )
        self._scan = scan_rows(text, dialect)
        self._style = sensor_number_style(self._facts, layout.text, self._name)
        self._evidence: list[str] = []
        self._caveats: list[Caveat] = []

    def samples(self, *, wants_absolute: bool) -> SensorSamples:
        self._refuse_no_table()
        time = find_time_column(
            self._facts,
            self._style,
            name=self._name,
            told=self._layout.text.time_column,
            unit=self._layout.text.unit,
            wants_absolute=wants_absolute,
        )
        assert time.unit is not None
        self._evidence.append(
            f"time: column {time.shown}, in {time.unit.name} ({time.unit_from}; --sensor-layout overrides)"
        )
        self._day = day_column(self._facts, time)
        chosen = self._quantities(time)
        device = self._device_column(time, chosen)
        positions = sorted(
            {time.position, *(c.column.position for c in chosen)} | {at for at in (device, self._day) if at is not None}
        )
        table = read_texts(self._text, self._dialect, positions, self._read)
        rows = self._rows_of_device(table, device)
        times, timed = self._times(table, time, rows)
        rejected = self._rejected(table, rows[~timed], time)
        n_rejected = int((~timed).sum()) + len(table.short)
        rows = rows[timed]
        if rows.size < 2:
            raise self._error(f"{rows.size} rows have a time, two are needed", helps="give the whole sensor log")
        found = sensor_text_caveats(self._text, self._dialect, table, self._scan)
        self._caveats += [replace(caveat, metrics=SENSOR_METRICS) for caveat in found]
        values = {column.quantity: self._readings(table, column, rows) for column in chosen}
        records = table.records[rows]
        return SensorSamples(
            times=SensorTimes(ns=times, kind=self._kind(time, times), column=time.name, other_ns=self._other_ns),
            values=values,
            provenance=self._provenance(
                time, chosen, device, n_rows=int(rows.size), n_rejected=n_rejected, rejected=rejected
            ),
            caveats=tuple(self._caveats),
            back_line=self._back_line(times, records),
        )

    def _refuse_no_table(self) -> None:
        """One row, or one column, is no sensor log, whatever its names say."""
        if self._dialect.n_columns == 1:
            above = printable(self._dialect.names[0], limit=60) if self._dialect.names else None
            raise self._error(
                "no delimiter parts the rows into a time and readings"
                + (f", although the line above them is '{above}'" if above else ""),
                helps='see whether the rows are cut off, or give delimiter = ";" or another in a sensor layout',
            )
        if len(self._dialect.sample) == 1 and self._dialect.data_end == self._text.end:
            raise self._error("there is one row of readings, two are needed", helps="give the whole sensor log")

    # The time

    def _back_line(self, times: NDArray[np.int64], records: NDArray[np.int64]) -> int | None:
        steps = np.diff(times)
        if not (steps < 0).any():
            return None
        return lines_of_records(self._text, self._dialect, [int(records[int(np.argmin(steps)) + 1])])[0]

    def _kind(self, time: ColumnFacts, times: NDArray[np.int64]) -> Any:
        if time.unit is DATE or self._day is not None:
            return "absolute" if self._zoned else "zoneless"
        if time.unit is CLOCK and int(times[0]) > 3600 * 10**9 and self._options.offset_s is None:
            return "time of day"
        if is_absolute(time, self._style):
            self._evidence.append(f"time: {time.shown} counts since 1970, which is in UTC by definition (POSIX)")
            return "absolute"
        return "elapsed"

    def _times(
        self, table: TextTable, time: ColumnFacts, rows: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        assert isinstance(time.unit, TimeUnit)
        pc = compute()
        texts, unit = clean_texts(table.columns[time.position].take(arrow_int64(rows))), time.unit
        if self._day is not None:
            days = clean_texts(table.columns[self._day].take(arrow_int64(rows)))
            texts, unit = pc.binary_join_element_wise(days, texts, " "), DATE
        found, self._other_ns = times_of_texts(texts, unit, self._style), None
        if unit is DATE and found.ok is not None and not found.ok.any():
            found, other = dates_in_both_orders(texts)
            self._other_ns = other.ns if other.ok is None else other.ns[other.ok]
        self._zoned = found.zoned
        ok = np.ones(rows.size, dtype=np.bool_) if found.ok is None else found.ok
        return (self._past_midnight(found.ns[ok]) if unit is CLOCK else found.ns[ok]), ok

    def _past_midnight(self, ns: NDArray[np.int64]) -> NDArray[np.int64]:
        """Times of day go on after midnight: a step back by more than half a day is the next day."""
        passed = np.cumsum(np.diff(ns, prepend=ns[:1]) < -_DAY_NS // 2, dtype=np.int64)
        if not passed.size or not passed[-1] or int(ns.max()) >= _DAY_NS:
            return ns
        self._caveats.append(
            Caveat(
                code="sensor-midnight",
                message="The time of day passed midnight within the sensor log; later samples are of the next day.",
                metrics=SENSOR_METRICS,
            )
        )
        return ns + passed * _DAY_NS

    # The quantities

    def _quantities(self, time: ColumnFacts) -> tuple[SensorColumn, ...]:
        named = {fact.position: NamedColumn.of(fact) for fact in self._facts if fact.position != time.position}
        told = [self._told(quantity, named) for quantity in QUANTITIES if quantity in self._layout.columns]
        free = [column for column in named.values() if column.position not in {c.column.position for c in told}]
        quantities = {column.quantity for column in told}
        found = choose_sensor_columns(free, device=self._options.device, told=quantities, style=self._style)
        self._device_named = any(names_device(column.name, self._options.device or "") for column in free)
        chosen = (*told, *found.columns)
        self._caveats += found.caveats
        self._evidence += [column.evidence for column in chosen]
        if not chosen:
            reasons = " ".join(caveat.message for caveat in self._caveats)
            raise self._error(
                "no column is found that holds power, temperature, a clock, load, fan, voltage or memory"
                + (f" ({reasons})" if reasons else ""),
                helps='name one in a sensor layout, for example power_w = "NAME" and power_w_unit = "W"',
            )
        return chosen

    def _told(self, quantity: str, named: dict[int, NamedColumn]) -> SensorColumn:
        fact = self._column(self._layout.columns[quantity], quantity)
        column = named.get(fact.position)
        if column is None:
            raise self._error("the column is the time", column=fact.name, helps=f"name another one for {quantity}")
        unit = self._layout.units.get(quantity) or column.unit
        if unit is None and column.cell_unit is None:
            raise self._error(
                f"no unit is known for {quantity}",
                column=fact.name,
                helps=f'add to the sensor layout: {quantity}_unit = "{SENSOR_COLUMNS[quantity][1]}"',
            )
        factor = 1.0 if quantity in self._layout.units and unit != column.unit else column.factor
        evidence = f"{quantity}: column {fact.shown}, as told"
        return SensorColumn(quantity=quantity, column=column, unit=unit, factor=factor, evidence=evidence)

    def _column(self, ref: ColumnRef, key: str) -> ColumnFacts:
        return column_named(self._facts, ref, key=key, name=self._name)

    def _device_column(self, time: ColumnFacts, chosen: Sequence[SensorColumn]) -> int | None:
        if self._layout.device_column is not None:
            return self._column(self._layout.device_column, "device_column").position
        return device_column(self._facts, {time.position, *(column.column.position for column in chosen)})

    def _rows_of_device(self, table: TextTable, device: int | None) -> NDArray[np.int64]:
        wanted = self._options.device
        if device is None and wanted is not None and not self._device_named:
            raise self._error(
                f"nothing in the log names a card '{printable(wanted, limit=40)}'",
                helps="leave out --sensor-device, or name the column of the cards in a sensor layout: "
                'device_column = "NAME"',
            )
        if device is None:
            return np.arange(table.records.size, dtype=np.int64)
        found = rows_of_device(table.columns[device], wanted, name=self._name, column=self._facts[device].name)
        self._evidence += found.evidence
        return found.rows

    def _readings(self, table: TextTable, column: SensorColumn, rows: NDArray[np.int64]) -> NDArray[np.float64]:
        texts = table.columns[column.column.position].take(arrow_int64(rows))
        found = readings(texts, column, self._style)
        self._caveats += reading_caveats(found, column)
        return found.values

    # What is told about it

    def _rejected(self, table: TextTable, untimed: NDArray[np.int64], time: ColumnFacts) -> tuple[RejectedRow, ...]:
        bad = [(int(record), f"the time in {time.shown} cannot be read") for record in table.records[untimed]]
        bad += [(number, "the row has too few cells") for number, _ in table.short]
        bad.sort()
        if not bad:
            return ()
        total = int(table.records.size) + len(table.short)
        if 2 * len(bad) > total:
            raise self._error(f"{len(bad)} of {total} rows have no readable time", column=time.name)
        self._caveats.append(
            Caveat(
                code="sensor-rows-rejected",
                message=f"{len(bad)} of {total} rows of the sensor log have no readable time or too few cells.",
                weight=Weight.CARE if len(bad) > 0.01 * total else Weight.NOTE,
                metrics=SENSOR_METRICS,
            )
        )
        listed = bad[:MAX_LISTED_ROWS]
        lines = lines_of_records(self._text, self._dialect, [record for record, _ in listed])
        return tuple(RejectedRow(line=line, reason=why) for line, (_, why) in zip(lines, listed, strict=True))

    def _provenance(
        self,
        time: ColumnFacts,
        chosen: Sequence[SensorColumn],
        device: int | None,
        *,
        n_rows: int,
        n_rejected: int,
        rejected: tuple[RejectedRow, ...],
    ) -> Provenance:
        assert time.unit is not None
        found = SensorLayout(
            text=replace(self._layout.text, time_column=time.ref, unit=time.unit.name, encoding=self._text.encoding),
            time_zone=self._layout.time_zone,
            device_column=None if device is None else self._facts[device].ref,
            columns={column.quantity: self._facts[column.column.position].ref for column in chosen},
            units={column.quantity: column.unit for column in chosen if column.unit is not None},
        )
        return Provenance(
            file_name=self._name,
            sha256="",
            size_bytes=0,
            adapter="sensor-text",
            rows_read=n_rows,
            rows_rejected=n_rejected,
            rejected_rows=rejected,
            layout_toml=found.to_toml(),
            evidence=tuple(self._evidence),
            metadata=self._dialect.metadata,
        )

    def _error(self, found: str, *, helps: str | None = None, column: str | None = None) -> SensorError:
        return SensorError.at(self._name, found, column=column or None, helps=helps)
