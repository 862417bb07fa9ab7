"""Levels that wander: how far they swing slowly, and whether a drift or a step stands out of that.

A level that goes up and down by itself, as a random walk does, ends somewhere else than it began, and any test made for
scatter about a line calls that a drift. What a walk does over the whole run it does over parts of it too: so the change
is compared with the slowest waves that are left once it is taken out.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.block_medians import median
from frametime.metrics.intervals.memory import variation
from frametime.statistics.distributions import student_quantile

_LINE_WAVES: Final = 4
_CURVE_WAVES: Final = 6
_OVER_LINE: Final = 17.0
_OVER_CURVE: Final = 23.0
_OVER_STEPS: Final = 8.0
_OF_NOISE: Final = 0.3
"""Least ratio of a change to how far the level wanders about a line, about a parabola, about levels, and how much of
the scatter from block to block is left out of that: by simulation (`tests/metrics/test_wandering.py`), so that about
5 in 100 random walks pass with the tests of trend and of change before them."""


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


def _scatter(residual: NDArray[np.float64], n_waves: int) -> float:
    """Standard deviation by the slowest waves, without a part of what scatter from block to block puts into them."""
    powers = wave_powers(residual)
    return float(np.sqrt(max(powers[:n_waves].sum() - _OF_NOISE * n_waves * powers[n_waves:].mean(), 0.0)))


def _about(logs: NDArray[np.float64], degree: int) -> NDArray[np.float64]:
    times = np.linspace(-1.0, 1.0, logs.size)
    return np.asarray(logs - np.polyval(np.polyfit(times, logs, degree), times), dtype=np.float64)


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
    powers = wave_powers(_about(logs, 1))
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
