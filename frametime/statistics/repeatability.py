"""How well runs repeat: their scatter pooled over sets, and the sets and runs that lie off (ISO 5725-2).

Sets that scatter too much and runs too far off are found by the tests of Cochran and Grubbs; runs may also lie at two
levels.

All functions take plain values; a review passes natural logs, so that a standard deviation of 0.01 means 1 %.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Final, Literal, NamedTuple, TypeAlias, TypeVar

import numpy as np

from frametime.statistics.distributions import FloatArray, f_upper_quantile, t_quantile

REPEATABILITY_FACTOR: Final = 2.8
"""ISO 5725-6:1994, 4.1: two single results differ by less than 2.8 s_r in 95 % of cases (1.96 root 2, rounded)."""


class PooledSpread(NamedTuple):
    """Variance within sets that more than one set tells of, its degrees of freedom, and the number of sets."""

    variance: float
    degrees_of_freedom: float
    n_sets: int

    @property
    def standard_deviation(self) -> float:
        """Repeatability standard deviation s_r."""
        return math.sqrt(self.variance)


def mean_and_squares(values: FloatArray) -> tuple[float, float]:
    """Mean of a set, and the sum of squares about it: two passes, as one loses the digits of nearly equal runs.

    Sets of a few runs are many, and numpy's own functions take five times as long for them.
    """
    mean = np.add.reduce(values) / values.size
    return float(mean), float(np.add.reduce((values - mean) ** 2))


def variance_of(values: FloatArray) -> float:
    """Variance of a set as it estimates that of all runs, from two values on."""
    return mean_and_squares(values)[1] / (values.size - 1)


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
    used = [values for values in sets if len(values) > 1]
    if not used:
        return None
    squares = sum(mean_and_squares(values)[1] for values in used)
    freedom = sum(values.size - 1 for values in used)
    return PooledSpread(variance=squares / freedom, degrees_of_freedom=freedom, n_sets=len(used))


Outcome: TypeAlias = Literal["ok", "straggler", "outlier"]
"""Up to the 5 % value, beyond it, beyond the 1 % value."""

Key = TypeVar("Key")


class OutlierTest(NamedTuple):
    """A statistic with its critical values, and the place of the set or value that gave it."""

    statistic: float
    critical_5pct: float
    critical_1pct: float
    at: int

    @property
    def outcome(self) -> Outcome:
        """What ISO 5725-2:1994, 7.3.2 calls the item.

        Examples
        --------
        >>> OutlierTest(0.5, critical_5pct=0.4, critical_1pct=0.6, at=0).outcome
        'straggler'
        """
        if self.statistic > self.critical_1pct:
            return "outlier"
        return "straggler" if self.statistic > self.critical_5pct else "ok"


def cochran_critical(n_sets: int, n_runs: float, *, alpha: float) -> float:
    """Critical value of Cochran's C for ``n_sets`` sets of ``n_runs`` runs.

    ``C = 1 / (1 + (p - 1) / F)`` with F the upper ``alpha / p`` point with ``n - 1`` and ``(p - 1)(n - 1)``
    degrees of freedom; agrees with ISO 5725-2:1994, table 4.

    Examples
    --------
    >>> round(cochran_critical(10, 3, alpha=0.05), 3)
    0.445
    """
    if n_sets < 2 or n_runs < 2:
        raise ValueError(f"n_sets and n_runs must be 2 or more, got {n_sets!r} and {n_runs!r}")
    f_value = f_upper_quantile(alpha / n_sets, n_runs - 1.0, (n_sets - 1.0) * (n_runs - 1.0))
    return 1.0 / (1.0 + (n_sets - 1.0) / f_value)


def cochran_test(sets: Sequence[FloatArray], *, n_tests: int = 1) -> OutlierTest | None:
    """Test whether one set scatters more than the others: Cochran's C, the largest of several variances over their sum.

    Sets of unlike size enter with the mean number of runs (ISO 5725-2 asks for nearly equal numbers). Of ``n_tests``
    such tests together one goes beyond the critical values in 5 % and 1 % of cases at most (Bonferroni).

    Returns
    -------
    OutlierTest or None
        ``None`` with fewer than two sets of two runs, or when no set scatters at all.
    """
    positions = [at for at, values in enumerate(sets) if len(values) >= 2]
    variances = np.array([variance_of(sets[at]) for at in positions])
    if len(positions) < 2 or not variances.sum() > 0.0:
        return None
    n_runs = float(np.mean([len(sets[at]) for at in positions]))
    return OutlierTest(
        statistic=float(variances.max() / variances.sum()),
        critical_5pct=cochran_critical(len(positions), n_runs, alpha=0.05 / n_tests),
        critical_1pct=cochran_critical(len(positions), n_runs, alpha=0.01 / n_tests),
        at=positions[int(variances.argmax())],
    )


def grubbs_critical(n: int, *, alpha: float) -> float:
    """Critical value of Grubbs's statistic for one outlying value on a side named beforehand.

    ISO 5725-2:1994, table 5 lists ``alpha / 2`` under its two-sided heading: its 5 % column is ``alpha=0.025``.

    Examples
    --------
    >>> round(grubbs_critical(10, alpha=0.025), 2)
    2.29
    """
    if n < 3:
        raise ValueError(f"n must be 3 or more, got {n!r}")
    t = t_quantile(1.0 - alpha / n, n - 2)
    return (n - 1) / math.sqrt(n) * math.sqrt(t * t / (n - 2 + t * t))


def grubbs_test(values: FloatArray) -> OutlierTest | None:
    """Test whether the value farthest from the mean of its set is an outlier, on either side.

    Grubbs's G is its distance from the mean over the standard deviation. The critical values are those of the
    standard's table for one largest or one smallest value.

    Parameters
    ----------
    values : ndarray of float64, shape (n_runs,)

    Returns
    -------
    OutlierTest or None
        ``None`` with fewer than three values, or when they do not scatter at all.

    References
    ----------
    F. E. Grubbs, Annals of Mathematical Statistics 21, 27-58, 1950; ISO 5725-2:1994, 7.3.4 and table 5.

    Examples
    --------
    >>> found = grubbs_test(np.array([10.0, 10.1, 9.9, 10.0, 12.0]))
    >>> found.at, found.outcome
    (4, 'outlier')
    """
    spread = math.sqrt(variance_of(values)) if values.size > 2 else 0.0
    if not spread > 0.0:
        return None
    distances = np.abs(values - values.mean())
    at = int(distances.argmax())
    return OutlierTest(
        statistic=float(distances[at]) / spread,
        critical_5pct=grubbs_critical(values.size, alpha=0.025),
        critical_1pct=grubbs_critical(values.size, alpha=0.005),
        at=at,
    )


def poolable(sets: Mapping[Key, FloatArray], *, n_tests: int = 1) -> tuple[list[Key], list[Key]]:
    """Keys of the sets to pool, and of those that Cochran's test puts aside, at 1 % over ``n_tests`` such tests.

    A set beyond the 5 % value only (a straggler) stays, as ISO 5725-2 has it. At least two sets are kept.
    """
    kept = [key for key, values in sets.items() if len(values) >= 2]
    aside: list[Key] = []
    while len(kept) > 2:
        test = cochran_test([sets[key] for key in kept], n_tests=n_tests)
        if test is None or test.statistic <= test.critical_1pct:
            break
        aside.append(kept.pop(test.at))
    return kept, aside


N_NULL: Final = 100_000
NULL_SEED: Final = 19_820_101
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
