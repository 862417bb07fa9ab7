"""Robust slope of a short series: median of the slopes of all pairs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.medians import median


def pairwise_slopes(times: NDArray[np.float64], levels: NDArray[np.float64]) -> NDArray[np.float64]:
    """Slopes of all pairs of points in rising order, shape (n (n - 1) / 2,). Quadratic: for block medians only."""
    first, second = np.triu_indices(times.size, k=1)
    return np.sort((levels[second] - levels[first]) / (times[second] - times[first]))


def theil_sen_slope(times: NDArray[np.float64], levels: NDArray[np.float64]) -> float:
    """Median of the slopes of all pairs (Theil 1950; Sen, Journal of the American Statistical Association 63, 1968).

    Parameters
    ----------
    times, levels : ndarray of float64, shape (n,)
        ``times`` strictly rising, two points or more. Meant for a bounded number of block medians.

    Examples
    --------
    Hollander, Wolfe and Chicken, Nonparametric Statistical Methods, example 9.1:

    >>> round(theil_sen_slope(np.arange(1.0, 6.0), np.array([1.26, 1.27, 1.12, 1.16, 1.03])), 5)
    -0.05625
    """
    if times.size < 2:
        raise ValueError(f"times must hold two points or more, got {times.size!r}")
    return median(pairwise_slopes(times, levels))


def slope_interval(
    sorted_slopes: NDArray[np.float64], *, score_variance: float, normal_factor: float
) -> tuple[float, float]:
    """Interval of the slope from ranks of the pairwise slopes (Gilbert 1987, section 16.5; Sen 1968).

    Parameters
    ----------
    sorted_slopes : ndarray of float64
        From ``pairwise_slopes``.
    score_variance : float
        Variance of the Mann-Kendall score, corrected for autocorrelation where there is any.
    normal_factor : float
        Quantile of the normal distribution, 1.96 for a 95 % interval.
    """
    n_slopes = sorted_slopes.size
    half_width = normal_factor * float(np.sqrt(score_variance))
    low_rank = (n_slopes - half_width) / 2.0
    high_rank = (n_slopes + half_width) / 2.0 + 1.0
    ranks = np.arange(1.0, n_slopes + 1.0)
    low, high = np.interp([low_rank, high_rank], ranks, sorted_slopes)
    return float(low), float(high)
