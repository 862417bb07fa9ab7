"""Medians of stretches of a run; its level block by block: what drift, changes and segments are found in."""

from __future__ import annotations

from typing import Any, Final, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from frametime.units import NS_PER_MS

# Up to this length rows are sorted faster than their middle is found.
_SHORT: Final = 256

Numbers: TypeAlias = NDArray[Any]
"""Whole or not."""

_FAR: Final = 4.0
_MISLEADING: Final = 4.0
_COARSE: Final = 0.01, 0.4


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
    if n <= _SHORT:
        values.sort()
        return 0.5 * (float(values[(n - 1) // 2]) + float(values[n // 2]))
    values.partition(n // 2)
    upper = float(values[n // 2])
    return upper if n % 2 else 0.5 * (float(values[: n // 2].max()) + upper)


def medians_between(values: Numbers, edges: NDArray[np.int64], *, unit: float = 1.0) -> NDArray[np.float64]:
    """Median of each stretch ``values[edges[i]:edges[i + 1]]``, none of them empty, in so large units.

    Examples
    --------
    >>> medians_between(np.array([3.0, 1.0, 2.0, 5.0, 7.0]), np.array([0, 3, 5])).tolist()
    [2.0, 6.0]
    """
    lengths = np.diff(edges)
    found = np.empty(lengths.size)
    for at in np.flatnonzero(lengths > _SHORT).tolist():
        found[at] = median_in_place(values[edges[at] : edges[at + 1]] / unit)
    by_length = np.argsort(lengths, kind="stable")[: int((lengths <= _SHORT).sum())]
    while by_length.size:
        # Rows are filled up to one length, so a group holds no more than twice the shortest.
        stop = np.searchsorted(lengths[by_length], 2 * lengths[by_length[0]], side="right")
        group, by_length = by_length[:stop], by_length[stop:]
        lower, upper = _middles_of_rows(values, edges[group], lengths[group])
        found[group] = 0.5 * (lower / unit + upper / unit)
    return found


def as_rows(
    values: Numbers, firsts: NDArray[np.int64], lengths: NDArray[np.int64]
) -> tuple[Numbers, NDArray[np.bool_]]:
    """Stretches as rows, all filled up to the length of the longest, and which places are filled up.

    Examples
    --------
    >>> as_rows(np.array([3, 1, 2]), np.array([0, 2]), np.array([2, 1]))[1].tolist()
    [[False, False], [False, True]]
    """
    offsets = np.arange(int(lengths.max(initial=0)))
    return values.take(firsts[:, None] + offsets, mode="clip"), offsets >= lengths[:, None]


def _middles_of_rows(values: Numbers, firsts: NDArray[np.int64], lengths: NDArray[np.int64]) -> tuple[Numbers, Numbers]:
    rows, beyond = as_rows(values, firsts, lengths)
    np.putmask(rows, beyond, np.inf if values.dtype.kind == "f" else np.iinfo(values.dtype).max)
    rows.sort(axis=1)
    numbers = np.arange(lengths.size)
    return rows[numbers, (lengths - 1) // 2], rows[numbers, lengths // 2]


class Levels(NamedTuple):
    """The level of each stretch of a run.

    Attributes
    ----------
    sizes : ndarray of float64, shape (n_stretches,)
    values : ndarray, shape (n,)
        What they are the medians of, or the means.
    are_means : bool
    """

    sizes: NDArray[np.float64]
    values: Numbers
    are_means: bool


def levels_between(values: Numbers, edges: NDArray[np.int64], *, unit: float = 1.0) -> Levels:
    """The level of each stretch: its median, or its mean where medians mislead.

    Where values lie in two heaps (half of a display's beats missed, long and short frames in turn, a timer of whole
    milliseconds) the median of a stretch falls into one or the other by chance. The variance of medians of normal
    values is 1.6 times that of means; from 4 times on, of all stretches or from each to the next, means stand for them
    (common practice, no source). A value beyond 4 times the median, of its stretch and of all, then counts as that.
    Behind a coarse timer, whose step is 1 to 40 % of the usual, the median does not move while the level does: means
    stand for it too, of values held within two steps.

    Examples
    --------
    >>> levels_between(np.tile([8.0, 12.0], 5)[:9], np.array([0, 3, 6, 9])).sizes.round(2).tolist()
    [9.33, 10.67, 9.33]
    """
    medians, counts = medians_between(values, edges, unit=unit), np.diff(edges)
    held = np.repeat(_FAR * unit * np.maximum(medians, medians.mean()), counts)
    np.minimum(values, held, out=held)
    least, most = (share * unit * float(medians.mean()) for share in _COARSE)
    step = 0 if values.dtype.kind == "f" else common_step(values, least)
    if is_coarse := 0 < step <= most:
        held = values.clip(*(np.repeat(unit * medians + 2.0 * side * step, counts) for side in (-1, 1)))
    means = np.add.reduceat(held, edges[:-1]) / (unit * counts)
    pairs = (np.diff(medians), np.diff(means)), (medians - medians.mean(), means - means.mean())
    if is_coarse or any(
        of_medians @ of_medians > _MISLEADING * (of_means @ of_means) for of_medians, of_means in pairs
    ):
        return Levels(means, held, are_means=True)
    return Levels(medians, values, are_means=False)


def common_step(values: Numbers, least: float) -> int:
    """Greatest common divisor of whole numbers, 0 where it is below ``least``; the first of them mostly tell that."""
    step = 0 if np.gcd.reduce(values[:256]) < least else int(np.gcd.reduce(values))
    return step if step >= least else 0


class Blocks(NamedTuple):
    """Consecutive blocks of equal duration; blocks with too few frames are joined to their neighbor.

    Attributes
    ----------
    edges : ndarray of int64, shape (n_blocks + 1,)
        Frames before each edge.
    ends_s : ndarray of float64, shape (n_blocks,)
        End of the last frame of each block, seconds since the start.
    middles_s : ndarray of float64, shape (n_blocks,)
    levels : Levels
        Of the frame times, in ms.
    block_s : float
        Duration of one: the run's own, divided by their number.
    """

    edges: NDArray[np.int64]
    ends_s: NDArray[np.float64]
    middles_s: NDArray[np.float64]
    levels: Levels
    block_s: float

    @property
    def levels_ms(self) -> NDArray[np.float64]:
        """Median frame time of each block, or mean: see `levels_between`."""
        return self.levels.sizes

    @property
    def n_blocks(self) -> int:
        """Number of blocks."""
        return int(self.levels_ms.size)


def make_blocks(
    steps_ns: Numbers, ends_s: NDArray[np.float64], *, block_s: float, max_blocks: int, min_frames: int = 4
) -> Blocks:
    """Cut a run into equal blocks of about ``block_s``, longer where that would give more than ``max_blocks``.

    Parameters
    ----------
    steps_ns : ndarray of int32 or int64, shape (n_frames,)
        Frame times.
    ends_s : ndarray of float64, shape (n_frames,)
    block_s : float
    max_blocks : int
        Bounds the cost of what is done with the blocks.
    min_frames : int
        Blocks with fewer frames are joined to the next one (the last to the one before).

    Examples
    --------
    >>> make_blocks(np.full(12, 100_000_000), np.arange(1, 13) * 0.1, block_s=0.5, max_blocks=600).edges.tolist()
    [0, 6, 12]
    """
    marks, block_s = block_edges(ends_s, block_s=block_s, max_blocks=max_blocks, min_frames=min_frames)
    ends = ends_s[marks[1:] - 1]
    starts = np.concatenate(([0.0], ends[:-1]))
    return Blocks(marks, ends, 0.5 * (starts + ends), levels_between(steps_ns, marks, unit=NS_PER_MS), block_s)


def block_edges(
    ends_s: NDArray[np.float64], *, block_s: float, max_blocks: int, min_frames: int
) -> tuple[NDArray[np.int64], float]:
    """Frames before each edge of the blocks of `make_blocks`, and how long each block is."""
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
    return np.array([*edges, ends_s.size], dtype=np.int64), block_s
