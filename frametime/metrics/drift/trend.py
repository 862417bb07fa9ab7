"""Whether a short series rises or falls, and whether that is more than how it wanders.

Robust slope (Theil and Sen), and the test of Mann and Kendall.

A level that goes up and down by itself, as a random walk does, ends somewhere else than it began, and any test made for
scatter about a line calls that a drift. What a walk does over the whole run it does over parts of it too: so the change
is compared with the slowest waves that are left once it is taken out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache, reduce
from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.block_medians import median
from frametime.metrics.intervals.within_run import variation
from frametime.statistics.distributions import normal_two_sided_p, student_quantile


@lru_cache(maxsize=4)
def _pairs(n: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First and second place of every pair of ``n`` points."""
    return np.triu_indices(n, k=1)


def pairwise_slopes(times: NDArray[np.float64], levels: NDArray[np.float64]) -> NDArray[np.float64]:
    """Slopes of all pairs of points in rising order, shape (n (n - 1) / 2,). Quadratic: for block medians only."""
    first, second = _pairs(times.size)
    return np.sort((levels.take(second) - levels.take(first)) / (times.take(second) - times.take(first)))


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
    low, high = np.interp([low_rank, high_rank], np.arange(1.0, n_slopes + 1.0), sorted_slopes)
    return float(low), float(high)


STRAIGHT_FRACTION: Final = 0.02
"""Scatter about the curve, as a share of its whole change, below which autocorrelation cannot have made the trend.

A random walk of 60 steps lies so close to a parabola that changes as much less than once in a thousand.
"""


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
    ordered = np.sort(values)
    first, last = ordered.searchsorted(values), ordered.searchsorted(values, side="right")
    return np.asarray(0.5 * (first + last + 1.0), dtype=np.float64)


def kendall_score(values: NDArray[np.float64]) -> tuple[float, float]:
    """Score S of a series and its variance without trend or autocorrelation, ties taken into account.

    H. B. Mann, Econometrica 13, 1945; M. G. Kendall, Rank Correlation Methods, 1975.
    """
    n = values.size
    first, second = _pairs(n)
    rises = values.take(second) - values.take(first)
    score = float(np.count_nonzero(rises > 0.0) - np.count_nonzero(rises < 0.0))
    ordered = np.sort(values)
    counts = np.diff(np.flatnonzero(ordered[1:] != ordered[:-1]), prepend=-1, append=n - 1)
    tied = float((counts * (counts - 1) * (2 * counts + 5)).sum())
    return score, (n * (n - 1.0) * (2.0 * n + 5.0) - tied) / 18.0


def autocorrelation(values: NDArray[np.float64], n_lags: int) -> NDArray[np.float64]:
    """Autocorrelation at lags 1 to ``n_lags``, each sum of products over the full sum of squares; 0 for a constant."""
    centered = values - values.sum() / values.size
    total = float(centered @ centered)
    if total == 0.0:
        return np.zeros(n_lags)
    later = np.concatenate((centered[1:], np.zeros(n_lags - 1)))
    return np.asarray(np.correlate(later, centered[:-1], "valid") / total, dtype=np.float64)


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


def trend_test(values: NDArray[np.float64]) -> TrendTest:
    """Whether a series rises or falls more than chance would let it.

    Before the autocorrelation is taken a parabola is removed, where Hamed and Rao remove the Theil-Sen line: a card
    that warms up drifts along a curve, and what a line leaves of it would be taken for autocorrelated noise.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
        Evenly spaced, four or more; quadratic in time, so block medians rather than frames.

    Examples
    --------
    >>> trend_test(np.arange(10.0)).score
    45.0
    """
    n = values.size
    if n < 4:
        raise ValueError(f"values must hold four points or more, got {n!r}")
    score, variance = kendall_score(values)
    fitted = fitted_curve(values, 2)
    residual = values - fitted
    # What is left over may be nothing but the rounding of the log, whose pattern says nothing of the trend.
    straight = float(np.std(residual)) < STRAIGHT_FRACTION * abs(float(fitted[-1] - fitted[0]))
    inflation = 1.0 if straight else variance_inflation(residual, 3)
    variance *= inflation
    z = 0.0 if variance <= 0.0 else float(np.sign(score)) * max(abs(score) - 1.0, 0.0) / float(np.sqrt(variance))
    return TrendTest(score=score, variance=variance, inflation=inflation, z=z, p_value=normal_two_sided_p(z))


