"""What sets of runs tell of each other's scatter, and the runs that lie off by it.

Each set's variance is drawn with care toward a scale that all sets have in common, the more so the more alike the sets
scatter (empirical Bayes); those functions work along the last axis, so that many matrices can be treated at once. A run
is held against the rest of its set (deleted residuals) and against what the other sets say of its scatter and tails.

All functions take plain values; a review passes natural logs, so that a standard deviation of 0.01 means 1 %.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from typing import Final, NamedTuple

import numpy as np

from frametime.statistics.distributions import FloatArray, t_two_sided_p
from frametime.statistics.repeatability import mean_and_squares, variance_of

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


class ScatterLaw(NamedTuple):
    """What other sets say of a set: possible log variances, their weights with normal and with heavy tails, how many
    other sets its group has, and which that is.
    """

    log_variances: FloatArray
    weights: FloatArray
    n_sets: int
    group: object = ""


WIDTHS: Final = {0.0: 0.55, 0.6: 0.1, 1.1: 0.25, 1.6: 0.1}
"""Standard deviations that the true log variances of sets may have about their center, with their weights beforehand:
alike, or unlike by a factor of 1.3 to 2.2. Chosen by the simulation in tests/review/test_shared_scatter.py, as is
`HEAVY`.
"""
HEAVY: Final = 5.0
"""Degrees of freedom of Student's t, where single runs stray farther than the normal law says."""
HEAVY_SHARE: Final = 0.18
"""How likely such tails are beforehand, with the same origin."""


def log_likelihoods(values: FloatArray, log_variances: FloatArray) -> FloatArray:
    """Of runs with an unknown mean, for each log variance: with a normal law, and with `HEAVY` tails; shape (2, n).

    The mean is integrated out, of heavy tails by a sum over 15 places. A constant that both share is left out.
    """
    from scipy import special

    n, variances = values.size, np.exp(log_variances)[:, None]
    if n < 2:
        return np.zeros((2, log_variances.size))
    apart = values - values.mean()
    squares = float(np.sum(apart**2))
    normal = -(n - 1) / 2.0 * log_variances - squares / 2.0 / variances[:, 0]
    wide = np.sqrt(squares / (n - 1) + variances / n)
    inside = (apart[:, None, None] - wide * np.arange(-3.5, 4.0, 0.5)) ** 2 / variances / HEAVY
    heavy = np.logaddexp.reduce(-(HEAVY + 1.0) / 2.0 * np.log1p(inside).sum(axis=0), axis=1)
    density = special.gammaln((HEAVY + 1.0) / 2.0) - special.gammaln(HEAVY / 2.0) - 0.5 * math.log(HEAVY * math.pi)
    shared = n * density + (n - 1) / 2.0 * math.log(2.0 * math.pi) + 0.5 * math.log(n)
    return np.array([normal, heavy + np.log(0.5 * wide[:, 0]) - n / 2.0 * log_variances + shared])


def scatter_laws(sets: Sequence[FloatArray], groups: Sequence[object]) -> list[ScatterLaw]:
    """For each set what all others say of its scatter and its tails, which a run of it is held against (Bayes).

    The sets of a group, such as the cells of a card, share a center: true log variances are normal about it, with one
    of `WIDTHS`. All groups tell of width and tails together.

    Parameters
    ----------
    sets : sequence of ndarray of float64, each of shape (n_runs,)
        Of two runs or more that scatter.
    groups : sequence
        What each set belongs to.

    References
    ----------
    The hierarchy is that of A. Gelman and others, Bayesian Data Analysis, 3rd edition 2013, chapter 5; its weights
    are our own, by seeded simulation.
    """
    keys = list(dict.fromkeys(groups))
    of = np.array([keys.index(group) for group in groups])
    logs = np.log([variance_of(values) for values in sets])
    # A grid of log variances, and of centers in its middle, about the median of each group.
    centers = np.array([np.median(logs[of == at]) for at in range(len(keys))])
    places = np.linspace(-6.0, 6.0, 37)
    distances = places - places[10:27, None]
    kernels = np.concatenate([np.exp(-0.5 * (distances / max(width, 0.02)) ** 2) for width in WIDTHS])
    kernels /= kernels.sum(axis=1, keepdims=True)
    found = np.array([log_likelihoods(values, centers[at] + places) for values, at in zip(sets, of, strict=True)])
    most = found.max(axis=(1, 2), keepdims=True)
    told = np.log(np.maximum(np.exp(found - most) @ kernels.T, 1e-300)).reshape(len(of), 2, len(WIDTHS), -1)
    in_group = np.array([told[of == at].sum(axis=0) for at in range(len(keys))])
    shared = np.logaddexp.reduce(in_group, axis=-1)
    before = np.log(np.outer([1.0 - HEAVY_SHARE, HEAVY_SHARE], list(WIDTHS.values())))
    known = in_group[of] - told + (shared.sum(axis=0) - shared + before)[of][..., None]
    known = np.exp(known - known.max(axis=(1, 2, 3), keepdims=True)).reshape(len(of), 2, -1) @ kernels
    return [
        ScatterLaw(centers[at] + places, weights / weights.sum(), n_sets=int(np.sum(of == at)) - 1, group=keys[at])
        for at, weights in zip(of, known, strict=True)
    ]


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


