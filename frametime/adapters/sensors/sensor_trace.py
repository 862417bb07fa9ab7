"""Samples of the card on a capture's clock: those of a sensor log, and those in a frame log's own columns.

Those of a log are put in order of time, and the clock is tested against the load.
"""

from __future__ import annotations

import math
import os
from dataclasses import replace
from datetime import timedelta, tzinfo
from types import EllipsisType
from typing import Final, Literal, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow.arrow_columns import arrow_array, numpy_of, table_of
from frametime.adapters.base import ParsedLog
from frametime.adapters.capture_start import EPOCH, CaptureStart, capture_start, utc_text
from frametime.adapters.sensors import sensor_log as log
from frametime.adapters.sensors.sensor_log import CLOCKS_GUESSED, SENSORS_UNUSABLE, SensorOptions, sensor_caveat
from frametime.adapters.sensors.sensor_reader import Readings, SensorSamples, read_sensor_text
from frametime.adapters.stored_log import Source
from frametime.adapters.text.cells import DAY_NS
from frametime.capture import SENSOR_COLUMNS, TIME_COLUMN, Capture, Provenance, SensorTrace
from frametime.caveats import Caveat, Weight
from frametime.errors import FrametimeError, SensorError, printable
from frametime.units import NS_PER_S, zone_named
from frametime.words import counted

Span: TypeAlias = tuple[int, int]
"""Start and end of a capture on its clock, in ns."""
_MOST_LATE: Final = 3
_FEW_LATE: Final = 0.05
"""So many rows in a row, and such a share of all, may come late (common practice, no source)."""


def samples_in_order(source: str | os.PathLike[str], options: SensorOptions) -> tuple[NDArray[np.float64], Readings]:
    """Times and readings of a sensor log as ``offset_s`` counts them: dates in s from the first sample.

    Raises
    ------
    SensorError, ReadError
    """
    samples = read_sensor_text(source, options, wants_absolute=False)
    ordered = _in_order(samples)
    first_ns = 0 if samples.kind in ("elapsed", "time of day") else int(samples.ns[0])
    return (ordered.ns - first_ns) / NS_PER_S, ordered.values


def brought_together(
    samples: SensorSamples, capture: str, start: CaptureStart | None, span_ns: Span, options: SensorOptions
) -> SensorSamples:
    """The samples on the capture's clock, with that tested against the load where nothing sure ties the two.

    Raises
    ------
    SensorError
        If nothing ties the clocks together, or what does contradicts the load.
    """
    is_guess, is_told = start is not None and start.is_guess, options.offset_s is not None
    try:
        found = _in_order(align(_of_two_dates(samples, start, options), capture, start, options))
        if is_guess and found.zero_ns is not None and not is_told:
            check_overlap(found, span_ns, is_guess=True)
    except SensorError:
        # Nothing sure says when the capture was made: the load may.
        sure = is_told or options.is_shared or samples.kind == "elapsed" or (start and not is_guess)
        if (by_load := None if sure else _by_load(samples, span_ns)) is None:
            raise
        return by_load
    if is_told and options.offset_doubt_s > 0.0:
        words = f"by order and length, over the stretches of load (to within {options.offset_doubt_s:.1f} s)"
        return _told_by_load(found._replace(doubt_s=options.offset_doubt_s, words=words), Weight.NOTE, "the runs were")
    return found if is_told or found.doubt_s == 0.0 else _tested(found, samples, start, span_ns, options)


def _of_two_dates(samples: SensorSamples, start: CaptureStart | None, options: SensorOptions) -> SensorSamples:
    """Of dates that can be read in two ways, the one on a day of which the capture was made, with a note."""
    if samples.other_ns is None or options.offset_s is not None:
        return samples
    ways = (samples.ns, samples.other_ns)
    fitting = [ns for ns in ways if start and int(ns[0]) - DAY_NS < start.ns < int(ns[-1]) + DAY_NS]
    first, second = (utc_text(int(ns[0]))[:10] for ns in ways)
    if len(fitting) != 1:
        found = f"its first date is {first} or {second}: nothing tells the day from the month"
        raise SensorError.at(samples.name, found, column=samples.column, helps="write dates as 2026-11-25T09:00:00")
    note = f"The dates of the sensor log can be read in two ways, from {first} or from {second}: the capture tells."
    return samples._replace(ns=fitting[0], other_ns=None).told("sensor-date-order", note, Weight.NOTE)


