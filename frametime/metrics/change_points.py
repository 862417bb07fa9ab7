"""Change points of a series of block values by binary segmentation."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.mann_kendall import autocorrelation, average_ranks


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangePoint:
    """A change between two blocks.

    Attributes
    ----------
    index : int
        Blocks before the change, counted from the start of the series.
    before, after : float
        Medians on both sides, up to the neighboring change or the end.
    p_value : float
        Of the test in the part of the series in which it was found.
    """

    index: int
    before: float
    after: float
    p_value: float


def pettitt(values: NDArray[np.float64]) -> tuple[float, int, float]:
    """Pettitt's statistic K, the number of values before the most likely change, and the approximate p value.

    A. N. Pettitt, Applied Statistics 28, 1979, 126-135: K = max |U_t|, p = 2 exp(-6 K^2 / (T^3 + T^2)). Assumes
    independent values; see `change_test`.
    """
    n = values.size
    if n < 2:
        raise ValueError(f"values must hold two points or more, got {n!r}")
    counts = np.arange(1, n + 1)
    scores = 2.0 * np.cumsum(average_ranks(values)) - counts * (n + 1.0)
    split = int(np.argmax(np.abs(scores[:-1]))) + 1
    largest = float(abs(scores[split - 1]))
    return largest, split, min(1.0, 2.0 * math.exp(-6.0 * largest**2 / (n**3 + n**2)))


def change_test(values: NDArray[np.float64]) -> tuple[int, float]:
    """The most likely change of level of an autocorrelated series, and its p value.

    The place is Pettitt's. Two tests are made there and their smaller p value is doubled (Bonferroni). Pettitt's own
    is blind to the size of a step: of 60 values, 19 after a step give p = 1e-7 at best, however large the step is.
    The other is the cumulated-sum test of W. Ploberger and W. Krämer, Econometrica 60, 1992, 271-285, with the scatter
    about the two levels: p = 2 exp(-2 D^2) with D the step times n1 n2 / n over the scatter times sqrt(n); the step
    is one of medians, whose variance is pi / 2 times that of means.

    Autocorrelated noise wanders, and tests for independent values take that for a change: both variances are widened
    by (1 + r) / (1 - r), where r is the lag-1 coefficient of the ranks about the two levels, corrected for its bias
    (Kendall, Biometrika 41, 1954); negative r is taken as 0.

    Returns
    -------
    split : int
        Values before the change.
    p_value : float
    """
    largest, split, _ = pettitt(values)
    n = values.size
    residual = values.copy()
    step = float(np.median(values[:split]) - np.median(values[split:]))
    residual[:split] -= np.median(values[:split])
    residual[split:] -= np.median(values[split:])
    first = float(autocorrelation(average_ranks(residual), 1)[0])
    # Two levels and the place of the split were fitted: each costs the coefficient about (1 + 4 r) / n.
    first = min(max(first + 3.0 * (1.0 + 4.0 * max(first, 0.0)) / n, 0.0), 0.98)
    inflation = (1.0 + first) / (1.0 - first)
    rank_p = 2.0 * math.exp(-6.0 * largest**2 / ((n**3 + n**2) * inflation))
    limit = 3.0 * 1.4826 * float(np.median(np.abs(residual)))
    scatter_squared = float(np.sum(np.clip(residual, -limit, limit) ** 2)) / max(n - 3, 1)
    sum_squared = (step * split * (n - split) / n) ** 2
    if scatter_squared > 0.0:
        size_p = 2.0 * math.exp(-2.0 * sum_squared / (0.5 * math.pi * scatter_squared * n * inflation))
    else:
        size_p = 0.0 if step else 1.0
    return split, min(1.0, 2.0 * min(rank_p, size_p))


def best_split(values: NDArray[np.float64], before: float, after: float) -> int:
    """Values before the split that leaves the least sum of absolute distances from the two levels.

    Examples
    --------
    >>> best_split(np.array([8.0, 8.2, 8.1, 9.0, 9.1]), 8.0, 9.0)
    3
    """
    # Moving the split past a value costs its distance from the level before and saves that from the level after.
    costs = np.abs(values - before) - np.abs(values - after)
    return 1 + int(np.argmin(np.cumsum(costs)[:-1]))


def _is_line(values: NDArray[np.float64], split: int) -> bool:
    """Whether a straight line describes the series better than one step, by the sum of squared residuals.

    A steady slope is drift, not a change at one time.
    """
    times = np.arange(values.size) - 0.5 * (values.size - 1)
    centered = values - values.mean()
    slope = float(times @ centered) / float(times @ times)
    line_squares = float(np.sum((centered - slope * times) ** 2))
    step_squares = float(np.var(values[:split]) * split + np.var(values[split:]) * (values.size - split))
    return line_squares < step_squares


def find_change_points(
    values: NDArray[np.float64],
    *,
    significance: float,
    min_blocks: int,
    min_ratio: float,
    max_changes: int,
) -> tuple[ChangePoint, ...]:
    """Changes in the level of a positive series, strongest first found, told in order of time.

    Each part is tested as a whole; where it changes it is split and both parts are tested again. A change counts
    when its p value is below ``significance``, both sides hold ``min_blocks`` or more, and their medians differ by
    the factor ``min_ratio`` or more.

    Parameters
    ----------
    values : ndarray of float64, shape (n_blocks,)
        All > 0.
    significance : float
    min_blocks : int
    min_ratio : float
        More than 1; 1.02 asks for 2 %.
    max_changes : int
        Work is bounded: each split costs one sort of its part.
    """
    splits: dict[int, float] = {}
    parts = [(0, values.size)]
    while parts and len(splits) < max_changes:
        low, high = parts.pop(0)
        if high - low < 2 * min_blocks:
            continue
        part = values[low:high]
        split, p_value = change_test(part)
        if p_value >= significance or _is_line(part, split):
            continue
        # Ranks find that there is a change, but blocks that lie a little high before it draw the place to them.
        split = best_split(part, float(np.median(part[:split])), float(np.median(part[split:])))
        if min(split, part.size - split) < min_blocks:
            continue
        before, after = float(np.median(part[:split])), float(np.median(part[split:]))
        if max(before, after) < min_ratio * min(before, after):
            continue
        splits[low + split] = p_value
        parts += [(low, low + split), (low + split, high)]
    edges = [0, *sorted(splits), values.size]
    return tuple(
        ChangePoint(
            index=middle,
            before=float(np.median(values[low:middle])),
            after=float(np.median(values[middle:high])),
            p_value=splits[middle],
        )
        for low, middle, high in zip(edges[:-2], edges[1:-1], edges[2:], strict=True)
    )
