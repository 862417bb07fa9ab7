"""Medians of stretches of a run; its level block by block: what drift, changes and segments are found in."""

from __future__ import annotations

from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

# Up to this length on average, sorting all stretches as rows of one array is faster than a partition of each.
_SHORT: Final = 512


def median(values: NDArray[np.float64]) -> float:
    """Median of one finite value or more, left in their order.

    ``np.median`` gives the same, but loads ``numpy.ma`` for it: 9 ms of a quick check that takes 200.

    Examples
    --------
    >>> median(np.array([3.0, 1.0, 2.0, 5.0]))
    2.5
    """
    return median_in_place(np.array(values))


def median_in_place(values: NDArray[np.float64]) -> float:
    """Median of values that are no longer needed in their order."""
    n = values.size
    values.partition(n // 2)
    upper = float(values[n // 2])
    return upper if n % 2 else 0.5 * (float(values[: n // 2].max()) + upper)


def medians_between(values: NDArray[np.float64], edges: NDArray[np.int64]) -> NDArray[np.float64]:
    """Median of each stretch ``values[edges[i]:edges[i + 1]]``, none of them empty.

    Examples
    --------
    >>> medians_between(np.array([3.0, 1.0, 2.0, 5.0, 7.0]), np.array([0, 3, 5])).tolist()
    [2.0, 6.0]
    """
    if int(edges[-1] - edges[0]) > _SHORT * (edges.size - 1):
        return np.array([median(values[low:high]) for low, high in pairwise(edges.tolist())])
    medians = np.empty(edges.size - 1)
    lengths = np.diff(edges)
    by_length = np.argsort(lengths, kind="stable")
    start = 0
    while start < by_length.size:
        # Rows are filled up with infinity to one length, so a group holds no more than twice the shortest.
        shortest = int(lengths[by_length[start]])
        stop = int(np.searchsorted(lengths, 2 * shortest, side="right", sorter=by_length))
        group = by_length[start:stop]
        medians[group] = _medians_of_rows(values, edges[group], lengths[group])
        start = stop
    return medians


def _medians_of_rows(
    values: NDArray[np.float64], firsts: NDArray[np.int64], lengths: NDArray[np.int64]
) -> NDArray[np.float64]:
    offsets = np.arange(int(lengths.max()))
    rows = values[np.minimum(firsts[:, None] + offsets, values.size - 1)]
    rows[offsets >= lengths[:, None]] = np.inf
    rows.sort(axis=1)
    numbers = np.arange(lengths.size)
    return np.asarray(0.5 * (rows[numbers, (lengths - 1) // 2] + rows[numbers, lengths // 2]), dtype=np.float64)


class Blocks(NamedTuple):
    """Consecutive blocks of equal duration; blocks with too few frames are joined to their neighbor.

    Attributes
    ----------
    edges : ndarray of int64, shape (n_blocks + 1,)
        Frames before each edge.
    ends_s : ndarray of float64, shape (n_blocks,)
        End of the last frame of each block, seconds since the start.
    middles_s : ndarray of float64, shape (n_blocks,)
    levels_ms : ndarray of float64, shape (n_blocks,)
        Median frame time.
    block_s : float
        Duration of one: the run's own, divided by their number.
    """

    edges: NDArray[np.int64]
    ends_s: NDArray[np.float64]
    middles_s: NDArray[np.float64]
    levels_ms: NDArray[np.float64]
    block_s: float

    @property
    def n_blocks(self) -> int:
        """Number of blocks."""
        return int(self.levels_ms.size)


def absolute_steps(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """How far each value lies from the one before, the first from itself; one array, for runs that fill the memory.

    Examples
    --------
    >>> absolute_steps(np.array([3.0, 1.0, 1.5])).tolist()
    [0.0, 2.0, 0.5]
    """
    steps = np.empty_like(values)
    steps[0] = 0.0
    np.subtract(values[1:], values[:-1], out=steps[1:])
    return np.abs(steps, out=steps)


def make_blocks(
    frame_times_ms: NDArray[np.float64],
    ends_s: NDArray[np.float64],
    *,
    block_s: float,
    max_blocks: int,
    min_frames: int = 4,
) -> Blocks:
    """Cut a run into equal blocks of about ``block_s``, longer where that would give more than ``max_blocks``.

    Parameters
    ----------
    frame_times_ms, ends_s : ndarray of float64, shape (n_frames,)
    block_s : float
    max_blocks : int
        Bounds the cost of what is done with the blocks.
    min_frames : int
        Blocks with fewer frames are joined to the next one (the last to the one before).

    Examples
    --------
    >>> make_blocks(np.full(12, 100.0), np.arange(1, 13) * 0.1, block_s=0.5, max_blocks=600).edges.tolist()
    [0, 6, 12]
    """
    duration_s = float(ends_s[-1])
    n_aimed = min(max(round(duration_s / block_s), 1), max_blocks)
    block_s = duration_s / n_aimed
    inner = np.searchsorted(ends_s, np.arange(1, n_aimed) * block_s, side="right")
    edges = [0]
    for edge in inner.tolist():
        if edge - edges[-1] >= min_frames:
            edges.append(edge)
    if ends_s.size - edges[-1] < min_frames and len(edges) > 1:
        edges.pop()
    marks = np.array([*edges, ends_s.size], dtype=np.int64)
    ends = ends_s[marks[1:] - 1]
    starts = np.concatenate(([0.0], ends[:-1]))
    return Blocks(
        edges=marks,
        ends_s=ends,
        middles_s=0.5 * (starts + ends),
        levels_ms=medians_between(frame_times_ms, marks),
        block_s=block_s,
    )
