"""Catalog rows that need nothing but frame times: level, lows, stutter, pacing, up to and including alternation."""

from __future__ import annotations

from functools import partial
from math import sqrt
from typing import Final

import numpy as np

from frametime.metrics import level, pacing
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import PRACTICE, Compute, Metric, Missing, row
from frametime.metrics.options import MeasureOptions, StutterRule
from frametime.metrics.stutter import stutters_of
from frametime.units import DIMENSIONLESS, FRAMES_PER_SECOND, NS_PER_S
from frametime.words import counted


def frame_metrics(options: MeasureOptions) -> tuple[Metric, ...]:
    """Rows in the order in which they are shown.

    Examples
    --------
    >>> [row.key for row in frame_metrics(MeasureOptions())][:2]
    ['average_fps', 'median_frame_time_ms']
    """
    return (
        *level_rows(options),
        *(row for pct in options.slowest_pcts for row in low_rows(pct, options)),
        *stutter_rows(options.stutter),
        *class_rows(),
        *pacing_rows(),
    )


_QUANTILES: Final = "Hyndman and Fan, The American Statistician 50(4), 1996"

_PERCENTILES: Final = (
    ("median", 0.5, "median frame time", "half of the frames are shorter"),
    ("p95", 0.95, "95th percentile frame time", "95 % of the frames are shorter"),
    ("p99", 0.99, "99th percentile frame time", "99 % of the frames are shorter"),
    ("p99p9", 0.999, "99.9th percentile frame time", "99.9 % of the frames are shorter"),
)


def level_rows(options: MeasureOptions) -> tuple[Metric, ...]:
    """Average rate, median and quantiles in the tail."""
    kind = f"type {options.quantile_type}, {level.QUANTILE_NAMES[options.quantile_type]}"
    average = row("average_fps", "average rate", unit=FRAMES_PER_SECOND, better="higher", group="level")(
        definition="Frames divided by the time they took; never the mean of the rates of single frames.",
        compute=lambda series: level.average_fps(series.n_frames, series.duration_s),
        source="J. E. Smith, Communications of the ACM 31(10), 1988",
    )
    return (
        average,
        *(
            row(
                f"{name}_frame_time_ms",
                label,
                unit="ms",
                better="lower",
                group="level" if probability == 0.5 else "tail",
            )(
                definition=f"Frame time than which {meaning} (quantile of {kind}).",
                compute=partial(_quantile, probability=probability),
                source=_QUANTILES,
            )
            for name, probability, label, meaning in _PERCENTILES
        ),
    )


def _quantile(series: FrameSeries, *, probability: float) -> float:
    return level.quantile(series.sorted_ms, probability, quantile_type=series.options.quantile_type)


def low_rows(slowest_pct: float, options: MeasureOptions) -> tuple[Metric, ...]:
    """The three lows of one share of the slowest frames."""
    share = level.share_label(slowest_pct)
    kinds: tuple[tuple[str, str, str, str, Compute], ...] = (
        (
            "percentile",
            f"{share} low, percentile",
            f"Rate that all but the slowest {share} of frames reach (quantile of type {options.quantile_type}).",
            _QUANTILES,
            lambda series: level.percentile_low_fps(
                series.sorted_ms, slowest_pct=slowest_pct, quantile_type=series.options.quantile_type
            ),
        ),
        (
            "mean",
            f"{share} low, mean",
            f"Rate over the slowest {share} of frames: their count divided by the time they took.",
            PRACTICE,
            lambda series: level.mean_low_fps(series.sorted_ms, slowest_pct=slowest_pct),
        ),
        (
            "time",
            f"{share} low, by time",
            f"Rate of the frame at which the slowest frames together fill {share} of the time.",
            PRACTICE,
            lambda series: level.time_low_fps(
                series.sorted_ms, slowest_pct=slowest_pct, duration_ms=series.duration_s * 1000.0
            ),
        ),
    )
    return tuple(
        row(level.low_key(slowest_pct, kind), label, unit=FRAMES_PER_SECOND, better="higher", group="lows")(
            definition=definition,
            compute=compute,
            source=source,
        )
        for kind, label, definition, source, compute in kinds
    )


_CLASSES: Final = (
    ("hitch", 50, "W3C Long Tasks API: a task that keeps the main thread busy for 50 ms or longer"),
    ("hitch", 100, PRACTICE),
    (
        "hitch",
        250,
        "common practice, no source; spikes of 225 ms lower smoothness and score (Tokey et al., I3D 2026, abstract)",
    ),
    ("freeze", 500, PRACTICE),
)
LONG_FRAMES: Final = {f"{word}_over_{limit_ms}ms_count": float(limit_ms) for word, limit_ms, _ in _CLASSES}
"""Key of each count of long frames, with the limit in ms."""


