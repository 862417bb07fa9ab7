"""When to stop: verdicts that are read several times, each look with its share of the error.

Whoever makes more runs where a verdict is open lets the data choose how many there are, and errs more often than the
verdict says. Looks that are planned before the first run share the error between them, by the spending of K. K. G. Lan
and D. L. DeMets, Biometrika 70, 659-663, 1983, in the shape of P. C. O'Brien and T. R. Fleming, Biometrics 35, 549-556,
1979: next to nothing at first, nearly all at the last look.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from frametime.statistics.distributions import FloatArray

LEAD_ERROR: Final = 0.025
"""Chance of a false *ahead*, and of a false *behind*, over all looks."""
TIE_ERROR: Final = 0.05
"""Chance of a false *tied* over all looks, as of each of two one-sided tests."""
SEED: Final = 20_240_611
"""Of the simulation of small samples: the same looks always have the same levels."""

LEAST_LEVEL: Final = 1e-9
"""No look has a smaller level: it could not be told from none, and adds nothing to the error."""

_N_PATHS: Final = 400_000
_N_NODES: Final = 200
_FARTHEST: Final = 9.0
"""Standard deviations beyond which nothing is integrated; a normal value lies there once in 1e19."""


@dataclass(frozen=True, kw_only=True)
class LookLevels:
    """Chances, one-sided, by which a verdict is read at one look: of a lead, and of each side of a tie."""

    lead: float = LEAD_ERROR
    tie: float = TIE_ERROR


PLAIN: Final = LookLevels()
"""A verdict that is read once."""


def spent(error: float, fraction: float) -> float:
    """Share of a one-sided error that is spent when a ``fraction`` of the runs is made: ``2 - 2 P(z / sqrt(t))``.

    Examples
    --------
    >>> [round(spent(0.025, t), 5) for t in (0.5, 1.0)]
    [0.00153, 0.025]
    """
    from scipy import special

    return float(2.0 * special.ndtr(special.ndtri(error / 2.0) / math.sqrt(fraction)))


def normal_bounds(fractions: Sequence[float], error: float) -> FloatArray:
    """One-sided bounds of a normal statistic at looks with these fractions of all information; the last is 1.

    The chance to cross first at each look is integrated over the paths that crossed at none before (P. Armitage,
    C. K. McPherson and B. C. Rowe, Journal of the Royal Statistical Society A 132, 235-244, 1969), by Gauss's rule.

    Returns
    -------
    ndarray of float64, shape (n_looks,)

    Examples
    --------
    >>> normal_bounds([0.2, 0.4, 0.6, 0.8, 1.0], 0.025).round(4).tolist()
    [4.8769, 3.357, 2.6803, 2.2898, 2.031]
    """
    from scipy import special

    shares = np.diff([spent(error, fraction) for fraction in fractions], prepend=0.0)
    nodes, weights = np.polynomial.legendre.leggauss(_N_NODES)
    # Of the sum so far, whose variance is the fraction: where it can be, and how much of all paths is there.
    places, mass = np.zeros(1), np.ones(1)
    bounds, before = [], 0.0
    for fraction, share in zip(fractions, shares, strict=True):
        step = math.sqrt(fraction - before)
        low, high = -_FARTHEST * math.sqrt(fraction), _FARTHEST * math.sqrt(fraction)
        bottom = low
        while high - low > 1e-12:
            middle = 0.5 * (low + high)
            if float(mass @ special.ndtr((places - middle) / step)) > share:
                low = middle
            else:
                high = middle
        bounds.append(high / math.sqrt(fraction))
        half = 0.5 * (high - bottom)
        ends = bottom + half * (nodes + 1.0)
        density = np.exp(-0.5 * ((ends[None, :] - places[:, None]) / step) ** 2) / (step * math.sqrt(2.0 * math.pi))
        places, mass, before = ends, (mass @ density) * half * weights, fraction
    return np.array(bounds)


@lru_cache(maxsize=32)
def nominal_levels(looks: tuple[int, ...], error: float) -> tuple[float, ...]:
    """One-sided levels at which t tests of two sets are read at each look, so that all looks spend the error.

    The levels of normal bounds, moved by as much as a simulation with a stored seed moves them when the scatter is
    estimated from the runs so far, two degrees of freedom for each pair of runs after the first.

    Parameters
    ----------
    looks : tuple of int
        Runs of each card, rising, from 2 on.
    error : float

    Examples
    --------
    >>> [round(level, 4) for level in nominal_levels((3, 5, 8), 0.025)]
    [0.0003, 0.0043, 0.0231]
    """
    from scipy import special

    if list(looks) != sorted(set(looks)) or not looks or looks[0] < 2:
        raise ValueError(f"looks must rise from 2 runs or more, got {looks!r}")
    if len(looks) == 1:
        return (error,)
    fractions = [n / looks[-1] for n in looks]
    exact = special.ndtr(-normal_bounds(fractions, error))
    shares = np.diff([spent(error, fraction) for fraction in fractions], prepend=0.0)
    normal, student = _chances(looks)
    moved = _crossing(student, shares) / _crossing(normal, shares)
    # At the first look either is what is spent there.
    levels = (shares[0], *(exact * moved)[1:])
    return tuple(max(float(level), LEAST_LEVEL) for level in levels)


def _chances(looks: Sequence[int]) -> tuple[FloatArray, FloatArray]:
    """One-sided chances of equal cards, shape (n_looks, n_paths): with known scatter, and with that of the runs."""
    from scipy import special

    rng = np.random.default_rng(SEED)
    total, squares, made = np.zeros(_N_PATHS), np.zeros(_N_PATHS), 0
    normal, student = [], []
    for n in looks:
        more = n - made
        # Sum over new pairs of their difference, in units in which the difference of one pair has variance 1.
        new = rng.standard_normal(_N_PATHS) * math.sqrt(more)
        if more > 1:
            squares += rng.chisquare(2 * (more - 1), _N_PATHS)
        if made:
            squares += (total / made - new / more) ** 2 * made * more / n + rng.chisquare(1, _N_PATHS)
        total, made = total + new, n
        z = total / math.sqrt(n)
        normal.append(special.ndtr(-z))
        student.append(special.stdtr(2 * (n - 1), -z / np.sqrt(squares / (2 * (n - 1)))))
    return np.array(normal), np.array(student)


def _crossing(chances: FloatArray, shares: FloatArray) -> FloatArray:
    """Levels below which each look's share of the paths lies first."""
    waiting = np.ones(chances.shape[1], bool)
    levels = []
    for row, share in zip(chances, shares, strict=True):
        first = max(round(float(share) * row.size), 1)
        levels.append(float(np.partition(row[waiting], first)[first]))
        waiting &= row >= levels[-1]
    return np.array(levels)


def levels_at(looks: tuple[int, ...], n_runs: int) -> LookLevels | None:
    """Levels of a verdict after so many runs of each card: those of the last look that is reached.

    ``None`` before the first look. A plan without looks reads every verdict as if it were the only one.

    Examples
    --------
    >>> levels_at((), 3), levels_at((3, 5), 2)
    (LookLevels(lead=0.025, tie=0.05), None)
    >>> levels_at((3, 5), 4) == levels_at((3, 5), 3)
    True
    """
    if not looks:
        return PLAIN
    at = sum(n <= n_runs for n in looks) - 1
    if at < 0:
        return None
    return LookLevels(lead=nominal_levels(looks, LEAD_ERROR)[at], tie=nominal_levels(looks, TIE_ERROR)[at])
