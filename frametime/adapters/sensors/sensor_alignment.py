"""Samples in order of time on the clock of a capture, and that clock tested against the load."""

from __future__ import annotations

import os
from collections.abc import Mapping
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.clocks.capture_start import CaptureStart, utc_text
from frametime.adapters.sensors.quantities import sensor_caveat
from frametime.adapters.sensors.sensor_clock import Alignment, align, check_overlap
from frametime.adapters.sensors.sensor_load import Seen, place_of, seen_load
from frametime.adapters.sensors.sensor_log import CLOCKS_GUESSED, SensorOptions
from frametime.adapters.sensors.sensor_reader import SensorSamples
from frametime.adapters.sensors.sensor_text import read_sensor_text
from frametime.caveats import Caveat, Weight
from frametime.errors import SensorError
from frametime.units import NS_PER_S
from frametime.words import counted

_MOST_LATE: Final = 3
_FEW_LATE: Final = 0.05
"""So many rows in a row, and such a share of all, may come late (common practice, no source)."""


def samples_in_order(
    source: str | os.PathLike[str], options: SensorOptions
) -> tuple[NDArray[np.float64], Mapping[str, NDArray[np.float64]]]:
    """Times and readings of a sensor log as ``offset_s`` counts them: dates in s from the first sample.

    Raises
    ------
    SensorError, ReadError
    """
    samples = read_sensor_text(source, options, wants_absolute=False)
    ordered = _in_order(Alignment(samples.ns, ""), samples)
    first_ns = 0 if samples.kind in ("elapsed", "time of day") else int(samples.ns[0])
    return (ordered.alignment.times_ns - first_ns) / NS_PER_S, ordered.values


class Brought(NamedTuple):
    """Samples in order of time on the capture's clock."""

    alignment: Alignment
    values: Mapping[str, NDArray[np.float64]]
    caveats: tuple[Caveat, ...]

    def told(self, code: str, message: str, weight: Weight = Weight.CARE) -> Brought:
        """The same, with one caveat more."""
        return self._replace(caveats=(*self.caveats, sensor_caveat(code, message, weight)))


def brought_together(
    samples: SensorSamples, capture: str, start: CaptureStart | None, span_ns: tuple[int, int], options: SensorOptions
) -> Brought:
    """The samples on the capture's clock, with that tested against the load where nothing sure ties the two.

    Raises
    ------
    SensorError
        If nothing ties the clocks together, or what does contradicts the load.
    """
    is_guess = start is not None and start.is_guess
    try:
        samples, note = _of_two_dates(samples, start, options)
        alignment = align(samples, capture, start, options)
        found = _in_order(alignment, samples)
        if note:
            found = found.told("sensor-date-order", note, Weight.NOTE)
        if alignment.note:
            found = found.told("sensor-local-time", alignment.note, Weight.NOTE)
        if is_guess and alignment.zero_ns is not None and options.offset_s is None:
            check_overlap(found.alignment, span_ns, name=samples.name)
    except SensorError:
        # Nothing sure says when the capture was made: the load may.
        sure = (
            options.offset_s is not None or options.is_shared or samples.kind == "elapsed" or (start and not is_guess)
        )
        by_load = None if sure else _by_load(samples, span_ns)
        if by_load is None:
            raise
        return by_load
    if options.offset_s is not None and options.offset_doubt_s > 0.0:
        words = f"by order and length, over the stretches of load (to within {options.offset_doubt_s:.1f} s)"
        found = found._replace(alignment=found.alignment._replace(doubt_s=options.offset_doubt_s, words=words))
        message = f"Sensors are aligned {words}, for nothing says when the runs were made."
        return found.told("sensor-clocks-by-load", message, Weight.NOTE)
    if options.offset_s is not None or alignment.doubt_s == 0.0:
        return found
    return _tested(found, samples, start, span_ns, is_shared=options.is_shared)


def _of_two_dates(
    samples: SensorSamples, start: CaptureStart | None, options: SensorOptions
) -> tuple[SensorSamples, str]:
    """Of dates that can be read in two ways, the one on a day of which the capture was made, and a note."""
    if samples.other_ns is None or options.offset_s is not None:
        return samples, ""
    day_ns = 86_400 * NS_PER_S
    ways = (samples.ns, samples.other_ns)
    fitting = [ns for ns in ways if start and int(ns[0]) - day_ns < start.ns < int(ns[-1]) + day_ns]
    first, second = (utc_text(int(ns[0]))[:10] for ns in ways)
    if len(fitting) != 1:
        raise SensorError.at(
            samples.name,
            f"its first date is {first} or {second}: nothing tells the day from the month",
            column=samples.column,
            helps="write dates as 2026-11-25T09:00:00",
        )
    note = f"The dates of the sensor log can be read in two ways, from {first} or from {second}: the capture tells."
    return samples._replace(ns=fitting[0], other_ns=None), note


def _by_load(samples: SensorSamples, span_ns: tuple[int, int]) -> Brought | None:
    """The samples with the one stretch of load that is as long as the capture laid over it."""
    found = _in_order(Alignment(samples.ns, ""), samples)
    times_ns = found.alignment.times_ns - found.alignment.times_ns[0]
    place = place_of(times_ns / 1e9, found.values, (span_ns[1] - span_ns[0]) / 1e9)
    if place is None:
        return None
    words = f"by the load: one stretch of load is as long as the capture (to within {place.doubt_s:.1f} s)"
    alignment = Alignment(times_ns - round(place.start_s * 1e9) + span_ns[0], words, doubt_s=place.doubt_s)
    message = f"Sensors are aligned {words}, for nothing says when the capture was made."
    return found._replace(alignment=alignment).told("sensor-clocks-by-load", message)


