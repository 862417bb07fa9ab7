"""A metric over the runs of one set: mean, t interval, and what must be said with it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from frametime.caveats import Caveat, Weight
from frametime.metrics.rhythm.hitches import find_hitch_period, hitches_listed
from frametime.review.design import SpreadRule
from frametime.review.result_tables import Estimate
from frametime.review.run_set import ZERO, RunSet
from frametime.statistics.differences import WIDEST_LOG, Interval
from frametime.statistics.distributions import t_quantile
from frametime.statistics.repeatability import PooledSpread
from frametime.words import counted

GEOMETRIC = "t interval over {n} runs, on logs, back-transformed"
METHODS: Final[Mapping[SpreadRule, str]] = {
    "own": GEOMETRIC,
    "pooled": GEOMETRIC + ", with the scatter pooled over the card's cells ({df:.3g} df)",
    "shared": GEOMETRIC + ", with the scatter shared with the card's other cells ({df:.3g} df)",
}
ARITHMETIC = "t interval over {n} runs"


def metric_caveat(metric: str, *, code: str, message: str, weight: Weight = Weight.CARE) -> Caveat:
    """A caveat about the numbers of one metric."""
    return Caveat(code=code, message=message, weight=weight, metrics=(metric,))


def bearing_on(caveats: Sequence[Caveat], metric: str) -> tuple[Caveat, ...]:
    """Those caveats that bear on a metric."""
    return tuple(caveat for caveat in caveats if not caveat.metrics or metric in caveat.metrics)


def no_scatter(metric: str) -> Caveat:
    """Runs that are equal to the last digit."""
    message = "All runs have exactly the same value, which gives no interval; were files copied?"
    return metric_caveat(metric, code="no-scatter", message=message)


def too_wide(metric: str) -> Caveat:
    """Runs that differ by orders of magnitude."""
    message = "The runs scatter so much that the interval would span more than a factor of a million."
    return metric_caveat(metric, code="too-wide", message=message, weight=Weight.REPEAT)


def estimate(
    key: str,
    run_values: Sequence[float | None],
    *,
    level: float = 0.95,
    stand_in: PooledSpread | None = None,
    method: str = GEOMETRIC,
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
    method : str
        Of ``METHODS``: how such a scatter was made.

    Examples
    --------
    >>> found = estimate("average_fps", [100.0, 102.0, 101.0])
    >>> round(found.value, 2), round(found.interval.low, 2), round(found.interval.high, 2)
    (101.0, 98.54, 103.51)
    """
    present = np.array([value for value in run_values if value is not None], np.float64)
    n = present.size
    caveats = _about_absence(key, n, len(run_values))
    is_log = n > 0 and float(present.min()) > ZERO
    if n and not is_log:
        message = "A run has a value of zero or below, so the plain mean is shown and no ratio can be formed."
        caveats.append(metric_caveat(key, code="plain-mean", message=message, weight=Weight.NOTE))
    numbers = np.log(present) if is_log else present
    mean = float(numbers.mean()) if n else None
    own = float(np.std(numbers, ddof=1)) if n > 1 else None
    spread, freedom = own, float(n - 1)
    if is_log and stand_in is not None:
        spread, freedom = stand_in.standard_deviation, stand_in.degrees_of_freedom
    else:
        method = GEOMETRIC if is_log else ARITHMETIC
    interval = None
    if mean is not None and spread is not None and freedom >= 1:
        half = t_quantile(0.5 + level / 2.0, freedom) * spread / math.sqrt(n)
        if is_log and half > WIDEST_LOG:
            caveats.append(too_wide(key))
        else:
            low, high = mean - half, mean + half
            if is_log:
                low, high = math.exp(low), math.exp(high)
            interval = Interval(low=low, high=high, level=level, method=method.format(n=n, df=freedom))
    if is_log and interval is not None and interval.low == interval.high:
        # Runs that agree to the last digit say nothing of how much runs scatter: a bar of no width would lie.
        interval = None
        caveats.append(no_scatter(key))
    return Estimate(
        key=key,
        value=math.exp(mean) if mean is not None and is_log else mean,
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
    by_code: dict[str, list[Caveat]] = {}
    for run in run_set.runs:
        for code, caveat in {
            item.code: item for item in run.measured.caveats if item.weight is not Weight.NOTE
        }.items():
            by_code.setdefault(code, []).append(caveat)
    total = len(run_set.runs)
    return tuple(
        Caveat(
            code=code,
            message=f"{len(said)} of {counted(total, 'run')}: {said[0].message}",
            weight=Weight.REPEAT if any(item.weight is Weight.REPEAT for item in said) else Weight.CARE,
            metrics=()
            if any(not item.metrics for item in said)
            else tuple(dict.fromkeys(k for i in said for k in i.metrics)),
        )
        for code, said in by_code.items()
    )


def _about_absence(key: str, n: int, total: int) -> list[Caveat]:
    caveats = []
    if n < total:
        message = f"{total - n} of {counted(total, 'run')} have no value of this metric."
        caveats.append(metric_caveat(key, code="runs-without-value", message=message))
    if n == 1:
        caveats.append(metric_caveat(key, code="one-run", message="1 run gives no interval; 2 or more do."))
    return caveats


def recurring_hitches(run_set: RunSet) -> tuple[Caveat, ...]:
    """The period of the hitches over the runs of a set, as a note; empty where there is none."""
    found = [
        hitches_listed(rhythm.hitches, n_frames=run.measured.n_frames, run_s=run.measured.duration_s)
        for run in run_set.runs
        if (rhythm := run.measured.findings.rhythm) is not None and rhythm.hitches
    ]
    period, _ = find_hitch_period(found) if len(found) > 1 else (None, None)
    if period is None:
        return ()
    message = (
        f"Hitches recur over {len(found)} runs: {period.sentence}, {period.n_left_over} beside them "
        f"(p = {period.p_value:.1g})."
    )
    return (Caveat(code="recurring-hitches", message=message, weight=Weight.NOTE),)
