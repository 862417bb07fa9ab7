"""Intervals within one run: stationary bootstrap of its frames in blocks, for every metric it suits.

Frames are autocorrelated, so blocks are resampled, not single frames. The intervals say how far a number would move
if the same scene had been captured for as long again under the same conditions; runs differ by more than that, and
these intervals are never used to compare cards.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.block_draws import BlockDraws, draw_blocks
from frametime.metrics.block_length import optimal_block_lengths
from frametime.metrics.distributions import normal_quantile, student_quantile
from frametime.metrics.lows import share_text
from frametime.metrics.metric import Interval
from frametime.metrics.pacing import overlapping_allan_deviation
from frametime.metrics.resampled_order import (
    Counts,
    Window,
    counts_of,
    make_window,
    quantile_resamples,
    searched,
    value_at_rank,
)

if TYPE_CHECKING:
    from frametime.metrics.frame_series import FrameSeries

MIN_FRAMES: Final = 100
"""Fewer frames give no interval: their autocorrelation cannot be told."""
MAX_BLOCKS: Final = 300
"""Blocks in a resample: beyond that shorter blocks change the interval by less than its own scatter, and cost time."""

MIN_STRETCHES: Final = 5
"""Slow frames that come in fewer separate stretches give no interval of the tail."""

_QUANTILES: Final = {
    "median_frame_time_ms": 0.5,
    "p95_frame_time_ms": 0.95,
    "p99_frame_time_ms": 0.99,
    "p99p9_frame_time_ms": 0.999,
}
_OVER_MS: Final = {
    "hitch_over_50ms_count": 50.0,
    "hitch_over_100ms_count": 100.0,
    "hitch_over_250ms_count": 250.0,
    "freeze_over_700ms_count": 700.0,
}

Resample = Callable[["_Run"], NDArray[np.float64]]


class _Run:
    """One run, its resamples, and what several metrics share."""

    def __init__(self, series: FrameSeries, draws: BlockDraws) -> None:
        self.series = series
        self.draws = draws
        self.times_ms = series.frame_times_ms
        self.mean_ms = float(self.times_ms.mean())
        self.deviations_ms = self.times_ms - self.mean_ms
        self.total_ms = draws.sums(self.deviations_ms) + draws.n * self.mean_ms
        self.order: NDArray[np.int64] = np.argsort(-self.times_ms, kind="stable")

    def mean_of(self, items: NDArray[np.float64]) -> NDArray[np.float64]:
        """Mean of items that may be fewer than the frames: the missing ones count as the mean."""
        padded = np.zeros(self.draws.n)
        padded[: items.size] = items - items.mean()
        return self.draws.sums(padded) / self.draws.n + float(items.mean())


def mean_block_length(series: FrameSeries) -> float:
    """Mean block for a run: the longest that its frame times, its upper half and its slow frames ask for.

    By `optimal_block_lengths`, for the frame times and for the flags of the frames above the median and above the 95 %
    quantile; at least a ``MAX_BLOCKS``-th of the run.
    """
    times_ms = series.frame_times_ms
    n = times_ms.size
    median, high = series.sorted_ms[n // 2], series.sorted_ms[min(int(0.95 * n), n - 1)]
    candidates = (times_ms, (times_ms > median).astype(np.float64), (times_ms > high).astype(np.float64))
    longest = max(optimal_block_lengths(candidate)[0] for candidate in candidates)
    return max(longest, n / MAX_BLOCKS)


def within_run_intervals(series: FrameSeries, keys: Collection[str]) -> Mapping[str, Interval]:
    """Intervals of metrics within one run, by key; a metric without one is left out.

    Percentile intervals of the stationary bootstrap with ``options.n_resamples`` resamples at ``options.level``.
    Intervals of the tail are widened by the ratio of Student's to the normal factor for the number of separate
    stretches in which the slow frames come: the percentile interval of few stretches is too short. The slope of the
    drift and the period of hitches have intervals of their own kind, named in ``method``.

    Left out are the longest frame (resampling cannot exceed it), tails that rest on fewer than ``MIN_STRETCHES``
    stretches, metrics that are the same in every resample, and runs of fewer than ``MIN_FRAMES`` frames.

    Parameters
    ----------
    series : FrameSeries
    keys : collection of str
        Keys of the catalog; unknown ones are left out.
    """
    wanted = set(keys)
    intervals = dict(_own_intervals(series, wanted))
    if series.n_frames < MIN_FRAMES:
        return MappingProxyType(intervals)
    options = series.options
    draws = draw_blocks(
        series.n_frames,
        n_resamples=options.n_resamples,
        mean_block=mean_block_length(series),
        seed=options.seed,
    )
    run = _Run(series, draws)
    block = f"mean block of {draws.mean_block:.0f} frames"
    method = f"within run: stationary bootstrap, {options.n_resamples} resamples, {block}"
    shares = _tail_shares(options.slowest_pcts)
    for key, resamples in _resampled(run, wanted):
        n_stretches = _slow_stretches(run, shares[key]) if key in shares else None
        if n_stretches is not None and n_stretches < MIN_STRETCHES:
            continue
        low, middle, high = np.quantile(resamples, [0.5 - 0.5 * options.level, 0.5, 0.5 + 0.5 * options.level])
        if not (np.isfinite(low) and np.isfinite(high) and low < high):
            continue
        told = method
        if n_stretches is not None:
            factor = student_quantile(0.5 + 0.5 * options.level, n_stretches - 1) / normal_quantile(
                0.5 + 0.5 * options.level
            )
            low, high = max(middle - factor * (middle - low), 0.0), middle + factor * (high - middle)
            told += f", widened for {n_stretches} separate slow stretches"
        intervals[key] = Interval(low=float(low), high=float(high), level=options.level, method=told)
    return MappingProxyType(intervals)


def _tail_shares(slowest_pcts: tuple[float, ...]) -> dict[str, float]:
    """The share of slowest frames on which each metric of the tail rests."""
    shares = {key: 1.0 - p for key, p in _QUANTILES.items() if p > 0.5}
    for pct in slowest_pcts:
        shares |= {f"low_{share_text(pct)}_{kind}_fps": pct / 100.0 for kind in ("percentile", "mean", "time")}
    return shares


def _slow_stretches(run: _Run, share: float) -> int:
    """In how many stretches the slowest frames come: groups farther apart than a mean block.

    Sixty slow frames in five stretches are five observations, not sixty.
    """
    positions = np.sort(run.order[: max(int(share * run.draws.n), 1)])
    return 1 + int(np.count_nonzero(np.diff(positions) > run.draws.mean_block))


def _own_intervals(series: FrameSeries, wanted: set[str]) -> list[tuple[str, Interval]]:
    """Intervals that come with a finding."""
    found = []
    level = series.options.level
    if "drift_pct_per_min" in wanted:
        low, high = series.drift.slope_low_pct_per_min, series.drift.slope_high_pct_per_min
        if low is not None and high is not None:
            method = "within run: ranks of the slopes between blocks (Sen), widened for autocorrelation"
            found.append(("drift_pct_per_min", Interval(low=low, high=high, level=level, method=method)))
    period = series.rhythm.hitch_period if "hitch_period_s" in wanted else None
    if period is not None:
        method = "within run: least squares of the times of the hitches on their numbers"
        interval = Interval(low=period.period_low_s, high=period.period_high_s, level=0.95, method=method)
        found.append(("hitch_period_s", interval))
    return found


def _resampled(run: _Run, wanted: set[str]) -> list[tuple[str, NDArray[np.float64]]]:
    """Values of the wanted metrics in every resample."""
    found = [(key, make(run)) for key, make in _SUMS.items() if key in wanted]
    counts = _stutter_values(run, wanted)
    found += [(key, values) for key, values in counts.items() if key in wanted]
    for averaged in (1, 10, 100):
        if f"pacing_adev_{averaged}" in wanted and run.draws.n > 2 * averaged + MIN_FRAMES:
            found.append((f"pacing_adev_{averaged}", _allan(run, averaged)))
    tail = _tail_values(run, wanted)
    found += list(tail.items())
    for key, probability in _QUANTILES.items():
        if key in wanted and key not in tail:
            found.append((key, quantile_resamples(run.times_ms, run.order, probability, run.draws)))
    return found


def _variance(run: _Run) -> NDArray[np.float64]:
    n = run.draws.n
    squares = run.draws.sums(run.deviations_ms**2)
    return np.maximum(squares - (run.total_ms - n * run.mean_ms) ** 2 / n, 0.0) / (n - 1)


def _alternation(run: _Run) -> NDArray[np.float64]:
    """Lag-1 autocorrelation: mean product of neighbors over mean square, both about the mean of the resample."""
    shift = (run.total_ms / run.draws.n - run.mean_ms) ** 2
    products = run.mean_of(run.deviations_ms[1:] * run.deviations_ms[:-1]) - shift
    squares = run.draws.sums(run.deviations_ms**2) / run.draws.n - shift
    return products / np.maximum(squares, 1e-300)


def _allan(run: _Run, averaged: int) -> NDArray[np.float64]:
    """Allan deviation of each resample: the run's own value times the ratio of the mean squares."""
    stamps = run.series.timestamps_ns
    second = (stamps[2 * averaged :] - stamps[averaged:-averaged]) - (
        stamps[averaged:-averaged] - stamps[: -2 * averaged]
    )
    squares = second.astype(np.float64) ** 2
    own_mean = float(squares.mean())
    value = overlapping_allan_deviation(stamps, averaged=averaged, tau0=run.mean_ms * 1e6)
    ratio = run.mean_of(squares) / own_mean if own_mean > 0.0 else np.ones(run.draws.n_resamples)
    relative_mean = run.total_ms / (run.draws.n * run.mean_ms)
    return value * np.sqrt(ratio) / relative_mean


