"""Intervals of quantiles and lows: how many slow frames there could have been, turned into ranks.

The slowest 1 % of a run come in a few stretches, and resampling so few tells too little of how many there might have
been. That is learned where there are more of them: among the slowest 10 %.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from functools import cached_property
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.intervals.block_bootstrap import BlockDraws
from frametime.metrics.intervals.resampled_run import SAME, Outcome, Resampled, ResampledRun
from frametime.metrics.level import low_key
from frametime.metrics.metric import Missing
from frametime.statistics.differences import Interval
from frametime.statistics.distributions import gamma_quantile, normal_quantile, student_quantile
from frametime.words import counted

MIN_WORTH: Final = 1.5
"""Slow frames that are worth fewer independent ones give no interval (by simulation)."""
LOOKED_AT: Final = 10.0
"""Among so many times the share of slow frames their coming in stretches is measured."""
MOST_LOOKED_AT: Final = 0.5
NEARLY_ALL: Final = 0.9
"""A mean of which one value makes up so much is that of one value (common practice, no source)."""
LEAST_WORTH: Final = 2.0
"""Where the slowest 10 % are those of one part of the scene, and the slowest 1 % come more often (by simulation)."""

_QUANTILES: Final = {"p95_frame_time_ms": 0.05, "p99_frame_time_ms": 0.01, "p99p9_frame_time_ms": 0.001}


class SlowFrames:
    """Values of which the largest matter, and how the largest come.

    Parameters
    ----------
    values : ndarray of float64, shape (n_values,)
    positions : ndarray of int64, shape (n_values,)
        The frames to which they belong.
    falling : ndarray of float64, shape (n_values,)
        The values from the largest to the smallest.
    draws : BlockDraws
    level : float
    """

    def __init__(
        self,
        values: NDArray[np.float64],
        positions: NDArray[np.int64],
        *,
        falling: NDArray[np.float64],
        draws: BlockDraws,
        level: float,
    ) -> None:
        self.values = values
        self.positions = positions
        self.falling = falling
        self.draws = draws
        self.level = level
        self._dispersions: dict[float, float] = {}

    @cached_property
    def cumulated(self) -> NDArray[np.float64]:
        """Sum of the largest values, shape (n_values,)."""
        return np.cumsum(self.falling)

    def dispersion(self, share: float) -> float:
        """Variance of the number of values among the largest ``share`` over that of independent ones, at least 1."""
        if share not in self._dispersions:
            limit = self.falling[min(int(share * self.values.size), self.values.size - 1)]
            large = self.positions[self.values > limit]
            flags = np.zeros(self.draws.n)
            flags[large] = 1.0
            independent = large.size * (1.0 - large.size / self.values.size)
            variance = float(self.draws.sums(flags).var())
            self._dispersions[share] = max(variance / independent, 1.0) if independent > 0.0 else 1.0
        return self._dispersions[share]

    def worth(self, n_slow: float) -> float:
        """How many independent values the ``n_slow`` largest are worth.

        Told at ten times their share: the largest come in stretches hardly longer than those of the merely large. Where
        a scene swings, its slow part makes that far too strict, and ``LEAST_WORTH`` is taken. Never more than what the
        largest tell by themselves.
        """
        share = n_slow / self.values.size
        spread = max(1.0 - share, 1e-3)
        wide, own = (
            n_slow / (spread * self.dispersion(looked_at))
            for looked_at in (min(LOOKED_AT * share, max(MOST_LOOKED_AT, share)), share)
        )
        return min(own, max(wide, LEAST_WORTH))

    def ranks(self, n_slow: float) -> Ranks | Missing:
        """Ranks between which the true place of the ``n_slow``-th largest value lies.

        The number of values beyond the true one varies about ``n_slow``; as a sum of few stretches of unequal length
        it is taken to follow a gamma distribution, of as many as they are worth.
        """
        shape = self.worth(n_slow)
        low, high = (n_slow / shape * gamma_quantile(0.5 + side * 0.5 * self.level, shape) for side in (-1.0, 1.0))
        # Below rank 1 the true value may lie beyond the slowest frame, and nothing tells how far.
        if shape < MIN_WORTH or low < 1.0:
            worth = "" if n_slow < 1.5 else f", worth {shape:.1f} independent ones"
            return Missing(reason=f"it rests on {_slow_words(n_slow)}{worth}: too few")
        return Ranks(first=low, last=min(high, float(self.values.size)), worth=shape)

    def at(self, rank: float) -> float:
        """Value at a rank, from 1 for the largest, between two frames in part."""
        place = min(int(rank), self.falling.size - 1)
        part = rank - int(rank)
        return float(self.falling[int(rank) - 1] * (1.0 - part) + self.falling[place] * part)

    def mean_to(self, rank: float) -> float:
        """Mean of the largest values up to a rank, the one at the edge counted in part."""
        whole = int(rank)
        part = (rank - whole) * self.falling[min(whole, self.falling.size - 1)]
        return float((self.cumulated[whole - 1] + part) / rank)


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


def slow_frames(run: ResampledRun) -> SlowFrames:
    """The frame times of a run as values of which the largest matter."""
    return SlowFrames(
        run.times_ms,
        np.arange(run.draws.n),
        falling=run.series.sorted_ms[::-1],
        draws=run.draws,
        level=run.series.options.level,
    )


def order_outcomes(run: ResampledRun, values: Mapping[str, float]) -> dict[str, Outcome]:
    """Median, quantiles of the tail, and lows of every kind."""
    found: dict[str, Outcome] = {}
    if "median_frame_time_ms" in values:
        positions = np.arange(run.draws.n)
        found["median_frame_time_ms"] = Resampled(
            run.moved_quantile(positions, run.times_ms, run.series.sorted_ms, 0.5)
        )
    slow = slow_frames(run)
    for key, share in _QUANTILES.items():
        if key in values:
            found[key] = interval_of_rank(slow, share * run.draws.n, values[key])
    kinds: Mapping[str, Callable[[ResampledRun, SlowFrames, float, float], Outcome]] = {
        "percentile": lambda run, slow, share, fps: interval_of_rank(slow, share * run.draws.n, 1000.0 / fps),
        "mean": lambda run, slow, share, fps: _interval_of_mean(slow, share * run.draws.n, 1000.0 / fps),
        "time": lambda run, slow, share, fps: interval_of_rank(slow, _filling(slow, share), 1000.0 / fps),
    }
    for pct in run.series.options.slowest_pcts:
        for kind, make in kinds.items():
            if (key := low_key(pct, kind)) in values:
                found[key] = _as_rate(make(run, slow, pct / 100.0, values[key]))
    return found


def interval_of_rank(slow: SlowFrames, n_slow: float, value: float) -> Outcome:
    """Interval of the value that ``n_slow`` of all are beyond."""
    ranks = slow.ranks(n_slow)
    if isinstance(ranks, Missing):
        return ranks
    return _interval(slow, slow.at(ranks.last), slow.at(ranks.first), value, ranks)


def _interval_of_mean(slow: SlowFrames, n_slow: float, value: float) -> Outcome:
    """Interval of the mean of the ``n_slow`` largest: they could be more or fewer, and of other sizes.

    Both add up as independent errors of the logarithm. The sizes are resampled as what the largest values have beyond
    the smallest of them: to first order the mean moves by no more (R. T. Rockafellar and S. Uryasev, Journal of Risk
    2, 2000, 21-41, from memory).
    """
    ranks = slow.ranks(n_slow)
    if isinstance(ranks, Missing):
        return ranks
    if slow.falling[0] >= NEARLY_ALL * n_slow * slow.mean_to(n_slow):
        return Missing(reason="one frame takes nearly all of the time of the slow frames: nothing tells how it varies")
    edge = slow.at(max(n_slow, 1.0))
    beyond = np.zeros(slow.draws.n)
    beyond[slow.positions] = np.maximum(slow.values - edge, 0.0)
    means = slow.draws.sums(beyond)
    means = np.log((edge + means / n_slow) / (edge + float(beyond.sum()) / n_slow))
    ends = np.quantile(means, [0.5 - 0.5 * slow.level, 0.5 + 0.5 * slow.level])
    upper = 0.5 + 0.5 * slow.level
    factor = student_quantile(upper, max(round(ranks.worth), 1)) / normal_quantile(upper)
    sizes = factor * float(np.abs(ends).max())
    more, fewer = math.log(slow.mean_to(ranks.last) / value), math.log(slow.mean_to(ranks.first) / value)
    low, high = value * math.exp(-math.hypot(more, sizes)), value * math.exp(math.hypot(fewer, sizes))
    return _interval(slow, low, high, value, ranks)


def _interval(slow: SlowFrames, low: float, high: float, value: float, ranks: Ranks) -> Outcome:
    # Equal frames differ in the last digits of their sums.
    if not high - low > 1e-10 * high:
        return SAME
    method = (
        f"within run: ranks from the number of slow frames by stationary bootstrap, {slow.draws.n_resamples} "
        f"resamples, mean block of {slow.draws.mean_block:.0f} frames; worth {ranks.worth:.1f} independent ones"
    )
    return Interval(low=min(low, value), high=max(high, value), level=slow.level, method=method)


def _filling(slow: SlowFrames, share: float) -> float:
    """How many of the slowest frames fill a share of the time."""
    target = share * float(slow.cumulated[-1])
    return float(np.searchsorted(slow.cumulated, target * (1.0 - 1e-12)) + 1)


def _as_rate(outcome: Outcome) -> Outcome:
    if not isinstance(outcome, Interval):
        return outcome
    return Interval(low=1000.0 / outcome.high, high=1000.0 / outcome.low, level=outcome.level, method=outcome.method)
