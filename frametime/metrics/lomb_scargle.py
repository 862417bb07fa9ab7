"""Lomb-Scargle periodogram of unevenly spaced values by fast Fourier transform."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_POINTS = 4
"""Grid points over which a value is spread: cubic interpolation of the sine waves."""
_CELLS = 3
"""Grid cells for each half period of the highest frequency."""


def _spread(positions: NDArray[np.float64], values: NDArray[np.float64], n_cells: int) -> NDArray[np.float64]:
    """Put each value on the four grid points around its position, so that smooth functions keep their sums.

    "Extirpolation": the transpose of Lagrange interpolation. The grid is a ring.
    """
    base = np.floor(positions)
    part = positions - base
    below, beyond, beyond_next = part + 1.0, part - 1.0, part - 2.0
    inner, outer = below * beyond_next / 2.0, part * beyond / 6.0
    cells = base.astype(np.int64)
    # Cell 0 of the padded grid is point -1 of the ring, the last ones are points beyond its end.
    grid = np.zeros(n_cells + _POINTS)
    for weights in (-outer * beyond_next, inner * beyond, -inner * part, outer * below):
        np.add.at(grid, cells, values * weights)
        cells += 1
    ring = grid[1 : n_cells + 1]
    ring[-1] += grid[0]
    ring[: _POINTS - 1] += grid[n_cells + 1 :]
    return ring


def fast_length(n: int) -> int:
    """Smallest number >= ``n`` without prime factors above 5: such transforms are fast.

    Examples
    --------
    >>> fast_length(1025)
    1080
    """
    best = 1 << max(n - 1, 1).bit_length()
    power_of_five = 1
    while power_of_five < best:
        factor = power_of_five
        while factor < best:
            rest = -(-n // factor)
            best = min(best, factor << max(rest - 1, 0).bit_length())
            factor *= 3
        power_of_five *= 5
    return best


def lomb_scargle(
    times: NDArray[np.float64], values: NDArray[np.float64], *, frequency_step: float, n_frequencies: int
) -> NDArray[np.float64]:
    """Power at the frequencies ``frequency_step`` times 1 to ``n_frequencies``.

    The mean is taken out first. On an even grid at Fourier frequencies the power is ``|FFT|^2 / n`` [2]_; a sine of
    amplitude A has the power n A^2 / 4. The sums are made by extirpolation onto a grid and two transforms [1]_: of
    the order of n log n, with an error of about 2 % of the power at the highest frequency and far less below.

    Parameters
    ----------
    times, values : ndarray of float64, shape (n,)
        ``times`` rising.
    frequency_step : float
        In cycles per unit of time; at most one over the span of the times.
    n_frequencies : int

    Returns
    -------
    ndarray of float64, shape (n_frequencies,)
        In the square of the unit of ``values``.

    References
    ----------
    .. [1] W. H. Press and G. B. Rybicki, "Fast algorithm for spectral analysis of unevenly sampled data", The
       Astrophysical Journal 338, 277-280, 1989.
    .. [2] J. D. Scargle, "Studies in astronomical time series analysis. II", The Astrophysical Journal 263, 835-853,
       1982.
    """
    span = float(times[-1] - times[0])
    if not frequency_step * span <= 1.0 + 1e-9:
        raise ValueError(f"frequency_step must be at most one over the span {span!r}, got {frequency_step!r}")
    # The second transform needs twice the highest frequency.
    n_cells = fast_length(2 * _CELLS * n_frequencies)
    turns = (times - times[0]) * frequency_step
    centered = values - values.mean()
    ones = np.ones(values.size)
    single = np.fft.rfft(_spread(turns * n_cells % n_cells, centered, n_cells))[1 : n_frequencies + 1]
    double = np.fft.rfft(_spread(2.0 * turns * n_cells % n_cells, ones, n_cells))[1 : n_frequencies + 1]
    # Turning each pair of sums by half the phase of the second makes sine and cosine independent (Scargle's tau).
    length = np.abs(double)
    cosine = np.divide(double.real, length, out=np.ones(n_frequencies), where=length > 0.0)
    half_cosine = np.sqrt(np.maximum(0.5 + 0.5 * cosine, 0.0))
    half_sine = np.copysign(np.sqrt(np.maximum(0.5 - 0.5 * cosine, 0.0)), double.imag)
    turned_cosine = single.real * half_cosine + single.imag * half_sine
    turned_sine = single.imag * half_cosine - single.real * half_sine
    n = values.size
    cosine_squares = 0.5 * (n + length)
    sine_squares = 0.5 * (n - length)
    power = turned_cosine**2 / cosine_squares
    power += np.where(sine_squares > 1e-9 * n, turned_sine**2 / np.maximum(sine_squares, 1e-9 * n), 0.0)
    return np.asarray(0.5 * power, dtype=np.float64)
