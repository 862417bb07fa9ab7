"""Intervals within one run, for every metric that parts of the run can tell it of.

Frames hang together, so parts of the run are compared, not single frames. The intervals say how far a number would move
if the same scene had been captured for as long again under the same conditions; runs differ by more than that, and
these intervals are never used to compare cards.

What was fitted to the whole run stays as it is: the grid of the refreshes, the drift between two clocks, and which
frames alternate. A sensor has its own clock and far fewer samples than the run has frames, and each quantity its own
memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.metrics import pacing
from frametime.metrics.catalog import AVERAGED_FRAMES, LONG_FRAMES
from frametime.metrics.display.display import fixed_steps_of, variable_steps_of
from frametime.metrics.display.shown import step_errors
from frametime.metrics.drift.drift import drift_of
from frametime.metrics.frame_series import FrameSeries, shown_frames
from frametime.metrics.intervals.tail_intervals import SlowFrames, interval_of_rank, order_outcomes
from frametime.metrics.intervals.within_run import (
    Array,
    Influence,
    Outcome,
    independent_stretches,
    interval_of,
    level_stretches,
    one_sided,
    placed,
    ratio,
    too_few,
    too_short,
    variation,
)
from frametime.metrics.metric import Missing, table
from frametime.metrics.quality import timer_step_of
from frametime.metrics.rhythm.rhythm import alternating_runs, inside_runs, rhythm_of
from frametime.metrics.sensors import sensor_values
from frametime.metrics.sensors.sensor_values import Channel, channel, frames_under_90pct
from frametime.metrics.stutter import stutters_of
from frametime.statistics.interval import Interval
from frametime.units import NS_PER_S


def frame_outcomes(series: FrameSeries, values: Mapping[str, float]) -> dict[str, Outcome]:
    """Of what adds up over frames, for those of the wanted metrics that the run has.

    Rate, spread, change from frame to frame, stutters, rhythm, display, motion, frames never shown, and card work.
    """
    found = _sums(series, values) | _stutters(series) | _alternating(series, values) | _display(series)
    found |= _motion(series, values) | _dropped(series) | {"gpu_work_under_90pct_fraction": _card_work(series)}
    return {key: outcome for key, outcome in found.items() if key in values}


def _count(series: FrameSeries, positions: NDArray[np.int64], spared: int = 0) -> Outcome:
    """The number of events at some frames, of which there are no more than frames."""
    most = float(series.n_frames - spared)
    return too_few(positions.size) or ratio(placed(series.n_frames, positions), scale="count", most=most)


def _median(series: FrameSeries, positions: NDArray[np.int64], values: NDArray[np.float64], median: float) -> Outcome:
    """Of values that rise and fall with the level, though too uneven to show it themselves."""
    short = too_short(level_stretches(series))
    return short or interval_of_rank(SlowFrames(series, values, positions), 0.5 * values.size, median)


def _sums(series: FrameSeries, values: Mapping[str, float]) -> dict[str, Outcome]:
    times_ms = series.frame_times_ms
    steps_ms, squares = np.diff(times_ms), (times_ms - times_ms.mean()) ** 2
    found: dict[str, Outcome] = {
        "average_fps": ratio(times_ms),
        "frame_time_variance_ms2": ratio(squares, lost=1.0),
        "frame_time_cv": _variation(times_ms, squares),
        "pacing_rmssd_ms": ratio(steps_ms**2, power=0.5),
        "pacing_masd_ms": ratio(np.abs(steps_ms)),
        "alternation": _alternation(series),
    }
    if (key := "pacing_jitter_median_ms") in values:
        # The running estimate belongs to the frame after which it stands: it forgets within some sixteen frames.
        found[key] = _median(series, np.arange(1, times_ms.size), pacing.running_jitter(steps_ms), values[key])
    found |= {key: _count(series, np.flatnonzero(times_ms > limit_ms)) for key, limit_ms in LONG_FRAMES.items()}
    return found | {f"pacing_adev_{averaged}": _allan(series, averaged) for averaged in AVERAGED_FRAMES}


def _variation(times_ms: NDArray[np.float64], squares: NDArray[np.float64]) -> Outcome:
    """Standard deviation over mean: both move."""
    spread = ratio(squares, power=0.5, lost=0.5)
    if not isinstance(spread, Influence):
        return spread
    return spread._replace(items=spread.items + 1.0 / times_ms.size - times_ms / float(times_ms.sum()))


def _alternation(series: FrameSeries) -> Outcome:
    """Lag-1 autocorrelation: mean product of neighbors over mean square, both about the mean of the run."""
    deviations_ms = series.frame_times_ms - series.frame_times_ms.mean()
    products, squares = np.append(deviations_ms[1:] * deviations_ms[:-1], 0.0), deviations_ms**2
    total = float(squares.sum())
    if not total > 0.0:
        return ratio(squares)
    return Influence((products - float(products.sum()) / total * squares) / total, "correlation")


def _allan(series: FrameSeries, averaged: int) -> Outcome:
    """Allan deviation: the root of the mean square of second differences, over the mean."""
    stamps, times_ms = series.timestamps_ns, series.frame_times_ms
    least = 4 * averaged
    if times_ms.size < least:
        return Missing(reason=f"fewer than {least} frames: too few spans of {averaged} frames follow one another")
    middle = stamps[averaged:-averaged]
    second = (stamps[2 * averaged :] - middle) - (middle - stamps[: -2 * averaged])
    squares = ratio(second.astype(np.float64) ** 2, power=0.5)
    if not isinstance(squares, Influence):
        return squares
    items = -times_ms / float(times_ms.sum())
    items[averaged - 1 : averaged - 1 + second.size] += squares.items
    return Influence(items)


def _stutters(series: FrameSeries) -> dict[str, Outcome]:
    """A stutter stays one, whatever lies around it."""
    stutters, times_ms = stutters_of(series), series.frame_times_ms
    few, events = too_few(stutters.count), placed(series.n_frames, stutters.positions)
    lost_ms = placed(series.n_frames, stutters.positions, stutters.excess_ms)
    return {
        "stutter_count": _count(series, stutters.positions),
        "stutter_per_min": few or ratio(events, times_ms, scale="count"),
        "stutter_time_fraction": few or ratio(lost_ms, times_ms, scale="share"),
    }


def _alternating(series: FrameSeries, values: Mapping[str, float]) -> dict[str, Outcome]:
    first, last = alternating_runs(series.frame_times_ms, timer_ms=timer_step_of(series))
    inside = inside_runs(first, last, series.n_frames)
    few, whole = too_few(first.size), one_sided(inside)
    size: Outcome = few if few is not None and whole is None else _step_size(series, first, last, values)
    if few is not None:
        return {"alternating_fraction": whole or few, "alternation_ms": size}
    return {"alternating_fraction": ratio(inside.astype(np.float64), scale="share"), "alternation_ms": size}


def _step_size(
    series: FrameSeries, first: NDArray[np.int64], last: NDArray[np.int64], values: Mapping[str, float]
) -> Outcome:
    """Median step where frames alternate; a step belongs to the frame that ends it."""
    steps = np.flatnonzero(inside_runs(first, last - 1, series.n_frames - 1))
    if steps.size == 0:
        return Missing(reason="no frames alternate")
    times_ms = series.frame_times_ms
    sizes_ms = np.abs(times_ms[steps + 1] - times_ms[steps])
    return _median(series, steps + 1, sizes_ms, values.get("alternation_ms", float(np.median(sizes_ms))))


def _display(series: FrameSeries) -> dict[str, Outcome]:
    fixed, variable, n = fixed_steps_of(series), variable_steps_of(series), series.n_frames
    if not isinstance(fixed, Missing):
        # A step belongs to the frame that ends it.
        ends = fixed.seen[1:]
        uneven = ends[1:][np.diff(fixed.steps) != 0]
        repeated = fixed.steps > 1
        repeats, steps = placed(n, ends[repeated], fixed.steps[repeated] - 1), placed(n, ends, fixed.steps)
        return {
            "refresh_uneven_per_min": too_few(uneven.size)
            or ratio(placed(n, uneven), series.frame_times_ms, scale="count"),
            "refresh_repeat_fraction": too_few(int(np.count_nonzero(repeated))) or ratio(repeats, steps, scale="share"),
            # The last frame of a run is never one of those replaced unseen.
            "refresh_skipped_count": _count(series, fixed.replaced, spared=1),
            "judder_rms_ms": ratio(placed(n, ends, fixed.errors_ms**2), placed(n, ends), power=0.5),
        }
    if isinstance(variable, Missing):
        return {}
    frames, steps_ns, inside = variable.frames, variable.steps_ns, ~variable.below & ~variable.above
    return {
        "refresh_inside_frames_fraction": _share(series, frames, inside, np.ones(frames.size)),
        "refresh_inside_time_fraction": _share(series, frames, inside, steps_ns),
        "refresh_below_time_fraction": _share(series, frames, variable.below, steps_ns),
        "refresh_above_time_fraction": _share(series, frames, variable.above, steps_ns),
    }


def _share(series: FrameSeries, frames: NDArray[np.int64], chosen: NDArray[np.bool_], weights: Array) -> Outcome:
    """Share of the weight of some frames that the chosen ones of them have."""
    n, weights = series.n_frames, weights.astype(np.float64)
    return one_sided(chosen) or ratio(placed(n, frames, weights * chosen), placed(n, frames, weights), scale="share")


def _motion(series: FrameSeries, values: Mapping[str, float]) -> dict[str, Outcome]:
    steps, n = step_errors(series), series.n_frames
    if isinstance(steps, Missing):
        return {}
    found: dict[str, Outcome] = {
        "motion_step_error_rms_ms": ratio(
            placed(n, steps.frames, steps.errors_ms**2), placed(n, steps.frames), power=0.5
        )
    }
    if (key := "motion_step_error_p99_ms") in values:
        slow = SlowFrames(series, np.abs(steps.errors_ms), steps.frames)
        found[key] = interval_of_rank(slow, 0.01 * steps.errors_ms.size, values[key])
    return found


def _dropped(series: FrameSeries) -> dict[str, Outcome]:
    if (shown := shown_frames(series)) is None:
        return {}
    dropped = np.flatnonzero(~shown)
    flags = placed(series.n_frames, dropped)
    return {
        "dropped_count": _count(series, dropped),
        "dropped_fraction": too_few(dropped.size) or ratio(flags, scale="share"),
        "shown_average_fps": ratio(1.0 - flags, series.frame_times_ms),
    }


def _card_work(series: FrameSeries) -> Outcome:
    if isinstance(found := frames_under_90pct(series), Missing):
        return found
    frames, under = found
    return _share(series, frames, under, series.frame_times_ms[frames])


MIN_SAMPLES: Final = 100
"""Fewer samples give no interval: they do not tell their memory well enough (by simulation)."""

Make = Callable[[FrameSeries, Channel], Outcome]


def sensor_outcomes(series: FrameSeries, values: Mapping[str, float]) -> dict[str, Outcome]:
    """Power, energy, clocks and load, for those of the wanted metrics that the run has."""
    found: dict[str, Outcome] = {}
    for key, (name, make) in _SENSORS.items():
        if key in values:
            drawn = _channel(series, name)
            found[key] = drawn if isinstance(drawn, Missing) else make(series, drawn)
    return found


def _channel(series: FrameSeries, name: str) -> Channel | Missing:
    if isinstance(found := channel(series, name), Missing):
        return found
    if (n := found.values.size - 1) < MIN_SAMPLES:
        return Missing(reason=f"the run holds {n} steps between sensor samples; {MIN_SAMPLES} or more are needed")
    return too_short(independent_stretches(found.values)) or found


def _integral(found: Channel) -> NDArray[np.float64]:
    """Of the quantity over each step: energy in J of a power in W."""
    return 0.5 * (found.values[1:] + found.values[:-1]) * np.diff(found.times_s)


def _mean(_series: FrameSeries, found: Channel) -> Outcome:
    """Time-weighted."""
    return ratio(_integral(found), np.diff(found.times_s))


def _frames_per_joule(series: FrameSeries, found: Channel) -> Outcome:
    """Frames over energy; frames at the end of a step count in part. Its inverse moves by as much."""
    energy_j = _integral(found)
    total_j = float(energy_j.sum())
    if not total_j > 2.0 * variation(energy_j).sd:
        return Missing(reason="the power logged is about zero: another run as long may have no energy above zero")
    stamps_ns = series.timestamps_ns
    elapsed_s = (stamps_ns - stamps_ns[0]) / NS_PER_S
    return ratio(np.diff(np.interp(found.times_s, elapsed_s, np.arange(elapsed_s.size))), energy_j)


def _time_share(found: Channel, parts: NDArray[np.float64]) -> Outcome:
    steps_s = np.diff(found.times_s)
    return one_sided(parts > 0.5) or ratio(parts * steps_s, steps_s, scale="share")


def _at_power_limit(series: FrameSeries, found: Channel) -> Outcome:
    if (limit_w := series.options.power_limit_w) is None:
        return Missing(reason="no power limit given")
    return _time_share(found, sensor_values.at_limit(found, limit_w))


def _under_90pct(_series: FrameSeries, found: Channel) -> Outcome:
    return _time_share(found, found.below(sensor_values.BUSY_PCT))


def _spread(_series: FrameSeries, found: Channel) -> Outcome:
    """Standard deviation of the values at the ends of the steps: but for the first, the samples themselves."""
    return ratio((found.values[1:] - found.values[1:].mean()) ** 2, power=0.5, lost=0.5)


_SENSORS: Final[Mapping[str, tuple[str, Make]]] = {
    "average_power_w": (sensor_values.POWER, _mean),
    "energy_per_frame_j": (sensor_values.POWER, _frames_per_joule),
    "frames_per_joule": (sensor_values.POWER, _frames_per_joule),
    "time_at_power_limit_fraction": (sensor_values.POWER, _at_power_limit),
    "average_core_clock_mhz": (sensor_values.CORE_CLOCK, _mean),
    "core_clock_sd_mhz": (sensor_values.CORE_CLOCK, _spread),
    "average_memory_clock_mhz": ("memory_clock_mhz", _mean),
    "utilization_under_90pct_fraction": (sensor_values.UTILIZATION, _under_90pct),
}

_NO_INTERVAL: Final = {
    # P. J. Bickel and D. A. Freedman, "Some asymptotic theory for the bootstrap", Annals of Statistics 9, 1981,
    # 1196-1217, section 6 (section and pages from memory): drawn anew, a largest value does not tend to its
    # distribution.
    "extreme": "an extreme of the run: its parts do not tell how far beyond it another run would go",
    "instant": "the value at one instant of the run: there is no second one to compare it with",
    "order": "found from the order of the run in time, which parts of the run do not keep",
    "heat": "it follows the heating of the card: parts of the run cannot stand for one another",
}
UNKNOWN: Final = "no way to tell how this metric varies is known"

REASONS: Final[Mapping[str, str]] = MappingProxyType(
    {key: _NO_INTERVAL[row["no_interval"]] for key, row in table().items() if row["no_interval"] != "-"}
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
    found: dict[str, Outcome] = {key: Missing(reason=reason) for key, reason in REASONS.items() if key in values}
    found |= _own_intervals(series, values) | sensor_outcomes(series, values)
    rest = {key: value for key, value in values.items() if key not in found}
    if series.n_frames < MIN_FRAMES:
        few = Missing(reason=f"fewer than {MIN_FRAMES} frames: how they hang together cannot be told")
        found |= dict.fromkeys(rest, few)
    elif rest:
        found |= order_outcomes(series, rest) | frame_outcomes(series, rest)
    unknown, level = Missing(reason=UNKNOWN), series.options.level
    stretches = level_stretches(series) if rest else math.inf
    return MappingProxyType(
        {
            key: interval_of(value, found.get(key, unknown), level, stretches if key in rest else math.inf)
            for key, value in values.items()
        }
    )


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
