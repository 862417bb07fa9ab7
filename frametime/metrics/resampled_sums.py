"""Metrics that are sums, means and counts over the frames, in every resample."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.metrics import pacing
from frametime.metrics.block_draws import draw_blocks
from frametime.metrics.metric import Missing
from frametime.metrics.resampled_run import Outcome, Resampled, ResampledRun, too_few

_OVER_MS: Final = {
    "hitch_over_50ms_count": 50.0,
    "hitch_over_100ms_count": 100.0,
    "hitch_over_250ms_count": 250.0,
    "freeze_over_500ms_count": 500.0,
}
_AVERAGED: Final = (1, 10, 100)
_ALLAN_BLOCKS: Final = 4.0
"""Blocks are so many times as long as the frames averaged, or longer: each term spans two averages."""
_STUTTERS: Final = ("stutter_count", "stutter_per_min", "stutter_time_fraction")


def sum_outcomes(run: ResampledRun, wanted: Collection[str]) -> dict[str, Outcome]:
    """Average rate, spread, change from frame to frame, jitter, Allan deviations, stutters and hitches."""
    found: dict[str, Outcome] = {key: make(run) for key, make in _SUMS.items() if key in wanted}
    found |= _stutters(run, wanted)
    for key, limit_ms in _OVER_MS.items():
        if key in wanted:
            found[key] = counted(run, np.flatnonzero(run.times_ms > limit_ms))
    for averaged in _AVERAGED:
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
    stutters = run.series.stutters
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
