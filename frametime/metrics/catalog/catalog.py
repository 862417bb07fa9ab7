"""The catalog: one row for each metric. Adding a metric is a pure function and a row.

Metrics that need nothing but frame times stand in `frame_metrics`; here are those of what the eye sees (rhythm, drift,
refreshes of the display, motion, dropped frames) and those of the sensors.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import lru_cache, partial
from types import MappingProxyType
from typing import Final, TypeVar

from frametime.metrics.catalog.catalog_frames import frame_metrics
from frametime.metrics.catalog.table import metrics_of
from frametime.metrics.display.display import fixed_refresh_of, fixed_steps, variable_refresh_of, variable_steps
from frametime.metrics.display.dropped import dropped_of
from frametime.metrics.display.motion import motion_steps, step_errors
from frametime.metrics.display.refresh_rates import describe_refresh
from frametime.metrics.drift.drift import drift_of, level_change_count, warm_up_length_s
from frametime.metrics.findings import (
    DroppedFrames,
    FixedRefreshFit,
    MotionSteps,
    SpectralLine,
    VariableRefreshFit,
)
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import Compute, Metric, Missing
from frametime.metrics.options import MeasureOptions, Refresh
from frametime.metrics.rhythm.rhythm import rhythm_of
from frametime.metrics.rhythm.spectrum import NO_LINE, spectrum_of
from frametime.metrics.sensors import sensor_values, throttling
from frametime.metrics.sensors.sensor_values import CORE_CLOCK, TEMPERATURE

Fit = TypeVar("Fit")
Find = Callable[[FrameSeries, Refresh], object]


def regularity_metrics(options: MeasureOptions) -> tuple[Metric, ...]:
    """Metrics of rhythm, drift, display (where a refresh is given), motion and dropped frames.

    Examples
    --------
    >>> [row.key for row in regularity_metrics(MeasureOptions())][:2]
    ['alternating_fraction', 'alternation_ms']
    """
    refresh = options.refresh
    display = {} if refresh is None else _FIXED if refresh.is_fixed else _VARIABLE
    on = "" if refresh is None else describe_refresh(refresh)
    return tuple(metrics_of({**_COURSE, **display, **_SHOWN}, on=on))


def _given(value: float | None, reason: str) -> float | Missing:
    return Missing(reason=reason) if value is None else float(value)


def _hitch_period(series: FrameSeries) -> float | Missing:
    rhythm = rhythm_of(series)
    period_s = None if rhythm.hitch_period is None else rhythm.hitch_period.period_s
    return _given(period_s, rhythm.hitch_period_reason or "no period")


def _line(part: Callable[[SpectralLine], float]) -> Compute:
    def compute(series: FrameSeries) -> float | Missing:
        if lines := rhythm_of(series).lines:
            return part(lines[0])
        spectrum = spectrum_of(series)
        return Missing(reason=spectrum if isinstance(spectrum, str) else NO_LINE)

    return compute


def _fixed(part: Callable[[FixedRefreshFit], float | Missing]) -> Compute:
    return lambda series: _part_of(fixed_refresh_of(series), part, lambda: _no_steps(series, fixed_steps))


def _variable(part: Callable[[VariableRefreshFit], float]) -> Compute:
    return lambda series: _part_of(variable_refresh_of(series), part, lambda: _no_steps(series, variable_steps))


def _dropped(part: Callable[[DroppedFrames], float]) -> Compute:
    without = Missing(reason="the log does not say which frames were shown")
    return lambda series: _part_of(dropped_of(series), part, lambda: without)


def _motion(part: Callable[[MotionSteps], float]) -> Compute:
    def no_steps(series: FrameSeries) -> Missing:
        steps = step_errors(series)
        return steps if isinstance(steps, Missing) else Missing(reason="motion steps were not looked for")

    return lambda series: _part_of(motion_steps(series), part, lambda: no_steps(series))


def _part_of(
    found: Fit | None, part: Callable[[Fit], float | Missing], without: Callable[[], Missing]
) -> float | Missing:
    if found is None:
        return without()
    value = part(found)
    return value if isinstance(value, Missing) else float(value)


def _uneven_per_min(fit: FixedRefreshFit) -> float | Missing:
    return _given(fit.uneven_per_min, "only two frames were seen: one step has none before it to differ from")


def _no_steps(series: FrameSeries, find: Find) -> Missing:
    """Why there are no steps between the frames that were shown."""
    refresh = series.options.refresh
    found = None if refresh is None else find(series, refresh)
    return found if isinstance(found, Missing) else Missing(reason="no refresh of this kind was given")


_COURSE: Final[dict[str, Compute]] = {
    "alternating_fraction": lambda series: rhythm_of(series).alternating_fraction,
    "alternation_ms": lambda series: _given(rhythm_of(series).alternation_ms, "no frames alternate"),
    "hitch_period_s": _hitch_period,
    "spectrum_line_hz": _line(lambda line: line.frequency_hz),
    "spectrum_line_ms": _line(lambda line: line.amplitude_ms),
    "drift_pct_per_min": lambda series: _given(
        drift_of(series).slope_pct_per_min, drift_of(series).sentence.rstrip(".")
    ),
    "warm_up_s": warm_up_length_s,
    "level_change_count": level_change_count,
}
_FIXED: Final[dict[str, Compute]] = {
    "refresh_uneven_per_min": _fixed(_uneven_per_min),
    "refresh_repeat_fraction": _fixed(lambda fit: fit.repeat_count / fit.n_refreshes),
    "refresh_skipped_count": _fixed(lambda fit: fit.skipped_frame_count),
    "judder_rms_ms": _fixed(lambda fit: fit.judder_rms_ms),
}
_VARIABLE: Final[dict[str, Compute]] = {
    "refresh_inside_frames_fraction": _variable(lambda fit: fit.inside_frames_fraction),
    "refresh_inside_time_fraction": _variable(lambda fit: fit.inside_time_fraction),
    "refresh_below_time_fraction": _variable(lambda fit: fit.below_time_fraction),
    "refresh_above_time_fraction": _variable(lambda fit: fit.above_time_fraction),
}
_SHOWN: Final[dict[str, Compute]] = {
    "motion_step_error_rms_ms": _motion(lambda motion: motion.rms_ms),
    "motion_step_error_p99_ms": _motion(lambda motion: motion.p99_ms),
    "motion_step_error_worst_ms": _motion(lambda motion: abs(motion.worst_ms)),
    "dropped_count": _dropped(lambda dropped: dropped.count),
    "dropped_fraction": _dropped(lambda dropped: dropped.fraction),
    "dropped_longest_run": _dropped(lambda dropped: dropped.longest_run),
    "shown_average_fps": _dropped(lambda dropped: dropped.shown_average_fps),
}


def sensor_metrics(options: MeasureOptions) -> tuple[Metric, ...]:
    """Metrics of power, temperature, clock and load; each is ``Missing`` with its reason without samples.

    Examples
    --------
    >>> [row.key for row in sensor_metrics(MeasureOptions())][:2]
    ['average_power_w', 'peak_power_w']
    """
    limit = "the limit given" if options.temperature_limit_c is None else f"{options.temperature_limit_c:g} °C"
    return tuple(metrics_of(_SENSORS, limit=limit))


_SENSORS: Final[dict[str, Compute]] = {
    "average_power_w": sensor_values.average_power_w,
    "peak_power_w": sensor_values.peak_power_w,
    "energy_per_frame_j": sensor_values.energy_per_frame_j,
    "frames_per_joule": sensor_values.frames_per_joule,
    "time_at_power_limit_fraction": sensor_values.time_at_power_limit_fraction,
    "average_temperature_c": partial(sensor_values.average_of, name=TEMPERATURE),
    "peak_temperature_c": partial(sensor_values.peak_of, name=TEMPERATURE),
    "end_temperature_c": sensor_values.end_temperature_c,
    "time_above_temperature_limit_fraction": sensor_values.time_above_temperature_limit_fraction,
    "average_core_clock_mhz": partial(sensor_values.average_of, name=CORE_CLOCK),
    "min_core_clock_mhz": partial(sensor_values.least_of, name=CORE_CLOCK),
    "core_clock_sd_mhz": partial(sensor_values.spread_of, name=CORE_CLOCK),
    "average_memory_clock_mhz": partial(sensor_values.average_of, name="memory_clock_mhz"),
    "throttling_count": throttling.throttling_count,
    "throttling_time_fraction": throttling.throttling_time_fraction,
    "utilization_under_90pct_fraction": sensor_values.utilization_under_90pct_fraction,
    "gpu_work_under_90pct_fraction": sensor_values.gpu_work_under_90pct_fraction,
}


@lru_cache(maxsize=16)
def catalog_for(options: MeasureOptions) -> Mapping[str, Metric]:
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
    rows = (*frame_metrics(options), *regularity_metrics(options), *sensor_metrics(options))
    by_key = {row.key: row for row in rows}
    if len(by_key) != len(rows):
        keys = [row.key for row in rows]
        twice = sorted({key for key in keys if keys.count(key) > 1})
        raise ValueError(f"metric keys must be unique, got twice: {twice!r}")
    return MappingProxyType(by_key)


CATALOG: Final[Mapping[str, Metric]] = catalog_for(MeasureOptions())
"""The metrics under the default options."""
