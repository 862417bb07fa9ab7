"""Frames that were shown: how many were not, and whether the picture moved on by as much time as the simulation did."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.block_medians import medians_between
from frametime.metrics.display.display import appearances, falls
from frametime.metrics.drift.trend import theil_sen_slope
from frametime.metrics.frame_series import FrameSeries, logged_times_ns, once_a_series, shown_frames
from frametime.metrics.metric import DroppedFrames, Missing, MotionSteps
from frametime.units import NS_PER_MS, NS_PER_S


def longest_run(flags: NDArray[np.bool_]) -> int:
    """Length of the longest run of true values.

    Examples
    --------
    >>> longest_run(np.array([True, False, True, True]))
    2
    """
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return int(np.max(edges[1::2] - edges[::2], initial=0))


def shown_series(series: FrameSeries) -> FrameSeries | None:
    """The steps between frames that were shown, as a series of its own; ``None`` with fewer than two steps.

    From the display times where they are logged (equal or falling ones left out), else from the ends of the shown
    frames and the start of the first.
    """
    shown_ns, _, from_display_times = appearances(series)
    if not from_display_times:
        shown_ns = np.concatenate((np.zeros(1, dtype=np.int64), shown_ns))
    rising = np.concatenate(([True], np.diff(np.maximum.accumulate(shown_ns)) > 0))
    shown_ns = shown_ns[rising]
    return FrameSeries(shown_ns, options=series.options) if shown_ns.size >= 3 else None


@once_a_series
def dropped_of(series: FrameSeries) -> DroppedFrames | Missing:
    """Frames never shown, without what the catalog tells of the others."""
    if (shown := shown_frames(series)) is None:
        return Missing(reason="the log does not say which frames were shown")
    n_shown = int(np.count_nonzero(shown))
    return DroppedFrames(
        count=series.n_frames - n_shown,
        fraction=(series.n_frames - n_shown) / series.n_frames,
        longest_run=longest_run(~shown),
        shown_average_fps=n_shown / series.duration_s,
    )


MAX_BLOCKS = 300


def clock_drift(times: NDArray[np.float64], offsets: NDArray[np.float64]) -> float:
    """How fast ``offsets`` grow with ``times``, both in one unit: Theil-Sen over medians of at most 300 blocks.

    Robust: a hitch delays one frame by far more than two clocks drift apart in a run. ``times`` never fall; of blocks
    with one time, as of frames made from one state of the simulation, the first counts.
    """
    edges = np.linspace(0, times.size, min(MAX_BLOCKS, times.size) + 1).astype(np.int64)
    middles, levels = medians_between(times, edges), medians_between(offsets, edges)
    rising = np.diff(middles, prepend=-np.inf) > 0.0
    return theil_sen_slope(middles[rising], levels[rising]) if np.count_nonzero(rising) > 1 else 0.0


class StepErrors(NamedTuple):
    """Shown step minus simulated step of frames, each with the frame that ends it; shape (n_steps,)."""

    frames: NDArray[np.int64]
    ends_ns: NDArray[np.int64]
    errors_ms: NDArray[np.float64]
    clock_drift: float
    from_display_times: bool


@once_a_series
def step_errors(series: FrameSeries) -> StepErrors | Missing:
    """The error of every step, or why there is none to tell."""
    if (simulated := logged_times_ns(series, "simulation_start_ns")) is None:
        return Missing(reason="the log has no simulation times")
    shown_ns, kept, from_display_times = appearances(series)
    start_ns = int(series.timestamps_ns[0])
    usable = simulated[1][1:][kept]
    shown_ns = shown_ns[usable]
    simulated_ns = simulated[0][1:][kept][usable] - start_ns
    if shown_ns.size < 3:
        return Missing(reason="fewer than three frames that were shown have a simulation time")
    if falls(simulated_ns) or simulated_ns[-1] == simulated_ns[0]:
        fault = "fall back" if falls(simulated_ns) else "are all the same"
        return Missing(reason=f"the simulation times {fault} in this log")
    if falls(shown_ns):
        return Missing(reason="the display times fall back in this log")
    offsets_ns = (shown_ns - simulated_ns).astype(np.float64)
    drift = clock_drift(simulated_ns.astype(np.float64), offsets_ns)
    return StepErrors(
        frames=np.flatnonzero(kept)[usable][1:],
        ends_ns=shown_ns[1:],
        errors_ms=(np.diff(offsets_ns) - drift * np.diff(simulated_ns)) / NS_PER_MS,
        clock_drift=drift,
        from_display_times=from_display_times,
    )


@once_a_series
def motion_steps(series: FrameSeries) -> MotionSteps | Missing:
    """Shown step minus simulated step, frame by frame, over the frames that were shown.

    Shown times are the display times where logged, else frame ends. The drift between the two clocks (a slope of
    shown time minus simulated time) is removed and reported in parts per million; a drift of 100 ppm adds 1.7 µs to
    a step of 16.7 ms, so it matters only where the clocks are of different make.

    Returns
    -------
    MotionSteps or Missing
        Missing where the log has no simulation times, fewer than three shown frames carry one, or the times of the
        simulation or of the display do not rise.
    """
    if isinstance(steps := step_errors(series), Missing):
        return steps
    errors_ms = steps.errors_ms
    sizes_ms = np.abs(errors_ms)
    worst = int(np.argmax(sizes_ms))
    return MotionSteps(
        rms_ms=float(np.sqrt(np.mean(errors_ms**2))),
        p99_ms=float(np.quantile(sizes_ms, 0.99)),
        worst_ms=float(errors_ms[worst]),
        worst_time_s=float(steps.ends_ns[worst] / NS_PER_S),
        clock_drift_ppm=steps.clock_drift * 1e6,
        from_display_times=steps.from_display_times,
    )