_LINE_WAVES: Final = 4
_CURVE_WAVES: Final = 6
_OVER_LINE: Final = 17.0
_OVER_CURVE: Final = 23.0
_OVER_STEPS: Final = 8.0
_OF_NOISE: Final = 0.3
"""Least ratio of a change to how far the level wanders about a line, about a parabola, about levels, and how much of
the scatter from block to block is left out of that: by simulation (`tests/metrics/test_wandering.py`), so that about
5 in 100 random walks pass with the tests of trend and of change before them."""
_FAR_SDS: Final = 3.0
"""So many standard deviations, from the median absolute deviation, count where a block lies farther off (common
practice, no source)."""


def wave_powers(residual: NDArray[np.float64]) -> NDArray[np.float64]:
    """Parts of the variance of a series that its cosine waves make up, the slowest first: shape (n - 1,).

    Examples
    --------
    >>> powers = wave_powers(np.array([1.0, -1.0, 1.0, -1.0, 2.0]))
    >>> round(float(powers.sum()), 3), round(float(np.var([1.0, -1.0, 1.0, -1.0, 2.0])), 3)
    (1.44, 1.44)
    """
    n = residual.size
    # The cosine transform of type II: that of twice the length, turned by half a step.
    turned = np.fft.rfft(residual, 2 * n)[1:n] * np.exp(-0.5j * np.pi * np.arange(1, n) / n)
    return np.asarray(2.0 * (turned.real / n) ** 2, dtype=np.float64)


