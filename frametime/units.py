"""Units of time and rate, and their codes in the Unified Code for Units of Measure (UCUM)."""

from __future__ import annotations

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
