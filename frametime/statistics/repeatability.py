"""How well runs repeat: the scatter within sets, pooled over sets (ISO 5725-2) or shared between them with care.

Shared, each set's variance is drawn toward a scale that all sets have in common, the more so the more alike the sets
scatter (empirical Bayes); those functions work along the last axis, so that many matrices can be treated at once.

All functions take plain values; a review passes natural logs, so that a standard deviation of 0.01 means 1 %.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

REPEATABILITY_FACTOR: Final = 2.8
"""ISO 5725-6:1994, 4.1: two single results differ by less than 2.8 s_r in 95 % of cases (1.96 root 2, rounded)."""

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class PooledSpread:
    """Variance within sets that more than one set tells of, its degrees of freedom, and the number of sets."""

    variance: float
    degrees_of_freedom: float
    n_sets: int

    @property
    def standard_deviation(self) -> float:
        """Repeatability standard deviation s_r."""
        return math.sqrt(self.variance)


def pooled_spread(sets: Sequence[FloatArray]) -> PooledSpread | None:
    """Pool the within-set variance: sum of squares about each set's own mean over ``sum(n - 1)``.

    Parameters
    ----------
    sets : sequence of ndarray of float64, each of shape (n_runs,)
        Sets of one run carry no information and are passed over.

    Returns
    -------
    PooledSpread or None
        ``None`` when no set has two runs.

    References
    ----------
    ISO 5725-2:1994, 7.4.5.1.

    Examples
    --------
    >>> pooled_spread([np.array([1.0, 3.0]), np.array([4.0, 6.0, 8.0])])
    PooledSpread(variance=3.3333333333333335, degrees_of_freedom=3, n_sets=2)
    """
    used = [np.asarray(values, np.float64) for values in sets if len(values) > 1]
    if not used:
        return None
    # Two passes: a one-pass sum of squares loses the digits of nearly equal runs.
    squares = sum(float(np.sum((values - values.mean()) ** 2)) for values in used)
    freedom = sum(values.size - 1 for values in used)
    return PooledSpread(variance=squares / freedom, degrees_of_freedom=freedom, n_sets=len(used))


CAUTION: Final = 0.75
"""Standard errors added to how much the variances seem to differ, before the prior is formed.

With a dozen sets of few runs that excess is hardly known; taken as found, the prior is too sure wherever chance has
made unlike sets look alike. Chosen by the simulation in tests/review/test_shared_scatter.py, as is `SHARE`.
"""
SHARE: Final = 0.5
"""Part of the prior's degrees of freedom that an interval counts on: real scatters follow no exact law."""

LEAST_EXCESS: Final = 1e-6
"""Variance of true log variances below which sets scatter alike."""


class VariancePrior(NamedTuple):
    """What the sets have in common: a variance, and how many degrees of freedom it is worth; shape (...)."""

    variance: FloatArray
    degrees_of_freedom: FloatArray


def trigamma_inverse(values: FloatArray) -> FloatArray:
    """The ``y`` of which the trigamma function is each of ``values``, all > 0; Newton's steps from below.

    References
    ----------
    G. K. Smyth, Statistical Applications in Genetics and Molecular Biology 3, 2004, article 3, appendix.

    Examples
    --------
    >>> bool(abs(trigamma_inverse(np.array(np.pi**2 / 6.0)) - 1.0) < 1e-12)
    True
    """
    from scipy import special

    values = np.asarray(values, np.float64)
    found = 0.5 + 1.0 / values
    for _ in range(12):
        # The trigamma function and its derivative by Hurwitz's zeta function (NIST DLMF 25.11.12).
        trigamma = special.zeta(2.0, found)
        step = trigamma * (1.0 - trigamma / values) / (-2.0 * special.zeta(3.0, found))
        found = found + step
        if np.all(np.abs(step) <= 1e-15 * found):
            break
    return np.asarray(found)


