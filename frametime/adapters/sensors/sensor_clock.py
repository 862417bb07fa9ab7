"""Two clocks brought together: that of a sensor log and that of its capture."""

from __future__ import annotations

from datetime import timedelta, tzinfo
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.clocks.capture_start import EPOCH, CaptureStart, utc_text, zone_named
from frametime.adapters.sensors.sensor_log import SensorOptions
from frametime.adapters.sensors.sensor_reader import SensorSamples
from frametime.errors import SensorError, printable
from frametime.units import NS_PER_S

_HOUR_NS: Final = 3600 * NS_PER_S


class Alignment(NamedTuple):
    """Sample times on the capture's clock, and how the clocks were brought together.

    ``zero_ns`` is when the capture's clock stood at 0, on the log's clock, for messages; ``None`` where both are taken
    to have started together, which nothing in the logs says. ``note`` is of the zone that was taken.
    """

    times_ns: NDArray[np.int64]
    words: str
    recorded_from_utc: str | None = None
    zero_ns: int | None = None
    doubt_s: float = 0.0
    note: str = ""


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
    later = np.cumsum(np.diff(local_ns, prepend=local_ns[:1]) < -_HOUR_NS // 2) > 0
    both = np.array([[_utc_offset_ns(int(ns), zone, fold) for fold in (0, 1)] for ns in local_ns], dtype=np.int64)
    if (both[:, 0] != both[:, 1]).any() and not later.any():
        raise SensorError.at(
            name,
            f"its dates lie in an hour that comes twice or never in {shown}",
            helps="give an offset instead, such as --sensor-zone +02:00 (in a plan: time_zone)",
        )
    return local_ns - np.where(later, both[:, 1], both[:, 0]), f"{shown}, whose offset changes within the log"


def _utc_offset_ns(local_ns: int, zone: tzinfo | None, fold: int) -> int:
    """Offset of a local time; the two folds differ in an hour that comes twice or never."""
    local = (EPOCH + timedelta(microseconds=local_ns // 1000)).replace(tzinfo=zone, fold=fold)
    offset = (local.astimezone() if zone is None else local).utcoffset()
    assert offset is not None
    return round(offset.total_seconds()) * NS_PER_S


def align(samples: SensorSamples, capture: str, start: CaptureStart | None, options: SensorOptions) -> Alignment:
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
        first = 0 if kind == "elapsed" else int(sensor_ns[0])
        zero_ns = first + round(options.offset_s * NS_PER_S)
        words = f"by --sensor-offset {options.offset_s:g} s"
        words += ", sensor times counted from the first sample" if first else " (sensor clock minus capture clock)"
        return Alignment(sensor_ns - zero_ns, words, utc_text(first) if kind == "absolute" else None, zero_ns)
    if kind == "elapsed":
        if options.is_shared:
            raise SensorError.at(
                samples.name,
                "its times are elapsed times, and several runs share it: nothing says when each was recorded",
                helps="give each run its own log, or a log with dates",
            )
        absolute = start is not None and not start.is_guess
        why = "the capture has absolute times and the sensor log has not; " if absolute else ""
        words = f"by elapsed time: {why}both clocks are taken to have started together (--sensor-offset overrides)"
        return Alignment(sensor_ns, words, doubt_s=1.0)
    if start is None:
        shown = "times of day without a date" if kind == "time of day" else "dates"
        raise SensorError.at(
            samples.name,
            f"its times are {shown}, and nothing says when {printable(capture)} was recorded",
            helps="give --recorded-from with an ISO 8601 time, or --sensor-offset in seconds (in a plan: recorded_from "
            "or sensor_offset_s)",
        )
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
            found, shown = _in_utc(np.array([zero_ns], dtype=np.int64), zone, samples.name)
            zero_ns, note = int(found[0]), f"The time of the capture names no zone; it is read in {shown}."
        zoned = True
    words = f"by {'absolute' if zoned else 'local'} time; the capture's clock stood at 0 at {utc_text(zero_ns)}"
    utc = utc_text(int(sensor_ns[0])) if zoned else None
    told = note if zone is None else ""
    return Alignment(sensor_ns - zero_ns, f"{words}, {start.words}", utc, zero_ns, start.doubt_s, told)


def _on_the_day(ns: NDArray[np.int64], start: CaptureStart, zone: tzinfo | None) -> NDArray[np.int64]:
    """Times of day as local times of the day of the capture, or of one beside it where its middle is nearer."""
    local_ns = start.ns
    if start.kind == "absolute":
        offset = (EPOCH + timedelta(microseconds=start.ns // 1000)).astimezone(zone).utcoffset()
        assert offset is not None
        local_ns += round(offset.total_seconds()) * NS_PER_S
    day_ns = 24 * _HOUR_NS
    return ns + round((local_ns - (int(ns[0]) // 2 + int(ns[-1]) // 2)) / day_ns) * day_ns


def check_overlap(alignment: Alignment, span_ns: tuple[int, int], *, name: str) -> float:
    """Share of the capture between the first and the last sample.

    Raises
    ------
    SensorError
        If the two have no time in common: the message says how far apart they are.
    """
    first, last = int(alignment.times_ns[0]), int(alignment.times_ns[-1])
    shared = min(last, span_ns[1]) - max(first, span_ns[0])
    if shared > 0:
        return shared / (span_ns[1] - span_ns[0])
    after = first >= span_ns[1]
    apart_s = (first - span_ns[1] if after else span_ns[0] - last) / NS_PER_S
    shown = f"{apart_s / 86400:.1f} days" if apart_s >= 2 * 86400 else f"{apart_s / 3600:.1f} h"
    shown = shown if apart_s >= 7200 else f"{apart_s:.1f} s"
    found = "the sensor log and the capture have no time in common: it "
    found += f"starts {shown} after the capture ends" if after else f"ends {shown} before the capture begins"
    if (zero_ns := alignment.zero_ns) is not None:
        found += f" (sensors from {utc_text(first + zero_ns)}, capture from {utc_text(span_ns[0] + zero_ns)}; "
        found += f"{alignment.words})"
    raise SensorError.at(
        name,
        found,
        helps="give the log of that run, or correct the clocks with --recorded-from, --sensor-zone or --sensor-offset "
        "(in a plan: recorded_from, time_zone, sensor_offset_s)",
    )
