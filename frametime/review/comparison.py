"""Two cards: the difference of their mean logs, its interval, and the verdict.

Everything here is in natural logs: a difference of ``log(1.03)`` is a ratio of 1.03.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.metric import Interval
from frametime.review.repeatability import PooledSpread
from frametime.review.result_cells import Verdict
from frametime.statistics.quantiles import chi_over_its_mean_square, t_quantile, t_two_sided_p
from frametime.statistics.welch import satterthwaite_freedom

MOST_RUNS: Final = 30
"""More runs than this of one cell are not proposed; beyond it a cell is *at the margin*. Common practice, no source."""
WIDEST_LOG: Final = math.log(1e6)
"""Half width beyond which an interval of a ratio says nothing and is not shown."""
POWER: Final = 0.8
"""Chance with which the proposed number of runs decides. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class LogMean:
    """Mean of the logs of one set of runs, the variance of that mean, and its degrees of freedom.

    ``variance`` is ``None``, and ``degrees_of_freedom`` 0, when nothing tells how much runs scatter. ``pool`` names
    the pooled estimate that the variance comes from: means with the same one do not know their scatter independently.
    """

    mean: float
    variance: float | None
    degrees_of_freedom: float
    n_runs: int
    pool: str | None = None


@dataclass(frozen=True, kw_only=True)
class Difference:
    """A difference of logs with its standard error; ``None`` when nothing tells how much runs scatter."""

    value: float
    standard_error: float | None
    degrees_of_freedom: float

    def bounds(self, level: float) -> tuple[float, float] | None:
        """Lower and upper end of the t interval, in logs."""
        if self.standard_error is None:
            return None
        half = t_quantile(0.5 + level / 2.0, self.degrees_of_freedom) * self.standard_error
        return self.value - half, self.value + half

    def ratio_interval(self, level: float, method: str) -> Interval | None:
        """The t interval, back-transformed to a ratio; ``None`` where it would be wider than ``WIDEST_LOG``."""
        bounds = self.bounds(level)
        if bounds is None or bounds[1] - bounds[0] > 2.0 * WIDEST_LOG:
            return None
        return Interval(low=math.exp(bounds[0]), high=math.exp(bounds[1]), level=level, method=method)

    @property
    def p_value(self) -> float | None:
        """Two-sided, that there is no difference."""
        if self.standard_error is None:
            return None
        return t_two_sided_p(self.value / self.standard_error, self.degrees_of_freedom)

    def reversed(self) -> Difference:
        """Seen from the other side."""
        return Difference(
            value=-self.value, standard_error=self.standard_error, degrees_of_freedom=self.degrees_of_freedom
        )


@dataclass(frozen=True, kw_only=True)
class Decision:
    """A verdict, and whether a difference that is smaller than the margin is nevertheless real."""

    verdict: Verdict
    real_but_small: bool


@dataclass(frozen=True, kw_only=True)
class RunsNeeded:
    """Runs of each card that would probably decide; ``n_runs`` is ``None`` where none up to the limit would."""

    n_runs: int | None
    at_margin: bool


def log_mean(
    log_values: NDArray[np.float64], *, pooled: PooledSpread | None = None, pool: str | None = None
) -> LogMean:
    """Mean over runs with the set's own variance, or with a pooled one where it is given.

    Parameters
    ----------
    log_values : ndarray of float64, shape (n_runs,)
    pooled : PooledSpread or None
        Stands in for the set's own variance.
    pool : str, optional
        Names that pooled spread.
    """
    log_values = np.asarray(log_values, np.float64)
    n = log_values.size
    if n < 1:
        raise ValueError("log_values must hold one run or more, got none")
    mean = float(log_values.mean())
    if pooled is not None:
        return LogMean(
            mean=mean,
            variance=pooled.variance / n,
            degrees_of_freedom=pooled.degrees_of_freedom,
            n_runs=n,
            pool=pool,
        )
    if n < 2:
        return LogMean(mean=mean, variance=None, degrees_of_freedom=0, n_runs=n)
    return LogMean(mean=mean, variance=float(np.var(log_values, ddof=1)) / n, degrees_of_freedom=n - 1, n_runs=n)


def geometric_mean(logs: Sequence[float]) -> float:
    """Geometric mean of one number or more, given as natural logs.

    Of paired ratios it is the only mean that does not depend on which side is the reference.

    References
    ----------
    P. J. Fleming and J. J. Wallace, "How not to lie with statistics: the correct way to summarize benchmark
    results", Communications of the ACM 29(3), 218-221, 1986.

    Examples
    --------
    >>> round(geometric_mean([math.log(2.0), math.log(0.5)]), 12)
    1.0
    """
    return math.exp(math.fsum(logs) / len(logs))


def combined(terms: Iterable[tuple[float, LogMean]]) -> Difference:
    """Weighted sum of independent means, with the degrees of freedom of Welch and Satterthwaite.

    The variance is ``sum(w_i^2 v_i)``, its degrees of freedom those of `satterthwaite_freedom`. Parts that rest on
    the same pooled variance are added up first: their errors are one and the same.

    References
    ----------
    B. L. Welch, Biometrika 34, 28-35, 1947.
    """
    terms = list(terms)
    value = math.fsum(weight * term.mean for weight, term in terms)
    parts: dict[object, tuple[float, float]] = {}
    for at, (weight, term) in enumerate(terms):
        if term.variance is None:
            return Difference(value=value, standard_error=None, degrees_of_freedom=0)
        key: object = at if term.pool is None else term.pool
        part, _ = parts.get(key, (0.0, 0.0))
        parts[key] = part + weight * weight * term.variance, term.degrees_of_freedom
    variance = math.fsum(part for part, _ in parts.values())
    if variance == 0.0:
        # Runs that agree to the last digit say nothing of how much runs scatter.
        return Difference(value=value, standard_error=None, degrees_of_freedom=0)
    freedom = satterthwaite_freedom(parts.values())
    return Difference(value=value, standard_error=math.sqrt(variance), degrees_of_freedom=freedom)


