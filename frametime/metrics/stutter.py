"""Stutters: frames that are long beside the frames around them.

What is around a frame is told by the local median: the median of the frames within a window, the frame itself left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.block_medians import Numbers, as_rows
from frametime.metrics.frame_series import FrameSeries, once_a_series
from frametime.metrics.options import StutterRule
from frametime.units import NS_PER_S

TIE_MS: Final = 1e-7
"""A tenth of a nanosecond: below any clock, above the rounding of float64, so that ties are decided as on paper."""

_BLOCK: Final = 64
_AT_ONCE: Final = 1 << 18
"""Frames of all windows that are sorted together: they must not fill the memory."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Stutters:
    """Every stutter of a run, in the order of time; arrays of equal length.

    Attributes
    ----------
    positions : ndarray of int64, shape (n_stutters,)
        Index of the frame in ``frame_times_ms``.
    ends_s : ndarray of float64
        When the frame ended, in s since the start of the first frame.
    frame_times_ms, local_medians_ms : ndarray of float64
        How long the frame was, and the median of the frames around it.
    """

    positions: NDArray[np.int64]
    ends_s: NDArray[np.float64]
    frame_times_ms: NDArray[np.float64]
    local_medians_ms: NDArray[np.float64]

    @property
    def count(self) -> int:
        """How many there are."""
        return int(self.positions.size)

    @property
    def excess_ms(self) -> NDArray[np.float64]:
        """By how much each is longer than the local median."""
        return self.frame_times_ms - self.local_medians_ms


@once_a_series
def stutters_of(series: FrameSeries) -> Stutters:
    """Every stutter of a run, by the rule of its options."""
    return find_stutters(series.timestamps_ns, series.frame_times_ms, rule=series.options.stutter)


def find_stutters(
    timestamps_ns: NDArray[np.int64], frame_times_ms: NDArray[np.float64], *, rule: StutterRule
) -> Stutters:
    """Frames longer than ``ratio`` times the local median and longer than it by ``min_excess_ms`` or more.

    Parameters
    ----------
    timestamps_ns : ndarray of int64, shape (n_frames + 1,)
    frame_times_ms : ndarray of float64, shape (n_frames,)
    rule : StutterRule
    """
    positions = candidates(timestamps_ns, frame_times_ms, rule=rule)
    medians_ms = local_medians_ms(timestamps_ns, frame_times_ms, positions, window_s=rule.window_s, unit=1.0)
    times_ms = frame_times_ms[positions]
    is_stutter = (times_ms > rule.ratio * medians_ms + TIE_MS) & (times_ms - medians_ms >= rule.min_excess_ms - TIE_MS)
    positions = positions[is_stutter]
    return Stutters(
        positions=positions,
        ends_s=(timestamps_ns[positions + 1] - timestamps_ns[0]) / 1e9,
        frame_times_ms=times_ms[is_stutter],
        local_medians_ms=medians_ms[is_stutter],
    )


