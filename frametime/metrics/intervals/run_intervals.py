"""Intervals within one run, for every metric that parts of the run can tell it of.

Frames hang together, so parts of the run are compared, not single frames. The intervals say how far a number would move
if the same scene had been captured for as long again under the same conditions; runs differ by more than that, and
these intervals are never used to compare cards.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from frametime.metrics.drift.drift import drift_of
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.intervals.frame_intervals import display_outcomes, sum_outcomes
from frametime.metrics.intervals.memory import level_stretches
from frametime.metrics.intervals.sensor_intervals import sensor_outcomes
from frametime.metrics.intervals.tail_intervals import order_outcomes
from frametime.metrics.intervals.within_run import Outcome, interval_of, merged
from frametime.metrics.metric import Missing
from frametime.metrics.rhythm.rhythm import rhythm_of
from frametime.statistics.differences import Interval

EXTREME: Final = "an extreme of the run: its parts do not tell how far beyond it another run would go"
"""P. J. Bickel and D. A. Freedman, "Some asymptotic theory for the bootstrap", Annals of Statistics 9, 1981, 1196-1217,
section 6 (section and pages from memory): drawn anew, a largest value does not tend to its distribution."""

INSTANT: Final = "the value at one instant of the run: there is no second one to compare it with"
ORDER: Final = "found from the order of the run in time, which parts of the run do not keep"
HEAT: Final = "it follows the heating of the card: parts of the run cannot stand for one another"
UNKNOWN: Final = "no way to tell how this metric varies is known"

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
"""Fewer frames give no interval: their memory cannot be told."""


def within_run_intervals(series: FrameSeries, values: Mapping[str, float]) -> Mapping[str, Interval | Missing]:
    """For each metric its interval within one run, or the reason why there is none.

    Sums, means, counts and shares by how much each frame moves them, at ``options.level``. Quantiles and lows go by
    `order_outcomes`, sensors by `sensor_outcomes`. The slope of the drift and the period of hitches have intervals of
    their own kind. ``method`` names it each time.

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
        found |= merged(sum_outcomes(series, rest), order_outcomes(series, rest), display_outcomes(series, rest))
    unknown, level = Missing(reason=UNKNOWN), series.options.level
    stretches = level_stretches(series) if rest else math.inf
    return MappingProxyType(
        {
            key: interval_of(value, found.get(key, unknown), level, stretches if key in rest else math.inf)
            for key, value in values.items()
        }
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
