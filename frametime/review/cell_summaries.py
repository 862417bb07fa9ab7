"""The runs of one set: a metric's mean, its t interval and what must be said with it."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from typing import Final

import numpy as np

from frametime.caveats import Caveat, Weight
from frametime.metrics.rhythm.hitches import find_hitch_period, hitches_listed
from frametime.review.design import SpreadRule
from frametime.review.result_tables import Estimate
from frametime.review.run_set import ZERO, RunSet
from frametime.review.sentence import caveat_of, method
from frametime.statistics.differences import WIDEST_LOG
from frametime.statistics.distributions import t_quantile
from frametime.statistics.interval import Interval
from frametime.statistics.repeatability import SETS_ALPHA, PooledSpread
from frametime.words import counted

SHORT_SHARE: Final = 2 / 3
"""Runs that last a smaller share of the usual one are told (a choice of this program)."""


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


def cut_short(run_set: RunSet) -> list[Caveat]:
    """Runs under two thirds as long as the usual one of their set: they show a part of the scene."""
    lengths_s = {run.run: run.measured.duration_s for run in run_set.runs}
    usual_s = sorted(lengths_s.values())[len(lengths_s) // 2]
    short = {run: length_s for run, length_s in lengths_s.items() if length_s < SHORT_SHARE * usual_s}
    return [caveat_of("run-cut-short", run=run, length=length_s, usual=usual_s) for run, length_s in short.items()]


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
