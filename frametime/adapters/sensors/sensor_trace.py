"""Samples of the card on a capture's clock: those of a sensor log, and those in a frame log's own columns."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any, BinaryIO, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow.arrow_columns import arrow_int64, numpy_of
from frametime.adapters.base import ParsedLog
from frametime.adapters.clocks.sensor_clock import (
    Alignment,
    CaptureStart,
    SensorTimes,
    align,
    capture_start,
    check_overlap,
    utc_text,
)
from frametime.adapters.columns.layout import Layout
from frametime.adapters.sensors.sensor_columns import NamedColumn, choose_sensor_columns, fits
from frametime.adapters.sensors.sensor_layout import QUANTITIES
from frametime.adapters.sensors.sensor_load import Seen, place_of, seen_load
from frametime.adapters.sensors.sensor_log import (
    COVERED_ENOUGH,
    LONG_GAP_S,
    LONG_GAP_STEPS,
    SENSOR_METRICS,
    SENSORS_UNUSABLE,
    SensorOptions,
    SensorSamples,
)
from frametime.adapters.sensors.sensor_readings import reading_caveats, readings
from frametime.adapters.sensors.sensor_text import read_sensor_text
from frametime.adapters.text.number_style import POINT, told_style
from frametime.capture import SENSOR_COLUMNS, TIME_COLUMN, Capture, Provenance, SensorTrace
from frametime.caveats import Caveat, Weight
from frametime.errors import FrametimeError, SensorError, printable
from frametime.units import NS_PER_S
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
    start = capture_start(capture, options.recorded_from, trusts_file_time=options.trusts_file_time)
    known = start is not None and not start.is_guess
    samples = read_sensor_text(source, options, wants_absolute=known and options.offset_s is None)
    brought = _brought_together(samples, capture, start, span_ns, options)
    alignment, values = brought.alignment, brought.values
    doubt_ns = round(alignment.doubt_s * NS_PER_S)
    near = _near(alignment.times_ns, (span_ns[0] - doubt_ns, span_ns[1] + doubt_ns))
    covered = check_overlap(alignment, span_ns, name=samples.provenance.file_name)
    values = {quantity: column[near] for quantity, column in values.items()}
    missing = {quantity: int(np.isnan(column).sum()) for quantity, column in values.items()}
    caveats = (
        *samples.caveats,
        *brought.caveats,
        *missing_caveats(missing, int(near.stop - near.start)),
        *_coverage_caveats(covered, alignment.times_ns, span_ns),
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
        clock_doubt_s=alignment.doubt_s,
    )
    return replace(capture, sensors=trace)


def with_sensors(
    capture: Capture,
    source: str | os.PathLike[str] | BinaryIO,
    *,
    options: SensorOptions = _DEFAULT_OPTIONS,
    weight: Weight = Weight.CARE,
) -> Capture:
    """`attach_sensors`; a log that cannot be used takes away its own numbers alone, with a caveat that says why."""
    try:
        return attach_sensors(capture, source, options=options)
    except (FrametimeError, OSError) as error:
        why = printable(str(error), limit=1000)
    message = f"There are no sensor numbers: {why}"
    caveat = Caveat(code=SENSORS_UNUSABLE, message=message, weight=weight, metrics=SENSOR_METRICS)
    return replace(capture, caveats=(*capture.caveats, caveat))


def samples_in_order(
    source: str | os.PathLike[str], options: SensorOptions
) -> tuple[NDArray[np.float64], Mapping[str, NDArray[np.float64]]]:
    """Times and readings of a sensor log as ``offset_s`` counts them: dates in s from the first sample.

    Raises
    ------
    SensorError, ReadError
    """
    samples = read_sensor_text(source, options, wants_absolute=False)
    order, kept, _ = _in_order(samples.times.ns, samples.times, samples)
    first_ns = 0 if samples.times.kind == "elapsed" else int(samples.times.ns[0])
    values = {quantity: _merged(column, order, kept.size) for quantity, column in samples.values.items()}
    return (kept - first_ns) / NS_PER_S, values


class _Brought(NamedTuple):
    """Samples in order of time on the capture's clock."""

    alignment: Alignment
    values: Mapping[str, NDArray[np.float64]]
    caveats: tuple[Caveat, ...]


