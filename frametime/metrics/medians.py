"""Medians of finite values: exact, and without what a general library pays for masks and missing values."""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

# Up to this length on average, sorting all stretches as rows of one array is faster than a partition of each.
_SHORT: Final = 128


def median(values: NDArray[np.float64]) -> float:
    """Median of one value or more, left in their order.

    ``np.median`` gives the same and costs a quick check more than all its medians: it imports ``numpy.ma``.

    Examples
    --------
    >>> median(np.array([3.0, 1.0, 2.0, 5.0]))
    2.5
    """
    return median_in_place(np.array(values))


def median_in_place(values: NDArray[np.float64]) -> float:
    """Median of values that are no longer needed in their order."""
    n = values.size
    middle = n // 2
    values.partition(middle)
    upper = float(values[middle])
    return upper if n % 2 else 0.5 * (float(values[:middle].max()) + upper)


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