_SUMS: Final[Mapping[str, Resample]] = {
    "average_fps": lambda run: 1000.0 * run.draws.n / run.total_ms,
    "frame_time_variance_ms2": _variance,
    "frame_time_cv": lambda run: np.sqrt(_variance(run)) / (run.total_ms / run.draws.n),
    "pacing_rmssd_ms": lambda run: np.sqrt(run.mean_of(np.diff(run.times_ms) ** 2)),
    "pacing_masd_ms": lambda run: run.mean_of(np.abs(np.diff(run.times_ms))),
    "alternation": _alternation,
}


def _stutter_values(run: _Run, wanted: set[str]) -> dict[str, NDArray[np.float64]]:
    """Counts of stutters and hitches, and the time they took; only what happened at all can be resampled."""
    values: dict[str, NDArray[np.float64]] = {}
    stutters = run.series.stutters if wanted & {"stutter_count", "stutter_per_min", "stutter_time_fraction"} else None
    if stutters is not None and stutters.count:
        flags = np.zeros(run.draws.n)
        flags[stutters.positions] = 1.0
        values["stutter_count"] = run.draws.sums(flags)
        values["stutter_per_min"] = values["stutter_count"] / (run.total_ms / 60_000.0)
        flags[stutters.positions] = stutters.excess_ms
        values["stutter_time_fraction"] = run.draws.sums(flags) / run.total_ms
    for key, limit_ms in _OVER_MS.items():
        if key in wanted:
            over = run.times_ms > limit_ms
            if over.any():
                values[key] = run.draws.sums(over)
    return values


