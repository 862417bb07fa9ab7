"""Power and energy of a run: what was drawn, and what a frame cost."""

from __future__ import annotations

from typing import Final

import numpy as np

from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import Missing
from frametime.metrics.sensor_channels import Channel, channel, none_inside
from frametime.units import NS_PER_S

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
    power = power_channel(series)
    if isinstance(power, Missing):
        return power
    return float(power.sample_values.max()) if power.sample_values.size else none_inside(POWER)


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