def variance_prior(
    variances: FloatArray, degrees_of_freedom: FloatArray, *, caution: float = CAUTION, share: float = SHARE
) -> VariancePrior:
    """Scaled inverse chi-squared prior of variances, by the moments of their logs.

    The prior is worth no more than all sets together.

    Parameters
    ----------
    variances : ndarray of float64, shape (..., n_sets)
        Above 0, two or more.
    degrees_of_freedom : ndarray of float64, shape (n_sets,) or (..., n_sets)
    caution : float
        Standard errors by which the excess of the logs' variance is taken larger than found; 0 is the published
        estimate.
    share : float
        Factor of the degrees of freedom; 1 is the published estimate.

    References
    ----------
    G. K. Smyth, Statistical Applications in Genetics and Molecular Biology 3, 2004, article 3, section 6.2.
    """
    from scipy import special

    half = np.broadcast_to(np.asarray(degrees_of_freedom, np.float64) / 2.0, variances.shape)
    center, excess, error = _moments(variances, half)
    both = np.maximum(np.stack([excess, excess + caution * error]), LEAST_EXCESS)
    freedom, cautious = 2.0 * trigamma_inverse(both)
    scale = np.exp(center + special.digamma(freedom / 2.0) - np.log(freedom / 2.0))
    return VariancePrior(
        variance=np.where(excess > LEAST_EXCESS, scale, _floored(variances).mean(axis=-1)),
        degrees_of_freedom=np.minimum(cautious * share, 2.0 * half.sum(axis=-1)),
    )


def scatter_law(
    variances: FloatArray, degrees_of_freedom: FloatArray, *, caution: float = CAUTION
) -> tuple[FloatArray, FloatArray]:
    """Mean and standard deviation of the true log variances of sets, shape (...), by the same moments.

    The normal law of log variances with these two is what a run of another set is held against: unlike the inverse
    chi-squared prior it does not allow a scatter a hundred times the usual where a dozen sets differ by two.
    """
    half = np.broadcast_to(np.asarray(degrees_of_freedom, np.float64) / 2.0, variances.shape)
    center, excess, error = _moments(variances, half)
    return center, np.sqrt(np.maximum(excess + caution * error, LEAST_EXCESS))


def _floored(variances: FloatArray) -> FloatArray:
    """A variance next to zero would rule all others by its log."""
    return np.maximum(variances, 1e-5 * np.median(variances, axis=-1, keepdims=True))


def _moments(variances: FloatArray, half: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean of the true log variances, variance of them beyond what chance makes, and the standard error of that."""
    from scipy import special

    logs = np.log(_floored(variances)) - special.digamma(half) + np.log(half)
    expected = special.polygamma(1, half)
    excess = np.var(logs, axis=-1, ddof=1) - expected.mean(axis=-1)
    # Of the variance of n values: (fourth moment - square of the second) / n, as if the sets scattered alike.
    error = np.sqrt(np.mean(special.polygamma(3, half) + 2.0 * expected**2, axis=-1) / variances.shape[-1])
    return logs.mean(axis=-1), excess, error


def shared_variances(
    variances: FloatArray, degrees_of_freedom: FloatArray, prior: VariancePrior
) -> tuple[FloatArray, FloatArray]:
    """Each variance drawn toward the prior, ``(d0 s0^2 + d s^2) / (d0 + d)``, and its degrees of freedom ``d0 + d``.

    References
    ----------
    G. K. Smyth 2004, as above, section 4.

    Examples
    --------
    >>> prior = VariancePrior(variance=np.array(2.0), degrees_of_freedom=np.array(4.0))
    >>> found, freedom = shared_variances(np.array([1.0, 4.0]), np.array([2.0, 2.0]), prior)
    >>> found.round(4).tolist(), freedom.tolist()
    ([1.6667, 2.6667], [6.0, 6.0])
    """
    freedom = np.broadcast_to(np.asarray(degrees_of_freedom, np.float64), variances.shape)
    weight, scale = prior.degrees_of_freedom[..., None], prior.variance[..., None]
    return (weight * scale + freedom * variances) / (weight + freedom), weight + freedom
