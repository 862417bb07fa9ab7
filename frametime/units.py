"""Units of time and rate, their codes in the Unified Code for Units of Measure (UCUM), and time zones."""

from __future__ import annotations

from contextlib import suppress
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final

NS_PER_MS: Final = 1_000_000
NS_PER_S: Final = 1_000_000_000

FRAMES_PER_SECOND: Final = "{frame}/s"
JOULE_PER_FRAME: Final = "J/{frame}"
FRAMES_PER_JOULE: Final = "{frame}/J"

_SHOWN: Final = {
    FRAMES_PER_SECOND: "fps",
    JOULE_PER_FRAME: "J/frame",
    FRAMES_PER_JOULE: "frames/J",
    "Cel": "°C",
    "us": "µs",
    "ms2": "ms²",
    "MiBy": "MiB",
    "1": "",
    "{count}": "",
    "{count}/min": "per min",
    "%/min": "% per min",
    "{rpm}": "rpm",
}


def ms_to_fps(frame_time_ms: float) -> float:
    """Rate in frames per second of one frame time in ms.

    Examples
    --------
    >>> ms_to_fps(8.0)
    125.0
    """
    if not frame_time_ms > 0.0:
        raise ValueError(f"frame_time_ms must be positive, got {frame_time_ms!r}")
    return 1000.0 / frame_time_ms


def shown_unit(unit: str) -> str:
    """How a UCUM code is written for people.

    Examples
    --------
    >>> shown_unit("Cel"), shown_unit("{frame}/s"), shown_unit("ms")
    ('°C', 'fps', 'ms')
    """
    return _SHOWN.get(unit, unit)


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
    with suppress(ValueError):
        offset = datetime.strptime(word, "%z").tzinfo
        if offset is not None and abs(offset.utcoffset(None) or timedelta()) < timedelta(hours=15):
            return offset
    from zoneinfo import ZoneInfo

    try:
        return ZoneInfo(word)
    except (OSError, ValueError, KeyError):  # a missing zone is a KeyError, a path or a folder one of the others
        raise ValueError(f"{text[:60]!r} is not a time zone: give UTC or an offset such as +02:00") from None
