"""Which frames can be stutters at all: bounds of the local median that are cheap and safe.

A local median costs far more than a comparison, and hardly any frame is a stutter. The first bound is the least frame
time around a block of frames. Where the frame times vary so much that many frames pass, the second counts, in
histograms summed over blocks, how many frames around can lie below the frame's own threshold: with less than half, the
local median is above it. Both only ever keep too many.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.local_median import half_window_ns, search_rising, windows
from frametime.metrics.options import StutterRule
from frametime.units import NS_PER_S

TIE_MS: Final = 1e-7
"""A tenth of a nanosecond: below any clock, above the rounding of float64, so that ties are decided as on paper."""

_BLOCK: Final = 64
_FINE_BLOCK: Final = 16
_EDGES: Final = 15
# From so many elements in the windows of the candidates for each frame, counting costs less than gathering them.
_WORTH_COUNTING: Final = 2


def candidates(
    timestamps_ns: NDArray[np.int64], frame_times_ms: NDArray[np.float64], *, rule: StutterRule
) -> NDArray[np.int64]:
    """Positions of all frames that can be stutters, and of some that are none.

    Parameters
    ----------
    timestamps_ns : ndarray of int64, shape (n_frames + 1,)
    frame_times_ms : ndarray of float64, shape (n_frames,)
    rule : StutterRule

    Returns
    -------
    ndarray of int64, shape (k,)
        Rising.
    """
    n_frames = frame_times_ms.size
    blocks, limits = _blocks_above_local_minimum(timestamps_ns, frame_times_ms, rule)
    if blocks.size * _BLOCK > n_frames // 4:
        return _with_enough_below(timestamps_ns, frame_times_ms, rule)
    frames = (blocks[:, None] * _BLOCK + np.arange(_BLOCK)).ravel()
    passing = frame_times_ms[np.minimum(frames, n_frames - 1)] >= np.repeat(limits, _BLOCK)
    positions: NDArray[np.int64] = frames[passing & (frames < n_frames)]
    per_window = rule.window_s * NS_PER_S * n_frames / float(timestamps_ns[-1] - timestamps_ns[0])
    if positions.size * min(per_window, n_frames) < _WORTH_COUNTING * n_frames:
        return positions
    return _with_enough_below(timestamps_ns, frame_times_ms, rule)


def _blocks_above_local_minimum(
    timestamps_ns: NDArray[np.int64], frame_times_ms: NDArray[np.float64], rule: StutterRule
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Blocks with frames that would be stutters if the local median were the least frame time around the block.

    With the limit that a frame of each of them must reach.
    """
    starts = np.arange(0, frame_times_ms.size, _BLOCK)
    minima, maxima = _extremes(frame_times_ms)
    first, last = _covering_blocks(timestamps_ns, starts, np.minimum(starts + _BLOCK, frame_times_ms.size), rule)
    least = _range_minima(minima, first, last)
    limits = np.maximum(rule.ratio * least, least + rule.min_excess_ms - TIE_MS)
    blocks = np.flatnonzero(maxima >= limits)
    return blocks, limits[blocks]