def _by_load(samples: SensorSamples, span_ns: Span) -> SensorSamples | None:
    """The samples with the one stretch of load that is as long as the capture laid over it."""
    found = _in_order(samples)
    times_ns = found.ns - found.ns[0]
    if (place := place_of(times_ns / 1e9, found.values, (span_ns[1] - span_ns[0]) / 1e9)) is None:
        return None
    words = f"by the load: one stretch of load is as long as the capture (to within {place.doubt_s:.1f} s)"
    found = found._replace(ns=times_ns - round(place.start_s * 1e9) + span_ns[0], words=words, doubt_s=place.doubt_s)
    return _told_by_load(found, Weight.CARE, "the capture was")


def _told_by_load(found: SensorSamples, weight: Weight, what_was: str) -> SensorSamples:
    message = f"Sensors are aligned {found.words}, for nothing says when {what_was} made."
    return found.told("sensor-clocks-by-load", message, weight)


def _tested(
    found: SensorSamples, samples: SensorSamples, start: CaptureStart | None, span_ns: Span, options: SensorOptions
) -> SensorSamples:
    """An alignment that nothing sure says, held against the load's rise: confirmed, in doubt, or contradicted."""
    doubt_s = found.doubt_s
    seen = seen_load((found.ns - span_ns[0]) / 1e9, found.values, (span_ns[1] - span_ns[0]) / 1e9)
    # Without a time of zero both clocks are taken to have started together, whatever the file says.
    guess = start is not None and start.is_guess and found.zero_ns is not None
    doubted = ("contradicted", "unknown") if options.is_shared else ("contradicted",)
    if guess and (seen.waits_within or seen.state in doubted):
        if (by_load := None if options.is_shared else _by_load(samples, span_ns)) is not None:
            return by_load
        what = f"its load does not begin and end with the capture, if that is aligned {found.words}"
        helps = "give --recorded-from or --sensor-offset (in a plan: recorded_from, sensor_offset_s)"
        raise SensorError.at(samples.name, what, helps=helps)
    weight, said = Weight.NOTE, "the load's rise or fall confirms it"
    if seen.state == "confirmed" and not guess:
        doubt_s = 0.0
    elif seen.state == "unknown":
        said = f"nothing in the log confirms it, so it may be off by {doubt_s:g} s"
        weight = Weight.NOTE if start is None or start.is_guess else Weight.CARE
    elif seen.state == "contradicted":
        doubt_s, weight = max(abs(seen.apart_s), doubt_s), Weight.CARE
        waits = f"{'first' if seen.apart_s > 0 else 'last'} {abs(seen.apart_s):.1f} s of the capture"
        option = f"--sensor-offset {seen.apart_s:.1f} (in a plan: sensor_offset_s)"
        said = f"but the card waits in the {waits}: if the clocks are apart, give {option}"
    code, weight = (CLOCKS_GUESSED, Weight.CARE) if guess else ("sensor-clocks-assumed", weight)
    return found._replace(doubt_s=doubt_s).told(code, f"Sensors are aligned {found.words}; {said}.", weight)


