"""Catalog rows of the sensor metrics, and what must be known about their numbers."""

from __future__ import annotations

from functools import partial
from typing import Final

from frametime.caveats import Caveat, Weight
from frametime.metrics import energy, temperature, throttling
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import PRACTICE, Metric, Missing
from frametime.metrics.options import MeasureOptions
from frametime.metrics.sensor_channels import channel
from frametime.units import DIMENSIONLESS, FRAMES_PER_JOULE, JOULE_PER_FRAME

TRAPEZOID: Final = "trapezoid rule, Abramowitz and Stegun, Handbook of Mathematical Functions, 25.4.2 (from memory)"

COVERED_ENOUGH: Final = 0.95
"""Share of a capture that its sensor samples must cover (common practice, no source)."""

BUSY_CAVEAT_FRACTION: Final = 0.2
"""From this share of the time under 90 % busy, something else limits (common practice, no source)."""


def sensor_metrics(options: MeasureOptions) -> tuple[Metric, ...]:
    """Rows of the catalog that need sensor samples; each is ``Missing`` with its reason without them.

    Examples
    --------
    >>> [row.key for row in sensor_metrics(MeasureOptions())][:2]
    ['average_power_w', 'peak_power_w']
    """
    return (*_power_rows(), *_temperature_rows(options), *_clock_rows())


def sensor_caveats(series: FrameSeries) -> tuple[Caveat, ...]:
    """What must be known about the sensors of this run: from their reader, coverage, gaps, and a card that waits."""
    if series.sensors is None:
        return ()
    told = series.sensors.caveats
    codes = {caveat.code for caveat in told}
    own = (*_coverage_caveats(series), *_busy_caveats(series))
    return (*told, *(caveat for caveat in own if caveat.code not in codes))


_row = partial(Metric, source=PRACTICE)


def _power_rows() -> tuple[Metric, ...]:
    return (
        _row(
            key="average_power_w",
            label="average power",
            unit="W",
            better="lower",
            group="power",
            definition="Power integrated over the capture's own time, divided by that time; ends are interpolated.",
            compute=energy.average_power_w,
            source=TRAPEZOID,
        ),
        _row(
            key="peak_power_w",
            label="peak power",
            unit="W",
            better="lower",
            group="power",
            definition="Greatest power sample inside the capture; what lies between two samples is not seen.",
            compute=energy.peak_power_w,
        ),
        _row(
            key="energy_per_frame_j",
            label="energy per frame",
            unit=JOULE_PER_FRAME,
            better="lower",
            group="power",
            definition="Power integrated over the capture's own time, divided by the frames drawn in it.",
            compute=energy.energy_per_frame_j,
            source=TRAPEZOID,
        ),
        _row(
            key="frames_per_joule",
            label="frames per joule",
            unit=FRAMES_PER_JOULE,
            better="higher",
            group="power",
            definition="Frames drawn for each joule, the same as FPS for each watt.",
            compute=energy.frames_per_joule,
            source=TRAPEZOID,
        ),
        _row(
            key="time_at_power_limit_fraction",
            label="time at the power limit",
            unit=DIMENSIONLESS,
            better="neither",
            group="power",
            definition="Share of the time with the power within 2 % of the limit given, or above it.",
            compute=energy.time_at_power_limit_fraction,
        ),
    )


def _temperature_rows(options: MeasureOptions) -> tuple[Metric, ...]:
    limit = "the limit given" if options.temperature_limit_c is None else f"{options.temperature_limit_c:g} °C"
    return (
        _row(
            key="average_temperature_c",
            label="average temperature",
            unit="Cel",
            better="lower",
            group="temperature",
            definition="Time-weighted mean temperature over the capture.",
            compute=partial(temperature.average_of, name=temperature.TEMPERATURE),
            source=TRAPEZOID,
        ),
        _row(
            key="peak_temperature_c",
            label="peak temperature",
            unit="Cel",
            better="lower",
            group="temperature",
            definition="Greatest temperature sample inside the capture.",
            compute=partial(temperature.peak_of, name=temperature.TEMPERATURE),
        ),
        _row(
            key="end_temperature_c",
            label="temperature at the end",
            unit="Cel",
            better="lower",
            group="temperature",
            definition="Temperature when the capture ended, interpolated between samples.",
            compute=temperature.end_temperature_c,
        ),
        _row(
            key="time_above_temperature_limit_fraction",
            label="time above the temperature limit",
            unit=DIMENSIONLESS,
            better="lower",
            group="temperature",
            definition=f"Share of the time with the temperature above {limit}.",
            compute=temperature.time_above_temperature_limit_fraction,
        ),
    )


