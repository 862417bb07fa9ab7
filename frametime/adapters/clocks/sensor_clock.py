"""Two clocks brought together: that of a sensor log and that of its capture."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from pathlib import Path
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.clocks.time_units import DATE
from frametime.adapters.clocks.time_values import exact_ns
from frametime.adapters.text.number_style import POINT
from frametime.capture import Capture
from frametime.errors import FrametimeError, SensorError, printable
from frametime.units import NS_PER_S

ClockKind = Literal["absolute", "zoneless", "elapsed"]

_OFFSET: Final = re.compile(r"([+-])(\d{2}):?(\d{2})")
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MAX_SIDECAR_BYTES: Final = 1 << 20
_LOG_ENDINGS: Final = frozenset(
    (".csv", ".tsv", ".txt", ".log", ".dat", ".gz", ".bz2", ".xz", ".zst", ".zstd", ".arrow", ".feather", ".parquet")
)


@dataclass(frozen=True, kw_only=True, eq=False)
class SensorTimes:
    """The time column of a sensor log.

    ``absolute``: ns since 1970 in UTC. ``zoneless``: the same as if the dates were UTC, although they name no zone.
    ``elapsed``: ns on a clock of its own.
    """

    ns: NDArray[np.int64]
    kind: ClockKind
    column: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Alignment:
    """Sample times on the capture's clock, and how the clocks were brought together.

    ``assumed`` is true where nothing in the logs ties the clocks: they are taken to start together.
    """

    times_ns: NDArray[np.int64]
    words: str
    assumed: bool
    recorded_from_utc: str | None


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


def utc_ns(text: str) -> int:
    """Nanoseconds since 1970 of an ISO 8601 time with a zone; digits below a nanosecond are dropped.

    Raises
    ------
    ValueError
        If it is no such time, or names no zone.

    Examples
    --------
    >>> utc_ns("2026-11-25T09:43:16.226568+00:00")
    1795599796226568000
    """
    shown = printable(text, limit=60)
    word = text.strip()
    (ns,) = exact_ns([word], DATE, POINT)
    if ns is None:
        raise ValueError(f"'{shown}' is not an ISO 8601 time such as 2026-11-25T09:43:16.227Z")
    if re.search(r"(?:Z|z|UTC|[+-]\d{2}(?::?\d{2})?)$", word[10:]) is None:
        raise ValueError(f"'{shown}' names no time zone: add Z for UTC, or an offset such as +02:00")
    return ns


def utc_text(ns: int) -> str:
    """ISO 8601 text in UTC, to the microsecond."""
    return (_EPOCH + timedelta(microseconds=ns // 1000)).isoformat()


def with_zone(times: SensorTimes, zone: str | None, *, name: str) -> SensorTimes:
    """Dates that name no zone, put into the zone that was given.

    Raises
    ------
    SensorError
        If no zone was given, or the zone changes its offset within the log.
    """
    if times.kind != "zoneless":
        return times
    if zone is None:
        raise SensorError.at(
            name,
            "the dates name no time zone",
            column=times.column,
            helps="give it with --sensor-zone, for example --sensor-zone UTC or --sensor-zone +02:00, "
            "or as time_zone in a sensor layout",
        )
    info = zone_named(zone)
    offsets = {_utc_offset_ns(int(ns), info, fold) for ns in (times.ns.min(), times.ns.max()) for fold in (0, 1)}
    if len(offsets) > 1:
        raise SensorError.at(
            name,
            f"the zone {printable(zone)} changes its offset within the log, or in the hour around it",
            helps="give an offset instead, for example --sensor-zone +02:00",
        )
    return SensorTimes(ns=times.ns - offsets.pop(), kind="absolute", column=times.column)


def _utc_offset_ns(local_ns: int, zone: tzinfo, fold: int) -> int:
    """Offset of a local time; the two folds differ in an hour that comes twice or never."""
    local = (_EPOCH + timedelta(microseconds=local_ns // 1000)).replace(tzinfo=None)
    offset = local.replace(tzinfo=zone, fold=fold).utcoffset()
    assert offset is not None
    return round(offset.total_seconds()) * NS_PER_S


def capture_start(capture: Capture, given: str | None) -> tuple[int, str] | None:
    """Absolute time at which the capture's clock stood at 0 (ns since 1970) and where it was found, or ``None``.

    It is taken from what was given, from the capture itself, or from a JSON file beside the capture that has the same
    name, the ending ``.json`` and the key ``recorded_from_utc``.

    Raises
    ------
    SensorError
        If the file beside the capture names a time that cannot be read.
    """
    if given is not None:
        return utc_ns(given), "given with --recorded-from"
    own = capture.provenance.recorded_from_utc
    if own is not None:
        return utc_ns(own), "from the capture itself"
    sidecar = sidecar_of(capture.provenance.file_name)
    text = None if sidecar is None else _sidecar_time(sidecar)
    if sidecar is None or text is None:
        return None
    try:
        return utc_ns(text), f"from {printable(sidecar.name)} beside the capture"
    except ValueError as error:
        raise SensorError.at(str(sidecar), f"recorded_from_utc: {error}") from None


def sidecar_of(file_name: str) -> Path | None:
    """The JSON file that belongs to a capture: ``run1.csv.gz`` has ``run1.json``.

    Examples
    --------
    >>> sidecar_of("runs/run1.csv.gz").as_posix()
    'runs/run1.json'
    """
    if file_name in ("", "-"):
        return None
    path = Path(file_name)
    while path.suffix.casefold() in _LOG_ENDINGS:
        path = path.with_suffix("")
    return path.with_name(path.name + ".json") if path.name else None


def _sidecar_time(path: Path) -> str | None:
    try:
        if not path.is_file() or path.stat().st_size > _MAX_SIDECAR_BYTES:
            return None
        content = json.loads(path.read_text("utf-8-sig"))
    except (OSError, ValueError, RecursionError):
        return None  # some other file that happens to lie there
    found = content.get("recorded_from_utc") if isinstance(content, dict) else None
    return found if isinstance(found, str) else None


def align(
    times: SensorTimes,
    capture: Capture,
    *,
    start: tuple[int, str] | None,
    offset_s: float | None,
    name: str,
) -> Alignment:
    """Put the samples on the capture's clock: by absolute time, by an offset, or by elapsed time.

    Parameters
    ----------
    times : SensorTimes
        Absolute or elapsed.
    start : tuple or None
        Absolute time of the capture's clock at 0, and where it was found.
    offset_s : float or None
        Sensor clock minus capture clock; dates are counted from the first sample.

    Raises
    ------
    SensorError
        If nothing ties the two clocks together.
    """
    if offset_s is not None:
        return _by_offset(times, offset_s)
    if times.kind == "absolute":
        if start is None:
            raise _not_tied(capture, name)
        zero_ns, found = start
        return Alignment(
            times_ns=times.ns - zero_ns,
            words=f"by absolute time; the capture's clock stood at 0 at {utc_text(zero_ns)}, {found}",
            assumed=False,
            recorded_from_utc=utc_text(int(times.ns[0])),
        )
    if capture.provenance.recorded_from_utc is None:
        words = "by elapsed time: both clocks are taken to have started together (--sensor-offset overrides)"
        return Alignment(times_ns=times.ns, words=words, assumed=False, recorded_from_utc=None)
    words = (
        "by elapsed time: the capture has absolute times and the sensor log has not; both are taken to have started "
        "together (--sensor-offset overrides)"
    )
    return Alignment(times_ns=times.ns, words=words, assumed=True, recorded_from_utc=None)


def _not_tied(capture: Capture, name: str) -> FrametimeError:
    local = capture.provenance.metadata.get("recorded_from_local")
    shown = printable(capture.provenance.file_name)
    if local is not None:
        found = f"its times are absolute, and the dates in {shown} name no time zone"
        helps = f"give --recorded-from {local}+HH:MM with the offset of that zone, or Z for UTC"
    else:
        found = f"its times are absolute, and nothing says when {shown} was recorded"
        helps = "give --recorded-from with an ISO 8601 time, or --sensor-offset in seconds"
    return SensorError.at(name, found, helps=helps)


def _by_offset(times: SensorTimes, offset_s: float) -> Alignment:
    offset_ns = round(offset_s * NS_PER_S)
    if times.kind == "absolute":
        shifted = times.ns - times.ns[0] - offset_ns
        words = f"by --sensor-offset {offset_s:g} s, sensor times counted from the first sample"
        return Alignment(times_ns=shifted, words=words, assumed=False, recorded_from_utc=utc_text(int(times.ns[0])))
    words = f"by --sensor-offset {offset_s:g} s (sensor clock minus capture clock)"
    return Alignment(times_ns=times.ns - offset_ns, words=words, assumed=False, recorded_from_utc=None)


def check_overlap(
    times_ns: NDArray[np.int64], span_ns: tuple[int, int], *, name: str, start: tuple[int, str] | None
) -> float:
    """Share of the capture between the first and the last sample.

    Raises
    ------
    SensorError
        If the two have no time in common: the message says how far apart they are.
    """
    first, last = int(times_ns[0]), int(times_ns[-1])
    shared = min(last, span_ns[1]) - max(first, span_ns[0])
    if shared > 0:
        return shared / (span_ns[1] - span_ns[0])
    apart_s = (first - span_ns[1] if first >= span_ns[1] else span_ns[0] - last) / NS_PER_S
    where = "after the capture ends" if first >= span_ns[1] else "before the capture begins"
    found = f"the sensor log and the capture have no time in common: it {'starts' if first >= span_ns[1] else 'ends'} "
    found += f"{_shown_time(apart_s)} {where}"
    if start is not None:
        found += f" (sensors from {utc_text(first + start[0])}, capture from {utc_text(span_ns[0] + start[0])})"
    raise SensorError.at(
        name, found, helps="give the log of that run, or correct the clocks with --sensor-zone or --sensor-offset"
    )


def _shown_time(seconds: float) -> str:
    if seconds >= 2 * 86400:
        return f"{seconds / 86400:.1f} days"
    return f"{seconds / 3600:.1f} h" if seconds >= 7200 else f"{seconds:.1f} s"
