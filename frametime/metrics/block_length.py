"""Mean block length for the bootstrap of an autocorrelated series, chosen from the series itself."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray


def autocovariances(values: NDArray[np.float64], n_lags: int) -> NDArray[np.float64]:
    """Autocovariance (divisor n) at lags 0 to ``n_lags``, by one transform: shape (n_lags + 1,)."""
    n = values.size
    # Zeros up to a power of two: the products must not reach round the end, and such transforms are fast.
    length = 1 << (n + n_lags).bit_length()
    transform = np.fft.rfft(values - values.mean(), length)
    products = np.fft.irfft(transform * np.conj(transform), length)
    return np.asarray(products[: n_lags + 1] / n, dtype=np.float64)


def optimal_block_lengths(values: NDArray[np.float64]) -> tuple[float, float]:
    """Best mean block length for the stationary bootstrap, and best block length for the circular one.

    D. N. Politis and H. White, Econometric Reviews 23, 2004, 53-70, with the correction of A. Patton, D. N. Politis
    and H. White, Econometric Reviews 28, 2009, 372-375. The autocorrelation counts up to twice the lag from which on
    max(5, log10 n) values in a row are within 2 sqrt(log10 n / n) of 0, with a flat-top window; neither length
    exceeds min(3 sqrt n, n / 3).

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
        Eight or more.

    Returns
    -------
    tuple of float
        For the stationary and for the circular bootstrap, both 1 or more; 1 for a constant series.
    """
    n = values.size
    if n < 8:
        raise ValueError(f"values must hold eight points or more, got {n!r}")
    longest = math.ceil(min(3.0 * math.sqrt(n), n / 3.0))
    n_small = max(5, int(math.log10(n)))
    n_lags = min(math.ceil(math.sqrt(n)) + n_small, n - 2)
    covariances = autocovariances(values, n_lags)
    if not covariances[0] > 1e-300:
        return 1.0, 1.0
    n_counted = _counted_lags(values, covariances, n_small)
    lags = np.arange(1, n_counted + 1)
    window = np.minimum(1.0, 2.0 * (1.0 - lags / n_counted))
    tapered = window * covariances[1 : n_counted + 1]
    moment = 2.0 * float(np.sum(lags * tapered))
    long_run = float(covariances[0] + 2.0 * np.sum(tapered))
    if long_run == 0.0:
        return 1.0, 1.0
    cubes = moment**2 / long_run**2 * n
    stationary, circular = cubes ** (1.0 / 3.0), (1.5 * cubes) ** (1.0 / 3.0)
    return min(max(stationary, 1.0), longest), min(max(circular, 1.0), longest)


def _counted_lags(values: NDArray[np.float64], covariances: NDArray[np.float64], n_small: int) -> int:
    """Twice the first lag after which the autocorrelation stays small."""
    n, n_lags = values.size, covariances.size - 1
    squares = np.cumsum((values - values.mean()) ** 2)
    lags = np.arange(n_lags + 1)
    # Each correlation over the parts that overlap at that lag, less one value, as in the published algorithm.
    without_first = squares[-1] - squares[lags]
    without_last = squares[n - 2 - lags]
    scale = np.sqrt(np.maximum(without_first * without_last, 1e-300))
    small = np.abs(covariances) * n / scale < 2.0 * math.sqrt(math.log10(n) / n)
    counted = n_lags
    for lag in range(n_small, n_lags + 1):
        if small[lag - n_small : lag].all():
            counted = 2 * max(lag - n_small, 1)
            break
    return min(counted, n_lags)
