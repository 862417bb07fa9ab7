"""Intervals within one run: stationary bootstrap of its frames in blocks, for every metric it suits.

Frames are autocorrelated, so blocks are resampled, not single frames. The intervals say how far a number would move
if the same scene had been captured for as long again under the same conditions; runs differ by more than that, and
these intervals are never used to compare cards.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

import numpy as np

from frametime.metrics.drift.drift import drift_of
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.intervals.block_bootstrap import BlockDraws, draw_blocks, optimal_block_lengths
from frametime.metrics.intervals.resampled_frames import display_outcomes, sum_outcomes
from frametime.metrics.intervals.resampled_run import Outcome, Resampled, ResampledRun, make_interval, merged
from frametime.metrics.intervals.resampled_sensors import sensor_outcomes
from frametime.metrics.intervals.resampled_tail import order_outcomes
from frametime.metrics.metric import Missing
from frametime.metrics.rhythm.rhythm import rhythm_of
from frametime.statistics.differences import Interval
from frametime.statistics.distributions import normal_quantile, student_quantile

EXTREME: Final = "an extreme of the run: drawing its frames anew never goes beyond it"
"""P. J. Bickel and D. A. Freedman, "Some asymptotic theory for the bootstrap", Annals of Statistics 9, 1981, 1196-1217,
section 6 (section and pages from memory): the bootstrap of a largest value does not tend to its distribution."""

INSTANT: Final = "the value at one instant of the run: there is no second one to compare it with"
ORDER: Final = "found from the order of the run in time, which resampling in blocks does not keep"
HEAT: Final = "it follows the heating of the card: parts of the run cannot stand for one another"
UNKNOWN: Final = "no way to resample this metric is known"

REASONS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "max_frame_time_ms": EXTREME,
        "motion_step_error_worst_ms": EXTREME,
        "dropped_longest_run": EXTREME,
        "peak_power_w": EXTREME,
        "peak_temperature_c": EXTREME,
        "min_core_clock_mhz": EXTREME,
        "pacing_jitter_last_ms": INSTANT,
        "end_temperature_c": INSTANT,
        "warm_up_s": ORDER,
        "level_change_count": ORDER,
        "spectrum_line_hz": ORDER,
        "spectrum_line_ms": ORDER,
        "average_temperature_c": HEAT,
        "time_above_temperature_limit_fraction": HEAT,
        "throttling_count": HEAT,
        "throttling_time_fraction": HEAT,
    }
)
"""By key of the catalog."""


MIN_FRAMES: Final = 100
"""Fewer frames give no interval: their autocorrelation cannot be told."""
BLOCK_FACTOR: Final = 2.0
"""Blocks are so many times as long as the automatic length: that one suits the variance best, and in simulated runs
intervals of twice the length hold the truth more often."""
MAX_BLOCKS: Final = 150
"""Blocks in a resample: beyond that shorter blocks change the interval by less than its own scatter, and cost time."""


def mean_block_length(series: FrameSeries) -> float:
    """Mean block for a run, from the longest that its frame times, its upper half and its slow frames ask for.

    By `optimal_block_lengths`, for the frame times and for the flags of the frames above the median and above the 95 %
    quantile, times ``BLOCK_FACTOR``; at least a ``MAX_BLOCKS``-th and at most a tenth of the run.
    """
    times_ms = series.frame_times_ms
    n = times_ms.size
    median, high = series.sorted_ms[n // 2], series.sorted_ms[min(int(0.95 * n), n - 1)]
    candidates = (times_ms, (times_ms > median).astype(np.float64), (times_ms > high).astype(np.float64))
    longest = max(optimal_block_lengths(candidate)[0] for candidate in candidates)
    return min(max(BLOCK_FACTOR * longest, n / MAX_BLOCKS), n / 10.0)


def within_run_intervals(series: FrameSeries, values: Mapping[str, float]) -> Mapping[str, Interval | Missing]:
    """For each metric its interval within one run, or the reason why there is none.

    Stationary bootstrap with ``options.n_resamples`` resamples at ``options.level``. Sums, means and counts are made
    symmetric about the number by `make_interval`, and widened by the ratio of Student's to the normal factor for the
    number of blocks. Quantiles and lows go by `order_outcomes`, sensors by `sensor_outcomes`. The slope of the drift
    and the period of hitches have intervals of their own kind. ``method`` names it each time.

    Parameters
    ----------
    series : FrameSeries
    values : Mapping of str to float
        The metrics that the run has, by key of the catalog.

    Returns
    -------
    Mapping of str to Interval or Missing
        With the keys of ``values``.
    """
    found = merged(_stated(values), _own_intervals(series, values), sensor_outcomes(series, values))
    rest = {key: value for key, value in values.items() if key not in found}
    if series.n_frames < MIN_FRAMES:
        few = Missing(reason=f"fewer than {MIN_FRAMES} frames: how they hang together cannot be told")
        found |= dict.fromkeys(rest, few)
    elif rest:
        found |= _resampled(series, rest)
    unknown = Missing(reason=UNKNOWN)
    outcomes = {key: found.get(key, unknown) for key in values}
    return MappingProxyType({key: each for key, each in outcomes.items() if not isinstance(each, Resampled)})


def _resampled(series: FrameSeries, values: Mapping[str, float]) -> dict[str, Outcome]:
    """Outcomes of the metrics that rest on frames."""
    options = series.options
    draws = draw_blocks(
        series.n_frames,
        n_resamples=options.n_resamples,
        mean_block=mean_block_length(series),
        seed=options.seed,
    )
    run = ResampledRun(series, draws)
    outcomes = merged(sum_outcomes(run, values), order_outcomes(run, values), display_outcomes(run, values))
    return {
        key: _interval(values[key], outcome, outcome.draws or draws, options.level)
        if isinstance(outcome, Resampled)
        else outcome
        for key, outcome in outcomes.items()
    }


def _interval(value: float, outcome: Resampled, draws: BlockDraws, level: float) -> Outcome:
    upper = 0.5 + 0.5 * level
    return make_interval(
        value,
        outcome,
        level=level,
        factor=student_quantile(upper, round(draws.n / draws.mean_block) - 1) / normal_quantile(upper),
        method=f"within run: stationary bootstrap, {draws.n_resamples} resamples, "
        f"mean block of {draws.mean_block:.0f} frames",
    )


def _stated(values: Mapping[str, float]) -> dict[str, Outcome]:
    return {key: Missing(reason=reason) for key, reason in REASONS.items() if key in values}


def _own_intervals(series: FrameSeries, values: Mapping[str, float]) -> dict[str, Outcome]:
    """Intervals that come with a finding."""
    found: dict[str, Outcome] = {}
    level = series.options.level
    if "drift_pct_per_min" in values:
        low, high = drift_of(series).slope_low_pct_per_min, drift_of(series).slope_high_pct_per_min
        method = "within run: ranks of the slopes between blocks (Sen), widened for autocorrelation"
        found["drift_pct_per_min"] = (
            Missing(reason="too few blocks of the run for an interval of the slope")
            if low is None or high is None
            else Interval(low=low, high=high, level=level, method=method)
        )
    period = rhythm_of(series).hitch_period if "hitch_period_s" in values else None
    if period is not None:
        method = "within run: least squares of the times of the hitches on their numbers"
        found["hitch_period_s"] = Interval(
            low=period.period_low_s, high=period.period_high_s, level=0.95, method=method
        )
    return found
