"""Search for the period of some times, and the chance that random times have one as good."""

from __future__ import annotations

import math
import sys
from functools import lru_cache
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray


class PeriodRule(NamedTuple):
    """When hitches are said to recur. Common practice, no source, except for the test.

    Attributes
    ----------
    significance : float
        Chance of a false claim that is accepted.
    min_hitches : int
        Fewer carry no test: any two times have a period, and three fit one by chance too often.
    min_covered_fraction : float
        Least share of the beats between first and last that have a hitch.
    follow_fraction : float
        A hitch follows the period when it lies within this share of it from a beat.
    level : float
        Confidence level of the interval of the period.
    n_simulated, simulated_hitches : int
        Up to so many hitches, chance is simulated with so many random runs; beyond, a formula is used.
    max_hitches : int
        Of more hitches the first so many are used: that bounds the cost.
    """

    significance: float = 0.01
    min_hitches: int = 4
    min_covered_fraction: float = 0.5
    follow_fraction: float = 0.15
    level: float = 0.95
    n_simulated: int = 2000
    simulated_hitches: int = 12
    max_hitches: int = 4096


DEFAULT_RULE = PeriodRule()

LEAST_CHANCE: Final = sys.float_info.min
"""A chance that is too small for a number is told as this one: it is never 0, and it has a logarithm."""

_STEP = 0.125
_SEED = 1904


class PeriodFit(NamedTuple):
    """The best period of some hitches, whether or not it is significant.

    ``beats`` numbers the beat next to each hitch; ``follows`` says which hitches lie close enough to it.
    """

    period_s: float
    regularity: float
    p_value: float
    beats: NDArray[np.int64]
    follows: NDArray[np.bool_]
    covered_fraction: float


def concentration(times_s: NDArray[np.float64], period_s: float) -> float:
    """Mean resultant length of the times on a circle of one period: 1 when all fall on one phase.

    The statistic of Rayleigh's test (Mardia and Jupp, Directional Statistics, 2000, section 6.3.1).

    Examples
    --------
    >>> round(concentration(np.array([0.0, 2.0, 4.0]), 2.0), 9), round(concentration(np.array([0.0, 1.0]), 2.0), 9)
    (1.0, 0.0)
    """
    return float(abs(_on_circle(2.0 * np.pi * times_s / period_s).sum())) / times_s.size


def _cycle_range(n: int) -> tuple[float, float]:
    """Searched numbers of periods between the first and the last of ``n`` hitches.

    At least two and a half periods, at most two beats for each hitch, at least one beat for two hitches.
    """
    return max(2.5, 0.5 * (n - 1)), 2.0 * n


