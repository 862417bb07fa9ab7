"""Samples in order of time on the clock of a capture, and that clock tested against the load."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.clocks.capture_start import CaptureStart, utc_text
from frametime.adapters.clocks.sensor_clock import Alignment, SensorTimes, align, check_overlap
from frametime.adapters.sensors.sensor_load import Seen, place_of, seen_load
from frametime.adapters.sensors.sensor_log import (
    SENSOR_METRICS,
    SensorOptions,
    SensorSamples,
)
from frametime.adapters.sensors.sensor_text import read_sensor_text
from frametime.capture import Capture
from frametime.caveats import Caveat, Weight
from frametime.errors import SensorError
from frametime.units import NS_PER_S
from frametime.words import counted


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
    first_ns = 0 if samples.times.kind in ("elapsed", "time of day") else int(samples.times.ns[0])
    values = {quantity: _merged(column, order, kept.size) for quantity, column in samples.values.items()}
    return (kept - first_ns) / NS_PER_S, values


class Brought(NamedTuple):
    """Samples in order of time on the capture's clock."""

    alignment: Alignment
    values: Mapping[str, NDArray[np.float64]]
    caveats: tuple[Caveat, ...]


def brought_together(
    samples: SensorSamples,
    capture: Capture,
    start: CaptureStart | None,
    span_ns: tuple[int, int],
    options: SensorOptions,
) -> Brought:
    """The samples on the capture's clock, with that tested against the load where nothing sure ties the two."""
    name, offset_s = samples.provenance.file_name, options.offset_s
    zone = options.time_zone or (options.layout.time_zone if options.layout is not None else None)

    def aligned(times: SensorTimes) -> Brought:
        alignment = align(
            times, capture, start=start, offset_s=offset_s, zone=zone, is_shared=options.is_shared, name=name
        )
        order, kept, caveats = _in_order(alignment.times_ns, times, samples)
        values = {quantity: _merged(column, order, kept.size) for quantity, column in samples.values.items()}
        notes = tuple(
            Caveat(code="sensor-local-time", message=note, weight=Weight.NOTE, metrics=SENSOR_METRICS)
            for note in alignment.notes
        )
        return Brought(replace(alignment, times_ns=kept), values, (*caveats, *notes))

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
        return Brought(alignment, found.values, (*found.caveats, note))
    if offset_s is not None or found.alignment.doubt_s == 0.0:
        return found
    return _tested(found, samples, start, span_ns, is_shared=options.is_shared)


def _of_two_dates(
    samples: SensorSamples, aligned: Callable[[SensorTimes], Brought], span_ns: tuple[int, int]
) -> Brought:
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


def _by_load(samples: SensorSamples, span_ns: tuple[int, int]) -> Brought | None:
    """The samples with the one stretch of load that is as long as the capture laid over it."""
    order, kept, caveats = _in_order(samples.times.ns, samples.times, samples)
    values = {quantity: _merged(column, order, kept.size) for quantity, column in samples.values.items()}
    place = place_of((kept - kept[0]) / 1e9, values, (span_ns[1] - span_ns[0]) / 1e9)
    if place is None:
        return None
    words = f"by the load: one stretch of load is as long as the capture (to within {place.doubt_s:.1f} s)"
    times_ns = kept - kept[0] - round(place.start_s * 1e9) + span_ns[0]
    alignment = Alignment(times_ns=times_ns, words=words, recorded_from_utc=None, doubt_s=place.doubt_s)
    message = f"Sensors are aligned {words}, for nothing says when the capture was made."
    return Brought(
        alignment,
        values,
        (*caveats, Caveat(code="sensor-clocks-by-load", message=message, weight=Weight.CARE, metrics=SENSOR_METRICS)),
    )


def _tested(
    found: Brought, samples: SensorSamples, start: CaptureStart | None, span_ns: tuple[int, int], *, is_shared: bool
) -> Brought:
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
    return Brought(replace(alignment, doubt_s=doubt_s), found.values, (*found.caveats, caveat))


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
