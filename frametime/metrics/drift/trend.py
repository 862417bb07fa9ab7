"""Whether a short series rises or falls: robust slope (Theil and Sen), and the test of Mann and Kendall."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from functools import lru_cache
from itertools import combinations
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.block_medians import median
from frametime.statistics.distributions import normal_two_sided_p


@lru_cache(maxsize=4)
def _pairs(n: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First and second place of every pair of ``n`` points."""
    return np.triu_indices(n, k=1)


def pairwise_slopes(times: NDArray[np.float64], levels: NDArray[np.float64]) -> NDArray[np.float64]:
    """Slopes of all pairs of points in rising order, shape (n (n - 1) / 2,). Quadratic: for block medians only."""
    first, second = _pairs(times.size)
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


STRAIGHT_FRACTION: Final = 0.02
"""Scatter about the curve, as a share of its whole change, below which autocorrelation cannot have made the trend.

A random walk of 60 steps lies so close to a parabola that changes as much less than once in a thousand.
"""


FEW_POINTS: Final = 16
"""Up to so many points a plain loop over the pairs is faster than the arrays; a review asks it of thousands of sets."""


class TrendTest(NamedTuple):
    """Result of the test.

    Attributes
    ----------
    score : float
        Rising pairs minus falling pairs.
    variance : float
        Of the score without a trend, corrected for ties and autocorrelation.
    inflation : float
        Factor of that variance that stands for autocorrelation, 1 or more.
    z, p_value : float
        Standardized score with continuity correction, and its two-sided chance.
    """

    score: float
    variance: float
    inflation: float
    z: float
    p_value: float


def average_ranks(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Ranks from 1, ties with their average rank.

    Examples
    --------
    >>> average_ranks(np.array([3.0, 1.0, 3.0])).tolist()
    [2.5, 1.0, 2.5]
    """
    order = values.argsort()
    ordered = values[order]
    ranks = np.empty(values.size)
    ranks[order] = np.arange(1.0, values.size + 1.0)
    if (ordered[1:] != ordered[:-1]).all():
        return ranks
    first, last = (np.searchsorted(ordered, values, side=side) for side in ("left", "right"))
    return np.asarray(0.5 * (first + last + 1.0), dtype=np.float64)


def kendall_score(values: NDArray[np.float64]) -> tuple[float, float]:
    """Score S of a series and its variance without trend or autocorrelation, ties taken into account.

    H. B. Mann, Econometrica 13, 1945; M. G. Kendall, Rank Correlation Methods, 1975.
    """
    n = values.size
    if n <= FEW_POINTS:
        score = float(sum((later > value) - (later < value) for value, later in combinations(values.tolist(), 2)))
        ties: Iterable[int] = Counter(values.tolist()).values()
    else:
        first, second = _pairs(n)
        score = float(np.sign(values[second] - values[first]).sum())
        ties = np.unique(values, return_counts=True)[1].tolist()
    tied = float(sum(count * (count - 1) * (2 * count + 5) for count in ties))
    return score, (n * (n - 1.0) * (2.0 * n + 5.0) - tied) / 18.0


def autocorrelation(values: NDArray[np.float64], n_lags: int) -> NDArray[np.float64]:
    """Autocorrelation at lags 1 to ``n_lags``, each sum of products over the full sum of squares; 0 for a constant."""
    centered = values - values.sum() / values.size
    total = float(centered @ centered)
    if total == 0.0:
        return np.zeros(n_lags)
    return np.array([float(centered[lag:] @ centered[: centered.size - lag]) / total for lag in range(1, n_lags + 1)])


def variance_inflation(residual: NDArray[np.float64], n_fitted: int = 2) -> float:
    """Factor by which autocorrelation widens the variance of the score, 1 or more.

    K. H. Hamed and A. R. Rao, Journal of Hydrology 204, 1998: from the autocorrelation of the ranks of the
    detrended series, significant lags only. That alone finds too many trends in strongly autocorrelated series,
    since the sample autocorrelation of a detrended series is too small; so a second estimate is made with the lag-1
    coefficient of a first-order process, corrected for that bias (Kendall, Biometrika 41, 1954: each fitted number
    costs it about (1 + 4 r) / n), and the larger one is taken.

    Parameters
    ----------
    residual : ndarray of float64, shape (n,)
        The series without its trend.
    n_fitted : int
        Numbers fitted to take the trend out, the level among them.
    """
    n = residual.size
    correlations = autocorrelation(average_ranks(residual), n - 1)
    lags = np.arange(1, n)
    weights = (n - lags) * (n - lags - 1.0) * (n - lags - 2.0)
    scale = 2.0 / (n * (n - 1.0) * (n - 2.0))
    significant = np.abs(correlations) > 1.959963985 / np.sqrt(n)
    measured = 1.0 + scale * float(np.sum(weights[significant] * correlations[significant]))
    first = float(correlations[0])
    first = (
        min(first + n_fitted * (1.0 + 4.0 * first) / n, 0.99)
        if first > (1.645 - n_fitted / np.sqrt(n)) / np.sqrt(n)
        else 0.0
    )
    modeled = 1.0 + scale * float(np.sum(weights * first**lags)) if first > 0.0 else 1.0
    return max(1.0, measured, modeled)


def trend_test(values: NDArray[np.float64], *, slope_per_step: float | None = None) -> TrendTest:
    """Whether a series rises or falls more than chance would let it.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
        Evenly spaced, four or more; quadratic in time, so block medians rather than frames.
    slope_per_step : float, optional
        Slope removed before the autocorrelation is taken, as Hamed and Rao do with the Theil-Sen slope. By default a
        parabola is removed: a card that warms up drifts along a curve, and what a line leaves of it would be taken
        for autocorrelated noise.

    Examples
    --------
    >>> trend_test(np.arange(10.0)).score
    45.0
    """
    n = values.size
    if n < 4:
        raise ValueError(f"values must hold four points or more, got {n!r}")
    score, variance = kendall_score(values)
    if slope_per_step is None:
        times = np.linspace(-1.0, 1.0, n)
        fitted = np.polyval(np.polyfit(times, values, 2), times)
        residual = values - fitted
        # What is left over may be nothing but the rounding of the log, whose pattern says nothing of the trend.
        straight = float(np.std(residual)) < STRAIGHT_FRACTION * abs(float(fitted[-1] - fitted[0]))
        inflation = 1.0 if straight else variance_inflation(residual, 3)
    else:
        inflation = variance_inflation(values - slope_per_step * np.arange(n))
    variance *= inflation
    z = 0.0 if variance <= 0.0 else float(np.sign(score)) * max(abs(score) - 1.0, 0.0) / float(np.sqrt(variance))
    return TrendTest(score=score, variance=variance, inflation=inflation, z=z, p_value=normal_two_sided_p(z))
