"""Samples of the card on a capture's clock: those of a sensor log, and those in a frame log's own columns."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow.arrow_columns import arrow_array, numpy_of, table_of
from frametime.adapters.base import ParsedLog
from frametime.adapters.capture_start import capture_start
from frametime.adapters.sensors.sensor_alignment import brought_together, check_overlap
from frametime.adapters.sensors.sensor_columns import choose_sensor_columns, readings
from frametime.adapters.sensors.sensor_log import SENSORS_UNUSABLE, SensorOptions, long_gap_s, sensor_caveat
from frametime.adapters.sensors.sensor_reader import Readings, read_sensor_text
from frametime.adapters.stored_log import Source
from frametime.capture import SENSOR_COLUMNS, TIME_COLUMN, Capture, Provenance, SensorTrace
from frametime.caveats import Caveat, Weight
from frametime.errors import FrametimeError, printable
from frametime.units import NS_PER_S

_DEFAULT_OPTIONS: Final = SensorOptions()
_COVERED_ENOUGH: Final = 0.95
"""Share of a capture that its samples must cover, else a caveat (common practice, no source)."""


def attach_sensors(capture: Capture, source: Source, *, options: SensorOptions = _DEFAULT_OPTIONS) -> Capture:
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
    stamps = capture.frames.column(TIME_COLUMN)
    span_ns = (stamps[0].as_py(), stamps[len(stamps) - 1].as_py())
    start = capture_start(capture, options.recorded_from, trusts_file_time=options.trusts_file_time)
    known = start is not None and not start.is_guess
    samples = read_sensor_text(source, options, wants_absolute=known and options.offset_s is None)
    samples = brought_together(samples, capture.provenance.file_name, start, span_ns, options)
    times_ns = samples.ns
    covered = check_overlap(samples, span_ns)
    # A few samples on either side carry the ends.
    doubt_ns = round(samples.doubt_s * NS_PER_S)
    first = max(int(np.searchsorted(times_ns, span_ns[0] - doubt_ns, side="right")) - 3, 0)
    near = slice(first, int(np.searchsorted(times_ns, span_ns[1] + doubt_ns)) + 3)
    evidence = (*samples.provenance.evidence, f"clocks: {samples.words}")
    about = replace(samples.provenance, evidence=evidence, options=options.stated())
    values = {quantity: column[near] for quantity, column in samples.values.items()}
    trace = _trace(times_ns[near], values, samples.words, about, samples.caveats)
    more = _coverage_caveats(covered, times_ns, span_ns)
    return replace(capture, sensors=replace(trace, caveats=(*trace.caveats, *more), clock_doubt_s=samples.doubt_s))


def with_sensors(
    capture: Capture, source: Source, *, options: SensorOptions = _DEFAULT_OPTIONS, weight: Weight = Weight.CARE
) -> Capture:
    """`attach_sensors`; a log that cannot be used takes away its own numbers alone, with a caveat that says why."""
    try:
        return attach_sensors(capture, source, options=options)
    except (FrametimeError, OSError) as error:
        why = printable(str(error), limit=1000)
    message = f"No sensor numbers: {why}"
    return replace(capture, caveats=(*capture.caveats, sensor_caveat(SENSORS_UNUSABLE, message, weight)))


def _coverage_caveats(covered: float, times_ns: NDArray[np.int64], span_ns: tuple[int, int]) -> list[Caveat]:
    """That samples cover a part of the capture only, and the longest hole between them within it."""
    times_s, end_s = (times_ns - span_ns[0]) / 1e9, (span_ns[1] - span_ns[0]) / 1e9
    caveats = []
    if covered < _COVERED_ENOUGH:
        part = f"{100.0 * covered:.1f} % of the capture ({times_s[0]:.1f} to {times_s[-1]:.1f} s of {end_s:.1f} s)"
        message = f"The sensor log covers {part}; sensor numbers are of that part only."
        caveats.append(sensor_caveat("sensors-cover-part", message))
    # Samples that overlap the capture are two or more.
    inside_s = np.diff(np.clip(times_s, 0.0, end_s))
    usual_s, worst = float(np.median(np.diff(times_s))), int(np.argmax(inside_s))
    if inside_s[worst] > long_gap_s(usual_s):
        gap = f"from {times_s[worst]:.1f} to {times_s[worst + 1]:.1f} s of the capture (usual step {usual_s:.2f} s)"
        message = f"The sensor log has no sample {gap}; readings are taken to change evenly across that gap."
        caveats.append(sensor_caveat("sensor-gap", message))
    return caveats


def _trace(
    times_ns: NDArray[np.int64], values: Readings, alignment: str, about: Provenance, caveats: tuple[Caveat, ...]
) -> SensorTrace:
    """Samples as the capture keeps them, and how many cells hold no number: a care from one in twenty on."""
    arrays = {name: arrow_array(column, np.isfinite(column)) for name, column in values.items()}
    missing = {quantity: int(np.isnan(column).sum()) for quantity, column in values.items()}
    if most := max(missing.values()):
        listed = ", ".join(f"{quantity} {count} of {times_ns.size}" for quantity, count in missing.items() if count)
        message = f"Cells without a usable number, left out (not taken as 0): {listed}."
        weight = Weight.CARE if most > 0.05 * times_ns.size else Weight.NOTE
        caveats = (*caveats, sensor_caveat("sensor-cells-missing", message, weight))
    samples = table_of({"time_ns": arrow_array(times_ns), **arrays}, SENSOR_COLUMNS)
    return SensorTrace(samples=samples, alignment=alignment, provenance=about, missing_counts=missing, caveats=caveats)


def own_sensors(parsed: ParsedLog, provenance: Provenance) -> SensorTrace | None:
    """The samples in a frame log's own columns, one a frame; ``None`` where there are none.

    Only columns whose name speaks for a quantity are read. The log must still be open.
    """
    chosen, found = choose_sensor_columns(parsed.other_columns)
    if parsed.read_columns is None or not chosen:
        return None
    caveats = [replace(caveat, weight=Weight.NOTE) for caveat in found]
    table = parsed.read_columns([column.fact.name for column in chosen])
    # Where the first frame began there may be no row of the log, so no sample either.
    first = int(not table.column(0)[0].is_valid)
    values = {}
    for column in chosen:
        values[column.quantity], more = readings(table.column(column.fact.name).slice(first), column)
        caveats += more
    times_ns = np.asarray(numpy_of(parsed.frames.column(TIME_COLUMN)), dtype=np.int64)[first:]
    about = replace(provenance, evidence=tuple(column.evidence for column in chosen))
    return _trace(times_ns, values, "the sensors stand in the rows of the frame log", about, tuple(caveats))
