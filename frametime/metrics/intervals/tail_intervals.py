"""Intervals of quantiles and lows: how many slow frames there could have been, turned into ranks.

The slowest 1 % of a run come in a few stretches, too few to tell how many there might have been. That is learned where
there are more of them: among the slowest 5 %.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from functools import cached_property
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.intervals import within_run
from frametime.metrics.level import low_key
from frametime.metrics.metric import Missing
from frametime.statistics.distributions import gamma_quantile, student_quantile
from frametime.statistics.interval import Interval
from frametime.words import counted

LOOKED_AT: Final = 5.0
"""Among so many times the share of slow frames their coming in stretches is measured (by simulation)."""
STRETCHES_A_SHARE: Final = 0.5
"""The slowest share of the frames would fill so many stretches, or more (by simulation): 50 stretches for the slowest
1 %. Of the ``BINS`` stretches that can be told at most, seven tenths are enough for any share."""
NEARLY_ALL: Final = 0.9
"""A mean of which one value makes up so much is that of one value (common practice, no source)."""

_QUANTILES: Final = {
    "median_frame_time_ms": 0.5,
    "p95_frame_time_ms": 0.05,
    "p99_frame_time_ms": 0.01,
    "p99p9_frame_time_ms": 0.001,
}


class SlowFrames:
    """Values of which the largest matter, and how the largest come.

    Parameters
    ----------
    series : FrameSeries
    values : ndarray of float64, shape (n_values,)
        Of all frames, or of some.
    positions : ndarray of int64, shape (n_values,)
        The frames to which they belong.
    falling : ndarray of float64, shape (n_values,), optional
        The values from the largest to the smallest, where they are sorted already.
    """

    def __init__(
        self,
        series: FrameSeries,
        values: NDArray[np.float64],
        positions: NDArray[np.int64],
        falling: NDArray[np.float64] | None = None,
    ) -> None:
        self.values = values
        self.positions = positions
        self.falling = np.sort(values)[::-1] if falling is None else falling
        self.n_frames = series.n_frames
        self.at_most = within_run.level_stretches(series)
        self.level = series.options.level

    @classmethod
    def of(cls, series: FrameSeries) -> SlowFrames:
        """The frame times of a run."""
        return cls(series, series.frame_times_ms, np.arange(series.n_frames), series.sorted_ms[::-1])

    @cached_property
    def cumulated(self) -> NDArray[np.float64]:
        """Sum of the largest values, shape (n_values,)."""
        return np.cumsum(self.falling)

    @cached_property
    def stretches(self) -> float:
        """Independent stretches of the values themselves."""
        return within_run.independent_stretches(self.values)

    def ranks(self, n_slow: float, *, by_time: bool = False) -> Ranks | Missing:
        """Ranks between which the true place of the ``n_slow``-th largest value lies.

        ``by_time`` where the largest values are those that fill a share of the sum of all. The number of values beyond
        the true one varies about ``n_slow``. As a sum of few stretches of unequal length it is taken to
        follow a gamma distribution, of as many as they are worth, the tails as much farther out as those of Student's t
        are. What they are worth is told by how much the number of values varies that are among the largest
        ``LOOKED_AT`` times as many, against independent ones; never more than what the largest tell by themselves.
        """
        if not self.falling[0] - self.falling[-1] > 1e-10 * self.falling[0]:
            return within_run.SAME
        share = n_slow / self.values.size
        needed = max(
            within_run.MIN_STRETCHES, min(STRETCHES_A_SHARE / share, 0.7 * within_run.BINS) if share < 0.5 else 0.0
        )
        if (missing := within_run.too_short(self.stretches, math.ceil(needed))) is not None:
            return missing
        wide, own = (self._dispersion(each) for each in (min(LOOKED_AT * share, 0.5), share))
        worth = n_slow / (max(1.0 - share, 1e-3) * max(wide[0], own[0]))
        reach = student_quantile(0.5 + 0.5 * self.level, wide[1])
        if by_time:
            # A sum of unequal values varies more than their number.
            largest = self.falling[: int(n_slow)]
            worth *= float(largest.mean() ** 2 / np.mean(largest**2))
        inside = min(math.erf(reach / math.sqrt(2.0)), 1.0 - 1e-12)
        parts = [gamma_quantile(0.5 + side * 0.5 * inside, worth) / worth for side in (-1.0, 1.0)]
        filled = self.cumulated[int(n_slow) - 1]
        low, high = (self.filling(part * filled) if by_time else part * n_slow for part in parts)
        # Below rank 1 the true value may lie beyond the slowest frame, and nothing tells how far.
        if low < 1.0:
            told = "" if n_slow < 1.5 else f", worth {worth:.1f} independent ones"
            return Missing(reason=f"it rests on {_slow_words(n_slow)}{told}: too few")
        return Ranks(first=low, last=min(high, float(self.values.size)), worth=worth, stretches=self.stretches)

    def _dispersion(self, share: float) -> tuple[float, int]:
        """Variance of the number of values among the largest ``share`` over that of independent ones, at least 1."""
        large = self.values > self.falling[min(int(share * self.values.size), self.values.size - 1)]
        part = float(large.mean())
        found = within_run.variation(
            within_run.placed(self.n_frames, self.positions, large - part), at_most=self.at_most
        )
        independent = self.values.size * part * (1.0 - part)
        return max(found.sd**2 / independent, 1.0) if independent > 0.0 else 1.0, found.degrees

    def filling(self, total: float) -> float:
        """How many of the largest values have this sum, the last one counted in part."""
        whole = int(np.searchsorted(self.cumulated, total * (1.0 - 1e-12)))
        before = self.cumulated[whole - 1] if whole else 0.0
        return whole + float((total - before) / self.falling[min(whole, self.falling.size - 1)])

    def at(self, rank: float) -> float:
        """Value at a rank, from 1 for the largest, between two frames in part."""
        place = min(int(rank), self.falling.size - 1)
        part = rank - int(rank)
        return float(self.falling[int(rank) - 1] * (1.0 - part) + self.falling[place] * part)


def _slow_words(n_slow: float) -> str:
    """How many slow frames, in two digits where they are few.

    Examples
    --------
    >>> _slow_words(0.15), _slow_words(1.0), _slow_words(1.5), _slow_words(60.2)
    ('0.15 slow frames', '1 slow frame', '1.5 slow frames', '60 slow frames')
    """
    return counted(float(f"{n_slow:.2g}") if n_slow < 10.0 else round(n_slow), "slow frame")


class Ranks(NamedTuple):
    """Ranks counted from the largest value, and how many independent values lie beyond the true one."""

    first: float
    last: float
    worth: float
    stretches: float


def order_outcomes(series: FrameSeries, values: Mapping[str, float]) -> dict[str, within_run.Outcome]:
    """Median, quantiles of the tail, and lows of every kind."""
    slow, n = SlowFrames.of(series), series.n_frames
    found = {key: interval_of_rank(slow, share * n, values[key]) for key, share in _QUANTILES.items() if key in values}
    kinds: Mapping[str, Callable[[float, float], within_run.Outcome]] = {
        "percentile": lambda share, fps: interval_of_rank(slow, share * n, 1000.0 / fps),
        "mean": lambda share, fps: _interval_of_mean(slow, share * n, 1000.0 / fps),
        "time": lambda share, fps: interval_of_rank(
            slow, math.ceil(slow.filling(share * slow.cumulated[-1])), 1000.0 / fps, by_time=True
        ),
    }
    for pct in series.options.slowest_pcts:
        for kind, make in kinds.items():
            if (key := low_key(pct, kind)) in values:
                found[key] = _as_rate(make(pct / 100.0, values[key]))
    return found


def interval_of_rank(slow: SlowFrames, n_slow: float, value: float, *, by_time: bool = False) -> within_run.Outcome:
    """Interval of the value that ``n_slow`` of all are beyond."""
    if isinstance(ranks := slow.ranks(n_slow, by_time=by_time), Missing):
        return ranks
    return _interval(slow, slow.at(ranks.last), slow.at(ranks.first), value, ranks)


def _interval_of_mean(slow: SlowFrames, n_slow: float, value: float) -> within_run.Outcome:
    """Interval of the mean of the ``n_slow`` largest: as many independent ones as they are worth, by Student's t.

    They vary by what they have beyond the smallest of them (R. T. Rockafellar and S. Uryasev, Journal of Risk 2, 2000,
    21-41, from memory).
    """
    if isinstance(ranks := slow.ranks(n_slow), Missing):
        return ranks
    whole = int(n_slow)
    mean = float(slow.cumulated[whole - 1] / whole)
    if slow.falling[0] >= NEARLY_ALL * n_slow * mean:
        return Missing(reason="one frame takes nearly all of the time of the slow frames: nothing tells how it varies")
    sd = math.sqrt(float(np.mean((slow.falling[:whole] - slow.at(n_slow)) ** 2)) / ranks.worth) / mean
    reach = student_quantile(0.5 + 0.5 * slow.level, max(round(ranks.worth) - 1, 1)) * sd
    return _interval(slow, value * math.exp(-reach), value * math.exp(reach), value, ranks)


def _interval(slow: SlowFrames, low: float, high: float, value: float, ranks: Ranks) -> within_run.Outcome:
    # Equal frames differ in the last digits of their sums.
    if not high - low > 1e-10 * high:
        return within_run.SAME
    method = (
        f"within run: ranks; the slow frames are worth {ranks.worth:.1f} independent ones, "
        f"in about {ranks.stretches:.0f} independent stretches"
    )
    return Interval(low=min(low, value), high=max(high, value), level=slow.level, method=method)


def _as_rate(outcome: within_run.Outcome) -> within_run.Outcome:
    if not isinstance(outcome, Interval):
        return outcome
    return Interval(low=1000.0 / outcome.high, high=1000.0 / outcome.low, level=outcome.level, method=outcome.method)
