"""Samples of the card on a capture's clock: those of a sensor log, and those in a frame log's own columns."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any, BinaryIO, Final

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow.arrow_columns import arrow_int64, numpy_of
from frametime.adapters.base import ParsedLog
from frametime.adapters.clocks.sensor_clock import (
    SensorTimes,
    align,
    capture_start,
    check_overlap,
    with_zone,
)
from frametime.adapters.columns.layout import Layout
from frametime.adapters.sensors.sensor_columns import NamedColumn, choose_sensor_columns, fits
from frametime.adapters.sensors.sensor_layout import QUANTITIES
from frametime.adapters.sensors.sensor_log import (
    COVERED_ENOUGH,
    LONG_GAP_S,
    LONG_GAP_STEPS,
    SENSOR_METRICS,
    SensorOptions,
    SensorSamples,
)
from frametime.adapters.sensors.sensor_readings import reading_caveats, readings
from frametime.adapters.sensors.sensor_text import read_sensor_text
from frametime.adapters.text.number_style import POINT, told_style
from frametime.capture import SENSOR_COLUMNS, TIME_COLUMN, Capture, Provenance, SensorTrace
from frametime.caveats import Caveat, Weight
from frametime.errors import SensorError
from frametime.words import counted

if TYPE_CHECKING:
    import pyarrow as pa


_DEFAULT_OPTIONS: Final = SensorOptions()


def attach_sensors(
    capture: Capture, source: str | os.PathLike[str] | BinaryIO, *, options: SensorOptions = _DEFAULT_OPTIONS
) -> Capture:
    """The capture with the samples of a sensor log, on the capture's clock.

    Parameters
    ----------
    capture : Capture
    source : path, '-' or binary stream
        Delimited text with one row a sample: a time (elapsed or absolute) and columns in W, °C, MHz, %, rpm, V, MiB.
    options : SensorOptions

    Raises
    ------
    SensorError
        If the log cannot be used with this capture: no time or quantity is found, its clock jumps back, several cards
        stand in it and none was chosen, or the two have no time in common.
    ReadError
        If it is no text with rows of numbers.
    """
    span_ns = _span_ns(capture)
    start = capture_start(capture, options.recorded_from)
    samples = read_sensor_text(source, options, wants_absolute=start is not None and options.offset_s is None)
    name = samples.provenance.file_name
    zone = options.time_zone or (options.layout.time_zone if options.layout is not None else None)
    times = samples.times
    if times.kind == "zoneless" and options.offset_s is not None:
        times = replace(times, kind="absolute")  # an offset needs no zone
    times = with_zone(times, zone, name=name)
    order, merged, order_caveats = _in_order(times, samples)
    alignment = align(
        SensorTimes(ns=merged, kind=times.kind, column=times.column),
        capture,
        start=start,
        offset_s=options.offset_s,
        name=name,
    )
    covered = check_overlap(alignment.times_ns, span_ns, name=name, start=start if times.kind == "absolute" else None)
    near = _near(alignment.times_ns, span_ns)
    values = {quantity: _merged(column, order, merged.size)[near] for quantity, column in samples.values.items()}
    missing = {quantity: int(np.isnan(column).sum()) for quantity, column in values.items()}
    caveats = (
        *samples.caveats,
        *order_caveats,
        *missing_caveats(missing, int(near.stop - near.start)),
        *_coverage_caveats(covered, alignment.times_ns, span_ns, assumed=alignment.assumed, words=alignment.words),
    )
    trace = SensorTrace(
        samples=sample_table(alignment.times_ns[near], values),
        alignment=alignment.words,
        provenance=replace(
            samples.provenance,
            recorded_from_utc=alignment.recorded_from_utc,
            evidence=(*samples.provenance.evidence, f"clocks: {alignment.words}"),
            options=options.stated(),
        ),
        missing_counts=missing,
        caveats=caveats,
    )
    return replace(capture, sensors=trace)


def _span_ns(capture: Capture) -> tuple[int, int]:
    column = capture.frames.column(TIME_COLUMN)
    return column[0].as_py(), column[len(column) - 1].as_py()


def _in_order(
    times: SensorTimes, samples: SensorSamples
) -> tuple[NDArray[np.int64], NDArray[np.int64], tuple[Caveat, ...]]:
    """Place of each sample among the times kept, those times, and what had to be done for them to rise.

    Samples at one time are averaged. A small step back (a late row) is put in order; a clock that jumps back makes
    the time of every later sample doubtful, and is refused.
    """
    caveats = []
    if samples.largest_back is not None:
        steps = np.diff(times.ns)
        largest_ns, line = samples.largest_back
        if largest_ns > 2.0 * float(np.median(np.abs(steps))):
            raise SensorError.at(
                samples.provenance.file_name,
                f"the clock jumps back by {largest_ns / 1e9:.3g} s",
                line=line,
                column=times.column,
                helps="cut the log there, and give the part that belongs to the capture",
            )
        message = counted(int((steps < 0).sum()), "sample came late and was", "samples came late and were")
        message += " put in order of time."
        caveats.append(Caveat(code="sensor-order", message=message, weight=Weight.NOTE, metrics=SENSOR_METRICS))
    kept, order = np.unique(times.ns, return_inverse=True)
    if kept.size < times.ns.size:
        count = times.ns.size - kept.size
        often = count > 0.2 * times.ns.size
        caveats.append(
            Caveat(
                code="sensor-equal-times",
                message=counted(count, "sample has", "samples have")
                + " the time of another; the mean is used."
                + (" Do several cards stand in the log? A sensor layout tells: device_column." if often else ""),
                weight=Weight.CARE if often else Weight.NOTE,
                metrics=SENSOR_METRICS,
            )
        )
    return np.asarray(order, dtype=np.int64), kept, tuple(caveats)


def _merged(column: NDArray[np.float64], order: NDArray[np.int64], size: int) -> NDArray[np.float64]:
    usable = np.isfinite(column)
    counts = np.bincount(order[usable], minlength=size)
    sums = np.bincount(order[usable], weights=column[usable], minlength=size)
    return np.asarray(np.where(counts > 0, sums / np.maximum(counts, 1), np.nan), dtype=np.float64)


def _near(times_ns: NDArray[np.int64], span_ns: tuple[int, int]) -> slice:
    """The samples of the capture, with a few on either side that carry its ends."""
    first = max(int(np.searchsorted(times_ns, span_ns[0], side="right")) - 3, 0)
    stop = min(int(np.searchsorted(times_ns, span_ns[1], side="left")) + 3, times_ns.size)
    return slice(first, stop)


def missing_caveats(missing: Mapping[str, int], count: int) -> tuple[Caveat, ...]:
    """Cells of ``count`` samples without a number, by quantity: a care from one in twenty on."""
    found = {quantity: number for quantity, number in missing.items() if number}
    if not found:
        return ()
    listed = ", ".join(f"{quantity} {number} of {count}" for quantity, number in found.items())
    weight = Weight.CARE if max(found.values()) > 0.05 * count else Weight.NOTE
    message = f"Cells without a usable number, left out (not taken as 0): {listed}."
    return (Caveat(code="sensor-cells-missing", message=message, weight=weight, metrics=SENSOR_METRICS),)


def _coverage_caveats(
    covered: float, times_ns: NDArray[np.int64], span_ns: tuple[int, int], *, assumed: bool, words: str
) -> tuple[Caveat, ...]:
    caveats = []
    if assumed:
        caveats.append(
            Caveat(
                code="sensor-clocks-assumed",
                message=f"Sensors are aligned {words}.",
                weight=Weight.CARE,
                metrics=SENSOR_METRICS,
            )
        )
    if covered < COVERED_ENOUGH:
        from_s, to_s = ((int(edge) - span_ns[0]) / 1e9 for edge in (times_ns[0], times_ns[-1]))
        message = (
            f"The sensor log covers {100.0 * covered:.1f} % of the capture ({from_s:.1f} to {to_s:.1f} s of "
            f"{(span_ns[1] - span_ns[0]) / 1e9:.1f} s); sensor numbers are of that part only."
        )
        caveats.append(Caveat(code="sensors-cover-part", message=message, weight=Weight.CARE, metrics=SENSOR_METRICS))
    return (*caveats, *_gap_caveats(times_ns, span_ns))


def _gap_caveats(times_ns: NDArray[np.int64], span_ns: tuple[int, int]) -> tuple[Caveat, ...]:
    """The longest hole between samples within the capture, whichever quantities the log holds."""
    if times_ns.size < 2:
        return ()
    steps_s = np.diff(times_ns) / 1e9
    inside_s = np.diff(np.clip(times_ns, *span_ns)) / 1e9
    worst = int(np.argmax(inside_s))
    usual_s = float(np.median(steps_s))
    if inside_s[worst] <= max(LONG_GAP_STEPS * usual_s, LONG_GAP_S):
        return ()
    from_s, to_s = ((int(times_ns[i]) - span_ns[0]) / 1e9 for i in (worst, worst + 1))
    message = (
        f"The sensor log has no sample from {from_s:.1f} to {to_s:.1f} s of the capture (usual step {usual_s:.2f} s); "
        "readings are taken to change evenly across that gap."
    )
    return (Caveat(code="sensor-gap", message=message, weight=Weight.CARE, metrics=SENSOR_METRICS),)


def sample_table(times_ns: NDArray[np.int64], values: Mapping[str, NDArray[np.float64]]) -> pa.Table:
    """Samples as the capture keeps them: their times, and a column for each quantity."""
    import pyarrow as pa

    arrays = [arrow_int64(np.ascontiguousarray(times_ns))]
    names = ["time_ns"]
    for quantity, column in values.items():
        names.append(quantity)
        arrays.append(_arrow_float64(column))
    fields = [
        pa.field(name, array.type, metadata={"unit": SENSOR_COLUMNS[name][1]})
        for name, array in zip(names, arrays, strict=True)
    ]
    return pa.Table.from_arrays(arrays, schema=pa.schema(fields))


def _arrow_float64(values: NDArray[np.float64]) -> Any:
    """An Arrow column that is null where a value is NaN (``pyarrow.array`` would import pandas)."""
    import pyarrow as pa

    usable = np.isfinite(values)
    mask = None if bool(usable.all()) else pa.py_buffer(np.packbits(usable, bitorder="little").tobytes())
    return pa.Array.from_buffers(
        pa.float64(), len(values), [mask, pa.py_buffer(np.ascontiguousarray(values).tobytes())]
    )


_LOOKED_AT = 60


def own_sensors(parsed: ParsedLog, provenance: Provenance) -> SensorTrace | None:
    """The samples in a frame log's own columns, one a frame; ``None`` where there are none.

    Only columns whose name speaks for a quantity are read. The log must still be open.
    """
    if parsed.read_columns is None:
        return None
    named = [
        NamedColumn(name=column.name, position=column.position, unit=column.unit, cells=())
        for column in parsed.other_columns
    ]
    named = [column for column in named if any(fits(column, quantity) for quantity in QUANTITIES)]
    if not named:
        return None
    table = parsed.read_columns([column.name for column in named])
    named = [
        replace(column, cells=tuple(cell or "" for cell in table.column(column.name).slice(1, _LOOKED_AT).to_pylist()))
        for column in named
    ]
    choice = choose_sensor_columns(named)
    if not choice.columns:
        return None
    style = told_style(Layout.from_toml(parsed.layout_toml, "layout")) or POINT
    values, caveats = {}, [replace(caveat, weight=Weight.NOTE) for caveat in choice.caveats]
    for column in choice.columns:
        found = readings(table.column(column.column.name), column.quantity, column.unit, style)
        # Where the first frame began there is no row of the log, so no sample either.
        values[column.quantity] = found.values[1:] if found.missing[0] else found.values
        caveats += reading_caveats(found, column)
    times_ns = np.asarray(numpy_of(parsed.frames.column(TIME_COLUMN)), dtype=np.int64)
    size = min(column.size for column in values.values())
    values = {quantity: column[column.size - size :] for quantity, column in values.items()}
    missing = {quantity: int(np.isnan(column).sum()) for quantity, column in values.items()}
    return SensorTrace(
        samples=sample_table(times_ns[times_ns.size - size :], values),
        alignment="the sensors stand in the rows of the frame log",
        provenance=replace(provenance, evidence=tuple(column.evidence for column in choice.columns)),
        missing_counts=missing,
        caveats=(*caveats, *missing_caveats(missing, size)),
    )
