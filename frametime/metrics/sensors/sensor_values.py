"""Power, energy, heat, clock and load over a run."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.capture import TIME_COLUMN
from frametime.metrics.frame_series import FrameSeries, numpy_column
from frametime.metrics.metric import Missing
from frametime.metrics.sensors.sensor_channels import QUANTITY_WORDS, Channel, channel, none_inside
from frametime.units import NS_PER_MS, NS_PER_S

POWER: Final = "power_w"

NO_POWER: Final = "the power logged is zero or below on average, which no card at work draws"
"""A card cannot give power back: such a log has no sensor behind it, or its sign is wrong."""


def power_channel(series: FrameSeries) -> Channel | Missing:
    """Power over the span of the capture, where it is above zero on average."""
    power = channel(series, POWER)
    return Missing(reason=NO_POWER) if isinstance(power, Channel) and not power.mean > 0.0 else power


def frames_in(series: FrameSeries, power: Channel) -> float:
    """Frames drawn in the part of the capture that the samples cover; a frame at an edge counts in part."""
    timestamps_s = (series.timestamps_ns - series.timestamps_ns[0]) / NS_PER_S
    drawn = np.interp(power.times_s[[0, -1]], timestamps_s, np.arange(timestamps_s.size))
    return float(drawn[1] - drawn[0])


def average_power_w(series: FrameSeries) -> float | Missing:
    """Energy over the covered part of the capture divided by its length, in W."""
    power = power_channel(series)
    return power if isinstance(power, Missing) else power.mean


def peak_power_w(series: FrameSeries) -> float | Missing:
    """Greatest sample of power inside the capture, in W. Peaks between two samples are not seen."""
    return _extreme(power_channel(series), POWER, np.max)


def energy_per_frame_j(series: FrameSeries) -> float | Missing:
    """Energy over the covered part of the capture divided by the frames drawn in it, in J per frame."""
    power = power_channel(series)
    return power if isinstance(power, Missing) else power.integral / frames_in(series, power)


def frames_per_joule(series: FrameSeries) -> float | Missing:
    """Frames drawn for each joule; the same as frames per second for each watt."""
    energy_j = energy_per_frame_j(series)
    return energy_j if isinstance(energy_j, Missing) else 1.0 / energy_j


POWER_SLACK_FRACTION: Final = 0.02
"""Power stands at its limit from this share of it below (common practice, no source)."""


def time_at_power_limit_fraction(series: FrameSeries) -> float | Missing:
    """Share of the covered time with the power within 2 % of the limit that was given, or above it."""
    limit_w = series.options.power_limit_w
    power = power_channel(series)
    if isinstance(power, Missing):
        return power
    if limit_w is None:
        return Missing(reason="no power limit given")
    return power.fraction_from((1.0 - POWER_SLACK_FRACTION) * limit_w)


TEMPERATURE = "temperature_c"
CORE_CLOCK = "core_clock_mhz"
UTILIZATION = "utilization_pct"

BUSY_PCT = 90.0
"""Under this the card waits for something else (common practice, no source)."""


def average_of(series: FrameSeries, name: str) -> float | Missing:
    """Time-weighted mean of a quantity over the covered part of the capture, in its own unit."""
    found = channel(series, name)
    return found if isinstance(found, Missing) else found.mean


def peak_of(series: FrameSeries, name: str) -> float | Missing:
    """Greatest sample of a quantity inside the capture."""
    return _extreme(channel(series, name), name, np.max)


def least_of(series: FrameSeries, name: str) -> float | Missing:
    """Least sample of a quantity inside the capture."""
    return _extreme(channel(series, name), name, np.min)


def _extreme(found: Channel | Missing, name: str, pick: Callable[[NDArray[np.float64]], np.float64]) -> float | Missing:
    if isinstance(found, Missing):
        return found
    return float(pick(found.sample_values)) if found.sample_values.size else none_inside(name)


def spread_of(series: FrameSeries, name: str) -> float | Missing:
    """Standard deviation (n - 1) of the samples of a quantity inside the capture."""
    found = channel(series, name)
    if isinstance(found, Missing):
        return found
    if found.sample_values.size < 2:
        return Missing(reason=f"fewer than two {QUANTITY_WORDS.get(name, name)} samples lie in the capture")
    return float(np.std(found.sample_values, ddof=1))


def end_temperature_c(series: FrameSeries) -> float | Missing:
    """Temperature when the capture ended; none when the samples stop more than two of their steps earlier."""
    found = channel(series, TEMPERATURE)
    if isinstance(found, Missing):
        return found
    short_s = found.duration_s - float(found.times_s[-1])
    if short_s > 2.0 * found.step_s:
        return Missing(reason=f"the temperature samples end {short_s:.1f} s before the capture")
    return float(found.values[-1])


def time_above_temperature_limit_fraction(series: FrameSeries) -> float | Missing:
    """Share of the covered time above the temperature limit that was given."""
    limit_c = series.options.temperature_limit_c
    found = channel(series, TEMPERATURE)
    if isinstance(found, Missing):
        return found
    if limit_c is None:
        return Missing(reason="no temperature limit given")
    return found.fraction_above(limit_c)


def utilization_under_90pct_fraction(series: FrameSeries) -> float | Missing:
    """Share of the covered time in which the card was busy under 90 % of the time."""
    found = channel(series, UTILIZATION)
    return found if isinstance(found, Missing) else found.fraction_below(BUSY_PCT)


def frames_under_90pct(series: FrameSeries) -> tuple[NDArray[np.int64], NDArray[np.bool_]] | Missing:
    """Frames of which the card's own work is logged, and on which of them it worked under 90 % of their time."""
    capture = series.capture
    if capture is None or "gpu_work_ns" not in capture.frames.column_names:
        return Missing(reason="the log does not say how long the card worked on each frame")
    known = capture.frames.slice(1).select([TIME_COLUMN, "gpu_work_ns"]).drop_null()
    if known.num_rows == 0:
        return Missing(reason="no frame has the time that the card worked on it")
    work_ms = np.asarray(numpy_column(known, "gpu_work_ns"), dtype=np.float64) / NS_PER_MS
    # The end of a frame finds its place again among the timestamps, which rise strictly.
    places = np.searchsorted(series.timestamps_ns, numpy_column(known, TIME_COLUMN)) - 1
    return places, work_ms < BUSY_PCT / 100.0 * series.frame_times_ms[places]


def gpu_work_under_90pct_fraction(series: FrameSeries) -> float | Missing:
    """Share of the time spent in frames on which the card worked under 90 % of the frame's own time."""
    found = frames_under_90pct(series)
    if isinstance(found, Missing):
        return found
    places, under = found
    times_ms = series.frame_times_ms[places]
    return float(times_ms[under].sum() / times_ms.sum())
