"""Resamples of a run by the stationary bootstrap: how long its blocks are, and the blocks that are drawn."""

from __future__ import annotations

import math
from dataclasses import dataclass

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


@dataclass(frozen=True, kw_only=True, eq=False)
class BlockDraws:
    """Blocks of all resamples, one after the other.

    A block holds the frames ``starts[k]`` to ``ends[k] - 1`` on a ring of ``n`` frames, so ``ends`` runs up to ``2 n``.
    Every resample holds ``n`` frames.

    Attributes
    ----------
    n : int
    starts, ends : ndarray of int64, shape (n_blocks,)
    firsts : ndarray of int64, shape (n_resamples,)
        First block of each resample.
    rows : ndarray of int64, shape (n_blocks,)
        Resample to which each block belongs.
    mean_block : float
    """

    n: int
    starts: NDArray[np.int64]
    ends: NDArray[np.int64]
    firsts: NDArray[np.int64]
    rows: NDArray[np.int64]
    mean_block: float

    @property
    def n_resamples(self) -> int:
        """Number of resamples."""
        return int(self.firsts.size)

    def sums(self, items: NDArray[np.generic]) -> NDArray[np.float64]:
        """Sum of ``items`` over the frames of each resample, shape (n_resamples,).

        Two look-ups in a running sum for each block instead of one for each frame. Items of very unequal size
        should be centered first: the running sum of a million large values loses digits.
        """
        if items.shape != (self.n,):
            raise ValueError(f"items must have shape {(self.n,)!r}, got {items.shape!r}")
        running = np.zeros(2 * self.n + 1)
        np.cumsum(items, out=running[1 : self.n + 1])
        running[self.n + 1 :] = running[self.n] + running[1 : self.n + 1]
        blocks = running.take(self.ends)
        blocks -= running.take(self.starts)
        return np.add.reduceat(blocks, self.firsts)


def draw_blocks(n: int, *, n_resamples: int, mean_block: float, seed: int) -> BlockDraws:
    """Draw the blocks of the stationary bootstrap: uniform starts, geometric lengths, on a ring.

    D. N. Politis and J. P. Romano, "The stationary bootstrap", Journal of the American Statistical Association 89,
    1994, 1303-1313. The last block of a resample is cut so that it has ``n`` frames.

    Parameters
    ----------
    n : int
        Frames of the run.
    n_resamples : int
    mean_block : float
        Mean length of a block in frames, 1 or more.
    seed : int

    Examples
    --------
    >>> draws = draw_blocks(100, n_resamples=3, mean_block=10.0, seed=1)
    >>> draws.sums(np.ones(100)).tolist()
    [100.0, 100.0, 100.0]
    """
    if n < 1 or n_resamples < 1 or not mean_block >= 1.0:
        raise ValueError(f"n, n_resamples and mean_block must be 1 or more, got {n!r}, {n_resamples!r}, {mean_block!r}")
    generator = np.random.default_rng(seed)
    expected = n / mean_block
    n_columns = int(expected + 8.0 * np.sqrt(expected)) + 8
    if mean_block == 1.0:
        ends = np.broadcast_to(np.arange(1, n_columns + 1), (n_resamples, n_columns))
    else:
        # The whole part of an exponential variable is geometric; one more frame makes its mean the mean block.
        rate = -np.log1p(-1.0 / mean_block)
        lengths = generator.standard_exponential((n_resamples, n_columns), dtype=np.float32) / np.float32(rate)
        ends = np.cumsum(lengths.astype(np.int64) + 1, axis=1)
    ends = np.minimum(ends, n)
    # Far beyond chance the lengths may not fill the run: then the last block does.
    ends[:, -1] = n
    lengths_kept = np.diff(ends, axis=1, prepend=0)
    used = lengths_kept > 0
    counts = used.sum(axis=1)
    sizes = lengths_kept[used]
    starts = generator.integers(0, n, size=sizes.size)
    return BlockDraws(
        n=n,
        starts=starts,
        ends=starts + sizes,
        firsts=np.concatenate(([0], np.cumsum(counts)[:-1])),
        rows=np.repeat(np.arange(n_resamples), counts),
        mean_block=mean_block,
    )
