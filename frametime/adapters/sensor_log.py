"""Sensor logs: delimited text with one row a sample, brought onto the clock of the capture they belong to."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, BinaryIO, Final

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.sensor_clock import (
    SensorTimes,
    align,
    capture_start,
    check_overlap,
    utc_ns,
    with_zone,
    zone_named,
)
from frametime.adapters.sensor_layout import SensorLayout
from frametime.capture import TIME_COLUMN, Capture, Provenance, SensorTrace
from frametime.caveats import Caveat, Weight
from frametime.errors import SensorError
from frametime.words import counted

if TYPE_CHECKING:
    import pyarrow as pa

COVERED_ENOUGH: Final = 0.95
"""Share of a capture that its samples must cover, else a caveat (common practice, no source)."""

LONG_GAP_S: Final = 2.0
LONG_GAP_STEPS: Final = 5.0
"""A hole between samples that is longer than both is told (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class SensorOptions:
    """How a sensor log is to be read and brought together with its capture.

    Attributes
    ----------
    layout : SensorLayout or None
        What the log leaves open, stated by the user; it wins over anything found in the log.
    offset_s : float or None
        Sensor clock minus capture clock, in s; wins over absolute times.
    time_zone : str or None
        Of dates that name none: ``UTC``, ``+02:00`` or a name such as ``Europe/Berlin``. Never guessed.
    device : str or None
        Card to read, where the log holds several.
    recorded_from : str or None
        Absolute time at which the capture's clock stood at 0: ISO 8601 with a zone.
    """

    layout: SensorLayout | None = None
    offset_s: float | None = None
    time_zone: str | None = None
    device: str | None = None
    recorded_from: str | None = None

    def __post_init__(self) -> None:
        if self.offset_s is not None and not (math.isfinite(self.offset_s) and abs(self.offset_s) < 1e9):
            raise ValueError(f"offset_s must be a number of seconds, got {self.offset_s!r}")
        if self.time_zone is not None:
            zone_named(self.time_zone)
        if self.recorded_from is not None:
            utc_ns(self.recorded_from)

    def stated(self) -> dict[str, str]:
        """The options that are not at their default, as texts."""
        given = {
            "sensor_offset_s": self.offset_s,
            "sensor_time_zone": self.time_zone,
            "sensor_device": self.device,
            "recorded_from": self.recorded_from,
            "sensor_layout": None if self.layout is None else self.layout.to_toml(),
        }
        return {key: str(value) for key, value in given.items() if value is not None}


_DEFAULT_OPTIONS: Final = SensorOptions()


@dataclass(frozen=True, kw_only=True, eq=False)
class SensorSamples:
    """The samples of one card as they stand in a log, on the log's own clock.

    Attributes
    ----------
    times : SensorTimes
        One for each sample, in the order of the rows.
    values : Mapping of str to ndarray of float64
        Quantity to readings, NaN where a cell could not be used.
    provenance : Provenance
    caveats : tuple of Caveat
    largest_back : tuple of int, or None
        Largest step back of the clock in ns, and the line after it.
    """

    times: SensorTimes
    values: Mapping[str, NDArray[np.float64]]
    provenance: Provenance
    caveats: tuple[Caveat, ...]
    largest_back: tuple[int, int] | None


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
    from frametime.adapters.sensor_text import read_sensor_text

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


SENSOR_METRICS: Final = (
    "average_power_w",
    "peak_power_w",
    "energy_per_frame_j",
    "frames_per_joule",
    "time_at_power_limit_fraction",
    "average_temperature_c",
    "peak_temperature_c",
    "end_temperature_c",
    "time_above_temperature_limit_fraction",
    "average_core_clock_mhz",
    "min_core_clock_mhz",
    "core_clock_sd_mhz",
    "average_memory_clock_mhz",
    "throttling_count",
    "throttling_time_fraction",
    "utilization_under_90pct_fraction",
)
"""Keys of the metrics that rest on sensor samples."""


def sample_table(times_ns: NDArray[np.int64], values: Mapping[str, NDArray[np.float64]]) -> pa.Table:
    """Samples as the capture keeps them: their times, and a column for each quantity."""
    import pyarrow as pa

    from frametime.adapters.arrow_columns import arrow_int64
    from frametime.capture import SENSOR_COLUMNS

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