def _tested(
    found: Brought, samples: SensorSamples, start: CaptureStart | None, span_ns: tuple[int, int], *, is_shared: bool
) -> Brought:
    """An alignment that nothing sure says, held against the load's rise: confirmed, in doubt, or contradicted."""
    alignment, doubt_s = found.alignment, found.alignment.doubt_s
    span_s = (0.0, (span_ns[1] - span_ns[0]) / 1e9)
    seen = seen_load((alignment.times_ns - span_ns[0]) / 1e9, found.values, span_s)
    # Without a time of zero both clocks are taken to have started together, whatever the file says.
    guess = start is not None and start.is_guess and alignment.zero_ns is not None
    if guess and (seen.waits_within or (is_shared and seen.state == "unknown")):
        seen = Seen("contradicted")
    if guess and seen.state == "contradicted":
        by_load = None if is_shared else _by_load(samples, span_ns)
        if by_load is not None:
            return by_load
        raise SensorError.at(
            samples.name,
            f"its load does not begin and end with the capture, if that is aligned {alignment.words}",
            helps="give --recorded-from or --sensor-offset (in a plan: recorded_from, sensor_offset_s)",
        )
    weight, said = Weight.NOTE, "the load's rise or fall confirms it"
    if seen.state == "confirmed" and not guess:
        doubt_s = 0.0
    elif seen.state == "unknown":
        said = f"nothing in the log confirms it, so it may be off by {doubt_s:g} s"
        weight = Weight.NOTE if start is None or start.is_guess else Weight.CARE
    elif seen.state == "contradicted":
        doubt_s, weight = max(abs(seen.apart_s), doubt_s), Weight.CARE
        edge = "first" if seen.apart_s > 0 else "last"
        said = (
            f"but the card waits in the {edge} {abs(seen.apart_s):.1f} s of the capture: if the clocks are apart, give "
            f"--sensor-offset {seen.apart_s:.1f} (in a plan: sensor_offset_s)"
        )
    code, weight = (CLOCKS_GUESSED, Weight.CARE) if guess else ("sensor-clocks-assumed", weight)
    found = found._replace(alignment=alignment._replace(doubt_s=doubt_s))
    return found.told(code, f"Sensors are aligned {alignment.words}; {said}.", weight)


def _in_order(alignment: Alignment, samples: SensorSamples) -> Brought:
    """Samples of which each has a later time than the one before, and what had to be done for that.

    Samples at one time are averaged. Single rows that come late are put in order; a clock that jumps back makes the
    time of every later sample doubtful, and is refused.
    """
    times_ns, caveats = alignment.times_ns, []
    steps = np.diff(times_ns)
    if (steps < 0).any():
        late = times_ns < np.maximum.accumulate(times_ns)
        begins = int(np.count_nonzero(np.diff(late.astype(np.int8), prepend=0) == 1))
        longest = int(np.diff(np.append(np.flatnonzero(~late), late.size)).max()) - 1
        largest_ns = -int(steps.min())
        small = largest_ns <= 2.0 * float(np.median(np.diff(np.unique(times_ns))))
        if not small and (longest > _MOST_LATE or np.count_nonzero(late) > max(_FEW_LATE * late.size, 1)):
            raise SensorError.at(
                samples.name,
                f"the clock jumps back by {largest_ns / 1e9:.3g} s",
                line=samples.back_line,
                column=samples.column,
                helps="cut the log there, and give the part that belongs to the capture",
            )
        message = counted(begins, "sample came late and was", "samples came late and were") + " put in order of time."
        caveats.append(sensor_caveat("sensor-order", message, Weight.NOTE))
    kept, order = np.unique(times_ns, return_inverse=True)
    if count := times_ns.size - kept.size:
        often = count > 0.2 * times_ns.size
        if often:
            _refuse_two_cards(order, samples)
        message = counted(count, "sample has", "samples have") + " the time of another; the mean is used."
        caveats.append(sensor_caveat("sensor-equal-times", message, Weight.CARE if often else Weight.NOTE))
    values = {quantity: _merged(column, order, kept.size) for quantity, column in samples.values.items()}
    return Brought(alignment._replace(times_ns=kept), values, tuple(caveats))


def _refuse_two_cards(order: NDArray[np.int64], samples: SensorSamples) -> None:
    """Refuse rows of equal times whose readings lie further apart than a card's from one time to the next."""
    pairs = np.flatnonzero(np.diff(order) == 0)
    for column in samples.values.values():
        apart, along = np.abs(column[pairs + 1] - column[pairs]), np.abs(np.diff(column[pairs]))
        apart, along = apart[np.isfinite(apart)], along[np.isfinite(along)]
        if apart.size > 2 and along.size and float(np.median(apart)) > 5.0 * float(np.median(along)):
            raise SensorError.at(
                samples.name,
                "two rows stand for each time, with readings far apart: they are of two cards, or two sources",
                helps='name the column that tells them apart in a sensor layout, device_column = "NAME", and choose '
                "one with --sensor-device (in a plan: sensor_device)",
            )


def _merged(column: NDArray[np.float64], order: NDArray[np.int64], size: int) -> NDArray[np.float64]:
    usable = np.isfinite(column)
    counts = np.bincount(order[usable], minlength=size)
    sums = np.bincount(order[usable], weights=column[usable], minlength=size)
    return np.asarray(np.where(counts > 0, sums / np.maximum(counts, 1), np.nan), dtype=np.float64)