def _in_order(samples: SensorSamples) -> SensorSamples:
    """Samples of which each has a later time than the one before, and what had to be done for that.

    Samples at one time are averaged. Single rows that come late are put in order; a clock that jumps back makes the
    time of every later sample doubtful, and is refused.
    """
    times_ns, told = samples.ns, samples
    steps = np.diff(times_ns)
    if (steps < 0).any():
        late = times_ns < np.maximum.accumulate(times_ns)
        begins = int(np.count_nonzero(np.diff(late.astype(np.int8), prepend=0) == 1))
        longest = int(np.diff(np.append(np.flatnonzero(~late), late.size)).max()) - 1
        largest_ns = -int(steps.min())
        small = largest_ns <= 2.0 * float(np.median(np.diff(np.unique(times_ns))))
        if not small and (longest > _MOST_LATE or np.count_nonzero(late) > max(_FEW_LATE * late.size, 1)):
            found = f"the clock jumps back by {largest_ns / 1e9:.3g} s"
            helps = "cut the log there, and give the part that belongs to the capture"
            raise SensorError.at(samples.name, found, line=samples.back_line, column=samples.column, helps=helps)
        message = counted(begins, "sample came late and was", "samples came late and were") + " put in order of time."
        told = told.told("sensor-order", message, Weight.NOTE)
    kept, order = np.unique(times_ns, return_inverse=True)
    if count := times_ns.size - kept.size:
        if often := count > 0.2 * times_ns.size:
            _refuse_two_cards(order, samples)
        message = counted(count, "sample has", "samples have") + " the time of another; the mean is used."
        told = told.told("sensor-equal-times", message, Weight.CARE if often else Weight.NOTE)
    values = {quantity: _merged(column, order, kept.size) for quantity, column in samples.values.items()}
    return told._replace(ns=kept, values=values)


def _refuse_two_cards(order: NDArray[np.int64], samples: SensorSamples) -> None:
    """Refuse rows of equal times whose readings lie further apart than a card's from one time to the next."""
    pairs = np.flatnonzero(np.diff(order) == 0)
    for column in samples.values.values():
        apart, along = np.abs(column[pairs + 1] - column[pairs]), np.abs(np.diff(column[pairs]))
        is_known = np.isfinite(apart).sum() > 2 and np.isfinite(along).any()
        if is_known and np.nanmedian(apart) > 5.0 * np.nanmedian(along):
            found = "two rows stand for each time, with readings far apart: they are of two cards, or two sources"
            tells = 'name the column that tells them apart in a sensor layout, device_column = "NAME"'
            helps = f"{tells}, and choose one with --sensor-device (in a plan: sensor_device)"
            raise SensorError.at(samples.name, found, helps=helps)


def _merged(column: NDArray[np.float64], order: NDArray[np.int64], size: int) -> NDArray[np.float64]:
    usable = np.isfinite(column)
    counts, sums = (np.bincount(order[usable], each, minlength=size) for each in (None, column[usable]))
    return np.asarray(np.where(counts > 0, sums / np.maximum(counts, 1), np.nan), dtype=np.float64)


