"""Catalog rows of the sensor metrics."""

from __future__ import annotations

from functools import partial
from typing import Final

from frametime.metrics.metric import Metric, row
from frametime.metrics.options import MeasureOptions
from frametime.metrics.sensors import sensor_values, throttling
from frametime.units import DIMENSIONLESS, FRAMES_PER_JOULE, JOULE_PER_FRAME

TRAPEZOID: Final = "trapezoid rule, Abramowitz and Stegun, Handbook of Mathematical Functions, 25.4.2 (from memory)"


def sensor_metrics(options: MeasureOptions) -> tuple[Metric, ...]:
    """Rows of the catalog that need sensor samples; each is ``Missing`` with its reason without them.

    Examples
    --------
    >>> [row.key for row in sensor_metrics(MeasureOptions())][:2]
    ['average_power_w', 'peak_power_w']
    """
    return (
        *_power_rows(),
        *_energy_rows(),
        _at_power_limit_row(),
        *_temperature_rows(options),
        *_core_clock_rows(),
        _memory_clock_row(),
        *_throttling_rows(),
        *_load_rows(),
    )


def _power_rows() -> tuple[Metric, ...]:
    return (
        row("average_power_w", "average power", unit="W", better="lower", group="power")(
            definition="Power integrated over the capture's own time, divided by that time; ends are interpolated.",
            compute=sensor_values.average_power_w,
            source=TRAPEZOID,
        ),
        row("peak_power_w", "peak power", unit="W", better="lower", group="power")(
            definition="Greatest power sample inside the capture; what lies between two samples is not seen.",
            compute=sensor_values.peak_power_w,
        ),
    )


def _energy_rows() -> tuple[Metric, ...]:
    return (
        row("energy_per_frame_j", "energy per frame", unit=JOULE_PER_FRAME, better="lower", group="power")(
            definition="Power integrated over the capture's own time, divided by the frames drawn in it.",
            compute=sensor_values.energy_per_frame_j,
            source=TRAPEZOID,
        ),
        row("frames_per_joule", "frames per joule", unit=FRAMES_PER_JOULE, better="higher", group="power")(
            definition="Frames drawn for each joule, the same as FPS for each watt.",
            compute=sensor_values.frames_per_joule,
            source=TRAPEZOID,
        ),
    )


def _at_power_limit_row() -> Metric:
    return row(
        "time_at_power_limit_fraction", "time at the power limit", unit=DIMENSIONLESS, better="neither", group="power"
    )(
        definition="Share of the time with the power within 2 % of the limit given, or above it.",
        compute=sensor_values.time_at_power_limit_fraction,
    )


def _temperature_rows(options: MeasureOptions) -> tuple[Metric, ...]:
    limit = "the limit given" if options.temperature_limit_c is None else f"{options.temperature_limit_c:g} °C"
    return (
        row("average_temperature_c", "average temperature", unit="Cel", better="lower", group="temperature")(
            definition="Time-weighted mean temperature over the capture.",
            compute=partial(sensor_values.average_of, name=sensor_values.TEMPERATURE),
            source=TRAPEZOID,
        ),
        row("peak_temperature_c", "peak temperature", unit="Cel", better="lower", group="temperature")(
            definition="Greatest temperature sample inside the capture.",
            compute=partial(sensor_values.peak_of, name=sensor_values.TEMPERATURE),
        ),
        row("end_temperature_c", "temperature at the end", unit="Cel", better="lower", group="temperature")(
            definition="Temperature when the capture ended, interpolated between samples.",
            compute=sensor_values.end_temperature_c,
        ),
        row(
            "time_above_temperature_limit_fraction",
            "time above the temperature limit",
            unit=DIMENSIONLESS,
            better="lower",
            group="temperature",
        )(
            definition=f"Share of the time with the temperature above {limit}.",
            compute=sensor_values.time_above_temperature_limit_fraction,
        ),
    )


def _core_clock_rows() -> tuple[Metric, ...]:
    core = sensor_values.CORE_CLOCK
    return (
        row("average_core_clock_mhz", "average core clock", unit="MHz", better="neither", group="clock")(
            definition="Time-weighted mean of the core clock over the capture.",
            compute=partial(sensor_values.average_of, name=core),
            source=TRAPEZOID,
        ),
        row("min_core_clock_mhz", "lowest core clock", unit="MHz", better="neither", group="clock")(
            definition="Least core clock sample inside the capture.",
            compute=partial(sensor_values.least_of, name=core),
        ),
        row("core_clock_sd_mhz", "core clock spread", unit="MHz", better="lower", group="clock")(
            definition="Standard deviation (n - 1) of the core clock samples inside the capture.",
            compute=partial(sensor_values.spread_of, name=core),
        ),
    )


def _memory_clock_row() -> Metric:
    return row("average_memory_clock_mhz", "average memory clock", unit="MHz", better="neither", group="clock")(
        definition="Time-weighted mean of the memory clock over the capture.",
        compute=partial(sensor_values.average_of, name="memory_clock_mhz"),
        source=TRAPEZOID,
    )


def _throttling_rows() -> tuple[Metric, ...]:
    return (
        row("throttling_count", "throttling events", unit="{count}", better="lower", group="clock")(
            definition="Times the core clock fell while temperature or power stood at its limit.",
            compute=throttling.throttling_count,
        ),
        row("throttling_time_fraction", "time throttling", unit=DIMENSIONLESS, better="lower", group="clock")(
            definition="Share of the time with the core clock down while temperature or power stood at its limit.",
            compute=throttling.throttling_time_fraction,
        ),
    )


def _load_rows() -> tuple[Metric, ...]:
    return (
        row(
            "utilization_under_90pct_fraction",
            "time with the card under 90 % busy",
            unit=DIMENSIONLESS,
            better="neither",
            group="clock",
        )(
            definition="Share of the time in which the sensor log shows the card busy under 90 % of the time.",
            compute=sensor_values.utilization_under_90pct_fraction,
        ),
        row(
            "gpu_work_under_90pct_fraction",
            "time in frames with card work under 90 %",
            unit=DIMENSIONLESS,
            better="neither",
            group="clock",
        )(
            definition="Share of the time spent in frames on which the card worked under 90 % of the frame time.",
            compute=sensor_values.gpu_work_under_90pct_fraction,
        ),
    )