def mean_difference(candidate: LogMean, baseline: LogMean) -> Difference:
    """Candidate minus baseline: Welch's test where each side has a variance of its own."""
    return combined([(1.0, candidate), (-1.0, baseline)])


def decide(difference: Difference, *, margin: float) -> Decision:
    """The verdict on an advantage: a difference of logs in which more is better.

    **tied**: the 90 % interval lies inside ``1/(1+margin)`` to ``1+margin``, which is two one-sided tests at 5 %.
    **ahead**: the 95 % interval lies above 1 and the estimate beyond the margin; **behind**: likewise below.
    **undecided**: anything else.

    References
    ----------
    D. J. Schuirmann, Journal of Pharmacokinetics and Biopharmaceutics 15, 657-680, 1987 (two one-sided tests).

    Examples
    --------
    >>> decide(Difference(value=0.05, standard_error=0.01, degrees_of_freedom=10), margin=0.03).verdict
    'ahead'
    >>> decide(Difference(value=0.01, standard_error=0.002, degrees_of_freedom=10), margin=0.03)
    Decision(verdict='tied', real_but_small=True)
    """
    if not margin > 0.0:
        raise ValueError(f"margin must be positive, got {margin!r}")
    inner, outer = difference.bounds(0.90), difference.bounds(0.95)
    if inner is None or outer is None:
        return Decision(verdict="undecided", real_but_small=False)
    edge = math.log1p(margin)
    if -edge < inner[0] and inner[1] < edge:
        return Decision(verdict="tied", real_but_small=outer[0] > 0.0 or outer[1] < 0.0)
    if outer[0] > 0.0 and difference.value > edge:
        return Decision(verdict="ahead", real_but_small=False)
    if outer[1] < 0.0 and difference.value < -edge:
        return Decision(verdict="behind", real_but_small=False)
    return Decision(verdict="undecided", real_but_small=False)


def runs_needed(
    advantage: float,
    *,
    candidate_variance: float,
    baseline_variance: float,
    margin: float,
    most_runs: int = MOST_RUNS,
    power: float = POWER,
) -> RunsNeeded:
    """Runs of each card that would decide with probability ``power``, were the estimates the truth.

    Parameters
    ----------
    advantage : float
        Estimated difference of logs.
    candidate_variance, baseline_variance : float
        Of the logs of single runs.

    Examples
    --------
    >>> runs_needed(0.06, candidate_variance=0.02**2, baseline_variance=0.02**2, margin=0.03)
    RunsNeeded(n_runs=4, at_margin=False)
    >>> runs_needed(0.0296, candidate_variance=0.02**2, baseline_variance=0.02**2, margin=0.03)
    RunsNeeded(n_runs=None, at_margin=True)
    """
    total = candidate_variance + baseline_variance
    if not total > 0.0:
        raise ValueError(f"variances must not both be zero, got {candidate_variance!r} and {baseline_variance!r}")
    per_run_df = satterthwaite_freedom([(candidate_variance, 1.0), (baseline_variance, 1.0)])

    def decides(n_runs: int) -> bool:
        return (
            chance_to_decide(
                advantage,
                standard_error=math.sqrt(total / n_runs),
                degrees_of_freedom=(n_runs - 1) * per_run_df,
                margin=margin,
            )
            >= power
        )

    if not decides(most_runs):
        return RunsNeeded(n_runs=None, at_margin=True)
    # The chance grows with the number of runs: halve the span.
    too_few, enough = 1, most_runs
    while enough - too_few > 1:
        middle = (too_few + enough) // 2
        too_few, enough = (too_few, middle) if decides(middle) else (middle, enough)
    return RunsNeeded(n_runs=enough, at_margin=False)


def chance_to_decide(advantage: float, *, standard_error: float, degrees_of_freedom: float, margin: float) -> float:
    """Probability that runs yet to be made come out as the verdict that ``advantage`` deserves.

    With ``e`` the margin and ``d`` the difference in logs, ``s`` the standard error as it will be found: a tie comes
    out with ``P(|d'| + t_95 s < e)``, a lead with ``P(d' > max(t_97.5 s, e))``, where ``d'`` is normal about ``|d|``
    and ``s`` follows its own distribution (that of chi), over which the mean is taken at 64 of its quantiles.

    Examples
    --------
    >>> round(chance_to_decide(0.06, standard_error=0.015, degrees_of_freedom=10, margin=0.03), 2)
    0.95
    """
    from scipy import special

    edge, size, se = math.log1p(margin), abs(advantage), standard_error
    found_se = se * chi_over_its_mean_square(degrees_of_freedom)
    inner = t_quantile(0.95, degrees_of_freedom) * found_se
    outer = np.maximum(t_quantile(0.975, degrees_of_freedom) * found_se, edge)
    tie = special.ndtr((edge - size - inner) / se) - special.ndtr((inner - edge - size) / se)
    lead = special.ndtr((size - outer) / se)
    return float(max(np.mean(np.maximum(tie, 0.0)), np.mean(lead)))
