"""Whether hitches recur: in one run, and over the runs of a set."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.block_medians import median
from frametime.metrics.findings import HitchPeriod
from frametime.metrics.rhythm.period_search import DEFAULT_RULE, LEAST_CHANCE, PeriodFit, PeriodRule, best_period
from frametime.statistics.distributions import chi_squared_tail, student_quantile


def _interval(groups: Sequence[tuple[NDArray[np.float64], NDArray[np.int64]]], level: float) -> tuple[float, float]:
    """Least-squares period over groups of times on beats, each group with its own start: value and half width."""
    products = squares = residual = 0.0
    n_total = 0
    for times_s, beats in groups:
        centered = beats - beats.mean()
        squares += float(centered @ centered)
        products += float(centered @ (times_s - times_s.mean()))
        n_total += times_s.size
    period_s = products / squares
    for times_s, beats in groups:
        rest = (times_s - times_s.mean()) - period_s * (beats - beats.mean())
        residual += float(rest @ rest)
    degrees = n_total - len(groups) - 1
    if degrees < 1:
        return period_s, math.inf
    error = math.sqrt(residual / degrees / squares)
    return period_s, student_quantile(0.5 + 0.5 * level, degrees) * error


def find_hitch_period(
    times_s: NDArray[np.float64], sizes_ms: NDArray[np.float64] | None = None, rule: PeriodRule = DEFAULT_RULE
) -> tuple[HitchPeriod | None, str | None]:
    """The period at which hitches recur, or the reason why none is claimed.

    All hitches are tried; where some are much larger (half the largest or more) these are tried alone too, and both
    p values are doubled (Bonferroni). Hitches beside the beat are counted as left over.

    Parameters
    ----------
    times_s : ndarray of float64, shape (n_hitches,)
        When each began, rising.
    sizes_ms : ndarray of float64, shape (n_hitches,), optional
        By how much each was too long.

    Returns
    -------
    tuple of HitchPeriod or None, and str or None
        Exactly one of the two is ``None``.

    Examples
    --------
    >>> period, _ = find_hitch_period(np.array([2.0, 4.01, 5.99, 8.0, 10.01, 12.0]))
    >>> round(period.period_s, 2), period.n_following
    (2.0, 6)
    >>> find_hitch_period(np.array([3.7, 7.4]))
    (None, '2 hitches carry no period; 4 or more are needed')
    """
    times_s = times_s[: rule.max_hitches]
    n = times_s.size
    if n < rule.min_hitches:
        count = "no hitch was found" if n == 0 else f"{n} hitch{'es carry' if n > 1 else ' carries'} no period"
        return None, f"{count}; {rule.min_hitches} or more are needed"
    look, fit, p_value = _best_look(times_s, sizes_ms, rule)
    if p_value >= rule.significance:
        return None, f"{n} hitches follow no period: chance does as well with p = {p_value:.2g}"
    if not _is_covered(fit, rule):
        return None, f"{n} hitches follow no period: too few beats have one"
    period_s, half_s = _interval([(look[fit.follows], fit.beats[fit.follows])], rule.level)
    # All hitches, not only the large ones, are said to follow it or not.
    phase_s = float(np.mean(look[fit.follows] - period_s * fit.beats[fit.follows]))
    turns = (times_s - phase_s) / period_s
    n_following = int(np.count_nonzero(np.abs(turns - np.round(turns)) <= rule.follow_fraction))
    return (
        HitchPeriod(
            period_s=period_s,
            period_low_s=period_s - half_s,
            period_high_s=period_s + half_s,
            regularity=fit.regularity,
            p_value=p_value,
            n_following=n_following,
            n_left_over=n - n_following,
        ),
        None,
    )


def _best_look(
    times_s: NDArray[np.float64], sizes_ms: NDArray[np.float64] | None, rule: PeriodRule
) -> tuple[NDArray[np.float64], PeriodFit, float]:
    """All hitches, or the large ones alone, whichever fits better; the p value counts both looks."""
    looks = [times_s]
    if sizes_ms is not None:
        sizes_ms = sizes_ms[: times_s.size]
        large = sizes_ms >= 0.5 * float(sizes_ms.max())
        if rule.min_hitches <= np.count_nonzero(large) < times_s.size:
            looks.append(times_s[large])
    fits = [best_period(look, rule) for look in looks]
    # A fit that leaves most beats empty is no recurrence, however small its p value.
    place = min(range(len(fits)), key=lambda i: (not _is_covered(fits[i], rule), fits[i].p_value))
    return looks[place], fits[place], min(1.0, len(looks) * fits[place].p_value)


def _is_covered(fit: PeriodFit, rule: PeriodRule) -> bool:
    n_distinct = len(set(fit.beats[fit.follows].tolist()))
    return n_distinct >= rule.min_hitches and fit.covered_fraction >= rule.min_covered_fraction


def pooled_hitch_period(
    times_of_runs: Sequence[NDArray[np.float64]],
    sizes_of_runs: Sequence[NDArray[np.float64]] | None = None,
    rule: PeriodRule = DEFAULT_RULE,
) -> tuple[HitchPeriod | None, str | None]:
    """The period of hitches over repeated runs of a set.

    Each run with enough hitches is tested by itself; the p values are combined by Fisher's method (Statistical
    Methods for Research Workers, 1932: minus twice the sum of their logarithms is chi-squared with twice as many
    degrees of freedom as runs). The runs must agree in the period within a tenth. The period is one least-squares
    slope over all runs, each with its own start.

    Parameters
    ----------
    times_of_runs : sequence of ndarray of float64
        When the hitches of each run began, in s.
    sizes_of_runs : sequence of ndarray of float64, optional
        By how much each was too long, see `find_hitch_period`.

    Returns
    -------
    tuple of HitchPeriod or None, and str or None
        Exactly one of the two is ``None``. ``regularity`` is the mean over the runs, weighted by their hitches.
    """
    sizes: Sequence[NDArray[np.float64] | None] = sizes_of_runs or [None] * len(times_of_runs)
    usable = [
        (times_s[: rule.max_hitches], sizes_ms)
        for times_s, sizes_ms in zip(times_of_runs, sizes, strict=True)
        if times_s.size >= rule.min_hitches
    ]
    if len(usable) < 2:
        return None, f"{len(usable)} of {len(times_of_runs)} runs have {rule.min_hitches} hitches or more; 2 are needed"
    looks = [_best_look(times_s, sizes_ms, rule) for times_s, sizes_ms in usable]
    p_value = max(chi_squared_tail(-2.0 * sum(math.log(p) for _, _, p in looks), len(looks)), LEAST_CHANCE)
    if p_value >= rule.significance:
        return None, f"the hitches of {len(looks)} runs follow no period (p = {p_value:.2g})"
    periods_s = [fit.period_s for _, fit, _ in looks]
    middle_s = median(np.array(periods_s))
    if any(abs(period_s - middle_s) > 0.1 * middle_s for period_s in periods_s):
        return None, f"the runs disagree about the period: {', '.join(f'{period_s:.3g}' for period_s in periods_s)} s"
    if not all(_is_covered(fit, rule) for _, fit, _ in looks):
        return None, "too few beats between the first and the last hitch have one"
    period_s, half_s = _interval([(look[fit.follows], fit.beats[fit.follows]) for look, fit, _ in looks], rule.level)
    n_total = sum(times_s.size for times_s, _ in usable)
    n_looked = sum(look.size for look, _, _ in looks)
    n_following = sum(int(np.count_nonzero(fit.follows)) for _, fit, _ in looks)
    return (
        HitchPeriod(
            period_s=period_s,
            period_low_s=period_s - half_s,
            period_high_s=period_s + half_s,
            regularity=sum(fit.regularity * look.size for look, fit, _ in looks) / n_looked,
            p_value=p_value,
            n_following=n_following,
            n_left_over=n_total - n_following,
        ),
        None,
    )