def _in_utc(local_ns: NDArray[np.int64], zone: tzinfo | None, name: str) -> tuple[NDArray[np.int64], str]:
    """Local times as UTC, and the zone in words: that which was given, else that of this machine.

    Raises
    ------
    SensorError
        If the times lie in an hour that comes twice or never.
    """
    offsets = {_utc_offset_ns(int(ns), zone, fold) for ns in (local_ns.min(), local_ns.max()) for fold in (0, 1)}
    shown = "the zone of this machine" if zone is None else f"the zone {zone}"
    if len(offsets) == 1:
        offset = offsets.pop()
        minutes = abs(offset) // (60 * NS_PER_S)
        return local_ns - offset, f"{shown}, UTC{'-' if offset < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"
    # The clock changes within the log. Where it was put back an hour comes twice: the second begins at the step back.
    later = np.cumsum(np.diff(local_ns, prepend=local_ns[:1]) < -DAY_NS // 48) > 0
    both = np.array([[_utc_offset_ns(int(ns), zone, fold) for fold in (0, 1)] for ns in local_ns], dtype=np.int64)
    if (both[:, 0] != both[:, 1]).any() and not later.any():
        found = f"its dates lie in an hour that comes twice or never in {shown}"
        helps = "give an offset instead, such as --sensor-zone +02:00 (in a plan: time_zone)"
        raise SensorError.at(name, found, helps=helps)
    return local_ns - np.where(later, both[:, 1], both[:, 0]), f"{shown}, whose offset changes within the log"


def _utc_offset_ns(local_ns: int, zone: tzinfo | None, fold: int) -> int:
    """Offset of a local time; the two folds differ in an hour that comes twice or never."""
    local = (EPOCH + timedelta(microseconds=local_ns // 1000)).replace(tzinfo=zone, fold=fold)
    offset = (local.astimezone() if zone is None else local).utcoffset()
    assert offset is not None
    return round(offset.total_seconds()) * NS_PER_S


def align(samples: SensorSamples, capture: str, start: CaptureStart | None, options: SensorOptions) -> SensorSamples:
    """Put the samples on the capture's clock: by an offset, by absolute time, or by elapsed time.

    Parameters
    ----------
    samples : SensorSamples
    capture : str
        Name of its file, for messages.
    start : CaptureStart or None
    options : SensorOptions

    Raises
    ------
    SensorError
        If nothing ties the two clocks together.
    """
    sensor_ns, kind = samples.ns, samples.kind
    if options.offset_s is not None:
        is_elapsed = kind in ("elapsed", "time of day")
        first = 0 if is_elapsed else int(sensor_ns[0])
        zero_ns = first + round(options.offset_s * NS_PER_S)
        words = f"by an offset of {options.offset_s:g} s"
        words += " (sensor clock minus capture clock)" if is_elapsed else ", sensor times counted from the first sample"
        about = replace(samples.provenance, recorded_from_utc=utc_text(first) if kind == "absolute" else None)
        return samples._replace(ns=sensor_ns - zero_ns, words=words, zero_ns=zero_ns, provenance=about)
    if kind == "elapsed":
        if options.is_shared:
            found = "its times are elapsed times, and several runs share it: nothing says when each was recorded"
            helps = "give each run its log, or one with dates; frametime review lays runs over its stretches of load"
            raise SensorError.at(samples.name, found, helps=helps)
        why = "the capture has absolute times and the sensor log has not; " if start and not start.is_guess else ""
        words = f"by elapsed time: {why}taken to start together (--sensor-offset overrides, in a plan sensor_offset_s)"
        return samples._replace(words=words, doubt_s=1.0)
    if start is None:
        shown = "times of day without a date" if kind == "time of day" else "dates"
        found = f"its times are {shown}, and nothing says when {printable(capture)} was recorded"
        helps = "give --recorded-from, an ISO 8601 time, or --sensor-offset (in a plan: recorded_from, sensor_offset_s)"
        raise SensorError.at(samples.name, found, helps=helps)
    given = options.time_zone or (options.layout.time_zone if options.layout is not None else None)
    zone = None if given is None else zone_named(given)
    if kind == "time of day":
        sensor_ns, kind = _on_the_day(sensor_ns, start, zone), "zoneless"
    zero_ns, note, zoned = start.ns, "", kind == "absolute"
    if kind != start.kind or zone is not None:
        if not zoned:
            sensor_ns, shown = _in_utc(sensor_ns, zone, samples.name)
            note = f"The dates of the sensor log name no time zone; they are read in {shown}."
        if start.kind == "zoneless":
            zero, shown = _in_utc(np.array([zero_ns], dtype=np.int64), zone, samples.name)
            zero_ns, note = int(zero[0]), f"The time of the capture names no zone; it is read in {shown}."
        zoned = True
    words = f"by {'absolute' if zoned else 'local'} time; the capture's clock stood at 0 at {utc_text(zero_ns)}"
    about = replace(samples.provenance, recorded_from_utc=utc_text(int(sensor_ns[0])) if zoned else None)
    placed = samples._replace(ns=sensor_ns - zero_ns, words=f"{words}, {start.words}", zero_ns=zero_ns)
    placed = placed._replace(doubt_s=start.doubt_s, provenance=about)
    return placed.told("sensor-local-time", note, Weight.NOTE) if note and zone is None else placed


def _on_the_day(ns: NDArray[np.int64], start: CaptureStart, zone: tzinfo | None) -> NDArray[np.int64]:
    """Times of day as local times of the day of the capture, or of one beside it where its middle is nearer."""
    local_ns = start.ns + (_utc_offset_ns(start.ns, zone, 0) if start.kind == "absolute" else 0)
    return ns + round((local_ns - (int(ns[0]) // 2 + int(ns[-1]) // 2)) / DAY_NS) * DAY_NS


def check_overlap(samples: SensorSamples, span_ns: Span, *, is_guess: bool = False) -> float:
    """Share of the capture between the first and the last sample; ``is_guess`` where its file's last change ties them.

    Raises
    ------
    SensorError
        If the two have no time in common: the message says how far apart they are.
    """
    first, last = int(samples.ns[0]), int(samples.ns[-1])
    shared = min(last, span_ns[1]) - max(first, span_ns[0])
    if shared > 0:
        return shared / (span_ns[1] - span_ns[0])
    after = first >= span_ns[1]
    apart_s = (first - span_ns[1] if after else span_ns[0] - last) / NS_PER_S
    shown = f"{apart_s / 86400:.1f} days" if apart_s >= 2 * 86400 else f"{apart_s / 3600:.1f} h"
    shown = shown if apart_s >= 7200 else f"{apart_s:.1f} s"
    found = f"the log starts {shown} after the capture" if after else f"the log ends {shown} before the capture"
    options = "--recorded-from, --sensor-zone or --sensor-offset (in a plan: recorded_from, time_zone, sensor_offset_s)"
    helps = f"give the log of that run, or correct the clocks with {options}"
    if is_guess:
        found += "'s file was last changed, and nothing else says when it was recorded"
        helps = "copy files with their times, or give --recorded-from (in a plan: recorded_from) or the log of that run"
    elif (zero_ns := samples.zero_ns) is not None:
        starts = (utc_text(ns + zero_ns)[:19] for ns in (first, span_ns[0]))
        helps += "; in UTC the sensors start at {}, the capture at {}".format(*starts) + f" ({samples.words})"
    raise SensorError.at(samples.name, found, helps=helps)


_SIGNALS: Final = ("power_w", "utilization_pct", "core_clock_mhz")
_ONE_LEVEL: Final = 0.6
_VALLEY: Final = (0.25, 0.5)
_MOST_IN_VALLEY: Final = 0.1
"""A log shows waiting where its least reading is below this share of the high ones, and few readings lie in the valley
between: scenes differ in their load, and a card that warms up does not wait (common practice, no source)."""
_SLACK_S: Final = 3.0
_SLACK_FRACTION: Final = 0.05
"""A stretch of load may outlast its capture by so much, for the start and the end of the recording."""


class Seen(NamedTuple):
    """What the load says of a capture's place, and how far the nearest rise (or fall) lies from where it should.

    ``waits_within`` is that the card waits in the middle of the capture.
    """

    state: Literal["confirmed", "contradicted", "unknown"]
    apart_s: float = 0.0
    waits_within: bool = False


class Place(NamedTuple):
    """When a capture began on the log's clock, in s, and how far off that may be."""

    start_s: float
    doubt_s: float


def loads_of(values: Readings, within: NDArray[np.bool_] | EllipsisType = ...) -> dict[str, NDArray[np.bool_]]:
    """Whether the card worked at each sample, by each quantity that shows both; a reading that lacks is as before.

    What it waits at is told by the whole log, what it works at by the samples ``within``.

    Examples
    --------
    >>> loads_of({"power_w": np.array([20.0, 21.0, 200.0, 205.0, 201.0])})["power_w"].tolist()
    [False, False, True, True, True]
    """
    found = {}
    for name in (name for name in _SIGNALS if name in values):
        usable = np.isfinite(values[name])
        if np.count_nonzero(usable) < 4:
            continue
        before = np.maximum.accumulate(np.where(usable, np.arange(usable.size), int(np.argmax(usable))))
        filled = values[name][before]
        low, high = float(filled.min()), float(np.quantile(filled[within], 0.9))
        shares = (filled - low) / (high - low) if high > low else np.ones(filled.size)
        between = (shares > _VALLEY[0]) & (shares < _VALLEY[1])
        if low <= _ONE_LEVEL * high and between[within].mean() <= _MOST_IN_VALLEY:
            found[name] = shares >= 0.5 * sum(_VALLEY)
    return found


def stretches(times_s: NDArray[np.float64], loaded: NDArray[np.bool_]) -> list[tuple[float, float]]:
    """Start and end of each stretch of load, midway between the samples on either side."""
    edges = np.flatnonzero(np.diff(loaded))
    first, last = times_s[:1][loaded[:1]], times_s[-1:][loaded[-1:]]
    bounds = np.concatenate([first, 0.5 * (times_s[edges] + times_s[edges + 1]), last]).tolist()
    return list(zip(bounds[::2], bounds[1::2], strict=True))


def seen_load(times_s: NDArray[np.float64], values: Readings, end_s: float) -> Seen:
    """Whether the load rises as the capture begins, at 0 s, and lasts to its end.

    Waiting in the middle of a capture is its own; at its start or end it speaks for clocks that are apart.
    """
    inside = (times_s >= 0.0) & (times_s <= end_s)
    if np.count_nonzero(inside) < 4:
        return Seen("unknown")
    step_s = float(np.median(np.diff(times_s)))
    near_s, apart_s = step_s + 0.5, 1.5 * step_s + 0.5
    confirmed = waits = False
    # Scenes differ in their load: a light one beside heavy ones neither works nor waits by what all of them take.
    for loaded in {**loads_of(values), **loads_of(values, inside)}.values():
        works_s = times_s[inside & loaded]
        first_s, last_s = (works_s[0], works_s[-1]) if works_s.size else (times_s[inside][-1],) * 2
        late_s, early_s = float(first_s), end_s - float(last_s)
        if max(late_s, early_s) > apart_s:
            return Seen("contradicted", late_s if late_s >= early_s else -early_s)
        waits |= not bool(loaded[(times_s >= 1.5 * near_s) & (times_s <= end_s - 1.5 * near_s)].all())
        for start, end in stretches(times_s, loaded):
            confirmed |= times_s[0] < start and abs(start) <= near_s
            confirmed |= end < times_s[-1] and abs(end - end_s) <= near_s
    return Seen("confirmed" if confirmed else "unknown", waits_within=waits)


def spare_of(stretch_s: float, duration_s: float, step_s: float) -> float:
    """How much longer a stretch of load is than a capture; NaN where it is too short, or too long to be of it."""
    longest_s = duration_s + max(_SLACK_S, _SLACK_FRACTION * duration_s)
    return max(stretch_s - duration_s, 0.0) if duration_s - 1.5 * step_s <= stretch_s <= longest_s else math.nan


def place_of(times_s: NDArray[np.float64], values: Readings, duration_s: float) -> Place | None:
    """Where a capture of that length lies, if one stretch of load alone is as long; ``None`` where none or several are.

    A log without waiting is one stretch.
    """
    if times_s.size < 2:
        return None
    step_s = float(np.median(np.diff(times_s)))
    loads = loads_of(values) or {"": np.ones(times_s.size, dtype=np.bool_)}
    places = []
    for loaded in loads.values():
        long = [(a, b) for a, b in stretches(times_s, loaded) if b - a >= duration_s - 1.5 * step_s]
        spare_s = spare_of(long[0][1] - long[0][0], duration_s, step_s) if len(long) == 1 else math.nan
        if spare_s >= 0.0:
            places.append(Place(long[0][0] + 0.5 * spare_s, 0.5 * spare_s + step_s))
    places.sort(key=lambda place: place.doubt_s)
    # Quantities that show other places contradict each other.
    if any(abs(place.start_s - places[0].start_s) > place.doubt_s + places[0].doubt_s for place in places):
        return None
    return places[0] if places else None


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
        message = f"No sensor numbers: {printable(str(error), limit=1000)}"
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
    if inside_s[worst] > log.long_gap_s(usual_s):
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
    chosen, found = log.choose_sensor_columns(parsed.other_columns)
    if parsed.read_columns is None or not chosen:
        return None
    caveats = [replace(caveat, weight=Weight.NOTE) for caveat in found]
    table = parsed.read_columns([column.fact.name for column in chosen])
    # Where the first frame began there may be no row of the log, so no sample either.
    first = int(not table.column(0)[0].is_valid)
    values = {}
    for column in chosen:
        values[column.quantity], more = log.readings(table.column(column.fact.name).slice(first), column)
        caveats += more
    times_ns = np.asarray(numpy_of(parsed.frames.column(TIME_COLUMN)), dtype=np.int64)[first:]
    about = replace(provenance, evidence=tuple(column.evidence for column in chosen))
    return _trace(times_ns, values, "the sensors stand in the rows of the frame log", about, tuple(caveats))
