"""How many frames a second, and how long frames take: average rate and quantiles."""

from __future__ import annotations

from fractions import Fraction
from math import floor
from typing import Final

import numpy as np
from numpy.typing import NDArray

QUANTILE_NAMES: Final = {
    1: "inverse of the empirical distribution",
    2: "inverse of the empirical distribution, averaged at its steps",
    3: "nearest even order statistic",
    4: "linear interpolation of the empirical distribution",
    5: "Hazen",
    6: "Weibull",
    7: "linear interpolation between order statistics",
    8: "median-unbiased",
    9: "normal-unbiased",
}
"""Types of Hyndman and Fan by number."""

# Plotting positions of the continuous types: the quantile p lies at place n p + m, m = alpha + p (1 - alpha - beta),
# and alpha equals beta for all of them except type 4.
_ALPHA_BETA: Final = {
    4: (Fraction(0), Fraction(1)),
    5: (Fraction(1, 2), Fraction(1, 2)),
    6: (Fraction(0), Fraction(0)),
    7: (Fraction(1), Fraction(1)),
    8: (Fraction(1, 3), Fraction(1, 3)),
    9: (Fraction(3, 8), Fraction(3, 8)),
}


def average_fps(n_frames: int, duration_s: float) -> float:
    """Frames divided by time: ``n / T``.

    It is the harmonic mean of the rates of the single frames; their arithmetic mean would count short frames, which
    last the least time, the most [1]_.

    Parameters
    ----------
    n_frames : int
        1 or more.
    duration_s : float
        From the start of the first frame to the end of the last, > 0.

    Returns
    -------
    float
        Frames per second.

    References
    ----------
    .. [1] J. E. Smith, "Characterizing computer performance with a single number", Communications of the ACM 31(10),
       1202-1206, 1988.

    Examples
    --------
    Frames of 10, 20, 30 and 40 ms: the mean of their rates would be 52.1 fps.

    >>> average_fps(4, 0.100)
    40.0
    """
    if n_frames < 1:
        raise ValueError(f"n_frames must be 1 or more, got {n_frames!r}")
    if not duration_s > 0.0:
        raise ValueError(f"duration_s must be positive, got {duration_s!r}")
    return n_frames / duration_s


def exact(number: float) -> Fraction:
    """The decimal number that was written: ``0.1`` is one tenth, not the nearest binary fraction.

    With it ``0.001 * 5000`` is five frames and not 5.000000000000001, so that no quantile steps one frame too far.
    """
    return Fraction(repr(float(number)))


def quantile(sorted_values: NDArray[np.float64], probability: float | Fraction, *, quantile_type: int = 7) -> float:
    """Sample quantile of values that are sorted already.

    Parameters
    ----------
    sorted_values : ndarray of float64, shape (n,)
        In rising order, n >= 1.
    probability : float or Fraction
        Between 0 and 1.
    quantile_type : int
        1 to 9, numbered as in [1]_; 7 interpolates linearly between the two nearest order statistics.

    Returns
    -------
    float
        In the unit of the values.

    Raises
    ------
    ValueError
        If there is no value, or the probability or the type is out of range.

    References
    ----------
    .. [1] R. J. Hyndman and Y. Fan, "Sample quantiles in statistical packages", The American Statistician 50(4),
       361-365, 1996.

    Examples
    --------
    >>> values = np.array([15.0, 20.0, 35.0, 40.0, 50.0])
    >>> quantile(values, 0.4), quantile(values, 0.4, quantile_type=6)
    (29.0, 26.0)
    """
    n = int(sorted_values.size)
    share = probability if isinstance(probability, Fraction) else exact(probability)
    if n == 0:
        raise ValueError("sorted_values must hold a value")
    if not 0 <= share <= 1:
        raise ValueError(f"probability must lie between 0 and 1, got {probability!r}")
    if quantile_type not in QUANTILE_NAMES:
        raise ValueError(f"quantile_type must be 1 to 9, got {quantile_type!r}")
    if quantile_type <= 3:
        place, weight = _step_place(n * share, quantile_type)
    else:
        alpha, beta = _ALPHA_BETA[quantile_type]
        exact_place = n * share + alpha + share * (1 - alpha - beta)
        place = floor(exact_place)
        weight = float(exact_place - place)
    # Places count from 1, and beyond the ends the end value is taken.
    below = float(sorted_values[min(max(place, 1), n) - 1])
    above = float(sorted_values[min(max(place + 1, 1), n) - 1])
    # Rounding must not carry the quantile past the frame above it.
    return above if weight == 1.0 else min(below + weight * (above - below), above)


def plotting_constants(quantile_type: int) -> tuple[float, float]:
    """``alpha`` and ``beta`` of the plotting position ``(k - alpha) / (n + 1 - alpha - beta)`` of the k-th value.

    The quantile at that position is the k-th value itself. Types 1 to 3 step there; they have the positions of type 4.

    Examples
    --------
    >>> plotting_constants(7)
    (1.0, 1.0)
    """
    alpha, beta = _ALPHA_BETA[max(quantile_type, 4)]
    return float(alpha), float(beta)


def _step_place(exact_place: Fraction, quantile_type: int) -> tuple[int, float]:
    """Place and weight of the types 1 to 3, which take an order statistic or the mean of two."""
    if quantile_type == 3:
        exact_place -= Fraction(1, 2)
    place = floor(exact_place)
    on_a_step = exact_place == place
    if quantile_type == 1:
        return place, 0.0 if on_a_step else 1.0
    if quantile_type == 2:
        return place, 0.5 if on_a_step else 1.0
    return place, 0.0 if on_a_step and place % 2 == 0 else 1.0
