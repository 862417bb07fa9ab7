"""Tails and quantiles of the normal, Student, chi-squared and F distributions.

The quick check of one file must not load a statistics library: what it needs is short, exact, and written out here.
The others import ``scipy.special`` when they are called.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def normal_two_sided_p(z: float) -> float:
    """Chance that a standard normal value lies farther from 0 than ``z``.

    Examples
    --------
    >>> round(normal_two_sided_p(1.959963985), 6)
    0.05
    """
    return math.erfc(abs(z) / math.sqrt(2.0))


def _root(rising: Callable[[float], float], target: float, low: float, high: float) -> float:
    """Where a rising function reaches ``target``, by bisection down to the last bits of the bracket."""
    for _ in range(200):
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        if rising(middle) < target:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@lru_cache(maxsize=64)
def normal_quantile(probability: float) -> float:
    """Value below which a standard normal variable lies with ``probability``.

    Examples
    --------
    >>> round(normal_quantile(0.975), 6)
    1.959964
    """
    _check(probability)
    return _root(lambda z: 0.5 * math.erfc(-z / math.sqrt(2.0)), probability, -40.0, 40.0)


def student_cdf(t: float, degrees: int) -> float:
    """Chance that a Student variable with a whole number of ``degrees`` of freedom lies below ``t``.

    The finite trigonometric series of Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4.
    """
    if degrees < 1:
        raise ValueError(f"degrees must be 1 or more, got {degrees!r}")
    angle = math.atan2(t, math.sqrt(degrees))
    cosine_squared = math.cos(angle) ** 2
    odd = degrees % 2 == 1
    term = math.cos(angle) if odd else 1.0
    total = term if degrees > 1 else 0.0
    for power in range(3 if odd else 2, degrees - 1, 2):
        term *= cosine_squared * (power - 1) / power
        total += term
    inner = 2.0 / math.pi * (angle + math.sin(angle) * total) if odd else math.sin(angle) * total
    return max(0.5 + 0.5 * inner, 0.0)


@lru_cache(maxsize=256)
def student_quantile(probability: float, degrees: int) -> float:
    """Value below which a Student variable lies with ``probability``.

    Examples
    --------
    The 95 % factor for two degrees of freedom:

    >>> round(student_quantile(0.975, 2), 4)
    4.3027
    """
    _check(probability, degrees)
    if degrees > 2000:
        return normal_quantile(probability)
    return _root(lambda t: student_cdf(t, degrees), probability, -1e9, 1e9)


def chi_squared_tail(value: float, half_degrees: int) -> float:
    """Chance that a chi-squared variable with ``2 * half_degrees`` degrees of freedom exceeds ``value``.

    Also the tail at ``value / 2`` of a sum of ``half_degrees`` exponential variables of mean 1.

    Examples
    --------
    >>> round(chi_squared_tail(5.991464547, 1), 6)
    0.05
    """
    if half_degrees < 1:
        raise ValueError(f"half_degrees must be 1 or more, got {half_degrees!r}")
    half = 0.5 * value
    term = total = 1.0
    for k in range(1, half_degrees):
        term *= half / k
        total += term
    return math.exp(-half) * total


@lru_cache(maxsize=256)
def gamma_quantile(probability: float, shape: float) -> float:
    """Value below which a gamma variable of this shape and of scale 1 lies with ``probability``.

    The regularized incomplete gamma function by its series (NIST Digital Library of Mathematical Functions, 8.7.1);
    for shapes beyond 200 by the cube root of E. B. Wilson and M. M. Hilferty, Proceedings of the National Academy of
    Sciences 17, 1931, 684-688.

    Examples
    --------
    Half of a chi-squared variable with two degrees of freedom is a gamma variable of shape 1:

    >>> round(2.0 * gamma_quantile(0.95, 1.0), 6)
    5.991465
    """
    if not shape > 0.0:
        raise ValueError(f"shape must be positive, got {shape!r}")
    third = 1.0 / (9.0 * shape)
    near = shape * max(1.0 - third + normal_quantile(probability) * math.sqrt(third), 0.0) ** 3
    if shape > 200.0:
        return near

    def below(value: float) -> float:
        if value <= 0.0:
            return 0.0
        term = total = 1.0
        divisor = shape
        while term > 1e-17 * total:
            divisor += 1.0
            term *= value / divisor
            total += term
        return total * math.exp(shape * math.log(value) - value - math.lgamma(shape + 1.0))

    return _root(below, probability, 0.0, 2.0 * near + 10.0 * (shape + 4.0))


def t_quantile(probability: float, degrees_of_freedom: float) -> float:
    """Value below which Student's t falls with the given probability; degrees of freedom may be broken.

    Examples
    --------
    >>> round(t_quantile(0.975, 10), 3)
    2.228
    """
    from scipy import special

    _check(probability, degrees_of_freedom)
    return float(special.stdtrit(degrees_of_freedom, probability))


def t_two_sided_p(statistic: float, degrees_of_freedom: float) -> float:
    """Probability that ``|t|`` is as large as ``|statistic|`` or larger.

    Examples
    --------
    >>> round(t_two_sided_p(2.228, 10), 3)
    0.05
    """
    from scipy import special

    _check(0.5, degrees_of_freedom)
    return float(2.0 * special.stdtr(degrees_of_freedom, -abs(statistic)))


def f_upper_quantile(probability: float, numerator_df: float, denominator_df: float) -> float:
    """Value that F exceeds with the given probability.

    Examples
    --------
    >>> round(f_upper_quantile(0.05, 2, 10), 3)
    4.103
    """
    from scipy import special

    _check(probability, min(numerator_df, denominator_df))
    return float(special.fdtri(numerator_df, denominator_df, 1.0 - probability))


def chi_over_its_mean_square(degrees_of_freedom: float, n: int = 64) -> FloatArray:
    """Estimated over true standard deviation at ``n`` equally likely places, shape (n,).

    Examples
    --------
    >>> bool(abs((chi_over_its_mean_square(5.0) ** 2).mean() - 1.0) < 0.01)
    True
    """
    from scipy import special

    _check(0.5, degrees_of_freedom)
    places = (np.arange(n) + 0.5) / n
    return np.asarray(np.sqrt(special.gammaincinv(degrees_of_freedom / 2.0, places) * 2.0 / degrees_of_freedom))


@lru_cache(maxsize=64)
def likely_variances(degrees_of_freedom: float, n: int = 100) -> tuple[FloatArray, FloatArray]:
    """True over estimated variance at ``n`` places, and the weight of each, shape (n,): the smallest chances are finer.

    Examples
    --------
    >>> ratios, weights = likely_variances(4.0)
    >>> round(float(weights @ (1.0 / ratios)), 1), round(float(weights.sum()), 9)
    (1.0, 1.0)
    """
    from scipy import special

    _check(0.5, degrees_of_freedom)
    places = (np.arange(n) + 0.5) / n
    chi_squared = 2.0 * special.gammaincinv(degrees_of_freedom / 2.0, places**4)
    return np.asarray(degrees_of_freedom / chi_squared), places**3 / np.sum(places**3)


def mixed_t_cdf(value: float, weights: FloatArray, scales: FloatArray, freedoms: FloatArray) -> float:
    """Probability that one of several Student's t times their scales falls below ``value``, each with its weight."""
    from scipy import special

    return float(weights @ special.stdtr(freedoms, value / scales))


def mixed_t_quantile(probability: float, weights: FloatArray, scales: FloatArray, freedoms: FloatArray) -> float:
    """Value below which one of several falls, as in `mixed_t_cdf`, from the median up.

    Examples
    --------
    >>> ratios, weights = likely_variances(3.0)
    >>> found = mixed_t_quantile(0.975, weights, np.sqrt(ratios), np.full(100, 1e9))
    >>> round(found, 2), round(t_quantile(0.975, 3.0), 2)
    (3.18, 3.18)
    """
    from scipy import optimize, special

    most = float(np.max(scales * special.stdtrit(freedoms, probability)))
    told = (weights, scales, freedoms)
    return float(optimize.brentq(lambda value: mixed_t_cdf(value, *told) - probability, 0.0, most, xtol=1e-14))


def _check(probability: float, degrees_of_freedom: float = 1.0) -> None:
    if not 0.0 < probability < 1.0:
        raise ValueError(f"probability must be between 0 and 1, got {probability!r}")
    if not degrees_of_freedom > 0.0:
        raise ValueError(f"degrees_of_freedom must be positive, got {degrees_of_freedom!r}")
