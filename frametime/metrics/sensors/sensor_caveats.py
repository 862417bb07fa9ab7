"""What must be known about the sensor numbers of a run: coverage and gaps of each quantity, and a card that waits."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Final, NamedTuple

import numpy as np

from frametime.capture import SensorTrace
from frametime.caveats import Caveat, Weight
from frametime.metrics.frame_series import FrameSeries, numpy_column
from frametime.metrics.metric import Missing
from frametime.metrics.options import MeasureOptions
from frametime.metrics.sensors import sensor_values
from frametime.metrics.sensors.clock_doubt import range_in_doubt
from frametime.metrics.sensors.sensor_channels import QUANTITY_WORDS, Channel, channel
from frametime.metrics.sensors.throttling import throttled_words, throttling_of, throttling_time_fraction
from frametime.units import NS_PER_S

COVERED_ENOUGH: Final = 0.95
"""Share of a capture that its sensor samples must cover (common practice, no source)."""

DOUBT_TOLD_FRACTION: Final = 0.01
"""A doubt of the clock that moves average power by more than this share is told (common practice, no source)."""

BUSY_CAVEAT_FRACTION: Final = 0.2
"""From this share of the time under 90 % busy, something else limits (common practice, no source)."""

_BY_QUANTITY: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        sensor_values.POWER: (
            "average_power_w",
            "peak_power_w",
            "energy_per_frame_j",
            "frames_per_joule",
            "time_at_power_limit_fraction",
        ),
        sensor_values.TEMPERATURE: (
            "average_temperature_c",
            "peak_temperature_c",
            "end_temperature_c",
            "time_above_temperature_limit_fraction",
        ),
        sensor_values.CORE_CLOCK: ("average_core_clock_mhz", "min_core_clock_mhz", "core_clock_sd_mhz"),
        "memory_clock_mhz": ("average_memory_clock_mhz",),
        sensor_values.UTILIZATION: ("utilization_under_90pct_fraction",),
    }
)
_THROTTLING: Final = ("throttling_count", "throttling_time_fraction")


def sensor_caveats(series: FrameSeries) -> tuple[Caveat, ...]:
    """What must be known about the sensors of this run: from their reader, coverage, gaps, and a card that waits."""
    trace = series.sensors
    if trace is None:
        return ()
    channels = {name: found for name in QUANTITY_WORDS if not isinstance(found := channel(series, name), Missing)}
    told = _told(trace, series)
    return (
        *trace.caveats,
        *_coverage_caveats(channels, told, series.options),
        *_gap_caveats(channels, told, series.options),
        *_negative_caveats(channels.get(sensor_values.POWER)),
        *_busy_caveats(series),
        *_clock_caveats(series),
        *_throttling_caveats(series),
    )


class _Told(NamedTuple):
    """What the reader has told of the log as a whole: a quantity is told again only where it is worse than that."""

    covered_fraction: float
    longest_step_s: float


def _told(trace: SensorTrace, series: FrameSeries) -> _Told:
    codes = {caveat.code for caveat in trace.caveats}
    if trace.samples.num_rows < 2 or not codes & {"sensors-cover-part", "sensor-gap"}:
        return _Told(1.0, 0.0)
    times_s = (np.asarray(numpy_column(trace.samples, "time_ns"), dtype=np.int64) - series.timestamps_ns[0]) / NS_PER_S
    within_s = np.clip(times_s, 0.0, series.duration_s)
    covered = float(within_s[-1] - within_s[0]) / series.duration_s
    return _Told(
        # A hundredth less, or more, is the same part and the same hole, seen by another count of samples.
        covered - 0.01 if "sensors-cover-part" in codes else 1.0,
        1.01 * float(np.max(np.diff(within_s))) if "sensor-gap" in codes else 0.0,
    )


def _coverage_caveats(channels: Mapping[str, Channel], told: _Told, options: MeasureOptions) -> Iterable[Caveat]:
    """One for each part of the capture that some quantities cover: those that share a part are told together."""
    parts: dict[str, list[str]] = {}
    for name, found in channels.items():
        if found.covered_fraction < told.covered_fraction:
            part = (
                f"{found.times_s[0]:.1f} to {found.times_s[-1]:.1f} s of {found.duration_s:.1f} s "
                f"({100.0 * found.covered_fraction:.1f} %)"
            )
            parts.setdefault(part, []).append(name)
    for part, names in parts.items():
        covered = min(channels[name].covered_fraction for name in names)
        yield Caveat(
            code="sensors-cover-part",
            message=f"The {_listed(names)} samples cover {part}; their numbers are of that part only.",
            weight=Weight.CARE if covered < COVERED_ENOUGH else Weight.NOTE,
            metrics=_keys(names, options),
        )


def _gap_caveats(channels: Mapping[str, Channel], told: _Told, options: MeasureOptions) -> Iterable[Caveat]:
    gaps: dict[str, list[str]] = {}
    for name, found in channels.items():
        if found.longest_step_s > max(5.0 * found.step_s, 2.0, told.longest_step_s):
            gap = f"for {found.longest_step_s:.1f} s (usual step {found.step_s:.2f} s)"
            gaps.setdefault(gap, []).append(name)
    for gap, names in gaps.items():
        yield Caveat(
            code="sensor-gap",
            message=f"There is no {_listed(names)} sample {gap}; values are taken to change evenly across that gap.",
            weight=Weight.CARE,
            metrics=_keys(names, options),
        )


def _listed(names: list[str]) -> str:
    words = [QUANTITY_WORDS[name] for name in names]
    return " and ".join(part for part in (", ".join(words[:-1]), words[-1]) if part)


def _keys(names: list[str], options: MeasureOptions) -> tuple[str, ...]:
    """Metrics that rest on these quantities; throttling on the clock and on what has a limit."""
    watched = {sensor_values.CORE_CLOCK}
    if options.temperature_limit_c is not None:
        watched.add(sensor_values.TEMPERATURE)
    if options.power_limit_w is not None:
        watched.add(sensor_values.POWER)
    keys = tuple(key for name in names for key in _BY_QUANTITY[name])
    return (*keys, *_THROTTLING) if watched.intersection(names) else keys


def _negative_caveats(power: Channel | None) -> tuple[Caveat, ...]:
    if power is None or not (power.sample_values < 0.0).any():
        return ()
    count, least_w = int(np.count_nonzero(power.sample_values < 0.0)), float(power.sample_values.min())
    return (
        Caveat(
            code="sensor-negative-power",
            message=f"{count} of {power.sample_values.size} power samples are below zero, down to {least_w:.1f} W, "
            "which no card can draw. They are used as they stand: power and energy are too low by them.",
            weight=Weight.CARE,
            metrics=_BY_QUANTITY[sensor_values.POWER],
        ),
    )


def _clock_caveats(series: FrameSeries) -> tuple[Caveat, ...]:
    """What the average power may be while the clocks are as far apart as they may."""
    average_w = sensor_values.average_power_w(series)
    if isinstance(average_w, Missing):
        return ()
    low, high = range_in_doubt(series, sensor_values.average_power_w, average_w)
    if high - low <= DOUBT_TOLD_FRACTION * average_w or series.sensors is None:
        return ()
    doubt_s = series.sensors.clock_doubt_s
    message = f"The sensor clock may be off by {doubt_s:.1f} s: average power is {low:.1f} to {high:.1f} W."
    return (
        Caveat(
            code="sensor-clock-doubt", message=message, weight=Weight.CARE, metrics=_BY_QUANTITY[sensor_values.POWER]
        ),
    )


def _busy_caveats(series: FrameSeries) -> tuple[Caveat, ...]:
    fraction = sensor_values.utilization_under_90pct_fraction(series)
    if isinstance(fraction, Missing) or fraction < BUSY_CAVEAT_FRACTION:
        return ()
    return (
        Caveat(
            code="card-not-the-limit",
            message=f"The card was under {sensor_values.BUSY_PCT:g} % busy for {100.0 * fraction:.0f} % of the time: "
            "something else limits, and a comparison of cards here says less about the cards.",
            weight=Weight.CARE,
            metrics=(),
        ),
    )


def _throttling_caveats(series: FrameSeries) -> tuple[Caveat, ...]:
    """Throttling by temperature only: at its power limit a card runs as its maker means it to."""
    hot = [item for item in throttling_of(series) if item.cause == "temperature"]
    fraction = throttling_time_fraction(series)
    if not hot or isinstance(fraction, Missing):
        return ()
    return (
        Caveat(
            code="throttled",
            message=f"The card throttled for {throttled_words(hot, fraction)}: it is slower than a cooler one.",
            weight=Weight.CARE,
            metrics=_THROTTLING,
        ),
    )
