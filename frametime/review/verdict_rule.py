"""The verdict on a difference of two cards, and how many runs would reach one.

Everything here is in natural logs: a difference of ``log(1.03)`` is a ratio of 1.03.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass
from typing import Final

import numpy as np

from frametime.lab.looks import PLAIN, LookLevels, levels_at
from frametime.review.result_tables import Verdict
from frametime.statistics.differences import Difference, satterthwaite_freedom
from frametime.statistics.distributions import chi_over_its_mean_square, t_quantile

MOST_RUNS: Final = 30
"""More runs than this of one cell are not proposed; beyond it a cell is *at the margin*. Common practice, no source."""
POWER: Final = 0.8
"""Chance with which the proposed number of runs decides. Common practice, no source."""
LEAST_CHANCE: Final = 0.2
"""A cell that the last look would decide with a smaller chance is left. Our own choice: of 83 cells that were left in a
simulation, 78 were open at the last look."""


@dataclass(frozen=True, kw_only=True)
class Decision:
    """A verdict, and whether a difference that is smaller than the margin is nevertheless real."""

    verdict: Verdict
    real_but_small: bool


@dataclass(frozen=True, kw_only=True)
class RunsNeeded:
    """Runs of each card that would probably decide; ``n_runs`` is ``None`` where none up to the limit would."""

    n_runs: int | None = None
    at_margin: bool = False


def decide(difference: Difference, *, margin: float, levels: LookLevels = PLAIN) -> Decision:
    """The verdict on an advantage: a difference of logs in which more is better.

    Where a verdict is read at several looks, ``levels`` of the look take the place of 5 % and of 2.5 % a side.

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
    inner, outer = difference.bounds(1.0 - 2.0 * levels.tie), difference.bounds(1.0 - 2.0 * levels.lead)
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
    looks: tuple[int, ...] = (),
    fewest: int = 2,
) -> RunsNeeded:
    """Runs of each card that would decide with probability ``power``, were the estimates the truth.

    Parameters
    ----------
    advantage : float
        Estimated difference of logs.
    candidate_variance, baseline_variance : float
        Of the logs of single runs.
    looks : tuple of int
        Where a verdict is read at looks, only their numbers of runs count, from ``fewest`` on; the last of them where
        the chance is smaller at all. None where even that would decide with a chance below `LEAST_CHANCE`.
    fewest : int

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

    def chance(n_runs: int) -> float:
        error, freedom = math.sqrt(total / n_runs), (n_runs - 1) * per_run_df
        levels = levels_at(looks, n_runs) or PLAIN
        return chance_to_decide(
            advantage, standard_error=error, degrees_of_freedom=freedom, margin=margin, levels=levels
        )

    if looks:
        later = [n_runs for n_runs in looks if n_runs >= fewest]
        if not later or chance(later[-1]) < LEAST_CHANCE:
            return RunsNeeded(n_runs=None, at_margin=True)
        return RunsNeeded(n_runs=next((n_runs for n_runs in later if chance(n_runs) >= power), later[-1]))
    if chance(most_runs) < power:
        return RunsNeeded(n_runs=None, at_margin=True)
    # The chance grows with the number of runs.
    return RunsNeeded(n_runs=2 + bisect_left(range(2, most_runs), power, key=chance), at_margin=False)


def chance_to_decide(
    advantage: float,
    *,
    standard_error: float,
    degrees_of_freedom: float,
    margin: float,
    levels: LookLevels = PLAIN,
) -> float:
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
    inner = t_quantile(1.0 - levels.tie, degrees_of_freedom) * found_se
    outer = np.maximum(t_quantile(1.0 - levels.lead, degrees_of_freedom) * found_se, edge)
    tie = special.ndtr((edge - size - inner) / se) - special.ndtr((inner - edge - size) / se)
    lead = special.ndtr((size - outer) / se)
    return float(max(np.mean(np.maximum(tie, 0.0)), np.mean(lead)))
