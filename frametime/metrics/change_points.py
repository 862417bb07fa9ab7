"""Change points of a series of block values by binary segmentation with a rank test."""

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
    independent values; see ``adjusted_pettitt``.
    """
    n = values.size
    if n < 2:
        raise ValueError(f"values must hold two points or more, got {n!r}")
    counts = np.arange(1, n + 1)
    scores = 2.0 * np.cumsum(average_ranks(values)) - counts * (n + 1.0)
    split = int(np.argmax(np.abs(scores[:-1]))) + 1
    largest = float(abs(scores[split - 1]))
    return largest, split, min(1.0, 2.0 * math.exp(-6.0 * largest**2 / (n**3 + n**2)))


def adjusted_pettitt(values: NDArray[np.float64]) -> tuple[int, float]:
    """Split and p value with the variance of K widened for autocorrelation.

    Autocorrelated noise wanders, and a test for independent values takes that for a change. The lag-1 coefficient
    r of the ranks, with the medians of both sides removed and corrected for its bias (Kendall, Biometrika 41, 1954),
    widens the variance of a sum by (1 + r) / (1 - r); negative r is taken as 0.
    """
    largest, split, _ = pettitt(values)
    n = values.size
    residual = values.copy()
    residual[:split] -= np.median(values[:split])
    residual[split:] -= np.median(values[split:])
    first = float(autocorrelation(average_ranks(residual), 1)[0])
    # Two levels and the place of the split were fitted: each costs the coefficient about (1 + 4 r) / n.
    first = min(max(first + 3.0 * (1.0 + 4.0 * max(first, 0.0)) / n, 0.0), 0.98)
    inflation = (1.0 + first) / (1.0 - first)
    return split, min(1.0, 2.0 * math.exp(-6.0 * largest**2 / ((n**3 + n**2) * inflation)))


def _is_line(values: NDArray[np.float64], split: int) -> bool:
    """Whether a straight line describes the series better than one step, by the sum of absolute residuals.

    A steady slope is drift, not a change at one time. The line goes through the medians of both thirds at the ends.
    """
    third = max(values.size // 3, 1)
    left, right = float(np.median(values[:third])), float(np.median(values[-third:]))
    slope = (right - left) / max(values.size - third, 1)
    line_residual = values - slope * np.arange(values.size)
    line_residual -= np.median(line_residual)
    step_residual = values.copy()
    step_residual[:split] -= np.median(values[:split])
    step_residual[split:] -= np.median(values[split:])
    return bool(np.sum(np.abs(line_residual)) < np.sum(np.abs(step_residual)))


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
        split, p_value = adjusted_pettitt(part)
        if p_value >= significance or _is_line(part, split):
            continue
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
