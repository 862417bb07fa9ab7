"""Curves of one run, small enough to be kept and drawn: never more than a few thousand points, no extreme lost."""

from __future__ import annotations

from collections.abc import Mapping
from math import ceil
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.level import plotting_constants
from frametime.metrics.metric import Curve
from frametime.metrics.stutter import local_medians_ms
from frametime.units import NS_PER_MS

_EVEN_POINTS: Final = 100
_TAIL_POINTS: Final = 180
_MOST_SECONDS: Final = 2000
_MOST_STEPS: Final = 2000
_BINS: Final = 120
_FRAME_TIME: Final = "frame time (ms)"
_ELAPSED: Final = "elapsed (s)"
_LOCAL_MEDIAN: Final = "local median frame time (ms)"


def run_curves(series: FrameSeries) -> Mapping[str, Curve]:
    """All curves that a measured run keeps, by name.

    Returns
    -------
    Mapping of str to Curve
        ``percentile``, ``distribution``, ``rate``, ``trace_low``, ``trace_high``, ``local_median``.
    """
    trace_low, trace_high = trace_curves(series)
    return MappingProxyType(
        {
            "percentile": percentile_curve(series),
            "distribution": distribution_curve(series),
            "rate": rate_curve(series),
            "trace_low": trace_low,
            "trace_high": trace_high,
            "local_median": local_median_curve(series, _MOST_STEPS // 4),
        }
    )


def percentile_curve(series: FrameSeries) -> Curve:
    """Share of the frames in percent to the frame time they do not exceed, dense in the slow tail.

    Each point is a frame of the run at its plotting position, the one that belongs to the quantile type of the options:
    the curve passes through the quantiles in the list of metrics, and its last point is the longest frame.
    """
    n_frames = series.n_frames
    even = np.linspace(0.0, 1.0, _EVEN_POINTS)
    tail = 1.0 - np.geomspace(0.1, 0.1 / max(n_frames, 10), _TAIL_POINTS)
    ranks = np.unique(np.rint(np.concatenate([even, tail]) * (n_frames - 1)).astype(np.int64))
    alpha, beta = plotting_constants(series.options.quantile_type)
    span = n_frames + 1.0 - alpha - beta
    shares_pct = 100.0 * (ranks + 1.0 - alpha) / span if span > 0.0 else np.array([50.0])
    return _curve(shares_pct, series.sorted_ms[ranks], x_label="share of frames (%)", y_label=_FRAME_TIME)


def distribution_curve(series: FrameSeries) -> Curve:
    """Middle of each bin to the share of the frames in it, in percent.

    Equal bins from the shortest frame to the 99.5th percentile; the last bin takes in all longer frames.
    """
    low_ms = float(series.sorted_ms[0])
    high_ms = float(series.sorted_ms[ceil(0.995 * series.n_frames) - 1])
    if high_ms <= low_ms:
        low_ms, high_ms = 0.5 * low_ms, 1.5 * low_ms
    edges_ms = np.linspace(low_ms, high_ms, _BINS + 1)
    below = np.searchsorted(series.sorted_ms, edges_ms)
    below[-1] = series.n_frames
    shares_pct = np.asarray(100.0 * np.diff(below) / series.n_frames, dtype=np.float64)
    middles_ms = 0.5 * (edges_ms[1:] + edges_ms[:-1])
    return _curve(middles_ms, shares_pct, x_label=_FRAME_TIME, y_label="share of frames (%); the last bin is open")


def rate_curve(series: FrameSeries) -> Curve:
    """Middle of each second to the frames drawn in it; a frame counts in each second by its part in it.

    A run of many hours has longer steps. What is left over at the end is no whole step and has no point, except in a
    run shorter than one.
    """
    duration_s = series.duration_s
    step_s = max(1, ceil(duration_s / _MOST_SECONDS))
    n_steps = int(duration_s // step_s)
    step_ns = step_s * 1_000_000_000
    if n_steps == 0:
        n_steps, step_ns = 1, int(series.timestamps_ns[-1] - series.timestamps_ns[0])
    bounds_ns = series.timestamps_ns[0] + step_ns * np.arange(n_steps + 1)
    frames_before = _frames_before(series.timestamps_ns, bounds_ns)
    rates_fps = np.asarray(np.diff(frames_before) / (step_ns / 1e9), dtype=np.float64)
    middles_s = np.asarray((np.arange(n_steps) + 0.5) * (step_ns / 1e9), dtype=np.float64)
    each = "each second" if step_s == 1 else f"each {step_s} s"
    return _curve(middles_s, rates_fps, x_label=_ELAPSED, y_label=f"rate of {each} (fps)")


def _frames_before(timestamps_ns: NDArray[np.int64], times_ns: NDArray[np.int64]) -> NDArray[np.float64]:
    """Frames ended by each time, with the part of the frame that is under way."""
    whole = np.clip(np.searchsorted(timestamps_ns, times_ns, side="right") - 1, 0, timestamps_ns.size - 2)
    starts_ns, ends_ns = timestamps_ns[whole], timestamps_ns[whole + 1]
    return np.asarray(whole + (times_ns - starts_ns) / (ends_ns - starts_ns))


def trace_curves(series: FrameSeries) -> tuple[Curve, Curve]:
    """Least and greatest frame time of each step of equal length in time, at most 2000 steps.

    A frame belongs to the step in which it ends. Steps without an end of a frame, within a freeze, have no point.
    """
    n_steps = min(_MOST_STEPS, series.n_frames)
    start_ns, end_ns = int(series.timestamps_ns[0]), int(series.timestamps_ns[-1])
    # An end exactly at the last bound belongs to the last step.
    bounds_ns = start_ns + (np.arange(n_steps) * ((end_ns - start_ns) / n_steps)).astype(np.int64)
    firsts = _risen(np.searchsorted(series.timestamps_ns[1:], bounds_ns, side="right"))
    firsts = firsts[firsts < series.n_frames]
    lasts = np.append(firsts[1:], series.n_frames)
    middles_s: NDArray[np.float64] = (
        0.5 * ((series.timestamps_ns[firsts] - start_ns) + (series.timestamps_ns[lasts] - start_ns)) / 1e9
    )
    lows_ms = np.minimum.reduceat(series.frame_times_ms, firsts)
    highs_ms = np.maximum.reduceat(series.frame_times_ms, firsts)
    low = _curve(middles_s, lows_ms, x_label=_ELAPSED, y_label="least frame time (ms)")
    return low, low._replace(y=tuple(highs_ms.tolist()), y_label="greatest frame time (ms)")


def local_median_curve(series: FrameSeries, n_points: int) -> Curve:
    """Local median, as the stutter rule sees it, at ``n_points`` frames evenly spread in time.

    Raises
    ------
    ValueError
        If ``n_points`` is not positive.
    """
    if n_points < 1:
        raise ValueError(f"n_points must be positive, got {n_points!r}")
    if series.n_frames < 2:
        return _curve(np.empty(0), np.empty(0), x_label=_ELAPSED, y_label=_LOCAL_MEDIAN)
    start_ns, end_ns = int(series.timestamps_ns[0]), int(series.timestamps_ns[-1])
    times_ns = start_ns + np.linspace(0, end_ns - start_ns, min(n_points, series.n_frames)).astype(np.int64)
    positions = _risen(np.searchsorted(series.timestamps_ns[1:-1], times_ns, side="left"))
    window_s = series.options.stutter.window_s
    medians_ms = local_medians_ms(series.timestamps_ns, series.steps_ns, positions, window_s=window_s, unit=NS_PER_MS)
    ends_s = (series.timestamps_ns[positions + 1] - start_ns) / 1e9
    return _curve(ends_s, medians_ms, x_label=_ELAPSED, y_label=_LOCAL_MEDIAN)


def _risen(places: NDArray[np.int64]) -> NDArray[np.int64]:
    """Places that never fall, each once."""
    return places[np.diff(places, prepend=-1) > 0]


def _curve(x: NDArray[np.float64], y: NDArray[np.float64], *, x_label: str, y_label: str) -> Curve:
    return Curve(x=tuple(x.tolist()), y=tuple(y.tolist()), x_label=x_label, y_label=y_label)
