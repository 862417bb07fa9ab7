"""Quantiles and tail probabilities of t, normal and F.

``scipy.special`` is imported by the call: it is slow to import, and only a review needs it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


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


def normal_upper_p(statistic: float) -> float:
    """Probability that a standard normal variable is as large as ``statistic`` or larger."""
    from scipy import special

    return float(special.ndtr(-statistic))


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


def chi_over_its_mean_square(degrees_of_freedom: float, n: int = 64) -> NDArray[np.float64]:
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


def _check(probability: float, degrees_of_freedom: float) -> None:
    if not 0.0 < probability < 1.0:
        raise ValueError(f"probability must be between 0 and 1, got {probability!r}")
    if not degrees_of_freedom > 0.0:
        raise ValueError(f"degrees_of_freedom must be positive, got {degrees_of_freedom!r}")