def _clock_rows() -> tuple[Metric, ...]:
    core, memory = temperature.CORE_CLOCK, "memory_clock_mhz"
    mean_of = "Time-weighted mean of the {} over the capture."
    return (
        _row(
            key="average_core_clock_mhz",
            label="average core clock",
            unit="MHz",
            better="neither",
            group="clock",
            definition=mean_of.format("core clock"),
            compute=partial(temperature.average_of, name=core),
            source=TRAPEZOID,
        ),
        _row(
            key="min_core_clock_mhz",
            label="lowest core clock",
            unit="MHz",
            better="neither",
            group="clock",
            definition="Least core clock sample inside the capture.",
            compute=partial(temperature.least_of, name=core),
        ),
        _row(
            key="core_clock_sd_mhz",
            label="core clock spread",
            unit="MHz",
            better="lower",
            group="clock",
            definition="Standard deviation (n - 1) of the core clock samples inside the capture.",
            compute=partial(temperature.spread_of, name=core),
        ),
        _row(
            key="average_memory_clock_mhz",
            label="average memory clock",
            unit="MHz",
            better="neither",
            group="clock",
            definition=mean_of.format("memory clock"),
            compute=partial(temperature.average_of, name=memory),
            source=TRAPEZOID,
        ),
        _row(
            key="throttling_count",
            label="throttling events",
            unit="{count}",
            better="lower",
            group="clock",
            definition="Times the core clock fell while temperature or power stood at its limit.",
            compute=throttling.throttling_count,
        ),
        _row(
            key="throttling_time_fraction",
            label="time throttling",
            unit=DIMENSIONLESS,
            better="lower",
            group="clock",
            definition="Share of the time with the core clock down while temperature or power stood at its limit.",
            compute=throttling.throttling_time_fraction,
        ),
        _row(
            key="utilization_under_90pct_fraction",
            label="time with the card under 90 % busy",
            unit=DIMENSIONLESS,
            better="neither",
            group="clock",
            definition="Share of the time in which the sensor log shows the card busy under 90 % of the time.",
            compute=temperature.utilization_under_90pct_fraction,
        ),
        _row(
            key="gpu_work_under_90pct_fraction",
            label="time in frames with card work under 90 %",
            unit=DIMENSIONLESS,
            better="neither",
            group="clock",
            definition="Share of the time spent in frames on which the card worked under 90 % of the frame time.",
            compute=temperature.gpu_work_under_90pct_fraction,
        ),
    )


def _coverage_caveats(series: FrameSeries) -> tuple[Caveat, ...]:
    found = channel(series, energy.POWER)
    if isinstance(found, Missing):
        return ()
    caveats = []
    keys = ("average_power_w", "peak_power_w", "energy_per_frame_j", "frames_per_joule")
    start_s, end_s = float(found.times_s[0]), float(found.times_s[-1])
    if found.covered_fraction < 1.0:
        caveats.append(
            Caveat(
                code="sensors-cover-part",
                message=f"The power samples cover {start_s:.1f} to {end_s:.1f} s of {found.duration_s:.1f} s "
                f"({100.0 * found.covered_fraction:.1f} %); power and energy are of that part only.",
                weight=Weight.CARE if found.covered_fraction < COVERED_ENOUGH else Weight.NOTE,
                metrics=keys,
            )
        )
    if found.longest_step_s > max(5.0 * found.step_s, 2.0):
        caveats.append(
            Caveat(
                code="sensor-gap",
                message=f"There is no power sample for {found.longest_step_s:.1f} s (usual step {found.step_s:.2f} s); "
                "power is taken to change evenly across that gap.",
                weight=Weight.CARE,
                metrics=keys,
            )
        )
    return tuple(caveats)


def _busy_caveats(series: FrameSeries) -> tuple[Caveat, ...]:
    fraction = temperature.utilization_under_90pct_fraction(series)
    if isinstance(fraction, Missing) or fraction < BUSY_CAVEAT_FRACTION:
        return ()
    return (
        Caveat(
            code="card-not-the-limit",
            message=f"The card was under {temperature.BUSY_PCT:g} % busy for {100.0 * fraction:.0f} % of the time: "
            "something else limits, and a comparison of cards here says less about the cards.",
            weight=Weight.CARE,
            metrics=(),
        ),
    )