def _spectrum(places: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Numbers of periods searched, and the concentration at each; ``places`` run from 0 to 1."""
    n = places.size
    low, high = _cycle_range(n)
    if n <= 64:
        cycles = np.asarray(np.arange(low, high + 1e-9, _STEP), dtype=np.float64)
        turned = _on_circle(2.0 * np.pi * np.outer(cycles, places))
        return cycles, np.asarray(np.abs(turned.sum(axis=1)) / n, dtype=np.float64)
    # Linear in time: counts on a grid fine enough that the shortest period has 16 cells, then one transform.
    n_cells = 32 * n
    counts = np.bincount(np.minimum((places * n_cells).astype(np.int64), n_cells - 1), minlength=n_cells)
    padded = int(n_cells / _STEP)
    values = np.asarray(np.abs(np.fft.rfft(counts, padded)) / n, dtype=np.float64)
    first, last = math.ceil(low / _STEP), int(high / _STEP)
    return np.asarray(np.arange(first, last + 1) * _STEP, dtype=np.float64), values[first : last + 1]


def _on_circle(angles: NDArray[np.floating[Any]]) -> NDArray[np.complex128]:
    """exp(i angle), several times faster than the exponential of complex numbers."""
    points = np.empty(angles.shape, dtype=np.complex128)
    np.cos(angles, out=points.real)
    np.sin(angles, out=points.imag)
    return points


@lru_cache(maxsize=32)
def _chance_concentrations(n: int, n_simulated: int) -> NDArray[np.float64]:
    """Sorted highest concentrations of ``n`` hitches at random times, ends fixed, over the searched periods.

    It depends on ``n`` alone, so a batch makes it once; the seed is fixed: the same input gives the same answer.
    """
    import random  # To load numpy.random takes 11 ms of a quick check that takes 200.

    words = np.frombuffer(random.Random(_SEED).randbytes(8 * n_simulated * (n - 2)), dtype="<u8")
    angles = np.multiply(words.reshape(n_simulated, n - 2).T, 2.0 * np.pi * 2.0**-64, order="C")
    low, high = _cycle_range(n)
    turned, step = _on_circle(low * angles), _on_circle(_STEP * angles)
    n_periods = int((high - low) / _STEP) + 1
    ends = 1.0 + _on_circle(2.0 * np.pi * (low + _STEP * np.arange(n_periods)))
    highest = np.zeros(n_simulated)
    for end in ends:
        np.maximum(highest, np.abs(turned.sum(axis=0) + end), out=highest)
        turned *= step
    return np.sort(highest / n)


def chance_of(regularity: float, n: int, rule: PeriodRule = DEFAULT_RULE) -> float:
    """Chance that ``n`` hitches at random times reach this concentration at any of the searched periods.

    Few hitches: by simulation, with (count + 1) / (runs + 1). Many: Rayleigh's exp(-n R^2) for one period, and for
    the search the upcrossing formula of R. V. Baluev, Monthly Notices of the Royal Astronomical Society 385, 2008,
    1279-1285: W exp(-z) sqrt(z) with z = n R^2 and W the width of the search in cycles times sqrt(4 pi var(places)).
    """
    if n <= rule.simulated_hitches:
        highest = _chance_concentrations(n, rule.n_simulated)
        at_least = highest.size - int(np.searchsorted(highest, regularity - 1e-12, side="left"))
        return (at_least + 1) / (highest.size + 1)
    low, high = _cycle_range(n)
    z = n * regularity**2
    crossings = (high - low) * math.sqrt(math.pi / 3.0) * math.exp(-z) * math.sqrt(z)
    return max(-math.expm1(-(math.exp(-z) + crossings)), LEAST_CHANCE)


def best_period(times_s: NDArray[np.float64], rule: PeriodRule = DEFAULT_RULE) -> PeriodFit:
    """The period that brings the times closest to one phase, and the chance of that.

    Of periods that do equally well (a period and its half, with exact times) the longest is taken. The period is
    then refined by least squares of the times on the numbers of their beats.
    """
    n = times_s.size
    span_s = float(times_s[-1] - times_s[0])
    if n < 3 or not span_s > 0.0:
        raise ValueError(f"times_s must hold three rising times or more, got {times_s!r}")
    cycles, values = _spectrum((times_s - times_s[0]) / span_s)
    fit = _fit_at(times_s, span_s / _peak(cycles, values), rule)
    if fit.covered_fraction < rule.min_covered_fraction:
        # A few hitches halfway between two beats make half the period look better, with most of its beats empty.
        slower = cycles <= 0.75 * span_s / fit.period_s
        if slower.any():
            slower_fit = _fit_at(times_s, span_s / _peak(cycles[slower], values[slower]), rule)
            if slower_fit.covered_fraction >= rule.min_covered_fraction:
                return slower_fit
    return fit


def _peak(cycles: NDArray[np.float64], values: NDArray[np.float64]) -> float:
    """Number of periods at the highest concentration; of equally high ones the fewest."""
    place = int(np.flatnonzero(values >= values.max() - 0.005)[0])
    while place + 1 < values.size and values[place + 1] > values[place]:
        place += 1
    return float(cycles[place])


def _fit_at(times_s: NDArray[np.float64], period_s: float, rule: PeriodRule) -> PeriodFit:
    """Refine a period by least squares of the times on the numbers of their beats, and judge it."""
    searched = concentration(times_s, period_s)
    beats, follows = _beats(times_s, period_s, rule.follow_fraction)
    for _ in range(3):
        chosen = beats[follows]
        if chosen.size < 2 or chosen.min() == chosen.max():
            break
        refined_s = _slope(chosen, times_s[follows])
        if refined_s == period_s:
            break
        period_s = refined_s
        beats, follows = _beats(times_s, period_s, rule.follow_fraction)
    regularity = max(searched, concentration(times_s, period_s))
    n_beats = int(beats.max() - beats.min()) + 1
    return PeriodFit(
        period_s=period_s,
        regularity=regularity,
        p_value=chance_of(regularity, times_s.size, rule),
        beats=beats,
        follows=follows,
        covered_fraction=len(set(beats[follows].tolist())) / n_beats,
    )


def _slope(beats: NDArray[np.int64], times_s: NDArray[np.float64]) -> float:
    """Least-squares slope of the times on their beats."""
    centered = beats - float(beats.sum()) / beats.size
    return float(np.dot(centered, times_s) / np.dot(centered, centered))


def _beats(
    times_s: NDArray[np.float64], period_s: float, follow_fraction: float
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Number of the nearest beat of each time, and whether the time lies close to it."""
    turns = (times_s - times_s[0]) / period_s
    mean = complex(_on_circle(2.0 * np.pi * turns).sum())
    phase = math.atan2(mean.imag, mean.real) / (2.0 * math.pi)
    turns -= phase
    beats = np.rint(turns)
    return beats.astype(np.int64), np.abs(turns - beats) <= follow_fraction