def stutter_rows(rule: StutterRule) -> tuple[Metric, ...]:
    """Frames that are long beside those around them."""
    text = (
        f"over {rule.ratio:g} times as long as the median of the frames within {rule.window_s / 2:g} s before and "
        f"after, and by {rule.min_excess_ms:g} ms or more"
    )
    source = "common practice, no source; least excess: Klein et al., IEEE CoG 2024"
    kinds: tuple[tuple[str, str, str, str, Compute], ...] = (
        (
            "stutter_count",
            "stutters",
            "{count}",
            f"Frames {text}.",
            lambda series: float(stutters_of(series).count),
        ),
        (
            "stutter_per_min",
            "stutters per minute",
            "{count}/min",
            f"Stutters divided by the length of the run; a stutter is a frame {text}.",
            lambda series: stutters_of(series).count / (series.duration_s / 60.0),
        ),
        (
            "stutter_time_fraction",
            "time lost to stutters",
            DIMENSIONLESS,
            "Share of the time by which stutters are longer than the median of the frames around them.",
            lambda series: float(stutters_of(series).excess_ms.sum()) / (series.duration_s * 1000.0),
        ),
    )
    return tuple(
        row(key, label, unit=unit, better="lower", group="stutter")(
            definition=definition,
            compute=compute,
            source=source,
        )
        for key, label, unit, definition, compute in kinds
    )


def class_rows() -> tuple[Metric, ...]:
    """Frames that are long whatever is around them, and the longest."""
    counts = tuple(
        row(
            f"{word}_over_{limit_ms}ms_count",
            f"{'hitches' if word == 'hitch' else 'freezes'} over {limit_ms} ms",
            unit="{count}",
            better="lower",
            group="stutter",
        )(
            definition=f"Frames longer than {limit_ms} ms.",
            compute=partial(_count_over, limit_ms=float(limit_ms)),
            source=source,
        )
        for word, limit_ms, source in _CLASSES
    )
    longest = row("max_frame_time_ms", "longest frame time", unit="ms", better="lower", group="tail")(
        definition="The longest frame of the run.",
        compute=lambda series: float(series.sorted_ms[-1]),
    )
    return (*counts, longest)


def _count_over(series: FrameSeries, *, limit_ms: float) -> float:
    return float(series.n_frames - int(np.searchsorted(series.sorted_ms, limit_ms, side="right")))


AVERAGED_FRAMES: Final = (1, 10, 100)
"""Frames averaged by the Allan deviations."""

_ALLAN: Final = "Riley, NIST Special Publication 1065, 2008"
_SUCCESSIVE: Final = "von Neumann et al., Annals of Mathematical Statistics 12, 1941"
_JITTER: Final = "RFC 3550, section 6.4.1 and appendix A.8, 2003"


def pacing_rows() -> tuple[Metric, ...]:
    """Spread, change from frame to frame, jitter, Allan deviation, alternation."""
    return (
        *_spread_rows(),
        *_step_rows(),
        *(_allan_row(averaged) for averaged in AVERAGED_FRAMES),
        row("alternation", "alternation of frame times", unit=DIMENSIONLESS, better="neither", group="rhythm")(
            definition="Lag-1 autocorrelation of the frame times: near -1 when short and long frames alternate.",
            compute=_needs(2, _alternation),
            source="NIST Statistical Reference Datasets, univariate summary statistics",
        ),
    )


def _spread_rows() -> tuple[Metric, ...]:
    return (
        row("frame_time_variance_ms2", "variance of the frame time", unit="ms2", better="lower", group="pacing")(
            definition="Sample variance of the frame times, divisor n - 1.",
            compute=_needs(2, lambda series: series.variance_ms2),
            source="Chan, Golub and LeVeque, The American Statistician 37(3), 1983",
        ),
        row("frame_time_cv", "relative spread of the frame time", unit=DIMENSIONLESS, better="lower", group="pacing")(
            definition="Standard deviation of the frame times divided by their mean (coefficient of variation).",
            compute=_needs(2, lambda series: sqrt(series.variance_ms2) / _mean_ms(series)),
            source="NIST/SEMATECH e-Handbook of Statistical Methods (from memory)",
        ),
    )


def _step_rows() -> tuple[Metric, ...]:
    kinds: tuple[tuple[str, str, str, str, Compute], ...] = (
        (
            "pacing_rmssd_ms",
            "frame-to-frame change, rms",
            "Root mean square of the differences from each frame time to the next.",
            _SUCCESSIVE,
            lambda series: pacing.rmssd_ms(series.frame_times_ms),
        ),
        (
            "pacing_masd_ms",
            "frame-to-frame change, mean",
            "Mean absolute difference from each frame time to the next.",
            PRACTICE,
            lambda series: pacing.masd_ms(series.frame_times_ms),
        ),
        (
            "pacing_jitter_last_ms",
            "running jitter at the end",
            "Running estimate J += (|D| - J) / 16 of the frame-to-frame change D, its value after the last frame.",
            _JITTER,
            lambda series: series.jitter.last_ms,
        ),
        (
            "pacing_jitter_median_ms",
            "running jitter, median",
            "Running estimate J += (|D| - J) / 16 of the frame-to-frame change D, its median over the run.",
            _JITTER,
            lambda series: series.jitter.median_ms,
        ),
    )
    return tuple(
        row(key, label, unit="ms", better="lower", group="pacing")(
            definition=definition,
            compute=_needs(2, compute),
            source=source,
        )
        for key, label, definition, source, compute in kinds
    )


def _allan_row(averaged: int) -> Metric:
    frames = counted(averaged, "frame")
    return row(
        f"pacing_adev_{averaged}", f"Allan deviation over {frames}", unit=DIMENSIONLESS, better="lower", group="pacing"
    )(
        definition=f"Overlapping Allan deviation of the timestamps: how much the mean of {frames} differs from the "
        f"mean of the {frames} before, as a share of the mean frame time.",
        compute=_needs(2 * averaged, partial(_allan, averaged=averaged)),
        source=_ALLAN,
    )


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