def _tail_values(run: _Run, wanted: set[str]) -> dict[str, NDArray[np.float64]]:
    """Lows of every kind and the quantiles that lie in the same slow part, from one pass over it."""
    n = run.draws.n
    shares = {pct / 100.0: f"low_{share_text(pct)}" for pct in run.series.options.slowest_pcts}
    lows = [key for low in shares.values() for key in (f"{low}_percentile_fps", f"{low}_mean_fps", f"{low}_time_fps")]
    if not wanted & set(lows):
        return {}
    quantiles = {
        key: 1.0 - p for key, p in _QUANTILES.items() if key in wanted and 1.0 - p <= max(shares) * (1.0 + 1e-9)
    }
    window = make_window(run.times_ms, run.order, 0, _tail_size(run, max(shares) * n + 2.0), run.draws)
    values = {key: np.empty(run.draws.n_resamples) for key in (*lows, *quantiles)}
    for counts in counts_of(window, run.draws):
        filled_ms = np.cumsum(counts.drawn * window.values)
        for share, low in shares.items():
            times_ms, _ = value_at_rank(window, counts, share * (n - 1) + 1.0)
            values[f"{low}_percentile_fps"][counts.rows] = 1000.0 / times_ms
            values[f"{low}_mean_fps"][counts.rows] = _mean_low(window, counts, filled_ms, share * n)
            values[f"{low}_time_fps"][counts.rows] = _time_low(window, counts, filled_ms, share * run.total_ms)
        for key, share in quantiles.items():
            values[key][counts.rows], _ = value_at_rank(window, counts, share * (n - 1) + 1.0)
    return {key: found for key, found in values.items() if key in wanted}


def _mean_low(window: Window, counts: Counts, filled_ms: NDArray[np.float64], n_slowest: float) -> NDArray[np.float64]:
    """Rate over the slowest frames of each resample, the frame at the edge counted in part."""
    n_rows, m = counts.drawn.shape
    places = np.minimum(counts.places(n_slowest), m - 1)
    cells = np.arange(n_rows) * m + places
    # Up to and with the frame at the edge, then what is too much of it taken off again.
    too_many = counts.cumulated[cells] - counts.bases - n_slowest
    row_starts = np.concatenate(([0.0], filled_ms[m - 1 :: m][:-1]))
    slowest_ms = filled_ms[cells] - row_starts - too_many * window.values[places]
    return np.asarray(1000.0 * n_slowest / slowest_ms, dtype=np.float64)


def _time_low(
    window: Window, counts: Counts, filled_ms: NDArray[np.float64], targets_ms: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Rate of the frame at which the slowest frames of each resample fill their share of its time."""
    m = window.values.size
    row_starts = np.concatenate(([0.0], filled_ms[m - 1 :: m][:-1]))
    places = searched(filled_ms, row_starts + targets_ms[counts.rows] * (1.0 - 1e-9), counts.drawn.shape)
    return np.asarray(1000.0 / window.values[np.minimum(places, m - 1)], dtype=np.float64)


def _tail_size(run: _Run, n_needed: float) -> int:
    """How many of the slowest frames hold ``n_needed`` draws in every resample."""
    n = run.draws.n
    size = min(int(1.3 * n_needed) + 16, n)
    while size < n:
        flags = np.zeros(n)
        flags[run.order[:size]] = 1.0
        if float(run.draws.sums(flags).min()) >= n_needed:
            return size
        size = min(2 * size, n)
    return n