def _brought_together(
    samples: SensorSamples,
    capture: Capture,
    start: CaptureStart | None,
    span_ns: tuple[int, int],
    options: SensorOptions,
) -> _Brought:
    """The samples on the capture's clock, with that tested against the load where nothing sure ties the two."""
    name, offset_s = samples.provenance.file_name, options.offset_s
    zone = options.time_zone or (options.layout.time_zone if options.layout is not None else None)

    def aligned(times: SensorTimes) -> _Brought:
        alignment = align(
            times, capture, start=start, offset_s=offset_s, zone=zone, is_shared=options.is_shared, name=name
        )
        order, kept, caveats = _in_order(alignment.times_ns, times, samples)
        values = {quantity: _merged(column, order, kept.size) for quantity, column in samples.values.items()}
        notes = tuple(
            Caveat(code="sensor-local-time", message=note, weight=Weight.NOTE, metrics=SENSOR_METRICS)
            for note in alignment.notes
        )
        return _Brought(replace(alignment, times_ns=kept), values, (*caveats, *notes))

    try:
        found = _of_two_dates(samples, aligned, span_ns)
        if start is not None and start.is_guess and found.alignment.zero_ns is not None and offset_s is None:
            check_overlap(found.alignment, span_ns, name=name)
    except SensorError as error:
        # Nothing sure says when the capture was made: the load may.
        sure = (
            offset_s is not None
            or options.is_shared
            or samples.times.kind == "elapsed"
            or (start is not None and not start.is_guess)
        )
        by_load = None if sure else _by_load(samples, span_ns)
        if by_load is None:
            raise error from None
        return by_load
    if offset_s is not None and options.offset_doubt_s > 0.0:
        words = f"by order and length, over the stretches of load (to within {options.offset_doubt_s:.1f} s)"
        message = f"Sensors are aligned {words}, for nothing says when the runs were made."
        alignment = replace(found.alignment, doubt_s=options.offset_doubt_s, words=words)
        note = Caveat(code="sensor-clocks-by-load", message=message, weight=Weight.NOTE, metrics=SENSOR_METRICS)
        return _Brought(alignment, found.values, (*found.caveats, note))
    if offset_s is not None or found.alignment.doubt_s == 0.0:
        return found
    return _tested(found, samples, start, span_ns, is_shared=options.is_shared)


def _of_two_dates(
    samples: SensorSamples, aligned: Callable[[SensorTimes], _Brought], span_ns: tuple[int, int]
) -> _Brought:
    """Of dates that can be read in two ways, the one of which the log and the capture have time in common."""
    times, name = samples.times, samples.provenance.file_name
    if times.other_ns is None:
        return aligned(times)
    fitting = []
    for ns in (times.ns, times.other_ns):
        brought = aligned(replace(times, ns=ns, other_ns=None))
        first, last = int(brought.alignment.times_ns[0]), int(brought.alignment.times_ns[-1])
        if min(last, span_ns[1]) > max(first, span_ns[0]):
            fitting.append(brought)
    read = [utc_text(int(ns[0]))[:10] for ns in (times.ns, times.other_ns)]
    if len(fitting) != 1 or (fitting[0].alignment.recorded_from_utc is None and fitting[0].alignment.zero_ns is None):
        raise SensorError.at(
            name,
            f"its first date is {read[0]} or {read[1]}: nothing tells the day from the month",
            column=times.column,
            helps="write dates as 2026-11-25T09:00:00",
        )
    note = f"The dates of the sensor log can be read in two ways, from {read[0]} or from {read[1]}: the capture tells."
    return fitting[0]._replace(
        caveats=(
            *fitting[0].caveats,
            Caveat(code="sensor-date-order", message=note, weight=Weight.NOTE, metrics=SENSOR_METRICS),
        )
    )


def _by_load(samples: SensorSamples, span_ns: tuple[int, int]) -> _Brought | None:
    """The samples with the one stretch of load that is as long as the capture laid over it."""
    order, kept, caveats = _in_order(samples.times.ns, samples.times, samples)
    values = {quantity: _merged(column, order, kept.size) for quantity, column in samples.values.items()}
    place = place_of((kept - kept[0]) / 1e9, values, (span_ns[1] - span_ns[0]) / 1e9)
    if place is None:
        return None
    words = f"by its load: one stretch of load is as long as the capture (to within {place.doubt_s:.1f} s)"
    times_ns = kept - kept[0] - round(place.start_s * 1e9) + span_ns[0]
    alignment = Alignment(times_ns=times_ns, words=words, recorded_from_utc=None, doubt_s=place.doubt_s)
    message = f"Sensors are aligned {words}, for nothing says when it was made."
    return _Brought(
        alignment,
        values,
        (*caveats, Caveat(code="sensor-clocks-by-load", message=message, weight=Weight.CARE, metrics=SENSOR_METRICS)),
    )


def _tested(
    found: _Brought, samples: SensorSamples, start: CaptureStart | None, span_ns: tuple[int, int], *, is_shared: bool
) -> _Brought:
    """An alignment that nothing sure says, held against the load's rise: confirmed, in doubt, or contradicted."""
    alignment = found.alignment
    span_s = (0.0, (span_ns[1] - span_ns[0]) / 1e9)
    seen = seen_load((alignment.times_ns - span_ns[0]) / 1e9, found.values, span_s)
    guess = start is not None and start.is_guess and not alignment.started_together
    if guess and (seen.waits_within or (is_shared and seen.state == "unknown")):
        seen = Seen("contradicted")
    doubt_s = 0.0 if seen.state == "confirmed" and not guess else alignment.doubt_s
    weight, said = Weight.NOTE, "the load's rise or fall confirms it"
    if seen.state == "unknown":
        said = f"nothing in the log confirms it, so it may be off by {doubt_s:g} s"
    elif seen.state == "contradicted":
        if guess:
            by_load = None if is_shared else _by_load(samples, span_ns)
            if by_load is not None:
                return by_load
            raise SensorError.at(
                samples.provenance.file_name,
                f"its load does not begin and end with the capture, if that is aligned {alignment.words}",
                helps="give --recorded-from or --sensor-offset (in a plan: recorded_from, sensor_offset_s)",
            )
        doubt_s, weight = max(abs(seen.apart_s), doubt_s), Weight.CARE
        edge = "first" if seen.apart_s > 0 else "last"
        said = (
            f"but the card waits in the {edge} {abs(seen.apart_s):.1f} s of the capture: if the clocks are apart, give "
            f"--sensor-offset {seen.apart_s:.1f} (in a plan: sensor_offset_s)"
        )
    if seen.state == "unknown" and start is not None and not start.is_guess:
        weight = Weight.CARE
    message = f"Sensors are aligned {alignment.words}; {said}."
    if guess:
        caveat = Caveat(code="sensor-clocks-guessed", message=message, metrics=SENSOR_METRICS)
    else:
        caveat = Caveat(code="sensor-clocks-assumed", message=message, weight=weight, metrics=SENSOR_METRICS)
    return _Brought(replace(alignment, doubt_s=doubt_s), found.values, (*found.caveats, caveat))


