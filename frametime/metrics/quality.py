"""What is wrong with a capture: each check gives a caveat that names the numbers it bears on."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from math import ceil, sqrt
from typing import Final

import numpy as np

from frametime.caveats import Caveat, Weight
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.level import LOW_KINDS, exact, low_key, quantile, share_label
from frametime.metrics.timer_and_cap import Cap, find_cap, timer_step_ns
from frametime.words import counted

_PACING = (
    "frame_time_variance_ms2",
    "frame_time_cv",
    "pacing_rmssd_ms",
    "pacing_masd_ms",
    "pacing_jitter_last_ms",
    "pacing_jitter_median_ms",
    "pacing_adev_1",
    "pacing_adev_10",
    "alternation",
)
_LEVEL = ("average_fps", "median_frame_time_ms")
_PERCENTILE_KEYS: Final = {1.0: "p99_frame_time_ms", 0.1: "p99p9_frame_time_ms"}
"""Percentiles that rest on the slowest 1 % and 0.1 % of the frames, whatever lows are asked for."""


def quality_caveats(series: FrameSeries) -> tuple[Caveat, ...]:
    """The capture checks that need nothing but frame times.

    Warm-up, drift and parts that are not play are told by ``regularity_caveats``.

    Parameters
    ----------
    series : FrameSeries
        ``series.options.quality`` holds the thresholds.

    Returns
    -------
    tuple of Caveat
        ``gap``, ``few-frames``, ``short-run``, ``coarse-timer``, ``capped``, ``low-few-frames``.
    """
    step_ms = _timer_step_ms(series)
    return (
        *_gap(series),
        *_length(series),
        *_coarse_timer(series, step_ms),
        # A coarse clock gathers any frame times at a few values: a cap cannot be seen through it.
        *(_capped(series) if step_ms is None else ()),
        *_few_in_tail(series),
    )


def _gap(series: FrameSeries) -> tuple[Caveat, ...]:
    limit_s = series.options.quality.gap_s
    n_gaps = series.n_frames - int(np.searchsorted(series.sorted_ms, limit_s * 1000.0, side="right"))
    if n_gaps == 0:
        return ()
    longest = int(np.argmax(series.frame_times_ms))
    gap_s = float(series.frame_times_ms[longest]) / 1000.0
    start_s = float(series.timestamps_ns[longest] - series.timestamps_ns[0]) / 1e9
    others = "" if n_gaps == 1 else f", the longest of {n_gaps} such gaps"
    message = (
        f"No frame for {in_decimals(gap_s, 1)} s, {in_decimals(start_s, 1)} s after the start{others}; cut it off or "
        "repeat the run."
    )
    return (Caveat(code="gap", message=message, weight=Weight.REPEAT),)


def _length(series: FrameSeries) -> tuple[Caveat, ...]:
    rule = series.options.quality
    if series.n_frames < rule.min_frames:
        message = (
            f"Only {counted(series.n_frames, 'frame')}; {rule.min_frames} or more are needed for any of the numbers."
        )
        return (Caveat(code="few-frames", message=message, weight=Weight.REPEAT),)
    if series.duration_s < rule.min_duration_s:
        message = (
            f"The run lasts {in_decimals(series.duration_s, 1)} s; {rule.min_duration_s:g} s or more show how a scene "
            "runs."
        )
        return (Caveat(code="short-run", message=message, weight=Weight.CARE),)
    return ()


def _coarse_timer(series: FrameSeries, step_ms: float | None) -> tuple[Caveat, ...]:
    if step_ms is None:
        return ()
    rule = series.options.quality
    fraction = step_ms / _median_ms(series)
    weight = Weight.NOTE
    if fraction >= rule.timer_repeat_fraction:
        weight = Weight.REPEAT
    elif fraction >= rule.timer_care_fraction:
        weight = Weight.CARE
    # The difference of two times that are each rounded evenly over one step has a variance of step**2 / 6.
    message = (
        f"The timer is coarse: timestamps come in steps of {step_ms:.3g} ms, {100.0 * fraction:.2g} % of the median "
        f"frame time, which alone spreads single frames by {step_ms / sqrt(6.0):.2g} ms (standard deviation)."
    )
    tails = ("median_frame_time_ms", "p95_frame_time_ms", "p99_frame_time_ms", "p99p9_frame_time_ms")
    lows = tuple(low_key(pct, kind) for pct in series.options.slowest_pcts for kind in LOW_KINDS if kind != "mean")
    return (Caveat(code="coarse-timer", message=message, weight=weight, metrics=(*_PACING, *tails, *lows)),)


def _timer_step_ms(series: FrameSeries) -> float | None:
    """Step of the clock where it is coarse."""
    least_ms = series.options.quality.timer_note_fraction * _median_ms(series)
    step_ns = timer_step_ns(series.timestamps_ns, least_ns=least_ms * 1e6)
    return None if step_ns is None else step_ns / 1e6


def _median_ms(series: FrameSeries) -> float:
    return quantile(series.sorted_ms, 0.5)


def _capped(series: FrameSeries) -> tuple[Caveat, ...]:
    rule = series.options.quality
    if series.n_frames < max(rule.min_frames, 2):
        return ()
    cap = find_cap(series.timestamps_ns, series.sorted_ms, rule=rule)
    if cap is None:
        return ()
    return (Caveat(code="capped", message=_cap_message(cap), weight=Weight.CARE, metrics=_LEVEL),)


def _cap_message(cap: Cap) -> str:
    at = f"{in_decimals(cap.frame_time_ms, 2)} ms ({in_decimals(1000.0 / cap.frame_time_ms, 1)} fps)"
    if cap.sign == "equal":
        return f"Every frame takes exactly {at}: a frame limiter, a fixed refresh, or times that were not measured."
    share = f"{100.0 * cap.share:.0f} % of the frames take about {at}"
    why = {
        "cluster": "hardly any takes more or less",
        "wall": "hardly any takes less",
        "beat": "their timestamps keep to that beat",
    }[cap.sign]
    return f"{share} and {why}, as with a frame limiter or a fixed refresh: the rate shows the limit, not the card."


def _few_in_tail(series: FrameSeries) -> tuple[Caveat, ...]:
    """For each share of the slowest frames: whether enough frames lie in it, and how many would be needed.

    The shares of the lows asked for, and those of the percentiles that every run has.
    """
    lows = series.options.slowest_pcts
    alone = [pct for pct in _PERCENTILE_KEYS if pct not in lows]
    found = [*(_few(series, pct, is_low=True) for pct in lows), *(_few(series, pct, is_low=False) for pct in alone)]
    return tuple(caveat for caveat in found if caveat is not None)


def _few(series: FrameSeries, pct: float, *, is_low: bool) -> Caveat | None:
    needed = series.options.quality.min_tail_frames
    share = exact(pct) / 100
    n_tail = share * series.n_frames
    if 2 * n_tail >= 2 * needed - 1:  # 9.9 frames are 10: a run of 10 s is not told that it needs 10 s
        return None
    shown = round(float(n_tail), 1) if n_tail >= Fraction(1, 10) else float(f"{float(n_tail):.2g}")
    n_needed = ceil(needed / share)
    more_s = n_needed * series.duration_s / series.n_frames
    keys = tuple(low_key(pct, kind) for kind in LOW_KINDS) if is_low else ()
    percentile = (_PERCENTILE_KEYS[pct],) if pct in _PERCENTILE_KEYS else ()
    return Caveat(
        code="low-few-frames",
        message=f"The slowest {share_label(pct)} are {counted(shown, 'frame')}; a "
        f"{'low' if is_low else 'percentile'} needs {needed} or more, that is {n_needed} frames, "
        f"{in_decimals(more_s, 0)} s at this rate.",
        # The everyday low makes the run weak; a rarer tail is weak itself, and says so beside its number.
        weight=Weight.CARE if is_low and pct >= 1.0 else Weight.NOTE,
        metrics=(*keys, *percentile),
    )


_WHOLE_FROM: Final = 10_000.0


def in_decimals(value: float, decimals: int) -> str:
    """A number with so many decimals; a smaller one with two significant digits, a large one whole.

    Examples
    --------
    >>> in_decimals(10.0, 2), in_decimals(0.001, 2), in_decimals(100_030.0, 2), in_decimals(0.0, 1)
    ('10.00', '0.001', '100,030', '0.0')
    """
    size = abs(value)
    if size >= _WHOLE_FROM:
        return f"{value:,.0f}"
    if 0.0 < size < 10.0**-decimals:
        return format(Decimal(f"{value:.2g}"), "f")
    return f"{value:.{decimals}f}"
