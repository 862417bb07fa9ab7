"""The catalog of metrics: each is a row of ``metrics.tsv`` beside this file, and here the function that computes it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import lru_cache, partial
from math import sqrt
from types import MappingProxyType
from typing import Any, Final

import numpy as np

from frametime.metrics import level, metric, pacing
from frametime.metrics.display.display import fixed_refresh_of, variable_refresh_of
from frametime.metrics.display.shown import dropped_of, motion_steps, shown_series
from frametime.metrics.drift.drift import drift_of, level_change_count, warm_up_length_s
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.options import MeasureOptions, describe_refresh
from frametime.metrics.rhythm.rhythm import NO_LINE, rhythm_of, spectrum_of
from frametime.metrics.sensors import sensor_findings, sensor_values
from frametime.metrics.sensors.sensor_values import CORE_CLOCK, TEMPERATURE, Channel, channel
from frametime.metrics.stutter import stutters_of
from frametime.units import NS_PER_S


def metrics_of(functions: Mapping[str, metric.Compute], **words: object) -> Iterator[metric.Metric]:
    """The metrics that these functions compute, by key, in their order.

    Parameters
    ----------
    functions : Mapping of str to callable
        A key with ``*`` is filled with the word ``of``.
    words
        What stands in braces in labels and definitions.

    Raises
    ------
    KeyError
        If the table has no such row.

    Examples
    --------
    >>> [longest] = metrics_of({"max_frame_time_ms": lambda series: float(series.sorted_ms[-1])})
    >>> longest.label, longest.unit, longest.source
    ('longest frame time', 'ms', 'common practice, no source')
    """
    for key, compute in functions.items():
        row: dict[str, Any] = dict(metric.table()[key])
        yield metric.Metric(
            key=key.replace("*", str(words.get("of"))),
            label=row["label"].format(**words),
            unit=row["unit"],
            better=row["better"],
            group=row["group"],
            definition=row["definition"].format(**words),
            source=metric.PRACTICE if row["source"] == "-" else row["source"],
            compute=compute,
            decimals=None if row["decimals"] == "-" else int(row["decimals"]),
        )


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


SHOWN_GROUPS: Final = ("level", "lows", "tail", "stutter")
"""Groups of the catalog that are also measured on the shown frames alone."""


def shown_values(series: FrameSeries) -> Mapping[str, float]:
    """The metrics of these groups on the shown frames alone, by key; empty where all frames were shown."""
    dropped = dropped_of(series)
    only_shown = shown_series(series) if isinstance(dropped, metric.DroppedFrames) and dropped.count else None
    if only_shown is None:
        return {}
    rows = [row for row in catalog_for(series.options).values() if row.group in SHOWN_GROUPS]
    found = {row.key: row.compute(only_shown) for row in rows}
    return MappingProxyType({key: value for key, value in found.items() if not isinstance(value, metric.Missing)})


def _quantile(series: FrameSeries, *, probability: float) -> float:
    return level.quantile(series.sorted_ms, probability, quantile_type=series.options.quantile_type)


def _lows(pct: float) -> dict[str, metric.Compute]:
    """The three definitions of one low."""
    return {
        "low_*_percentile_fps": lambda series: level.percentile_low_fps(
            series.sorted_ms, slowest_pct=pct, quantile_type=series.options.quantile_type
        ),
        "low_*_mean_fps": lambda series: level.mean_low_fps(series.sorted_ms, slowest_pct=pct),
        "low_*_time_fps": lambda series: level.time_low_fps(
            series.sorted_ms, slowest_pct=pct, duration_ms=series.duration_s * 1000.0
        ),
    }


def _count_over(series: FrameSeries, *, limit_ms: float) -> float:
    return float(series.n_frames - int(np.searchsorted(series.sorted_ms, limit_ms, side="right")))


def _allan(series: FrameSeries, *, averaged: int) -> float:
    tau0_ns = series.duration_s * NS_PER_S / series.n_frames
    return pacing.overlapping_allan_deviation(series.timestamps_ns, averaged=averaged, tau0=tau0_ns)


def _alternation(series: FrameSeries) -> float | metric.Missing:
    if series.sorted_ms[0] == series.sorted_ms[-1]:
        return metric.Missing(reason="all frame times are equal")
    return pacing.lag1_autocorrelation(series.frame_times_ms)


def _needs(n_needed: int, compute: metric.Compute) -> metric.Compute:
    """``compute``, or the reason why there are too few frames for it."""

    def computed(series: FrameSeries) -> float | metric.Missing:
        if series.n_frames < n_needed:
            return metric.Missing(reason=f"{n_needed} frames or more are needed, this run has {series.n_frames}")
        return compute(series)

    return computed


_LEVEL: Final[dict[str, metric.Compute]] = {
    "average_fps": lambda series: level.average_fps(series.n_frames, series.duration_s),
    **{f"{name}_frame_time_ms": partial(_quantile, probability=share) for name, share in _PERCENTILES.items()},
}
_STUTTER: Final[dict[str, metric.Compute]] = {
    "stutter_count": lambda series: float(stutters_of(series).count),
    "stutter_per_min": lambda series: stutters_of(series).count / (series.duration_s / 60.0),
    "stutter_time_fraction": lambda series: float(stutters_of(series).excess_ms.sum()) / (series.duration_s * 1000.0),
    **{key: partial(_count_over, limit_ms=limit_ms) for key, limit_ms in LONG_FRAMES.items()},
    "max_frame_time_ms": lambda series: float(series.sorted_ms[-1]),
}
_PACING: Final[dict[str, metric.Compute]] = {
    "frame_time_variance_ms2": _needs(2, lambda series: series.variance_ms2),
    "frame_time_cv": _needs(
        2, lambda series: sqrt(series.variance_ms2) / (series.duration_s * 1000.0 / series.n_frames)
    ),
    "pacing_rmssd_ms": _needs(2, lambda series: pacing.rmssd_ms(series.frame_times_ms)),
    "pacing_masd_ms": _needs(2, lambda series: pacing.masd_ms(series.frame_times_ms)),
    "pacing_jitter_last_ms": _needs(2, lambda series: series.jitter.last_ms),
    "pacing_jitter_median_ms": _needs(2, lambda series: series.jitter.median_ms),
    **{f"pacing_adev_{each}": _needs(2 * each, partial(_allan, averaged=each)) for each in AVERAGED_FRAMES},
    "alternation": _needs(2, _alternation),
}


def _given(value: float | None, reason: str) -> float | metric.Missing:
    return metric.Missing(reason=reason) if value is None else float(value)


def _hitch_period(series: FrameSeries) -> float | metric.Missing:
    rhythm = rhythm_of(series)
    period_s = None if rhythm.hitch_period is None else rhythm.hitch_period.period_s
    return _given(period_s, rhythm.hitch_period_reason or "no period")


def _line(series: FrameSeries) -> metric.SpectralLine | metric.Missing:
    if lines := rhythm_of(series).lines:
        return lines[0]
    spectrum = spectrum_of(series)
    return metric.Missing(reason=spectrum if isinstance(spectrum, str) else NO_LINE)


def _uneven_per_min(fit: metric.FixedRefreshFit) -> float | metric.Missing:
    return _given(fit.uneven_per_min, "only two frames were seen: one step has none before it to differ from")


_COURSE: Final[dict[str, metric.Compute]] = {
    "alternating_fraction": lambda series: rhythm_of(series).alternating_fraction,
    "alternation_ms": lambda series: _given(rhythm_of(series).alternation_ms, "no frames alternate"),
    "hitch_period_s": _hitch_period,
    "spectrum_line_hz": metric.part_of(_line, lambda line: line.frequency_hz),
    "spectrum_line_ms": metric.part_of(_line, lambda line: line.amplitude_ms),
    "drift_pct_per_min": lambda series: _given(
        drift_of(series).slope_pct_per_min, drift_of(series).sentence.rstrip(".")
    ),
    "warm_up_s": warm_up_length_s,
    "level_change_count": level_change_count,
}
FIXED: Final[dict[str, metric.Compute]] = {
    "refresh_uneven_per_min": metric.part_of(fixed_refresh_of, _uneven_per_min),
    "refresh_repeat_fraction": metric.part_of(fixed_refresh_of, lambda fit: fit.repeat_count / fit.n_refreshes),
    "refresh_skipped_count": metric.part_of(fixed_refresh_of, lambda fit: fit.skipped_frame_count),
    "judder_rms_ms": metric.part_of(fixed_refresh_of, lambda fit: fit.judder_rms_ms),
}
VARIABLE: Final[dict[str, metric.Compute]] = {
    "refresh_inside_frames_fraction": metric.part_of(variable_refresh_of, lambda fit: fit.inside_frames_fraction),
    "refresh_inside_time_fraction": metric.part_of(variable_refresh_of, lambda fit: fit.inside_time_fraction),
    "refresh_below_time_fraction": metric.part_of(variable_refresh_of, lambda fit: fit.below_time_fraction),
    "refresh_above_time_fraction": metric.part_of(variable_refresh_of, lambda fit: fit.above_time_fraction),
}
SHOWN: Final[dict[str, metric.Compute]] = {
    "motion_step_error_rms_ms": metric.part_of(motion_steps, lambda motion: motion.rms_ms),
    "motion_step_error_p99_ms": metric.part_of(motion_steps, lambda motion: motion.p99_ms),
    "motion_step_error_worst_ms": metric.part_of(motion_steps, lambda motion: abs(motion.worst_ms)),
    "dropped_count": metric.part_of(dropped_of, lambda dropped: dropped.count),
    "dropped_fraction": metric.part_of(dropped_of, lambda dropped: dropped.fraction),
    "dropped_longest_run": metric.part_of(dropped_of, lambda dropped: dropped.longest_run),
    "shown_average_fps": metric.part_of(dropped_of, lambda dropped: dropped.shown_average_fps),
}


def _on(quantity: str, part: Callable[[Channel], float | metric.Missing]) -> metric.Compute:
    return metric.part_of(partial(channel, name=quantity), part)


_SENSORS: Final[dict[str, metric.Compute]] = {
    "average_power_w": sensor_values.average_power_w,
    "peak_power_w": metric.part_of(sensor_values.power_channel, lambda power: power.of_samples(np.max)),
    "energy_per_frame_j": sensor_values.energy_per_frame_j,
    "frames_per_joule": metric.part_of(sensor_values.energy_per_frame_j, lambda energy_j: 1.0 / energy_j),
    "time_at_power_limit_fraction": sensor_values.time_at_power_limit_fraction,
    "average_temperature_c": _on(TEMPERATURE, lambda found: found.mean),
    "peak_temperature_c": _on(TEMPERATURE, lambda found: found.of_samples(np.max)),
    "end_temperature_c": sensor_values.end_temperature_c,
    "time_above_temperature_limit_fraction": sensor_values.time_above_temperature_limit_fraction,
    "average_core_clock_mhz": _on(CORE_CLOCK, lambda found: found.mean),
    "min_core_clock_mhz": _on(CORE_CLOCK, lambda found: found.of_samples(np.min)),
    "core_clock_sd_mhz": _on(CORE_CLOCK, lambda found: found.of_samples(partial(np.std, ddof=1), n_needed=2)),
    "average_memory_clock_mhz": _on("memory_clock_mhz", lambda found: found.mean),
    "throttling_count": sensor_findings.throttling_count,
    "throttling_time_fraction": sensor_findings.throttling_time_fraction,
    "utilization_under_90pct_fraction": sensor_values.utilization_under_90pct_fraction,
    "gpu_work_under_90pct_fraction": sensor_values.gpu_work_under_90pct_fraction,
}


@lru_cache(maxsize=16)
def catalog_for(options: MeasureOptions) -> Mapping[str, metric.Metric]:
    """Every metric under these options, by key, in the order in which they are shown.

    The shares of the lows stand in the keys, the quantile type and the stutter rule in the definitions.

    Raises
    ------
    ValueError
        If two rows have the same key.

    Examples
    --------
    >>> keys = list(catalog_for(MeasureOptions(slowest_pcts=(5.0,))))
    >>> keys[0], [key for key in keys if key.startswith("low_")][0]
    ('average_fps', 'low_5pct_percentile_fps')
    """
    rule, refresh, limit_c = options.stutter, options.refresh, options.temperature_limit_c
    words = {
        "quantile_type": options.quantile_type,
        "quantile": level.QUANTILE_NAMES[options.quantile_type],
        "stutter": f"over {rule.ratio:g} times as long as the median of the frames within {rule.window_s / 2:g} s "
        f"before and after, and by {rule.min_excess_ms:g} ms or more",
        "on": "" if refresh is None else describe_refresh(refresh),
        "limit": "the limit given" if limit_c is None else f"{limit_c:g} °C",
    }
    rows = [*metrics_of(_LEVEL, **words)]
    for pct in options.slowest_pcts:
        rows += metrics_of(_lows(pct), of=level.share_key(pct), share=level.share_label(pct), **words)
    display = {} if refresh is None else FIXED if refresh.is_fixed else VARIABLE
    rows += metrics_of({**_STUTTER, **_PACING, **_COURSE, **display, **SHOWN, **_SENSORS}, **words)
    by_key = {row.key: row for row in rows}
    if len(by_key) != len(rows):
        raise ValueError(f"metric keys must be unique, got {[row.key for row in rows]!r}")
    return MappingProxyType(by_key)


CATALOG: Final[Mapping[str, metric.Metric]] = catalog_for(MeasureOptions())
"""The metrics under the default options."""
