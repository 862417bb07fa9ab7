"""Metrics that need sensor samples."""

from __future__ import annotations

from functools import partial
from typing import Final

from frametime.metrics.catalog.table import metrics_of
from frametime.metrics.metric import Compute, Metric
from frametime.metrics.options import MeasureOptions
from frametime.metrics.sensors import sensor_values, throttling
from frametime.metrics.sensors.sensor_values import CORE_CLOCK, TEMPERATURE


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
