"""How much each frame moves a metric that adds up over frames: sums, counts, rhythm, display, motion, card work.

What was fitted to the whole run stays as it is: the grid of the refreshes, the drift between two clocks, and which
frames alternate.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.metrics import pacing
from frametime.metrics.catalog.catalog_frames import AVERAGED_FRAMES, LONG_FRAMES
from frametime.metrics.display.display import fixed_steps, variable_steps
from frametime.metrics.display.motion import step_errors
from frametime.metrics.frame_series import FrameSeries, shown_frames
from frametime.metrics.intervals.memory import level_stretches
from frametime.metrics.intervals.tail_intervals import SlowFrames, interval_of_rank
from frametime.metrics.intervals.within_run import (
    Array,
    Influence,
    Outcome,
    one_sided,
    placed,
    ratio,
    too_few,
    too_short,
)
from frametime.metrics.metric import Missing
from frametime.metrics.rhythm.rhythm import alternating_runs, inside_runs
from frametime.metrics.sensors.sensor_values import frames_under_90pct
from frametime.metrics.stutter import stutters_of

_STUTTERS: Final = ("stutter_count", "stutter_per_min", "stutter_time_fraction")


def sum_outcomes(series: FrameSeries, values: Mapping[str, float]) -> dict[str, Outcome]:
    """Average rate, spread, change from frame to frame, jitter, Allan deviations, stutters and hitches."""
    found = {key: make(series) for key, make in _SUMS.items() if key in values} | _stutters(series, values)
    if (key := "pacing_jitter_median_ms") in values:
        # The running estimate belongs to the frame after which it stands: it forgets within some sixteen frames.
        jitters_ms = pacing.running_jitter(np.diff(series.frame_times_ms))
        found[key] = _median(series, np.arange(1, series.n_frames), jitters_ms, values[key])
    for key, limit_ms in LONG_FRAMES.items():
        if key in values:
            found[key] = _count(series, np.flatnonzero(series.frame_times_ms > limit_ms))
    for averaged in AVERAGED_FRAMES:
        if (key := f"pacing_adev_{averaged}") in values:
            found[key] = _allan(series, averaged)
    return found


def _count(series: FrameSeries, positions: NDArray[np.int64], spared: int = 0) -> Outcome:
    """The number of events at some frames, of which there are no more than frames."""
    n = series.n_frames
    outcome = too_few(positions.size) or ratio(placed(n, positions), scale="count")
    return outcome._replace(most=float(n - spared)) if isinstance(outcome, Influence) else outcome


def _median(series: FrameSeries, positions: NDArray[np.int64], values: NDArray[np.float64], median: float) -> Outcome:
    """Of values that rise and fall with the level, though too uneven to show it themselves."""
    short = too_short(level_stretches(series))
    return short or interval_of_rank(SlowFrames(series, values, positions), 0.5 * values.size, median)


def _squares(series: FrameSeries) -> NDArray[np.float64]:
    return np.asarray((series.frame_times_ms - series.frame_times_ms.mean()) ** 2, dtype=np.float64)


def _variation(series: FrameSeries) -> Outcome:
    """Standard deviation over mean: both move."""
    times_ms, spread = series.frame_times_ms, ratio(_squares(series), power=0.5)
    if not isinstance(spread, Influence):
        return spread
    return Influence(spread.items + 1.0 / times_ms.size - times_ms / float(times_ms.sum()), lost=0.5)


def _variance(series: FrameSeries) -> Outcome:
    found = ratio(_squares(series))
    return found._replace(lost=1.0) if isinstance(found, Influence) else found


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


_SUMS: Final[Mapping[str, Callable[[FrameSeries], Outcome]]] = {
    "average_fps": lambda series: ratio(series.frame_times_ms),
    "frame_time_variance_ms2": _variance,
    "frame_time_cv": _variation,
    "pacing_rmssd_ms": lambda series: ratio(np.diff(series.frame_times_ms) ** 2, power=0.5),
    "pacing_masd_ms": lambda series: ratio(np.abs(np.diff(series.frame_times_ms))),
    "alternation": _alternation,
}


def _stutters(series: FrameSeries, values: Collection[str]) -> dict[str, Outcome]:
    """A stutter stays one, whatever lies around it."""
    if not any(key in values for key in _STUTTERS):
        return {}
    stutters, times_ms = stutters_of(series), series.frame_times_ms
    every: tuple[Outcome, ...] = (
        _count(series, stutters.positions),
        too_few(stutters.count) or ratio(placed(times_ms.size, stutters.positions), times_ms, scale="count"),
        too_few(stutters.count)
        or ratio(placed(times_ms.size, stutters.positions, stutters.excess_ms), times_ms, scale="share"),
    )
    return {key: outcome for key, outcome in zip(_STUTTERS, every, strict=True) if key in values}


def display_outcomes(series: FrameSeries, values: Mapping[str, float]) -> dict[str, Outcome]:
    """What the eye sees, for those of the wanted metrics that the run has."""
    found: dict[str, Outcome] = {}
    if {"alternating_fraction", "alternation_ms"} & values.keys():
        found |= _alternating(series, values)
    refresh = series.options.refresh
    if refresh is not None and any(key.startswith(("refresh_", "judder_")) for key in values):
        found |= _fixed(series) if refresh.is_fixed else _variable(series)
    if {"motion_step_error_rms_ms", "motion_step_error_p99_ms"} & values.keys():
        found |= _motion(series, values)
    if {"dropped_count", "dropped_fraction", "shown_average_fps"} & values.keys():
        found |= _dropped(series)
    if "gpu_work_under_90pct_fraction" in values:
        found["gpu_work_under_90pct_fraction"] = _card_work(series)
    return {key: outcome for key, outcome in found.items() if key in values}


def _alternating(series: FrameSeries, values: Mapping[str, float]) -> dict[str, Outcome]:
    first, last = alternating_runs(series.frame_times_ms)
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


def _fixed(series: FrameSeries) -> dict[str, Outcome]:
    refresh, n = series.options.refresh, series.n_frames
    fixed = None if refresh is None else fixed_steps(series, refresh)
    if refresh is None or fixed is None or isinstance(fixed, Missing):
        return {}
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


def _variable(series: FrameSeries) -> dict[str, Outcome]:
    refresh = series.options.refresh
    found = None if refresh is None else variable_steps(series, refresh)
    if found is None or isinstance(found, Missing):
        return {}
    inside = ~found.below & ~found.above
    return {
        "refresh_inside_frames_fraction": _share(series, found.frames, inside, np.ones(found.frames.size)),
        "refresh_inside_time_fraction": _share(series, found.frames, inside, found.steps_ns),
        "refresh_below_time_fraction": _share(series, found.frames, found.below, found.steps_ns),
        "refresh_above_time_fraction": _share(series, found.frames, found.above, found.steps_ns),
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
    shown = shown_frames(series)
    if shown is None:
        return {}
    dropped = np.flatnonzero(~shown)
    flags = placed(series.n_frames, dropped)
    return {
        "dropped_count": _count(series, dropped),
        "dropped_fraction": too_few(dropped.size) or ratio(flags, scale="share"),
        "shown_average_fps": ratio(1.0 - flags, series.frame_times_ms),
    }


def _card_work(series: FrameSeries) -> Outcome:
    found = frames_under_90pct(series)
    if isinstance(found, Missing):
        return found
    frames, under = found
    return _share(series, frames, under, series.frame_times_ms[frames])