def _span_ns(capture: Capture) -> tuple[int, int]:
    column = capture.frames.column(TIME_COLUMN)
    return column[0].as_py(), column[len(column) - 1].as_py()


def _in_order(
    times_ns: NDArray[np.int64], times: SensorTimes, samples: SensorSamples
) -> tuple[NDArray[np.int64], NDArray[np.int64], tuple[Caveat, ...]]:
    """Place of each sample among the times kept, those times, and what had to be done for them to rise.

    Samples at one time are averaged. Single rows that come late are put in order; a clock that jumps back makes the
    time of every later sample doubtful, and is refused.
    """
    caveats = []
    steps = np.diff(times_ns)
    if (steps < 0).any():
        late = times_ns < np.maximum.accumulate(times_ns)
        begins = np.flatnonzero(np.diff(late.astype(np.int8), prepend=0) == 1)
        longest = int(np.diff(np.append(np.flatnonzero(~late), late.size)).max()) - 1
        largest_ns = -int(steps.min())
        small = largest_ns <= 2.0 * float(np.median(np.diff(np.unique(times_ns))))
        if not small and (longest > _MOST_LATE or np.count_nonzero(late) > max(_FEW_LATE * late.size, 1)):
            raise SensorError.at(
                samples.provenance.file_name,
                f"the clock jumps back by {largest_ns / 1e9:.3g} s",
                line=samples.back_line,
                column=times.column,
                helps="cut the log there, and give the part that belongs to the capture",
            )
        message = counted(int(begins.size), "sample came late and was", "samples came late and were")
        caveats.append(
            Caveat(
                code="sensor-order",
                message=f"{message} put in order of time.",
                weight=Weight.NOTE,
                metrics=SENSOR_METRICS,
            )
        )
    kept, order = np.unique(times_ns, return_inverse=True)
    if kept.size < times_ns.size:
        count = times_ns.size - kept.size
        often = count > 0.2 * times_ns.size
        if often:
            _refuse_two_cards(np.asarray(order), samples)
        message = counted(count, "sample has", "samples have") + " the time of another; the mean is used."
        caveats.append(
            Caveat(
                code="sensor-equal-times",
                message=message,
                weight=Weight.CARE if often else Weight.NOTE,
                metrics=SENSOR_METRICS,
            )
        )
    return np.asarray(order, dtype=np.int64), kept, tuple(caveats)


def _refuse_two_cards(order: NDArray[np.int64], samples: SensorSamples) -> None:
    """Refuse rows of equal times whose readings lie further apart than a card's from one time to the next."""
    pairs = np.flatnonzero(np.diff(order) == 0)
    for column in samples.values.values():
        apart = np.abs(column[pairs + 1] - column[pairs])
        along = np.abs(np.diff(column[pairs]))
        apart, along = apart[np.isfinite(apart)], along[np.isfinite(along)]
        if apart.size > 2 and along.size and float(np.median(apart)) > 5.0 * float(np.median(along)):
            raise SensorError.at(
                samples.provenance.file_name,
                "two rows stand for each time, with readings far apart: they are of two cards, or two sources",
                helps='name the column that tells them apart in a sensor layout, device_column = "NAME", and choose '
                "one with --sensor-device (in a plan: sensor_device)",
            )


_MOST_LATE: Final = 3
_FEW_LATE: Final = 0.05
"""So many rows in a row, and such a share of all, may come late (common practice, no source)."""


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


def _coverage_caveats(covered: float, times_ns: NDArray[np.int64], span_ns: tuple[int, int]) -> tuple[Caveat, ...]:
    caveats = []
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
    choice = choose_sensor_columns(named, style=told_style(Layout.from_toml(parsed.layout_toml, "layout")) or POINT)
    if not choice.columns:
        return None
    style = told_style(Layout.from_toml(parsed.layout_toml, "layout")) or POINT
    values, caveats = {}, [replace(caveat, weight=Weight.NOTE) for caveat in choice.caveats]
    for column in choice.columns:
        found = readings(table.column(column.column.name), column, style)
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