def _extremes(values: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    n_whole = values.size // _BLOCK
    rows = values[: n_whole * _BLOCK].reshape(n_whole, _BLOCK)
    rest = values[n_whole * _BLOCK :]
    minima, maxima = rows.min(axis=1), rows.max(axis=1)
    return (minima, maxima) if rest.size == 0 else (np.append(minima, rest.min()), np.append(maxima, rest.max()))


def _covering_blocks(
    timestamps_ns: NDArray[np.int64],
    starts: NDArray[np.int64],
    stops: NDArray[np.int64],
    rule: StutterRule,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First block, and one past the last, that hold the windows of all frames from ``starts`` up to ``stops``."""
    half_ns = half_window_ns(rule.window_s)
    block_starts_ns = np.ascontiguousarray(timestamps_ns[:-1:_BLOCK])
    first = search_rising(block_starts_ns, timestamps_ns[starts] - half_ns, side="right") - 1
    last = search_rising(block_starts_ns, timestamps_ns[stops] + half_ns, side="left")
    return np.maximum(first, 0), last


def _range_minima(
    values: NDArray[np.float64], first: NDArray[np.int64], last: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Least value of each range, from minima over lengths that are powers of two: any range is the union of two."""
    lengths = last - first
    least = np.empty(first.size)
    table, length = values, 1
    while True:
        here = (lengths >= length) & (lengths < 2 * length)
        least[here] = np.minimum(table[first[here]], table[last[here] - length])
        if 2 * length > lengths.max():
            return least
        table = np.minimum(table[:-length], table[length:])
        length *= 2


def _with_enough_below(
    timestamps_ns: NDArray[np.int64], frame_times_ms: NDArray[np.float64], rule: StutterRule
) -> NDArray[np.int64]:
    """Frames around which half of the frames, or more, can lie below what makes them stutters.

    First by blocks of frames, with what all of them share; then the few that are left one by one.
    """
    n_frames = frame_times_ms.size
    edges_ms, below = _counts_below(frame_times_ms)
    starts = np.arange(0, n_frames, _FINE_BLOCK)
    first, last = windows(timestamps_ns, np.append(starts, n_frames - 1), window_s=rule.window_s)
    # Windows move on with their frames, so the next block's first window bounds those of this block.
    n_needed = (last[:-1] - first[1:]) // 2
    least = _least_medians(edges_ms, below, first[:-1], last[1:], n_needed)
    limits = np.maximum(rule.ratio * least, least + rule.min_excess_ms - TIE_MS)
    positions = np.flatnonzero(frame_times_ms >= np.repeat(limits, _FINE_BLOCK)[:n_frames])
    first, last = windows(timestamps_ns, positions, window_s=rule.window_s)
    least = _least_medians(edges_ms, below, first, last, (last - first) // 2)
    limits = np.maximum(rule.ratio * least, least + rule.min_excess_ms - TIE_MS)
    return positions[frame_times_ms[positions] >= limits]


def _least_medians(
    edges_ms: NDArray[np.float64],
    below: NDArray[np.int32],
    first: NDArray[np.int64],
    last: NDArray[np.int64],
    n_needed: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Highest edge below which fewer than ``n_needed`` frames lie, in the blocks that hold each stretch of frames."""
    least = np.empty(first.size)
    first_block, last_block = first // _FINE_BLOCK, -(-last // _FINE_BLOCK)
    per_step = 1 << 14
    for start in range(0, first.size, per_step):
        step = slice(start, start + per_step)
        n_below = below[last_block[step]] - below[first_block[step]]
        least[step] = edges_ms[(n_below < n_needed[step, None]).sum(axis=1)]
    return least


def _counts_below(frame_times_ms: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Edges, and the frames below each of them in all blocks before a block.

    Returns
    -------
    edges_ms : ndarray of float64, shape (n_edges + 1,)
        Rising from 0, which no frame is below.
    below : ndarray of int32, shape (n_blocks + 1, n_edges)
        For the edges after the first.
    """
    sample_ms = frame_times_ms[:: max(1, frame_times_ms.size >> 14)]
    low_ms, high_ms = np.quantile(sample_ms, [0.02, 0.8])
    width_ms = max((high_ms - low_ms) / (_EDGES - 1), 1e-3 * low_ms)
    # A part in 10**9 less makes up for rounding: a frame is never counted as above an edge it lies below.
    edges_ms = np.concatenate([[0.0], (low_ms + width_ms * np.arange(_EDGES)) * (1.0 - 1e-9)])
    n_blocks = -(-frame_times_ms.size // _FINE_BLOCK)
    below = np.zeros((n_blocks + 1, _EDGES), dtype=np.int32)
    per_step = 1 << 11
    offsets = np.arange(per_step * _FINE_BLOCK) // _FINE_BLOCK * (_EDGES + 1)
    scaled = np.empty(per_step * _FINE_BLOCK)
    for start in range(0, n_blocks, per_step):
        stop = min(start + per_step, n_blocks)
        values_ms = frame_times_ms[start * _FINE_BLOCK : stop * _FINE_BLOCK]
        # Cell c holds the frames from edge c - 1 up to edge c; cell 0 those below the first, the last those above all.
        place = scaled[: values_ms.size]
        np.subtract(values_ms, low_ms - width_ms, out=place)
        place /= width_ms
        np.clip(place, 0.0, _EDGES, out=place)
        cells = place.astype(np.int64)
        cells += offsets[: values_ms.size]
        counts = np.bincount(cells, minlength=(stop - start) * (_EDGES + 1)).reshape(-1, _EDGES + 1)
        np.cumsum(counts[:, :_EDGES], axis=1, out=below[start + 1 : stop + 1])
    return edges_ms, np.cumsum(below, axis=0, out=below)
