"""How far a sum over a run would vary, and how long the run remembers: the spectral density at zero, and stretches.

Neighbors hang together, so a run of many frames may hold few independent ones. Two questions are kept apart: how much
a sum varies, and whether the run is long enough to tell.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.frame_series import FrameSeries, once_a_series

BINS: Final = 256
"""Longer series are first summed over stretches of equal length: only what is slow matters here."""
MIN_STRETCHES: Final = 15.0
"""A run of fewer independent stretches gives no interval (by simulation: with fewer, the estimate of their number and
the interval err together)."""
_STRETCHES_A_WAVE: Final = 6.0
"""For each wave at zero so many stretches: over so few waves the spectrum of a first-order process is level."""
_MIN_WAVES: Final = 3


class Variation(NamedTuple):
    """Standard deviation of a sum over the run, its degrees of freedom, and the independent stretches behind it.

    ``equal`` is the number of independent places that would vary as much if they were all alike.
    """

    sd: float
    degrees: int
    stretches: float
    equal: float


def variation(items: NDArray[np.generic], *, at_most: float = math.inf) -> Variation:
    """How much the sum of ``items`` would vary from run to run.

    The spectral density at zero is the mean square of the slowest cosine waves in the items, and their number that of
    the degrees of freedom of Student's t: E. Lazarus, D. J. Lewis, J. H. Stock and M. W. Watson, "HAR inference:
    recommendations for practice", Journal of Business & Economic Statistics 36, 2018, 541-559 (from memory). The longer
    the memory, the fewer waves: one for each six `independent_stretches`. Where few places decide, they are no fewer
    than the degrees of freedom (by simulation).

    Parameters
    ----------
    items : ndarray, shape (n,)
        One a frame or a step between samples.
    at_most : float
        Independent stretches that the degrees of freedom may count on.

    Examples
    --------
    Independent items: about their standard deviation times the root of their number.

    >>> found = variation(np.random.default_rng(1).standard_normal(10_000))
    >>> 0.8 < found.sd / 100.0 < 1.2, found.stretches > 150.0
    (True, True)
    """
    sums = _binned(items)
    stretches = _stretches(sums)
    waves = max(int(min(stretches, at_most) / _STRETCHES_A_WAVE), _MIN_WAVES)
    places = np.pi * (np.arange(sums.size) + 0.5) / sums.size
    parts = np.cos(np.arange(1, waves + 1)[:, np.newaxis] * places) @ sums
    squares = sums**2
    equal = stretches / sums.size * float(squares.sum()) ** 2 / max(float((squares**2).sum()), 1e-300)
    return Variation(
        sd=math.sqrt(2.0 * float(np.mean(parts**2))),
        degrees=min(waves, max(math.ceil(equal), 1)),
        stretches=stretches,
        equal=equal,
    )


def independent_stretches(items: NDArray[np.generic]) -> float:
    """About how many independent stretches a series holds: its length over its integrated autocorrelation time.

    The longer of two times counts. One is by the initial monotone sequence of C. J. Geyer, "Practical Markov chain
    Monte Carlo", Statistical Science 7, 1992, 473-483. The other is that of a process of two states which stays as
    long above and below the mean as the series does: a scene of few long parts shows fewer correlations than it has.

    Examples
    --------
    Ten parts, each at a level of its own for 100 frames, hold no more than ten:

    >>> independent_stretches(np.repeat([1.0, 4.0, 2.0, 5.0, 1.0, 3.0, 2.0, 6.0, 1.0, 4.0], 100)) < 12.0
    True
    """
    return _stretches(_binned(items))


@once_a_series
def level_stretches(series: FrameSeries) -> float:
    """Independent stretches of the frame times of a run."""
    return independent_stretches(series.frame_times_ms)


def _binned(items: NDArray[np.generic]) -> NDArray[np.float64]:
    """Sums over stretches of equal length, about their mean: shape (at most ``BINS``,)."""
    centered = items - items.mean()
    length = -(-items.size // BINS)
    return np.asarray(np.add.reduceat(centered, np.arange(0, items.size, length)), dtype=np.float64)


def _stretches(sums: NDArray[np.float64]) -> float:
    return sums.size / max(_monotone_time(sums), _two_state_time(sums), 1.0)


def _monotone_time(sums: NDArray[np.float64]) -> float:
    n = sums.size
    transform = np.fft.rfft(sums - sums.mean(), 2 * n)
    covariances = np.fft.irfft(transform * np.conj(transform), 2 * n)[:n]
    if not covariances[0] > 1e-300:
        return 1.0
    # Sums of two neighbors are positive and fall in truth: they are cut at the first that is not, and made to fall.
    pairs = covariances[: n // 4 * 2].reshape(-1, 2).sum(axis=1) / covariances[0]
    ends = np.flatnonzero(pairs <= 0.0)
    pairs = np.minimum.accumulate(pairs[: ends[0] if ends.size else pairs.size])
    return float(2.0 * pairs.sum() - 1.0)


def _two_state_time(sums: NDArray[np.float64]) -> float:
    above = sums > sums.mean()
    starts = np.flatnonzero(np.diff(above, prepend=~above[:1]))
    n_above = np.count_nonzero(above[starts])
    if n_above in (0, starts.size):
        return 1.0
    stay_above = np.count_nonzero(above) / n_above
    stay_below = np.count_nonzero(~above) / (starts.size - n_above)
    return float(2.0 / (1.0 / stay_above + 1.0 / stay_below) - 1.0)
