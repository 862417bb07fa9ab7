"""Two clocks brought together: that of a sensor log and that of its capture."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, timedelta, timezone, tzinfo
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.clocks.capture_start import EPOCH, CaptureStart, ClockKind, utc_text
from frametime.capture import Capture
from frametime.errors import SensorError, printable
from frametime.units import NS_PER_S

_OFFSET: Final = re.compile(r"([+-])(\d{2}):?(\d{2})")
_HOUR_NS: Final = 3600 * NS_PER_S


@dataclass(frozen=True, kw_only=True, eq=False)
class SensorTimes:
    """The time column of a sensor log.

    ``absolute``: ns since 1970 in UTC. ``zoneless``: the same as if the dates were UTC, although they name no zone.
    ``time of day``: ns since midnight of a day that is not named. ``elapsed``: ns on a clock of its own.
    ``other_ns`` are the times with day and month the other way round, where
    nothing in the log tells which of two numbers is which.
    """

    ns: NDArray[np.int64]
    kind: ClockKind
    column: str
    other_ns: NDArray[np.int64] | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Alignment:
    """Sample times on the capture's clock, and how the clocks were brought together.

    ``zero_ns`` is when the capture's clock stood at 0, on the log's clock, for messages; ``None`` where both are taken
    to have started together, which nothing in the logs says.
    """

    times_ns: NDArray[np.int64]
    words: str
    recorded_from_utc: str | None
    zero_ns: int | None = None
    doubt_s: float = 0.0
    notes: tuple[str, ...] = ()

    @property
    def started_together(self) -> bool:
        """Whether nothing but that is known."""
        return self.zero_ns is None


def zone_named(text: str) -> tzinfo:
    """A time zone: ``UTC``, an offset such as ``+02:00``, or a name such as ``Europe/Berlin``.

    Raises
    ------
    ValueError
        If there is no such zone.

    Examples
    --------
    >>> zone_named("+02:00")
    datetime.timezone(datetime.timedelta(seconds=7200))
    """
    word = text.strip()
    if word.upper() in {"UTC", "Z"}:
        return UTC
    match = _OFFSET.fullmatch(word)
    if match is not None and int(match[2]) <= 14 and int(match[3]) < 60:
        offset = timedelta(hours=int(match[2]), minutes=int(match[3]))
        return timezone(-offset if match[1] == "-" else offset)
    from zoneinfo import ZoneInfo

    try:
        return ZoneInfo(word)
    except (OSError, ValueError, KeyError):  # a missing zone is a KeyError, a path or a folder one of the others
        shown = printable(text, limit=60)
        raise ValueError(f"'{shown}' is not a time zone: give UTC or an offset such as +02:00") from None


def _in_utc(local_ns: NDArray[np.int64], zone: str | None, name: str) -> tuple[NDArray[np.int64], str]:
    """Local times as UTC, and the zone in words: that which was given, else that of this machine.

    Raises
    ------
    SensorError
        If the times lie in an hour that comes twice or never.
    """
    info = None if zone is None else zone_named(zone)
    offsets = {_utc_offset_ns(int(ns), info, fold) for ns in (local_ns.min(), local_ns.max()) for fold in (0, 1)}
    shown = "the zone of this machine" if zone is None else f"the zone {printable(zone)}"
    if len(offsets) == 1:
        offset = offsets.pop()
        return local_ns - offset, f"{shown}, UTC{_signed(offset)}"
    # The clock changes within the log. Where it was put back an hour comes twice: the second begins at the step back.
    back = np.flatnonzero(np.diff(local_ns) < -_HOUR_NS // 2)
    second_from = int(back[0]) + 1 if back.size else local_ns.size
    each = [{_utc_offset_ns(int(ns), info, fold) for fold in (0, 1)} for ns in local_ns]
    if any(len(both) > 1 for both in each) and not back.size:
        raise SensorError.at(
            name,
            f"its dates lie in an hour that comes twice or never in {shown}",
            helps="give an offset instead, such as --sensor-zone +02:00 (in a plan: time_zone)",
        )
    found = [_utc_offset_ns(int(ns), info, int(at >= second_from)) for at, ns in enumerate(local_ns)]
    return local_ns - np.array(found, dtype=np.int64), f"{shown}, whose offset changes within the log"


def _utc_offset_ns(local_ns: int, zone: tzinfo | None, fold: int) -> int:
    """Offset of a local time; the two folds differ in an hour that comes twice or never."""
    local = (EPOCH + timedelta(microseconds=local_ns // 1000)).replace(tzinfo=None, fold=fold)
    offset = (local.astimezone() if zone is None else local.replace(tzinfo=zone)).utcoffset()
    assert offset is not None
    return round(offset.total_seconds()) * NS_PER_S


def _signed(offset_ns: int) -> str:
    """An offset as ``+02:00``."""
    minutes = round(abs(offset_ns) / (60 * NS_PER_S))
    return f"{'-' if offset_ns < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"


def align(
    times: SensorTimes,
    capture: Capture,
    *,
    start: CaptureStart | None,
    offset_s: float | None,
    zone: str | None,
    is_shared: bool,
    name: str,
) -> Alignment:
    """Put the samples on the capture's clock: by an offset, by absolute time, or by elapsed time.

    Parameters
    ----------
    times : SensorTimes
    capture : Capture
    start : CaptureStart or None
    offset_s : float or None
        Sensor clock minus capture clock; dates are counted from the first sample.
    zone : str or None
        Of dates that name none; without it they are local times of this machine.
    is_shared : bool
        Several captures share the log, so its clock did not start with this one.

    Raises
    ------
    SensorError
        If nothing ties the two clocks together.
    """
    if offset_s is not None:
        return _by_offset(times, offset_s)
    if times.kind == "elapsed" and is_shared:
        raise SensorError.at(
            name,
            "its times are elapsed times, and several runs share it: nothing says when each was recorded",
            helps="give each run its own log, or a log with dates",
        )
    if times.kind == "elapsed":
        absolute = start is not None and not start.is_guess
        why = "the capture has absolute times and the sensor log has not; " if absolute else ""
        words = f"by elapsed time: {why}both clocks are taken to have started together (--sensor-offset overrides)"
        return Alignment(times_ns=times.ns, words=words, recorded_from_utc=None, doubt_s=1.0)
    if start is None:
        shown = "times of day without a date" if times.kind == "time of day" else "dates"
        raise SensorError.at(
            name,
            f"its times are {shown}, and nothing says when {printable(capture.provenance.file_name)} was recorded",
            helps="give --recorded-from with an ISO 8601 time, or --sensor-offset in seconds (in a plan: recorded_from "
            "or sensor_offset_s)",
        )
    notes: tuple[str, ...] = ()
    if times.kind == "time of day":
        times = _on_the_day(times, start, zone)
    sensor_ns, zero_ns, utc = times.ns, start.ns, None
    if times.kind != start.kind or zone is not None:
        if times.kind == "zoneless":
            sensor_ns, shown = _in_utc(sensor_ns, zone, name)
            notes = (f"The dates of the sensor log name no time zone; they are read in {shown}.",)
        if start.kind == "zoneless":
            found, shown = _in_utc(np.array([zero_ns], dtype=np.int64), zone, name)
            zero_ns = int(found[0])
            notes = (f"The time of the capture names no zone; it is read in {shown}.",)
        utc = utc_text(int(sensor_ns[0]))
    elif times.kind == "absolute":
        utc = utc_text(int(sensor_ns[0]))
    how = "by absolute time" if utc is not None else "by local time"
    return Alignment(
        times_ns=sensor_ns - zero_ns,
        words=f"{how}; the capture's clock stood at 0 at {utc_text(zero_ns)}, {start.words}",
        recorded_from_utc=utc,
        zero_ns=zero_ns,
        doubt_s=start.doubt_s,
        notes=notes if zone is None else (),
    )


def _on_the_day(times: SensorTimes, start: CaptureStart, zone: str | None) -> SensorTimes:
    """Times of day as local times of the day of the capture, or of one beside it where its middle is nearer."""
    local_ns = start.ns
    if start.kind == "absolute":
        utc = EPOCH + timedelta(microseconds=start.ns // 1000)
        offset = utc.astimezone(None if zone is None else zone_named(zone)).utcoffset()
        assert offset is not None
        local_ns += round(offset.total_seconds()) * NS_PER_S
    day_ns = 24 * _HOUR_NS
    middle_ns = int(times.ns[0]) // 2 + int(times.ns[-1]) // 2
    days = round((local_ns - middle_ns) / day_ns)
    return SensorTimes(ns=times.ns + days * day_ns, kind="zoneless", column=times.column)


def _by_offset(times: SensorTimes, offset_s: float) -> Alignment:
    offset_ns = round(offset_s * NS_PER_S)
    words, utc, first = f"by --sensor-offset {offset_s:g} s (sensor clock minus capture clock)", None, 0
    if times.kind != "elapsed":
        words = f"by --sensor-offset {offset_s:g} s, sensor times counted from the first sample"
        first = int(times.ns[0])
        utc = utc_text(first) if times.kind == "absolute" else None
    return Alignment(
        times_ns=times.ns - first - offset_ns, words=words, recorded_from_utc=utc, zero_ns=first + offset_ns
    )


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
    apart_s = (first - span_ns[1] if first >= span_ns[1] else span_ns[0] - last) / NS_PER_S
    where = "after the capture ends" if first >= span_ns[1] else "before the capture begins"
    found = f"the sensor log and the capture have no time in common: it {'starts' if first >= span_ns[1] else 'ends'} "
    found += f"{_shown_time(apart_s)} {where}"
    zero_ns = alignment.zero_ns
    if zero_ns is not None:
        found += f" (sensors from {utc_text(first + zero_ns)}, capture from {utc_text(span_ns[0] + zero_ns)}; "
        found += f"{alignment.words})"
    raise SensorError.at(
        name,
        found,
        helps="give the log of that run, or correct the clocks with --recorded-from, --sensor-zone or --sensor-offset "
        "(in a plan: recorded_from, time_zone, sensor_offset_s)",
    )


def _shown_time(seconds: float) -> str:
    if seconds >= 2 * 86400:
        return f"{seconds / 86400:.1f} days"
    return f"{seconds / 3600:.1f} h" if seconds >= 7200 else f"{seconds:.1f} s"