class StandsOut(NamedTuple):
    """A run that lies too far from the rest of its set: run minus mean of the rest, and how far it may lie."""

    position: int
    distance: float
    limit: float


def run_that_stands_out(
    values: FloatArray, *, others: ScatterLaw | None, n_tests: int, alpha: float = 0.05, floor: float = 0.0
) -> StandsOut | None:
    """Find the run of a set that lies too far from the rest, if the rest agree among themselves.

    The run farthest from the mean of the rest is flagged where `chance_beyond` is below ``alpha / n_tests``. That is
    used rather than 2.8 s_r because a run's distance from the mean of its rest is not the difference of two single
    runs, and because in a matrix of 100 runs 2.8 s_r would flag two good ones.

    Parameters
    ----------
    values : ndarray of float64, shape (n_runs,)
        Three or more; with two, nobody can say which of them is off.
    others : ScatterLaw or None
        What other sets tell; without it the rest of the set stands alone, with Student's t.
    n_tests : int
        Runs that are looked at in the whole matrix (Bonferroni).
    floor : float
        A run nearer than this is never named: it cannot move a verdict.

    Returns
    -------
    StandsOut or None
        Also ``None`` when the remaining runs do not agree either: then the set scatters, and no single run is
        to blame (Cochran's test names the set).

    References
    ----------
    R. D. Cook and S. Weisberg, Residuals and Influence, 1982 (deleted residuals, Bonferroni's bound).
    """
    if values.size < 3:
        return None
    farthest = partial(_farthest_beyond, others=others, chance=alpha / max(n_tests, 1), floor=floor)
    found = farthest(values)
    if found is None or others is None:
        return found
    return None if farthest(np.delete(values, found.position)) else found


def chance_beyond(distance: float, rest: FloatArray, others: ScatterLaw | None) -> float:
    """Chance that a good run lies as far from the mean of the rest of its set, on either side.

    The set's variance is what ``others`` make of it and the rest's own scatter adds (Bayes); the chance is the mean
    over it. Given the variance, the distance is normal, or follows Student's t where tails are heavy.

    Examples
    --------
    >>> alone = chance_beyond(0.05, np.array([0.0, 0.01]), None)
    >>> law = scatter_laws([np.array([0.0, 0.014])] * 10, ["a card"] * 10)[0]
    >>> round(alone, 3), round(chance_beyond(0.05, np.array([0.0, 0.01]), law), 3)
    (0.109, 0.004)
    """
    from scipy import special

    squares, freedom = mean_and_squares(rest)[1], rest.size - 1
    widening = (rest.size + 1) / rest.size
    if others is None:
        return t_two_sided_p(distance / math.sqrt(squares / freedom * widening), freedom) if squares > 0.0 else 1.0
    weights = np.log(np.maximum(others.weights, 1e-300)) + log_likelihoods(rest, others.log_variances)
    weights = np.exp(weights - weights.max())
    scaled = -abs(distance) / np.sqrt(widening * np.exp(others.log_variances))
    tails = 2.0 * np.array([special.ndtr(scaled), special.stdtr(HEAVY, scaled)])
    return float(np.sum(weights * tails) / np.sum(weights))


def _farthest_beyond(values: FloatArray, *, others: ScatterLaw | None, chance: float, floor: float) -> StandsOut | None:
    """The run farthest from the mean of the rest, where a good one would hardly lie."""
    distances = (values - values.mean()) * values.size / (values.size - 1)
    at = int(np.abs(distances).argmax())
    rest, distance = np.delete(values, at), float(distances[at])
    if abs(distance) <= floor or chance_beyond(distance, rest, others) >= chance:
        return None
    from scipy import optimize  # only a run that stands out needs it

    # How far a good run may lie: the chance falls with the distance.
    limit = optimize.brentq(lambda off: chance_beyond(off, rest, others) - chance, 0.0, abs(distance), xtol=1e-14)
    return StandsOut(position=at, distance=distance, limit=max(floor, limit))
