"""Metrics in every resample that add up over frames: sums, counts, rhythm, display, motion, dropped frames, card work.

What was fitted to the whole run stays as it is: the grid of the refreshes, the drift between two clocks, and which
frames alternate. A frame brings its own step, error or flag along into a resample.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.metrics import pacing
from frametime.metrics.catalog.catalog_frames import AVERAGED_FRAMES, LONG_FRAMES
from frametime.metrics.display.display import VariableSteps, fixed_steps, variable_steps
from frametime.metrics.display.motion import step_errors
from frametime.metrics.frame_series import shown_frames
from frametime.metrics.intervals.block_bootstrap import draw_blocks
from frametime.metrics.intervals.resampled_run import Outcome, Resampled, ResampledRun, one_sided, too_few
from frametime.metrics.intervals.resampled_tail import SlowFrames, interval_of_rank
from frametime.metrics.metric import Missing
from frametime.metrics.rhythm.rhythm import alternating_runs, inside_runs
from frametime.metrics.sensors.sensor_values import frames_under_90pct
from frametime.metrics.stutter import stutters_of

_ALLAN_BLOCKS: Final = 4.0
"""Blocks are so many times as long as the frames averaged, or longer: each term spans two averages."""
_STUTTERS: Final = ("stutter_count", "stutter_per_min", "stutter_time_fraction")


def sum_outcomes(run: ResampledRun, wanted: Collection[str]) -> dict[str, Outcome]:
    """Average rate, spread, change from frame to frame, jitter, Allan deviations, stutters and hitches."""
    found: dict[str, Outcome] = {key: make(run) for key, make in _SUMS.items() if key in wanted}
    found |= _stutters(run, wanted)
    for key, limit_ms in LONG_FRAMES.items():
        if key in wanted:
            found[key] = counted(run, np.flatnonzero(run.times_ms > limit_ms))
    for averaged in AVERAGED_FRAMES:
        if (key := f"pacing_adev_{averaged}") in wanted:
            found[key] = _allan(run, averaged)
    return found


def counted(run: ResampledRun, positions: NDArray[np.int64]) -> Outcome:
    """The number of events at some frames, of which there are no more than frames."""
    return too_few(positions.size) or Resampled(run.sums_at(positions), "count", most=run.draws.n)


def _variance(run: ResampledRun) -> NDArray[np.float64]:
    n = run.draws.n
    return np.maximum(run.squares_ms2 - (run.total_ms - n * run.mean_ms) ** 2 / n, 0.0) / (n - 1)


def _alternation(run: ResampledRun) -> Outcome:
    """Lag-1 autocorrelation: mean product of neighbors over mean square, both about the mean of the resample."""
    shift = (run.total_ms / run.draws.n - run.mean_ms) ** 2
    products = run.mean_of(run.deviations_ms[1:] * run.deviations_ms[:-1]) - shift
    squares = np.maximum(run.squares_ms2 / run.draws.n - shift, 1e-300)
    return Resampled(products / squares, "correlation")


def _jitter_median(run: ResampledRun) -> Outcome:
    """The running estimate belongs to the frame after which it stands: it forgets within some sixteen frames."""
    jitters_ms = pacing.running_jitter(np.diff(run.times_ms))
    return Resampled(run.quantile_at(np.arange(1, run.draws.n), jitters_ms, 0.5))


def _allan(run: ResampledRun, averaged: int) -> Outcome:
    """Allan deviation of each resample: the run's own value times the ratio of the mean squares."""
    stamps = run.series.timestamps_ns
    least = 4 * averaged
    if run.draws.n < least:
        return Missing(reason=f"fewer than {least} frames: too few spans of {averaged} frames follow one another")
    middle = stamps[averaged:-averaged]
    second = (stamps[2 * averaged :] - middle) - (middle - stamps[: -2 * averaged])
    squares = second.astype(np.float64) ** 2
    own_mean = float(squares.mean())
    value = pacing.overlapping_allan_deviation(stamps, averaged=averaged, tau0=run.mean_ms * 1e6)
    longer = _longer_blocks(run, _ALLAN_BLOCKS * averaged)
    ratio = longer.mean_of(squares) / own_mean if own_mean > 0.0 else np.ones(longer.draws.n_resamples)
    relative_mean = longer.total_ms / (longer.draws.n * longer.mean_ms)
    return Resampled(value * np.sqrt(np.maximum(ratio, 0.0)) / relative_mean, draws=longer.draws)


def _longer_blocks(run: ResampledRun, least: float) -> ResampledRun:
    """The run with blocks of a mean length of ``least`` or more, at most a tenth of it."""
    n, options = run.draws.n, run.series.options
    mean_block = min(least, n / 10.0)
    if run.draws.mean_block >= mean_block:
        return run
    draws = draw_blocks(n, n_resamples=options.n_resamples, mean_block=mean_block, seed=options.seed)
    return ResampledRun(run.series, draws)


_SUMS: Final[Mapping[str, Callable[[ResampledRun], Outcome]]] = {
    "average_fps": lambda run: Resampled(1000.0 * run.draws.n / run.total_ms),
    "frame_time_variance_ms2": lambda run: Resampled(_variance(run)),
    "frame_time_cv": lambda run: Resampled(np.sqrt(_variance(run)) / (run.total_ms / run.draws.n)),
    "pacing_rmssd_ms": lambda run: Resampled(np.sqrt(np.maximum(run.mean_of(np.diff(run.times_ms) ** 2), 0.0))),
    "pacing_masd_ms": lambda run: Resampled(run.mean_of(np.abs(np.diff(run.times_ms)))),
    "pacing_jitter_median_ms": _jitter_median,
    "alternation": _alternation,
}


def _stutters(run: ResampledRun, wanted: Collection[str]) -> dict[str, Outcome]:
    """A stutter stays one in every resample, whatever then lies around it."""
    keys = [key for key in _STUTTERS if key in wanted]
    if not keys:
        return {}
    stutters = stutters_of(run.series)
    if (missing := too_few(stutters.count)) is not None:
        return dict.fromkeys(keys, missing)
    counts = run.sums_at(stutters.positions)
    excess_ms = run.sums_at(stutters.positions, stutters.excess_ms)
    every = (
        Resampled(counts, "count", most=run.draws.n),
        Resampled(counts / (run.total_ms / 60_000.0), "count"),
        Resampled(excess_ms / run.total_ms, "share"),
    )
    return {key: outcome for key, outcome in zip(_STUTTERS, every, strict=True) if key in wanted}


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
    refreshes = np.maximum(run.sums_at(ends, fixed.steps), 1.0)
    return {
        "refresh_uneven_per_min": too_few(uneven.size)
        or Resampled(run.sums_at(uneven) / (run.total_ms / 60_000.0), "count"),
        "refresh_repeat_fraction": too_few(int(np.count_nonzero(repeated)))
        or Resampled(run.sums_at(ends[repeated], fixed.steps[repeated] - 1) / refreshes, "share"),
        "refresh_skipped_count": _skipped(run, fixed.replaced),
        "judder_rms_ms": Resampled(np.sqrt(run.mean_at(ends, fixed.errors_ms**2))),
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
