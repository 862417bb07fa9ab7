"""Metrics that need nothing but frame times: level, lows, stutter, pacing, up to and including alternation."""

from __future__ import annotations

from functools import partial
from math import sqrt
from typing import Final

import numpy as np

from frametime.metrics import level, pacing
from frametime.metrics.catalog.table import metrics_of
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import Compute, Metric, Missing
from frametime.metrics.options import MeasureOptions
from frametime.metrics.stutter import stutters_of
from frametime.units import NS_PER_S

_PERCENTILES: Final = {"median": 0.5, "p95": 0.95, "p99": 0.99, "p99p9": 0.999}

LONG_FRAMES: Final = {
    "hitch_over_50ms_count": 50.0,
    "hitch_over_100ms_count": 100.0,
    "hitch_over_250ms_count": 250.0,
    "freeze_over_500ms_count": 500.0,
}
"""Key of each count of long frames, with the limit in ms."""

AVERAGED_FRAMES: Final = (1, 10, 100)
"""Frames averaged by the Allan deviations."""


def frame_metrics(options: MeasureOptions) -> tuple[Metric, ...]:
    """Metrics in the order in which they are shown.

    Examples
    --------
    >>> [row.key for row in frame_metrics(MeasureOptions())][:2]
    ['average_fps', 'median_frame_time_ms']
    """
    rule = options.stutter
    words: dict[str, object] = {
        "quantile_type": options.quantile_type,
        "quantile": level.QUANTILE_NAMES[options.quantile_type],
        "stutter": f"over {rule.ratio:g} times as long as the median of the frames within {rule.window_s / 2:g} s "
        f"before and after, and by {rule.min_excess_ms:g} ms or more",
    }
    lows = (
        metric
        for pct in options.slowest_pcts
        for metric in metrics_of(
            {
                "low_*_percentile_fps": partial(_percentile_low, slowest_pct=pct),
                "low_*_mean_fps": partial(_mean_low, slowest_pct=pct),
                "low_*_time_fps": partial(_time_low, slowest_pct=pct),
            },
            of=level.share_key(pct),
            share=level.share_label(pct),
            **words,
        )
    )
    return (*metrics_of(_LEVEL, **words), *lows, *metrics_of(_STUTTER, **words), *metrics_of(_PACING))


def _quantile(series: FrameSeries, *, probability: float) -> float:
    return level.quantile(series.sorted_ms, probability, quantile_type=series.options.quantile_type)


def _percentile_low(series: FrameSeries, *, slowest_pct: float) -> float:
    return level.percentile_low_fps(
        series.sorted_ms, slowest_pct=slowest_pct, quantile_type=series.options.quantile_type
    )


def _mean_low(series: FrameSeries, *, slowest_pct: float) -> float:
    return level.mean_low_fps(series.sorted_ms, slowest_pct=slowest_pct)


def _time_low(series: FrameSeries, *, slowest_pct: float) -> float:
    return level.time_low_fps(series.sorted_ms, slowest_pct=slowest_pct, duration_ms=series.duration_s * 1000.0)


def _count_over(series: FrameSeries, *, limit_ms: float) -> float:
    return float(series.n_frames - int(np.searchsorted(series.sorted_ms, limit_ms, side="right")))


def _allan(series: FrameSeries, *, averaged: int) -> float:
    tau0_ns = series.duration_s * NS_PER_S / series.n_frames
    return pacing.overlapping_allan_deviation(series.timestamps_ns, averaged=averaged, tau0=tau0_ns)


def _alternation(series: FrameSeries) -> float | Missing:
    if series.sorted_ms[0] == series.sorted_ms[-1]:
        return Missing(reason="all frame times are equal")
    return pacing.lag1_autocorrelation(series.frame_times_ms)


def _mean_ms(series: FrameSeries) -> float:
    return series.duration_s * 1000.0 / series.n_frames


def _needs(n_needed: int, compute: Compute) -> Compute:
    """``compute``, or the reason why there are too few frames for it."""

    def computed(series: FrameSeries) -> float | Missing:
        if series.n_frames < n_needed:
            return Missing(reason=f"{n_needed} frames or more are needed, this run has {series.n_frames}")
        return compute(series)

    return computed


_LEVEL: Final[dict[str, Compute]] = {
    "average_fps": lambda series: level.average_fps(series.n_frames, series.duration_s),
    **{f"{name}_frame_time_ms": partial(_quantile, probability=share) for name, share in _PERCENTILES.items()},
}
_STUTTER: Final[dict[str, Compute]] = {
    "stutter_count": lambda series: float(stutters_of(series).count),
    "stutter_per_min": lambda series: stutters_of(series).count / (series.duration_s / 60.0),
    "stutter_time_fraction": lambda series: float(stutters_of(series).excess_ms.sum()) / (series.duration_s * 1000.0),
    **{key: partial(_count_over, limit_ms=limit_ms) for key, limit_ms in LONG_FRAMES.items()},
    "max_frame_time_ms": lambda series: float(series.sorted_ms[-1]),
}
_PACING: Final[dict[str, Compute]] = {
    "frame_time_variance_ms2": _needs(2, lambda series: series.variance_ms2),
    "frame_time_cv": _needs(2, lambda series: sqrt(series.variance_ms2) / _mean_ms(series)),
    "pacing_rmssd_ms": _needs(2, lambda series: pacing.rmssd_ms(series.frame_times_ms)),
    "pacing_masd_ms": _needs(2, lambda series: pacing.masd_ms(series.frame_times_ms)),
    "pacing_jitter_last_ms": _needs(2, lambda series: series.jitter.last_ms),
    "pacing_jitter_median_ms": _needs(2, lambda series: series.jitter.median_ms),
    **{f"pacing_adev_{each}": _needs(2 * each, partial(_allan, averaged=each)) for each in AVERAGED_FRAMES},
    "alternation": _needs(2, _alternation),
}
