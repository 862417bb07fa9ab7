"""The runs of one set: a metric's mean, its t interval and what must be said with it.

And before they are averaged: do they lie at several levels, do they move in the order in which they were made?
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from functools import lru_cache, reduce
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.caveats import Caveat, Weight
from frametime.metrics.drift.trend import kendall_score, theil_sen_slope
from frametime.metrics.rhythm.hitches import find_hitch_period, hitches_listed
from frametime.review.design import SpreadRule
from frametime.review.result_tables import Estimate
from frametime.review.run_set import ZERO, RunSet
from frametime.review.sentence import caveat_of, method
from frametime.statistics.differences import WIDEST_LOG
from frametime.statistics.distributions import normal_two_sided_p, t_quantile
from frametime.statistics.interval import Interval
from frametime.statistics.repeatability import PooledSpread
from frametime.words import counted


def estimate(
    key: str,
    run_values: Sequence[float | None],
    *,
    level: float = 0.95,
    stand_in: PooledSpread | None = None,
    rule: SpreadRule = "own",
) -> Estimate:
    """Mean of a metric over runs, with a t interval.

    The logs are averaged and the mean is back-transformed (geometric mean), because cards are compared by
    ratios. Where a value is zero or negative there is no log: the plain mean is taken, and a caveat says so.

    Parameters
    ----------
    key : str
    run_values : sequence of float or None
        One a run; ``None`` where a run has no value.
    level : float
        Confidence level.
    stand_in : PooledSpread or None
        Stands in for the scatter of the set itself, on logs.
    rule : {'shared', 'own', 'pooled'}
        How such a scatter was made.

    Examples
    --------
    >>> found = estimate("average_fps", [100.0, 102.0, 101.0])
    >>> round(found.value, 2), round(found.interval.low, 2), round(found.interval.high, 2)
    (101.0, 98.54, 103.51)
    """
    present = np.array([value for value in run_values if value is not None], np.float64)
    n = present.size
    is_log = has_logs(run_values)
    caveats = []
    if n < len(run_values):
        runs = counted(len(run_values), "run")
        caveats.append(caveat_of("runs-without-value", key, lacking=len(run_values) - n, runs=runs))
    if n == 1:
        caveats.append(caveat_of("one-run", key))
    if n and not is_log:
        caveats.append(caveat_of("plain-mean", key))
    numbers, back = (np.log(present), math.exp) if is_log else (present, float)
    mean = float(numbers.mean()) if n else None
    own = float(np.std(numbers, ddof=1)) if n > 1 else None
    spread, freedom, how = own, float(n - 1), "own" if is_log else "plain"
    if is_log and stand_in is not None:
        spread, freedom, how = stand_in.standard_deviation, stand_in.degrees_of_freedom, rule
    interval = None
    if mean is not None and spread is not None and freedom >= 1:
        half = t_quantile(0.5 + level / 2.0, freedom) * spread / math.sqrt(n)
        if is_log and half > WIDEST_LOG:
            caveats.append(caveat_of("too-wide", key))
        else:
            least = -math.inf if is_log or present.min() < 0.0 else 0.0  # a count or a share is never below
            low, high = max(back(mean - half), least), back(mean + half)
            interval = Interval(low=low, high=high, level=level, method=method(f"mean-{how}", n=n, df=freedom))
    if is_log and interval is not None and interval.low == interval.high:
        # Runs that agree to the last digit say nothing of how much runs scatter: a bar of no width would lie.
        interval = None
        caveats.append(caveat_of("no-scatter", key))
    return Estimate(
        key=key,
        value=None if mean is None else back(mean),
        interval=interval,
        n_runs=n,
        standard_deviation_log=own if is_log else None,
        run_values=tuple(run_values),
        caveats=tuple(caveats),
    )


def has_logs(run_values: Sequence[float | None]) -> bool:
    """Whether a metric has a mean log: some run has a value, and none is zero or below."""
    present = [value for value in run_values if value is not None]
    return bool(present) and min(present) > ZERO


def carried_caveats(run_set: RunSet) -> tuple[Caveat, ...]:
    """What the captures of a set had to say, once each, with the number of runs that say it (notes left out)."""
    by_code: dict[str, list[Caveat]] = defaultdict(list)
    for run in run_set.runs:
        told = {item.code: item for item in run.measured.caveats if item.weight is not Weight.NOTE}
        for code, caveat in told.items():
            by_code[code].append(caveat)
    carried = []
    for code, said in by_code.items():
        message = f"{len(said)} of {counted(len(run_set.runs), 'run')}: {said[0].message}"
        metrics = dict.fromkeys(key for item in said for key in item.metrics) if all(i.metrics for i in said) else ()
        weight = min((item.weight for item in said), key=lambda weight: weight.place)
        carried.append(Caveat(code=code, message=message, weight=weight, metrics=tuple(metrics)))
    return tuple(carried)


def recurring_hitches(run_set: RunSet, *, n_tests: int = 1) -> tuple[Caveat, ...]:
    """The period of the hitches over the runs of a set, as a note; empty where there is none.

    It is named where the chance of one over all ``n_tests`` sets that are looked at keeps to `SETS_ALPHA`.
    """
    found = [
        hitches_listed(rhythm.hitches, n_frames=run.measured.n_frames, run_s=run.measured.duration_s)
        for run in run_set.runs
        if (rhythm := run.measured.findings.rhythm) is not None and rhythm.hitches
    ]
    period, _ = find_hitch_period(found) if len(found) > 1 else (None, None)
    if period is None or period.p_value * n_tests > SETS_ALPHA:
        return ()
    words = {"period": period.sentence, "beside": period.n_left_over, "p": period.p_value}
    return (caveat_of("recurring-hitches", n_runs=len(found), **words),)


FloatArray = NDArray[np.float64]
N_NULL: Final = 100_000
NULL_SEED: Final = 19_820_101
ALPHA: Final = 0.01
"""Chance of naming a trend in runs that have none; common practice, no source."""
SETS_ALPHA: Final = 0.05
"""Chance that a review names two levels, or a period of hitches, in any set without; common practice, no source."""
FEWEST_RUNS: Final = 4
"""Fewer runs cannot show two levels."""


class TwoLevels(NamedTuple):
    """Runs at two levels: positions of the lower and the upper group, gap between their means, p value."""

    lower: tuple[int, ...]
    upper: tuple[int, ...]
    gap: float
    p_value: float


class Trend(NamedTuple):
    """Runs that rise or fall in the order in which they were made.

    ``change`` is the median slope (Theil-Sen) times the number of steps from first to last run.
    """

    score: int
    change: float
    p_value: float


def two_levels(values: FloatArray, *, floor: float = 0.0, n_tests: int = 1) -> TwoLevels | None:
    """Find runs that fall into two groups of two or more, farther apart than chance explains.

    The sorted values are split where the sum of squares between the groups is largest against that within; the
    p value is the share of ``N_NULL`` seeded sets of normal values that split as well or better. A gap below
    ``floor`` is not named. Fewer than four runs cannot show two levels. The 5 % hold over all ``n_tests`` sets that
    are looked at (Bonferroni): of twenty reviews without two levels, one names a set.

    Parameters
    ----------
    values : ndarray of float64, shape (n_runs,)

    Examples
    --------
    >>> found = two_levels(np.array([100.0, 112.0, 100.1, 112.1, 99.9, 111.9]))
    >>> found.lower, found.upper
    ((0, 2, 4), (1, 3, 5))
    """
    n = len(values)
    if n < FEWEST_RUNS:
        return None
    order = np.argsort(values, kind="stable")
    ratios = _split_ratios(values[order][None, :])[0]
    at = int(ratios.argmax()) + 2
    lower, upper = order[:at], order[at:]
    gap = float(values[upper].mean() - values[lower].mean())
    if gap <= floor:
        return None
    null = _null_ratios(n)
    p_value = float((np.count_nonzero(null >= ratios.max()) + 1) / (null.size + 1))
    if p_value * n_tests > SETS_ALPHA:
        return None
    return TwoLevels(tuple(np.sort(lower).tolist()), tuple(np.sort(upper).tolist()), gap, p_value)


def _split_ratios(ordered: FloatArray) -> FloatArray:
    """Between over within sum of squares for each split of sorted rows, shape (n_rows, n - 3)."""
    n = ordered.shape[1]
    centred = ordered - ordered.mean(axis=1, keepdims=True)
    total = np.sum(centred**2, axis=1, keepdims=True)
    sums = np.cumsum(centred, axis=1)[:, 1 : n - 2]
    sizes = np.arange(2, n - 1)
    between = sums**2 * n / (sizes * (n - sizes))
    within = np.maximum(total - between, total * 1e-12)
    return np.asarray(between / np.where(within > 0.0, within, 1.0), np.float64)


@lru_cache(maxsize=64)
def _null_ratios(n: int) -> FloatArray:
    rng = np.random.default_rng(NULL_SEED + n)
    return np.asarray(_split_ratios(np.sort(rng.standard_normal((N_NULL, n)), axis=1)).max(axis=1), np.float64)


def trend(values: FloatArray, *, floor: float = 0.0, alpha: float = ALPHA) -> Trend | None:
    """Mann and Kendall's test for runs in the order in which they were made; exact without ties up to 20 runs.

    Fewer than six runs cannot reach 1 % (2 orders of 120 are monotone for five).

    References
    ----------
    H. B. Mann, Econometrica 13, 245-259, 1945; M. G. Kendall, Rank Correlation Methods, 1948.

    Examples
    --------
    >>> round(trend(np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0])).p_value, 4)
    0.0028
    """
    if 2.0 / math.factorial(min(len(values), 20)) > alpha:
        return None  # not even runs that only rise, or only fall, are so rare
    return _shown(kendall_score(values)[0], kendall_p(values), [values], floor, alpha)


def kendall_p(values: FloatArray) -> float:
    """Two-sided p value of the Mann-Kendall score."""
    n = len(values)
    score, variance = kendall_score(values)
    if n > 20 or np.unique(values).size < n:
        return _normal_p(score, variance)
    # The number of orders of n values for each score, by adding one value at a time (Kendall 1948).
    counts = reduce(np.convolve, [np.ones(size, np.int64) for size in range(2, n + 1)], np.ones(1, np.int64))
    scores = np.arange(counts.size) * 2 - (counts.size - 1)
    return int(counts[np.abs(scores) >= abs(score)].sum()) / math.factorial(n)


def _normal_p(score: float, variance: float) -> float:
    return normal_two_sided_p((abs(score) - 1) / math.sqrt(variance)) if variance > 0.0 and score != 0 else 1.0


def common_trend(sets: Sequence[FloatArray], *, floor: float = 0.0, alpha: float = ALPHA) -> Trend | None:
    """The same test over many sets at once, each in its own order: scores and variances add up.

    Three runs a cell cannot show a trend alone, a dozen such cells can: a card that warms up from run to run.

    References
    ----------
    R. M. Hirsch, J. R. Slack and R. A. Smith, Water Resources Research 18, 107-121, 1982 (there over seasons).
    """
    used = [values for values in sets if len(values) >= 2]
    scores = [kendall_score(values) for values in used]
    score = sum(score for score, _ in scores)
    return _shown(score, _normal_p(score, sum(variance for _, variance in scores)), used, floor, alpha)


def _shown(score: float, p_value: float, sets: Sequence[FloatArray], floor: float, alpha: float) -> Trend | None:
    """A trend that is sure enough, and large enough by the robust slopes of the sets from first to last run."""
    if p_value > alpha:
        return None
    slopes = [theil_sen_slope(np.arange(float(len(values))), values) * (len(values) - 1) for values in sets]
    change = float(np.median(slopes))
    return Trend(score=int(score), change=change, p_value=p_value) if abs(change) > floor else None
