"""Absolute times: where the capture's clock stands at 0, and what that is in UTC."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from types import MappingProxyType
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.column_choice import ColumnUse
from frametime.adapters.numbers import TimeValues
from frametime.units import NS_PER_S

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
# No machine has run for 30 years since it was switched on: such a count is one since 1970.
_FIRST_ABSOLUTE_NS: Final = 946_684_800 * NS_PER_S
_LAST_ABSOLUTE_NS: Final = 4_102_444_800 * NS_PER_S


class ClockOrigin(NamedTuple):
    """By how much timestamps are moved so that the first is near 0, and the absolute time of 0."""

    shift_ns: int = 0
    recorded_from_utc: str | None = None
    metadata: Mapping[str, str] = MappingProxyType({})
    evidence: tuple[str, ...] = ()


def clock_origin(use: ColumnUse | None, times: TimeValues | None, stamps: NDArray[np.int64]) -> ClockOrigin:
    """The origin of a timeline.

    Parameters
    ----------
    use : ColumnUse or None
        The column of timestamps.
    times : TimeValues or None
    stamps : ndarray of int64
        Timestamps of the frames.
    """
    if use is None or times is None or use.unit is None:
        return ClockOrigin()
    first = int(stamps[0])
    if times.zoned is not None:
        if times.zoned:
            return ClockOrigin(
                shift_ns=first, recorded_from_utc=_iso(first) + "Z", evidence=("the dates name their zone",)
            )
        return ClockOrigin(
            shift_ns=first,
            metadata={"recorded_from_local": _iso(first)},
            evidence=("the dates name no zone, so they are not taken as UTC",),
        )
    if use.unit.form == "number" and _FIRST_ABSOLUTE_NS <= first <= _LAST_ABSOLUTE_NS:
        return ClockOrigin(
            shift_ns=first,
            recorded_from_utc=_iso(first) + "Z",
            evidence=(f"the times count from 1970: the first is {_iso(first)} UTC",),
        )
    return ClockOrigin()


def _iso(ns: int) -> str:
    seconds, rest = divmod(ns, NS_PER_S)
    return f"{(_EPOCH + timedelta(seconds=seconds)).strftime('%Y-%m-%dT%H:%M:%S')}.{rest:09d}"
