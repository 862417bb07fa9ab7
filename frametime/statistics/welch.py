"""Ratio of two sets of runs with Welch's interval on logs."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from frametime.metrics.metric import Interval
from frametime.statistics.quantiles import t_quantile


@dataclass(frozen=True, kw_only=True)
class Ratio:
    """Candidate over baseline, as a ratio of geometric means over runs.

    ``interval`` is ``None`` when either side has fewer than two runs, or the runs of each side agree to the last
    digit: nothing tells then how much runs scatter.
    """

    value: float
    interval: Interval | None
    n_candidate: int
    n_baseline: int

    @property
    def is_credibly_below(self) -> bool:
        """Whether the whole interval lies below 1."""
        return self.interval is not None and self.interval.high < 1.0

    @property
    def is_credibly_above(self) -> bool:
        """Whether the whole interval lies above 1."""
        return self.interval is not None and self.interval.low > 1.0


def satterthwaite_freedom(parts: Iterable[tuple[float, float]]) -> float:
    """Degrees of freedom of a sum of independent variances, each given with its own.

    ``(sum v_i)^2 / sum(v_i^2 / df_i)``; one of the variances must be above 0.

    References
    ----------
    F. E. Satterthwaite, Biometrics Bulletin 2, 110-114, 1946; B. L. Welch, Biometrika 34, 28-35, 1947.

    Examples
    --------
    >>> satterthwaite_freedom([(2.0, 9), (2.0, 9)]), satterthwaite_freedom([(2.0, 9), (0.0, 3)])
    (18.0, 9.0)
    """
    parts = list(parts)
    total = math.fsum(variance for variance, _ in parts)
    # Shares of the variance, so that tiny variances do not underflow when squared.
    return 1.0 / math.fsum((variance / total) ** 2 / freedom for variance, freedom in parts)


def welch_difference(
    candidate: Sequence[float], baseline: Sequence[float], *, level: float
) -> tuple[float, tuple[float, float] | None]:
    """Difference of two means and its Welch t interval.

    There is none with fewer than two values on a side, or where neither side scatters at all.

    References
    ----------
    B. L. Welch, Biometrika 34, 28-35, 1947.

    Examples
    --------
    The sleep data of Student 1908, as in R's help for ``t.test``:

    >>> drug_1 = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    >>> drug_2 = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
    >>> difference, interval = welch_difference(drug_1, drug_2, level=0.95)
    >>> round(difference, 2), tuple(round(bound, 4) for bound in interval)
    (-1.58, (-3.3655, 0.2055))
    """
    if not candidate or not baseline:
        raise ValueError("candidate and baseline must hold one value or more")
    if not 0.0 < level < 1.0:
        raise ValueError(f"level must be between 0 and 1, got {level!r}")
    one, two = np.asarray(candidate, dtype=np.float64), np.asarray(baseline, dtype=np.float64)
    difference = float(one.mean() - two.mean())
    if one.size < 2 or two.size < 2:
        return difference, None
    part_one, part_two = float(one.var(ddof=1)) / one.size, float(two.var(ddof=1)) / two.size
    variance = part_one + part_two
    if variance == 0.0:
        # Runs that agree to the last digit say nothing of how much runs scatter.
        return difference, None
    freedom = satterthwaite_freedom([(part_one, one.size - 1), (part_two, two.size - 1)])
    half = t_quantile(0.5 + level / 2.0, freedom) * math.sqrt(variance)
    return difference, (difference - half, difference + half)


def welch_ratio(candidate: Sequence[float], baseline: Sequence[float], *, level: float = 0.95) -> Ratio:
    """Ratio of the geometric means of two sets of runs, all values > 0.

    Examples
    --------
    >>> ratio = welch_ratio([102.0, 103.0, 104.0], [100.0, 100.5, 99.5])
    >>> round(ratio.value, 4), ratio.is_credibly_above
    (1.03, True)
    """
    if any(not value > 0.0 for value in (*candidate, *baseline)):
        raise ValueError("every value must be positive")
    logs = [[math.log(value) for value in values] for values in (candidate, baseline)]
    difference, bounds = welch_difference(logs[0], logs[1], level=level)
    interval = (
        None
        if bounds is None
        else Interval(
            low=math.exp(bounds[0]), high=math.exp(bounds[1]), level=level, method="Welch t interval on logs over runs"
        )
    )
    return Ratio(value=math.exp(difference), interval=interval, n_candidate=len(candidate), n_baseline=len(baseline))