def local_medians_ms(
    timestamps_ns: NDArray[np.int64], times: Numbers, positions: NDArray[np.int64], *, window_s: float, unit: float
) -> NDArray[np.float64]:
    """Local median at each position; infinite in a run of one frame, which has no frame around it.

    Parameters
    ----------
    timestamps_ns : ndarray of int64, shape (n_frames + 1,)
    times : ndarray of float64, int32 or int64, shape (n_frames,)
        Frame times; whole numbers of four bytes sort in a third of the time.
    positions : ndarray of int64, shape (k,)
        Rising indices of frames.
    window_s : float
        See `windows`.
    unit : float
        So many of theirs are a millisecond.

    Returns
    -------
    ndarray of float64, shape (k,)

    Examples
    --------
    >>> times_ms = np.array([10.0, 11.0, 90.0, 12.0, 14.0])
    >>> timestamps_ns = np.concatenate([[0], np.cumsum(times_ms * 1e6).astype(np.int64)])
    >>> local_medians_ms(timestamps_ns, times_ms, np.array([2]), window_s=1.0, unit=1.0).tolist()
    [11.5]
    """
    medians_ms = np.full(positions.size, np.inf)
    if times.size < 2:
        return medians_ms
    first, last = windows(timestamps_ns, positions, window_s=window_s)
    step = max(_AT_ONCE // int((last - first).max(initial=1)), 1)
    for begin in range(0, positions.size, step):
        some = slice(begin, begin + step)
        medians_ms[some] = _medians_without(times, positions[some], first[some], last[some], unit)
    return medians_ms


def _medians_without(
    values: Numbers, own: NDArray[np.int64], first: NDArray[np.int64], last: NDArray[np.int64], unit: float
) -> NDArray[np.float64]:
    """Median of each stretch without one value of it, in so large units."""
    lengths, numbers = last - first, np.arange(own.size)
    rows, beyond = as_rows(values, first, lengths)
    rows[beyond] = most = np.inf if values.dtype.kind == "f" else np.iinfo(values.dtype).max
    rows[numbers, own - first] = most
    rows.sort(axis=1)
    lower, upper = rows[numbers, (lengths - 2) // 2] / unit, rows[numbers, (lengths - 1) // 2] / unit
    return np.asarray(0.5 * (lower + upper), dtype=np.float64)


def windows(
    timestamps_ns: NDArray[np.int64], positions: NDArray[np.int64], *, window_s: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First frame of the window around each frame, and one past the last.

    The window is half of ``window_s`` before the start of the frame and half of it after its end; every other frame
    that lies in it, wholly or in part, belongs to it. Measured from the frame's edges, it holds the frame before and
    the frame after whatever the length of the frame, a freeze included.

    Parameters
    ----------
    timestamps_ns : ndarray of int64, shape (n_frames + 1,)
    positions : ndarray of int64, shape (k,)
        Rising indices of frames.
    window_s : float

    Returns
    -------
    tuple of ndarray of int64, shape (k,)
    """
    half_ns = round(window_s * NS_PER_S / 2)
    # Frame j begins at timestamp j and ends at timestamp j + 1.
    first = np.searchsorted(timestamps_ns, timestamps_ns[positions] - half_ns, side="right") - 1
    last = np.searchsorted(timestamps_ns, timestamps_ns[positions + 1] + half_ns, side="left")
    return np.maximum(first, 0), np.minimum(last, timestamps_ns.size - 1)


def candidates(
    timestamps_ns: NDArray[np.int64], frame_times_ms: NDArray[np.float64], *, rule: StutterRule
) -> NDArray[np.int64]:
    """Positions of all frames that can be stutters, and of some that are none; rising, shape (k,).

    A local median costs far more than a comparison, and hardly any frame is a stutter. Blocks of frames are kept in
    which one would be a stutter if the local median were the least frame time around the block; of these blocks, the
    frames that would be one with the least local median that any frame of the block can have.

    Parameters
    ----------
    timestamps_ns : ndarray of int64, shape (n_frames + 1,)
    frame_times_ms : ndarray of float64, shape (n_frames,)
    rule : StutterRule
    """
    n_frames = frame_times_ms.size
    starts = np.arange(0, n_frames, _BLOCK)
    stops = np.minimum(starts + _BLOCK, n_frames)
    half_ns = round(rule.window_s * NS_PER_S / 2)
    block_starts_ns = np.ascontiguousarray(timestamps_ns[:-1:_BLOCK])
    # The blocks that hold the windows of all frames of a block.
    first = np.maximum(np.searchsorted(block_starts_ns, timestamps_ns[starts] - half_ns, side="right") - 1, 0)
    last = np.searchsorted(block_starts_ns, timestamps_ns[stops] + half_ns, side="left")
    least_of_blocks = np.append(np.minimum.reduceat(frame_times_ms, starts), np.inf)
    least = np.minimum.reduceat(least_of_blocks, np.column_stack((first, last)).ravel())[::2]
    limits = np.maximum(rule.ratio * least, least + rule.min_excess_ms - TIE_MS)
    blocks = np.flatnonzero(np.maximum.reduceat(frame_times_ms, starts) >= limits)
    starts, stops = starts[blocks], stops[blocks]
    first, last_of_first = windows(timestamps_ns, starts, window_s=rule.window_s)
    first_of_last, last = windows(timestamps_ns, stops - 1, window_s=rule.window_s)
    # What all windows of a block share, less the frame itself: the lower median of any of them has this rank or more.
    ranks = np.maximum(last_of_first - first_of_last - 2, 0) // 2
    kept = [np.zeros(0, dtype=np.int64)]
    rows = zip(*(each.tolist() for each in (starts, stops, first, last, ranks)), strict=True)
    for start, stop, low, high, rank in rows:
        least_ms = np.partition(frame_times_ms[low:high], rank)[rank]
        limit_ms = max(rule.ratio * least_ms, least_ms + rule.min_excess_ms - TIE_MS)
        kept.append(start + np.flatnonzero(frame_times_ms[start:stop] >= limit_ms))
    return np.concatenate(kept)
