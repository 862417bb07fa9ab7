"""Rhythm, display, motion, dropped frames and card work, frame by frame, in every resample.

What was fitted to the whole run stays as it is: the grid of the refreshes, the drift between two clocks, and which
frames alternate. A frame brings its own step, error or flag along into a resample.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.display import VariableSteps, fixed_steps, variable_steps
from frametime.metrics.log_columns import shown_frames
from frametime.metrics.metric import Missing
from frametime.metrics.motion import step_errors
from frametime.metrics.resampled_run import Outcome, Resampled, ResampledRun, one_sided, too_few
from frametime.metrics.resampled_sums import counted
from frametime.metrics.resampled_tail import SlowFrames, interval_of_rank
from frametime.metrics.rhythm import alternating_runs, inside_runs
from frametime.metrics.temperature import frames_under_90pct


def display_outcomes(run: ResampledRun, values: Mapping[str, float]) -> dict[str, Outcome]:
    """What the eye sees, for those of the wanted metrics that the run has."""
    found: dict[str, Outcome] = {}
    if {"alternating_fraction", "alternation_ms"} & values.keys():
        found |= _alternating(run)
    refresh = run.series.options.refresh
    if refresh is not None and any(key.startswith(("refresh_", "judder_")) for key in values):
        found |= _fixed(run) if refresh.is_fixed else _variable(run)
    if {"motion_step_error_rms_ms", "motion_step_error_p99_ms"} & values.keys():
        found |= _motion(run, values)
    if {"dropped_count", "dropped_fraction", "shown_average_fps"} & values.keys():
        found |= _dropped(run)
    if "gpu_work_under_90pct_fraction" in values:
        found["gpu_work_under_90pct_fraction"] = _card_work(run)
    return _only(found, values)


def _only(found: Mapping[str, Outcome], wanted: Collection[str]) -> dict[str, Outcome]:
    return {key: outcome for key, outcome in found.items() if key in wanted}


def _alternating(run: ResampledRun) -> dict[str, Outcome]:
    first, last = alternating_runs(run.times_ms)
    keys = ("alternating_fraction", "alternation_ms")
    inside = inside_runs(first, last, run.draws.n)
    few = too_few(first.size)
    if few is not None:
        whole = one_sided(inside)
        return {keys[0]: whole or few, keys[1]: few if whole is None else _step_size(run, first, last)}
    share = Resampled(run.sums_at(np.flatnonzero(inside)) / run.draws.n, "share")
    return {keys[0]: share, keys[1]: _step_size(run, first, last)}


def _step_size(run: ResampledRun, first: NDArray[np.int64], last: NDArray[np.int64]) -> Outcome:
    """Median step where frames alternate; a step belongs to the frame that ends it."""
    steps = np.flatnonzero(inside_runs(first, last - 1, run.draws.n - 1))
    if steps.size == 0:
        return Missing(reason="no frames alternate")
    sizes_ms = np.abs(run.times_ms[steps + 1] - run.times_ms[steps])
    return Resampled(run.quantile_at(steps + 1, sizes_ms, 0.5))


def _fixed(run: ResampledRun) -> dict[str, Outcome]:
    refresh = run.series.options.refresh
    fixed = None if refresh is None else fixed_steps(run.series, refresh)
    if refresh is None or fixed is None or isinstance(fixed, Missing):
        return {}
    # A step belongs to the frame that ends it.
    ends = fixed.seen[1:]
    uneven = ends[1:][np.diff(fixed.steps) != 0]
    repeated = fixed.steps > 1
    errors_ms = fixed.steps * float(1000 / refresh.low_hz) - fixed.own_steps_ms
    refreshes = np.maximum(run.sums_at(ends, fixed.steps), 1.0)
    return {
        "refresh_uneven_per_min": too_few(uneven.size)
        or Resampled(run.sums_at(uneven) / (run.total_ms / 60_000.0), "count"),
        "refresh_repeat_fraction": too_few(int(np.count_nonzero(repeated)))
        or Resampled(run.sums_at(ends[repeated], fixed.steps[repeated] - 1) / refreshes, "share"),
        "refresh_skipped_count": _skipped(run, fixed.replaced),
        "judder_rms_ms": Resampled(np.sqrt(run.mean_at(ends, errors_ms**2))),
    }


def _skipped(run: ResampledRun, replaced: NDArray[np.int64]) -> Outcome:
    """Frames replaced unseen: the last of a run is never one of them."""
    outcome = counted(run, replaced)
    return outcome._replace(most=run.draws.n - 1) if isinstance(outcome, Resampled) else outcome


def _variable(run: ResampledRun) -> dict[str, Outcome]:
    refresh = run.series.options.refresh
    found = None if refresh is None else variable_steps(run.series, refresh)
    if found is None or isinstance(found, Missing):
        return {}
    inside = ~found.below & ~found.above
    total_ms = np.maximum(run.sums_at(found.frames, found.steps_ns / 1e6), 1e-9)
    return {
        "refresh_inside_frames_fraction": one_sided(inside) or Resampled(run.mean_at(found.frames, inside), "share"),
        "refresh_inside_time_fraction": _time_share(run, found, inside, total_ms),
        "refresh_below_time_fraction": _time_share(run, found, found.below, total_ms),
        "refresh_above_time_fraction": _time_share(run, found, found.above, total_ms),
    }


def _time_share(
    run: ResampledRun, found: VariableSteps, chosen: NDArray[np.bool_], total_ms: NDArray[np.float64]
) -> Outcome:
    few = one_sided(chosen)
    if few is not None:
        return few
    return Resampled(run.sums_at(found.frames[chosen], found.steps_ns[chosen] / 1e6) / total_ms, "share")


def _motion(run: ResampledRun, values: Mapping[str, float]) -> dict[str, Outcome]:
    steps = step_errors(run.series)
    if isinstance(steps, Missing):
        return {}
    sizes_ms = np.abs(steps.errors_ms)
    found: dict[str, Outcome] = {
        "motion_step_error_rms_ms": Resampled(np.sqrt(run.mean_at(steps.frames, steps.errors_ms**2)))
    }
    if (key := "motion_step_error_p99_ms") in values:
        slow = SlowFrames(
            sizes_ms,
            steps.frames,
            falling=np.sort(sizes_ms)[::-1],
            draws=run.draws,
            level=run.series.options.level,
        )
        found[key] = interval_of_rank(slow, 0.01 * sizes_ms.size, values[key])
    return found


def _dropped(run: ResampledRun) -> dict[str, Outcome]:
    shown = shown_frames(run.series)
    if shown is None:
        return {}
    dropped = np.flatnonzero(~shown)
    counts = counted(run, dropped)
    return {
        "dropped_count": counts,
        "dropped_fraction": Resampled(counts.values / run.draws.n, "share")
        if isinstance(counts, Resampled)
        else counts,
        "shown_average_fps": Resampled(1000.0 * run.sums_at(np.flatnonzero(shown)) / run.total_ms),
    }


def _card_work(run: ResampledRun) -> Outcome:
    found = frames_under_90pct(run.series)
    if isinstance(found, Missing):
        return found
    frames, under = found
    few = one_sided(under)
    if few is not None:
        return few
    times_ms = run.times_ms[frames]
    chosen_ms = run.sums_at(frames[under], times_ms[under])
    return Resampled(chosen_ms / np.maximum(run.sums_at(frames, times_ms), 1e-9), "share")