def _held(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """What is far off counts as at the limit: a loading screen, or a second of a menu at the end, is no slow wave."""
    middle = median(values)
    limit = _FAR_SDS * 1.4826 * median(np.abs(values - middle))
    return values.clip(middle - limit, middle + limit)


def _scatter(residual: NDArray[np.float64], n_waves: int) -> float:
    """Standard deviation by the slowest waves, without a part of what scatter from block to block puts into them."""
    powers = wave_powers(_held(residual))
    return float(np.sqrt(max(powers[:n_waves].sum() - _OF_NOISE * n_waves * powers[n_waves:].mean(), 0.0)))


def _about(logs: NDArray[np.float64], degree: int) -> NDArray[np.float64]:
    return np.asarray(logs - fitted_curve(logs, degree), dtype=np.float64)


def fitted_curve(values: NDArray[np.float64], degree: int) -> NDArray[np.float64]:
    """The line (1) or parabola (2) of least squares through an evenly spaced series, along polynomials that are
    orthogonal on it."""
    times = np.arange(values.size) - 0.5 * (values.size - 1)
    fitted = values.sum() / values.size + times * (float(times @ values) / float(times @ times))
    if degree == 2:
        squares = times**2
        squares -= squares.sum() / values.size
        fitted += squares * (float(squares @ values) / float(squares @ squares))
    return np.asarray(fitted, dtype=np.float64)


def stands_out(logs: NDArray[np.float64], total: float) -> bool:
    """Whether a change by ``total`` over the whole series is more than what it wanders about a line or a parabola.

    Parameters
    ----------
    logs : ndarray of float64, shape (n,)
        Logarithms of the levels, 20 or more.
    total : float
    """
    # In a longer run the scatter of the blocks hides less of a random walk.
    longer = max(logs.size / 60.0, 1.0) ** 0.2
    return any(
        abs(total) >= longer * least * _scatter(_about(logs, degree), n_waves)
        for degree, n_waves, least in ((1, _LINE_WAVES, _OVER_LINE), (2, _CURVE_WAVES, _OVER_CURVE))
    )


def steps_stand_out(logs: NDArray[np.float64], places: Sequence[int]) -> bool:
    """Whether the largest step between levels is more than what the series wanders about them."""
    parts = [logs[low:high] for low, high in pairwise((0, *places, logs.size))]
    levels = [median(part) for part in parts]
    residual = logs - np.repeat(levels, [part.size for part in parts])
    # Each further level takes slow waves out of what is left.
    n_waves = min(_CURVE_WAVES + 3 * (len(places) - 1), logs.size // 3)
    return max(abs(after - before) for before, after in pairwise(levels)) >= _OVER_STEPS * _scatter(residual, n_waves)


def wandering(logs: NDArray[np.float64]) -> tuple[float, float]:
    """How far a series wanders about a line (standard deviation), and the power of its slow waves over the others'."""
    powers = wave_powers(_about(_held(logs), 1))
    slow, rest = float(powers[:_CURVE_WAVES].mean()), float(powers[_CURVE_WAVES:].mean())
    return float(np.sqrt(_CURVE_WAVES * slow)), slow / max(rest, 1e-300)


def change_over(logs: NDArray[np.float64], level: float) -> tuple[float, float]:
    """Interval of the change of a series from its start to its end, along its straight line.

    Each value moves the slope by its place and its distance from the line; how far that makes the slope vary tells
    `variation`, however the level swings: a scene that comes again and again says more of a slow change than one that
    comes once.
    """
    n = logs.size
    places = np.arange(n) - 0.5 * (n - 1)
    residual = _about(logs, 1)
    total = float(places @ logs) / float(places @ places) * (n - 1)
    found = variation(places * residual * (n - 1) / float(places @ places))
    reach = student_quantile(0.5 + 0.5 * level, found.degrees) * found.sd
    return total - reach, total + reach


RUNS_ALPHA: Final = 0.01
"""Chance of naming a trend in runs that have none; common practice, no source."""


class Trend(NamedTuple):
    """Runs that rise or fall in the order in which they were made.

    ``change`` is the median slope (Theil-Sen) times the number of steps from first to last run.
    """

    score: int
    change: float
    p_value: float


def trend(values: NDArray[np.float64], *, floor: float = 0.0, alpha: float = RUNS_ALPHA) -> Trend | None:
    """Mann and Kendall's test for runs in the order in which they were made; exact without ties up to 20 runs.

    Fewer than six runs cannot reach 1 % (2 orders of 120 are monotone for five).

    References
    ----------
    H. B. Mann, Econometrica 13, 245-259, 1945; M. G. Kendall, Rank Correlation Methods, 1948.

    Examples
    --------
    >>> round(trend(np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0])).p_value, 4)
    0.0028
    """
    if 2.0 / math.factorial(min(len(values), 20)) > alpha:
        return None  # not even runs that only rise, or only fall, are so rare
    return _shown(kendall_score(values)[0], kendall_p(values), [values], floor, alpha)


def kendall_p(values: NDArray[np.float64]) -> float:
    """Two-sided p value of the Mann-Kendall score."""
    n = len(values)
    score, variance = kendall_score(values)
    if n > 20 or np.unique(values).size < n:
        return _normal_p(score, variance)
    # The number of orders of n values for each score, by adding one value at a time (Kendall 1948).
    counts = reduce(np.convolve, [np.ones(size, np.int64) for size in range(2, n + 1)], np.ones(1, np.int64))
    scores = np.arange(counts.size) * 2 - (counts.size - 1)
    return int(counts[np.abs(scores) >= abs(score)].sum()) / math.factorial(n)


def _normal_p(score: float, variance: float) -> float:
    return normal_two_sided_p((abs(score) - 1) / math.sqrt(variance)) if variance > 0.0 and score != 0 else 1.0


def common_trend(sets: Sequence[NDArray[np.float64]], *, floor: float = 0.0, alpha: float = RUNS_ALPHA) -> Trend | None:
    """The same test over many sets at once, each in its own order: scores and variances add up.

    Three runs a cell cannot show a trend alone, a dozen such cells can: a card that warms up from run to run.

    References
    ----------
    R. M. Hirsch, J. R. Slack and R. A. Smith, Water Resources Research 18, 107-121, 1982 (there over seasons).
    """
    used = [values for values in sets if len(values) >= 2]
    scores = [kendall_score(values) for values in used]
    score = sum(score for score, _ in scores)
    return _shown(score, _normal_p(score, sum(variance for _, variance in scores)), used, floor, alpha)


def _shown(
    score: float, p_value: float, sets: Sequence[NDArray[np.float64]], floor: float, alpha: float
) -> Trend | None:
    """A trend that is sure enough, and large enough by the robust slopes of the sets from first to last run."""
    if p_value > alpha:
        return None
    slopes = [theil_sen_slope(np.arange(float(len(values))), values) * (len(values) - 1) for values in sets]
    change = float(np.median(slopes))
    return Trend(score=int(score), change=change, p_value=p_value) if abs(change) > floor else None
