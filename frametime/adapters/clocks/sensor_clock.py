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
from frametime.capture import TIME_COLUMN, Capture
from frametime.errors import SensorError, printable
from frametime.units import NS_PER_S

ClockKind = Literal["absolute", "zoneless", "elapsed"]

_OFFSET: Final = re.compile(r"([+-])(\d{2}):?(\d{2})")
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_HOUR_NS: Final = 3600 * NS_PER_S
_ZONE: Final = r"(?:Z|z|UTC|[+-]\d{2}(?::?\d{2})?)$"
_STAMP_IN_NAME: Final = (
    r"(?<!\d)((?:19|20)\d\d)[-_.]?(\d\d)[-_.]?(\d\d)[-_ .T]*(?:at)?[-_ .]*"
    r"(\d\d)[-_.:h]?(\d\d)[-_.:m]?(\d\d)(?!\d)(Z?)"
)
_MAX_SIDECAR_BYTES: Final = 1 << 20
_TEXT_ENDINGS: Final = (".csv", ".tsv", ".txt", ".log", ".dat", ".jsonl", ".ndjson")
LOG_ENDINGS: Final = frozenset(
    (*_TEXT_ENDINGS, ".gz", ".bz2", ".xz", ".zst", ".zstd", ".arrow", ".feather", ".parquet")
)


@dataclass(frozen=True, kw_only=True, eq=False)
class SensorTimes:
    """The time column of a sensor log.

    ``absolute``: ns since 1970 in UTC. ``zoneless``: the same as if the dates were UTC, although they name no zone.
    ``elapsed``: ns on a clock of its own. ``other_ns`` are the times with day and month the other way round, where
    nothing in the log tells which of two numbers is which.
    """

    ns: NDArray[np.int64]
    kind: ClockKind
    column: str
    other_ns: NDArray[np.int64] | None = None


@dataclass(frozen=True, kw_only=True)
class CaptureStart:
    """When the clock of a capture stood at 0: ns since 1970, in UTC or as a local time that names no zone.

    ``doubt_s`` is how far off it may be; ``is_guess`` that it rests on the time of the file's last change.
    """

    ns: int
    kind: ClockKind
    words: str
    doubt_s: float = 0.0
    is_guess: bool = False


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
    if re.search(_ZONE, word[10:]) is None:
        raise ValueError(f"'{shown}' names no time zone: add Z for UTC, or an offset such as +02:00")
    return ns


def utc_text(ns: int) -> str:
    """ISO 8601 text in UTC, to the microsecond."""
    return (_EPOCH + timedelta(microseconds=ns // 1000)).isoformat()


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
    local = (_EPOCH + timedelta(microseconds=local_ns // 1000)).replace(tzinfo=None, fold=fold)
    offset = (local.astimezone() if zone is None else local.replace(tzinfo=zone)).utcoffset()
    assert offset is not None
    return round(offset.total_seconds()) * NS_PER_S


def _signed(offset_ns: int) -> str:
    """An offset as ``+02:00``."""
    minutes = round(abs(offset_ns) / (60 * NS_PER_S))
    return f"{'-' if offset_ns < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"


def capture_start(capture: Capture, given: str | None, *, trusts_file_time: bool = True) -> CaptureStart | None:
    """When the capture's clock stood at 0, and where that was found; ``None`` where nothing says it.

    It is taken from what was given, from the capture's own dates, from a JSON file beside the capture that has the
    same name, the ending ``.json`` and the key ``recorded_from_utc``, from a date with a time in the name of the file,
    or from the time of the file's last change as the end of the capture: the first of them that is there.

    Raises
    ------
    SensorError
        If the file beside the capture names a time that cannot be read.
    """
    if given is not None:
        ns, kind = any_ns(given)
        return CaptureStart(ns=ns, kind=kind, words="as given")
    own = capture.provenance.recorded_from_utc
    if own is not None:
        return CaptureStart(ns=utc_ns(own), kind="absolute", words="from the capture itself")
    local = capture.provenance.metadata.get("recorded_from_local")
    if local is not None:
        return CaptureStart(ns=any_ns(local)[0], kind="zoneless", words="from the capture itself, in local time")
    sidecar = sidecar_of(capture.provenance.file_name)
    text = None if sidecar is None else _sidecar_time(sidecar)
    if sidecar is not None and text is not None:
        try:
            ns, kind = any_ns(text)
        except ValueError as error:
            raise SensorError.at(str(sidecar), f"recorded_from_utc: {error}") from None
        return CaptureStart(ns=ns, kind=kind, words=f"from {printable(sidecar.name)} beside the capture")
    named = _start_in_name(capture.provenance.file_name)
    return named if named is not None or not trusts_file_time else _start_of_file(capture)


def any_ns(text: str) -> tuple[int, ClockKind]:
    """An ISO 8601 time in ns since 1970, and whether it names its zone; without one it is as if in UTC.

    Raises
    ------
    ValueError
        If it is no such time.
    """
    if re.search(_ZONE, text.strip()[10:]) is not None:
        return utc_ns(text), "absolute"
    return utc_ns(text.strip() + "Z"), "zoneless"


def _start_in_name(file_name: str) -> CaptureStart | None:
    """The date and time of day, to the second, in the name of a file; its clock is taken to have begun then."""
    name = Path(file_name).name
    found = re.search(_STAMP_IN_NAME, name)
    if found is None:
        return None
    date, clock = ("-".join(found.group(*places)) for places in ((1, 2, 3), (4, 5, 6)))
    try:
        ns = utc_ns(f"{date}T{clock.replace('-', ':')}Z")
    except ValueError:
        return None
    kind: ClockKind = "absolute" if found[7] else "zoneless"
    return CaptureStart(ns=ns, kind=kind, words=f"from the name {printable(name)}", doubt_s=1.0)


def _start_of_file(capture: Capture) -> CaptureStart | None:
    """The file's last change is taken for the end of the capture."""
    name = capture.provenance.file_name
    if name in ("", "-"):
        return None
    try:
        changed_ns = Path(name).stat().st_mtime_ns
    except OSError:
        return None
    stamps = capture.frames.column(TIME_COLUMN)
    return CaptureStart(
        ns=changed_ns - int(stamps[len(stamps) - 1].as_py()),
        kind="absolute",
        words=f"from the last change of its file ({utc_text(changed_ns)}), taken as its end",
        doubt_s=2.0,
        is_guess=True,
    )


def sidecar_of(file_name: str) -> Path | None:
    """The JSON file that belongs to a capture: ``run1.csv.gz`` has ``run1.json``.

    Examples
    --------
    >>> sidecar_of("runs/run1.csv.gz").as_posix()
    'runs/run1.json'
    """
    if file_name in ("", "-"):
        return None
    path = without_endings(Path(file_name))
    return path.with_name(path.name + ".json") if path.name else None


def without_endings(path: Path) -> Path:
    """A path without the endings of logs: ``run1.csv.gz`` is ``run1``."""
    while path.suffix.casefold() in LOG_ENDINGS:
        path = path.with_suffix("")
    return path


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
        raise SensorError.at(
            name,
            f"its times are dates, and nothing says when {printable(capture.provenance.file_name)} was recorded",
            helps="give --recorded-from with an ISO 8601 time, or --sensor-offset in seconds (in a plan: recorded_from "
            "or sensor_offset_s)",
        )
    notes: tuple[str, ...] = ()
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
